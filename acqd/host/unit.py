"""The text of a systemd unit for a station, and of a line for cron where there is no systemd.

What a path may hold is settled here: in a command every word is quoted with C-style escapes, ``%``
begins a specifier and ``$`` a variable anywhere but in the program's own path; elsewhere a value is
the rest of its line, as it stands. What neither can hold is refused.

Source: systemd.syntax(7), systemd.unit(5), systemd.service(5) and crontab(5), from memory; tests
load what is made here into a systemd of their own.
"""

from __future__ import annotations

import re
import shlex
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acqd.errors import WrongUsage
from acqd.host.hardening import hardening

__all__ = [
    "MARK",
    "ServicePlan",
    "cron_line",
    "environment_file",
    "in_command",
    "unit_name",
    "unit_text",
    "value",
]

MARK: Final = "# Written by `acqd service install`"
"""The first words of every unit of ours."""

STOP_WITHIN_S: Final = 30
"""A station stops within two seconds; a disk that is slow to sync may take longer."""
START_WITHIN_S: Final = 180
"""A station asks for more while it reads what a dead run left."""
WATCHDOG_S: Final = 60
"""A station that hangs is noticed by itself within one minute and a half; then this is added."""
AGAIN_AFTER_S: Final = 10
PORT_MODULES: Final = "modprobe@cdc_acm.service modprobe@usbserial.service"
VERDICTS: Final = (3, 4, 5)
"""Exit codes of a run that ended with its soaks."""

_PLAIN_WORD: Final = re.compile(r"[A-Za-z0-9_/.:@+=,-]+")
_CONTROL: Final = re.compile(r"[\x00-\x1f\x7f]")


@dataclass(frozen=True, slots=True, kw_only=True)
class ServicePlan:
    """What is to run, as whom, and what it needs to be there."""

    station: str
    title: str
    program: tuple[str, ...]
    """What stands before ``run CONFIG``: absolute paths."""
    config: Path
    archive: Path
    is_system: bool
    """A unit of the system's manager; else one of a user's own."""
    user: str = ""
    """As whom a system unit runs; "" as root."""
    groups: tuple[str, ...] = ()
    """Groups that a system unit has besides: those of ports."""
    ends: bool = False
    """All jobs end by themselves, and the station with them."""
    needs_network: bool = False
    has_ports: bool = True
    """Whether a sweeper is, or may be, at a serial or USB port of this machine."""
    writes: tuple[Path, ...] = ()
    """Folders that it writes besides the archive."""


def unit_name(station: str) -> str:
    """The unit's name for a station's."""
    return f"acqd-{station}.service"


def environment_file(plan: ServicePlan) -> str:
    """Where secrets go that the config names by a variable, as the unit has it."""
    folder = "/etc/acqd" if plan.is_system else "%h/.config/acqd"
    return f"{folder}/{plan.station}.env"


def in_command(word: str, *, is_program: bool = False) -> str:
    """A word of ``ExecStart=``.

    Raises:
        WrongUsage: it cannot stand there: control characters, or, in the path of a program, quotes
            or backslashes.
    """
    _refuse_control(word)
    if is_program and re.search(r"[\"'\\]", word):
        raise WrongUsage(
            f"{word}: systemd starts no program with a quotation mark or a backslash in its path; "
            f"move the environment of acqd to another folder"
        )
    escaped = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    if not is_program:
        escaped = escaped.replace("$", "$$")
    return escaped if _PLAIN_WORD.fullmatch(word) else f'"{escaped}"'


def value(text: str) -> str:
    """A value that is the rest of its line, such as a folder.

    Raises:
        WrongUsage: blanks at its ends or a backslash at its end, which would be lost.
    """
    _refuse_control(text)
    if text != text.strip() or text.endswith("\\"):
        raise WrongUsage(
            f"{text!r}: a path that begins or ends with a blank, or ends with a backslash, cannot "
            f"stand in a unit; give the folder another name"
        )
    return text.replace("%", "%%")


def _refuse_control(text: str) -> None:
    if _CONTROL.search(text) or not text.isprintable():
        raise WrongUsage(f"{text!r}: control characters cannot stand in a unit; rename the folder")


def _in_list(path: str) -> str:
    """A path in a list of paths: quoted as in a command, where ``$`` means nothing."""
    _refuse_control(path)
    escaped = path.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    return escaped if _PLAIN_WORD.fullmatch(path) else f'"{escaped}"'


