"""A station notices what is plugged in; the machine's lists are the test's own."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
import structlog
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

import acqd.station.hotplug
import acqd.station.sweepers
from acqd.archive.reader import open_archive
from acqd.clock import SystemClock
from acqd.config.load import load_config
from acqd.drivers.contract import Named, SerialPort, UsbDevice
from acqd.drivers.plugged import Machine, PlugEvents
from acqd.drivers.registry import load_drivers
from acqd.drivers.usbports import UsbIdentity
from acqd.station.build import build
from acqd.station.hotplug import TELLS_MOST, TRIES_MOST, HotPlug
from acqd.station.service import Station
from acqd.station.surroundings import Surroundings
from acqd.testing.clock import ManualClock
from gear import MAST, SOAK

LIMIT_S = 60.0


class Bell:
    """Who tells of changes: a pipe, which is a file as udev's is."""

    def __init__(self) -> None:
        self._out, self._in = os.pipe()
        os.set_blocking(self._out, False)

    def ring(self) -> None:
        os.write(self._in, b"!")

    def fileno(self) -> int:
        return self._out

    def drain(self) -> bool:
        try:
            return bool(os.read(self._out, 1000))
        except BlockingIOError:
            return False

    def close(self) -> None:
        os.close(self._out)
        os.close(self._in)


@dataclass
class Desk:
    """What is plugged in, changed by the test."""

    ports: list[SerialPort] = field(default_factory=list)
    usb: list[UsbDevice] = field(default_factory=list)
    number: int = 0
    bell: Bell | None = None
    listings: int = 0
    broken: bool = False

    def machine(self, *, poll_s: float = 0.01) -> Machine:
        return Machine(
            serial_ports=self._ports,
            usb_devices=lambda: list(self.usb),
            signature=self._signature,
            events=self._events,
            poll_s=poll_s,
        )

    def _ports(self) -> Sequence[SerialPort]:
        self.listings += 1
        return list(self.ports)

    def _signature(self) -> object:
        if self.broken:
            raise OSError("no sysfs")
        return (self.number, tuple(self.ports), tuple(self.usb))

    def _events(self) -> PlugEvents | None:
        return self.bell


@dataclass
class Away:
    """A sweeper that may be away, and how often it was tried at once."""

    present: bool = False
    tried: int = 0
    usb: UsbIdentity | None = None

    @property
    def host(self) -> Away:
        return self

    def try_now(self) -> None:
        self.tried += 1


Finding = tuple[str, str, dict[str, Any]]


@asynccontextmanager
async def watching(
    desk: Desk, *sweepers: Away, addresses: Sequence[str] = (), clock: Any = None
) -> AsyncIterator[list[Finding]]:
    """A watch over the desk; gives the findings that it tells."""
    told: list[Finding] = []

    async def tell(what: str, text: str, figures: Any) -> None:
        told.append((what, text, dict(figures)))

    watch = HotPlug(
        desk.machine(),
        sweepers=sweepers,
        configured={
            f"mast-{number}": ("scpi", Named(address=address))
            for number, address in enumerate(addresses)
        },
        tell=tell,
        clock=clock or ManualClock(),
    )
    task = asyncio.create_task(watch.run())
    await until("the first look", lambda: desk.listings or desk.broken)
    yield told
    assert not task.done() or task.result() is None
    task.cancel()
    await asyncio.wait([task])


async def until(what: str, condition: Callable[[], Any]) -> Any:
    ends_s = time.monotonic() + LIMIT_S
    while not (value := condition()):
        assert time.monotonic() < ends_s, f"waited in vain for {what}"
        await asyncio.sleep(0.005)
    return value


async def looked_again(desk: Desk) -> None:
    """Wait until the desk was listed after now, and what came of it is done."""
    before, desk.number = desk.listings, desk.number + 1
    await until("a look", lambda: desk.listings > before)
    before, desk.number = desk.listings, desk.number + 1
    await until("the look after it", lambda: desk.listings > before)


async def test_sweepers_that_are_away_are_tried_when_something_comes() -> None:
    """Those that are there are left alone; something that goes is no reason."""
    desk, away, there = Desk(), Away(), Away(present=True)
    async with watching(desk, away, there):
        desk.ports = [MAST]
        await until("a try", lambda: away.tried)
        tried = away.tried
        desk.ports = []
        await until("a look", lambda: desk.listings >= 3)
        await asyncio.sleep(0.05)
        assert (away.tried, there.tried) == (tried, 0)


async def test_one_that_came_back_between_two_looks_is_tried_too() -> None:
    """The lists are the same, the signature is not."""
    desk, away = Desk(ports=[MAST]), Away()
    async with watching(desk, away):
        desk.number += 1
        await until("a try", lambda: away.tried)


