"""Removing what retention says, and looking what there is to remove.

    check each volume of the day against its digest ─► write what outlives it beside it
      ─► manifest: listed as removed ─► ledger: no file any more ─► unlink, sync

The manifest decides: before it nothing has happened, after it the next look goes on where a kill
came in between. At every moment a reader finds each sweep of the day, or what was kept of it.
"""

from __future__ import annotations

import errno
import math
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from functools import lru_cache, partial
from pathlib import Path
from typing import Any, TypeVar

from acqd.archive.database import error_of, open_reading
from acqd.archive.daytimes import day_times
from acqd.archive.durable import free_bytes, sha256_of, sync_folder
from acqd.archive.journal import JournalView
from acqd.archive.kept import keep_rows
from acqd.archive.layout import (
    DAY_S,
    FileKind,
    FileName,
    day_of,
    day_start_s,
    folder_of_job,
    kept_of,
    ledger_path,
    list_days,
    list_files,
    list_jobs,
    list_journals,
)
from acqd.archive.ledger import PIN, FileEntry, Ledger, Overlay, overlays_in
from acqd.archive.manifest import Removed, read_manifest, read_removed, update_manifest
from acqd.archive.retention import ArchiveDay, Going, Retention, RetentionPlan, plan_retention
from acqd.archive.sealing import SPARE_BYTES, Ask
from acqd.archive.sweepfile import SweepFile
from acqd.archive.timing import TimeCorrection, TimeCorrections
from acqd.errors import ArchiveDamaged, ArchiveError, ArchiveFull

__all__ = [
    "RemovedDay",
    "Removing",
    "Retained",
    "finish_removals",
    "least_free",
    "listed_removed",
    "look_at_days",
    "retain",
    "wanted_for_floor",
]

REMADE_HOLDS_S = 7 * DAY_S
"""So long nothing goes after the ledger was made anew: time to pin again what was pinned."""
REMADE = "the ledger was made anew of late: pins may be missing"

DAYS_AT_ONCE = 30
"""Days removed until that is told: what was removed before a kill is in the manifests only."""

