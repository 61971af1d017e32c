"""Harmonics and other products of a transmitter: where they lie, how strong, and of what kind.

A line keeps its level whatever the bandwidth, noise follows it; so a product's level in a limit's
reference bandwidth depends on which of the two it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz, step_too_wide, without_floor_db
from acqd.measure.fluctuation import fluctuation, sum_deviation_db
from acqd.measure.peaks import Bound, InterpolatedPeak, ReadingNoise, check_trace, extent_of
from acqd.sweep import Grid
from acqd.units import ratio_from_db, watt_from_dbm

__all__ = [
    "ProductKind",
    "ProductLevel",
    "Window",
    "equivalent_width_of",
    "harmonic_level",
    "harmonic_window",
    "harmonics_hz",
    "in_reference_bandwidth",
    "kind_of_product",
]

Float = NDArray[np.float64]

WIDE = 1.5
"""Power over peak, in units of the filter's ENB, from which on a product is noise-like."""


# --- harmonics ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """A range to sweep or to look at."""

    centre_hz: float
    span_hz: float

    @property
    def start_hz(self) -> float:
        return self.centre_hz - self.span_hz / 2.0

    @property
    def stop_hz(self) -> float:
        return self.centre_hz + self.span_hz / 2.0


def harmonics_hz(fundamental_hz: float, count: int, stop_hz: float = math.inf) -> tuple[float, ...]:
    """The ``count`` harmonics above the fundamental (2f, 3f …) that do not lie above ``stop_hz``.

    Raises:
        ValueError: a fundamental that is not above 0, or a count below 0.
    """
    if not fundamental_hz > 0 or count < 0:
        raise ValueError(
            "expected a fundamental above 0 Hz and a count of 0 or more, "
            f"got {fundamental_hz} and {count}"
        )
    every = (n * fundamental_hz for n in range(2, count + 2))
    return tuple(one for one in every if one <= stop_hz)


def harmonic_window(
    fundamental_hz: float,
    n: int,
    *,
    fundamental_u_hz: float = 0.0,
    sweeper_ppm: float = 0.0,
    occupied_hz: float = 0.0,
    rbw_hz: float = 0.0,
) -> Window:
    """Where the n-th harmonic lies for certain.

    Half the span is n·2u + n·f·ppm + n·B/2 + 2·RBW: whatever widens a fundamental by its phase
    widens the n-th harmonic n times, so do errors of its frequency. The sweeper's error is taken
    in full, though on one sweeper with one reference most of it cancels.

    Args:
        fundamental_u_hz: standard uncertainty of the fundamental's frequency.
        sweeper_ppm: half-width of the sweeper's frequency error, in millionths.
        occupied_hz: bandwidth B of the fundamental.
        rbw_hz: RBW of the harmonic's sweep; two of it on either side show the floor.

    Raises:
        ValueError: n below 1.

    Source: definition ours; f·ppm as trade practice has it.
    """
    if n < 1:
        raise ValueError(f"the order of a harmonic must be 1 or more, got {n}")
    half_hz = n * (2.0 * fundamental_u_hz + fundamental_hz * sweeper_ppm * 1e-6 + occupied_hz / 2.0)
    return Window(centre_hz=n * fundamental_hz, span_hz=2.0 * (half_hz + 2.0 * rbw_hz))


class ProductKind(StrEnum):
    """What a product is like, which decides how its level follows the bandwidth."""

    CARRIER = "carrier"
    NOISE_LIKE = "noise-like"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True, kw_only=True)
class ProductLevel:
    """The level of a product with the floor's noise taken out, or a bound on it.

    ``at most`` and ``noise_limited``: less than 3 dB over the floor, ``level_dbm`` is then the
    reading with k standard deviations. ``reading_dbm`` is what the sweep shows. Without any level
    in the window all is None but ``reason``. ``u_db`` holds noise and interpolation alone, and
    ``u_own_db`` what the product's own unsteadiness leaves open.
    """

    frequency_hz: float | None
    level_dbm: float | None
    reading_dbm: float | None
    u_db: float | None
    bound: Bound
    noise_limited: bool
    over_floor_db: float | None
    kind: ProductKind
    reason: str | None
    u_own_db: float = 0.0

    @property
    def level_w(self) -> float | None:
        """The level in watt."""
        return None if self.level_dbm is None else float(watt_from_dbm(self.level_dbm))

    def over_dbc(self, fundamental_dbm: float) -> float | None:
        """The level in dB over the fundamental's, negative where it lies below."""
        return None if self.level_dbm is None else self.level_dbm - fundamental_dbm


