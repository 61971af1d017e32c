"""A station as a service: its unit written, enabled and started, looked at, and removed.

Doing it twice changes nothing. A unit that differs from what would be written is shown as a diff
first; changes of one's own belong into a drop-in beside it, which nothing here touches.
"""

from __future__ import annotations

import difflib
import getpass
import os
import re
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acqd.archive.durable import make_folder, write_whole
from acqd.archive.lock import holder_of
from acqd.errors import HostError
from acqd.host.systemd import Manager, NoManager
from acqd.host.unit import MARK, ServicePlan, unit_name, unit_text

__all__ = [
    "Seen",
    "Step",
    "difference",
    "install",
    "installed_user",
    "lingers",
    "remove",
    "see",
]

STEADY_S: Final = 3.0
"""So long a started station is watched, once it has its archive, before it is called running."""
BEGINS_WITHIN_S: Final = 30.0
"""A card-sized computer takes some seconds to read the program."""
LINGER: Final = Path("/var/lib/systemd/linger")

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """What :func:`install` or :func:`remove` came to."""

    changed: bool
    is_right: bool
    """Whether it is now as it should be; what is not was said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """How a service stands. ``written`` is None where nobody compared it with a config."""

    unit: str
    file: str
    is_there: bool
    written: bool | None
    enabled: str
    active: str
    since: str
    restarts: int
    pid: int
    last_exit: int
    lingers: bool | None
    """Whether a user's services start with the machine; None for a system unit."""

    @property
    def is_right(self) -> bool:
        """Whether a power cut is followed by a start, and whether it runs now."""
        return (
            self.is_there
            and self.written is not False
            and self.enabled == "enabled"
            and self.active == "active"
            and self.lingers is not False
        )


def difference(old: str, new: str, file: Path) -> str:
    """What would change in a unit, as a unified diff."""
    lines = difflib.unified_diff(
        old.splitlines(), new.splitlines(), str(file), f"{file} (new)", lineterm=""
    )
    return "\n".join(lines)


def installed_user(manager: Manager, station: str) -> str | None:
    """Whom the installed unit of a station runs as; None where there is none of ours."""
    text = _read(manager.folder / unit_name(station))
    if text is None or not text.startswith(MARK):
        return None
    user = re.search(r"^User=(\S+)$", text, re.MULTILINE)
    return "root" if user is None else user[1]


def lingers(user: str | None = None) -> bool:
    """Whether the services of a user start with the machine, before they log in."""
    return (LINGER / (user or getpass.getuser())).exists()


def see(manager: Manager, station: str, *, plan: ServicePlan | None = None) -> Seen:
    """How the service of a station stands.

    Raises:
        NoManager: the manager does not answer.
    """
    unit, file = unit_name(station), manager.folder / unit_name(station)
    told = manager.show(unit)
    text = _read(file)
    return Seen(
        unit=unit,
        file=str(file),
        is_there=text is not None,
        written=None if plan is None or text is None else text == unit_text(plan),
        enabled=told.get("UnitFileState", "") or "not there",
        active=told.get("ActiveState", "") or "unknown",
        since=told.get("ActiveEnterTimestamp", ""),
        restarts=_number(told.get("NRestarts")),
        pid=_number(told.get("MainPID")),
        last_exit=_number(told.get("ExecMainStatus")),
        lingers=None if manager.is_system else lingers(),
    )


def _number(text: str | None) -> int:
    return int(text) if text and text.isdigit() else 0


def _read(file: Path) -> str | None:
    try:
        return file.read_text("utf-8")
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError) as exc:
        raise HostError(f"{file}: cannot be read: {exc}") from exc


# -- install ---------------------------------------------------------------------------------------


def install(
    manager: Manager,
    plan: ServicePlan,
    *,
    may_replace: Callable[[str], bool],
    start: bool,
    say: Say,
    steady_s: float = STEADY_S,
) -> Step:
    """Write the unit, enable it and start it, as far as any of it is left to do.

    Args:
        manager: whose unit it is.
        plan: what it runs.
        may_replace: asked with the diff before a unit that is there is replaced.
        start: also start it now, unless a station writes this archive already.
        say: takes one line for whatever was done, or could not be.
        steady_s: how long a station that was started is watched.

    Raises:
        WrongUsage: a path that cannot stand in a unit.
        NoManager: the manager refuses or does not answer; what was written stays.
        HostError: the unit cannot be written.
    """
    unit, file = unit_name(plan.station), manager.folder / unit_name(plan.station)
    text, old = unit_text(plan), _read(file)
    # Nothing is written for a manager that nobody can reach.
    manager.show(unit)
    if old is not None and old != text and not may_replace(difference(old, text, file)):
        say(f"{file} stays as it is")
        return Step(changed=False, is_right=False)
    done = list(_steps(manager, unit, file, old, text, say))
    right = manager.is_system or _linger(say, done)
    if start:
        right &= _start(
            manager, plan, unit, changed="written" in done, say=say, done=done, steady_s=steady_s
        )
    if not done and right:
        running = "running" if manager.show(unit).get("ActiveState") == "active" else "not started"
        say(f"{unit} is already as it should be: enabled, and {running}")
    return Step(changed=bool(done), is_right=right)


