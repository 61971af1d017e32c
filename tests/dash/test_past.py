"""A real station sweeps for some seconds; then the page is begun with what its archive holds.

The command itself runs here as well: ``acqd run`` and ``acqd dash`` as processes of their own.
"""

from __future__ import annotations

import asyncio
import json
import shutil
import signal
import subprocess
import sys
import time
import urllib.request
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.dash import past
from acqd.errors import AcqdError
from acqd.publish.child import free_port
from acqd.publish.settings import BrokerSettings, Endpoint
from acqd.station.livepage import LivePage, PageSpec
from peers import skip_without_mosquitto

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")

CONFIG = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge Lookout"
archive = "archive"
time_zone = "Europe/London"
keep_free = "1 MB"

[mqtt]
broker = "local"
address = "127.0.0.1:{port}"

[sweeper.shack]
driver = "sim"
address = "sim:shack"
level_accuracy = "1 dB"
absolute_max = "10 dBm"
options = {{ source_path = [{path}] }}

[job.village]
kind = "band"
sweeper = "shack"
start = "446 MHz"
stop = "446.2 MHz"
points = 401
rbw = "3 kHz"
detector = "rms"
sweep_time = "100 ms"
when = {{ every = "500 ms" }}
band = {{ channels = "pmr446", margin = "8 dB", min_duration = "1 s" }}

[job.stop-filter]
kind = "transmission"
sweeper = "shack"
start = "60 MHz"
stop = "180 MHz"
points = 1201
rbw = "30 kHz"
detector = "rms"
attenuation = "10 dB"
sweep_time = "200 ms"
source = {{ level = "-20 dBm" }}
when = {{ every = "2 s" }}

[job.stop-filter.transmission]
stopband = {{ name = "broadcast", range = "92 MHz..102 MHz", at_least = "10 dB" }}
frequency = [{{ name = "ch16", at = "156.8 MHz", at_most = "2 dB" }}]
source_vswr = 1.1
load_vswr = 1.1
"""


def get(url: str) -> Any:
    with urllib.request.urlopen(url, timeout=5) as answer:
        return json.load(answer)


def ended(process: subprocess.Popen[str]) -> int:
    process.send_signal(signal.SIGTERM)
    return process.wait(20)


def shown_by(url: str, condition: Callable[[Any], bool], within_s: float = 40.0) -> Any:
    ends_s = time.monotonic() + within_s
    while True:
        told = get(f"{url}state.json")
        if condition(told):
            return told
        assert time.monotonic() < ends_s, json.dumps(told)[:3000]
        time.sleep(0.1)


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A station that ran, and what the live page beside it showed."""
    skip_without_mosquitto()
    folder = tmp_path_factory.mktemp("night")
    port = free_port("127.0.0.1")
    through, config = folder / "through.toml", folder / "station.toml"
    through.write_text(CONFIG.format(port=port, path=""))
    config.write_text(CONFIG.format(port=port, path='"broadcast-stop"'))
    reference = ("reference", "stop-filter", "through", "--yes", "--sweeps", "2")
    subprocess.run(
        [*ACQD, *reference, "--config", str(through)], check=True, capture_output=True, timeout=60
    )
    quiet: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    station = subprocess.Popen([*ACQD, "run", str(config)], **quiet)
    dash = subprocess.Popen([*ACQD, "dash", str(config), "--listen", "127.0.0.1:0"], **quiet)
    try:
        assert dash.stdout is not None
        url = dash.stdout.readline().strip()
        live = shown_by(url, _has_both)
        codes = ended(dash), ended(station)
    finally:
        for process in (dash, station):
            if process.poll() is None:
                process.kill()
            process.communicate()
    return {"archive": folder / "archive", "live": live, "url": url, "codes": codes, "port": port}


def _has_both(told: Any) -> bool:
    jobs = {job["job"]: job for one in told["stations"] for job in one["jobs"]}
    if set(jobs) != {"village", "stop-filter"}:
        return False
    village, filtered = jobs["village"], jobs["stop-filter"]
    return village["last_seq"] >= 10 and bool(filtered["figures"]) and filtered["every_s"]


