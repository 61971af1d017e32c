"""A transmitter's emission: the fundamental, and whether it is there at all.

Levels are those of one plane, usually the far end of the chain: whoever calls has added what the
chain loses at each frequency. They are of power averaged or rms data unless said otherwise.
Harmonics are in :mod:`acqd.measure.products`, other products in :mod:`acqd.measure.spurious`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, band_power
from acqd.measure.floor import floor_flat
from acqd.measure.fluctuation import fluctuation, sum_deviation_db
from acqd.measure.peaks import InterpolatedPeak, ReadingNoise, check_trace, extent_of
from acqd.measure.statistics import DB_PER_NEPER
from acqd.measure.words import frequency_text, number_text
from acqd.sweep import Grid
from acqd.units import ratio_from_db

__all__ = [
    "Fundamental",
    "FundamentalSearch",
    "Keying",
    "find_fundamental",
    "key_threshold_dbm",
    "keyed",
]

Float = NDArray[np.float64]

LEAST_OVER_FLOOR_DB = 20.0
"""A fundamental stands out at least so far: what does not is no transmitter on the input."""

RIVAL_DB = 10.0
"""A second signal this close to the strongest makes it doubtful which one is meant."""

MODULATED_DOWN_DB = 40.0
"""How far below its peak a fundamental's own run of points reaches."""

RUN_OVER_FLOOR_DB = 6.0
"""And how close to the floor."""

PEAK_OVER_CHANNEL_DB = 0.1
"""A channel that holds so much less than its peak cuts the filter's own skirts off."""


# --- the fundamental ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Fundamental:
    """The carrier, or the modulated emission, that everything else is referred to.

    ``level_dbm`` is the channel's power where steps and RBW allow a sum (``level_from`` "channel"),
    else the peak's (``level_from`` "peak": low for a modulated emission, by up to
    10 log10(bandwidth/RBW)). ``centre_hz`` is weighted by power over ``low_hz`` to ``high_hz``, the
    band that was summed. ``cut_off``: that band reaches the end of the sweep. ``u_own_db``: what
    its own unsteadiness leaves open of the level, where it is modulated faster than it is swept.
    """

    peak: InterpolatedPeak
    centre_hz: float
    u_centre_hz: float
    low_hz: float
    high_hz: float
    level_dbm: float
    u_level_db: float
    u_own_db: float
    level_from: str
    level_reason: str | None
    over_floor_db: float
    cut_off: bool
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class FundamentalSearch:
    """The fundamental, or None and why none was found."""

    fundamental: Fundamental | None
    reason: str | None
    floor_dbm: float | None


