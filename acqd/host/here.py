"""This machine as it is looked at: files below a root, and who looks.

A test gives the root of an invented machine, with what it needs of ``/proc``, ``/sys``, ``/etc``
and ``/dev``; then nothing of the real one is asked.
"""

from __future__ import annotations

import os
import shutil
import stat
import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from acqd.clock import Clock, SystemClock
from acqd.drivers.usbports import clean

__all__ = ["Here", "Process"]

TEXT_MAX_BYTES = 1 << 18
PROCESSES_MAX = 20_000
ASK_WITHIN_S = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Process:
    """A running program: its name as the kernel has it (15 letters at most), and its words."""

    pid: int
    name: str
    words: tuple[str, ...] = ()


def _user_name() -> str:
    import pwd

    try:
        return pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        return str(os.geteuid())


@dataclass(frozen=True, kw_only=True)
class Here:
    """Where and as whom to look. Without arguments: this machine, as this process.

    ``groups`` are the numbers of the groups that the session has, not those of ``/etc/group``.
    """

    root: Path = Path("/")
    uid: int = field(default_factory=os.geteuid)
    user: str = field(default_factory=_user_name)
    groups: frozenset[int] = field(
        default_factory=lambda: frozenset([os.getegid(), *os.getgroups()])
    )
    environ: Mapping[str, str] = field(default_factory=lambda: dict(os.environ))
    clock: Clock = field(default_factory=SystemClock)

    @property
    def is_real(self) -> bool:
        """Whether this is the machine that the process runs on, which may be asked things."""
        return self.root == Path("/")

    def at(self, path: str | Path) -> Path:
        """Where a path of the machine lies for this process."""
        return self.root / str(path).lstrip("/")

    def text(self, path: str | Path) -> str | None:
        """A small file's text; None where it cannot be read. Cut at 256 KiB."""
        try:
            with self.at(path).open("rb") as file:
                return file.read(TEXT_MAX_BYTES).decode("utf-8", "replace")
        except OSError:
            return None

    def line(self, path: str | Path) -> str:
        """The first line of a file, printable; empty where it cannot be read."""
        return clean((self.text(path) or "").partition("\n")[0])

    def number(self, path: str | Path) -> int | None:
        """The whole number that a file holds, decimal; None where it holds none."""
        try:
            return int(self.line(path))
        except ValueError:
            return None

    def names(self, folder: str | Path) -> list[str]:
        """What a folder holds, in order; nothing where it cannot be listed."""
        try:
            return sorted(os.listdir(self.at(folder)))
        except OSError:
            return []

    def link(self, path: str | Path) -> str | None:
        """Where a symbolic link points, as it is written; None where it is none."""
        try:
            return os.readlink(self.at(path))
        except OSError:
            return None

    def exists(self, path: str | Path) -> bool:
        """Whether there is something at ``path``."""
        return os.path.lexists(self.at(path))

    def may_use(self, path: str | Path) -> bool | None:
        """Whether this user may read and write a file; None where it is gone.

        Of the machine at hand the kernel is asked, which knows access lists too.
        """
        try:
            node = self.at(path).stat()
        except OSError:
            return None
        if self.is_real:
            return os.access(path, os.R_OK | os.W_OK)
        if self.uid == 0:
            return True
        both = 0o6
        if node.st_uid == self.uid:
            return node.st_mode >> 6 & both == both
        if node.st_gid in self.groups:
            return node.st_mode >> 3 & both == both
        return stat.S_IMODE(node.st_mode) & both == both

    def processes(self) -> list[Process]:
        """What runs, as far as it can be seen."""
        found = []
        for name in self.names("/proc")[:PROCESSES_MAX]:
            if not name.isdigit():
                continue
            comm = self.line(f"/proc/{name}/comm")
            if comm:
                words = (self.text(f"/proc/{name}/cmdline") or "").split("\0")
                found.append(
                    Process(pid=int(name), name=comm, words=tuple(clean(one) for one in words[:40]))
                )
        return found

    def program(self, name: str) -> str | None:
        """Where a program is, on the PATH or where systems keep theirs; None where nowhere."""
        path = os.pathsep.join([self.environ.get("PATH", os.defpath), "/usr/sbin", "/sbin"])
        return shutil.which(name, path=path)

    def asked(self, words: Sequence[str], *, within_s: float = ASK_WITHIN_S) -> str | None:
        """What a program says; None where it is not there, fails, takes too long, or where this is
        not the machine at hand."""
        program = self.program(words[0]) if self.is_real else None
        if program is None:
            return None
        try:
            done = subprocess.run(
                [program, *words[1:]],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=within_s,
                env={**self.environ, "LC_ALL": "C"},
            )
        except (OSError, subprocess.SubprocessError):
            return None
        if done.returncode != 0:
            return None
        return done.stdout[:TEXT_MAX_BYTES].decode("utf-8", "replace")
