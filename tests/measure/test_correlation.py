"""A value against its context: against SciPy, against simulated truth, and in words."""

from __future__ import annotations

import dataclasses
import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import signal, stats

from acqd.measure import correlation

Float = NDArray[np.float64]


def wander(count: int, rho: float, rng: np.random.Generator) -> Float:
    """First-order wander of unit spread."""
    noise = rng.standard_normal(count + 1000)
    return np.asarray(signal.lfilter([math.sqrt(1 - rho**2)], [1.0, -rho], noise)[1000:])


# --- matched by time ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("at_s", "expected"),
    [
        pytest.param(-1.0, math.nan, id="before the first"),
        pytest.param(0.0, 10.0, id="at a reading"),
        pytest.param(30.0, 10.5, id="between two"),
        pytest.param(100.0, 11.0, id="the next too far: the last as it is"),
        pytest.param(161.0, math.nan, id="too old"),
        pytest.param(950.0, math.nan, id="the next near, the last too old"),
        pytest.param(1059.0, 20.0, id="after the last, fresh"),
        pytest.param(1101.0, math.nan, id="after the last, too old"),
        pytest.param(math.nan, math.nan, id="no time"),
    ],
)
def test_context_at_a_sweep(at_s: float, expected: float) -> None:
    """Readings at 0, 60 and 1000 s, given out of order, no older than 100 s."""
    times, readings = [1000.0, 0.0, 60.0, 70.0, math.nan], [20.0, 10.0, 11.0, math.nan, 5.0]
    found = correlation.context_at([at_s], times, readings, oldest_s=100.0)
    assert found.tolist() == [pytest.approx(expected, nan_ok=True)]


def test_context_agrees_with_numpy_where_it_is_fresh(rng: np.random.Generator) -> None:
    """Plain interpolation, with two readings at one time: the last given counts."""
    times = np.sort(rng.uniform(0, 1000, 200))
    readings = rng.standard_normal(200)
    t = rng.uniform(times[0], times[-1], 50)
    found = correlation.context_at(t, times, readings, oldest_s=1e4)
    assert found == pytest.approx(np.interp(t, times, readings))
    doubled = correlation.context_at([5.0, 7.0], [5.0, 5.0], [1.0, 2.0], oldest_s=10.0)
    assert doubled.tolist() == [2.0, 2.0]


def test_no_context_and_bad_context() -> None:
    """Nothing gives NaN; lengths and ages are checked."""
    assert np.isnan(correlation.context_at([0.0, 1.0], [], [], oldest_s=1.0)).all()
    with pytest.raises(ValueError, match="differ"):
        correlation.context_at([0.0], [0.0], [], oldest_s=1.0)
    with pytest.raises(ValueError, match="age"):
        correlation.context_at([0.0], [0.0], [0.0], oldest_s=0.0)


# --- one column -----------------------------------------------------------------------------------


def test_independent_readings_agree_with_scipy(rng: np.random.Generator) -> None:
    """Slope, coefficient, uncertainty and interval of a plain regression, where all count."""
    x = 15.0 + rng.standard_normal(200)
    y = -0.6 * x + rng.standard_normal(200)
    theirs = stats.linregress(x, y)
    found = correlation.correlate(y, x, least_span=1.0, confidence=0.9)
    assert found.effective == 200.0
    assert found.slope == pytest.approx(theirs.slope, rel=1e-10)
    assert found.pearson == pytest.approx(theirs.rvalue, rel=1e-10)
    assert found.u_slope == pytest.approx(theirs.stderr, rel=1e-10)
    half = stats.t.ppf(0.95, 198) * theirs.stderr
    assert (found.low, found.high) == pytest.approx((theirs.slope - half, theirs.slope + half))
    low, high = stats.pearsonr(x, y).confidence_interval(0.9)
    assert (found.pearson_low, found.pearson_high) == pytest.approx((low, high), abs=2e-3)
    assert found.related


