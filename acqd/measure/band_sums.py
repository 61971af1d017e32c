"""What a band meter sums up over a clock hour: counts, floors, held levels, missed sweeps."""

from __future__ import annotations

import math

import numpy as np

from acqd.measure.band_levels import Levels
from acqd.measure.band_state import Hold, HourSums, Residual, thinned
from acqd.measure.band_sweep import Seen
from acqd.measure.band_visits import Moves
from acqd.measure.band_work import BandWork
from acqd.measure.band_zero import ZeroSpan
from acqd.measure.meter import GapSeen, SweepSeen
from acqd.measure.statistics import DB_PER_NEPER
from acqd.sweep import SweepFlag

__all__ = ["HOUR_S", "SPOILT", "add_missed", "counted", "held"]

HOUR_S = 3600.0

SPOILT = SweepFlag.REPEATED | SweepFlag.TRANSMITTING | SweepFlag.SET_ASIDE
"""Sweeps that are no listening time: they are kept, and nothing is made of them."""

RESIDUALS_LIMIT = 64
"""Most residual responses that an hour lists."""

MISSED_HOURS = 24 * 40
"""Most clock hours that a gap is spread over; what is older is counted in the oldest kept."""


def add_missed(missed: tuple[tuple[int, int], ...], gap: GapSeen) -> tuple[tuple[int, int], ...]:
    """Spread a gap's due times, evenly from first to last, over the clock hours they fell in."""
    if gap.count <= 0:
        return missed
    counts = dict(missed)
    first = math.floor(gap.from_s / HOUR_S)
    last = max(first, math.floor(gap.to_s / HOUR_S))
    first_kept = max(first, last - MISSED_HOURS + 1)
    step_s = (gap.to_s - gap.from_s) / (gap.count - 1) if gap.count > 1 else 0.0
    told = 0
    for hour in range(first_kept, last + 1):
        until = gap.count
        if hour < last and step_s > 0:
            # Due times i with from + i·step before the end of this hour.
            until = min(gap.count, math.ceil(((hour + 1) * HOUR_S - gap.from_s) / step_s))
        counts[hour] = counts.get(hour, 0) + until - told
        told = until
    kept = sorted(pair for pair in counts.items() if pair[1])
    return tuple(kept[-MISSED_HOURS:])


def counted(
    hour: HourSums,
    work: BandWork,
    seen: Seen,
    flags: SweepFlag,
    revisit_s: float,
    unseen_s: float,
    *,
    learning: bool,
    deaf: bool,
    moves: Moves,
    levels: Levels,
    zero: ZeroSpan,
) -> HourSums:
    """The hour's sums with one more sweep. Only one that listened counts for channels and cells;
    ``unseen_s`` is NaN where nobody knows it."""
    repeated = spoilt = keyed = overload = False
    if flags:
        repeated, spoilt = bool(flags & SweepFlag.REPEATED), bool(flags & SPOILT)
        keyed, overload = bool(flags & SweepFlag.TRANSMITTING), bool(flags & SweepFlag.OVERLOAD)
    listened = not (spoilt or learning or deaf)
    hits, hits_any, unseen, peak = hour.hits, hour.hits_any, hour.unseen, hour.peak
    look = seen.channels
    if listened and not seen.cells:
        # Nothing was seen at all: no channel was visited.
        unseen = unseen + 1
    elif listened and look is not None:
        number = work.index.channel
        if look.above.any():
            hits, hits_any, peak = hits.copy(), hits_any.copy(), peak.copy()
            hits[number] += look.own
            hits_any[number] += look.above
            peak[number] = np.where(
                look.own, np.fmax(peak[number], look.largest_level), peak[number]
            )
        if look.seen is not None and not look.seen.all():
            unseen = unseen.copy()
            unseen[number] += ~look.seen
    floors, stride, floor_seen = hour.floors, hour.floor_stride, hour.floor_seen
    floor_low, floor_high = hour.floor_low, hour.floor_high
    if listened and math.isfinite(seen.floor):
        if floor_seen % stride == 0:
            floors, stride = thinned((*floors, seen.floor), stride)
        floor_seen += 1
        floor_low, floor_high = min(floor_low, seen.floor), max(floor_high, seen.floor)
    residuals = hour.residuals
    if listened and work.residual_limit is not None:
        residuals = _residuals(residuals, seen, work.tolerance_hz)
    return HourSums(
        moves=moves,
        levels=levels,
        residuals=residuals,
        zero=zero,
        stored=hour.stored + 1,
        repeated=hour.repeated + repeated,
        transmitting=hour.transmitting + (keyed and not repeated),
        set_aside=hour.set_aside + (spoilt and not repeated and not keyed),
        overload=hour.overload + overload,
        not_finite=hour.not_finite + (seen.missing is not None),
        learning=hour.learning + (learning and not spoilt),
        deaf=hour.deaf + (deaf and not spoilt),
        visits=hour.visits + listened,
        hits=hits,
        hits_any=hits_any,
        unseen=unseen,
        peak=peak,
        cells=hour.cells + (seen.cells if listened else 0),
        cells_above=hour.cells_above + (seen.cells_above if listened else 0),
        floors=floors,
        floor_stride=stride,
        floor_seen=floor_seen,
        floor_low=floor_low,
        floor_high=floor_high,
        longest_revisit_s=max(hour.longest_revisit_s, revisit_s),
        longest_unseen_s=max(hour.longest_unseen_s, unseen_s),
        dropped=hour.dropped + seen.dropped,
    )


def _residuals(
    known: tuple[Residual, ...], seen: Seen, tolerance_hz: float
) -> tuple[Residual, ...]:
    """The hour's residual responses with those of one more sweep; the first ones are kept."""
    found = list(known)
    for signal in seen.signals:
        if not (signal.residual and signal.opens):
            continue
        near = (
            i for i, one in enumerate(found) if abs(one.peak_hz - signal.peak_hz) <= tolerance_hz
        )
        i = next(near, -1)
        if i < 0:
            if len(found) < RESIDUALS_LIMIT:
                found.append(Residual(peak_hz=signal.peak_hz, peak=signal.peak, sweeps=1))
            continue
        peak, peak_hz = max((found[i].peak, found[i].peak_hz), (signal.peak, signal.peak_hz))
        found[i] = Residual(peak_hz=peak_hz, peak=peak, sweeps=found[i].sweeps + 1)
    return tuple(found)


def held(hold: Hold | None, work: BandWork, event: SweepSeen, seen: Seen) -> Hold:
    """The hour's largest, smallest and summed levels with one more sweep."""
    level = event.level
    if work.logarithmic:
        power = np.multiply(level, 1.0 / DB_PER_NEPER)
        np.exp(power, out=power)
    else:
        power = level.copy()
    missing = hold.missing if hold is not None else None
    if seen.missing is not None:
        gone = ~np.isfinite(level)
        power[gone] = 0.0
        level = np.where(gone, np.nan, level)
        missing = gone.astype(np.int64) if missing is None else missing + gone
    if hold is None:
        return Hold(
            from_s=event.started_s,
            sweeps=1,
            largest=level.copy(),
            smallest=level.copy(),
            total=power,
            missing=missing,
        )
    power += hold.total
    return Hold(
        from_s=hold.from_s,
        sweeps=hold.sweeps + 1,
        largest=np.fmax(hold.largest, level),
        smallest=np.fmin(hold.smallest, level),
        total=power,
        missing=missing,
    )
