"""Least loss of a passband, told apart from the luckiest of its noisy readings."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.losscurve import LossCurve, largest_normal

__all__ = [
    "least_loss",
    "scatter_db",
    "steadied",
]

Float = NDArray[np.float64]

TOP_DB = 3.0
"""The top of a passband reaches so far up from its smallest reading, and noise on top of that."""

NEAR_DB = 10.0
"""Points so near to the least loss tell the noise of a passband."""

SMALLEST_HALF = 2
"""A parabola needs five points to leave anything that could be told from noise."""


def least_loss(curve: LossCurve, noise: Float, top: int) -> tuple[float, float, float]:
    """Least loss around the point ``top``, its standard uncertainty, and the frequency of it.

    The smallest reading is the answer for clean data; in noise it is the luckiest of many. There,
    parabolas are fitted all over the top with ever wider windows while noise explains what they
    leave (χ² within two of its standard deviations), and then with half that window, whose own
    error of shape is a sixteenth. The smallest of n equal values lies low all the same, by about
    the mean largest of n normal values, which is put back. To the uncertainty comes how much lower
    the curve may go between two points.

    Args:
        curve: at least one point.
        noise: (points,) standard deviation of each point; zeros for clean data.
        top: index of the smallest reading of a passband.

    Definition ours.
    """
    around = _top_points(curve, noise, top)
    between_db = _between_points_db(curve, top)
    if noise[top] <= 0 or around.size < 2 * SMALLEST_HALF + 1:
        u_db = math.hypot(float(noise[top]), between_db)
        return float(curve.loss_db[top]), u_db, float(curve.frequency_hz[top])
    half, widest = SMALLEST_HALF, 0
    slack = 1.0 + 2.0 * math.sqrt(2.0 / around.size)
    while 2 * half + 1 <= around.size:
        fits = _parabolas(curve, noise, around, half, max(1, half // 2))
        if float(fits.misfit.mean()) > slack:
            break
        widest, half = half, half + max(1, half // 3)
    if widest:
        half = max(SMALLEST_HALF, widest // 2)
        fits = _parabolas(curve, noise, around, half, max(1, half // 4))
        alike = max(1, half // 4) / (2 * half + 1)
    else:  # too few points for the shape: each stands for itself
        fits = _Fits(around, curve.loss_db[around], noise[around], np.zeros(around.size))
        alike = 1.0
    best = int(fits.loss_db.argmin())
    u_db = float(fits.u_db[best])
    equal = alike * np.count_nonzero(fits.loss_db <= fits.loss_db[best] + 2.0 * u_db)
    n = max(1.0, float(equal))
    place_hz = float(curve.frequency_hz[fits.centre[best]])
    return (
        float(fits.loss_db[best]) + u_db * largest_normal(n),
        math.hypot(u_db, between_db),
        place_hz,
    )


def _between_points_db(curve: LossCurve, top: int) -> float:
    """How much lower than the lowest point the curve may go beside it: an eighth of the second
    difference there, in a parabola halfway between two points."""
    if not 0 < top < curve.points - 1:
        return 0.0
    low, middle, high = curve.loss_db[top - 1 : top + 2].tolist()
    return float(max(low - middle, high - middle, 0.0)) / 8.0


def _top_points(curve: LossCurve, noise: Float, top: int) -> NDArray[np.intp]:
    """Indices around ``top`` up to where the loss is clearly, 3 dB, above it."""
    away = (curve.loss_db > curve.loss_db[top] + TOP_DB + 3.0 * noise[top]) | curve.at_least
    below, above = np.flatnonzero(away[:top]), np.flatnonzero(away[top:])
    first = int(below[-1]) + 1 if below.size else 0
    stop = top + int(above[0]) if above.size else curve.points
    return np.arange(first, stop)


@dataclass(frozen=True, slots=True)
class _Fits:
    """Parabolas about some points: their values there, and χ² per degree of freedom."""

    centre: NDArray[np.intp]
    loss_db: Float
    u_db: Float
    misfit: Float


def _parabolas(
    curve: LossCurve, noise: Float, around: NDArray[np.intp], half: int, stride: int
) -> _Fits:
    """Weighted least squares over 2 · ``half`` + 1 points of ``around``, every ``stride``."""
    centres = around[half : around.size - half : stride]
    rows = centres[:, None] + np.arange(-half, half + 1)
    x = curve.frequency_hz[rows] - curve.frequency_hz[centres][:, None]
    x = x / np.abs(x).max(axis=1)[:, None]
    loss, sigma = curve.loss_db[rows], noise[rows]
    design = np.stack((np.ones_like(x), x, x * x), axis=2) / sigma[:, :, None]
    covariance = np.linalg.inv(design.transpose(0, 2, 1) @ design)
    weighted = (loss / sigma)[:, :, None]
    found = covariance @ (design.transpose(0, 2, 1) @ weighted)
    residual = (weighted - design @ found)[:, :, 0]
    return _Fits(
        centres,
        found[:, 0, 0],
        np.sqrt(covariance[:, 0, 0]),
        (residual**2).sum(axis=1) / (2 * half - 2),
    )


def steadied(u_db: Float) -> Float:
    """Running median of 9: a reading that noise made large claims less noise, and would weigh more
    than its neighbours."""
    if not u_db.size:
        return u_db
    padded = np.pad(u_db, 4, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, 9), axis=1))


def scatter_db(curve: LossCurve) -> Float:
    """Noise of the points as far as the curve tells: (points,) of one standard deviation, in dB.

    From fourth differences, which take out any smooth shape: 1.4826 · median |Δ⁴| / √70, over the
    points within 10 dB of the least loss where there are enough of them. Zero for fewer than 9
    points. On an uneven axis the shape is taken out less well, so the estimate is high. Ours.
    """
    if curve.points < 9:
        return np.zeros(curve.points)
    fourth = np.abs(np.diff(curve.loss_db, 4))
    near = (curve.loss_db <= curve.loss_db.min() + NEAR_DB)[2:-2]
    taken = fourth[near] if np.count_nonzero(near) >= 9 else fourth
    return np.full(curve.points, 1.4826 * float(np.median(taken)) / math.sqrt(70.0))
