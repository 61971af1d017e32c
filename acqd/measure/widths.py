"""What a width is worth: the result that every kind of bandwidth gives, and how it is judged."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.floor import floor_flat, spread_of_noise
from acqd.measure.peaks import Bound, check_trace
from acqd.measure.statistics import averages_from_spread
from acqd.measure.words import number_text

__all__ = [
    "NOTHING",
    "Bandwidth",
    "Viewed",
    "floor_of",
    "judged",
    "part_of",
    "plain",
    "unusable",
    "without_rbw_hz",
]

Float = NDArray[np.float64]

LONE_CARRIER = 1.25
"""A width up to this many times the filter's own is a lone carrier's, or cannot be told from it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandwidth:
    """A width and what it is worth.

    ``width_hz`` with its edges is None where it cannot be told; ``reason`` then says why, and also
    says why a ``bound`` is "at most" or "at least". ``as_seen_hz`` is the width by the bare
    definition, also where noise has made it worthless. ``u_hz`` is the standard uncertainty from
    step and noise. ``power`` is the level of the power that the span holds, floor taken out; None
    where the step does not allow a sum or the RBW is unknown. ``floor`` is the floor that was used,
    ``floor_removed`` whether it was taken out. ``filter_hz`` is the width that a lone carrier would
    show, ``without_rbw_hz`` the width with that taken out as if both were Gaussian: beside the
    width, never in its place. ``notes`` tell of settings outside good practice.
    """

    width_hz: float | None
    as_seen_hz: float | None
    low_hz: float | None
    high_hz: float | None
    bound: Bound
    u_hz: float | None
    power: float | None
    floor: float | None
    floor_removed: bool
    limited_by_noise: bool
    below_rbw: bool
    cut_off: bool
    filter_hz: float | None
    without_rbw_hz: float | None
    reason: str | None
    notes: tuple[str, ...]


NOTHING = Bandwidth(
    width_hz=None,
    as_seen_hz=None,
    low_hz=None,
    high_hz=None,
    bound=Bound.VALUE,
    u_hz=None,
    power=None,
    floor=None,
    floor_removed=False,
    limited_by_noise=False,
    below_rbw=False,
    cut_off=False,
    filter_hz=None,
    without_rbw_hz=None,
    reason=None,
    notes=(),
)


def without_rbw_hz(measured_hz: float, filter_hz: float) -> float | None:
    """√(measured² − filter²): the width without the filter's share, if both are Gaussian.

    None where the filter's own width is as large as the measured one.

    Source: derived; variances of densities add when they are convolved.
    """
    square = measured_hz * measured_hz - filter_hz * filter_hz
    return math.sqrt(square) if square > 0 else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Viewed:
    """What both kinds of width know of a sweep."""

    rbw_hz: float | None
    enb_hz: float | None
    """Its equivalent noise bandwidth."""
    filter_hz: float | None
    floor: float
    removed: bool
    top_db: float
    span_hz: float
    largest_cell_hz: float


def plain(common: Viewed) -> Bandwidth:
    """A result without a width, with what is known of the sweep all the same."""
    return replace(
        NOTHING, floor=common.floor, floor_removed=common.removed, filter_hz=common.filter_hz
    )


def part_of(
    frequency_hz: Float, level_dbm: Float, within_hz: tuple[float, float] | None
) -> NDArray[np.bool_]:
    """Which points count, (points,); ``within_hz`` includes its ends.

    Raises:
        ValueError: arrays that are not one trace.
    """
    check_trace(frequency_hz, level_dbm)
    if within_hz is None:
        return np.ones(level_dbm.size, dtype=np.bool_)
    return np.asarray((frequency_hz >= within_hz[0]) & (frequency_hz <= within_hz[1]))


def unusable(level: Float) -> str | None:
    """Why a trace gives no width: less than three points, or NaN among them. None where it does."""
    if level.size < 3:
        return f"a width needs at least 3 points, got {level.size}"
    missing = int(np.count_nonzero(~np.isfinite(level)))
    return f"{missing} of {level.size} levels are missing" if missing else None


def floor_of(
    level: Float, floor_dbm: Float | float | None, part: NDArray[np.bool_], averages: float
) -> tuple[Float, bool]:
    """The floor per point, and whether it was given; else the lowest fifth's, as an upper bound."""
    if floor_dbm is None:
        spread = spread_of_noise(level)
        if spread is not None:
            averages = max(averages, averages_from_spread(spread))
        found = floor_flat(level, averages=averages).level
        return np.full(level.size, min(found, float(level.max()))), False
    given = np.asarray(floor_dbm, dtype=np.float64)
    return (np.full(level.size, float(given)) if given.ndim == 0 else given[part]), True


def judged(found: Bandwidth, common: Viewed, *, limited: bool, reaches_end: bool) -> Bandwidth:
    """The width with its bound, the reason for it, and notes on the settings."""
    assert found.low_hz is not None
    assert found.high_hz is not None
    width_hz = found.high_hz - found.low_hz
    bound, reason = Bound.VALUE, None
    filter_hz = common.filter_hz
    below = filter_hz is not None and width_hz <= LONE_CARRIER * filter_hz
    if reaches_end:
        bound, reason = Bound.AT_LEAST, "the signal reaches the end of the sweep; take a wider span"
    elif below:
        bound = Bound.AT_MOST
        reason = "no wider than the filter itself shows: a lone carrier, or narrower"
    elif limited:
        bound = Bound.VALUE if common.removed else Bound.AT_MOST
        reason = "limited by noise"
    return replace(
        found,
        width_hz=width_hz,
        bound=bound,
        limited_by_noise=limited,
        below_rbw=below,
        cut_off=reaches_end,
        without_rbw_hz=None if filter_hz is None else without_rbw_hz(width_hz, filter_hz),
        reason=reason,
        notes=_notes(width_hz, common, below),
    )


def _notes(width_hz: float, common: Viewed, below: bool) -> tuple[str, ...]:
    notes = []
    if common.rbw_hz is None:
        notes.append("the RBW is not known: its share of the width is not either")
    elif not below and not 0.0099 <= common.rbw_hz / width_hz <= 0.0301:
        percent = 100.0 * common.rbw_hz / width_hz
        notes.append(f"the RBW is {percent:.2g} % of the width; practice is 1 to 3 %")
    if not below and not 1.5 <= common.span_hz / width_hz * (1 + 1e-9) <= 3.0 * (1 + 2e-9):
        notes.append(
            f"the span is {common.span_hz / width_hz:.2g} times the width; practice is 1.5 to 3"
        )
    over_db = common.top_db - common.floor
    if over_db < 30.0:
        notes.append(
            f"the peak is {number_text(over_db, 0)} dB over the floor; practice is 30 or more"
        )
    return tuple(notes)
