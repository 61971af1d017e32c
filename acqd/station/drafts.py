"""What a job is about to commit in one transaction, and what it leaves where that fails."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Any

from acqd.archive.records import Batch, FindingRecord, GapRecord, HourlyRecord, SweepRecord
from acqd.errors import ArchiveFull
from acqd.measure.meter import PASS_CUT_SHORT, Output
from acqd.station.feed import JobState, SetupView
from acqd.station.gaps import Waiting
from acqd.station.jobspec import Taken
from acqd.station.tell import one_line

__all__ = ["Draft", "committed_or_failed", "due_of", "gap_reason", "not_kept"]


@dataclass(slots=True)
class Draft:
    """What one lock-holding is about to commit, and the state that comes true with it."""

    state: JobState
    seq: int
    finding: int
    setups: list[Any] = field(default_factory=list)
    sweeps: list[SweepRecord] = field(default_factory=list)
    findings: list[FindingRecord] = field(default_factory=list)
    gaps: list[GapRecord] = field(default_factory=list)
    hourly: list[HourlyRecord] = field(default_factory=list)
    told: list[tuple[SweepRecord | None, SetupView | None, Output]] = field(default_factory=list)
    meter_failures: int = 0
    waiting: list[Waiting] = field(default_factory=list)
    """Those of ``gaps`` that wait again if this is not committed."""

    @property
    def is_empty(self) -> bool:
        return not (self.sweeps or self.findings or self.gaps or self.hourly)

    def batch(self) -> Batch:
        return Batch(
            setups=tuple(self.setups),
            sweeps=tuple(self.sweeps),
            findings=tuple(self.findings),
            gaps=tuple(self.gaps),
            hourly=tuple(self.hourly),
        )


async def committed_or_failed(future: Future[None]) -> None:
    """Wait until a thread is done with ``future``, however that ended. To cancel the wait leaves
    it as it is. The loop is woken once; to wrap and shield it takes three turns of the loop."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[None] = loop.create_future()

    def settle() -> None:
        if not done.done():
            done.set_result(None)

    def wake(_: Future[None]) -> None:
        if not loop.is_closed():
            loop.call_soon_threadsafe(settle)

    future.add_done_callback(wake)
    await done


def due_of(sweeps: Sequence[Taken | SweepRecord]) -> int:
    """How many of them were due: those of step 0."""
    return sum(one.step == 0 for one in sweeps)


def not_kept(job: str, due_s: float, count: int, exc: BaseException | None) -> GapRecord:
    """The gap that sweeps leave which were taken and could not be committed; ``count`` of them
    were due, and where none was it is the rest of a pass that is lost."""
    reason, detail = gap_reason(exc), str(exc or "the commit was given up")
    if not count:
        reason, detail = PASS_CUT_SHORT, f"{reason}: {detail}"
    return GapRecord(
        job=job,
        from_s=due_s,
        to_s=due_s,
        count=count,
        reason=reason,
        detail=one_line(detail),
    )


def gap_reason(exc: BaseException | None) -> str:
    """The word for a gap that a failed commit makes."""
    return "disk full" if isinstance(exc, ArchiveFull) else "sweep failed"
