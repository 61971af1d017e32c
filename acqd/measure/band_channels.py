"""Channels of a band meter from sweep to sweep: who is up, what followed what, quarter hours."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from acqd.measure.band_state import BandState, ChannelStates
from acqd.measure.band_sweep import Seen
from acqd.measure.band_visits import SLOT_S, Moves, Slots, Visit, added, closed_slot, moved
from acqd.measure.band_work import BandWork
from acqd.measure.meter import HourTurned, SweepSeen
from acqd.sweep import SweepFlag

__all__ = [
    "channels_after",
    "closed_quarter",
    "hour_counted",
    "judged_only",
    "period_of",
    "visited",
]


def period_of(state: BandState) -> float:
    """Nominal time between sweeps; 0 where nothing says."""
    setup = state.setup
    return 0.0 if setup is None else max(setup.interval_s or 0.0, setup.sweep_time_s or 0.0)


def channels_after(
    channels: ChannelStates,
    work: BandWork,
    seen: Seen,
    at_s: float,
    min_duration_s: float,
) -> ChannelStates:
    """Channel states after a sweep; the same object where nothing changed."""
    look = seen.channels
    if look is None and not channels.up and not channels.busy.any():
        return channels
    if not seen.cells:
        return channels
    number = work.index.channel
    was_up = ~np.isnan(channels.up_since_s)
    up = np.zeros(channels.busy.size, dtype=np.bool_)
    if look is not None:
        up[number] = np.where(was_up[number], look.stays, look.own)
        if look.seen is not None:
            # What a missing value leaves open stays as it was.
            up[number] |= was_up[number] & ~look.seen
    up_since_s = np.where(up, np.where(was_up, channels.up_since_s, at_s), np.nan)
    heard_s, heard_level = channels.heard_s, channels.heard_level
    if up.any() and look is not None:
        now = up.copy()
        now[number] &= look.stays
        heard_s = np.where(now, at_s, heard_s)
        heard_level = heard_level.copy()
        heard_level[number] = np.where(now[number], look.largest_level, heard_level[number])
    return ChannelStates(
        up_since_s=up_since_s,
        busy=up & (at_s - up_since_s >= min_duration_s),
        heard_s=heard_s,
        heard_level=heard_level,
        up=int(np.count_nonzero(up)),
    )


def judged_only(channels: ChannelStates, work: BandWork) -> ChannelStates:
    """Free the channels that the new grid cannot judge; they have no one to end them."""
    judged = np.zeros(channels.busy.size, dtype=np.bool_)
    judged[work.index.channel] = True
    up_since_s = np.where(judged, channels.up_since_s, np.nan)
    return replace(
        channels,
        up_since_s=up_since_s,
        busy=channels.busy & judged,
        up=int(np.count_nonzero(~np.isnan(up_since_s))),
    )


def visited(
    state: BandState, work: BandWork, seen: Seen, event: SweepSeen
) -> tuple[Moves, Visit | None]:
    """Pairs of visits with this sweep's, and that visit."""
    channels = state.hour.hits.size
    if not channels:
        return state.hour.moves, None
    busy = judged = None
    look = seen.channels
    if look is not None:
        busy = np.zeros(channels, dtype=np.bool_)
        busy[work.index.channel] = look.own
        if look.seen is not None:
            judged = np.zeros(channels, dtype=np.bool_)
            judged[work.index.channel] = look.seen
    stepped = bool(event.flags) and bool(event.flags & SweepFlag.CLOCK_STEPPED)
    return moved(
        state.hour.moves,
        None if stepped else state.visit,
        at_s=event.started_s,
        busy=busy,
        counted=judged,
        usual_s=max(period_of(state), event.took_s),
    )


def closed_quarter(state: BandState, number: int) -> Slots:
    """The quarter hours as number ``number`` begins; −1 as none does."""
    hour = state.hour
    return closed_slot(
        state.slots,
        state.work,
        number=number,
        hits=hour.hits,
        visits=hour.visits,
        unseen=hour.unseen,
        period_s=period_of(state),
    )


def hour_counted(state: BandState, event: HourTurned) -> BandState:
    """The state with the hour's counts in the long run, and its last quarter hour closed."""
    hour, slots = state.hour, state.slots
    if slots.number >= 0 and slots.number * SLOT_S < event.hour_end_s:
        slots = closed_quarter(state, -1)
        zeros = np.zeros(hour.hits.size, dtype=np.int64)
        slots = replace(slots, hits=zeros, visits=0, unseen=zeros)
    long_run = state.long_run
    if hour.visits:
        visits, moves = hour.visits - hour.unseen, hour.moves
        if state.work is not None and len(state.work.index) < hour.hits.size:
            # Channels that this grid does not judge were not visited.
            judged = np.zeros(hour.hits.size, dtype=np.bool_)
            judged[state.work.index.channel] = True
            visits = np.where(judged, visits, 0)
            counts = moves.counts.copy()
            counts[0] += moves.quiet
            moves = replace(moves, counts=np.where(judged, counts, 0), quiet=0)
        long_run = added(long_run, event.hour_start_s, hour.hits, visits, moves)
    return replace(state, slots=slots, long_run=long_run)
