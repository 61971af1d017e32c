"""The search of an emission check: what stands out of a range, and how low was looked.

Near its limit a product gets a sweep of its own; of the rest it is told as the search shows it. Of
each piece it is said as well below which level nothing was looked for, or could be seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.emission_budget import product_budget
from acqd.measure.emission_layout import (
    EDGE_RBWS,
    LOOK,
    POINTS_MOST,
    STEPS_PER_RBW,
    ZOOM,
    around,
    harmonics_of,
    pieces_of,
    reach_hz,
)
from acqd.measure.emission_limits import Beside, Read, beside_limits, limit_dbm_along
from acqd.measure.emission_readings import (
    Look,
    averages_of,
    floor_along,
    level_dbm,
    limited_over_db,
    look_at,
    nothing_there,
)
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.passmeter import Seen
from acqd.measure.spurious import SpuriousProduct, SpuriousSearch, spurious_search
from acqd.sweep import SweepRequest

__all__ = [
    "ZOOMS_MOST",
    "SearchedRange",
    "excluded_hz",
    "found_in_search",
    "range_of",
    "searched",
    "zoomed",
]

Float = NDArray[np.float64]

ZOOMS_MOST = 8
"""Products of a search that get a sweep of their own, those most above their limit first."""

NEAR_LIMIT_DB = 10.0
"""What a search finds is told from here below the limit on."""

REMEMBERED = 256
"""Pieces whose products are remembered, as many as a pass has."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchedRange:
    """A piece that was searched: below ``most_dbm`` nothing was looked for, or could be seen.

    ``least_margin_db`` is how far that lies below the tightest limit, None where there is none.
    """

    start_hz: float
    stop_hz: float
    most_dbm: float
    least_margin_db: float | None
    at_hz: float
    expanded_db: float
    beside: tuple[Beside, ...]
    products: int
    dropped: int
    missing_hz: float
    seq: int


def excluded_hz(
    settings: EmissionSettings, look: Look | None, first: Seen
) -> tuple[tuple[float, float], ...]:
    """What a search leaves out: the emission with the filter's skirts, and its harmonics."""
    if look is None or look.fundamental is None:
        return ()
    rbw_hz = settings.search_rbw_hz or settings.request.rbw_hz or first.setup.rbw_hz or 0.0
    width_hz = settings.necessary_hz or look.fundamental.high_hz - look.fundamental.low_hz
    half_hz = width_hz / 2.0 + 5.0 * rbw_hz
    found_hz = look.fundamental.centre_hz
    out = [(found_hz - half_hz, found_hz + half_hz)]
    for one in harmonics_of(settings, look, first):
        if one.request is not None:
            skirt_hz = 3.0 * rbw_hz
            out.append((one.within_hz[0] - skirt_hz, one.within_hz[1] + skirt_hz))
    return tuple(out)


def searched(
    settings: EmissionSettings, look: Look | None, first: Seen, seen: Seen
) -> tuple[SpuriousSearch, Float, Float]:
    """What one piece of a search shows, with the floor and the threshold along it, (points,)."""
    level, frequency = level_dbm(seen), seen.setup.grid.frequency_hz
    averages = averages_of(seen, level)
    floor = floor_along(level, averages)
    over_db = limited_over_db(level.size, averages)
    carrier_hz = None if look is None or look.fundamental is None else look.fundamental.centre_hz
    limit = limit_dbm_along(settings, frequency, carrier_hz)
    wanted = np.where(np.isfinite(limit), limit - NEAR_LIMIT_DB, floor + over_db)
    threshold = np.fmax(wanted, floor + over_db)
    found = spurious_search(
        frequency,
        level,
        threshold_dbm=threshold,
        floor_dbm=floor,
        rbw_hz=seen.setup.rbw_hz,
        excluded_hz=excluded_hz(settings, look, first),
        averages=averages,
        enb_per_rbw=seen.setup.noise_bandwidth_ratio,
    )
    return found, floor, threshold


class _Same:
    """An object that is equal to itself alone: sweeps are large, and one is one."""

    __slots__ = ("it",)

    def __init__(self, it: Any) -> None:
        self.it = it

    def __hash__(self) -> int:
        return id(self.it)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Same) and other.it is self.it


@lru_cache(maxsize=REMEMBERED)
def _products(settings: _Same, first: _Same, piece: _Same) -> tuple[SpuriousProduct, ...]:
    """The products of a piece. Asked for again and again while a pass goes on after its search."""
    look = look_at(settings.it, first.it) if settings.it.keyed else None
    return searched(settings.it, look, first.it, piece.it)[0].products


