"""Peaks of a trace: which points are peaks, and where between the points a line really lies.

A lone carrier draws the shape of the RBW filter. A Gaussian filter is a parabola in dB, so a
parabola through the points near the top gives the carrier's frequency and level without any bias.
Other filters are a little off, by an amount that depends on where the carrier lies between the
points; the worst of it is stated with each result. Levels are in dB of any reference.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz
from acqd.measure.statistics import DB_PER_NEPER

__all__ = [
    "Bound",
    "InterpolatedPeak",
    "ParabolaBias",
    "Peaks",
    "ReadingNoise",
    "check_trace",
    "extent_of",
    "filter_loss_db",
    "filter_width_hz",
    "find_peaks",
    "interpolated_peak",
    "parabola_bias",
    "reading_deviation_db",
]

Float = NDArray[np.float64]

REACH_PER_RBW = 0.5
"""Points this far from the top go into the parabola: 3 dB down, where the noise still is small."""

LARGEST_STEP_PER_RBW = 1.0
"""Above it the neighbours of the top are up to 27 dB down, in phase noise or the floor."""

PEAKS_LIMIT = 256
"""Most peaks that one trace is described by; the strongest are kept, the rest counted."""

POLES = {
    FilterShape.SYNCHRONOUS_4: 4,
    FilterShape.SYNCHRONOUS_5: 5,
    FilterShape.SINGLE_POLE: 1,
}


class Bound(StrEnum):
    """Whether a figure is a value, or the truth is known to lie on one side of it."""

    VALUE = "value"
    AT_MOST = "at most"
    AT_LEAST = "at least"


def filter_loss_db(
    offset_hz: Float | float, rbw_hz: float, shape: FilterShape = FilterShape.GAUSSIAN
) -> Float:
    """How far an RBW filter of 3 dB width ``rbw_hz`` is down at an offset, in dB (≥ 0).

    Gaussian: 3.0103·(2f/B)². Of n equal poles: 10n·log10[1 + (2^(1/n) − 1)·(2f/B)²].

    Source: definition of the 3 dB width (derived).
    """
    square = (2.0 * np.asarray(offset_hz, dtype=np.float64) / rbw_hz) ** 2
    if shape is FilterShape.GAUSSIAN:
        return np.asarray(10.0 * math.log10(2.0) * square)
    poles = POLES[shape]
    return np.asarray(poles * DB_PER_NEPER * np.log1p((2.0 ** (1.0 / poles) - 1.0) * square))


def filter_width_hz(
    rbw_hz: float, down_db: float, shape: FilterShape = FilterShape.GAUSSIAN
) -> float:
    """Full width of an RBW filter where it is ``down_db`` down; inverse of the loss."""
    if shape is FilterShape.GAUSSIAN:
        return rbw_hz * math.sqrt(down_db / (10.0 * math.log10(2.0)))
    poles = POLES[shape]
    square = math.expm1(down_db / DB_PER_NEPER / poles) / (2.0 ** (1.0 / poles) - 1.0)
    return rbw_hz * math.sqrt(square)


def reading_deviation_db(over_floor_db: float, averages: float = 1.0) -> float:
    """Standard deviation of one reading of a steady carrier in noise, in dB.

    Args:
        over_floor_db: the reading (carrier and noise) above the mean noise power; 0 or less is
            noise alone: 5.57 dB for one sample.
        averages: N, samples averaged in power.

    Returns:
        (10/ln 10)·√ψ′(a), with a the shape of the gamma distribution that has the relative
        variance (2x − 1)/(N·x²) of power x over the floor. Far above the floor that is
        (10/ln 10)·√(2/(x·N)).

    Source: derived; Gaussian noise through an envelope detector.
    """
    over = 10.0 ** (max(0.0, over_floor_db) / 10.0)
    a = averages * over * over / (2.0 * over - 1.0)
    b = a + 1.0
    # ψ′(a) = 1/a² + ψ′(a + 1), and its series for large arguments: 1e−4 off at a = 1.
    trigamma = 1.0 / a**2 + 1.0 / b + 0.5 / b**2 + 1.0 / (6.0 * b**3) - 1.0 / (30.0 * b**5)
    return DB_PER_NEPER * math.sqrt(trigamma)


# --- finding ---


@dataclass(frozen=True, slots=True)
class Peaks:
    """Indices of peaks in rising order; ``dropped`` counts weaker ones beyond the limit."""

    index: NDArray[np.intp]
    dropped: int = 0

    def __len__(self) -> int:
        return int(self.index.size)


def find_peaks(
    level_db: Float,
    *,
    excursion_db: float = 6.0,
    threshold: float = -math.inf,
    limit: int = PEAKS_LIMIT,
) -> Peaks:
    """Points that stand out of their surroundings on both sides.

    Args:
        level_db: (points,). NaN parts the trace: each side is looked at by itself.
        excursion_db: what the trace must fall on either side before it gets as high again.
        threshold: peaks count where they lie above it (strictly).
        limit: most peaks to give; by level, then lowest frequency.

    Returns:
        Peaks; of equal values the first. A top at the end of a trace is no peak: nobody has seen
        its other side. An empty trace has none.

    Source: definition ours (the usual marker peak excursion).
    """
    found: list[int] = []
    rising = False
    top, top_at, bottom = -math.inf, -1, math.inf
    for i, value in enumerate(level_db.tolist()):
        if value != value:  # NaN: both sides start anew
            rising, bottom = False, math.inf
        elif rising:
            if value > top:
                top, top_at = value, i
            elif value <= top - excursion_db:
                found.append(top_at)
                rising, bottom = False, value
        else:
            bottom = min(bottom, value)
            if value >= bottom + excursion_db:
                rising, top, top_at = True, value, i
    index = np.array([i for i in found if level_db[i] > threshold], dtype=np.intp)
    dropped = max(0, index.size - limit)
    if dropped:
        index = np.sort(index[np.argsort(-level_db[index], kind="stable")[:limit]])
    return Peaks(index, dropped)


# --- between the points ---


@dataclass(frozen=True, slots=True, kw_only=True)
class ParabolaBias:
    """Worst errors of the parabola for a lone carrier without noise: found less true."""

    frequency_hz: float
    """Largest, either sign."""
    low_db: float
    high_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class InterpolatedPeak:
    """Where a line lies and how strong it is.

    Without noise ``frequency_hz`` is within ``bias_hz`` of the truth, and found less true level
    lies within ``bias_low_db`` to ``bias_high_db``; these are None where nothing bounds them.
    ``u_hz`` and ``u_db`` are standard uncertainties from noise, resolution of the levels and that
    bias (as a rectangle: half-width/√3, JCGM 100:2008 4.3.7); None with the bias. The axis and the
    scale of the sweeper are not in them. ``width_hz`` is the 3 dB width of the Gaussian that fits:
    about the RBW for a lone carrier. ``interpolated`` is False with a ``reason`` where the figures
    are those of the point itself.
    """

    frequency_hz: float
    level_db: float
    interpolated: bool
    u_hz: float | None
    u_db: float | None
    bias_hz: float | None
    bias_low_db: float | None
    bias_high_db: float | None
    width_hz: float | None
    points: int
    reason: str | None


def parabola_bias(
    offsets_hz: Sequence[float], rbw_hz: float, shape: FilterShape = FilterShape.GAUSSIAN
) -> ParabolaBias:
    """Worst bias of the parabola over all places of a carrier nearest to the middle point.

    Args:
        offsets_hz: the points that go in, from the one at the top: rising, 0 among them.

    Returns:
        Zeros for a Gaussian filter, whatever the step; else the extremes over 81 places.

    Raises:
        ValueError: less than three points, or no 0 with a point on either side.

    Source: derived, by calculation over the filter's shape.
    """
    x = np.asarray(offsets_hz, dtype=np.float64)
    middle = int(np.searchsorted(x, 0.0))
    if x.size < 3 or not 0 < middle < x.size - 1 or x[middle] != 0.0:
        raise ValueError("a parabola needs at least three points, with the middle one at 0")
    if shape is FilterShape.GAUSSIAN:
        return ParabolaBias(frequency_hz=0.0, low_db=0.0, high_db=0.0)
    places = np.linspace(x[middle - 1] / 2.0, x[middle + 1] / 2.0, 81)
    level = -filter_loss_db(x[None, :] - places[:, None], rbw_hz, shape)
    weights = np.linalg.pinv(_powers(x / rbw_hz))
    c, b, a = weights @ level.T
    error_hz = -b / (2.0 * a) * rbw_hz - places
    error_db = c - b * b / (4.0 * a)
    return ParabolaBias(
        frequency_hz=float(np.abs(error_hz).max()),
        low_db=min(0.0, float(error_db.min())),
        high_db=max(0.0, float(error_db.max())),
    )


def _powers(x: Float) -> Float:
    return np.stack([np.ones_like(x), x, x * x], axis=-1)


def interpolated_peak(
    frequency_hz: Float,
    level_db: Float,
    index: int,
    *,
    rbw_hz: float | None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    floor_db: float | None = None,
    averages: float = 1.0,
    resolution_db: float = 0.0,
) -> InterpolatedPeak:
    """The top of a line by a parabola in dB through the points within half the RBW around it.

    Three points at least (the top and its neighbours), by least squares where there are more.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_db: (points,), NaN allowed.
        index: the point at the top; no neighbour may be higher.
        rbw_hz: 3 dB width; None refuses to interpolate.
        floor_db: mean power of the noise in the same RBW, for the uncertainty; None takes no noise
            into account. Noise is taken as independent from point to point, but never as more than
            three independent readings.
        averages: N, samples averaged in power in each point.
        resolution_db: step of the levels; enters as a rectangle.

    Returns:
        Not interpolated, with a reason, where the RBW is unknown; at the first or last point or
        beside a NaN (the top may lie where nobody looked: no bound); on a plateau of three or more
        equal points (its middle); and with steps above the RBW: then a line lies within half a
        step, and reads low by up to 3.0103·(Δf/RBW)² dB (Gaussian).

    Raises:
        ValueError: an index outside the trace, a NaN there, or a neighbour that is higher.

    Source: derived; exact for a Gaussian filter, see :func:`parabola_bias` for others.
    """
    _check_top(level_db, index)
    noise_db = _noise_db(float(level_db[index]), floor_db, averages, resolution_db)
    reason = _no_neighbours(frequency_hz, level_db, index)
    if reason is not None:
        return _unbounded(frequency_hz, level_db, index, reason)
    first, last = _plateau(level_db, index)
    if last - first >= 2:
        return _flat(frequency_hz, level_db, first, last, noise_db)
    step_hz = float(max(np.diff(frequency_hz[index - 1 : index + 2])))
    if rbw_hz is None:
        return _unbounded(frequency_hz, level_db, index, "the RBW is not known")
    if step_hz > LARGEST_STEP_PER_RBW * rbw_hz * (1 + 1e-9):
        return _coarse(frequency_hz, level_db, index, step_hz, rbw_hz, shape, noise_db)
    return _fitted(
        frequency_hz, level_db, index, rbw_hz, shape, (floor_db, averages, resolution_db)
    )


def _check_top(level_db: Float, index: int) -> None:
    if not 0 <= index < level_db.size:
        raise ValueError(f"index must lie in 0..{level_db.size - 1}, got {index}")
    top = level_db[index]
    around = level_db[max(0, index - 1) : index + 2]
    if not np.isfinite(top) or bool((around > top).any()):
        raise ValueError(f"index {index} is not the top of a line: a neighbour is higher, or NaN")


def _noise_db(level: float, floor_db: float | None, averages: float, resolution_db: float) -> float:
    noise = 0.0 if floor_db is None else reading_deviation_db(level - floor_db, averages)
    return math.hypot(noise, resolution_db / math.sqrt(12.0))


def _no_neighbours(frequency_hz: Float, level_db: Float, index: int) -> str | None:
    if index in (0, level_db.size - 1):
        return "the highest point is at the end of the sweep: the top may lie outside"
    if not (np.isfinite(level_db[index - 1]) and np.isfinite(level_db[index + 1])):
        return "a level beside the highest point is missing"
    if not frequency_hz[index - 1] < frequency_hz[index] < frequency_hz[index + 1]:
        return "points beside the highest one share its frequency"
    return None


def _unbounded(frequency_hz: Float, level_db: Float, index: int, reason: str) -> InterpolatedPeak:
    return InterpolatedPeak(
        frequency_hz=float(frequency_hz[index]),
        level_db=float(level_db[index]),
        interpolated=False,
        u_hz=None,
        u_db=None,
        bias_hz=None,
        bias_low_db=None,
        bias_high_db=None,
        width_hz=None,
        points=1,
        reason=reason,
    )


def _plateau(level_db: Float, index: int) -> tuple[int, int]:
    first = last = index
    while first > 0 and level_db[first - 1] == level_db[index]:
        first -= 1
    while last < level_db.size - 1 and level_db[last + 1] == level_db[index]:
        last += 1
    return first, last


def _flat(
    frequency_hz: Float, level_db: Float, first: int, last: int, noise_db: float
) -> InterpolatedPeak:
    low_hz, high_hz = float(frequency_hz[first]), float(frequency_hz[last])
    half_hz = (high_hz - low_hz) / 2.0
    return InterpolatedPeak(
        frequency_hz=low_hz + half_hz,
        level_db=float(level_db[first]),
        interpolated=False,
        u_hz=half_hz / math.sqrt(3.0),
        u_db=noise_db,
        bias_hz=half_hz,
        bias_low_db=0.0,
        bias_high_db=0.0,
        width_hz=None,
        points=last - first + 1,
        reason=f"{last - first + 1} points at the top are equal: a clipped or a coarse scale, "
        "or a flat signal",
    )


def _coarse(
    frequency_hz: Float,
    level_db: Float,
    index: int,
    step_hz: float,
    rbw_hz: float,
    shape: FilterShape,
    noise_db: float,
) -> InterpolatedPeak:
    half_hz = step_hz / 2.0
    scallop_db = float(filter_loss_db(half_hz, rbw_hz, shape))
    return InterpolatedPeak(
        frequency_hz=float(frequency_hz[index]),
        level_db=float(level_db[index]),
        interpolated=False,
        u_hz=half_hz / math.sqrt(3.0),
        u_db=math.hypot(noise_db, scallop_db / math.sqrt(3.0)),
        bias_hz=half_hz,
        bias_low_db=-scallop_db,
        bias_high_db=0.0,
        width_hz=None,
        points=1,
        reason=f"the points are {step_hz:.6g} Hz apart, more than the RBW of {rbw_hz:.6g} Hz: "
        f"a line lies within half a step, up to {scallop_db:.1f} dB higher",
    )


def _reach(frequency_hz: Float, level_db: Float, index: int, rbw_hz: float) -> slice:
    """The points to fit: whole neighbours at least, up to half the RBW, none beyond a NaN."""
    reach_hz = REACH_PER_RBW * rbw_hz * (1 + 1e-9)
    first, last = index - 1, index + 1
    top_hz = frequency_hz[index]
    while first > 0 and top_hz - frequency_hz[first - 1] <= reach_hz:
        if not np.isfinite(level_db[first - 1]):
            break
        first -= 1
    while last < level_db.size - 1 and frequency_hz[last + 1] - top_hz <= reach_hz:
        if not np.isfinite(level_db[last + 1]):
            break
        last += 1
    return slice(first, last + 1)


def _fitted(
    frequency_hz: Float,
    level_db: Float,
    index: int,
    rbw_hz: float,
    shape: FilterShape,
    noise: tuple[float | None, float, float],
) -> InterpolatedPeak:
    part = _reach(frequency_hz, level_db, index, rbw_hz)
    top_hz, top_db = float(frequency_hz[index]), float(level_db[index])
    offsets_hz = frequency_hz[part] - top_hz
    x = offsets_hz / rbw_hz
    weights = np.linalg.pinv(_powers(x))
    c, b, a = (weights @ (level_db[part] - top_db)).tolist()
    if not (a < 0 and x[0] <= -b / (2.0 * a) <= x[-1]):
        return _unbounded(
            frequency_hz, level_db, index, "the points around the highest one are not a peak"
        )
    away = -b / (2.0 * a)
    bias = parabola_bias(offsets_hz.tolist(), rbw_hz, shape)
    deviations = np.array([_noise_db(one, *noise) for one in level_db[part].tolist()])
    # Within an RBW a fast sweep's noise does not change: more points are not more knowledge.
    crowd = math.sqrt(max(1.0, x.size / 3.0))
    # d(−b/2a) and, as the slope is 0 at the top, the level by the weights of that place alone.
    by_frequency = -(weights[1] + 2.0 * away * weights[2]) / (2.0 * a) * rbw_hz
    by_level = weights[0] + away * weights[1] + away * away * weights[2]
    noise_hz = crowd * float(np.sqrt(np.sum((by_frequency * deviations) ** 2)))
    noise_db = crowd * float(np.sqrt(np.sum((by_level * deviations) ** 2)))
    half_db = max(-bias.low_db, bias.high_db)
    return InterpolatedPeak(
        frequency_hz=top_hz + away * rbw_hz,
        level_db=top_db + c - b * b / (4.0 * a),
        interpolated=True,
        u_hz=math.hypot(noise_hz, bias.frequency_hz / math.sqrt(3.0)),
        u_db=math.hypot(noise_db, half_db / math.sqrt(3.0)),
        bias_hz=bias.frequency_hz,
        bias_low_db=bias.low_db,
        bias_high_db=bias.high_db,
        width_hz=rbw_hz * math.sqrt(40.0 * math.log10(2.0) / -a),
        points=int(x.size),
        reason=None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingNoise:
    """What the noise of a reading, and the shape of a line, follow from.

    ``floor_dbm`` is the mean noise power in the RBW; None where it is not known. ``enb_per_rbw`` is
    ENB / RBW where it is stated; None: that of ``shape``.
    """

    floor_dbm: float | None
    averages: float
    rbw_hz: float | None
    shape: FilterShape
    enb_per_rbw: float | None = None

    @property
    def enb_hz(self) -> float | None:
        """Equivalent noise bandwidth of the filter; None without an RBW."""
        return None if self.rbw_hz is None else enb_hz(self.rbw_hz, self.shape, self.enb_per_rbw)

    def peak(
        self, frequency_hz: Float, level_dbm: Float, within: slice, at: int
    ) -> InterpolatedPeak:
        """The line at a point that is the highest of its part of the sweep."""
        return interpolated_peak(
            frequency_hz[within],
            level_dbm[within],
            at - within.start,
            rbw_hz=self.rbw_hz,
            shape=self.shape,
            floor_db=self.floor_dbm,
            averages=self.averages,
        )

    def deviation_db(self, level_dbm: float) -> float:
        """Standard deviation of a reading; none is known without a floor."""
        if self.floor_dbm is None:
            return 0.0
        return reading_deviation_db(level_dbm - self.floor_dbm, self.averages)


def extent_of(inside: NDArray[np.bool_]) -> slice:
    """From the first point inside to the last; at least one must be."""
    where = np.flatnonzero(inside)
    return slice(int(where[0]), int(where[-1]) + 1)


def check_trace(frequency_hz: Float, level_dbm: Float) -> None:
    """Refuse arrays that are not one trace.

    Raises:
        ValueError: shapes that differ, or more than one dimension.
    """
    if frequency_hz.shape != level_dbm.shape or level_dbm.ndim != 1:
        raise ValueError(
            "frequency_hz and level_dbm must be one-dimensional and of one length, "
            f"got {frequency_hz.shape} and {level_dbm.shape}"
        )
