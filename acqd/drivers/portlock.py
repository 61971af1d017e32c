"""One program at a time on a TCP address, among the programs of one user on this machine.

A serial port is held by the kernel; a socket is not. Yet most instruments serve one connection, or
mix up the answers to two, so a second program would break a station that is running. While a link
is open a file named after the address is locked with flock, which the kernel lets go of whenever
the process ends. It is advice among programs that use acqd: other programs, users and machines are
not held off by it.

The folder is ``acqd`` in ``$XDG_RUNTIME_DIR``, else ``acqd-UID`` in the folder of temporary files.
Where it cannot be made, or belongs to somebody else, there is no lock and the link is opened
all the same: a station must not fail for want of advice.
"""

from __future__ import annotations

import fcntl
import os
import re
import stat
import tempfile
from pathlib import Path
from typing import Final

from acqd.errors import PortBusy

__all__ = ["PortLock", "lock_folder"]

TEXT_MAX_BYTES: Final = 64


class PortLock:
    """The lock of one address, taken when made. Thread-safe as far as files are.

    Args:
        address: what to call it in messages.
        key: host and port; equal texts exclude each other.

    Raises:
        PortBusy: somebody holds it; says which process.
    """

    def __init__(self, address: str, key: str) -> None:
        self._handle: int | None = None
        folder = lock_folder()
        if folder is None:
            return
        name = re.sub(r"[^a-z0-9.-]", "_", key.lower())[:200]
        try:
            flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
            handle = os.open(folder / f"tcp_{name}.lock", flags, 0o600)
        except OSError:
            return
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(handle, TEXT_MAX_BYTES, 0).decode("ascii", "replace").strip()
            os.close(handle)
            who = f"process {holder}" if holder else "another program"
            raise PortBusy(
                f"{address}: {who} has this address open; one program at a time may talk to it"
            ) from None
        except OSError:
            # A file system that cannot lock.
            os.close(handle)
            return
        os.ftruncate(handle, 0)
        os.pwrite(handle, str(os.getpid()).encode(), 0)
        self._handle = handle

    def release(self) -> None:
        """Let go. The second call does nothing. The file stays: unlinking it would be a race."""
        handle, self._handle = self._handle, None
        if handle is not None:
            os.close(handle)


def lock_folder() -> Path | None:
    """The folder of the locks, made where it is missing; None where it cannot be trusted."""
    runtime = os.environ.get("XDG_RUNTIME_DIR", "")
    if os.path.isabs(runtime) and os.path.isdir(runtime):
        folder = Path(runtime) / "acqd"
    else:
        folder = Path(tempfile.gettempdir()) / f"acqd-{os.getuid()}"
    try:
        folder.mkdir(mode=0o700, exist_ok=True)
        found = folder.lstat()
    except OSError:
        return None
    is_ours = stat.S_ISDIR(found.st_mode) and found.st_uid == os.getuid()
    return folder if is_ours else None
