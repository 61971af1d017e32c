"""Ledger and journals: whole as databases, and their rows as rows should be.

SQLite has no checksums: a changed byte in a number of a row shows only where the row lies in a
volume too, or makes no sense. That is what is looked for here, besides its own check of the pages.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.database import error_of, open_reading, pages
from acqd.archive.inspecting import copy_digests
from acqd.archive.journal import JournalView
from acqd.archive.layout import journal_of, journals_folder, ledger_path, list_journals
from acqd.archive.ledger import copied_rows
from acqd.archive.rebuild import database_problem
from acqd.archive.records import GapRecord
from acqd.archive.tables import (
    EVENT_TABLES,
    SWEEP_COLUMNS,
    finding_of,
    gap_of,
    hourly_of,
    sweep_of,
)
from acqd.archive.verified import Verified, problem_of
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = ["Databases", "InJournals", "LedgerRows", "look_at_databases"]

PAGE_ROWS = 256

KEYS_AT_ONCE = 500
"""Rows of the ledger that are asked for at a time, to be compared with copies."""

PLAN, OVERLAY = "id, at_s, plan", "id, kind, job, from_s, to_s, body, who, at_s"


@dataclass(slots=True)
class InJournals:
    """Sweeps of one job that are in journals."""

    sequence: list[NDArray[np.int64]] = field(default_factory=list)
    time_s: list[NDArray[np.float64]] = field(default_factory=list)
    due_s: list[NDArray[np.float64]] = field(default_factory=list)
    due_seq: list[NDArray[np.int64]] = field(default_factory=list)
    """When those of step 0 were due, and their numbers."""


@dataclass(slots=True)
class Databases:
    """What the account of the jobs needs of ledger and journals."""

    has_ledger: bool = False
    journals: dict[str, InJournals] = field(default_factory=dict)
    gaps: dict[int, GapRecord] = field(default_factory=dict)
    """By their ordinals: one that is being sealed is in both."""
    plans: list[tuple[float, str]] = field(default_factory=list)
    marks: dict[str, tuple[int, int]] = field(default_factory=dict)
    """The last sweep and the last finding of each job, by the ledger."""
    findings: dict[str, set[int]] = field(default_factory=dict)
    clock_s: list[float] = field(default_factory=list)
    """When the station noted that its clock was set, or was found wrong."""
    lost_rows: bool = False
    """A ledger was made anew, or a journal is damaged: numbers may be missing for that."""


def look_at_databases(root: Path, out: Verified) -> Databases:
    """Check and read them; what is wrong goes to ``out``. Journals first: what is sealed meanwhile
    is then seen twice, and not missed."""
    found = Databases()
    for path in list_journals(root):
        try:
            _journal(root, path, out, found)
        except FileNotFoundError:
            continue  # Sealed meanwhile.
    _ledger(root, out, found)
    if out.holder is None:
        _strays(root, out)
    return found


# -- journals --------------------------------------------------------------------------------------


def _journal(root: Path, path: Path, out: Verified, found: Databases) -> None:
    where = path.relative_to(root).as_posix()
    problem = database_problem(path, thorough=True)
    try:
        with JournalView(path) as view:
            if problem is None and not view.begun():
                if out.holder is None:
                    out.add_note(
                        where=where,
                        what="was never begun: a kill came before its first sweep",
                        advice="the next start removes it",
                    )
                return
            problem = problem or _rows_problem(view)
            _take_events(view, found)
            _take_sweeps(view, found)
    except (ArchiveDamaged, sqlite3.Error) as exc:
        if not path.exists():
            raise FileNotFoundError(path) from exc
        problem = problem or _said(exc, path)
    if problem is None:
        out.files += 1
        return
    found.lost_rows = True
    out.files += 1
    out.add_wrong(
        where=where,
        what=f"not a whole journal: {problem}",
        expected="a whole database, and rows that can be read",
        advice="restore it from a copy; without one move it elsewhere before the next start and "
        "keep it: it costs its own minutes",
    )


def _said(exc: Exception, path: Path) -> str:
    if isinstance(exc, sqlite3.Error):
        return problem_of(error_of(exc, path), str(path))
    return str(exc).removeprefix(f"{path}: ")


def _rows_problem(view: JournalView) -> str | None:
    """The first row that is not as rows are; None where all are."""
    sizes: dict[tuple[str, int, str], int] = {}
    select = f"SELECT {SWEEP_COLUMNS} FROM sweep WHERE event > {{after}} ORDER BY event"
    for page in pages(view.connection, select, rows=PAGE_ROWS):
        for row in page:
            event, job, _, _, seq = row[:5]
            try:
                sweep = sweep_of(row)
                key = (sweep.job, sweep.step, sweep.setup)
                if key not in sizes:
                    sizes[key] = view.setup(*key).frequency_hz.size
                if sweep.level.size != sizes[key]:
                    return f"sweep {seq} of {job} has {sweep.level.size} levels"
                if journal_of(event) != view.ordinal:
                    return f"sweep {seq} of {job} is of another journal"
            except (KeyError, TypeError, ValueError, ArchiveDamaged) as exc:
                return f"sweep {seq!r} of {job!r} cannot be read ({exc})"
    return _events_problem(view.connection)


def _events_problem(connection: sqlite3.Connection) -> str | None:
    readers: Mapping[str, Any] = {"finding": finding_of, "gap": gap_of, "hourly": hourly_of}
    for table, columns in EVENT_TABLES.items():
        select = f"SELECT {columns} FROM {table} WHERE event > {{after}} ORDER BY event"
        for page in pages(connection, select):
            for row in page:
                try:
                    readers[table](row)
                    _check_row(table, row)
                except (KeyError, TypeError, ValueError) as exc:
                    return f"a row of {table} ({row[0]}) cannot be read ({exc})"
    return None


def _check_row(table: str, row: Any) -> None:
    """Raises ValueError for a time that is none, or a job that is no text."""
    at = {"finding": (4,), "gap": (2, 3), "hourly": (2,)}[table]
    if not isinstance(row[1], str) or not all(np.isfinite(float(row[place])) for place in at):
        raise ValueError("no job or no time")


def _take_events(view: JournalView, found: Databases) -> None:
    _take_gaps(view.connection, found)
    _take_findings(view.connection, found)


def _take_gaps(connection: sqlite3.Connection, found: Databases) -> None:
    select = f"SELECT {EVENT_TABLES['gap']} FROM gap WHERE event > {{after}} ORDER BY event"
    for page in pages(connection, select):
        found.gaps.update({row[0]: gap_of(row) for row in page})


CLOCK_WORDS = ("clock_stepped", "clock_corrected", "host_asleep")


def _take_findings(connection: sqlite3.Connection, found: Databases) -> None:
    rows = connection.execute("SELECT job, number, what, at_s FROM finding").fetchall()
    for job, number, what, at_s in rows:
        found.findings.setdefault(job, set()).add(number)
        if what in CLOCK_WORDS:
            found.clock_s.append(at_s)
        if what == "ledger_rebuilt":
            found.lost_rows = True


def _take_sweeps(view: JournalView, found: Databases) -> None:
    select = (
        "SELECT event, job, seq, step, started_s, due_s FROM sweep WHERE event > {after} "
        "ORDER BY event"
    )
    rows = [
        row
        for page in pages(view.connection, select, rows=4096)
        for row in page
        # Those whose values make no sense are told as such.
        if isinstance(row[1], str) and isinstance(row[2], int) and _are_times(*row[4:])
    ]
    for job in {row[1] for row in rows}:
        mine = [row for row in rows if row[1] == job]
        kept = found.journals.setdefault(job, InJournals())
        kept.sequence.append(np.array([row[2] for row in mine], dtype=np.int64))
        kept.time_s.append(np.array([row[4] for row in mine], dtype=np.float64))
        kept.due_s.append(np.array([row[5] for row in mine if row[3] == 0], dtype=np.float64))
        kept.due_seq.append(np.array([row[2] for row in mine if row[3] == 0], dtype=np.int64))


def _are_times(*values: Any) -> bool:
    return all(isinstance(value, float | int) for value in values)


def _strays(root: Path, out: Verified) -> None:
    journals = {path.name for path in list_journals(root)}
    try:
        names = sorted(path.name for path in journals_folder(root).iterdir())
    except (FileNotFoundError, NotADirectoryError):
        return
    for name in names:
        of = name.rpartition("-")[0] if name.endswith(("-wal", "-shm", "-journal")) else name
        if name in journals or of in journals:
            continue
        what = "a log whose journal is gone" if of != name else "is no file of an archive"
        advice = "the next start clears it" if of != name else "move it elsewhere"
        out.add_note(where=f"journals/{name}", what=what, advice=advice)


# -- the ledger ------------------------------------------------------------------------------------


def _ledger(root: Path, out: Verified, found: Databases) -> None:
    path = ledger_path(root)
    try:
        problem = database_problem(path, thorough=True)
        if problem is None:
            problem = _take_ledger(path, found)
    except FileNotFoundError:
        out.add_wrong(
            where=path.name,
            what="is missing",
            expected="findings, gaps, hours and plans of all time",
            advice="restore it from a copy, or acqd verify --rebuild-ledger makes it anew from the "
            "files; so does the next start",
        )
        return
    out.files += 1
    if problem is None:
        found.has_ledger = True
        return
    out.add_wrong(
        where=path.name,
        what=f"not a whole ledger: {problem}",
        expected="a whole database, and rows that can be read",
        advice="restore it from a copy, or acqd verify --rebuild-ledger makes it anew from the "
        "files; so does the next start",
    )


def _take_ledger(path: Path, found: Databases) -> str | None:
    try:
        with closing(open_reading(path)) as ledger:
            problem = _events_problem(ledger) or _overlays_problem(ledger)
            if problem is not None:
                return problem
            _take_gaps(ledger, found)
            _take_findings(ledger, found)
            found.plans = ledger.execute("SELECT at_s, plan FROM plan ORDER BY id").fetchall()
            found.marks = {
                job: (seq, number)
                for job, seq, number in ledger.execute(
                    "SELECT job, last_seq, last_finding FROM watermark"
                )
            }
            ledger.execute("SELECT path FROM file").fetchall()
    except sqlite3.Error as exc:
        return _said(exc, path)
    except ArchiveError as exc:
        return _said(exc, path)
    return None


def _overlays_problem(ledger: sqlite3.Connection) -> str | None:
    for number, body, at_s in ledger.execute("SELECT id, body, at_s FROM overlay"):
        try:
            if not isinstance(json.loads(body), dict) or not np.isfinite(float(at_s)):
                raise ValueError("no JSON object, or no time")
        except (TypeError, ValueError) as exc:
            return f"overlay {number} cannot be read ({exc})"
    return None


class LedgerRows:
    """Copies of the ledger's rows in volumes, held against the ledger."""

    def __init__(self, root: Path) -> None:
        self._path = ledger_path(root)

    def differing(
        self, copies: Iterable[tuple[str, str, int, str]]
    ) -> Iterator[tuple[str, str, int, bool]]:
        """Where, table, key and whether it is there at all, of each copy that is not the row."""
        wanted: dict[str, list[tuple[str, int, str]]] = {}
        for where, table, key, digest in copies:
            wanted.setdefault(table, []).append((where, key, digest))
        with closing(open_reading(self._path)) as ledger:
            for table, some in wanted.items():
                for start in range(0, len(some), KEYS_AT_ONCE):
                    part = some[start : start + KEYS_AT_ONCE]
                    known = self._digests(ledger, table, {key for _, key, _ in part})
                    for where, key, digest in part:
                        if known.get(key) != digest:
                            yield where, table, key, key in known

    @staticmethod
    def _digests(ledger: sqlite3.Connection, table: str, keys: set[int]) -> dict[int, str]:
        columns = {"plan": PLAN, "overlay": OVERLAY}.get(table) or EVENT_TABLES.get(table)
        if columns is None:
            return {}
        key = columns.partition(",")[0]
        slots = ", ".join("?" for _ in keys)
        rows = ledger.execute(
            f"SELECT {columns} FROM {table} WHERE {key} IN ({slots})", tuple(keys)
        ).fetchall()
        return dict(copy_digests(table, copied_rows(table, rows)))