def find_fundamental(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    rbw_hz: float | None,
    expected_hz: float | None = None,
    search_hz: float | None = None,
    necessary_hz: float | None = None,
    floor_dbm: float | None = None,
    least_over_floor_db: float = LEAST_OVER_FLOOR_DB,
    averages: float = 1.0,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> FundamentalSearch:
    """The strongest emission, near where it is expected.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,), NaN allowed: those points are not looked at.
        expected_hz: where it should be; None takes the strongest of the sweep.
        search_hz: how far off it may be, to either side; None does not bound it.
        necessary_hz: width over which its power is summed, around its centre; None sums the points
            next to each other that lie within 40 dB of the peak and 6 dB above the floor.
        floor_dbm: mean noise power in the same RBW; None takes it from the sweep itself.
        averages: N, samples averaged in power in each point.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Returns:
        The fundamental; or none, with a reason: an empty sweep, nothing within the search, nothing
        that stands ``least_over_floor_db`` over the floor. A note says where a signal elsewhere is
        stronger or as strong, and where the highest point is at the end of the sweep.

    Raises:
        ValueError: arrays of different shape.

    Source: definition ours.
    """
    check_trace(frequency_hz, level_dbm)
    seen = np.isfinite(level_dbm)
    if not seen.any():
        return FundamentalSearch(fundamental=None, reason="no levels", floor_dbm=None)
    floor = floor_flat(level_dbm, averages=averages).level if floor_dbm is None else floor_dbm
    inside = seen.copy()
    if expected_hz is not None and search_hz is not None:
        inside &= np.abs(frequency_hz - expected_hz) <= search_hz
        if not inside.any():
            return _not_found(f"the sweep has no levels near {frequency_text(expected_hz)}", floor)
    at = int(np.argmax(np.where(inside, level_dbm, -math.inf)))
    over_db = float(level_dbm[at]) - floor
    if not over_db >= least_over_floor_db:
        return _not_found(
            f"nothing stands {least_over_floor_db:g} dB over the floor; the strongest is "
            f"{number_text(over_db, 1)} dB over it",
            floor,
        )
    noise = ReadingNoise(
        floor_dbm=floor, averages=averages, rbw_hz=rbw_hz, shape=shape, enb_per_rbw=enb_per_rbw
    )
    found = _described(frequency_hz, level_dbm, inside, at, necessary_hz, noise)
    return FundamentalSearch(fundamental=found, reason=None, floor_dbm=floor)


def _not_found(reason: str, floor_dbm: float) -> FundamentalSearch:
    return FundamentalSearch(fundamental=None, reason=reason, floor_dbm=floor_dbm)


def _described(
    frequency_hz: Float,
    level_dbm: Float,
    inside: NDArray[np.bool_],
    at: int,
    necessary_hz: float | None,
    noise: ReadingNoise,
) -> Fundamental:
    grid = Grid.from_axis(frequency_hz)
    peak = noise.peak(frequency_hz, level_dbm, extent_of(inside), at)
    floor = -math.inf if noise.floor_dbm is None else noise.floor_dbm
    first, last = _own_run(frequency_hz, level_dbm, at, necessary_hz, floor)
    run = slice(first, last + 1)
    unsteady = fluctuation(level_dbm[run], floor_db=floor, averages=noise.averages)
    centre_hz, u_centre_hz = _centroid(grid, level_dbm, run, noise, unsteady)
    if necessary_hz is None:
        low_hz = float(frequency_hz[first] - grid.cell_hz[first] / 2.0)
        high_hz = float(frequency_hz[last] + grid.cell_hz[last] / 2.0)
    else:
        low_hz, high_hz = centre_hz - necessary_hz / 2.0, centre_hz + necessary_hz / 2.0
    power = band_power(
        level_dbm,
        grid,
        start_hz=low_hz,
        stop_hz=high_hz,
        rbw_hz=noise.rbw_hz,
        shape=noise.shape,
        enb_per_rbw=noise.enb_per_rbw,
    )
    level, level_from, u_level_db = power.level, "channel", noise.deviation_db(peak.level_db)
    if level is None or level < peak.level_db - PEAK_OVER_CHANNEL_DB:
        level, level_from = peak.level_db, "peak"
        u_level_db = u_level_db if peak.u_db is None else peak.u_db
        u_own_db = sum_deviation_db(np.ones(1), unsteady)
    else:
        held = ratio_from_db(level_dbm[run] - peak.level_db) * grid.cell_hz[run]
        u_own_db = sum_deviation_db(held, unsteady, alike=_alike(grid, run, noise))
    return Fundamental(
        peak=peak,
        centre_hz=centre_hz,
        u_centre_hz=u_centre_hz,
        low_hz=low_hz,
        high_hz=high_hz,
        level_dbm=level,
        u_level_db=u_level_db,
        u_own_db=u_own_db,
        level_from=level_from,
        level_reason=power.reason,
        over_floor_db=float(level_dbm[at]) - floor,
        cut_off=first == 0 or last == level_dbm.size - 1,
        notes=_rivals(frequency_hz, level_dbm, at, low_hz, high_hz, inside),
    )


def _own_run(
    frequency_hz: Float, level_dbm: Float, at: int, necessary_hz: float | None, floor: float
) -> tuple[int, int]:
    """The points that make up the emission: around the peak, both ends inside."""
    if necessary_hz is not None:
        near = np.abs(frequency_hz - frequency_hz[at]) <= necessary_hz
        near &= np.isfinite(level_dbm)
        # The nearest gap on either side ends it.
        apart = np.flatnonzero(~near)
        before, after = apart[apart < at], apart[apart > at]
        first = int(before[-1]) + 1 if before.size else 0
        last = int(after[0]) - 1 if after.size else level_dbm.size - 1
        return first, last
    low = max(float(level_dbm[at]) - MODULATED_DOWN_DB, floor + RUN_OVER_FLOOR_DB)
    first = last = at
    while first > 0 and level_dbm[first - 1] > low:
        first -= 1
    while last < level_dbm.size - 1 and level_dbm[last + 1] > low:
        last += 1
    return first, last


def _alike(grid: Grid, run: slice, noise: ReadingNoise) -> float:
    """Points that share an RBW, and are taken as one reading."""
    if noise.enb_hz is None:
        return 1.0
    return max(1.0, noise.enb_hz / max(float(grid.cell_hz[run].max()), 1e-9))


def _centroid(
    grid: Grid, level_dbm: Float, run: slice, noise: ReadingNoise, unsteady: float
) -> tuple[float, float]:
    """Mean frequency weighted by power over the floor, and its standard uncertainty."""
    level = level_dbm[run]
    top = float(level.max())
    held = ratio_from_db(level - top)
    floor = 0.0 if noise.floor_dbm is None else float(ratio_from_db(noise.floor_dbm - top))
    cell_hz = np.maximum(grid.cell_hz[run], 1e-9)
    weight = np.maximum(held - floor, 0.0) * cell_hz
    total = float(weight.sum())
    # Offsets from the first point keep the digits that frequencies of GHz would swallow.
    first_hz = float(grid.frequency_hz[run.start])
    offset_hz = grid.frequency_hz[run] - first_hz
    centre_hz = float((weight * offset_hz).sum()) / total
    deviation = np.array([noise.deviation_db(one) for one in level.tolist()]) / DB_PER_NEPER
    deviation = np.sqrt(deviation**2 + unsteady * _alike(grid, run, noise))
    error = held * cell_hz * deviation * (offset_hz - centre_hz)
    u_hz = math.hypot(
        float(np.sqrt((error**2).sum())) / total, float(cell_hz.max()) / math.sqrt(12.0)
    )
    return first_hz + centre_hz, u_hz


def _rivals(
    frequency_hz: Float,
    level_dbm: Float,
    at: int,
    low_hz: float,
    high_hz: float,
    inside: NDArray[np.bool_],
) -> tuple[str, ...]:
    """Signals elsewhere that make it doubtful whether this is the fundamental."""
    notes = []
    width_hz = high_hz - low_hz
    apart = (frequency_hz < low_hz - width_hz) | (frequency_hz > high_hz + width_hz)
    other = np.where(apart & np.isfinite(level_dbm), level_dbm, -math.inf)
    if other.size and float(other.max()) > float(level_dbm[at]) - RIVAL_DB:
        where = int(np.argmax(other))
        apart_db = number_text(float(other[where] - level_dbm[at]), 1)
        place = "" if inside[where] else ", outside the search"
        notes.append(
            f"another signal at {frequency_text(float(frequency_hz[where]))} is {apart_db} dB "
            f"against this one{place}"
        )
    return tuple(notes)


# --- keyed or not ---


@dataclass(frozen=True, slots=True, kw_only=True)
class Keying:
    """Whether the transmitter is keyed. ``keyed`` is None where the trace holds no level at all."""

    keyed: bool | None
    changed: bool
    strongest_dbm: float | None
    strongest_hz: float | None


def key_threshold_dbm(
    idle_dbm: float, expected_dbm: float, *, least_apart_db: float = 20.0
) -> float | None:
    """Level above which the transmitter counts as keyed: halfway in dB between idle and expected.

    Args:
        idle_dbm: strongest reading of a trace with the transmitter released.
        expected_dbm: reading expected with it keyed, at its lowest power.

    Returns:
        None where the two lie closer than ``least_apart_db``: keying cannot be seen safely.
    """
    if not expected_dbm - idle_dbm >= least_apart_db:
        return None
    return (idle_dbm + expected_dbm) / 2.0


def keyed(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    threshold_dbm: float,
    hysteresis_db: float = 6.0,
    was_keyed: bool = False,
) -> Keying:
    """Whether a transmitter was keyed when its frequency was swept, from the strongest point.

    Above the threshold it is keyed; keyed already, it stays so down to ``hysteresis_db`` below.
    Only what was swept while keyed is seen: a key-up in the middle of a sweep leaves a trace that
    is partly idle, so a measurement wants one more keyed trace before and after it. Speech on a
    suppressed carrier falls silent between words: let a tone, or several sweeps, decide.

    Args:
        frequency_hz: (points,) of the fundamental's window only.
        level_dbm: (points,), NaN is left out.

    Raises:
        ValueError: arrays of different shape, or a hysteresis below 0.
    """
    check_trace(frequency_hz, level_dbm)
    if hysteresis_db < 0:
        raise ValueError(f"hysteresis_db must not be below 0, got {hysteresis_db}")
    seen = np.flatnonzero(np.isfinite(level_dbm))
    if seen.size == 0:
        return Keying(keyed=None, changed=False, strongest_dbm=None, strongest_hz=None)
    at = int(seen[np.argmax(level_dbm[seen])])
    strongest = float(level_dbm[at])
    now = strongest > threshold_dbm - (hysteresis_db if was_keyed else 0.0)
    return Keying(
        keyed=now,
        changed=now != was_keyed,
        strongest_dbm=strongest,
        strongest_hz=float(frequency_hz[at]),
    )
