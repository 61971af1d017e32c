"""Witnesses that are learnt: which channels, when they are missed, and how often for nothing."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from acqd.measure.deafness import chance_of_same
from acqd.measure.witness import (
    LEARN_S,
    LONGER,
    SILENCE_MOST_S,
    WITNESSES_MOST,
    Learnt,
    fresh_learnt,
    heard_channels,
    silent_s,
    with_limits,
)

Make = Callable[..., Any]
PERIOD_S = 2.0


def fed(heard_at_s: list[np.ndarray[Any, Any]], hours: float) -> list[Learnt]:
    """What is learnt after each hour, of channels that were heard at those times."""
    learnt, states = fresh_learnt(len(heard_at_s)), []
    events = sorted(
        (float(at_s), number) for number, each in enumerate(heard_at_s) for at_s in each
    )
    events += [(3600.0 * hour, -1) for hour in range(1, int(hours) + 1)]
    for at_s, number in sorted(events):
        sweeps = int(at_s // PERIOD_S) + 1  # in most of which nothing was heard
        if number >= 0:
            learnt = heard_channels(learnt, np.array([number]), at_s)
        learnt = with_limits(learnt, at_s, sweeps, period_s=PERIOD_S, quiet=False)
        if number < 0:
            states.append(learnt)
    return states


def calls(rng: np.random.Generator, a_hour: float, hours: float) -> np.ndarray[Any, Any]:
    """Calls that know nothing of each other."""
    gaps = rng.exponential(3600.0 / a_hour, size=int(3 * a_hour * hours) + 100)
    times = np.cumsum(gaps)
    return times[times < 3600.0 * hours]


def test_a_regular_channel_is_a_witness_after_a_day(rng: np.random.Generator) -> None:
    """Not before; it is missed after 2.5 times its longest silence."""
    at_s = calls(rng, 60.0, 30.0)
    states = fed([at_s], 30.0)
    before = states[int(LEARN_S / 3600.0) - 2]
    assert before.chosen == ()
    after = states[-1]
    assert after.chosen == (0,)
    longest_s = float(np.max(np.diff(at_s)))
    assert after.limit_s[0] == pytest.approx(LONGER * longest_s)


def test_a_channel_with_a_long_silence_is_none(rng: np.random.Generator) -> None:
    """Regular but for its nights: nobody could tell its silence from deafness within an hour."""
    at_s = calls(rng, 60.0, 48.0)
    at_s = at_s[(at_s % 86_400.0) < 86_400.0 - SILENCE_MOST_S - 600.0]
    states = fed([at_s], 48.0)
    assert all(one.chosen == () for one in states[25:])


def test_one_that_is_always_there_may_be_the_sweepers_own() -> None:
    """Heard in every sweep: a witness only where a quiet reference says it is none of its own."""
    learnt = {False: fresh_learnt(1), True: fresh_learnt(1)}
    for quiet, state in learnt.items():
        for number in range(1, 1500):
            clock_s = 60.0 * number
            state = heard_channels(state, np.array([0]), clock_s)
            state = with_limits(state, clock_s, number, period_s=60.0, quiet=quiet)
        learnt[quiet] = state
    assert learnt[False].chosen == ()
    assert math.isnan(learnt[False].any_longest_s) or learnt[False].steady[0]
    assert learnt[True].chosen == (0,)


def test_the_soonest_missed_are_taken(rng: np.random.Generator) -> None:
    rates = (10.0, 400.0, 30.0, 100.0, 60.0, 15.0)
    state = fed([calls(rng, rate, 40.0) for rate in rates], 40.0)[-1]
    assert len(state.chosen) == WITNESSES_MOST
    assert state.chosen[0] == 1
    limits = state.limit_s[list(state.chosen)]
    assert list(limits) == sorted(limits)
    assert limits.max() <= np.delete(state.limit_s[:-1], state.chosen).min()


def test_silences_of_long_ago_are_forgotten(rng: np.random.Generator) -> None:
    """A repeater that was off for a day three weeks ago is a witness again."""
    at_s = calls(rng, 60.0, 24.0 * 24)
    at_s = at_s[(at_s < 86_400.0) | (at_s > 2 * 86_400.0)]
    states = fed([at_s], 24.0 * 24)
    assert states[24 * 6].chosen == ()
    assert states[-1].chosen == (0,)


@pytest.mark.parametrize("a_hour", [8.0, 20.0, 60.0, 400.0])
def test_false_alarms_are_as_seldom_as_said(rng: np.random.Generator, a_hour: float) -> None:
    """Below 1e−4 an hour after a day of learning, for calls that know nothing of each other: of
    what would be missed in 400 months of nights, one witness alone."""
    months = 400
    watched, missed = 0.0, 0
    for _ in range(months):
        at_s = calls(rng, a_hour, 84.0)
        learning = at_s[at_s < LEARN_S]
        longest_s = float(np.max(np.diff(learning)))
        if longest_s > SILENCE_MOST_S:
            continue
        later = np.diff(at_s[at_s >= learning[-1]])
        watched += 60.0
        missed += int(np.count_nonzero(later > max(60.0, 20.0, LONGER * longest_s)))
    # Of about 24,000 hours 2.4 would be as said; 8 or more would come by chance once in 500 times.
    assert missed < 8
    assert watched > 20_000


def test_a_witness_that_is_learnt_makes_a_job_deaf(watch: Make) -> None:
    """And any channel that comes in says that it hears again."""
    w = watch(points=101, interval_s=30.0)
    w.setup()
    for number in range(2890):
        w.sweep([(156.8e6, -80.0)] if number % 8 == 0 else ())
    assert w.state.ears.learnt.chosen
    last_s = [e.started_s for e in w.events[1:]][-2]
    w.sweeps(40)
    (deaf,) = [one for one in w.findings if one.what == "deaf"]
    assert deaf.figures["witnesses"] == "16"
    assert deaf.figures["from_s"] == last_s
    assert "which used to be heard in that time" in deaf.text
    w.sweep([(156.3e6, -80.0)])
    (again,) = [one for one in w.findings if one.what == "hears_again"]
    assert again.text.startswith("hears again: 06 was heard")


def test_a_witness_that_is_none_any_more_is_not_missed(watch: Make) -> None:
    """Its silence was an hour and more, and the limit had gone on without it: no sweep fails."""
    w = watch(interval_s=60.0, deaf_by_floor=False)
    w.setup()
    for number in range(30 * 60):
        w.sweep([(156.8e6, -75.0)] if number % 25 == 0 else ())
    assert len(w.state.ears.learnt.chosen) == 1
    w.sweeps(70)
    w.sweep([(156.8e6, -75.0)])
    w.sweeps(200)
    assert w.state.ears.learnt.chosen == ()
    assert [one.what for one in w.findings if one.what == "deaf"] == ["deaf"]


def test_nothing_is_learnt_where_that_is_not_wanted(watch: Make) -> None:
    w = watch(points=101, interval_s=30.0, learn_witnesses=False)
    w.setup()
    for number in range(2890):
        w.sweep([(156.8e6, -80.0)] if number % 8 == 0 else ())
    w.sweeps(100)
    assert not [one for one in w.findings if one.what == "deaf"]


def test_silences_are_of_time_listened() -> None:
    learnt = heard_channels(fresh_learnt(2), np.array([1]), 100.0)
    assert silent_s(learnt, [1], 160.0).tolist() == [60.0]


@pytest.mark.parametrize(
    ("points", "step", "sigma", "low", "high"),
    [
        pytest.param(611, 0.01, 5.6, 0.0, 1e-300, id="a fine scale"),
        pytest.param(401, 1.0, 1.8, 0.0, 1e-100, id="whole decibels, many points"),
        pytest.param(4, 1.0, 0.2, 0.8, 1.0, id="much averaged, few points"),
        pytest.param(1, 1.0, 1e9, 0.0, 1e-6, id="hardly ever"),
        pytest.param(10, 0.0, 1.0, 0.0, 0.0, id="no scale"),
    ],
)
def test_noise_repeats_itself_as_often_as_said(
    points: float, step: float, sigma: float, low: float, high: float
) -> None:
    assert low <= chance_of_same(points, step, sigma) <= high


def test_the_chance_is_that_of_drawn_noise(rng: np.random.Generator) -> None:
    drawn = np.rint(rng.normal(0.0, 0.7, size=(2, 400_000)))
    share = float(np.mean(drawn[0] == drawn[1]))
    assert chance_of_same(1, 1.0, 0.7) == pytest.approx(share, abs=0.003)
