"""The picture of a night: the highest level in each cell of time and frequency.

Time goes into at most 900 columns, frequency into at most 500 rows; a cell is the highest level of
the sweeps that began in its column, at the points whose own width touches its row. Sweeps of
different grids go into one picture. What nobody swept stays NaN, and no cell reaches over a gap.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import SetupRecord
from acqd.report.blocks import Block
from acqd.sweep import Grid

__all__ = ["COLUMNS_MOST", "ROWS_MOST", "Picture", "TimeBins", "colour_scale"]

Float = NDArray[np.float64]

COLUMNS_MOST = 900
ROWS_MOST = 500

LATE = 1.9
"""A sweep that comes within so many intervals of the one before was late, and none was missed."""

NOISE_SPAN = 20.0
"""The colour scale spans at least so many dB, so that the noise does not fill it alone."""


class TimeBins:
    """Columns of equal length over [start_s, stop_s), none shorter than the interval."""

    def __init__(
        self, start_s: float, stop_s: float, interval_s: float, most: int = COLUMNS_MOST
    ) -> None:
        span_s = max(stop_s - start_s, 1e-3)
        count = most
        if interval_s > 0:
            count = min(most, max(1, math.ceil(span_s / interval_s)))
        self.edges_s: Float = np.linspace(start_s, start_s + span_s, count + 1)
        self.interval_s = interval_s if interval_s > 0 else 0.0

    @property
    def hold_s(self) -> float:
        """Sweeps further apart than this have a gap between them."""
        return LATE * self.interval_s

    def __len__(self) -> int:
        return int(self.edges_s.size - 1)

    @property
    def middle_s(self) -> Float:
        return np.asarray((self.edges_s[1:] + self.edges_s[:-1]) / 2.0)

    def of(self, at_s: Float) -> NDArray[np.intp]:
        """(times,) the column of each; those outside are put into the nearest."""
        found = np.searchsorted(self.edges_s, at_s, side="right") - 1
        return np.asarray(np.clip(found, 0, len(self) - 1), dtype=np.intp)

    def holders(self, started_s: Float, took_s: Float) -> NDArray[np.intp]:
        """(columns,) of each column without a sweep the column of the sweep that still holds in its
        middle, −1 where none does and in columns that have their own.

        A sweep holds for an interval, or until a next one that only came late.
        """
        held = np.full(len(self), -1, dtype=np.intp)
        if not started_s.size:
            return held
        order = np.argsort(started_s, kind="stable")
        started_s, took_s = started_s[order], took_s[order]
        own = self.of(started_s)
        empty = np.ones(len(self), dtype=np.bool_)
        empty[own] = False
        last = np.searchsorted(started_s, self.middle_s, side="right") - 1
        until_s = started_s + np.maximum(took_s, self.interval_s)
        late = np.diff(started_s) < self.hold_s
        until_s[:-1][late] = np.maximum(until_s[:-1][late], started_s[1:][late])
        holds = empty & (last >= 0) & (self.middle_s < until_s[np.maximum(last, 0)])
        held[holds] = own[last[holds]]
        return held


class Picture:
    """Takes blocks of sweeps of any grid, and gives the highest level of each cell."""

    def __init__(
        self,
        bins: TimeBins,
        setups: Sequence[SetupRecord],
        *,
        low_hz: float | None = None,
        high_hz: float | None = None,
        rows_most: int = ROWS_MOST,
    ) -> None:
        """``setups``: of all that will come. ``low_hz`` and ``high_hz`` cut the frequencies."""
        self.bins = bins
        grids = [Grid.from_axis(one.frequency_hz) for one in setups]
        lows = [float(grid.frequency_hz[0] - grid.cell_hz[0] / 2.0) for grid in grids]
        highs = [float(grid.frequency_hz[-1] + grid.cell_hz[-1] / 2.0) for grid in grids]
        start_hz = max(min(lows), -math.inf if low_hz is None else low_hz)
        stop_hz = min(max(highs), math.inf if high_hz is None else high_hz)
        if not stop_hz > start_hz:
            # Zero span, or a cut beside the sweep: one row about the frequency.
            start_hz, stop_hz = start_hz - 0.5, start_hz + 0.5
        # Points of zero span are moments, and all of one frequency.
        axes = [np.unique(grid.frequency_hz) for grid in grids]
        inside = [int(np.count_nonzero((f >= start_hz) & (f <= stop_hz))) for f in axes]
        rows = max(1, min(rows_most, max(inside)))
        self.row_edges_hz: Float = np.linspace(start_hz, stop_hz, rows + 1)
        self.level = np.full((len(bins), rows), np.nan, dtype=np.float32)
        self._places: dict[str, tuple[NDArray[np.intp], NDArray[np.intp]]] = {}

    def take(self, block: Block) -> None:
        """Put in the sweeps of a block; a level that is NaN hides no other."""
        rows, edges = self._place(block.setup)
        if not rows.size or not len(block):
            return
        level = np.abs(block.level) if np.iscomplexobj(block.level) else block.level
        columns = self.bins.of(block.started_s)
        order = np.argsort(columns, kind="stable")
        sorted_columns = columns[order]
        if not np.array_equal(order, np.arange(order.size)):
            level = level[order]
        starts = np.flatnonzero(np.concatenate(([True], np.diff(sorted_columns) > 0)))
        highest = np.fmax.reduceat(level, starts, axis=0)
        # One more point behind the end, where the last row may stop.
        padded = np.column_stack((highest, np.full(starts.size, np.nan)))
        cells = np.fmax.reduceat(padded, edges, axis=1)[:, ::2]
        here = np.ix_(sorted_columns[starts], rows)
        self.level[here] = np.fmax(self.level[here], cells.astype(np.float32))

    def finish(self, started_s: Float, took_s: Float) -> NDArray[np.float32]:
        """(columns, rows) with columns that fall between two sweeps of the rhythm filled."""
        held = self.bins.holders(started_s, took_s)
        some = held >= 0
        self.level[some] = self.level[held[some]]
        return self.level

    def _place(self, setup: SetupRecord) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Rows that a grid has points in, and their first and one-behind-last points."""
        if setup.setup not in self._places:
            grid = Grid.from_axis(setup.frequency_hz)
            half_hz = grid.cell_hz / 2.0
            low_hz, high_hz = grid.frequency_hz - half_hz, grid.frequency_hz + half_hz
            edges_hz = self.row_edges_hz
            slack_hz = 1e-6 * float(edges_hz[1] - edges_hz[0])
            first = np.searchsorted(high_hz, edges_hz[:-1] + slack_hz, side="right")
            stop = np.searchsorted(low_hz, edges_hz[1:] - slack_hz, side="left")
            if grid.frequency_hz[0] == grid.frequency_hz[-1]:
                first, stop = np.zeros(1, np.intp), np.array([grid.points])
                rows = np.array([int(np.searchsorted(edges_hz, grid.frequency_hz[0]) - 1)])
                rows = np.clip(rows, 0, edges_hz.size - 2)
            else:
                rows = np.flatnonzero(stop > first)
                first, stop = first[rows], stop[rows]
            edges = np.column_stack((first, stop)).reshape(-1).astype(np.intp)
            self._places[setup.setup] = rows.astype(np.intp), edges
        return self._places[setup.setup]


def colour_scale(level: NDArray[np.float32], *, is_db: bool) -> tuple[float, float]:
    """Levels at the ends of the colours: from just below the noise to what few cells exceed."""
    known = level[np.isfinite(level)]
    if not known.size:
        return 0.0, 1.0
    low, high = (float(value) for value in np.percentile(known, (3.0, 99.8)))
    if not is_db:
        return low, max(high, low + 1.0)
    low = math.floor(low)
    return float(low), float(max(math.ceil(high), low + NOISE_SPAN))
