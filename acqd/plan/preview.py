"""What a plan will come to, before the night: the plan itself run on virtual time.

Every pass takes exactly its job's estimate, nothing goes wrong and no clock steps. Due times are
counted exactly. Started and missed ones are simulated up to a bound on passes; where that is
reached before the end the rest is taken to go on in the same proportion, and the preview says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from acqd.plan.jobs import PlannedJob
from acqd.plan.sharing import SweeperPlan

__all__ = ["PASSES_MOST", "JobPreview", "Preview", "preview"]

PASSES_MOST = 50_000
"""Passes that are simulated: 1.4 s of a core that others use too, and enough for a night of three
jobs every two seconds."""
NEXT_DUE_SHOWN = 5
LATE_TOLD_S = 0.5
"""Lateness that is worth a word, if it is also more than a tenth of the interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPreview:
    """What becomes of one job. Back to back has no due times: ``due`` equals ``started``, and it is
    never late."""

    job: str
    schedule: str
    due: int
    started: int
    missed: int
    worst_late_s: float
    share: float
    """Part of the sweeper's time that its passes take, 0 to 1."""
    next_due_s: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Preview:
    """What becomes of the jobs of one sweeper between two times."""

    from_s: float
    to_s: float
    simulated_to_s: float
    jobs: tuple[JobPreview, ...]
    busy: float
    """Part of the time in which the sweeper sweeps, 0 to 1."""
    conflicts: tuple[str, ...]
    """Plain sentences, none where all goes well."""

    @property
    def extrapolated(self) -> bool:
        """Whether the bound on passes was reached and the rest is taken in proportion."""
        return self.simulated_to_s < self.to_s


@dataclass(slots=True)
class _Tally:
    started: int = 0
    missed: int = 0
    worst_late_s: float = 0.0
    behind: str = ""
    busy_s: float = 0.0


def preview(
    jobs: Sequence[PlannedJob], from_s: float, to_s: float, *, passes_most: int = PASSES_MOST
) -> Preview:
    """Run the jobs' plan from ``from_s`` to ``to_s`` without a sweeper.

    Raises:
        ValueError: the span is empty or not finite, or two jobs have one name.
    """
    if not (math.isfinite(from_s) and math.isfinite(to_s) and from_s < to_s):
        raise ValueError(f"a preview needs from < to, got {from_s} to {to_s}")
    from_s, to_s = float(from_s), float(to_s)
    tallies, end_s = _simulate(jobs, from_s, to_s, passes_most)
    found = tuple(_job_preview(job, tallies[job.name], from_s, to_s, end_s) for job in jobs)
    return Preview(
        from_s=from_s,
        to_s=to_s,
        simulated_to_s=end_s,
        jobs=found,
        busy=sum(one.share for one in found),
        conflicts=tuple(
            sentence
            for job, one in zip(jobs, found, strict=True)
            for sentence in _conflicts(job, one, tallies[job.name])
        ),
    )


def _simulate(
    jobs: Sequence[PlannedJob], from_s: float, to_s: float, passes_most: int
) -> tuple[dict[str, _Tally], float]:
    plan = SweeperPlan(jobs, now_s=from_s)
    tallies = {job.name: _Tally() for job in jobs}
    took_s = {job.name: job.estimate_s for job in jobs}
    on_grid = {job.name for job in jobs if not job.schedule.back_to_back}
    now_s, passes, last = from_s, 0, ""
    while now_s < to_s and passes < passes_most:
        decision = plan.ask(now_s)
        for missed in decision.missed:
            tallies[missed.job].missed += missed.due_times
        start = decision.start
        if start is None:
            if decision.wait_until_s is None:
                now_s = to_s
                break
            now_s, last = decision.wait_until_s, ""
            continue
        tally = tallies[start.job]
        late_s = now_s - start.due_s
        if start.job in on_grid and late_s > tally.worst_late_s:
            tally.worst_late_s, tally.behind = late_s, last
        tally.started += 1
        passes += 1
        tally.busy_s += min(took_s[start.job], to_s - now_s)
        now_s += took_s[start.job]
        last = start.job
        plan.finished(start.job, now_s=now_s, took_s=took_s[start.job])
    end_s = min(now_s, to_s)
    for missed in plan.drain(end_s):
        # Due as the preview ends is not missed; the plan would start it in a moment.
        tallies[missed.job].missed += missed.due_times if missed.reason == "overrun" else 0
    return tallies, end_s


def _job_preview(
    job: PlannedJob, tally: _Tally, from_s: float, to_s: float, end_s: float
) -> JobPreview:
    schedule = job.schedule
    stretch = (to_s - from_s) / (end_s - from_s)
    if schedule.back_to_back:
        opened_s = schedule.open_between_s(from_s, end_s)
        stretch = schedule.open_between_s(from_s, to_s) / opened_s if opened_s else 1.0
        due = started = round(tally.started * stretch)
        missed = 0
    else:
        due = schedule.count_between(from_s, to_s)
        looked_at = tally.started + tally.missed
        stretch = due / looked_at if looked_at and end_s < to_s else 1.0
        missed = round(tally.missed * stretch)
        started = due - missed
    return JobPreview(
        job=job.name,
        schedule=schedule.describe(),
        due=due,
        started=started,
        missed=missed,
        worst_late_s=tally.worst_late_s,
        share=min(1.0, tally.busy_s * stretch / (to_s - from_s)),
        next_due_s=_next_due(job, from_s),
    )


def _next_due(job: PlannedJob, from_s: float) -> tuple[float, ...]:
    """The first due times from ``from_s`` on, also beyond the preview; back to back: the first."""
    found: list[float] = []
    if job.schedule.back_to_back:
        opens_s = job.schedule.next_open(from_s)
        return () if opens_s is None else (opens_s,)
    if job.schedule.count_between(from_s, math.nextafter(from_s, math.inf)):
        found.append(from_s)
    while len(found) < NEXT_DUE_SHOWN:
        due_s = job.schedule.next_due(found[-1] if found else from_s)
        if due_s is None:
            break
        found.append(due_s)
    return tuple(found)


def _conflicts(job: PlannedJob, one: JobPreview, tally: _Tally) -> list[str]:
    every_s, takes = job.schedule.every_s, f"{job.estimate_s:.3g} s"
    found = []
    if not one.next_due_s:
        found.append(f"{job.name} is never due ({one.schedule})")
    elif one.due == 0:
        found.append(f"{job.name} is not due in this time ({one.schedule})")
    if every_s is not None and job.estimate_s > every_s:
        found.append(
            f"{job.name} is due every {every_s:g} s but one pass takes about {takes}: "
            f"at best {every_s / job.estimate_s:.0%} of its due times are swept"
        )
    if one.missed:
        found.append(
            f"{job.name} misses {one.missed} of {one.due} due times "
            f"({one.missed / one.due:.1%}): the sweeper is busy"
        )
    worth_s = max(LATE_TOLD_S, 0.1 * (every_s or 0.0))
    if tally.worst_late_s > worth_s:
        behind = f" behind {tally.behind}" if tally.behind else ""
        found.append(f"{job.name} starts up to {tally.worst_late_s:.1f} s late{behind}")
    return found
