"""A running station's part in self-tests: it lets jobs wait, takes parts, keeps and tells them.

While somebody tests a sweeper none of its jobs sweeps: other things are connected to it. Whoever
asked says when it is over; who is not heard of any more is not waited for longer than
:data:`LEASE_S`.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass
from functools import partial
from typing import Any

import structlog

from acqd.archive.reader import open_archive
from acqd.archive.selftests import KIND, StoredTest, moves_of, stored_tests
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import SweeperError, WrongUsage
from acqd.measure.meter import Figure
from acqd.measure.selftest import TestFigure
from acqd.measure.verdict import Verdict
from acqd.station.build import SweeperSpec
from acqd.station.control import Conversation
from acqd.station.selftest import (
    TestPart,
    facts_of,
    parts_of,
    refuse_unsafe_part,
    take_part,
)
from acqd.station.sweepers import SweeperRunner
from acqd.station.watch import StationFindings
from acqd.sweep import SourceRequest

__all__ = ["LEASE_S", "SelfTests", "body_of", "part_of", "tell_untold"]

LEASE_S = 900.0
"""So long jobs wait for a test of which nothing more is heard."""


@dataclass(slots=True)
class _Test:
    """One that is under way."""

    test_s: float
    lease: asyncio.TimerHandle | None = None
    busy: bool = False


class SelfTests:
    """The self-tests of one running station. Everything belongs to its event loop."""

    def __init__(
        self,
        *,
        sweepers: Mapping[str, SweeperRunner],
        specs: Mapping[str, SweeperSpec],
        archive: ArchiveWriter,
        findings: StationFindings,
        clock: Clock,
    ) -> None:
        self._sweepers = sweepers
        self._specs = specs
        self._archive = archive
        self._findings = findings
        self._clock = clock
        self._under_way: dict[str, _Test] = {}
        self._log = structlog.get_logger()

    async def do(self, asked: Mapping[str, Any], at: Conversation) -> Mapping[str, Any]:
        """One step: ``begin``, ``check`` or ``part`` with its key, ``end``.

        Raises:
            WrongUsage: no such sweeper, step or part.
            SweeperError: not now.
        """
        name, step = str(asked.get("sweeper")), asked.get("step")
        if name not in self._sweepers:
            have = ", ".join(self._sweepers) or "none"
            raise WrongUsage(f"the running station has no sweeper {name!r}; it has {have}")
        if step == "begin":
            return await self._begin(name)
        test = self._mine(name, asked.get("test_s"))
        if step == "end":
            self._end(name)
            return {"jobs": "go on"}
        if step not in ("check", "part"):
            raise WrongUsage(f"a self-test has no step {step!r}; it has begin, check, part and end")
        part = part_of(parts_of(self._table(name)), asked.get("part"))
        test.busy = True
        try:
            work: Callable[[], Awaitable[dict[str, Any]]] = partial(self._checked, name, part)
            if step == "part":
                who = str(asked.get("who") or "somebody")[:100]
                work = partial(self._taken, name, part, test.test_s, who, at)
            return await self._sweepers[name].errand(None, work)
        finally:
            test.busy = False
            self._lease(name)

    def _table(self, name: str) -> Any:
        table = self._specs[name].table
        return None if table is None else table.self_test

    def _mine(self, name: str, test_s: object) -> _Test:
        test = self._under_way.get(name)
        if test is None or test.test_s != test_s:
            raise SweeperError(f"{name}: this self-test is over; begin again")
        return test

    async def _begin(self, name: str) -> Mapping[str, Any]:
        if name in self._under_way:
            raise SweeperError(f"{name}: somebody tests it already; ask again later")
        sweeper = self._sweepers[name]

        async def there() -> str:
            return str(sweeper.host.identity)

        # First see that it is there: jobs are not to wait for nothing.
        identity = await sweeper.errand(None, there)
        test = self._under_way[name] = _Test(test_s=self._clock.wall_s())
        sweeper.test(f"{name} is being tested")
        self._log.info("self_test_begins", sweeper=name)
        self._lease(name)
        parts = [one.key for one in parts_of(self._table(name))]
        return {"test_s": test.test_s, "identity": identity, "parts": parts}

    def _lease(self, name: str) -> None:
        test = self._under_way.get(name)
        if test is None:
            return
        if test.lease is not None:
            test.lease.cancel()
        loop = asyncio.get_running_loop()
        test.lease = loop.call_later(LEASE_S, self._give_up, name)

    def _give_up(self, name: str) -> None:
        test = self._under_way.get(name)
        if test is not None and test.busy:
            self._lease(name)
            return
        self._log.warning("self_test_left", sweeper=name, waited_s=LEASE_S)
        self._end(name)

    def _end(self, name: str) -> None:
        test = self._under_way.pop(name, None)
        if test is not None and test.lease is not None:
            test.lease.cancel()
        self._sweepers[name].test(None)
        self._log.info("self_test_ends", sweeper=name)

    async def _checked(self, name: str, part: TestPart) -> dict[str, Any]:
        capabilities = self._sweepers[name].host.capabilities
        if capabilities is None:
            raise SweeperError(f"{name} is away")
        refuse_unsafe_part(part, _stated(self._specs[name]), capabilities)
        return {"instruction": part.instruction()}

    async def _taken(
        self, name: str, part: TestPart, test_s: float, who: str, at: Conversation
    ) -> dict[str, Any]:
        host, spec = self._sweepers[name].host, self._specs[name]
        capabilities = host.capabilities
        if capabilities is None:
            raise SweeperError(f"{name} is away")
        try:
            taken = await take_part(
                part,
                sweep=host.sweep,
                capabilities=capabilities,
                facts=facts_of(spec.table, capabilities),
                stated_dbm=_stated(spec),
                detector=None if spec.table is None else spec.table.detector,
                say=at.say,
                wanted=lambda: at.is_wanted,
            )
        finally:
            if capabilities.source and host.is_open:
                await host.set_source(SourceRequest(on=False))
        body = body_of(taken.to_body(name, test_s), await self._earlier(), told=True)
        stored = self._archive.add_overlay(KIND, body=body, who=who, from_s=body["at_s"])
        await asyncio.wrap_future(stored)
        await _tell(self._findings, name, body)
        return {key: value for key, value in body.items() if key != "sweeps"}

    async def _earlier(self) -> list[StoredTest]:
        """Those that stand by now; read beside the loop, since a disk may be slow."""
        root = self._archive.root
        return await asyncio.to_thread(lambda: stored_tests(open_archive(root).overlays()))


def _stated(spec: SweeperSpec) -> float | None:
    return None if spec.table is None else spec.table.absolute_max_dbm


def part_of(parts: tuple[TestPart, ...], key: object) -> TestPart:
    """The part of this key.

    Raises:
        WrongUsage: there is none; says which there are.
    """
    found = next((one for one in parts if one.key == key), None)
    if found is None:
        have = ", ".join(one.key for one in parts)
        raise WrongUsage(f"the self-test has no part {key!r}; it has {have}")
    return found


def body_of(body: Mapping[str, Any], earlier: list[StoredTest], *, told: bool) -> dict[str, Any]:
    """What is stored of a part: with what moved against earlier tests, and whether that is told."""
    moves = moves_of(body, earlier)
    return {**body, "moved": {key: one.text for key, one in moves.items()}, "told": told}


async def _tell(findings: StationFindings, sweeper: str, body: Mapping[str, Any]) -> None:
    """The findings of one part."""
    moved = body.get("moved", {})
    for told in body["figures"]:
        figure = TestFigure.from_json(told)
        figures: dict[str, Figure] = {"sweeper": sweeper, "figure": figure.key, "unit": figure.unit}
        if figure.value is not None:
            figures["value"] = round(figure.value, 3)
        text = f"self-test of {sweeper}: {figure.title}: "
        if figure.verdict is Verdict.FAIL:
            await findings.tell("self_test_failed", text + figure.text, figures)
        if figure.key in moved:
            await findings.tell("self_test_moved", text + moved[figure.key], figures)


async def tell_untold(findings: StationFindings, archive: ArchiveWriter) -> None:
    """Tell what self-tests brought that were taken since the station last ran, without it."""
    since_s = archive.recovery.noted_s
    for one in archive.recovery.overlays:
        is_new = since_s is None or one.at_s > since_s
        if one.kind == KIND and is_new and not one.body.get("told"):
            await _tell(findings, str(one.body["sweeper"]), one.body)
