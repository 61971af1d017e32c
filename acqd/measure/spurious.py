"""What else a transmitter puts out: a search outside the ranges that belong to the emission."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, without_floor_db
from acqd.measure.peaks import ReadingNoise, check_trace
from acqd.measure.products import ProductKind, equivalent_width_of, kind_of_product
from acqd.measure.signals import Runs, find_runs
from acqd.sweep import Grid
from acqd.units import watt_from_dbm

__all__ = [
    "PRODUCTS_LIMIT",
    "SpuriousProduct",
    "SpuriousSearch",
    "spurious_search",
]

Float = NDArray[np.float64]

PRODUCTS_LIMIT = 64
"""Most products that one search gives; the strongest are kept, the rest counted."""

CLOSING_DB = 3.0
"""A product reaches this far below the threshold that found it."""

SEARCH_OVER_FLOOR_DB = 6.0
"""A search does not look closer to the floor than this, or it would find the floor."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpuriousProduct:
    """One product of a search. ``level_dbm`` is its peak, the floor taken out.

    ``low_hz`` to ``high_hz`` is the run of points it was found in, each with its cell, and
    ``width_hz`` that run's width; ``equivalent_width_hz`` is power over peak, None where steps are
    too wide. ``beside_excluded``: the run ends at an excluded range, of which it may be the skirt.
    ``cut_off``: it ends at the end of the sweep or at a missing level.
    """

    frequency_hz: float
    level_dbm: float
    u_db: float
    over_threshold_db: float
    over_floor_db: float
    low_hz: float
    high_hz: float
    equivalent_width_hz: float | None
    kind: ProductKind
    beside_excluded: bool
    cut_off: bool
    note: str | None

    @property
    def width_hz(self) -> float:
        """Width of the run."""
        return self.high_hz - self.low_hz

    @property
    def level_w(self) -> float:
        """The level in watt."""
        return float(watt_from_dbm(self.level_dbm))

    def over_dbc(self, fundamental_dbm: float) -> float:
        """The level in dB over the fundamental's, negative where it lies below."""
        return self.level_dbm - fundamental_dbm


@dataclass(frozen=True, slots=True, kw_only=True)
class SpuriousSearch:
    """Products, those most above the threshold first; ``dropped`` counts weaker ones.

    ``searched_hz``, ``excluded_hz`` and ``missing_hz`` say how much of the sweep was looked at,
    left out and without levels. ``blind_hz`` is the part searched in which the floor was too close
    for the threshold asked for: there the threshold was 6 dB over the floor.
    """

    products: tuple[SpuriousProduct, ...]
    dropped: int
    searched_hz: float
    excluded_hz: float
    missing_hz: float
    blind_hz: float


