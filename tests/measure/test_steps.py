"""Steps: stream and whole series, onsets, sizes, and what wander does to them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal

from acqd.measure import steps
from acqd.measure.checkpoint import dump_state, load_state
from acqd.measure.steps import Direction

Float = NDArray[np.float64]


def wander(count: int, rho: float, rng: np.random.Generator) -> Float:
    """First-order wander of unit spread."""
    noise = rng.standard_normal(count + 1000)
    return np.asarray(signal.lfilter([math.sqrt(1 - rho**2)], [1.0, -rho], noise)[1000:])


# --- CUSUM ----------------------------------------------------------------------------------------


def test_alarm_names_onset_direction_and_shift() -> None:
    """Twenty quiet values, then 2 standard deviations down: onset at the first of them."""
    z = [0.1, -0.1] * 10 + [-2.0] * 6
    (alarm,) = steps.cusum(z, k=0.5, h=5.0)
    assert (alarm.at, alarm.onset) == (23, 20)
    assert alarm.direction is Direction.FALLING
    assert alarm.total == pytest.approx(6.0)
    assert alarm.shift == pytest.approx(-2.0)


def test_sums_start_again_after_an_alarm() -> None:
    """A shift that stays alarms every four values at 2 standard deviations."""
    alarms = steps.cusum([2.0] * 12, k=0.5, h=5.0)
    assert [(a.at, a.onset) for a in alarms] == [(3, 0), (7, 4), (11, 8)]


def test_missing_values_count_and_change_nothing() -> None:
    """NaN between: numbers go on, sums do not."""
    z = [0.0, 2.0, math.nan, 2.0, math.inf, 2.0, 2.0]
    (alarm,) = steps.cusum(z, k=0.5, h=5.0)
    assert (alarm.at, alarm.onset) == (6, 1)
    assert alarm.shift == pytest.approx(2.0)


def test_state_is_left_as_it_was() -> None:
    """The old state still gives what it gave, also through a checkpoint."""
    state = steps.CusumState()
    for z in (0.2, 1.4, -0.3):
        state, _ = steps.cusum_step(state, z)
    copy = load_state("c/1", steps.CusumState, dump_state("c/1", state))
    first = steps.cusum_step(state, 1.0)
    assert copy == state
    assert steps.cusum_step(state, 1.0) == first == steps.cusum_step(copy, 1.0)


def test_run_length_grows_with_h_and_is_infinite_in_the_end() -> None:
    """A week at one reading a second needs h 12.5; k 0 and far shifts work too."""
    lengths = [steps.run_length(h=h) for h in (1.0, 3.0, 5.0, 8.0, 12.0, 12.5)]
    assert lengths == sorted(lengths)
    assert lengths[-2] < 7 * 86_400 < lengths[-1]
    assert steps.run_length(h=60.0) == math.inf
    assert steps.run_length(h=5.0, shift=-1.0) == pytest.approx(steps.run_length(h=5.0, shift=1.0))
    assert steps.run_length(k=0.0, h=5.0) < steps.run_length(k=0.5, h=5.0)
    assert steps.run_length(h=5.0, shift=20.0) == pytest.approx(1.0)


@pytest.mark.parametrize(("k", "h"), [(-0.1, 5.0), (0.5, 0.0), (math.nan, 5.0)])
def test_impossible_settings_are_refused(k: float, h: float) -> None:
    """Everywhere the same."""
    calls: list[Callable[[], Any]] = [
        lambda: steps.cusum_step(steps.CusumState(k=k, h=h), 0.0),
        lambda: steps.run_length(k=k, h=h),
        lambda: steps.step_watch(k=k, h=h),
    ]
    for call in calls:
        with pytest.raises(ValueError, match="k must be"):
            call()


# --- Page and Hinkley -----------------------------------------------------------------------------


def test_page_hinkley_finds_rise_and_fall() -> None:
    """After an alarm the mean is learnt anew, so the way back is a step of its own."""
    x = [0.0] * 30 + [1.0] * 30 + [0.0] * 30
    rise, fall = steps.page_hinkley(x, delta=0.05, threshold=3.0)
    assert (rise.direction, rise.onset) == (Direction.RISING, 30)
    assert (fall.direction, fall.onset) == (Direction.FALLING, 60)
    assert 30 < rise.at < 40 < 60 < fall.at < 70
    assert rise.shift > 0 > fall.shift


def test_page_hinkley_passes_over_missing_values() -> None:
    """NaN costs a number, nothing else."""
    x = [0.0] * 10 + [math.nan] + [1.0] * 10
    (alarm,) = steps.page_hinkley(x, delta=0.05, threshold=3.0)
    (without,) = steps.page_hinkley([v for v in x if v == v], delta=0.05, threshold=3.0)
    assert alarm.at == without.at + 1
    assert steps.PageHinkleyState(delta=0.0, threshold=1.0).rising == 0.0
    assert steps.PageHinkleyState(delta=0.0, threshold=1.0).falling == 0.0


@pytest.mark.parametrize(("delta", "threshold"), [(-1.0, 1.0), (0.0, 0.0)])
def test_impossible_page_hinkley_is_refused(delta: float, threshold: float) -> None:
    """delta and threshold."""
    with pytest.raises(ValueError, match="delta"):
        steps.page_hinkley([1.0], delta=delta, threshold=threshold)


# --- learnt baselines -----------------------------------------------------------------------------


def test_baseline_of_independent_readings(rng: np.random.Generator) -> None:
    """Mean, spread and its uncertainty."""
    y = -60.0 + 0.2 * rng.standard_normal(400)
    found = steps.learn_baseline(y)
    assert found.reason is None
    assert found.mean == pytest.approx(float(y.mean()))
    assert found.sd == pytest.approx(0.2 / math.sqrt(found.block), rel=0.2)
    assert found.u_mean == pytest.approx(0.01, rel=0.3)


def test_baseline_of_wander_takes_blocks(rng: np.random.Generator) -> None:
    """Blocks of some 8 readings and more at a correlation of 0.9, and a wider mean."""
    found = steps.learn_baseline(wander(2000, 0.9, rng))
    assert found.block >= 8
    assert found.u_mean > 2.0 / math.sqrt(2000)


def test_baselines_that_tell_nothing_say_so(rng: np.random.Generator) -> None:
    """Too few, too slow, all the same; a stated resolution saves the last."""
    assert "needed" in (steps.learn_baseline([1.0] * 5).reason or "")
    ramp = steps.learn_baseline(np.arange(64.0))
    assert "wander" in (ramp.reason or "")
    assert "equal" in (steps.learn_baseline(np.full(100, -40.0)).reason or "")
    coarse = steps.learn_baseline(np.full(100, -40.0), resolution=0.5)
    assert coarse.reason is None
    assert coarse.sd == pytest.approx(0.144338, abs=5e-7)
    with pytest.raises(ValueError, match="resolution"):
        steps.learn_baseline([0.0], resolution=-1.0)


# --- the watch ------------------------------------------------------------------------------------


def test_step_is_found_with_onset_and_size(rng: np.random.Generator) -> None:
    """A connector that gives 0.5 dB at sweep 700, in 0.1 dB of noise."""
    y = -30.0 + 0.1 * rng.standard_normal(1200)
    y[700:] -= 0.5
    (step,) = steps.find_steps(y, learn=200, h=8.0)
    assert abs(step.onset - 700) <= 4
    assert 700 <= step.at <= 710
    assert step.direction is Direction.FALLING
    assert step.size == pytest.approx(-0.5, abs=step.expanded)
    assert step.expanded == pytest.approx(0.1 * 1.96 * math.sqrt(1 / 700 + 1 / 500), rel=0.4)
    assert step.before == pytest.approx(-30.0, abs=0.02)
    assert step.readings_after == pytest.approx(500, abs=4)


def test_there_and_back_are_two_steps(rng: np.random.Generator) -> None:
    """The watch learns anew after the first."""
    y = rng.standard_normal(1500)
    y[600:1000] += 4.0
    up, down = steps.find_steps(y, learn=100, h=8.0)
    assert (up.direction, down.direction) == (Direction.RISING, Direction.FALLING)
    assert (up.onset, down.onset) == (pytest.approx(600, abs=3), pytest.approx(1000, abs=3))
    assert up.size == pytest.approx(4.0, abs=0.3)
    assert down.size == pytest.approx(-4.0, abs=0.3)


def test_step_at_the_end_keeps_what_the_watch_said() -> None:
    """Four readings after the step are too few for more."""
    y = np.concatenate((np.tile([0.1, -0.1, 0.05, -0.05], 50), np.full(4, 0.5)))
    (step,) = steps.find_steps(y, learn=100, h=5.0)
    assert step.onset == 200
    assert step.after == pytest.approx(0.5, abs=1e-9)
    assert step.size == pytest.approx(0.5, abs=0.01)
    assert step.expanded > 0


@pytest.mark.slow
def test_size_of_a_step_holds_the_truth(rng: np.random.Generator) -> None:
    """200 steps of 3 deviations of a wander: 95 % intervals hold them 88 to 98.5 % of the time.

    The choice of the onset costs a little of what is stated.
    """
    held = found = 0
    for _ in range(200):
        y = wander(1000, 0.5, rng)
        y[500:] += 3.0
        near = [s for s in steps.find_steps(y, learn=250, h=9.0) if abs(s.onset - 500) < 60]
        if near:
            found += 1
            held += abs(near[0].size - 3.0) <= near[0].expanded
    assert found >= 170
    assert 0.88 <= held / found <= 0.985


@pytest.mark.slow
def test_wander_does_not_cry_wolf(rng: np.random.Generator) -> None:
    """At a correlation of 0.9 the plain CUSUM alarms every few readings, the watch hardly ever."""
    plain = blocked = 0
    for _ in range(20):
        y = wander(3000, 0.9, rng)
        plain += len(steps.cusum(y.tolist()))
        blocked += len(steps.find_steps(y, learn=600))
    assert plain > 20 * 100
    assert blocked <= 20


def test_stream_and_whole_series_agree_through_checkpoints(rng: np.random.Generator) -> None:
    """A checkpoint after every reading changes no bit; NaN are passed over."""
    y = wander(500, 0.5, rng)
    y[300:] += 5.0
    y[[5, 50, 310]] = np.nan
    watch, found = steps.step_watch(learn=120, h=8.0), []
    straight = watch
    for seq, value in enumerate(y.tolist()):
        old = dump_state("w/1", watch)
        watch, step = steps.watch_step(watch, value, seq)
        straight, same = steps.watch_step(straight, value, seq)
        assert step == same
        watch = load_state("w/1", steps.StepWatch, dump_state("w/1", watch))
        assert dump_state("w/1", load_state("w/1", steps.StepWatch, old)) == old
        if step is not None:
            found.append(step)
    assert dump_state("w/1", watch) == dump_state("w/1", straight)
    whole = steps.find_steps(y, learn=120, h=8.0)
    assert [(s.at, s.onset) for s in found] == [(s.at, s.onset) for s in whole]
    assert len(found) == 1


def test_watch_that_cannot_learn_tries_again(rng: np.random.Generator) -> None:
    """A ramp while learning is no baseline; what follows is. Memory stays bounded."""
    watch = steps.step_watch(learn=64)
    for seq in range(64):
        watch, _ = steps.watch_step(watch, float(seq), seq)
        assert len(watch.learning) < 64
    assert watch.baseline is None
    for seq in range(64, 128):
        watch, _ = steps.watch_step(watch, float(rng.standard_normal()), seq)
    assert watch.baseline is not None
    assert watch.learning == ()


def test_short_and_empty_series_have_no_steps() -> None:
    """Nothing, one, and fewer than it takes to learn."""
    for y in ([], [1.0], [0.0] * 50 + [9.0] * 20):
        assert steps.find_steps(y, learn=100) == ()


@pytest.mark.parametrize(
    ("arguments", "words"), [({"learn": 15}, "16 readings"), ({"confidence": 1.0}, "confidence")]
)
def test_bad_watches_are_refused(arguments: dict[str, Any], words: str) -> None:
    """Too little to learn from, impossible confidence."""
    with pytest.raises(ValueError, match=words):
        steps.step_watch(**arguments)