def test_the_page_beside_a_running_station(night: dict[str, Any]) -> None:
    assert night["url"].startswith("http://127.0.0.1:")
    live = night["live"]
    assert live["zone"] == "Europe/London"
    (station,) = live["stations"]
    assert (station["station"], station["status"], station["alarm"]) == (
        "gannet-ledge", "online", "",
    )  # fmt: skip
    assert station["sweepers"][0]["state"] == "present"
    jobs = {job["job"]: job for job in station["jobs"]}
    assert jobs["village"]["state"] == "listening"
    assert jobs["village"]["figures"][0]["label"] == "floor"
    assert -130.0 < jobs["village"]["figures"][0]["value"] < -90.0
    loss = jobs["stop-filter"]["figures"][0]
    assert (loss["label"], loss["unit"]) == ("loss at ch16", "dB")
    assert 0.0 < loss["value"] < 2.0
    assert jobs["stop-filter"]["verdict"]["verdict"] == "pass"


def test_both_end_cleanly(night: dict[str, Any]) -> None:
    assert night["codes"] == (0, 0)


Start = Callable[..., Awaitable[Any]]
Look = Callable[..., Awaitable[Any]]


async def test_the_past_hours_are_those_of_the_archive(
    night: dict[str, Any], start: Start, look: Look, wait_until: Any
) -> None:
    """The station is stopped: nothing of this came over MQTT."""
    with open_archive(night["archive"]) as archive:
        sweeps = archive.sweeps("village", plane="far end")
        started = sweeps["started"].values
        level = sweeps["level"].values.astype(float)
        findings = archive.findings("village")
    dashboard = await start(archives=(night["archive"],))
    await wait_until(lambda: dashboard.past.sweeps >= started.size, within_s=30.0)
    viewer = await look(dashboard, job="village", span_s=3600.0)
    frame = await viewer.until(lambda one: "bins" in one.view and not one.view["more"])
    view = frame.view
    assert (view["start_hz"], view["stop_hz"], view["rows"]) == (446e6, 446.2e6, 200)
    edges = np.arange(200) * 401 // 200
    rows = np.maximum.reduceat(level, edges, axis=1)
    bins = np.floor(started / view["bin_s"]).astype(int)
    assert sorted(viewer.columns) == sorted(set(bins.tolist()))
    for number, codes in viewer.columns.items():
        shown = view["low_db"] + (codes - 1.0) * view["step_db"]
        expected = rows[bins == number].max(axis=0)
        assert np.abs(shown - expected).max() <= 0.25 + 1e-6
    assert viewer.state["stations"][0]["archive"] is True
    told = [one["text"] for one in viewer.findings.values() if one["job"] == "village"]
    # By the times they are about: of two that one sweep confirms, the stronger is written first.
    assert told == [one.text for one in sorted(findings, key=lambda one: one.at_s)]


async def test_a_live_sweep_goes_on_where_the_archive_ends(
    night: dict[str, Any], start: Start, look: Look, say: Any, broker: Any, wait_until: Any
) -> None:
    dashboard = await start(archives=(night["archive"],))
    await wait_until(lambda: dashboard.past.sweeps > 0, within_s=30.0)
    job = dashboard.state.job("gannet-ledge", "village")
    epoch = job.sheet.epoch
    level = np.full(200, -80.0)
    axis = np.linspace(446e6, 446.2e6, 401)[np.arange(200) * 401 // 200].tolist()
    now_s = time.time()
    facts = {"start_hz": 446e6, "stop_hz": 446.2e6, "source_points": 401, "frequency_hz": axis}
    await broker.publish(say.trace(now_s, 9999, level, job="village", **facts))
    viewer = await look(dashboard, job="village", span_s=600.0)
    frame = await viewer.until(lambda one: one.view["seq"] == 9999)
    assert frame.view["epoch"] == epoch
    await viewer.until(lambda one: not one.view["more"])
    assert len(viewer.columns) >= 2


async def test_a_page_beside_its_station_begins_with_the_hours_of_the_archive(
    night: dict[str, Any],
) -> None:
    """The process that a station has its page served by is told where the sweeps are."""
    port = free_port("127.0.0.1")
    page = LivePage(
        PageSpec(address=Endpoint(host="127.0.0.1", port=port)),
        station="gannet-ledge",
        archive=night["archive"],
        zone="Europe/London",
        # Nobody is there: all that is shown comes from the archive.
        settings=BrokerSettings(address=Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))),
    )

    def has_past(told: Any) -> bool:
        jobs = [job for one in told["stations"] for job in one["jobs"]]
        return {job["job"] for job in jobs if job["has_sheet"]} == {"village", "stop-filter"}

    task = asyncio.create_task(page.run())
    try:
        while not page.starts:
            assert not task.done()
            await asyncio.sleep(0.05)
        told = await asyncio.to_thread(shown_by, f"http://127.0.0.1:{port}/", has_past)
        assert told["stations"][0]["archive"] is True
    finally:
        task.cancel()
        await asyncio.wait([task])


