"""What a summary value has to do with the temperature or the supply voltage.

A soak's values and its context both wander slowly, and two slow wanders look related by chance. So
every interval here counts only as many readings as are independent (Bartlett's formula, as in any
textbook on time series):

    1/n_eff = (1/n)·(1 + 2·Σ (1 - k/n)·r_x(k)·r_e(k))

with the autocorrelations of the context and of what is left of the value, summed over lags up to
the first at which either falls below 1/√n, and never over more than a quarter of the series.
Autocorrelations are corrected for the mean that was taken out, r + (1 + r)/n or so: without it
slow wander looks faster than it is. Where n_eff is under 6, one more for each further column, the
answer is "cannot tell". The sum costs up to n²/4 steps: hand over a few thousand readings at most,
block means of longer series.

That two things go together does not say that one makes the other: a warm-up goes with everything
that changes while it lasts. Readings of a thermometer that are rounded to coarse steps make slopes
too small.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.student import student_quantile
from acqd.measure.words import duration_text, number_text

__all__ = [
    "Correlation",
    "Lagged",
    "SharedFit",
    "context_at",
    "correlate",
    "correlate_columns",
    "correlate_lagged",
    "correlation_text",
    "lag_text",
    "slope_text",
]

Float = NDArray[np.float64]

LEAST_SAMPLES = 8
LEAST_FREE = 4.0
"""Independent readings beyond those that the fit takes: n_eff of 6 for a line, where a parabola
over a ramp, which swings but once, counts as 5.5."""

COLLINEAR = 10.0
"""Variance inflation from which on two columns are not told apart (practice)."""


def context_at(
    t_s: ArrayLike, context_t_s: ArrayLike, context: ArrayLike, *, oldest_s: float
) -> Float:
    """Context readings brought to the times of the sweeps; NaN where there is none fresh enough.

    Args:
        t_s: (n,) seconds, of the sweeps.
        context_t_s, context: (m,) times and readings, in any order; NaN are left out. Of several
            at one time the last given counts.
        oldest_s: age from which on the last reading no longer counts.

    Returns:
        (n,) Between two readings a straight line where the next one, too, is no further away than
        ``oldest_s``; else the last reading as it is. Before the first reading NaN. At the newest
        times a later reading may still change the answer, so ask once the context is complete.

    Raises:
        ValueError: lengths that differ, or an age that is not above 0.
    """
    t = np.asarray(t_s, dtype=np.float64)
    at, readings = np.asarray(context_t_s, dtype=np.float64), np.asarray(context, dtype=np.float64)
    if at.ndim != 1 or at.shape != readings.shape:
        raise ValueError(f"context times and values differ: {at.shape} and {readings.shape}")
    if not oldest_s > 0:
        raise ValueError(f"the oldest age must be above 0 s, got {oldest_s}")
    known = np.isfinite(at) & np.isfinite(readings)
    at, readings = at[known], readings[known]
    found = np.full(t.shape, math.nan)
    if at.size == 0:
        return found
    order = np.argsort(at, kind="stable")
    at, readings = at[order], readings[order]
    before = np.searchsorted(at, t, side="right") - 1
    last = np.maximum(before, 0)
    fresh = (before >= 0) & (t - at[last] <= oldest_s)
    following = np.minimum(before + 1, at.size - 1)
    gap = at[following] - at[last]
    bridged = (gap > 0) & (at[following] - t <= oldest_s)
    share = np.where(bridged, (t - at[last]) / np.where(gap > 0, gap, 1.0), 0.0)
    values = readings[last] + share * (readings[following] - readings[last])
    found[fresh] = values[fresh]
    return found


# --- how many readings count ----------------------------------------------------------------------


def _lag_correlation(z: Float, known: NDArray[np.bool_], lag: int) -> float:
    """Autocorrelation at one lag of values with mean 0, over the pairs that are there."""
    pairs = known[lag:] & known[:-lag]
    count = int(np.count_nonzero(pairs))
    if count == 0:
        return 0.0
    total = float(z @ z) / int(np.count_nonzero(known))
    return float((z[lag:] * z[:-lag])[pairs].sum()) / count / total if total > 0 else 0.0


def _effective(x: Float, residual: Float, known: NDArray[np.bool_], fitted: int) -> float:
    """n_eff of the module; ``x`` and ``residual`` hold 0 where not ``known``."""
    n = int(np.count_nonzero(known))
    band = 1.0 / math.sqrt(n)
    total = 0.0
    for lag in range(1, max(2, known.size // 4)):
        r_x = _lag_correlation(x, known, lag)
        r_e = _lag_correlation(residual, known, lag)
        r_x += (1.0 + r_x) / n
        r_e += fitted * (1.0 + r_e) / n
        if min(r_x, r_e) < band:
            break
        total += (1.0 - lag / known.size) * min(r_x, 1.0) * min(r_e, 1.0)
    return n / (1.0 + 2.0 * total)


# --- one column -----------------------------------------------------------------------------------


FIGURES = ("effective", "pearson", "pearson_low", "pearson_high", "slope", "u_slope", "low", "high")


@dataclass(frozen=True, slots=True, kw_only=True)
class Correlation:
    """A value against one column of context. Slopes: unit of the value per unit of the context.

    ``pearson`` and ``slope`` are what the readings give; ``u_slope``, the confidence interval from
    ``low`` to ``high`` and that of the coefficient rest on ``effective`` independent readings, and
    are NaN with the ``reason`` where nobody can tell. ``span`` is how far the context moved,
    ``inflation`` the variance inflation by the other columns (1 for a single one).
    """

    samples: int
    effective: float
    span: float
    pearson: float
    pearson_low: float
    pearson_high: float
    slope: float
    u_slope: float
    low: float
    high: float
    confidence: float
    inflation: float
    reason: str | None

    @property
    def related(self) -> bool:
        """Whether the interval of the slope leaves out 0."""
        return self.low > 0.0 or self.high < 0.0


def _pair(value: ArrayLike, context: ArrayLike) -> tuple[Float, Float]:
    y, x = np.asarray(value, dtype=np.float64), np.asarray(context, dtype=np.float64)
    if y.ndim != 1 or y.shape != x.shape:
        raise ValueError(f"values and context must be as long, got {y.shape} and {x.shape}")
    return y, x


def correlate(
    value: ArrayLike, context: ArrayLike, *, least_span: float, confidence: float = 0.95
) -> Correlation:
    """Pearson's coefficient and least-squares slope of a value over its context.

    Args:
        value, context: (n,) in order of time and evenly spaced, NaN where missing (a gap that is
            closed up makes the two look more independent than they are).
        least_span: how far the context must have moved, largest less smallest, for a slope to
            be told: several times the thermometer's step and error.

    Returns:
        "cannot tell" with fewer than 8 complete pairs, a context that hardly moved, or wander as
        slow as the series is long. The interval is b ± t·u with u² = SSR/Sxx/(n_eff - 2); that of
        the coefficient is Fisher's with n_eff.

    Raises:
        ValueError: lengths that differ, or a confidence outside 0..1.
    """
    y, x = _pair(value, context)
    return _correlate(y, x, np.ones((y.size, 1)), x, least_span, confidence)


def _correlate(
    y: Float, x: Float, others: Float, context: Float, least_span: float, confidence: float
) -> Correlation:
    """y on x with the columns of ``others`` (a constant among them) taken out of both."""
    if not 0.0 < confidence < 1.0:
        raise ValueError(f"confidence must lie between 0 and 1, got {confidence}")
    known = np.isfinite(y) & np.isfinite(x) & np.isfinite(others).all(axis=1)
    n = int(np.count_nonzero(known))
    span = float(np.ptp(context[known])) if n else 0.0
    told: dict[str, float] = {"samples": n, "span": span, "confidence": confidence}
    if n < LEAST_SAMPLES:
        text = f"cannot tell: {n} readings with context, {LEAST_SAMPLES} are needed"
        return _result(text, **told)
    dy, dx = _without(y, others, known), _without(x, others, known)
    sxx, syy = float(dx @ dx), float(dy @ dy)
    centred = x[known] - x[known].mean()
    alone = float(centred @ centred)
    if span < least_span or not sxx > 1e-20 * alone:
        return _result("cannot tell: the context hardly moved", **told)
    slope = float(dx @ dy) / sxx
    residual = dy - slope * dx
    pearson = float(dx @ dy) / math.sqrt(sxx * syy) if syy > 0 else 0.0
    fitted = others.shape[1] + 1
    effective = _effective(dx, residual, known, fitted)
    told |= {"slope": slope, "pearson": pearson, "inflation": alone / sxx, "effective": effective}
    free = effective - fitted
    if free < LEAST_FREE:
        return _result("cannot tell: both wander as slowly as the series is long", **told)
    u = math.sqrt(float(residual @ residual) / sxx / free)
    half = student_quantile(0.5 + confidence / 2.0, free) * u
    low, high = _fisher(pearson, free, confidence)
    told |= {"u_slope": u, "low": slope - half, "high": slope + half}
    return _result(None, **told, pearson_low=low, pearson_high=high)


def _without(values: Float, others: Float, known: NDArray[np.bool_]) -> Float:
    """What is left of ``values`` when ``others`` are fitted to them; 0 where not known."""
    left = np.zeros_like(values)
    basis = np.linalg.qr(others[known])[0]
    left[known] = values[known] - basis @ (basis.T @ values[known])
    # What rounding leaves of a value that does not move must not look like a dependence.
    if float(left @ left) <= 1e-24 * float(values[known] @ values[known]):
        left[:] = 0.0
    return left


def _result(reason: str | None, *, samples: float, **told: float) -> Correlation:
    unknown = dict.fromkeys(FIGURES, math.nan) | {"inflation": 1.0}
    return Correlation(samples=int(samples), reason=reason, **(unknown | told))


def _fisher(pearson: float, free: float, confidence: float) -> tuple[float, float]:
    """Interval of a correlation coefficient: artanh r is nearly normal with u = 1/√(n - 3), one
    less below the root for each further column."""
    if abs(pearson) >= 1.0 - 1e-15:
        return pearson, pearson
    # t in place of the normal quantile: n_eff is small and itself estimated
    half = student_quantile(0.5 + confidence / 2.0, free) / math.sqrt(free - 1.0)
    middle = math.atanh(pearson)
    return math.tanh(middle - half), math.tanh(middle + half)


# --- several columns, and a lag -------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class SharedFit:
    """A value against several columns at once.

    Each column's figures are those beside the others: ``slope`` with the others held, ``pearson``
    the partial coefficient. ``explained`` is the share of the value's variance that the fit takes
    away, NaN where nothing could be fitted.
    """

    columns: Mapping[str, Correlation]
    explained: float
    reason: str | None


def correlate_columns(
    value: ArrayLike,
    columns: Mapping[str, ArrayLike],
    *,
    least_span: Mapping[str, float],
    confidence: float = 0.95,
) -> SharedFit:
    """Least squares of a value over temperature, supply voltage and so on together.

    Args:
        columns: name to (n,) values at the times of ``value``, NaN where missing; only readings
            with all of them count.
        least_span: for each name, as for :func:`correlate`. Columns that hardly moved are left out
            of the fit.

    Returns:
        Where the others foretell a column so well that its variance inflation reaches 10, the
        ``reason`` says that they cannot be told apart, and so does that column's; its interval,
        wide as it is, stays. Measure again with one of them held still.

    Raises:
        ValueError: lengths that differ, or no ``least_span`` for a column.
    """
    pairs = {name: _pair(value, column) for name, column in columns.items()}
    if missing := [name for name in columns if name not in least_span]:
        raise ValueError(f"no least span is given for {', '.join(missing)}")
    y = np.asarray(value, dtype=np.float64)
    known = np.isfinite(y)
    for _, x in pairs.values():
        known = known & np.isfinite(x)
    masked = np.where(known, y, math.nan)
    moved = [
        name for name, (_, x) in pairs.items() if known.any() and _moved(x[known], least_span[name])
    ]
    found = {}
    for name, (_, x) in pairs.items():
        rest = [pairs[other][1] - pairs[other][1][known].mean() for other in moved if other != name]
        others = np.stack([np.ones(y.size), *rest], axis=1)
        found[name] = _correlate(masked, x, others, x, least_span[name], confidence)
    tied = [name for name in moved if not found[name].inflation < COLLINEAR]
    reason = f"cannot tell {' and '.join(tied)} apart: they moved together" if tied else None
    for name in tied:
        found[name] = dataclasses.replace(found[name], reason=reason)
    explained = _explained(masked, [pairs[name][1] for name in moved], known)
    return SharedFit(columns=found, explained=explained, reason=reason)


def _moved(x: Float, least_span: float) -> bool:
    return bool(np.ptp(x) >= least_span and np.ptp(x) > 0)


def _explained(y: Float, columns: list[Float], known: NDArray[np.bool_]) -> float:
    count = int(np.count_nonzero(known))
    if not columns or count <= len(columns) + 1:
        return math.nan
    flat = y[known] - y[known].mean()
    total = float(flat @ flat)
    centred = [x - x[known].mean() for x in columns]
    left = _without(y, np.stack([np.ones(y.size), *centred], axis=1), known)
    return 1.0 - float(left @ left) / total if total > 0 else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Lagged:
    """The lag at which a value follows its context best, with the figures there and without lag.

    ``at_bound`` says that the best was the longest one tried: the true one may be longer. The
    interval at the lag is wider than asked, by Bonferroni's rule, for the choice among ``tried``.
    """

    lag_s: float
    at_bound: bool
    tried: int
    lagged: Correlation
    unlagged: Correlation


def correlate_lagged(
    t_s: ArrayLike,
    value: ArrayLike,
    context_t_s: ArrayLike,
    context: ArrayLike,
    *,
    oldest_s: float,
    longest_s: float,
    step_s: float,
    least_span: float,
    confidence: float = 0.95,
) -> Lagged:
    """Search the lag, 0 to ``longest_s`` by ``step_s``, at which the coefficient is largest.

    A filter in a box follows the thermometer on its wall minutes later. The lag is that of a pure
    delay; a slow follower's is near its time constant for slow changes only. Arguments as for
    :func:`context_at` and :func:`correlate`.

    Raises:
        ValueError: as those, a step that is not above 0, or more than 1000 lags.
    """
    if not (step_s > 0 and longest_s >= 0):
        raise ValueError(f"lags need a step above 0 s and a bound, got {step_s} and {longest_s}")
    count = int(longest_s / step_s + 1e-9) + 1
    if count > 1000:
        raise ValueError(f"{count} lags, at most 1000: take a wider step")
    t = np.asarray(t_s, dtype=np.float64)

    def at(lag_s: float, certain: float) -> Correlation:
        shifted = context_at(t - lag_s, context_t_s, context, oldest_s=oldest_s)
        return correlate(value, shifted, least_span=least_span, confidence=certain)

    chosen = 1.0 - (1.0 - confidence) / count
    tried = [at(number * step_s, chosen) for number in range(count)]
    size = [abs(c.pearson) if c.pearson == c.pearson else -1.0 for c in tried]
    best = int(np.argmax(size))
    return Lagged(
        lag_s=best * step_s,
        at_bound=best == count - 1 and count > 1,
        tried=count,
        lagged=tried[best],
        unlagged=at(0.0, confidence),
    )


# --- texts ----------------------------------------------------------------------------------------


def slope_text(found: Correlation, *, unit: str, per: str, scale: float = 1.0) -> str:
    """−0.62 kHz per °C ± 0.08; "cannot tell: …" where there is no interval.

    ``scale`` turns the unit of the value into ``unit``. The half width is written with one digit,
    with two where it begins with 1 or 2.
    """
    if found.reason is not None:
        return found.reason
    half = (found.high - found.low) / 2.0 * abs(scale)
    return _plus_minus(found.slope * scale, half, f"{unit} per {per}")


def _plus_minus(value: float, half: float, unit: str) -> str:
    size = half if half > 0 else abs(value) * 1e-3
    if not size > 0:
        return f"{number_text(value, 0)} {unit} ± {number_text(half, 0)}"
    power = math.floor(math.log10(size))
    decimals = max(0, -power + (1 if size / 10.0**power < 2.95 else 0))
    return f"{number_text(value, decimals)} {unit} ± {number_text(half, decimals)}"


def correlation_text(found: Correlation, *, unit: str, per: str, scale: float = 1.0) -> str:
    """The slope, and in the same sentence whether it is more than chance, and what it rests on."""
    if found.reason is not None:
        return found.reason
    text = slope_text(found, unit=unit, per=per, scale=scale)
    verdict = "" if found.related else ": no dependence seen"
    return (
        f"{text}{verdict} ({100 * found.confidence:.4g} %, correlation "
        f"{number_text(found.pearson, 2)}, {found.samples} readings count as "
        f"{found.effective:.0f})"
    )


def lag_text(found: Lagged) -> str:
    """follows 12 min later; follows 30 min later or more."""
    if found.lagged.reason is not None:
        return found.lagged.reason
    if found.lag_s == 0.0:
        return "follows at once"
    return f"follows {duration_text(found.lag_s)} later" + (" or more" if found.at_bound else "")
