"""Drift: against SciPy, against simulated truth, and at the edges."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from acqd.measure import drift
from acqd.measure.student import student_quantile

Float = NDArray[np.float64]
Wander = Callable[[int, float], Float]


@pytest.fixture
def wander(rng: np.random.Generator) -> Wander:
    """First-order wander of unit spread and a given lag-one correlation, well settled."""

    def make(count: int, rho: float) -> Float:
        noise = rng.standard_normal(count + 1000)
        gain = math.sqrt(1.0 - rho * rho)
        return np.asarray(signal.lfilter([gain], [1.0, -rho], noise)[1000:])

    return make


# --- lines ----------------------------------------------------------------------------------------


def test_line_agrees_with_scipy(rng: np.random.Generator) -> None:
    """Uneven times with a gap, out of order; slope, intercept, uncertainty and interval."""
    t = np.concatenate((rng.uniform(0, 3600, 40), rng.uniform(9000, 12_000, 30)))
    y = -60.0 + 2e-5 * t + 0.1 * rng.standard_normal(t.size)
    found = drift.least_squares_drift(t, y, confidence=0.9)
    theirs = stats.linregress(t / 3600.0, y)
    assert found.plain is not None
    assert found.slope_per_hour == pytest.approx(theirs.slope, rel=1e-10)
    assert found.value_at(-float(t.min())) == pytest.approx(theirs.intercept, rel=1e-12)
    assert found.plain.u_per_hour == pytest.approx(theirs.stderr, rel=1e-10)
    half = stats.t.ppf(0.95, t.size - 2) * theirs.stderr
    assert found.plain.high_per_hour == pytest.approx(theirs.slope + half, rel=1e-10)
    assert found.plain.low_per_hour == pytest.approx(theirs.slope - half, rel=1e-10)
    assert found.samples == 70
    assert found.span_s == pytest.approx(np.ptp(t))


def test_missing_readings_are_left_out_and_inputs_stay(rng: np.random.Generator) -> None:
    """NaN in times and values; read-only arrays are enough."""
    t, y = np.arange(50.0), rng.standard_normal(50)
    few = drift.least_squares_drift(t[5:], y[5:])
    y[:3], t[3:5] = np.nan, np.nan
    t.setflags(write=False)
    y.setflags(write=False)
    assert drift.least_squares_drift(t, y) == few


def test_epoch_times_keep_their_digits(rng: np.random.Generator) -> None:
    """Seconds since 1970 give the slope of seconds since the start."""
    t, y = np.arange(600.0), rng.standard_normal(600)
    late = drift.least_squares_drift(t + 1.75e9, y)
    assert late == drift.least_squares_drift(t, y)


@pytest.mark.parametrize(
    ("count", "has_slope", "has_plain", "has_serial"),
    [
        (0, False, False, False),
        (1, False, False, False),
        (2, True, False, False),
        (3, True, True, False),
        (7, True, True, False),
        (8, True, True, True),
    ],
)
def test_short_series(count: int, has_slope: bool, has_plain: bool, has_serial: bool) -> None:
    """What cannot be told is not told, and why is said."""
    y = [0.1, -0.2, 0.3, 0.0, -0.1, 0.2, -0.3, 0.25][:count]
    found = drift.least_squares_drift(np.arange(count), y)
    assert math.isfinite(found.slope_per_hour) == has_slope
    assert (found.plain is not None) == has_plain
    assert (found.serial is not None) == has_serial
    assert (found.reason is None) == has_serial
    if not has_serial:
        assert found.reason is not None and found.reason.startswith("cannot tell")


def test_readings_at_one_time_have_no_slope() -> None:
    """A vertical line is no drift."""
    found = drift.least_squares_drift(np.full(20, 7.0), np.arange(20.0))
    assert math.isnan(found.slope_per_hour)
    assert found.plain is None and found.serial is None
    assert math.isnan(drift.theil_sen_slope(np.full(20, 7.0), np.arange(20.0)))


def test_constant_and_exact_lines() -> None:
    """Nothing spreads: intervals of no width."""
    found = drift.least_squares_drift(np.arange(32.0), np.full(32, -40.0))
    assert found.slope_per_hour == 0.0
    assert found.serial is not None and found.serial.u_per_hour == 0.0
    exact = drift.least_squares_drift(np.arange(32.0) * 3600, np.arange(32.0))
    assert exact.slope_per_hour == pytest.approx(1.0, rel=1e-14)


def test_bad_arguments_are_refused() -> None:
    """Lengths and confidence."""
    with pytest.raises(ValueError, match="as long"):
        drift.least_squares_drift([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="confidence"):
        drift.least_squares_drift([1.0, 2.0], [1.0, 2.0], confidence=1.0)


def test_independent_readings_get_nearly_the_plain_interval(rng: np.random.Generator) -> None:
    """Blocks of one, and an interval at most a fifth wider in the median of 50 series."""
    wider, single = [], 0
    for _ in range(50):
        found = drift.least_squares_drift(np.arange(300.0), rng.standard_normal(300))
        assert found.plain is not None and found.serial is not None
        wider.append(found.serial.u_per_hour / found.plain.u_per_hour)
        single += found.serial.block == 1
    assert single >= 40
    assert 0.99 <= float(np.median(wider)) <= 1.2


@pytest.mark.slow
@pytest.mark.parametrize("rho", [0.0, 0.6, 0.9])
def test_interval_holds_the_true_slope(rho: float, wander: Wander) -> None:
    """200 soaks of 600 sweeps that wander: 95 % intervals hold the truth 90 to 98.5 % of the time.

    Found: 94.5 % for each; plain intervals 94.5, 66.5 and 35 %.
    """
    true_per_hour, t = 0.36, np.arange(600) * 10.0
    held = plain_held = 0
    for _ in range(200):
        y = -60.0 + true_per_hour * t / 3600.0 + wander(600, rho)
        found = drift.least_squares_drift(t, y)
        assert found.plain is not None and found.serial is not None
        held += found.serial.low_per_hour <= true_per_hour <= found.serial.high_per_hour
        plain_held += found.plain.low_per_hour <= true_per_hour <= found.plain.high_per_hour
    assert 0.90 <= held / 200 <= 0.985
    if rho > 0:
        assert plain_held / 200 <= 0.80


@pytest.mark.slow
def test_interval_holds_with_gaps_and_fast_noise(wander: Wander, rng: np.random.Generator) -> None:
    """A third of the sweeps lost in two gaps, white noise on top of the wander: 90 to 98.5 %."""
    kept = np.r_[0:250, 400:700, 850:1200]
    held = 0
    for _ in range(200):
        y = (wander(1200, 0.9) + rng.standard_normal(1200))[kept]
        found = drift.least_squares_drift(kept * 10.0, y)
        assert found.serial is not None
        held += found.serial.low_per_hour <= 0.0 <= found.serial.high_per_hour
    assert 0.90 <= held / 200 <= 0.985


def test_wander_as_slow_as_the_series_cannot_be_told(wander: Wander) -> None:
    """Half the series of 30 readings at a correlation of 0.98 are refused, at least."""
    refused = 0
    for _ in range(100):
        found = drift.least_squares_drift(np.arange(30.0), wander(30, 0.98))
        refused += found.serial is None
        assert found.serial is not None or "wander" in (found.reason or "")
    assert refused >= 50


def test_spread_of_a_mean_holds_the_truth(wander: Wander) -> None:
    """200 means of 400 wandering readings: 90 to 98.5 % lie within the interval around 0."""
    held = 0
    for _ in range(200):
        found = drift.serial_spread(wander(400, 0.8))
        assert found.reason is None
        half = student_quantile(0.975, found.dof) * found.u_mean
        held += abs(found.mean) <= half
    assert 0.90 <= held / 200 <= 0.985


def test_spread_of_independent_readings(rng: np.random.Generator) -> None:
    """Mean, spread, and NaN left out; too few readings are said to be."""
    y = rng.standard_normal(500)
    y[::7] = np.nan
    known = y[np.isfinite(y)]
    found = drift.serial_spread(y)
    assert found.samples == known.size
    assert found.mean == pytest.approx(known.mean())
    if found.block == 1:
        assert found.sd == pytest.approx(known.std(ddof=1))
    assert drift.serial_spread([1.0] * 7).reason is not None
    assert math.isnan(drift.serial_spread([]).mean)


# --- Theil and Sen --------------------------------------------------------------------------------


def test_theil_sen_agrees_with_scipy(rng: np.random.Generator) -> None:
    """Heavy tails, uneven times with doubles."""
    t = np.round(rng.uniform(0, 100, 80))
    y = 0.3 * t + rng.standard_t(1.5, 80)
    found = drift.theil_sen_slope(t, y) / 3600.0
    assert found == pytest.approx(stats.theilslopes(y, t).slope, rel=1e-12)


def test_theil_sen_bears_a_burst_of_interference() -> None:
    """A fifth of the readings 40 dB too high moves least squares, not the median."""
    t = np.arange(100) * 36.0
    y = -80.0 - 0.5 * t / 3600.0 + 0.01 * np.sin(np.arange(100))
    y[75:95] += 40.0
    assert drift.theil_sen_slope(t, y) == pytest.approx(-0.5, abs=0.1)
    assert drift.least_squares_drift(t, y).slope_per_hour > 10.0


def test_theil_sen_thins_long_series(rng: np.random.Generator) -> None:
    """50 000 readings are thinned to 2000, first and last kept, and give the slope all the same."""
    t = np.arange(50_000.0)
    y = 2.0 * t / 3600.0 + rng.standard_normal(t.size)
    assert drift.theil_sen_slope(t, y) == pytest.approx(2.0, abs=0.05)
    assert drift.theil_sen_slope([0.0, 1.0, 2.0], [0.0, 9.0, 2.0], most=2) == pytest.approx(3600.0)


# --- warm-up --------------------------------------------------------------------------------------


def test_exact_warm_up_is_found() -> None:
    """An exponential without noise gives back its figures."""
    t = np.arange(0.0, 3600.0, 10.0)
    found = drift.fit_warm_up(t, -40.0 + 1.5 * np.exp(-t / 420.0))
    assert found.seen and found.reached
    assert found.final == pytest.approx(-40.0, abs=1e-6)
    assert found.amplitude == pytest.approx(1.5, rel=1e-5)
    assert found.tau_s == pytest.approx(420.0, rel=1e-5)
    assert found.settled_after_s(0.1) == pytest.approx(420.0 * math.log(15.0), rel=1e-4)
    assert found.settled_after_s(2.0) == 0.0
    assert found.settled_after_s(0.0) == math.inf


def test_warm_up_beside_a_drift() -> None:
    """With a drift allowed for, both come back."""
    t = np.arange(0.0, 7200.0, 10.0)
    y = 3.0 - 2.0 * np.exp(-t / 500.0) + 0.4 * t / 3600.0
    found = drift.fit_warm_up(t, y, drifts=True)
    assert found.seen
    assert found.tau_s == pytest.approx(500.0, rel=1e-4)
    assert found.drift_per_hour == pytest.approx(0.4, rel=1e-4)
    assert found.amplitude == pytest.approx(-2.0, rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("rho", [0.0, 0.6])
@pytest.mark.parametrize("drifts", [False, True])
def test_warm_up_is_not_seen_where_there_is_none(rho: float, drifts: bool, wander: Wander) -> None:
    """A steady drift with noise that wanders is rarely a warm-up: 1 % asked, 6 % borne."""
    t = np.arange(300) * 10.0
    seen = sum(
        drift.fit_warm_up(t, 1e-3 * t + wander(300, rho), drifts=drifts).seen for _ in range(100)
    )
    assert seen <= 6


@pytest.mark.slow
def test_warm_up_is_seen_in_noise_and_its_uncertainty_is_right(wander: Wander) -> None:
    """100 droops of 4 standard deviations: all seen, and 2·u holds τ and amplitude 85 to 100 %."""
    t = np.arange(300) * 10.0
    held_tau = held_amplitude = 0
    for _ in range(100):
        found = drift.fit_warm_up(t, 4.0 * np.exp(-t / 300.0) + wander(300, 0.3))
        assert found.seen
        held_tau += abs(found.tau_s - 300.0) <= 2.0 * found.u_tau_s
        held_amplitude += abs(found.amplitude - 4.0) <= 2.0 * found.u_amplitude
    assert held_tau >= 85
    assert held_amplitude >= 85


def test_warm_up_that_is_not_over_is_said_to_be() -> None:
    """Half a time constant is not the end of it."""
    t = np.arange(0.0, 600.0, 2.0)
    y = np.exp(-t / 400.0) + 1e-3 * np.sin(t)
    found = drift.fit_warm_up(t, y)
    assert found.seen and not found.reached
    assert "not over" in found.text


@pytest.mark.parametrize("y", [[], [1.0] * 5, [1.0] * 40], ids=["none", "few", "constant"])
def test_nothing_to_see(y: list[float]) -> None:
    """No readings, few, or all the same: not seen, and no time to wait."""
    found = drift.fit_warm_up(np.arange(len(y)), y)
    assert not found.seen
    assert found.settled_after_s(0.1) == 0.0


def test_warm_up_with_readings_at_one_time() -> None:
    """Times that do not move tell nothing."""
    found = drift.fit_warm_up(np.zeros(20), np.arange(20.0))
    assert not found.seen and "cannot tell" in found.text


def test_warm_up_under_a_slow_wander_cannot_be_told() -> None:
    """A wander of a few swings over the whole series leaves too few independent readings."""
    t = np.arange(64.0)
    found = drift.fit_warm_up(t, np.cumsum(np.sign(np.sin(t / 9.0))))
    assert not found.seen


# --- capability and planning ----------------------------------------------------------------------


def test_capability_with_one_limit_and_without_spread() -> None:
    """One limit has no Cp; nothing that spreads is endlessly capable, or not at all."""
    one = drift.capability(0.3, 0.2, high=1.0)
    assert one.cp is None
    assert one.cpk == pytest.approx(0.7 / 0.6)
    assert drift.capability(0.3, 0.2, low=-1.0).cpk == pytest.approx(1.3 / 0.6)
    still = drift.capability(0.0, 0.0, low=-1.0, high=1.0)
    assert (still.cp, still.cpk) == (math.inf, math.inf)
    assert drift.capability(2.0, 0.0, high=1.0).cpk == -math.inf


def test_lower_bound_of_capability_holds(rng: np.random.Generator) -> None:
    """The true index lies above the bound in 92 to 98 % of 400 runs of 50 readings."""
    true, above = 1.1666667, 0
    for _ in range(400):
        y = 0.3 + 0.2 * rng.standard_normal(50)
        found = drift.capability(
            float(y.mean()), float(y.std(ddof=1)), low=-1.0, high=1.0, samples=50
        )
        assert found.cpk_low is not None
        above += true >= found.cpk_low
    assert 0.92 <= above / 400 <= 0.98


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ({"sd": 1.0}, "lower or an upper"),
        ({"sd": 1.0, "low": 1.0, "high": 0.0}, "below the upper"),
        ({"sd": -1.0, "low": 0.0}, "negative"),
        ({"sd": math.nan, "low": 0.0}, "negative"),
    ],
)
def test_impossible_capabilities_are_refused(arguments: dict[str, float], words: str) -> None:
    """No limit, crossed limits, negative spread."""
    with pytest.raises(ValueError, match=words):
        drift.capability(0.0, **arguments)


def test_planned_slope_is_what_a_fit_finds(rng: np.random.Generator) -> None:
    """The spread of 400 fitted slopes is the planned uncertainty, within 10 %."""
    t = np.arange(40) * 60.0
    slopes = [
        drift.least_squares_drift(t, 0.1 * rng.standard_normal(40)).slope_per_hour
        for _ in range(400)
    ]
    planned = drift.slope_uncertainty(0.1, 40, interval_s=60.0)
    assert float(np.std(slopes)) == pytest.approx(planned, rel=0.1)
    with pytest.raises(ValueError, match="two samples"):
        drift.slope_uncertainty(0.1, 1)


def test_smallest_step_is_found_as_often_as_stated(rng: np.random.Generator) -> None:
    """A step of that size passes the two-sided test in 90 % of 2000 trials, within 3 %."""
    step, n, sd = drift.smallest_step(0.3, 20, confidence=0.95, power=0.9), 20, 0.3
    means = sd * rng.standard_normal((2, 2000, n)).mean(axis=2)
    found = np.abs(means[1] + step - means[0]) > 1.959964 * sd * math.sqrt(2 / n)
    assert float(found.mean()) == pytest.approx(0.9, abs=0.03)
    with pytest.raises(ValueError, match="above 0"):
        drift.smallest_step(0.3, 0)
