"""Peaks of a trace, and where between its points a line lies."""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.signal
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape
from acqd.measure.peaks import (
    filter_loss_db,
    filter_width_hz,
    find_peaks,
    interpolated_peak,
    parabola_bias,
    reading_deviation_db,
)

Float = NDArray[np.float64]

RBW_HZ = 1e3
SHAPES = list(FilterShape)


def line(
    at_hz: float,
    step_hz: float,
    shape: FilterShape = FilterShape.GAUSSIAN,
    level_db: float = -30.0,
) -> tuple[Float, Float]:
    axis = 156.8e6 + np.arange(-20, 21) * step_hz
    return axis, level_db - filter_loss_db(axis - at_hz, RBW_HZ, shape)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize("down_db", [3.0103, 6.0206, 26.0, 60.0])
def test_width_and_loss_of_a_filter_agree(shape: FilterShape, down_db: float) -> None:
    """At half its width a filter is so far down."""
    width_hz = filter_width_hz(RBW_HZ, down_db, shape)
    assert float(filter_loss_db(width_hz / 2, RBW_HZ, shape)) == pytest.approx(down_db)
    assert filter_width_hz(RBW_HZ, 10 * math.log10(2), shape) == pytest.approx(RBW_HZ)


@pytest.mark.parametrize(
    ("shape", "ratio"),
    [
        (FilterShape.GAUSSIAN, 4.4645),
        (FilterShape.SYNCHRONOUS_4, 12.722),
        (FilterShape.SYNCHRONOUS_5, 9.993),
        (FilterShape.SINGLE_POLE, 999.9995),
    ],
)
def test_shape_factor(shape: FilterShape, ratio: float) -> None:
    """60 dB over 3 dB width."""
    assert filter_width_hz(1.0, 60.0, shape) == pytest.approx(ratio, abs=6e-4)


@pytest.mark.parametrize("step_per_rbw", [0.03, 0.2, 1 / 3, 0.5, 0.77, 1.0])
@pytest.mark.parametrize("place", [-0.49, -0.2, 0.0, 0.31, 0.5])
def test_gaussian_line_is_found_exactly(step_per_rbw: float, place: float) -> None:
    """Whatever the step, up to the RBW: the filter is a parabola in dB."""
    step_hz = step_per_rbw * RBW_HZ
    axis, level = line(156.8e6 + place * step_hz, step_hz)
    found = interpolated_peak(axis, level, int(np.argmax(level)), rbw_hz=RBW_HZ)
    assert found.interpolated
    assert found.frequency_hz == pytest.approx(156.8e6 + place * step_hz, abs=1e-4)
    assert found.level_db == pytest.approx(-30.0, abs=1e-9)
    assert found.width_hz == pytest.approx(RBW_HZ, rel=1e-6)
    assert (found.bias_hz, found.bias_low_db, found.bias_high_db) == (0.0, 0.0, 0.0)


def test_uneven_points_are_no_matter() -> None:
    """The parabola goes through the points where they are."""
    axis = np.array([0.0, 400.0, 900.0, 1100.0, 1900.0, 2500.0])
    level = -40.0 - filter_loss_db(axis - 970.0, RBW_HZ)
    found = interpolated_peak(axis, level, 2, rbw_hz=RBW_HZ)
    assert found.frequency_hz == pytest.approx(970.0, abs=1e-6)
    assert found.level_db == pytest.approx(-40.0, abs=1e-9)


@pytest.mark.parametrize("shape", [s for s in SHAPES if s is not FilterShape.GAUSSIAN])
@pytest.mark.parametrize("step_per_rbw", [0.1, 1 / 3, 0.5, 1.0])
def test_bias_of_other_filters_stays_within_what_is_stated(
    shape: FilterShape, step_per_rbw: float
) -> None:
    """Over 200 places of the line; and what is stated is nearly reached, so not padded."""
    step_hz = step_per_rbw * RBW_HZ
    errors_hz, errors_db = [], []
    for place in np.linspace(-0.5, 0.5, 201):
        axis, level = line(156.8e6 + place * step_hz, step_hz, shape)
        found = interpolated_peak(axis, level, int(np.argmax(level)), rbw_hz=RBW_HZ, shape=shape)
        assert found.bias_hz is not None
        assert found.bias_low_db is not None and found.bias_high_db is not None
        errors_hz.append(found.frequency_hz - 156.8e6 - place * step_hz)
        errors_db.append(found.level_db + 30.0)
        assert abs(errors_hz[-1]) <= found.bias_hz * 1.01 + 1e-4
        assert found.bias_low_db - 1e-3 <= errors_db[-1] <= found.bias_high_db + 1e-3
    assert max(np.abs(errors_hz)) > 0.9 * found.bias_hz
    assert max(np.abs(errors_db)) > 0.9 * max(-found.bias_low_db, found.bias_high_db)


