"""Drivers in a process of their own: whatever becomes of that process, the host goes on.

The processes are real, and so are the crashes.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.clock import SystemClock
from acqd.drivers import childprocess
from acqd.drivers.child import load_target
from acqd.drivers.contract import Driver
from acqd.drivers.host import SweeperHost
from acqd.drivers.isolation import isolation_of
from acqd.drivers.process import KILL_AFTER_S, ProcessMaker, ProcessWorker
from acqd.drivers.registry import DriverEntry, load_drivers
from acqd.errors import (
    DriverDied,
    DriverFault,
    RequestRefused,
    SweeperError,
    TransportClosed,
    TransportError,
)
from acqd.sweep import Detector, SourceRequest, SweepRequest
from acqd.testing.clock import ManualClock
from bad_drivers import GoodDriver, LedgePeer
from crashing_drivers import CrashingDriver, running

REQUEST = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=10e3)
LIMIT_S = 30.0
"""No wait of a test lasts longer; the machine may be busy."""


class Log:
    """Keeps what the host and the process say."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict[str, Any]]] = []

    def info(self, event: str, **fields: Any) -> None:
        self.lines.append((event, fields))

    warning = info

    def texts(self, event: str) -> list[str]:
        return [str(fields["text"]) for name, fields in self.lines if name == event]


@pytest.fixture
def peer() -> Iterator[LedgePeer]:
    """The invented sweeper."""
    made = LedgePeer()
    yield made
    made.stop()


@pytest.fixture
def log() -> Log:
    return Log()


class Standing:
    """A host whose driver runs in a process, and what the driver noted."""

    def __init__(self, peer: LedgePeer, log: Log, notes: Path) -> None:
        self.peer = peer
        self.log = log
        self.notes = notes
        self.workers: list[ProcessWorker] = []

    def host(self, driver: Driver | None = None, **options: Any) -> SweeperHost:
        maker = ProcessMaker(log=self.log)

        def make(**parts: Any) -> ProcessWorker:
            self.workers.append(maker(**parts))
            return self.workers[-1]

        return SweeperHost(
            name="mast",
            driver=driver or CrashingDriver(),
            address=self.peer.address,
            options={"notes": str(self.notes), **options},
            clock=SystemClock(),
            deadline_s=LIMIT_S,
            log=self.log,
            make_worker=make,
        )

    @contextlib.asynccontextmanager
    async def opened(
        self, driver: Driver | None = None, **options: Any
    ) -> AsyncIterator[SweeperHost]:
        host = self.host(driver, **options)
        try:
            await host.open()
            yield host
        finally:
            await host.close()

    def noted(self, word: str) -> list[str]:
        text = self.notes.read_text() if self.notes.exists() else ""
        return [
            line.partition(" ")[2] for line in text.splitlines() if line.partition(" ")[0] == word
        ]


@pytest.fixture
def standing(peer: LedgePeer, log: Log, tmp_path: Path) -> Standing:
    return Standing(peer, log, tmp_path / "notes.txt")


def until(what: str, is_so: Callable[[], bool]) -> None:
    until_s = time.monotonic() + LIMIT_S
    while not is_so():
        assert time.monotonic() < until_s, f"waited in vain for {what}"
        time.sleep(0.02)


# --- what is as in a thread --------------------------------------------------------------------


async def test_sweeps_come_as_they_do_in_a_thread(standing: Standing) -> None:
    """Levels, settings, times by the station's clock; a process of its own did it."""
    async with standing.opened() as host:
        before_s, before_mono_s = time.time(), time.monotonic()
        sweep = await host.sweep(REQUEST)
        after_s, after_mono_s = time.time(), time.monotonic()
        assert sweep.level.shape == (101,)
        assert -115.0 < float(np.median(sweep.level)) < -90.0
        assert sweep.reported.rbw_hz == 10e3
        assert sweep.reported.detector is Detector.SAMPLE
        assert sweep.resolution == 0.01
        assert before_s - 0.01 <= sweep.started_s <= after_s + 0.01
        assert before_mono_s <= sweep.monotonic_s <= after_mono_s
        assert 0 < sweep.took_s <= after_mono_s - before_mono_s
        (pid,) = standing.noted("process")
        assert int(pid) not in (0, os.getpid())
    assert host.left_well
    assert not running(pid)


