"""Levels over frequency for a range of time: highest, mean in power, lowest, percentiles.

Percentiles come from counts in classes of each frequency: exact where the sweeper's own step is as
coarse as a class, else good to half a class, a twentieth of a decibel for grids of up to 2000
points. So any number of sweeps takes the same memory.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import SetupRecord
from acqd.sweep import Grid
from acqd.units import db_from_ratio

__all__ = ["PERCENTILES", "Spectra", "Spectrum"]

Float = NDArray[np.float64]

PERCENTILES = (10.0, 50.0, 90.0)

CLASSES_BYTES = 16 << 20
"""Of the counts of one grid at most; wider classes where narrow ones would need more."""

SPAN_DB = 160.0
"""What the classes span, beginning below the lowest level of the first block."""

BELOW = 0.25
"""Share of the span that lies below that level."""

NARROWEST = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Spectrum:
    """(points,) each, NaN at a frequency that no sweep had a level at.

    ``percentiles`` are those of :data:`PERCENTILES`, within ``within`` of the true ones; ``beyond``
    readings lay outside all classes and count as the outermost.
    """

    frequency_hz: Float
    highest: Float
    mean: Float
    lowest: Float
    percentiles: tuple[Float, ...]
    within: float
    sweeps: int
    beyond: int

    @property
    def median(self) -> Float:
        return self.percentiles[1]


class Spectra:
    """Sums over sweeps of one grid and unit; :meth:`take` them, then ask for :meth:`spectrum`."""

    def __init__(self, setup: SetupRecord) -> None:
        """``setup``: of the first sweeps; its step and chain say where classes are exact."""
        grid = Grid.from_axis(setup.frequency_hz)
        self.frequency_hz = grid.frequency_hz
        self._setup = setup.setup
        self._gain_db = np.zeros(grid.points)
        if setup.chain_gain_db is not None:
            self._gain_db = np.asarray(grid.rising(setup.chain_gain_db), dtype=np.float64)
        self._alike = True
        self.is_db = setup.unit.startswith("dB")
        self.sweeps = 0
        points = grid.points
        self._highest = np.full(points, -np.inf)
        self._lowest = np.full(points, np.inf)
        self._total = np.zeros(points)
        self._count = np.zeros(points, dtype=np.int64)
        self._counts: NDArray[np.int32] | None = None
        self._start = np.full(points, math.nan)
        self._width = math.nan
        self._step = float(setup.resolution or 0.0)
        self._beyond = 0

    def take(self, setup: SetupRecord, level: Float) -> None:
        """(sweeps, points) more levels of a setup with the same grid; NaN counts for nothing."""
        if not level.shape[0]:
            return
        self._alike &= setup.setup == self._setup
        self.sweeps += level.shape[0]
        known = np.isfinite(level)
        whole = bool(known.all())
        np.fmax(self._highest, np.fmax.reduce(level, axis=0), out=self._highest)
        np.fmin(self._lowest, np.fmin.reduce(level, axis=0), out=self._lowest)
        power = np.exp(level * (math.log(10.0) / 10.0)) if self.is_db else level
        self._total += power.sum(axis=0) if whole else np.where(known, power, 0.0).sum(axis=0)
        self._count += level.shape[0] if whole else known.sum(axis=0)
        if self._counts is None:
            self._begin(level, known)
        if self._counts is not None:
            self._classify(level, None if whole else known)

    def spectrum(self) -> Spectrum:
        """What came of it; NaN all over without any sweep."""
        nothing = self._count == 0
        with np.errstate(divide="ignore", invalid="ignore"):
            mean = self._total / self._count
        mean = db_from_ratio(mean) if self.is_db else mean
        return Spectrum(
            frequency_hz=self.frequency_hz,
            highest=np.where(nothing, np.nan, self._highest),
            mean=np.where(nothing, np.nan, mean),
            lowest=np.where(nothing, np.nan, self._lowest),
            percentiles=tuple(self._percentile(share) for share in PERCENTILES),
            within=0.0 if self._is_exact else self._width / 2.0,
            sweeps=self.sweeps,
            beyond=self._beyond,
        )

    @property
    def _is_exact(self) -> bool:
        return self._alike and self._step > 0 and self._width == self._step

    def _begin(self, level: Float, known: NDArray[np.bool_]) -> None:
        """Lay the classes, by the first levels that there are."""
        if not known.any():
            return
        points = level.shape[1]
        least = float(level[known].min())
        span = SPAN_DB
        if not self.is_db:
            span = max(16.0 * (float(level[known].max()) - least), 256.0 * (self._step or 1.0))
        most = max(16, CLASSES_BYTES // (4 * points))
        self._width = max(self._step, NARROWEST if self.is_db else span / 4096.0, span / most)
        number = min(most, math.ceil(span / self._width))
        start = least - BELOW * span
        self._start = np.full(points, start)
        if self._step > 0:
            # A class about each step at the input, so that a step is never on the border of two.
            steps = np.rint((start + self._gain_db) / self._step)
            self._start = steps * self._step - self._gain_db - self._width / 2.0
        self._counts = np.zeros((points, number), dtype=np.int32)

    def _classify(self, level: Float, known: NDArray[np.bool_] | None) -> None:
        assert self._counts is not None
        points, number = self._counts.shape
        with np.errstate(invalid="ignore"):
            code = np.floor((level - self._start) / self._width)
        code[~np.isfinite(code)] = 0.0
        kept = np.clip(code, 0, number - 1)
        away = kept != code
        if known is not None:
            away &= known
        self._beyond += int(np.count_nonzero(away))
        flat = kept.astype(np.int32) + (np.arange(points, dtype=np.int32) * number)
        chosen = flat.ravel() if known is None else flat[known]
        more = np.bincount(chosen, minlength=points * number)
        self._counts += more.reshape(points, number).astype(np.int32)

    def _percentile(self, share: float) -> Float:
        """The level of the class that the reading of that rank lies in: (points,)."""
        if self._counts is None:
            return np.full(self.frequency_hz.size, np.nan)
        running = np.cumsum(self._counts, axis=1, dtype=np.int64)
        total = running[:, -1]
        # The reading at the rank that is nearest: of n the one at share·(n − 1), counted from 0.
        rank = np.rint(share / 100.0 * (total - 1)).astype(np.int64)
        place = (running <= rank[:, None]).sum(axis=1)
        level = self._start + (place + 0.5) * self._width
        level = np.clip(level, self._lowest, self._highest)
        return np.where(total > 0, level, np.nan)
