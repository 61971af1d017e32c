"""The service manager, asked by its own program ``systemctl``: every call has a time limit."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acqd.errors import HostError

__all__ = ["Manager", "NoManager", "is_booted", "pid_one"]

CALL_WITHIN_S: Final = 60.0
"""A restart waits for the old station to stop, which its unit gives 30 s."""
BOOTED: Final = Path("/run/systemd/system")
"""Is there where systemd runs the machine: sd_booted(3)."""

SHOWN: Final = (
    "LoadState",
    "ActiveState",
    "SubState",
    "UnitFileState",
    "NeedDaemonReload",
    "NRestarts",
    "MainPID",
    "ExecMainStatus",
    "ActiveEnterTimestamp",
    "Job",
)


class NoManager(HostError):
    """The service manager did not do what it was asked; says what it said."""


def is_booted() -> bool:
    """Whether systemd runs this machine."""
    return BOOTED.is_dir()


def pid_one() -> str:
    """The name of the machine's first process, which starts the others; "" where it is not told."""
    try:
        return Path("/proc/1/comm").read_text("utf-8", "replace").strip()[:40]
    except OSError:
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Manager:
    """The system's manager, or that of this user."""

    is_system: bool

    @property
    def folder(self) -> Path:
        """Where its units are that somebody wrote."""
        if self.is_system:
            return Path("/etc/systemd/system")
        # The XDG base directory specification says to ignore a path that is not absolute.
        xdg = Path(os.environ.get("XDG_CONFIG_HOME", ""))
        return (xdg if xdg.is_absolute() else Path.home() / ".config") / "systemd" / "user"

    @property
    def words(self) -> tuple[str, ...]:
        """How it is spoken to on a command line."""
        return ("systemctl",) if self.is_system else ("systemctl", "--user")

    def tell(self, *words: str) -> str:
        """Run ``systemctl`` with ``words``; what it answers.

        Raises:
            NoManager: it is not there, takes too long or fails.
        """
        asked = " ".join([*self.words, *(word for word in words if not word.startswith("--"))])
        program = shutil.which("systemctl")
        if program is None:
            raise NoManager(f"{asked}: systemctl is not installed")
        try:
            done = subprocess.run(
                [program, *self.words[1:], "--no-pager", "--no-ask-password", *words],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                text=True,
                errors="replace",
                timeout=CALL_WITHIN_S,
                env={**os.environ, "LC_ALL": "C"},
            )
        except subprocess.TimeoutExpired as exc:
            raise NoManager(f"{asked}: no answer within {CALL_WITHIN_S:g} s") from exc
        except OSError as exc:
            raise NoManager(f"{asked}: {exc.strerror or exc}") from exc
        if done.returncode != 0:
            said = " ".join((done.stderr or done.stdout).split())[:300]
            hint = ""
            if "connect to bus" in said and not self.is_system:
                hint = "; log in as this user (su and sudo do not count), or do it as root"
            raise NoManager(f"{asked}: {said or f'exit code {done.returncode}'}{hint}")
        return done.stdout

    def show(self, unit: str) -> Mapping[str, str]:
        """What the manager knows of a unit; of one that it does not know, hardly anything.

        Raises:
            NoManager: it does not answer.
        """
        answer = self.tell("show", f"--property={','.join(SHOWN)}", unit)
        pairs = (line.partition("=") for line in answer.splitlines() if "=" in line)
        return {key: text for key, _, text in pairs}
