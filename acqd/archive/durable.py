"""Files that are whole or not there: temporary name, sync, rename, sync the folder.

After :func:`publish` returns, the file is on the disk under its name, also if the power goes the
instant after; before that, nobody sees it. What a kill leaves behind ends in ``.tmp`` and is
cleared by :func:`clear_temporaries` at the next start.
"""

from __future__ import annotations

import hashlib
import os
from contextlib import suppress
from pathlib import Path

from acqd.archive.layout import TEMPORARY_SUFFIX, temporary_of
from acqd.archive.private import open_private

__all__ = [
    "clear_temporaries",
    "free_bytes",
    "make_folder",
    "publish",
    "sha256_of",
    "sync_folder",
    "write_whole",
]

READ_BLOCK_BYTES = 1 << 20


def publish(path: Path) -> None:
    """Sync ``path.tmp``, rename it to ``path``, sync the folder."""
    temporary = temporary_of(path)
    handle = os.open(temporary, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    os.replace(temporary, path)
    sync_folder(path.parent)


def write_whole(path: Path, data: bytes, *, private: bool = False) -> None:
    """Write a small file in one go, so that a reader sees the old or the new one.

    ``private``: it is its user's alone, whatever the umask.

    Raises:
        OSError: it cannot be written; the old one stays.
        ArchiveError: of a private one, the same.
    """
    temporary = temporary_of(path)
    try:
        if private:
            os.close(open_private(temporary))
        temporary.write_bytes(data)
        publish(path)
    except BaseException:
        with suppress(OSError):
            temporary.unlink()
        raise


def make_folder(folder: Path) -> None:
    """Make a folder and those above it, each synced into the one above."""
    missing = []
    while not folder.is_dir():
        missing.append(folder)
        folder = folder.parent
    for one in reversed(missing):
        one.mkdir(exist_ok=True)
        sync_folder(one.parent)


def sync_folder(folder: Path) -> None:
    """Make names in ``folder`` durable."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file in hexadecimal, read in blocks."""
    state = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(READ_BLOCK_BYTES):
            state.update(block)
    return state.hexdigest()


def free_bytes(folder: Path) -> int:
    """Bytes that this user may still write on the file system of ``folder``."""
    stat = os.statvfs(folder)
    return stat.f_bavail * stat.f_frsize


def clear_temporaries(folder: Path) -> list[Path]:
    """Remove what an interrupted write left below ``folder``; returns what was removed."""
    removed = []
    for base, _, names in os.walk(folder):
        for name in names:
            if name.endswith(TEMPORARY_SUFFIX):
                path = Path(base, name)
                path.unlink(missing_ok=True)
                removed.append(path)
    return removed
