"""What a driver does in trouble: absurd wishes, a cancelled call, silence, a pulled cable.

Whatever happens costs sweeps of this sweeper and nothing else: the call ends in bounded time, no
thread is left hanging, the source is off, and it can be opened anew.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.drivers.protocol import (
    Call,
    CapabilitiesCall,
    CloseCall,
    IdentifyCall,
    OpenCall,
    Reply,
    SetSourceCall,
    SweepCall,
)
from acqd.drivers.worker import Worker
from acqd.errors import RequestRefused, SweeperError
from acqd.sweep import SourceRequest, SweepRequest
from acqd.testing.bench import (
    SEE_THE_ERROR,
    THREAD,
    Bench,
    Remembering,
    asking,
    broke,
    capabilities_of,
    must,
    skip,
)

__all__ = ["TroubleChecks"]

CANCEL_BOUND_S: Final = 2.0
TOKEN_BOUND_S: Final = 1.0
"""The host closes the link 0.3 s after a cancellation; the rest is for a machine that is busy."""
UNPLUG_BOUND_S: Final = 15.0
ABSURD_BOUND_S: Final = 1.0
SILENT_DEADLINE_S: Final = 4.0
"""The limit of a sweep that is never answered, where the driver makes no estimate."""
INTO_THE_SWEEP_S: Final = 0.1

STILL_WORKS: Final = "After any failure it can be opened anew, and sweeps."
START_CLEAN: Final = "Start clean in open(): throw away what waits, end what runs, set everything."
NO_THREAD: Final = (
    "Every wait ends: at its own limit, on the cancel token, or as the link is closed."
)
BOUND_WAITS: Final = (
    "Give every read a timeout; wait with context.cancel.wait(), never time.sleep()."
)
RIGHT_KINDS: Final = "A driver raises kinds of acqd.errors.SweeperError, and nothing else."


class TroubleChecks:
    """Failures, and what is left after them."""

    def test_absurd_requests_are_refused_and_do_no_harm(self, bench: Bench) -> None:
        """Beyond the limits: RequestRefused by the host; then an ordinary sweep works."""

        async def run() -> None:
            async with bench.opened() as host:
                can = capabilities_of(host)
                beyond = replace(bench.request, stop_hz=can.stop_hz * 2 + 1e6)
                await _refused(host.sweep(beyond), "twice its highest frequency")
                if not can.source:
                    source = SourceRequest(on=True)
                    await _refused(host.set_source(source), "a source that it does not have")
                must(
                    host.is_open, "A refusal leaves it open.", "it closed", "Raise RequestRefused."
                )
                with asking("A refusal leaves it as it was.", START_CLEAN):
                    await host.sweep(bench.request)

        asyncio.run(run())

    def test_what_it_raises_is_of_our_error_tree(self, bench: Bench) -> None:
        """Values that the limits do not rule out but no sweeper has: a sweep, or a SweeperError."""
        absurd = [
            replace(bench.request, vbw_hz=1e-6),
            replace(bench.request, attenuation_db=1e6),
            replace(bench.request, reference_level_dbm=-1e6),
            replace(bench.request, stop_hz=bench.request.start_hz),
        ]

        async def run() -> None:
            async with bench.hosted() as host:
                for request in absurd:
                    if not host.is_open:
                        with asking(STILL_WORKS, START_CLEAN):
                            await host.open()
                    # A video filter of a microhertz may honestly take weeks.
                    with contextlib.suppress(SweeperError, TimeoutError):
                        async with asyncio.timeout(ABSURD_BOUND_S):
                            await host.sweep(request)
                    last_error = host.statistics().last_error or ""
                    must(
                        "the driver raised" not in last_error,
                        RIGHT_KINDS,
                        f"to {_shown(request, bench.request)}: {last_error}",
                        "Raise RequestRefused for what the sweeper cannot do.",
                    )
                with asking(STILL_WORKS, START_CLEAN):
                    if not host.is_open:
                        await host.open()
                    await host.sweep(bench.request)

        asyncio.run(run())

    def test_looks_at_its_cancel_token(self, bench: Bench) -> None:
        """Told to stop in a sweep it comes back by itself, before its link is closed under it."""
        if not bench.has_slow():
            skip(bench, "slow", "this bench has no slow sweep")
        side = _Side(bench)
        try:
            side.introduce()
            with bench.slow() as slow:
                side.submit(SweepCall(request=slow))
                time.sleep(INTO_THE_SWEEP_S)
                if side.answered(0.0) is not None:
                    skip(bench, "slow", "the slow sweep of this bench was over at once")
                begun_s = time.monotonic()
                side.worker.cancel()
                back = side.answered(TOKEN_BOUND_S) is not None
                if not back:
                    side.worker.close_link()
                    side.answered(TOKEN_BOUND_S)
            took_s = time.monotonic() - begun_s
            must(
                back,
                "A driver that waits looks at context.cancel, or waits in a read of its link.",
                f"{took_s:.1f} s after it was told to stop, sweep() had not come back by itself",
                "Wait with context.cancel.wait(seconds) instead of sleeping, and in link.read().",
            )
        finally:
            side.close()

    def test_a_cancelled_sweep_ends_soon_and_leaves_it_usable(self, bench: Bench) -> None:
        """Cancelling comes back within 2 s, leaves no thread hanging, and it can be opened anew."""
        if not bench.has_slow():
            skip(bench, "slow", "this bench has no slow sweep")

        async def run() -> None:
            async with bench.hosted() as host:
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                with bench.slow() as slow:
                    await _cancelled(host, slow)
                _nothing_hangs(host)
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                    await host.sweep(bench.request)

        asyncio.run(run())

    def test_a_sweeper_that_falls_silent_costs_bounded_time(self, bench: Bench) -> None:
        """An answer that never comes ends in an error; one that comes late harms nothing after."""
        if bench.hold is None:
            skip(bench, "hold", "this bench cannot make the sweeper fall silent")
        patient = replace(bench, deadline_s=min(bench.deadline_s, SILENT_DEADLINE_S))

        async def run() -> None:
            async with patient.hosted() as host:
                with asking(STILL_WORKS, START_CLEAN):
                    known = await host.open()
                    estimate_s = await host.estimate_s(bench.request)
                bound_s = patient.deadline_s if estimate_s is None else 3 * estimate_s + 2.0
                with bench.silent():
                    begun_s = time.monotonic()
                    with contextlib.suppress(SweeperError):
                        await host.sweep(bench.request)
                        broke(
                            "A sweep is what the sweeper answered.",
                            "it brought a sweep from a sweeper that did not answer",
                            "Raise TransportTimeout where no whole answer came.",
                        )
                    took_s = time.monotonic() - begun_s
                    assert took_s < bound_s + 3.0
                _nothing_hangs(host)
                with asking(STILL_WORKS, START_CLEAN):
                    again = await host.open()
                    await host.sweep(bench.request)
                await host.close()
                must(
                    again.identity == known.identity,
                    "A late answer never reaches the next question.",
                    f"after a silence it was {again.identity}, before {known.identity}",
                    START_CLEAN,
                )

        asyncio.run(run())

    def test_unplugging_costs_sweeps_and_replugging_brings_them_back(self, bench: Bench) -> None:
        """A link that breaks raises a SweeperError in bounded time; then it opens anew."""
        unplug, replug = bench.unplug, bench.replug
        if unplug is None or replug is None:
            skip(bench, "unplug", "this bench cannot be unplugged")

        async def run() -> None:
            log = Remembering()
            async with bench.hosted(log=log) as host:
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                with bench.slow() if bench.has_slow() else _plain(bench.request) as request:
                    task = asyncio.ensure_future(host.sweep(request))
                    await asyncio.sleep(INTO_THE_SWEEP_S if bench.has_slow() else 0.0)
                    unplug()
                try:
                    await _fails_without_a_link(host, task, bench)
                finally:
                    replug()
                _nothing_hangs(host)
                _closes_quietly(log)
                with asking(STILL_WORKS, START_CLEAN):
                    await _opens(host)
                    await host.sweep(bench.request)

        asyncio.run(run())

    def test_source_is_off_after_opening_and_after_closing(self, bench: Bench) -> None:
        """Whatever was left on goes off with open(), and what was turned on with close()."""
        wanted, seen = _source_of(bench)

        async def run() -> None:
            async with bench.opened() as host:
                _is_off(seen(), "after open()")
                await host.set_source(wanted)
                must(
                    seen(),
                    "set_source() turns the source on.",
                    "the source is off",
                    "Turn it on; or the bench looks at the wrong place.",
                )
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                _is_off(seen(), "after open() was called anew")
                await host.set_source(wanted)
            _is_off(seen(), "after close()")

        asyncio.run(run())

    def test_source_is_off_after_a_sweep_was_cancelled(self, bench: Bench) -> None:
        """A sweep with the source on that is broken off leaves it off."""
        wanted, seen = _source_of(bench)
        if not bench.has_slow():
            skip(bench, "slow", "this bench has no slow sweep")

        async def run() -> None:
            async with bench.hosted() as host:
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                with bench.slow() as slow:
                    await _cancelled(host, replace(slow, source=wanted))
                await host.close()
                _is_off(seen(), "after a sweep with it was cancelled")

        asyncio.run(run())

    def test_source_left_on_by_a_broken_link_goes_off_with_the_next_open(
        self, bench: Bench
    ) -> None:
        """Where the link broke while it was on, nobody could turn it off: the next open() does."""
        wanted, seen = _source_of(bench)
        unplug, replug = bench.unplug, bench.replug
        if unplug is None or replug is None:
            skip(bench, "unplug", "this bench cannot be unplugged")

        async def run() -> None:
            async with bench.hosted() as host:
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                    await host.set_source(wanted)
                unplug()
                try:
                    await host.close()
                finally:
                    replug()
                with asking(STILL_WORKS, START_CLEAN):
                    await _opens(host)
                is_on = seen()
                await host.close()
                _is_off(is_on, "after a link that broke while it was on, and a new open(),")

        asyncio.run(run())

    def test_closing_ends_its_thread_and_can_be_done_twice(self, bench: Bench) -> None:
        """After close() no thread of the sweeper is left, and the port can be opened again."""

        async def run() -> None:
            before = set(threading.enumerate())
            log = Remembering()
            async with bench.hosted(log=log) as host:
                with asking(STILL_WORKS, START_CLEAN):
                    await host.open()
                await host.close()
                await host.close()
                await asyncio.sleep(0.05)
                new = set(threading.enumerate()) - before
                left = [one.name for one in new if one.name == THREAD]
                must(
                    not left,
                    "close() returns within 1.2 s.",
                    "its thread is still in it",
                    BOUND_WAITS,
                )
                _closes_quietly(log)
                with asking(
                    "What was closed can be opened again.", "Leave nothing behind in close()."
                ):
                    await host.open()
                await host.close()

        asyncio.run(run())


class _Side:
    """The driver's side without a host: one worker, calls handed to it one at a time."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._done = threading.Event()
        self._reply: Reply | None = None
        self.worker = Worker(
            name="bench", driver=bench.driver, clock=SystemClock(), open_link=bench.open_link
        )

    def submit(self, call: Call) -> None:
        self._done.clear()
        self._reply = None

        def keep(reply: Reply) -> None:
            self._reply = reply
            self._done.set()

        self.worker.submit(call, keep)

    def answered(self, within_s: float) -> Reply | None:
        """The reply to the last call, if it is there ``within_s``."""
        return self._reply if self._done.wait(within_s) else None

    def introduce(self) -> None:
        """As the host does it: open, identify, capabilities, source off."""
        bench = self._bench
        call: Call = OpenCall(name="bench", address=bench.address, options=bench.options)
        for each in (call, IdentifyCall(), CapabilitiesCall()):
            result = self._result(each)
        if result.source:
            self._result(SetSourceCall(request=SourceRequest(on=False)))

    def _result(self, call: Call) -> Any:
        self.submit(call)
        reply = self.answered(self._bench.deadline_s)
        if reply is None or reply.failure is not None:
            did = "it did not come back" if reply is None else f"{reply.failure}"
            broke(STILL_WORKS, did, START_CLEAN)
        return reply.result

    def close(self) -> None:
        if self._done.is_set() or self._reply is not None:
            self.submit(CloseCall())
            self.answered(CANCEL_BOUND_S)
        else:
            self.worker.retire()
        self.worker.close_link()