def unit_text(plan: ServicePlan) -> str:
    """The whole unit.

    Raises:
        WrongUsage: a path that cannot stand in one.
    """
    sections = {
        "Unit": _about(plan),
        "Service": _service(plan),
        "Install": [f"WantedBy={'multi-user' if plan.is_system else 'default'}.target"],
    }
    head = [
        f"{MARK} of {plan.config}".replace("\n", " "),
        "# Changes of your own belong beside it, where they stay: systemctl"
        f"{'' if plan.is_system else ' --user'} edit {unit_name(plan.station)}",
    ]
    body = [f"\n[{name}]\n" + "\n".join(lines) for name, lines in sections.items()]
    return "\n".join([*head, *body]) + "\n"


def _about(plan: ServicePlan) -> list[str]:
    title = " ".join(re.sub(r"[^\S ]", " ", plan.title).split())
    lines = [f"Description=acqd: {value(title or plan.station)}"]
    if plan.is_system:
        after = ["time-sync.target"]
        if plan.needs_network:
            lines.append("Wants=network-online.target")
            after.insert(0, "network-online.target")
        lines.append(f"After={' '.join(after)}")
        # The disk that the archive is on may be a plug away.
        lines.append(f"RequiresMountsFor={_in_list(str(plan.archive))}")
        if plan.has_ports:
            lines += [
                "# Kinds of ports are known to the unit only where their modules are there.",
                f"Wants={PORT_MODULES}",
                f"After={PORT_MODULES}",
            ]
    return [
        *lines,
        "# Never gives up: what is missing at 03:00 (a disk, a port) may be there at 03:10.",
        "StartLimitIntervalSec=0",
    ]


def _service(plan: ServicePlan) -> list[str]:
    program, *options = plan.program
    command = [
        in_command(program, is_program=True),
        *(in_command(word) for word in (*options, "run", str(plan.config))),
    ]
    lines = [
        "# It says when it has started, and how it goes; one that hangs is ended and started anew.",
        "Type=notify",
        "NotifyAccess=main",
        f"WatchdogSec={WATCHDOG_S}",
        f"TimeoutStartSec={START_WITHIN_S}",
        f"ExecStart={' '.join(command)}",
        f"WorkingDirectory={value(str(plan.config.parent))}",
        "# Variables that the config names for secrets, NAME=VALUE a line; may be missing.",
        f"EnvironmentFile=-{environment_file(plan)}",
    ]
    if plan.user:
        lines.append(f"User={value(plan.user)}")
    if plan.groups:
        lines.append(f"SupplementaryGroups={' '.join(plan.groups)}")
    folder = _state_folder(plan)
    if folder:
        # A colon would begin the name of a link to it.
        escaped = _in_list(folder).replace(":", "\\:")
        lines.append(f"StateDirectory={escaped}")
    if plan.ends:
        lines += [
            "# It ends with its soaks; then it stays ended. Their verdicts are no failures.",
            "Restart=on-failure",
            f"SuccessExitStatus={' '.join(str(code) for code in VERDICTS)}",
        ]
    else:
        lines.append("Restart=always")
    return [
        *lines,
        f"RestartSec={AGAIN_AFTER_S}",
        "# The station alone is told: its broker has to last until the station has said goodbye.",
        "KillMode=mixed",
        "KillSignal=SIGTERM",
        f"TimeoutStopSec={STOP_WITHIN_S}",
        "# A report that takes too much memory costs the report.",
        "OOMPolicy=continue",
        *hardening(
            is_system=plan.is_system,
            user=plan.user,
            archive=plan.archive,
            writes=tuple(_in_list(str(path)) for path in (plan.archive, *plan.writes)),
            reads=(Path(plan.program[0]), plan.config),
            has_ports=plan.has_ports,
        ),
    ]


def _state_folder(plan: ServicePlan) -> str:
    """The folder below ``/var/lib`` that systemd makes for the user, where the archive is there."""
    state = Path("/var/lib")
    if not plan.is_system or not plan.archive.is_relative_to(state) or plan.archive == state:
        return ""
    return str(plan.archive.relative_to(state))


def cron_line(plan: ServicePlan) -> str:
    """A line for a crontab that starts the station with the machine, and again when it fails.

    It ends when the station is told to, or with its soaks. A ``%`` is a line's end to cron, unless
    a backslash stands before it.
    """
    command = shlex.join([*plan.program, "run", str(plan.config)])
    log = shlex.quote(str(plan.config.with_suffix(".log")))
    folder = shlex.quote(str(plan.config.parent))
    ends = "|".join(str(code) for code in (0, *VERDICTS))
    line = (
        f"cd {folder} && while :; do {command} >>{log} 2>&1; "
        f"case $? in {ends}) break;; esac; sleep {AGAIN_AFTER_S}; done"
    )
    return "@reboot " + line.replace("%", "\\%")
