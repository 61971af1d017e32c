"""How the samples inside one point become one reading, with the statistics that they have.

Power of Gaussian noise behind a filter is exponential; one point holds n = ENB × bucket time
independent samples (trade practice), and a video filter takes the mean of the dB readings of v of
them. Where there is nothing but noise the reading is drawn at once from its own distribution,
whatever n is; where there are signals, the looks are made one by one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector

__all__ = ["DB_PER_NEPER", "LOOKS_MAX", "Sampling", "noise_db", "shape_for", "signal_db"]

Float = NDArray[np.float64]

DB_PER_NEPER = 10.0 / math.log(10.0)
EULER = 0.5772156649015329
LOOKS_MAX = 64
"""Looks made one by one in a point that holds a signal; more samples than that are not told apart.
Keeps the worst sweep (10,001 points, every one with a signal) at 640,000 looks."""
TINY = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class Sampling:
    """How a point is sampled: ``samples`` independent ones, ``video`` of them to one reading."""

    detector: Detector
    samples: int
    video: int

    @property
    def looks(self) -> int:
        """Looks to make one by one where there is a signal."""
        if self.detector is Detector.SAMPLE and self.video == 1:
            return 1
        wanted = min(self.samples, LOOKS_MAX)
        if self.detector is Detector.SAMPLE:
            return min(self.video, LOOKS_MAX)
        group = min(self.video, wanted)
        return wanted - wanted % group if self.uses_video else wanted

    @property
    def uses_video(self) -> bool:
        """The rms detector stands before the video filter and is not touched by it."""
        return self.detector is not Detector.RMS and self.video > 1


def _trigamma(x: float) -> float:
    """ψ′(x) for x > 0: recurrence up to 8, then the asymptotic series."""
    total = 0.0
    while x < 8.0:
        total += 1.0 / (x * x)
        x += 1.0
    y = 1.0 / (x * x)
    return total + 1.0 / x + y / 2.0 + y / x * (1.0 / 6.0 - y * (1.0 / 30.0 - y / 42.0))


def _digamma(x: float) -> float:
    """ψ(x) for x > 0, likewise."""
    total = 0.0
    while x < 8.0:
        total -= 1.0 / x
        x += 1.0
    y = 1.0 / (x * x)
    return total + math.log(x) - 0.5 / x - y * (1.0 / 12.0 - y * (1.0 / 120.0 - y / 252.0))


@lru_cache(maxsize=64)
def shape_for(count: int) -> tuple[float, float]:
    """Shape k of the gamma whose logarithm stands for the mean of ``count`` log-exponentials.

    k solves ψ′(k) = (π²/6)/count, so the spread is exact; the second value, −γ − ψ(k), brings the
    mean to that of one log-exponential (−γ). For count = 1 it is k = 1, which is exact throughout.
    """
    wanted = math.pi**2 / 6.0 / count
    low, high = 0.5, 2.0 * count + 1.0
    for _ in range(80):
        middle = (low + high) / 2.0
        low, high = (middle, high) if _trigamma(middle) > wanted else (low, middle)
    shape = 1.0 if count == 1 else (low + high) / 2.0
    return shape, -EULER - _digamma(shape)


def _log_mean(rng: np.random.Generator, size: tuple[int, ...], count: int) -> Float:
    """Means of ``count`` log-exponential readings each, in neper."""
    shape, offset = shape_for(count)
    return np.asarray(np.log(np.maximum(rng.standard_gamma(shape, size), TINY)) + offset)


def noise_db(rng: np.random.Generator, points: int, sampling: Sampling) -> Float:
    """Readings of pure noise in dB relative to its true mean power, float64 (points,)."""
    n, detector = sampling.samples, sampling.detector
    if detector is Detector.RMS:
        return np.asarray(DB_PER_NEPER * np.log(rng.standard_gamma(n, points) / n))
    if detector is Detector.SAMPLE:
        return DB_PER_NEPER * _log_mean(rng, (points,), sampling.video)
    if detector is Detector.AVERAGE:
        return DB_PER_NEPER * _log_mean(rng, (points,), max(n, sampling.video))
    if sampling.uses_video:
        looks = min(max(1, n // sampling.video), LOOKS_MAX)
        several = _log_mean(rng, (points, looks), sampling.video)
        peak = several.max(axis=1) if detector is Detector.POSITIVE else several.min(axis=1)
        return np.asarray(DB_PER_NEPER * peak)
    if detector is Detector.NEGATIVE:
        power = rng.standard_exponential(points) / n
    else:
        # the largest of n exponentials: its distribution function is (1 − e^−x)^n
        power = -np.log(-np.expm1(-rng.standard_exponential(points) / n))
    return np.asarray(DB_PER_NEPER * np.log(np.maximum(power, TINY)))


def signal_db(
    rng: np.random.Generator, field: NDArray[np.complex128], noise_mw: Float, sampling: Sampling
) -> Float:
    """Readings in dBm of points that hold signals.

    Args:
        field: (points, looks) sum of the signals behind the filter, |field|² in mW.
        noise_mw: (points,) mean power of the noise behind the filter.
    """
    points, looks = field.shape
    if sampling.detector is Detector.RMS:
        # each look stands for samples/looks of them: mean power of signal and noise together
        each = max(1.0, sampling.samples / looks)
        signal = field.real**2 + field.imag**2
        noise = noise_mw[:, None] * rng.standard_gamma(each, (points, looks)) / each
        beat = np.sqrt(2.0 * signal * noise_mw[:, None] / each)
        beat *= rng.standard_normal((points, looks))
        # the normal beat may pass below what two powers can give, so the mean is kept positive
        power = np.maximum((signal + noise + beat).mean(axis=1), 1e-3 * noise_mw + TINY)
        return np.asarray(DB_PER_NEPER * np.log(power))
    noise = rng.standard_normal((2, points, looks)) * np.sqrt(noise_mw / 2.0)[:, None]
    power = (field.real + noise[0]) ** 2 + (field.imag + noise[1]) ** 2
    reading = DB_PER_NEPER * np.log(np.maximum(power, TINY))
    if sampling.uses_video:
        group = min(sampling.video, looks)
        reading = reading.reshape(points, looks // group, group).mean(axis=2)
    if sampling.detector is Detector.POSITIVE:
        return np.asarray(reading.max(axis=1))
    if sampling.detector is Detector.NEGATIVE:
        return np.asarray(reading.min(axis=1))
    return np.asarray(reading.mean(axis=1))