async def test_hops_are_joined_and_estimates_asked_for(standing: Standing) -> None:
    """A request beyond the most points comes in hops, each over the same process."""
    async with standing.opened() as host:
        wide = replace(REQUEST, points=501)
        sweep = await host.sweep(wide)
        assert sweep.level.shape == (501,)
        assert [hop.ok for hop in sweep.hops] == [True] * len(sweep.hops)
        assert len(sweep.hops) > 1
        assert await host.estimate_s(wide) == pytest.approx(0.01 * len(sweep.hops))


async def test_an_error_of_the_driver_arrives_with_its_facts(standing: Standing) -> None:
    """Each kind of acqd's errors is raised on this side as that kind, its session kept or not."""
    async with standing.opened() as host:
        with pytest.raises(RequestRefused, match="vbw or reference level"):
            await host.sweep(replace(REQUEST, vbw_hz=1e3))
        assert host.is_open
        await host.sweep(REQUEST)


async def test_an_error_of_its_own_is_a_fault_with_the_trace(standing: Standing) -> None:
    """What is no SweeperError becomes a fault; the log has where in the driver it was."""
    async with standing.opened(does="unknown") as host:
        with pytest.raises(DriverFault, match="KeyError"):
            await host.sweep(REQUEST)
    traces = [fields["trace"] for event, fields in standing.log.lines if event == "driver_fault"]
    assert "crashing_drivers.py" in traces[0]


async def test_its_times_are_the_stations_where_the_clocks_differ(
    peer: LedgePeer, log: Log
) -> None:
    """A station on another clock than the machine's stamps the sweep itself."""
    clock = ManualClock()
    host = SweeperHost(
        name="mast",
        driver=GoodDriver(),
        address=peer.address,
        options={},
        clock=clock,
        deadline_s=LIMIT_S,
        make_worker=ProcessMaker(log=log),
    )
    try:
        await host.open()
        sweep = await host.sweep(REQUEST)
        assert sweep.started_s == clock.wall_s()
        assert sweep.monotonic_s == clock.monotonic_s()
        assert sweep.took_s == 0.0
    finally:
        await host.close()


async def test_a_cancelled_sweep_leaves_the_sweeper_well(standing: Standing) -> None:
    """The token arrives in the process; the driver closes over its link, source off."""
    async with standing.opened() as host:
        await host.set_source(SourceRequest(on=True, level_dbm=-20.0))
        assert standing.peer.source_on
        task = asyncio.create_task(host.sweep(replace(REQUEST, sweep_time_s=60.0)))
        await asyncio.sleep(0.2)
        began_s = time.monotonic()
        task.cancel()
        with pytest.raises(asyncio.CancelledError):
            await task
        assert time.monotonic() - began_s < 2.0
        assert host.left_well
        assert not standing.peer.source_on
        await host.open()
        await host.sweep(REQUEST)


async def test_a_port_that_is_not_there_does_not_hide_what_the_driver_says(
    peer: LedgePeer, log: Log
) -> None:
    """An address by identity that fits nothing: the error of connect() comes from the process."""
    host = SweeperHost(
        name="mast",
        driver=GoodDriver(),
        address="usb:1209:0001",
        options={},
        clock=SystemClock(),
        deadline_s=LIMIT_S,
        make_worker=ProcessMaker(log=log),
        list_serial=tuple,
    )
    with pytest.raises(TransportError, match="1209:0001"):
        await host.open()


async def test_a_link_made_by_a_function_here_is_refused_in_one_line(
    peer: LedgePeer, log: Log
) -> None:
    """What cannot go over is said, and nothing is left."""
    host = SweeperHost(
        name="mast",
        driver=GoodDriver(),
        address=peer.address,
        options={},
        clock=SystemClock(),
        deadline_s=LIMIT_S,
        open_link=lambda address, options: None,  # type: ignore[arg-type, return-value]  # never used
        make_worker=ProcessMaker(log=log),
    )
    with pytest.raises(DriverFault, match="use a thread"):
        await host.open()


async def test_a_driver_made_inside_a_function_is_refused_in_one_line(standing: Standing) -> None:
    """There is no way to load it elsewhere."""

    class Inside(GoodDriver):
        pass

    host = standing.host(Inside())
    with pytest.raises(DriverFault, match="must be a class of a module"):
        await host.open()
    assert not standing.log.texts("driver_said")


