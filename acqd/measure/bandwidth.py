"""How wide an emission is: occupied bandwidth and x-dB bandwidth, and what noise does to them.

Both are widths of what the sweeper shows, so both know the RBW filter's own width, the step, and
the floor. A floor far below the signal still ruins an occupied bandwidth when the span is wide: it
holds power in proportion to its width. So the floor is taken out where it is known, and where it
rules, the figure is "at most" or there is none.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz, step_too_wide
from acqd.measure.fluctuation import fluctuation, sum_deviation_db
from acqd.measure.peaks import (
    Bound,
    filter_loss_db,
    filter_width_hz,
    reading_deviation_db,
)
from acqd.measure.statistics import (
    DB_PER_NEPER,
    threshold_over_mean_db,
)
from acqd.measure.widths import (
    NOTHING,
    Bandwidth,
    Viewed,
    floor_of,
    judged,
    part_of,
    plain,
    unusable,
    without_rbw_hz,
)
from acqd.measure.words import number_text
from acqd.sweep import Grid
from acqd.units import ratio_from_db

__all__ = [
    "Bandwidth",
    "filter_occupied_hz",
    "obw_breakdown_db",
    "occupied_bandwidth",
    "without_rbw_hz",
    "x_db_bandwidth",
]

Float = NDArray[np.float64]

UNKNOWN_NOTED, UNKNOWN_REFUSED = 0.1, 0.5
"""What noise was taken out is uncertain by this share of β/2 of the power: said, no result."""

NOISE_NOTED, NOISE_REFUSED = 0.5, 0.95
"""Noise that was not taken out holds this share of β/2 of the power: said, no result."""

END_SHARE = 0.025
"""Part of the span at each end that an edge must not lie in."""

END_BELOW_DB = 20.0
"""Levels at the ends of the sweep must be so far below the highest (practice)."""

CROSSING_FALSE_ALARM = 0.01
"""Probability that noise anywhere in the sweep passes for an edge, from which noise limits."""


def obw_breakdown_db(signal_hz: float, span_hz: float, share: float = 0.99) -> float | None:
    """Floor density over signal density at which an occupied bandwidth breaks down.

    With a flat signal in the middle of the span and nothing taken out, each side then holds just
    β/2 of all power: r = (β/2)·W / [(S − W)/2 − (β/2)·S], in dB. With more noise the edges leave
    the signal. None where the span is too small for that ever to happen.

    Source: derived.
    """
    half = (1.0 - share) / 2.0
    outside_hz = (span_hz - signal_hz) / 2.0 - half * span_hz
    if outside_hz <= 0:
        return None
    return 10.0 * math.log10(half * signal_hz / outside_hz)


@lru_cache(maxsize=64)
def _occupied_per_rbw(shape: FilterShape, share: float) -> float:
    """Occupied width of the filter's own shape over its 3 dB width, by trapezium sums."""
    x = np.concatenate(([0.0], np.geomspace(1e-4, 1e4, 40_001)))
    gain = ratio_from_db(-filter_loss_db(x, 1.0, shape))
    parts = np.diff(x) * (gain[1:] + gain[:-1]) / 2.0
    within = np.concatenate(([0.0], np.cumsum(parts)))
    return 2.0 * float(np.interp(share, within / within[-1], x))


def filter_occupied_hz(
    rbw_hz: float, share: float = 0.99, shape: FilterShape = FilterShape.GAUSSIAN
) -> float:
    """Occupied bandwidth that a lone carrier shows: 2.1877 RBW for 99 % and a Gaussian filter.

    Source: derived; for a Gaussian filter 2z·B3/√(8 ln 2), with z the normal quantile.
    """
    return rbw_hz * _occupied_per_rbw(shape, share)


# --- occupied bandwidth ---