def test_bias_of_the_common_analogue_filter_is_small() -> None:
    """Four synchronous poles at a third of the RBW: below 1 % of it and 0.05 dB."""
    bias = parabola_bias([-1 / 3, 0.0, 1 / 3], 1.0, FilterShape.SYNCHRONOUS_4)
    assert 0.0 < bias.frequency_hz < 0.01
    assert -0.05 < bias.low_db <= 0.0 <= bias.high_db < 0.05
    with pytest.raises(ValueError, match="at least three points"):
        parabola_bias([0.0, 1.0], 1.0)


@pytest.mark.parametrize("averages", [1.0, 20.0])
@pytest.mark.parametrize("step_per_rbw", [0.15, 0.5, 0.9])
def test_stated_uncertainty_of_a_noisy_line_covers(
    rng: np.random.Generator, averages: float, step_per_rbw: float
) -> None:
    """±2u holds frequency and level of 300 random lines 30 dB over the floor, 92 % of time or more.

    Too often where many points share the RBW: they count as three.
    """
    step_hz = step_per_rbw * RBW_HZ
    inside = np.zeros(2)
    for _ in range(300):
        at_hz = 156.8e6 + rng.uniform(-0.5, 0.5) * step_hz
        axis, clean = line(at_hz, step_hz)
        level = noisy(clean, -60.0, averages, rng)
        found = interpolated_peak(
            axis,
            level,
            int(np.argmax(level)),
            rbw_hz=RBW_HZ,
            floor_db=-60.0,
            averages=averages,
        )
        assert found.u_hz is not None and found.u_db is not None
        inside += (
            abs(found.frequency_hz - at_hz) <= 2 * found.u_hz,
            abs(found.level_db + 30.0) <= 2 * found.u_db,
        )
    assert np.all(inside / 300 > 0.92)
    if step_per_rbw > 0.3 and averages == 1.0:
        assert np.all(inside / 300 < 0.995)


def noisy(clean_db: Float, floor_db: float, averages: float, rng: np.random.Generator) -> Float:
    """A steady line in Gaussian noise, ``averages`` readings averaged in power."""
    count = int(averages)
    noise = math.sqrt(10 ** (floor_db / 10) / 2) * (
        rng.normal(size=(count, clean_db.size)) + 1j * rng.normal(size=(count, clean_db.size))
    )
    power = np.abs(10 ** (clean_db / 20) + noise) ** 2
    return np.asarray(10 * np.log10(power.mean(axis=0)))


@pytest.mark.parametrize("over_db", [0.0, 3.0, 10.0, 30.0])
@pytest.mark.parametrize("averages", [1, 10])
def test_spread_of_readings_is_as_stated(
    rng: np.random.Generator, over_db: float, averages: int
) -> None:
    """Standard deviation of 4000 readings of a line in noise, within 12 %."""
    line_power = 10 ** (over_db / 10) - 1
    clean = np.full(4000, 10 * math.log10(line_power) if line_power > 0 else -300.0)
    spread = float(noisy(clean, 0.0, averages, rng).std())
    assert reading_deviation_db(over_db, averages) == pytest.approx(spread, rel=0.12)


def test_resolution_of_the_levels_enters() -> None:
    """A scale of whole decibels makes the top uncertain, by more than nothing."""
    axis, level = line(156.8e6 + 100.0, 500.0)
    found = interpolated_peak(axis, np.round(level), 20, rbw_hz=RBW_HZ, resolution_db=1.0)
    assert found.u_db is not None and found.u_hz is not None
    assert 0.2 < found.u_db < 0.4
    assert abs(found.frequency_hz - 156.8e6 - 100.0) < 3 * found.u_hz