def spurious_search(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    threshold_dbm: Float | float,
    floor_dbm: Float | float,
    rbw_hz: float | None,
    excluded_hz: Sequence[tuple[float, float]] = (),
    averages: float = 1.0,
    limit: int = PRODUCTS_LIMIT,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> SpuriousSearch:
    """What stands above a threshold outside the ranges that belong to the emission.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,), NaN allowed.
        threshold_dbm: one value or (points,), in the RBW of the sweep.
        floor_dbm: mean noise power in the same RBW, one value or (points,).
        rbw_hz: runs closer than this are one product; None joins none.
        excluded_hz: ranges (low, high) to leave out, such as the fundamental's necessary band and
            the windows of its harmonics. They may overlap.
        limit: most products to give.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Returns:
        None found in an empty sweep, or where all is excluded: ``searched_hz`` is 0 then.

    Raises:
        ValueError: arrays of different shape, or a range that ends before it starts.

    Source: definition ours.
    """
    check_trace(frequency_hz, level_dbm)
    if level_dbm.size == 0:
        return SpuriousSearch(
            products=(),
            dropped=0,
            searched_hz=0.0,
            excluded_hz=0.0,
            missing_hz=0.0,
            blind_hz=0.0,
        )
    out = _excluded(frequency_hz, excluded_hz)
    floor = np.broadcast_to(np.asarray(floor_dbm, dtype=np.float64), level_dbm.shape)
    asked = np.broadcast_to(np.asarray(threshold_dbm, dtype=np.float64), level_dbm.shape)
    threshold = np.maximum(asked, floor + SEARCH_OVER_FLOOR_DB)
    masked = np.where(out, math.nan, level_dbm)
    value = masked - threshold
    runs = find_runs(value, opening=0.0, closing=-CLOSING_DB, limit=level_dbm.size)
    grid = Grid.from_axis(frequency_hz)
    joined = _joined(runs, value, frequency_hz, rbw_hz)
    joined.sort(key=lambda one: -float(value[one[2]]))
    lines = ReadingNoise(
        floor_dbm=None, averages=averages, rbw_hz=rbw_hz, shape=shape, enb_per_rbw=enb_per_rbw
    )
    products = tuple(
        _product(grid, masked, run, value, floor, out, lines) for run in joined[:limit]
    )
    searched = ~out & np.isfinite(level_dbm)
    return SpuriousSearch(
        products=products,
        dropped=len(joined) - len(products),
        searched_hz=float(grid.cell_hz[searched].sum()),
        excluded_hz=float(grid.cell_hz[out].sum()),
        missing_hz=float(grid.cell_hz[~out & ~np.isfinite(level_dbm)].sum()),
        blind_hz=float(grid.cell_hz[searched & (threshold > asked)].sum()),
    )


def _excluded(frequency_hz: Float, excluded_hz: Sequence[tuple[float, float]]) -> NDArray[np.bool_]:
    out = np.zeros(frequency_hz.size, dtype=np.bool_)
    for low_hz, high_hz in excluded_hz:
        if high_hz < low_hz:
            raise ValueError(f"an excluded range ends before it starts: {low_hz} to {high_hz} Hz")
        out |= (frequency_hz >= low_hz) & (frequency_hz <= high_hz)
    return out


def _joined(
    runs: Runs, value: Float, frequency_hz: Float, rbw_hz: float | None
) -> list[tuple[int, int, int]]:
    """(first, last, peak) of each product: runs closer than the RBW are one, if all was seen."""
    joined: list[tuple[int, int, int]] = []
    for first, last, peak in zip(
        runs.first.tolist(), runs.last.tolist(), runs.peak.tolist(), strict=True
    ):
        if joined and rbw_hz is not None:
            before = joined[-1]
            near = frequency_hz[first] - frequency_hz[before[1]] <= rbw_hz
            if near and bool(np.isfinite(value[before[1] : first]).all()):
                stronger = before[2] if value[before[2]] >= value[peak] else peak
                joined[-1] = (before[0], last, stronger)
                continue
        joined.append((first, last, peak))
    return joined


def _product(
    grid: Grid,
    level_dbm: Float,
    run: tuple[int, int, int],
    value: Float,
    floor: Float,
    out: NDArray[np.bool_],
    lines: ReadingNoise,
) -> SpuriousProduct:
    first, last, at = run
    noise = replace(lines, floor_dbm=float(floor[at]))
    # By level, not by distance to a threshold that may slope.
    at = first + int(np.nanargmax(level_dbm[first : last + 1]))
    wider = slice(max(0, first - 1), last + 2)
    top = noise.peak(grid.frequency_hz, level_dbm, wider, at)
    over_db = float(level_dbm[at] - floor[at])
    within = np.zeros(level_dbm.size, dtype=np.bool_)
    within[first : last + 1] = np.isfinite(level_dbm[first : last + 1])
    extent = equivalent_width_of(grid.frequency_hz, level_dbm, within, at, noise)
    ends = [i for i in (first - 1, last + 1) if 0 <= i < level_dbm.size]
    beside = any(bool(out[i]) for i in ends)
    missing = any(not np.isfinite(level_dbm[i]) and not out[i] for i in ends)
    return SpuriousProduct(
        frequency_hz=top.frequency_hz,
        level_dbm=top.level_db + (without_floor_db(over_db) or 0.0),
        u_db=noise.deviation_db(top.level_db) if top.u_db is None else top.u_db,
        over_threshold_db=float(value[at]),
        over_floor_db=over_db,
        low_hz=float(grid.frequency_hz[first] - grid.cell_hz[first] / 2.0),
        high_hz=float(grid.frequency_hz[last] + grid.cell_hz[last] / 2.0),
        equivalent_width_hz=extent,
        kind=kind_of_product(extent, noise.rbw_hz, noise.shape, noise.enb_per_rbw),
        beside_excluded=beside,
        cut_off=missing or first == 0 or last == level_dbm.size - 1,
        note=top.reason,
    )