def occupied_bandwidth(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    rbw_hz: float | None,
    share: float = 0.99,
    floor_dbm: Float | float | None = None,
    floor_u_db: float = 0.0,
    averages: float = 1.0,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
    within_hz: tuple[float, float] | None = None,
) -> Bandwidth:
    """Width outside which β/2 of the total mean power lies on either side; β = 1 − ``share``.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,) levels of power averaged or rms data. Max-hold data give the width of
            the envelope, not of the mean power.
        rbw_hz: 3 dB width; None still gives a width, but nothing that rests on the filter.
        floor_dbm: mean noise power in the same RBW, one value or (points,), which is taken out of
            every cell. None takes nothing out; the lowest fifth of the points then stands for the
            floor, to see whether noise has ruined the figure.
        floor_u_db: standard uncertainty of ``floor_dbm``, common to all points.
        averages: N, samples averaged in power in each point.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.
        within_hz: part of the sweep that counts; the whole sweep if None.

    Returns:
        Edges interpolated inside their cell, in which power is taken as evenly spread. No width
        (``limited_by_noise``) where noise puts an edge anywhere: without floor removal from the
        density ratio of :func:`obw_breakdown_db` on (less 0.3 dB); with it where the uncertainty of
        what was taken out reaches half of β/2 of the power. Within 3 dB of the one, or from a tenth
        of β/2, the width is given as limited by noise, "at most" where nothing was taken out.
        ``below_rbw``, "at most": a lone carrier, or narrower than the filter. ``cut_off``, "at
        least": the signal reaches the ends.
        NaN among the levels, or less than three points: no width, and why.

    Raises:
        ValueError: a share outside 0..1, or arrays of different shape.

    Source: RR No. 1.153 and 47 CFR 2.202(a); Rec. ITU-R SM.443-4 Annex 1 (β % method).
    """
    if not 0.0 < share < 1.0:
        raise ValueError(f"share must lie between 0 and 1, got {share}")
    part = part_of(frequency_hz, level_dbm, within_hz)
    frequency, level = frequency_hz[part], level_dbm[part]
    reason = unusable(level)
    if reason is not None:
        return replace(NOTHING, reason=reason)
    floor, known = floor_of(level, floor_dbm, part, averages)
    cell_hz = Grid.from_axis(frequency).cell_hz
    top_db = float(level.max())
    held = ratio_from_db(level - top_db) * cell_hz
    noise = ratio_from_db(floor - top_db) * cell_hz
    power = held - noise if known else held
    total = float(power.sum())
    common = Viewed(
        rbw_hz=rbw_hz,
        enb_hz=None if rbw_hz is None else enb_hz(rbw_hz, shape, enb_per_rbw),
        filter_hz=None if rbw_hz is None else filter_occupied_hz(rbw_hz, share, shape),
        floor=float(np.median(floor)),
        removed=known,
        top_db=top_db,
        span_hz=float(cell_hz.sum()),
        largest_cell_hz=float(cell_hz.max()),
    )
    if total <= 0:
        return replace(
            plain(common), limited_by_noise=True, reason="no power is left above the floor"
        )
    goal = (1.0 - share) / 2.0 * total
    edges = _quantile_edges(frequency, cell_hz, power, goal)
    found = replace(plain(common), as_seen_hz=edges[1] - edges[0], power=_level_of(total, common))
    shares = _noise_shares(held, noise, goal, edges[2], known, floor_u_db, averages)
    noted, refused = (UNKNOWN_NOTED, UNKNOWN_REFUSED) if known else (NOISE_NOTED, NOISE_REFUSED)
    lost = not known and any(held[at] < 2.0 * noise[at] for at in edges[2])
    if lost or max(shares) >= refused:
        return replace(found, limited_by_noise=True, reason=_noise_text(known))
    errors = _edge_errors(held, share, edges[2], averages, common)
    if known:
        errors = [math.hypot(e, part * goal) for e, part in zip(errors, shares, strict=True)]
    return judged(
        replace(
            found,
            low_hz=edges[0],
            high_hz=edges[1],
            u_hz=_edges_u_hz(power, cell_hz, errors, edges[2], common),
        ),
        common,
        limited=max(shares) >= noted,
        reaches_end=_reaches_ends(frequency, level, floor, known, edges, common),
    )


def _level_of(total: float, common: Viewed) -> float | None:
    if common.enb_hz is None or step_too_wide(common.largest_cell_hz, common.rbw_hz) is not None:
        return None
    return common.top_db + DB_PER_NEPER * math.log(total / common.enb_hz)


def _quantile_edges(
    frequency: Float, cell_hz: Float, power: Float, goal: float
) -> tuple[float, float, tuple[int, int]]:
    """Edges where ``goal`` lies outside on either side, and the cells that they lie in.

    Each is looked for from the middle of the power outwards: what was taken out leaves noise of
    both signs, whose running sum may pass the goal several times out there.
    """
    low_hz, low_at = _edge(frequency, cell_hz, power, goal)
    mirrored_hz, high_at = _edge(-frequency[::-1], cell_hz[::-1], power[::-1], goal)
    return low_hz, -mirrored_hz, (low_at, power.size - 1 - high_at)


def _edge(frequency: Float, cell_hz: Float, power: Float, goal: float) -> tuple[float, int]:
    running = np.cumsum(power)
    middle = int(np.argmax(running >= running[-1] / 2.0))
    below = np.flatnonzero(running[: middle + 1] < goal)
    at = int(below[-1]) + 1 if below.size else 0
    before = float(running[at - 1]) if at else 0.0
    share = min(1.0, max(0.0, (goal - before) / float(power[at]))) if power[at] > 0 else 0.5
    bottom_hz = float(frequency[at]) - _below_hz(frequency, cell_hz, at)
    return bottom_hz + share * float(cell_hz[at]), at


