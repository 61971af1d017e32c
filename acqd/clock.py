"""The station's clocks: wall time for when, monotonic time for how long, and the boot it is of.

Everything that needs the time is given a :class:`Clock`, so that tests bring their own; nobody else
in acqd asks the operating system.
"""

from __future__ import annotations

import ctypes
import os
import time
import uuid
from functools import cache
from pathlib import Path
from typing import Protocol

__all__ = ["EARLIEST_S", "Clock", "SystemClock"]

EARLIEST_S = 1_735_689_600.0
"""2025-01-01T00:00:00Z. No station ran before: a clock that shows less has lost its date."""

TIME_ERROR = 5
"""What adjtimex(2) answers while the kernel's clock is not synchronised."""


class Clock(Protocol):
    """What the station needs to know about time."""

    def wall_s(self) -> float:
        """Seconds since 1970-01-01T00:00:00Z; may be stepped."""
        ...

    def monotonic_s(self) -> float:
        """Seconds that never step and stand still while the host sleeps."""
        ...

    def boottime_s(self) -> float:
        """Seconds that never step and go on while the host sleeps."""
        ...

    @property
    def boot_id(self) -> str:
        """Names the boot that the monotonic seconds belong to."""
        ...

    def synchronised(self) -> bool | None:
        """Whether the wall clock claims to be synchronised; None where nobody knows."""
        ...


class SystemClock:
    """The clocks of this machine."""

    def wall_s(self) -> float:
        return time.time()

    def monotonic_s(self) -> float:
        return time.monotonic()

    def boottime_s(self) -> float:
        boottime = getattr(time, "CLOCK_BOOTTIME", None)
        return time.monotonic() if boottime is None else time.clock_gettime(boottime)

    @property
    def boot_id(self) -> str:
        return _boot_id()

    def synchronised(self) -> bool | None:
        return _kernel_clock_synchronised()


@cache
def _boot_id() -> str:
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        # Without a kernel that names its boots a process is the longest span known to share one.
        return str(uuid.uuid4())


@cache
def _libc() -> ctypes.CDLL | None:
    try:
        return ctypes.CDLL(None, use_errno=True)
    except OSError:
        return None


def _kernel_clock_synchronised() -> bool | None:
    libc = _libc()
    adjtimex = getattr(libc, "adjtimex", None) if os.name == "posix" else None
    if adjtimex is None:
        return None
    # modes = 0 asks without changing; struct timex is 208 bytes on 64-bit Linux, 128 on 32-bit.
    buffer = ctypes.create_string_buffer(512)
    state = adjtimex(buffer)
    return None if state < 0 else bool(state != TIME_ERROR)
