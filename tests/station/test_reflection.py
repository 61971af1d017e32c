"""A whip on a simulated bridge, from references to messages, archive and replay."""

from __future__ import annotations

import asyncio
import contextlib
import io
import itertools
import json
import re
import socket
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.driver import SimDriver
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer

from acqd.archive.reader import open_archive
from acqd.archive.writer import ArchiveWriter
from acqd.cli.show_reflection import show
from acqd.clock import SystemClock
from acqd.config.load import parse_config
from acqd.drivers.contract import Driver, OpenContext, Sweeper, Trace
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.errors import ConfigError
from acqd.measure.meter import Role
from acqd.publish.messages import Summary, Verdict
from acqd.publish.messages import Trace as TraceMessage
from acqd.station.build import build
from acqd.station.job import JobSpec
from acqd.station.references import ReferenceRecord, reference_from
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from acqd.station.single import One, take_one
from acqd.sweep import Capabilities, Identity, SourceRequest, SweepRequest

JOB = """\
[job.whip]
kind = "reflection"
sweeper = "shack"
start = "150 MHz"
stop = "164 MHz"
points = 141
rbw = "{rbw}"
detector = "rms"
when = {{ {when} }}
source = {{ level = "-20 dBm", radiates = true, licensed = ["150 MHz..164 MHz"] }}

[job.whip.reflection]
directivity = "36 dB"
source_match = "28 dB"
load_return_loss = "46 dB"
cable_loss = "0.4 dB"
cable_loss_at = "150 MHz"
named = {{ ch16 = "156.8 MHz", ais1 = "161.975 MHz" }}
range = "156 MHz..158 MHz"
max_swr = 2.0
"""

CONFIG = """\
[station]
name = "lookout"
archive = "archive"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
options = { time_scale = 0.02 }

"""

OPTIONS = {"time_scale": 0.02}
PORTS = {Role.OPEN: "bridge-open", Role.SHORT: "bridge-short", Role.LOAD: "bridge-load"}


class _Wired:
    """A driver's context with another thing at the source."""

    def __init__(self, context: OpenContext, device: str) -> None:
        self._context = context
        self.options = {**OPTIONS, "source_path": [device]}

    def __getattr__(self, name: str) -> Any:
        return getattr(self._context, name)


class OnTheBench(Sweeper):
    """A simulated sweeper whose source feeds whatever the test has put there; keeps a diary."""

    def __init__(self, driver: BenchDriver, context: OpenContext) -> None:
        self._driver = driver
        self._context = context
        self._made: dict[str, Sweeper] = {}

    def _now(self) -> Sweeper:
        device = self._driver.device
        if device not in self._made:
            self._made[device] = SimDriver().open(_Wired(self._context, device))
        return self._made[device]

    def identify(self) -> Identity:
        return self._now().identify()

    def capabilities(self) -> Capabilities:
        return self._now().capabilities()

    def estimate_s(self, request: SweepRequest) -> float | None:
        return self._now().estimate_s(request)

    def sweep(self, request: SweepRequest) -> Trace:
        on = request.source is not None and request.source.on
        self._driver.diary.append("sweep on" if on else "sweep off")
        return self._now().sweep(request)

    def set_source(self, request: SourceRequest) -> None:
        self._driver.diary.append("on" if request.on else "off")
        self._now().set_source(request)

    def close(self) -> None:
        self._driver.diary.append("closed")
        for one in self._made.values():
            one.close()


class BenchDriver(Driver):
    """Opens :class:`OnTheBench`. ``device`` is what the source feeds, of the built-in scene."""

    def __init__(self) -> None:
        self.device = "bridge"
        self.diary: list[str] = []

    def open(self, context: OpenContext) -> Sweeper:
        return OnTheBench(self, context)


def spec_of(*, when: str = 'every = "1 h"', rbw: str = "10 kHz") -> JobSpec:
    config = parse_config(CONFIG + JOB.format(when=when, rbw=rbw), "station.toml")
    (spec,) = build(config, load_drivers(), broker="none").jobs
    return spec


