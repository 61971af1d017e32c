"""What becomes of a band's sums when it turns out that nobody heard: back to when somebody did.

States are never changed, so the sums as they stood after the last sure sweep are still there
(:class:`~acqd.measure.band_state.Sure`). Sweeps since then become deaf ones, busy channels unknown
ones, and hours that have turned meanwhile turn once more; their figures go with the next hour.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from acqd.measure.band_ears import Ears, Heard, restarted
from acqd.measure.band_state import (
    BandState,
    ChannelStates,
    HourSums,
    Sure,
    Turned,
    fresh_hour,
)
from acqd.measure.deafness import deaf_finding, hears_again_finding
from acqd.measure.meter import (
    Figure,
    FindingDraft,
    HourlyFigures,
    HourTurned,
    Output,
    SetupChanged,
    SweepSeen,
)

__all__ = ["Told", "corrected_hours", "other_setup", "said", "turned", "unchanged"]

HOURS_SET_BACK = 48
"""Most clock hours that turned without anybody knowing that nobody heard; older ones stay."""

SUMS = (
    "visits",
    "hits",
    "hits_any",
    "unseen",
    "peak",
    "moves",
    "levels",
    "residuals",
    "zero",
    "cells",
    "cells_above",
    "floors",
    "floor_stride",
    "floor_seen",
    "floor_low",
    "floor_high",
    "longest_revisit_s",
    "longest_unseen_s",
    "dropped",
)
"""What of an hour's sums comes of listening; all else counts what was stored."""

Turn = Callable[[BandState, HourTurned], tuple[BandState, Output]]


@dataclass(frozen=True, slots=True)
class Told:
    """What a sweep says of the hearing: the state before its own counting, what that is to know of
    it afterwards, and what is told."""

    state: BandState
    ears: Ears
    sure: Sure | None = None
    sure_levels: Sure | None = None
    findings: tuple[FindingDraft, ...] = ()
    corrected: tuple[HourlyFigures, ...] = ()


def unchanged(before: BandState, state: BandState, heard: Heard, at_s: float) -> Told:
    """It is as it was; ``before`` is the state to go back to where it turns out otherwise."""
    sure = levels = None
    if heard.silent:
        sure = before.sure or _sums_of(before, before.ears.sure_s, at_s)
    if heard.doubts:
        levels = before.sure_levels or _sums_of(before, before.ears.swept_s, at_s)
    return Told(state, heard.ears, sure, levels)


def _sums_of(state: BandState, sure_s: float, at_s: float) -> Sure:
    return Sure(
        at_s=at_s if math.isnan(sure_s) else sure_s,
        hour=state.hour,
        hold=state.hold,
        slots=state.slots,
        long_run=state.long_run,
        watch=state.watch,
        trial=state.trial,
        unseen_before_s=state.unseen_before_s,
    )


def turned(state: BandState, event: HourTurned, missed: int) -> BandState:
    """``state`` with an hour that turns in doubt noted; asked before it does."""
    if state.sure is None and state.sure_levels is None:
        return state
    fresh = fresh_hour(state.hour.hits.size)
    one = Turned(
        hour_start_s=event.hour_start_s,
        hour_end_s=event.hour_end_s,
        counts=_set_back(state.hour, fresh),
        missed=missed,
        checks=state.check.checks,
        check_counts=state.check.counts,
    )

    def noted(sure: Sure | None) -> Sure | None:
        if sure is None or len(sure.turned) >= HOURS_SET_BACK:
            return sure
        return replace(sure, turned=(*sure.turned, one))

    return replace(state, sure=noted(state.sure), sure_levels=noted(state.sure_levels))


def said(state: BandState, heard: Heard, event: SweepSeen, turn: Turn) -> Told:
    """That nobody heard, or that somebody hears again."""
    if heard.fell is not None:
        return _fallen(state, heard, event, turn)
    assert heard.how is not None
    return _back(state, heard.ears, heard.how, event.started_s, event.seq)


def _back(state: BandState, ears: Ears, how: str, at_s: float, seq: int | None) -> Told:
    deaf = ears.deaf
    assert deaf is not None
    new = replace(
        state,
        ears=restarted(ears),
        channels=replace(state.channels, known=True),
        sure=None,
        sure_levels=None,
    )
    return Told(new, new.ears, findings=(hears_again_finding(deaf, at_s, how, seq),))


