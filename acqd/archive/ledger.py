"""The ledger: the small database that stays.

Findings, gaps, hourly figures, setups, the plans that were in force, what has been delivered, the
last numbers used, overlays (what people said later about what was recorded), and a digest of every
file. Rows come from journals under the ordinal of their event, so that taking one over twice
changes nothing.
"""

from __future__ import annotations

import base64
import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acqd.archive.database import error_of, open_writing, transaction
from acqd.archive.durable import sync_folder
from acqd.archive.journal import Mark, statements_of
from acqd.archive.layout import SCHEMA_VERSION, event_of
from acqd.archive.records import SetupRecord
from acqd.archive.tables import (
    EVENT_TABLES,
    LEDGER_SQL,
    SETUP_COLUMNS,
    setup_of,
    setup_row,
)
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = [
    "OVERLAY_KINDS",
    "PIN",
    "UNDO",
    "FileEntry",
    "Ledger",
    "Overlay",
    "OverlayKind",
    "PendingFinding",
    "copied_rows",
    "overlay_of",
    "overlays_in",
    "pending_in",
    "rows_from_copy",
    "standing",
    "undone_of",
]

PIN, UNDO = "pin", "undo"

OverlayKind = str
"""``note``, ``chain``, ``time``, ``pin``, ``reference``, ``self-test`` or ``undo``."""

OVERLAY_KINDS = ("note", "chain", "time", PIN, "reference", "self-test", UNDO)

COPIED = "copied/"
"""Counters by that and a job: the last journal whose rows a file of it has a copy of."""
HAVE_SWEEPS = "(SELECT job FROM watermark WHERE last_seq > 0)"