async def test_where_somebody_tells_nobody_needs_to_look(monkeypatch: pytest.MonkeyPatch) -> None:
    """A word is acted upon at once, after a short time for the pieces of an instrument."""
    monkeypatch.setattr(acqd.station.hotplug, "SETTLE_S", 0.01)
    desk, away = Desk(bell=Bell()), Away()
    assert desk.bell is not None
    async with watching(desk, away):
        desk.ports = [MAST]
        await asyncio.sleep(0.1)
        assert away.tried == 0
        desk.bell.ring()
        await until("a try", lambda: away.tried)
    # It is let go of.
    with pytest.raises(OSError):
        desk.bell.ring()


async def test_a_port_that_flaps_does_not_drive_the_sweepers() -> None:
    """So many tries in a minute, then their own backoff; a minute later it begins anew."""
    desk, away, clock = Desk(), Away(), ManualClock()
    with structlog.testing.capture_logs() as logged:
        async with watching(desk, away, clock=clock):
            for number in range(3 * TRIES_MOST):
                desk.ports = [MAST] if number % 2 == 0 else []
                await looked_again(desk)
            assert away.tried == TRIES_MOST
            clock.advance(61.0)
            desk.ports = []
            await looked_again(desk)
            desk.ports = [MAST]
            await until("a try", lambda: away.tried > TRIES_MOST)
    assert [one["event"] for one in logged] == ["hot_plug_flapping"]


async def test_a_new_sweeper_is_told_once_a_day_with_the_lines_for_a_config() -> None:
    """However often it is pulled out and put in; the next day again."""
    desk, clock = Desk(), ManualClock()
    async with watching(desk, clock=clock) as told:
        for _ in range(3):
            desk.usb = [SOAK]
            await looked_again(desk)
            desk.usb = []
            await looked_again(desk)
        ((what, text, figures),) = told
        assert what == "sweeper_new" and "Gannet Soak 30" in text and "\n" not in text
        assert figures["driver"] == "scpi"
        assert figures["config"].splitlines() == [
            "[sweeper.gannet-soak-30]",
            'driver = "scpi"',
            'address = "USB0::0x1209::0x00A1::GL0099::INSTR"',
        ]
        clock.advance(86_401.0)
        desk.usb = [SOAK]
        await until("the next day's word", lambda: len(told) == 2)


OURS = {
    "by its resource string": "USB0::0x1209::0x00a1::GL0099::INSTR",
    "by its identity": "usb:1209:00a1/GL0099",
    "by its place": "usb:1209:00a1@1-7",
}


@pytest.mark.parametrize("address", OURS.values(), ids=OURS)
async def test_what_the_config_names_is_not_new(address: str) -> None:
    """In whatever way."""
    desk = Desk()
    async with watching(desk, addresses=[address]) as told:
        desk.usb = [SOAK]
        await looked_again(desk)
        assert told == []


async def test_what_a_sweeper_was_opened_at_is_not_new_at_another_port() -> None:
    """Named by a port of yesterday, known by what it is."""
    known = UsbIdentity.of(MAST)
    device = replace(SOAK, location="1-2")
    desk, mast = Desk(), Away(present=True, usb=known)
    async with watching(desk, mast, addresses=["serial:/dev/ttyACM7"]) as told:
        desk.ports, desk.usb = [MAST], [device]
        await looked_again(desk)
        assert told == []


async def test_a_port_that_no_driver_knows_is_no_news() -> None:
    """A mouse, a modem, a board: nobody asked for them."""
    desk = Desk()
    async with watching(desk) as told:
        desk.ports = [MAST]
        await looked_again(desk)
        assert told == []


async def test_things_that_are_new_each_time_are_told_of_so_often_an_hour() -> None:
    """A device that makes up its serial number is no storm."""
    desk = Desk()
    with structlog.testing.capture_logs() as logged:
        async with watching(desk) as told:
            for number in range(TELLS_MOST + 5):
                desk.usb = [replace(SOAK, serial_number=f"GL{number}")]
                await looked_again(desk)
            assert len(told) == TELLS_MOST
    assert any(one.get("not_told") for one in logged)


