"""Merging: the segments of an ended UTC day become one volume for each job, step and setup.

    write the volume, sync, read back, compare with the segments, rename
        ─► manifest ─► ledger ─► remove the segments

A kill before the segments are removed leaves both; readers prefer the volume, and the next merge
compares once more and removes the segments. Sweeps that turn up later for a day that has been
merged (a clock that was stepped back) make a volume of their own: no file is written twice.
A day is that of the recorded times, whatever corrections of the clock say: those can be taken back.

A damaged segment is set aside; what can be read of it, by the digests of its blocks, goes into the
volume all the same.
"""

from __future__ import annotations

import math
import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Mapping
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.clocklog import STEP_S
from acqd.archive.database import error_of
from acqd.archive.durable import sync_folder
from acqd.archive.journal import JournalView
from acqd.archive.kept import read_kept
from acqd.archive.layout import (
    DAY_S,
    FileKind,
    FileName,
    day_of,
    day_start_s,
    folder_of_job,
    list_days,
    list_files,
    list_jobs,
    list_journals,
    list_kept,
)
from acqd.archive.ledger import FileEntry
from acqd.archive.manifest import read_manifest, update_manifest
from acqd.archive.rows import Rows
from acqd.archive.sealing import Sealing, entry_of, listing_of, need_room
from acqd.archive.setaside import file_mishap, rows_broken, set_aside_file
from acqd.archive.sweepfile import SweepFile
from acqd.archive.sweepwriter import FileContent, write_sweeps
from acqd.errors import ArchiveDamaged

__all__ = ["merge_ended_days"]

COPIED_ROWS_MOST = 100_000
"""Rows of one table of the ledger copied into one volume: a finding a second, all day."""

RUNS_MOST = 50
"""Volumes that one merge cuts the sweeps of a setup and day into, where the clock went back."""

Key = tuple[int, str, str]
"""Step, setup and type of levels: what can share a file."""


@dataclass(slots=True)
class _Part:
    """A segment, and which of its rows go into the new volume."""

    path: Path
    count: int
    keep: NDArray[np.intp]


def merge_ended_days(work: Sealing, now_s: float) -> int:
    """Merge every day before the one of ``now_s``; returns the number of volumes made.

    Raises:
        ArchiveError: a file could not be read or written; what was merged before stays merged. One
            that is damaged keeps its own day from being merged, and no other.
    """
    today = day_of(now_s)
    made = 0
    damaged: ArchiveDamaged | None = None
    for job in list_jobs(work.root):
        for day in list_days(work.root, job):
            files = list_files(work.root, job, day)
            has_segments = any(name.kind == FileKind.SEGMENT for _, name in files)
            if day < today and has_segments and not _in_a_journal(work.root, job, day):
                try:
                    made += _merge_day(work, job, day)
                except ArchiveDamaged as exc:
                    damaged = damaged or exc
    if damaged is not None:
        raise damaged
    return made


def _in_a_journal(root: Path, job: str, day: str) -> bool:
    """Whether a journal, written or waiting, has sweeps of a job and day."""
    start_s = day_start_s(day)
    for path in list_journals(root):
        try:
            with JournalView(path) as view:
                if not view.begun():
                    # It is being made at this moment, and has no tables yet.
                    continue
                found = view.connection.execute(
                    "SELECT 1 FROM sweep WHERE job = ? AND started_s >= ? AND started_s < ? "
                    "LIMIT 1",
                    (job, start_s, start_s + DAY_S),
                ).fetchone()
        except FileNotFoundError:
            continue
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc
        if found is not None:
            return True
    return False


def _merge_day(work: Sealing, job: str, day: str) -> int:
    segments: dict[Key, list[Path]] = defaultdict(list)
    volumes: dict[Key, list[Path]] = defaultdict(list)
    broken: dict[Path, NDArray[np.bool_]] = {}
    for path, name in list_files(work.root, job, day):
        work.check()
        is_segment = name.kind == FileKind.SEGMENT
        try:
            rows = rows_broken(path) if is_segment else None
            with SweepFile(path) as file:
                key = (int(file.attribute("step")), str(file.attribute("setup")), file.tag)
        except ArchiveDamaged as exc:
            _put_aside(work, path, str(exc).removeprefix(f"{path}: "), lost=_known_sweeps(path))
            continue
        if rows is not None:
            broken[path] = rows
        (segments if is_segment else volumes)[key].append(path)
    return sum(
        _merge_group(work, job, day, paths, volumes[key], broken) for key, paths in segments.items()
    )


