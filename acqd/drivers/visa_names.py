"""VISA resource strings taken apart: what they name, and one spelling for each thing named.

::

    TCPIP0::mast.local::hislip0::INSTR         HiSLIP (IVI-6.1), port 4880; hislip0,4881 for another
    TCPIP0::mast.local::inst0::INSTR           VXI-11; TCPIP0::mast.local,1024::inst0::INSTR goes
                                               to that port without asking a portmapper
    TCPIP0::mast.local::5025::SOCKET           a raw socket, as tcp://mast.local:5025
    USB0::0x1209::0x0001::GL0017::INSTR        USBTMC; interface number before INSTR where needed
    ASRL/dev/ttyACM0::INSTR                    a serial port, as serial:/dev/ttyACM0
    GPIB0::18::INSTR                           GPIB; secondary address before INSTR where needed

Case does not matter, a board left out is 0, and ``::INSTR`` may be left out. What VISA would take
and then look for somewhere else (``TCPIP::mast::socket`` is a VXI-11 device called "socket") is
refused with what was probably meant.

Pure: opens nothing, and needs no VISA library. Source of the forms: VPP-4.3 (IVI Foundation),
section on the address string grammar, from memory; host,port is PyVISA-py's way.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from acqd.errors import RequestRefused

__all__ = ["VisaKind", "VisaName", "looks_like_visa", "parse_visa", "usb_resource"]

HISLIP_PORT: Final = 4880
"""Registered for HiSLIP (IANA)."""

_SHAPE: Final = re.compile(r"(?i)(tcpip|usb|asrl|gpib|vxi|pxi|prlgx|vicp)[^:]*::.")
_HEAD: Final = re.compile(r"(?i)(tcpip|usb|gpib)(\d{0,3})")
_HOST: Final = re.compile(r"[A-Za-z0-9._-]+")
_DEVICE: Final = re.compile(r"[A-Za-z0-9._,-]+")

TCPIP_FORMS: Final = (
    "TCPIP0::HOST::hislip0::INSTR, TCPIP0::HOST::inst0::INSTR or TCPIP0::HOST::PORT::SOCKET"
)
USB_FORM: Final = "USB0::0xVVVV::0xPPPP::SERIAL::INSTR with the two USB ids in hexadecimal"
ASRL_FORM: Final = "ASRL/dev/ttyACM0::INSTR"
GPIB_FORM: Final = "GPIB0::18::INSTR with an address of 0 to 30"


class VisaKind(StrEnum):
    """What speaks at the other end."""

    HISLIP = "HiSLIP"
    VXI11 = "VXI-11"
    SOCKET = "socket"
    SERIAL = "serial"
    USBTMC = "USBTMC"
    GPIB = "GPIB"


@dataclass(frozen=True, slots=True, kw_only=True)
class VisaName:
    """One resource. Only the fields of its kind mean something.

    ``resource`` is the canonical spelling; equal things have equal ``key``.
    """

    kind: VisaKind
    resource: str
    key: str
    host: str = ""
    port: int | None = None
    """None: ask the portmapper (VXI-11)."""
    device: str = ""
    path: str = ""
    """Of a serial port."""
    vid: int = 0
    pid: int = 0
    serial_number: str = ""
    interface: int | None = None
    """USB interface number; None: the first that is USBTMC."""
    board: int = 0


def looks_like_visa(address: str) -> bool:
    """Whether ``address`` is meant as a VISA resource string, right or wrong."""
    return _SHAPE.match(address) is not None


def parse_visa(address: str) -> VisaName:
    """What ``address`` names.

    Raises:
        RequestRefused: no resource string, or of a kind that is not opened here; says what is.
    """
    parts = address.strip().split("::")
    if parts[0][:4].upper() == "ASRL":
        return _serial(address, parts)
    head = _HEAD.fullmatch(parts[0])
    reader = {"TCPIP": _tcpip, "USB": _usb, "GPIB": _gpib}.get(head[1].upper()) if head else None
    if reader is None or head is None:
        limit = f"TCPIP, USB, ASRL and GPIB resources, such as {TCPIP_FORMS}"
        raise _refused(address, limit)
    return reader(address, int(head[2] or 0), parts[1:])


def usb_resource(vid: int, pid: int, serial_number: str) -> str:
    """The canonical resource string of a USBTMC device."""
    return f"USB0::0x{vid:04X}::0x{pid:04X}::{serial_number}::INSTR"


def _refused(address: str, limit: str) -> RequestRefused:
    return RequestRefused(setting="address", asked=address, limit=limit)


def _tcpip(address: str, board: int, parts: list[str]) -> VisaName:
    if not parts or "" in parts or any(":" in part or "[" in part for part in parts[:2]):
        raise _refused(
            address,
            f"a host name or an IPv4 address in {TCPIP_FORMS}; "
            f"of IPv6 addresses only tcp://[::1]:5025 is opened",
        )
    ends_as = parts[-1].upper()
    if ends_as == "SOCKET":
        return _socket(address, board, parts[:-1])
    if ends_as == "INSTR":
        parts = parts[:-1]
    if len(parts) not in (1, 2):
        raise _refused(address, TCPIP_FORMS)
    device = parts[1] if len(parts) == 2 else "inst0"
    if device.isdigit():
        raise _refused(address, f"TCPIP{board}::{parts[0]}::{device}::SOCKET for a port")
    host, comma, port_text = parts[0].partition(",")
    _check_host(address, host)
    port = _port(address, port_text) if comma else None
    if device.lower().startswith("hislip"):
        return _hislip(address, board, host, port, device)
    if not _DEVICE.fullmatch(device):
        raise _refused(address, TCPIP_FORMS)
    place = host.lower() + ("" if port is None else f",{port}")
    resource = f"TCPIP{board}::{place}::{device}::INSTR"
    return VisaName(
        kind=VisaKind.VXI11,
        resource=resource,
        key=f"vxi-11:{place}:{device.lower()}",
        host=host,
        port=port,
        device=device,
        board=board,
    )


def _hislip(address: str, board: int, host: str, other: int | None, device: str) -> VisaName:
    name, comma, port_text = device.partition(",")
    if other is not None or not _DEVICE.fullmatch(name):
        raise _refused(address, "a port after the device, as in TCPIP0::HOST::hislip0,4881::INSTR")
    port = _port(address, port_text) if comma else HISLIP_PORT
    suffix = "" if port == HISLIP_PORT else f",{port}"
    return VisaName(
        kind=VisaKind.HISLIP,
        resource=f"TCPIP{board}::{host.lower()}::{name}{suffix}::INSTR",
        key=f"hislip:{host.lower()}:{port}:{name.lower()}",
        host=host,
        port=port,
        device=name,
        board=board,
    )


def _socket(address: str, board: int, parts: list[str]) -> VisaName:
    if len(parts) != 2:
        raise _refused(address, f"TCPIP{board}::{parts[0] if parts else 'HOST'}::PORT::SOCKET")
    host = parts[0]
    _check_host(address, host)
    port = _port(address, parts[1])
    resource = f"TCPIP{board}::{host.lower()}::{port}::SOCKET"
    key = f"{host.lower()}:{port}"
    return VisaName(
        kind=VisaKind.SOCKET, resource=resource, key=key, host=host, port=port, board=board
    )


def _check_host(address: str, host: str) -> None:
    if not _HOST.fullmatch(host):
        raise _refused(address, f"a host name or an IPv4 address in {TCPIP_FORMS}")


def _port(address: str, text: str) -> int:
    if not (text.isascii() and text.isdigit()) or not 1 <= int(text[:6]) <= 65535:
        raise _refused(address, "a port of 1 to 65535")
    return int(text)


def _usb(address: str, board: int, parts: list[str]) -> VisaName:
    if parts and parts[-1].upper() == "RAW":
        raise _refused(address, f"{USB_FORM}; RAW devices have no protocol that is known here")
    if parts and parts[-1].upper() == "INSTR":
        parts = parts[:-1]
    if len(parts) not in (3, 4) or not parts[2]:
        raise _refused(address, USB_FORM)
    vid, pid = (_usb_id(address, part) for part in parts[:2])
    interface = None
    if len(parts) == 4:
        if not (parts[3].isascii() and parts[3].isdigit()) or int(parts[3]) > 255:
            raise _refused(address, f"{USB_FORM}, and an interface number before INSTR")
        interface = int(parts[3])
    serial_number = parts[2]
    if re.search(r"[*?\[\]]", serial_number):
        # PyVISA-py would take it for a pattern, and any one of several instruments.
        raise _refused(address, "the instrument's whole serial number, without * ? [ or ]")
    place = usb_resource(vid, pid, serial_number).removesuffix("::INSTR").removeprefix("USB0")
    suffix = "" if interface is None else f"::{interface}"
    return VisaName(
        kind=VisaKind.USBTMC,
        resource=f"USB{board}{place}{suffix}::INSTR",
        key=f"usb{place}".lower(),
        vid=vid,
        pid=pid,
        serial_number=serial_number,
        interface=interface,
        board=board,
    )


def _usb_id(address: str, text: str) -> int:
    is_id = re.fullmatch(r"0[xX][0-9a-fA-F]{1,4}|[0-9]{1,5}", text)
    value = int(text, 16 if text[:2].lower() == "0x" else 10) if is_id else -1
    if not 0 <= value <= 0xFFFF:
        raise _refused(address, USB_FORM)
    return value


def _serial(address: str, parts: list[str]) -> VisaName:
    path = parts[0][4:]
    if len(parts) > 2 or (len(parts) == 2 and parts[1].upper() != "INSTR"):
        raise _refused(address, ASRL_FORM)
    if path.isdigit():
        raise _refused(address, f"{ASRL_FORM}: numbered ports are not known on this system")
    if not path.startswith("/"):
        raise _refused(address, f"{ASRL_FORM} with the whole path of the port")
    return VisaName(
        kind=VisaKind.SERIAL, resource=f"ASRL{path}::INSTR", key=f"serial:{path}", path=path
    )


def _gpib(address: str, board: int, parts: list[str]) -> VisaName:
    if parts and parts[-1].upper() == "INSTR":
        parts = parts[:-1]
    numbers = [int(part) if part.isascii() and part.isdigit() else -1 for part in parts]
    if len(numbers) not in (1, 2) or not all(0 <= number <= 30 for number in numbers):
        raise _refused(address, GPIB_FORM)
    place = "::".join(str(number) for number in numbers)
    resource = f"GPIB{board}::{place}::INSTR"
    return VisaName(kind=VisaKind.GPIB, resource=resource, key=resource.lower(), board=board)
