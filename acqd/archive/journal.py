"""The journal: where a pass is committed before anybody is told of it.

One SQLite file for the whole station and a few minutes, under a name that is never used again. Its
first transaction holds the tables, the watermarks (the last sequence and finding numbers used
before it) and the meters' states; so a journal without a checkpoint was never begun, and the newest
one that has one is all that a restart needs.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass
from heapq import merge
from pathlib import Path
from typing import Any

from acqd.archive.database import error_of, open_reading, open_writing, pages, roll_back
from acqd.archive.durable import sync_folder
from acqd.archive.layout import SCHEMA_VERSION, event_of, journal_ordinal
from acqd.archive.private import close_folder
from acqd.archive.records import (
    Batch,
    GapRecord,
    HourlyRecord,
    MeterState,
    SetupRecord,
    SweepRecord,
)
from acqd.archive.tables import (
    EVENT_TABLES,
    GAP_COLUMNS,
    HOURLY_COLUMNS,
    JOURNAL_SQL,
    SETUP_COLUMNS,
    SWEEP_COLUMNS,
    finding_row,
    gap_of,
    gap_row,
    hourly_of,
    hourly_row,
    meter_of,
    meter_row,
    setup_of,
    setup_row,
    sweep_of,
    sweep_row,
)
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = [
    "EVENT_PAGE_ROWS",
    "Journal",
    "JournalView",
    "Mark",
    "batch_setups",
    "checkpoint_into_file",
    "remove_journal",
    "statements_of",
]

EVENT_PAGE_ROWS = 64
"""Sweeps held at once while events are read in order: 64 of 1001 points are 256 kB."""


LOG_MOVED_BYTES = 4 << 20
"""The log is moved into the file when about so much has come into it since. It can grow longer by
one group of batches, and while a reader is in the midst of it."""

COMMIT_BYTES = 3 * 4096
ROW_BYTES = 1024
"""About what a commit puts into the log besides rows (pages of the index, the last of the table,
the first of the file), and a row besides its blobs."""


@dataclass(frozen=True, slots=True)
class Mark:
    """The last numbers that a job has used."""

    seq: int = 0
    finding: int = 0


def _insert(table: str, columns: str) -> str:
    slots = ", ".join("?" for _ in columns.split(","))
    return f"INSERT INTO {table} ({columns}) VALUES ({slots})"


_INSERT_SWEEP = _insert("sweep", SWEEP_COLUMNS)
_INSERT_SETUP = _insert("setup", SETUP_COLUMNS)
_INSERT_CHECKPOINT = _insert("checkpoint", "job, version, after_seq, next_finding, state")
_INSERT_EVENT = {table: _insert(table, columns) for table, columns in EVENT_TABLES.items()}


def statements_of(script: str) -> list[str]:
    """The statements of a script of tables, to be run inside a transaction one by one."""
    return [statement for statement in script.split(";") if statement.strip()]


class Journal:
    """The journal being written. Belongs to the writer's thread."""

    def __init__(
        self,
        path: Path,
        *,
        marks: Mapping[str, Mark],
        meters: Sequence[MeterState],
        about: Mapping[str, str],
        synced: bool = True,
    ) -> None:
        """Begin a journal with its checkpoint; returns when both are on the disk. Without
        ``synced`` a power cut may cost all of it.

        Raises:
            ArchiveError: it could not be begun; nothing of it is left.
        """
        self.path = path
        self.ordinal = journal_ordinal(path)
        self.rows = 0
        self._logged_bytes = 0
        self.setups: set[tuple[str, int, str]] = set()
        close_folder(path.parent)
        self.connection = open_writing(path, synced=synced)
        try:
            # Else SQLite does it inside a commit, while a sweep waits: 3 to 8 ms.
            self.connection.execute("PRAGMA wal_autocheckpoint=0").fetchall()
            self._begin(marks, meters, about)
            sync_folder(path.parent)
        except BaseException as exc:
            self.connection.close()
            remove_journal(path)
            if isinstance(exc, sqlite3.Error):
                raise error_of(exc, path) from exc
            raise

    def _begin(
        self,
        marks: Mapping[str, Mark],
        meters: Sequence[MeterState],
        about: Mapping[str, str],
    ) -> None:
        db = self.connection
        db.execute("BEGIN IMMEDIATE")
        for statement in statements_of(JOURNAL_SQL):
            db.execute(statement)
        facts = {**about, "schema": str(SCHEMA_VERSION), "ordinal": str(self.ordinal)}
        db.executemany("INSERT INTO meta VALUES (?, ?)", facts.items())
        db.executemany(
            "INSERT INTO watermark VALUES (?, ?, ?)",
            [(job, mark.seq, mark.finding) for job, mark in marks.items()],
        )
        db.executemany(_INSERT_CHECKPOINT, [meter_row(state) for state in meters])
        db.execute("COMMIT")

    def commit(self, batches: Sequence[tuple[Batch, Sequence[SetupRecord]]]) -> None:
        """All of the batches, each with the setups that this journal lacks, in one transaction.

        Raises:
            sqlite3.Error: nothing of it was kept.
            ArchiveError: a record that cannot be kept; nothing of it was.
        """
        db = self.connection
        row = self.rows
        logged_bytes = COMMIT_BYTES
        added: list[tuple[str, int, str]] = []
        db.execute("BEGIN IMMEDIATE")
        try:
            for batch, setups in batches:
                for setup in setups:
                    key = (setup.job, setup.step, setup.setup)
                    if key not in self.setups and key not in added:
                        db.execute(_INSERT_SETUP, setup_row(setup))
                        added.append(key)
                for table, values in self._rows(batch):
                    row += 1
                    statement = _INSERT_SWEEP if table == "sweep" else _INSERT_EVENT[table]
                    db.execute(statement, (event_of(self.ordinal, row), *values[1:]))
                    logged_bytes += ROW_BYTES + _blob_bytes(values)
            db.execute("COMMIT")
        except BaseException:
            roll_back(db)
            raise
        self.rows = row
        self.setups.update(added)
        self._logged_bytes += logged_bytes

    def move_log(self) -> None:
        """Move the log into the file if it has grown long; for when nobody waits for a commit."""
        if self._logged_bytes < LOG_MOVED_BYTES:
            return
        try:
            self.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchall()
        except sqlite3.Error:
            # No room: everything committed is in the log, and the next commit is told.
            return
        self._logged_bytes = 0

    @staticmethod
    def _rows(batch: Batch) -> Iterator[tuple[str, tuple[Any, ...]]]:
        """Rows in the order in which things happened: gaps, sweeps, hours, then what was found."""
        for gap in batch.gaps:
            yield "gap", gap_row(0, gap)
        for sweep in batch.sweeps:
            yield "sweep", sweep_row(0, sweep)
        for hour in batch.hourly:
            yield "hourly", hourly_row(0, hour)
        for finding in batch.findings:
            yield "finding", finding_row(0, finding)

    def close(self) -> None:
        """Move the log into the file, as far as readers allow, and close."""
        try:
            self.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error:
            # No room for it: everything committed is in the log, where every reader looks too.
            pass
        finally:
            self.connection.close()


