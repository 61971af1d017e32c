"""What a running station does every few seconds or minutes, whatever its sweepers are at.

It notes that it is there, turns the hours of idle jobs, tells its status anew, begins new journals,
has days merged and old ones removed, and looks whether the archive has trouble.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Coroutine, Mapping, Sequence
from concurrent.futures import Future
from typing import Any

import structlog

from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.station.job import JobRunner
from acqd.station.keptplan import KeptPlan
from acqd.station.mishaps import tell_mishaps
from acqd.station.retaining import Retaining
from acqd.station.slowmedium import SlowMedium
from acqd.station.sweepers import SweeperRunner
from acqd.station.tell import Teller
from acqd.station.timedown import TimeDown
from acqd.station.watch import ArchiveWatch, StationFindings

__all__ = ["Upkeep"]

LOOK_S = 1.0
"""How often it is seen whether the clock was set since the last note."""
HOUR_LOOK_S = 5.0
ALIVE_EVERY_S = 10.0
ARCHIVE_LOOK_S = 5.0
STATUS_EVERY_S = 60.0
"""How often the retained status is told anew, with how the station is doing."""
HOUR_GRACE_S = 30.0
"""So long an idle job waits with the turn of an hour, for gaps of it that are still to come."""
MERGE_EVERY_S = 600.0


class Upkeep:
    """Belongs to the station's event loop, as everything that it is given does."""

    def __init__(
        self,
        *,
        archive: ArchiveWriter,
        teller: Teller,
        findings: StationFindings,
        plan: KeptPlan,
        time_down: TimeDown,
        jobs: Mapping[str, JobRunner],
        sweepers: Sequence[SweeperRunner],
        clock: Clock,
        seal_every_s: float,
    ) -> None:
        """``seal_every_s``: how long a journal is written to before a new one begins."""
        self._archive = archive
        self._teller = teller
        self._findings = findings
        self._plan = plan
        self._time_down = time_down
        self._jobs = jobs
        self._sweepers = sweepers
        self._clock = clock
        self._seal_every_s = seal_every_s
        self._log = structlog.get_logger()

    def loops(self) -> list[Coroutine[Any, Any, None]]:
        """What is to run, each until it is cancelled."""
        return [
            self._turn_hours(),
            self._stay_alive(),
            self._watch_archive(),
            self._rotate(),
            Retaining(archive=self._archive, findings=self._findings, clock=self._clock).run(),
        ]

    def record_learnt(self) -> None:
        """Keep with the plan what was learnt of how long passes take."""
        self._plan.learn(
            {
                name: estimate_s
                for sweeper in self._sweepers
                for name, estimate_s in sweeper.estimates_s().items()
            }
        )

    async def _turn_hours(self) -> None:
        while True:
            await asyncio.sleep(HOUR_LOOK_S)
            for sweeper in self._sweepers:
                # Only where nothing else has: a job at work turns its hours itself.
                try:
                    await sweeper.turn_hours(self._clock.wall_s() - HOUR_GRACE_S)
                except ArchiveError as exc:
                    self._log.debug("hour_not_kept", sweeper=sweeper.name, problem=str(exc))

    async def _stay_alive(self) -> None:
        merged_s = told_s = self._clock.monotonic_s()
        while True:
            with contextlib.suppress(ArchiveError):
                await asyncio.wrap_future(self._archive.alive(self._clock.wall_s()))
            await self._until_next_note()
            await self._time_down.keep_gone()
            self.record_learnt()
            if self._clock.monotonic_s() - told_s >= STATUS_EVERY_S:
                told_s = self._clock.monotonic_s()
                self._teller.station_up()
            if self._clock.monotonic_s() - merged_s >= MERGE_EVERY_S:
                merged_s = self._clock.monotonic_s()
                merging = self._archive.merge_due(
                    self._clock.wall_s(), clock_trusted=self._time_down.may_merge()
                )
                merging.add_done_callback(self._merged)

    async def _until_next_note(self) -> None:
        """A few seconds; less where the clock was set or the host slept, for what is accounted for
        then must not seem to be of a clock that was ahead."""
        loop = asyncio.get_running_loop()
        ends_s, wall_s = loop.time() + ALIVE_EVERY_S, self._clock.wall_s()
        while loop.time() < ends_s:
            await asyncio.sleep(LOOK_S)
            if abs(self._clock.wall_s() - wall_s) > 2 * ALIVE_EVERY_S:
                return

    def _merged(self, done: Future[int]) -> None:
        """In the sealer's thread. What went wrong is told by :meth:`_watch_archive`."""
        if done.exception() is None and done.result():
            self._log.info("days_merged", volumes=done.result())

    async def _watch_archive(self) -> None:
        watch = ArchiveWatch(self._findings, self._clock)
        medium = SlowMedium(self._archive, self._clock, jobs=len(self._jobs))
        while True:
            await asyncio.sleep(ARCHIVE_LOOK_S)
            await watch.look(self._archive.problem)
            medium.look()
            await tell_mishaps(self._archive, self._findings)

    async def _rotate(self) -> None:
        """Begin a new journal every few minutes, at a moment when no job is between two states."""
        while True:
            await asyncio.sleep(self._seal_every_s)
            try:
                await self._rotate_now()
            except ArchiveError as exc:
                self._log.error("journal_not_begun", problem=str(exc))

    async def _rotate_now(self) -> None:
        async with contextlib.AsyncExitStack() as stack:
            for job in self._jobs.values():
                await stack.enter_async_context(job.lock)
            states = [job.checkpoint() for job in self._jobs.values()]
            try:
                await asyncio.shield(asyncio.wrap_future(self._archive.rotate(states)))
            finally:
                for job in self._jobs.values():
                    job.rekeep_setups()