def host_of(driver: Driver) -> SweeperHost:
    return SweeperHost(
        name="shack", driver=driver, address="sim:shack", options={}, clock=SystemClock()
    )


async def references_of(
    driver: BenchDriver, request: SweepRequest, roles: tuple[Role, ...] = tuple(PORTS)
) -> dict[str, ReferenceRecord]:
    """The references that somebody takes who screws one thing after the other on."""
    host = host_of(driver)
    found = {}
    await host.open()
    try:
        for role in roles:
            driver.device = PORTS[role]
            sweeps = [await host.sweep(request) for _ in range(3)]
            found[role.value] = reference_from("whip", role, sweeps, temperature_c=18.0)
    finally:
        driver.device = "bridge"
        await host.close()
    return found


def once(
    spec: JobSpec, references: Mapping[str, ReferenceRecord], say: Callable[[str], None] = str
) -> One:
    return asyncio.run(take_one(host_of(BenchDriver()), spec, references=references, say=say))


@pytest.fixture(scope="module")
def references() -> dict[str, ReferenceRecord]:
    return asyncio.run(references_of(BenchDriver(), spec_of().request))


def truth(frequency_hz: float) -> float:
    """Size of what the whip of the scene reflects."""
    whip = load_world(None).devices["whip"]
    return float(abs(whip.reflection(np.array([frequency_hz]))[0]))


def test_the_whip_of_the_scene_comes_back(references: dict[str, ReferenceRecord]) -> None:
    """Resonance, SWR at named frequencies and the directivity, each within its bounds, though a
    jumper lies between; and the hand is told what transmits."""
    said: list[str] = []
    one = once(spec_of(), references, said.append)
    summary = one.summary
    assert summary["refused"] is None
    best = summary["best"]
    assert best["frequency_low_hz"] <= 157.2e6 <= best["frequency_high_hz"]
    assert best["swr_low"] <= 50 / 42 <= best["swr_high"]
    for named in summary["named"]:
        assert named["magnitude_low"] <= truth(named["frequency_hz"]) <= named["magnitude_high"]
    assert summary["directivity_from"] == "stated, and the load agrees"
    assert one.verdict is not None and one.verdict["verdict"] == "pass"
    assert said == [
        "the aerial transmits for this sweep, 150.000 to 164.000 MHz: listen first whether the "
        "range is free, and let nobody else transmit near it"
    ]


def shown(told: Mapping[str, Any], summary: Mapping[str, Any]) -> str:
    with contextlib.redirect_stdout(io.StringIO()) as out:
        show(told, summary)
    return out.getvalue()


def test_it_reads_as_a_watchkeeper_writes(references: dict[str, ReferenceRecord]) -> None:
    one = once(spec_of(), references)
    text = shown(one.told, one.summary)
    assert text.splitlines()[0].startswith("GANNET SHACK 3, serial number GL0103")
    assert "directivity 36.0 dB (stated, and the load agrees)" in text
    (best,) = [line for line in text.splitlines() if line.startswith("best match")]
    assert best.startswith("best match 15") and ", SWR 1." in best and "return loss " in best
    (three,) = [line for line in text.splitlines() if line.strip().startswith("3  ")]
    assert "below 150 MHz" in three and "above 164 MHz" in three and "beyond the sweep" in three
    assert "ch16   156.8 MHz" in text
    assert "largest part of the uncertainty at the best match: " in text
    refused = once(spec_of(), {})
    assert shown(refused.told, refused.summary).endswith(
        "no figures: there is no open reference: take one with `acqd reference whip open`\n"
    )


def test_other_settings_are_refused_with_what_differs(
    references: dict[str, ReferenceRecord],
) -> None:
    one = once(spec_of(rbw="30 kHz"), references)
    refused = one.summary["refused"]
    assert "the open reference does not fit" in refused
    assert "the RBW was 10 kHz and is 30 kHz" in refused
    assert [finding.what for finding in one.findings] == ["reference_refused"]
    assert one.verdict is not None and one.verdict["verdict"] == "incomplete"


