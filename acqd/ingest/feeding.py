"""Sweeps of a log into the archive, by the job that live sweeps go through, on a clock of the past.

Hours turn, gaps are told and journals begin anew as at a station; only nothing is swept, and nobody
is told over a broker. Sweeps are committed many at a time: what a kill costs is read again.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from acqd.archive.records import GapRecord, MeterState
from acqd.archive.recovery import Recovery
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.ingest.clock import LogClock
from acqd.plan.downtime import plan_to_json
from acqd.station.feed import HOUR_S, hour_start_s
from acqd.station.job import JobRunner, JobSpec, Taken
from acqd.station.past import look_back
from acqd.station.references import ReferenceRecord
from acqd.station.tell import Teller

__all__ = ["CLOSE_S", "NO_SWEEP", "Feeder", "Whose", "missed_between"]

NO_SWEEP = "no sweep in the files"
"""The reason of gaps here."""
BATCH_MOST = 256
BATCH_MOST_BYTES = 8 << 20
"""What one commit takes at most."""
JOURNAL_MOST = 20_000
JOURNAL_MOST_BYTES = 64 << 20
"""What one journal takes at most, before it is sealed and the next begins."""
UNSEALED_MOST = 2
"""Journals that may wait to be sealed before reading waits for them."""
LOOK_S = 0.02
CLOSE_S = 900.0
"""For the end: everything is sealed, be the disk slow."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Whose:
    """Whose archive it is, where it has no plan that says so."""

    name: str
    title: str
    zone: str


@dataclass(slots=True)
class Feeder:
    """One job of an open archive. ``async with`` :meth:`opened`; one batch after the other."""

    archive: ArchiveWriter
    runner: JobRunner
    clock: LogClock
    others: tuple[MeterState, ...]
    every_s: float | None
    off_after_s: float | None
    last_s: float | None
    """When the last sweep began."""
    sweeps: int = 0
    missed: int = 0
    _batch: list[Taken] = field(default_factory=list)
    _batch_bytes: int = 0
    _journal: int = 0
    _journal_bytes: int = 0

    async def take(self, taken: Taken, *, refused: int = 0) -> None:
        """One more sweep, later than all before.

        Args:
            refused: rows since the one before that could not be read.

        Raises:
            ArchiveError: it cannot be kept.
        """
        at_s = taken.sweep.started_s
        gap = self._gap(at_s, refused)
        turns = bool(self._batch) and hour_start_s(at_s) != hour_start_s(self._first_s)
        if gap is not None or turns or self._is_full():
            await self.flush()
        if gap is not None:
            self.runner.note_gap(gap)
            self.missed += gap.count
        self._batch.append(taken)
        self._batch_bytes += taken.sweep.level.nbytes
        self.last_s = at_s

    async def flush(self) -> None:
        """Keep what waits.

        Raises:
            ArchiveError: it cannot be kept; nothing of it was.
        """
        if not self._batch:
            return
        batch, self._batch = self._batch, []
        self.clock.at_s = batch[0].sweep.started_s
        await self.runner.keep(batch)
        self.sweeps += len(batch)
        self._journal += len(batch)
        self._journal_bytes += self._batch_bytes
        self._batch_bytes = 0
        if self._journal >= JOURNAL_MOST or self._journal_bytes >= JOURNAL_MOST_BYTES:
            await self._rotate()

    async def end(self, now_s: float) -> None:
        """Keep what waits, turn the last hour where it is over, seal all, merge days that are over.

        Raises:
            ArchiveError: something cannot be kept, sealed or merged.
        """
        await self.flush()
        if self.last_s is not None:
            hour_ends_s = hour_start_s(self.last_s) + HOUR_S
            if hour_ends_s <= now_s:
                self.clock.at_s = hour_ends_s
                await self.runner.turn_hours(hour_ends_s)
        # What happened then is no news for anybody who listens now.
        told = self.archive.acknowledge(self.runner.name, self.runner.last_finding)
        await asyncio.wrap_future(told)
        await self._rotate()
        await asyncio.wrap_future(self.archive.merge_due(now_s))
        problem = self.archive.problem
        if problem is not None:
            raise ArchiveError(f"{self.archive.root}: {problem}; everything is kept all the same")

    # -- inside ----------------------------------------------------------------------------------

    @property
    def _first_s(self) -> float:
        return self._batch[0].sweep.started_s

    def _is_full(self) -> bool:
        return len(self._batch) >= BATCH_MOST or self._batch_bytes >= BATCH_MOST_BYTES

    def _gap(self, at_s: float, refused: int) -> GapRecord | None:
        """Sweeps that were due since the last one and are not there."""
        if self.every_s is None or self.last_s is None:
            return None
        count = missed_between(
            self.last_s, at_s, every_s=self.every_s, off_after_s=self.off_after_s
        )
        if not count:
            return None
        to_s = self.last_s + count * self.every_s
        accounted_s = self.runner.state.accounted_s
        if accounted_s is not None and not self._batch and accounted_s >= to_s:
            # A run before this one was ended between the gap and the sweep after it.
            return None
        return GapRecord(
            job=self.runner.name,
            from_s=self.last_s + self.every_s,
            to_s=to_s,
            count=count,
            reason=NO_SWEEP,
            detail=f"{refused} could not be read" if refused else "",
        )

    async def _rotate(self) -> None:
        """Begin a new journal, and let the sealer catch up."""
        states = [self.runner.checkpoint(), *self.others]
        await asyncio.wrap_future(self.archive.rotate(states))
        self.runner.rekeep_setups()
        self._journal = self._journal_bytes = 0
        await asyncio.to_thread(self._let_it_seal)

    def _let_it_seal(self) -> None:
        while self.archive.is_busy(unsealed_most=UNSEALED_MOST) and self.archive.problem is None:
            time.sleep(LOOK_S)

    @classmethod
    def opened(
        cls,
        archive: ArchiveWriter,
        spec: JobSpec,
        *,
        run_id: str,
        first_s: float,
        last_s: float | None,
        whose: Whose,
        every_s: float | None,
        off_after_s: float | None,
        teller_drivers: dict[str, str],
        references: Mapping[str, ReferenceRecord],
    ) -> Feeder:
        """Bring the job's meter to where the archive left it, and begin a journal.

        Raises:
            ArchiveError: the archive's last run did not end cleanly, and had other jobs.
        """
        recovery = archive.recovery
        others = _others(archive.root, recovery, spec.name)
        past = look_back(recovery, [spec]).jobs[spec.name]
        clock = LogClock(first_s)
        runner = JobRunner(
            spec,
            archive=archive,
            teller=_teller(spec, clock, run_id, whose, teller_drivers),
            clock=clock,
            run_id=run_id,
            state=past.state,
            sweep_times_s=past.sweep_times_s,
            references=references,
            next_seq=recovery.next_seq(spec.name),
            next_finding=recovery.next_finding(spec.name),
        )
        archive.begin([runner.checkpoint(), *others])
        if recovery.last_plan is None:
            # No job of it is due: nothing is missed when a station begins here one day.
            station = {"name": whose.name, "title": whose.title, "time_zone": whose.zone}
            archive.record_plan(plan_to_json([], first_s, station=station), first_s).result()
        return cls(
            archive=archive,
            runner=runner,
            clock=clock,
            others=others,
            every_s=every_s,
            off_after_s=off_after_s,
            last_s=last_s,
        )


