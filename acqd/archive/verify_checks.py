"""What must hold of the numbers, the times and the due times of a job; pure.

All of it goes by what was recorded, by the station's clock: corrections of clocks move nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acqd.archive.coverage import due_within
from acqd.archive.layout import DAY_S
from acqd.archive.records import GapRecord
from acqd.plan.jobs import PlannedJob
from acqd.sweep import SweepFlag

__all__ = [
    "DueCount",
    "Fall",
    "Hole",
    "Run",
    "Shortage",
    "falls",
    "holes",
    "is_explained",
    "joined_runs",
    "runs_of",
    "used_twice",
]

GAP_SLACK_S = 1.0
"""A gap's due times may lie so far outside the sweeps around it: passes begin late."""

STEP_S = 0.5
"""Times that fall by more than this, against a monotonic clock that rises, were set back."""


# -- numbers ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Run:
    """Sweeps of a job with numbers that follow each other, ``first`` to ``last``."""

    first: int
    last: int
    from_s: float
    to_s: float


@dataclass(frozen=True, slots=True)
class Hole:
    """Numbers that no sweep has, ``first`` to ``last``, between two sweeps that began at
    ``after_s`` and ``before_s``."""

    first: int
    last: int
    after_s: float
    before_s: float

    @property
    def count(self) -> int:
        return self.last - self.first + 1


def runs_of(sequence: NDArray[np.int64], time_s: NDArray[np.float64]) -> list[Run]:
    """The runs of some sweeps, in any order, each number once."""
    if not sequence.size:
        return []
    sequence, where = np.unique(sequence, return_index=True)
    time_s = time_s[where]
    edges = [0, *(np.flatnonzero(np.diff(sequence) != 1) + 1).tolist(), sequence.size]
    return [
        Run(int(sequence[a]), int(sequence[b - 1]), float(time_s[a]), float(time_s[b - 1]))
        for a, b in pairwise(edges)
    ]


def joined_runs(runs: Iterable[Run]) -> list[Run]:
    """Runs in order, those that touch or overlap made one."""
    out: list[Run] = []
    for run in sorted(runs, key=lambda one: (one.first, one.last)):
        last = out[-1] if out else None
        if last is None or run.first > last.last + 1:
            out.append(run)
        elif run.last > last.last:
            out[-1] = Run(last.first, run.last, last.from_s, run.to_s)
    return out


def holes(runs: Iterable[Run], *, first: int = 1) -> list[Hole]:
    """Numbers from ``first`` on that no run has, before the last one that one has."""
    found, next_number, after_s = [], first, float("-inf")
    for run in joined_runs(runs):
        if run.first > next_number:
            found.append(Hole(next_number, run.first - 1, after_s, run.from_s))
        next_number, after_s = max(next_number, run.last + 1), run.to_s
    return found


def is_explained(
    hole: Hole, gaps: Iterable[GapRecord], accounted: Iterable[tuple[int, int]]
) -> bool:
    """Whether a gap that was recorded, or a pass that was cut short, lies between the sweeps around
    a hole, or files that are accounted for had all its numbers."""
    left = {*range(hole.first, hole.last + 1)} if hole.count <= 1_000_000 else None
    for first, last in accounted:
        if first <= hole.first and hole.last <= last:
            return True
        if left is not None:
            left -= {*range(max(first, hole.first), min(last, hole.last) + 1)}
    if left is not None and not left:
        return True
    return any(
        gap.from_s <= hole.before_s + GAP_SLACK_S and gap.to_s >= hole.after_s - GAP_SLACK_S
        for gap in gaps
        if gap.count
    )


def used_twice(days: Sequence[tuple[str, Sequence[Run]]]) -> Iterator[tuple[str, str, int, int]]:
    """Numbers that two days have: the two days, the first and last of the numbers."""
    runs = sorted(
        ((run.first, run.last, day) for day, some in days for run in some),
        key=lambda one: one[:2],
    )
    for (_, last, day), (first, other_last, other) in pairwise(runs):
        if first <= last:
            yield day, other, first, min(last, other_last)


# -- times -----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Fall:
    """A time that is not as clocks go, at the sweep of number ``seq``: it lies ``by_s`` before that
    of the sweep before. ``is_monotonic`` where the clock is the one that never falls."""

    seq: int
    at_s: float
    by_s: float
    is_monotonic: bool


def falls(
    sequence: NDArray[np.int64],
    time_s: NDArray[np.float64],
    monotonic_s: NDArray[np.float64],
    boot: NDArray[np.int32],
    flags: NDArray[np.int32],
) -> list[Fall]:
    """Where times fall from a sweep to the next of the same boot, and no flag says that the clock
    was set. All are (sweeps,), in the order of the numbers."""
    same = boot[1:] == boot[:-1]
    wall, steady = np.diff(time_s), np.diff(monotonic_s)
    told = (flags[1:] & int(SweepFlag.CLOCK_STEPPED)) != 0
    set_back = same & (steady >= 0) & (wall < 0) & (steady - wall > STEP_S) & ~told
    found = [
        Fall(int(sequence[at + 1]), float(time_s[at + 1]), -float(fell[at]), is_monotonic)
        for where, fell, is_monotonic in (
            (same & (steady < 0), steady, True),
            (set_back, wall, False),
        )
        for at in np.flatnonzero(where).tolist()
    ]
    return sorted(found, key=lambda one: one.seq)


# -- what was due ----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Shortage:
    """Due sweeps between ``from_s`` and ``to_s`` that are neither stored nor accounted for."""

    from_s: float
    to_s: float
    due: int
    stored: int
    accounted: int

    @property
    def count(self) -> int:
        return self.due - self.stored - self.accounted


