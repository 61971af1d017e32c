"""What alerts must remember over a restart: a small SQLite file of its own beside the archive.

It holds what each rule told, the finding that was taken last of each job, and the alerts that wait
for their way. Losing it loses no sweep and no finding; what lasts is told again then.
"""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from acqd.alerts.queue import Change, Waiting
from acqd.archive.private import prepare_database
from acqd.errors import ArchiveError

__all__ = ["AlertStore", "Left", "Sent", "read_left", "store_path"]

VERSION = "1"
BUSY_S = 5.0

_SQL = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS rule (name TEXT PRIMARY KEY, state BLOB NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS mark (job TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS waiting (
    id INTEGER PRIMARY KEY, number INTEGER NOT NULL, way TEXT NOT NULL, urgent INTEGER NOT NULL,
    at_s REAL NOT NULL, payload TEXT NOT NULL, refused INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS lost (way TEXT PRIMARY KEY, count INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS sent (
    way TEXT PRIMARY KEY, last_s REAL, failures INTEGER NOT NULL, problem TEXT NOT NULL
) WITHOUT ROWID;
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sent:
    """How a way does: when it last took something, and what is wrong with it since."""

    last_s: float | None = None
    failures: int = 0
    problem: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Left:
    """What an earlier run left."""

    rules: Mapping[str, bytes] = field(default_factory=dict)
    marks: Mapping[str, int] = field(default_factory=dict)
    waiting: Sequence[Waiting] = ()
    lost: Mapping[str, int] = field(default_factory=dict)
    sent: Mapping[str, Sent] = field(default_factory=dict)
    next_number: int = 1
    is_new: bool = False
    """Nobody was here before."""


def store_path(archive: Path) -> Path:
    """Where it is, in the archive's folder."""
    return archive / "alerts.sqlite"


class AlertStore:
    """Open for writing, by one station. May be used from any thread, one call at a time."""

    def __init__(self, path: Path) -> None:
        """Open it, or make it. One that is damaged is put aside, and a new one made.

        Raises:
            ArchiveError: the file cannot be had.
        """
        self._path = path
        self._lock = threading.Lock()
        self.was_damaged = False
        try:
            self._db = self._opened()
        except sqlite3.DatabaseError as exc:
            if isinstance(exc, sqlite3.OperationalError):
                raise ArchiveError(f"{path}: cannot be opened: {exc}") from exc
            self.was_damaged = True
            for end in ("-wal", "-shm"):
                path.with_name(path.name + end).unlink(missing_ok=True)
            path.replace(path.with_name(path.name + ".damaged"))
            self._db = self._opened()

    def _opened(self) -> sqlite3.Connection:
        prepare_database(self._path)
        db = sqlite3.connect(self._path, timeout=BUSY_S, check_same_thread=False)
        try:
            db.execute("PRAGMA journal_mode=WAL")
            db.execute("PRAGMA synchronous=FULL")
            db.executescript(_SQL)
            found = db.execute("SELECT value FROM meta WHERE key='version'").fetchone()
            if found is not None and found[0] != VERSION:
                raise sqlite3.DatabaseError(f"of version {found[0]}")
            with db:
                db.execute("INSERT OR IGNORE INTO meta VALUES ('version', ?)", (VERSION,))
        except BaseException:
            db.close()
            raise
        return db

    def left(self) -> Left:
        """What is there.

        Raises:
            ArchiveError: it cannot be read.
        """
        with self._lock:
            try:
                return _left(self._db)
            except sqlite3.Error as exc:
                raise ArchiveError(f"{self._path}: cannot be read: {exc}") from exc

    def save(
        self,
        *,
        rules: Mapping[str, bytes],
        marks: Mapping[str, int],
        changes: Sequence[Change],
        sent: Mapping[str, Sent],
        next_number: int,
    ) -> None:
        """Keep all of it, or nothing; on the disk when this returns.

        Raises:
            ArchiveError: it cannot be written.
        """
        with self._lock:
            try:
                with self._db as db:
                    _write(db, rules, marks, changes, sent, next_number)
            except sqlite3.Error as exc:
                raise ArchiveError(f"{self._path}: cannot be written: {exc}") from exc

    def close(self) -> None:
        with self._lock:
            self._db.close()


def read_left(archive: Path) -> Left:
    """What the station of an archive left or holds, read beside it while it runs.

    Raises:
        ArchiveError: it cannot be read.
    """
    path = store_path(archive)
    if not path.exists():
        return Left(is_new=True)
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            return _left(db)
    except sqlite3.Error as exc:
        raise ArchiveError(f"{path}: cannot be read: {exc}") from exc


def _left(db: sqlite3.Connection) -> Left:
    meta = dict(db.execute("SELECT key, value FROM meta"))
    waiting = [
        Waiting(
            id=id_,
            number=number,
            way=way,
            urgent=bool(urgent),
            at_s=at_s,
            payload=_json(payload),
            refused=refused,
        )
        for id_, number, way, urgent, at_s, payload, refused in db.execute(
            "SELECT id, number, way, urgent, at_s, payload, refused FROM waiting ORDER BY id"
        )
    ]
    return Left(
        rules={name: bytes(state) for name, state in db.execute("SELECT name, state FROM rule")},
        marks=dict(db.execute("SELECT job, number FROM mark")),
        waiting=waiting,
        lost=dict(db.execute("SELECT way, count FROM lost")),
        sent={
            way: Sent(last_s=last_s, failures=failures, problem=problem)
            for way, last_s, failures, problem in db.execute(
                "SELECT way, last_s, failures, problem FROM sent"
            )
        },
        next_number=int(meta.get("next_number", "1")),
        is_new="next_number" not in meta,
    )


def _json(text: str) -> dict[str, Any]:
    found = json.loads(text)
    return found if isinstance(found, dict) else {}


def _write(
    db: sqlite3.Connection,
    rules: Mapping[str, bytes],
    marks: Mapping[str, int],
    changes: Sequence[Change],
    sent: Mapping[str, Sent],
    next_number: int,
) -> None:
    db.execute("DELETE FROM rule")
    db.executemany("INSERT INTO rule VALUES (?, ?)", rules.items())
    db.executemany("INSERT OR REPLACE INTO mark VALUES (?, ?)", marks.items())
    for change in changes:
        one = change.added
        if one is not None:
            payload = json.dumps(one.payload, ensure_ascii=False)
            row = (one.id, one.number, one.way, one.urgent, one.at_s, payload, one.refused)
            db.execute("INSERT OR REPLACE INTO waiting VALUES (?, ?, ?, ?, ?, ?, ?)", row)
        elif change.gone is not None:
            db.execute("DELETE FROM waiting WHERE id = ?", (change.gone,))
        elif change.lost is not None:
            db.execute("INSERT OR REPLACE INTO lost VALUES (?, ?)", change.lost)
    db.executemany(
        "INSERT OR REPLACE INTO sent VALUES (?, ?, ?, ?)",
        [(way, one.last_s, one.failures, one.problem) for way, one in sent.items()],
    )
    db.execute("INSERT OR REPLACE INTO meta VALUES ('next_number', ?)", (str(next_number),))