def _steps(
    manager: Manager, unit: str, file: Path, old: str | None, text: str, say: Say
) -> Iterator[str]:
    if old != text:
        try:
            make_folder(file.parent)
            write_whole(file, text.encode())
            file.chmod(0o644)
        except OSError as exc:
            raise NoManager(f"{file}: cannot be written: {exc.strerror or exc}") from exc
        say(f"wrote {file}")
        yield "written"
    if old != text or manager.show(unit).get("NeedDaemonReload") == "yes":
        manager.tell("daemon-reload")
    if manager.show(unit).get("UnitFileState") != "enabled":
        manager.tell("enable", unit)
        with_machine = ": it starts with the machine, also after a power cut"
        say(f"enabled{with_machine if manager.is_system else ''}")
        yield "enabled"


def _linger(say: Say, done: list[str]) -> bool:
    """Let this user's services start with the machine."""
    user = getpass.getuser()
    if lingers(user):
        return True
    program = shutil.which("loginctl")
    if program is not None:
        try:
            subprocess.run(
                [program, "--no-ask-password", "enable-linger", user],
                stdin=subprocess.DEVNULL,
                capture_output=True,
                timeout=20.0,
                check=True,
            )
        except (OSError, subprocess.SubprocessError):
            pass  # told below, with what to do
        else:
            say(f"{user}'s services start with the machine, also after a power cut (lingering)")
            done.append("lingering")
            return True
    say(
        f"not yet done: {user}'s services start only when {user} logs in; "
        f"`sudo loginctl enable-linger {user}` lets them start with the machine"
    )
    return False


def _start(
    manager: Manager,
    plan: ServicePlan,
    unit: str,
    *,
    changed: bool,
    say: Say,
    done: list[str],
    steady_s: float,
) -> bool:
    told = manager.show(unit)
    active = told.get("ActiveState") in ("active", "activating")
    if active and not changed:
        return True
    holder = None if active else holder_of(plan.archive)
    again = " ".join([*manager.words, "start", unit])
    if holder is not None:
        say(f"not started: {holder} writes this archive already; end that one, then `{again}`")
        return False
    # It is started when it says so; how that goes is watched here.
    manager.tell("restart" if active else "start", "--no-block", unit)
    done.append("started")
    problem = _unsteady(manager, unit, plan.archive, steady_s)
    logs = f"journalctl {'' if manager.is_system else '--user '}-u {unit}"
    if problem:
        say(f"started, but {problem}; its log says why: `{logs} -n 20`; it is tried again for ever")
        return False
    say(f"{'started anew' if active else 'started'}; its log: `{logs} -f`")
    return True


def _unsteady(manager: Manager, unit: str, archive: Path, steady_s: float) -> str:
    """What is wrong with a unit that was just started; empty where it runs for a while.

    It runs once it holds its archive; what it fails at after that, such as the port of its broker,
    it fails at soon.
    """
    first: str | None = None
    held_s: float | None = None
    ends_s = time.monotonic() + BEGINS_WITHIN_S
    while True:
        told, now_s = manager.show(unit), time.monotonic()
        pid = told.get("MainPID", "")
        if told.get("Job", "0") not in ("", "0") and now_s < ends_s:
            # Its turn has not come, the old one ends, or it has not said that it is ready.
            time.sleep(0.2)
            continue
        if told.get("ActiveState") != "active" or (first is not None and pid != first):
            code = told.get("ExecMainStatus", "?")
            return f"it does not keep running (exit code {code})"
        first = pid
        if held_s is None and holder_of(archive) is not None:
            held_s = now_s
        if held_s is not None and now_s - held_s >= steady_s:
            return ""
        if held_s is None and now_s > ends_s:
            return f"it did not open its archive within {BEGINS_WITHIN_S:g} s"
        time.sleep(0.2)


# -- remove ----------------------------------------------------------------------------------------


def remove(manager: Manager, station: str, *, say: Say) -> Step:
    """Stop the service, disable it and remove its unit. The archive and the config stay.

    Raises:
        NoManager: the manager refuses or does not answer.
        HostError: a unit of this name is none of ours.
    """
    unit, file = unit_name(station), manager.folder / unit_name(station)
    text = _read(file)
    if text is None:
        say(f"{file} is not there: nothing to remove")
        return Step(changed=False, is_right=True)
    if not text.startswith(MARK):
        raise HostError(f"{file} was not written by acqd; remove it yourself if it is to go")
    manager.tell("disable", "--now", unit)
    try:
        os.unlink(file)
    except OSError as exc:
        raise NoManager(f"{file}: cannot be removed: {exc.strerror or exc}") from exc
    manager.tell("daemon-reload")
    say(f"stopped, disabled and removed {file}; archive and config are where they were")
    if not manager.is_system and lingers():
        say(
            f"{getpass.getuser()}'s other services still start with the machine; "
            f"`loginctl disable-linger` ends that"
        )
    return Step(changed=True, is_right=True)