# --- crashes -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("does", "how"),
    [("segfault", "signal 11 (segmentation fault)"), ("leave", "exit code 7")],
)
async def test_a_crash_costs_one_sweep(standing: Standing, does: str, how: str) -> None:
    """It is said how and in what it died; opened again it has its port, and the source goes off."""
    host = standing.host(does=does, first=2)
    try:
        await host.open()
        await host.sweep(REQUEST)
        await host.set_source(SourceRequest(on=True, level_dbm=-20.0))
        with pytest.raises(DriverDied) as caught:
            await host.sweep(REQUEST)
        assert str(caught.value) == f"mast: the process of its driver died in sweep: {how}"
        (trouble,) = host.take_troubles()
        assert trouble.what == "driver_died"
        assert trouble.facts == {"doing": "sweep", "how": how}
        assert host.take_troubles() == ()
        assert not host.is_open
        assert not host.left_well
        assert standing.peer.source_on, "a crash turns nothing off"
        await host.open()
        assert not standing.peer.source_on, "first thing after opening"
        assert (await host.sweep(REQUEST)).level.shape == (101,)
        counted = host.statistics()
        assert (counted.died, counted.stuck, counted.hanging) == (1, 0, 0)
    finally:
        await host.close()


async def test_a_crash_says_where_in_the_driver(standing: Standing) -> None:
    """The interpreter's last words, the line of the driver among them, are in the log."""
    async with standing.opened(does="segfault") as host:
        with pytest.raises(DriverDied):
            await host.sweep(REQUEST)
    said = standing.log.texts("driver_said")
    assert any("Segmentation fault" in line for line in said)
    assert any("crashing_drivers.py" in line and "segfault" in line for line in said)


@pytest.mark.parametrize("at", ["open", "close"])
async def test_a_crash_at_either_end_is_no_worse(standing: Standing, at: str) -> None:
    """Opening fails with it; closing goes on without the driver, its source unknown."""
    host = standing.host(does="segfault", at=at)
    if at == "open":
        with pytest.raises(DriverDied, match="died in open: signal 11"):
            await host.open()
    else:
        await host.open()
        await host.close()
        assert not host.left_well
    assert [trouble.facts["doing"] for trouble in host.take_troubles()] == [at]
    assert all(not running(pid) for pid in standing.noted("process"))


async def test_a_process_that_died_between_calls_is_missed_at_the_next(standing: Standing) -> None:
    """Killed from outside while nothing was asked."""
    async with standing.opened() as host:
        await host.sweep(REQUEST)
        (pid,) = standing.noted("process")
        os.kill(int(pid), signal.SIGKILL)
        until("its end", lambda: not running(pid))
        with pytest.raises(DriverDied, match=r"signal 9 \(killed\)"):
            await host.sweep(REQUEST)
        await host.open()
        await host.sweep(REQUEST)


# --- what does not come back -------------------------------------------------------------------


@pytest.mark.parametrize("does", ["hold", "sleep", "stop"])
async def test_a_call_that_never_comes_back_is_ended_with_its_process(
    standing: Standing, does: str
) -> None:
    """The interpreter held for ever, a sleep, a frozen process: the port is free at once after."""
    async with standing.opened(does=does, first=2) as host:
        await host.sweep(REQUEST)
        began_s = time.monotonic()
        with pytest.raises(DriverFault, match=r"did not come back within 2\.03 s; its process"):
            await host.sweep(REQUEST)
        assert time.monotonic() - began_s < 2.03 + KILL_AFTER_S + 2.0
        (pid,) = standing.noted("process")
        assert not running(pid)
        (trouble,) = host.take_troubles()
        assert trouble.what == "driver_stuck"
        assert trouble.facts == {"doing": "sweep"}
        counted = host.statistics()
        assert (counted.died, counted.stuck, counted.abandoned) == (0, 1, 0)
        await host.open()
        await host.sweep(REQUEST)


async def test_a_hang_in_close_ends_in_time(standing: Standing) -> None:
    """The end of a session has its limit, whatever close() does."""
    host = standing.host(does="hold", at="close")
    await host.open()
    began_s = time.monotonic()
    await host.close()
    assert time.monotonic() - began_s < 2.5
    (trouble,) = host.take_troubles()
    assert trouble.what == "driver_stuck"
    assert trouble.facts == {"doing": "close"}
    (pid,) = standing.noted("process")
    assert not running(pid)


async def test_closing_the_host_ends_a_sweep_that_holds_the_interpreter(
    standing: Standing,
) -> None:
    """A station that stops does not wait for the deadline."""
    host = standing.host(does="hold")
    await host.open()
    task = asyncio.create_task(host.sweep(replace(REQUEST, sweep_time_s=20.0)))
    await asyncio.sleep(0.2)
    began_s = time.monotonic()
    await host.close()
    assert time.monotonic() - began_s < 3.0
    with pytest.raises(TransportClosed):
        await task
    (pid,) = standing.noted("process")
    until("its end", lambda: not running(pid))