def missed_between(
    last_s: float | None, at_s: float, *, every_s: float | None, off_after_s: float | None
) -> int:
    """How many sweeps were due between two that followed each other: whole intervals, rounded.

    None where no interval is known, or where the logger is taken to have been off.
    """
    if every_s is None or last_s is None:
        return 0
    lasted_s = at_s - last_s
    if off_after_s is not None and lasted_s > off_after_s:
        return 0
    return max(0, round(lasted_s / every_s) - 1)


def _teller(
    spec: JobSpec, clock: Clock, run_id: str, whose: Whose, drivers: dict[str, str]
) -> Teller:
    """Words findings; nothing is published."""
    return Teller(
        station=whose.name,
        title=whose.title,
        run_id=run_id,
        clock=clock,
        topics_root="acqd",
        trace_points=100,
        sweepers=[spec.sweeper],
        drivers=drivers,
        jobs=[spec.name],
    )


def _others(root: Path, recovery: Recovery, job: str) -> tuple[MeterState, ...]:
    """Where the archive's other jobs stand; their meters go on from there one day.

    Only what a clean stop left can be carried on as it is: after a kill a meter stands where its
    journal ends, and that only its own config can tell.
    """
    states = []
    for name, known in recovery.jobs.items():
        if name == job or known.meter is None:
            continue
        if next(iter(known.events()), None) is not None:
            raise ArchiveError(
                f"{root}: the last run on this archive did not end cleanly, and job {name} has to "
                f"be carried on first; start and stop its station once (or end the ingest of "
                f"{name} by running it again), or name another archive"
            )
        states.append(known.meter)
    return tuple(states)
