"""Looking at a bench: at what is new after each fault, and at all of it at the end."""

from __future__ import annotations

import sqlite3
from bisect import bisect_right
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import ceil
from pathlib import Path

from acqd.archive.reader import Archive
from acqd.errors import AcqdError
from faults_parts import checks, counting
from faults_parts.bench import JOBS, FaultBench, Job
from faults_parts.kept import Kept, read_kept
from faults_parts.record import Record
from faults_parts.showing import ShownClock, accounts_as_shown, newest_due

__all__ = ["Stretch", "Watch", "Whole", "whole"]


@dataclass(slots=True, kw_only=True)
class Stretch:
    """What was due, stored, missed, told of and found in a stretch of time."""

    due: int = 0
    stored: int = 0
    missed: Counter[str] = field(default_factory=Counter)
    published: int = 0
    findings: int = 0


@dataclass(slots=True, kw_only=True)
class Whole:
    """What an archive and a record come to, when nobody writes either any more.

    ``stretches`` tile its time: one up to each of the times asked for, and one for the rest.
    """

    stretches: list[Stretch]
    due: int = 0
    stored: int = 0
    missed: Counter[str] = field(default_factory=Counter)
    published: int = 0
    """Different sweeps that were told of."""
    files: int = 0
    findings: checks.Delivered = field(default_factory=checks.Delivered)
    wrong: list[str] = field(default_factory=list)


class Watch:
    """What was checked already on one bench, so that each check looks at what is new."""

    def __init__(self, bench: FaultBench) -> None:
        self._bench = bench
        self._heard = self._sent = 0
        self._spans = {job.name: counting.Spans() for job in JOBS}
        self._dumped: set[Path] = set()

    @property
    def firsts(self) -> dict[str, int | None]:
        """By job, the number of the first due time that the station was there for, as it was told
        before anything was done to the archive."""
        return {name: spans.first for name, spans in self._spans.items()}

    def new(self) -> list[str]:
        """Check what came since this was last asked; what is wrong with it."""
        # What was said first: what it tells of was committed before.
        bench, record = self._bench, self._bench.record.so_far()
        messages = [
            *record.of("summary", "trace", since=self._heard),
            *record.sent_of("summary", "trace", since=self._sent),
        ]
        if not (bench.archive / "ledger.sqlite").exists():
            return ["messages and no archive"] if messages else []
        wrong: list[str] = []
        with checks.heeded(wrong):
            self._look(record, messages, wrong)
        wrong += checks.readable(bench.archive, self._dumped)
        self._heard, self._sent = len(record.heard), len(record.sent)
        return wrong

    def _look(self, record: Record, messages: list[checks.Told], wrong: list[str]) -> None:
        archive = checks.open_kept(self._bench.archive)
        kept = {}
        jobs = [*JOBS, *self._bench.guests]
        for job in jobs:
            spans = self._spans.setdefault(job.name, counting.Spans())
            if spans.first is None and job in JOBS and archive.plans():
                spans.first = counting.began(archive, job)
            clock = self._bench.clock
            # What was held up on its way tells of sweeps from long before.
            starts = [message["at_s"] for name, message, _ in messages if name == job.name]
            since_s = min([self._accounted_s(job.name, job.every_s), *starts])
            # What a clock showed may be long ago, or again.
            kept[job.name] = read_kept(archive, job.name, 0.0 if clock else since_s)
            if clock is None:
                wrong += counting.accounts(kept[job.name], job, spans, is_live=True)
            else:
                first = spans.first or 0
                wrong += accounts_as_shown(kept[job.name], job, clock.stays, first, clock.shows_s())
            wrong += [f"{job.name}: {n} is there twice" for n in kept[job.name].twice]
        wrong += checks.published(messages, kept)
        findings = checks.read_findings(archive, jobs)
        wrong += checks.numbered(findings)
        wrong += checks.delivered(record, findings, {}, settled=False).wrong

    def _accounted_s(self, name: str, every_s: float) -> float:
        number = self._spans[name].number
        # Half a step after the last one that is whole: its own gaps and sweeps began before.
        return self._bench.began_s - 1.0 if number is None else (number + 0.5) * every_s


