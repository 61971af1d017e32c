"""Traces with fewer points, peaks kept."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.publish.reduce import reduce_curve, reduce_trace


def axis(points):
    return np.linspace(156e6, 162.1e6, points)


def test_a_worked_example():
    """Ten points to three: runs of 3, 3, 4; each stands for its highest at its own frequency."""
    level = np.array([1.0, 5.0, 2.0, 9.0, 3.0, 9.0, 0.0, 1.0, 7.0, 6.0])
    reduced = reduce_trace(np.arange(10.0), level, 3)
    assert reduced.level.tolist() == [5.0, 9.0, 7.0]
    # Of the two equal maxima the lower frequency is taken.
    assert reduced.frequency_hz.tolist() == [1.0, 3.0, 8.0]
    assert reduced.source_points == 10 and reduced.is_reduced


def test_a_single_carrier_keeps_level_and_frequency():
    """One point above the noise survives at its place, wherever it is."""
    for place in (0, 1, 500, 999, 1000):
        level = np.full(1001, -110.0)
        level[place] = -40.0
        reduced = reduce_trace(axis(1001), level, 60)
        at = int(np.argmax(reduced.level))
        assert reduced.level[at] == -40.0
        assert reduced.frequency_hz[at] == axis(1001)[place]


@given(
    points=st.integers(1, 300),
    wanted=st.integers(1, 120),
    seed=st.integers(0, 2**32 - 1),
    gaps=st.floats(0, 1),
)
def test_against_the_rule_said_plainly(points, wanted, seed, gaps):
    """Equal to a loop over the runs, with NaN anywhere; run sizes differ by at most one."""
    rng = np.random.default_rng(seed)
    level = rng.integers(-5, 5, points).astype(float)
    level[rng.random(points) < gaps] = np.nan
    frequency_hz = np.sort(rng.random(points))
    reduced = reduce_trace(frequency_hz, level, wanted)
    if points <= wanted:
        assert np.array_equal(reduced.level, level, equal_nan=True)
        return
    borders = [i * points // wanted for i in range(wanted + 1)]
    sizes = np.diff(borders)
    assert sizes.min() >= 1 and sizes.max() - sizes.min() <= 1
    for run, (first, stop) in enumerate(itertools.pairwise(borders)):
        piece = level[first:stop]
        if np.isnan(piece).all():
            assert np.isnan(reduced.level[run])
            assert reduced.frequency_hz[run] == frequency_hz[first + (stop - first) // 2]
        else:
            assert reduced.level[run] == np.nanmax(piece)
            assert reduced.frequency_hz[run] == frequency_hz[first + int(np.nanargmax(piece))]


def test_the_input_is_left_alone():
    """Read-only arrays will do."""
    level, frequency_hz = np.zeros(100), axis(100)
    level.setflags(write=False)
    frequency_hz.setflags(write=False)
    assert reduce_trace(frequency_hz, level, 7).level.size == 7


@pytest.mark.parametrize("points", [0, 1, 5], ids=["empty", "one", "just-fits"])
def test_what_fits_stays_as_it_is(points):
    """No more points than wanted: nothing is changed."""
    reduced = reduce_trace(axis(points), np.arange(float(points)), 5)
    assert reduced.level.tolist() == list(range(points))
    assert not reduced.is_reduced


@pytest.mark.parametrize(
    ("frequency_hz", "level", "points", "match"),
    [
        (axis(5), np.zeros(4), 3, "one length"),
        (axis(4).reshape(2, 2), np.zeros((2, 2)), 3, "one-dimensional"),
        (axis(4), np.zeros(4, dtype=complex), 3, "complex"),
        (axis(4), np.zeros(4), 0, "at least 1"),
    ],
    ids=["lengths", "two-dimensional", "complex", "no-points"],
)
def test_what_is_refused(frequency_hz, level, points, match):
    """Shapes that differ, complex levels, no points at all."""
    with pytest.raises(ValueError, match=match):
        reduce_trace(frequency_hz, level, points)


def test_a_curve_keeps_its_dips_and_its_peaks():
    """Ten points to six: three runs, each with its lowest and its highest in order."""
    values = np.array([1.0, 5.0, 2.0, 9.0, 3.0, 9.5, 0.0, 1.0, 7.0, 6.0])
    reduced = reduce_curve(np.arange(10.0), values, 6)
    assert reduced.level.tolist() == [1.0, 5.0, 3.0, 9.5, 0.0, 7.0]
    assert reduced.frequency_hz.tolist() == [0.0, 1.0, 4.0, 5.0, 6.0, 8.0]
    assert reduced.source_points == 10 and reduced.is_reduced


@given(
    points=st.integers(1, 300),
    wanted=st.integers(2, 120),
    seed=st.integers(0, 2**32 - 1),
    gaps=st.floats(0, 1),
)
def test_a_curve_against_the_rule_said_plainly(points, wanted, seed, gaps):
    """Every point is one of the curve's; each run's extremes are there; never more than asked."""
    rng = np.random.default_rng(seed)
    values = rng.integers(-5, 5, points).astype(float)
    values[rng.random(points) < 0.05] = np.inf
    values[rng.random(points) < gaps] = np.nan
    frequency_hz = np.sort(rng.random(points))
    reduced = reduce_curve(frequency_hz, values, wanted)
    if points <= wanted:
        assert np.array_equal(reduced.level, values, equal_nan=True)
        return
    assert reduced.level.size <= wanted
    assert (np.diff(reduced.frequency_hz) > 0).all()
    places = np.searchsorted(frequency_hz, reduced.frequency_hz)
    assert np.array_equal(values[places], reduced.level, equal_nan=True)
    runs = wanted // 2
    borders = [i * points // runs for i in range(runs + 1)]
    for first, stop in itertools.pairwise(borders):
        piece = values[first:stop]
        kept = reduced.level[(places >= first) & (places < stop)]
        assert kept.size >= 1
        if np.isnan(piece).all():
            assert np.isnan(kept).all()
        else:
            assert kept.min() == np.nanmin(piece) and kept.max() == np.nanmax(piece)


def test_what_cannot_be_a_curve_is_refused():
    """Lengths that differ, and no room for two extremes."""
    with pytest.raises(ValueError, match="one length"):
        reduce_curve(np.arange(3.0), np.arange(4.0), 10)
    with pytest.raises(ValueError, match="at least 2"):
        reduce_curve(np.arange(3.0), np.arange(3.0), 1)
