"""A ledger made anew from the files, after the old one was lost or damaged.

Every file has a copy of the ledger's rows of its time, and its own setup; so has what was kept of a
volume that retention removed. Of a damaged ledger its rows are taken too, as far as they can be
read and say what such rows say; where a file has the same row the file's holds. The damaged one is
set aside.

Lost is then what no file has and nobody could read: that of days without sweeps after the last
file, overlays since then, and which findings were delivered. All count as delivered: better some
unsent than years of them sent once more.

The new one is made beside the old one and takes its place when it is whole, so that a kill in
between changes nothing.
"""

from __future__ import annotations

import json
import math
import os
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

from acqd.archive.database import error_of, open_reading
from acqd.archive.durable import sync_folder, write_whole
from acqd.archive.journal import Mark
from acqd.archive.kept import read_kept
from acqd.archive.layout import (
    FileName,
    folder_of_job,
    journal_of,
    ledger_path,
    list_days,
    list_files,
    list_jobs,
    list_kept,
    plan_path,
)
from acqd.archive.ledger import OVERLAY_KINDS, FileEntry, Ledger, copied_rows
from acqd.archive.manifest import read_manifest, read_removed, read_set_aside
from acqd.archive.private import prepare_database
from acqd.archive.setaside import LEDGER_REBUILT, Mishap, keep_untold, set_aside_database
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import EVENT_TABLES, finding_of, gap_of, hourly_of
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = [
    "Rebuilt",
    "database_problem",
    "keep_plan_copy",
    "open_ledger",
    "rebuild_ledger",
    "remake_ledger",
]

MAKING = ".making"
"""What the name of a ledger ends in while it is made."""

SIDES = ("-wal", "-shm", "-journal")


@dataclass(slots=True)
class Rebuilt:
    """What a ledger was made anew from. ``damaged`` files gave nothing; ``rows`` were taken from
    the damaged ledger itself."""

    files: int = 0
    damaged: list[str] = field(default_factory=list)
    rows: int = 0


def database_problem(path: Path, *, thorough: bool = False) -> str | None:
    """What is wrong with a ledger or journal, in SQLite's words; None where it is whole.

    Goes through all pages; with ``thorough`` holds indexes against their tables too.

    Raises:
        FileNotFoundError: it is not there.
        ArchiveError: it cannot be looked at, for another reason than damage.
    """
    check = "integrity_check" if thorough else "quick_check"
    try:
        with closing(open_reading(path)) as connection:
            said = [str(row[0]) for row in connection.execute(f"PRAGMA {check}(3)").fetchall()]
    except sqlite3.Error as exc:
        if not path.exists():
            raise FileNotFoundError(path) from exc
        error = error_of(exc, path)
        if not isinstance(error, ArchiveDamaged):
            raise error from exc
        return str(exc)
    except ArchiveDamaged as exc:
        return str(exc.__cause__ or exc)
    return None if said == ["ok"] else " ".join("; ".join(said).split())[:300]


def open_ledger(root: Path, *, now_s: float, synced: bool = True) -> tuple[Ledger, list[Mishap]]:
    """The ledger for writing; made anew where it is lost or damaged, which is told and noted.

    Only with the archive's lock.

    Raises:
        ArchiveError: it can neither be opened nor made.
    """
    path = ledger_path(root)
    making = path.with_name(path.name + MAKING)
    for side in ("", *SIDES):
        making.with_name(making.name + side).unlink(missing_ok=True)
    if path.is_symlink():
        # Before what it leads to is taken for a damaged ledger. This says what is wrong with it.
        prepare_database(path)
    problem = database_problem(path) if path.exists() else None
    mishaps: list[Mishap] = []
    if problem is not None:
        why = f"the ledger was damaged ({problem})"
        mishaps.append(remake_ledger(root, why, now_s=now_s, synced=synced))
    ledger = Ledger(path, synced=synced)
    try:
        if not ledger.is_complete():
            made = rebuild_ledger(root, ledger)
            _take_plan_copy(root, ledger)
            if made.files or made.damaged:
                ledger.set_remade(now_s)
            ledger.set_complete()
            if made.files or made.damaged:
                mishaps.append(_told("the ledger was lost", made, None))
                keep_untold(root, mishaps[-1])
    except BaseException:
        ledger.close()
        raise
    return ledger, mishaps