def _below_hz(frequency: Float, cell_hz: Float, at: int) -> float:
    """How far the cell of a point reaches down."""
    if at == 0:
        return float(cell_hz[0]) / 2.0
    return float(frequency[at] - frequency[at - 1]) / 2.0


def _noise_shares(
    held: Float,
    noise: Float,
    goal: float,
    at: tuple[int, int],
    removed: bool,
    floor_u_db: float,
    averages: float,
) -> list[float]:
    """How much of β/2 of the power the noise outside each edge may be wrong by.

    Nothing taken out: all of that noise. Taken out: its uncertainty, common and per point.
    """
    shares = []
    for outside in (slice(0, at[0]), slice(at[1] + 1, None)):
        amount = float(noise[outside].sum())
        if removed:
            common = amount * floor_u_db / DB_PER_NEPER
            random = math.sqrt(float((noise[outside] ** 2).sum()) / averages)
            amount = math.hypot(common, random)
        shares.append(amount / goal)
    return shares


def _noise_text(removed: bool) -> str:
    if removed:
        return "what noise was taken out is not known well enough: average more, or a smaller span"
    return (
        "limited by noise: what lies beside the signal (noise, or more of the signal) holds as "
        "much as may lie outside; take the floor out, or change the span"
    )


def _edge_errors(
    held: Float,
    share: float,
    at: tuple[int, int],
    averages: float,
    common: Viewed,
) -> list[float]:
    """Standard deviation of the power outside each edge less its share of all power.

    Readings that share an RBW are taken as dependent.
    """
    half = (1.0 - share) / 2.0
    alike = 1.0
    if common.enb_hz is not None:
        alike = max(1.0, common.enb_hz / common.largest_cell_hz)
    index = np.arange(held.size)
    errors = []
    for outside in (index < at[0], index > at[1]):
        weight = np.where(outside, 1.0 - half, half)
        errors.append(math.sqrt(alike * float(((weight * held) ** 2).sum()) / averages))
    return errors


def _edges_u_hz(
    power: Float, cell_hz: Float, errors: list[float], at: tuple[int, int], common: Viewed
) -> float:
    """Both edges in quadrature: the error of the power outside over the density there, and step.

    The density is the mean over two cells either side: that of one noisy cell is anything. Within
    its cell an edge is exact where power is even; else it is uncertain by up to the whole cell.
    """
    total = 0.0
    for error, i in zip(errors, at, strict=True):
        near = slice(max(0, i - 2), i + 3)
        density = max(float(power[near].sum()), 1e-12) / float(cell_hz[near].sum())
        step_hz = float(cell_hz[i]) * _unevenness(power, i)
        total += min(error / density, common.span_hz) ** 2 + step_hz**2 / 12.0
    return math.sqrt(total)


def _unevenness(power: Float, at: int) -> float:
    """How much the power changes from a cell to the next, 0 to 1 of its own."""
    around = power[max(0, at - 1) : at + 2]
    most = float(np.abs(around - power[at]).max())
    return min(1.0, most / max(float(power[at]), 1e-12))


def _reaches_ends(
    frequency: Float,
    level: Float,
    floor: Float,
    known: bool,
    edges: tuple[float, float, tuple[int, int]],
    common: Viewed,
) -> bool:
    """Whether an edge lies at the very end, or the end holds a level that is not the floor's."""
    margin_hz = END_SHARE * common.span_hz
    if edges[0] < frequency[0] + margin_hz or edges[1] > frequency[-1] - margin_hz:
        return True
    few = max(1, round(END_SHARE * level.size))
    for end in (slice(0, few), slice(-few, None)):
        mean = DB_PER_NEPER * math.log(float(ratio_from_db(level[end]).mean()))
        over_floor = not known or mean > float(floor[end].mean()) + 3.0
        if over_floor and mean > common.top_db - END_BELOW_DB:
            return True
    return False


# --- x-dB bandwidth ---


