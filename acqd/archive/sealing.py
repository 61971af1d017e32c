"""Sealing: from a journal to segments, and then the journal goes.

    log into the file ─► each (job, step, setup, day): write, sync, read back, compare, rename
        ─► manifests ─► findings, gaps, hours, setups, last numbers into the ledger ─► unlink

Every step can be done again: a segment made anew has the same name and replaces itself, rows of the
ledger are known by their ordinal. A kill anywhere leaves duplicates at worst.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from acqd.archive.database import error_of
from acqd.archive.durable import free_bytes, make_folder, sha256_of
from acqd.archive.journal import JournalView, remove_journal
from acqd.archive.layout import (
    DAY_S,
    FileKind,
    FileName,
    day_of,
    day_start_s,
    event_of,
    folder_of_job,
)
from acqd.archive.ledger import FileEntry, Ledger, copied_rows
from acqd.archive.manifest import update_manifest
from acqd.archive.records import SetupRecord
from acqd.archive.rows import Rows
from acqd.archive.setaside import Mishap
from acqd.archive.sweepfile import SweepFile
from acqd.archive.sweepwriter import FileContent, write_sweeps
from acqd.archive.tables import EVENT_TABLES, SWEEP_COLUMNS, TAGS
from acqd.errors import ArchiveFull

__all__ = ["Ask", "Sealing", "entry_of", "seal_journal"]

COPIED_ROWS_MOST = 20_000
"""Rows of one table copied into one segment: far more than minutes can bring."""

SPARE_BYTES = 1 << 20
"""Room wanted beyond the file itself, for the ledger and the folders."""

Ask = Callable[[Callable[[Ledger], Any]], Any]
"""Has the writer's thread do something with the ledger, and waits for it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sealing:
    """What sealing and merging work with."""

    root: Path
    station: str
    software: Mapping[str, str]
    pool: Executor
    ask: Ask
    wall_s: Callable[[], float]
    check: Callable[[], None]
    """Raises when the work is to stop; called at least once a block."""
    mishap: Callable[[Mishap], None] = lambda _: None
    """Told of a damaged file that was set aside."""


@dataclass(frozen=True, slots=True)
class _Group:
    """The sweeps of a journal that go into one segment."""

    job: str
    step: int
    setup: str
    tag: str
    day: str
    count: int
    first_seq: int
    last_seq: int


def seal_journal(work: Sealing, path: Path) -> list[FileEntry]:
    """Seal one journal that is no longer written, and remove it. Returns the segments.

    Raises:
        ArchiveFull: no room for a segment; the journal stays.
        ArchiveDamaged: what was written could not be read back; the journal stays.
        OSError: the disk; the journal stays.
    """
    with JournalView(path) as view:
        try:
            entries = _segments(work, view)
            _into_ledger(work, view, entries)
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc
    remove_journal(path)
    return entries


def _segments(work: Sealing, view: JournalView) -> list[FileEntry]:
    entries: list[FileEntry] = []
    copies: dict[str, dict[str, list[Any]]] = {}
    setups = {(s.job, s.step, s.setup): s for s in view.setups()}
    for group in _groups(view):
        work.check()
        setup = setups[group.job, group.step, group.setup]
        if group.job not in copies:
            copies[group.job] = _copy_of(work, view, group.job)
        entries.append(_segment(work, view, group, setup, copies[group.job]))
    by_folder: dict[Path, list[FileEntry]] = defaultdict(list)
    for entry in entries:
        by_folder[(work.root / entry.path).parent].append(entry)
    for folder, listed in by_folder.items():
        update_manifest(folder, listed, gone=())
    return entries


def _groups(view: JournalView) -> Iterator[_Group]:
    """What segments there are to be, cut at UTC midnight of the sweeps' start."""
    alike = view.connection.execute(
        "SELECT job, step, setup, tag, MIN(started_s), MAX(started_s) FROM sweep "
        "GROUP BY job, step, setup, tag ORDER BY job, MIN(seq)"
    ).fetchall()
    for job, step, setup, tag, first_s, last_s in alike:
        day_s = day_start_s(day_of(first_s))
        # Compared with midnights that are exact; a division of the times would not be.
        while day_s <= last_s:
            count, first, last = view.connection.execute(
                "SELECT COUNT(*), MIN(seq), MAX(seq) FROM sweep WHERE job = ? AND step = ? "
                "AND setup = ? AND tag = ? AND started_s >= ? AND started_s < ?",
                (job, step, setup, tag, day_s, day_s + DAY_S),
            ).fetchone()
            if count:
                yield _Group(job, step, setup, tag, day_of(day_s), count, first, last)
            day_s += DAY_S


