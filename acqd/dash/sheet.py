"""The night sheet of one job as small pictures: for each span a ring of 600 columns, peaks held.

A column is a time bin with an absolute number, ``floor(at_s / bin_s)``, so that all viewers and a
restarted server mean the same by it. A level becomes one byte in even steps; 0 says that nothing
was swept. Rows are of equal width over the job's range. A bin without sweeps has no column: a gap
stays a gap.

Not promised: levels in a picture are rounded to a step (0.5 dB) and held in a bin; the lines beside
it are not. Memory: at most 1.25 MB a job (4 spans x 600 columns x 500 rows, and what is beside).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acqd.dash.reading import TraceRead
from acqd.sweep import SweepFlag

__all__ = [
    "BINS",
    "DEAF_FLAGS",
    "ROWS_MOST",
    "SPANS_S",
    "UNHEARD",
    "Columns",
    "Grid",
    "Sheet",
    "Span",
    "grid_of",
    "mask_of_words",
    "rows_of",
]

BINS = 600
ROWS_MOST = 500
SPANS_S = (600.0, 3600.0, 21_600.0, 43_200.0)

CODES = 254
"""Codes above 1: 1 is the lowest level, 255 the highest."""

STEP_DB = 0.5
BELOW_DB = 20.0
"""Room that is left below the lowest level of the first sweep."""

DEAF_FLAGS = SweepFlag.TRANSMITTING | SweepFlag.SET_ASIDE | SweepFlag.OVERLOAD | SweepFlag.REPEATED
"""Sweeps with one of these are shown, and were no listening."""

UNHEARD = 1 << 20
"""A bit beyond those of sweeps: nobody heard, as the job's state and summaries say."""

AHEAD_S = 60.0
"""A sweep that is further ahead of our clock than this is in no column: it would push out all."""

Floats = NDArray[np.float64]
Codes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """What two sweeps must share to be columns of one picture."""

    unit: str
    start_hz: float
    stop_hz: float
    source_points: int
    points: int

    @property
    def rows(self) -> int:
        return min(self.points, ROWS_MOST)


@dataclass(slots=True)
class Span:
    """A ring of columns. Slot of a bin is its number modulo 600."""

    span_s: float
    codes: Codes
    """(600, rows)."""
    number: NDArray[np.int64] = field(default_factory=lambda: np.full(BINS, -1, dtype=np.int64))
    """(600,) which bin is in the slot; -1 for none."""
    stamp: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BINS, dtype=np.int64))
    """(600,) the sheet's stamp when the column changed last."""
    deaf: NDArray[np.int64] = field(default_factory=lambda: np.zeros(BINS, dtype=np.int64))
    """(600,) which flags of :data:`DEAF_FLAGS` sweeps of the column have."""

    @property
    def bin_s(self) -> float:
        return self.span_s / BINS

    def add(self, at_s: float, codes: Codes, stamp: int, deaf: int = 0) -> None:
        """Hold the peaks of a sweep in its column; one older than all that is shown is left out."""
        number = math.floor(at_s / self.bin_s)
        slot = number % BINS
        if number < self.number[slot]:
            return  # older than all that is shown
        if number > self.number[slot]:
            self.number[slot] = number
            self.codes[slot] = codes
            self.deaf[slot] = 0
        else:
            np.maximum(self.codes[slot], codes, out=self.codes[slot])
        self.stamp[slot] = stamp
        self.deaf[slot] |= deaf

    def shown(self, now_s: float) -> NDArray[np.bool_]:
        """(600,) which slots hold a column of the span that ends now."""
        newest = max(math.floor(now_s / self.bin_s), int(self.number.max()))
        return np.asarray(self.number > newest - BINS)


@dataclass(frozen=True, slots=True, kw_only=True)
class Columns:
    """Some columns of a span, in rising order of their numbers."""

    numbers: list[int]
    codes: bytes
    slots: NDArray[np.intp]
    more: int
    """Columns that are wanted as well, and are not here."""


