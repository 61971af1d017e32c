"""A driver's process as the station holds it: started, listened to, measured, ended.

Everything here has a stated bound, for the driver in it may do anything:

* It gets one socket and nothing else of the station's files, no password of its broker, and a
  process group of its own. What it forks is ended with it.
* What it prints is read, so that it never blocks for long, at most ``OUTPUT_RATE_BYTES`` a second;
  ``LINES_MOST`` lines a minute are logged, ``LINE_CAP`` characters of each, and the others counted.
* Memory of its own beyond ``MEMORY_MOST_BYTES`` ends it. Looked at after each answer and every
  ``LOOK_S`` while it works; files it maps do not count.
* It is ended by SIGKILL, which also ends one that is stopped.

Limits: what a driver starts in a session of its own (setsid) outlives it. Memory is looked at on
Linux alone. This is no sandbox: it is the same user, and holds what crashes, not what attacks.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterable
from typing import Final

__all__ = ["LOOK_S", "MEMORY_MOST_BYTES", "ChildProcess", "Output"]

MEMORY_MOST_BYTES: Final = 512 << 20
LOOK_S: Final = 0.25
OUTPUT_RATE_BYTES: Final = 256 << 10
OUTPUT_PIECE_BYTES: Final = 16 << 10
LINES_MOST: Final = 40
"""Lines a minute that go to the log."""
LINE_CAP: Final = 300

NOT_INHERITED: Final = frozenset(
    {
        "NOTIFY_SOCKET",
        "WATCHDOG_PID",
        "WATCHDOG_USEC",
        "LISTEN_FDS",
        "LISTEN_PID",
        "LISTEN_FDNAMES",
        "CREDENTIALS_DIRECTORY",
    }
)
"""Variables by which a service manager speaks to the station itself."""


class ChildProcess:
    """The running program, and our end of its socket.

    Args:
        target: ``module:class`` of the driver.
        name: of the sweeper; in the command line, for whoever looks at the processes.
        say: told each line that it prints.
        hidden: names of environment variables that are no business of a driver's.

    Raises:
        OSError: it cannot be started.
    """

    def __init__(
        self, target: str, *, name: str, say: Callable[[str], None], hidden: Iterable[str] = ()
    ) -> None:
        ours, theirs = socket.socketpair()
        try:
            self._popen = subprocess.Popen(
                _command(theirs.fileno(), target, name),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                pass_fds=(theirs.fileno(),),
                start_new_session=True,
                env=_environment(frozenset(hidden)),
            )
        except BaseException:
            ours.close()
            raise
        finally:
            theirs.close()
        ours.setblocking(False)
        self.socket = ours
        self.pid = self._popen.pid
        assert self._popen.stdout is not None
        self._pipe = self._popen.stdout
        os.set_blocking(self._pipe.fileno(), False)
        self.output = Output(self._pipe.fileno(), say)
        self.exit_fd = _exit_fd(self.pid)
        """Readable once it has ended; None where the system has no such thing."""

    def how_it_ended(self) -> str | None:
        """A signal or an exit code in words; None while it runs."""
        found = os.waitid(os.P_PID, self.pid, os.WEXITED | os.WNOHANG | os.WNOWAIT)
        if found is None:
            return None
        if found.si_code == os.CLD_EXITED:
            return f"exit code {found.si_status}"
        said = signal.strsignal(found.si_status) or "unknown"
        return f"signal {found.si_status} ({said[:1].lower()}{said[1:]})"

    def kill(self) -> None:
        """End it and what it forked, now. Returns at once; the end itself may take a moment."""
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(self.pid, signal.SIGKILL)

    def bury(self) -> None:
        """After its end: whatever it forked is ended too, and nothing of it is kept.

        Until here its number cannot be another's, so the group that is killed is its own.
        """
        self.kill()
        self._popen.wait()
        self.output.last()
        self._pipe.close()
        self.socket.close()
        if self.exit_fd is not None:
            os.close(self.exit_fd)

    def memory_bytes(self) -> int | None:
        """Memory of its own that is resident; None where nobody can say."""
        try:
            with open(f"/proc/{self.pid}/status", "rb") as file:
                lines = file.read().splitlines()
        except OSError:
            return None
        parts = [
            int(line.split()[1]) for line in lines if line.startswith((b"RssAnon:", b"RssShmem:"))
        ]
        return 1024 * sum(parts) if parts else None


class Output:
    """What a process prints, on its way to a log: read in pieces, bounded in rate and in lines."""

    def __init__(self, fd: int, say: Callable[[str], None]) -> None:
        self.fd = fd
        self.is_open = True
        self._say = say
        self._rest = b""
        self._second = self._minute = time.monotonic()
        self._read_bytes = self._lines = self._left_out = 0

    @property
    def wants(self) -> bool:
        """Whether more may be read now: a flood has to wait for the next second."""
        return self.is_open and not self.floods

    @property
    def floods(self) -> bool:
        """Whether it printed as much this second as is read in one."""
        now_s = time.monotonic()
        if now_s - self._second >= 1.0:
            self._second, self._read_bytes = now_s, 0
        return self._read_bytes >= OUTPUT_RATE_BYTES

    def read(self) -> None:
        """Take a piece of what is there."""
        try:
            data = os.read(self.fd, OUTPUT_PIECE_BYTES)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        self.is_open = bool(data)
        self._read_bytes += len(data)
        *lines, rest = (self._rest + data).split(b"\n")
        # A line without an end is cut, its tail counted as the next one.
        self._rest = rest if len(rest) <= 4 * LINE_CAP else b""
        for line in lines if rest is self._rest else [*lines, rest]:
            self._tell(line)

    def last(self) -> None:
        """What is still there, at its end: the words before a crash are its last."""
        for _ in range(OUTPUT_RATE_BYTES // OUTPUT_PIECE_BYTES):
            if not self.is_open:
                break
            before = self._read_bytes
            self.read()
            if self._read_bytes == before:
                break
        if self._rest:
            self._tell(self._rest)
            self._rest = b""
        self._tell_left_out()

    def _tell(self, line: bytes) -> None:
        now_s = time.monotonic()
        if now_s - self._minute >= 60.0:
            self._tell_left_out()
            self._minute, self._lines = now_s, 0
        text = line[: 4 * LINE_CAP].decode("utf-8", "replace").rstrip()[:LINE_CAP]
        if not text:
            return
        if self._lines >= LINES_MOST:
            self._left_out += 1
            return
        self._lines += 1
        self._say("".join(letter if letter.isprintable() else "\ufffd" for letter in text))

    def _tell_left_out(self) -> None:
        if self._left_out:
            self._say(f"and {self._left_out} more lines that are not shown")
            self._left_out = 0


def _command(fd: int, target: str, name: str) -> list[str]:
    return [
        sys.executable,
        "-P",  # no module of the folder that the station happens to be started in
        "-u",
        "-m",
        "acqd.drivers.child",
        str(fd),
        str(os.getpid()),
        target,
        name,
    ]


def _environment(hidden: frozenset[str]) -> dict[str, str]:
    kept = {
        name: value
        for name, value in os.environ.items()
        if name not in hidden and name not in NOT_INHERITED
    }
    # Drivers are looked for where the station found them.
    kept["PYTHONPATH"] = os.pathsep.join(filter(None, sys.path))
    # A pool of threads for linear algebra costs memory that no driver needs.
    kept.setdefault("OPENBLAS_NUM_THREADS", "1")
    return kept


def _exit_fd(pid: int) -> int | None:
    opened = getattr(os, "pidfd_open", None)
    if opened is None:
        return None
    try:
        return int(opened(pid))
    except OSError:
        return None
