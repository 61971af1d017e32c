"""What of an archive cannot be read, and what was in it.

A reader that meets a damaged file leaves it out and says so: a :class:`DamageWarning`, a line in
the dataset, a count in the coverage. Here is which files those are, and which sweeps they had that
no other file has. Retention is no damage, and neither is what a kill leaves behind.

A file whose head is as it was written may have a block of levels that cannot be inflated. That is
noticed when it is read; from then on its sweeps are left out in this process, its other blocks are
not.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections import OrderedDict
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.database import open_reading
from acqd.archive.durable import sha256_of
from acqd.archive.heads import check_head
from acqd.archive.journal import JournalView
from acqd.archive.layout import (
    DAY_S,
    FileName,
    day_start_s,
    folder_of_job,
    ledger_path,
    list_days,
    list_files,
    list_journals,
)
from acqd.archive.manifest import listed_times, read_manifest, read_removed, read_set_aside
from acqd.archive.rows import Rows
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = [
    "NUMBERS_MOST",
    "Damage",
    "DamageWarning",
    "broken_rows",
    "damage_sentence",
    "damage_text",
    "find_damage",
    "levels_or_nan",
    "listed_in_ledger",
    "missing_files",
    "readable_rows",
    "warn_of",
    "warn_of_file",
]

FILES_REMEMBERED = 1024
"""Files with broken blocks that are remembered; one whose turn is past is noticed anew."""

NUMBERS_MOST = 5_000_000
"""A name that says it has more numbers than this is no name that was given."""

Listing = Mapping[str, Mapping[str, Any]]


class DamageWarning(UserWarning):
    """A part of an archive cannot be read and is left out."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Damage:
    """A file, or blocks of one, that cannot be read. ``path`` counts from the archive.

    ``sequences`` are the numbers of the sweeps that it had and no other file has, as far as that is
    known; ``times_s`` about when they were taken, from those around them. A journal may have had
    sweeps of which nobody knows the numbers: then both are empty and ``job`` is None.
    """

    path: str
    problem: str
    job: str | None = None
    step: int | None = None
    sequences: NDArray[np.int64]
    times_s: NDArray[np.float64]

    @property
    def sweeps(self) -> int:
        return int(self.sequences.size)

    def within(self, start_s: float, stop_s: float) -> int:
        """How many of its sweeps were taken in [start_s, stop_s), about."""
        return int(np.count_nonzero((self.times_s >= start_s) & (self.times_s < stop_s)))


def damage_text(one: Damage) -> str:
    """A line for people."""
    if one.job is None:
        return f"{one.path} cannot be read, and what it had is not known: {one.problem}"
    what = "1 sweep" if one.sweeps == 1 else f"{one.sweeps} sweeps"
    first, last = (int(one.sequences[0]), int(one.sequences[-1])) if one.sweeps else (0, 0)
    which = f"{first}" if first == last else f"{first} to {last}"
    return f"{what} ({which}) in {one.path} cannot be read: {one.problem}"


def damage_sentence(damage: Sequence[Damage]) -> str:
    """All of it in a sentence for a report; empty where there is none."""
    if not damage:
        return ""
    count = sum(one.sweeps for one in damage)
    what = "1 sweep" if count == 1 else f"{count} sweeps"
    where = damage[0].path + ("" if len(damage) == 1 else f" and {len(damage) - 1} more")
    if not count:
        return f"A journal cannot be read, and what it had is not known: {where}."
    return f"{what} cannot be read and are in nothing here: their files are damaged ({where})."


def warn_of(exc: ArchiveError) -> None:
    """Say that what an error is about is left out."""
    text = f"{exc}; what it holds is left out, acqd verify tells more"
    warnings.warn(text, DamageWarning, stacklevel=3)


def warn_of_file(path: Path, job: str, exc: ArchiveDamaged) -> None:
    """The same of a file of sweeps, unless a journal has all of them: a kill while it was written
    anew from there leaves another file than the manifest lists, and nothing is lost by it."""
    name = FileName.parse(path.name)
    # sweeps/<job>/<day>/<file>
    root = path.parents[3]
    if name is not None:
        had = np.arange(name.first_seq, name.last_seq + 1, dtype=np.int64)
        try:
            kept = [_in_journal(one, job) for one in list_journals(root)]
        except (ArchiveError, FileNotFoundError):
            kept = []
        if kept and np.isin(had, np.concatenate(kept)).all():
            return
    warn_of(exc)


