"""What is plugged into this machine: its serial ports and USB devices, and who holds them.

All of it is read from the tables of the system (``/sys``, ``/proc``); nothing is opened, so no
sweeper restarts because somebody looked. An *identity on the bus* is what a port is known by from
plug to plug, and what a config can name in place of the port of today::

    usb:1209:0001                 any instrument with these USB ids, where there is one of them
    usb:1209:0001/GL0017          the one with this USB serial number
    usb:1209:0001@1-2.3           the one that is plugged in here
    usb:1209:0001/GL0017@:1.2     of its several ports that of this interface

Ids are hexadecimal, four digits each. The serial number is that of the USB descriptor, which need
not be the one that the instrument answers with.

Limits: Linux. The serial ports are those that pyserial lists: no pseudo-terminals. Who holds a port
can be told of processes of the same user alone (of all, for root).
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from acqd.drivers.contract import SerialPort, UsbDevice
from acqd.errors import RequestRefused, TransportError

__all__ = [
    "USBTMC",
    "USB_FORMS",
    "Holder",
    "ListSerial",
    "UsbIdentity",
    "clean",
    "holders",
    "is_usb_address",
    "port_at",
    "refuse_missing",
    "serial_ports",
    "signature",
    "usb_devices",
    "usb_location",
    "usb_nodes",
]

ListSerial = Callable[[], Sequence[SerialPort]]

USB_FORMS: Final = '"usb:1209:0001", with "/SERIAL NUMBER" or "@1-2.3" (where it is plugged in)'

USBTMC: Final = (0xFE, 0x03)
"""Class and subclass of an interface for test and measurement (USB-IF, USBTMC 1.0)."""

SYSFS: Final = Path("/sys/bus/usb/devices")
PROC: Final = Path("/proc")

DEVICES_MAX: Final = 1000
INTERFACES_MAX: Final = 64
TEXT_MAX: Final = 200
HANDLES_MAX: Final = 100_000
"""Open files that are looked through to find who holds a port."""
LISTINGS: Final = 3
"""So often the ports are listed: one that is pulled out meanwhile spoils a listing."""

_FORM: Final = re.compile(
    r"usb:(?P<vid>[0-9a-f]{4}):(?P<pid>[0-9a-f]{4})"
    r"(?:/(?P<serial>.+?))?(?:@(?P<location>[0-9]+-[0-9.]+(?::[0-9]+\.[0-9]+)?|:[0-9]+\.[0-9]+))?",
    re.IGNORECASE,
)


def clean(text: object) -> str:
    """A text that a device says of itself, so that it can be shown: one line, printable, short."""
    kept = "".join(letter if letter.isprintable() else " " for letter in str(text or ""))
    return " ".join(kept.split())[:TEXT_MAX]


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbIdentity:
    """What a port is known by on the bus. Empty where it does not matter, or nobody knows."""

    vid: int
    pid: int
    serial_number: str = ""
    location: str = ""

    @classmethod
    def parse(cls, address: str) -> UsbIdentity:
        """The identity that an address of the form ``usb:…`` names.

        Raises:
            RequestRefused: not of that form.
        """
        match = _FORM.fullmatch(address.strip())
        if match is None:
            raise RequestRefused(setting="address", asked=address, limit=USB_FORMS)
        return cls(
            vid=int(match["vid"], 16),
            pid=int(match["pid"], 16),
            serial_number=match["serial"] or "",
            location=match["location"] or "",
        )

    @classmethod
    def of(cls, port: SerialPort | UsbDevice) -> UsbIdentity | None:
        """That of a port; None where it is not on USB."""
        if port.vid is None or port.pid is None:
            return None
        return cls(
            vid=port.vid, pid=port.pid, serial_number=port.serial_number, location=port.location
        )

    def fits(self, port: SerialPort | UsbDevice) -> bool:
        """Whether ``port`` has all that is named here."""
        return (
            (port.vid, port.pid) == (self.vid, self.pid)
            and self.serial_number in ("", port.serial_number)
            and (not self.location or _is_within(port.location, self.location))
        )

    @property
    def lasting(self) -> UsbIdentity:
        """What of it is the same at another port: the serial number, or else the location."""
        if not _is_telling(self.serial_number):
            return UsbIdentity(vid=self.vid, pid=self.pid, location=self.location)
        # Two ports of one device are told apart by the interface, whose number stays.
        _, colon, interface = self.location.partition(":")
        return UsbIdentity(
            vid=self.vid,
            pid=self.pid,
            serial_number=self.serial_number,
            location=colon + interface,
        )

    @property
    def address(self) -> str:
        """As a config names it."""
        serial = f"/{self.serial_number}" if self.serial_number else ""
        place = f"@{self.location}" if self.location else ""
        return f"usb:{self.vid:04x}:{self.pid:04x}{serial}{place}"

    @property
    def hint(self) -> str:
        """What a config would say, so that it is found at whatever port."""
        return f'address = "{self.lasting.address}"'

    def __str__(self) -> str:
        serial = f", serial number {self.serial_number}" if self.serial_number else ""
        place = f" at {self.location}" if self.location else ""
        return f"USB {self.vid:04x}:{self.pid:04x}{serial}{place}"


def _is_within(location: str, wanted: str) -> bool:
    """``1-2.3:1.0`` lies at ``1-2.3``; ``:1.0`` alone asks for the interface, wherever it is."""
    if wanted.startswith(":"):
        return location.endswith(wanted)
    return location == wanted or location.partition(":")[0] == wanted


def _is_telling(serial_number: str) -> bool:
    """Whether a serial number tells two devices apart; all zeros, ones or empty do not."""
    serial = serial_number.strip().lower().removeprefix("0x")
    return not (set(serial) <= {"0"} or set(serial) <= {"f"})


def is_usb_address(address: str) -> bool:
    """Whether an address means to be of the form ``usb:…``; VISA's ``USB0::…`` does not."""
    return re.match(r"(?i)usb:(?!:)", address) is not None