def _known_sweeps(path: Path) -> int | None:
    facts = read_manifest(path.parent).get(path.name, {})
    sweeps = facts.get("sweeps")
    return sweeps if isinstance(sweeps, int) else None


def _put_aside(work: Sealing, path: Path, problem: str, *, lost: int | None) -> None:
    """Set a damaged file aside and have it told."""
    where = set_aside_file(work.root, path, problem, at_s=work.wall_s(), ask=work.ask)
    work.mishap(file_mishap(path.relative_to(work.root).as_posix(), where, problem, lost=lost))


def _merge_group(
    work: Sealing,
    job: str,
    day: str,
    segments: list[Path],
    volumes: list[Path],
    broken: Mapping[Path, NDArray[np.bool_]],
) -> int:
    have = _check_covered(work, [path for path in segments if path not in broken], volumes)
    parts = []
    seen, lost = set(have.tolist()), {}
    for path in segments:
        with SweepFile(path) as file:
            sequence = file.core("sequence").tolist()
        bad = broken.get(path)
        whole = [True] * len(sequence) if bad is None else (~bad).tolist()
        keep = [i for i, seq in enumerate(sequence) if whole[i] and seq not in seen]
        seen.update(sequence[i] for i in keep)
        lost[path] = [seq for i, seq in enumerate(sequence) if not whole[i]]
        if keep:
            parts.append(_Part(path, len(sequence), np.array(keep, dtype=np.intp)))
    entries = [_write_volume(work, job, day, run) for run in _rising(parts)]
    folder = folder_of_job(work.root, job) / day
    going = [path for path in segments if path not in broken]
    listed = [*entries, *(_listing_again(work, path) for path in volumes)]
    update_manifest(folder, listed, gone=[path.name for path in going])
    gone = [path.relative_to(work.root).as_posix() for path in going]
    work.ask(lambda ledger: ledger.replace_files(gone, listed))
    for path in going:
        path.unlink(missing_ok=True)
    for path in broken:
        if path in segments:
            left = [seq for seq in lost[path] if seq not in seen]
            problem = "blocks of its levels have another digest than when they were written"
            _put_aside(work, path, f"{problem}; all others are in the volume", lost=len(left))
    sync_folder(folder)
    return len(entries)


def _listing_again(work: Sealing, path: Path) -> FileEntry:
    """Of a volume that was there before: a kill may have come before it was listed everywhere."""
    facts = dict(read_manifest(path.parent).get(path.name, {}))
    facts.pop("name", None)
    try:
        return FileEntry(path=path.relative_to(work.root).as_posix(), **facts)
    except TypeError:
        return listing_of(work.root, path)


def _rising(parts: list[_Part]) -> list[list[_Part]]:
    """The parts, cut where the clock was set back, so that times rise in each volume.

    A clock that is set back more often than :data:`RUNS_MOST` times a day is followed no further.
    """
    runs: list[list[_Part]] = []
    last_s = math.inf
    for part in parts:
        with SweepFile(part.path) as file:
            time_s = file.core("time")[part.keep]
        before_s = np.concatenate(([last_s], time_s[:-1]))
        last_s = float(time_s[-1])
        back = np.flatnonzero(time_s < before_s - STEP_S)
        cuts = sorted({0, *back.tolist()}) if len(runs) < RUNS_MOST else [0]
        for low, high in zip(cuts, [*cuts[1:], time_s.size], strict=True):
            piece = _Part(part.path, part.count, part.keep[low:high])
            if runs and (low not in back.tolist() or len(runs) >= RUNS_MOST):
                runs[-1].append(piece)
            else:
                runs.append([piece])
    return runs