@pytest.mark.parametrize("begun", [True, False])
async def test_an_archive_that_does_not_say_yet_whose_it_is_is_waited_for(
    night: dict[str, Any], start: Start, wait_until: Any, tmp_path: Path, begun: bool
) -> None:
    """As that of a station whose first run is about to begin."""
    folder = tmp_path / "archive"
    if begun:
        (folder / "sweeps").mkdir(parents=True)
    dashboard = await start(archives=(folder,))
    assert dashboard.past.sweeps == 0
    whole = tmp_path / "whole"
    shutil.copytree(night["archive"], whole, ignore=shutil.ignore_patterns("*.sock"))
    shutil.rmtree(folder, ignore_errors=True)
    await asyncio.sleep(2 * past.LOOK_EVERY_S)  # It is not there at all for a while.
    whole.rename(folder)
    await wait_until(lambda: dashboard.past.sweeps > 0, within_s=30.0)
    assert dashboard.state.stations["gannet-ledge"].archive


async def test_a_folder_that_is_no_archive_is_one_line(start: Start, tmp_path: Path) -> None:
    with pytest.raises(AcqdError, match="no archive here"):
        await start(archives=(tmp_path,))
    with pytest.raises(AcqdError, match="no archive here"):
        await start(archives=(tmp_path / "no" / "archive",))


async def test_an_archive_of_a_station_that_is_not_shown_is_one_line(
    night: dict[str, Any], start: Start
) -> None:
    with pytest.raises(AcqdError, match="gannet-ledge"):
        await start(archives=(night["archive"],), stations=("elsewhere",))


async def test_reports_beside_the_archive_are_linked_and_served_apart(
    night: dict[str, Any], start: Start, look: Look, session: Any, say: Any, broker: Any
) -> None:
    shelf = night["archive"] / "reports"
    shelf.mkdir(exist_ok=True)
    name = "village-2026-06-15-0600.html"
    (shelf / name).write_text("<!doctype html><title>night</title><script>alert(1)</script>")
    dashboard = await start(archives=(night["archive"],))
    viewer = await look(dashboard, job=None)
    await viewer.until(lambda one: any(row["reports"] for row in viewer.state["stations"]))
    (report,) = viewer.state["stations"][0]["reports"]
    assert (report["job"], report["url"]) == ("village", f"/reports/gannet-ledge/{name}")
    base = f"http://127.0.0.1:{dashboard.server.port}"
    async with session.get(f"{base}{report['url']}") as answer:
        assert answer.status == 200
        assert answer.content_type == "text/html"
        policy = answer.headers["Content-Security-Policy"]
        assert policy.startswith("sandbox")
        assert "script-src" not in policy
        assert "default-src 'none'" in policy
    for path in ("..%2f..%2fstation.toml", "%2e%2e/ledger.sqlite", "village.html", "x.json"):
        async with session.get(f"{base}/reports/gannet-ledge/{path}") as answer:
            assert answer.status == 404, path


@pytest.mark.parametrize("harm", ["taken away", "torn", "overwritten"])
async def test_an_archive_that_is_lost_while_it_is_read_costs_its_hours_alone(
    night: dict[str, Any],
    start: Start,
    log: Any,
    wait_until: Any,
    say: Any,
    broker: Any,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    harm: str,
) -> None:
    copied = tmp_path / "archive"
    shutil.copytree(night["archive"], copied, ignore=shutil.ignore_patterns("*.sock"))
    read = past._tables_of

    def read_and_harm(root: Path, now_s: float) -> Any:
        found = read(root, now_s)
        if harm == "taken away":
            shutil.rmtree(root)
        for one in [*root.rglob("*.nc"), *root.rglob("journal-*.sqlite")]:
            raw = one.read_bytes()
            middle = len(raw) // 2
            one.write_bytes(raw[:middle] if harm == "torn" else b"\xa5" * len(raw))
        return found

    monkeypatch.setattr(past, "_tables_of", read_and_harm)
    dashboard = await start(archives=(copied,))
    if harm == "taken away":
        await wait_until(lambda: "past_not_read" in log.events())
    await wait_until(lambda: any(one.archive for one in dashboard.state.stations.values()))
    assert not any(task.done() for task in dashboard._tasks)
    await broker.publish(say.trace(time.time(), 9999, [-80.0, -81.0], job="village"))
    await wait_until(lambda: dashboard.state.job("gannet-ledge", "village").last_seq == 9999)
    await asyncio.sleep(2.5)  # its sheet is a new one, so the archive is looked at once more
    assert not any(task.done() for task in dashboard._tasks)