def port_at(path: str, ports: Iterable[SerialPort]) -> SerialPort | None:
    """The listed port that ``path``, which may be a link to it, leads to."""
    device = os.path.realpath(path)
    return next((port for port in ports if port.device in (path, device)), None)


# -- serial ports --------------------------------------------------------------------------------


def serial_ports() -> list[SerialPort]:
    """The serial ports of this machine, as the operating system lists them.

    Raises:
        OSError: they cannot be listed.
    """
    from serial.tools import list_ports

    for left in reversed(range(LISTINGS)):
        try:
            found = list_ports.comports()
            break
        except (TypeError, ValueError) as error:
            # One was pulled out between two looks at it.
            if not left:
                raise OSError(f"ports come and go while they are listed: {error}") from error
    return [
        SerialPort(
            device=str(port.device),
            description=clean(port.description),
            vid=port.vid,
            pid=port.pid,
            serial_number=clean(port.serial_number),
            location=clean(port.location),
            manufacturer=clean(port.manufacturer),
            product=clean(port.product),
            interface=clean(port.interface),
        )
        for port in sorted(found)
    ]


def usb_location(path: str) -> str:
    """Where the USB device behind a serial port is plugged in ("1-2.3"), or "" where it is none.

    ``path`` may be a link to the port, as under /dev/serial.
    """
    port = port_at(path, serial_ports())
    return "" if port is None else port.location


# -- USB devices ---------------------------------------------------------------------------------


def usb_devices(root: Path = SYSFS) -> list[UsbDevice]:
    """The USB devices of this machine, hubs left out, read from sysfs; none where there is none.

    Args:
        root: the folder with one folder a device, ``1-2.3``, and one an interface, ``1-2.3:1.0``.
    """
    found = []
    for folder in _device_folders(root):
        try:
            vid, pid = (int(_line(folder / key), 16) for key in ("idVendor", "idProduct"))
            kind = int(_line(folder / "bDeviceClass") or "0", 16)
        except ValueError:
            continue  # pulled out meanwhile, or no device
        if kind == 0x09:  # a hub, by the USB-IF's list of classes
            continue
        found.append(
            UsbDevice(
                vid=vid,
                pid=pid,
                serial_number=_line(folder / "serial"),
                location=folder.name,
                manufacturer=_line(folder / "manufacturer"),
                product=_line(folder / "product"),
                interfaces=_interfaces(folder),
            )
        )
    return found


def usb_nodes(device: UsbDevice, root: Path = SYSFS) -> tuple[str, ...]:
    """The files under /dev that a program opens to talk to a USB device: that of the bus, and
    those of the kernel's own driver for test and measurement."""
    folder = root / device.location
    try:
        bus, number = (int(_line(folder / key)) for key in ("busnum", "devnum"))
    except ValueError:
        return ()
    nodes = [f"/dev/bus/usb/{bus:03}/{number:03}"]
    for interface in _interface_folders(folder):
        for kind in ("usbmisc", "usb"):
            nodes += [f"/dev/{name}" for name in _names(interface / kind) if "usbtmc" in name]
    return tuple(nodes)


