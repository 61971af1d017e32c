"""What the station notices about itself: its own findings, and the behaviour of its clocks."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import structlog

from acqd.archive.clocklog import STEP_S, ClockMark
from acqd.archive.records import Batch, FindingRecord
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.measure.meter import Figure, FindingDraft
from acqd.plan.sharing import SERVED_STANDS_S
from acqd.station.tell import STATION, Teller, one_line
from acqd.sweep import Sweep

__all__ = [
    "ArchiveWatch",
    "ClockNews",
    "ClockWatch",
    "StationFindings",
    "SweeperClockWatch",
    "clock_mark",
    "rss_bytes",
]

WAITING_MOST = 100
"""Findings that wait for room in the archive; the oldest goes when there are more."""

TROUBLE_AGAIN_S = 3600.0
"""A trouble that lasts is told again, where its words have changed, no sooner than this."""

AT_ONCE_S, READS_MOST = 0.05, 20
"""Readings of the clocks that took longer are made again, so many times at the most."""

SLEEP_S = 2.0
"""Boot time that runs ahead of monotonic time by this much between two looks was sleep."""

DRIFT_S = 2.0
"""A sweeper's own time that wanders from the station's by this much is worth a finding."""

OTHER_DAY_S = 86_400.0
"""Farther off it is no clock that wanders: a recording is played, or nobody ever set it."""


class StationFindings:
    """Numbers, keeps and tells the station's own findings. They are not replayed."""

    def __init__(
        self, *, archive: ArchiveWriter, teller: Teller, clock: Clock, next_number: int
    ) -> None:
        self._archive = archive
        self._teller = teller
        self._clock = clock
        self._next = next_number
        self._lock = asyncio.Lock()
        self._waiting: list[FindingDraft] = []
        self._log = structlog.get_logger()

    async def tell(self, what: str, text: str, figures: Mapping[str, Figure] | None = None) -> None:
        """Keep one finding and tell it. Where it cannot be kept now it waits, bounded."""
        self._waiting.append(
            FindingDraft(
                what=what, at_s=self._clock.wall_s(), text=one_line(text), figures=figures or {}
            )
        )
        del self._waiting[:-WAITING_MOST]
        async with self._lock:
            while self._waiting:
                try:
                    await self._keep(self._waiting[0])
                except ArchiveError as exc:
                    self._log.error("finding_not_kept", what=what, problem=str(exc))
                    return
                self._waiting.pop(0)

    async def tell_clock(self, news: ClockNews) -> None:
        """A step of the clock, a sleep of the host, or both."""
        if news.slept_s:
            self._log.warning("host_slept", slept_s=round(news.slept_s, 1))
            figures = {"slept_s": round(news.slept_s, 3)}
            await self.tell("host_asleep", f"the host slept for {news.slept_s:.0f} s", figures)
        if news.stepped_s:
            self._log.warning("clock_stepped", stepped_s=round(news.stepped_s, 3))
            way = "forwards" if news.stepped_s > 0 else "back"
            text = f"the clock was set {way} by {abs(news.stepped_s):.1f} s"
            if news.was_synchronised is not False:
                # It may have been right before and be wrong now, or the other way round.
                text += (
                    "; it had not said that it was wrong, so times stay as they were recorded; "
                    "acqd clock corrects those of either side"
                )
            await self.tell("clock_stepped", text, {"stepped_s": round(news.stepped_s, 3)})

    async def _keep(self, draft: FindingDraft) -> None:
        record = FindingRecord(
            job=STATION,
            number=self._next,
            what=draft.what,
            at_s=draft.at_s,
            seq=None,
            text=draft.text,
            figures=dict(draft.figures),
            message=self._teller.finding_message(STATION, self._next, draft),
        )
        commit = asyncio.wrap_future(self._archive.commit(Batch(findings=(record,))))
        await asyncio.shield(commit)
        self._next += 1
        self._teller.findings_waiting(record)