def _blob_bytes(values: tuple[Any, ...]) -> int:
    return sum(len(value) for value in values if isinstance(value, bytes))


class JournalView:
    """A journal being read: by recovery, by sealing, by a reader beside the station."""

    def __init__(self, path: Path) -> None:
        """Raises FileNotFoundError where it has been sealed and removed meanwhile."""
        self.path = path
        self.ordinal = journal_ordinal(path)
        self.connection = open_reading(path)

    def __enter__(self) -> JournalView:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self.connection.close()

    def begun(self) -> bool:
        """Whether its first transaction is there. Without it the journal holds nothing.

        Raises:
            ArchiveDamaged: it is there and of another schema, or the file is no database.
        """
        try:
            found = self.connection.execute(
                "SELECT name FROM sqlite_master WHERE name = 'checkpoint'"
            ).fetchone()
            if found is None:
                return False
            (schema,) = self.connection.execute(
                "SELECT value FROM meta WHERE key = 'schema'"
            ).fetchone()
        except sqlite3.Error as exc:
            if exc.sqlite_errorcode == sqlite3.SQLITE_READONLY_ROLLBACK:
                # Killed while the file was being turned to WAL, before its first transaction.
                return False
            raise error_of(exc, self.path) from exc
        if schema != str(SCHEMA_VERSION):
            raise ArchiveDamaged(
                f"{self.path}: written by schema {schema}, this acqd reads {SCHEMA_VERSION}; "
                f"use the acqd that wrote it"
            )
        return True

    def marks(self) -> dict[str, Mark]:
        """Last numbers used up to and including this journal."""
        rows = self.connection.execute(
            "SELECT job, MAX(seq), MAX(finding) FROM ("
            " SELECT job, last_seq AS seq, last_finding AS finding FROM watermark"
            " UNION ALL SELECT job, MAX(seq), 0 FROM sweep GROUP BY job"
            " UNION ALL SELECT job, 0, MAX(number) FROM finding GROUP BY job) GROUP BY job"
        ).fetchall()
        return {job: Mark(seq, finding) for job, seq, finding in rows}

    def meters(self) -> dict[str, MeterState]:
        rows = self.connection.execute(
            "SELECT job, version, after_seq, next_finding, state FROM checkpoint"
        ).fetchall()
        return {row[0]: meter_of(row) for row in rows}

    def setup(self, job: str, step: int, setup: str) -> SetupRecord:
        """Raises ArchiveDamaged where a sweep names a setup that is not there."""
        row = self.connection.execute(
            f"SELECT {SETUP_COLUMNS} FROM setup WHERE job = ? AND step = ? AND setup = ?",
            (job, step, setup),
        ).fetchone()
        if row is None:
            raise ArchiveDamaged(
                f"{self.path}: sweeps of job {job} name setup {setup}, which is missing"
            )
        return setup_of(row)

    def setups(self, job: str | None = None) -> list[SetupRecord]:
        where = "" if job is None else " WHERE job = ?"
        rows = self.connection.execute(
            f"SELECT {SETUP_COLUMNS} FROM setup{where} ORDER BY rowid",
            () if job is None else (job,),
        ).fetchall()
        return [setup_of(row) for row in rows]

    def jobs(self) -> set[str]:
        rows = self.connection.execute(
            "SELECT job FROM sweep UNION SELECT job FROM gap UNION SELECT job FROM hourly"
        ).fetchall()
        return {job for (job,) in rows}

    def first_seq(self, job: str, *, after: int = 0) -> int | None:
        """The lowest sequence number of a job above ``after``, or None."""
        (first,) = self.connection.execute(
            "SELECT MIN(seq) FROM sweep WHERE job = ? AND seq > ?", (job, after)
        ).fetchone()
        return None if first is None else int(first)

    def last_times(self) -> tuple[float, str] | None:
        """End of the last sweep and the boot it was of, or None in a journal without sweeps."""
        row: tuple[float, str] | None = self.connection.execute(
            "SELECT started_s + took_s, boot_id FROM sweep ORDER BY event DESC LIMIT 1"
        ).fetchone()
        return row

    def last_hours(self) -> dict[str, float]:
        """The last hour turned, by job."""
        return dict(
            self.connection.execute(
                "SELECT job, MAX(hour_start_s) FROM hourly GROUP BY job"
            ).fetchall()
        )

    def rows_of(self, table: str, *, after: int = 0) -> Iterator[list[Any]]:
        """Pages of one of :data:`EVENT_TABLES`, rows as they go into the ledger."""
        columns = EVENT_TABLES[table]
        return pages(
            self.connection,
            f"SELECT {columns} FROM {table} WHERE event > {{after}} ORDER BY event",
            after=after,
        )

    def events(
        self, job: str, *, after: int = 0
    ) -> Iterator[tuple[int, SweepRecord | GapRecord | HourlyRecord]]:
        """Sweeps, gaps and hours of a job with their ordinals, in order, in small pages."""
        return merge(
            self._records("gap", GAP_COLUMNS, gap_of, job, after),
            self._records("sweep", SWEEP_COLUMNS, sweep_of, job, after),
            self._records("hourly", HOURLY_COLUMNS, hourly_of, job, after),
            key=lambda item: item[0],
        )

    def _records(
        self, table: str, columns: str, record_of: Any, job: str, after: int
    ) -> Iterator[tuple[int, Any]]:
        for page in pages(
            self.connection,
            f"SELECT {columns} FROM {table} WHERE job = ? AND event > {{after}} ORDER BY event",
            (job,),
            after=after,
            rows=EVENT_PAGE_ROWS,
        ):
            for row in page:
                yield row[0], record_of(row)