def _device_folders(root: Path) -> list[Path]:
    names = [name for name in _names(root) if re.fullmatch(r"[0-9]+-[0-9.]+", name)]
    return [root / name for name in sorted(names)[:DEVICES_MAX]]


def _interface_folders(device: Path) -> list[Path]:
    names = [name for name in _names(device) if name.startswith(f"{device.name}:")]
    # Some trees (and all of them, seen from the bus) have the interfaces beside the device.
    beside = [name for name in _names(device.parent) if name.startswith(f"{device.name}:")]
    folders = [device / name for name in sorted(names)]
    folders += [device.parent / name for name in sorted(set(beside) - set(names))]
    return folders[:INTERFACES_MAX]


def _interfaces(device: Path) -> tuple[tuple[int, int, int], ...]:
    keys = ("bInterfaceClass", "bInterfaceSubClass", "bInterfaceProtocol")
    found = []
    for folder in _interface_folders(device):
        try:
            kind, sub, protocol = (int(_line(folder / key), 16) for key in keys)
        except ValueError:
            continue
        found.append((kind, sub, protocol))
    return tuple(found)


def _names(folder: Path) -> list[str]:
    try:
        return os.listdir(folder)
    except OSError:
        return []


def _line(path: Path) -> str:
    """The first line of a small file; empty where there is none."""
    try:
        with path.open("rb") as file:
            return clean(file.read(1024).partition(b"\n")[0].decode("utf-8", "replace"))
    except OSError:
        return ""


# -- who holds a port ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Holder:
    """A process that has a port open."""

    pid: int
    command: str

    def __str__(self) -> str:
        return f"{self.command or 'a program'}, process {self.pid}"


def holders(paths: Iterable[str], proc: Path = PROC) -> Mapping[str, Holder]:
    """Who has each of these files open, by path, where the kernel tells; this process is left out.

    Looks through the open files of the processes that this user may look into. A program that
    keeps up a pseudo-terminal often holds its near end too: it is the peer, nobody's user.
    """
    wanted: dict[str, list[str]] = {}
    for path in paths:
        wanted.setdefault(os.path.realpath(path), []).append(path)
    found: dict[str, Holder] = {}
    looked = 0
    for name in _names(proc):
        if not name.isdigit() or int(name) == os.getpid():
            continue
        targets = [_target(proc / name / "fd" / handle) for handle in _names(proc / name / "fd")]
        looked += len(targets)
        if looked > HANDLES_MAX:
            return found
        keeps_terminals = any(target.endswith("/ptmx") for target in targets)
        for target in targets:
            if keeps_terminals and target.startswith("/dev/pts/"):
                continue
            for path in wanted.get(target, ()):
                found.setdefault(path, Holder(pid=int(name), command=_command(proc / name)))
    return found


def _target(link: Path) -> str:
    try:
        return os.readlink(link)
    except OSError:
        return ""  # closed meanwhile, or another user's


def _command(process: Path) -> str:
    try:
        return clean((process / "comm").read_bytes()[:100].decode("utf-8", "replace"))
    except OSError:
        return ""


def signature(root: Path = SYSFS, dev: Path = Path("/dev")) -> tuple[object, ...]:
    """Something that differs whenever something was plugged in or out: cheap to make, to compare
    with the one before. A device that was pulled and came back at the same place has a new number.
    """
    devices = tuple((one.name, _line(one / "devnum")) for one in _device_folders(root))
    nodes = tuple(
        (name, _inode(dev / name))
        for name in sorted(_names(dev))
        if re.match(r"tty(USB|ACM|XRUSB|AMA|AP)|usbtmc|rfcomm", name)
    )
    return (devices, nodes)


def _inode(node: Path) -> int:
    try:
        return node.lstat().st_ino
    except OSError:
        return 0


def refuse_missing(wanted: UsbIdentity, ports: Sequence[SerialPort]) -> TransportError:
    """Why ``wanted`` leads to no port, or not to one: what was seen instead."""
    fitting = [port for port in ports if wanted.fits(port)]
    if fitting:
        seen = ", ".join(f"{one.device} ({UsbIdentity.of(one)})" for one in fitting[:8])
        return TransportError(
            f"{wanted.address}: {len(fitting)} serial ports fit: {seen}; add the serial number "
            f"or @ and where it is plugged in"
        )
    on_usb = [f"{one.device} ({UsbIdentity.of(one)})" for one in ports if one.vid is not None]
    seen = ", ".join(on_usb[:8]) or "none on USB"
    return TransportError(
        f"{wanted.address}: no serial port of this identity is plugged in; seen: {seen}"
    )
