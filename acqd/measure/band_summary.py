"""The summary of a sweep and the figures of an hour, as plain JSON data.

A name that holds a level ends in its unit (``floor_dbm``), and ``unit`` names it too. Nothing here
is NaN or infinite: what is not known is None.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure import band_more
from acqd.measure.band_deaf import corrected_hours
from acqd.measure.band_levels import level_figures
from acqd.measure.band_state import BandState, ChannelStates, Hold, HourSums
from acqd.measure.band_sweep import Seen, SeenSignal
from acqd.measure.band_visits import DAY_S, LongRun, Slots
from acqd.measure.band_work import SEEN_SURELY, BandSettings, BandWork
from acqd.measure.band_zero import zero_figures
from acqd.measure.deafness import Deaf
from acqd.measure.markov import fit_markov, hours_more, occupancy_interval, visits_needed
from acqd.measure.meter import Figure
from acqd.measure.occupancy import channel_occupancy, coverage, resource_occupancy
from acqd.measure.statistics import wilson_interval
from acqd.sweep import SweepFlag
from acqd.units import db_from_ratio

__all__ = [
    "channel_news",
    "channel_states",
    "columns",
    "hourly",
    "summary",
    "values",
    "why_not_listening",
]

SIGNALS_SHOWN = 32
"""Most signals listed in a summary, the strongest first; ``signals_count`` counts them all."""

HOURS_MORE: dict[str, dict[str, float]] = {
    "hours_more_for_10_percent": {"relative": 0.1},
    "hours_more_for_1_point": {"absolute": 0.01},
}
"""Precisions, at 95 %, that the hours still to be watched are told for."""

SURE_COVERAGE = 0.5
"""With a smaller share of the hour's due sweeps nothing is said of what is surely caught."""

SURELY_IS = "longest revisit_s of this hour and the last + sweep time"

BUSY_SHOWN = 64
CHANNELS_SHOWN = 256
"""Most channels listed for an hour, the busiest; the others are counted."""

HOLD_POINTS = 512
"""Most points of the hour's largest, mean and smallest levels; bins keep their extremes."""


def _level(value: float | None) -> float | None:
    """Rounded for reading (columns in the archive keep all digits); None for what is not known."""
    return None if value is None or not math.isfinite(value) else round(value, 3)


def why_not_listening(flags: SweepFlag, deaf: Deaf | None, *, learning: bool) -> str | None:
    """Why a sweep does not count as listened, in words; None where it does."""
    if deaf is not None:
        return f"deaf: {deaf.why}"
    if not flags:
        return "it learns its floor" if learning else None
    if flags & SweepFlag.REPEATED:
        return "the same levels as in the sweep before, bit for bit"
    if flags & SweepFlag.TRANSMITTING:
        return "a transmitter nearby was keyed"
    if flags & SweepFlag.SET_ASIDE:
        return "set aside, as the job's conditions say"
    return "it learns its floor" if learning else None


def columns(work: BandWork, seen: Seen) -> dict[str, float]:
    """The fixed set of numbers that the archive keeps for each sweep; NaN where unknown."""
    suffix = work.suffix
    return {
        f"floor_{suffix}": seen.floor,
        f"threshold_{suffix}": seen.opening,
        f"peak_{suffix}": math.nan if seen.peak is None else seen.peak,
        "peak_hz": math.nan if seen.peak_hz is None else seen.peak_hz,
        "signals": float(sum(signal.opens for signal in seen.signals) + seen.dropped),
        "occupied_fraction": seen.cells_above / seen.cells if seen.cells else math.nan,
    }


def values(work: BandWork, seen: Seen) -> dict[str, float]:
    """The bare figures; none that is not finite."""
    if not seen.cells or seen.peak is None:
        return {}
    return {
        f"floor_{work.suffix}": round(seen.floor, 3),
        f"strongest_{work.suffix}": round(seen.peak, 3),
        "occupied_fraction": round(seen.cells_above / seen.cells, 6),
    }


