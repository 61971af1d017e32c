"""Band jobs on samples: a recording that ends, and a stream whose cable is pulled."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim.iq import IqSettings
from acqd_sim.iqrecord import record
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.archive.reader import open_archive
from acqd.archive.records import SweepRecord
from acqd.station.replay import Replay
from acqd.station.replay_check import Check

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.52 MHz"
power = "-61.5 dBm"

[[scene.harbour.carrier]]
name = "hand-held"
frequency = "156.49 MHz"
power = "-55 dBm"
on = "400 ms"
off = "400 ms"
least_on = "300 ms"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
"""
START_S = 1_780_000_000.0
SAMPLES = IqSettings(rate_hz=100e3, centre_hz=156.5e6, full_scale_dbm=-40.0)
STREAM = {"type": "ci16_le", "rate": "100 kS/s", "centre": "156.5 MHz", "full_scale": "-40 dBm"}


@pytest.fixture
def server() -> Iterator[SimServer]:
    """A receiver that sends its samples."""
    with ExitStack() as stack:
        served = Served(iq={"mast": ("127.0.0.1", 0, SAMPLES)})
        yield stack.enter_context(SimServer(world_from_text(SCENE), served))


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    """Two seconds of the harbour, long ago."""
    out = tmp_path / "night.sigmf-meta"
    record(world_from_text(SCENE), "mast", SAMPLES, start_s=START_S, lasts_s=2.0, out=out)
    return out


def _kept(bench: Any) -> list[SweepRecord]:
    archive = open_archive(bench.archive)
    return [one for one in archive.events("night") if isinstance(one, SweepRecord)]


def _check_beacon(kept: list[SweepRecord], level: float) -> None:
    """Point 100 is the beacon's; the receiver is good for 1.5 dB, the mean over a point's cell of
    the window's scalloping, −0.4 dB."""
    assert np.median([one.level[100] for one in kept]) == pytest.approx(level - 0.2, abs=1.8)


def config_of(
    folder: Path, *, address: str, options: dict[str, str], sweep_time: str, sweeper: str = ""
) -> Path:
    """A station with one sweeper and a band job on it."""
    told = ", ".join(f"{key} = {json.dumps(value)}" for key, value in options.items())
    path = folder / "station.toml"
    path.write_text(f"""\
[station]
name = "lookout"
archive = "archive"
seal_every = "10 s"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.ear]
driver = "iq"
address = "{address}"
options = {{ {told} }}
{sweeper}

[job.night]
kind = "band"
sweeper = "ear"
start = "156.47 MHz"
stop = "156.53 MHz"
points = 121
rbw = "1 kHz"
detector = "rms"
sweep_time = "{sweep_time}"
when = {{ every = "200 ms" }}
band = {{ margin = "10 dB" }}
""")
    return path


@pytest.mark.slow
def test_a_recording_is_swept_until_it_ends(
    bench: Any, check_accounts: Any, recording: Path
) -> None:
    """Its path counts from the config's folder; levels are dBFS; its end is told, and accounted
    for; its time of long ago is stored and is no clock that wanders."""
    config = config_of(
        bench.folder, address=f"iq:{recording.name}", options={}, sweep_time="100 ms"
    )
    run = bench.run(config)
    run.until("request_refused", job="night")
    run.stop()
    archive = open_archive(bench.archive)
    check_accounts(archive, "night", every_s=0.2)
    kept = [one for one in archive.events("night") if isinstance(one, SweepRecord)]
    assert [one.sweeper_time_s for one in kept] == pytest.approx(START_S + 0.1 * np.arange(20))
    _check_beacon(kept, -61.5 + 40.0)
    found = {one.what: one.text for one in archive.findings("night")}
    assert "the recording has ended: asked for 0.1 s more" in found["refused"]
    assert "dBFS" in found["signal_appeared"]
    # A recording without a word of who made it; of clocks and losses there is nothing to tell.
    assert [one.what for one in archive.findings("station")] == ["identity_doubtful"]


def _hiss(folder: Path) -> Path:
    """Two seconds of noise, −40 dBFS in 30 kHz around the centre and −90 dBFS over all."""
    count, rate_hz = 200_000, 100e3
    rng = np.random.default_rng(9)
    away_hz = np.abs(np.fft.fftfreq(count, 1.0 / rate_hz))
    density = np.where(away_hz <= 15e3, 1e-4 / 30e3, 0.0) + 1e-9 / rate_hz
    parts = rng.standard_normal((2, count)) * np.sqrt(density * rate_hz * count / 2.0)
    samples = np.fft.ifft(parts[0] + 1j * parts[1]).astype(np.complex64)
    (folder / "hiss.sigmf-data").write_bytes(samples.tobytes())
    head = {"core:datatype": "cf32_le", "core:version": "1.0.0", "core:sample_rate": rate_hz}
    row = {"core:sample_start": 0, "core:frequency": 156.5e6}
    meta = {"global": head, "captures": [row], "annotations": []}
    out = folder / "hiss.sigmf-meta"
    out.write_text(json.dumps(meta))
    return out


@pytest.mark.slow
@pytest.mark.parametrize(
    ("rbw", "said", "off_db"),
    [("noise", "", 0.0), ("gaussian", "", 0.0), ("noise", "1.2", -10.0 * math.log10(1.2))],
    ids=["noise", "gaussian", "said otherwise"],
)
def test_the_power_of_noise_is_right_live_and_again(
    bench: Any, rbw: str, said: str, off_db: float
) -> None:
    """Whichever width is called the RBW, as the driver states it; or as the config does. Twenty
    sweeps of 3000 independent values each are good for 4.34/√60,000 dB (one deviation); levels on
    steps of 0.01 dB and the edges of the noise come on top. A replay has the same bits."""
    recording = _hiss(bench.folder)
    config = config_of(
        bench.folder,
        address=f"iq:{recording.name}",
        options={"rbw": rbw},
        sweep_time="100 ms",
        sweeper=f"noise_bandwidth = {said}" if said else "",
    )
    run = bench.run(config)
    run.until("request_refused", job="night")
    run.stop()
    replay = Replay(archive=open_archive(bench.archive), job="night")
    check, summaries = Check(same_place=True), []
    for told in replay.run():
        check.take(told)
        summaries += [one.summary for one in told.outputs if one.summary is not None]
    powers = [one["strongest"]["power_dbfs"] for one in summaries]
    assert len(powers) == 20
    assert np.mean(powers) == pytest.approx(-40.0 + off_db, abs=0.08)
    assert check.is_exact and check.sweeps == 20 and check.findings


@pytest.mark.slow
def test_a_stream_is_swept_and_comes_back(
    bench: Any, check_accounts: Any, server: SimServer
) -> None:
    """Levels are dBm by the stated full scale; an unplugged stream costs its own sweeps alone."""
    address = server.samples("mast").address
    run = bench.run(config_of(bench.folder, address=address, options=STREAM, sweep_time="50 ms"))
    run.until("sweeper_present", sweeper="ear")
    bench.wait_for("sweeps", lambda: len(_kept(bench)) >= 3)
    server.tell("mast unplug")
    run.until("sweeper_lost", sweeper="ear")
    server.tell("mast replug")
    run.until("sweeper_present", 2, sweeper="ear")
    before = len(_kept(bench))
    bench.wait_for("more sweeps", lambda: len(_kept(bench)) >= before + 3)
    run.stop()
    archive = open_archive(bench.archive)
    check_accounts(archive, "night", every_s=0.2)
    _check_beacon(_kept(bench), -61.5)
