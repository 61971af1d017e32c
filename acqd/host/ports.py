"""May this user open serial ports and USB devices, and does something else send bytes to them?

Limits: Linux. Ports are told by their usual names; access lists count only on the machine at hand.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acqd.drivers.usbports import USBTMC, Holder, holders, usb_devices, usb_nodes
from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here, Process
from acqd.host.needs import Needs

__all__ = [
    "PORT_GROUPS",
    "Group",
    "parse_groups",
    "port_groups",
    "ports_here",
    "rights",
    "strangers",
]

RIGHTS: Final = "rights on ports"
PROBED: Final = "nobody else on the ports"

SERIAL_NAME: Final = re.compile(r"tty(USB|ACM|XRUSB|AMA|AP)[0-9]+|rfcomm[0-9]+|usbtmc[0-9]+")
SERIAL_GROUPS: Final = ("dialout", "uucp")
"""Whom distributions give serial ports to: Debian and its kin, and others."""
PORT_GROUPS: Final = (*SERIAL_GROUPS, "plugdev")
"""With the one that Debian gives USB devices to."""
PORTS_SHOWN: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """A line of ``/etc/group``."""

    name: str
    number: int
    users: frozenset[str]


def parse_groups(text: str) -> dict[int, Group]:
    """The groups of ``/etc/group`` by number; lines that are none are left out."""
    found: dict[int, Group] = {}
    for line in text.splitlines():
        parts = line.split(":")
        if len(parts) == 4 and parts[0] and parts[2].isdigit():
            users = frozenset(user for user in parts[3].split(",") if user)
            found.setdefault(int(parts[2]), Group(name=parts[0], number=int(parts[2]), users=users))
    return found


def ports_here(here: Here, needs: Needs) -> tuple[str, ...]:
    """The device files that sweepers are, or could be, at: those of the config, else all that are
    plugged in (serial ports with a usual name, USB devices for test and measurement)."""
    if needs.ports is not None:
        return tuple(path for path in needs.ports if here.exists(path))
    found = [f"/dev/{name}" for name in here.names("/dev") if SERIAL_NAME.fullmatch(name)]
    sysfs = here.at("/sys/bus/usb/devices")
    for device in usb_devices(sysfs):
        if any(interface[:2] == USBTMC for interface in device.interfaces):
            found += [node for node in usb_nodes(device, sysfs) if here.exists(node)]
    return tuple(dict.fromkeys(found))


def rights(here: Here, needs: Needs) -> HostCheck:
    """Whether the ports can be opened; of none that is plugged in, whether they could be."""
    if needs.ports == ():
        return good(RIGHTS, "no sweeper of the config is at a serial or USB port of this machine")
    ports = ports_here(here, needs)
    if here.uid == 0:
        return good(RIGHTS, "root may open every port")
    if ports:
        return _rights_on(here, ports)
    groups = port_groups(here)
    if not groups:
        return unknown(
            RIGHTS,
            "no port is plugged in, and no group of serial ports (dialout, uucp) is known here",
            "plug the sweeper in and look again",
        )
    mine = [group for group in groups if group.number in here.groups]
    if mine:
        return good(RIGHTS, f"no port is plugged in; {here.user} is in group {mine[0].name}")
    return _join(here, groups[0], "no port is plugged in yet, and when one is,")


def port_groups(here: Here) -> list[Group]:
    """The groups that serial ports usually belong to, of those that there are."""
    groups = parse_groups(here.text("/etc/group") or "").values()
    by_name = {group.name: group for group in groups}
    return [by_name[name] for name in SERIAL_GROUPS if name in by_name]


def _rights_on(here: Here, ports: Sequence[str]) -> HostCheck:
    closed = [path for path in ports if here.may_use(path) is False]
    if not closed:
        shown = ", ".join(ports[:PORTS_SHOWN]) + (" …" if len(ports) > PORTS_SHOWN else "")
        return good(RIGHTS, f"{here.user} may open {shown}")
    path = closed[0]
    node = here.at(path).stat()
    if path.startswith("/dev/bus/usb/") and node.st_mode >> 3 & 0o6 != 0o6:
        return _needs_rule(here, path)
    group = parse_groups(here.text("/etc/group") or "").get(node.st_gid)
    if group is None or node.st_mode >> 3 & 0o6 != 0o6 or group.number in here.groups:
        return to_do(
            RIGHTS,
            f"{here.user} may not open {path}, and no group of it would help",
            f"`sudo chmod g+rw {path}` helps until it is plugged in again; for good a udev rule "
            f"has to give it to a group",
        )
    return _join(here, group, f"{path} belongs to group {group.name};")


def _join(here: Here, group: Group, why: str) -> HostCheck:
    if here.user in group.users:
        return to_do(
            RIGHTS,
            f"{why} {here.user} is in group {group.name}, but this session began before that",
            f"log out and in again, or `newgrp {group.name}` for this terminal alone",
        )
    return to_do(
        RIGHTS,
        f"{why} {here.user} is not in group {group.name}, which may open it",
        f"`sudo usermod -aG {group.name} {here.user}`, then log out and in again",
    )


def _needs_rule(here: Here, path: str) -> HostCheck:
    """A USB device that only root may write to needs a rule."""
    sysfs = here.at("/sys/bus/usb/devices")
    device = next((one for one in usb_devices(sysfs) if path in usb_nodes(one, sysfs)), None)
    names = [group.name for group in parse_groups(here.text("/etc/group") or "").values()]
    group = next((name for name in reversed(PORT_GROUPS) if name in names), here.user)
    if device is None:
        return to_do(RIGHTS, f"{path} is gone again", "look once more")
    rule = (
        f'SUBSYSTEM=="usb", ATTR{{idVendor}}=="{device.vid:04x}", '
        f'ATTR{{idProduct}}=="{device.pid:04x}", GROUP="{group}", MODE="0660", TAG+="uaccess"'
    )
    return to_do(
        RIGHTS,
        f"only root may open the USB device {device.vid:04x}:{device.pid:04x} ({path})",
        f"`echo '{rule}' | sudo tee -a /etc/udev/rules.d/70-acqd.rules`, "
        f"`sudo udevadm control --reload`, then plug it in again ({here.user} has to be in group "
        f"{group})",
    )


# -- who else is there -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kind:
    """A kind of program that is known to write to ports it has not been given."""

    what: str
    unit: str


PROBERS: Final[Mapping[str, _Kind]] = {
    "ModemManager": _Kind(
        what="a modem manager, which sends bytes to a new port to see whether it is a modem",
        unit="ModemManager.service",
    ),
    "brltty": _Kind(
        what="a braille daemon, which takes serial adapters that a braille display could be behind",
        unit="brltty.service brltty-udev.service",
    ),
    "gpsd": _Kind(
        what="a position daemon, which tries speeds on a port until it reads positions",
        unit="gpsd.socket gpsd.service",
    ),
}
"""By the name that the kernel has of them."""

SPARED: Final = re.compile(r"^E:ID_MM_(DEVICE|PORT)_IGNORE=1$", re.MULTILINE)
"""What a rule writes into udev's database, so that a modem manager leaves a device alone."""
ABOVE_MAX: Final = 6
"""So many folders above a port in sysfs its USB device lies at the most."""
LOGINS: Final = ("agetty", "getty", "mgetty")


