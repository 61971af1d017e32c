"""What a band meter knows of its own hearing, from sweep to sweep.

A sweep is *sure* by its levels where they are new and the floor is not low, and sure by its
witnesses where one of them was heard in it (or where the job has none). Before the first sweep that
is not sure the sums as they stand are put by (:class:`Sure`); when it turns out that nobody heard,
:mod:`acqd.measure.band_deaf` goes back to them.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_floor import (
    BLOCK,
    LOW_S,
    FloorPast,
    floor_seen,
    heard_while_low,
    not_low,
    with_block,
)
from acqd.measure.checkpoint import ADDED
from acqd.measure.deafness import (
    Bits,
    Cause,
    Deaf,
    bits_seen,
    chance_of_same,
    digest_stride,
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

SCALE_HIDES = 0.4
"""Noise whose standard deviation seems to be fewer steps of the scale may have any smaller one:
what is estimated ends at 0.36, however much was averaged."""

BELOW_USUAL_DB = 3.0
"""A signal that is so far below its usual level, and half of what the floor fell by, does not say
that all is well."""

LEVEL_MEMORY = 16.0
"""Hearings that a usual level is the mean of, about."""

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Known:
    """Of each named witness when it was heard last, on the clock of listening (0 before), in the
    how manyth sweep, and at which level usually; and the usual level of each channel of the plan.
    NaN where there is nothing yet."""

    named_s: Float
    named_sweep: NDArray[np.int64]
    named_level: Float
    levels: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class Ears:
    """All of it. ``clock_s`` runs while the job listens."""

    clock_s: float = 0.0
    sweeps: int = 0
    """Sweeps that listened."""
    swept_s: float = math.nan
    """Start of the last of them."""
    looked_s: float = field(default=math.nan, metadata={ADDED: True})
    """Start of the last sweep, but for those that were not new."""
    sure_s: float = math.nan
    """Start of the last sweep that was sure by its witnesses; of the first where none was yet."""
    bits: Bits = field(default_factory=Bits)
    floor: FloorPast = field(default_factory=FloorPast)
    known: Known
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
    evidence: Mapping[str, Figure] | None = None
    how: str | None = None


def fresh_ears(channels: int, named: int) -> Ears:
    """Nothing known yet."""
    return Ears(
        known=Known(
            named_s=np.zeros(named),
            named_sweep=np.zeros(named, dtype=np.int64),
            named_level=np.full(named, np.nan),
            levels=np.full(channels, np.nan),
        ),
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
    known = ears.known
    level, levels = known.named_level, known.levels
    return replace(
        ears,
        swept_s=math.nan,
        looked_s=math.nan,
        sure_s=math.nan,
        deaf=None,
        bits=Bits() if anew else ears.bits,
        floor=FloorPast() if anew else not_low(ears.floor),
        known=Known(
            named_s=np.full_like(known.named_s, ears.clock_s),
            named_sweep=np.full_like(known.named_sweep, ears.sweeps),
            named_level=np.full_like(level, np.nan) if anew else level,
            levels=np.full_like(levels, np.nan) if anew else levels,
        ),
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
    floors: tuple[float, ...],
    settled: bool,
    period_s: float,
    counts: bool,
) -> Heard:
    """The ears after a sweep.

    Args:
        floors: those of the sweeps before it, the newest last.
        settled: whether the floor is known for what it is.
        counts: the sweep can be listened to: no transmitter was keyed, no floor being learnt.
    """
    bits = ears.bits if settings.may_repeat else bits_seen(ears.bits, event)
    frozen = bits.run > 0
    if ears.deaf is not None:
        ears = replace(ears, bits=bits)
        return _while_deaf(settings, work, ears, seen, event, counts=counts)
    if frozen and is_frozen(bits, event.started_s) and not _is_coarse(work):
        return _fell_frozen(replace(ears, bits=bits), event)
    if not counts or not seen.cells or frozen:
        looked_s = ears.looked_s if frozen else event.started_s
        ears = replace(ears, bits=bits, looked_s=looked_s)
        return Heard(ears=ears, doubts=frozen, silent=True)
    elapsed_s = _elapsed_s(ears, event, period_s)
    clock_s, sweeps = ears.clock_s + elapsed_s, ears.sweeps + 1
    there = heard_in(settings, work, seen, event.level)
    floor = ears.floor
    if settings.deaf_by_floor and settled and work.logarithmic and seen.estimate.trusted:
        floor = floor_seen(floor, seen.floor, clock_s)
        if floor.low and there is not None:
            floor = heard_while_low(floor, *there.compared(ears, floor.fell_db))
        if not sweeps % BLOCK:
            floor = with_block(floor, floors, event.started_s, clock_s, work.own_floor)
    learnt = ears.learnt
    if settings.learn_witnesses and len(work.index):
        if there is not None:
            learnt = heard_channels(learnt, there.numbers, clock_s)
        quiet = work.residual_limit is not None
        learnt = with_limits(learnt, clock_s, sweeps, period_s=period_s, quiet=quiet)
    # Where the last witness has just ceased to be one, nobody is missed.
    waits = bool(settings.witnesses or (ears.learnt.chosen and learnt.chosen))
    heard = not waits or (there is not None and there.is_witness(settings, ears))
    sure_s = event.started_s if heard or math.isnan(ears.sure_s) else ears.sure_s
    known = ears.known
    if there is not None:
        known = there.remembered(known, clock_s, sweeps, low=floor.low > 0)
    ears = Ears(
        clock_s=clock_s,
        sweeps=sweeps,
        swept_s=event.started_s,
        looked_s=event.started_s,
        sure_s=sure_s,
        bits=bits,
        floor=floor,
        known=known,
        learnt=learnt,
        told=ears.told,
    )
    if floor.low and floor.is_believed and floor.low_s >= _confirm_s(ears):
        return _fell_by_floor(settings, work, ears, event)
    if not heard:
        return _maybe_silent(settings, ears, event)
    return Heard(ears=ears, doubts=floor.low > 0)


def _fell_frozen(ears: Ears, event: SweepSeen) -> Heard:
    run = ears.bits.run
    deaf = Deaf(
        cause=Cause.FROZEN,
        from_s=ears.bits.new_s,
        noticed_s=event.started_s,
        why=frozen_text(run),
    )
    return Heard(ears=ears, fell=deaf, evidence={"repeated": run})


def _elapsed_s(ears: Ears, event: SweepSeen, period_s: float) -> float:
    """Time listened since the sweep before: a gap was not listened to, nor was a keyed sweep."""
    last_s = ears.swept_s if math.isnan(ears.looked_s) else ears.looked_s
    since_s = event.started_s - last_s
    usual_s = max(period_s, event.took_s)
    if not since_s >= 0.0:
        return 0.0
    return since_s if since_s <= FEW_PERIODS * usual_s else usual_s


@dataclass(frozen=True, slots=True)
class There:
    """What one sweep heard: numbers and levels of channels, and the level of each named witness,
    NaN where it was not (None: none was)."""

    numbers: NDArray[np.intp]
    levels: Float
    named: Float | None

    def compared(self, ears: Ears, fell_db: float) -> tuple[int, int]:
        """How many came at their usual level, and how many well below it. What is always there may
        be the sweeper's own, and says nothing."""
        below_db = max(BELOW_USUAL_DB, fell_db / 2.0)
        numbers = self.numbers
        usual, now = ears.known.levels[numbers], self.levels
        if numbers.size:
            counts = ~ears.learnt.steady[numbers]
            usual, now = usual[counts], now[counts]
        if self.named is not None:
            usual, now = np.append(usual, ears.known.named_level), np.append(now, self.named)
        known = np.isfinite(usual) & np.isfinite(now)
        well = int(np.count_nonzero(now[known] >= usual[known] - below_db))
        return well, int(np.count_nonzero(known)) - well

    def is_witness(self, settings: BandSettings, ears: Ears) -> bool:
        """Whether one of the job's witnesses is among what was heard."""
        if settings.witnesses:
            return self.named is not None
        chosen = ears.learnt.chosen
        return any(number in chosen for number in self.numbers.tolist())

    def remembered(self, known: Known, clock_s: float, sweeps: int, *, low: bool) -> Known:
        """With this among what was heard; its levels are usual ones unless the floor is low."""
        levels, named_level = known.levels, known.named_level
        named_s, named_sweep = known.named_s, known.named_sweep
        if self.numbers.size and not low:
            levels = levels.copy()
            levels[self.numbers] = _nearer(levels[self.numbers], self.levels)
        if self.named is not None:
            was = ~np.isnan(self.named)
            named_s = np.where(was, clock_s, named_s)
            named_sweep = np.where(was, sweeps, named_sweep)
            if not low:
                named_level = _nearer(named_level, self.named)
        return Known(
            named_s=named_s, named_sweep=named_sweep, named_level=named_level, levels=levels
        )