async def _refused(call: Any, what: str) -> None:
    try:
        await call
    except RequestRefused:
        return
    except SweeperError as error:
        did = f"{type(error).__name__}: {error}"
    else:
        did = "it was done"
    broke(f"What is beyond its limits ({what}) is refused.", did, "State its limits truly.")


async def _cancelled(host: SweeperHost, request: SweepRequest) -> None:
    """Cancel a sweep that has just begun; it must be over soon."""
    task = asyncio.ensure_future(host.sweep(request))
    await asyncio.sleep(INTO_THE_SWEEP_S)
    begun_s = time.monotonic()
    task.cancel()
    await asyncio.wait([task])
    took_s = time.monotonic() - begun_s
    if not task.cancelled():
        with asking("A sweep within the limits comes back.", SEE_THE_ERROR):
            task.result()
    must(
        took_s < CANCEL_BOUND_S,
        f"A cancelled sweep is over within {CANCEL_BOUND_S:g} s.",
        f"it took {took_s:.1f} s",
        BOUND_WAITS,
    )


def _nothing_hangs(host: SweeperHost) -> None:
    must(
        host.statistics().hanging == 0,
        NO_THREAD,
        "its thread did not come back even after its link was closed, and had to be given up",
        BOUND_WAITS,
    )


def _closes_quietly(log: Remembering) -> None:
    failed = [fields["error"] for event, fields in log.warnings if event == "sweeper_close_failed"]
    must(
        not failed,
        "close() does not raise, whether the link works or not.",
        f"it raised: {failed[0] if failed else ''}",
        "Catch SweeperError in close(): the host closes the link and turns the source off later.",
    )


