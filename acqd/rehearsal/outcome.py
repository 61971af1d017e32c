"""What a rehearsal came to, read from the archive that it made."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from acqd.archive.index import Wanted, find_pieces
from acqd.archive.layout import DAY_S, folder_of_job, ledger_path
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import GapRecord
from acqd.measure.closerlook_settings import LOOK_STEP
from acqd.plan.schedule import Schedule
from acqd.rehearsal.counting import MessageLoad
from acqd.rehearsal.run import Rehearsed
from acqd.station.forecast import without_references
from acqd.station.job import JobSpec
from acqd.station.references import stored_references
from acqd.station.tell import STATION

__all__ = [
    "OVERRUN",
    "Disk",
    "JobOutcome",
    "Lost",
    "Outcome",
    "SweeperOutcome",
    "outcome_of",
]

OVERRUN = "overrun"
STOPPED = "station down"
WAS_SWEEPING = " was sweeping"
STRETCH_S = 60.0
"""Losses for one reason that lie no further apart, or than four of the job's intervals, are told as
one stretch."""
LATE_TOLD_S = 0.5
"""Lateness that is worth a word, if it is also more than a tenth of the interval."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lost:
    """Due sweeps of a job that were not taken for one reason.

    Attributes:
        behind: the job that had the sweeper meanwhile, maybe the job itself; empty for none.
        stretches: how many separate stretches of time they lie in.
    """

    job: str
    reason: str
    detail: str
    behind: str
    count: int
    from_s: float
    to_s: float
    stretches: int


