"""Counts of levels, percentiles, and what adds up."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.distribution import (
    CLASSES_LIMIT,
    MISSING,
    LevelCounts,
    bins_of,
    classes_of,
    count_levels,
    exceeded_level,
    exceeded_share,
    merge_counts,
    rms_over_mean_db,
)

STEP = 0.5


def counted(
    level: NDArray[np.float64], limit: int = 512, before: LevelCounts | None = None
) -> LevelCounts:
    of_point = bins_of(level.shape[1], limit)
    return count_levels(classes_of(level, STEP), of_point, step=STEP, before=before)


def test_percentiles_are_those_of_the_readings(rng: np.random.Generator) -> None:
    """Against NumPy on the readings themselves, each frequency by itself, to half a step."""
    level = rng.normal(-100.0, 6.0, size=(4000, 7)) + np.arange(7) * 3.0
    found = exceeded_level(counted(level), [1, 10, 50, 90, 99])
    exact = np.quantile(level, [0.99, 0.9, 0.5, 0.1, 0.01], axis=0)
    assert np.abs(found - exact).max() < STEP / 2
    assert np.abs(found - exact)[1:4].max() < STEP / 4


def test_parts_add_up_exactly_to_the_whole(rng: np.random.Generator) -> None:
    """Sweep by sweep, all at once, or hours merged: the same counts."""
    level = rng.normal(-100.0, 8.0, size=(60, 33))
    level[5, 3] = np.nan
    whole = counted(level)
    streamed = None
    for sweep in level:
        streamed = counted(sweep[None, :], before=streamed)
    merged = merge_counts(counted(level[:20]), counted(level[20:] + 0.0))
    for other in (streamed, merged):
        assert other is not None
        assert (other.first, other.clipped) == (whole.first, 0)
        assert np.array_equal(other.counts, whole.counts)
    assert int(whole.counts.sum()) == 60 * 33 - 1


def test_inputs_are_left_as_they_were(rng: np.random.Generator) -> None:
    """Counts made before stay what they were when more come."""
    before = counted(rng.normal(-100.0, 2.0, size=(10, 4)))
    kept = before.counts.copy()
    counted(np.full((1, 4), -30.0), before=before)
    assert np.array_equal(before.counts, kept)


def test_memory_is_bounded_and_what_is_cut_is_told() -> None:
    """Levels over 400 dB: 256 classes, the rest in the outermost and counted."""
    level = np.linspace(-300.0, 100.0, 801)[None, :]
    found = counted(level)
    assert found.counts.shape == (512, CLASSES_LIMIT)
    assert found.clipped > 500
    assert int(found.counts.sum()) == 801
    later = counted(np.array([[-50.0], [-49.0]]))
    later = counted(np.array([[300.0], [-400.0]]), before=later)
    assert later.counts.shape[1] == CLASSES_LIMIT and later.clipped >= 1
    assert int(later.counts.sum()) == 4


def test_neighbours_share_bins_evenly() -> None:
    """As many bins as points up to the limit; beyond it no bin is more than one point longer."""
    assert bins_of(5).tolist() == [0, 1, 2, 3, 4]
    sizes = np.bincount(bins_of(1001, 512))
    assert sizes.size == 512 and set(sizes) == {1, 2}
    assert bins_of(1).tolist() == [0]


def test_missing_levels_do_not_count() -> None:
    """NaN is nowhere; a bin without readings has no percentiles, and nothing warns."""
    level = np.array([[np.nan, -50.0], [np.nan, -51.0]])
    assert classes_of(level, STEP)[0, 0] == MISSING
    found = counted(level)
    assert np.isnan(exceeded_level(found, [50])[0]).tolist() == [True, False]
    assert np.isnan(rms_over_mean_db(found)).tolist() == [True, False]
    nothing = counted(np.full((2, 3), np.nan))
    assert np.isnan(exceeded_level(nothing, [10, 90])).all()
    assert exceeded_share(nothing)[0].size == 0
    assert np.isnan(rms_over_mean_db(nothing)).all()
    assert np.array_equal(merge_counts(nothing, nothing).counts, nothing.counts)


def test_a_steady_level_has_no_spread() -> None:
    """All percentiles within its class; rms over mean is nothing."""
    found = counted(np.full((50, 2), -73.0))
    assert np.abs(exceeded_level(found, [1, 50, 99]) + 73.0).max() <= STEP / 2
    assert np.abs(rms_over_mean_db(found)).max() < 0.01


def test_impulses_raise_the_ratio_of_rms_and_mean(rng: np.random.Generator) -> None:
    """One reading in a hundred 30 dB up: far more than the 1.05 dB of white noise."""
    level = 10 * np.log10(rng.exponential(size=(5000, 1)))
    level[::100] += 30.0
    assert float(rms_over_mean_db(counted(level))[0]) > 6.0


def test_what_does_not_fit_is_refused() -> None:
    """Other steps, other bins, impossible percentages."""
    one = counted(np.zeros((1, 3)))
    with pytest.raises(ValueError, match="step"):
        count_levels(classes_of(np.zeros((1, 3)), 1.0), bins_of(3), step=1.0, before=one)
    with pytest.raises(ValueError, match="same step"):
        merge_counts(one, counted(np.zeros((1, 4))))
    with pytest.raises(ValueError, match="between 0 and 100"):
        exceeded_level(one, [0.0])
