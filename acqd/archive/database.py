"""SQLite as the archive uses it: one connection that writes, any number that read.

A writing connection is made by :func:`open_writing` and belongs to one thread at a time. It alone
commits and checkpoints: two connections that do so at the same moment can, in most versions in use,
very rarely corrupt a database (SQLite's release notes, "WAL reset"). A reader uses ``mode=ro``,
never ``immutable``, which would not see rows that are still in the write-ahead log; and it fetches
in small pages, because an unfinished cursor keeps that log from being reset.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import quote

from acqd.archive.private import not_ours, prepare_database
from acqd.errors import ArchiveDamaged, ArchiveError, ArchiveFull

__all__ = [
    "PAGE_ROWS",
    "WAL_LIMIT_BYTES",
    "error_of",
    "open_reading",
    "open_writing",
    "pages",
    "plain_text",
    "roll_back",
    "transaction",
]

WAL_LIMIT_BYTES = 16 << 20
"""The write-ahead log is cut back to this after a checkpoint."""

BUSY_MS = 5000
"""A reader's or checkpoint's short lock is waited for this long."""

PAGE_ROWS = 256


def open_writing(path: Path, *, synced: bool = True) -> sqlite3.Connection:
    """The one connection that writes ``path``: WAL, every commit synced, unless it need not be.
    The file is this user's alone.

    Raises:
        ArchiveError: it cannot be opened; ArchiveDamaged where it is no database.
    """
    prepare_database(path)
    try:
        connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
        try:
            connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute(f"PRAGMA synchronous={'FULL' if synced else 'OFF'}")
            connection.execute(f"PRAGMA journal_size_limit={WAL_LIMIT_BYTES}")
            connection.execute("PRAGMA temp_store=MEMORY")
        except BaseException:
            connection.close()
            raise
    except sqlite3.Error as exc:
        raise error_of(exc, path) from exc
    return connection


def open_reading(path: Path) -> sqlite3.Connection:
    """A connection that only reads, also beside a writer.

    Raises:
        FileNotFoundError: there is no such file (any more).
        ArchiveError: it cannot be read.
    """
    if not os.path.exists(path):
        raise FileNotFoundError(path)
    if not os.access(path, os.R_OK):
        raise not_ours(path)
    try:
        connection = _connect_reading(path)
        if not _needs_copy(connection, path):
            return connection
        connection.close()
        return _open_copy(path)
    except sqlite3.Error as exc:
        if not path.exists():
            raise FileNotFoundError(path) from exc
        raise error_of(exc, path) from exc


def _connect_reading(path: Path) -> sqlite3.Connection:
    uri = f"file:{quote(str(path.absolute()))}?mode=ro"
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, check_same_thread=False)
    try:
        connection.execute(f"PRAGMA busy_timeout={BUSY_MS}")
    except BaseException:
        connection.close()
        raise
    return connection


def _needs_copy(connection: sqlite3.Connection, path: Path) -> bool:
    """True on a medium that cannot be written, where SQLite cannot make its index of the log.

    Only where that index is not there: then nobody writes the database, and it can be copied.
    """
    try:
        connection.execute("PRAGMA schema_version").fetchone()
    except sqlite3.OperationalError as exc:
        cannot = exc.sqlite_errorcode & 0xFF == sqlite3.SQLITE_CANTOPEN
        return cannot and path.exists() and not path.with_name(path.name + "-shm").exists()
    except sqlite3.Error:
        pass  # Whoever reads next is told.
    return False


def _open_copy(path: Path) -> sqlite3.Connection:
    """Read a copy of database and log, which is removed from its folder as soon as it is open."""
    with TemporaryDirectory(prefix="acqd-") as folder:
        copy = Path(folder, path.name)
        for suffix in ("", "-wal"):
            source = path.with_name(path.name + suffix)
            if source.exists():
                shutil.copyfile(source, copy.with_name(copy.name + suffix))
        connection = _connect_reading(copy)
        try:
            connection.execute("PRAGMA schema_version").fetchone()
        except BaseException:
            connection.close()
            raise
        return connection


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Everything inside is committed together, or nothing is.

    Begins IMMEDIATE: a deferred transaction that reads first fails at once where another wrote.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    except BaseException:
        roll_back(connection)
        raise


def roll_back(connection: sqlite3.Connection) -> None:
    """Undo an open transaction; a full disk has undone it already, which is no error."""
    if connection.in_transaction:
        try:
            connection.execute("ROLLBACK")
        except sqlite3.Error:
            if connection.in_transaction:
                raise


def pages(
    connection: sqlite3.Connection,
    select: str,
    parameters: Sequence[Any] = (),
    *,
    after: int = 0,
    rows: int = PAGE_ROWS,
) -> Iterator[list[Any]]:
    """Rows of ``select``, in pages by its first column, which must be an integer key.

    ``select`` has ``{after}`` where the condition on the key belongs. Every page is fetched whole.
    """
    text = select.format(after="?")
    while True:
        page = connection.execute(f"{text} LIMIT {rows}", (*parameters, after)).fetchall()
        if page:
            yield page
        if len(page) < rows:
            return
        after = page[-1][0]


def error_of(exc: sqlite3.Error, path: Path) -> ArchiveError:
    """The archive's error for one of SQLite's."""
    code = getattr(exc, "sqlite_errorcode", None)
    said = plain_text(exc)
    primary = None if code is None else code & 0xFF
    if primary == sqlite3.SQLITE_FULL:
        return ArchiveFull(f"{path}: no room on the disk; nothing of this was kept, make room")
    if primary in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
        return ArchiveDamaged(
            f"{path}: not a whole SQLite database ({said}); move it elsewhere and keep it: a lost "
            f"ledger is made anew from the files, a lost journal costs its own minutes"
        )
    if said.startswith("Could not decode"):
        return ArchiveDamaged(f"{path}: SQLite says: {said}")
    return ArchiveError(f"{path}: SQLite says: {said}")


def plain_text(exc: Exception) -> str:
    """What an error says in one line, whatever bytes of a damaged file it repeats."""
    return "".join(letter if letter.isprintable() else "·" for letter in str(exc))[:200]
