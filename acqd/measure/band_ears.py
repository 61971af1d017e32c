"""What a band meter knows of its own hearing, from sweep to sweep.

A sweep is *sure* by its levels where they are new and the floor is not low, and sure by its
witnesses where one of them was heard in it (or where the job has none). Before the first sweep that
is not sure the sums as they stand are put by (:class:`Sure`); when it turns out that nobody heard,
:mod:`acqd.measure.band_deaf` goes back to them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_floor import (
    LOW_S,
    FloorPast,
    floor_seen,
    heard_while_low,
)
from acqd.measure.deafness import (
    Bits,
    Cause,
    Deaf,
    bits_seen,
    chance_of_same,
    frozen_text,
    is_frozen,
    is_thawed,
)
from acqd.measure.meter import Figure, SweepSeen
from acqd.measure.witness import (
    Learnt,
    fresh_learnt,
    heard_channels,
    silent_s,
    with_limits,
)
from acqd.measure.words import duration_text, level_text, number_text

if TYPE_CHECKING:
    from acqd.measure.band_state import ChannelStates
    from acqd.measure.band_sweep import Seen
    from acqd.measure.band_work import BandSettings, BandWork

__all__ = ["CONFIRM_MOST_S", "Ears", "Heard", "ears_after", "fresh_ears", "restarted"]

CONFIRM_MOST_S = 600.0
"""A low floor in which nothing is heard is believed after so long at the latest."""

SWEEPS_LEAST = 3
"""A witness is silent over so many sweeps at least."""

FEW_PERIODS = 3.0
"""Of a longer time between two sweeps nothing was listened to but one period."""

SETTLED = 16
"""Looks at the noise after which its floor is taken for what it is, while N is estimated."""

SAME_BY_CHANCE = 1e-6
"""Where noise alone repeats a sweep more often, the same sweep again is no sign."""

LEVELS_KNOWN_DB = 6.0
"""A signal that is so far below its usual level, or half of what the floor fell by, does not say
that all is well."""

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ears:
    """All of it. ``clock_s`` runs while the job listens; ``named_…`` are (named witnesses,)."""

    clock_s: float = 0.0
    sweeps: int = 0
    """Sweeps that listened."""
    swept_s: float = math.nan
    """Start of the last of them."""
    sure_s: float = math.nan
    """Start of the last sweep that was sure by its witnesses; of the first where none was yet."""
    bits: Bits = field(default_factory=Bits)
    floor: FloorPast = field(default_factory=FloorPast)
    named_s: Float
    """On that clock, when each was heard last; 0 before."""
    named_sweep: NDArray[np.int64]
    named_level: Float
    learnt: Learnt
    deaf: Deaf | None = None
    told: int = 0
    """How often it was deaf."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What one sweep says of the hearing.

    ``doubts`` and ``silent``: not sure by its levels, and by its witnesses. ``fell`` is a deafness
    that was noticed with it, ``evidence`` its figures; ``how`` says by what it hears again.
    """

    ears: Ears
    doubts: bool = False
    silent: bool = False
    fell: Deaf | None = None
    evidence: dict[str, Figure] = field(default_factory=dict)
    how: str | None = None


def fresh_ears(channels: int, named: int) -> Ears:
    """Nothing known yet."""
    return Ears(
        named_s=np.zeros(named),
        named_sweep=np.zeros(named, dtype=np.int64),
        named_level=np.full(named, np.nan),
        learnt=fresh_learnt(channels),
    )


def restarted(ears: Ears, *, anew: bool = False) -> Ears:
    """``ears`` as somebody's who hears again: silences begin now, what was learnt stays.
    ``anew``: with another setup, so that floors and levels have nothing to do with those before."""
    learnt = ears.learnt
    chosen = np.array(learnt.chosen, dtype=np.intp)
    if ears.deaf is not None and ears.deaf.cause is Cause.WITNESSES and chosen.size:
        # Perhaps it was only a long silence: the next one has to be longer still.
        longest_s = learnt.longest_s.copy()
        longest_s[chosen] = np.fmax(longest_s[chosen], learnt.limit_s[chosen])
        learnt = replace(learnt, longest_s=longest_s, limits_s=-math.inf)
    heard_s = np.where(np.isnan(learnt.heard_s), np.nan, ears.clock_s)
    level = ears.named_level
    floor = replace(ears.floor, low=0, low_s=0.0, low_total=0.0, back=0)
    return replace(
        ears,
        swept_s=math.nan,
        sure_s=math.nan,
        deaf=None,
        bits=Bits() if anew else ears.bits,
        floor=FloorPast() if anew else floor,
        named_s=np.full_like(ears.named_s, ears.clock_s),
        named_sweep=np.full_like(ears.named_sweep, ears.sweeps),
        named_level=np.full_like(level, np.nan) if anew else level,
        learnt=replace(learnt, heard_s=heard_s),
    )


# --- one sweep ------------------------------------------------------------------------------------


def ears_after(
    settings: BandSettings,
    work: BandWork,
    ears: Ears,
    seen: Seen,
    event: SweepSeen,
    *,
    channels: ChannelStates,
    settled: bool,
    period_s: float,
    counts: bool,
) -> Heard:
    """The ears after a sweep.

    Args:
        channels: what they were at when last nobody doubted: their levels are the usual ones.
        settled: whether the floor is known for what it is.
        counts: the sweep can be listened to: no transmitter was keyed, no floor being learnt.
    """
    if not settings.may_repeat:
        ears = replace(ears, bits=bits_seen(ears.bits, event))
    frozen = ears.bits.run > 0
    if ears.deaf is not None:
        return _while_deaf(settings, work, ears, seen, event, channels, counts=counts)
    if frozen and is_frozen(ears.bits, event.started_s) and not _is_coarse(work):
        deaf = Deaf(
            cause=Cause.FROZEN,
            from_s=ears.bits.new_s,
            noticed_s=event.started_s,
            why=frozen_text(ears.bits.run),
        )
        return Heard(ears=ears, fell=deaf, evidence={"repeated": ears.bits.run})
    if not counts or not seen.cells or frozen:
        return Heard(ears=ears, doubts=frozen, silent=True)
    elapsed_s = _elapsed_s(ears, event, period_s)
    ears, heard = _listened(settings, work, ears, seen, event, elapsed_s, period_s)
    if settings.deaf_by_floor and work.logarithmic and settled and seen.estimate.trusted:
        floor = floor_seen(ears.floor, seen.noise_mean, event.started_s, elapsed_s, work.own_floor)
        if floor.low and _is_as_usual(
            settings, work, ears, seen, event.level, channels, floor.fell_db
        ):
            floor = heard_while_low(floor)
        ears = replace(ears, floor=floor)
        if floor.is_sure and floor.low_s >= _confirm_s(ears):
            return _fell_by_floor(settings, work, ears, event)
    if not heard and (settings.witnesses or ears.learnt.chosen):
        return _maybe_silent(settings, ears, event)
    ears = replace(ears, sure_s=event.started_s)
    return Heard(ears=ears, doubts=ears.floor.low > 0)


def _elapsed_s(ears: Ears, event: SweepSeen, period_s: float) -> float:
    """Time listened since the sweep before: a gap was not listened to."""
    since_s = event.started_s - ears.swept_s
    usual_s = max(period_s, event.took_s)
    if not since_s >= 0.0:
        return 0.0
    return since_s if since_s <= FEW_PERIODS * usual_s else usual_s


def _listened(
    settings: BandSettings,
    work: BandWork,
    ears: Ears,
    seen: Seen,
    event: SweepSeen,
    elapsed_s: float,
    period_s: float,
) -> tuple[Ears, bool]:
    """With one more sweep that listened; and whether a witness was heard in it."""
    clock_s, sweeps = ears.clock_s + elapsed_s, ears.sweeps + 1
    learnt = ears.learnt
    named_s, named_sweep, level = ears.named_s, ears.named_sweep, ears.named_level
    heard = False
    if settings.witnesses:
        levels = named_levels(work, seen, event.level)
        if levels is not None:
            there = ~np.isnan(levels)
            heard = True
            named_s = np.where(there, clock_s, named_s)
            named_sweep = np.where(there, sweeps, named_sweep)
            level = np.where(there, levels, level)
    if settings.learn_witnesses and len(work.index):
        numbers = own_channels(work, seen)
        chosen = learnt.chosen
        learnt = heard_channels(learnt, numbers, clock_s)
        learnt = with_limits(
            learnt, clock_s, period_s=period_s, quiet=work.residual_limit is not None
        )
        if not settings.witnesses and chosen and numbers.size:
            heard = any(number in chosen for number in numbers.tolist())
    ears = replace(
        ears,
        clock_s=clock_s,
        sweeps=sweeps,
        swept_s=event.started_s,
        sure_s=event.started_s if math.isnan(ears.sure_s) else ears.sure_s,
        named_s=named_s,
        named_sweep=named_sweep,
        named_level=level,
        learnt=learnt,
    )
    return ears, heard


def own_channels(work: BandWork, seen: Seen) -> NDArray[np.intp]:
    """Numbers of the channels that are surely heard by themselves."""
    look = seen.channels
    if look is None or not look.own.any():
        return NO_CHANNELS
    own = look.own
    if work.witness_over > work.open_over:
        largest = np.maximum.reduceat(work.padded, work.index.edges)[::2]
        own = own & (largest > seen.noise_mean + work.witness_over)
    return work.index.channel[own]


NO_CHANNELS = np.empty(0, dtype=np.intp)


def named_levels(work: BandWork, seen: Seen, level: Float) -> Float | None:
    """Level of each named witness, NaN where it is not heard; None where none is.

    What a quiet reference shows the sweeper to make by itself is not heard.
    """
    places = work.witness_points
    if not places.size or not seen.cells_above:
        return None
    over = work.over[places]
    if work.residual_limit is not None:
        with np.errstate(invalid="ignore"):
            over = np.where(level[places] > work.residual_limit[places], over, -np.inf)
    largest = np.maximum.reduceat(over, work.witness_starts)
    there = largest > seen.noise_mean + work.witness_over
    if not there.any():
        return None
    levels = np.full(work.witness_named, np.nan)
    levels[work.witness_there] = np.where(there, largest, np.nan)
    return levels


# --- what is noticed ------------------------------------------------------------------------------


def _is_coarse(work: BandWork) -> bool:
    """Whether noise may repeat a sweep by chance: few readings on a coarse scale."""
    if not work.coarse:
        return False
    readings = max(1.0, work.points * work.independent)
    return chance_of_same(readings, work.coarse, work.sigma) > SAME_BY_CHANCE


def _is_as_usual(
    settings: BandSettings,
    work: BandWork,
    ears: Ears,
    seen: Seen,
    level: Float,
    channels: ChannelStates,
    fell_db: float,
) -> bool:
    """Whether something was heard that would not be, or not so well, were the aerial not there."""
    most_db = max(LEVELS_KNOWN_DB / 2.0, fell_db / 2.0)
    numbers = own_channels(work, seen)
    if numbers.size:
        numbers = numbers[~ears.learnt.steady[numbers]]
    if numbers.size and seen.channels is not None:
        look = seen.channels.largest_level
        levels = look[np.searchsorted(work.index.channel, numbers)]
        usual = channels.heard_level[numbers]
        if bool((levels >= usual - most_db).any()):
            return True
    if settings.witnesses and (now := named_levels(work, seen, level)) is not None:
        return bool((now >= ears.named_level - most_db).any())
    return False


def _confirm_s(ears: Ears) -> float:
    """How long nothing must have been heard before a low floor is believed."""
    longest_s = ears.learnt.any_longest_s
    if math.isnan(longest_s):
        return LOW_S
    return min(CONFIRM_MOST_S, max(LOW_S, 2.0 * longest_s))


def _fell_by_floor(settings: BandSettings, work: BandWork, ears: Ears, event: SweepSeen) -> Heard:
    floor = ears.floor
    now = level_text(floor.now, work.unit)
    fell = number_text(floor.fell_db, 1)
    if floor.by_own and work.own_floor is not None:
        why = (
            f"the floor fell {fell} dB to {now} at {settings.plane}, which is the sweeper's own "
            f"(known by {work.own_floor.known_by}), and nothing was heard at its usual level"
        )
    else:
        hours = duration_text(min(floor.known_s, 3600.0 * len(floor.hours)))
        below = number_text(floor.lowest - floor.now, 1)
        why = (
            f"the floor fell {fell} dB at once over the whole range, to {now} at "
            f"{settings.plane}, {below} dB below the lowest of {hours} of listening, and nothing "
            f"was heard at its usual level"
        )
    deaf = Deaf(cause=Cause.FLOOR, from_s=math.nan, noticed_s=event.started_s, why=why)
    evidence: dict[str, Figure] = {
        f"floor_{work.suffix}": floor.now,
        f"floor_before_{work.suffix}": floor.usual,
        f"lowest_floor_{work.suffix}": floor.lowest,
        "fell_db": floor.fell_db,
        "low_sweeps": floor.low,
        "own": floor.by_own,
    }
    return Heard(ears=ears, doubts=True, fell=deaf, evidence=evidence)


def _maybe_silent(settings: BandSettings, ears: Ears, event: SweepSeen) -> Heard:
    """No witness was heard in this sweep; deaf where all have been silent for too long."""
    why: str | None = None
    evidence: dict[str, Figure] = {}
    if settings.witnesses:
        silent = ears.clock_s - ears.named_s
        within = np.array([one.within_s for one in settings.witnesses])
        sweeps = ears.sweeps - ears.named_sweep
        if bool(((silent > within) & (sweeps >= SWEEPS_LEAST)).all()):
            why = _silent_text([(one.name, one.within_s) for one in settings.witnesses])
            evidence = {"witnesses": ", ".join(one.name for one in settings.witnesses)}
    else:
        chosen = ears.learnt.chosen
        limit = ears.learnt.limit_s[list(chosen)]
        anything_s = ears.clock_s - float(ears.learnt.heard_s[-1])
        # Where something else is heard the witnesses are silent, and not the aerial.
        if (silent_s(ears.learnt, chosen, ears.clock_s) > limit).all() and anything_s > limit[0]:
            names = [_channel_name(settings, number) for number in chosen]
            limits = limit.tolist()
            why = _silent_text(list(zip(names, limits, strict=True)), learnt=True)
            evidence = {"witnesses": ", ".join(names), "learnt": True}
    floor_low = ears.floor.low > 0
    if why is None:
        return Heard(ears=ears, doubts=floor_low, silent=True)
    deaf = Deaf(cause=Cause.WITNESSES, from_s=math.nan, noticed_s=event.started_s, why=why)
    return Heard(ears=ears, silent=True, fell=deaf, evidence=evidence)


def _channel_name(settings: BandSettings, number: int) -> str:
    plan = settings.channels
    return str(number) if plan is None else plan.channels[number].name


def _silent_text(witnesses: list[tuple[str, float]], *, learnt: bool = False) -> str:
    """ "neither AIS 1 (heard within 10 min until then) nor …" """
    said = [f"{name} (within {duration_text(within_s)})" for name, within_s in witnesses]
    heard = "used to be heard" if learnt else "should be heard"
    if len(said) == 1:
        return f"nothing of {said[0]}, which {heard} in that time"
    return f"nothing of any witness that {heard}: {', '.join(said)}"


# --- while it is deaf -----------------------------------------------------------------------------


def _while_deaf(
    settings: BandSettings,
    work: BandWork,
    ears: Ears,
    seen: Seen,
    event: SweepSeen,
    channels: ChannelStates,
    *,
    counts: bool,
) -> Heard:
    deaf = ears.deaf
    assert deaf is not None
    how: str | None = None
    if deaf.cause is Cause.FROZEN:
        how = "the levels are new ones again" if is_thawed(ears.bits) else None
    elif counts and seen.cells and not ears.bits.run:
        if deaf.cause is Cause.FLOOR:
            ears, how = _floor_back(settings, work, ears, seen, event, channels)
        if how is None:
            how = _witness_back(settings, work, ears, seen, event.level)
    return Heard(ears=ears, how=how)


def _floor_back(
    settings: BandSettings,
    work: BandWork,
    ears: Ears,
    seen: Seen,
    event: SweepSeen,
    channels: ChannelStates,
) -> tuple[Ears, str | None]:
    floor = ears.floor
    back = floor.back + 1 if seen.noise_mean > floor.limit else 0
    floor = replace(floor, back=back)
    if floor.is_back:
        now = level_text(seen.noise_mean, work.unit)
        return replace(ears, floor=floor), f"the floor is back, at {now} at {settings.plane}"
    fell_db = floor.usual - seen.noise_mean
    if not back and _is_as_usual(settings, work, ears, seen, event.level, channels, fell_db):
        floor = heard_while_low(floor)
        how = "the floor is as low, but something was heard at its usual level"
        return replace(ears, floor=floor), how
    return replace(ears, floor=floor), None


def _witness_back(
    settings: BandSettings, work: BandWork, ears: Ears, seen: Seen, level: Float
) -> str | None:
    deaf = ears.deaf
    assert deaf is not None
    if deaf.cause is Cause.FLOOR:
        return None  # a witness at its usual level was looked for already
    if settings.witnesses:
        levels = named_levels(work, seen, level)
        if levels is None:
            return None
        there = np.flatnonzero(~np.isnan(levels)).tolist()
        return f"{settings.witnesses[there[0]].name} was heard"
    numbers = own_channels(work, seen)
    numbers = numbers[~ears.learnt.steady[numbers]]
    return None if not numbers.size else f"{_channel_name(settings, int(numbers[0]))} was heard"