AHEAD_LEAST_BYTES = 16 << 20
AHEAD_SHARE = 0.1
"""Room is made when this share of the floor, or the least, is left above it."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Removing:
    """What removing works with."""

    root: Path
    ask: Ask
    drop_ballast: Callable[[], None]
    """Gives back the room that is held for housekeeping on a full disk."""
    wall_s: Callable[[], float]
    check: Callable[[], None]
    """Raises when the work is to stop."""


@dataclass(frozen=True, slots=True, kw_only=True)
class RemovedDay:
    """A day of a job whose sweeps were removed."""

    job: str
    day: str
    why: str
    sweeps: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Retained:
    """What one look of retention did. ``short_bytes`` is by how much the limits are missed though
    no more may go, ``problem`` why something could not be removed; ``is_more`` says that there is
    more to remove, which is for the next look."""

    removed: tuple[RemovedDay, ...] = ()
    short_bytes: int = 0
    problem: str | None = None
    is_more: bool = False


# -- what there is ---------------------------------------------------------------------------------


def look_at_days(root: Path, *, now_s: float) -> list[ArchiveDay]:
    """Every day of every job that has files, with why it must stay, if it must.

    Raises:
        ArchiveError: ledger or journal cannot be read.
    """
    facts = _Facts.read(root)
    # A ledger that was made from files lacks the pins that no file had yet.
    is_remade = facts.remade_s is not None and abs(now_s - facts.remade_s) < REMADE_HOLDS_S
    today = day_of(now_s)
    found = []
    for job in list_jobs(root):
        # A date of a clock that was wrong makes no old night.
        doubts = {one.day: one.doubt for one in day_times(root, job, facts.corrections, now_s)}
        for day in list_days(root, job):
            files = list_files(root, job, day)
            if not files:
                continue
            kinds = [facts.kind_of(job, name) for _, name in files]
            true_s = facts.true_span_s(day, files)
            found.append(
                ArchiveDay(
                    job=job,
                    day=day,
                    kind=kinds[0][0] if len({kind for kind, _ in kinds}) == 1 else "",
                    is_soak=any(soak for _, soak in kinds),
                    size_bytes=sum(_size(path) for path, _ in files),
                    held=_held(facts, job, day, today, files, known=all(k for k, _ in kinds))
                    or facts.said_about(job, true_s or _span_of(day))
                    or (doubts.get(day) if true_s is None else None)
                    or (REMADE if is_remade else None),
                    corrected_end_s=None if true_s is None else true_s[1],
                )
            )
    return found


def _held(
    facts: _Facts,
    job: str,
    day: str,
    today: str,
    files: list[tuple[Path, FileName]],
    *,
    known: bool,
) -> str | None:
    start_s = day_start_s(day)
    if day >= today:
        return "the day is not over"
    if any(name.kind == FileKind.SEGMENT for _, name in files):
        return "not merged into volumes yet"
    if facts.is_in_journal(job, start_s):
        return "sweeps of it are in a journal still"
    if not known:
        return "the ledger does not know of what kind it is"
    return None


def _span_of(day: str) -> tuple[float, float]:
    return day_start_s(day), day_start_s(day) + DAY_S


@lru_cache(maxsize=20_000)
def _true_span_s(path: Path, made: tuple[TimeCorrection, ...]) -> tuple[float, float] | None:
    """When the first sweep of a file truly began, and the moment after the last did; None where no
    correction is about any. A file is written once, so it need not be read again."""
    with SweepFile(path) as file:
        time_s = file.core("time")
        corrected = TimeCorrections(made).of_sweeps(
            file.names_of("boot"), file.core("monotonic"), time_s
        )
    if corrected is None:
        return None
    true_s = time_s + corrected.shift_s
    return float(true_s.min()), math.nextafter(float(true_s.max()), math.inf)


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the databases say of the files: kinds, overlays, what is in journals."""

    setups: dict[tuple[str, int], list[tuple[str, str, bool]]]
    overlays: list[Overlay]
    corrections: TimeCorrections
    in_journals: dict[str, tuple[float, float]]
    remade_s: float | None
    """When the ledger was made anew from the files, if it was."""

    @classmethod
    def read(cls, root: Path) -> _Facts:
        setups: dict[tuple[str, int], list[tuple[str, str, bool]]] = {}
        overlays: list[Overlay] = []
        remade: tuple[str] | None = None
        # Journals first: what is sealed meanwhile is then in both.
        in_journals = _in_journals(root)
        path = ledger_path(root)
        if path.exists():
            try:
                with closing(open_reading(path)) as ledger:
                    rows = ledger.execute(
                        "SELECT job, step, setup, kind, "
                        "json_extract(details, '$.config.soak') IS NOT NULL FROM setup"
                    ).fetchall()
                    overlays = overlays_in(ledger, None)
                    remade = ledger.execute(
                        "SELECT value FROM meta WHERE key = 'remade_s'"
                    ).fetchone()
            except sqlite3.Error as exc:
                raise error_of(exc, path) from exc
            for job, step, setup, kind, is_soak in rows:
                setups.setdefault((job, step), []).append((setup, kind, bool(is_soak)))
        remade_s = None if remade is None else float(remade[0])
        return cls(setups, overlays, TimeCorrections.among(overlays), in_journals, remade_s)

    def kind_of(self, job: str, name: FileName) -> tuple[str, bool]:
        """The kind of a file's sweeps, and whether they are of a soak; ("", False) if unknown."""
        for setup, kind, is_soak in self.setups.get((job, name.step), ()):
            if setup.startswith(name.setup):
                return kind, is_soak
        return "", False

    def is_in_journal(self, job: str, start_s: float) -> bool:
        span = self.in_journals.get(job)
        return span is not None and span[0] < start_s + DAY_S and span[1] >= start_s

    def true_span_s(
        self, day: str, files: list[tuple[Path, FileName]]
    ) -> tuple[float, float] | None:
        """From when to when the sweeps of a day truly were, where a clock that was wrong said that
        they were on it."""
        if not self.corrections.true_spans(*_span_of(day)):
            return None
        spans = [_true_span_s(path, self.corrections.made) for path, _ in files]
        found = [span for span in spans if span is not None]
        if not found:
            return None
        return min(low_s for low_s, _ in found), max(high_s for _, high_s in found)

    def said_about(self, job: str, span: tuple[float, float]) -> str | None:
        """Why what was from when to when stays, by what people said of it or what hangs on it."""
        newest: dict[str, float] = {}
        for one in self.overlays:
            if one.job not in (None, job):
                continue
            if one.kind == "reference" and one.job == job:
                newest[str(one.body.get("role"))] = float(one.body.get("at_s") or one.at_s)
            if one.kind == PIN and _touches(one, *span):
                return f"pinned by {one.who or 'somebody'} (number {one.id})"
        for role, at_s in newest.items():
            if span[0] <= at_s < span[1]:
                return f"the {role} that the job goes by was taken on it"
        return None


