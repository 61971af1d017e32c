"""Values beside the sweeps from files and topics, and in a whole station."""

from __future__ import annotations

import asyncio
import json
import os
import signal
import struct
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import asynccontextmanager, suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import xarray as xr

from acqd.archive.reader import open_archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.clock import Clock, SystemClock
from acqd.measure.meter import SweepSeen
from acqd.publish.child import free_port
from acqd.publish.link import INCOMING_MAX, new_link
from acqd.publish.settings import BrokerSettings, Endpoint, MqttVersion
from acqd.station import context as context_module
from acqd.station.context import (
    ContextSources,
    ContextSpec,
    ContextStore,
)
from acqd.station.service import Station
from acqd.sweep import SweepFlag
from acqd.testing.sweepers import ScriptedDriver, trace_of
from context_parts import HOST, JOB, PTT, STANDS, TEMPERATURE, pour, say

# ---- files --------------------------------------------------------------------------------------


class Told:
    """Findings, as the station would keep them."""

    def __init__(self) -> None:
        self.findings: list[tuple[str, str, dict[str, Any]]] = []

    async def __call__(self, what: str, text: str, figures: Mapping[str, Any]) -> None:
        self.findings.append((what, text, dict(figures)))

    @property
    def texts(self) -> list[str]:
        return [text for _, text, _ in self.findings]


@asynccontextmanager
async def sources(
    *specs: ContextSpec, settings: BrokerSettings | None = None, clock: Clock | None = None
) -> AsyncIterator[tuple[ContextStore, Told]]:
    """A store that is filled, for as long as the block lasts."""
    clock, told = clock or SystemClock(), Told()
    store = ContextStore(specs, clock)
    running = ContextSources(
        store, station="lookout", settings=settings, clock=clock, tell=told, backoff=lambda _: 0.05
    )
    task = asyncio.create_task(running.run())
    try:
        yield store, told
    finally:
        assert not task.done(), task.exception()
        task.cancel()
        with suppress(asyncio.CancelledError):
            await task


async def until(what: str, condition: Callable[[], Any], limit_s: float = 30.0) -> None:
    ends_s = time.monotonic() + limit_s
    while not condition():
        assert time.monotonic() < ends_s, f"waited in vain for {what}"
        await asyncio.sleep(0.005)


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(context_module, "FILE_EVERY_S", 0.05)


async def test_a_file_is_read_anew_and_its_loss_is_seen(tmp_path: Path, quick: None) -> None:
    path = tmp_path / "supply"
    path.write_text('{"volt": 12600}\n')
    one = ContextSpec(name="supply", file=path, key="volt", scale=1e-3)
    other = ContextSpec(name="whole", file=path, key="amps")
    async with sources(one, other) as (store, told):
        await until("the value", lambda: store.fresh() == {"supply": 12600 * 1e-3})
        path.write_text('{"volt": 12100, "amps": 3}')
        await until("the next", lambda: store.fresh() == {"supply": 12100 * 1e-3, "whole": 3.0})
        path.unlink()
        await until("none", lambda: store.fresh() == {})
        path.write_text('{"volt": 11000}')
        await until("it to be back", lambda: store.fresh() == {"supply": 11000 * 1e-3})
        await until("findings", lambda: len(told.findings) == 2)
    assert [what for what, _, _ in told.findings] == ["context_unreadable"] * 2
    assert "no `amps` in" in told.texts[0]
    assert told.texts[1] == f"context supply: file {path} gives no value: No such file or directory"


async def test_a_file_that_nobody_writes_any_more_is_old(tmp_path: Path, quick: None) -> None:
    path = tmp_path / "degrees"
    path.write_text("21.5")
    os.utime(path, (time.time() - 100.0, time.time() - 100.0))
    old = ContextSpec(name="old", file=path, max_age_s=99.0)
    young = ContextSpec(name="young", file=path, max_age_s=200.0)
    async with sources(old, young) as (store, told):
        await until("the value", lambda: store.fresh() == {"young": 21.5})
        os.utime(path)
        await until("both", lambda: len(store.fresh()) == 2)
    assert told.findings == []