def _segment(
    work: Sealing,
    view: JournalView,
    group: _Group,
    setup: SetupRecord,
    copy: dict[str, list[Any]],
) -> FileEntry:
    name = FileName(
        kind=FileKind.SEGMENT,
        first_seq=group.first_seq,
        last_seq=group.last_seq,
        step=group.step,
        setup=group.setup,
    )
    path = folder_of_job(work.root, group.job) / group.day / str(name)
    make_folder(path.parent)
    if path.exists():
        # Sealed before, and killed before its journal was removed: until the manifest lists the
        # new file it must not list the old one, or a reader would take the new one for damaged.
        update_manifest(path.parent, (), gone=(path.name,))
    points = setup.frequency_hz.size
    # About what packing leaves; a file that turns out larger runs into the end, and is removed.
    item_bytes = np.dtype(TAGS[group.tag]).itemsize
    need_room(path.parent, group.count * (points * item_bytes // 2 + 300))
    content = FileContent(
        kind=name.kind,
        station=work.station,
        setup=setup,
        tag=group.tag,
        count=group.count,
        blocks=lambda rows: _blocks(view, group, points, rows),
        ledger=copy,
        software=work.software,
        written_s=work.wall_s(),
    )
    write_sweeps(path, content, pool=work.pool, check=work.check)
    return entry_of(work.root, path, content, name)


def _blocks(view: JournalView, group: _Group, points: int, rows: int) -> Iterator[Rows]:
    """A segment's sweeps, ``rows`` at a time, along the index of the job's sequence numbers."""
    day_s = day_start_s(group.day)
    after = 0
    while True:
        found = view.connection.execute(
            f"SELECT {SWEEP_COLUMNS} FROM sweep WHERE job = ? AND seq > ? AND step = ? "
            f"AND setup = ? AND tag = ? AND started_s >= ? AND started_s < ? "
            f"ORDER BY seq LIMIT ?",
            (
                group.job,
                after,
                group.step,
                group.setup,
                group.tag,
                day_s,
                day_s + DAY_S,
                rows,
            ),
        ).fetchall()
        if found:
            after = found[-1][4]
            yield Rows.from_sql(found, tag=group.tag, points=points)
        if len(found) < rows:
            return


def _copy_of(work: Sealing, view: JournalView, job: str) -> dict[str, list[Any]]:
    """The journal's findings, gaps and hours of a job and of those without a sweep in it, as the
    station is one, for its segments, and what journals without a sweep of the job have left in the
    ledger alone."""
    begin = event_of(view.ordinal, 0)
    before: dict[str, list[Any]] = work.ask(
        lambda ledger: ledger.not_copied(job, begin, COPIED_ROWS_MOST)
    )
    others = "(SELECT job FROM sweep)"
    return {
        table: before[table]
        + copied_rows(
            table,
            view.connection.execute(
                f"SELECT {columns} FROM {table} WHERE job = ? OR job NOT IN {others} "
                f"ORDER BY event LIMIT ?",
                (job, COPIED_ROWS_MOST),
            ).fetchall(),
        )
        for table, columns in EVENT_TABLES.items()
    }


def _into_ledger(work: Sealing, view: JournalView, entries: list[FileEntry]) -> None:
    for table in EVENT_TABLES:
        for page in view.rows_of(table):
            work.ask(partial(Ledger.absorb, table=table, rows=page))
    setups, marks = view.setups(), view.marks()
    copied = {entry.job: view.ordinal for entry in entries}
    work.ask(lambda ledger: ledger.finish_journal(setups, marks, entries, copied))


def entry_of(root: Path, path: Path, content: FileContent, name: FileName) -> FileEntry:
    """The listing of a file that has just been published."""
    return FileEntry(
        path=path.relative_to(root).as_posix(),
        sha256=sha256_of(path),
        bytes=path.stat().st_size,
        kind=name.kind,
        job=content.setup.job,
        step=content.setup.step,
        setup=content.setup.setup,
        day=path.parent.name,
        first_seq=name.first_seq,
        last_seq=name.last_seq,
        sweeps=content.count,
    )


def listing_of(root: Path, path: Path) -> FileEntry:
    """The listing of a file that was published and not listed; what is in it has been compared.

    Raises:
        ArchiveDamaged: it cannot be read.
    """
    name = FileName.parse(path.name)
    with SweepFile(path) as file:
        setup, sequence = file.setup(), file.core("sequence")
    return FileEntry(
        path=path.relative_to(root).as_posix(),
        sha256=sha256_of(path),
        bytes=path.stat().st_size,
        kind=FileKind.SEGMENT if name is None else name.kind,
        job=setup.job,
        step=setup.step,
        setup=setup.setup,
        day=path.parent.name,
        first_seq=int(sequence[0]),
        last_seq=int(sequence[-1]),
        sweeps=int(sequence.size),
    )


def need_room(folder: Path, size_bytes: int) -> None:
    """Refuse before the last room is taken, which the ledger needs.

    Raises:
        ArchiveFull: less than ``size_bytes`` and some spare are free.
    """
    free = free_bytes(folder)
    if free < size_bytes + SPARE_BYTES:
        raise ArchiveFull(
            f"{folder}: {free / 1e6:,.0f} MB free, a file of about {size_bytes / 1e6:,.0f} MB is "
            f"to be written; nothing is lost, make room"
        )
