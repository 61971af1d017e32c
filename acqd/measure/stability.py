"""Stability of a frequency, or of any value, against averaging time: the Allan family.

For values y taken every τ0 and averaged over τ = m·τ0 (definitions: IEEE 1139, NIST SP 1065, from
memory):

* Allan: σ²(τ) = ½⟨(ȳ_{k+1} - ȳ_k)²⟩ over neighbouring averages; overlapping: from every start;
* modified: the same of second differences of phase that are averaged over m starts;
* time: τ·mod σ(τ)/√3, in seconds where y is a fractional frequency;
* Hadamard: σ²(τ) = ⟨(ȳ_{k+2} - 2·ȳ_{k+1} + ȳ_k)²⟩/6, blind to a linear drift.

Deviations are in the unit of y: fractions of a frequency, hertz, or dB. The slope over τ in log-log
tells the noise: white -½, flicker 0, random walk +½, linear drift +1.

A sweeper looks at a carrier for a moment per interval: between the looks it is blind (dead time).
White noise then reads as it is for this sampling; slower noise reads as if the values between the
looks were those seen, and fast disturbances fold in. Nothing here corrects for that.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.statistics import gamma_quantile

__all__ = [
    "Deviation",
    "DeviationKind",
    "NoiseType",
    "RegularSeries",
    "Slope",
    "allan_dof",
    "deviation",
    "deviations",
    "noise_exponent",
    "noise_of_slope",
    "octaves",
    "regular_grid",
    "slope_of",
]

Float = NDArray[np.float64]

MOST_CELLS = 1 << 22
"""A grid of more cells is refused: 48 days at 1 s. Reduce the series first."""

DENSE = 4096
"""Largest averaging number that the degrees of freedom are summed for; beyond it they scale."""

LEAST_TO_IDENTIFY = 30
"""Averages that the noise is told from by its lag-one correlation."""


class DeviationKind(StrEnum):
    """Which deviation."""

    ALLAN = "Allan"
    OVERLAPPING = "overlapping Allan"
    MODIFIED = "modified Allan"
    TIME = "time"
    HADAMARD = "Hadamard"
    OVERLAPPING_HADAMARD = "overlapping Hadamard"


class NoiseType(StrEnum):
    """What a slope over averaging time tells."""

    PHASE = "white or flicker phase noise"
    WHITE = "white noise"
    FLICKER = "flicker noise"
    RANDOM_WALK = "random walk"
    DRIFT = "linear drift"
    UNCLEAR = "unclear"


# --- an even grid ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class RegularSeries:
    """Readings laid on an even grid: ``values`` (cells,), NaN where there is none.

    ``coverage`` is the share of cells with a value, ``doubled`` the readings that found their cell
    taken by one nearer to its time, ``off_s`` the largest distance of a reading from its cell.
    """

    start_s: float
    tau0_s: float
    values: Float
    coverage: float
    doubled: int
    off_s: float


def _fitted_interval(t: Float) -> tuple[float, float]:
    """First time and spacing of the grid that fits all times best.

    The median spacing alone would walk off over days by its rounding; so each step is counted in
    whole spacings and a line is laid through the times over that count.
    """
    steps = np.diff(t)
    spacing = float(np.median(steps[steps > 0]))
    number = np.concatenate(([0.0], np.cumsum(np.round(steps / spacing))))
    centre = number - number.mean()
    total = float(centre @ centre)
    tau0_s = float(centre @ (t - t.mean())) / total if total > 0 else spacing
    return float(t.mean() - tau0_s * number.mean()), tau0_s


def regular_grid(t_s: ArrayLike, y: ArrayLike, *, tau0_s: float | None = None) -> RegularSeries:
    """Lay uneven readings with gaps on an even grid, each in the cell nearest to its time.

    Args:
        t_s: (n,) seconds, in any order. Readings whose time or value is NaN are left out.
        tau0_s: spacing; where None it is fitted to the times, and the grid's first time with it.

    Returns:
        No readings: no cells, coverage 0, and NaN times. One: one cell.

    Raises:
        ValueError: lengths that differ, a spacing that is not above 0, or more than 4 million
            cells.
    """
    t, values = np.asarray(t_s, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if t.ndim != 1 or t.shape != values.shape:
        raise ValueError(f"times and values must be as long, got {t.shape} and {values.shape}")
    if tau0_s is not None and not tau0_s > 0:
        raise ValueError(f"the spacing must be above 0 s, got {tau0_s}")
    known = np.isfinite(t) & np.isfinite(values)
    t, values = t[known], values[known]
    order = np.argsort(t, kind="stable")
    t, values = t[order], values[order]
    if t.size == 0:
        return _cells(math.nan, tau0_s or math.nan, np.empty(0), 0, 0.0)
    origin_s, start_s = float(t[0]), 0.0
    t = t - origin_s
    if tau0_s is None:
        if not t[-1] > 0:
            return _cells(origin_s, math.nan, values[:1].copy(), t.size - 1, 0.0)
        start_s, tau0_s = _fitted_interval(t)
    cell = np.round((t - start_s) / tau0_s)
    start_s += tau0_s * float(cell[0])
    cell -= cell[0]
    if cell[-1] >= MOST_CELLS:
        raise ValueError(
            f"{cell[-1] + 1:.0f} cells of {tau0_s:.6g} s, at most {MOST_CELLS}: "
            "reduce the series first, or state a wider spacing"
        )
    number = cell.astype(np.intp)
    off_s = np.abs(t - start_s - tau0_s * cell)
    nearest_last = np.lexsort((-off_s, number))  # the last of equal cells wins the assignment
    grid = np.full(int(number[-1]) + 1, np.nan)
    grid[number[nearest_last]] = values[nearest_last]
    doubled = int(t.size - np.unique(number).size)
    return _cells(origin_s + start_s, tau0_s, grid, doubled, float(off_s.max()))


def _cells(start_s: float, tau0_s: float, grid: Float, doubled: int, off_s: float) -> RegularSeries:
    return RegularSeries(
        start_s=start_s,
        tau0_s=tau0_s,
        values=grid,
        coverage=float(np.isfinite(grid).mean()) if grid.size else 0.0,
        doubled=doubled,
        off_s=off_s,
    )


def octaves(samples: int, *, least_pairs: int = 1) -> tuple[int, ...]:
    """Averaging numbers 1, 2, 4, ... that leave ``least_pairs`` pairs of averages end to end."""
    found = []
    m = 1
    while samples // m >= least_pairs + 1:
        found.append(m)
        m *= 2
    return tuple(found)


# --- deviations -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Deviation:
    """One deviation at one averaging time, with its χ² interval.

    ``pairs`` terms were complete of ``possible`` ones that an ungapped series would have. ``dof``
    are the degrees of freedom for noise of ``exponent`` (spectral density of y over frequency:
    0 white, -1 flicker, -2 random walk, 1 and 2 phase noise). NaN where no term was complete.
    """

    kind: DeviationKind
    averages: int
    tau_s: float
    deviation: float
    pairs: int
    possible: int
    exponent: int
    dof: float
    low: float
    high: float

    @property
    def coverage(self) -> float:
        return self.pairs / self.possible if self.possible else 0.0


def _moving_sums(values: Float, width: int) -> Float:
    """Sums over ``width`` consecutive values from every start."""
    total = np.concatenate(([0.0], np.cumsum(values)))
    return np.asarray(total[width:] - total[:-width])


def _terms(kind: DeviationKind, y: Float, m: int) -> tuple[Float, NDArray[np.bool_], float]:
    """(terms, which are complete, divisor): the variance is the mean of terms² over divisor.

    ``y`` holds 0 for missing values here; completeness is counted beside it.
    """
    known = np.isfinite(y)
    filled = np.where(known, y, 0.0)
    hadamard = kind in (DeviationKind.HADAMARD, DeviationKind.OVERLAPPING_HADAMARD)
    modified = kind in (DeviationKind.MODIFIED, DeviationKind.TIME)
    reach = 3 * m if hadamard else 3 * m - 1 if modified else 2 * m
    if y.size < reach:
        return np.empty(0), np.empty(0, dtype=np.bool_), 1.0
    means = _moving_sums(filled, m) / m
    difference = means[m:] - means[:-m]
    complete = _moving_sums((~known).astype(np.float64), reach) < 0.5
    if hadamard:
        terms, divisor = difference[m:] - difference[:-m], 6.0
    elif modified:
        terms, divisor = _moving_sums(difference, m) / m, 2.0
    else:
        terms, divisor = difference, 2.0
    if kind in (DeviationKind.ALLAN, DeviationKind.HADAMARD):
        terms, complete = terms[::m], complete[::m]
    return terms, complete, divisor


def _checked(y: ArrayLike, tau0_s: float) -> Float:
    values = np.asarray(y, dtype=np.float64)
    if values.ndim != 1:
        raise ValueError(f"values must be one series, got shape {values.shape}")
    if not tau0_s > 0:
        raise ValueError(f"the spacing must be above 0 s, got {tau0_s}")
    known = np.isfinite(values)
    # Differences do not see the mean; without it the running sums keep their digits.
    return np.where(known, values - (values[known].mean() if known.any() else 0.0), np.nan)


def deviation(
    kind: DeviationKind,
    y: ArrayLike,
    *,
    tau0_s: float,
    averages: int = 1,
    exponent: int | None = None,
    confidence: float = 0.95,
) -> Deviation:
    """One deviation of an even series at τ = ``averages``·``tau0_s``.

    Args:
        y: (n,) values every ``tau0_s``, NaN where missing. A term counts where every value in it
            is there; the others are left out, not filled up.
        exponent: of the noise, for the interval. Where None it is told from the data at this
            averaging time or, where fewer than 30 averages are left, at the longest of its halves
            that has as many; white where there is none.

    Returns:
        NaN where the series is too short or no term is complete. The interval is
        √(dof·σ²/χ²): for the stated noise only, and none for a linear drift. Where values are
        missing the degrees of freedom shrink in proportion to the terms (a simplification).

    Raises:
        ValueError: not one series, or a spacing or averages not above 0.
    """
    values = _checked(y, tau0_s)
    if averages < 1:
        raise ValueError(f"averages must be 1 or more, got {averages}")
    if exponent is None:
        exponent = _told_exponent(values, averages)
    return _deviation(kind, values, tau0_s, averages, exponent, confidence)


def _deviation(
    kind: DeviationKind, y: Float, tau0_s: float, m: int, exponent: int, confidence: float
) -> Deviation:
    terms, complete, divisor = _terms(kind, y, m)
    used = terms[complete]
    found = math.nan
    dof = low = high = math.nan
    if used.size:
        found = math.sqrt(float(used @ used) / used.size / divisor)
        if kind is DeviationKind.TIME:
            found *= m * tau0_s / math.sqrt(3.0)
        dof = allan_dof(kind, exponent, m, y.size) * used.size / terms.size
        low, high = _chi_square_interval(found, dof, confidence)
    return Deviation(
        kind=kind,
        averages=m,
        tau_s=m * tau0_s,
        deviation=found,
        pairs=int(used.size),
        possible=int(terms.size),
        exponent=exponent,
        dof=dof,
        low=low,
        high=high,
    )


def _chi_square_interval(found: float, dof: float, confidence: float) -> tuple[float, float]:
    if not dof > 0.01:
        return 0.0, math.inf
    below = 2.0 * gamma_quantile(dof / 2.0, 0.5 - confidence / 2.0)
    above = 2.0 * gamma_quantile(dof / 2.0, 0.5 + confidence / 2.0)
    high = found * math.sqrt(dof / below) if below > 0 else math.inf
    return found * math.sqrt(dof / above), high


def deviations(
    kind: DeviationKind,
    y: ArrayLike,
    *,
    tau0_s: float,
    averages: Iterable[int] | None = None,
    confidence: float = 0.95,
) -> tuple[Deviation, ...]:
    """Deviations over averaging times, those without a complete term left out.

    Octaves where ``averages`` is None. Arguments as :func:`deviation`; the noise is told anew for
    each averaging time.
    """
    values = _checked(y, tau0_s)
    found = []
    for m in sorted(set(averages)) if averages is not None else octaves(values.size):
        if m < 1:
            raise ValueError(f"averages must be 1 or more, got {m}")
        point = _deviation(kind, values, tau0_s, m, _told_exponent(values, m), confidence)
        if point.pairs:
            found.append(point)
    return tuple(found)


# --- which noise ----------------------------------------------------------------------------------


def _averaged(y: Float, m: int) -> Float:
    """Means of m values end to end, NaN where one is missing."""
    whole = y.size // m
    return np.asarray(y[: whole * m].reshape(whole, m).mean(axis=1))


def noise_exponent(y: ArrayLike, *, averages: int = 1) -> int | None:
    """Exponent of the noise at τ = ``averages``·τ0, from the lag-one correlation of the averages.

    Method of Riley and Greenhall (2004), in NIST SP 1065 (from memory): a straight line is taken
    out; with r the lag-one correlation, δ = r/(1 + r); while δ ≥ ¼ the values are differenced once
    more; the exponent is -2(δ + differences), rounded. 2 to -2; None where fewer than 30 averages
    are complete. Missing averages are closed up before differencing, which makes slow noise look
    faster where there are many.
    """
    z = _averaged(np.asarray(y, dtype=np.float64), averages)
    at = np.flatnonzero(np.isfinite(z)).astype(np.float64)
    z = z[np.isfinite(z)]
    if z.size < LEAST_TO_IDENTIFY:
        return None
    dx = at - at.mean()
    z = z - z.mean()
    z = z - dx * (float(dx @ z) / float(dx @ dx))
    for differences in range(2):
        if not float(z @ z) > 0.0:
            return 0
        z = z - z.mean()
        r = float(z[1:] @ z[:-1]) / float(z @ z)
        fraction = r / (1.0 + r)
        if fraction < 0.25:
            return int(min(2, max(-2, round(-2.0 * (fraction + differences)))))
        z = np.diff(z)
    return -2


def _told_exponent(y: Float, averages: int) -> int:
    m = averages
    while m:
        told = noise_exponent(y, averages=m)
        if told is not None:
            return told
        m //= 2
    return 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Slope:
    """Slope of log deviation over log τ, its standard uncertainty and the noise it tells."""

    slope: float
    u: float
    noise: NoiseType


def slope_of(points: Sequence[Deviation]) -> Slope:
    """Slope through deviations, weighted by their degrees of freedom.

    The uncertainty takes the points for independent, which those of one series are not quite; the
    larger of that from the degrees of freedom (u of log σ is 1/√(2·dof)) and that from the scatter
    is taken. Noise is "unclear" where the slope lies further than 0.15 from every type's by more
    than u, or where there are fewer than two points.
    """
    good = [p for p in points if p.deviation > 0 and p.dof > 0]
    if len(good) < 2:
        return Slope(slope=math.nan, u=math.nan, noise=NoiseType.UNCLEAR)
    x = np.log([p.tau_s for p in good])
    y = np.log([p.deviation for p in good])
    w = np.array([2.0 * p.dof for p in good])
    dx = x - float(w @ x) / w.sum()
    sxx = float(w @ dx**2)
    slope = float(w @ (dx * (y - float(w @ y) / w.sum()))) / sxx
    residual = y - float(w @ y) / w.sum() - slope * dx
    scatter = float(w @ residual**2) / (len(good) - 2) if len(good) > 2 else 1.0
    u = math.sqrt(max(1.0, scatter) / sxx)
    modified = good[0].kind in (DeviationKind.MODIFIED, DeviationKind.TIME)
    shift = 1.0 if good[0].kind is DeviationKind.TIME else 0.0
    return Slope(slope=slope, u=u, noise=noise_of_slope(slope - shift, u=u, modified=modified))


def noise_of_slope(slope: float, *, u: float = 0.0, modified: bool = False) -> NoiseType:
    """The noise whose slope is nearest: -1 (modified: -1 and steeper), -½, 0, +½, +1.

    Unclear where the nearest is more than 0.15 + ``u`` away, or two or more others lie within
    ``u``. A Hadamard deviation does not show a drift, so its +1 is noise slower than a random walk.
    """
    known = {
        -0.5: NoiseType.WHITE,
        0.0: NoiseType.FLICKER,
        0.5: NoiseType.RANDOM_WALK,
        1.0: NoiseType.DRIFT,
        -1.0: NoiseType.PHASE,
    }
    if modified and slope < -1.0:
        slope = -1.0
    if not math.isfinite(slope):
        return NoiseType.UNCLEAR
    nearest = min(known, key=lambda value: abs(slope - value))
    rivals = sum(abs(slope - value) <= u for value in known)
    if abs(slope - nearest) > 0.15 + u or rivals > 1:
        return NoiseType.UNCLEAR
    return known[nearest]


# --- degrees of freedom ---------------------------------------------------------------------------


def _phase_structure(t: Float, exponent: int) -> Float:
    """Generalised autocovariance of phase, integrated once more, for noise of ``exponent``."""
    a = np.abs(t)
    safe = np.where(a > 0, a, 1.0)
    if exponent == 2:
        return -a
    if exponent == 1:
        return np.asarray(t * t * np.log(safe))
    if exponent == 0:
        return np.asarray(a**3)
    if exponent == -1:
        return np.asarray(-(t**4) * np.log(safe))
    return np.asarray(-(a**5))


def allan_dof(kind: DeviationKind, exponent: int, averages: int, samples: int) -> float:
    """Equivalent χ² degrees of freedom of a deviation from an ungapped series.

    Summed as Greenhall and Riley (2003) do (from memory), which NIST SP 1065 takes over: the
    covariances of all terms under noise of ``exponent`` (2 to -2). Beyond averages of 4096 the
    series is scaled down, which changes only phase noise. At least the one degree of a single term.

    Raises:
        ValueError: an exponent outside -2..2.
    """
    if exponent not in (-2, -1, 0, 1, 2):
        raise ValueError(f"the exponent must be -2 to 2, got {exponent}")
    m, points = averages, samples + 1
    if m > DENSE:
        points, m = round(samples * DENSE / m) + 1, DENSE
    order = 3 if kind in (DeviationKind.HADAMARD, DeviationKind.OVERLAPPING_HADAMARD) else 2
    filtered = 1 if kind in (DeviationKind.MODIFIED, DeviationKind.TIME) else m
    stride = 1 if kind in (DeviationKind.ALLAN, DeviationKind.HADAMARD) else m
    length = m // filtered + m * order
    terms = 1 + (stride * (points - length)) // m
    if terms < 1:
        return 0.0
    lags = np.arange(min(terms, (order + 1) * stride) + 1)
    covariance = _term_covariance(lags / stride, filtered, exponent, order)
    weight = 1.0 - lags / terms
    total = covariance[0] ** 2 + 2.0 * float(weight[1:-1] @ covariance[1:-1] ** 2)
    total += weight[-1] * covariance[-1] ** 2
    return max(1.0, float(terms * covariance[0] ** 2 / total))


def _term_covariance(t: Float, filtered: int, exponent: int, order: int) -> Float:
    """Covariance of two terms that lie t averaging times apart, in arbitrary units."""

    def phase(at: Float) -> Float:
        step = 1.0 / filtered
        return np.asarray(
            2.0 * _phase_structure(at, exponent)
            - _phase_structure(at - step, exponent)
            - _phase_structure(at + step, exponent)
        )

    binomial = (6.0, -4.0, 1.0) if order == 2 else (20.0, -15.0, 6.0, -1.0)
    total = binomial[0] * phase(t)
    for shift, factor in enumerate(binomial[1:], start=1):
        total = total + factor * (phase(t - shift) + phase(t + shift))
    return np.asarray(total)
