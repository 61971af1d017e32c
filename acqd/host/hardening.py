"""What a station's service may do on its machine: as little as it needs.

A system's unit gets a file system that it can only read, but for its archive and what else its
config has it write; device files of sweepers alone, and none where all of them are on the network;
no new rights, and the system calls of an ordinary service. A user's own unit gets what a manager
without rights can give.

Not set, since something of a station needs it: ``ProtectClock=`` (it would take away the question
whether the clock is synchronised), ``MemoryDenyWriteExecute=`` (USB through a C library calls back
into Python), ``PrivateNetwork=``, ``IPAddressDeny=``, ``ProcSubset=`` (the boot's id), and
``PrivateUsers=`` (groups of ports).

Source: systemd.exec(5) and systemd.resource-control(5), from memory; systemd-analyze reads it in
the tests.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

__all__ = ["HOMES", "SOCKET_PATH_MOST_BYTES", "hardening"]

HOMES: Final = ("/home", "/root", "/run/user")
SOCKET_PATH_MOST_BYTES: Final = 100
"""Of the control socket in the archive's folder; a longer one is in the folder of temporary files,
which others of the user must then share."""
MEMORY_SHARE: Final = "75%"
TASKS_MOST: Final = 512

PORT_KINDS: Final = (
    "char-ttyACM",
    "char-ttyUSB",
    "char-ttyS",
    "char-ttyAMA",
    "char-rfcomm",
    "char-usb_device",
    "char-usb",
)
"""Kinds of device files that sweepers are at, as ``/proc/devices`` calls them."""

EVERYWHERE: Final = (
    "# It can gain no rights, whatever it starts.",
    "NoNewPrivileges=yes",
    "LockPersonality=yes",
    "RestrictRealtime=yes",
    "RestrictSUIDSGID=yes",
    "RestrictNamespaces=yes",
    "RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6 AF_NETLINK",
    "SystemCallArchitectures=native",
    "SystemCallFilter=@system-service",
    "# Asking whether the clock is synchronised; setting it wants a right that is not there.",
    "SystemCallFilter=adjtimex clock_adjtime",
    "SystemCallErrorNumber=EPERM",
    "UMask=0077",
    f"MemoryMax={MEMORY_SHARE}",
    f"TasksMax={TASKS_MOST}",
)

SYSTEM: Final = (
    "ProtectSystem=strict",
    "ProtectControlGroups=yes",
    "ProtectHostname=yes",
    "ProtectKernelLogs=yes",
    "ProtectKernelModules=yes",
    "ProtectKernelTunables=yes",
    "ProtectProc=invisible",
    "KeyringMode=private",
    "RemoveIPC=yes",
    "AmbientCapabilities=",
)

TMPS: Final = (Path("/tmp"), Path("/var/tmp"))
"""What ``PrivateTmp=yes`` hides."""

ROOTS_RIGHTS: Final = "CAP_CHOWN CAP_DAC_OVERRIDE CAP_FOWNER CAP_KILL CAP_SETGID CAP_SETUID"
"""Of a station that runs as root: its broker runs as a user of its own."""


def hardening(
    *,
    is_system: bool,
    user: str,
    archive: Path,
    writes: tuple[str, ...],
    reads: tuple[Path, ...],
    has_ports: bool,
) -> list[str]:
    """Lines of the unit's section ``[Service]``.

    Args:
        user: whom it runs as; "" as root.
        writes: folders that it writes, as they stand in a list of a unit.
        reads: files and folders that it must see: program and config.
        has_ports: whether a sweeper is, or may be, at a serial or USB port.
    """
    if not is_system:
        return list(EVERYWHERE)
    return [
        *EVERYWHERE,
        f"CapabilityBoundingSet={'' if user else ROOTS_RIGHTS}",
        *SYSTEM,
        "# All that it writes; one that is missing is said by the station itself.",
        *(f"ReadWritePaths=-{path}" for path in writes),
        f"ProtectHome={_home(archive, reads)}",
        *_tmp(archive, reads),
        *_devices(has_ports),
    ]


def _home(archive: Path, reads: tuple[Path, ...]) -> str:
    """Hidden, unless something of the station is there."""
    inside = any(path.is_relative_to(home) for path in (archive, *reads) for home in HOMES)
    return "read-only" if inside else "yes"


def _tmp(archive: Path, reads: tuple[Path, ...]) -> list[str]:
    if any(path.is_relative_to(one) for path in (archive, *reads) for one in TMPS):
        return ["# No /tmp of its own: something of the station is there."]
    socket = os.fsencode(archive / "control.sock")
    if len(socket) > SOCKET_PATH_MOST_BYTES:
        return [
            "# The archive's path is too long for a socket in it: commands find it in /tmp.",
            "ReadWritePaths=/tmp",
        ]
    return ["PrivateTmp=yes"]


def _devices(has_ports: bool) -> list[str]:
    if not has_ports:
        return ["# No sweeper is at a port of this machine.", "PrivateDevices=yes"]
    return ["DevicePolicy=closed", *(f"DeviceAllow={kind} rw" for kind in PORT_KINDS)]
