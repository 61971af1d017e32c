"""Files that hold a secret: read only where it is one."""

from __future__ import annotations

import os
import stat
from pathlib import Path

__all__ = ["EXPOSED", "exposure", "read_secret_file"]

EXPOSED = "everybody on this machine can read it, and it holds a secret"
SECRET_MOST_BYTES = 65536


def exposure(state: os.stat_result) -> str:
    """Why a file is no place for a secret; empty where it is. Its owner's group may read it: that
    is how a service is given one."""
    if not stat.S_ISREG(state.st_mode):
        return "is no plain file"
    return EXPOSED if state.st_mode & (stat.S_IROTH | stat.S_IWOTH) else ""


def read_secret_file(path: Path) -> str:
    """The text of a file that holds one secret, without the end of its line.

    Raises:
        OSError: it cannot be read, or others can read it; ``strerror`` says what to do.
        UnicodeDecodeError: it is not UTF-8.
    """
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    with os.fdopen(handle, "rb") as file:
        problem = exposure(os.fstat(handle))
        if problem == EXPOSED:
            raise PermissionError(0, f"{problem}: chmod 600 {path}")
        if problem:
            raise PermissionError(0, problem)
        return file.read(SECRET_MOST_BYTES).decode("utf-8").rstrip("\r\n")
