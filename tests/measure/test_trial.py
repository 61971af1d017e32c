"""On and off trials, and comparisons with the ambient reference."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.trial import (
    Block,
    TrialRange,
    blocks_of,
    compare_ambient,
    effective_number,
    on_minus_off,
    range_powers,
)
from acqd.sweep import Grid

RANGES = [TrialRange(name="all", start_hz=0.0, stop_hz=10.0)]


def plan(pairs: int, length: int = 10) -> list[bool]:
    """off, on, off, … beginning and ending with off."""
    return ([False] * length + [True] * length) * pairs + [False] * length


def run(
    rng: np.random.Generator, pairs: int, *, change_db: float, drift_db: float = 0.0
) -> tuple[list[bool], NDArray[np.float64]]:
    """Range powers (sweeps, 1) of a thing that adds ``change_db`` in a room that wanders."""
    on = plan(pairs)
    room_db = np.cumsum(rng.normal(0.0, drift_db, size=len(on)))
    power = 10.0 ** ((room_db + np.where(on, change_db, 0.0)) / 10.0)
    return on, (power * rng.gamma(20.0, size=len(on)) / 20.0)[:, None]


@pytest.mark.parametrize(("pairs", "drift_db"), [(1, 0.0), (3, 0.0), (6, 0.0), (6, 0.1), (12, 0.1)])
def test_intervals_hold_the_truth_as_often_as_said(
    rng: np.random.Generator, pairs: int, drift_db: float
) -> None:
    """95 % of 600 trials, in a steady room and in one that wanders."""
    held = 0
    for _ in range(600):
        on, powers = run(rng, pairs, change_db=3.0, drift_db=drift_db)
        trial = on_minus_off(blocks_of(on, np.arange(float(len(on))), powers), RANGES)
        (found,) = trial.differences
        assert trial.switchings == 2 * pairs
        held += found.low_db <= 3.0 <= found.high_db
    assert 0.92 <= held / 600 <= 0.985


def test_a_thing_that_does_nothing_is_not_blamed(rng: np.random.Generator) -> None:
    """In 300 trials about one in twenty; and then its own power is not told either."""
    told = 0
    for _ in range(300):
        on, powers = run(rng, 6, change_db=0.0, drift_db=0.1)
        (found,) = on_minus_off(
            blocks_of(on, np.arange(float(len(on))), powers), RANGES
        ).differences
        told += found.is_told
        assert (found.own is None) == (found.low_db <= 0.0)
    assert told / 300 < 0.08


def test_own_power_is_what_the_thing_adds(rng: np.random.Generator) -> None:
    """3 dB up means as much again as was there."""
    on, powers = run(rng, 12, change_db=10 * math.log10(2.0))
    blocks = blocks_of(on, np.arange(float(len(on))), powers * 1e-9)
    (found,) = on_minus_off(blocks, RANGES).differences
    assert found.own == pytest.approx(-90.0, abs=0.4)
    assert found.off == pytest.approx(-90.0, abs=0.2)
    assert found.on == pytest.approx(-87.0, abs=0.2)


def test_a_drift_falls_out_of_the_pairs() -> None:
    """A room that rises by 20 dB, ever faster, does not pass for a thing, nor hide one of 1 dB."""
    on = np.array(plan(5))
    room_db = 20.0 * (np.arange(on.size) / on.size) ** 2
    level_db = room_db + np.where(on, 1.0, 0.0)
    blocks = blocks_of(on.tolist(), np.arange(float(on.size)), 10.0 ** (level_db[:, None] / 10.0))
    (found,) = on_minus_off(blocks, RANGES).differences
    assert found.change_db == pytest.approx(1.0, abs=0.2)
    assert abs(level_db[on].mean() - level_db[~on].mean() - 1.0) > 0.3  # what plain means say
    half = on_minus_off(blocks[:2], RANGES).differences[0]
    assert half.pairs == 1 and half.change_db > 1.1  # with nothing after it to pair with


def test_blocks_end_where_nobody_knows_and_leave_the_switching_out() -> None:
    """The sweep of a change is a mixture; unknown sweeps are in no block."""
    on = [False, False, True, True, True, None, True, True, False]
    powers = np.arange(9.0)[:, None] + 1.0
    blocks = blocks_of(on, np.arange(9.0), powers)
    assert [(block.on, block.from_s, block.to_s) for block in blocks] == [
        (False, 0.0, 1.0),
        (True, 3.0, 4.0),
        (True, 7.0, 7.0),
    ]
    assert blocks_of([None], np.zeros(1), np.zeros((1, 1))) == ()
    assert blocks_of([], np.zeros(0), np.zeros((0, 1))) == ()


def test_a_trial_without_off_has_no_result() -> None:
    """Nothing to compare with: NaN and no pairs, not nothing."""
    blocks = blocks_of([True] * 4, np.arange(4.0), np.ones((4, 1)))
    (found,) = on_minus_off(blocks, RANGES).differences
    assert found.pairs == 0 and math.isnan(found.change_db) and not found.is_told


def test_single_sweeps_have_no_interval() -> None:
    """One sweep on, one off: a difference, and nobody knows how sure."""
    blocks = blocks_of([False, True], np.arange(2.0), np.array([[1.0], [2.0]]), settle=0)
    (found,) = on_minus_off(blocks, RANGES).differences
    assert found.change_db == pytest.approx(3.0103, abs=1e-4)
    assert math.isnan(found.low_db) and found.own is None


def test_range_powers_are_means_of_what_is_there() -> None:
    """Weighted by cells, NaN left out, NaN where there is nothing."""
    grid = Grid.from_axis(np.arange(10.0))
    level = np.zeros((2, 10))
    level[0, 2] = np.nan
    level[:, 3] = 10.0
    ranges = [
        TrialRange(name="some", start_hz=2.0, stop_hz=3.0),
        TrialRange(name="none", start_hz=50.0, stop_hz=60.0),
    ]
    found = range_powers(level, grid, ranges)
    assert found[:, 0] == pytest.approx([10.0, 5.5])
    assert np.isnan(found[:, 1]).all()
    assert range_powers(level[1], grid, ranges)[0] == pytest.approx(5.5)
    assert range_powers(level, grid, []).shape == (2, 0)


def test_a_series_that_goes_on_as_it_was_is_worth_less(rng: np.random.Generator) -> None:
    """First-order autoregression with ρ 0.8: a ninth of its values."""
    worth = []
    for _ in range(100):
        value = np.zeros(400)
        step = rng.normal(size=400)
        for i in range(1, 400):
            value[i] = 0.8 * value[i - 1] + step[i]
        worth.append(effective_number(value))
    assert np.median(worth) == pytest.approx(400 / 9, rel=0.25)
    assert effective_number(np.ones(5)) == 1.0
    assert effective_number(rng.normal(size=1000)) > 800


def block_of(powers: NDArray[np.float64]) -> Block:
    (block,) = blocks_of([True] * len(powers), np.arange(float(len(powers))), powers)
    return block


def test_ambient_comparison_says_how_sure_it_is(rng: np.random.Generator) -> None:
    """Twenty sweeps against a reference: 95 % of 500 hold the truth; drift has to be stated."""
    held = 0
    for _ in range(500):
        reference_db = rng.normal(0.0, 0.2)
        block = block_of(2.0 * rng.gamma(20.0, size=(20, 1)) / 20.0)
        (found,) = compare_ambient(
            block, np.array([10 ** (reference_db / 10)]), RANGES, ambient_u_db=0.2
        )
        held += found.low_db <= 10 * math.log10(2.0) <= found.high_db
    assert 0.92 <= held / 500 <= 0.985
    (wider,) = compare_ambient(block, np.ones(1), RANGES, drift_u_db=1.0)
    assert wider.high_db - wider.low_db > 3.9
    (single,) = compare_ambient(block_of(np.ones((1, 1))), np.ones(1), RANGES)
    assert math.isnan(single.low_db) and math.isfinite(single.change_db)


def test_sums_of_a_block_say_what_its_sweeps_do(rng: np.random.Generator) -> None:
    """Mean and uncertainty by sums are those of the series, with missing values left out."""
    powers = 1e-11 * rng.gamma(5.0, size=(200, 2)) / 5.0
    powers[3, 1] = np.nan
    block = block_of(powers)
    for i in range(2):
        known = powers[np.isfinite(powers[:, i]), i]
        expected = known.std(ddof=1) / math.sqrt(effective_number(known))
        assert block.power[i] == pytest.approx(known.mean(), rel=1e-12)
        assert block.power_u[i] == pytest.approx(expected, rel=1e-6)