class Sheet:
    """Pictures and lines of one job.

    Args:
        first: (rows,) of the first sweep, which sets the scale.
        next_epoch: gives a new number whenever columns change their meaning.
    """

    def __init__(self, grid: Grid, step: int, first: Floats, next_epoch: Callable[[], int]) -> None:
        self._next_epoch = next_epoch
        self.grid = grid
        self.step = step
        """Place of the shown sweeps in their pass."""
        self.epoch = next_epoch()
        self.stamp = 0
        self.low_db, self.step_db = _scale(first, grid.unit)
        self.spans = {
            span_s: Span(span_s, np.zeros((BINS, grid.rows), dtype=np.uint8)) for span_s in SPANS_S
        }
        self.line = np.full(grid.rows, np.nan, dtype=np.float32)
        self.seq = 0
        self.at_s = -math.inf
        self.taken = 0
        """Sweeps that came by the wire, to count what a viewer did not see."""
        self._held: dict[float, tuple[int, bytes]] = {}

    def add_live(self, trace: TraceRead, now_s: float, flags: int = 0) -> None:
        """Take a sweep as newest line and into its columns."""
        rows = rows_of(trace, self.grid.rows)
        self.line = rows.astype(np.float32)
        self.seq, self.at_s = trace.seq, trace.at_s
        self.taken += 1
        if trace.at_s <= now_s + AHEAD_S:
            self.add(trace.at_s, rows, flags)

    def add(self, at_s: float, rows: Floats, flags: int = 0) -> None:
        """Hold a sweep of the past or of now in its columns; ``flags`` as the archive has them."""
        self._make_room(rows)
        codes = self._codes_of(rows)
        self.stamp += 1
        for span in self.spans.values():
            span.add(at_s, codes, self.stamp, flags & (int(DEAF_FLAGS) | UNHEARD))

    def unheard_since(self, from_s: float) -> None:
        """Of what was swept after ``from_s`` nobody heard anything, as it turned out."""
        for span in self.spans.values():
            span.deaf[span.number > math.floor(from_s / span.bin_s)] |= UNHEARD

    def deaf_runs(self, span_s: float, now_s: float) -> list[list[int]]:
        """Where sweeps are shown that did not listen: first and last bin of each run, and the flags
        that all of its columns have."""
        span = self.spans[span_s]
        wanted = np.flatnonzero(span.shown(now_s) & (span.deaf != 0))
        runs: list[list[int]] = []
        for at in wanted[np.argsort(span.number[wanted])].tolist():
            number, flags = int(span.number[at]), int(span.deaf[at])
            if runs and runs[-1][1] == number - 1 and runs[-1][2] == flags:
                runs[-1][1] = number
            else:
                runs.append([number, number, flags])
        return runs

    def columns(
        self, span_s: float, seen: NDArray[np.int64], now_s: float, most: int
    ) -> Columns | None:
        """The newest ``most`` columns that changed after what ``seen`` (600,) says, or None."""
        span = self.spans[span_s]
        wanted = np.flatnonzero((span.stamp > seen) & span.shown(now_s))
        if not wanted.size:
            return None
        wanted = wanted[np.argsort(span.number[wanted])]
        taken = wanted[-most:]
        return Columns(
            numbers=span.number[taken].tolist(),
            codes=span.codes[taken].tobytes(),
            slots=taken,
            more=int(wanted.size - taken.size),
        )

    def held(self, span_s: float, now_s: float) -> bytes:
        """The highest level of each row over the span, float32; NaN where nothing was swept."""
        span = self.spans[span_s]
        made = self._held.get(span_s)
        if made is not None and made[0] == self.stamp:
            return made[1]
        highest = span.codes[span.shown(now_s)].max(axis=0, initial=0)
        level = self.low_db + (highest.astype(np.float32) - 1.0) * self.step_db
        level[highest == 0] = np.nan
        # Rounding must not put the held line below the newest one.
        raw: bytes = np.fmax(level, self.line).astype("<f4").tobytes()
        self._held[span_s] = (self.stamp, raw)
        return raw

    @property
    def bytes(self) -> int:
        """Memory of the pictures."""
        return sum(span.codes.nbytes + 2 * span.number.nbytes for span in self.spans.values())

    def _codes_of(self, rows: Floats) -> Codes:
        scaled = np.rint((rows - self.low_db) / self.step_db) + 1.0
        codes = np.nan_to_num(scaled.clip(1.0, CODES + 1.0), nan=0.0)
        return np.asarray(codes.astype(np.uint8))

    def _make_room(self, rows: Floats) -> None:
        """Shift the scale where levels leave it. What was clipped before stays clipped."""
        high = np.fmax.reduce(rows)
        if not high > self.low_db + CODES * self.step_db:
            return
        steps = math.ceil((high - self.low_db) / self.step_db - CODES) + 20
        if steps > CODES:
            steps = CODES
            self.low_db = math.ceil(high) + 10.0 - CODES * self.step_db
        else:
            self.low_db += steps * self.step_db
        self.epoch = self._next_epoch()
        self.stamp += 1
        for span in self.spans.values():
            moved = np.maximum(span.codes, steps + 1) - steps
            span.codes[:] = np.where(span.codes > 0, moved, 0)
            span.stamp[span.number >= 0] = self.stamp