def harmonic_level(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    rbw_hz: float | None,
    floor_dbm: float | None,
    floor_u_db: float = 0.0,
    window: Window | None = None,
    averages: float = 1.0,
    coverage_factor: float = 2.0,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> ProductLevel:
    """The level of the strongest line in a window, the floor's noise taken out.

    m dB over the floor the line itself is 10 log10(10^(m/10) − 1) − m lower than the reading.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,), NaN allowed; if the highest point has a NaN beside it, that is said.
        floor_dbm: mean noise power in the same RBW. None: nothing is taken out, and nothing can be
            said to be the floor's.
        floor_u_db: standard uncertainty of the floor.
        window: part of the sweep to look at; all of it if None.
        coverage_factor: k of an "at most".
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Returns:
        A line wider than the RBW gives the power summed over its points where the step allows that
        (``kind`` noise-like). Where the step is wider than the RBW an "at most" also holds what a
        line between two points would read low.

    Raises:
        ValueError: arrays of different shape.

    Source: derived; 3 dB as trade practice.
    """
    check_trace(frequency_hz, level_dbm)
    seen = np.isfinite(level_dbm)
    if window is not None:
        seen &= (frequency_hz >= window.start_hz) & (frequency_hz <= window.stop_hz)
    if not seen.any():
        return _no_level("the sweep has no levels there")
    noise = ReadingNoise(
        floor_dbm=floor_dbm,
        averages=averages,
        rbw_hz=rbw_hz,
        shape=shape,
        enb_per_rbw=enb_per_rbw,
    )
    at = int(np.argmax(np.where(seen, level_dbm, -math.inf)))
    top = noise.peak(frequency_hz, level_dbm, extent_of(seen), at)
    over_db = math.inf if floor_dbm is None else float(level_dbm[at]) - floor_dbm
    correction_db = without_floor_db(over_db)
    if correction_db is None:
        return _bounded(top, over_db, noise, coverage_factor)
    extent = equivalent_width_of(frequency_hz, level_dbm, seen, at, noise)
    kind = kind_of_product(extent, rbw_hz, shape, enb_per_rbw)
    level = top.level_db + correction_db
    if kind is ProductKind.NOISE_LIKE and extent is not None and noise.enb_hz is not None:
        # The extent counts from the highest reading, which a fit through noise does not go through.
        level = float(level_dbm[at]) + correction_db
        level += 10.0 * math.log10(extent / noise.enb_hz)
    over = 10.0 ** (-over_db / 10.0)
    reading_u_db = noise.deviation_db(top.level_db) if top.u_db is None else top.u_db
    return ProductLevel(
        frequency_hz=top.frequency_hz,
        level_dbm=level,
        reading_dbm=top.level_db,
        u_db=math.hypot(reading_u_db, over * floor_u_db) / (1.0 - over),
        bound=Bound.VALUE,
        noise_limited=False,
        over_floor_db=None if floor_dbm is None else over_db,
        kind=kind,
        reason=top.reason,
        u_own_db=_own_deviation_db(frequency_hz, level_dbm, seen, at, kind, noise),
    )


def _own_deviation_db(
    frequency_hz: Float,
    level_dbm: Float,
    seen: NDArray[np.bool_],
    at: int,
    kind: ProductKind,
    noise: ReadingNoise,
) -> float:
    """What a product that is modulated leaves open of its level: of a sum, or of one reading."""
    extent = extent_of(seen)
    floor = -math.inf if noise.floor_dbm is None else noise.floor_dbm
    part = level_dbm[extent]
    own = np.flatnonzero(part > max(float(level_dbm[at]) - 20.0, floor + 6.0))
    if not own.size:
        return 0.0
    run = slice(extent.start + int(own[0]), extent.start + int(own[-1]) + 1)
    unsteady = fluctuation(level_dbm[run], floor_db=floor, averages=noise.averages)
    if kind is not ProductKind.NOISE_LIKE or noise.enb_hz is None:
        return sum_deviation_db(np.ones(1), unsteady)
    cell_hz = Grid.from_axis(frequency_hz).cell_hz[run]
    alike = max(1.0, noise.enb_hz / float(cell_hz.max()))
    held = ratio_from_db(level_dbm[run] - float(level_dbm[at])) * cell_hz
    return sum_deviation_db(held, unsteady, alike=alike)


def _no_level(reason: str) -> ProductLevel:
    return ProductLevel(
        frequency_hz=None,
        level_dbm=None,
        reading_dbm=None,
        u_db=None,
        bound=Bound.VALUE,
        noise_limited=False,
        over_floor_db=None,
        kind=ProductKind.UNKNOWN,
        reason=reason,
    )


def _bounded(
    top: InterpolatedPeak, over_db: float, noise: ReadingNoise, coverage_factor: float
) -> ProductLevel:
    deviation_db = noise.deviation_db(top.level_db)
    scallop_db = -(top.bias_low_db or 0.0)
    return ProductLevel(
        frequency_hz=top.frequency_hz,
        level_dbm=top.level_db + coverage_factor * deviation_db + scallop_db,
        reading_dbm=top.level_db,
        u_db=deviation_db,
        bound=Bound.AT_MOST,
        noise_limited=True,
        over_floor_db=over_db,
        kind=ProductKind.UNKNOWN,
        reason="less than 3 dB over the floor",
    )


def equivalent_width_of(
    frequency_hz: Float,
    level_dbm: Float,
    seen: NDArray[np.bool_],
    at: int,
    noise: ReadingNoise,
) -> float | None:
    """Power over peak, in Hz: ENB for a lone line, the width of what is flat.

    From the points within 20 dB of the peak and 6 dB over the floor. None where steps are too wide.
    """
    cell_hz = Grid.from_axis(frequency_hz).cell_hz
    top = float(level_dbm[at])
    floor = -math.inf if noise.floor_dbm is None else noise.floor_dbm
    part = seen & (np.nan_to_num(level_dbm, nan=-math.inf) > max(top - 20.0, floor + 6.0))
    part[at] = True
    if step_too_wide(float(cell_hz[part].max()), noise.rbw_hz) is not None:
        return None
    over_floor = float(ratio_from_db(floor - top))
    power = (ratio_from_db(level_dbm[part] - top) - over_floor) * cell_hz[part]
    return float(power.sum()) / (1.0 - over_floor)


# --- bandwidths of products ---


def kind_of_product(
    equivalent_width_hz: float | None,
    rbw_hz: float | None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> ProductKind:
    """Whether a product is a lone line or wider than the filter.

    Args:
        equivalent_width_hz: its power over its peak; one ENB for a line. None: not known.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Returns:
        Noise-like from 1.5 ENB on; unknown without a width or an RBW.

    Source: definition ours.
    """
    if equivalent_width_hz is None or rbw_hz is None:
        return ProductKind.UNKNOWN
    wide = equivalent_width_hz >= WIDE * enb_hz(rbw_hz, shape, enb_per_rbw)
    return ProductKind.NOISE_LIKE if wide else ProductKind.CARRIER


def in_reference_bandwidth(
    level_dbm: float,
    *,
    kind: ProductKind,
    rbw_hz: float,
    reference_hz: float,
    equivalent_width_hz: float | None = None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> float:
    """The level that a product read as ``level_dbm`` at its peak has in a reference bandwidth.

    Noise-like: + 10 log10(B/ENB), where a product narrower than the reference fills its own width
    only. A line keeps its level. Unknown: the higher of the two.

    Args:
        level_dbm: peak reading in the RBW, the floor taken out.
        equivalent_width_hz: power over peak; caps B. None does not cap it.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Raises:
        ValueError: a bandwidth that is not above 0.

    Source: derived (noise follows the bandwidth, a line does not).
    """
    if not (rbw_hz > 0 and reference_hz > 0):
        raise ValueError(f"bandwidths must be above 0, got {rbw_hz} and {reference_hz} Hz")
    if kind is ProductKind.CARRIER:
        return level_dbm
    enb = enb_hz(rbw_hz, shape, enb_per_rbw)
    held_hz = reference_hz
    if equivalent_width_hz is not None:
        held_hz = min(reference_hz, max(equivalent_width_hz, enb))
    as_noise = level_dbm + 10.0 * math.log10(held_hz / enb)
    return max(as_noise, level_dbm) if kind is ProductKind.UNKNOWN else as_noise
