"""Traces with fewer points that keep every peak.

The points of a sweep, in rising order of frequency, are cut into runs of neighbours whose sizes
differ by at most one. A run stands for its highest level, **at the frequency where that level was
read**: a peak keeps its level and its frequency exactly, what is lost are the lower points beside
it. So the noise of a reduced trace looks higher than that of the sweep (the maximum of k readings
of noise lies above their mean); floors are never taken from it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["Reduced", "reduce_curve", "reduce_trace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Reduced:
    """A trace of at most the wanted number of points; float64, (points,) each."""

    frequency_hz: NDArray[np.float64]
    level: NDArray[np.float64]
    source_points: int
    """Points of the sweep that this was made from."""

    @property
    def is_reduced(self) -> bool:
        return self.level.size < self.source_points


def reduce_trace(frequency_hz: NDArray[np.float64], level: NDArray[Any], points: int) -> Reduced:
    """At most ``points`` points of a trace, peaks kept.

    Args:
        frequency_hz: (n,) in rising order; may be uneven or hold duplicates.
        level: (n,) real, any unit; NaN where there is no reading.
        points: the most that may come back, at least 1.

    Returns:
        The trace as it is where it already fits. Else ``points`` points, by the rule above. NaN is
        passed over; a run of nothing but NaN gives NaN at the frequency of its middle point. Of
        equal maxima the lowest frequency is taken. An empty trace gives an empty one.

    Raises:
        ValueError: shapes that differ, complex levels, ``points`` below 1.
    """
    if np.iscomplexobj(level):
        raise ValueError("a trace of complex levels cannot be reduced by its peaks")
    if frequency_hz.shape != level.shape or level.ndim != 1:
        raise ValueError(
            f"frequency_hz and level must be one-dimensional and of one length, "
            f"got {frequency_hz.shape} and {level.shape}"
        )
    if points < 1:
        raise ValueError(f"points must be at least 1, got {points}")
    n = level.size
    wide = np.asarray(level, dtype=np.float64)
    if n <= points:
        axis = np.asarray(frequency_hz, dtype=np.float64)
        return Reduced(frequency_hz=axis, level=wide, source_points=n)
    runs = _runs(n, points)
    peak = np.fmax.reduceat(wide, runs.first)
    # The first place in each run that equals its maximum; n where there is none (all NaN).
    places = np.where(wide == peak[runs.of_point], runs.place, n)
    at = np.minimum.reduceat(places, runs.first)
    at = np.where(at == n, runs.middle, at)
    return Reduced(frequency_hz=np.asarray(frequency_hz)[at], level=peak, source_points=n)


def reduce_curve(
    frequency_hz: NDArray[np.float64], values: NDArray[np.float64], points: int
) -> Reduced:
    """At most ``points`` points of a curve, the extremes of both sides kept.

    Of a curve that does not fit each of ``points // 2`` runs gives its lowest and its highest value
    where they were read, in order of frequency; one point where they are the same, and the middle
    one, NaN, of a run of nothing but NaN. Infinite values count.

    Args:
        frequency_hz: (n,) in rising order.
        values: (n,) real, any unit; NaN where there is none.
        points: the most that may come back, at least 2.

    Raises:
        ValueError: shapes that differ, ``points`` below 2.
    """
    if frequency_hz.shape != values.shape or values.ndim != 1:
        raise ValueError(
            f"frequency_hz and values must be one-dimensional and of one length, "
            f"got {frequency_hz.shape} and {values.shape}"
        )
    if points < 2:
        raise ValueError(f"points must be at least 2, got {points}")
    n = values.size
    if n <= points:
        return Reduced(frequency_hz=frequency_hz, level=values, source_points=n)
    runs = _runs(n, points // 2)
    kept = []
    for extreme in (np.fmin.reduceat(values, runs.first), np.fmax.reduceat(values, runs.first)):
        places = np.where(values == extreme[runs.of_point], runs.place, n)
        at = np.minimum.reduceat(places, runs.first)
        kept.append(np.where(at == n, runs.middle, at))
    at = np.unique(np.concatenate(kept))
    return Reduced(frequency_hz=frequency_hz[at], level=values[at], source_points=n)


@dataclass(frozen=True, slots=True)
class _Runs:
    """How ``n`` points are cut into runs: (points,) each, but for ``of_point`` and ``place``."""

    first: NDArray[np.intp]
    middle: NDArray[np.intp]
    of_point: NDArray[np.intp]
    """(n,) number of the run that each point is in."""
    place: NDArray[np.intp]
    """(n,) 0, 1, 2, …"""


@lru_cache(maxsize=8)
def _runs(n: int, points: int) -> _Runs:
    """Worked out once: a job's sweeps have one length. At most eight lengths are kept."""
    edges = np.arange(points + 1) * n // points
    first, size = edges[:-1], np.diff(edges)
    return _Runs(
        first=first,
        middle=first + size // 2,
        of_point=np.repeat(np.arange(points), size),
        place=np.arange(n),
    )