def _plain(request: SweepRequest) -> contextlib.AbstractContextManager[SweepRequest]:
    return contextlib.nullcontext(request)


async def _fails_without_a_link(host: SweeperHost, task: Any, bench: Bench) -> None:
    """The sweep under way, or the next one, raises a SweeperError in bounded time."""
    begun_s = time.monotonic()
    error: BaseException | None = None
    try:
        async with asyncio.timeout(UNPLUG_BOUND_S):
            await task
            await host.sweep(bench.request)
    except SweeperError as raised:
        error = raised
    except TimeoutError as raised:
        error = raised
    took_s = time.monotonic() - begun_s
    asks = f"Without a link sweep() raises a SweeperError, within {UNPLUG_BOUND_S:g} s."
    must(error is not None, asks, "it swept without a link", "Raise what the link raises.")
    must(
        isinstance(error, SweeperError),
        asks,
        f"after {took_s:.0f} s it had not come back",
        BOUND_WAITS,
    )
    must("the driver raised" not in str(error), RIGHT_KINDS, f"{error}", "Let it through as it is.")
    must(
        not host.is_open,
        asks,
        f"it raised {type(error).__name__}, which leaves the session open: {error}",
        "Let TransportError through, or raise it.",
    )


async def _opens(host: SweeperHost) -> None:
    """Open what was just plugged in again: the port may need a moment to be there."""
    until_s = time.monotonic() + UNPLUG_BOUND_S
    while True:
        try:
            await host.open()
        except SweeperError:
            if time.monotonic() > until_s:
                raise
            await asyncio.sleep(0.2)
        else:
            return


def _source_of(bench: Bench) -> tuple[SourceRequest, Callable[[], bool]]:
    """What to ask of the source, and how to look at it."""
    if bench.source_request is None:
        skip(bench, "source", "this bench allows no source to be turned on")
    if bench.source_is_on is None:
        skip(bench, "source seen", "this bench has no source to look at")
    return bench.source_request, bench.source_is_on


def _is_off(is_on: bool, when: str) -> None:
    must(
        not is_on,
        "The source is off after every open, and in every way out.",
        f"{when} the source was on",
        "Turn it off in close(), and in set_source(on=False), which comes first after every open.",
    )


def _shown(request: SweepRequest, ordinary: SweepRequest) -> str:
    """What of ``request`` is not ordinary."""
    names = SweepRequest.__dataclass_fields__
    return ", ".join(
        f"{name} {getattr(request, name):g}"
        for name in names
        if getattr(request, name) != getattr(ordinary, name)
    )