async def test_no_number_of_hangs_puts_it_out(standing: Standing) -> None:
    """Threads that hang are counted to three; processes are ended, so there is nothing to count."""
    host = standing.host(does="sleep", at="open")
    host._deadline_s = -9.0  # with the ten seconds of its start: one second in all
    for _ in range(4):
        with pytest.raises(DriverFault, match="open did not come back"):
            await host.open()
    counted = host.statistics()
    assert (counted.stuck, counted.hanging) == (4, 0)


async def test_terminate_is_not_for_it_to_hear(standing: Standing) -> None:
    """A signal to the whole unit ends no driver before the station has turned its source off."""
    async with standing.opened() as host:
        (pid,) = standing.noted("process")
        for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
            os.kill(int(pid), number)
        await host.sweep(REQUEST)
    assert host.left_well


# --- memory, files, words, children ------------------------------------------------------------


async def test_a_leak_ends_it_and_is_said(
    standing: Standing, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is ended at the bound, which is named."""
    monkeypatch.setattr("acqd.drivers.process.MEMORY_MOST_BYTES", 64 << 20)
    async with standing.opened(does="leak") as host:
        with pytest.raises(DriverDied, match=r"MiB of memory where 64 MiB are allowed"):
            await host.sweep(replace(REQUEST, sweep_time_s=20.0))
        (trouble,) = host.take_troubles()
        assert trouble.what == "driver_died"


async def test_what_it_prints_is_logged_and_not_on_our_streams(
    standing: Standing, capfd: pytest.CaptureFixture[str]
) -> None:
    """Both streams, line by line, with the sweeper's name."""
    async with standing.opened(does="speak") as host:
        await host.sweep(REQUEST)
    assert standing.log.texts("driver_said") == ["the needle sticks", "and it sticks again"]
    assert capfd.readouterr() == ("", "")


async def test_a_flood_of_words_neither_blocks_it_nor_fills_the_log(standing: Standing) -> None:
    """Sweeps go on; the log has forty lines, and how many more there were."""
    async with standing.opened(does="flood") as host:
        for _ in range(10):
            await host.sweep(REQUEST)
    said = standing.log.texts("driver_said")
    assert len(said) == childprocess.LINES_MOST + 1
    assert said[-1].startswith("and ")
    assert said[-1].endswith(" more lines that are not shown")


@pytest.mark.parametrize("does", ["fork", "start"])
async def test_what_it_forked_or_started_ends_with_it(standing: Standing, does: str) -> None:
    """The port would not be free else, nor the machine its own."""
    async with standing.opened(does=does) as host:
        with contextlib.suppress(SweeperError):
            await host.sweep(REQUEST)
    word = {"fork": "forked", "start": "started"}[does]
    (pid,) = standing.noted(word)
    until("the end of the child's child", lambda: not running(pid))


async def test_nothing_of_the_station_leaks_into_it(
    standing: Standing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No open file, no password, no module of station, archive or broker."""
    monkeypatch.setenv("GANNET_BROKER_PASSWORD", "ledge")
    monkeypatch.setenv("NOTIFY_SOCKET", "/run/nobody")
    kept = (tmp_path / "kept-by-the-station").open("w")
    os.set_inheritable(kept.fileno(), True)
    maker = ProcessMaker(log=standing.log, hidden=("GANNET_BROKER_PASSWORD",))
    host = standing.host(does="look")
    host._make_worker = maker
    try:
        await host.open()
        await host.sweep(REQUEST)
    finally:
        await host.close()
        kept.close()
    (files,) = standing.noted("files")
    assert "kept-by-the-station" not in files
    assert files.count("socket:") == 2, "one to the station, one to the sweeper"
    (environment,) = standing.noted("environment")
    assert not {"GANNET_BROKER_PASSWORD", "NOTIFY_SOCKET", "PYTHONPATH"} & set(environment.split())
    (modules,) = standing.noted("modules")
    for name in ("station", "archive", "publish", "config", "measure", "rehearsal"):
        assert f"acqd.{name}" not in modules.split()
    assert not {"h5py", "pydantic", "asyncio", "multiprocessing"} & set(modules.split())


async def test_what_is_no_message_ends_it(standing: Standing) -> None:
    """Nothing that it sends can do more than end its own session."""
    async with standing.opened(does="babble") as host:
        with pytest.raises(DriverDied, match="it was ended, for it sent no message"):
            await host.sweep(REQUEST)


@pytest.mark.parametrize("does", ["garble", "accuse"])
async def test_an_answer_of_wrong_parts_ends_it_at_once(standing: Standing, does: str) -> None:
    """The right head, the right call, and in it what no class can be made of: nobody waits for the
    deadline, and no thread of the station falls over it."""
    async with standing.opened(does=does) as host:
        with pytest.raises(DriverDied, match="it was ended, for it sent no message"):
            await host.sweep(REQUEST)
    assert host.statistics().hanging == 0


async def test_one_that_closes_its_line_is_ended(standing: Standing) -> None:
    """A driver may close every file there is; its deadline finds it, at the latest."""
    async with standing.opened(does="hang_up") as host:
        with pytest.raises(DriverFault):
            await host.sweep(REQUEST)
    (pid,) = standing.noted("process")
    assert not running(pid)


# --- the station's end -------------------------------------------------------------------------

STATION = """
import asyncio, sys
from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.drivers.process import ProcessMaker
from acqd.sweep import SourceRequest, SweepRequest
from crashing_drivers import CrashingDriver, running

async def main(address, notes, does):
    host = SweeperHost(name="mast", driver=CrashingDriver(), address=address,
        options={"notes": notes, "does": does}, clock=SystemClock(), make_worker=ProcessMaker())
    await host.open()
    await host.set_source(SourceRequest(on=True, level_dbm=-20.0))
    print("ready", flush=True)
    if does != "nothing":
        await host.sweep(SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, sweep_time_s=99))
    await asyncio.sleep(99)

asyncio.run(main(*sys.argv[1:]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the kernel's signal at a parent's death")
@pytest.mark.parametrize("does", ["nothing", "hold", "sleep"])
def test_it_ends_with_a_station_that_is_killed(standing: Standing, does: str) -> None:
    """Busy it is ended by the kernel; idle it turns the source off first. The port is free."""
    command = [sys.executable, "-c", textwrap.dedent(STATION)]
    station = subprocess.Popen(
        [*command, standing.peer.address, str(standing.notes), does],
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, sys.path))},
    )
    assert station.stdout is not None
    with station, station.stdout:
        assert station.stdout.readline() == b"ready\n"
        (pid,) = standing.noted("process")
        assert standing.peer.source_on
        if does != "nothing":
            time.sleep(0.5)  # into the sweep
        station.kill()
        station.wait()
    until("the end of the driver's process", lambda: not running(pid))
    if does == "nothing":
        until("the source to go off", lambda: not standing.peer.source_on)

    async def again() -> None:
        async with standing.opened() as host:
            assert not standing.peer.source_on
            await host.sweep(REQUEST)

    asyncio.run(again())


