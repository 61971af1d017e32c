"""A recorded event through the whole way: driver, host, job, archive, reader, and the figures.

Data: radiospectra 0.7.0 (BSD), BIR_20110607_062400_10.fit; see the ``recording`` fixture. The
answers were computed apart from this project with NumPy, SciPy and astropy alone; what
``test_recorded_event.py`` checks on the recording itself is checked here on what the archive gives
back of it.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import open_archive
from acqd.archive.writer import ArchiveWriter
from acqd.config.load import parse_config
from acqd.drivers.contract import Driver, OpenContext, Sweeper, Trace
from acqd.drivers.host import SweeperHost
from acqd.drivers.registry import load_drivers
from acqd.measure.floor import excess_over, floor_per_frequency, onset
from acqd.measure.occupancy import band_occupancy
from acqd.station.build import build
from acqd.station.job import JobRunner, Taken
from acqd.station.tell import Teller
from acqd.sweep import Capabilities, Identity, LevelUnit, Reported, SweepRequest
from acqd.testing.clock import ManualClock

JOB = "solar"
QUIET = 400
AT_ONCE = 16
"""Sweeps of one commit."""

CONFIG = """\
[station]
name = "lookout"
archive = "archive"

[mqtt]
broker = "none"

[sweeper.recorder]
driver = "sim"
address = "sim:mast"

[job.solar]
kind = "band"
sweeper = "recorder"
start = "20 MHz"
stop = "91.813 MHz"
points = 200
when = { every = "250 ms" }
band = { margin = "20 dB", floor = "learnt", learn = "99.5 s" }
"""


class Playback(Driver):
    """Gives the sweeps of a recording, one after the other, with its axis and its own times."""

    def __init__(self, recording: Any) -> None:
        self._recording = recording

    def open(self, context: OpenContext) -> Sweeper:
        return PlayedSweeper(self._recording)


class PlayedSweeper(Sweeper):
    def __init__(self, recording: Any) -> None:
        self._recording = recording
        self._at = 0

    def identify(self) -> Identity:
        return Identity(maker="ACME", model="RECORDER", serial_number="1")

    def capabilities(self) -> Capabilities:
        axis = self._recording.frequency_hz
        return Capabilities(
            start_hz=float(axis.min()),
            stop_hz=float(axis.max()) + 1e3,
            points_max=axis.size,
            unit=LevelUnit.DIGIT,
            resolution=1.0,
            gives_time=True,
        )

    def sweep(self, request: SweepRequest) -> Trace:
        at, self._at = self._at, self._at + 1
        recording = self._recording
        return Trace(
            level=recording.level[at],
            unit=LevelUnit.DIGIT,
            reported=Reported(sweep_time_s=recording.interval_s),
            frequency_hz=recording.frequency_hz,
            sweeper_time_s=float(recording.started_s[at]),
        )

    def close(self) -> None:
        pass


async def play(root: Path, recording: Any) -> None:
    """Sweep the whole recording into an archive, on a clock that stands where it stood then."""
    (spec,) = build(parse_config(CONFIG, root / "station.toml"), load_drivers()).jobs
    clock = ManualClock(float(recording.started_s[0]))
    host = SweeperHost(
        name="recorder", driver=Playback(recording), address="played:", options={}, clock=clock
    )
    archive = ArchiveWriter.open(root, station="lookout", run_id="1", clock=clock)
    teller = Teller(
        station="lookout",
        title="",
        run_id="1",
        clock=clock,
        topics_root="acqd",
        trace_points=100,
        sweepers=["recorder"],
        drivers={},
        jobs=[JOB],
    )
    job = JobRunner(
        spec, archive=archive, teller=teller, clock=clock, run_id="1", state=spec.feed.start()
    )
    state = spec.feed.checkpoint(JOB, job.state, next_finding=1)
    archive.begin([state])
    opened = await host.open()
    taken: list[Taken] = []
    for started_s in recording.started_s.tolist():
        clock.advance(started_s - clock.wall_s())
        sweep = await host.sweep(spec.request)
        due_s = round(started_s / recording.interval_s) * recording.interval_s
        taken.append(
            Taken(
                sweep=sweep,
                capabilities=opened.capabilities,
                step=0,
                due_s=due_s,
                first_of_pass=True,
            )
        )
        if len(taken) == AT_ONCE:
            await job.keep(taken)
            taken = []
    await host.close()
    after = spec.feed.checkpoint(JOB, job.state, next_finding=job.last_finding + 1)
    await asyncio.to_thread(archive.close, [after], within_s=30.0)


@pytest.fixture(scope="module")
def read(recording: Any, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """What the reader gives of the archive."""
    root = tmp_path_factory.mktemp("played")
    asyncio.run(play(root, recording))
    assert len(list(root.glob("sweeps/*/*/*.nc"))) == 1, "sealed into one file"
    with open_archive(root) as archive:
        yield archive


@pytest.fixture(scope="module")
def levels(read: Any) -> Any:
    """(sweeps, points) in the receiver's own order."""
    return read.sweeps(JOB).level.values.astype(np.float64)