def summary(
    settings: BandSettings,
    work: BandWork,
    seen: Seen,
    *,
    state: BandState,
    revisit_s: float,
    unseen_s: float,
    missed: int,
    floor_u: float | None,
    why_not: str | None,
) -> dict[str, Any]:
    """The whole summary of one sweep; ``state`` is the one after it.

    ``shortest_surely_caught_s`` is the longest revisit + sweep time of this clock hour and the one
    before: a transmission that long contains a whole visit to its frequency, wherever in the sweep
    that lies. None, with the reason, where nobody can say. ``why_not`` says why the sweep does not
    count as listened; None where it does.
    """
    listening, is_deaf = why_not is None, state.ears.deaf is not None
    suffix = work.suffix
    hour = state.hour
    strongest = None
    if seen.signals:
        opening = [signal for signal in seen.signals if signal.opens]
        opening.sort(key=lambda signal: (-signal.over_floor, signal.peak_hz))
        shown = [_signal(settings, work, signal) for signal in opening[:SIGNALS_SHOWN]]
        strongest = shown[0] if shown else None
    else:
        opening, shown = [], []
    surely_s, surely_is = _surely(state, unseen_s, missed, listening=listening)
    due = hour.stored + missed
    floor_kind = "flat"
    if settings.floor == "learnt":
        floor_kind = "learning" if state.shape is None else "learnt"
    busy, busy_count = _busy(settings, state)
    return {
        **work.static,
        f"floor_{suffix}": _level(seen.floor),
        f"floor_u_{'db' if work.logarithmic else suffix}": _level(floor_u),
        "floor_kind": floor_kind,
        "floor_trusted": seen.estimate.trusted,
        f"threshold_{suffix}": _level(seen.opening),
        f"closing_{suffix}": _level(seen.closing),
        f"peak_{suffix}": _level(seen.peak),
        "peak_hz": _level(seen.peak_hz),
        "occupied_fraction": round(seen.cells_above / seen.cells, 6) if seen.cells else None,
        "signals_count": len(opening) + seen.dropped,
        "signals": shown,
        "strongest": strongest,
        "tracks": len(state.tracks),
        "busy": busy,
        "busy_count": busy_count,
        "revisit_s": round(revisit_s, 3),
        "shortest_surely_caught_s": _level(surely_s),
        "shortest_surely_caught_is": surely_is,
        "shortest_surely_told_s": None
        if surely_s is None
        else round(surely_s + settings.min_duration_s, 3),
        f"weakest_level_seen_{suffix}": None
        if is_deaf
        else _level(seen.noise_mean + work.weakest_over),
        f"weakest_level_half_seen_{suffix}": None
        if is_deaf
        else _level(seen.noise_mean + work.weakest_half_over),
        "weakest_level_probability": SEEN_SURELY,
        "listening": listening,
        "not_listening": why_not,
        "stored": hour.stored,
        "due": due,
        "coverage": round(hour.stored / due, 6) if due else None,
    }


def _surely(
    state: BandState, unseen_s: float, missed: int, *, listening: bool
) -> tuple[float | None, str]:
    """The shortest transmission that is surely caught, and what that is, or why nobody knows."""
    hour = state.hour
    heard_not = hour.repeated + hour.transmitting + hour.set_aside + hour.deaf
    asked = hour.visits + heard_not + missed
    if not listening:
        return None, "unknown: not listening"
    if math.isnan(unseen_s):
        return None, "unknown: not every frequency was watched before this sweep"
    if hour.visits < SURE_COVERAGE * asked:
        return None, "unknown: too few of this hour's due sweeps listened"
    return max(hour.longest_unseen_s, state.unseen_before_s), SURELY_IS


def _signal(settings: BandSettings, work: BandWork, signal: SeenSignal) -> dict[str, Any]:
    plan = settings.channels
    named = plan is not None and signal.channel >= 0
    shown = {
        "channel": plan.channels[signal.channel].name if plan is not None and named else None,
        "peak_hz": _level(signal.peak_hz),
        "centre_hz": _level(signal.centre_hz),
        "width_hz": _level(signal.width_hz),
        f"peak_{work.suffix}": _level(signal.peak),
        f"power_{work.suffix}": _level(signal.power),
        f"over_floor_{'db' if work.logarithmic else work.suffix}": _level(signal.over_floor),
    }
    shown["residual"] = signal.residual
    return shown


def _busy(settings: BandSettings, state: BandState) -> tuple[list[str], int]:
    plan = settings.channels
    if plan is None or not state.channels.up:
        return [], 0
    names = [plan.channels[i].name for i in np.flatnonzero(state.channels.busy).tolist()]
    return names[:BUSY_SHOWN], len(names)


def channel_news(
    settings: BandSettings, work: BandWork, before: BandState, after: BandState, at_s: float
) -> dict[str, Mapping[str, Any]]:
    """Channels whose state changed with this event, by name."""
    plan = settings.channels
    old, new = before.channels, after.channels
    if plan is None or old is new:
        return {}
    changed = (new.busy != old.busy) | (new.busy & (new.up_since_s != old.up_since_s))
    if new.known != old.known:
        # All that was ever told is told anew.
        changed |= np.isfinite(old.heard_s) | np.isfinite(new.heard_s)
    return {
        plan.channels[i].name: _channel(settings, work, new, i, _since_s(new, i, at_s))
        for i in np.flatnonzero(changed).tolist()
    }