# -- blocks that cannot be read --------------------------------------------------------------------


class _Broken:
    """Rows of files that could not be read in this process, while the files are the same."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._known: OrderedDict[tuple[str, int, int, int], dict[int, tuple[int, str]]] = (
            OrderedDict()
        )

    def note(self, path: Path, start: int, stop: int, problem: str) -> bool:
        """True where it is news."""
        with self._lock:
            rows = self._known.setdefault(_who(path), {})
            news = start not in rows
            rows[start] = (stop, problem)
            while len(self._known) > FILES_REMEMBERED:
                self._known.popitem(last=False)
        return news

    def of(self, path: Path) -> dict[int, tuple[int, str]]:
        with self._lock:
            if not self._known:
                return {}
            return dict(self._known.get(_who(path), {}))


def _who(path: Path) -> tuple[str, int, int, int]:
    about = path.stat()
    return str(path), about.st_ino, about.st_size, about.st_mtime_ns


_broken = _Broken()


def broken_rows(path: Path, count: int) -> NDArray[np.bool_] | None:
    """Which of the ``count`` rows of a file are known not to be readable; None for none."""
    known = _broken.of(path)
    if not known:
        return None
    mask = np.zeros(count, dtype=bool)
    for start, (stop, _) in known.items():
        mask[start:stop] = True
    return mask


def _note(file: SweepFile, start: int, stop: int, exc: ArchiveDamaged) -> None:
    if _broken.note(file.path, start, stop, _without_path(exc, file.path)):
        warn_of(ArchiveDamaged(f"{exc}: sweeps at {start} to {stop - 1} of the file"))


def readable_rows(file: SweepFile, start: int, stop: int) -> Iterator[Rows]:
    """Rows ``start`` to ``stop`` (not included) of a file, a chunk at a time, without those that
    cannot be read; these are noted and warned of."""
    rows = file.chunk_rows
    while start < stop:
        end = min(stop, (start // rows + 1) * rows)
        try:
            block = file.rows(start, end)
        except ArchiveDamaged as exc:
            first = start // rows * rows
            _note(file, first, min(file.count, first + rows), exc)
        else:
            yield block
        start = end


def levels_or_nan(file: SweepFile, rows: NDArray[np.int64], out: NDArray[Any]) -> None:
    """Levels of the sweeps ``rows`` into ``out``; NaN where they cannot be read, which is noted and
    warned of."""
    try:
        file.levels_at(rows, out)
        return
    except ArchiveDamaged:
        pass  # In one of several chunks: which is found below.
    size = file.chunk_rows
    owner = rows // size
    for chunk in np.unique(owner).tolist():
        here = np.flatnonzero(owner == chunk)
        part = np.empty((here.size, out.shape[1]), dtype=out.dtype)
        try:
            file.levels_at(rows[here], part)
        except ArchiveDamaged as exc:
            part[:] = np.nan
            _note(file, chunk * size, min(file.count, (chunk + 1) * size), exc)
        out[here] = part


# -- files -----------------------------------------------------------------------------------------


def listed_in_ledger(root: Path, job: str | None = None) -> dict[str, dict[str, dict[str, Any]]]:
    """What the ledger lists: folder of a day, counted from the archive, to file names to facts;
    empty where there is no ledger that can be read."""
    columns = "path, sha256, bytes, kind, job, step, setup, day, first_seq, last_seq, sweeps"
    found: dict[str, dict[str, dict[str, Any]]] = {}
    try:
        with closing(open_reading(ledger_path(root))) as ledger:
            rows = ledger.execute(
                f"SELECT {columns} FROM file WHERE ? IS NULL OR job = ?", (job, job)
            ).fetchall()
    except (FileNotFoundError, ArchiveError, sqlite3.Error):
        return {}
    names = columns.split(", ")
    for row in rows:
        facts = dict(zip(names, row, strict=True))
        folder, _, name = str(facts.pop("path")).rpartition("/")
        found.setdefault(folder, {})[name] = {"name": name, **facts}
    return found


def missing_files(root: Path, folder: Path, in_ledger: Listing) -> dict[str, dict[str, Any]]:
    """Files of a day that are listed and not there: their names and what is listed of them.

    Of manifest and ledger, whichever lists them. A merge and a removal take a file off both lists
    before they unlink it, so what is missing and still listed at a second look is missing.
    """
    gone = _not_there(folder, read_manifest(folder)) | _not_there(folder, in_ledger)
    if not gone:
        return {}
    listed = read_manifest(folder)
    taken = {**read_removed(folder), **read_set_aside(folder)}
    place = folder.relative_to(root).as_posix()
    again = listed_in_ledger(root).get(place, {})
    return {
        name: {**again.get(name, {}), **listed.get(name, {})}
        for name in sorted(gone)
        if (name in listed or name in again) and name not in taken and not (folder / name).exists()
    }


def _not_there(folder: Path, listed: Listing) -> set[str]:
    return {name for name in listed if not (folder / name).exists()}


def find_damage(
    root: Path,
    job: str,
    spans: list[tuple[float, float]],
    *,
    thorough: bool = False,
) -> list[Damage]:
    """What of a job cannot be read of the days that ``spans`` of the clock's time touch, and the
    journals that cannot be.

    With ``thorough`` every byte is read; without it files are looked at as far as each reader does,
    and blocks of levels count that somebody in this process has met.

    Raises:
        FileNotFoundError: the archive changed meanwhile; to be tried again.
    """
    found = []
    in_journals: list[NDArray[np.int64]] = []
    for path in list_journals(root):
        try:
            in_journals.append(_in_journal(path, job))
        except ArchiveDamaged as exc:
            found.append(
                Damage(
                    path=path.relative_to(root).as_posix(),
                    problem=_without_path(exc, path),
                    sequences=np.empty(0, np.int64),
                    times_s=np.empty(0),
                )
            )
    in_ledger = listed_in_ledger(root, job)
    home = folder_of_job(root, job)
    listed_days = {place.rpartition("/")[2] for place in in_ledger}
    for day in sorted({*list_days(root, job), *listed_days}):
        try:
            day_s = day_start_s(day)
        except ValueError:
            continue
        if any(day_s + DAY_S > low_s and day_s < high_s for low_s, high_s in spans):
            place = (home / day).relative_to(root).as_posix()
            looked = _Day(root, job, day, in_journals, in_ledger.get(place, {}))
            found += looked.damage(thorough=thorough)
    return found


def _in_journal(path: Path, job: str) -> NDArray[np.int64]:
    from acqd.archive.database import error_of

    with JournalView(path) as view:
        try:
            if not view.begun():
                return np.empty(0, np.int64)
            rows = view.connection.execute("SELECT seq FROM sweep WHERE job = ?", (job,))
            # A number that is none is a row that makes no sense, which reading it tells.
            seqs = [seq for (seq,) in rows.fetchall() if isinstance(seq, int)]
            return np.array(seqs, dtype=np.int64)
        except sqlite3.Error as exc:
            if not path.exists():
                raise FileNotFoundError(path) from exc
            raise error_of(exc, path) from exc


class _Day:
    """One look at the files of a job and day."""

    def __init__(
        self,
        root: Path,
        job: str,
        day: str,
        in_journals: list[NDArray[np.int64]],
        in_ledger: Listing,
    ) -> None:
        self._root, self._job, self._day = root, job, day
        self._folder = folder_of_job(root, job) / day
        self._in_ledger = in_ledger
        self._numbers = list(in_journals)
        self._times: list[tuple[NDArray[np.int64], NDArray[np.float64]]] = []
        self._bad: dict[str, tuple[str, FileName | None, Mapping[str, Any]]] = {}
        self._blocks: list[Damage] = []

    def damage(self, *, thorough: bool) -> list[Damage]:
        files = list_files(self._root, self._job, self._day)
        listed = read_manifest(self._folder)
        for path, name in files:
            facts = listed.get(path.name) or self._in_ledger.get(path.name, {})
            try:
                if path.name not in listed or thorough:
                    self._read_through(path, facts, thorough=thorough)
                else:
                    check_head(path)
            except ArchiveDamaged as exc:
                self._bad[path.name] = (_without_path(exc, path), name, facts)
        for gone, facts in missing_files(self._root, self._folder, self._in_ledger).items():
            problem = "it is listed and not there"
            self._bad[gone] = (problem, FileName.parse(gone), facts)
        there = {path.name for path, _ in files}
        for aside, facts in read_set_aside(self._folder).items():
            if aside not in there:
                problem = f"set aside as {facts.get('path')}: {facts.get('problem')}"
                self._bad[aside] = (problem, FileName.parse(aside), facts)
        broken = [(path, name) for path, name in files if _broken.of(path)]
        if not self._bad and not broken:
            return []
        for path, name in files:
            if path.name not in self._bad:
                self._take_numbers(path, name)
        lost = [self._lost(name, *about) for name, about in self._bad.items()]
        return [one for one in (*lost, *self._blocks) if one is not None]

    @staticmethod
    def _read_through(path: Path, facts: Mapping[str, Any], *, thorough: bool) -> None:
        with SweepFile(path) as file:
            if not thorough or sha256_of(path) == facts.get("sha256"):
                return
            for start in range(0, file.count, file.chunk_rows):
                stop = min(file.count, start + file.chunk_rows)
                try:
                    file.levels(start, stop)
                except ArchiveDamaged as exc:
                    _note(file, start, stop, exc)

    def _take_numbers(self, path: Path, name: FileName) -> None:
        with SweepFile(path) as file:
            sequence, time = file.core("sequence"), file.core("time")
        whole = np.ones(sequence.size, dtype=bool)
        for start, (stop, problem) in sorted(_broken.of(path).items()):
            whole[start:stop] = False
            self._blocks.append(
                Damage(
                    path=self._place(path.name),
                    problem=problem,
                    job=self._job,
                    step=name.step,
                    sequences=sequence[start:stop],
                    times_s=time[start:stop],
                )
            )
        self._numbers.append(sequence[whole])
        self._times.append((sequence, time))

    def _place(self, name: str) -> str:
        return (self._folder / name).relative_to(self._root).as_posix()

    def _lost(
        self, name: str, problem: str, parsed: FileName | None, facts: Mapping[str, Any]
    ) -> Damage | None:
        """The sweeps of a file that no other has; None where there are none."""
        if parsed is None or parsed.last_seq - parsed.first_seq >= NUMBERS_MOST:
            return None
        had = np.arange(parsed.first_seq, parsed.last_seq + 1, dtype=np.int64)
        known = np.concatenate([*self._numbers, np.empty(0, np.int64)])
        lost = had[~np.isin(had, known)]
        try:
            # Numbers between may be of other steps of the same passes.
            lost = lost[: int(facts.get("sweeps", lost.size))]
        except (TypeError, ValueError):
            pass
        if not lost.size:
            return None
        return Damage(
            path=self._place(name),
            problem=problem,
            job=self._job,
            step=parsed.step,
            sequences=lost,
            times_s=self._about_when(name, lost),
        )

    def _about_when(self, name: str, lost: NDArray[np.int64]) -> NDArray[np.float64]:
        """Between the first and last of the file, where that is listed; else from the sweeps
        around them, or spread over the day."""
        if (known := listed_times(self._folder).get(name)) is not None:
            return np.linspace(*known, lost.size)
        sequence = np.concatenate([np.empty(0, np.int64), *(seq for seq, _ in self._times)])
        time_s = np.concatenate([np.empty(0), *(time for _, time in self._times)])
        day_s = day_start_s(self._day)
        if not (sequence < lost[0]).any():
            sequence, time_s = np.append(sequence, lost[0] - 1), np.append(time_s, day_s)
        if not (sequence > lost[-1]).any():
            sequence, time_s = np.append(sequence, lost[-1] + 1), np.append(time_s, day_s + DAY_S)
        order = np.argsort(sequence, kind="stable")
        return np.asarray(np.interp(lost, sequence[order], time_s[order]), dtype=np.float64)


def _without_path(exc: Exception, path: Path) -> str:
    return str(exc).removeprefix(f"{path}: ")
