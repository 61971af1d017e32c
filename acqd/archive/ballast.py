"""A file of no use but its size: what is let go of when the disk is full.

On a full disk SQLite can neither delete nor move its log into the file, because both need room
first. So room is kept in a file larger than the log may grow, and given back when it is needed.
"""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from acqd.archive.durable import free_bytes
from acqd.archive.private import open_private

__all__ = ["BALLAST_BYTES", "Ballast"]

BALLAST_BYTES = 8 << 20
"""Twice the 4 MiB at which SQLite moves its log into the file; 6 MB were enough when tried."""


class Ballast:
    """Holds ``<archive>/ballast``."""

    def __init__(self, root: Path, *, keep_free_bytes: int) -> None:
        self.path = root / "ballast"
        self._keep_free_bytes = keep_free_bytes
        self.reserved_bytes = 0
        """Room that was given back for housekeeping, and is not for sweeps."""

    def load(self) -> bool:
        """Take the room, if there is plenty; whether it is taken now."""
        if self.path.exists():
            self.reserved_bytes = 0
            return True
        if free_bytes(self.path.parent) < self._keep_free_bytes + 2 * BALLAST_BYTES:
            return False
        handle = open_private(self.path)
        try:
            os.posix_fallocate(handle, 0, BALLAST_BYTES)
        except OSError:
            # Somebody was quicker, or the file system cannot: then there is no ballast.
            with suppress(OSError):
                self.path.unlink()
            return False
        finally:
            os.close(handle)
        self.reserved_bytes = 0
        return True

    def drop(self) -> None:
        """Give the room back, for the log to be moved and findings to be acknowledged."""
        if self.path.exists():
            self.path.unlink(missing_ok=True)
            self.reserved_bytes = BALLAST_BYTES