def channel_states(
    settings: BandSettings, work: BandWork, state: BandState
) -> dict[str, Mapping[str, Any]]:
    """The state of every channel that was ever heard, by name.

    When a free channel became so is not kept: it is told free since it was last heard. So is a busy
    one whose beginning nobody knows.
    """
    plan, channels = settings.channels, state.channels
    if plan is None:
        return {}
    known: dict[str, Mapping[str, Any]] = {}
    for i in np.flatnonzero(np.isfinite(channels.heard_s)).tolist():
        since_s = _since_s(channels, i, math.nan)
        since_s = since_s if math.isfinite(since_s) else float(channels.heard_s[i])
        known[plan.channels[i].name] = _channel(settings, work, channels, i, since_s)
    return known


def _since_s(channels: ChannelStates, i: int, free_s: float) -> float:
    """Since when a channel is what it is; ``free_s`` where it is free."""
    if not channels.known:
        return channels.unknown_s
    return float(channels.up_since_s[i]) if channels.busy[i] else free_s


def _channel(
    settings: BandSettings, work: BandWork, channels: ChannelStates, i: int, since_s: float
) -> dict[str, Any]:
    assert settings.channels is not None
    channel = settings.channels.channels[i]
    return {
        "channel": channel.name,
        "key": channel.key,
        "centre_hz": channel.centre_hz,
        "busy": bool(channels.busy[i]),
        "known": channels.known,
        "since_s": since_s,
        "last_heard_s": _level(float(channels.heard_s[i])),
        f"level_{work.suffix}": _level(float(channels.heard_level[i])),
        "unit": work.unit.value,
        "plane": settings.plane,
    }


# --- the hour -------------------------------------------------------------------------------------


