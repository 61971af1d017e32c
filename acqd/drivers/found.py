"""What was found, put together: one row a way in, and what is the same instrument said to be so.

An instrument can be seen several times: by HiSLIP, by a raw socket and by what LXI announces of it,
or as a USBTMC device and as a serial port. Two ways in belong together where

* they are one address, by whatever spelling, or one USB device,
* the same maker, model and serial number answered or were announced,
* they are one host, at the registered ports, and nothing that was said speaks against it.

Limit: what nobody has asked and what announces nothing of itself can be told apart by host and USB
device alone; two such rows may be one instrument.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Final
from urllib.parse import urlsplit

from acqd.drivers.contract import Candidate, Certainty, SerialPort, Service, UsbDevice
from acqd.drivers.finding import FindResult
from acqd.drivers.mdns import HISLIP_PORT, RAW_PORT, addresses_of
from acqd.drivers.usbports import USBTMC, UsbIdentity, port_at
from acqd.drivers.visa_names import VisaKind, VisaName, looks_like_visa, parse_visa, usb_resource
from acqd.errors import RequestRefused
from acqd.sweep import Identity

__all__ = ["Found", "gather", "names_device"]

_SURE: Final = {certainty: place for place, certainty in enumerate(Certainty)}
_NOBODY: Final = len(_SURE)

_ROADS: Final = ("HiSLIP", "USBTMC", "raw socket", "VXI-11", "serial")
"""The best first: those with message ends and device clear before bare streams."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """One way in to something. ``driver`` is empty and ``certainty`` None where nobody knows it."""

    address: str
    what: str
    driver: str = ""
    certainty: Certainty | None = None
    identity: Identity | None = None
    options: Mapping[str, Any] = field(default_factory=dict)
    port: SerialPort | None = None
    usb: UsbDevice | None = None
    service: Service | None = None
    held_by: str = ""
    same_as: str = ""
    """The surest address of the same instrument, where that is another; "" where this is it."""
    also: tuple[str, ...] = ()
    """Other drivers that take the same address for theirs."""

    @property
    def bus(self) -> UsbIdentity | None:
        """What it is known by on USB; None where it is not there."""
        for one in (self.port, self.usb):
            if one is not None and (known := UsbIdentity.of(one)) is not None:
                return known
        return None


def gather(result: FindResult) -> tuple[Found, ...]:
    """Every way in that was found, the surest instrument first and its other ways right after it.

    Ports, USBTMC devices and services that no driver took come last.
    """
    ways = [_way(candidate, result) for candidate in result.candidates]
    ways += _unclaimed(ways, result)
    groups: list[list[Found]] = []
    for way in sorted(ways, key=_rank):
        joined = [way]
        kept = []
        for group in groups:
            # What says nothing of itself must not join two that say they are different.
            if _belongs(way, group) and len(_all_who([*joined, *group])) <= 1:
                joined += group
            else:
                kept.append(group)
        groups = [*kept, sorted(joined, key=_rank)]
    groups = [[one for one in group if one is group[0] or not _is_page(one)] for group in groups]
    groups.sort(key=lambda group: _rank(group[0]))
    return tuple(one for group in groups for one in _said(group))


def names_device(address: str, one: SerialPort | UsbDevice) -> bool:
    """Whether an address of a config leads to a serial port, or to a USB device or a port of it."""
    port = one if isinstance(one, SerialPort) else None
    name = _visa(address)
    if name is not None:
        if name.kind is VisaKind.USBTMC:
            return _is_device(name, one)
        return (
            name.kind is VisaKind.SERIAL
            and port is not None
            and port_at(name.path, [port]) is not None
        )
    scheme, _, path = address.partition(":")
    if scheme.lower() == "serial":
        return port is not None and port_at(path, [port]) is not None
    try:
        wanted = UsbIdentity.parse(address)
    except RequestRefused:
        return False
    if port is None:
        # The device as a whole: whichever of its interfaces is meant.
        wanted = replace(wanted, location=wanted.location.partition(":")[0])
    return wanted.fits(one)


# -- one way in -----------------------------------------------------------------------------------


def _way(candidate: Candidate, result: FindResult) -> Found:
    address = candidate.address
    name = _visa(address)
    path = address.partition(":")[2] if address.lower().startswith("serial:") else ""
    if name is not None and name.kind is VisaKind.SERIAL:
        path = name.path
    port = port_at(path, result.ports) if path else None
    usb = None
    if name is not None and name.kind is VisaKind.USBTMC:
        usb = next((one for one in result.usb if _is_device(name, one)), None)
    elif port is not None:
        usb = _device_of(port, result.usb)
    key = _key(address)
    service = next(
        (
            one
            for one in result.services
            if one.kind != "_lxi._tcp" and key in {_key(each) for each in addresses_of(one)}
        ),
        None,
    )
    held = result.held.get(address)
    return Found(
        address=address,
        what=candidate.what or str(candidate.identity or ""),
        driver=candidate.driver,
        certainty=candidate.certainty,
        identity=candidate.identity,
        options=candidate.options,
        port=port,
        usb=usb,
        service=service,
        held_by="" if held is None else str(held),
    )


def _unclaimed(ways: Sequence[Found], result: FindResult) -> list[Found]:
    """What is there and no driver took."""
    found = []
    for port in result.ports:
        if any(way.port == port for way in ways):
            continue
        held = result.held.get(f"serial:{port.device}")
        found.append(
            Found(
                address=f"serial:{port.device}",
                what=_of_port(port),
                certainty=None if held is None else Certainty.BUSY,
                port=port,
                usb=_device_of(port, result.usb),
                held_by="" if held is None else str(held),
            )
        )
    for device in result.usb:
        is_tmc = any(interface[:2] == USBTMC for interface in device.interfaces)
        if not is_tmc or any(way.usb == device and _road(way) == "USBTMC" for way in ways):
            continue
        held = result.held.get(device.location)
        found.append(
            Found(
                address=usb_resource(device.vid, device.pid, device.serial_number or "SERIAL"),
                what=_of_device(device.manufacturer, device.product, "a USBTMC instrument"),
                certainty=None if held is None else Certainty.BUSY,
                usb=device,
                held_by="" if held is None else str(held),
            )
        )
    for service in result.services:
        addresses = addresses_of(service)
        if not addresses or any(way.service == service for way in ways):
            continue
        found.append(Found(address=addresses[0], what=_of_service(service), service=service))
    return found


def _of_port(port: SerialPort) -> str:
    if port.vid is None:
        plain = "a serial port of this machine"
        is_telling = port.description not in ("", "n/a", port.device.rpartition("/")[2])
        return port.description if is_telling else plain
    return _of_device(port.manufacturer, port.product or port.description, "a serial port on USB")


def _of_device(maker: str, product: str, plain: str) -> str:
    if maker and not product.lower().startswith(maker.lower()):
        product = f"{maker} {product}".strip()
    return product or plain


def _of_service(service: Service) -> str:
    identity = _announced(service)
    text = service.name
    if identity is not None:
        text = f"{identity} ({service.name})"
    kind = {"_lxi._tcp": "LXI", "_hislip._tcp": "HiSLIP", "_vxi-11._tcp": "VXI-11"}
    return f"{text}, announced as {kind.get(service.kind, 'raw SCPI')}"


def _announced(service: Service) -> Identity | None:
    """Who a service says it is, by the keys of LXI's TXT records (from memory)."""
    text = {key.lower(): value for key, value in service.text.items()}
    identity = Identity(
        maker=text.get("manufacturer", ""),
        model=text.get("model", ""),
        serial_number=text.get("serialnumber", ""),
        firmware=text.get("firmwareversion", ""),
    )
    return identity if identity.maker or identity.model else None