# --- which it is -------------------------------------------------------------------------------


def test_acqds_own_run_in_a_thread_and_others_in_a_process() -> None:
    """By the distribution of the driver; the config's word goes first."""
    for name, entry in load_drivers().drivers.items():
        chosen = isolation_of(entry, None)
        assert (chosen.way, chosen.why) == ("thread", "a driver of acqd's own"), name
        assert type(load_target(chosen.target)) is type(entry.factory()), name
    stranger = DriverEntry(
        name="gannet", distribution="acqd-gannet", version="1", factory=GoodDriver, target="a:B"
    )
    assert str(isolation_of(stranger, None)) == "process, a driver of acqd-gannet"
    assert isolation_of(stranger, None).target == "a:B"
    assert str(isolation_of(stranger, "thread")) == "thread, as the config says"


async def test_threads_and_files_are_as_before_after_many_openings(standing: Standing) -> None:
    """Eight sessions, every other one ended by a crash, leave nothing in this process."""

    async def session(does: str) -> None:
        host = standing.host(does=does)
        await host.open()
        with contextlib.suppress(SweeperError):
            await host.sweep(REQUEST)
        await host.close()

    def counts() -> tuple[int, int]:
        return threading.active_count(), len(os.listdir("/proc/self/fd"))

    await session("leave")
    before = counts()
    for number in range(8):
        await session("leave" if number % 2 else "nothing")
    for _ in range(100):
        if counts() <= before:
            break
        await asyncio.sleep(0.05)
    threads, files = counts()
    assert threads <= before[0] + 1
    assert files <= before[1] + 2, "the peer in this process may not have seen the last end"
