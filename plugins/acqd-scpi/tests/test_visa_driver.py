"""The driver over VISA resource strings: the conformance kit, and what goes wrong on the way.

HiSLIP, VXI-11, sockets and serial ports of a simulator in this process; USB by a bus of this
process where pyusb looks for a backend. PyVISA-py speaks on the driver's side.
"""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import usb.backend.libusb1
from acqd_scpi import ScpiDriver
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer
from acqd_sim.usbbus import SimulatedBus

from acqd.clock import SystemClock
from acqd.drivers.contract import Certainty, Driver, UsbDevice
from acqd.drivers.finding import look_for
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import DriverEntry, Registry
from acqd.drivers.transport import open_transport
from acqd.errors import (
    DriverFault,
    PortBusy,
    SweeperError,
    SweeperReported,
    TransportError,
    TransportTimeout,
)
from acqd.sweep import SourceRequest, SweepFlag, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from sim_process import SimProcess

pytestmark = pytest.mark.slow

ANY = ("127.0.0.1", 0)
QUICK = {"timeout_s": 0.5, "ask_timeout_s": 0.3}
HAND_HELD = SweepRequest(start_hz=446e6, stop_hz=446.2e6, points=401, rbw_hz=10e3)
SLOW = replace(HAND_HELD, sweep_time_s=40.0)
SOURCE = SourceRequest(on=True, level_dbm=-20.0)
WAYS = ("SOCKET", "ASRL", "HiSLIP", "VXI-11", "USBTMC")
MESSAGES = WAYS[2:]


class Shack:
    """The simulator's sweeper with a source, behind every kind of resource."""

    def __init__(self, server: SimServer) -> None:
        self.server = server
        tcp, pty, *others = (port.address for port in server.ports("shack"))
        host, port = tcp.removeprefix("tcp://").split(":")
        addresses = (
            f"TCPIP0::{host}::{port}::SOCKET",
            f"ASRL{pty.removeprefix('serial:')}::INSTR",
            *others,
        )
        self.addresses = dict(zip(WAYS, addresses, strict=True))

    def tell(self, order: str) -> None:
        self.server.tell(f"shack {order}")

    def clears(self, way: str) -> int:
        port: Any = self.server.ports("shack")[WAYS.index(way)]
        return int(port.device.clears if way == "USBTMC" else port.clears)

    def source_is_on(self) -> bool:
        """Asked over a connection of its own."""
        host, _, port = self.server.address("shack").removeprefix("tcp://").rpartition(":")
        with socket.create_connection((host, int(port)), 2) as link:
            link.sendall(b"OUTP?\n")
            return link.makefile().readline().strip() == "1"

    async def until_source_is(self, on: bool, limit_s: float) -> None:
        """Wait for it."""
        until_s = time.monotonic() + limit_s
        while self.source_is_on() is not on:
            assert time.monotonic() < until_s
            # It changes in another thread, which has no event of ours to set.
            await asyncio.sleep(0.02)

    def bench(self, way: str) -> Bench:
        self.tell("replug")
        return Bench(
            driver=ScpiDriver(),
            address=self.addresses[way],
            options=QUICK,
            request=HAND_HELD,
            slow_request=SLOW,
            unplug=lambda: self.tell("unplug"),
            replug=lambda: self.tell("replug"),
            source_request=SOURCE,
            source_is_on=self.source_is_on,
            sweeps=50,
            endurance_s=2.0,
        )


