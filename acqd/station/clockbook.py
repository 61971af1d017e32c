"""The station's clock, written down: what it showed, and what it turns out to have been wrong by.

Marks of the clocks are kept with the plan (:mod:`acqd.archive.clocklog`). When a clock that was not
kept becomes synchronised and the marks of the boot show that it had been wrong, the correction is
put into the archive, once, and told.
"""

from __future__ import annotations

import asyncio
from collections.abc import Mapping, Sequence

import structlog

from acqd.archive.clocklog import ClockLog, ClockMark, marks_of_boot, proven
from acqd.archive.ledger import Overlay
from acqd.archive.reader import open_archive
from acqd.archive.timing import BY_STATION, KIND, TimeCorrection, correction_of, shift_text
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveDamaged, ArchiveError
from acqd.plan.downtime import plan_clock
from acqd.plan.sharing import SERVED_STANDS_S
from acqd.station.job import JobRunner
from acqd.station.keptplan import KeptPlan
from acqd.station.sweepers import SweeperRunner
from acqd.station.timedown import TimeDown
from acqd.station.watch import ClockNews, StationFindings, clock_mark

__all__ = ["ClockBook"]

WHO = "the station"

SAME_S = 1.0
"""Corrections of one boot that end so near to each other are one."""

JOBS_NAMED = 6