async def test_lists_that_cannot_be_read_are_logged_once_and_tried_again(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The station goes on without them."""
    monkeypatch.setattr(acqd.station.hotplug, "TROUBLE_POLL_S", 0.01)
    desk, away = Desk(broken=True), Away()
    with structlog.testing.capture_logs() as logged:
        async with watching(desk, away):
            await asyncio.sleep(0.1)
            desk.broken = False
            await until("a look", lambda: desk.listings >= 1)
            await asyncio.sleep(0.05)
            desk.ports = [MAST]
            await until("a try", lambda: away.tried)
    assert [one["problem"] for one in logged if one["event"] == "hot_plug_trouble"] == ["no sysfs"]


async def test_whatever_comes_of_looking_at_what_is_new_the_watch_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A fault in what drivers made of it is logged, and costs no more than that word."""
    real = acqd.station.hotplug.gather

    def fails(result: Any) -> Any:
        monkeypatch.setattr(acqd.station.hotplug, "gather", real)
        raise ValueError("digits without end")

    monkeypatch.setattr(acqd.station.hotplug, "gather", fails)
    desk, clock = Desk(), ManualClock()
    with structlog.testing.capture_logs() as logged:
        async with watching(desk, clock=clock) as told:
            desk.usb = [SOAK]
            await until("the fault", lambda: events(logged, "hot_plug_trouble"))
            desk.usb = []
            await looked_again(desk)
            clock.advance(86_401.0)
            desk.usb = [SOAK]
            await until("a word", lambda: told)
    assert events(logged, "hot_plug_trouble")[0]["problem"] == "digits without end"


# -- a whole station ------------------------------------------------------------------------------

SCENE = """\
seed = 7

[scene.harbour]

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0
"""

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"
{station}

[mqtt]
broker = "none"

[sweeper.mast]
driver = "scpi"
address = "{address}"
options = {{ source = "no" }}
{more}

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = {{ every = "100 ms" }}
band = {{ margin = "10 dB" }}
"""


@asynccontextmanager
async def running(folder: Path, machine: Machine, **config: str) -> AsyncIterator[list[Any]]:
    """A station in this loop; gives what it logs."""
    path = folder / "station.toml"
    path.write_text(CONFIG.format(**{"station": "", "more": "", **config}))
    built = build(load_config(path), load_drivers())
    around = Surroundings(machine=machine)
    station = Station(built, clock=SystemClock(), run_id="run-1", around=around)
    with structlog.testing.capture_logs() as logged:
        task = asyncio.create_task(station.run())
        try:
            yield logged
        finally:
            station.stop()
            async with asyncio.timeout(LIMIT_S):
                await task


def served(path: Path) -> SimServer:
    return SimServer(world_from_text(SCENE), Served(pty={"mast": str(path)}, time_scale=0.02))


def events(logged: list[Any], event: str) -> list[Any]:
    return [one for one in logged if one["event"] == event]


ADDRESSES = {"by the port of yesterday": "serial:{path}", "by what it is": "usb:1209:0001/GL0017"}


@pytest.mark.slow
@pytest.mark.parametrize("address", ADDRESSES.values(), ids=ADDRESSES)
@pytest.mark.parametrize("is_told", [True, False], ids=["told", "looked"])
async def test_a_sweeper_that_comes_back_under_another_path_is_picked_up_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, address: str, is_told: bool
) -> None:
    """Not after its backoff, which is half a minute here; it is the same one by its identity."""
    monkeypatch.setattr(acqd.station.sweepers, "BACKOFF_FIRST_S", 30.0)
    first, second = tmp_path / "ttyACM0", tmp_path / "ttyACM1"
    desk = Desk(ports=[replace(MAST, device=str(first))], bell=Bell() if is_told else None)
    address = address.format(path=first)
    with served(second) as later:
        async with running(
            tmp_path,
            desk.machine(poll_s=0.05),
            address=address,
            more='serial_number = "GL0017"',
        ) as logged:
            with served(first):
                await until("it", lambda: events(logged, "sweeper_present"))
                desk.ports = []
            await until("the loss", lambda: events(logged, "sweeper_lost"))
            began_s = time.monotonic()
            desk.ports = [replace(MAST, device=str(second))]
            if desk.bell is not None:
                desk.bell.ring()
            await until("its return", lambda: len(events(logged, "sweeper_present")) == 2)
            assert time.monotonic() - began_s < 15.0
            assert later.address("mast") == f"serial:{second}"
            await until("word of it", lambda: events(logged, "sweeper_moved"))
    (moved,) = events(logged, "sweeper_moved")
    assert moved["before"] == f"serial:{first}" and moved["address"] == f"serial:{second}"
    with open_archive(tmp_path / "archive") as archive:
        words = [one.what for one in archive.findings("station")]
        texts = [one.text for one in archive.findings("station") if one.what == "sweeper_moved"]
    assert "identity_changed" not in words and "sweeper_back" in words
    if address.startswith("serial:"):
        assert 'address = "usb:1209:0001/GL0017@:1.0"' in texts[0]
    else:
        assert texts == []


@pytest.mark.slow
async def test_without_hot_plug_nobody_looks(tmp_path: Path) -> None:
    """The ports are listed when the sweeper is opened, and then no more."""
    path = tmp_path / "ttyACM0"
    desk = Desk(ports=[replace(MAST, device=str(path))])
    with served(path):
        async with running(
            tmp_path, desk.machine(), address=f"serial:{path}", station="hot_plug = false"
        ) as logged:
            await until("it", lambda: events(logged, "sweeper_present"))
            listings = desk.listings
            desk.number += 1
            await asyncio.sleep(0.3)
            assert desk.listings == listings == 1
