"""A station that follows a carrier: what it says is true, and a restart goes on from there."""

from __future__ import annotations

import json
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.publish.messages import Summary

MAIN = "from acqd.cli import main; main()"

JOB = """\
[job.beacon]
kind = "carrier"
sweeper = "mast"
start = "156.79 MHz"
stop = "156.81 MHz"
points = 81
rbw = "1 kHz"
detector = "sample"
when = { every = "100 ms" }
carrier = { expected = "156.8 MHz", window = "10 kHz" }
"""


@pytest.mark.slow
def test_a_beacon_is_followed_over_a_restart(bench: Any) -> None:
    """Frequency and level lie within U of the simulated truth; the series goes on."""
    sim = bench.sim()
    broker = bench.broker()
    ear = bench.ear(broker.port)
    config = bench.config(sim.addresses, [JOB], broker=broker.url)
    readings = []
    for _ in range(2):
        run = bench.run(config)
        run.until("broker_connected")
        ear.until("/beacon/summary", len(ear.heard("/beacon/summary")) + 20)
        run.stop()
        told = ear.heard("/beacon/summary")
        readings.append(told[-1]["carrier"]["readings"])
        for one in told:
            Summary.model_validate(one)
    assert readings[1] >= readings[0] + 15
    carriers = [one["carrier"] for one in ear.heard("/beacon/summary")]
    for carrier in carriers:
        assert carrier["heard"] and carrier["interpolated"]
        assert abs(carrier["offset_hz"]) <= carrier["frequency_expanded_hz"]
        assert abs(carrier["level_dbm"] + 61.5) <= carrier["level_expanded_db"]
    assert carriers[-1]["drift"]["readings"] >= 16
    values = {topic.rsplit("/", 1)[-1] for _, topic, _ in ear.messages() if "/value/" in topic}
    assert {"frequency_hz", "offset_hz", "level_dbm", "floor_dbm"} <= values
    sweeps = open_archive(bench.archive).sweeps("beacon")
    found = dict(zip(sweeps.sequence.values.tolist(), sweeps.frequency_hz.values, strict=True))
    for one in ear.heard("/beacon/summary"):
        assert np.isclose(found[one["seq"]], one["carrier"]["frequency_hz"], rtol=0, atol=1e-3)
    words = [sys.executable, "-c", MAIN, "replay", str(bench.archive), "beacon", "--check"]
    done = subprocess.run(words, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "equal bit for bit" in done.stdout


@pytest.mark.slow
def test_once_shows_the_reading_with_its_uncertainty(bench: Any) -> None:
    sim = bench.sim()
    config = bench.config(sim.addresses, [JOB])
    words = [sys.executable, "-c", MAIN, "once", "beacon", "--config", str(config)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    assert "frequency 156." in done.stdout and "ppm)" in done.stdout
    assert "largest part: " in done.stdout
    done = subprocess.run([*words, "--json"], capture_output=True, text=True, timeout=60)
    assert json.loads(done.stdout)["carrier"]["heard"] is True
