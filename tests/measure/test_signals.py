"""Signals in one sweep."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.signals import Signal, find_runs, find_signals
from acqd.sweep import Grid, LevelUnit

GRID = Grid.from_axis(100e6 + 1e3 * np.arange(101))


def trace(**levels: float) -> NDArray[np.float64]:
    """A sweep at −100 dBm with single points put in: p50=-40 is −40 dBm at point 50."""
    level = np.full(101, -100.0)
    for point, value in levels.items():
        level[int(point[1:])] = value
    level.setflags(write=False)
    return level


def signals(level: NDArray[np.float64], **how: float) -> tuple[Signal, ...]:
    return find_signals(level, GRID, **{"threshold": -80.0, "rbw_hz": 10e3, **how})


@pytest.mark.parametrize(
    "level",
    [np.empty(0), np.full(7, -100.0), np.full(7, np.nan), np.array([-90.0])],
    ids=["empty", "quiet", "all missing", "one quiet point"],
)
def test_nothing_gives_no_runs(level: NDArray[np.float64]) -> None:
    """No run where nothing is above the threshold."""
    assert len(find_runs(level, opening=-80.0)) == 0


def test_a_level_at_the_threshold_is_not_above_it() -> None:
    """Above means strictly above."""
    assert len(find_runs(np.array([-80.0]), opening=-80.0)) == 0
    assert len(find_runs(np.array([-79.9]), opening=-80.0)) == 1


def test_all_above_is_one_run_cut_off_at_both_ends() -> None:
    """A sweep that is above throughout is one run, and it says that it does not end there."""
    (found,) = signals(np.full(101, -50.0))
    assert found.points == 101
    assert found.cut_off
    assert found.peak_hz == GRID.frequency_hz[50]
    assert found.width_hz == pytest.approx(101e3)


def test_runs_at_the_edges_are_found() -> None:
    """First and last point, one point each."""
    low, high = signals(trace(p0=-40, p100=-50))
    assert (low.peak, high.peak) == (-40.0, -50.0)
    assert low.first_hz == low.last_hz == 100e6
    assert low.cut_off
    assert high.cut_off


def test_closing_threshold_sets_the_edges() -> None:
    """A run extends down to the closing threshold but needs a point above the opening one."""
    level = trace(p10=-83, p11=-70, p12=-84, p30=-83)
    (found,) = signals(level, closing=-85.0)
    assert (found.first_hz, found.last_hz) == (100.010e6, 100.012e6)
    assert len(signals(level)) == 1
    assert signals(level)[0].points == 1


def test_two_peaks_over_the_closing_threshold_are_one_signal() -> None:
    """A dip that stays above the closing threshold does not part a signal."""
    level = trace(p10=-70, p11=-82, p12=-60)
    (found,) = signals(level, closing=-85.0)
    assert found.peak == -60.0
    assert len(signals(level)) == 2


def test_plateau_peaks_in_its_middle() -> None:
    """Of equal points the lower middle one is the peak."""
    assert signals(trace(p20=-40, p21=-40, p22=-40, p23=-40))[0].peak_hz == 100.021e6


def test_missing_value_parts_a_run_and_is_said() -> None:
    """What lies beyond a NaN nobody has seen."""
    low, high = signals(trace(p20=-40, p21=math.nan, p22=-50))
    assert low.cut_off
    assert high.cut_off
    assert not signals(trace(p20=-40))[0].cut_off


def test_centre_is_weighted_by_power() -> None:
    """Two points 10 dB apart: the centre lies 1/11 of the way to the weaker."""
    (found,) = signals(trace(p20=-40, p21=-50))
    assert found.centre_hz == pytest.approx(100.020e6 + 1e3 / 11)


def test_centre_allows_for_uneven_cells() -> None:
    """On an uneven grid each point counts with its cell, duplicates share theirs."""
    grid = Grid.from_axis(np.array([0.0, 10.0, 10.0, 40.0, 50.0]))
    level = np.array([-100.0, -50.0, -50.0, -50.0, -100.0])
    (found,) = find_signals(level, grid, threshold=-80.0)
    cells = grid.cell_hz[1:4]
    assert found.centre_hz == pytest.approx(
        (10 * cells[0] + 10 * cells[1] + 40 * cells[2]) / cells.sum()
    )
    assert found.width_hz == cells.sum()


def test_carrier_through_the_filter_is_measured() -> None:
    """Level, centre, 3 dB width and power of a carrier between two points."""
    away = 2 * (GRID.frequency_hz - 100.0503e6) / 10e3
    level = np.maximum(-30.0 - 10 * math.log10(2) * away**2, -120.0)
    (found,) = signals(level, x_db=3.0103)
    assert found.power == pytest.approx(-30.0, abs=0.001)
    assert found.centre_hz == pytest.approx(100.0503e6, abs=1.0)
    assert found.width_x_hz == pytest.approx(10e3, rel=0.02)


def test_width_that_runs_out_of_the_sweep_is_not_guessed() -> None:
    """No x dB width at the edge or beside a missing value."""
    assert signals(trace(p0=-40), x_db=6.0)[0].width_x_hz is None
    assert signals(trace(p20=-40, p21=math.nan), x_db=6.0)[0].width_x_hz is None
    width_hz = signals(trace(p20=-40), x_db=30.0)[0].width_x_hz
    assert width_hz == pytest.approx(1e3)


@pytest.mark.parametrize(
    ("how", "reason"),
    [
        ({"rbw_hz": 1.5e3}, "more than half the RBW"),
        ({"rbw_hz": None}, "RBW is not known"),
        ({"unit": LevelUnit.DIGIT}, "not in decibels"),
    ],
)
def test_power_that_cannot_be_summed_says_why(how: dict[str, float], reason: str) -> None:
    """No power where step, RBW or unit do not allow it."""
    (found,) = signals(trace(p20=-40), **how)
    assert found.power is None
    assert found.power_reason is not None
    assert reason in found.power_reason


def test_digits_are_weighted_by_what_stands_out() -> None:
    """Without decibels the centre is that of the excess over the threshold."""
    level = np.array([100.0, 140.0, 150.0, 100.0])
    grid = Grid.from_axis(np.array([1.0, 2.0, 3.0, 4.0]))
    (found,) = find_signals(level, grid, threshold=130.0, unit=LevelUnit.DIGIT)
    assert found.centre_hz == pytest.approx(2.0 + 20.0 / 30.0)


def test_too_many_runs_keep_the_strongest() -> None:
    """Beyond the limit the strongest stay, in order of frequency; the rest are counted."""
    level = np.full(101, -100.0)
    level[1::4] = -70.0 + np.arange(25)
    runs = find_runs(level, opening=-80.0, limit=5)
    assert runs.dropped == 20
    assert runs.peak.tolist() == [81, 85, 89, 93, 97]


def test_equal_runs_are_kept_by_frequency() -> None:
    """Ties go to the lower frequency, so the outcome does not hang on the sort."""
    level = np.full(101, -100.0)
    level[1::4] = -70.0
    assert find_runs(level, opening=-80.0, limit=3).peak.tolist() == [1, 5, 9]


def test_strided_input_gives_the_same() -> None:
    """Non-contiguous and read-only arrays are as good as any."""
    level = trace(p20=-40, p21=-45)
    wide = np.repeat(level, 2)[::2]
    assert not wide.flags.c_contiguous
    assert signals(wide) == signals(level)
