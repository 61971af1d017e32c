"""No silent gap (G5): every due time is stored or accounted for, exactly as often as it was due.

Due times are numbers since the epoch, counted in runs, since a clock that is set by hours makes
a hundred thousand of them at once.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import pairwise
from math import ceil

from acqd.archive.reader import Archive
from acqd.archive.records import GapRecord
from acqd.publish.messages import rfc3339
from faults_parts.bench import Job
from faults_parts.kept import Kept

__all__ = ["Counted", "Run", "Runs", "Spans", "accounts", "began", "by_number", "spread"]


@dataclass(frozen=True, slots=True)
class Run:
    """Due times one after the other, both ends of it included, each there so often."""

    first: int
    last: int
    each: int

    @property
    def length(self) -> int:
        return self.last - self.first + 1


class Runs:
    """How often each of many numbers is there."""

    def __init__(self, runs: Iterable[Run] = ()) -> None:
        self._steps: Counter[int] = Counter()
        for run in runs:
            self.add(run)

    @classmethod
    def of(cls, *sources: Runs) -> Runs:
        """All of them taken together."""
        out = cls()
        for one in sources:
            out.take(one)
        return out

    def add(self, run: Run) -> None:
        self._steps[run.first] += run.each
        self._steps[run.last + 1] -= run.each

    def take(self, other: Runs) -> None:
        """Add all of another."""
        for number, by in other._steps.items():
            self._steps[number] += by

    def runs(self, cuts: Iterable[int] = ()) -> Iterator[Run]:
        """In order, those between that are not there included; none reaches over a cut, and they
        go from the first cut or number to the last."""
        edges = sorted({*self._steps, *cuts})
        each = 0
        for first, after in pairwise(edges):
            each += self._steps.get(first, 0)
            yield Run(first, after - 1, each)

    @property
    def first(self) -> int | None:
        return next((run.first for run in self.runs() if run.each), None)

    @property
    def last(self) -> int | None:
        return max((run.last for run in self.runs() if run.each), default=None)

    def total(self) -> int:
        return sum(run.length * run.each for run in self.runs())


@dataclass(slots=True)
class Spans:
    """How far a job's due times have been seen to be accounted for: all up to ``number``, one
    without a gap, from ``first`` on."""

    first: int | None = None
    number: int | None = None


def accounts(kept: Kept, job: Job, spans: Spans, *, is_live: bool = False) -> list[str]:
    """Each due time of the rhythm is there exactly as often as it asked for sweeps.

    From where ``spans`` has got, up to the newest, which may still be in the middle of its pass;
    where it ``is_live``, up to the newest sweep: what is read after it may have been written since.
    """
    counted = by_number(kept, job)
    found, wrong = counted.due, counted.wrong
    first = spans.number + 1 if spans.number is not None else spans.first
    if first is None:
        first = found.first
    if first is None or found.last is None or found.last < first:
        return wrong
    last = (max(counted.stored, default=first) if is_live else found.last) - 1
    between = [run for run in found.runs((first, last + 1)) if first <= run.first <= last]
    missing = [run for run in between if not run.each]
    if missing:
        wrong.append(
            f"{job.name}: {sum(run.length for run in missing)} due times have no account, the "
            f"first at {rfc3339(missing[0].first * job.every_s)}"
        )
    for run in between:
        if run.each and run.each != job.burst:
            many = f", and at {run.length - 1} more" if run.length > 1 else ""
            wrong.append(
                f"{job.name}: {run.each} of {job.burst} sweeps are accounted for at "
                f"{rfc3339(run.first * job.every_s)}{many}"
            )
    if spans.first is None:
        spans.first = first
    spans.number = max(last, first - 1)
    return wrong


@dataclass(slots=True)
class Counted:
    """By the number of a due time since the epoch: sweeps that are stored, and those that have a
    reason instead."""

    stored: Counter[int] = field(default_factory=Counter)
    missed: Runs = field(default_factory=Runs)
    wrong: list[str] = field(default_factory=list)

    @property
    def due(self) -> Runs:
        return Runs.of(stored_runs(self.stored), self.missed)


def stored_runs(stored: Mapping[int, int]) -> Runs:
    return Runs(Run(number, number, each) for number, each in stored.items())


def by_number(kept: Kept, job: Job) -> Counted:
    """What there is of each due time."""
    out = Counted()
    wrong = out.wrong
    for sweep in kept.sweeps.values():
        number = round(sweep.due_s / job.every_s)
        if abs(sweep.due_s - number * job.every_s) > 1e-5:
            wrong.append(f"{job.name}: sweep {sweep.seq} was due at no time of the rhythm")
        if sweep.step == 0:
            out.stored[number] += 1
    for gap in kept.gaps:
        shares = spread(gap, job, out.stored)
        if shares.total() != gap.count:
            wrong.append(
                f"{job.name}: a gap of {gap.count} ({gap.reason}) has room for {shares.total()}"
            )
        out.missed.take(shares)
    return out


def spread(gap: GapRecord, job: Job, stored: Mapping[int, int]) -> Runs:
    """The due times of a gap with how many of its sweeps each has: all that it asked for, or what
    was left of one.

    While a commit takes long, gaps are joined over what was swept between them: then what is not
    stored of each is in it, if that is as many as it says.
    """
    if not gap.count:
        return Runs()
    first, last = round(gap.from_s / job.every_s), round(gap.to_s / job.every_s)
    if first == last:
        return Runs([Run(first, first, gap.count)])
    shares = Runs([Run(first, last, job.burst)])
    if shares.total() != gap.count:
        within = {n: min(each, job.burst) for n, each in stored.items() if first <= n <= last}
        left = Runs.of(shares, stored_runs({n: -each for n, each in within.items()}))
        return left if left.total() == gap.count else shares
    return shares


def began(archive: Archive, job: Job) -> int:
    """The number of the first due time that the station was there for."""
    plans = archive.plans()
    return ceil(round(plans[0][0] / job.every_s, 6)) if plans else 0