def _write_volume(work: Sealing, job: str, day: str, parts: list[_Part]) -> FileEntry:
    with SweepFile(parts[0].path) as file:
        setup, tag = file.setup(), file.tag
        first = int(file.core("sequence")[parts[0].keep[0]])
    with SweepFile(parts[-1].path) as file:
        last = int(file.core("sequence")[parts[-1].keep[-1]])
    name = FileName(
        kind=FileKind.VOLUME, first_seq=first, last_seq=last, step=setup.step, setup=setup.setup
    )
    path = folder_of_job(work.root, job) / day / str(name)
    need_room(path.parent, 2 * sum(part.path.stat().st_size for part in parts))
    (from_s, after_event), to_s = _copied_from(work.root, job, day), day_start_s(day) + DAY_S
    copy: dict[str, list[Any]] = work.ask(
        lambda ledger: ledger.copy_for(
            job, from_s, to_s, after_event=after_event, rows_most=COPIED_ROWS_MOST
        )
    )
    content = FileContent(
        kind=name.kind,
        station=work.station,
        setup=setup,
        tag=tag,
        count=sum(part.keep.size for part in parts),
        blocks=lambda rows: _blocks(parts, rows),
        ledger=copy,
        software=work.software,
        written_s=work.wall_s(),
    )
    write_sweeps(path, content, pool=work.pool, check=work.check)
    return entry_of(work.root, path, content, name)


def _copied_from(root: Path, job: str, day: str) -> tuple[float, int]:
    """From when on the ledger is copied, and after which event: the end of the last day before that
    has a volume, or had one that retention removed, and the last event that was of a sweep there.

    So days without a sweep, whose gaps and findings would be in no file, are in the next volume;
    and so is what was about a day and was committed when that had been merged, as a gap is that a
    station finds at its start.
    """
    for before in reversed(list_days(root, job)):
        volumes = [
            path
            for path, name in list_files(root, job, before)
            if before < day and name.kind == FileKind.VOLUME
        ]
        kept = list_kept(root, job, before) if before < day else []
        if volumes or kept:
            last = [event for path in volumes if (event := _last_event(path)) is not None]
            last += [read_kept(path).last_event for path in kept]
            if last:
                return day_start_s(before) + DAY_S, max(last)
    return 0.0, 0


def _last_event(path: Path) -> int | None:
    """None where the volume is damaged: rows that only it had a copy of are copied once more."""
    try:
        with SweepFile(path) as file:
            return int(file.core("event").max())
    except ArchiveDamaged:
        return None


def _blocks(parts: list[_Part], rows: int) -> Iterator[Rows]:
    """Kept rows of all parts, ``rows`` at a time; one segment is open at a time."""
    held: list[Rows] = []
    count = 0
    for part in parts:
        with ExitStack() as stack:
            file = stack.enter_context(SweepFile(part.path))
            for start in range(0, file.count, file.chunk_rows):
                stop = min(file.count, start + file.chunk_rows)
                here = part.keep[(part.keep >= start) & (part.keep < stop)] - start
                if not here.size:
                    # Nothing of it is wanted; or it cannot be read.
                    continue
                block = file.rows(start, stop)
                held.append(block if here.size == block.count else block.select(here))
                count += here.size
                while count >= rows:
                    whole = Rows.join(held)
                    yield whole.select(np.arange(rows))
                    held = [whole.select(np.arange(rows, count))] if count > rows else []
                    count -= rows
    if held:
        yield Rows.join(held)


def _check_covered(work: Sealing, segments: list[Path], volumes: list[Path]) -> NDArray[np.int64]:
    """Sequence numbers that a volume has already, compared with the segments bit for bit.

    Raises:
        ArchiveDamaged: the two differ; both are kept.
    """
    have: list[NDArray[np.int64]] = []
    for volume_path in volumes:
        with SweepFile(volume_path) as volume:
            sequence = volume.core("sequence")
            have.append(sequence)
            for path in segments:
                with SweepFile(path) as segment:
                    for block in segment.blocks():
                        work.check()
                        _compare_covered(volume, sequence, block, path)
    return np.concatenate(have) if have else np.empty(0, dtype=np.int64)


def _compare_covered(
    volume: SweepFile, sequence: NDArray[np.int64], block: Rows, path: Path
) -> None:
    both = np.isin(block.core["sequence"], sequence)
    if not both.any():
        return
    mine = block.select(both)
    places = np.searchsorted(sequence, mine.core["sequence"])
    low, high = int(places.min()), int(places.max()) + 1
    differs = mine.first_difference(volume.rows(low, high).select(places - low))
    if differs is not None:
        raise ArchiveDamaged(
            f"{path.name} and {volume.path.name} in {path.parent} differ in {differs}; "
            f"both are kept, check the disk"
        )
