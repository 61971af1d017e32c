"""What can be seen to be of the kind that speaks SCPI, before anybody has asked it.

USB devices of the class for test and measurement, whatever their ids, and services that the network
announces for instruments. A page for people (LXI) is no way in and is left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from acqd.drivers.contract import FindContext
from acqd.drivers.mdns import addresses_of
from acqd.drivers.transport import address_key
from acqd.drivers.usbports import USBTMC
from acqd.drivers.visa_names import usb_resource

__all__ = ["InSight", "in_sight"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InSight:
    """One way in, by what it says of itself."""

    address: str
    what: str
    location: str = ""
    """On USB."""


def in_sight(context: FindContext) -> Iterator[InSight]:
    """All of them but for those that the user named, in any spelling; nothing is opened."""
    named = {address_key(address) for address in context.addresses}
    for device in context.usb_devices():
        # VISA names a USB device by its serial number; one without cannot be named.
        if device.serial_number and any(one[:2] == USBTMC for one in device.interfaces):
            address = usb_resource(device.vid, device.pid, device.serial_number)
            if address_key(address) not in named:
                name = f"{device.manufacturer} {device.product}".strip()
                what = f"{name or 'an instrument'}, by USBTMC"
                yield InSight(address=address, what=what, location=device.location)
    for service in context.services():
        if service.kind == "_lxi._tcp":
            continue
        for address in addresses_of(service):
            if address_key(address) not in named:
                facts = {key.lower(): value for key, value in service.text.items()}
                parts = (facts.get("manufacturer", ""), facts.get("model", ""))
                name = " ".join(part for part in parts if part) or service.name
                yield InSight(address=address, what=f"{name}, announced on the network")
