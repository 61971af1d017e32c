"""Where a sweeper is at this opening: ports that come back under other names."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import acqd.drivers.whereabouts
from acqd.drivers.contract import SerialPort
from acqd.drivers.whereabouts import Whereabouts
from acqd.errors import IdentityChanged, RequestRefused, TransportError, TransportTimeout
from acqd.sweep import Identity
from acqd.testing.sweepers import FakeTransport, ScriptedDriver

ONE = SerialPort(
    device="/dev/ttyACM90", vid=0x1209, pid=0x0001, serial_number="GL0017", location="1-2:1.0"
)
OTHER = SerialPort(
    device="/dev/ttyACM91", vid=0x1209, pid=0x0001, serial_number="GL0042", location="1-3:1.0"
)
BARE = SerialPort(device="/dev/ttyUSB90", vid=0x1209, pid=0x0002, location="1-4.1")


class Ports:
    """What is plugged in, changed by the test."""

    def __init__(self, *ports: SerialPort) -> None:
        self.ports = list(ports)
        self.listings = 0

    def __call__(self) -> Sequence[SerialPort]:
        self.listings += 1
        return list(self.ports)


async def opened_at(where: Whereabouts) -> str:
    """Open it there, and let it go well."""
    place = await where.now()
    where.opened(place)
    return place.address


async def test_an_identity_leads_to_the_port_that_has_it() -> None:
    """Looked up anew each time."""
    ports = Ports(ONE, OTHER)
    where = Whereabouts("usb:1209:0001/GL0042", ports)
    assert await opened_at(where) == "serial:/dev/ttyACM91"
    ports.ports = [replace(OTHER, device="/dev/ttyACM92", location="2-1:1.0")]
    assert await opened_at(where) == "serial:/dev/ttyACM92"
    assert str(where.known) == "USB 1209:0001, serial number GL0042 at 2-1:1.0"


async def test_an_identity_that_nobody_or_several_have_is_refused() -> None:
    """One line, with what was seen."""
    with pytest.raises(TransportError, match="2 serial ports fit: /dev/ttyACM90"):
        await Whereabouts("usb:1209:0001", Ports(ONE, OTHER)).now()
    with pytest.raises(TransportError, match="no serial port of this identity is plugged in"):
        await Whereabouts("usb:1209:0001/GL9", Ports(ONE)).now()
    with pytest.raises(RequestRefused, match="accepted"):
        await Whereabouts("usb:1209", Ports(ONE)).now()


async def test_a_named_port_is_left_for_the_one_that_the_sweeper_is_at_now() -> None:
    """Once it is known what was there: gone, or something else in its place."""
    ports = Ports(ONE, OTHER)
    where = Whereabouts("serial:/dev/ttyACM90", ports)
    assert await opened_at(where) == "serial:/dev/ttyACM90"
    moved = replace(ONE, device="/dev/ttyACM92", location="2-1:1.0")
    ports.ports = [OTHER, moved]
    place = await where.now()
    assert place.address == "serial:/dev/ttyACM92" and place.moved
    where.opened(place)
    ports.ports = [replace(OTHER, device="/dev/ttyACM90"), replace(ONE, device="/dev/ttyACM91")]
    assert await opened_at(where) == "serial:/dev/ttyACM91"
    ports.ports = [ONE]
    back = await where.now()
    assert back.address == "serial:/dev/ttyACM90" and not back.moved


async def test_before_it_is_known_what_was_there_the_name_stands() -> None:
    """An opening that was not told to have gone well teaches nothing."""
    ports = Ports(ONE)
    where = Whereabouts("serial:/dev/ttyACM90", ports)
    await where.now()
    ports.ports = [replace(ONE, device="/dev/ttyACM92")]
    assert (await where.now()).address == "serial:/dev/ttyACM90"


async def test_without_a_serial_number_it_is_followed_where_it_was_plugged_in_alone() -> None:
    """At another socket it may be another one."""
    ports = Ports(BARE)
    where = Whereabouts("serial:/dev/ttyUSB90", ports)
    await opened_at(where)
    ports.ports = [replace(BARE, device="/dev/ttyUSB91")]
    assert (await where.now()).address == "serial:/dev/ttyUSB91"
    ports.ports = [replace(BARE, device="/dev/ttyUSB91", location="1-4.2")]
    assert (await where.now()).address == "serial:/dev/ttyUSB90"


async def test_two_that_fit_are_one_too_many_to_follow() -> None:
    """Two devices with one serial number: neither is taken for it."""
    ports = Ports(ONE)
    where = Whereabouts("serial:/dev/ttyACM90", ports)
    await opened_at(where)
    twins = [replace(ONE, device=f"/dev/ttyACM9{number}") for number in (1, 2)]
    ports.ports = twins
    assert (await where.now()).address == "serial:/dev/ttyACM90"


async def test_a_port_that_nobody_lists_but_that_is_there_stays_the_one(tmp_path: Path) -> None:
    """A link that somebody put there on purpose."""
    path = tmp_path / "mast"
    path.touch()
    ports = Ports(replace(ONE, device=str(path)))
    where = Whereabouts(f"serial:{path}", ports)
    await opened_at(where)
    ports.ports = [ONE]
    assert (await where.now()).address == f"serial:{path}"


async def test_other_addresses_need_no_listing() -> None:
    """Nobody looks at ports for a socket."""
    ports = Ports(ONE)
    for address in ("tcp://192.0.2.7:5025", "sim:mast", "USB0::0x1209::0x0001::GL0017::INSTR"):
        assert (await Whereabouts(address, ports).now()).address == address
    assert ports.listings == 0


async def test_ports_that_cannot_be_listed_do_not_keep_a_named_one_from_being_opened() -> None:
    """An identity cannot be looked up then."""

    def broken() -> list[SerialPort]:
        raise OSError("no sysfs")

    assert (await Whereabouts("serial:/dev/ttyACM90", broken).now()).usb is None
    with pytest.raises(TransportError, match="cannot be listed: no sysfs"):
        await Whereabouts("usb:1209:0001", broken).now()


async def test_a_listing_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A bus that does not answer costs this opening alone."""
    monkeypatch.setattr(acqd.drivers.whereabouts, "LIST_TIMEOUT_S", 0.05)
    let_go = threading.Event()

    def hung() -> list[SerialPort]:
        let_go.wait(20)
        return []

    with pytest.raises(TransportTimeout, match="could not be listed within"):
        await Whereabouts("usb:1209:0001", hung).now()
    let_go.set()


