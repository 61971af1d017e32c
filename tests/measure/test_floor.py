"""Floors: of one sweep, per frequency, and when an excess set in."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure import floor

Noise = Callable[..., NDArray[np.float64]]


@pytest.mark.parametrize("averages", [1.0, 2.0, 5.0, 10.0, 100.0])
def test_flat_floor_is_the_mean_power(noise_db: Noise, averages: float) -> None:
    """Over 300 sweeps the floor is −110 dBm, and scatters as much as it says."""
    found = [
        floor.floor_flat(sweep, averages=averages)
        for sweep in noise_db(300, 801, averages=averages)
    ]
    levels = np.array([estimate.level for estimate in found])
    assert levels.mean() == pytest.approx(-110.0, abs=0.1)
    assert found[0].uncertainty == pytest.approx(levels.std(), rel=0.2)
    assert all(estimate.trusted for estimate in found)


@pytest.mark.parametrize("averages", [1.0, 10.0])
@pytest.mark.parametrize("busy", [0.2, 0.5, 0.7])
def test_flat_floor_stands_a_busy_band(noise_db: Noise, averages: float, busy: float) -> None:
    """With up to 70 % of the points 30 dB up the floor stays within 0.2 dB."""
    sweeps = noise_db(200, 1001, averages=averages)
    sweeps[:, : int(busy * 1001)] += 30.0
    found = [floor.floor_flat(sweep, averages=averages) for sweep in sweeps]
    assert np.mean([estimate.level for estimate in found]) == pytest.approx(-110.0, abs=0.2)
    assert found[0].busy_fraction == pytest.approx(busy, abs=0.01)
    assert found[0].trusted


def test_a_full_band_is_not_trusted(noise_db: Noise) -> None:
    """With 85 % taken the lowest 20 % are no longer noise alone, and the estimate says so."""
    sweep = noise_db(1000, averages=100.0)
    sweep[:850] += 30.0
    assert not floor.floor_flat(sweep, averages=100.0).trusted


def test_quantised_levels_and_offsets_do_not_matter(noise_db: Noise) -> None:
    """A hundredth of a dB or a shift of 500 dB changes nothing beyond itself."""
    sweep = noise_db(501)
    level = floor.floor_flat(sweep, averages=1.0).level
    rounded = floor.floor_flat(np.round(sweep, 2), averages=1.0).level
    assert rounded == pytest.approx(level, abs=0.01)
    assert floor.floor_flat(sweep - 500.0, averages=1.0).level == pytest.approx(level - 500.0)


@pytest.mark.parametrize(
    ("sweep", "level"),
    [
        ([], math.nan),
        ([math.nan, math.nan], math.nan),
        ([-90.0] * 50, -90.0),
        ([-90.0], -90.0),
    ],
    ids=["empty", "all missing", "flat", "one point"],
)
def test_flat_floor_at_its_edges(sweep: list[float], level: float) -> None:
    """Nothing has no floor; a constant is the floor less the bias, which vanishes for large N."""
    found = floor.floor_flat(np.array(sweep), averages=1e8).level
    assert found == pytest.approx(level, abs=0.01, nan_ok=True)


def test_missing_values_are_left_out(noise_db: Noise) -> None:
    """NaN counts for nothing, and the input is not written to."""
    sweep = noise_db(400)
    gappy = np.insert(sweep, [0, 100, 400], np.nan)
    gappy.setflags(write=False)
    assert floor.floor_flat(gappy, averages=1.0) == floor.floor_flat(sweep, averages=1.0)
    wide = np.repeat(sweep, 2)[::2]
    assert floor.floor_flat(wide, averages=1.0) == floor.floor_flat(sweep, averages=1.0)


def test_digits_get_the_twenty_percent_point() -> None:
    """Without decibels there is no correction and no uncertainty to give."""
    found = floor.floor_flat(np.arange(100.0), averages=1.0, logarithmic=False)
    assert found.level == 19.0
    assert found.bias_db is None
    assert found.uncertainty is None


@pytest.mark.parametrize("averages", [1.0, 2.0, 5.0, 10.0, 30.0])
@pytest.mark.parametrize("slope_db", [0.0, 10.0])
def test_averages_are_told_from_the_spread(
    noise_db: Noise, averages: float, slope_db: float
) -> None:
    """N within 20 % over 100 sweeps, also on a floor that slopes by 10 dB."""
    sweeps = noise_db(100, 1001, averages=averages) + np.linspace(0.0, slope_db, 1001)
    found = [floor.estimate_averages(sweep) for sweep in sweeps]
    assert np.median([n for n in found if n is not None]) == pytest.approx(averages, rel=0.2)


def test_signals_do_not_pass_for_spread(noise_db: Noise) -> None:
    """A third of the blocks holding signals leaves N where it was."""
    sweeps = noise_db(100, 1024, averages=10.0)
    sweeps[:, 100:400] += np.linspace(0.0, 60.0, 300)
    found = [floor.estimate_averages(sweep) for sweep in sweeps]
    assert np.median([n for n in found if n is not None]) == pytest.approx(10.0, rel=0.3)


def test_too_few_points_have_no_spread(noise_db: Noise) -> None:
    """Under 32 points nobody can tell; 32 are enough."""
    assert floor.estimate_averages(noise_db(31)) is None
    assert floor.spread_of_noise(noise_db(32)) is not None


def test_floor_per_frequency_is_the_median() -> None:
    """NumPy's median where all is there, odd and even; NaN left out; none is NaN."""
    levels = np.array([[1.0, 5.0, np.nan], [2.0, np.nan, np.nan], [4.0, 7.0, np.nan]])
    levels.setflags(write=False)
    found = floor.floor_per_frequency(levels)
    assert found.tolist()[:2] == [2.0, 6.0]
    assert math.isnan(found[2])
    table = np.arange(20.0).reshape(4, 5)[::-1]
    assert floor.floor_per_frequency(table).tolist() == np.median(table, axis=0).tolist()
    assert np.isnan(floor.floor_per_frequency(np.empty((0, 2)))).all()


