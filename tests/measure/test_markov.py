"""Occupancy of channels whose visits depend on each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.markov import (
    Transitions,
    count_transitions,
    fit_markov,
    hours_more,
    occupancy_interval,
    visits_needed,
)


def chain(
    rng: np.random.Generator, on_s: float, off_s: float, revisit_s: float, visits: int, runs: int
) -> NDArray[np.bool_]:
    """(visits, runs) of a two-state channel looked at every ``revisit_s``."""
    share = on_s / (on_s + off_s)
    rho = math.exp(-revisit_s * (1.0 / on_s + 1.0 / off_s))
    busy = np.empty((visits, runs), dtype=np.bool_)
    busy[0] = rng.random(runs) < share
    draw = rng.random((visits, runs))
    for i in range(1, visits):
        stays, comes = draw[i] >= (1.0 - share) * (1.0 - rho), draw[i] < share * (1.0 - rho)
        busy[i] = np.where(busy[i - 1], stays, comes)
    return busy


def test_pairs_are_counted_and_gaps_break_them() -> None:
    """A visit that does not count, and a step that is too long, belong to no pair."""
    busy = np.array([[0, 0, 1, 1, 0, 1, 1, 1]], dtype=np.bool_).T
    counts = count_transitions(busy)
    assert [int(c[0]) for c in (counts.free_free, counts.free_busy)] == [1, 2]
    assert [int(c[0]) for c in (counts.busy_free, counts.busy_busy)] == [1, 3]
    at_s = np.array([0.0, 2.0, 4.0, 6.0, 60.0, 62.0, 64.0, 66.0])
    judged = np.ones_like(busy)
    judged[6] = False
    broken = count_transitions(busy, judged=judged, at_s=at_s, longest_step_s=3.0)
    assert int(broken.pairs[0]) == 4
    assert int(broken.busy_free[0]) == 0


def test_counts_of_two_periods_add_up() -> None:
    """Streaming: hours summed are the day, but for the pair across the turn."""
    busy = np.random.default_rng(1).random((200, 5)) < 0.3
    parts = count_transitions(busy[:101]) + count_transitions(busy[100:])
    whole = count_transitions(busy)
    assert parts.pairs.tolist() == whole.pairs.tolist()
    assert parts.busy_free.tolist() == whole.busy_free.tolist()


@pytest.mark.parametrize(
    ("on_s", "off_s", "revisit_s"),
    [
        (10.0, 90.0, 4.0),
        (10.0, 90.0, 1.0),
        (60.0, 600.0, 4.0),
        (5.0, 5.0, 2.0),
        (300.0, 900.0, 4.0),
    ],
)
def test_interval_holds_the_truth_as_often_as_said(
    rng: np.random.Generator, on_s: float, off_s: float, revisit_s: float
) -> None:
    """An hour each, 1500 hours: 95 % and at most 98.5 %; without the factor far fewer."""
    visits = round(3600.0 / revisit_s)
    busy = chain(rng, on_s, off_s, revisit_s, visits, 1500)
    fit = fit_markov(count_transitions(busy), revisit_s=revisit_s)
    hits, trials = busy.sum(axis=0), np.full(1500, visits)
    share = on_s / (on_s + off_s)

    def held(factor: NDArray[np.float64]) -> float:
        low, high = occupancy_interval(hits, trials, factor)
        known = ~np.isnan(low)
        assert known.mean() > 0.98
        return float(((low <= share) & (share <= high))[known].mean())

    assert 0.94 <= held(fit.factor_safe) <= 0.985
    assert held(np.ones(1500)) < 0.83


def test_on_and_off_times_come_back(rng: np.random.Generator) -> None:
    """Means of 10 s and 90 s from visits every 4 s, in which many a change goes unseen."""
    fit = fit_markov(count_transitions(chain(rng, 10.0, 90.0, 4.0, 20_000, 40)), revisit_s=4.0)
    assert fit.mean_on_s.mean() == pytest.approx(10.0, rel=0.03)
    assert fit.mean_off_s.mean() == pytest.approx(90.0, rel=0.03)
    assert fit.rho.std() == pytest.approx(float(fit.rho_u.mean()), rel=0.35)


def test_times_too_short_for_the_revisits_are_not_guessed(rng: np.random.Generator) -> None:
    """On for 1 s every 10 s, looked at every 30 s: successive visits say nothing of each other."""
    fit = fit_markov(count_transitions(chain(rng, 1.0, 9.0, 30.0, 2000, 200)), revisit_s=30.0)
    assert np.isnan(fit.mean_on_s).mean() > 0.75
    assert fit.factor.mean() == pytest.approx(1.0, abs=0.02)


def test_a_channel_that_never_changed_says_nothing() -> None:
    """Always free or always busy: no dependence is known, so no interval is either."""
    busy = np.zeros((500, 2), dtype=np.bool_)
    busy[:, 1] = True
    fit = fit_markov(count_transitions(busy), revisit_s=2.0)
    low, high = occupancy_interval(busy.sum(axis=0), np.full(2, 500), fit.factor_safe)
    for value in (fit.share, fit.rho, fit.factor, fit.mean_on_s, low, high):
        assert np.isnan(value).all()


def test_one_change_is_not_taken_for_certain() -> None:
    """Busy only at the end: the interval reaches far up."""
    busy = np.zeros((500, 1), dtype=np.bool_)
    busy[480:] = True
    fit = fit_markov(count_transitions(busy), revisit_s=2.0)
    low, high = occupancy_interval(np.array([20]), np.array([500]), fit.factor_safe)
    assert low[0] < 0.01 and high[0] > 0.2


def test_no_visits_no_interval() -> None:
    """Empty counts go through without a warning."""
    fit = fit_markov(Transitions.none_yet(3))
    low, _ = occupancy_interval(np.zeros(3), np.zeros(3), np.ones(3))
    assert np.isnan(low).all() and np.isnan(fit.share).all()
    assert count_transitions(np.zeros((1, 3), dtype=np.bool_)).pairs.tolist() == [0, 0, 0]


def test_what_is_needed_has_one_error() -> None:
    """Relative or absolute; nothing has no relative error."""
    one = np.ones(1)
    for how in ({}, {"relative": 0.1, "absolute": 0.1}, {"absolute": 0.0}):
        with pytest.raises(ValueError, match="exactly one"):
            visits_needed(0.5 * one, one, **how)
    assert np.isnan(visits_needed(0.0 * one, one, relative=0.1)).all()
    assert hours_more(np.array([100.0]), np.array([400]), 4.0).tolist() == [0.0]
    with pytest.raises(ValueError, match="dimensions"):
        count_transitions(np.zeros(3, dtype=np.bool_))