@dataclass(frozen=True, slots=True, kw_only=True)
class JobOutcome:
    """One job. Sweeps are those that were due: what else a pass asks for hangs on what it saw.

    Attributes:
        due: ``kept`` and all of ``missed``; what the rehearsal's end cut short is left out.
        coverage: kept over due; None where nothing was due.
        cut: due sweeps that were pending or under way at the end.
        sweeps: all that were kept, those of later steps included.
        late: passes that began later than half their interval; ``worst_late_s`` is the latest.
        share: part of its sweeper's time, 0 to 1.
        findings: how many of each word.
        size_bytes: its files after sealing and merging; ``a_day_bytes`` of 24 hours like these.
    """

    job: str
    kind: str
    sweeper: str
    schedule: str
    due: int
    kept: int
    coverage: float | None
    missed: Mapping[str, int]
    cut: int
    sweeps: int
    late: int
    worst_late_s: float
    share: float
    findings: Mapping[str, int]
    size_bytes: int
    a_day_bytes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperOutcome:
    """One sweeper: how much of the time it swept, 0 to 1, and whether one of its jobs takes all
    that is left, back to back."""

    sweeper: str
    address: str
    busy: float
    is_filled: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Disk:
    """What the archive takes: all of it, its ledger alone, and about that of a day of 24 hours."""

    size_bytes: int
    ledger_bytes: int
    a_day_bytes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """All that a rehearsal says. Times are wall time of its clock; ``took_s`` is real.

    ``without`` are sentences about references that jobs need for their figures and do not have.
    """

    station: str
    title: str
    zone: str
    from_s: float
    to_s: float
    is_cut_short: bool
    took_s: float
    assumed: tuple[str, ...]
    jobs: tuple[JobOutcome, ...]
    sweepers: tuple[SweeperOutcome, ...]
    lost: tuple[Lost, ...]
    without: tuple[str, ...]
    disk: Disk
    messages: MessageLoad
    station_findings: Mapping[str, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Swept:
    """The sweeps of a job, all steps."""

    step: NDArray[np.int64]
    due_s: NDArray[np.float64]
    started_s: NDArray[np.float64]
    took_s: NDArray[np.float64]
    is_first: NDArray[np.bool_]


def outcome_of(done: Rehearsed) -> Outcome:
    """Read what came of it.

    Raises:
        ArchiveError: the archive cannot be read.
    """
    with open_archive(done.archive) as archive:
        swept = {job.name: _swept(archive, job.name) for job in done.built.jobs}
        gaps = {job.name: archive.gaps(job.name) for job in done.built.jobs}
        words = {
            name: dict(Counter(one.what for one in archive.findings(name)).most_common())
            for name in [STATION, *swept]
        }
    jobs = tuple(
        _job(done, job, swept[job.name], gaps[job.name], words[job.name]) for job in done.built.jobs
    )
    return Outcome(
        station=done.built.name,
        title=done.built.title,
        zone=done.built.time_zone,
        from_s=done.from_s,
        to_s=done.to_s,
        is_cut_short=done.is_cut_short,
        took_s=done.took_s,
        assumed=(*done.cast.assumed, *_taken_for_granted(done)),
        jobs=jobs,
        sweepers=tuple(
            SweeperOutcome(
                sweeper=one.name,
                address=one.address,
                busy=min(1.0, sum(job.share for job in jobs if job.sweeper == one.name)),
                is_filled=any(
                    job.sweeper == one.name and job.planned.schedule.back_to_back
                    for job in done.built.jobs
                ),
            )
            for one in done.built.sweepers
        ),
        lost=tuple(one for job in done.built.jobs for one in _losses(job, gaps[job.name])),
        without=_without(done),
        disk=_disk(done, jobs),
        messages=done.messages,
        station_findings=words[STATION],
    )


def _taken_for_granted(done: Rehearsed) -> list[str]:
    said = [
        f"{job} is compared with the {' and '.join(roles)} of the config's archive"
        for job, roles in done.references.items()
    ]
    if done.built.jobs and any(job.ptt for job in done.built.jobs):
        said.append("no transmitter nearby is keyed: nothing fills the context of a rehearsal")
    waiting = [job.name for job in done.built.jobs if job.only_while or job.flag_while]
    if waiting:
        said.append(
            f"what {' and '.join(waiting)} may sweep by holds all the time, and nothing sets a "
            "sweep aside"
        )
    asking = [job.name for job in done.built.jobs if job.around is not None]
    if asking:
        said.append(
            f"what {' and '.join(asking)} asks for before a pass is there at once: nobody is asked"
        )
    return said


def _without(done: Rehearsed) -> tuple[str, ...]:
    stored = stored_references(done.archive)
    return tuple(
        f"{job.name}: {sentence}"
        for job in done.built.jobs
        for sentence in without_references(job, stored.get(job.name, {}))
    )


def _swept(archive: Archive, job: str) -> _Swept:
    parts = []
    for step in sorted({one.step for one in archive.setups(job)}):
        for piece in find_pieces(Wanted(root=archive.root, job=job, step=step)):
            core = piece.core
            parts.append(
                (
                    np.full(piece.place.size, step),
                    core["due"],
                    core["time"],
                    core["duration"],
                    core["sequence"] == core["pass"],
                )
            )
    if not parts:
        none = np.empty(0)
        return _Swept(none.astype(np.int64), none, none, none, none.astype(np.bool_))
    return _Swept(*(np.concatenate(column) for column in zip(*parts, strict=True)))


def _job(
    done: Rehearsed,
    spec: JobSpec,
    swept: _Swept,
    gaps: Sequence[GapRecord],
    words: Mapping[str, int],
) -> JobOutcome:
    missed: Counter[str] = Counter()
    for gap in gaps:
        missed[gap.reason] += gap.count
    cut = missed.pop(STOPPED, 0)
    missed = +missed
    kept = int(np.count_nonzero(swept.step == 0))
    due = kept + missed.total()
    # A closer look is due to nobody: its due time is when it was asked for.
    late_s = (swept.started_s - swept.due_s)[swept.is_first & (swept.step < LOOK_STEP)]
    every_s = spec.interval_s
    size_bytes = _size_of(folder_of_job(done.archive, spec.name))
    return JobOutcome(
        job=spec.name,
        kind=spec.kind,
        sweeper=spec.sweeper,
        schedule=spec.planned.schedule.describe(),
        due=due,
        kept=kept,
        coverage=kept / due if due else None,
        missed=dict(missed.most_common()),
        cut=cut,
        sweeps=int(swept.step.size),
        late=0 if every_s is None else int(np.count_nonzero(late_s > every_s / 2)),
        worst_late_s=_worth_telling(late_s, every_s),
        share=float(swept.took_s.sum()) / (done.to_s - done.from_s),
        findings=words,
        size_bytes=size_bytes,
        a_day_bytes=size_bytes * _days_in(spec.planned.schedule, done),
    )


def _worth_telling(late_s: NDArray[np.float64], every_s: float | None) -> float:
    """The worst lateness; 0 for a job back to back, which is never late, and for a trifle."""
    if every_s is None or not late_s.size:
        return 0.0
    worst_s = float(late_s.max())
    return worst_s if worst_s > max(LATE_TOLD_S, 0.1 * every_s) else 0.0


def _days_in(schedule: Schedule, done: Rehearsed) -> float:
    """How many times what was due in the rehearsal is due in the 24 hours from its beginning."""
    day_s = done.from_s + DAY_S
    if schedule.back_to_back:
        here = schedule.open_between_s(done.from_s, done.to_s)
        return schedule.open_between_s(done.from_s, day_s) / here if here else 0.0
    count = schedule.count_between(done.from_s, done.to_s)
    return schedule.count_between(done.from_s, day_s) / count if count else 0.0


# ---- what was lost ---------------------------------------------------------------------------


def _losses(spec: JobSpec, gaps: Sequence[GapRecord]) -> list[Lost]:
    """One for each reason, the first first."""
    together: dict[tuple[str, str, str], list[GapRecord]] = {}
    for gap in gaps:
        if gap.count and gap.reason != STOPPED:
            behind = _behind(gap)
            key = gap.reason, behind, "" if behind else gap.detail
            together.setdefault(key, []).append(gap)
    apart_s = max(STRETCH_S, 4.0 * (spec.interval_s or 0.0))
    return [
        Lost(
            job=spec.name,
            reason=reason,
            detail=detail,
            behind=behind,
            count=sum(gap.count for gap in found),
            from_s=min(gap.from_s for gap in found),
            to_s=max(gap.to_s for gap in found),
            stretches=_stretches(found, apart_s),
        )
        for (reason, behind, detail), found in together.items()
    ]


def _behind(gap: GapRecord) -> str:
    """Which job had the sweeper, by what the plan noted."""
    if gap.reason != OVERRUN or not gap.detail.endswith(WAS_SWEEPING):
        return ""
    return gap.detail.removesuffix(WAS_SWEEPING)


def _stretches(gaps: Sequence[GapRecord], apart_s: float) -> int:
    count, until_s = 0, -np.inf
    for gap in sorted(gaps, key=lambda one: one.from_s):
        count += gap.from_s > until_s + apart_s
        until_s = max(until_s, gap.to_s)
    return count


# ---- disk ------------------------------------------------------------------------------------


def _disk(done: Rehearsed, jobs: Sequence[JobOutcome]) -> Disk:
    ledger_bytes = _size_of(ledger_path(done.archive))
    files_bytes = sum(job.size_bytes for job in jobs)
    a_day_bytes = sum(job.a_day_bytes for job in jobs)
    if files_bytes:
        # Findings and hourly figures go with the sweeps, about.
        a_day_bytes += ledger_bytes * a_day_bytes / files_bytes
    return Disk(
        size_bytes=files_bytes + ledger_bytes,
        ledger_bytes=ledger_bytes,
        a_day_bytes=a_day_bytes,
    )


def _size_of(path: Path) -> int:
    """Bytes of a file, or of all files of a folder; 0 where there is none."""
    if not path.is_dir():
        return path.stat().st_size if path.exists() else 0
    return sum(
        os.stat(os.path.join(folder, name)).st_size
        for folder, _, names in os.walk(path)
        for name in names
    )