def remake_ledger(root: Path, why: str, *, now_s: float, synced: bool = True) -> Mishap:
    """Make the ledger anew, set the one there is aside, and put the new one in its place; ``why``
    begins what is told of it, ``now_s`` is noted in it.

    Only with the archive's lock, while nobody has the ledger open.

    Raises:
        ArchiveError: it cannot be made.
    """
    path = ledger_path(root)
    making = path.with_name(path.name + MAKING)
    ledger = Ledger(making, synced=synced)
    try:
        made = rebuild_ledger(root, ledger)
        if path.exists():
            made.rows = _take_rows(path, ledger)
            _all_delivered(ledger)
        _take_plan_copy(root, ledger)
        ledger.set_remade(now_s)
        ledger.set_complete()
        ledger.into_file()
    finally:
        ledger.close()
    where = set_aside_database(root, path) if path.exists() else None
    os.replace(making, path)
    for side in SIDES:
        making.with_name(making.name + side).unlink(missing_ok=True)
    sync_folder(root)
    mishap = _told(why, made, where)
    keep_untold(root, mishap)
    return mishap


def _told(why: str, made: Rebuilt, where: str | None) -> Mishap:
    aside = "" if where is None else f", is set aside as {where},"
    own = f" and {made.rows} rows of its own that could still be read" if where is not None else ""
    bad = f"; {len(made.damaged)} damaged files gave nothing" if made.damaged else ""
    return Mishap(
        what=LEDGER_REBUILT,
        text=f"{why}{aside} and was made anew from {made.files} files{own}{bad}; not got back is "
        f"what was in no file yet: notes, pins, references, findings and gaps since the last of "
        f"them, and which findings were delivered (all count as delivered)",
        figures={
            "files": made.files,
            "damaged_files": len(made.damaged),
            "rows_read": made.rows,
            "set_aside": where,
        },
    )


# -- the plan --------------------------------------------------------------------------------------


def keep_plan_copy(root: Path, plan_json: str, at_s: float) -> None:
    """Keep the plan in force beside the ledger; where there is no room the old copy stays."""
    data = json.dumps({"at_s": at_s, "plan": plan_json}).encode()
    with suppress(OSError, ArchiveError):
        write_whole(plan_path(root), data, private=True)


def _take_plan_copy(root: Path, ledger: Ledger) -> None:
    """The last plan, by which the time down is counted, where nothing newer is known of one."""
    try:
        kept = json.loads(plan_path(root).read_bytes())
        at_s, plan = float(kept["at_s"]), str(kept["plan"])
    except (OSError, ValueError, KeyError, TypeError):
        return
    last = ledger.last_plan()
    if _is_plan((1, at_s, plan)) and (last is None or last[1] < at_s):
        ledger.add_plan(plan, at_s)


# -- from files ------------------------------------------------------------------------------------


def rebuild_ledger(root: Path, ledger: Ledger) -> Rebuilt:
    """Fill a new ledger from all files, and from what outlived those that were removed.

    Sequence numbers go on after the highest that any file has or had, finding numbers after the
    highest that any copy has. Damaged files give nothing but the numbers in their names.
    """
    made = Rebuilt()
    for job in list_jobs(root):
        for day in list_days(root, job):
            for path in list_kept(root, job, day):
                _counted(made, root, path, partial(_take_kept, ledger, path))
            for path, name in list_files(root, job, day):
                ledger.raise_marks({job: Mark(name.last_seq, 0)})
                take = partial(_take_file, root, ledger, path, job, name.last_seq)
                _counted(made, root, path, take)
            ledger.raise_marks({job: Mark(_last_listed(root, job, day), 0)})
    _all_delivered(ledger)
    return made


def _last_listed(root: Path, job: str, day: str) -> int:
    """The highest number of the files that a day's manifest lists, whether they lie there still,
    were set aside or removed: it has been used."""
    folder = folder_of_job(root, job) / day
    listed = (*read_manifest(folder), *read_removed(folder), *read_set_aside(folder))
    names = [FileName.parse(name) for name in listed]
    return max((name.last_seq for name in names if name is not None), default=0)


def _counted(made: Rebuilt, root: Path, path: Path, take: Callable[[], None]) -> None:
    try:
        take()
    except ArchiveDamaged:
        made.damaged.append(path.relative_to(root).as_posix())
    else:
        made.files += 1