def remove_journal(path: Path) -> None:
    """Unlink a journal. The file first, so that nobody opens it without its log."""
    for suffix in ("", "-journal", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    sync_folder(path.parent)


def checkpoint_into_file(path: Path) -> None:
    """Move a leftover journal's log into the file, so that the file alone is whole.

    Only for journals that no process writes: the archive's lock must be held.
    """
    with closing(open_writing(path)) as connection:
        try:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc


def batch_setups(
    batch: Batch, known: Mapping[tuple[str, int, str], SetupRecord]
) -> Iterable[SetupRecord]:
    """The setups that the sweeps of ``batch`` need, and those that it brings.

    Raises:
        ArchiveError: a sweep names a setup that nobody has described, or has not its points.
    """
    brought = {(record.job, record.step, record.setup): record for record in batch.setups}
    for sweep in batch.sweeps:
        key = (sweep.job, sweep.step, sweep.setup)
        record = brought.get(key) or known.get(key)
        if record is None:
            raise ArchiveError(
                f"job {sweep.job}, sweep {sweep.seq}: setup {sweep.setup} of step {sweep.step} "
                f"is not described; commit its SetupRecord first, or in the same batch"
            )
        if sweep.level.shape != record.frequency_hz.shape:
            raise ArchiveError(
                f"job {sweep.job}, sweep {sweep.seq}: {sweep.level.size} levels, "
                f"its setup {sweep.setup} has {record.frequency_hz.size} points"
            )
        brought[key] = record
    return list(brought.values())
