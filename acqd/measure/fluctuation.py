"""How unsteady an emission itself is from point to point, in one sweep.

A modulated carrier swept by a filter narrower than its modulation is seen as noise of its spectrum:
each point is one short look at it, and may be several decibels off its mean, however far the floor
lies below. A steady line is not: it shows the filter.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acqd.measure.peaks import reading_deviation_db
from acqd.measure.statistics import DB_PER_NEPER

__all__ = ["fluctuation", "sum_deviation_db"]

Float = NDArray[np.float64]

WITHIN_DB, ABOVE_FLOOR_DB, LEAST_WITHIN_DB = 20.0, 10.0, 6.0
"""Points so far below the highest and so far over the floor, and what lies between them, make up
the emission; with less than the last between the two nothing can be told."""

LEAST_POINTS = 7
"""Fewer points show four third differences at best: too few to tell."""

LEAST_DB = 0.3
"""A spread up to here is that of filters that are not quite Gaussian, and of steps of levels."""


def fluctuation(level_db: Float, *, floor_db: float = -math.inf, averages: float = 1.0) -> float:
    """Variance of one reading over its mean square, in power: 0 for what is steady, 1 for noise.

    From third differences in dB, which vanish for a line through a Gaussian filter and for a
    Gaussian spectrum, both parabolas in dB, on evenly spaced points. Spectra of lines that the
    filter tells apart count as unsteady.

    Args:
        level_db: (points,) evenly spaced, of one emission and what is beside it; NaN gives 0.
        floor_db, averages: of the noise, whose own part is taken out.

    Returns:
        0 as well for fewer than seven points within 20 dB of the highest, and for what stands less
        than 16 dB over the floor. A spread of 5.57 dB (single looks at noise) gives 0.97.

    Source: definition ours; that the logarithm of a gamma variable has the variance e^r − 1 within
    2 % is derived.
    """
    if level_db.size < LEAST_POINTS or not np.isfinite(level_db).all():
        return 0.0
    over_db = float(level_db.max()) - floor_db
    within_db = min(WITHIN_DB, over_db - ABOVE_FLOOR_DB)
    if within_db < LEAST_WITHIN_DB:
        return 0.0
    inside = np.flatnonzero(level_db > float(level_db.max()) - within_db)
    own = level_db[int(inside[0]) : int(inside[-1]) + 1]
    if own.size < LEAST_POINTS:
        return 0.0
    # 1 − 3 + 3 − 1 gives readings that do not resemble each other 20 times their variance.
    seen = float(np.mean(np.diff(own, 3) ** 2)) / 20.0
    # Of noise as large as this one may show twice: so few differences scatter.
    left = seen - 2.0 * reading_deviation_db(over_db - within_db, averages) ** 2
    return math.log1p(left / DB_PER_NEPER**2) if left > LEAST_DB**2 else 0.0


def sum_deviation_db(weight: Float, one: float, *, alike: float = 1.0) -> float:
    """Standard deviation in dB of a sum of powers whose readings fluctuate.

    Args:
        weight: (points,) the powers, not below 0.
        one: :func:`fluctuation` of each.
        alike: how many neighbours count as one reading, 1 or more.

    Returns:
        0 where nothing fluctuates, or nothing is there.
    """
    total = float(weight.sum())
    if one <= 0.0 or total <= 0.0:
        return 0.0
    share = min(1.0, alike * float((weight**2).sum()) / total**2)
    return DB_PER_NEPER * math.sqrt(math.expm1(one * share))