TESTS_BACK_S = 86400.0
"""Self-tests of so long before a file begins are copied into it: nobody may have swept since."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PendingFinding:
    """A finding that the broker has not acknowledged: what to send, and under which number."""

    job: str
    number: int
    message: bytes
    event: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """What somebody said later about what was recorded; applied on reading, never baked in.

    ``kind`` is ``note`` (a remark), ``chain`` (another chain than was described), ``time`` (a
    correction of the clock), ``pin`` (not to be thinned), ``reference`` (a sweep of the job that
    others are compared with), ``self-test`` (a part of a sweeper's self-test, of no job), ``undo``
    (another overlay no longer stands, an ``undo`` included). ``job`` None means all jobs, a missing
    bound of time an open one. ``body`` is plain JSON data.
    """

    id: int
    kind: OverlayKind
    job: str | None
    from_s: float | None
    to_s: float | None
    body: Mapping[str, Any]
    who: str
    at_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEntry:
    """One write-once file, as ledger and manifest list it. ``path`` counts from the archive."""

    path: str
    sha256: str
    bytes: int
    kind: str
    job: str
    step: int
    setup: str
    day: str
    first_seq: int
    last_seq: int
    sweeps: int

    def row(self) -> tuple[Any, ...]:
        return tuple(getattr(self, name) for name in self.__slots__)


class Ledger:
    """The ledger being written. Belongs to the writer's thread once that runs."""

    def __init__(self, path: Path, *, synced: bool = True) -> None:
        """Open the ledger, or make it. Without ``synced`` a power cut may cost all of it.

        Raises:
            ArchiveError: it cannot be opened; ArchiveDamaged where it is of another schema.
        """
        self.path = path
        self._db = open_writing(path, synced=synced)
        try:
            self._prepare()
            sync_folder(path.parent)
        except sqlite3.Error as exc:
            self._db.close()
            raise error_of(exc, path) from exc
        except BaseException:
            self._db.close()
            raise

    def _prepare(self) -> None:
        with transaction(self._db):
            exists = self._db.execute("SELECT 1 FROM sqlite_master WHERE name = 'meta'").fetchone()
            if not exists:
                for statement in statements_of(LEDGER_SQL):
                    self._db.execute(statement)
                self._db.execute("INSERT INTO meta VALUES ('schema', ?)", (str(SCHEMA_VERSION),))
                return
        (schema,) = self._db.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
        if schema != str(SCHEMA_VERSION):
            raise ArchiveDamaged(
                f"{self.path}: written by schema {schema}, this acqd writes {SCHEMA_VERSION}; "
                f"use the acqd that wrote it"
            )

    def is_complete(self) -> bool:
        """False in a new ledger, until :meth:`set_complete`: it may have to be made from files."""
        return self._db.execute("SELECT 1 FROM meta WHERE key = 'complete'").fetchone() is not None

    def set_complete(self) -> None:
        self._db.execute("INSERT OR REPLACE INTO meta VALUES ('complete', '1')")

    def set_remade(self, at_s: float) -> None:
        """It was made anew from the files at ``at_s``: pins of late may be missing."""
        self._db.execute("INSERT OR REPLACE INTO meta VALUES ('remade_s', ?)", (repr(at_s),))

    def into_file(self) -> None:
        """Move the log into the file, so that the file alone is whole.

        Raises:
            ArchiveError: it cannot be.
        """
        try:
            self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error as exc:
            raise error_of(exc, self.path) from exc

    def close(self) -> None:
        self._db.close()

    # -- numbers --------------------------------------------------------------------------------

    def marks(self) -> dict[str, Mark]:
        rows = self._db.execute("SELECT job, last_seq, last_finding FROM watermark").fetchall()
        return {job: Mark(seq, finding) for job, seq, finding in rows}

    def lift_ordinal(self, ordinal: int) -> None:
        """No journal up to ``ordinal`` is to be begun any more."""
        self._raise_counter("journal", ordinal)

    def _raise_counter(self, name: str, value: int) -> None:
        self._db.execute(
            "INSERT INTO counter VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET "
            "value = MAX(value, excluded.value)",
            (name, value),
        )

    def take_ordinal(self, at_least: int) -> int:
        """The next journal's ordinal; on the disk as taken before it is used."""
        with transaction(self._db):
            row = self._db.execute("SELECT value FROM counter WHERE name = 'journal'").fetchone()
            ordinal = max(at_least, 1 if row is None else row[0] + 1)
            self._db.execute("INSERT OR REPLACE INTO counter VALUES ('journal', ?)", (ordinal,))
        return ordinal

    # -- the station ----------------------------------------------------------------------------

    def set_alive(self, at_s: float, boot_id: str) -> None:
        self._db.execute("INSERT OR REPLACE INTO alive VALUES (1, ?, ?)", (at_s, boot_id))

    def alive(self) -> tuple[float, str] | None:
        row: tuple[float, str] | None = self._db.execute(
            "SELECT at_s, boot_id FROM alive"
        ).fetchone()
        return row

    def add_plan(self, plan_json: str, at_s: float) -> None:
        """One more plan. What is known better of the last one, by its time, takes its place."""
        with transaction(self._db):
            last = self._db.execute("SELECT MAX(id) FROM plan").fetchone()[0]
            changed = self._db.execute(
                "UPDATE plan SET plan = ? WHERE id = ? AND at_s = ?", (plan_json, last, at_s)
            )
            if changed.rowcount == 0:
                self._db.execute("INSERT INTO plan (at_s, plan) VALUES (?, ?)", (at_s, plan_json))

    def last_plan(self) -> tuple[str, float] | None:
        row: tuple[str, float] | None = self._db.execute(
            "SELECT plan, at_s FROM plan ORDER BY id DESC LIMIT 1"
        ).fetchone()
        return row

    def last_hours(self) -> dict[str, float]:
        """The last hour turned, by job."""
        return dict(
            self._db.execute("SELECT job, MAX(hour_start_s) FROM hourly GROUP BY job").fetchall()
        )

    def last_findings(self) -> dict[str, int]:
        """The highest finding number there is, by job."""
        return dict(
            self._db.execute("SELECT job, MAX(number) FROM finding GROUP BY job").fetchall()
        )

    # -- from journals --------------------------------------------------------------------------

    def absorb(self, table: str, rows: Sequence[Any]) -> None:
        """Take over rows of one of EVENT_TABLES. Those that are here already change nothing."""
        columns = EVENT_TABLES[table]
        slots = ", ".join("?" for _ in columns.split(","))
        with transaction(self._db):
            self._db.executemany(
                f"INSERT OR IGNORE INTO {table} ({columns}) VALUES ({slots})", rows
            )

    def finish_journal(
        self,
        setups: Iterable[SetupRecord],
        marks: Mapping[str, Mark],
        files: Iterable[FileEntry],
        copied: Mapping[str, int],
    ) -> None:
        """The rest of a sealed journal: after this commit it may be unlinked. ``copied``: the
        journal up to which a file of each job has a copy of what is here."""
        with transaction(self._db):
            for record in setups:
                self._db.execute(
                    f"INSERT OR IGNORE INTO setup ({SETUP_COLUMNS}) "
                    f"VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    setup_row(record),
                )
            self._raise_marks(marks)
            self._put_files(files)
            for job, ordinal in copied.items():
                self._raise_counter(COPIED + job, ordinal)

    def raise_marks(self, marks: Mapping[str, Mark]) -> None:
        """Lift the last numbers used; never lowers them."""
        with transaction(self._db):
            self._raise_marks(marks)

    def _raise_marks(self, marks: Mapping[str, Mark]) -> None:
        self._db.executemany(
            "INSERT INTO watermark VALUES (?, ?, ?) ON CONFLICT (job) DO UPDATE SET "
            "last_seq = MAX(last_seq, excluded.last_seq), "
            "last_finding = MAX(last_finding, excluded.last_finding)",
            [(job, mark.seq, mark.finding) for job, mark in marks.items()],
        )

    def setup(self, job: str, step: int, setup: str) -> SetupRecord | None:
        row = self._db.execute(
            f"SELECT {SETUP_COLUMNS} FROM setup WHERE job = ? AND step = ? AND setup = ?",
            (job, step, setup),
        ).fetchone()
        return None if row is None else setup_of(row)

    # -- files ----------------------------------------------------------------------------------

    def replace_files(self, gone: Iterable[str], files: Iterable[FileEntry]) -> None:
        """Forget the paths in ``gone`` and list ``files``, together."""
        with transaction(self._db):
            self._db.executemany("DELETE FROM file WHERE path = ?", [(path,) for path in gone])
            self._put_files(files)

    def _put_files(self, files: Iterable[FileEntry]) -> None:
        self._db.executemany(
            "INSERT OR REPLACE INTO file VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [entry.row() for entry in files],
        )

    # -- delivery -------------------------------------------------------------------------------

    def delivered(self) -> dict[str, int]:
        return dict(self._db.execute("SELECT job, number FROM delivered").fetchall())

    def set_delivered(self, job: str, number: int) -> None:
        """Everything of ``job`` up to ``number`` needs no sending. Never goes back."""
        self._db.execute(
            "INSERT INTO delivered VALUES (?, ?) ON CONFLICT (job) DO UPDATE SET "
            "number = MAX(number, excluded.number)",
            (job, number),
        )

    def pending(self, limit: int) -> list[PendingFinding]:
        """Findings of sealed journals that were not delivered, in the order of their commit."""
        return pending_in(self._db, self.delivered(), limit)

    # -- overlays -------------------------------------------------------------------------------

    def add_overlay(
        self,
        kind: OverlayKind,
        *,
        job: str | None,
        from_s: float | None,
        to_s: float | None,
        body: Mapping[str, Any],
        who: str,
        at_s: float,
    ) -> int:
        """Add one, return its number.

        Raises:
            ArchiveError: no such kind.
        """
        if kind not in OVERLAY_KINDS:
            raise ArchiveError(f"overlay {kind!r}: expected one of {', '.join(OVERLAY_KINDS)}")
        cursor = self._db.execute(
            "INSERT INTO overlay (kind, job, from_s, to_s, body, who, at_s) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (kind, job, from_s, to_s, json.dumps(dict(body)), who, at_s),
        )
        return int(cursor.lastrowid or 0)

    def overlays(self) -> list[Overlay]:
        """All that stand, in the order in which they were made."""
        return overlays_in(self._db, None)

    # -- copies in files ------------------------------------------------------------------------

    def copy_for(
        self, job: str, from_s: float, to_s: float, *, after_event: int, rows_most: int
    ) -> dict[str, list[Any]]:
        """Rows about ``job`` and the station from ``from_s`` to ``to_s`` (not included), and those
        that are about an earlier time and were committed after ``after_event``.

        What belongs to no job with sweeps is the station's, and goes into every job's files.
        """
        undone = ", ".join(str(number) for number in sorted(_undone_in(self._db)))
        out: dict[str, list[Any]] = {}
        for table, time in (("finding", "at_s"), ("gap", "from_s"), ("hourly", "hour_start_s")):
            out[table] = self._db.execute(
                f"SELECT {EVENT_TABLES[table]} FROM {table} "
                f"WHERE (job = ? OR job NOT IN {HAVE_SWEEPS}) AND ({time} >= ? "
                f"OR event > ?) AND {time} < ? ORDER BY event LIMIT ?",
                (job, from_s, after_event, to_s, rows_most),
            ).fetchall()
        out["plan"] = self._db.execute(
            "SELECT id, at_s, plan FROM plan WHERE at_s >= ? AND at_s < ? ORDER BY id LIMIT ?",
            (from_s, to_s, rows_most),
        ).fetchall()
        out["overlay"] = self._db.execute(
            # Of references, which are large, the newest of each role before that stands, and those
            # since; of self-tests the same by sweeper and part, without their sweeps.
            "SELECT id, kind, job, from_s, to_s, CASE kind WHEN 'self-test' "
            "THEN json_remove(body, '$.sweeps') ELSE body END, who, at_s FROM overlay "
            "WHERE (job IS NULL OR job = ?) AND (kind NOT IN ('reference', 'self-test') "
            "OR at_s >= CASE kind WHEN 'self-test' THEN ? ELSE ? END OR id IN ("
            "SELECT MAX(id) FROM overlay WHERE kind = 'reference' AND job = ? AND at_s < ? "
            f"AND id NOT IN ({undone}) GROUP BY json_extract(body, '$.role') UNION ALL "
            f"SELECT MAX(id) FROM overlay WHERE kind = 'self-test' AND id NOT IN ({undone}) "
            "GROUP BY json_extract(body, '$.sweeper'), json_extract(body, '$.part')"
            ")) ORDER BY id LIMIT ?",
            (job, from_s - TESTS_BACK_S, from_s, job, from_s, rows_most),
        ).fetchall()
        return {name: copied_rows(name, rows) for name, rows in out.items()}

    def not_copied(self, job: str, before_event: int, rows_most: int) -> dict[str, list[Any]]:
        """Rows about ``job`` and the station that no file has a copy of yet, from before an event:
        of journals without a sweep, as of a station that was started twice and swept only then.
        The newest of them, where they are very many."""
        name = COPIED + job
        row = self._db.execute("SELECT value FROM counter WHERE name = ?", (name,)).fetchone()
        after_event = event_of(0 if row is None else row[0] + 1, 0) - 1
        out: dict[str, list[Any]] = {}
        for table, columns in EVENT_TABLES.items():
            rows = self._db.execute(
                f"SELECT {columns} FROM {table} WHERE (job = ? OR job NOT IN {HAVE_SWEEPS}) "
                f"AND event > ? AND event < ? ORDER BY event DESC LIMIT ?",
                (job, after_event, before_event, rows_most),
            ).fetchall()
            out[table] = copied_rows(table, reversed(rows))
        return out

    def restore(self, copy: Mapping[str, list[Any]]) -> None:
        """Take back what :meth:`copy_for` gave, from a file into a new ledger."""
        for table in EVENT_TABLES:
            self.absorb(table, rows_from_copy(table, copy.get(table, [])))
        with transaction(self._db):
            for table, slots in (("plan", 3), ("overlay", 8)):
                self._db.executemany(
                    f"INSERT OR IGNORE INTO {table} VALUES ({', '.join('?' * slots)})",
                    copy.get(table, []),
                )


def copied_rows(table: str, rows: Iterable[Any]) -> list[Any]:
    """Rows of a table as plain JSON data: a finding's message is base64."""
    if table != "finding":
        return [list(row) for row in rows]
    return [[*row[:-1], base64.b64encode(row[-1]).decode()] for row in rows]


def rows_from_copy(table: str, rows: Iterable[Any]) -> list[Any]:
    """The inverse of :func:`copied_rows`."""
    if table != "finding":
        return list(rows)
    return [(*row[:-1], base64.b64decode(row[-1])) for row in rows]


def pending_in(
    connection: sqlite3.Connection, delivered: Mapping[str, int], limit: int
) -> list[PendingFinding]:
    """Findings in a journal or ledger beyond the delivered numbers, at most ``limit`` of them.

    Asked job by job, so that years of delivered findings are not walked through; the jobs are found
    by jumps along the index, for the same reason.
    """
    jobs = connection.execute(
        "WITH RECURSIVE jobs (job) AS (SELECT MIN(job) FROM finding UNION ALL "
        "SELECT (SELECT MIN(job) FROM finding WHERE job > jobs.job) FROM jobs "
        "WHERE jobs.job IS NOT NULL) SELECT job FROM jobs WHERE job IS NOT NULL"
    )
    found: list[PendingFinding] = []
    for (job,) in jobs.fetchall():
        rows = connection.execute(
            "SELECT event, number, message FROM finding WHERE job = ? AND number > ? "
            "ORDER BY number LIMIT ?",
            (job, delivered.get(job, 0), limit),
        ).fetchall()
        found += [
            PendingFinding(job=job, number=number, message=bytes(message), event=event)
            for event, number, message in rows
        ]
    return sorted(found, key=lambda finding: finding.event)[:limit]


def overlays_in(
    connection: sqlite3.Connection, job: str | None, *, undone: bool = False
) -> list[Overlay]:
    """Overlays of a job and of all jobs, in the order in which they were made.

    Those that stand; with ``undone`` those that somebody undid, and the undoing, as well.
    """
    rows = connection.execute(
        "SELECT id, kind, job, from_s, to_s, body, who, at_s FROM overlay "
        "WHERE ? IS NULL OR job IS NULL OR job = ? ORDER BY id",
        (job, job),
    ).fetchall()
    found = [overlay_of(row) for row in rows]
    return found if undone else standing(found)


def _undone_in(connection: sqlite3.Connection) -> set[int]:
    """Numbers of overlays that do not stand."""
    rows = connection.execute("SELECT id, body FROM overlay WHERE kind = ?", (UNDO,)).fetchall()
    return undone_of({number: int(json.loads(body)["undoes"]) for number, body in rows})


def undone_of(undoes: Mapping[int, int]) -> set[int]:
    """Numbers that are undone, by which overlay of kind ``undo`` undoes which number.

    An undoing may be undone itself; it is always younger than what it undoes.
    """
    gone: set[int] = set()
    for number in sorted(undoes, reverse=True):
        if number not in gone:
            gone.add(undoes[number])
    return gone


def standing(overlays: Iterable[Overlay]) -> list[Overlay]:
    """Those of all overlays that nobody undid, without the undoings."""
    found = list(overlays)
    gone = undone_of({one.id: int(one.body["undoes"]) for one in found if one.kind == UNDO})
    return [one for one in found if one.kind != UNDO and one.id not in gone]


def overlay_of(row: Any) -> Overlay:
    """An overlay from a row of the ledger, or from its copy in a file."""
    number, kind, job, from_s, to_s, body, who, at_s = row
    return Overlay(
        id=number,
        kind=kind,
        job=job,
        from_s=from_s,
        to_s=to_s,
        body=json.loads(body),
        who=who,
        at_s=at_s,
    )
