"""Rules for udev that give a sweeper a name that lasts and a group that may open it.

One pair of rules a sweeper, by what it says of itself on the bus (vendor, product, serial number)
or by where it is plugged in: for its serial port and for the USB device itself. Nothing is known
here of any maker. Whatever could mean something else in a rule stands in it as ``?``, which matches
any one character.

Source: udev(7), from memory; tests have udev itself read what is made here.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from acqd.drivers.usbports import UsbIdentity
from acqd.errors import WrongUsage

__all__ = ["FOLDER", "Named", "rules_file", "rules_text"]

FOLDER: Final = "/etc/udev/rules.d"
_GROUP: Final = re.compile(r"[a-z_][a-z0-9_-]{0,31}")
_NAME: Final = re.compile(r"[a-z0-9_-]{1,32}")
_UNSAFE: Final = re.compile(r"[^A-Za-z0-9 _.:/+=,@#-]")
_LOCATION: Final = re.compile(r"[0-9]+-[0-9.]+")


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """A sweeper, by the name that it is to have and what it is known by."""

    name: str
    identity: UsbIdentity


def rules_file(station: str) -> str:
    """Where the rules of a station belong."""
    return f"{FOLDER}/70-acqd-{station}.rules"


def rules_text(sweepers: Sequence[Named], *, station: str, group: str) -> str:
    """The whole file, with what to do with it at its head.

    Raises:
        WrongUsage: a name that no group, or no link, can have.
    """
    if not _GROUP.fullmatch(group):
        raise WrongUsage(f"--group {group!r}: a group's name has 1 to 32 of a-z 0-9 _ -")
    file = rules_file(station)
    lines = [
        f"# Written by `acqd service udev` for the station {station}.",
        f"# Put it in as {file}, then:",
        "#   sudo udevadm control --reload",
        "#   sudo udevadm trigger --subsystem-match=tty --subsystem-match=usb",
        f"# Whoever is in the group {group} may then open these sweepers.",
    ]
    for one in sweepers:
        lines += ["", *_rules(one, group)]
    return "\n".join(lines) + "\n"


def _rules(sweeper: Named, group: str) -> list[str]:
    if not _NAME.fullmatch(sweeper.name):
        raise WrongUsage(f"{sweeper.name!r}: a sweeper's name has 1 to 32 of a-z 0-9 _ -")
    given = f'GROUP="{group}", MODE="0660"'
    by = "its serial number" if sweeper.identity.serial_number else "where it is plugged in"
    if not (sweeper.identity.serial_number or sweeper.identity.location):
        by = "its kind alone: two of a kind would share the name"
    return [
        f"# {sweeper.name}, by {by}: /dev/acqd/{sweeper.name} is its serial port",
        f'SUBSYSTEM=="tty", {_match(sweeper.identity, parents=True)}, '
        f'SYMLINK+="acqd/{sweeper.name}", {given}',
        f'SUBSYSTEM=="usb", ENV{{DEVTYPE}}=="usb_device", '
        f"{_match(sweeper.identity, parents=False)}, "
        f'SYMLINK+="acqd/{sweeper.name}-usb", {given}',
    ]


def _match(identity: UsbIdentity, *, parents: bool) -> str:
    """What has to be so of the device or, with ``parents``, all of it of one above it."""
    attribute = "ATTRS" if parents else "ATTR"
    found = [
        f'{attribute}{{idVendor}}=="{identity.vid:04x}"',
        f'{attribute}{{idProduct}}=="{identity.pid:04x}"',
    ]
    place, _, interface = identity.location.partition(":")
    if identity.serial_number:
        found.append(f'{attribute}{{serial}}=="{_matched(identity.serial_number)}"')
    elif place:
        if not _LOCATION.fullmatch(place):
            raise WrongUsage(f"{place!r} is no place on a bus, such as 1-2.3")
        found.insert(0, f'{"KERNELS" if parents else "KERNEL"}=="{place}"')
    if interface and parents:
        number = interface.rpartition(".")[2]
        if not number.isdigit():
            raise WrongUsage(f"{interface!r} is no interface of a device, such as 1.0")
        # Of the ports of one device; by 70 udev's own rules have asked for it.
        found.append(f'ENV{{ID_USB_INTERFACE_NUM}}=="{int(number):02x}"')
    return ", ".join(found)


def _matched(text: str) -> str:
    """``text`` as a rule may hold it: no quotes, no patterns, no line of its own. udev compares
    bytes, so a letter of several of them is as many ``?``."""
    return _UNSAFE.sub(lambda one: "?" * len(one[0].encode(errors="replace")), text)