def test_steps_wider_than_the_rbw_are_not_interpolated() -> None:
    """The line lies within half a step, up to 3.0103·(Δf/RBW)² dB higher."""
    axis, level = line(156.8e6 + 1000.0, 2e3)
    found = interpolated_peak(axis, level, int(np.argmax(level)), rbw_hz=RBW_HZ)
    assert not found.interpolated
    assert found.bias_hz == 1e3
    assert found.bias_low_db == pytest.approx(-12.041, abs=1e-3)
    assert found.bias_high_db == 0.0
    assert found.u_hz == pytest.approx(1e3 / math.sqrt(3))
    assert found.reason is not None and "2000 Hz apart" in found.reason


@pytest.mark.parametrize(
    ("level", "index", "rbw_hz", "reason"),
    [
        ([-10.0, -20.0, -30.0], 0, 1e3, "end of the sweep"),
        ([-30.0, -20.0, -10.0], 2, 1e3, "end of the sweep"),
        ([-10.0], 0, 1e3, "end of the sweep"),
        ([math.nan, -20.0, -30.0], 1, 1e3, "missing"),
        ([-30.0, -20.0, -30.0], 1, None, "RBW is not known"),
    ],
)
def test_tops_that_nobody_can_bound(
    level: list[float], index: int, rbw_hz: float | None, reason: str
) -> None:
    """The point itself, no bound, and why."""
    axis = 1e6 + 500.0 * np.arange(len(level))
    found = interpolated_peak(axis, np.array(level), index, rbw_hz=rbw_hz)
    assert (found.frequency_hz, found.level_db) == (axis[index], level[index])
    assert (found.u_hz, found.u_db, found.bias_hz, found.bias_low_db) == (None,) * 4
    assert found.reason is not None and reason in found.reason


def test_points_that_share_a_frequency_are_not_interpolated() -> None:
    """Receivers with doubled channels exist."""
    found = interpolated_peak(
        np.array([1e6, 1e6, 1.0005e6]), np.array([-30.0, -20.0, -30.0]), 1, rbw_hz=1e3
    )
    assert found.reason == "points beside the highest one share its frequency"


def test_plateau_gives_its_middle() -> None:
    """Clipped readings: no curve to go by, half the plateau is the bound."""
    level = np.array([-40.0, -20.0, -20.0, -20.0, -20.0, -40.0])
    found = interpolated_peak(np.arange(6) * 100.0, level, 2, rbw_hz=RBW_HZ)
    assert (found.frequency_hz, found.bias_hz, found.points) == (250.0, 150.0, 4)
    assert not found.interpolated


def test_two_equal_points_are_interpolated_between() -> None:
    """A line halfway between two points reads the same on both."""
    axis, level = line(156.8e6 + 250.0, 500.0)
    for index in (20, 21):
        found = interpolated_peak(axis, np.round(level, 6), index, rbw_hz=RBW_HZ)
        assert found.frequency_hz == pytest.approx(156.8e6 + 250.0, abs=1e-2)


@pytest.mark.parametrize("index", [-1, 3, 0])
def test_index_that_is_no_top_is_refused(index: int) -> None:
    """Outside the trace, or beside something higher."""
    with pytest.raises(ValueError, match="index"):
        interpolated_peak(np.arange(3.0), np.array([-30.0, -20.0, -30.0]), index, rbw_hz=1.0)


@pytest.mark.parametrize("excursion_db", [1.0, 3.0, 6.0, 12.0])
def test_peaks_are_those_of_the_prominence_rule(
    rng: np.random.Generator, excursion_db: float
) -> None:
    """scipy.signal.find_peaks by prominence, on 40 random traces."""
    for _ in range(40):
        level = np.cumsum(rng.normal(0, 2, 300))
        level.setflags(write=False)
        expected, _ = scipy.signal.find_peaks(level, prominence=excursion_db)
        found = find_peaks(level, excursion_db=excursion_db)
        assert found.index.tolist() == expected.tolist()


def test_peaks_beyond_the_limit_are_counted() -> None:
    """The strongest stay, in rising order."""
    level = np.full(41, -90.0)
    level[1::4] = -80.0 + np.arange(10)
    found = find_peaks(level, limit=3)
    assert found.index.tolist() == [29, 33, 37]
    assert (len(found), found.dropped) == (3, 7)
    assert len(find_peaks(level, threshold=-73.0)) == 2


def test_missing_values_part_a_trace() -> None:
    """A peak needs its own two sides seen; ends have none. An empty trace has no peaks."""
    level = np.array([-20.0, -60.0, -30.0, math.nan, -60.0, -30.0, -60.0, -20.0])
    assert find_peaks(level).index.tolist() == [5]
    assert len(find_peaks(np.array([]))) == 0
