"""A filter and a whip on a bridge are tuned by what a running station publishes, and nothing else.

``acqd run`` sweeps two simulated benches beside a real broker; the live page has no archive at
hand. What a viewer is shown is held against what a listener of our own heard at the broker.
"""

from __future__ import annotations

import asyncio
import json
import subprocess
import sys
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator
from pathlib import Path
from typing import Any

import aiomqtt
import numpy as np
import pytest

from acqd.dash.service import Dashboard, DashSettings
from acqd.publish.child import free_port
from acqd.publish.settings import BrokerSettings, Endpoint
from peers import skip_without_mosquitto

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")

CONFIG = """\
[station]
name = "gannet-ledge"
archive = "archive"
time_zone = "Europe/London"
keep_free = "1 MB"

[mqtt]
broker = "local"
address = "127.0.0.1:{port}"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
absolute_max = "10 dBm"
options = {{ source_path = [{filter}], time_scale = 0.05 }}

[sweeper.roof]
driver = "sim"
address = "sim:workbench"
absolute_max = "10 dBm"
options = {{ source_path = [{bridge}], time_scale = 0.05 }}

[job.stop-filter]
kind = "transmission"
sweeper = "shack"
start = "60 MHz"
stop = "180 MHz"
points = 601
rbw = "30 kHz"
detector = "rms"
attenuation = "10 dB"
source = {{ level = "-20 dBm" }}
when = {{ every = "1 s" }}

[job.stop-filter.transmission]
passband = {{ range = "156 MHz..162.1 MHz", loss_at_most = "2 dB", ripple_at_most = "1.5 dB" }}
stopband = {{ name = "broadcast", range = "92 MHz..102 MHz", at_least = "10 dB" }}
frequency = [{{ name = "ch16", at = "156.8 MHz", at_most = "2 dB" }}]
source_vswr = 1.1
load_vswr = 1.1

[job.whip]
kind = "reflection"
sweeper = "roof"
start = "150 MHz"
stop = "164 MHz"
points = 141
rbw = "10 kHz"
detector = "rms"
source = {{ level = "-20 dBm", radiates = true, licensed = ["150 MHz..164 MHz"] }}
when = {{ every = "1 s" }}

[job.whip.reflection]
directivity = "36 dB"
source_match = "28 dB"
load_return_loss = "46 dB"
cable_loss = "0.4 dB"
cable_loss_at = "150 MHz"
named = {{ ch16 = "156.8 MHz" }}
range = "156 MHz..158 MHz"
max_swr = 2.0
max_swr_at = {{ ch16 = 1.5 }}
"""

REFERENCES = (
    ("stop-filter", "through", "", "bridge"),
    ("whip", "open", "", "bridge-open"),
    ("whip", "short", "", "bridge-short"),
    ("whip", "load", "", "bridge-load"),
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Endpoint]:
    """A running station with its references taken, by its broker."""
    skip_without_mosquitto()
    folder = tmp_path_factory.mktemp("bench")
    port = free_port("127.0.0.1")

    def write(name: str, filtered: str, bridge: str) -> Path:
        paths = {"filter": f'"{filtered}"' if filtered else "", "bridge": f'"{bridge}"'}
        (folder / name).write_text(CONFIG.format(port=port, **paths))
        return folder / name

    for job, role, filtered, bridge in REFERENCES:
        config = write("reference.toml", filtered, bridge)
        words = ("reference", job, role, "--yes", "--sweeps", "2", "--config", str(config))
        subprocess.run([*ACQD, *words], check=True, capture_output=True, timeout=60)
    config = write("station.toml", "broadcast-stop", "bridge")
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    station = subprocess.Popen([*ACQD, "run", str(config)], **quiet)
    try:
        yield Endpoint(host="127.0.0.1", port=port)
    finally:
        station.terminate()
        try:
            station.wait(20)
        finally:
            if station.poll() is None:
                station.kill()


