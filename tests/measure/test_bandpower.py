"""Powers and densities."""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure import bandpower
from acqd.sweep import Grid

EVEN = Grid.from_axis(1e6 + 2.5e3 * np.arange(200))
FLAT = np.full(200, -80.0)


def test_part_of_a_cell_counts_for_its_part() -> None:
    """A band of half a cell holds half its power."""
    half = bandpower.band_power(FLAT, EVEN, start_hz=1.1e6, stop_hz=1.10125e6, rbw_hz=10e3)
    whole = bandpower.band_power(FLAT, EVEN, start_hz=1.1e6, stop_hz=1.1025e6, rbw_hz=10e3)
    assert half.level is not None
    assert whole.level is not None
    assert whole.level - half.level == pytest.approx(3.0103, abs=1e-4)
    assert half.covered == 1.0


def test_uneven_grid_gives_the_same_power() -> None:
    """Flat density over an uneven axis with duplicates sums to the same."""
    axis = np.sort(np.concatenate((EVEN.frequency_hz, EVEN.frequency_hz[::7])))
    grid = Grid.from_axis(axis)
    band = {"start_hz": 1.1e6, "stop_hz": 1.2e6, "rbw_hz": 10e3}
    uneven = bandpower.band_power(np.full(axis.size, -80.0), grid, **band)
    even = bandpower.band_power(FLAT, EVEN, **band)
    assert uneven.level == pytest.approx(even.level)


@pytest.mark.parametrize("step_per_rbw", [1 / 3, 1 / 2])
def test_lone_carrier_has_its_power(step_per_rbw: float) -> None:
    """A carrier anywhere between two points sums to its level within 6e−6 dB."""
    rbw_hz = 10e3
    axis = np.arange(-100, 101) * rbw_hz * step_per_rbw + 10e6
    for offset in (0.0, 0.3, 0.5):
        away = 2 * (axis - 10e6 - offset * rbw_hz * step_per_rbw) / rbw_hz
        level = -30.0 - 10 * math.log10(2) * away**2
        found = bandpower.band_power(
            level, Grid.from_axis(axis), start_hz=9.7e6, stop_hz=10.3e6, rbw_hz=rbw_hz
        )
        assert found.level == pytest.approx(-30.0, abs=6e-6)


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"rbw_hz": 4.9e3}, "more than half the RBW"),
        ({"rbw_hz": None}, "RBW is not known"),
        ({"start_hz": 5e6, "stop_hz": 6e6}, "does not reach"),
    ],
)
def test_powers_that_cannot_be_summed_say_why(change: dict[str, float], reason: str) -> None:
    """None and a reason instead of a wrong figure."""
    band = {"start_hz": 1.1e6, "stop_hz": 1.2e6, "rbw_hz": 10e3} | change
    found = bandpower.band_power(FLAT, EVEN, **band)
    assert found.level is None
    assert found.reason is not None
    assert reason in found.reason


def test_missing_levels_refuse_the_band_they_are_in() -> None:
    """NaN inside the band: no power; outside it: no harm. The input is not written to."""
    gappy = FLAT.copy()
    gappy[0] = np.nan
    gappy.setflags(write=False)
    inside = bandpower.band_power(gappy, EVEN, start_hz=1e6, stop_hz=1.1e6, rbw_hz=10e3)
    outside = bandpower.band_power(gappy, EVEN, start_hz=1.1e6, stop_hz=1.2e6, rbw_hz=10e3)
    assert inside.reason == "levels are missing in it"
    assert outside.level is not None


def test_band_half_outside_is_half_covered() -> None:
    """How much of the band the sweep covers is said."""
    found = bandpower.band_power(FLAT, EVEN, start_hz=0.89875e6, stop_hz=1.09875e6, rbw_hz=10e3)
    assert found.covered == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("over_db", "correction_db"), [(3, -3.021), (6, -1.256), (10, -0.458), (20, -0.044)]
)
def test_floor_is_taken_out(over_db: float, correction_db: float) -> None:
    """10 log10(1 − 10^(−m/10)) above 3 dB; refused below."""
    assert bandpower.without_floor_db(over_db) == pytest.approx(correction_db, abs=5e-4)


@pytest.mark.parametrize("over_db", [2.99, 0.0, -5.0, math.nan])
def test_floor_is_not_taken_out_of_itself(over_db: float) -> None:
    """Below 3 dB the answer would be mostly the floor's own uncertainty."""
    assert bandpower.without_floor_db(over_db) is None


@pytest.mark.parametrize("level_db", [-4000.0, 4000.0])
def test_levels_that_are_no_powers_are_refused(level_db: float) -> None:
    """Beyond what a float64 holds as a power there is no sum, and no error either."""
    grid = Grid.from_axis(np.arange(10) * 1e3)
    with np.errstate(over="ignore"):
        found = bandpower.band_power(
            np.full(10, level_db), grid, start_hz=2e3, stop_hz=6e3, rbw_hz=3e3
        )
    assert found.level is None
    assert found.reason == "the levels are no powers"