def test_short_and_load_alone_are_not_enough(references: dict[str, ReferenceRecord]) -> None:
    one = once(spec_of(), {role: references[role] for role in ("short", "load")})
    assert one.summary["refused"].startswith("there is no open reference")


@pytest.mark.parametrize("role", ["open", "short"])
def test_total_reflection_is_handled(references: dict[str, ReferenceRecord], role: str) -> None:
    """An aerial that fell off, or a feeder with water in it: everything comes back."""
    driver = BenchDriver()
    driver.device = f"bridge-{role}"
    one = asyncio.run(take_one(host_of(driver), spec_of(), references=references))
    json.dumps(one.summary, allow_nan=False)
    assert one.summary["over_unity_points"] > 0
    assert one.summary["worst"]["swr_high"] is None
    assert one.verdict is not None and one.verdict["verdict"] == "fail"
    assert "infinite" in shown(one.told, one.summary)


def test_an_aerial_outside_its_licence_is_no_job() -> None:
    text = CONFIG + JOB.format(when='every = "1 h"', rbw="10 kHz")
    with pytest.raises(ConfigError, match="outside the ranges"):
        parse_config(text.replace("150 MHz..164 MHz", "156 MHz..158 MHz"), "station.toml")


# --- a whole station ------------------------------------------------------------------------------


def store(root: Path, references: Mapping[str, ReferenceRecord]) -> None:
    """Put references into an archive, as the command does."""
    archive = ArchiveWriter.open(
        root, station="lookout", run_id="bench", clock=SystemClock(), keep_free_bytes=1_000_000,
        software={},
    )  # fmt: skip
    try:
        for role in references.values():
            archive.add_overlay_now("reference", body=role.to_body(), who="mate", job="whip")
    finally:
        archive.close((), seal=False)


@pytest.mark.slow
def test_a_night_of_the_whip(
    inside: Callable[..., Any], tmp_path: Path, references: dict[str, ReferenceRecord]
) -> None:
    """The station measures, the whip falls off and is put up again, and that is told once each; a
    replay of the archive gives the same bits."""
    store(tmp_path / "archive", references)
    driver = BenchDriver()
    job = JOB.format(when='every = "100 ms"', rbw="10 kHz")

    async def night() -> None:
        async with inside({"shack": driver}, [job]) as station:

            def words() -> list[str]:
                return [one["what"] for one in station.events("finding")]

            await station.until("some sweeps", lambda: driver.diary.count("sweep on") >= 5)
            driver.device = "bridge-open"
            await station.until("the loss", lambda: "limit_exceeded" in words())
            await station.until("the change", lambda: "load_changed" in words())
            driver.device = "bridge"
            await station.until("the repair", lambda: "limit_met" in words())
            await station.until("as it was", lambda: "load_as_it_was" in words())

    asyncio.run(night())
    assert set(driver.diary) == {"off", "sweep on", "closed"}
    assert driver.diary[0] == "off"
    archive = open_archive(tmp_path / "archive")
    sweeps = archive.sweeps("whip")
    assert float(sweeps.best_swr.values[0]) == pytest.approx(50 / 42, abs=0.12)
    told = [one.what for one in archive.findings("whip")]
    for word in ("limit_exceeded", "load_changed", "limit_met", "load_as_it_was"):
        assert told.count(word) == 1, told
    assert "reference_refused" not in told
    check = Check(same_place=True)
    for one in Replay(archive=archive, job="whip").run():
        check.take(one)
    assert check.is_exact, check.differences
    assert check.sweeps == sweeps.sequence.size >= 8
    assert check.findings == len(told)


@pytest.mark.slow
def test_the_source_is_on_for_sweeps_alone() -> None:
    """What an instrument that speaks SCPI is told: off first and last, on for one sweep at a time,
    and off again before anything else."""
    here = Served(tcp={"shack": ("127.0.0.1", 0)}, time_scale=0.02)
    with SimServer(load_world(None), here) as server:
        server.tell("shack source-path bridge")
        with Relay(server.address("shack")) as relay:
            host = SweeperHost(
                name="shack",
                driver=load_drivers().make("scpi"),
                address=relay.address,
                options={},
                clock=SystemClock(),
            )

            async def two_passes() -> None:
                await host.open()
                for _ in range(2):
                    await host.sweep(spec_of().request)
                await host.close()

            asyncio.run(two_passes())
    told = re.findall(r"OUTP (?:ON|OFF|0|1)|INIT\b(?!:CONT)", relay.told())
    words = [{"1": "on", "0": "off", "ON": "on", "OFF": "off"}.get(w[5:], "sweep") for w in told]
    turns = [word for word, _ in itertools.groupby(words)]
    assert turns == ["off", "on", "sweep", "off", "on", "sweep", "off"]
    assert words.count("sweep") == 2


