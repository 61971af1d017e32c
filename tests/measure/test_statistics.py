"""Noise statistics: against SciPy, against counting, and at their edges."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from acqd.measure import statistics
from acqd.sweep import Detector

SHAPES = [0.25, 0.5, 1.0, 1.7, 2.0, 5.0, 10.0, 33.3, 100.0, 1000.0, 10_000.0]
TAILS = [1e-12, 1e-6, 0.01, 0.2, 0.5, 0.8, 0.999]


@pytest.mark.parametrize("shape", SHAPES)
def test_gamma_functions_agree_with_scipy(shape: float) -> None:
    """Lower and upper tail, from far left to far right."""
    for x in shape * np.array([1e-3, 0.3, 0.9, 1.0, 1.1, 2.0, 5.0]):
        lower, upper = statistics.gamma_lower(shape, x), statistics.gamma_upper(shape, x)
        assert lower == pytest.approx(special.gammainc(shape, x), rel=1e-10, abs=1e-300)
        assert upper == pytest.approx(special.gammaincc(shape, x), rel=1e-10, abs=1e-300)


@pytest.mark.parametrize("shape", SHAPES)
def test_gamma_quantiles_agree_with_scipy(shape: float) -> None:
    """Both quantiles, real and whole N, down to 1e−12."""
    for tail in TAILS:
        lower = statistics.gamma_quantile(shape, tail)
        upper = statistics.gamma_upper_quantile(shape, tail)
        assert lower == pytest.approx(stats.gamma.ppf(tail, shape), rel=1e-10)
        assert upper == pytest.approx(stats.gamma.isf(tail, shape), rel=1e-10)


@pytest.mark.parametrize("probability", [1e-300, 1e-12, 1e-3, 0.2, 0.5, 0.7, 0.975, 1 - 1e-12])
def test_normal_quantile_agrees_with_scipy(probability: float) -> None:
    """From the far left to the far right."""
    found = statistics.normal_quantile(probability)
    assert found == pytest.approx(stats.norm.ppf(probability), rel=1e-12, abs=1e-15)


def test_gamma_at_nothing() -> None:
    """Nothing lies below 0 and everything above it."""
    assert statistics.gamma_lower(3.0, 0.0) == 0.0
    assert statistics.gamma_upper(3.0, -1.0) == 1.0


@pytest.mark.parametrize("shape", [0.0, -1.0, math.inf, math.nan])
def test_impossible_shapes_are_refused(shape: float) -> None:
    """N must be above 0 and finite."""
    with pytest.raises(ValueError, match="averages"):
        statistics.gamma_lower(shape, 1.0)


@pytest.mark.parametrize("probability", [0.0, 1.0, -0.1, math.nan])
def test_impossible_probabilities_are_refused(probability: float) -> None:
    """A quantile of certainty does not exist."""
    with pytest.raises(ValueError, match="probability"):
        statistics.gamma_quantile(2.0, probability)
    with pytest.raises(ValueError, match="probability"):
        statistics.gamma_upper_quantile(2.0, probability)
    with pytest.raises(ValueError, match="probability"):
        statistics.normal_quantile(probability)


@given(st.integers(0, 500), st.integers(0, 500), st.sampled_from([0.8, 0.95, 0.99]))
def test_wilson_agrees_with_scipy(hits: int, misses: int, confidence: float) -> None:
    """The score interval of SciPy, for any counts."""
    trials = hits + misses
    low, high = statistics.wilson_interval(hits, trials, confidence=confidence)
    assert 0.0 <= low <= high <= 1.0
    if trials:
        theirs = stats.binomtest(hits, trials).proportion_ci(confidence, method="wilson")
        assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)
        assert low <= hits / trials <= high


def test_wilson_is_exact_at_the_ends() -> None:
    """Never seen gives 0, always seen 1, never looked everything."""
    assert statistics.wilson_interval(0, 10)[0] == 0.0
    assert statistics.wilson_interval(10, 10)[1] == 1.0
    assert statistics.wilson_interval(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("hits", "trials"), [(-1, 5), (6, 5)])
def test_wilson_refuses_impossible_counts(hits: int, trials: int) -> None:
    """Hits cannot outnumber trials."""
    with pytest.raises(ValueError, match="hits"):
        statistics.wilson_interval(hits, trials)


def test_wilson_refuses_impossible_confidence() -> None:
    """Certainty is not on offer."""
    with pytest.raises(ValueError, match="confidence"):
        statistics.wilson_interval(1, 5, confidence=1.0)


@pytest.mark.parametrize("averages", [1.0, 3.0, 10.0, 100.0])
@pytest.mark.parametrize("false_alarm", [1e-2, 1e-3])
def test_threshold_keeps_its_false_alarm_rate(
    noise_db: Callable[..., NDArray[np.float64]], averages: float, false_alarm: float
) -> None:
    """Counted on half a million points of noise; four standard deviations are allowed."""
    points = 500_000
    over = statistics.threshold_over_mean_db(false_alarm, averages)
    hits = int((noise_db(points, averages=averages, mean_db=0.0) > over).sum())
    assert abs(hits - points * false_alarm) < 4 * math.sqrt(points * false_alarm)
    assert statistics.false_alarm_probability(over, averages) == pytest.approx(false_alarm)


def test_any_of_many_points_alarms_more_often() -> None:
    """1 − (1 − p)^K, without losing small p, and never above 1."""
    assert statistics.false_alarm_of_any(1e-15, 1000) == pytest.approx(1e-12)
    assert statistics.false_alarm_of_any(1.0, 3) == 1.0


@pytest.mark.parametrize("averages", [1, 3, 10, 100])
@pytest.mark.parametrize("probability", [0.5, 0.95])
@pytest.mark.parametrize("false_alarm", [1e-3, 1e-7])
def test_detectable_level_is_seen_as_often_as_said(
    rng: np.random.Generator, averages: int, probability: float, false_alarm: float
) -> None:
    """A carrier in complex Gaussian noise: the level said is within 0.6 dB of the one needed."""
    over = statistics.threshold_over_mean_db(false_alarm, averages)
    level_db = statistics.detectable_over_floor_db(over, averages, probability)
    noise = rng.normal(scale=math.sqrt(0.5), size=(10_000, averages, 2))
    noise[..., 0] += 10.0 ** (level_db / 20.0)
    reading_db = 10.0 * np.log10((noise**2).sum(axis=2).mean(axis=1))
    reached_db = float(np.quantile(reading_db, 1.0 - probability))
    assert reached_db == pytest.approx(over, abs=0.6)


@pytest.mark.parametrize("averages", [1.0, 2.0, 10.0])
def test_estimator_biases_are_what_counting_gives(
    noise_db: Callable[..., NDArray[np.float64]], averages: float
) -> None:
    """Lowest-20 % mean, its scatter, and the 20 % point, on sorted noise."""
    rows = np.sort(noise_db(2000, 500, averages=averages, mean_db=0.0), axis=1)
    means = (10.0 ** (rows[:, :100] / 10.0)).mean(axis=1)
    bias_db = 10.0 * np.log10(means.mean())
    assert bias_db == pytest.approx(statistics.lowest_mean_bias_db(0.2, averages), abs=0.06)
    scatter = float(means.std() / means.mean())
    said = statistics.lowest_mean_deviation(0.2, averages) / math.sqrt(500)
    assert scatter == pytest.approx(said, rel=0.05)
    point_db = float(np.quantile(rows, 0.2))
    assert point_db == pytest.approx(statistics.percentile_bias_db(0.2, averages), abs=0.03)


def test_whole_of_the_noise_has_no_bias() -> None:
    """All points together are the mean, with the scatter of any mean."""
    assert statistics.lowest_mean_bias_db(1.0, 4.0) == 0.0
    assert statistics.lowest_mean_deviation(1.0, 4.0) == 0.5


@pytest.mark.parametrize("averages", [0.25, 1.0, 2.5, 10.0, 300.0, 10_000.0])
def test_spread_gives_back_its_averages(averages: float) -> None:
    """Table and interpolation are inverse to the spread within 0.3 %."""
    spread = statistics.spread_db(averages)
    assert statistics.averages_from_spread(spread) == pytest.approx(averages, rel=3e-3)


def test_no_spread_is_as_many_averages_as_can_be() -> None:
    """A quantised or silent trace says nothing finer than the limit."""
    assert statistics.averages_from_spread(0.0) == statistics.AVERAGES_LIMIT
    assert statistics.averages_from_spread(math.nan) == statistics.AVERAGES_LIMIT


@pytest.mark.parametrize("readings", [1, 2, 4, 10, 50])
def test_db_averages_are_brought_to_power(rng: np.random.Generator, readings: int) -> None:
    """Mean of dB readings: floor within 0.05 dB, threshold within 0.35 dB, for any count."""
    model = statistics.NoiseModel.stated(Detector.AVERAGE, readings)
    level_db = 10.0 * np.log10(rng.exponential(size=(100_000, readings))).mean(axis=1)
    assert model.mean_to_power_db is not None
    lowest = np.sort(level_db)[:20_000]
    floor_db = 10.0 * np.log10((10.0 ** (lowest / 10.0)).mean())
    floor_db += model.mean_to_power_db - statistics.lowest_mean_bias_db(0.2, model.shape)
    assert floor_db == pytest.approx(0.0, abs=0.05)
    threshold_db = float(np.quantile(level_db, 0.999)) + model.mean_to_power_db
    said_db = statistics.threshold_over_mean_db(1e-3, model.shape)
    assert threshold_db == pytest.approx(said_db, abs=0.35)


def test_peak_detectors_cannot_tell_power() -> None:
    """Nobody knows how many readings the peak was taken over."""
    model = statistics.NoiseModel.stated(Detector.POSITIVE, 1.0)
    assert model.mean_to_power_db is None
    assert "as displayed" in model.note


def test_unstated_detector_is_said_to_be_assumed() -> None:
    """Power statistics are taken, and the note says so."""
    assert "assumed" in statistics.NoiseModel.stated(None, 1.0).note
    assert statistics.NoiseModel.stated(Detector.RMS, 1.0).mean_to_power_db == 0.0


@pytest.mark.parametrize("peaks", [1.0, 2.5, 20.0, 1e3, 1e9])
def test_peak_functions_agree_with_the_power_of_an_exponential(peaks: float) -> None:
    """(1 − e^−x)^M is SciPy's exponentiated Weibull of shape 1."""
    law = stats.exponweib(peaks, 1.0)
    for tail in (1e-9, 1e-4, 0.2, 0.5):
        assert statistics.peak_quantile(peaks, tail) == pytest.approx(law.ppf(tail), rel=1e-7)
        x = statistics.peak_upper_quantile(peaks, tail)
        assert statistics.peak_upper(peaks, x) == pytest.approx(tail, rel=1e-9)
        if tail > 1e-5:
            assert law.sf(x) == pytest.approx(tail, rel=1e-6)
    assert statistics.peak_upper(peaks, 0.0) == 1.0


@pytest.mark.parametrize("peaks", [1.0, 3.0, 100.0, 1e6])
def test_how_many_readings_a_peak_is_of_follows_from_its_spread(peaks: float) -> None:
    """There and back; beyond both ends the nearest."""
    found = statistics.peaks_from_spread(statistics.peak_spread_db(peaks))
    assert found == pytest.approx(peaks, rel=1e-6)
    assert statistics.peaks_from_spread(9.0) == 1.0
    assert statistics.peaks_from_spread(0.0) == statistics.PEAKS_LIMIT


def test_a_peaks_tail_is_its_own_inverse() -> None:
    """Threshold and false alarm belong together, also where the tail is narrowed."""
    for averages in (1.0, 10.0, 300.0, 9999.0):
        tail = statistics.peak_tail(averages)
        for wanted in (1e-2, 1e-7, 1e-12):
            over_db = tail.over_lowest_db(wanted)
            assert tail.false_alarm(over_db) == pytest.approx(wanted, rel=1e-6)
        assert tail.false_alarm(-1e3) == 1.0 and tail.false_alarm(1e4) == 0.0
