"""The noise floor: of one sweep where it is flat, per frequency where it is learnt over time.

Estimators of a floor are different quantities, up to 10 dB apart on the same sweep. Each is brought
to the same one here: the mean power of the noise, by the bias that its definition has for N
averages. Levels on a scale without decibels (a detector's digits) have no such correction; they get
the 20 % point as it is, and say so.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.statistics import (
    DB_PER_NEPER,
    averages_from_spread,
    lowest_mean_bias_db,
    lowest_mean_deviation,
    threshold_over_mean_db,
)

__all__ = [
    "LEARN_BYTES",
    "LOWEST_FRACTION",
    "FlatFloor",
    "FloorEstimate",
    "Learning",
    "Onset",
    "dither",
    "estimate_averages",
    "excess_over",
    "floor_flat",
    "floor_per_frequency",
    "learn_sweep",
    "learnt_floor",
    "onset",
    "spread_of_noise",
]

Float = NDArray[np.float64]

LOWEST_FRACTION = 0.2
"""Share of the points that counts: the highest 80 % are dropped (method of Rec. ITU-R SM.1880)."""

BUSY_FALSE_ALARM = 1e-3
"""A point that noise would reach less often than this counts as busy when the floor is refined."""

BUSY_ROUNDS = 3

LEARN_BYTES = 2 * 1024 * 1024
"""Most memory that learning a floor may hold; more sweeps are thinned evenly.
It goes into each checkpoint, so it is kept small: 261 sweeps of 1001 points."""

SPREAD_BLOCK = 64
"""Points in which a floor is taken as level when the spread of its noise is looked at."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorEstimate:
    """A floor in the unit of the levels.

    ``bias_db`` is what was taken out (None on a scale without decibels), ``uncertainty`` the
    standard uncertainty of the estimate from the number of points alone, ``busy_fraction`` the
    share of points that stood out of the noise. ``trusted`` is False where more than 80 % did.
    """

    level: float
    uncertainty: float | None
    bias_db: float | None
    busy_fraction: float
    trusted: bool


class FlatFloor:
    """The mean power of the lowest 20 % of a sweep, brought to the mean power of the noise.

    Made once per number of points and N; holds a scratch array that each call overwrites, so one
    thread at a time. A busy band leaves fewer points of noise, of which the lowest 20 % of all are
    more than 20 %: the share is worked out from the points that stand out, and the bias with it.

    Args:
        points: length of the sweeps.
        averages: N of the noise (shape of its gamma distribution).
        independent: share of the points that are independent, about step / noise bandwidth.
        logarithmic: False for a scale without decibels.
        busy_over_db: a level so far above the mean is not noise; None for that of N averages.
        blur: what to add to levels on a coarse scale, (points,); see :func:`dither`.
    """

    def __init__(
        self,
        points: int,
        averages: float,
        *,
        independent: float = 1.0,
        logarithmic: bool = True,
        busy_over_db: float | None = None,
        blur: Float | None = None,
    ) -> None:
        self.points = points
        self._blur = blur
        self.averages = averages
        self.independent = min(1.0, max(independent, 1e-6))
        self.logarithmic = logarithmic
        self._scratch = np.empty(points)
        self._lowest = np.empty(max(1, math.ceil(LOWEST_FRACTION * points)))
        if busy_over_db is None:
            busy_over_db = threshold_over_mean_db(BUSY_FALSE_ALARM, averages)
        self._busy_over_db = busy_over_db

    def estimate(self, level: Float) -> FloorEstimate:
        """The floor of ``level``, (n,) with n ≤ points, all finite; n = 0 gives NaN."""
        n = level.size
        if n == 0:
            return FloorEstimate(
                level=math.nan, uncertainty=None, bias_db=None, busy_fraction=0.0, trusted=False
            )
        k = max(1, math.ceil(LOWEST_FRACTION * n))
        sorted_low = self._scratch[:n]
        if self._blur is None:
            np.copyto(sorted_low, level)
        else:
            np.add(level, self._blur[:n], out=sorted_low)
        sorted_low.partition(k - 1)
        if not self.logarithmic:
            return FloorEstimate(
                level=float(sorted_low[k - 1]),
                uncertainty=None,
                bias_db=None,
                busy_fraction=0.0,
                trusted=True,
            )
        lowest = self._lowest[:k]
        # Referred to the k-th value the exponentials neither overflow nor vanish.
        top = float(sorted_low[k - 1])
        np.subtract(sorted_low[:k], top, out=lowest)
        lowest *= 1.0 / DB_PER_NEPER
        np.exp(lowest, out=lowest)
        raw = top + DB_PER_NEPER * math.log(float(np.add.reduce(lowest)) / k)
        return self._refined(level, raw, n, k)

    def _refined(self, level: Float, raw: float, n: int, k: int) -> FloorEstimate:
        share = k / n
        bias_db = lowest_mean_bias_db(share, self.averages)
        busy = 0
        for _ in range(BUSY_ROUNDS):
            over = raw - bias_db + self._busy_over_db
            now_busy = int(np.count_nonzero(level > over))
            if now_busy == busy:
                break
            busy = now_busy
            share = min(1.0, k / max(1, n - busy))
            bias_db = self._bias_between(share)
        quiet = max(1, n - busy)
        deviation = lowest_mean_deviation(round(share, 2), self.averages)
        return FloorEstimate(
            level=raw - bias_db,
            uncertainty=DB_PER_NEPER * deviation / math.sqrt(max(1.0, quiet * self.independent)),
            bias_db=bias_db,
            busy_fraction=busy / n,
            trusted=n - busy >= k,
        )

    def _bias_between(self, share: float) -> float:
        """The bias by straight lines between shares of whole hundredths, which are cached."""
        low = min(0.99, math.floor(share * 100.0) / 100.0)
        at_low = lowest_mean_bias_db(round(low, 2), self.averages)
        at_high = lowest_mean_bias_db(round(low + 0.01, 2), self.averages)
        return at_low + (at_high - at_low) * (share - low) * 100.0