def _touches(one: Overlay, low_s: float, high_s: float) -> bool:
    return (one.from_s is None or one.from_s < high_s) and (one.to_s is None or one.to_s > low_s)


def _in_journals(root: Path) -> dict[str, tuple[float, float]]:
    """From when to when each job has sweeps that are in no file yet."""
    found: dict[str, tuple[float, float]] = {}
    for path in list_journals(root):
        try:
            with JournalView(path) as view:
                if not view.begun():
                    continue
                rows = view.connection.execute(
                    "SELECT job, MIN(started_s), MAX(started_s) FROM sweep GROUP BY job"
                ).fetchall()
        except FileNotFoundError:
            continue
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc
        for job, first_s, last_s in rows:
            low, high = found.get(job, (first_s, last_s))
            found[job] = min(low, first_s), max(high, last_s)
    return found


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0


def least_free(floor_bytes: int) -> int:
    """Free space below which room is made: some above the floor, so that sweeping need not stop."""
    return floor_bytes + max(AHEAD_LEAST_BYTES, int(AHEAD_SHARE * floor_bytes))


def wanted_for_floor(root: Path, days: list[ArchiveDay], *, floor_bytes: int) -> int:
    """How many bytes the disk is short of, before the floor stops the station: some above the floor
    itself, and twice the largest day that is to be merged, which takes that for a while."""
    unmerged = max((day.size_bytes for day in days if day.held and "merged" in day.held), default=0)
    least = least_free(max(floor_bytes, 2 * unmerged + SPARE_BYTES))
    return max(0, least - free_bytes(root))


# -- removing --------------------------------------------------------------------------------------


def retain(
    work: Removing,
    limits: Retention,
    *,
    now_s: float,
    floor_bytes: int,
    age_counts: bool,
) -> Retained:
    """Go on with what a kill cut short, then remove what the limits say, a few days at most.

    Raises:
        ArchiveError: ledger or journal cannot be read; what was removed before stays removed.
    """
    removed = list(finish_removals(work))
    if not limits.removes_anything:
        return Retained(removed=tuple(removed))
    plan = _plan(work, limits, now_s, floor_bytes, age_counts)
    problem = None
    done = 0
    for going in plan.going[:DAYS_AT_ONCE]:
        work.check()
        try:
            removed.append(_remove_day(work, going))
            done += 1
        except (ArchiveError, OSError) as exc:
            text = f"{going.day.job} of {going.day.day} is not removed: {exc}"
            problem = problem or text
    return Retained(
        removed=tuple(removed),
        short_bytes=plan.short_bytes,
        problem=problem,
        is_more=done > 0 and len(plan.going) > DAYS_AT_ONCE,
    )


def _plan(
    work: Removing, limits: Retention, now_s: float, floor_bytes: int, age_counts: bool
) -> RetentionPlan:
    days = look_at_days(work.root, now_s=now_s)
    wanted = wanted_for_floor(work.root, days, floor_bytes=floor_bytes)
    return plan_retention(days, limits, now_s=now_s, wanted_bytes=wanted, age_counts=age_counts)


