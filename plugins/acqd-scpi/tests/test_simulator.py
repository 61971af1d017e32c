"""The driver against the simulator's SCPI server, a process of its own, over TCP and a terminal.

The server knows the whole grammar, in both forms of every header; the driver knows its short forms.
"""

from __future__ import annotations

import asyncio
import os
import socket
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_scpi import ScpiDriver

from acqd.clock import SystemClock
from acqd.drivers.contract import Certainty, SerialPort
from acqd.drivers.finding import look_for
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import DriverEntry, Registry
from acqd.errors import (
    PortBusy,
    ProtocolViolation,
    SweeperError,
    SweeperReported,
    SweepInvalid,
    TransportError,
    TransportTimeout,
)
from acqd.sweep import Detector, SourceRequest, SweepFlag, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from sim_process import SimProcess

pytestmark = pytest.mark.slow

MARINE = SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, rbw_hz=10e3, detector=Detector.RMS)
LAMP = SweepRequest(start_hz=150e3, stop_hz=1.15e6, points=401, rbw_hz=10e3)
Make = Callable[..., SweeperHost]
QUICK = {"timeout_s": 0.3, "ask_timeout_s": 0.3}


class Server(SimProcess):
    """The mast on a socket, the bench on a terminal, the shack on both."""

    def __init__(self, folder: Path) -> None:
        self.link = folder / "bench"
        self.shack_link = folder / "shack"
        super().__init__(
            *("--tcp", "mast=127.0.0.1:0", "--tcp", "shack=127.0.0.1:0"),
            *("--pty", f"bench={self.link}", "--pty", f"shack={self.shack_link}"),
        )
        self.mast_address = self.addresses["mast", "tcp"]
        self.bench_address = self.addresses["bench", "serial"]
        self.shack_address = self.addresses["shack", "tcp"]


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for all tests of this module."""
    made = Server(tmp_path_factory.mktemp("sim"))
    yield made
    made.stop()


@pytest.fixture(autouse=True)
def healed(server: Server) -> Iterator[None]:
    """Every test starts with instruments that behave."""
    yield
    for name in ("mast", "bench", "shack"):
        server.tell(f"{name} heal")


@pytest.fixture(params=["mast", "bench"], ids=["TCP", "terminal"])
def sweeper(request: pytest.FixtureRequest, server: Server) -> tuple[str, str, SweepRequest]:
    """Name, address and an ordinary request of a sweeper on each kind of link."""
    name = request.param
    if name == "mast":
        return name, server.mast_address, MARINE
    return name, server.bench_address, LAMP


@pytest.fixture
async def host_of() -> AsyncIterator[Make]:
    """Makes hosts, and closes them also where the test failed: a port left open is busy."""
    made: list[SweeperHost] = []

    def make(address: str, **options: Any) -> SweeperHost:
        made.append(
            SweeperHost(
                name="under-test",
                driver=ScpiDriver(),
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


class TestConformanceOverTcp(DriverConformance):
    """The conformance kit, over a socket, on a sweeper with a source."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The shack's sweeper."""
        return bench_of(server, server.shack_address)


class TestConformanceOverATerminal(DriverConformance):
    """The conformance kit, over a serial port, on the same sweeper."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The shack's sweeper at its other port."""
        return bench_of(server, f"serial:{server.shack_link}")


def bench_of(server: Server, address: str) -> Bench:
    request = replace(MARINE, start_hz=446e6, stop_hz=446.2e6)
    server.tell("shack replug")
    return Bench(
        driver=ScpiDriver(),
        address=address,
        options=QUICK,
        request=request,
        slow_request=replace(request, sweep_time_s=40.0),
        unplug=lambda: server.tell("shack unplug") and None,
        replug=lambda: server.tell("shack replug") and None,
        source_request=SourceRequest(on=True, level_dbm=-20.0),
        source_is_on=lambda: source_is_on(server.shack_address),
    )


def source_is_on(address: str) -> bool:
    """Asked over a connection of its own."""
    host, _, port = address.removeprefix("tcp://").rpartition(":")
    with socket.create_connection((host, int(port)), 2) as link:
        link.sendall(b"OUTP?\n")
        return link.makefile().readline().strip() == "1"


FORMATS = ["ascii", "real32", "real64", "auto"]


@pytest.mark.parametrize("wish", FORMATS)
async def test_sweeps_come_through_in_every_format(
    host_of: Make, sweeper: tuple[str, str, SweepRequest], wish: str
) -> None:
    """Over both kinds of link: a plausible band, all points, the settings reported."""
    _, address, request = sweeper
    host = host_of(address, format=wish)
    await host.open()
    sweep = await host.sweep(request)
    assert sweep.level.size == 401 and np.isfinite(sweep.level).all()
    assert sweep.level.dtype == np.float32
    assert -130 < np.median(sweep.level) < -20
    assert sweep.reported.rbw_hz == 10e3
    assert not sweep.flags & SweepFlag.SETTINGS_DIFFER


