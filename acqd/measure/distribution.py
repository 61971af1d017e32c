"""How often which level: counts per frequency, percentiles, and the amplitude probability.

Levels are counted in classes of a fixed step whose middles are the multiples of it, so counts made
at different times, or of different levels, add up exactly. The classes kept reach from the lowest
to the highest level seen, 256 at most; what lies beyond is counted in the outermost one, and how
much that was is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CLASSES_LIMIT",
    "MISSING",
    "LevelCounts",
    "bins_of",
    "classes_of",
    "count_levels",
    "exceeded_level",
    "exceeded_share",
    "merge_counts",
    "rms_over_mean_db",
]

Float = NDArray[np.float64]

CLASSES_LIMIT = 256
"""Most classes that are kept: 128 dB in steps of half a decibel."""

BELOW_FIRST = 24
"""Classes kept free below the lowest of the first levels, where the range has to be limited."""

MISSING = np.int16(-32768)
"""Class of a level that is not there."""

FURTHEST = 16_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCounts:
    """Counts of levels: ``counts`` uint32 (bins, classes). Class ``first`` + i has its middle at
    (``first`` + i)·``step``. ``clipped`` levels lay beyond the classes."""

    step: float
    first: int
    counts: NDArray[np.uint32]
    clipped: int = 0

    @property
    def middles(self) -> Float:
        """Middle of each class, (classes,)."""
        return np.asarray((self.first + np.arange(self.counts.shape[1])) * self.step)


def bins_of(points: int, limit: int = 512) -> NDArray[np.intp]:
    """Bin of each point, (points,): neighbours share one where there are more than ``limit``."""
    bins = min(limit, points)
    starts = (np.arange(bins) * points) // max(1, bins)
    of_point = np.zeros(points, dtype=np.intp)
    of_point[starts[1:]] = 1
    return np.cumsum(of_point, dtype=np.intp)


def classes_of(level: Float, step: float) -> NDArray[np.int16]:
    """Class of each level, of any shape; :data:`MISSING` for NaN. The nearest multiple of
    ``step``, and ±16 000 for what lies beyond."""
    nearest = np.multiply(level, 1.0 / step)
    np.rint(nearest, out=nearest)
    missing = None
    if nearest.size and math.isnan(float(np.add.reduce(nearest, axis=None))):
        missing = np.isnan(nearest)
        nearest[missing] = 0.0
    np.maximum(nearest, -FURTHEST, out=nearest)
    np.minimum(nearest, FURTHEST, out=nearest)
    found = nearest.astype(np.int16)
    if missing is not None:
        found[missing] = MISSING
    return found


def count_levels(
    classes: NDArray[np.int16],
    of_point: NDArray[np.intp],
    *,
    step: float,
    before: LevelCounts | None = None,
    bins: int = 0,
) -> LevelCounts:
    """``before`` with more sweeps.

    Args:
        classes: (sweeps, points) from :func:`classes_of` with the same ``step``.
        of_point: (points,) bin of each point, from :func:`bins_of`.
        bins: how many there are; 0: as many as ``of_point`` names.

    Raises:
        ValueError: ``before`` has another step.
    """
    bins = bins or (int(of_point.max()) + 1 if of_point.size else 0)
    if before is not None and before.step != step:
        raise ValueError(f"counts in steps of {before.step} do not go with steps of {step}")
    low = int(classes.min()) if classes.size else int(MISSING)
    places = of_point
    if low == MISSING:
        known = classes != MISSING
        places = np.broadcast_to(of_point, classes.shape)[known]
        classes = classes[known]
    if not classes.size:
        nothing = np.zeros((bins, 0), dtype=np.uint32)
        return before or LevelCounts(step=step, first=0, counts=nothing)
    low, high = int(classes.min()), int(classes.max())
    grown = _reaching(before, low, high, bins, step)
    width = grown.counts.shape[1]
    at = np.subtract(classes, grown.first, dtype=np.intp)
    outside = 0
    if low < grown.first or high >= grown.first + width:
        outside = int(np.count_nonzero((at < 0) | (at >= width)))
        np.clip(at, 0, width - 1, out=at)
    at += places * width
    more = np.bincount(at.reshape(-1), minlength=bins * width).reshape(bins, width)
    counts = np.add(grown.counts, more, dtype=np.uint32, casting="unsafe")
    return replace(grown, counts=counts, clipped=grown.clipped + outside)


def _reaching(
    before: LevelCounts | None, low: int, high: int, bins: int, step: float
) -> LevelCounts:
    """``before`` with classes down to ``low`` and up to ``high`` as far as the limit allows."""
    if before is None or not before.counts.shape[1]:
        if high - low >= CLASSES_LIMIT:
            low -= BELOW_FIRST
        width = min(CLASSES_LIMIT, high - low + 1)
        return LevelCounts(step=step, first=low, counts=np.zeros((bins, width), dtype=np.uint32))
    first, stop = before.first, before.first + before.counts.shape[1]
    above = min(max(0, high + 1 - stop), CLASSES_LIMIT - (stop - first))
    below = min(max(0, first - low), CLASSES_LIMIT - (stop - first) - above)
    if not above and not below:
        return before
    counts = np.pad(before.counts, ((0, 0), (below, above)))
    return replace(before, first=first - below, counts=counts)


def merge_counts(one: LevelCounts, other: LevelCounts) -> LevelCounts:
    """The counts of both, exactly, whatever classes each has: up to the sum of their ranges.

    Raises:
        ValueError: other steps, or another number of bins.
    """
    if one.step != other.step or len(one.counts) != len(other.counts):
        raise ValueError("only counts of the same step and number of bins add up")
    parts = [part for part in (one, other) if part.counts.shape[1]]
    if len(parts) < 2:
        return replace(parts[0] if parts else one, clipped=one.clipped + other.clipped)
    first = min(part.first for part in parts)
    stop = max(part.first + part.counts.shape[1] for part in parts)
    counts = np.zeros((len(one.counts), stop - first), dtype=np.uint32)
    for part in parts:
        start = part.first - first
        counts[:, start : start + part.counts.shape[1]] += part.counts
    return LevelCounts(
        step=one.step, first=first, counts=counts, clipped=one.clipped + other.clipped
    )


def exceeded_level(counts: LevelCounts, percent: Sequence[float]) -> Float:
    """Levels exceeded during each of ``percent`` of the readings: (percent, bins).

    L10 is the level exceeded during 10 %, L50 the median. Readings are taken as even within their
    class, so a level is known to about a tenth of the step where the classes are well filled, to
    half a step at worst. A bin without readings gives NaN.

    Raises:
        ValueError: a percentage outside 0..100, ends excluded.

    Source: exceedance levels as in trade practice for noise; interpolation ours.
    """
    wanted = np.asarray(percent, dtype=np.float64)
    if wanted.size and not bool(((wanted > 0.0) & (wanted < 100.0)).all()):
        raise ValueError(f"percentages must lie between 0 and 100, got {list(percent)}")
    bins, classes = counts.counts.shape
    found = np.full((wanted.size, bins), np.nan)
    if not classes:
        return found
    below = np.cumsum(counts.counts, axis=1, dtype=np.int64)
    total = below[:, -1]
    filled = np.flatnonzero(total)
    column = np.arange(filled.size)
    reached = below[filled]
    for i, share in enumerate((1.0 - wanted / 100.0).tolist()):
        goal = share * total[filled]
        at = np.minimum((reached < goal[:, None]).sum(axis=1), classes - 1)
        inside = counts.counts[filled, at].astype(np.float64)
        part = (goal - (reached[column, at] - inside)) / np.maximum(inside, 1.0)
        found[i, filled] = (counts.first + at - 0.5 + np.clip(part, 0.0, 1.0)) * counts.step
    return found


def exceeded_share(counts: LevelCounts) -> tuple[Float, Float]:
    """Amplitude probability distribution of all bins together: (levels, shares).

    ``levels`` are the borders of the classes in rising order, (classes + 1,); ``shares`` the part
    of the readings above each, from 1 down to 0. Both empty without any reading. Exact at these
    levels; for Gaussian noise and single samples 10^(ℓ/10) dB over the mean power gives
    exp(−10^(ℓ/10)) (Rayleigh distributed envelope, derived).
    """
    each = counts.counts.sum(axis=0, dtype=np.int64)
    total = int(each.sum())
    if not total:
        return np.empty(0), np.empty(0)
    levels = (counts.first - 0.5 + np.arange(each.size + 1)) * counts.step
    above = np.concatenate((np.cumsum(each[::-1])[::-1], [0]))
    return levels, above / total


def rms_over_mean_db(counts: LevelCounts) -> Float:
    """V_d of each bin: rms of the envelope over its mean, in dB; (bins,), NaN without readings.

    White Gaussian noise has 1.0491 dB (Rayleigh envelope, derived); more means impulsive noise, and
    0 a steady carrier. Only readings of single samples show it: averaging hides it, a peak detector
    does not know it. Levels must be in decibels.
    """
    number = counts.counts.sum(axis=1, dtype=np.int64).astype(np.float64)
    if not counts.counts.shape[1]:
        return np.full(number.shape, np.nan)
    # Referred to the top nothing overflows. Rounding to classes adds its own spread to a smooth
    # distribution (Sheppard): mean powers come out sinh(h)/h too high.
    level = counts.middles - counts.middles[-1]
    half = counts.step * math.log(10.0) / 20.0
    power = 10.0 ** (level / 10.0) * (half / math.sinh(half))
    voltage = 10.0 ** (level / 20.0) * (half / 2.0 / math.sinh(half / 2.0))
    weight = counts.counts.astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_power = weight @ power / number
        mean_voltage = weight @ voltage / number
        ratio_db = 10.0 * np.log10(mean_power) - 20.0 * np.log10(mean_voltage)
    return np.asarray(np.maximum(ratio_db, 0.0))