class Relay:
    """A line between a driver and an instrument that writes down what the driver says."""

    def __init__(self, address: str) -> None:
        host, port = address.removeprefix("tcp://").split(":")
        self._to = (host, int(port))
        self._server = socket.create_server(("127.0.0.1", 0))
        self.address = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"
        self._said = bytearray()
        self._threads: list[threading.Thread] = []

    def told(self) -> str:
        return self._said.decode("ascii")

    def __enter__(self) -> Relay:
        self._run(self._accept)
        return self

    def __exit__(self, *exc: object) -> None:
        self._server.close()
        for thread in self._threads:
            thread.join(30.0)

    def _run(self, work: Callable[..., None], *args: Any) -> None:
        thread = threading.Thread(target=work, args=args, daemon=True)
        self._threads.append(thread)
        thread.start()

    def _accept(self) -> None:
        near, _ = self._server.accept()
        far = socket.create_connection(self._to, timeout=30.0)
        self._run(self._carry, near, far, True)
        self._run(self._carry, far, near, False)

    def _carry(self, source: socket.socket, sink: socket.socket, is_driver: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(65536):
                if is_driver:
                    self._said += data
                sink.sendall(data)
        with contextlib.suppress(OSError):
            sink.shutdown(socket.SHUT_WR)
        source.close()


@pytest.mark.slow
def test_what_is_heard_of_a_whip(bench: Any, references: dict[str, ReferenceRecord]) -> None:
    """Summary, values and a retained verdict on their topics, each of its model."""
    store(bench.archive, references)
    port = bench.broker().port
    config = bench.config(
        {"shack": "sim:shack"}, [JOB.format(when='every = "200 ms"', rbw="10 kHz")],
        broker=f"mqtt://127.0.0.1:{port}",
    )  # fmt: skip
    text = config.read_text()
    config.write_text(
        text.replace("time_scale = 0.02", 'time_scale = 0.02, source_path = ["bridge"]')
    )
    ear = bench.ear(port)
    run = bench.run(config)
    summary = ear.until("/whip/summary", 3)[-1]
    (verdict, *_) = ear.until("/whip/verdict")
    trace = ear.until("/whip/trace", 3)[-1]
    run.stop()
    told = TraceMessage.model_validate(trace).curve
    assert told is not None
    assert told.figure == "return loss"
    best = summary["reflection"]["best"]
    # The best match is among the points kept; the limit on SWR stands as a return loss.
    assert max(one for one in told.values if one is not None) == pytest.approx(
        best["return_loss_db"], abs=0.7
    )
    (mask,) = trace["mask"]
    assert (mask["name"], mask["start_hz"], mask["stop_hz"]) == ("range", 156e6, 158e6)
    assert mask["limit"] == pytest.approx(9.542, abs=1e-3)  # of SWR 2
    assert Summary.model_validate(summary).reflection is not None
    assert summary["reflection"]["best"]["swr_low"] <= 50 / 42
    assert Verdict.model_validate(verdict).of == "pass"
    values = {
        topic.rsplit("/", 1)[1]: float(payload)
        for _, topic, payload in ear.messages()
        if "/whip/value/" in topic
    }
    assert {"best_match_hz", "best_swr", "swr_ch16", "swr_ais1", "worst_swr"} <= set(values)
    assert values["swr_ch16"] == pytest.approx((1 + truth(156.8e6)) / (1 - truth(156.8e6)), abs=0.2)
    late = bench.ear(port)
    assert late.until("/whip/verdict")
