"""What was due while the station was down, put into the archive when it starts again (G5).

How long that was is known by the clock. One that is not synchronised at the start may be wrong: a
card-sized computer begins at the hour of its last shutdown, or in 1970. What its time says is
accounted for, but for a stretch so long that the date is more likely lost than true; the rest is
*owed*, until the clock is set right and shows when the station truly began.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterable, Mapping
from dataclasses import replace

import structlog

from acqd.archive.clocklog import ClockMark
from acqd.archive.records import Batch, GapRecord
from acqd.archive.writer import ArchiveWriter
from acqd.clock import EARLIEST_S, Clock
from acqd.errors import ArchiveError
from acqd.plan.downtime import Owed
from acqd.plan.jobs import Missed
from acqd.plan.sharing import SERVED_STANDS_S
from acqd.station.feed import JobState
from acqd.station.job import JobRunner
from acqd.station.past import Past, Recovered

__all__ = ["TimeDown"]

DOUBT_S = 31 * 86_400.0
"""Longer than so a station that starts with a clock that is not kept was more likely not down."""

WAITS_S = 900.0
"""So long it then waits for the clock to become synchronised, before it goes by its time."""

MERGE_WAITS_S = 7 * 86_400.0
"""So long after its start a station whose clock never becomes synchronised leaves days unmerged.
What a day is merged to is of its recorded day either way; waiting saves volumes of mixed times."""


class TimeDown:
    """Accounts for it: with the jobs of the config, and for those that it has no more."""

    def __init__(self, archive: ArchiveWriter, past: Past, clock: Clock) -> None:
        self._archive = archive
        self._past = past
        self._clock = clock
        self._began_s = clock.monotonic_s()
        self.first_event = archive.event_now()
        """The last event before anything was accounted for."""
        self._jobs: dict[str, JobRunner] = {}
        self._gone: dict[str, Batch] = {}
        """Gaps of jobs that the config has no more, which could not be committed yet."""
        self.owed: Owed | None = None
        """What is not accounted for, while the clock is not synchronised."""
        self.unknown: float | None = None
        """Where nobody can know how long the station was down: what its clock showed before."""
        self._log = structlog.get_logger()

    async def account(self, jobs: Iterable[JobRunner], out: Recovered, now_s: float) -> None:
        """What the old plan would have swept since it was last accounted for; counted in ``out``.

        What there is no room for waits with its job, which commits it before anything else.
        """
        # Before anything is accounted for up to now: or, were this start cut short, the next one
        # would take now for the time of a clock that was ahead.
        self._archive.alive(now_s)
        last_s = self._archive.recovery.last_alive_s
        out.down_s = None if last_s is None else max(0.0, now_s - last_s)
        self._jobs = {job.name: job for job in jobs}
        # What is owed lies before what this boot has accounted for, so it is noted first.
        self._carry_on()
        since = {}
        for name, state in self._states():
            if (since_s := self._since_s(name, state)) is not None:
                since[name] = since_s
        waits = any(self._is_doubtful(since_s, now_s) for since_s in since.values())
        for name, state in self._states():
            gaps = self._past.rest_of_pass(name, state)
            if name in since and not waits:
                gaps += self._down(name, since[name], now_s)
            self._note(name, state, gaps, out)
        for job in self._jobs.values():
            try:
                await job.begin()
            except ArchiveError as exc:
                self._log.warning("gaps_not_kept", job=job.name, problem=str(exc))
        await self.keep_gone()
        if self.owed is None and since:
            self._owe(since, now_s, waits=waits)
        if self._clock.synchronised() is not False:
            self.owed = None

    async def keep_gone(self) -> None:
        """Commit what jobs missed that are in the config no more; what cannot be is tried again
        when this is called again."""
        for name, batch in list(self._gone.items()):
            try:
                await asyncio.wrap_future(self._archive.commit(batch))
            except ArchiveError as exc:
                self._log.warning("gaps_not_kept", job=name, problem=str(exc))
                return
            del self._gone[name]

    def may_merge(self) -> bool:
        """Whether the clock can be trusted so far that ended days are merged."""
        free_s = self._clock.monotonic_s() - self._began_s
        return self._clock.synchronised() is not False or free_s >= MERGE_WAITS_S

    @property
    def merge_waits_s(self) -> float | None:
        """How many seconds more days wait for their merge at the most; None where they do not."""
        if self.may_merge():
            return None
        return MERGE_WAITS_S - (self._clock.monotonic_s() - self._began_s)

    # -- while it runs ----------------------------------------------------------------------------

    def settle(self) -> int:
        """Account for what is owed, up to when the station began by the clock as it is now; returns
        how many sweeps that is.

        Noted at once, before any job commits what comes later.
        """
        if self.owed is None:
            return 0
        clock = self._clock
        began_s = self.owed.began_s(
            monotonic_s=clock.monotonic_s(),
            wall_s=clock.wall_s(),
            slept_s=clock.boottime_s() - clock.monotonic_s(),
        )
        missed = self.owed.missed(began_s) if began_s >= EARLIEST_S else ()
        for one in missed:
            if one.job in self._jobs:
                self._jobs[one.job].note_gap(_gap_of(one))
            else:
                self._keep_later(one.job, [_gap_of(one)])
        self.owed = self.owed.settled(began_s)
        return sum(one.count for one in missed)

    def moved(self, by_s: float) -> None:
        """The clock was set by so little that the plan accounts for it: less is owed."""
        if self.owed is not None:
            since = {job: since_s + by_s for job, since_s in self.owed.since.items()}
            self.owed = replace(self.owed, since=since)

    def waited_long(self) -> bool:
        """Whether time down waits for the clock, and has waited long enough."""
        waits = self.owed is not None and self.owed.waits
        return waits and self._clock.monotonic_s() - self._began_s >= WAITS_S

    # -- inside ------------------------------------------------------------------------------------

    def _states(self) -> Iterable[tuple[str, JobState]]:
        """Jobs that something may have been due of, each with what is known of it."""
        for job in self._jobs.values():
            # After its end nothing of a job was due.
            if not job.ended:
                yield job.name, job.state
        yield from self._past.gone.items()

    def _since_s(self, name: str, state: JobState) -> float | None:
        """Up to when a job is accounted for, by the clock as it is now; None for nobody knows."""
        if name not in self._past.planned:
            return None
        since_s = self._past.since_s(state)
        owed = self._past.owed
        if self._before() is not None:
            return since_s + self._set_while_down_s()
        if owed is not None and name in owed.since:
            since_s = owed.since[name] if owed.waits else max(since_s, owed.since[name])
        if since_s < EARLIEST_S <= self._clock.wall_s():
            self.unknown = since_s
            return None
        return since_s

    def _set_while_down_s(self) -> float:
        """How far a clock that was not kept was set since the run before, in the same boot."""
        last, clock = self._before(), self._clock
        if last is None or last.synchronised is not False:
            return 0.0
        slept_s = clock.boottime_s() - clock.monotonic_s() - last.slept_s
        shift_s = clock.wall_s() - clock.monotonic_s() - last.shows_s - slept_s
        return shift_s if abs(shift_s) > SERVED_STANDS_S else 0.0

    def _before(self) -> ClockMark | None:
        """The last that is known of this boot's clock; None where the run before was of another."""
        before = self._past.clock
        mine = before is not None and before.boot == self._clock.boot_id
        return before.marks[-1] if mine and before is not None else None

    def _is_doubtful(self, since_s: float, now_s: float) -> bool:
        doubt = self._clock.synchronised() is False and self._before() is None
        return doubt and now_s - since_s > DOUBT_S

    def _down(self, name: str, since_s: float, now_s: float) -> list[GapRecord]:
        owed, lost_s = self._past.owed, self._lost_s()
        if owed is None or not lost_s or name not in owed.since or now_s <= since_s:
            return self._past.down(name, since_s, now_s)
        if since_s != owed.since[name]:
            return self._past.down(name, since_s, now_s)
        again = replace(owed, since={name: since_s}, lost_s=lost_s)
        return [_gap_of(one) for one in again.missed(now_s)]

    def _lost_s(self) -> float:
        """For how long runs of other boots swept since what is owed, by clocks that were wrong."""
        owed, before = self._past.owed, self._past.clock
        if owed is None or before is None or before.boot == self._clock.boot_id:
            return 0.0
        ran_s = 0.0
        if self._past.noted_s is not None:
            last = before.marks[-1]
            began_s = last.wall_s - (last.monotonic_s - owed.monotonic_s)
            ran_s = max(0.0, self._past.noted_s - began_s)
        return owed.lost_s + ran_s

    def _note(self, name: str, state: JobState, gaps: list[GapRecord], out: Recovered) -> None:
        out.lost += sum(gap.count for gap in gaps)
        if name in self._jobs:
            for gap in gaps:
                self._jobs[name].note_gap(gap)
        elif gaps:
            self._log.info("job_gone", job=name, due_while_down=sum(gap.count for gap in gaps))
            self._keep_later(name, self._past.after_end(state, gaps))

    def _keep_later(self, name: str, gaps: list[GapRecord]) -> None:
        """Have gaps of a job that is gone committed with the next :meth:`keep_gone`."""
        waiting = self._gone[name].gaps if name in self._gone else ()
        self._gone[name] = Batch(gaps=(*waiting, *gaps))

    def _carry_on(self) -> None:
        """What the run before owed, in the same boot; settled where the clock is right by now."""
        if self._before() is None:
            return
        self.owed = self._past.owed
        if self._set_while_down_s() or self._clock.synchronised() is not False:
            self.settle()

    def _owe(self, since: Mapping[str, float], now_s: float, *, waits: bool) -> None:
        """Remember what cannot be known yet, with the plan that it is counted by."""
        before, clock, planned = self._past.owed, self._clock, self._past.planned
        carried = before is not None and any(
            since.get(name) == since_s for name, since_s in before.since.items()
        )
        jobs = tuple(planned[name] for name in since if name in planned)
        self.owed = Owed(
            boot=clock.boot_id,
            monotonic_s=clock.monotonic_s(),
            slept_s=clock.boottime_s() - clock.monotonic_s(),
            since={n: s if waits else max(s, now_s) for n, s in since.items()},
            jobs=before.jobs if carried and before is not None else jobs,
            waits=waits,
            lost_s=self._lost_s() if carried else 0.0,
        )


def _gap_of(missed: Missed) -> GapRecord:
    return GapRecord(
        job=missed.job,
        from_s=missed.from_s,
        to_s=missed.to_s,
        count=missed.count,
        reason=missed.reason,
        detail=missed.detail,
    )