def test_missing_readings_are_left_out_and_inputs_stay(rng: np.random.Generator) -> None:
    """NaN in either; read-only arrays are enough."""
    x, y = rng.standard_normal(100), rng.standard_normal(100)
    x[::9], y[::11] = np.nan, np.nan
    x.setflags(write=False)
    y.setflags(write=False)
    known = np.isfinite(x) & np.isfinite(y)
    found = correlation.correlate(y, x, least_span=0.1)
    assert found.samples == int(known.sum())
    assert found.slope == pytest.approx(stats.linregress(x[known], y[known]).slope)


@pytest.mark.slow
@pytest.mark.parametrize(("context", "rest"), [(0.0, 0.0), (0.9, 0.0), (0.9, 0.9), (0.97, 0.9)])
def test_interval_holds_the_true_slope(
    context: float, rest: float, rng: np.random.Generator
) -> None:
    """200 soaks of 1000 sweeps whose temperature and whose value wander: 90 to 98.5 %."""
    held = plain_held = 0
    for _ in range(200):
        x = 3.0 * wander(1000, context, rng)
        y = -0.6 * x + wander(1000, rest, rng)
        found = correlation.correlate(y, x, least_span=1.0)
        assert found.reason is None
        held += found.low <= -0.6 <= found.high
        theirs = stats.linregress(x, y)
        plain_held += abs(theirs.slope + 0.6) <= 1.962 * theirs.stderr
    assert 0.90 <= held / 200 <= 0.985
    if context * rest > 0.5:
        assert plain_held / 200 <= 0.75


@pytest.mark.slow
def test_two_wanders_that_have_nothing_to_do_with_each_other(rng: np.random.Generator) -> None:
    """Called related in at most 9 % of 200 cases where a plain test does so in half of them."""
    related = plain = 0
    for _ in range(200):
        x, y = wander(600, 0.95, rng), wander(600, 0.95, rng)
        found = correlation.correlate(y, x, least_span=0.1)
        related += found.related
        plain += float(stats.pearsonr(x, y).pvalue) < 0.05
    assert related / 200 <= 0.09
    assert plain / 200 >= 0.4


@pytest.mark.parametrize(
    ("x", "words"),
    [
        pytest.param(np.full(50, 21.0), "hardly moved", id="still"),
        pytest.param(21.0 + 0.01 * np.sin(np.arange(50)), "hardly moved", id="a hundredth"),
        pytest.param(np.r_[np.arange(7.0), np.full(43, np.nan)], "7 readings", id="few"),
        pytest.param(np.full(50, np.nan), "0 readings", id="none"),
    ],
)
def test_context_that_tells_nothing(x: Float, words: str) -> None:
    """The reason is the text."""
    found = correlation.correlate(np.sin(np.arange(50.0)), x, least_span=0.5)
    assert found.reason is not None and found.reason.startswith("cannot tell")
    assert words in found.reason
    assert math.isnan(found.low) and not found.related
    assert correlation.slope_text(found, unit="kHz", per="°C") == found.reason
    assert correlation.correlation_text(found, unit="kHz", per="°C") == found.reason


def test_two_ramps_cannot_be_told() -> None:
    """A parabola over a ramp: what is left wanders as slowly as the series is long."""
    t = np.linspace(0.0, 1.0, 200)
    found = correlation.correlate(t**2, t, least_span=0.5)
    assert "wander" in (found.reason or "")
    assert found.slope == pytest.approx(1.0, rel=0.01)


def test_exact_dependence_and_constant_values() -> None:
    """Intervals of no width."""
    x = np.random.default_rng(4).standard_normal(50)
    exact = correlation.correlate(-2.0 * x, x, least_span=0.5)
    assert exact.pearson == pytest.approx(-1.0)
    assert (exact.low, exact.high) == pytest.approx((-2.0, -2.0))
    still = correlation.correlate(np.full(50, 3.0), x, least_span=0.5)
    assert (still.slope, still.pearson) == (0.0, 0.0)
    assert not still.related


def test_bad_arguments_are_refused() -> None:
    """Lengths, confidence, a column without its least span."""
    with pytest.raises(ValueError, match="as long"):
        correlation.correlate([1.0], [1.0, 2.0], least_span=1.0)
    with pytest.raises(ValueError, match="confidence"):
        correlation.correlate([1.0], [1.0], least_span=1.0, confidence=0.0)
    with pytest.raises(ValueError, match="supply"):
        correlation.correlate_columns([1.0], {"supply": [1.0]}, least_span={})


