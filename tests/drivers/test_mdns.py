"""What is announced on the network, by another library's own announcer on the loopback."""

from __future__ import annotations

import socket
import sys
from collections.abc import Iterator
from typing import Any

import pytest
from zeroconf import ServiceInfo, Zeroconf

from acqd.drivers.contract import Service
from acqd.drivers.mdns import addresses_of, browse, forms_of_host, texts
from acqd.errors import TransportError

LOOPBACK = ["127.0.0.1"]
KNOWN = {"txtvers": "1", "Manufacturer": "GANNET", "Model": "LOOKOUT 1", "SerialNumber": "GL0017"}


def info(kind: str, name: str, port: int, text: dict[str, Any] | None = None) -> ServiceInfo:
    return ServiceInfo(
        f"{kind}.local.",
        f"{name}.{kind}.local.",
        addresses=[socket.inet_aton("127.0.0.1")],
        port=port,
        properties=KNOWN if text is None else text,
        server="gannet-mast.local.",
    )


@pytest.fixture
def announcer() -> Iterator[Zeroconf]:
    """Announces on the loopback alone."""
    zeroconf = Zeroconf(interfaces=LOOPBACK)
    yield zeroconf
    zeroconf.close()


@pytest.mark.slow
def test_what_is_announced_is_found_with_its_facts(announcer: Zeroconf) -> None:
    """Two services of one instrument; a page about cooking is none of ours."""
    announced = [
        info("_hislip._tcp", "Gannet mast", 4881),
        info("_lxi._tcp", "Gannet mast", 80),
        info("_http._tcp", "Cooking", 8080),
    ]
    for one in announced:
        announcer.register_service(one)
    found = browse(20.0, interfaces=LOOPBACK, enough=lambda known: len(known) >= 2)
    assert [(one.kind, one.name, one.host, one.port) for one in found] == [
        ("_hislip._tcp", "Gannet mast", "127.0.0.1", 4881),
        ("_lxi._tcp", "Gannet mast", "127.0.0.1", 80),
    ]
    assert dict(found[0].text) == KNOWN


@pytest.mark.slow
def test_hostile_texts_are_cut_and_made_printable(announcer: Zeroconf) -> None:
    """Bytes that are no letters, orders to a terminal, a text without end."""
    text = {"Model": b"\x1b[2J\xff\x00" + b"x" * 230, "\x1b]0;": b"y", "n" * 60: None}
    announcer.register_service(info("_scpi-raw._tcp", "mast \u202e", 5025, text))
    (found,) = browse(20.0, interfaces=LOOPBACK, enough=bool)
    shown = "".join((found.name, *found.text, *found.text.values()))
    assert shown.isprintable() and "\x1b" not in shown
    assert len(found.text["Model"]) == 100 and max(map(len, found.text)) == 40


def test_texts_are_bounded() -> None:
    """At most twenty, and none without a name."""
    many: dict[bytes, bytes | None] = {f"key{number}".encode(): b"1" for number in range(500)}
    assert len(texts(many)) == 20
    assert texts({b"": b"1", b"\x00": b"2", b"ok": None}) == {"ok": ""}


def test_nobody_announces_anything(announcer: Zeroconf) -> None:
    """Then it takes as long as it may, and nothing is found."""
    assert browse(0.3, interfaces=LOOPBACK) == []


def test_a_network_that_cannot_be_listened_to_is_said() -> None:
    """One line."""
    with pytest.raises(TransportError, match="cannot be asked for instruments"):
        browse(0.1, interfaces=["no address"])


ADDRESSES = {
    "_scpi-raw._tcp": (5025, ("tcp://192.0.2.7:5025",)),
    "_hislip._tcp": (4880, ("TCPIP0::192.0.2.7::hislip0::INSTR",)),
    "_vxi-11._tcp": (111, ("TCPIP0::192.0.2.7::inst0::INSTR",)),
    "_lxi._tcp": (80, ("TCPIP0::192.0.2.7::hislip0::INSTR", "tcp://192.0.2.7:5025")),
}


@pytest.mark.parametrize("kind", ADDRESSES)
def test_a_service_leads_to_addresses(kind: str) -> None:
    """In the forms that a config has, each of which can be opened here."""
    from acqd.drivers.transport import check_address

    port, addresses = ADDRESSES[kind]
    assert addresses_of(Service(kind=kind, name="m", host="192.0.2.7", port=port)) == addresses
    for address in addresses:
        check_address(address)


def test_another_port_and_an_address_of_ipv6() -> None:
    """The port is named; resource strings cannot hold the colons of an address."""
    service = Service(kind="_hislip._tcp", name="m", host="192.0.2.7", port=4881)
    assert addresses_of(service) == ("TCPIP0::192.0.2.7::hislip0,4881::INSTR",)
    assert forms_of_host("fd00::7") == ("tcp://[fd00::7]:5025",)
    assert addresses_of(Service(kind="_hislip._tcp", name="m", host="fd00::7", port=4880)) == ()


def test_the_library_is_loaded_when_somebody_listens_alone() -> None:
    """Not by who only wants to know what an address looks like."""
    import subprocess

    code = "import sys, acqd.drivers.mdns; sys.exit('zeroconf' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code]).returncode == 0
