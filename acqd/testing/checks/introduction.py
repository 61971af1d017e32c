"""Who a driver says it drives, what it finds, and that all it hands over is plain data."""

from __future__ import annotations

import asyncio
import pickle
from typing import Any

from acqd.drivers.contract import API, Candidate, Certainty, Driver
from acqd.drivers.protocol import Call, CloseCall, Reply
from acqd.drivers.worker import Worker
from acqd.errors import PortBusy, SweeperError
from acqd.sweep import Capabilities, SweepRequest
from acqd.testing.bench import (
    FIRST_QUESTIONS,
    SEE_THE_ERROR,
    Bench,
    LookOnly,
    asking,
    broke,
    must,
    opened_by_this_thread,
)

__all__ = ["IntroductionChecks"]

UNNAMED = "unnamed sweeper"


class _Recorder(Worker):
    """A worker that keeps what the driver's side answered."""

    answered: list[tuple[str, Any]]

    def reply_to(self, call: Call) -> Reply:
        reply = super().reply_to(call)
        if reply.failure is None and not isinstance(call, CloseCall):
            self.answered.append((type(call).__name__.removesuffix("Call").lower(), reply.result))
        return reply


class IntroductionChecks:
    """What a sweeper says of itself, and what a driver finds."""

    def test_states_the_contract_it_was_written_for(self, bench: Bench) -> None:
        """The driver is a Driver of this contract's version and can be made again."""
        must(
            isinstance(bench.driver, Driver),
            "A driver is a class derived from acqd.drivers.contract.Driver.",
            f"it is a {type(bench.driver).__name__}",
            "Derive it from Driver.",
        )
        must(
            bench.driver.api == API,
            f"A driver states the version of the contract that it was written for, here {API}.",
            f"it states {bench.driver.api!r}",
            "Leave Driver.api as it is, or bring the driver to this contract.",
        )

    def test_introduces_itself_the_same_each_time(self, bench: Bench) -> None:
        """Identity and limits are usable and do not change from one opening to the next."""

        async def run() -> None:
            async with bench.hosted() as host:
                with asking(
                    "open(), identify() and capabilities() work, again and again.", FIRST_QUESTIONS
                ):
                    first = await host.open()
                    second = await host.open()
                    await host.close()
                same = "A sweeper says the same of itself after every open."
                must(
                    first.identity == second.identity and second.identity_changed_from is None,
                    same,
                    f"identify() gave {first.identity!r}, then {second.identity!r}",
                    "Give what the sweeper answers, and nothing that counts or tells the time.",
                )
                differing = _differing(first.capabilities, second.capabilities)
                must(
                    first.capabilities == second.capabilities,
                    same,
                    f"capabilities() differ in {differing}",
                    "Leave out what depends on how it was swept before.",
                )
                must(
                    str(first.identity) != UNNAMED,
                    "identify() tells one instrument from another.",
                    "it gave no maker, no model and no serial number",
                    "Ask the sweeper; where it does not say, name at least the model.",
                )
                if first.identity.is_doubtful:
                    bench.say(
                        "its serial number is empty or nothing but zeros or ones, so that another "
                        "one of its kind could stand in its place unnoticed"
                    )
                must(
                    _fits(bench.request, first.capabilities),
                    "capabilities() holds what the sweeper can do.",
                    f"the bench's request of {bench.request.start_hz:.0f} to "
                    f"{bench.request.stop_hz:.0f} Hz is not within "
                    f"{first.capabilities.start_hz:.0f} to {first.capabilities.stop_hz:.0f} Hz",
                    "State its true limits, or ask for less on the bench.",
                )

        asyncio.run(run())

    def test_what_it_hands_over_can_be_pickled(self, bench: Bench) -> None:
        """Identity, capabilities, estimate and trace are plain data that can go to a process."""
        answered: list[tuple[str, Any]] = []

        def recorder(**given: Any) -> _Recorder:
            made = _Recorder(**given)
            made.answered = answered
            return made

        async def run() -> None:
            async with bench.opened(recorder) as host:
                with asking("A sweep within the limits comes back.", SEE_THE_ERROR):
                    await host.sweep(bench.request)

        asyncio.run(run())
        for name, result in answered:
            try:
                pickle.loads(pickle.dumps(result))
            except Exception as error:
                broke(
                    "What a driver returns is plain data: it may have to go to another process.",
                    f"the answer of {name}() cannot be pickled: {type(error).__name__}: {error}",
                    "Return the contract's dataclasses with numbers, texts and numpy arrays alone.",
                )

    def test_finding_without_probe_opens_nothing(self, bench: Bench) -> None:
        """find() gives Candidates and touches no port unless probing is allowed."""
        refusal = SweeperError("nothing may be opened without probe")
        context = LookOnly(bench, refusal, probe=False)
        port = bench.address.partition(":")[2]
        with opened_by_this_thread([port] if port.startswith("/") else []) as seen:
            try:
                found = list(bench.driver.find(context))
            except SweeperError:
                found = []
        asked = [f"connected to {address}" for address in context.connected]
        must(
            not asked and not seen,
            "find() writes to no port, and opens none, unless context.probe is true.",
            f"without it, it {', '.join((*asked, *seen))}",
            "Give what the user named and the system lists as Candidates; ask only with probe.",
        )
        _all_candidates(found)
        if not any(one.address == bench.address for one in found):
            bench.say(
                "find() does not know the address that the user named, so `acqd find` is mute"
            )

    def test_finding_says_of_a_busy_port_that_it_is_busy(self, bench: Bench) -> None:
        """Where somebody else holds every port, find() with probe answers and raises nothing."""
        refusal = PortBusy(f"{bench.address}: another program holds this port")
        context = LookOnly(bench, refusal, probe=True)
        asks = "A port that somebody else holds is a Candidate of Certainty.BUSY, or none."
        with asking(asks, "Catch PortBusy around context.connect()."):
            found = list(bench.driver.find(context))
        _all_candidates(found)
        sure = [
            one
            for one in found
            if one.address in context.connected and one.certainty is Certainty.ANSWERED
        ]
        must(
            not sure,
            asks,
            f"it says of {', '.join(one.address for one in sure)} that it answered",
            "Say ANSWERED only of what was asked and answered.",
        )


def _all_candidates(found: list[Any]) -> None:
    strangers = [one for one in found if not isinstance(one, Candidate)]
    must(
        not strangers,
        "find() gives Candidates.",
        f"it gave {strangers[:1]!r:.80}",
        "Return acqd.drivers.contract.Candidate.",
    )


def _differing(one: Capabilities, other: Capabilities) -> str:
    names = Capabilities.__dataclass_fields__
    return ", ".join(
        f"{name} ({getattr(one, name)!r:.40}, then {getattr(other, name)!r:.40})"
        for name in names
        if getattr(one, name) != getattr(other, name)
    )


def _fits(request: SweepRequest, capabilities: Capabilities) -> bool:
    return capabilities.start_hz <= request.start_hz <= request.stop_hz <= capabilities.stop_hz