def test_learning_is_bounded_and_even(noise_db: Noise) -> None:
    """However long it goes on, the memory stays within its limit and spans the whole time."""
    learning = floor.Learning(started_s=0.0)
    points = 4096
    limit = floor.LEARN_BYTES // (8 * points)
    for i in range(1000):
        learning = floor.learn_sweep(learning, np.full(points, float(i)))
        assert len(learning.kept) < limit
    kept = [int(sweep[0]) for sweep in learning.kept]
    assert len(set(np.diff(kept))) == 1
    assert kept[0] == 0
    assert kept[-1] > 900
    shape = floor.learnt_floor(learning)
    assert shape is not None
    assert shape[0] == pytest.approx(500, abs=learning.stride)


def test_learning_keeps_a_copy() -> None:
    """Writing to the sweep afterwards does not reach what was learnt."""
    sweep = np.zeros(3)
    learning = floor.learn_sweep(floor.Learning(started_s=0.0), sweep)
    sweep[:] = 9.0
    assert learning.kept[0].tolist() == [0.0, 0.0, 0.0]
    assert floor.learnt_floor(floor.Learning(started_s=0.0)) is None


def test_excess_is_the_mean_over_what_is_there() -> None:
    """NaN is left out; a sweep of nothing is NaN."""
    levels = np.array([[1.0, 3.0], [np.nan, 4.0], [np.nan, np.nan]])
    found = floor.excess_over(levels, np.array([1.0, 1.0]))
    assert found[:2].tolist() == [1.0, 3.0]
    assert math.isnan(found[2])


def excess_with(rise: slice, noise: np.random.Generator) -> NDArray[np.float64]:
    excess = noise.normal(scale=0.1, size=600)
    excess[rise] += 5.0
    return excess


def test_onset_is_found_where_the_rise_begins(rng: np.random.Generator) -> None:
    """A step at sweep 400 is found within half the window."""
    found = floor.onset(excess_with(slice(400, None), rng), background=300)
    assert found.index is not None
    assert 392 <= found.index <= 400
    assert found.median == pytest.approx(0.0, abs=0.05)
    assert found.sigma == pytest.approx(0.1, rel=0.2)


def test_onset_does_not_believe_a_short_rise(rng: np.random.Generator) -> None:
    """What does not stay for the holding time is no onset."""
    excess = excess_with(slice(400, 405), rng)
    assert floor.onset(excess, background=300, hold=40).index is None


def test_onset_takes_a_rise_that_lasts_to_the_end(rng: np.random.Generator) -> None:
    """A stay that the end of the data cuts short still counts."""
    assert floor.onset(excess_with(slice(595, None), rng), background=300).index is not None


@pytest.mark.parametrize("excess", [[], [0.0] * 5, [math.nan] * 100], ids=["empty", "short", "nan"])
def test_onset_of_nothing_is_none(excess: list[float]) -> None:
    """Too little to average, or nothing to compare with."""
    assert floor.onset(np.array(excess), background=10).index is None
