"""The driver against the simulator's invented languages, over sockets and terminals: the kit, and
what each does when it misbehaves. The server is a process of its own."""

from __future__ import annotations

import socket
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_lines import LinesDriver
from acqd_lines.profile import SHIPPED

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.errors import (
    ProtocolViolation,
    RequestRefused,
    SweeperError,
    SweepInvalid,
    TransportTimeout,
)
from acqd.sweep import LevelUnit, SourceRequest, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from sim_process import SimProcess

from .voices import SCENE, SPEAK

pytestmark = pytest.mark.slow

CARRIER = SweepRequest(start_hz=156.3e6, stop_hz=157.3e6, points=101, rbw_hz=10e3)
"""Around the test carrier of the scene, −40 dBm at 156.8 MHz."""
LEVEL = {
    "hut": (LevelUnit.DBM, -40.0),
    "rail": (LevelUnit.DBUV, 66.99),
    "loft": (LevelUnit.DBM, -40.0),
}
WITHIN_DB = 1.0
"""Half of it is what the sweepers state of themselves, the rest their noise."""


class Server(SimProcess):
    """An instrument for each language, on a socket and on a terminal."""

    def __init__(self, folder: Path) -> None:
        ways: list[str] = []
        for name, language in SPEAK.items():
            ways += ["--tcp", f"{name}=127.0.0.1:0", "--pty", f"{name}={folder / name}"]
            ways += ["--speak", f"{name}={language}"]
        super().__init__(str(SCENE), *ways)

    def source_is_on(self) -> bool:
        """Asked of the loft over a connection of its own."""
        host, _, port = self.addresses["loft", "tcp"].removeprefix("tcp://").rpartition(":")
        with socket.create_connection((host, int(port)), 5) as link:
            talk = link.makefile("rb")
            said = b""
            while not said.endswith(b"dunlin> "):
                said += talk.read(1)
            link.sendall(b"source\r")
            said = b""
            while not said.endswith(b"dunlin> "):
                said += talk.read(1)
        return b"is on" in said


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """One server for all tests of this module."""
    made = Server(tmp_path_factory.mktemp("sim"))
    yield made
    made.stop()


@pytest.fixture(autouse=True)
def healed(server: Server) -> Iterator[None]:
    """Every test starts with instruments that behave and are plugged in."""
    yield
    for name in SPEAK:
        server.tell(f"{name} heal")
        server.tell(f"{name} replug")


def bench_of(server: Server, name: str, kind: str) -> Bench:
    """A bench with the named instrument over one kind of link."""
    has_source = name == "loft"
    return Bench(
        driver=LinesDriver(),
        address=server.addresses[name, kind],
        options={"profile": SPEAK[name]},
        request=CARRIER,
        slow_request=replace(CARRIER, stop_hz=164e6, rbw_hz=1e3),
        unplug=lambda: server.tell(f"{name} unplug") and None,
        replug=lambda: server.tell(f"{name} replug") and None,
        source_request=SourceRequest(on=True, level_dbm=-20.0) if has_source else None,
        source_is_on=server.source_is_on if has_source else None,
    )


class TestTernOverTcp(DriverConformance):
    """The kit on pairs in lines, over a socket."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The hut's sweeper."""
        return bench_of(server, "hut", "tcp")


class TestTernOverATerminal(DriverConformance):
    """The kit on pairs in lines, over a serial port."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The hut's sweeper."""
        return bench_of(server, "hut", "serial")


class TestSkuaOverTcp(DriverConformance):
    """The kit on blocks of words, over a socket."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The rail's sweeper."""
        return bench_of(server, "rail", "tcp")


class TestSkuaOverATerminal(DriverConformance):
    """The kit on blocks of words, over a serial port."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The rail's sweeper."""
        return bench_of(server, "rail", "serial")


class TestDunlinOverTcp(DriverConformance):
    """The kit on a prompt that echoes, with a source, over a socket."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The loft's sweeper."""
        return bench_of(server, "loft", "tcp")


class TestDunlinOverATerminal(DriverConformance):
    """The kit on a prompt that echoes, with a source, over a serial port."""

    @pytest.fixture
    def bench(self, server: Server) -> Bench:
        """The loft's sweeper."""
        return bench_of(server, "loft", "serial")


Make = Callable[..., SweeperHost]


