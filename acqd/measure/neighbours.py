"""What a strong signal shows at frequencies where it is not: the RBW's skirt and phase noise.

A sweep of a carrier is a picture of the RBW filter, and beyond its skirt of the phase noise of the
sweeper's oscillators. Both lie where other channels are. Here is what that amounts to, so that only
what exceeds it counts as heard. Nothing is subtracted: a reading is explained, or it is not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz
from acqd.sweep import Grid

__all__ = [
    "GAUSSIAN_SHAPE_FACTOR",
    "Leakage",
    "Sources",
    "explained_level",
    "find_sources",
    "leak_out_db",
    "phase_noise_from_sweep",
    "poles_of",
    "skirt_db",
]

Float = NDArray[np.float64]

GAUSSIAN_SHAPE_FACTOR = math.sqrt(60.0 / (10.0 * math.log10(2.0)))
"""60 dB width over 3 dB width of a Gaussian filter: 4.4645."""

POLES = {
    FilterShape.SINGLE_POLE: 1.0,
    FilterShape.SYNCHRONOUS_4: 4.0,
    FilterShape.SYNCHRONOUS_5: 5.0,
    FilterShape.GAUSSIAN: math.inf,
}

SOURCES_LIMIT = 64
"""Most points that are taken for sources in one sweep, the strongest signals first."""


@lru_cache(maxsize=64)
def poles_of(shape_factor: float) -> float:
    """Number of equal poles whose 60 dB width is ``shape_factor`` times the 3 dB width.

    Need not be whole; infinite (Gaussian) at 4.4645 and below: no filter that is swept through is
    steeper without ringing. 12.72 gives 4, 9.99 gives 5, 999.9995 one pole.

    Raises:
        ValueError: wider than a single pole.

    Source: ratio √(10^(6/n) − 1)/√(2^(1/n) − 1), derived.
    """
    if not shape_factor <= 1000.0:
        raise ValueError(
            f"the shape factor must lie below that of a single pole (1000), got {shape_factor}"
        )
    if shape_factor <= GAUSSIAN_SHAPE_FACTOR * 1.0005:
        return math.inf

    def ratio(n: float) -> float:
        return math.sqrt(math.expm1(6.0 / n * math.log(10.0)) / math.expm1(math.log(2.0) / n))

    low, high = 1.0, 1e6
    for _ in range(80):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if ratio(middle) > shape_factor else (low, middle)
    return math.sqrt(low * high)


@dataclass(frozen=True, slots=True, kw_only=True)
class Leakage:
    """How far a signal of this sweeper reaches.

    Args:
        rbw_hz: 3 dB width of the RBW filter.
        poles: equal poles of the filter, infinite for a Gaussian one; see :func:`poles_of`.
        phase_noise: (offset in Hz, dBc/Hz) in rising order of offset, as declared or measured; in
            between straight over the logarithm of the offset, outside as at the nearest. Empty
            where nobody knows: then nothing beyond the filter's skirt is explained.
        stopband_db: rejection that the filter does not exceed however far away; None for none.
        enb_hz: noise bandwidth that the phase noise is received with; None for a Gaussian filter's.
    """

    rbw_hz: float
    poles: float = math.inf
    phase_noise: tuple[tuple[float, float], ...] = ()
    stopband_db: float | None = None
    enb_hz: float | None = None

    def __post_init__(self) -> None:
        if not self.rbw_hz > 0:
            raise ValueError(f"rbw_hz must be above 0, got {self.rbw_hz}")
        if not self.poles >= 1:
            raise ValueError(f"poles must be at least 1, got {self.poles}")
        offsets_hz = [offset for offset, _ in self.phase_noise]
        if any(offset <= 0 for offset in offsets_hz) or offsets_hz != sorted(set(offsets_hz)):
            raise ValueError("offsets of phase noise must be above 0 and rise")

    def reach_db(self, offset_hz: Float) -> Float:
        """Level below that of the signal (≤ 0) at each offset: skirt, phase noise and stopband."""
        reach = -skirt_db(offset_hz, self.rbw_hz, self.poles)
        if self.stopband_db is not None:
            reach = np.maximum(reach, -self.stopband_db)
        if self.phase_noise:
            known = np.array(self.phase_noise)
            density = np.interp(
                np.log(np.maximum(np.abs(offset_hz), known[0, 0])), np.log(known[:, 0]), known[:, 1]
            )
            width_hz = enb_hz(self.rbw_hz) if self.enb_hz is None else self.enb_hz
            noise = np.minimum(density + 10.0 * math.log10(width_hz), 0.0)
            # Powers of unrelated things add.
            reach = np.minimum(np.logaddexp(reach * _NEPER, noise * _NEPER) / _NEPER, 0.0)
        return np.asarray(reach)


_NEPER = math.log(10.0) / 10.0


def skirt_db(offset_hz: Float, rbw_hz: float, poles: float = math.inf) -> Float:
    """Rejection (≥ 0) of the RBW filter at an offset from its centre, of any shape.

    Gaussian: 3.0103·(2Δf/B3)² dB; n equal poles: 10·n·log10(1 + (2Δf/B3)²·(2^(1/n) − 1)). 3.01 dB
    at half the width for every n.

    Source: derived from G(f) = 2^−(2f/B3)² and from the synchronously tuned filter.
    """
    ratio2 = (2.0 * np.asarray(offset_hz, dtype=np.float64) / rbw_hz) ** 2
    if math.isinf(poles):
        return np.asarray(10.0 * math.log10(2.0) * ratio2)
    return np.asarray(
        10.0 * poles / math.log(10.0) * np.log1p(ratio2 * math.expm1(math.log(2.0) / poles))
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Sources:
    """Points of a sweep at which something really is: float64 (sources,) each."""

    frequency_hz: Float
    level: Float


def explained_level(frequency_hz: Float, sources: Sources, leakage: Leakage) -> Float:
    """The highest level that any of ``sources`` explains at each of ``frequency_hz``: (points,).

    −inf without sources. Neighbouring points of one signal are one signal seen twice, so they are
    not summed.
    """
    if not sources.level.size:
        return np.full(np.shape(frequency_hz), -np.inf)
    offset_hz = np.asarray(frequency_hz)[:, None] - sources.frequency_hz[None, :]
    return np.asarray((sources.level[None, :] + leakage.reach_db(offset_hz)).max(axis=1))


def find_sources(
    level: Float,
    frequency_hz: Float,
    groups: Sequence[tuple[int, int]],
    *,
    above: NDArray[np.bool_],
    leakage: Leakage,
    margin_db: float = 3.0,
    leak_db: Float | None = None,
) -> tuple[NDArray[np.bool_], Sources]:
    """Which points of a sweep stronger signals elsewhere do not explain.

    The pieces are taken from the strongest to the weakest. A point of one is explained where the
    stronger pieces explain a level within ``margin_db`` of it. Of the others such as the peak of
    their own piece does not explain, so that a wide signal reaches out from its edges and a narrow
    one from its middle, become sources in turn.

    Args:
        level: (points,) in dB; ``frequency_hz`` (points,) rising.
        groups: (first, one behind last) point of each piece: channels, which may overlap, or runs
            outside them.
        above: (points,) True where the level counts at all: above the threshold.
        leak_db: (points,) how far below its level (≤ 0) a signal at each point can be seen in any
            piece but its own, where that is known beforehand (:func:`leak_out_db`).

    Returns:
        (points,) True where a point of a piece is above and not explained, and the sources, as many
        as :data:`SOURCES_LIMIT` allows: beyond it the weakest pieces explain nothing.
    """
    left = np.zeros(level.size, dtype=np.bool_)
    is_source = np.zeros(level.size, dtype=np.bool_)
    tops = [
        level[first:stop].max(initial=-np.inf, where=above[first:stop]) for first, stop in groups
    ]
    lows = [
        level[first:stop].min(initial=np.inf, where=above[first:stop]) for first, stop in groups
    ]
    least = min(lows, default=math.inf) - margin_db
    where, levels = np.empty(0), np.empty(0)
    for i in np.argsort(-np.array(tops), kind="stable").tolist():
        if tops[i] == -np.inf:
            break
        first, stop = groups[i]
        piece = slice(first, stop)
        axis_hz, here = frequency_hz[piece], level[piece]
        own = above[piece]
        if where.size:
            sources = Sources(frequency_hz=where, level=levels)
            seen = here > explained_level(axis_hz, sources, leakage) + margin_db
            own = own & (seen | is_source[piece])
        if not own.any():
            continue
        left[piece] |= own
        if where.size >= SOURCES_LIMIT:
            continue
        fresh = own & ~is_source[piece]
        # Only what reaches beyond its own piece can explain anything elsewhere.
        if leak_db is not None:
            fresh &= here + leak_db[piece] > least
        else:
            below_hz = frequency_hz[first - 1] if first else -np.inf
            above_hz = frequency_hz[stop] if stop < level.size else np.inf
            away_hz = np.minimum(axis_hz - below_hz, above_hz - axis_hz)
            fresh &= here + leakage.reach_db(away_hz) > least
        if not fresh.any():
            continue
        at = int(np.argmax(np.where(fresh, here, -np.inf)))
        peak = Sources(frequency_hz=axis_hz[at : at + 1], level=here[at : at + 1])
        fresh &= here > explained_level(axis_hz, peak, leakage) + margin_db
        fresh[at] = True
        is_source[piece] |= fresh
        where, levels = np.append(where, axis_hz[fresh]), np.append(levels, here[fresh])
    return left, Sources(frequency_hz=where, level=levels)


def leak_out_db(of_point: NDArray[np.intp], frequency_hz: Float, leakage: Leakage) -> Float:
    """How far below its level (≤ 0) a signal at each point shows in the nearest other channel.

    Args:
        of_point: (points,) channel of each point, negative outside all.

    Returns:
        (points,), −inf where there is no other channel.
    """
    points = of_point.size
    starts = np.flatnonzero(np.concatenate(([True], of_point[1:] != of_point[:-1])))
    stops = np.append(starts[1:], points)
    away_hz = np.full(points, np.inf)
    end_hz = -np.inf  # of the last channel's run
    for first, stop in zip(starts.tolist(), stops.tolist(), strict=True):
        away_hz[first:stop] = frequency_hz[first:stop] - end_hz
        if of_point[first] >= 0:
            end_hz = float(frequency_hz[stop - 1])
    begin_hz = np.inf
    for first, stop in zip(starts[::-1].tolist(), stops[::-1].tolist(), strict=True):
        piece = slice(first, stop)
        away_hz[piece] = np.minimum(away_hz[piece], begin_hz - frequency_hz[piece])
        if of_point[first] >= 0:
            begin_hz = float(frequency_hz[first])
    return np.where(np.isinf(away_hz), -np.inf, leakage.reach_db(away_hz))


def phase_noise_from_sweep(
    level_db: Float,
    grid: Grid,
    *,
    rbw_hz: float,
    offsets_hz: Sequence[float],
    poles: float = math.inf,
    enb_per_rbw: float | None = None,
    floor: float = -math.inf,
) -> tuple[tuple[float, float], ...]:
    """Phase noise of sweeper and source together from one sweep of a clean, strong carrier.

    Args:
        level_db: (points,) readings averaged in power, the carrier the largest; NaN is left out.
        offsets_hz: where to read it: power mean of the points within a tenth of each offset, on
            both sides.
        enb_per_rbw: ENB / RBW where it is stated; None: that of a Gaussian filter.
        floor: displayed floor of the sweep; an offset where the mean is not 3 dB above it is left
            out, and so is one where the RBW's skirt is not 10 dB below it, or without any point.

    Returns:
        (offset, dBc/Hz) as :class:`Leakage` takes it: an upper bound of the sweeper's own part,
        since nobody can tell it from that of the source.

    Raises:
        ValueError: no finite level.
    """
    known = np.isfinite(level_db)
    if not known.any():
        raise ValueError("the sweep has no level to find a carrier in")
    at = int(np.argmax(np.where(known, level_db, -np.inf)))
    away_hz = np.abs(grid.frequency_hz - grid.frequency_hz[at])
    peak = float(level_db[at])
    width_db = 10.0 * math.log10(enb_hz(rbw_hz, enb_per_rbw=enb_per_rbw))
    found = []
    for offset_hz in sorted(offsets_hz):
        near = known & (np.abs(away_hz - offset_hz) <= 0.1 * offset_hz)
        if not near.any():
            continue
        mean = 10.0 * math.log10(float(np.mean(10.0 ** ((level_db[near] - peak) / 10.0))))
        skirt = -float(skirt_db(away_hz[near].min(), rbw_hz, poles))
        if mean + peak >= floor + 3.0 and skirt <= mean - 10.0:
            found.append((float(offset_hz), mean - width_db))
    return tuple(found)
