"""VISA resource strings: what they name, one spelling for each thing, and what is refused."""

from __future__ import annotations

import pytest

from acqd.drivers.transport import address_key, check_address
from acqd.drivers.visa_names import VisaKind, looks_like_visa, parse_visa
from acqd.errors import RequestRefused

CANONICAL = {
    "HiSLIP": ("TCPIP::Mast.Local::HISLIP0", "TCPIP0::mast.local::HISLIP0::INSTR", "HiSLIP"),
    "HiSLIP with its own port": (
        "tcpip0::mast::hislip0,4880::instr",
        "TCPIP0::mast::hislip0::INSTR",
        "HiSLIP",
    ),
    "HiSLIP elsewhere": (
        "TCPIP::10.0.0.7::hislip1,4881",
        "TCPIP0::10.0.0.7::hislip1,4881::INSTR",
        "HiSLIP",
    ),
    "VXI-11 without a device": ("TCPIP::mast", "TCPIP0::mast::inst0::INSTR", "VXI-11"),
    "VXI-11 of a gateway": (
        "TCPIP2::mast::gpib0,18::INSTR",
        "TCPIP2::mast::gpib0,18::INSTR",
        "VXI-11",
    ),
    "VXI-11 at a port": (
        "TCPIP::mast,1024::inst0::INSTR",
        "TCPIP0::mast,1024::inst0::INSTR",
        "VXI-11",
    ),
    "a socket in small letters": (
        "tcpip::mast::5025::socket",
        "TCPIP0::mast::5025::SOCKET",
        "socket",
    ),
    "USB in decimal": ("usb::4617::1::GL0017", "USB0::0x1209::0x0001::GL0017::INSTR", "USBTMC"),
    "USB with an interface": (
        "USB0::0x1209::0x1::GL::2::INSTR",
        "USB0::0x1209::0x0001::GL::2::INSTR",
        "USBTMC",
    ),
    "serial": ("asrl/dev/ttyACM0::instr", "ASRL/dev/ttyACM0::INSTR", "serial"),
    "GPIB": ("gpib::18", "GPIB0::18::INSTR", "GPIB"),
    "GPIB with a secondary address": ("GPIB1::18::2::INSTR", "GPIB1::18::2::INSTR", "GPIB"),
}


@pytest.mark.parametrize(("given", "canonical", "kind"), CANONICAL.values(), ids=CANONICAL)
def test_a_resource_has_one_spelling(given: str, canonical: str, kind: str) -> None:
    """Boards and classes that were left out are filled in, ids are hexadecimal, hosts small."""
    name = parse_visa(given)
    assert (name.resource, name.kind) == (canonical, VisaKind(kind))
    assert parse_visa(canonical).key == name.key
    assert looks_like_visa(canonical) and check_address(canonical) == "visa"


@pytest.mark.parametrize("given", [name for name, _, _ in CANONICAL.values()])
def test_spellings_agree_with_pyvisa(given: str) -> None:
    """PyVISA reads the canonical spelling as the same resource, so it can be given to others."""
    from pyvisa import rname

    name = parse_visa(given)
    theirs = rname.ResourceName.from_string(name.resource)
    if name.kind is VisaKind.USBTMC:
        theirs_ids = (int(theirs.manufacturer_id, 0), int(theirs.model_code, 0))
        assert theirs_ids == (name.vid, name.pid)
        assert theirs.serial_number == name.serial_number
    else:
        assert str(theirs) == name.resource


WRONG = {
    "a class and no port": ("TCPIP::mast::socket", "TCPIP0::mast::PORT::SOCKET"),
    "a port and no class": ("TCPIP::mast::5025", "TCPIP0::mast::5025::SOCKET for a port"),
    "a port too large": ("TCPIP::mast::70000::SOCKET", "1 to 65535"),
    "an IPv6 literal": ("TCPIP::[::1]::inst0::INSTR", "IPv6"),
    "an IPv6 literal without brackets": ("TCPIP::fe80::1:2:3::4::INSTR", "IPv6"),
    "a host of nothing": ("TCPIP::::inst0::INSTR", "a host name or an IPv4 address"),
    "a HiSLIP port in the wrong place": ("TCPIP::mast,4881::hislip0", "a port after the device"),
    "USB without a serial number": ("USB::0x1209::0x0001::INSTR", "USB0::0xVVVV"),
    "USB ids that are none": ("USB::gannet::0x0001::SN::INSTR", "hexadecimal"),
    "USB raw": ("USB::0x1209::0x0001::SN::RAW", "RAW"),
    "any USB serial number": ("USB::0x1209::0x0001::*::INSTR", "whole serial number"),
    "a numbered serial port": ("ASRL3::INSTR", "numbered ports"),
    "a serial port by half its path": ("ASRLttyACM0::INSTR", "whole path"),
    "GPIB beyond its addresses": ("GPIB::31::INSTR", "0 to 30"),
    "a GPIB interface": ("GPIB0::1::INTFC", "0 to 30"),
    "a backplane": ("VXI0::1::INSTR", "TCPIP, USB, ASRL and GPIB"),
}


@pytest.mark.parametrize(("address", "says"), WRONG.values(), ids=WRONG)
def test_what_would_name_something_else_is_refused(address: str, says: str) -> None:
    """One line with what was given and what is accepted, also through check_address."""
    with pytest.raises(RequestRefused, match=r"address: .* is not accepted") as refused:
        parse_visa(address)
    assert says in str(refused.value) and "\n" not in str(refused.value)
    assert looks_like_visa(address)
    with pytest.raises(RequestRefused):
        check_address(address)


def test_addresses_of_the_stations_own_kind_do_not_look_like_visa() -> None:
    """Nor does an IPv6 address, whose colons are doubled too."""
    for address in ("tcp://[fe80::1]:5025", "serial:/dev/ttyACM0", "sim:mast", "tcp::x", ""):
        assert not looks_like_visa(address)


def test_spellings_of_one_address_have_one_key() -> None:
    """A socket by its two forms; other forms are told apart as they are written."""
    assert address_key("TCPIP::Mast::5025::socket") == address_key("tcp://mast:5025")
    assert address_key("TCPIP::mast::hislip0") == address_key("tcpip0::MAST::hislip0,4880::INSTR")
    assert address_key("ASRL/dev/ttyACM0::INSTR") == address_key("serial:/dev/ttyACM0")
    assert address_key("TCPIP::mast::socket") == "TCPIP::mast::socket"
    assert address_key("sim:mast") == "sim:mast"