# --- several columns ------------------------------------------------------------------------------


def test_two_columns_are_told_apart(rng: np.random.Generator) -> None:
    """Both slopes as a joint least-squares fit has them, and the truth in their intervals."""
    n = 1000
    x, v = 3.0 * wander(n, 0.9, rng), 12.0 + 0.2 * wander(n, 0.5, rng)
    v += 0.02 * x
    y = -0.6 * x + 2.0 * v + wander(n, 0.8, rng)
    y[::50] = np.nan
    found = correlation.correlate_columns(
        y, {"temperature": x, "supply": v}, least_span={"temperature": 1.0, "supply": 0.1}
    )
    known = np.isfinite(y)
    matrix = np.stack([np.ones(n), x, v], axis=1)[known]
    theirs = np.linalg.lstsq(matrix, y[known], rcond=None)[0]
    temperature, supply = found.columns["temperature"], found.columns["supply"]
    assert (temperature.slope, supply.slope) == pytest.approx(tuple(theirs[1:]), rel=1e-9)
    assert temperature.low < -0.6 < temperature.high < 0.0
    assert supply.low < 2.0 < supply.high
    r2 = float(np.corrcoef(x[known], v[known])[0, 1]) ** 2
    assert temperature.inflation == pytest.approx(1.0 / (1.0 - r2), rel=1e-9)
    residual = y[known] - matrix @ theirs
    assert found.explained == pytest.approx(1 - residual.var() / y[known].var(), rel=1e-9)
    assert found.reason is None


def test_columns_that_moved_together_are_not_told_apart(rng: np.random.Generator) -> None:
    """A supply that sags with the heat."""
    x = 3.0 * wander(500, 0.9, rng)
    v = 12.0 - 0.05 * x + 0.001 * wander(500, 0.5, rng)
    found = correlation.correlate_columns(
        -0.6 * x, {"temperature": x, "supply": v}, least_span={"temperature": 1.0, "supply": 0.05}
    )
    assert found.reason == "cannot tell temperature and supply apart: they moved together"
    assert found.columns["supply"].reason == found.reason
    assert found.columns["supply"].inflation > 10.0


def test_column_that_is_another_one_is_no_division_by_nothing(rng: np.random.Generator) -> None:
    """The same thermometer twice, and nothing to fit at all."""
    x = rng.standard_normal(100)
    spans = {"one": 0.1, "two": 0.1}
    twice = correlation.correlate_columns(-x, {"one": x, "two": x}, least_span=spans)
    assert all(c.reason is not None for c in twice.columns.values())
    nothing = correlation.correlate_columns(np.full(100, np.nan), {"one": x}, least_span=spans)
    assert math.isnan(nothing.explained)
    assert nothing.columns["one"].samples == 0


def test_still_column_is_left_out_of_the_fit(rng: np.random.Generator) -> None:
    """The other's figures are those it has alone."""
    x, y = rng.standard_normal(200), rng.standard_normal(200)
    found = correlation.correlate_columns(
        y,
        {"temperature": x, "supply": np.full(200, 12.0)},
        least_span={"temperature": 1, "supply": 1},
    )
    alone = correlation.correlate(y, x, least_span=1.0)
    assert found.columns["temperature"].slope == pytest.approx(alone.slope)
    assert found.columns["temperature"].u_slope == pytest.approx(alone.u_slope)
    assert "hardly moved" in (found.columns["supply"].reason or "")
    flat = correlation.correlate_columns(np.ones(200), {"t": x}, least_span={"t": 1.0})
    assert math.isnan(flat.explained)


# --- a lag ----------------------------------------------------------------------------------------