def dither(points: int, step: float) -> Float:
    """Offsets within ±``step``/2, even over any run of points: (points,), the same every time.

    Levels on a coarse scale have no spread of their own: several steps of noise become one value.
    Spread over their step they have one, which is never less than the true one.
    """
    golden = (math.sqrt(5.0) - 1.0) / 2.0
    return np.asarray((np.arange(points) * golden % 1.0 - 0.5) * step)


def floor_flat(
    level: Float, *, averages: float, independent: float = 1.0, logarithmic: bool = True
) -> FloorEstimate:
    """Floor of one sweep as its mean noise power, by the lowest 20 % of its points.

    Args:
        level: (points,) levels, in dB of any reference unless ``logarithmic`` is False. NaN is
            left out; with no finite value the floor is NaN.
        averages: N, power samples averaged in each point.
        independent: share of the points that are independent (step / noise bandwidth, at most 1).

    Source: Rec. ITU-R SM.1880, 80 % method (as restated elsewhere); bias and refinement derived.
    """
    finite = np.ascontiguousarray(level[np.isfinite(level)], dtype=np.float64)
    flat = FlatFloor(
        max(1, finite.size), averages, independent=independent, logarithmic=logarithmic
    )
    return flat.estimate(finite)


def spread_of_noise(level_db: Float, blur: Float | None = None) -> float | None:
    """Median less 20 % point of the noise of one sweep in dB, for estimating N.

    The sweep is cut into blocks of 64 points, in each of which the floor is taken as level, and the
    median over the blocks is given: so a floor that slopes or steps does not count as noise, nor do
    signals in less than half the blocks. None with less than 32 finite points. ``blur`` is added to
    levels on a coarse scale, see :func:`dither`. The result feeds
    :func:`~acqd.measure.statistics.averages_from_spread`.
    """
    finite = level_db[np.isfinite(level_db)]
    if finite.size < SPREAD_BLOCK // 2:
        return None
    if blur is not None:
        finite += blur[: finite.size]
    width = min(SPREAD_BLOCK, finite.size)
    blocks = finite.size // width
    cut = np.sort(finite[: blocks * width].reshape(blocks, width), axis=1)
    # Positions p·(n + 1) − 1 are median-unbiased enough here; straight lines between.
    return float(np.median(_at(cut, 0.5) - _at(cut, 0.2)))


def _at(rows: Float, fraction: float) -> Float:
    position = fraction * (rows.shape[1] + 1) - 1
    low = math.floor(position)
    part = position - low
    return np.asarray(rows[:, low] * (1.0 - part) + rows[:, low + 1] * part)


def estimate_averages(level_db: Float) -> float | None:
    """N from the spread of one sweep, between 1 and the limit of the table; None if too short."""
    spread = spread_of_noise(level_db)
    return None if spread is None else max(1.0, averages_from_spread(spread))