async def test_the_simulators_limits_are_found_by_asking(host_of: Make, server: Server) -> None:
    """What the scene file says about the instrument comes out of MIN and MAX queries."""
    host = host_of(server.shack_address)
    opened = await host.open()
    can = opened.capabilities
    assert opened.identity.serial_number == "GL0103"
    assert (can.start_hz, can.stop_hz, can.points_max) == (100e3, 960e6, 10001)
    assert (can.rbw_min_hz, can.rbw_max_hz) == (300.0, 1e6)
    assert can.source and (can.source_min_dbm, can.source_max_dbm) == (-40.0, 0.0)
    assert {Detector.POSITIVE, Detector.SAMPLE} <= set(can.detectors)
    assert set(can.assumed) == {"level_accuracy_db", "frequency_accuracy_ppm"}


async def test_many_points_are_swept_in_hops(host_of: Make, server: Server) -> None:
    """3001 points from a sweeper with at most 1001."""
    host = host_of(server.mast_address)
    await host.open()
    sweep = await host.sweep(replace(MARINE, points=3001))
    assert [hop.points for hop in sweep.hops] == [1001, 1001, 999]
    assert np.isfinite(sweep.level).all()
    assert np.array_equal(sweep.frequency_hz, np.linspace(156e6, 157e6, 3001))


FAULTS = {
    "stops answering": ("stop-answering", TransportTimeout),
    "cuts a block": ("cut-block", TransportTimeout),
    "answers garbage": ("garbage", ProtocolViolation),
    "drops the connection": ("drop", TransportError),
    "hangs up": ("hang-up", TransportError),
    "a point too many": ("points 1", (SweepInvalid, ProtocolViolation)),
    "half the points": ("points -200", (SweepInvalid, ProtocolViolation)),
    "spurious errors": ("errors 3", SweeperReported),
}


@pytest.mark.parametrize(("order", "error"), FAULTS.values(), ids=FAULTS)
async def test_a_misbehaving_sweeper_costs_sweeps_and_comes_back(
    host_of: Make, server: Server, sweeper: tuple[str, str, SweepRequest], order: str, error: Any
) -> None:
    """One error of a known kind in bounded time; healed, and opened anew, it sweeps."""
    name, address, request = sweeper
    if order == "hang-up" and address.startswith("serial:"):
        # A terminal has no connection to break; it loses what was waiting.
        order = "drop"
        error = TransportTimeout
    host = host_of(address)
    await host.open()
    good = await host.sweep(request)
    server.tell(f"{name} {order}")
    begun_s = time.monotonic()
    with pytest.raises(error):
        await host.sweep(request)
    assert time.monotonic() - begun_s < 8
    assert host.statistics().hanging == 0
    server.tell(f"{name} heal")
    if not host.is_open:
        await host.open()
    again = await host.sweep(request)
    assert again.level.size == 401 and again.identity == good.identity
    assert abs(np.median(again.level) - np.median(good.level)) < 10


async def test_a_block_longer_than_it_says_is_noticed_before_the_next_answer_is_used(
    host_of: Make, server: Server, sweeper: tuple[str, str, SweepRequest]
) -> None:
    """The bytes behind the block are not taken for the error queue's answer."""
    name, address, request = sweeper
    host = host_of(address, format="real32")
    await host.open()
    server.tell(f"{name} long-block")
    with pytest.raises(SweeperError):
        await host.sweep(request)
    server.tell(f"{name} heal")
    if not host.is_open:
        await host.open()
    assert (await host.sweep(request)).level.size == 401


async def test_a_late_answer_never_goes_to_the_next_query(
    host_of: Make, server: Server, sweeper: tuple[str, str, SweepRequest]
) -> None:
    """A second late: timed out, closed, opened anew, and the identity is the sweeper's own."""
    name, address, request = sweeper
    host = host_of(address)
    opened = await host.open()
    server.tell(f"{name} late 0.8")
    with pytest.raises(TransportTimeout):
        await host.sweep(request)
    server.tell(f"{name} late 0")
    for _ in range(10):
        try:
            again = await host.open()
            break
        except SweeperError:
            await asyncio.sleep(0.2)
    assert again.identity == opened.identity and again.identity_changed_from is None
    assert (await host.sweep(request)).level.size == 401


async def test_a_power_cycle_is_noticed(
    host_of: Make, server: Server, sweeper: tuple[str, str, SweepRequest]
) -> None:
    """Settings were lost; the next sweep has them again and is flagged."""
    name, address, request = sweeper
    host = host_of(address)
    await host.open()
    await host.sweep(request)
    assert not (await host.sweep(request)).flags & SweepFlag.POWERED_ON
    server.tell(f"{name} power-cycle")
    try:
        sweep = await host.sweep(request)
    except TransportError:
        await host.open()
        sweep = await host.sweep(request)
    assert sweep.flags & SweepFlag.POWERED_ON
    assert sweep.reported.rbw_hz == 10e3 and sweep.level.size == 401