def hourly(
    settings: BandSettings, work: BandWork, state: BandState, missed: int, hour_start_s: float
) -> dict[str, Any]:
    """The figures of the clock hour that ``state`` has counted; docs/band.md says each name."""
    hour, hold = state.hour, state.hold
    suffix = work.suffix
    due = hour.stored + missed
    spoilt = hour.repeated + hour.transmitting + hour.set_aside
    listened = hour.stored - spoilt - hour.learning - hour.deaf
    floors = sorted(hour.floors)
    median = None
    if floors:
        median = (floors[(len(floors) - 1) // 2] + floors[len(floors) // 2]) / 2.0
    figures: dict[str, Any] = {
        "unit": work.unit.value,
        "plane": settings.plane,
        "stored": hour.stored,
        "due": due,
        "coverage": coverage(hour.stored, due),
        "listened": listened,
        "listening_coverage": coverage(listened, due),
        "repeated": hour.repeated,
        "transmitting": hour.transmitting,
        # Only where there is any: hours of old have no such figure.
        **({"set_aside": hour.set_aside} if hour.set_aside else {}),
        "learning": hour.learning,
        "deaf": hour.deaf,
        "overload": hour.overload,
        "not_finite": hour.not_finite,
        f"floor_low_{suffix}": _level(hour.floor_low),
        f"floor_median_{suffix}": _level(median),
        f"floor_high_{suffix}": _level(hour.floor_high),
        "fbo": hour.cells_above / hour.cells if hour.cells else None,
        "longest_revisit_s": _level(hour.longest_revisit_s),
        "tracks_dropped": hour.dropped,
        "hold": None if hold is None else _held(work, hold),
        "levels": level_figures(hour.levels, work),
    }
    figures |= _channels_of(settings, work, state, hour_start_s)
    figures |= {
        "zero_span": zero_figures(hour.zero, work),
        "residuals": band_more.residual_figures(work, state),
        "overload_check": band_more.check_figures(work, state),
        "external_noise": band_more.external_noise_figures(settings, work, state),
        "trial": band_more.trial_figures(settings, work, state),
        "ambient": band_more.ambient_figures(settings, work, state),
    }
    if state.corrections:
        figures["corrects"] = corrected_hours(state.corrections)
    return figures


def _channels_of(
    settings: BandSettings, work: BandWork, state: BandState, hour_start_s: float
) -> dict[str, Any]:
    plan, hour, slots = settings.channels, state.hour, state.slots
    if plan is None:
        return {"sro": None, "channels": [], "channels_quiet": 0, "channels_outside": 0}
    usable = work.index.channel
    trials = hour.visits - hour.unseen[usable]
    hits = hour.hits[usable]
    sro = resource_occupancy(channel_occupancy(hits, trials))
    order = np.argsort(-hits, kind="stable")
    shown = np.sort(order[:CHANNELS_SHOWN])
    long_run = _long_run(hour, state.long_run)
    is_today = slots.day == math.floor(hour_start_s / DAY_S)
    listed = []
    for i in shown.tolist():
        number = int(usable[i])
        channel = plan.channels[number]
        visits, found = int(trials[i]), int(hits[i])
        low, high = wilson_interval(found, visits)
        listed.append(
            {
                "channel": channel.name,
                "centre_hz": channel.centre_hz,
                "hits": found,
                "visits": visits,
                "fco": found / visits if visits else None,
                "fco_low": low,
                "fco_high": high,
                "hits_with_neighbours": int(hour.hits_any[number]),
                f"peak_{work.suffix}": _level(float(hour.peak[number])),
                **{name: _figure(column[number]) for name, column in long_run.items()},
                **_busiest(slots, number, "fco", is_today=is_today),
            }
        )
    revisit_s = state.long_run.moves.revisit_s
    return {
        "sro": _level_exact(sro),
        "channels": listed,
        "channels_quiet": int(usable.size - len(listed)),
        "channels_outside": len(plan.channels) - int(usable.size),
        "total_since_s": _level_exact(state.long_run.since_s),
        "mean_revisit_s": _level(revisit_s),
        **_busiest(slots, len(plan.channels), "sro", is_today=is_today),
    }


def _busiest(slots: Slots, number: int, what: str, *, is_today: bool) -> dict[str, Figure]:
    """The busiest hour of the UTC day so far."""
    share = float(slots.best[number]) if is_today else math.nan
    known = math.isfinite(share)
    return {
        f"busy_hour_{what}": share if known else None,
        "busy_hour_from_s": float(slots.best_s[number]) if known else None,
    }


def _long_run(hour: HourSums, total: LongRun) -> dict[str, NDArray[np.float64]]:
    """Columns (channels,) on how sure the occupancy is where visits depend on each other."""
    here = fit_markov(hour.moves.transitions, revisit_s=hour.moves.revisit_s)
    visits = hour.visits - hour.unseen
    low, high = occupancy_interval(hour.hits, visits, here.factor_safe)
    revisit_s = total.moves.revisit_s
    fit = fit_markov(total.moves.transitions, revisit_s=revisit_s)
    share = channel_occupancy(total.hits, total.visits)
    total_low, total_high = occupancy_interval(total.hits, total.visits, fit.factor_safe)
    columns = {
        "fco_dependent_low": low,
        "fco_dependent_high": high,
        "total_visits": total.visits.astype(np.float64),
        "total_fco": share,
        "total_dependent_low": total_low,
        "total_dependent_high": total_high,
        "dependence": fit.factor,
        "mean_on_s": fit.mean_on_s,
        "mean_off_s": fit.mean_off_s,
    }
    for name, error in HOURS_MORE.items():
        needed = visits_needed(share, fit.factor, **error)
        columns[name] = hours_more(needed, total.visits, revisit_s)
    return columns


def _figure(value: float) -> float | None:
    """Six digits, so that a column that hardly moves does not fill the ledger."""
    return float(f"{value:.6g}") if math.isfinite(value) else None


def _level_exact(value: float) -> Figure:
    return value if math.isfinite(value) else None


def _held(work: BandWork, hold: Hold) -> dict[str, Any]:
    """Largest, mean and smallest level per bin of the hour, at most :data:`HOLD_POINTS` bins."""
    count = hold.sweeps - (0 if hold.missing is None else hold.missing)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = hold.total / count
    bins = min(HOLD_POINTS, work.points)
    starts = (np.arange(bins) * work.points) // bins
    sizes = np.diff(np.append(starts, work.points))
    mean_bin = np.add.reduceat(mean, starts) / sizes
    mean_level = db_from_ratio(mean_bin) if work.logarithmic else mean_bin
    frequency_hz = np.add.reduceat(work.grid.frequency_hz, starts) / sizes
    suffix = work.suffix
    return {
        "from_s": hold.from_s,
        "sweeps": hold.sweeps,
        "frequency_hz": frequency_hz.tolist(),
        f"largest_{suffix}": _listed(np.fmax.reduceat(hold.largest, starts)),
        f"mean_{suffix}": _listed(mean_level),
        f"smallest_{suffix}": _listed(np.fmin.reduceat(hold.smallest, starts)),
    }


def _listed(level: NDArray[np.float64]) -> list[float | None]:
    return [_level(value) for value in level.tolist()]