def mask_of_words(words: object) -> int:
    """The flags that a summary names; words that are not known are passed over."""
    known = {str(flag.name).lower(): int(flag) for flag in SweepFlag}
    listed = words[:32] if isinstance(words, list) else ()
    return sum({known[one] for one in listed if isinstance(one, str) and one in known})


def grid_of(trace: TraceRead) -> Grid:
    """The grid of a trace."""
    return Grid(
        unit=trace.unit,
        start_hz=trace.start_hz,
        stop_hz=trace.stop_hz,
        source_points=trace.source_points,
        points=int(trace.level.size),
    )


def rows_of(trace: TraceRead, rows: int) -> Floats:
    """(rows,) the levels of a trace in rows of equal width; NaN only where a run has no reading.

    Each value of a reduced trace is the highest of a run of neighbouring points. Where the sweep's
    points lie evenly the runs' bounds are known, and a run is the row; else a row takes the highest
    of the values in it, or the nearest value where there is none.
    """
    level = trace.level
    if level.size == rows and _runs_are_rows(trace):
        return level
    if trace.frequency_hz is None or _runs_are_rows(trace):
        return _held_evenly(level, rows)
    at = (trace.frequency_hz - trace.start_hz) / (trace.stop_hz - trace.start_hz)
    at = at.clip(0.0, 1.0) * rows
    centres = np.arange(rows) + 0.5
    nearest = np.searchsorted((at[1:] + at[:-1]) / 2.0, centres)
    found = level[nearest]
    where = np.minimum(at.astype(np.intp), rows - 1)
    held = np.full(rows, -np.inf)
    np.maximum.at(held, where, np.where(np.isnan(level), -np.inf, level))
    return np.where(np.isfinite(held), held, found)


def _runs_are_rows(trace: TraceRead) -> bool:
    """Whether each value lies in the run it would be of if the sweep's points were even."""
    if trace.frequency_hz is None:
        return True
    points, source = trace.level.size, trace.source_points
    edges = np.arange(points + 1) * source // points
    place = (trace.frequency_hz - trace.start_hz) / (trace.stop_hz - trace.start_hz)
    place = place * (source - 1)
    return bool(((place > edges[:-1] - 0.5) & (place < edges[1:] - 0.5)).all())


def _held_evenly(level: Floats, rows: int) -> Floats:
    if level.size <= rows:
        return level[np.arange(rows) * level.size // rows]
    return np.asarray(np.fmax.reduceat(level, np.arange(rows) * level.size // rows))


def _scale(first: Floats, unit: str) -> tuple[float, float]:
    """Lowest level and step. Decibels have half ones; anything else room for twice what is seen."""
    low, high = np.fmin.reduce(first), np.fmax.reduce(first)
    if np.isnan(low):
        low = high = 0.0
    if unit.startswith("dB"):
        return 10.0 * math.floor((low - BELOW_DB) / 10.0), STEP_DB
    reach = max(float(high), float(high - low), 1.0)
    return min(0.0, float(low)), 2.0 * reach / CODES