async def test_what_the_kernel_makes_at_each_look_is_never_old(quick: None) -> None:
    """/proc and /sys: there the time of writing says nothing."""
    path = Path("/proc/sys/kernel/pid_max")
    spec = ContextSpec(name="most", file=path, max_age_s=1.0)
    async with sources(spec) as (store, _):
        await until("the value", lambda: store.value("most") == float(path.read_text()))


@pytest.mark.parametrize("kind", ["folder", "pipe", "large", "missing"])
async def test_what_is_no_file_with_a_number_is_told_once(
    tmp_path: Path, quick: None, kind: str
) -> None:
    path = tmp_path / "thing"
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "large":
        path.write_bytes(b"1" * 100_000)
    async with sources(ContextSpec(name="thing", file=path)) as (store, told):
        await until("the finding", lambda: told.findings)
        await asyncio.sleep(0.3)
        assert store.fresh() == {}
    why = {"large": "longer than", "missing": "No such file"}.get(kind, "not a plain file")
    assert len(told.findings) == 1 and why in told.texts[0]


HOLD = """\
import fcntl, os, signal, sys
signal.signal(signal.SIGIO, signal.SIG_IGN)
there = os.open(sys.argv[1], os.O_RDWR)
fcntl.fcntl(there, fcntl.F_SETLEASE, fcntl.F_WRLCK)
print("held", flush=True)
sys.stdin.read()
"""