async def test_another_identity_is_a_finding(host_of: Make, server: Server) -> None:
    """A firmware update is told, a serial number that is lost is doubtful."""
    address = server.mast_address
    host = host_of(address)
    first = await host.open()
    server.tell("mast identity GANNET,LOOKOUT 1,GL0017,9.99")
    again = await host.open()
    assert again.identity_changed_from == first.identity and again.identity.firmware == "9.99"
    await host.close()
    server.tell("mast identity GANNET,LOOKOUT 1,0,0")
    assert (await host.open()).identity.is_doubtful
    await host.close()
    server.tell("mast heal")


async def test_traces_with_holes_are_flagged(
    host_of: Make, server: Server, sweeper: tuple[str, str, SweepRequest]
) -> None:
    """9.91E37 at every tenth point, in text and in binary."""
    name, address, request = sweeper
    for wish in ("ascii", "real32"):
        host = host_of(address, format=wish)
        await host.open()
        server.tell(f"{name} nan")
        sweep = await host.sweep(request)
        assert np.isnan(sweep.level).sum() == 41 and sweep.flags & SweepFlag.NOT_FINITE
        await host.close()


async def test_an_endless_error_queue_costs_three_sweeps(host_of: Make, server: Server) -> None:
    """Three sweeps are lost, then the queue is not believed any more."""
    host = host_of(server.mast_address)
    await host.open()
    server.tell("mast errors endless")
    lost = 0
    for _ in range(6):
        try:
            if not host.is_open:
                await host.open()
            await host.sweep(MARINE)
            break
        except SweeperError:
            lost += 1
    assert lost == 3


async def test_a_frozen_sweeper_is_flagged(host_of: Make, server: Server) -> None:
    """The same trace again, bit for bit."""
    host = host_of(server.mast_address)
    await host.open()
    await host.sweep(MARINE)
    server.tell("mast freeze")
    sweeps = [await host.sweep(MARINE) for _ in range(3)]
    assert all(sweep.flags & SweepFlag.REPEATED for sweep in sweeps[1:])


def registry() -> Registry:
    entry = DriverEntry(name="scpi", distribution="acqd-scpi", version="0", factory=ScpiDriver)
    return Registry(drivers={"scpi": entry})


async def test_probing_finds_the_port_that_answers(host_of: Make, server: Server) -> None:
    """Without probe nothing is opened; with it *IDN? is asked; a port in use is busy."""
    ports = [SerialPort(device=os.fspath(server.link), location="1-2.3")]

    def found(probe: bool) -> Any:
        # The simulator keeps its terminals open itself, as no sweeper does.
        nobody = {"find_holders": lambda _paths: {}}
        return look_for(registry(), probe=probe, list_serial=lambda: ports, **nobody).candidates

    assert found(False) == ()
    (one,) = await asyncio.to_thread(found, True)
    assert one.certainty is Certainty.ANSWERED and one.address == f"serial:{server.link}"
    assert (one.identity.serial_number, one.identity.location) == ("GL0042", "1-2.3")
    host = host_of(f"serial:{server.link}")
    await host.open()
    (one,) = await asyncio.to_thread(found, True)
    assert one.certainty is Certainty.BUSY
    with pytest.raises(PortBusy):
        await host_of(f"serial:{server.link}").open()


async def test_two_sweepers_sweep_side_by_side(host_of: Make, server: Server) -> None:
    """A socket and a terminal at once, each at its own pace."""
    hosts = [host_of(server.mast_address), host_of(server.bench_address)]
    for host in hosts:
        await host.open()

    async def sweeps(host: SweeperHost, request: SweepRequest) -> int:
        return sum([(await host.sweep(request)).level.size for _ in range(5)])

    totals = await asyncio.gather(sweeps(hosts[0], MARINE), sweeps(hosts[1], LAMP))
    assert totals == [2005, 2005]


async def test_the_source_is_off_when_the_station_is_killed_and_starts_anew(
    host_of: Make, server: Server
) -> None:
    """Left on by a process that died: off first thing after the next opening (guarantee G7)."""
    host, _, port = server.shack_address.removeprefix("tcp://").rpartition(":")
    with socket.create_connection((host, int(port)), 2) as link:
        link.sendall(b"SOUR:POW -20;:OUTP ON;*OPC?\n")
        assert link.makefile().readline().strip() == "1"
    assert source_is_on(server.shack_address)
    await host_of(server.shack_address).open()
    assert not source_is_on(server.shack_address)