class ArchiveWatch:
    """Tells when journals cannot be sealed or days not be merged, and when that is over.

    What was committed is safe in the journals all the while; but they grow until the disk is full.
    """

    def __init__(self, findings: StationFindings, clock: Clock) -> None:
        self._findings = findings
        self._clock = clock
        self._problem: str | None = None
        self._told: str | None = None
        self._told_s = 0.0
        self._log = structlog.get_logger()

    async def look(self, problem: str | None) -> None:
        """Compare with the last look. Words that differ alone are logged, and told now and then:
        they may hold a number that is another each time."""
        before, self._problem = self._problem, problem
        now_s = self._clock.monotonic_s()
        if problem is None:
            if before is not None:
                self._log.info("archive_well")
                await self._findings.tell("archive_well", "sealing and merging go on")
            return
        if before is None or (problem != self._told and now_s - self._told_s >= TROUBLE_AGAIN_S):
            self._told, self._told_s = problem, now_s
            await self._findings.tell("archive_trouble", f"the archive has trouble: {problem}")
        if problem != before:
            self._log.error("archive_trouble", problem=problem)


@dataclass(frozen=True, slots=True, kw_only=True)
class ClockNews:
    """What a look at the clocks showed: a step of the wall clock, a sleep of the host, that it is
    synchronised or no longer is, or several of these.

    ``from_s`` and ``to_s`` are wall time before and after, as it was read; ``mark`` is all of it.
    """

    stepped_s: float
    slept_s: float
    from_s: float
    to_s: float
    was_synchronised: bool | None
    mark: ClockMark

    @property
    def was_wrong(self) -> bool:
        """Whether the clock had never been said to be right, and was set forwards by so much that
        the plan is taken up anew."""
        return self.was_synchronised is False and self.stepped_s > SERVED_STANDS_S


class ClockWatch:
    """Compares wall, monotonic and boot time from one look to the next."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self._mark = clock_mark(clock)

    def look(self) -> ClockNews | None:
        """What happened since the last look, or None if time simply passed."""
        last, now = self._mark, clock_mark(self._clock)
        self._mark = now
        slept_s, stepped_s = now.slept_s - last.slept_s, last.stepped_s(now)
        slept_s = slept_s if slept_s >= SLEEP_S else 0.0
        stepped_s = stepped_s if abs(stepped_s) >= STEP_S else 0.0
        if not slept_s and not stepped_s and now.synchronised == last.synchronised:
            return None
        return ClockNews(
            stepped_s=stepped_s,
            slept_s=slept_s,
            from_s=last.wall_s + (now.monotonic_s - last.monotonic_s),
            to_s=now.wall_s,
            was_synchronised=last.synchronised,
            mark=now,
        )


def clock_mark(clock: Clock, event: int = 0) -> ClockMark:
    """The clocks as they are now, all at one moment: on a machine that is busy seconds may pass
    between two readings, which would look like a step."""
    for _ in range(READS_MOST):
        # Before the time, which a service sets before it says so.
        synchronised = clock.synchronised()
        monotonic_s = clock.monotonic_s()
        wall_s, boottime_s = clock.wall_s(), clock.boottime_s()
        if clock.monotonic_s() - monotonic_s < AT_ONCE_S:
            break
    return ClockMark(
        monotonic_s=monotonic_s,
        wall_s=wall_s,
        slept_s=boottime_s - monotonic_s,
        synchronised=synchronised,
        event=event,
    )


class SweeperClockWatch:
    """Compares a sweeper's own time with the station's; a drift is told as it doubles."""

    def __init__(self) -> None:
        self.anew()

    def anew(self) -> None:
        """Compare with the next sweep's offset from now on."""
        self._first_s: float | None = None
        self._told_s = DRIFT_S

    def drifted_s(self, sweep: Sweep) -> float | None:
        """How far it has wandered by this sweep, where that is worth telling; else None."""
        if sweep.sweeper_time_s is None:
            return None
        offset_s = sweep.sweeper_time_s - sweep.started_s
        if abs(offset_s) > OTHER_DAY_S:
            return None
        if self._first_s is None:
            self._first_s = offset_s
            return None
        drift_s = offset_s - self._first_s
        if abs(drift_s) < self._told_s:
            return None
        self._told_s *= 2
        return drift_s


def rss_bytes() -> int | None:
    """Memory of this process that is in RAM; None where the system does not say."""
    try:
        pages = int(Path("/proc/self/statm").read_text("ascii").split()[1])
    except (OSError, ValueError, IndexError):
        return None
    return pages * os.sysconf("SC_PAGE_SIZE")
