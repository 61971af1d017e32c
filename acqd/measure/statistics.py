"""Statistics of noise in a swept receiver, and of counting, without SciPy.

A point that averages N independent noise samples in power has a level x, in units of the mean
power, that is Gamma(N)/N distributed: shape N, mean 1. Everything about floors and thresholds here
follows from that. N need not be whole: a video filter or overlapping windows give any N ≥ 1, and an
N that is fitted to data gives whatever fits.

What a detector makes of the noise is in :class:`NoiseModel`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector

__all__ = [
    "AVERAGES_LIMIT",
    "DB_AVERAGE_OF_NOISE_DB",
    "DB_PER_NEPER",
    "AveragesFrom",
    "NoiseModel",
    "PeakTail",
    "averages_from_spread",
    "detectable_over_floor_db",
    "false_alarm_of_any",
    "false_alarm_probability",
    "gamma_lower",
    "gamma_quantile",
    "gamma_upper",
    "gamma_upper_quantile",
    "lowest_mean_bias_db",
    "lowest_mean_deviation",
    "normal_quantile",
    "peak_quantile",
    "peak_spread_db",
    "peak_tail",
    "peak_upper",
    "peak_upper_quantile",
    "peaks_from_spread",
    "percentile_bias_db",
    "spread_db",
    "threshold_over_mean_db",
    "wilson_interval",
]

DB_PER_NEPER = 10.0 / math.log(10.0)
"""One unit of the natural logarithm of a power ratio, in dB."""

DB_AVERAGE_OF_NOISE_DB = DB_PER_NEPER * 0.5772156649015329
"""How far the mean of dB readings of Gaussian noise lies below its mean power: 2.50682 dB."""

AVERAGES_LIMIT = 1e4
"""Largest N that is told from the spread of data: above it quantisation and drift rule."""

_TINY = 1e-300
_ROUNDS = 100_000
"""Series and fractions below converge in about 6·sqrt(N) rounds; this is a stop, not a setting."""


def normal_quantile(probability: float) -> float:
    """z with P(Z ≤ z) = ``probability`` for a standard normal Z.

    The rational guess of Abramowitz and Stegun 26.2.23, good to 4.5e−4, then Newton's rule on the
    logarithm of the tail, which stays exact far out.

    Raises:
        ValueError: a probability outside 0..1, ends excluded.
    """
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability}")
    tail = min(probability, 1.0 - probability)
    t = math.sqrt(-2.0 * math.log(tail))
    z = t - (2.515517 + t * (0.802853 + t * 0.010328)) / (
        1.0 + t * (1.432788 + t * (0.189269 + t * 0.001308))
    )
    for _ in range(4):
        reached = 0.5 * math.erfc(z / math.sqrt(2.0))
        density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
        step = math.log(reached / tail) * reached / density
        z += step
        if abs(step) <= 1e-16 * abs(z):
            break
    return -z if probability < 0.5 else z


def wilson_interval(hits: int, trials: int, *, confidence: float = 0.95) -> tuple[float, float]:
    """Wilson score interval of a proportion: (low, high), each 0..1.

    No hits give exactly 0 below, all hits exactly 1 above, no trials (0, 1): nothing is known.

    Raises:
        ValueError: hits outside 0..trials, or a confidence outside 0..1.
    """
    if not 0 <= hits <= trials:
        raise ValueError(f"hits must lie in 0..trials, got {hits} of {trials}")
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    if trials == 0:
        return 0.0, 1.0
    z2 = normal_quantile(0.5 + confidence / 2.0) ** 2
    share = hits / trials
    centre = (share + z2 / (2 * trials)) / (1 + z2 / trials)
    half = math.sqrt(z2 * share * (1 - share) / trials + z2 * z2 / (4 * trials * trials))
    half /= 1 + z2 / trials
    low = 0.0 if hits == 0 else max(0.0, centre - half)
    high = 1.0 if hits == trials else min(1.0, centre + half)
    return low, high


# --- the gamma distribution, shape a > 0, scale 1 -------------------------------------------------


def _log_front(a: float, x: float) -> float:
    """log of x^a · e^−x / Γ(a): the factor that series and fraction share."""
    return a * math.log(x) - x - math.lgamma(a)


def _lower_series(a: float, x: float) -> float:
    """P(a, x) by its power series, for x < a + 1."""
    term = total = 1.0 / a
    for n in range(1, _ROUNDS):
        term *= x / (a + n)
        total += term
        if term < total * 1e-17:
            break
    return total * math.exp(_log_front(a, x))


def _upper_fraction(a: float, x: float) -> float:
    """Q(a, x) by its continued fraction, for x ≥ a + 1 (modified Lentz)."""
    b = x + 1.0 - a
    c = 1.0 / _TINY
    d = 1.0 / b
    h = d
    for n in range(1, _ROUNDS):
        an = -n * (n - a)
        b += 2.0
        d = an * d + b
        d = 1.0 / (d if abs(d) > _TINY else _TINY)
        c = b + an / c
        c = c if abs(c) > _TINY else _TINY
        h *= d * c
        if abs(d * c - 1.0) < 1e-16:
            break
    return h * math.exp(_log_front(a, x))


def _check_shape(shape: float) -> None:
    if not (shape > 0 and math.isfinite(shape)):
        raise ValueError(f"the shape (averages) must be above 0 and finite, got {shape}")


def gamma_lower(shape: float, x: float) -> float:
    """P(X ≤ x) for X ~ Gamma(shape): the regularised lower incomplete gamma function."""
    _check_shape(shape)
    if x <= 0:
        return 0.0
    if x < shape + 1.0:
        return min(1.0, _lower_series(shape, x))
    return 1.0 - _upper_fraction(shape, x)


def gamma_upper(shape: float, x: float) -> float:
    """P(X > x) for X ~ Gamma(shape), accurate far out where 1 − P would be nothing."""
    _check_shape(shape)
    if x <= 0:
        return 1.0
    if x < shape + 1.0:
        return max(0.0, 1.0 - _lower_series(shape, x))
    return _upper_fraction(shape, x)


def _solve(shape: float, log_goal: float, *, upper: bool) -> float:
    """x where log of the tail equals ``log_goal``: Newton on log x, kept inside a bracket."""
    z = normal_quantile(min(max(math.exp(log_goal), 1e-300), 1 - 1e-16))
    z = -z if upper else z
    # Wilson and Hilferty: the cube root of a gamma variable is nearly normal.
    guess = shape * max(1e-3, 1.0 - 1.0 / (9.0 * shape) + z / (3.0 * math.sqrt(shape))) ** 3
    low, high = 0.0, math.inf
    x = guess
    tail = gamma_upper if upper else gamma_lower
    for _ in range(200):
        value = tail(shape, x)
        error = (math.log(value) if value > 0 else -1e3) - log_goal
        if error == 0.0:
            break
        if (error > 0) == upper:
            low = x
        else:
            high = x
        slope = math.exp(_log_front(shape, x)) / max(value, _TINY)  # d log(tail) / d log(x)
        step = error / slope if slope > 0 else math.inf
        step = step if upper else -step
        new = x * math.exp(step) if abs(step) < 2.0 else math.nan
        if not low < new < high:
            new = 2.0 * max(low, x) if math.isinf(high) else 0.5 * (low + high)
        if abs(new - x) <= 1e-15 * x:
            return new
        x = new
    return x


@lru_cache(maxsize=4096)
def gamma_quantile(shape: float, probability: float) -> float:
    """x with P(X ≤ x) = ``probability`` for X ~ Gamma(shape).

    Raises:
        ValueError: a probability outside 0..1, ends excluded.
    """
    _check_shape(shape)
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability}")
    if probability > 0.5:
        return _solve(shape, math.log1p(-probability), upper=True)
    return _solve(shape, math.log(probability), upper=False)


@lru_cache(maxsize=1024)
def gamma_upper_quantile(shape: float, probability: float) -> float:
    """x with P(X > x) = ``probability``: for small probabilities, where 1 − p would round to 1."""
    _check_shape(shape)
    if not 0.0 < probability < 1.0:
        raise ValueError(f"probability must lie between 0 and 1, got {probability}")
    if probability > 0.5:
        return _solve(shape, math.log1p(-probability), upper=False)
    return _solve(shape, math.log(probability), upper=True)


# --- thresholds -----------------------------------------------------------------------------------


def threshold_over_mean_db(false_alarm: float, averages: float) -> float:
    """Threshold above the mean noise power that one point of noise passes with ``false_alarm``."""
    return DB_PER_NEPER * math.log(gamma_upper_quantile(averages, false_alarm) / averages)


def false_alarm_probability(threshold_db: float, averages: float) -> float:
    """Probability that one point of noise lies above ``threshold_db`` over the mean power."""
    return gamma_upper(averages, averages * 10.0 ** (threshold_db / 10.0))


def false_alarm_of_any(probability: float, points: float) -> float:
    """Probability that any of ``points`` independent points is a false alarm: 1 − (1 − p)^K."""
    if probability >= 1.0:
        return 1.0
    return -math.expm1(points * math.log1p(-probability))


def detectable_over_floor_db(threshold_db: float, averages: float, probability: float) -> float:
    """Level of a steady carrier over the mean noise power that is seen with ``probability``.

    The carrier of power s (noise mean 1) reads s + 1 with variance (2s + 1)/N. That is taken as
    normal, which is exact for large N; a test holds it to 0.6 dB down to N = 1 for 50 and 95 %.
    """
    over = 10.0 ** (threshold_db / 10.0)
    z = normal_quantile(probability)
    k = z * z / averages
    # (s + 1 − T)² = k · (2s + 1), the root on the side that z asks for.
    root = math.sqrt(max(0.0, k * k + k * (2.0 * over - 1.0)))
    s = over - 1.0 + k + math.copysign(root, z)
    return DB_PER_NEPER * math.log(max(s, 1e-3))


# --- the largest of M readings --------------------------------------------------------------------

PEAKS_LIMIT = 1e12
"""Largest M that is told from the spread of data, which falls only as 1/log M."""


def peak_quantile(peaks: float, probability: float) -> float:
    """x with P(X ≤ x) = ``probability`` for the largest X of M exponentials: (1 − e^−x)^M."""
    return -math.log(-math.expm1(math.log(probability) / peaks))


def peak_upper_quantile(peaks: float, probability: float) -> float:
    """x with P(X > x) = ``probability``, exact far out."""
    return -math.log(-math.expm1(math.log1p(-probability) / peaks))


def peak_upper(peaks: float, x: float) -> float:
    """P(X > x) = 1 − (1 − e^−x)^M."""
    if x <= 0:
        return 1.0
    below = math.log1p(-math.exp(-x)) if x > 0.7 else math.log(-math.expm1(-x))
    return -math.expm1(peaks * below)


def peak_spread_db(peaks: float) -> float:
    """Median less 20 % point in dB: 4.92 at M = 1, 1.39 at 20, 0.81 at 100, 0.13 at the limit."""
    return DB_PER_NEPER * math.log(peak_quantile(peaks, 0.5) / peak_quantile(peaks, 0.2))


def peaks_from_spread(spread: float) -> float:
    """M whose largest readings have this :func:`peak_spread_db`; 1 to :data:`PEAKS_LIMIT`."""
    low, high = 0.0, math.log(PEAKS_LIMIT)
    if spread >= peak_spread_db(1.0):
        return 1.0
    if spread <= peak_spread_db(PEAKS_LIMIT):
        return PEAKS_LIMIT
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if peak_spread_db(math.exp(middle)) > spread else (low, middle)
    return math.exp(0.5 * (low + high))


@dataclass(frozen=True, slots=True)
class PeakTail:
    """The upper tail of peak readings, above the mean of their lowest fifth.

    The lower half of peak readings fits a gamma distribution of some N well; the upper tail does
    not: it falls like e^−x and not like the N-th power of that. So floors go by N, and thresholds
    by M, which is fitted to the same spread. Where that is smaller than any M gives (readings that
    were averaged first) the tail at the limit is taken, narrower in proportion.
    """

    peaks: float
    lowest_db: float
    """Mean of the lowest fifth, in dB re the mean of one reading."""
    narrower: float

    def over_lowest_db(self, false_alarm: float) -> float:
        x = peak_upper_quantile(self.peaks, false_alarm)
        return self.narrower * (DB_PER_NEPER * math.log(x) - self.lowest_db)

    def false_alarm(self, over_lowest_db: float) -> float:
        level_db = over_lowest_db / self.narrower + self.lowest_db
        return peak_upper(self.peaks, math.exp(min(level_db / DB_PER_NEPER, 700.0)))


@lru_cache(maxsize=256)
def peak_tail(averages: float) -> PeakTail:
    """The tail of peak readings whose spread is that of noise of N = ``averages``."""
    spread = spread_db(averages)
    peaks = peaks_from_spread(spread)
    # E[x | x ≤ x_0.2] by the middle of 1000 slices of equal probability.
    u = (np.arange(1000) + 0.5) * (0.2 / 1000)
    lowest = float(np.mean(-np.log(-np.expm1(np.log(u) / peaks))))
    narrower = min(1.0, spread / peak_spread_db(peaks))
    return PeakTail(peaks, DB_PER_NEPER * math.log(lowest), narrower)


# --- bias and spread of floor estimators ----------------------------------------------------------


@lru_cache(maxsize=4096)
def lowest_mean_bias_db(fraction: float, averages: float) -> float:
    """Mean power of the lowest ``fraction`` of the points, in dB re the true mean power (≤ 0).

    With x_f the f-quantile of Gamma(N): E[x/N | x ≤ x_f] = P(N+1, x_f)/f.
    """
    if fraction >= 1.0:
        return 0.0
    x = gamma_quantile(averages, fraction)
    return DB_PER_NEPER * math.log(gamma_lower(averages + 1.0, x) / fraction)


@lru_cache(maxsize=4096)
def lowest_mean_deviation(fraction: float, averages: float) -> float:
    """Relative standard deviation of that mean for one point; divide by √(independent points).

    Asymptotic variance of a one-sided trimmed mean: (V_f + (1 − f)(x_f − m_f)²)/(f · K).
    """
    if fraction >= 1.0:
        return 1.0 / math.sqrt(averages)
    x = gamma_quantile(averages, fraction)
    mean = gamma_lower(averages + 1.0, x) / fraction
    square = (averages + 1.0) / averages * gamma_lower(averages + 2.0, x) / fraction
    inside = max(0.0, square - mean * mean)
    variance = (inside + (1.0 - fraction) * (x / averages - mean) ** 2) / fraction
    return math.sqrt(variance) / mean


def percentile_bias_db(fraction: float, averages: float) -> float:
    """The quantile of ``fraction`` itself, in dB re the true mean power (median: fraction 0.5)."""
    return DB_PER_NEPER * math.log(gamma_quantile(averages, fraction) / averages)


def spread_db(averages: float) -> float:
    """Median less 20 % point of noise, in dB: 4.92 at N = 1, 1.23 at 10, 0.37 at 100."""
    return percentile_bias_db(0.5, averages) - percentile_bias_db(0.2, averages)


@lru_cache(maxsize=1)
def _spread_table() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """(log spread rising, log N): 65 points from N = 1/4 to the limit, straight in log-log."""
    log_n = np.linspace(math.log(0.25), math.log(AVERAGES_LIMIT), 65)
    log_spread = np.array([math.log(spread_db(math.exp(x))) for x in log_n])
    return log_spread[::-1].copy(), log_n[::-1].copy()


def averages_from_spread(spread: float) -> float:
    """N whose noise has this :func:`spread_db`; clipped to 1/4 … :data:`AVERAGES_LIMIT`."""
    log_spread, log_n = _spread_table()
    if not spread > 0:
        return AVERAGES_LIMIT
    return float(np.exp(np.interp(math.log(spread), log_spread, log_n)))


# --- what a detector makes of noise ---------------------------------------------------------------


class AveragesFrom(StrEnum):
    """Who says how many samples a point averages."""

    STATED = "stated"
    ESTIMATED = "estimated"
    ASSUMED = "assumed"


def _trigamma(x: float) -> float:
    total = 0.0
    while x < 12.0:
        total += 1.0 / (x * x)
        x += 1.0
    y = 1.0 / (x * x)
    return total + 1.0 / x + y / 2 + y / x * (1 / 6 - y * (1 / 30 - y * (1 / 42 - y / 30)))


def _digamma(x: float) -> float:
    total = 0.0
    while x < 12.0:
        total -= 1.0 / x
        x += 1.0
    y = 1.0 / (x * x)
    return total + math.log(x) - 0.5 / x - y * (1 / 12 - y * (1 / 120 - y / 252))


@lru_cache(maxsize=256)
def _shape_of_db_mean(readings: float) -> float:
    """Shape a whose log-gamma has the variance of a mean of ``readings`` dB readings."""
    goal = (math.pi**2 / 6.0) / readings
    a = readings
    for _ in range(60):
        low = _trigamma(a) - goal
        slope = (_trigamma(a * (1 + 1e-6)) - _trigamma(a)) / (a * 1e-6)
        new = max(a * 0.3, a - low / slope)
        if abs(new - a) <= 1e-13 * a:
            return new
        a = new
    return a


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseModel:
    """How noise reads through a detector.

    ``shape`` is the N of the gamma distribution that the readings follow, in dB the same for power
    and dB averaging. ``mean_to_power_db`` is what to add to the displayed mean of that
    distribution to get the true noise power; None where nobody can tell.
    """

    detector: Detector | None
    shape: float
    averages_from: AveragesFrom
    mean_to_power_db: float | None
    note: str

    def threshold_over_mean_db(self, false_alarm: float) -> float:
        """Threshold above the displayed mean that one point of noise passes with ``false_alarm``
        at most."""
        over_db = threshold_over_mean_db(false_alarm, self.shape)
        if self._may_be_peaks:
            bias_db = lowest_mean_bias_db(0.2, self.shape)
            over_db = max(over_db, bias_db + peak_tail(self.shape).over_lowest_db(false_alarm))
        return over_db

    def false_alarm_probability(self, threshold_db: float) -> float:
        """Probability, at most, that one point of noise lies ``threshold_db`` above that mean."""
        probability = false_alarm_probability(threshold_db, self.shape)
        if self._may_be_peaks:
            over_db = threshold_db - lowest_mean_bias_db(0.2, self.shape)
            probability = max(probability, peak_tail(self.shape).false_alarm(over_db))
        return probability

    @property
    def _may_be_peaks(self) -> bool:
        return self.detector is None or self.detector is Detector.POSITIVE

    @classmethod
    def stated(cls, detector: Detector | None, averages: float) -> NoiseModel:
        """The model for a stated number of averaged readings.

        Readings averaged in dB (detector ``average``) follow a log-gamma very nearly: its shape is
        taken so that the variance agrees, and its mean lies 10γ/ln 10 below the power.
        """
        if detector is Detector.AVERAGE:
            return cls.of_shape(detector, _shape_of_db_mean(averages), AveragesFrom.STATED)
        return cls.of_shape(detector, averages, AveragesFrom.STATED)

    @classmethod
    def of_shape(
        cls, detector: Detector | None, shape: float, averages_from: AveragesFrom
    ) -> NoiseModel:
        """The model for a shape that is known or was fitted to the spread of data."""
        if detector in (Detector.POSITIVE, Detector.NEGATIVE):
            reads = "over" if detector is Detector.POSITIVE else "under"
            to_power = None
            note = f"{detector} peak {reads}-reads noise by an unknown amount: floor as displayed"
        elif detector is Detector.AVERAGE:
            to_power = DB_AVERAGE_OF_NOISE_DB + DB_PER_NEPER * (_digamma(shape) - math.log(shape))
            note = "dB averages read noise up to 2.51 dB low: corrected"
        else:
            to_power = 0.0
            assumed = " (detector not stated: assumed; threshold also holds for peaks)"
            assumed = assumed if detector is None else ""
            note = f"readings averaged in power{assumed}"
        return cls(
            detector=detector,
            shape=shape,
            averages_from=averages_from,
            mean_to_power_db=to_power,
            note=note,
        )
