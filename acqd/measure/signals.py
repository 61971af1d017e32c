"""Signals in one sweep: runs of points above a threshold, and what each run amounts to.

A run counts where it reaches the opening threshold; it extends as far as the closing threshold,
which lies below. So a signal's edges do not depend on the noise near the threshold that found it.
A missing value (NaN) ends a run, and the run says so: what lies beyond nobody has seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz, step_too_wide
from acqd.measure.statistics import DB_PER_NEPER
from acqd.sweep import Grid, LevelUnit
from acqd.units import ratio_from_db

__all__ = ["RUNS_LIMIT", "Runs", "Signal", "describe_signal", "find_runs", "find_signals"]

Float = NDArray[np.float64]

RUNS_LIMIT = 256
"""Most runs that one sweep is described by; the strongest are kept, the rest counted."""


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs of points, in rising order of frequency.

    ``first`` and ``last`` are indices (both inside), ``peak`` the index of the largest value, the
    lower middle one where several are equal. ``dropped`` counts weaker runs beyond the limit.
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    peak: NDArray[np.intp]
    dropped: int = 0

    def __len__(self) -> int:
        return int(self.first.size)


def find_runs(
    value: Float, *, opening: float, closing: float | None = None, limit: int = RUNS_LIMIT
) -> Runs:
    """Runs of ``value`` above ``closing`` that hold at least one point above ``opening``.

    Args:
        value: (points,), NaN where nothing is known. Above means strictly above.
        closing: None or anything not below ``opening`` means ``opening``.
        limit: most runs to give; by largest value, then lowest frequency.

    Returns:
        Runs; none for an empty array.
    """
    low = opening if closing is None else min(closing, opening)
    above = np.empty(value.size + 2, dtype=np.bool_)
    above[0] = above[-1] = False
    np.greater(value, low, out=above[1:-1])
    edges = np.flatnonzero(above[1:] != above[:-1])
    first, stop = edges[::2], edges[1::2]
    if first.size == 0:
        return Runs(first, stop, first)
    # A trailing value lets the last pair of indices point behind the end.
    padded = np.append(value, -np.inf)
    largest = np.maximum.reduceat(padded, edges)[::2]
    keep = largest > opening
    first, stop, largest = first[keep], stop[keep], largest[keep]
    dropped = max(0, first.size - limit)
    if dropped:
        strongest = np.sort(np.argsort(-largest, kind="stable")[:limit])
        first, stop, largest = first[strongest], stop[strongest], largest[strongest]
    peak = np.empty(first.size, dtype=np.intp)
    for i, (start, end, top) in enumerate(
        zip(first.tolist(), stop.tolist(), largest.tolist(), strict=True)
    ):
        where = np.flatnonzero(value[start:end] == top)
        peak[i] = start + where[(where.size - 1) // 2]
    return Runs(first, stop - 1, peak, dropped)


@dataclass(frozen=True, slots=True, kw_only=True)
class Signal:
    """One run, described. Levels in the unit of the sweep.

    ``centre_hz`` is weighted by power, on a scale without decibels by what stands above the
    threshold. ``width_hz`` is the run's width, each point with its cell; ``width_x_hz`` the width
    between the points where the level falls ``x`` below the peak, None where it does not within
    the sweep. ``power`` is the run's power, None with ``power_reason`` where it cannot be summed.
    ``cut_off`` says that the run ends at the edge of the sweep or at a missing value.
    """

    first_hz: float
    last_hz: float
    peak: float
    peak_hz: float
    centre_hz: float
    width_hz: float
    width_x_hz: float | None
    power: float | None
    power_reason: str | None
    points: int
    cut_off: bool


def describe_signal(
    level: Float,
    grid: Grid,
    *,
    first: int,
    last: int,
    peak: int,
    threshold: float,
    unit: LevelUnit,
    rbw_hz: float | None,
    x_db: float | None = None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> Signal:
    """What the run from ``first`` to ``last`` (both inside) amounts to; see :class:`Signal`.

    ``level`` (points,) rises with ``grid``; ``threshold`` matters on a scale without decibels only.
    """
    run = slice(first, last + 1)
    frequency_hz = grid.frequency_hz[run]
    cell_hz = grid.cell_hz[run]
    weight = _weights(level[run], cell_hz, threshold, unit)
    total = float(weight.sum())
    # Offsets from the first point keep the digits that frequencies of GHz would swallow.
    offset_hz = float((weight * (frequency_hz - frequency_hz[0])).sum())
    centre_hz = float(frequency_hz[0]) + (offset_hz / total if total > 0 else 0.0)
    width_hz = float(cell_hz.sum())
    reason = _no_power(unit, float(cell_hz.max()), rbw_hz)
    power = None
    if reason is None and rbw_hz is not None:
        power = float(level[run].max()) + DB_PER_NEPER * float(
            np.log(total / enb_hz(rbw_hz, shape, enb_per_rbw))
        )
    return Signal(
        first_hz=float(frequency_hz[0]),
        last_hz=float(frequency_hz[-1]),
        peak=float(level[peak]),
        peak_hz=float(grid.frequency_hz[peak]),
        centre_hz=centre_hz,
        width_hz=width_hz,
        width_x_hz=None if x_db is None else _width_below(level, grid.frequency_hz, peak, x_db),
        power=power,
        power_reason=reason,
        points=last - first + 1,
        cut_off=_is_cut_off(level, first, last),
    )


def _weights(level: Float, cell_hz: Float, threshold: float, unit: LevelUnit) -> Float:
    if unit.is_logarithmic:
        return ratio_from_db(level - level.max()) * np.maximum(cell_hz, 1e-9)
    return np.maximum(level - threshold, 0.0) * np.maximum(cell_hz, 1e-9)


def _no_power(unit: LevelUnit, largest_cell_hz: float, rbw_hz: float | None) -> str | None:
    if not unit.is_logarithmic:
        return f"levels are in {unit.value}, not in decibels"
    return step_too_wide(largest_cell_hz, rbw_hz)


def _is_cut_off(level: Float, first: int, last: int) -> bool:
    if first == 0 or last == level.size - 1:
        return True
    return not (np.isfinite(level[first - 1]) and np.isfinite(level[last + 1]))


def _width_below(level: Float, frequency_hz: Float, peak: int, x_db: float) -> float | None:
    """Width between the outermost crossings next to the peak, straight lines between points."""
    goal = float(level[peak]) - x_db
    edges = []
    for step in (-1, 1):
        i = peak
        while True:
            j = i + step
            if not 0 <= j < level.size or not np.isfinite(level[j]):
                return None
            if level[j] <= goal:
                break
            i = j
        share = (float(level[i]) - goal) / (float(level[i]) - float(level[j]))
        edges.append(float(frequency_hz[i]) + share * float(frequency_hz[j] - frequency_hz[i]))
    return edges[1] - edges[0]


def find_signals(
    level: Float,
    grid: Grid,
    *,
    threshold: float,
    closing: float | None = None,
    unit: LevelUnit = LevelUnit.DBM,
    rbw_hz: float | None = None,
    x_db: float | None = None,
    enb_per_rbw: float | None = None,
    limit: int = RUNS_LIMIT,
) -> tuple[Signal, ...]:
    """The signals of one sweep, in rising order of frequency; see :func:`find_runs`."""
    runs = find_runs(level, opening=threshold, closing=closing, limit=limit)
    return tuple(
        describe_signal(
            level,
            grid,
            first=first,
            last=last,
            peak=peak,
            threshold=threshold if closing is None else min(threshold, closing),
            unit=unit,
            rbw_hz=rbw_hz,
            x_db=x_db,
            enb_per_rbw=enb_per_rbw,
        )
        for first, last, peak in zip(
            runs.first.tolist(), runs.last.tolist(), runs.peak.tolist(), strict=True
        )
    )