def lease_on(path: Path) -> subprocess.Popen[str]:
    """A process that has one until its input ends; it is had only while nobody reads the file."""
    for _ in range(50):
        holder = subprocess.Popen(
            [sys.executable, "-c", HOLD, str(path)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert holder.stdout is not None
        if holder.stdout.readline():
            return holder
        holder.communicate()
    pytest.fail("no lease in 50 tries")


@pytest.mark.skipif(sys.platform != "linux", reason="leases are Linux's")
async def test_a_file_that_hangs_has_no_value_and_holds_nobody_up(
    tmp_path: Path, quick: None
) -> None:
    """Another process has a lease on it, so that to open it waits; the other file goes on."""
    path, other = tmp_path / "degrees", tmp_path / "volts"
    path.write_text("21.5")
    other.write_text("12")
    specs = (ContextSpec(name="degrees", file=path), ContextSpec(name="volts", file=other))
    async with sources(*specs) as (store, told):
        await until("both", lambda: len(store.fresh()) == 2)
        holder = await asyncio.to_thread(lease_on, path)
        try:
            await until("the loss", lambda: store.fresh() == {"volts": 12.0})
            other.write_text("13")
            await until("the other", lambda: store.fresh() == {"volts": 13.0})
            hanging = [one for one in threading.enumerate() if one.name == "context"]
            assert len(hanging) <= 2
        finally:
            holder.communicate("")
        await until("it to be back", lambda: store.fresh() == {"degrees": 21.5, "volts": 13.0})
    assert told.texts == [f"context degrees: file {path} gives no value: it does not answer"]


# ---- topics -------------------------------------------------------------------------------------


def settings_of(port: int, version: MqttVersion = MqttVersion.V5) -> BrokerSettings:
    return BrokerSettings(address=Endpoint(host=HOST, port=port), version=version, timeout_s=5.0)


@pytest.mark.slow
@pytest.mark.parametrize("version", list(MqttVersion))
async def test_junk_on_a_topic_is_told_once_and_a_number_after_it_is_read(
    bench: Any, version: MqttVersion
) -> None:
    port = bench.broker().port
    spec = ContextSpec(name="lamp-room", topic="ledge/lamp-room")
    async with sources(spec, settings=settings_of(port, version)) as (store, told):
        # Retained, so that it is heard whenever the connection stands.
        await asyncio.to_thread(say, port, spec.topic, "20", retain=True)
        await until("the first", lambda: store.fresh() == {"lamp-room": 20.0})
        for junk in (b"warm", b"\0\0", b"\xff", b"1" * 9000, b"9" * 200_000, b"[" * 8000):
            await asyncio.to_thread(say, port, spec.topic, junk)
        assert store.fresh() == {"lamp-room": 20.0}
        await asyncio.to_thread(say, port, spec.topic, "21.5")
        await until("the number", lambda: store.fresh() == {"lamp-room": 21.5})
        await asyncio.to_thread(say, port, spec.topic, None, retain=True)
        await until("none", lambda: store.fresh() == {})
    assert told.findings == [
        (
            "context_unreadable",
            "context lamp-room: topic ledge/lamp-room gives no value: neither a number nor a word "
            "that is known: 'warm'",
            {"context": "lamp-room"},
        )
    ]


async def test_of_messages_that_nobody_has_looked_at_the_newest_stay() -> None:
    """More than there is room for, before the loop has a turn for them."""
    link = new_link(settings_of(1), client_id="ledge", tls=None)
    message = SimpleNamespace(qos=0, retain=False, mid=0, properties=None, topic="ledge/key")
    for number in range(INCOMING_MAX + 50):
        message.payload = b"%d" % number
        link._on_message(link._client, None, message)
    heard = [link._queue.get_nowait().payload for _ in range(link._queue.qsize())]
    assert heard == [b"%d" % number for number in range(50, INCOMING_MAX + 50)]


@pytest.mark.slow
async def test_a_flood_leaves_the_newest_value(bench: Any) -> None:
    port = bench.broker().port
    spec = ContextSpec(name="lamp-room", topic="ledge/lamp-room")
    async with sources(spec, settings=settings_of(port)) as (store, told):
        await asyncio.to_thread(say, port, spec.topic, "-1", retain=True)
        await until("the first", lambda: store.value("lamp-room") == -1.0)
        flood = asyncio.create_task(asyncio.to_thread(pour, port, str(spec.topic), 5000))
        await asyncio.sleep(0.05)
        time.sleep(0.5)  # noqa: ASYNC251 (deaf for a while, as a loop that is busy)
        await flood
        await until("the newest", lambda: store.value("lamp-room") == 4999.0)
    assert told.findings == []


@pytest.mark.slow
async def test_a_broker_that_comes_back_is_heard_again(bench: Any) -> None:
    broker = bench.broker()
    spec = ContextSpec(name="lamp-room", topic="ledge/lamp-room", max_age_s=1.0)
    async with sources(spec, settings=settings_of(broker.port)) as (store, _):
        await asyncio.to_thread(say, broker.port, spec.topic, "20", retain=True)
        await until("the first", lambda: store.fresh() == {"lamp-room": 20.0})
        broker.end()
        await until("it to be too old", lambda: store.fresh() == {})
        await asyncio.to_thread(broker.start)
        await asyncio.to_thread(say, broker.port, spec.topic, "22", retain=True)
        await until("it again", lambda: store.fresh() == {"lamp-room": 22.0})


async def _refuse(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    """A broker that lets everybody in and nobody read (MQTT 3.1.1, 3.2 and 3.9.3)."""
    with suppress(asyncio.IncompleteReadError, ConnectionError):
        while True:
            kind, size = await reader.readexactly(2)
            body = await reader.readexactly(size)
            if kind >> 4 == 1:
                writer.write(b"\x20\x02\x00\x00")
            elif kind >> 4 == 8:
                writer.write(b"\x90\x03" + body[:2] + struct.pack("B", 0x80))
    writer.close()


async def test_a_topic_that_the_broker_keeps_to_itself_is_told() -> None:
    server = await asyncio.start_server(_refuse, HOST, 0)
    port = server.sockets[0].getsockname()[1]
    spec = ContextSpec(name="lamp-room", topic="ledge/lamp-room")
    async with sources(spec, settings=settings_of(port, MqttVersion.V311)) as (_, told):
        await until("the finding", lambda: told.findings)
    server.close()
    assert "the broker does not let the station read it" in told.texts[0]


# ---- a whole station ----------------------------------------------------------------------------


class Remembers:
    """A meter that also writes down what went with each sweep."""

    def __init__(self, meter: Any) -> None:
        self._meter = meter
        self.seen: list[tuple[int, list[tuple[str, str]], int]] = []

    def __getattr__(self, name: str) -> Any:
        return getattr(self._meter, name)

    def step(self, state: Any, event: Any) -> Any:
        if isinstance(event, SweepSeen):
            context = sorted((name, value.hex()) for name, value in event.context.items())
            self.seen.append((event.seq, context, int(event.flags)))
        return self._meter.step(state, event)


def remembering(here: Any) -> Remembers:
    """Put such a meter into a station that has not been started."""
    (spec,) = here.built.jobs
    meter: Any = Remembers(spec.feed.meter)
    here.built = replace(here.built, jobs=(replace(spec, feed=replace(spec.feed, meter=meter)),))
    here.station = Station(here.built, clock=SystemClock(), run_id="run-1")
    out: Remembers = meter
    return out


@pytest.mark.slow
async def test_values_go_with_the_sweeps_into_the_archive_and_out_again(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Two runs; read back as columns, from the files as CF, and by a replay, bit for bit."""
    port = bench.broker().port
    words = '{"bench": {"degrees": 23.100000000000001}}'
    tables = [job_table(JOB), TEMPERATURE + 'scale = 1.1\n[context.other]\ntopic = "nobody/says"\n']
    say(port, "ledge/lamp-room", words, retain=True)
    value = 23.100000000000001 * 1.1

    async def one_run() -> tuple[Any, Remembers]:
        here = inside({"mast": ScriptedDriver()}, tables, broker=f"mqtt://{HOST}:{port}")
        meter = remembering(here)
        async with here:
            await here.until("the value", lambda: here.station.context.fresh())
            await here.until("sweeps", lambda: len([1 for s in meter.seen if s[1]]) >= 5)
        return here, meter

    seen = (await one_run())[1].seen
    here, meter = await one_run()
    seen = [*seen, *meter.seen]
    archive = open_archive(here.archive)
    sweeps = archive.sweeps(JOB)
    column = sweeps["context_lamp-room"].values
    assert sweeps.sizes["sweep"] == len(seen)
    assert set(column[~np.isnan(column)].tolist()) == {value}
    assert (~np.isnan(column)).tolist() == [bool(context) for _, context, _ in seen]
    assert "context_other" not in sweeps
    assert [seq for seq, _, _ in seen] == sweeps.sequence.values.tolist()
    # A replay, with another meter of the same kind, from what the archive gives.
    (spec,) = here.built.jobs
    again: Any = Remembers(spec.feed.meter._meter)
    feed = replace(spec.feed, meter=again)
    for _ in feed.replay(feed.start(), archive.events(JOB)):
        pass
    assert again.seen == seen
    # The file by itself, as anybody reads it.
    paths = sorted(here.archive.rglob("*.nc"))
    found: list[float] = []
    for path in paths:
        with xr.open_dataset(path, engine="h5netcdf", decode_times=False) as file:
            if "context_lamp_room" in file:
                found += file["context_lamp_room"].values.tolist()
                assert file["context_lamp_room"].dims == ("sweep",)
    assert {one for one in found if one == one} == {value}


@pytest.mark.slow
async def test_a_key_during_a_sweep_flags_it_and_only_it(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """Pressed and let go while the third sweep is under way. What else goes with a sweep is what
    was known when it began."""
    under_way, go_on = threading.Event(), threading.Event()

    class Waits(ScriptedDriver):
        def next_trace(self, request: Any, context: Any) -> Any:
            if len(self.swept) == 2:
                under_way.set()
                assert go_on.wait(20.0)
            return super().next_trace(request, context)

    port = bench.broker().port
    say(port, "ledge/vhf/key", "off", retain=True)
    say(port, "ledge/lamp-room", '{"bench": {"degrees": 20}}', retain=True)
    tables = [
        job_table(JOB, more='chain = "aerial"', when='every = "500 ms"'),
        PTT.format(max_age="10 min", what="flag"),
        TEMPERATURE,
    ]
    here = inside(
        {"mast": Waits(estimate_s=10.0)},
        tables,
        broker=f"mqtt://{HOST}:{port}",
        sweeper_more=STANDS,
    )
    meter = remembering(here)
    async with here:
        store = here.station.context
        await here.until("the third sweep", under_way.is_set)
        await here.until("both values", lambda: store.fresh() == {"key": 0.0, "lamp-room": 20.0})
        warmer = '{"bench": {"degrees": 30}}'
        await asyncio.to_thread(say, port, "ledge/lamp-room", warmer, retain=True)
        await here.until("the warmth", lambda: store.value("lamp-room") == 30.0)
        await asyncio.to_thread(say, port, "ledge/vhf/key", "on", retain=True)
        await here.until("the key", lambda: store.value("key") == 1.0)
        await asyncio.to_thread(say, port, "ledge/vhf/key", "off", retain=True)
        await here.until("the key", lambda: store.value("key") == 0.0)
        go_on.set()
        await here.until("more sweeps", lambda: len(meter.seen) >= 5)
    sweeps = open_archive(here.archive).sweeps(JOB)
    assert sweeps["context_lamp-room"].values[2:4].tolist() == [20.0, 30.0]
    flags = sweeps["flags"]
    keyed = (flags.values & SweepFlag.TRANSMITTING) != 0
    assert np.flatnonzero(keyed).tolist() == [2]
    assert "transmitting" in flags.attrs["flag_meanings"].split()
    assert 1024 in flags.attrs["flag_masks"]
    assert [bool(f & SweepFlag.TRANSMITTING) for _, _, f in meter.seen] == keyed.tolist()


@pytest.mark.slow
async def test_held_jobs_wait_and_what_they_miss_is_accounted_for(
    bench: Any,
    inside: Callable[..., Any],
    job_table: Callable[..., str],
    check_accounts: Callable[..., list[int]],
) -> None:
    """The job near the transmitter waits and says for what; the other goes on."""
    port = bench.broker().port
    ear = bench.ear(port)
    tables = [
        job_table(JOB, more='chain = "aerial"'),
        job_table("soak"),
        PTT.format(max_age="10 min", what="hold"),
    ]
    driver = ScriptedDriver()
    here = inside({"mast": driver}, tables, broker=f"mqtt://{HOST}:{port}", sweeper_more=STANDS)
    why = "transmitter base is keyed"
    async with here:
        await here.until("the broker", lambda: here.events("context_connected"))
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 5)
        await asyncio.to_thread(say, port, "ledge/vhf/key", "on")
        await here.until("the hold", lambda: here.events("job_held", job=JOB, why=why))
        # A pass that had begun goes on.
        await asyncio.sleep(0.3)
        seq, other = here.station._jobs[JOB].last_seq, here.station._jobs["soak"].last_seq
        await here.until("the other", lambda: here.station._jobs["soak"].last_seq >= other + 8)
        assert here.station._jobs[JOB].last_seq == seq
        # That its sweeper comes back does not let it go on.
        driver.is_unplugged = True
        await here.until("the loss", lambda: here.events("sweeper_lost"))
        driver.is_unplugged = False
        other = here.station._jobs["soak"].last_seq
        await here.until("the other", lambda: here.station._jobs["soak"].last_seq >= other + 3)
        assert here.station._jobs[JOB].last_seq == seq
        await asyncio.to_thread(say, port, "ledge/vhf/key", "off")
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= seq + 3)
    archive = open_archive(here.archive)
    check_accounts(archive, JOB, every_s=0.1)
    gaps = [one for one in archive.events(JOB) if isinstance(one, GapRecord)]
    paused = [one for one in gaps if one.reason == "paused"]
    assert sum(one.count for one in paused) >= 8
    assert {one.detail for one in paused} == {why}
    assert not [one for one in archive.events("soak") if getattr(one, "reason", "") == "paused"]
    told = [(one["state"], one["reason"]) for one in ear.heard(f"/{JOB}/state")]
    at = told.index(("paused", why))
    assert [state for state, _ in told[at:]] == [
        "paused",
        "waiting for its sweeper",
        "paused",
        "listening",
    ]
    assert ("paused", why) not in [
        (one["state"], one["reason"]) for one in ear.heard("/soak/state")
    ]


@pytest.mark.slow
async def test_a_job_that_was_stopped_is_not_started_by_a_key(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """15 dBm at an input that stands 20: stopped for good, whoever presses and lets go a key."""

    class Strong(ScriptedDriver):
        is_strong = False

        def next_trace(self, request: Any, context: Any) -> Any:
            if self.is_strong and request.points == 101:
                return trace_of(np.full(101, 15.0), request)
            return super().next_trace(request, context)

    port = bench.broker().port
    tables = [
        job_table(JOB, more='chain = "aerial"'),
        job_table("soak").replace("points = 101", "points = 51"),
        PTT.format(max_age="10 min", what="hold"),
    ]
    driver = Strong()
    here = inside({"mast": driver}, tables, broker=f"mqtt://{HOST}:{port}", sweeper_more=STANDS)
    async with here:
        await here.until("the broker", lambda: here.events("context_connected"))
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 2)
        driver.is_strong = True
        await here.until("the stop", lambda: here.events("input_near_maximum", job=JOB))
        for word, event in (("on", "job_held"), ("off", "job_goes_on")):
            await asyncio.to_thread(say, port, "ledge/vhf/key", word)
            await here.until(event, lambda event=event: here.events(event, job=JOB))
        seq, other = here.station._jobs[JOB].last_seq, here.station._jobs["soak"].last_seq
        await here.until("the other", lambda: here.station._jobs["soak"].last_seq >= other + 3)
        assert here.station._jobs[JOB].last_seq == seq
        assert len(here.events("input_near_maximum")) == 1


@pytest.mark.slow
async def test_a_lost_key_holds_nobody_for_ever(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str]
) -> None:
    """The broker dies with the key pressed. Sweeps go on when its word is too old."""
    broker = bench.broker()
    tables = [
        job_table(JOB, more='chain = "aerial"'),
        PTT.format(max_age="2 s", what="hold"),
    ]
    here = inside({"mast": ScriptedDriver()}, tables, broker=broker.url, sweeper_more=STANDS)
    async with here:
        await here.until("the broker", lambda: here.events("context_connected"))
        await asyncio.to_thread(say, broker.port, "ledge/vhf/key", "on")
        await here.until("the hold", lambda: here.events("job_held"))
        broker.end()
        await here.until("the end of it", lambda: here.events("job_goes_on"))
        seq = here.station._jobs[JOB].last_seq
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= seq + 3)
    archive = open_archive(here.archive)
    (lost,) = [one for one in archive.findings("station") if one.what == "ptt_lost"]
    assert lost.text.startswith("transmitter base was keyed by the last word of context key")
    assert lost.figures == {"transmitter": "base", "context": "key"}
    last = [one for one in archive.events(JOB) if isinstance(one, SweepRecord)][-1]
    assert not last.flags & SweepFlag.TRANSMITTING


@pytest.mark.slow
@pytest.mark.parametrize("when", ["before", "after"])
async def test_a_broker_that_stands_still_costs_a_stop_no_more_than_its_time(
    bench: Any, inside: Callable[..., Any], job_table: Callable[..., str], when: str
) -> None:
    broker = bench.broker()
    here = inside({"mast": ScriptedDriver()}, [job_table(JOB), TEMPERATURE], broker=broker.url)
    if when == "before":
        os.kill(broker.process.pid, signal.SIGSTOP)
    async with here:
        await here.until("sweeps", lambda: here.station._jobs[JOB].last_seq >= 3)
        if when == "after":
            await here.until("the broker", lambda: here.events("context_connected"))
            os.kill(broker.process.pid, signal.SIGSTOP)
        assert await here.stop() < 2.0


@pytest.mark.slow
async def test_the_embedded_broker_hands_values_on(
    inside: Callable[..., Any], job_table: Callable[..., str], bench: Any
) -> None:
    pytest.importorskip("iotcore")
    port = free_port(HOST)
    here = inside(
        {"mast": ScriptedDriver()}, [job_table(JOB), TEMPERATURE], broker="embedded", port=port
    )
    async with here:
        await here.until("the broker", lambda: here.events("context_connected"))
        words = json.dumps({"bench": {"degrees": 19.5}})
        await asyncio.to_thread(say, port, "ledge/lamp-room", words)
        await here.until("the value", lambda: here.station.context.value("lamp-room") == 19.5)
