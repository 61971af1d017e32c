"""What the plan takes and gives: jobs, due times, and what was missed. Plain data."""

from __future__ import annotations

import math
from dataclasses import dataclass

from acqd.plan.schedule import Schedule

__all__ = ["Decision", "Due", "Missed", "PlannedJob"]


@dataclass(frozen=True, slots=True, kw_only=True)
class PlannedJob:
    """A job as the plan sees it.

    Attributes:
        priority: the higher one goes first.
        min_share: part of the sweeper's time that the job may claim however busy it is, 0 to 0.9.
        estimate_s: how long one pass is expected to take (all sweeps of a burst), > 0; the plan
            learns better from the passes that were taken.
        extra_share: part of the sweeper's time that passes which are not due may claim, 0 to 0.9;
            None where the job asks for none.
    """

    name: str
    schedule: Schedule
    priority: int = 0
    min_share: float = 0.10
    estimate_s: float = 1.0
    extra_share: float | None = None

    def __post_init__(self) -> None:
        if not 0.0 <= self.min_share <= 0.9:
            raise ValueError(f"job {self.name}: min_share must be 0 to 0.9, got {self.min_share}")
        if self.extra_share is not None and not 0.0 <= self.extra_share <= 0.9:
            raise ValueError(
                f"job {self.name}: extra_share must be 0 to 0.9, got {self.extra_share}"
            )
        if not (math.isfinite(self.estimate_s) and self.estimate_s > 0):
            raise ValueError(f"job {self.name}: estimate_s must be > 0, got {self.estimate_s}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Start this now. ``due_s`` is the due time on the grid, ``sweeps`` the burst.

    Of a pass that is not due but was asked for ``extra`` is the ticket, ``due_s`` when that was,
    and no sweep of it is due.
    """

    job: str
    due_s: float
    sweeps: int
    extra: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Missed:
    """Due times of a job that follow each other and were not started, for one reason.

    ``from_s`` is the first and ``to_s`` the last of them; every due time of the job from the one to
    the other is in here. Back to back, which has no due times, it is the span in which the job
    could not sweep, and the count is an estimate: open time over the expected duration.
    """

    job: str
    from_s: float
    to_s: float
    due_times: int
    count: int
    """Sweeps that were not taken: due times by the burst."""
    reason: str
    detail: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decision:
    """What to do now. At most one of ``start`` and ``wait_until_s`` is there.

    ``wait_until_s`` is when to ask again at the latest if nothing happens before; None with
    nothing to start means that only an event (a pass finished, the sweeper came back, a job
    resumed) can change anything.
    """

    start: Due | None
    wait_until_s: float | None
    missed: tuple[Missed, ...]
    dropped: tuple[tuple[str, int], ...] = ()
    """Job and ticket of passes that were asked for and came too late."""