def _nearer(usual: Float, now: Float) -> Float:
    """A usual level with one more; NaN where there is none yet."""
    moved = np.where(np.isnan(usual), now, usual + (now - usual) / LEVEL_MEMORY)
    return np.where(np.isnan(now), usual, moved)


def heard_in(settings: BandSettings, work: BandWork, seen: Seen, level: Float) -> There | None:
    """What a sweep heard; None where that is nothing."""
    if not seen.cells_above:
        return None
    numbers, levels = own_channels(work, seen)
    named = named_levels(work, seen, level) if settings.witnesses else None
    return None if named is None and not numbers.size else There(numbers, levels, named)


def own_channels(work: BandWork, seen: Seen) -> tuple[NDArray[np.intp], Float]:
    """Numbers of the channels that are surely heard by themselves, and their largest levels."""
    look = seen.channels
    if look is None or not look.own.any():
        return NO_CHANNELS, NO_LEVELS
    own = look.own
    if work.witness_over > work.open_over:
        largest = np.maximum.reduceat(work.padded, work.index.edges)[::2]
        own = own & (largest > seen.noise_mean + work.witness_over)
    return work.index.channel[own], look.largest_level[own]


NO_CHANNELS = np.empty(0, dtype=np.intp)
NO_LEVELS = np.empty(0)


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
    """Whether noise may repeat a sweep by chance: few readings on a coarse scale, or noise that is
    finer than that."""
    if not work.coarse:
        return False
    if work.sigma < SCALE_HIDES * work.coarse:
        return True
    stride = digest_stride(work.points)
    readings = max(1.0, work.points / stride * min(1.0, work.independent * stride))
    return chance_of_same(readings, work.coarse, work.sigma) > SAME_BY_CHANCE


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
    silence = "nothing was heard at its usual level"
    if floor.weak_heard:
        silence = "what was heard came well below its usual level"
    if floor.by_own and work.own_floor is not None:
        why = (
            f"the floor fell {fell} dB to {now} at {settings.plane}, which is the sweeper's own "
            f"(known by {work.own_floor.known_by}), and {silence}"
        )
    else:
        hours = duration_text(min(floor.known_s, 3600.0 * len(floor.hours)))
        below = number_text(floor.lowest - floor.now, 1)
        why = (
            f"the floor fell {fell} dB at once over the whole range, to {now} at "
            f"{settings.plane}, {below} dB below the lowest of {hours} of listening, and {silence}"
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
        silent = ears.clock_s - ears.known.named_s
        within = np.array([one.within_s for one in settings.witnesses])
        sweeps = ears.sweeps - ears.known.named_sweep
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
    *,
    counts: bool,
) -> Heard:
    deaf = ears.deaf
    assert deaf is not None
    if deaf.cause is Cause.FROZEN:
        how = "the levels are new ones again" if is_thawed(ears.bits) else None
        return Heard(ears=ears, how=how)
    if not counts or not seen.cells or ears.bits.run:
        return Heard(ears=ears)
    there = heard_in(settings, work, seen, event.level)
    if deaf.cause is Cause.WITNESSES:
        how = None if there is None else _witness_back(settings, ears, there)
        return Heard(ears=ears, how=how)
    floor = ears.floor
    back = floor.back + 1 if seen.floor > floor.limit else 0
    floor = replace(floor, back=back)
    if floor.is_back:
        now = level_text(seen.floor, work.unit)
        how = f"the floor is back, at {now} at {settings.plane}"
        return Heard(ears=replace(ears, floor=floor), how=how)
    if not back and there is not None:
        compared = there.compared(ears, floor.usual - seen.floor)
        floor = heard_while_low(floor, *compared)
    how = "the floor is as low, but signals come at their usual level" if floor.accepted else None
    return Heard(ears=replace(ears, floor=floor), how=how)


def _witness_back(settings: BandSettings, ears: Ears, there: There) -> str | None:
    if settings.witnesses:
        if there.named is None:
            return None
        first = int(np.flatnonzero(~np.isnan(there.named))[0])
        return f"{settings.witnesses[first].name} was heard"
    numbers = there.numbers[~ears.learnt.steady[there.numbers]]
    return None if not numbers.size else f"{_channel_name(settings, int(numbers[0]))} was heard"
