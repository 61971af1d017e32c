"""Steps of a reading that drifts: CUSUM over what a slow straight line did not foresee.

A watch for steps over the readings themselves would cry at every steady drift. So a fading-memory
line (two gains, memory of about 100 readings) foretells each reading, and the watch of
:mod:`acqd.measure.steps` gets the difference: a drift foretells itself away, a step does not.

The CUSUM cries with the first reading after a large step, and one reading tells neither where the
step lies nor that it stays. So two more are waited for, and the place of the step is sought among
all that leave three readings after it.

A bend, such as a warm-up, outruns a line too, and so does a reading that is amiss. So what the
CUSUM found is told only where a step explains clearly more of the last readings than a bend does
(F ratio of 14: practice), and more than one or two readings that lie apart from the others. The
step's size and its uncertainty come from a line with a step through them, allowing for serial
correlation.

In 3500 simulated series with a step of at least 10 standard deviations of a reading its place was
right in more than 99 %, and the 95 % interval of the size held the truth in 95 %.

Limits: readings more than ten usual intervals apart begin anew, and a step between them, or less
than three readings before, is not seen; after each alarm the usual is learnt anew; slow steps (over
more than a few readings) read as drift, and steps below about two standard deviations of a reading
may be taken for a bend. The place of a step of three and less may be a reading or two off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.measure.drift import serial_spread
from acqd.measure.steps import StepWatch, run_length, step_watch, watch_step
from acqd.measure.student import student_quantile

__all__ = ["SeenStep", "TrendWatch", "foreseen", "threshold_for", "trend_step", "trend_watch"]

Float = NDArray[np.float64]

FADING = 0.99
"""Weight of a reading against the next one: a memory of about 100 readings."""

KEPT = 160
"""Readings that are held for the comparison of step and bend."""

QUIET_FIRST = 20
"""Readings after which the line foretells well enough for the watch to learn from it."""

EARLIER = 8
"""Readings by which a step may lie before where the CUSUM began to add: noise holds it down."""

APART = 10.0
"""Usual intervals after which the line is begun anew."""

LEAST_BEFORE, LEAST_AFTER = 8, 3
"""Readings before and after a step. With three after it, two that lie apart are no step."""

LEAST_RATIO = 14.0
"""Of variances, for a step beside a bend; the place of the step was chosen, so it is set high."""


@lru_cache(maxsize=256)
def threshold_for(values: float, *, k: float = 0.5) -> float:
    """h of a two-sided CUSUM with a mean of ``values`` values between false alarms.

    The inverse of :func:`~acqd.measure.steps.run_length`, by bisection between h = 2 and 40, for
    independent normal values.

    Raises:
        ValueError: less than one value.
    """
    if not values >= 1.0:
        raise ValueError(f"values between false alarms must be 1 or more, got {values}")
    low, high = 2.0, 40.0
    for _ in range(40):
        middle = (low + high) / 2.0
        low, high = (low, middle) if run_length(k=k, h=middle) >= values else (middle, high)
    return high


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenStep:
    """A step: ``size`` ± ``expanded`` (95 %) in the unit of the readings, from line to line.

    ``onset_seq`` is the first sweep after it, as estimated, ``seq`` the one that showed it.
    """

    onset_s: float
    onset_seq: int
    seq: int
    size: float
    expanded: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendWatch:
    """State of the watch; make one with :func:`trend_watch`. At most KEPT readings are held."""

    watch: StepWatch
    usual_s: float
    level: float = math.nan
    slope: float = 0.0
    """Per second."""
    count: int = 0
    last_s: float = math.nan
    held: tuple[tuple[float, float, int], ...] = field(default=())
    waits: int = 0
    """Readings that are waited for until an alarm is judged; 0 where there is none."""
    onset_seq: int = 0
    """Of that alarm, as the CUSUM has it."""


def trend_watch(
    *, usual_s: float, false_alarms_a_day: float, learn: int, resolution: float = 0.0
) -> TrendWatch:
    """A watch over readings that come every ``usual_s`` seconds.

    Raises:
        ValueError: as :func:`~acqd.measure.steps.step_watch`, or no interval.
    """
    if not usual_s > 0:
        raise ValueError(f"the interval of the readings must be above 0 s, got {usual_s}")
    h = threshold_for(max(10.0, 86400.0 / usual_s / false_alarms_a_day))
    return TrendWatch(watch=step_watch(learn=learn, h=h, resolution=resolution), usual_s=usual_s)


def trend_step(
    trend: TrendWatch, at_s: float, value: float, seq: int
) -> tuple[TrendWatch, SeenStep | None]:
    """The watch after one more reading, and the step that it showed. NaN changes nothing.

    A step is told two readings after the one with which it was noticed. A reading with a time
    before the last (a clock that was set back) begins the line anew, and drops what was noticed.
    """
    if not math.isfinite(value):
        return trend, None
    apart_s = at_s - trend.last_s
    if trend.count == 0 or not 0.0 < apart_s <= APART * trend.usual_s:
        return _begun(trend, at_s, value, seq), None
    error = value - foreseen(trend, at_s)
    held = (*trend.held[-(KEPT - 1) :], (at_s, value, seq))
    if trend.waits > 1:
        return _waiting(trend, held, trend.waits - 1), None
    if trend.waits == 1:
        step = _told(held, trend.onset_seq, trend.watch.confidence)
        return _begun(trend, at_s, value, seq), step
    watch, alarm = trend.watch, None
    if trend.count >= QUIET_FIRST:
        watch, alarm = watch_step(watch, error, seq)
    if alarm is not None:
        noticed = replace(trend, watch=watch, onset_seq=alarm.onset)
        return _waiting(noticed, held, LEAST_AFTER - 1), None
    n = trend.count
    by_level = max(2.0 * (2 * n + 1) / ((n + 1.0) * (n + 2.0)), 1.0 - FADING**2)
    by_slope = max(6.0 / ((n + 1.0) * (n + 2.0)), (1.0 - FADING) ** 2)
    return replace(
        trend,
        watch=watch,
        level=value - error * (1.0 - min(1.0, by_level)),
        slope=trend.slope + by_slope * error / apart_s,
        count=n + 1,
        last_s=at_s,
        held=held,
    ), None


def foreseen(trend: TrendWatch, at_s: float) -> float:
    """What the line foretells for a time."""
    return trend.level + trend.slope * (at_s - trend.last_s)


def _begun(trend: TrendWatch, at_s: float, value: float, seq: int) -> TrendWatch:
    one = (at_s, value, seq)
    return replace(trend, level=value, slope=0.0, count=1, last_s=at_s, held=(one,), waits=0)


def _waiting(
    trend: TrendWatch, held: tuple[tuple[float, float, int], ...], waits: int
) -> TrendWatch:
    """With one more reading, which the line goes past: it is not known yet what it belongs to."""
    at_s = held[-1][0]
    return replace(trend, level=foreseen(trend, at_s), last_s=at_s, held=held, waits=waits)


def _told(
    held: tuple[tuple[float, float, int], ...], onset_seq: int, confidence: float
) -> SeenStep | None:
    """The step near ``onset_seq`` by least squares; None where a bend, or a reading or two amiss,
    explain the readings as well, or they wander too slowly to say how large it is."""
    t = np.array([one[0] for one in held])
    y = np.array([one[1] for one in held])
    begins = next((at for at, one in enumerate(held) if one[2] >= onset_seq), len(held))
    x = (t - t[0]) / (t[-1] - t[0])
    places = range(max(LEAST_BEFORE, begins - EARLIER), len(held) - LEAST_AFTER + 1)
    found = _best_place(x, y, places)
    if found is None:
        return None
    at, columns, fit, residual = found
    ssr = float(residual @ residual)
    effective = _effective(residual)
    free = effective - 3.0
    if free < 2.0 or _beyond_bend(x, y, columns[:, 2], effective) < LEAST_RATIO:
        return None
    if _least_amiss(x, y, begins) <= ssr:
        return None
    u = math.sqrt(float(np.linalg.inv(columns.T @ columns)[2, 2]) * ssr / free)
    return SeenStep(
        onset_s=held[at][0],
        onset_seq=held[at][2],
        seq=held[-1][2],
        size=float(fit[2]),
        expanded=student_quantile(0.5 + confidence / 2.0, free) * u,
    )


def _best_place(x: Float, y: Float, places: range) -> tuple[int, Float, Float, Float] | None:
    """Where a step beside a line leaves least: place, columns, coefficients, residual.

    A CUSUM begins to add with any lucky reading before the step; this finds the step itself.
    """
    best: tuple[int, Float, Float, Float] | None = None
    least = math.inf
    for at in places:
        after = (np.arange(x.size) >= at).astype(np.float64)
        columns: Float = np.stack([np.ones_like(x), x, after], axis=1)
        fit, residual = _fit(columns, y)
        ssr = float(residual @ residual)
        if ssr < least:
            best, least = (at, columns, fit, residual), ssr
    return best


def _least_amiss(x: Float, y: Float, begins: int) -> float:
    """Sum of squares that a line leaves where one or two readings in a row are left out."""
    least = math.inf
    for many in range(1, LEAST_AFTER):
        for at in range(begins, x.size - many + 1):
            kept = np.r_[0:at, at + many : x.size]
            columns = np.stack([np.ones(kept.size), x[kept]], axis=1)
            _, residual = _fit(columns, y[kept])
            least = min(least, float(residual @ residual))
    return least


def _beyond_bend(x: Float, y: Float, after: Float, effective: float) -> float:
    """F ratio of a step beside a line with a bend, against the bend alone."""
    _, bent = _fit(np.stack([np.ones_like(x), x, x * x], axis=1), y)
    _, both = _fit(np.stack([np.ones_like(x), x, x * x, after], axis=1), y)
    left = float(both @ both)
    gain = max(0.0, float(bent @ bent) - left)
    return gain / left * (effective - 4.0) if left > 0.0 else math.inf


def _effective(residual: Float) -> float:
    """Readings that count as independent; 0 where they wander too slowly to say."""
    spread = serial_spread(residual)
    if spread.reason is not None:
        return 0.0
    if not spread.u_mean > 0.0:
        return float(residual.size)
    variance = float(residual @ residual) / max(1, residual.size - 3)
    return min(float(residual.size), variance / spread.u_mean**2)


def _fit(columns: Float, y: Float) -> tuple[Float, Float]:
    found: Float = np.linalg.lstsq(columns, y, rcond=None)[0].astype(np.float64)
    return found, y - columns @ found