def x_db_bandwidth(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    rbw_hz: float | None,
    x_db: float = 26.0,
    reference_dbm: float | None = None,
    floor_dbm: Float | float | None = None,
    averages: float = 1.0,
    shape: FilterShape = FilterShape.GAUSSIAN,
    within_hz: tuple[float, float] | None = None,
) -> Bandwidth:
    """Width outside which every component lies at least ``x_db`` below the reference.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,) levels of the fully modulated emission; max-hold data are of use here.
        rbw_hz: 3 dB width; None still gives a width, but nothing that rests on the filter.
        reference_dbm: the 0 dB level. None takes the highest point: the peak of the modulated
            envelope in this RBW, which lies below the unmodulated carrier.
        floor_dbm: mean noise power in the same RBW, one value or (points,), which is taken out.
            None takes nothing out; the lowest fifth of the points then stands for the floor.
        averages: N, samples averaged in power in each point.
        within_hz: part of the sweep that counts; the whole sweep if None.

    Returns:
        From the outermost crossings, straight lines in dB between points. No width
        (``limited_by_noise``) where the line of −x dB lies less than 3 dB over the floor; "at most"
        where noise alone would pass it somewhere in the sweep with more than 1 % probability.
        ``cut_off`` without a width where the level at an end of the sweep is above the line.
        ``below_rbw`` as in :func:`occupied_bandwidth`. NaN among the levels, or less than three
        points: no width, and why.

    Raises:
        ValueError: an x that is not above 0, or arrays of different shape.

    Source: Rec. ITU-R SM.443-4 Annex 2 (x dB method); x = 26 and the definition from memory.
    """
    if not x_db > 0:
        raise ValueError(f"x_db must be above 0, got {x_db}")
    part = part_of(frequency_hz, level_dbm, within_hz)
    frequency, level = frequency_hz[part], level_dbm[part]
    reason = unusable(level)
    if reason is not None:
        return replace(NOTHING, reason=reason)
    floor, known = floor_of(level, floor_dbm, part, averages)
    cell_hz = Grid.from_axis(frequency).cell_hz
    top_db = float(level.max())
    line_db = (top_db if reference_dbm is None else reference_dbm) - x_db
    common = Viewed(
        rbw_hz=rbw_hz,
        enb_hz=None if rbw_hz is None else enb_hz(rbw_hz, shape),
        filter_hz=None if rbw_hz is None else filter_width_hz(rbw_hz, x_db, shape),
        floor=float(np.median(floor)),
        removed=known,
        top_db=top_db,
        span_hz=float(cell_hz.sum()),
        largest_cell_hz=float(cell_hz.max()),
    )
    found = plain(common)
    over_db = line_db - float(floor.max())
    if line_db >= top_db:
        return replace(found, reason=f"nothing reaches the line of −{x_db:g} dB")
    ends = max(float(level[0]), float(level[-1]))
    if ends > line_db and (not known or ends > common.floor + 3.0) and over_db >= 3.0:
        return replace(
            found, cut_off=True, reason="the signal reaches the end of the sweep; take a wider span"
        )
    if over_db < 3.0:
        over = number_text(over_db, 1)
        text = f"limited by noise: the line of −{x_db:g} dB lies {over} dB over the floor"
        return replace(found, limited_by_noise=True, reason=text)
    low_hz, low_u = _crossing(frequency, level, floor, known, line_db, averages)
    high_hz, high_u = _crossing(
        -frequency[::-1], level[::-1], floor[::-1], known, line_db, averages
    )
    limited = over_db < threshold_over_mean_db(CROSSING_FALSE_ALARM / level.size, averages)
    reference_u_hz = 0.0
    if reference_dbm is None:
        # The highest of readings that fluctuate is above the envelope; of a Gaussian one an error
        # of the reference moves both edges by W/(4x) a decibel.
        own = fluctuation(level, floor_db=float(floor.max()), averages=averages)
        u_db = sum_deviation_db(np.ones(1), own)
        reference_u_hz = (-high_hz - low_hz) / (2.0 * x_db) * u_db
    width = judged(
        replace(
            found,
            as_seen_hz=-high_hz - low_hz,
            low_hz=low_hz,
            high_hz=-high_hz,
            u_hz=math.hypot(low_u, high_u, reference_u_hz),
        ),
        common,
        limited=limited,
        reaches_end=False,
    )
    # Noise that passes the line lies outside the signal: it can only widen.
    widened = width.limited_by_noise and width.bound is Bound.VALUE
    return replace(width, bound=Bound.AT_MOST) if widened else width


def _crossing(
    frequency: Float,
    level: Float,
    floor: Float,
    known: bool,
    line_db: float,
    averages: float,
) -> tuple[float, float]:
    """Where the level first passes the line, coming from below, and the uncertainty of that.

    Half a step as a rectangle, and the deviation of the readings over the slope.
    """
    clean = level
    if known:
        power = ratio_from_db(level) - ratio_from_db(floor)
        clean = DB_PER_NEPER * np.log(np.maximum(power, ratio_from_db(line_db - 30.0)))
    at = int(np.argmax(clean > line_db))
    if at == 0:
        # Above the line with the first point: the floor there is the signal's last hiding place.
        return float(frequency[0]), float(frequency[1] - frequency[0])
    below_db, above_db = float(clean[at - 1]), float(clean[at])
    step_hz = float(frequency[at] - frequency[at - 1])
    edge_hz = float(frequency[at - 1]) + step_hz * (line_db - below_db) / (above_db - below_db)
    noise_db = reading_deviation_db(line_db - float(floor[at]), averages)
    noise_hz = min(noise_db / (above_db - below_db), 1.0 / math.sqrt(3.0)) * step_hz
    return edge_hz, math.hypot(noise_hz, step_hz / math.sqrt(12.0))