def strangers(here: Here, needs: Needs) -> HostCheck:
    """Whether something else writes to serial ports, or has one of ours open."""
    if needs.ports == ():
        return good(PROBED, "no sweeper of the config is at a serial or USB port of this machine")
    ports = ports_here(here, needs)
    running = here.processes()
    if not running:
        return unknown(PROBED, "what runs here cannot be listed (/proc)")
    found = _on_ports(here, ports, running) or _probers(here, ports, running)
    if found is not None:
        return found
    found_none = "no program that probes serial ports runs"
    if ports:
        whose = "nobody" if here.uid == 0 else f"no program of {here.user}'s"
        found_none += f", and {whose} has one open"
    return good(PROBED, found_none)


def _on_ports(here: Here, ports: Sequence[str], running: Iterable[Process]) -> HostCheck | None:
    """A login prompt on a port, or a program that has one open."""
    names = {path.removeprefix("/dev/"): path for path in ports}
    for process in running:
        on = next((names[word] for word in process.words if word in names), None)
        if process.name in LOGINS and on is not None:
            port = on.removeprefix("/dev/")
            return to_do(
                PROBED,
                f"a login prompt runs on {on} (process {process.pid})",
                f"`sudo systemctl disable --now serial-getty@{port}.service`, and take the port "
                f"out of the kernel's command line (console=) where it stands there",
            )
    held = _held(here, ports)
    for path, holder in held.items():
        if holder.command.startswith("acqd"):
            continue
        return to_do(
            PROBED,
            f"{path} is open in {holder}",
            "end that program, or leave the port to it and name another in the config",
        )
    return None


def _held(here: Here, ports: Sequence[str]) -> Mapping[str, Holder]:
    return holders([*ports], here.at("/proc")) if ports else {}


def _probers(here: Here, ports: Sequence[str], running: Iterable[Process]) -> HostCheck | None:
    for process in running:
        kind = PROBERS.get(process.name)
        if kind is None:
            continue
        if process.name == "ModemManager" and ports and all(_is_spared(here, one) for one in ports):
            continue
        off = f"`sudo systemctl disable --now {kind.unit}`"
        do = f"where nothing here needs it: {off}"
        if process.name == "ModemManager" and (rule := _sparing_rule(here)) is not None:
            do += (
                f"; else tell it to leave the sweeper alone: `echo '{rule}' | sudo tee -a "
                f"/etc/udev/rules.d/70-acqd.rules`, `sudo udevadm control --reload`, and plug it "
                f"in again"
            )
        return to_do(PROBED, f"{kind.what}, runs here (process {process.pid})", do)
    return None


def _is_spared(here: Here, path: str) -> bool:
    """Whether udev tells a modem manager to leave a port alone, or the device it is of."""
    tty = Path("/sys/class/tty", path.removeprefix("/dev/"))
    numbers = [here.line(tty / "dev")]
    place = here.at(tty / "device")
    if place.exists():
        above = [place.resolve(), *place.resolve().parents][:ABOVE_MAX]
        device = next((one for one in above if (one / "idVendor").is_file()), None)
        if device is not None:
            numbers.append(here.line(Path("/", device.relative_to(here.root.resolve()), "dev")))
    texts = [here.text(f"/run/udev/data/c{number}") or "" for number in numbers if number]
    return any(SPARED.search(text) for text in texts)


def _sparing_rule(here: Here) -> str | None:
    """The rule for the first USB device with a serial port; None where there is none."""
    for device in usb_devices(here.at("/sys/bus/usb/devices")):
        # A port of the communication class, or of the maker's own, by the USB-IF's list.
        if any(interface[0] in (0x02, 0x0A, 0xFF) for interface in device.interfaces):
            return (
                f'ATTRS{{idVendor}}=="{device.vid:04x}", ATTRS{{idProduct}}=="{device.pid:04x}", '
                f'ENV{{ID_MM_DEVICE_IGNORE}}="1"'
            )
    return None