def _all_delivered(ledger: Ledger) -> None:
    last = ledger.last_findings()
    ledger.raise_marks({job: Mark(0, number) for job, number in last.items()})
    for job, number in last.items():
        ledger.set_delivered(job, number)


def _take_file(root: Path, ledger: Ledger, path: Path, job: str, last_seq: int) -> None:
    with SweepFile(path) as file:
        setup, copy = file.setup(), file.ledger()
        last_event = int(file.core("event").max())
    entries = []
    facts = read_manifest(path.parent).get(path.name)
    if facts is not None:
        known = {name: facts[name] for name in FileEntry.__slots__ if name in facts}
        with suppress(TypeError):
            entries.append(FileEntry(path=path.relative_to(root).as_posix(), **known))
    ledger.restore(copy)
    ordinal = journal_of(last_event)
    ledger.lift_ordinal(ordinal)
    ledger.finish_journal([setup], {job: Mark(last_seq, 0)}, entries, {job: ordinal})


def _take_kept(ledger: Ledger, path: Path) -> None:
    """What the volume would have given, but that it is listed as a file."""
    kept = read_kept(path)
    ledger.restore(kept.ledger)
    ordinal = journal_of(kept.last_event)
    ledger.lift_ordinal(ordinal)
    marks = {kept.job: Mark(kept.last_seq, 0)}
    ledger.finish_journal([kept.setup], marks, [], {kept.job: ordinal})


# -- from what can still be read of the damaged one ------------------------------------------------


def _take_rows(path: Path, ledger: Ledger) -> int:
    """Rows of a damaged ledger that can be read and make sense, where no file has them."""
    taken = 0
    with suppress(ArchiveError, sqlite3.Error, OSError), closing(open_reading(path)) as old:
        for table, columns in EVENT_TABLES.items():
            rows = [row for row in _rows(old, table, columns) if _makes_sense(table, row)]
            ledger.restore({table: copied_rows(table, rows)})
            taken += len(rows)
        plans = [row for row in _rows(old, "plan", "id, at_s, plan") if _is_plan(row)]
        columns = "id, kind, job, from_s, to_s, body, who, at_s"
        overlays = [row for row in _rows(old, "overlay", columns) if _is_overlay(row)]
        ledger.restore({"plan": plans, "overlay": overlays})
        taken += len(plans) + len(overlays)
        marks = "job, last_seq, last_finding"
        for job, seq, finding in _rows(old, "watermark", marks):
            if isinstance(job, str) and _is_count(seq) and _is_count(finding):
                ledger.raise_marks({job: Mark(seq, finding)})
                taken += 1
    return taken


NUMBER_MOST = 1 << 40
"""Above every number that a station comes to: one beyond it is damage, and is not gone on from."""


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and 0 <= value < NUMBER_MOST


def _rows(old: sqlite3.Connection, table: str, columns: str) -> Iterator[Any]:
    """Rows one by one, forwards and then backwards from the end, past what cannot be read."""
    seen: set[Any] = set()
    for order in ("ASC", "DESC"):
        key = columns.partition(",")[0]
        try:
            cursor = old.execute(f"SELECT {columns} FROM {table} ORDER BY {key} {order}")
            while (row := cursor.fetchone()) is not None:
                if row[0] not in seen:
                    seen.add(row[0])
                    yield row
        except (sqlite3.Error, UnicodeDecodeError, OverflowError):
            continue
        else:
            return


def _makes_sense(table: str, row: Any) -> bool:
    try:
        record: Any = {"finding": finding_of, "gap": gap_of, "hourly": hourly_of}[table](row)
        at_s = row[{"finding": 4, "gap": 2, "hourly": 2}[table]]
        is_text = isinstance(record.job, str) and isinstance(row[0], int)
        return is_text and isinstance(at_s, float) and math.isfinite(at_s)
    except (ValueError, TypeError, KeyError):
        return False


def _is_plan(row: Any) -> bool:
    try:
        return isinstance(json.loads(row[2]), dict) and math.isfinite(row[1])
    except (ValueError, TypeError):
        return False


def _is_overlay(row: Any) -> bool:
    try:
        is_known = row[1] in OVERLAY_KINDS and math.isfinite(row[7])
        return is_known and isinstance(json.loads(row[5]), dict)
    except (ValueError, TypeError):
        return False