@pytest.fixture(scope="module")
def shack(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Shack]:
    """One server for all tests of this module, at a twentieth of its scene's pace."""
    bus = SimulatedBus()
    link = tmp_path_factory.mktemp("sim") / "shack"
    ways = Served(
        tcp={"shack": ANY},
        pty={"shack": str(link)},
        hislip={"shack": ANY},
        vxi11={"shack": ANY},
        usb={"shack": bus},
        time_scale=0.05,
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(usb.backend.libusb1, "get_backend", lambda *args, **kwargs: bus)
        with SimServer(load_world(), ways) as server:
            yield Shack(server)


@pytest.fixture(autouse=True)
def healed(shack: Shack) -> Iterator[None]:
    """Every test leaves an instrument that behaves."""
    yield
    shack.tell("heal")
    shack.tell("replug")


Make = Callable[..., SweeperHost]


@pytest.fixture
async def host_of() -> AsyncIterator[Make]:
    """Makes hosts, and closes them also where the test failed: a port left open is busy."""
    made: list[SweeperHost] = []

    def make(address: str, *, driver: Driver | None = None, **options: Any) -> SweeperHost:
        made.append(
            SweeperHost(
                name="under-test",
                driver=driver or ScpiDriver(),
                address=address,
                options={**QUICK, **options},
                clock=SystemClock(),
                deadline_s=10.0,
            )
        )
        return made[-1]

    yield make
    for host in made:
        await host.close()


class TestConformanceOverHislip(DriverConformance):
    """The whole kit, over HiSLIP."""

    @pytest.fixture
    def bench(self, shack: Shack) -> Bench:
        """The shack's sweeper."""
        return shack.bench("HiSLIP")


class TestConformanceOverUsbtmc(DriverConformance):
    """The whole kit, over USBTMC."""

    @pytest.fixture
    def bench(self, shack: Shack) -> Bench:
        """The shack's sweeper."""
        return shack.bench("USBTMC")


class TestConformanceOverVxi11(DriverConformance):
    """The whole kit, over VXI-11."""

    @pytest.fixture
    def bench(self, shack: Shack) -> Bench:
        """The shack's sweeper."""
        return shack.bench("VXI-11")


class TestConformanceOverAsrl(DriverConformance):
    """The whole kit, over a serial port (a pseudo-terminal) by its resource string."""

    @pytest.fixture
    def bench(self, shack: Shack) -> Bench:
        """The shack's sweeper."""
        return shack.bench("ASRL")


class TestConformanceOverSocket(DriverConformance):
    """The whole kit, over a raw socket by its resource string."""

    @pytest.fixture
    def bench(self, shack: Shack) -> Bench:
        """The shack's sweeper."""
        return shack.bench("SOCKET")


@pytest.mark.parametrize("wish", ["ascii", "real32", "real64"])
@pytest.mark.parametrize("way", MESSAGES)
async def test_sweeps_come_through_in_every_format(
    host_of: Make, shack: Shack, way: str, wish: str
) -> None:
    """All points, all numbers, the settings reported."""
    host = host_of(shack.addresses[way], format=wish)
    opened = await host.open()
    assert opened.identity.serial_number == "GL0103"
    sweep = await host.sweep(HAND_HELD)
    assert sweep.level.size == 401 and np.isfinite(sweep.level).all()
    assert sweep.reported.rbw_hz == 10e3
    assert not sweep.flags & SweepFlag.SETTINGS_DIFFER


FAULTS = {
    "stops answering": ("stop-answering", TransportTimeout),
    "cuts a block": ("cut-block", TransportTimeout),
    "answers late": ("late 2", TransportTimeout),
    "drops the connection": ("drop", TransportError),
    "hangs up": ("hang-up", TransportError),
    "spurious errors": ("errors 3", SweeperReported),
}


@pytest.mark.parametrize(("order", "error"), FAULTS.values(), ids=FAULTS)
@pytest.mark.parametrize("way", MESSAGES)
async def test_a_misbehaving_sweeper_costs_sweeps_and_comes_back(
    host_of: Make, shack: Shack, way: str, order: str, error: Any
) -> None:
    """One error of a known kind in bounded time; healed, and opened anew, it sweeps."""
    host = host_of(shack.addresses[way])
    await host.open()
    good = await host.sweep(HAND_HELD)
    shack.tell(order)
    begun_s = time.monotonic()
    with pytest.raises(error):
        await host.sweep(HAND_HELD)
    assert time.monotonic() - begun_s < 8
    assert host.statistics().hanging == 0
    shack.tell("heal")
    if not host.is_open:
        await host.open()
    again = await host.sweep(HAND_HELD)
    assert again.level.size == 401 and again.identity == good.identity


@pytest.mark.parametrize("way", MESSAGES)
async def test_a_cancelled_sweep_turns_the_source_off_before_the_link_is_closed(
    host_of: Make, shack: Shack, way: str
) -> None:
    """In the middle of a sweep of two seconds: a device clear ends the wait for it, then OUTP 0."""
    host = host_of(shack.addresses[way])
    await host.open()
    before = shack.clears(way)
    task = asyncio.create_task(host.sweep(replace(SLOW, source=SOURCE)))
    await shack.until_source_is(True, 5)
    await asyncio.sleep(0.1)
    begun_s = time.monotonic()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert time.monotonic() - begun_s < 2.0
    assert host.statistics().hanging == 0
    assert shack.clears(way) == before + 1
    await shack.until_source_is(False, 2)


@pytest.mark.parametrize("way", MESSAGES)
async def test_a_station_that_stops_during_a_sweep_is_not_held_up(
    host_of: Make, shack: Shack, way: str
) -> None:
    """The sweeper is deaf and dumb: closing takes less than the two seconds that there are."""
    host = host_of(shack.addresses[way])
    await host.open()
    shack.tell("stop-answering")
    task = asyncio.create_task(host.sweep(HAND_HELD))
    await asyncio.sleep(0.1)
    begun_s = time.monotonic()
    await host.close()
    with pytest.raises(SweeperError):
        await task
    assert time.monotonic() - begun_s < 2.0
    assert host.statistics().hanging == 0


@pytest.mark.parametrize("way", MESSAGES)
async def test_identity_is_never_an_answer_to_something_else(
    host_of: Make, shack: Shack, way: str
) -> None:
    """Answers that come after their time, over and over: whoever answers is the sweeper itself."""
    host = host_of(shack.addresses[way])
    opened = await host.open()
    for late_s in (0.6, 0.9, 1.2):
        shack.tell(f"late {late_s}")
        with pytest.raises(SweeperError):
            await host.sweep(HAND_HELD)
        shack.tell("late 0")
        again = await host.open()
        assert again.identity == opened.identity and again.identity_changed_from is None
        assert (await host.sweep(HAND_HELD)).level.size == 401


async def test_a_restart_is_noticed(host_of: Make, shack: Shack) -> None:
    """Settings were lost and the connection with them; the next sweep is flagged."""
    host = host_of(shack.addresses["HiSLIP"])
    await host.open()
    await host.sweep(HAND_HELD)
    shack.tell("power-cycle")
    with pytest.raises(TransportError):
        await host.sweep(HAND_HELD)
    await host.open()
    sweep = await host.sweep(HAND_HELD)
    assert sweep.flags & SweepFlag.POWERED_ON and sweep.reported.rbw_hz == 10e3


async def test_a_usb_instrument_says_where_it_is_plugged_in(
    host_of: Make, shack: Shack, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The system's list of USB devices, by ids and serial number in any case."""
    listed = [
        UsbDevice(vid=0x1209, pid=1, serial_number="GL0017", location="1-1"),
        UsbDevice(vid=0x1209, pid=1, serial_number="gl0103", location="1-2.3"),
    ]
    monkeypatch.setattr("acqd_scpi.driver.usb_devices", lambda: listed)
    opened = await host_of(shack.addresses["USBTMC"]).open()
    assert opened.identity.location == "1-2.3"
    opened = await host_of(shack.addresses["HiSLIP"]).open()
    assert opened.identity.location == ""


async def test_a_serial_resource_is_given_the_time_that_its_rate_needs(
    host_of: Make, shack: Shack
) -> None:
    """9600 Bd where none is given: 401 values of four bytes take 1.7 s; a terminal has no rate."""
    host = host_of(shack.addresses["ASRL"], format="real32")
    await host.open()
    slow_s = await host.estimate_s(HAND_HELD)
    quick = host_of(shack.addresses["SOCKET"], format="real32")
    await quick.open()
    quick_s = await quick.estimate_s(HAND_HELD)
    assert slow_s is not None and quick_s is not None
    assert slow_s - quick_s == pytest.approx(401 * 4 / 960, abs=0.01)


# --- a server that is a process of its own -------------------------------------------------------


class Program(SimProcess):
    """The mast over HiSLIP and over VXI-11."""

    def __init__(self) -> None:
        super().__init__("--hislip", "mast=127.0.0.1:0", "--vxi11", "mast=127.0.0.1:0")
        self.hislip, self.vxi11 = (address for name, address in self.said if name == "mast")


@pytest.fixture
def program() -> Iterator[Program]:
    """A program of its own, so that it can be killed."""
    made = Program()
    yield made
    made.stop()


MARINE = SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, rbw_hz=10e3)


@pytest.mark.parametrize("kind", ["hislip", "vxi11"])
async def test_a_server_that_is_killed_in_the_middle_of_a_sweep_costs_that_sweep(
    host_of: Make, program: Program, kind: str
) -> None:
    """kill -9: TransportError at once, nobody hangs, and opening says why it cannot."""
    host = host_of(getattr(program, kind))
    await host.open()
    task = asyncio.create_task(host.sweep(replace(MARINE, sweep_time_s=40.0)))
    await asyncio.sleep(0.3)
    begun_s = time.monotonic()
    program.process.kill()
    with pytest.raises(TransportError) as broke:
        await task
    assert not isinstance(broke.value, TransportTimeout)
    assert time.monotonic() - begun_s < 3.0
    assert host.statistics().hanging == 0
    with pytest.raises(TransportError, match="cannot connect"):
        await host.open()


@pytest.mark.parametrize("kind", ["hislip", "vxi11"])
async def test_a_server_that_hangs_is_given_up_and_taken_up_again(
    host_of: Make, program: Program, kind: str
) -> None:
    """Stopped in its tracks, it accepts connections and says nothing; then it goes on."""
    host = host_of(getattr(program, kind), connect_timeout_s=0.5)
    await host.open()
    program.process.send_signal(signal.SIGSTOP)
    try:
        begun_s = time.monotonic()
        with pytest.raises(TransportTimeout):
            await host.sweep(MARINE)
        with pytest.raises(TransportTimeout):
            await host.open()
        assert time.monotonic() - begun_s < 8.0
        assert host.statistics().hanging == 0
    finally:
        program.process.send_signal(signal.SIGCONT)
    for _ in range(20):
        try:
            await host.open()
            break
        except (SweeperError, DriverFault):
            await asyncio.sleep(0.1)
    assert (await host.sweep(MARINE)).level.size == 401


async def test_a_server_that_dies_within_an_answer_costs_that_sweep(
    host_of: Make, program: Program
) -> None:
    """Half a block came over HiSLIP and the server is gone: an error, not half a sweep."""
    host = host_of(program.hislip)
    await host.open()
    program.tell("mast cut-block")
    task = asyncio.create_task(host.sweep(MARINE))
    await asyncio.sleep(0.4)
    program.process.kill()
    with pytest.raises(TransportError):
        await task
    assert host.statistics().hanging == 0


# --- finding -------------------------------------------------------------------------------------


def found_by(addresses: list[str], probe: bool) -> dict[str, Certainty]:
    entry = DriverEntry(name="scpi", distribution="acqd-scpi", version="0", factory=ScpiDriver)
    registry = Registry(drivers={"scpi": entry})
    found = look_for(
        registry,
        addresses=addresses,
        probe=probe,
        list_serial=list,
        list_usb=list,
        find_holders=lambda paths: {},
    )
    return {one.address: one.certainty for one in found.candidates}


@pytest.mark.parametrize("way", WAYS)
async def test_a_named_resource_is_listed_and_asked_only_with_probe(
    host_of: Make, shack: Shack, way: str
) -> None:
    """Listed; answered with probe; busy while somebody has it open."""
    address = shack.addresses[way]
    assert found_by([address], False) == {address: Certainty.LISTED}
    assert await asyncio.to_thread(found_by, [address], True) == {address: Certainty.ANSWERED}
    host = host_of(address)
    await host.open()
    assert await asyncio.to_thread(found_by, [address], True) == {address: Certainty.BUSY}
    with pytest.raises(PortBusy):
        await host_of(address).open()


def test_links_leave_no_file_open(shack: Shack) -> None:
    """Opened and closed, or of a device that is not there, ten times: no more files than before."""
    wrong = [
        shack.addresses["HiSLIP"].replace("hislip0", "hislip7"),
        shack.addresses["VXI-11"].replace("inst0", "inst7"),
        shack.addresses["USBTMC"].replace("GL0103", "GL9999"),
    ]

    def rounds(count: int) -> None:
        for way in MESSAGES:
            for _ in range(count):
                open_transport(shack.addresses[way]).close()
        for address in wrong * count:
            with pytest.raises(TransportError):
                open_transport(address)

    rounds(1)
    before = len(os.listdir("/proc/self/fd"))
    rounds(10)
    until_s = time.monotonic() + 5
    while len(os.listdir("/proc/self/fd")) > before and time.monotonic() < until_s:
        time.sleep(0.05)
    assert len(os.listdir("/proc/self/fd")) <= before
