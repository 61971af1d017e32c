"""What the driver finds by class and by announcement, and how it asks what a config names."""

from __future__ import annotations

from typing import Any

import pytest
from acqd_scpi.driver import ScpiDriver

from acqd.drivers.contract import Certainty, Named, Service, UsbDevice
from acqd.drivers.finding import look_for
from acqd.drivers.registry import DriverEntry, Registry
from acqd.errors import TransportError
from gear import SOAK

MOUSE = UsbDevice(vid=0x1209, pid=0x00B0, serial_number="1", interfaces=((0x03, 0x01, 0x02),))
NAMELESS = UsbDevice(vid=0x1209, pid=0x00A2, interfaces=((0xFE, 0x03, 0x00),))
SERVICES = [
    Service(kind="_hislip._tcp", name="mast", host="192.0.2.7", port=4880),
    Service(
        kind="_scpi-raw._tcp",
        name="mast",
        host="192.0.2.7",
        port=5026,
        text={"manufacturer": "GANNET", "Model": "LOOKOUT 9"},
    ),
    Service(kind="_lxi._tcp", name="mast", host="192.0.2.7", port=80),
]
TMC_ADDRESS = "USB0::0x1209::0x00A1::GL0099::INSTR"


def find(addresses: Any = (), **more: Any) -> list[Any]:
    """What the driver finds on a machine without serial ports."""
    entry = DriverEntry(name="scpi", distribution="acqd-scpi", version="0", factory=ScpiDriver)
    options = {"list_serial": list, "list_usb": lambda: [SOAK, MOUSE, NAMELESS], **more}
    result = look_for(Registry(drivers={"scpi": entry}), addresses=addresses, **options)
    assert result.problems == ()
    return list(result.candidates)


def test_instruments_by_class_and_by_announcement_are_likely() -> None:
    """A mouse is none, one without a serial number has no name, a page for people is no way in."""
    found = find(list_services=lambda: SERVICES)
    assert {(one.address, one.certainty, one.what) for one in found} == {
        (TMC_ADDRESS, Certainty.LIKELY, "Gannet Soak 30, by USBTMC"),
        ("TCPIP0::192.0.2.7::hislip0::INSTR", Certainty.LIKELY, "mast, announced on the network"),
        ("tcp://192.0.2.7:5026", Certainty.LIKELY, "GANNET LOOKOUT 9, announced on the network"),
    }


def test_what_the_user_named_is_not_listed_twice() -> None:
    """Named is more than likely."""
    (found,) = find([TMC_ADDRESS])
    assert found.certainty is Certainty.LISTED


def test_what_a_config_names_is_asked_as_the_config_says(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """At its rate; an option that is wrong is told in place of an answer."""
    opened: list[Any] = []

    def open_link(address: str, options: Any) -> Any:
        opened.append((address, dict(options)))
        raise TransportError(f"{address}: nobody there")

    monkeypatch.setattr("acqd.drivers.finding.open_transport", open_link)
    options = {"baud": 9600, "terminator": "cr"}
    named = Named(address="serial:/dev/ttyACM90", options=options)
    (found,) = find({"scpi": [named]}, probe=True, list_usb=list)
    assert opened == [("serial:/dev/ttyACM90", options)] and "nobody there" in found.what
    wrong = Named(address="serial:/dev/ttyACM90", options={"terminator": "tab"})
    (found,) = find({"scpi": [wrong]}, probe=True, list_usb=list)
    assert len(opened) == 1 and "terminator" in found.what