def whole(
    root: Path,
    record: Record,
    *,
    last_start_s: float,
    ends_s: Sequence[float] = (),
    guests: Sequence[Job] = (),
    clock: ShownClock | None = None,
    firsts: Mapping[str, int | None] | None = None,
) -> Whole:
    """All checks over all of an archive, and its sums; those up to each of ``ends_s`` apart.

    ``firsts``: as :attr:`Watch.firsts`; a ledger that is made again may know only of a later
    start. ``guests``: jobs that were there for a while. ``clock``: what the station's showed, where
    it was not the machine's.
    """
    stretches = [Stretch() for _ in range(len(ends_s) + 1)]
    out = Whole(stretches=stretches, wrong=checks.ended(record.said))
    files: set[Path] = set()
    out.wrong += checks.readable(root, files)
    out.files = len(files)
    try:
        with checks.heeded(out.wrong):
            _look(root, record, last_start_s, out, ends_s, guests, clock, firsts or {})
    except (AcqdError, OSError, sqlite3.Error) as exc:
        out.wrong.append(f"the archive cannot be read: {exc}")
    return out


def _look(
    root: Path,
    record: Record,
    last_start_s: float,
    out: Whole,
    ends_s: Sequence[float],
    guests: Sequence[Job],
    clock: ShownClock | None,
    firsts: Mapping[str, int | None],
) -> None:
    archive, jobs = checks.open_kept(root), [*JOBS, *guests]
    told = [*record.of("summary", "trace"), *record.sent_of("summary", "trace")]
    out.published = len({(job, message["seq"]) for job, message, _ in told})
    kept = {job.name: read_kept(archive, job.name, 0.0) for job in jobs}
    out.wrong += checks.published(told, kept)
    out.wrong += checks.unique(root, told, jobs)
    for job in jobs:
        ends = 0.0 if job in guests else last_start_s
        first = firsts.get(job.name)
        if first is None and job in JOBS:
            first = counting.began(archive, job)
        out.wrong += _account(archive, job, kept[job.name], ends, out, clock, first)
    findings = checks.read_findings(archive, jobs)
    out.findings = checks.delivered(record, findings, checks.read_marks(root), settled=True)
    out.wrong += checks.numbered(findings) + out.findings.wrong

    def stretch(at_s: float) -> Stretch:
        true_s = at_s if clock is None else clock.true_s(at_s)
        return out.stretches[bisect_right(ends_s, true_s)]

    for one in (one for rows in findings.values() for one in rows):
        stretch(one.at_s).findings += 1
    starts = {(job, message["seq"]): message["at_s"] for job, message, _ in told}
    for at_s in starts.values():
        stretch(at_s).published += 1
    shown_s = ends_s if clock is None else clock.changes_s(ends_s)
    for job in jobs:
        cuts = [ceil(at_s / job.every_s) for at_s in shown_s]
        _share_out(kept[job.name], job, stretch, cuts)


def _share_out(
    kept: Kept, job: Job, stretch: Callable[[float], Stretch], cuts: Sequence[int]
) -> None:
    """Each due time to the stretch that it lies in, which is one between two of the cuts."""
    counted = counting.by_number(kept, job)
    for run in counted.due.runs(cuts):
        stretch(run.first * job.every_s).due += run.length * run.each
    for number, count in counted.stored.items():
        stretch(number * job.every_s).stored += count
    for gap in kept.gaps:
        for run in counting.spread(gap, job, counted.stored).runs(cuts):
            if run.each:
                stretch(run.first * job.every_s).missed[gap.reason] += run.length * run.each


def _account(
    archive: Archive,
    job: Job,
    kept: Kept,
    last_start_s: float,
    out: Whole,
    clock: ShownClock | None,
    first: int | None,
) -> list[str]:
    """Every due time, the reader's own count agrees, and it reaches beyond the last start."""
    spans = counting.Spans(first=first)
    # The last stop may have cut a pass short; the start that accounts for it never came.
    if clock is None:
        wrong = counting.accounts(kept, job, spans)
    else:
        wrong = accounts_as_shown(kept, job, clock.stays, spans.first or 0, clock.shows_s())
        spans.number = newest_due(kept, job, clock.stays[-1])
    coverage = archive.coverage(job.name)
    out.due += coverage.due
    out.stored += coverage.stored
    out.missed.update(coverage.missed)
    counted = counting.by_number(kept, job).due.total()
    if spans.first is None or spans.number is None:
        return [*wrong, f"{job.name}: nothing is accounted for"]
    due = (spans.number - spans.first + 1) * job.burst
    if coverage.due != counted:
        wrong.append(f"{job.name}: {counted} are accounted for, the reader says {coverage.due}")
    if clock is None and not due <= counted <= due + job.burst:
        wrong.append(f"{job.name}: {due} sweeps were due, and {counted} are accounted for")
    if (spans.number + 1) * job.every_s < last_start_s:
        wrong.append(f"{job.name}: the account ends before the last start")
    return wrong
