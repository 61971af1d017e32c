"""One writer an archive: a lock that the kernel lets go of when its process ends, however."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import socket
from datetime import UTC, datetime
from pathlib import Path

from acqd.archive.private import open_private
from acqd.errors import ArchiveError, ArchiveLocked

__all__ = ["WriterLock", "holder_of"]

LOCK_TEXT_MAX_BYTES = 4096


class WriterLock:
    """Holds ``<archive>/lock``. The file stays, its content says who holds it."""

    def __init__(self, root: Path, *, station: str, since_s: float) -> None:
        """Take the lock.

        Raises:
            ArchiveLocked: another process has it; the message says which, where and since when.
            ArchiveError: the file cannot be had, or the file system cannot lock.
        """
        self.path = root / "lock"
        handle = open_private(self.path)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = _describe(os.pread(handle, LOCK_TEXT_MAX_BYTES, 0))
            os.close(handle)
            raise ArchiveLocked(
                f"{root}: {holder} writes this archive; "
                f"stop that one, or name another archive in the config"
            ) from None
        except OSError as exc:
            os.close(handle)
            raise ArchiveError(
                f"{self.path}: the file system cannot lock ({exc.strerror}); "
                f"put the archive on a local disk"
            ) from exc
        self._handle: int | None = handle
        since = datetime.fromtimestamp(since_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
        text = json.dumps(
            {"pid": os.getpid(), "host": socket.gethostname(), "station": station, "since": since}
        )
        os.ftruncate(handle, 0)
        os.pwrite(handle, text.encode(), 0)

    def release(self) -> None:
        """Let go. The second call does nothing."""
        handle, self._handle = self._handle, None
        if handle is not None:
            # On a disk that turned read-only or fails who had it stays written there: nobody reads
            # that of a lock that is free.
            with contextlib.suppress(OSError):
                os.ftruncate(handle, 0)
            os.close(handle)


def holder_of(root: Path) -> str | None:
    """Who writes the archive at ``root``, in words; None where nobody does, or there is none."""
    try:
        handle = os.open(root / "lock", os.O_RDONLY | os.O_CLOEXEC)
    except OSError:
        return None
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return _describe(os.pread(handle, LOCK_TEXT_MAX_BYTES, 0))
    except OSError:
        return None
    finally:
        os.close(handle)
    return None


def _describe(text: bytes) -> str:
    try:
        held = json.loads(text)
        return (
            f"process {held['pid']} on {held['host']} (station {held['station']}) "
            f"since {held['since']}"
        )
    except (ValueError, KeyError, TypeError):
        # Between taking the lock and writing who has it, or a text of another version.
        return "another process"