class ClockBook:
    """Belongs to the station's event loop."""

    def __init__(
        self,
        *,
        archive: ArchiveWriter,
        findings: StationFindings,
        plan: KeptPlan,
        time_down: TimeDown,
        jobs: Mapping[str, JobRunner],
        sweepers: Sequence[SweeperRunner],
        clock: Clock,
    ) -> None:
        """Begins a log, and has it kept with the next record of the plan."""
        self._archive = archive
        self._findings = findings
        self._plan = plan
        self._time_down = time_down
        self._jobs = jobs
        self._sweepers = sweepers
        self._clock = clock
        self._earlier: tuple[ClockMark, ...] = ()
        """Of earlier runs in this boot."""
        self._first_seq = {name: job.last_seq + 1 for name, job in jobs.items()}
        self._log = ClockLog(
            boot=clock.boot_id,
            marks=(clock_mark(clock, time_down.first_event),),
            first_seq=self._first_seq,
        )
        self._logger = structlog.get_logger()
        self._put()

    def stepped(self, news: ClockNews) -> None:
        """At once, when a step was seen and the plans were told: what is owed for time down."""
        if news.was_synchronised is not False:
            return
        if abs(news.stepped_s) > SERVED_STANDS_S:
            self._time_down.settle()
        else:
            self._time_down.moved(news.stepped_s)

    async def begin(self) -> None:
        """Look at what earlier runs of this boot wrote down: the clock may have been set since."""
        if self._time_down.unknown is not None:
            text = (
                "the run before had a clock that had lost its date, and the machine was started "
                "since: how long the station was down nobody knows, and nothing is counted for it"
            )
            await self._findings.tell("clock_stepped", text, {"stepped_s": None})
        try:
            logs = await asyncio.to_thread(self._read_logs)
        except ArchiveError as exc:
            self._logger.warning("clock_log_not_read", problem=str(exc))
            return
        self._earlier = marks_of_boot(logs, self._log.boot)
        first: dict[str, int] = {}
        for log in logs:
            for job, seq in log.first_seq.items():
                first[job] = min(seq, first.get(job, seq))
        self._first_seq = {**self._first_seq, **first}
        await self._prove()

    async def noticed(self, news: ClockNews) -> None:
        """Write down what happened, and what it proves."""
        # What was missed before is committed first: it is of the clock before.
        for sweeper in self._sweepers:
            await sweeper.keep_gaps()
        last = {name: job.last_seq for name, job in self._jobs.items()}
        mark = ClockMark(
            monotonic_s=news.mark.monotonic_s,
            wall_s=news.mark.wall_s,
            slept_s=news.mark.slept_s,
            synchronised=news.mark.synchronised,
            event=self._archive.event_now(),
        )
        self._log = self._log.with_mark(mark)
        if mark.synchronised is not False:
            self._time_down.settle()
            self._time_down.owed = None
        self._put()
        await self._record()
        await self._prove(last)

    async def wait_ends(self) -> None:
        """Go by the clock as it is where time down has waited long enough for a better one."""
        if not self._time_down.waited_long():
            return
        count = self._time_down.settle()
        self._logger.warning("clock_taken_as_it_is", due_while_down=count)
        self._put()
        await self._record()

    # -- inside ------------------------------------------------------------------------------------

    def _put(self) -> None:
        self._plan.clock, self._plan.owed = self._log.to_json(), self._time_down.owed

    async def _record(self) -> None:
        try:
            await asyncio.wrap_future(self._plan.record())
        except ArchiveError as exc:
            self._logger.warning("plan_not_kept", problem=str(exc))

    def _read_logs(self) -> list[ClockLog]:
        """In a thread: the logs of earlier runs in this boot."""
        boot, mine = self._log.boot, self._log.marks[0]
        found = []
        for _, text in open_archive(self._archive.root).plans():
            if boot not in text:
                continue
            log = ClockLog.from_json(plan_clock(text))
            if log is not None and log.boot == boot and log.marks[0] != mine:
                found.append(log)
        return found

    async def _prove(self, last: Mapping[str, int] | None = None) -> None:
        made = proven(self._log.boot, (*self._earlier, *self._log.marks))
        if made is None:
            return
        try:
            if await asyncio.to_thread(self._is_kept, made):
                return
            low_s, high_s = made.span_s
            number = await asyncio.wrap_future(
                self._archive.add_overlay(
                    KIND, body=made.to_body(), who=WHO, from_s=low_s, to_s=high_s
                )
            )
        except ArchiveError as exc:
            # It is proven again by the next mark, or by the next start in this boot.
            self._logger.error("clock_not_corrected", problem=str(exc))
            return
        self._logger.warning("clock_corrected", shift_s=made.shift_s, number=number)
        await self._tell(made, number, last)

    def _is_kept(self, made: TimeCorrection) -> bool:
        """In a thread: whether the archive has it, be it that somebody took it back."""
        overlays = open_archive(self._archive.root).overlays(undone=True)
        return any(_is_same(one, made) for one in overlays if one.kind == KIND)

    async def _tell(
        self, made: TimeCorrection, number: int, last: Mapping[str, int] | None
    ) -> None:
        last = last or {name: job.last_seq for name, job in self._jobs.items()}
        swept = {
            name: (self._first_seq[name], seq)
            for name, seq in last.items()
            if seq >= self._first_seq.get(name, seq + 1)
        }
        named = [f"{first} to {end} of {name}" for name, (first, end) in swept.items()]
        more = f" and those of {len(named) - JOBS_NAMED} more" if len(named) > JOBS_NAMED else ""
        about = f"times of sweeps {', '.join(named[:JOBS_NAMED])}{more}" if named else "no sweep"
        way = "behind" if made.shift_s > 0 else "ahead"
        verb = "are" if named else "is"
        await self._findings.tell(
            "clock_corrected",
            f"the clock had been {shift_text(made.shift_s)} {way} and is synchronised now: {about} "
            f"{verb} corrected when they are read (acqd clock undo {number} takes it back)",
            {
                "number": number,
                "boot": made.boot,
                "shift_s": round(made.shift_s, 3),
                "uncertainty_s": made.uncertainty_s,
                "sweeps": sum(end - first + 1 for first, end in swept.values()),
            },
        )


def _is_same(overlay: Overlay, made: TimeCorrection) -> bool:
    try:
        kept = correction_of(overlay)
    except ArchiveDamaged:
        return False
    if kept.how != BY_STATION or kept.boot != made.boot or not kept.pieces:
        return False
    return abs(kept.pieces[-1].high_s - made.pieces[-1].high_s) <= SAME_S