def _is_device(name: VisaName, one: SerialPort | UsbDevice) -> bool:
    ids = (name.vid, name.pid, name.serial_number.lower())
    return ids == (one.vid, one.pid, one.serial_number.lower())


def _device_of(port: SerialPort, usb: Iterable[UsbDevice]) -> UsbDevice | None:
    place = port.location.partition(":")[0]
    return next((one for one in usb if place and one.location == place), None)


def _visa(address: str) -> VisaName | None:
    if not looks_like_visa(address):
        return None
    try:
        return parse_visa(address)
    except RequestRefused:
        return None


# -- what belongs together ------------------------------------------------------------------------


def _key(address: str) -> str:
    """Equal for equal things, by whatever spelling."""
    name = _visa(address)
    if name is not None:
        return name.key
    scheme, _, rest = address.partition(":")
    return rest.removeprefix("//").lower() if scheme.lower() == "tcp" else address


def _belongs(way: Found, group: Sequence[Found]) -> bool:
    who = _who(way)
    others = _all_who(group)
    if who is not None and others:
        return who in others
    if any(_key(way.address) == _key(each.address) for each in group):
        return True
    place = _place(way)
    if place and any(place == _place(each) for each in group):
        return True
    host = _host(way)
    return bool(host) and any(host == _host(each) for each in group)