def test_lag_of_a_box_behind_its_thermometer(rng: np.random.Generator) -> None:
    """12 minutes, found to the step; the interval is widened for the choice."""
    t = np.arange(1440) * 60.0
    x = 15.0 + 5.0 * np.sin(2 * np.pi * t / 86_400) + wander(1440, 0.98, rng)
    y = -0.6 * np.interp(t - 720.0, t, x) + 0.2 * wander(1440, 0.5, rng)
    found = correlation.correlate_lagged(
        t, y, t, x, oldest_s=120.0, longest_s=1800.0, step_s=60.0, least_span=1.0
    )
    assert found.lag_s == pytest.approx(720.0, abs=60.0)
    assert not found.at_bound
    assert found.tried == 31
    assert abs(found.lagged.pearson) > abs(found.unlagged.pearson)
    assert found.lagged.low < -0.6 < found.lagged.high
    assert found.lagged.confidence == pytest.approx(1 - 0.05 / 31)
    assert correlation.lag_text(found).startswith("follows 1")
    short = correlation.correlate_lagged(
        t, y, t, x, oldest_s=120.0, longest_s=300.0, step_s=60.0, least_span=1.0
    )
    assert short.at_bound
    assert correlation.lag_text(short) == "follows 5 min later or more"


def test_lags_of_nothing_and_of_none() -> None:
    """A bound of 0 tries one; no context tells nothing; bad bounds are refused."""
    t = np.arange(50) * 1.0
    x = np.sin(t * t)
    how: dict[str, Any] = {"oldest_s": 2.0, "step_s": 1.0, "least_span": 0.1}
    one = correlation.correlate_lagged(t, x, t, x, longest_s=0.0, **how)
    assert (one.tried, one.lag_s, one.at_bound) == (1, 0.0, False)
    assert correlation.lag_text(one) == "follows at once"
    none = correlation.correlate_lagged(t, x, [], [], longest_s=3.0, **how)
    assert correlation.lag_text(none).startswith("cannot tell")
    with pytest.raises(ValueError, match="step"):
        correlation.correlate_lagged(t, x, t, x, longest_s=1.0, **(how | {"step_s": 0.0}))
    with pytest.raises(ValueError, match="at most 1000"):
        correlation.correlate_lagged(t, x, t, x, longest_s=1e6, **how)


# --- texts ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("slope", "half", "scale", "text"),
    [
        (-620.0, 80.0, 1e-3, "−0.62 kHz per °C ± 0.08"),
        (-620.0, 156.0, 1e-3, "−0.62 kHz per °C ± 0.16"),
        (0.0312, 0.0049, 1.0, "0.031 kHz per °C ± 0.005"),
        (123.4, 41.0, 1.0, "123 kHz per °C ± 41"),
        (0.004, 0.05, -1.0, "0.00 kHz per °C ± 0.05"),
        (0.0, 0.0, 1.0, "0 kHz per °C ± 0"),
        (2.0, 0.0, 1.0, "2.0000 kHz per °C ± 0.0000"),
    ],
)
def test_slopes_in_words(slope: float, half: float, scale: float, text: str) -> None:
    """As many digits as the half width bears, a real minus sign, no minus zero."""
    base = correlation.correlate(np.arange(20.0) % 7, np.arange(20.0) % 3, least_span=1.0)
    found = dataclasses.replace(base, slope=slope, low=slope - half, high=slope + half)
    assert correlation.slope_text(found, unit="kHz", per="°C", scale=scale) == text


def test_whole_sentence_says_what_it_rests_on() -> None:
    """With chance named where it may be that."""
    base = correlation.correlate(np.arange(20.0) % 7, np.arange(20.0) % 3, least_span=1.0)
    found = dataclasses.replace(
        base, slope=-0.62, low=-0.70, high=-0.54, pearson=-0.93, samples=600, effective=14.2
    )
    assert correlation.correlation_text(found, unit="kHz", per="°C") == (
        "−0.62 kHz per °C ± 0.08 (95 %, correlation −0.93, 600 readings count as 14)"
    )
    chance = dataclasses.replace(found, slope=0.02, low=-0.06, high=0.10)
    text = correlation.correlation_text(chance, unit="kHz", per="°C")
    assert text.startswith("0.02 kHz per °C ± 0.08: no dependence seen (95 %")