def finish_removals(work: Removing) -> Iterator[RemovedDay]:
    """What a kill cut short: volumes that are listed as removed and still lie there.

    What was kept of a volume whose removal was never decided on is removed instead.
    """
    for job in list_jobs(work.root):
        for day in list_days(work.root, job):
            folder = folder_of_job(work.root, job) / day
            both = [
                path
                for path, name in list_files(work.root, job, day)
                if name.kind == FileKind.VOLUME and kept_of(path).exists()
            ]
            if not both:
                continue
            listed = read_removed(folder)
            gone = [path for path in both if path.name in listed]
            for path in both:
                if path not in gone:
                    kept_of(path).unlink(missing_ok=True)
            if gone:
                facts = [listed[path.name] for path in gone]
                _take_away(work, folder, gone)
                yield _told(job, day, str(facts[0]["why"]), facts)


def _remove_day(work: Removing, going: Going) -> RemovedDay:
    """Remove one day's volumes.

    Raises:
        ArchiveDamaged: a volume is not what the manifest lists; all stay.
        ArchiveError, OSError: no room even without the ballast, or a broken disk; what is left
            undone is done at the next look.
    """
    job, day = going.day.job, going.day.day
    folder = folder_of_job(work.root, job) / day
    removed_s = work.wall_s()
    listed = read_manifest(folder)
    removed = []
    for path, name in list_files(work.root, job, day):
        work.check()
        entry = _checked(work.root, path, name, listed)
        _with_room(work, partial(keep_rows, path, removed_s=removed_s, why=going.why))
        removed.append(
            Removed(entry=entry, removed_s=removed_s, why=going.why, kept=kept_of(path).name)
        )
    _with_room(work, partial(update_manifest, folder, (), gone=(), removed=removed))
    _take_away(work, folder, [folder / Path(one.entry.path).name for one in removed])
    facts = [{"sweeps": one.entry.sweeps, "bytes": one.entry.bytes} for one in removed]
    return _told(job, day, going.why, facts)


def _checked(
    root: Path, path: Path, name: FileName, listed: dict[str, dict[str, Any]]
) -> FileEntry:
    """What the manifest lists of a volume that is what it was.

    Raises:
        ArchiveDamaged: it is another, or no volume, or not listed.
    """
    facts = listed.get(path.name)
    if name.kind != FileKind.VOLUME or facts is None:
        raise ArchiveDamaged(f"{path}: no volume that the manifest lists; see acqd verify")
    if sha256_of(path) != facts["sha256"]:
        raise ArchiveDamaged(f"{path}: its digest is not the one in the manifest; see acqd verify")
    facts = {key: value for key, value in facts.items() if key != "name"}
    return FileEntry(path=path.relative_to(root).as_posix(), **facts)


def _take_away(work: Removing, folder: Path, paths: list[Path]) -> None:
    """After the manifest: the ledger's list, then the files."""
    gone = [path.relative_to(work.root).as_posix() for path in paths]

    def forget(ledger: Ledger) -> None:
        ledger.replace_files(gone, ())

    try:
        work.ask(forget)
    except ArchiveFull:
        # Whoever was told of the full disk has dropped the ballast.
        work.ask(forget)
    for path in paths:
        path.unlink(missing_ok=True)
    sync_folder(folder)


def _with_room(work: Removing, run: Callable[[], T]) -> T:
    """``run``, and once more without the ballast where the disk is full to the last byte."""
    try:
        return run()
    except OSError as exc:
        if exc.errno not in (errno.ENOSPC, errno.EDQUOT):
            raise
        work.drop_ballast()
        return run()


def _told(job: str, day: str, why: str, facts: list[dict[str, Any]]) -> RemovedDay:
    return RemovedDay(
        job=job,
        day=day,
        why=why,
        sweeps=sum(int(one["sweeps"]) for one in facts),
        size_bytes=sum(int(one["bytes"]) for one in facts),
    )


def listed_removed(root: Path) -> list[RemovedDay]:
    """Every day that was removed and is listed so, by job and day."""
    found = []
    for job in list_jobs(root):
        for day in list_days(root, job):
            facts = list(read_removed(folder_of_job(root, job) / day).values())
            if facts:
                found.append(_told(job, day, str(facts[0]["why"]), facts))
    return found