class DueCount:
    """Counts due, stored and accounted sweeps of a job, by day and by plan.

    ``plans``: since when each plan held, in the order in which they were recorded, and the job in
    it; None where it has no such job. What is before the first of them, after a clock was set back,
    and of jobs that sweep back to back, for which nothing is due by the clock, is not judged.
    """

    def __init__(self, plans: Sequence[tuple[float, PlannedJob | None]]) -> None:
        self._plans: list[tuple[float, PlannedJob | None]] = []
        for at_s, job in plans:
            if self._plans and at_s < self._plans[-1][0]:
                # Set back: from here on two plans would hold at once.
                self._plans.append((self._plans[-1][0], None))
                break
            self._plans.append((at_s, job))
        self._stored: dict[int, int] = {}
        self._last_s = float("-inf")
        self._at_last = 0
        self._starts = np.array([at_s for at_s, _ in self._plans])

    @property
    def is_judged(self) -> bool:
        return any(self._has_due(job) for _, job in self._plans)

    @staticmethod
    def _has_due(job: PlannedJob | None) -> bool:
        return job is not None and not job.schedule.back_to_back

    def add(self, due_s: NDArray[np.float64]) -> None:
        """Stored sweeps of step 0, by the times that they were due."""
        if not due_s.size or not self._starts.size:
            return
        last_s = float(due_s.max())
        if last_s >= self._last_s:
            before = self._at_last if last_s == self._last_s else 0
            self._last_s, self._at_last = last_s, before + int(np.count_nonzero(due_s == last_s))
        # A bin is a day of one plan; its number is made of both.
        plan = np.searchsorted(self._starts, due_s, side="right") - 1
        day = np.floor_divide(due_s, DAY_S).astype(np.int64)
        bins, counts = np.unique(plan.astype(np.int64) << 32 | day, return_counts=True)
        for number, count in zip(bins.tolist(), counts.tolist(), strict=True):
            self._stored[number] = self._stored.get(number, 0) + count

    def shortages(
        self, gaps: Sequence[GapRecord], unknown: Sequence[tuple[float, float]] = ()
    ) -> list[Shortage]:
        """Where less is stored and accounted for than was due, up to the last thing that was;
        stretches that follow each other made one.

        Of the last pass what is missing is not missed: it may go on, or was cut short by an end
        that the next start accounts for.

        Stretches that ``unknown`` touches are left out: sweeps of them are gone for a reason.
        """
        if not self._starts.size:
            return []
        last_s = max([self._last_s, *(gap.to_s for gap in gaps if gap.count)])
        found: list[Shortage] = []
        for low_s, high_s, plans in self._stretches(gaps, last_s):
            if not all(job is None or self._has_due(job) for _, _, job, _ in plans):
                continue
            if any(a < high_s and b >= low_s for a, b in unknown):
                continue
            due = sum(
                job.schedule.count_between(a, b) * job.schedule.burst
                for a, b, job, _ in plans
                if job is not None
            )
            stored = sum(self._stored.get(number, 0) for _, _, _, number in plans)
            accounted = sum(due_within(gap, low_s, high_s) for gap in gaps)
            if plans[-1][1] > last_s:
                due -= self._under_way(plans[-1][2], gaps, last_s)
            if due <= stored + accounted:
                continue
            last = found[-1] if found and found[-1].to_s == low_s else None
            if last is None:
                found.append(Shortage(low_s, high_s, due, stored, accounted))
            else:
                counts = last.due + due, last.stored + stored, last.accounted + accounted
                found[-1] = Shortage(last.from_s, high_s, *counts)
        return found

    def _under_way(self, job: PlannedJob | None, gaps: Sequence[GapRecord], last_s: float) -> int:
        """Sweeps of the last pass that are not there yet."""
        if job is None or self._last_s != last_s:
            return 0
        missed = sum(gap.count for gap in gaps if gap.from_s == gap.to_s == last_s)
        return max(job.schedule.burst - self._at_last - missed, 0)

    def _stretches(
        self, gaps: Sequence[GapRecord], last_s: float
    ) -> Iterator[tuple[float, float, list[tuple[float, float, PlannedJob | None, int]]]]:
        """Bins in order, those made one that a gap of several due times reaches over: how those lie
        in it is not recorded."""
        long = [(gap.from_s, gap.to_s) for gap in gaps if gap.count > 1 and gap.to_s > gap.from_s]
        long.sort()
        held: list[tuple[float, float, PlannedJob | None, int]] = []
        place, reach_s = 0, float("-inf")
        for one in self._bins(last_s):
            if held and one[0] > reach_s:
                yield held[0][0], held[-1][1], held
                held = []
            held.append(one)
            while place < len(long) and long[place][0] < one[1]:
                reach_s = max(reach_s, long[place][1])
                place += 1
        if held:
            yield held[0][0], held[-1][1], held

    def _bins(self, last_s: float) -> Iterator[tuple[float, float, PlannedJob | None, int]]:
        # What was due last is accounted for, and nothing after it need be.
        end_s = np.nextafter(last_s, np.inf)
        for number, (at_s, job) in enumerate(self._plans):
            following = self._plans[number + 1][0] if number + 1 < len(self._plans) else end_s
            stop_s = min(following, end_s)
            low_s = at_s
            while low_s < stop_s:
                day = int(low_s // DAY_S)
                high_s = min(stop_s, (day + 1) * DAY_S)
                yield low_s, high_s, job, number << 32 | day
                low_s = high_s