def found_in_search(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> tuple[tuple[Seen, SpuriousProduct], ...]:
    """All that the pieces show, those most above their threshold first."""
    first = by_step[LOOK]
    steps = [one.step for one in pieces_of(settings, first) if one.request is not None]
    pieces = [by_step[step] for step in steps if step in by_step]
    if not settings.keyed:
        pieces.insert(0, first)
    found = [
        (piece, one)
        for piece in pieces
        for one in _products(_Same(settings), _Same(first), _Same(piece))
    ]
    found.sort(key=lambda pair: (-pair[1].over_threshold_db, pair[1].frequency_hz))
    return tuple(found)


def _finer_hz(settings: EmissionSettings, rbw_hz: float, half_hz: float) -> float:
    """RBW in which a product of a search is looked at: that of the harmonics, which shows a line
    further above the floor, unless that would take too many points."""
    finer_hz = settings.harmonic_rbw_hz or settings.request.rbw_hz or rbw_hz
    points = 2.0 * STEPS_PER_RBW * (half_hz + EDGE_RBWS * finer_hz) / finer_hz
    return finer_hz if finer_hz < rbw_hz and points < POINTS_MOST else rbw_hz


def zoomed(
    settings: EmissionSettings, look: Look | None, by_step: Mapping[int, Seen]
) -> tuple[tuple[int, SweepRequest, tuple[float, float]], ...]:
    """Step, sweep and place of each product of the search that gets a sweep of its own.

    In order of frequency, so that the same products keep their steps from pass to pass.
    """
    rbw_hz = settings.search_rbw_hz or settings.request.rbw_hz
    if rbw_hz is None:
        return ()
    low_hz, high_hz = reach_hz(settings, by_step[LOOK])
    best = found_in_search(settings, look, by_step)[:ZOOMS_MOST]
    asked = []
    for number, (_, one) in enumerate(sorted(best, key=lambda pair: pair[1].frequency_hz)):
        centre_hz = round(one.frequency_hz / rbw_hz) * rbw_hz
        half_hz = 2.0 * rbw_hz + max(0.0, (one.width_hz - rbw_hz) / 2.0)
        finer_hz = _finer_hz(settings, rbw_hz, half_hz)
        edge_hz = EDGE_RBWS * finer_hz
        request = around(settings, centre_hz, half_hz + edge_hz, finer_hz, STEPS_PER_RBW)
        request = replace(
            request,
            start_hz=max(low_hz, request.start_hz),
            stop_hz=min(high_hz, request.stop_hz),
            detector=settings.search_detector or request.detector,
        )
        asked.append((ZOOM + number, request, (centre_hz - half_hz, centre_hz + half_hz)))
    return tuple(asked)


def range_of(
    settings: EmissionSettings,
    look: Look | None,
    first: Seen,
    seen: Seen,
    *,
    pads_db: Sequence[float] = (),
) -> SearchedRange | None:
    """Where a piece had no product, and how far below the limit that was sure; None where it has
    too few levels for a floor.

    ``pads_db`` are those that stand before the chain; levels are those ahead of them.
    """
    found, floor, threshold = searched(settings, look, first, seen)
    if not np.isfinite(floor).any():
        return None
    frequency, pad_db = seen.setup.grid.frequency_hz, sum(pads_db)
    fundamental = None if look is None else look.fundamental
    carrier_hz = None if fundamental is None else fundamental.centre_hz
    margin = limit_dbm_along(settings, frequency, carrier_hz) - (threshold + pad_db)
    judged = bool(np.isfinite(margin).any())
    at = int(np.nanargmin(margin)) if judged else int(np.nanargmax(threshold))
    most_dbm = float(threshold[at])
    nobody = nothing_there(seen, at, most_dbm, float(floor[at]))
    budget = product_budget(settings, nobody, seen, pads_db=pads_db)
    read = Read(
        frequency_hz=float(frequency[at]),
        level_dbm=most_dbm + pad_db,
        expanded_db=budget.expanded,
        at_most=True,
        is_line=False,
        detector=seen.setup.detector,
        rbw_hz=seen.setup.rbw_hz,
        enb_per_rbw=seen.setup.noise_bandwidth_ratio,
        carrier_hz=carrier_hz,
        fundamental_dbm=None if fundamental is None else fundamental.level_dbm + pad_db,
        down_expanded_db=budget.expanded,
    )
    return SearchedRange(
        start_hz=float(frequency[0]),
        stop_hz=float(frequency[-1]),
        most_dbm=most_dbm + pad_db,
        least_margin_db=float(margin[at]) if judged else None,
        at_hz=float(frequency[at]),
        expanded_db=budget.expanded,
        beside=beside_limits(settings, read) if judged else (),
        products=len(found.products) + found.dropped,
        dropped=found.dropped,
        missing_hz=found.missing_hz,
        seq=seen.sweep.seq,
    )