def other_setup(state: BandState, event: SetupChanged) -> tuple[Ears, list[FindingDraft]]:
    """The ears after another setup: what they knew of floors and levels is void."""
    ears = restarted(state.ears, anew=True)
    if state.ears.deaf is None:
        return ears, []
    how = "it is swept another way now, and whether anything is heard is judged anew"
    return ears, [hears_again_finding(state.ears.deaf, event.at_s, how, None)]


def _fallen(state: BandState, heard: Heard, event: SweepSeen, turn: Turn) -> Told:
    deaf = heard.fell
    assert deaf is not None
    sure = state.sure_levels if heard.doubts or not heard.silent else state.sure
    if sure is None:
        # Every sweep that did not listen was noticed as it came: nothing was counted since.
        sure = _sums_of(state, state.ears.swept_s, event.started_s)
    if math.isnan(deaf.from_s):
        deaf = replace(deaf, from_s=min(sure.at_s, event.started_s))
    ears = replace(heard.ears, deaf=deaf, told=heard.ears.told + 1)
    evidence: dict[str, Figure] = dict(heard.evidence or {})
    before = replace(
        state,
        ears=ears,
        hour=sure.hour,
        hold=sure.hold,
        slots=sure.slots,
        long_run=sure.long_run,
        watch=sure.watch,
        trial=sure.trial,
        unseen_before_s=sure.unseen_before_s,
        sure=None,
        sure_levels=None,
        tracks=(),
        visit=None,
        check=replace(state.check, before=None),
        channels=_unknown(state.channels, deaf.from_s),
    )
    new, corrected = _turned_again(before, sure, turn)
    base = fresh_hour(state.hour.hits.size) if sure.turned else sure.hour
    corrections = (*_without(state.corrections, corrected), *corrected)
    new = replace(
        new,
        hour=_set_back(state.hour, base),
        missed=state.missed,
        heard_s=math.nan,
        point_heard_s=None,
        corrections=corrections[-HOURS_SET_BACK:],
    )
    seemed = sum(one.counts.deaf for one in sure.turned) - (sure.hour.visits if sure.turned else 0)
    # With the one that it was noticed by, which is not counted yet.
    evidence["sweeps"] = new.hour.deaf - state.hour.deaf + seemed + 1
    told = (deaf_finding(deaf, event, **evidence),)
    return Told(new, new.ears, findings=told, corrected=corrected)


def _turned_again(
    state: BandState, sure: Sure, turn: Turn
) -> tuple[BandState, tuple[HourlyFigures, ...]]:
    """The hours that turned since, once more with what was heard in them."""
    found: list[HourlyFigures] = []
    # Of the hour that runs; what flaps is told when that turns.
    check, flaps = state.check, state.flaps
    for number, one in enumerate(sure.turned):
        counts = one.counts
        if number == 0:
            kept = {name: getattr(sure.hour, name) for name in SUMS}
            counts = replace(counts, **kept, deaf=counts.deaf - sure.hour.visits)
        hour = math.floor(one.hour_start_s / 3600.0)
        missed = ((hour, one.missed),) if one.missed else ()
        state, output = turn(
            replace(
                state,
                hour=counts,
                missed=missed,
                corrections=(),
                flaps=(),
                check=replace(check, checks=one.checks, counts=one.check_counts),
            ),
            HourTurned(hour_start_s=one.hour_start_s, hour_end_s=one.hour_end_s),
        )
        found += output.hourly
    return replace(state, check=check, flaps=flaps), tuple(found)


def _without(
    older: tuple[HourlyFigures, ...], newer: tuple[HourlyFigures, ...]
) -> tuple[HourlyFigures, ...]:
    again = {one.hour_start_s for one in newer}
    return tuple(one for one in older if one.hour_start_s not in again)


def _unknown(now: ChannelStates, from_s: float) -> ChannelStates:
    """Of no channel is known what it is."""
    return ChannelStates(
        up_since_s=np.full_like(now.up_since_s, np.nan),
        busy=np.zeros_like(now.busy),
        heard_s=now.heard_s,
        heard_level=now.heard_level,
        known=False,
        unknown_s=from_s,
    )


def _set_back(now: HourSums, to: HourSums) -> HourSums:
    """The hour ``now``, but what was listened to as it was at ``to``: what came since is deaf."""
    kept = {name: getattr(to, name) for name in SUMS}
    return replace(now, **kept, deaf=now.deaf + now.visits - to.visits)


def corrected_hours(corrections: tuple[HourlyFigures, ...]) -> list[Mapping[str, Any]]:
    """Hours whose figures were wrong when they turned, as an hour's figures list them."""
    return [{"hour_start_s": one.hour_start_s, "figures": one.figures} for one in corrections]