class Heard:
    """What was published of the benches, by job and number."""

    def __init__(self) -> None:
        self.traces: dict[tuple[str, int], dict[str, Any]] = {}
        self.verdicts: dict[str, dict[str, Any]] = {}

    async def listen(self, endpoint: Endpoint) -> None:
        while True:
            try:
                async with aiomqtt.Client(endpoint.host, endpoint.port) as client:
                    await client.subscribe("acqd/+/job/+/trace")
                    await client.subscribe("acqd/+/job/+/verdict")
                    async for message in client.messages:
                        self._take(json.loads(message.payload))
            except aiomqtt.MqttError:
                await asyncio.sleep(0.1)  # the station is still starting its broker

    def _take(self, told: dict[str, Any]) -> None:
        if told["schema"] == "trace/1":
            self.traces[told["job"], told["seq"]] = told
        else:
            self.verdicts[told["job"]] = told


@pytest.fixture
async def heard(bench: Endpoint) -> AsyncIterator[Heard]:
    made = Heard()
    task = asyncio.ensure_future(made.listen(bench))
    yield made
    task.cancel()
    await asyncio.wait([task])


@pytest.fixture
async def page(bench: Endpoint, clock: Any, log: Any) -> AsyncIterator[Dashboard]:
    """The live page without an archive."""
    settings = DashSettings(broker=BrokerSettings(address=bench), port=0)
    made = Dashboard(settings, clock=clock, log=log, backoff=lambda attempt: 0.05)
    await made.start()
    yield made
    await made.stop()


Look = Callable[..., Awaitable[Any]]


@pytest.mark.parametrize(
    ("job", "what", "limits"),
    [
        (
            "stop-filter",
            "insertion loss",
            {"largest loss in the passband", "ripple of the passband", "rejection in broadcast",
             "loss at ch16"},
        ),
        ("whip", "return loss", {"worst SWR in the range, 2", "SWR at ch16, 1.5"}),
    ],
)  # fmt: skip
async def test_curve_and_limits_are_those_that_were_published(
    heard: Heard,
    page: Dashboard,
    look: Look,
    job: str,
    what: str,
    limits: set[str],
) -> None:
    viewer = await look(page, job=job)
    await viewer.until(
        lambda one: bool((one.header["view"] or {}).get("curve") and viewer.detail.get("verdict")),
        within_s=40.0,
    )
    frame = await viewer.until(lambda one: (job, one.view["seq"]) in heard.traces)
    view = frame.view
    told = heard.traces[job, view["seq"]]
    curve = told["curve"]
    axis = curve["frequency_hz"]
    if axis is None:
        axis = np.linspace(curve["start_hz"], curve["stop_hz"], len(curve["values"])).tolist()
    assert view["curve"] == {
        "what": what, "unit": "dB", "frequency_hz": axis, "value": curve["values"],
    }  # fmt: skip
    places = [
        (one["start_hz"], one["stop_hz"],
         one["limit"] if one["side"] == "below" else None,
         one["limit"] if one["side"] == "above" else None)
        for one in told["mask"]
    ]  # fmt: skip
    keys = ("start_hz", "stop_hz", "at_most", "at_least")
    assert [tuple(one[key] for key in keys) for one in view["mask"]] == places
    assert {one["label"] for one in view["mask"]} == limits
    judged = {one["figure"]: one["verdict"] for one in heard.verdicts[job]["judgements"]}
    for one in view["mask"]:
        (verdict,) = (
            judged[figure]
            for figure in judged
            if figure.partition(" (")[0] == one["label"].partition(",")[0]
        )
        assert one["verdict"] == verdict
    # The big number is a figure of the same summary, with its U.
    figure = view["figures"][0]
    assert figure["expanded"] > 0.0
    if job == "whip":
        assert figure["label"] == "SWR at the best match"
        assert 1.0 <= figure["low"] < figure["value"] < figure["high"]
        assert figure["expanded"] == figure["high"] - figure["value"]