@pytest.fixture
async def host_of(server: Server) -> AsyncIterator[Make]:
    """Makes hosts, and closes them also where the test failed: a port left open is busy."""
    made: list[SweeperHost] = []

    def make(name: str, kind: str = "serial", **options: Any) -> SweeperHost:
        made.append(
            SweeperHost(
                name=name,
                driver=LinesDriver(),
                address=server.addresses[name, kind],
                options={"profile": SPEAK[name], **options},
                clock=SystemClock(),
                deadline_s=10.0,
            )
        )
        return made[-1]

    yield make
    for host in made:
        await host.close()


@pytest.mark.parametrize("kind", ["tcp", "serial"])
@pytest.mark.parametrize("name", SPEAK)
async def test_a_known_carrier_is_where_and_what_it_is(host_of: Make, name: str, kind: str) -> None:
    """Unit, level, frequency and what was reported, in each language over each link."""
    host = host_of(name, kind)
    await host.open()
    sweep = await host.sweep(CARRIER)
    unit, level = LEVEL[name]
    assert sweep.unit is unit
    assert sweep.frequency_hz[int(np.argmax(sweep.level))] == pytest.approx(156.8e6)
    assert float(sweep.level.max()) == pytest.approx(level, abs=WITHIN_DB)
    assert sweep.reported.rbw_hz == 10e3
    assert sweep.level.dtype == np.float32
    assert sweep.resolution == {"hut": 0.1, "rail": 0.01, "loft": 0.1}[name]


@pytest.fixture
def hasty(tmp_path: Path) -> Callable[[str], str]:
    """The path of a shipped profile, but with less patience for a sweep that stops halfway."""

    def path(name: str) -> str:
        text = (SHIPPED / f"{SPEAK[name]}.toml").read_text("utf-8")
        made = tmp_path / f"{name}.toml"
        made.write_text(text if "\n[timing" in text else text + '\n[timing]\ndeadline = "2 s"\n')
        return str(made)

    return path


@pytest.mark.parametrize("name", SPEAK)
@pytest.mark.parametrize(
    ("order", "raised"),
    [
        ("half-line", TransportTimeout),
        ("garbage", (ProtocolViolation, TransportTimeout)),
        ("cut-block", (TransportTimeout, SweepInvalid, ProtocolViolation)),
        ("points 7", (SweepInvalid, ProtocolViolation)),
        ("points -7", (SweepInvalid, ProtocolViolation, TransportTimeout)),
        ("drop", SweeperError),
    ],
)
async def test_a_fault_costs_one_sweep(
    host_of: Make,
    server: Server,
    hasty: Callable[[str], str],
    name: str,
    order: str,
    raised: Any,
) -> None:
    """It raises what it is, and after opening anew a sweep is what it was."""
    host = host_of(name, profile=hasty(name))
    await host.open()
    server.tell(f"{name} {order}")
    with pytest.raises(raised):
        await host.sweep(CARRIER)
    server.tell(f"{name} heal")
    await host.open()
    sweep = await host.sweep(CARRIER)
    assert float(sweep.level.max()) == pytest.approx(LEVEL[name][1], abs=WITHIN_DB)


@pytest.mark.parametrize("name", ["hut", "rail"])
async def test_a_wrong_checksum_is_told(host_of: Make, server: Server, name: str) -> None:
    """Where the language has one."""
    host = host_of(name)
    await host.open()
    server.tell(f"{name} wrong-sum")
    with pytest.raises(ProtocolViolation, match=r"expected the (sum8|crc16)"):
        await host.sweep(CARRIER)


async def test_another_sweeper_than_the_profile_is_for_is_refused(host_of: Make) -> None:
    """One line says what was expected and what answered."""
    host = host_of("hut", profile="dunlin")
    with pytest.raises(SweeperError) as caught:
        await host.open()
    assert "\n" not in str(caught.value)
    host = host_of("rail", profile="tern")
    with pytest.raises(SweeperError):
        await host.open()


async def test_what_the_profile_has_no_setting_for_is_refused(host_of: Make) -> None:
    """Nothing is sent that would be taken for something else."""
    host = host_of("hut")
    await host.open()
    with pytest.raises(RequestRefused, match=r"vbw: asked for .* no such setting"):
        await host.sweep(replace(CARRIER, vbw_hz=1e3))
    await host.sweep(CARRIER)
