"""A recorded solar event through the product's own functions, with answers known beforehand.

Data: radiospectra 0.7.0 (BSD), BIR_20110607_062400_10.fit; see the ``recording`` fixture. The
answers were computed apart from this project with NumPy, SciPy and astropy alone. "Cells above
background + 10" counts strictly above; at or above it would be 44.43 %.
"""

from __future__ import annotations

import json
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.band import BandMeter, BandSettings
from acqd.measure.floor import excess_over, floor_per_frequency, onset
from acqd.measure.meter import HourTurned, Output, SetupChanged, SweepSeen
from acqd.measure.occupancy import band_occupancy
from acqd.sweep import NO_FLAGS, Grid, LevelUnit

BACKGROUND_SWEEPS = 400


def clock(started_s: float) -> str:
    """UT to the millisecond."""
    return datetime.fromtimestamp(started_s, UTC).strftime("%H:%M:%S.%f")[:-3]


@pytest.fixture(scope="module")
def background(recording: Any) -> NDArray[np.float64]:
    """Floor per frequency of the quiet time before the event."""
    return floor_per_frequency(recording.level[:BACKGROUND_SWEEPS])


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_background_per_frequency(background: NDArray[np.float64]) -> None:
    """Median of the first 400 sweeps: 110 to 151 digits, median 129.0, mean 128.54."""
    assert (background.min(), background.max()) == (110.0, 151.0)
    assert float(np.median(background)) == 129.0
    assert float(background.mean()) == pytest.approx(128.54, abs=5e-3)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_strongest_cell(recording: Any, background: NDArray[np.float64]) -> None:
    """73.0 digits above its background at 51.188 MHz, 06:28:41.963 UT."""
    over = recording.level - background
    sweep, point = np.unravel_index(int(over.argmax()), over.shape)
    assert over[sweep, point] == 73.0
    assert recording.frequency_hz[point] == pytest.approx(51.188e6, abs=500.0)
    assert clock(recording.started_s[sweep]) == "06:28:41.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_onset(recording: Any, background: NDArray[np.float64]) -> None:
    """The excess over all channels first stays above median + 5 sigma at 06:25:53.963 UT."""
    excess = excess_over(recording.level, background)
    found = onset(excess, background=BACKGROUND_SWEEPS, sweeps=16, sigmas=5.0)
    assert found.index is not None
    assert clock(recording.started_s[found.index]) == "06:25:53.963"


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
@pytest.mark.parametrize(("over", "percent"), [(10.0, 41.5919), (20.0, 25.4694)])
def test_occupied_cells(
    recording: Any, background: NDArray[np.float64], over: float, percent: float
) -> None:
    """Band occupancy at two thresholds over the background."""
    found = 100.0 * band_occupancy(recording.level > background + over)
    assert found == pytest.approx(percent, abs=5e-5)


@pytest.fixture(scope="module")
def watched(recording: Any) -> list[Output]:
    """The recording through the band meter, as a job with a learnt floor would take it."""
    meter = BandMeter(BandSettings(false_alarm=1e-7, margin_db=20.0, floor="learnt", learn_s=99.5))
    grid = Grid.from_axis(recording.frequency_hz)
    state, _ = meter.step(
        meter.start(),
        SetupChanged(
            at_s=float(recording.started_s[0]),
            setup="recorded",
            grid=grid,
            unit=LevelUnit(recording.unit),
            rbw_hz=None,
            detector=None,
            averages=None,
            interval_s=recording.interval_s,
            sweep_time_s=recording.interval_s,
            level_accuracy_db=0.0,
        ),
    )
    outputs = []
    times = recording.started_s.tolist()
    for i, (level, started_s) in enumerate(zip(recording.level, times, strict=True)):
        rising = np.asarray(grid.rising(level), dtype=np.float64)
        rising.setflags(write=False)
        state, output = meter.step(
            state,
            SweepSeen(
                seq=i + 1,
                step=0,
                due_s=started_s,
                started_s=started_s,
                took_s=recording.interval_s,
                level=rising,
                flags=NO_FLAGS,
            ),
        )
        outputs.append(output)
    hour_s = times[0] // 3600 * 3600
    outputs.append(meter.step(state, HourTurned(hour_start_s=hour_s, hour_end_s=hour_s + 3600))[1])
    return outputs


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_meter_hears_the_event_and_not_the_quiet(watched: list[Output], recording: Any) -> None:
    """Silent while it learns; the strongest signal at the frequency and time of the event."""
    quiet = watched[:BACKGROUND_SWEEPS]
    assert not any(output.findings for output in quiet)
    strongest = max(
        (output.summary["strongest"]["over_floor_digit"], i)
        for i, output in enumerate(watched[:-1])
        if output.summary is not None and output.summary["strongest"] and i >= BACKGROUND_SWEEPS
    )
    at = watched[strongest[1]].summary
    assert at is not None
    assert strongest[0] > 50
    assert at["strongest"]["peak_hz"] == pytest.approx(51.188e6, abs=500.0)
    assert 0 < recording.started_s[strongest[1]] - recording.started_s[0] - 113.75 < 300


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_meter_tells_that_the_whole_band_rose(watched: list[Output], recording: Any) -> None:
    """The event lifts all channels: told as a rise of the floor, within a minute of the onset."""
    rose = [f for output in watched for f in output.findings if f.what == "floor_rose"]
    assert rose
    assert 0 < rose[0].at_s - (recording.started_s[0] + 113.75) < 60
    assert "(20.000 to 91.813 MHz)" in rose[0].text
    assert "digits" in rose[0].text


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_meter_claims_no_decibels_for_digits(watched: list[Output]) -> None:
    """Every name that holds a level says digit, and what needs decibels is refused."""
    summary = watched[-2].summary
    assert summary is not None
    assert summary["unit"] == "digit"
    assert summary["averages"] is None
    assert "digit" in summary["signal_power_refused"]
    assert not any(name.endswith("_dbm") for name in summary)
    json.dumps(summary, allow_nan=False)


@pytest.mark.source("radiospectra 0.7.0, BIR_20110607_062400_10.fit (BSD licence)", "measured")
def test_meter_counts_the_hour(watched: list[Output]) -> None:
    """3600 stored, the learning time apart, an occupied fraction that fits the event."""
    (record,) = watched[-1].hourly
    figures = record.figures
    assert (figures["stored"], figures["learning"]) == (3600, 399)
    assert 0.05 < figures["fbo"] < 0.42
    json.dumps(figures, allow_nan=False)