def _all_who(ways: Sequence[Found]) -> set[tuple[str, str, str]]:
    return {who for way in ways if (who := _who(way)) is not None}


def _who(way: Found) -> tuple[str, str, str] | None:
    """Maker, model and serial number, where they tell instruments apart."""
    identity = way.identity
    if identity is None and way.service is not None:
        identity = _announced(way.service)
    if identity is None or identity.is_doubtful:
        return None
    parts = (identity.maker, identity.model, identity.serial_number)
    return (parts[0].casefold(), parts[1].casefold(), parts[2].casefold())


def _place(way: Found) -> str:
    """Of the USB device."""
    for one in (way.usb, way.port):
        if one is not None and one.location:
            return one.location.partition(":")[0]
    return ""


def _host(way: Found) -> str:
    """The host, where the way in is one of the registered ones: at other ports of one host there
    may be other instruments."""
    if way.service is not None and way.service.kind == "_lxi._tcp":
        return way.service.host.lower()
    name = _visa(way.address)
    if name is not None:
        is_usual = name.port in (None, HISLIP_PORT, RAW_PORT)
        return name.host.lower() if is_usual else ""
    if not way.address.lower().startswith("tcp://"):
        return ""
    try:
        parts = urlsplit(way.address)
        return (parts.hostname or "").lower() if parts.port == RAW_PORT else ""
    except ValueError:
        return ""


def _road(way: Found) -> str:
    name = _visa(way.address)
    if name is not None:
        return {
            VisaKind.HISLIP: "HiSLIP",
            VisaKind.USBTMC: "USBTMC",
            VisaKind.VXI11: "VXI-11",
            VisaKind.SERIAL: "serial",
        }.get(name.kind, "raw socket")
    scheme = way.address.partition(":")[0].lower()
    return {"serial": "serial", "tcp": "raw socket"}.get(scheme, "")


def _rank(way: Found) -> tuple[int, int, str, tuple[object, ...]]:
    sure = _NOBODY if way.certainty is None or not way.driver else _SURE[way.certainty]
    road = _road(way)
    place = _ROADS.index(road) if road in _ROADS else len(_ROADS)
    return (sure, place + _is_page(way) * len(_ROADS), way.driver, _natural(way.address))


def _is_page(way: Found) -> bool:
    """Whether all that is known is a page for people, which LXI announces: beside other ways in to
    the same instrument it is none."""
    return not way.driver and way.service is not None and way.service.kind == "_lxi._tcp"


def _natural(text: str) -> tuple[object, ...]:
    """``ttyACM10`` after ``ttyACM9``."""
    parts = re.split(r"([0-9]+)", text)
    return tuple((0, int(one), "") if one.isdigit() else (1, 0, one) for one in parts)


def _said(group: Sequence[Found]) -> list[Found]:
    """A group with what belongs to its first said of the others."""
    first = group[0]
    drivers: dict[str, list[str]] = {}
    for one in group:
        if one.driver:
            drivers.setdefault(_key(one.address), []).append(one.driver)
    said = []
    for one in group:
        others = dict.fromkeys(drivers.get(_key(one.address), ()))
        also = tuple(name for name in others if name != one.driver)
        same = "" if one is first else first.address
        said.append(replace(one, same_as=same, also=also))
    return said
