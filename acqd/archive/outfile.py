"""A file to write HDF5 into that takes every write, and says afterwards whether all went well.

HDF5 does not survive a write that fails: it fails again at every later call, and ends the process
with a segmentation fault when objects are let go of. So a failed write is noted and reported as
done; the writer asks :meth:`OutFile.check` between blocks and at the end, and throws the file away.
"""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

__all__ = ["OutFile"]


class OutFile(io.RawIOBase):
    """A new file, as h5py wants a file object to be. A context manager."""

    def __init__(self, path: Path) -> None:
        super().__init__()
        self._handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
        self._place = 0
        self._size = 0
        self._problem: OSError | None = None

    def check(self) -> None:
        """Raise the first thing that went wrong, if anything has."""
        if self._problem is not None:
            raise self._problem

    def readable(self) -> bool:
        return True

    def writable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        base = {os.SEEK_SET: 0, os.SEEK_CUR: self._place, os.SEEK_END: self._size}[whence]
        self._place = base + offset
        return self._place

    def tell(self) -> int:
        return self._place

    def readinto(self, buffer: Any) -> int:
        view = memoryview(buffer).cast("B")
        count = os.preadv(self._handle, [view], self._place)
        # Past a hole that a failed write left: zeros, as a sparse file would have.
        view[count:] = bytes(len(view) - count)
        self._place += len(view)
        return len(view)

    def write(self, data: Any) -> int:
        view = memoryview(data).cast("B")
        done = 0
        while done < len(view) and self._problem is None:
            try:
                done += os.pwrite(self._handle, view[done:], self._place + done)
            except OSError as exc:
                self._problem = exc
        self._place += len(view)
        self._size = max(self._size, self._place)
        return len(view)

    def truncate(self, size: int | None = None) -> int:
        self._size = self._place if size is None else size
        try:
            os.ftruncate(self._handle, self._size)
        except OSError as exc:
            self._problem = self._problem or exc
        return self._size

    def close(self) -> None:
        if not self.closed:
            os.close(self._handle)
        super().close()
