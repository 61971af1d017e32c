"""The account of one job: every due time is started, missed for one reason, or still to come.

        to come ──due──► pending ──start──► started
                            └──its time is up──► missed

At most one due time is pending, the newest. It may be started late until its job's next due time,
but not after its window has closed and not more than :data:`LATEST_START_S` late; then it is missed
for the reason that held at that moment. All due times before the newest are missed the same way.
Outages of any length are reckoned by arithmetic, and what was missed is joined into ranges, so
neither time nor memory grows with them.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from acqd.plan.jobs import Due, Missed, PlannedJob
from acqd.plan.walltime import FOREVER_US, US, seconds

__all__ = ["LATEST_START_S", "Account", "Reason"]

LATEST_START_S = 3600.0
"""A daily pass may wait for a long one of another job; noon's pass at midnight helps nobody."""
LATEST_START_US = round(LATEST_START_S * US)
RANGES_MOST = 64
"""Ranges of missed due times that wait to be handed out; more are joined with the last."""
DURATIONS_KEPT = 9
"""The expected duration is the median of this many passes: four odd ones do not move it far."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a due time is missed."""

    reason: str
    detail: str = ""


@dataclass(slots=True)
class _Range:
    from_us: int
    to_us: int
    due_times: int
    why: Reason


class Account:
    """One job of a sweeper, from ``now_us`` on. Times are integer microseconds."""

    def __init__(
        self, job: PlannedJob, *, index: int, now_us: int, accounted_us: int | None = None
    ) -> None:
        self.job = job
        self.index = index
        self.paused: Reason | None = None
        self.pending_us: int | None = None
        self.pending_until_us = FOREVER_US
        self._durations_us: deque[int] = deque([_positive_us(job.estimate_s)], DURATIONS_KEPT)
        self.estimate_us = self._durations_us[0]
        self._schedule = job.schedule
        self._step_us = job.schedule.step_us
        self.back_to_back = job.schedule.back_to_back
        self._ranges: list[_Range] = []
        self._settled_us = now_us
        self._free_us = now_us
        self._blocked_us = 0
        self._blocked_from_us = now_us
        self._span: tuple[int, int] | None = None
        self.next_us: int | None = None
        self.accounted_us = accounted_us
        """The latest due time that was started or missed, also by a former plan."""
        self._look_ahead(now_us - 1 if accounted_us is None else max(now_us - 1, accounted_us))

    # -- asking ---------------------------------------------------------------------------------

    def ready_since(self, now_us: int) -> int | None:
        """The due time that may start now, None where there is none. Never one in the future."""
        if self.paused is not None:
            return None
        if not self.back_to_back:
            due_us = self.pending_us
            return due_us if due_us is not None and due_us <= now_us else None
        span = self._open_span(now_us)
        return None if span is None else min(now_us, max(self._free_us, span[0]))

    def is_open(self, now_us: int) -> bool:
        """Whether the job's time is open; what is due or not has no say in it."""
        return self._schedule.span_at_us(now_us) is not None

    def comes_up_us(self, now_us: int) -> int | None:
        """When there may next be something to start, None for never."""
        if self.pending_us is not None:
            return self.pending_us
        if not self.back_to_back:
            return self.next_us
        for start_us, _ in self._schedule.opening.spans(now_us):
            return max(start_us, now_us)
        return None

    # -- time goes by ---------------------------------------------------------------------------

    def settle(self, until_us: int, why: Reason, *, blocked: bool) -> None:
        """Account for all that came due or ran out up to ``until_us``.

        ``blocked`` says that the job could not have been swept however idle the sweeper was; only
        then does a job without due times miss anything.
        """
        if self.back_to_back:
            self._settle_open_time(until_us, why, blocked=blocked)
            return
        if self.pending_us is not None and self.pending_until_us <= until_us:
            self._miss(self.pending_us, self.pending_us, 1, why)
            self.pending_us = None
        while self.next_us is not None and self.next_us <= until_us:
            self._come_due(self.next_us, until_us, why)

    def skip_to(self, now_us: int) -> None:
        """The clock was set: no open time has passed, however far it went."""
        self._settled_us = self._blocked_from_us = now_us
        self._free_us = min(self._free_us, now_us)

    def rewind(self, to_us: int) -> None:
        """Take up the grid anew after ``to_us``; what is pending from before it stays pending."""
        if self.pending_us is not None and self.pending_us > to_us:
            self.pending_us = None
        self._look_ahead(to_us)

    def start(self, now_us: int) -> Due:
        """Hand out the due time that is ready."""
        due_us = self.ready_since(now_us)
        assert due_us is not None
        self.pending_us, self.accounted_us = None, due_us
        return Due(job=self.job.name, due_s=seconds(due_us), sweeps=self.job.schedule.burst)

    def finish(self, now_us: int, took_us: int | None) -> None:
        """A pass is over; learn from how long it took, if it says."""
        self._settled_us = self._free_us = now_us
        if took_us is None:
            return
        self._durations_us.append(max(1, took_us))
        ordered = sorted(self._durations_us)
        self.estimate_us = ordered[len(ordered) // 2]

    def come_now(self, now_us: int) -> bool:
        """Make a pass due that is on no grid; one that is due already takes its place. False where
        the time is shut, or there are no due times."""
        if self.back_to_back or not self.is_open(now_us):
            return False
        if self.pending_us is None:
            self.pending_until_us = self._latest_start_us(now_us)
            self.pending_us = now_us
        return True

    def give_up_pending(self, why: Reason) -> None:
        """What is pending will not be started."""
        if self.pending_us is not None:
            self._miss(self.pending_us, self.pending_us, 1, why)
            self.pending_us = None

    def take_missed(self) -> list[Missed]:
        """What was missed since this was last asked."""
        if not self._ranges:
            return []
        burst = self.job.schedule.burst
        out = [
            Missed(
                job=self.job.name,
                from_s=seconds(found.from_us),
                to_s=seconds(found.to_us),
                due_times=found.due_times,
                count=found.due_times * burst,
                reason=found.why.reason,
                detail=found.why.detail,
            )
            for found in self._ranges
        ]
        self._ranges.clear()
        return out

    # -- inside ---------------------------------------------------------------------------------

    def _come_due(self, first_us: int, until_us: int, why: Reason) -> None:
        """One or more due times have come; the newest is pending if its time is not up."""
        span = self._span
        if self._step_us is not None and span is not None and until_us < span[1]:
            # The common case, in one window: no need to look at the calendar.
            more = (until_us - first_us) // self._step_us
            last_us = first_us + more * self._step_us
            before_us = last_us - self._step_us
        else:
            tail = self._schedule.tail_us(first_us - 1, until_us)
            assert tail is not None, "the next due time lies in the stretch"
            more, last_us = tail.count - 1, tail.last_us
            before_us = first_us if tail.before_last_us is None else tail.before_last_us
        if more:
            self._miss(first_us, before_us, more, why)
        self._look_ahead(last_us)
        self.pending_until_us = self._latest_start_us(last_us)
        if self.pending_until_us <= until_us:
            self._miss(last_us, last_us, 1, why)
            self.pending_us = None
        else:
            self.pending_us = last_us

    def _look_ahead(self, after_us: int) -> None:
        if self.back_to_back:
            return
        span, step_us = self._span, self._step_us
        if step_us is not None and span is not None and span[0] <= after_us:
            next_us = (after_us // step_us + 1) * step_us
            if next_us < span[1]:
                self.next_us = next_us
                return
        self.next_us = self._schedule.next_due_us(after_us)
        self._span = None if self.next_us is None else self._schedule.span_at_us(self.next_us)

    def _latest_start_us(self, due_us: int) -> int:
        limit_us = due_us + LATEST_START_US
        if self.next_us is not None:
            limit_us = min(limit_us, self.next_us)
        span = self._span
        if span is not None and span[0] <= due_us and limit_us <= span[1]:
            return limit_us
        closes_us = self._schedule.closes_us(due_us, limit_us)
        return limit_us if closes_us is None else min(limit_us, closes_us)

    def _settle_open_time(self, until_us: int, why: Reason, *, blocked: bool) -> None:
        since_us, self._settled_us = self._settled_us, max(until_us, self._settled_us)
        if not blocked:
            self._blocked_from_us = until_us
            return
        if until_us <= since_us:
            return
        self._free_us = until_us
        self._blocked_us += self._schedule.open_us(since_us, until_us)
        passes, self._blocked_us = divmod(self._blocked_us, self.estimate_us)
        if passes:
            self._miss(self._blocked_from_us, until_us, passes, why)
            self._blocked_from_us = until_us

    def _open_span(self, now_us: int) -> tuple[int, int] | None:
        span = self._span
        if span is None or not span[0] <= now_us < span[1]:
            span = self._span = self._schedule.span_at_us(now_us)
        return span

    def _miss(self, from_us: int, to_us: int, due_times: int, why: Reason) -> None:
        self.accounted_us = to_us
        last = self._ranges[-1] if self._ranges else None
        if last is None or (last.why.reason != why.reason and len(self._ranges) < RANGES_MOST):
            self._ranges.append(_Range(from_us, to_us, due_times, why))
            return
        if last.why.reason != why.reason:
            last.why = Reason(last.why.reason, "and other reasons in turn")
        last.to_us = to_us
        last.due_times += due_times


def _positive_us(duration_s: float) -> int:
    return max(1, round(duration_s * US))