# --- a floor per frequency, learnt over time ------------------------------------------------------


def floor_per_frequency(levels: Float) -> Float:
    """Median over time at each frequency: (sweeps, points) to (points,).

    What is always there is part of this floor, in any unit. NaN is left out; a frequency without
    any value gives NaN, as does an empty time.
    """
    ordered = np.sort(np.asarray(levels, dtype=np.float64), axis=0)  # NaN goes last
    sweeps, points = ordered.shape
    if sweeps == 0:
        return np.full(points, np.nan)
    valid = sweeps - np.count_nonzero(np.isnan(ordered), axis=0)
    low = np.maximum((valid - 1) // 2, 0)
    high = np.minimum(valid // 2, sweeps - 1)
    column = np.arange(points)
    middle = (ordered[low, column] + ordered[high, column]) / 2.0
    middle[valid == 0] = np.nan
    return np.asarray(middle)


@dataclass(frozen=True, slots=True, kw_only=True)
class Learning:
    """Sweeps kept so far for a floor. When the memory is full every second one is dropped and from
    then on only every second is taken, so that what is kept stays even over the time: deterministic
    and bounded by :data:`LEARN_BYTES` (never less than 16 sweeps)."""

    started_s: float
    seen: int = 0
    stride: int = 1
    kept: tuple[Float, ...] = ()


def learn_sweep(learning: Learning, level: Float) -> Learning:
    """``learning`` with one more sweep; ``level`` (points,) is copied."""
    if learning.seen % learning.stride:
        return Learning(
            started_s=learning.started_s,
            seen=learning.seen + 1,
            stride=learning.stride,
            kept=learning.kept,
        )
    kept = (*learning.kept, level.copy())
    stride = learning.stride
    if len(kept) >= max(16, min(512, LEARN_BYTES // (8 * max(1, level.size)))):
        kept = kept[::2]
        stride *= 2
    return Learning(started_s=learning.started_s, seen=learning.seen + 1, stride=stride, kept=kept)


def learnt_floor(learning: Learning) -> Float | None:
    """The floor per frequency of the kept sweeps, (points,); None without any."""
    return floor_per_frequency(np.stack(learning.kept)) if learning.kept else None


def excess_over(levels: Float, floor: Float) -> Float:
    """Mean over all frequencies of level − floor, per sweep: (sweeps, points) to (sweeps,).

    NaN is left out; a sweep without any value gives NaN.
    """
    over = np.asarray(levels, dtype=np.float64) - floor
    missing = np.isnan(over)
    count = (~missing).sum(axis=1)
    total = np.where(missing, 0.0, over).sum(axis=1)
    return np.asarray(np.divide(total, count, out=np.full(len(over), np.nan), where=count > 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class Onset:
    """When the excess over all frequencies first rose to stay.

    ``index`` is the sweep, None where it never did; ``threshold`` = ``median`` + k · ``sigma``.
    """

    index: int | None
    threshold: float
    median: float
    sigma: float


def onset(
    excess: Float, *, background: int, sweeps: int = 16, sigmas: float = 5.0, hold: int = 16
) -> Onset:
    """First time at which the mean excess of ``sweeps`` sweeps stays above the background.

    The background is the median of the first ``background`` values of ``excess`` and their robust
    sigma (1.4826 · median absolute deviation), each sweep on its own. The mean is centred: the
    one at sweep i covers i − sweeps/2 to i + sweeps/2 − 1. It has to stay above median + ``sigmas``
    · sigma for ``hold`` sweeps (or to the end). NaN ends a stay. Definition ours.

    Args:
        excess: (n,) mean over all frequencies of level − floor, from :func:`excess_over`.
    """
    quiet = excess[:background]
    quiet = quiet[np.isfinite(quiet)]
    median = float(np.median(quiet)) if quiet.size else math.nan
    sigma = 1.4826 * float(np.median(np.abs(quiet - median))) if quiet.size else math.nan
    threshold = median + sigmas * sigma
    index: int | None = None
    if excess.size >= sweeps and quiet.size:
        above = np.convolve(excess, np.full(sweeps, 1.0 / sweeps), mode="valid") > threshold
        edges = np.flatnonzero(np.diff(np.concatenate(([False], above, [False]))))
        for first, stop in edges.reshape(-1, 2).tolist():
            if stop - first >= hold or stop == above.size:
                index = first + sweeps // 2
                break
    return Onset(index=index, threshold=threshold, median=median, sigma=sigma)