async def test_a_host_opens_where_the_sweeper_is_and_judges_who_answers(
    host_of: Callable[..., Any],
) -> None:
    """The link is opened at the other port; who is not the one of the config is refused there."""
    opened: list[str] = []

    class Linked(ScriptedDriver):
        def open(self, context: Any) -> Any:
            context.connect()
            return super().open(context)

    def open_link(address: str, options: Any) -> FakeTransport:
        opened.append(address)
        return FakeTransport()

    ports = Ports(ONE)
    driver = Linked()
    host = host_of(
        driver,
        address="serial:/dev/ttyACM90",
        open_link=open_link,
        list_serial=ports,
        expected=Identity(serial_number="SN0001"),
    )
    assert not (await host.open()).place.moved
    ports.ports = [replace(ONE, device="/dev/ttyACM95")]
    found = await host.open()
    assert found.place.moved and opened == ["serial:/dev/ttyACM90", "serial:/dev/ttyACM95"]
    driver.identity = Identity(maker="ACME", model="SCRIPT", serial_number="SN0002")
    with pytest.raises(IdentityChanged):
        await host.open()
    await host.close()


async def test_what_a_driver_says_of_its_options_comes_before_a_port_that_is_away(
    host_of: Callable[..., Any],
) -> None:
    """Else a wrong option shows only once somebody plugs the sweeper in."""

    class Choosy(ScriptedDriver):
        def open(self, context: Any) -> Any:
            if "profile" not in context.options:
                raise RequestRefused(setting="option profile", asked="nothing", limit="one")
            context.connect()
            return super().open(context)

    opened: list[str] = []
    for options, error in (({}, RequestRefused), ({"profile": "mast"}, TransportError)):
        host = host_of(
            Choosy(),
            address="usb:1209:0001/GL9",
            options=options,
            open_link=lambda address, _: opened.append(address),
            list_serial=Ports(ONE),
        )
        with pytest.raises(error, match="profile" if not options else "seen: .*GL0017"):
            await host.open()
        await host.close()
    assert opened == []