@pytest.fixture(scope="module")
def background(levels: Any) -> Any:
    return floor_per_frequency(levels[:QUIET])


def clock_of(time: np.datetime64) -> str:
    """UT to the millisecond."""
    seconds = time.astype("M8[us]").astype(float) / 1e6
    return datetime.fromtimestamp(seconds + 1e-6, UTC).strftime("%H:%M:%S.%f")[:-3]


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_the_archive_gives_back_the_recording(read: Any, levels: Any, recording: Any) -> None:
    """Every digit, the falling uneven axis with its duplicates as it was, and the times."""
    data = read.sweeps(JOB)
    assert np.array_equal(levels, recording.level)
    assert np.array_equal(data.frequency.values, recording.frequency_hz)
    assert data.level.dims == ("sweep", "point")
    assert data.level.attrs["units"] in ("digit", "1")
    theirs = (recording.started_s * 1e6).round().astype("M8[us]")
    assert np.abs(data.time.values.astype("M8[us]") - theirs).max() <= np.timedelta64(1, "us")
    stamps = data.sweeper_time.values.astype("M8[us]")
    assert np.abs(stamps - theirs).max() <= np.timedelta64(1, "us")


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_background_per_frequency(background: Any) -> None:
    """Median of the first 400 sweeps: 110 to 151 digits, median 129.0, mean 128.54."""
    assert (background.min(), background.max()) == (110.0, 151.0)
    assert float(np.median(background)) == 129.0
    assert float(background.mean()) == pytest.approx(128.54, abs=5e-3)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_strongest_cell(read: Any, levels: Any, background: Any) -> None:
    """73.0 digits above its background at 51.188 MHz, 06:28:41.963 UT."""
    data = read.sweeps(JOB)
    over = levels - background
    sweep, point = np.unravel_index(int(over.argmax()), over.shape)
    assert over[sweep, point] == 73.0
    assert data.frequency.values[point] == pytest.approx(51.188e6, abs=500.0)
    assert clock_of(data.time.values[sweep]) == "06:28:41.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_onset(read: Any, levels: Any, background: Any) -> None:
    """The excess over all channels first stays above median + 5 sigma at 06:25:53.963 UT."""
    excess = excess_over(levels, background)
    found = onset(excess, background=QUIET, sweeps=16, sigmas=5.0)
    assert found.index is not None
    assert clock_of(read.sweeps(JOB).time.values[found.index]) == "06:25:53.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
@pytest.mark.parametrize(("over", "percent"), [(10.0, 41.5919), (20.0, 25.4694)])
def test_occupied_cells(levels: Any, background: Any, over: float, percent: float) -> None:
    """Band occupancy at two thresholds over the background."""
    found = 100.0 * band_occupancy(levels > background + over)
    assert found == pytest.approx(percent, abs=5e-5)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.slow
def test_the_job_noticed_the_event(read: Any, recording: Any) -> None:
    """Live, while it was played: the floor of the whole band rose after the onset, in digits."""
    rose = [one for one in read.findings(JOB) if one.what == "floor_rose"]
    assert rose
    assert 0 < rose[0].at_s - (recording.started_s[0] + 113.75) < 60
    assert "digits" in rose[0].text
    assert not any("dBm" in one.text for one in read.findings(JOB))
    summary = next(
        event.summary for event in read.events(JOB) if getattr(event, "summary", None) is not None
    )
    assert summary["unit"] == "digit"
