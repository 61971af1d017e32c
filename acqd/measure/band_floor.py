"""The floor as a sign of deafness: how low it ever was, and whether it fell to what it cannot be.

With the aerial gone, what is left is the noise of the sweeper, or of the first amplifier that still
has its supply. So a floor is *low* where it lies

* at the sweeper's own, as a quiet reference or its stated noise figure has it, while the lowest of
  the job's past was never so near to it; or
* below the lowest of the past, and fell there at once by more than it moves by itself.

A floor that drifts down with the weather does neither. One that fell because a source of noise went
off may look the same: so a low floor is believed only after a while in which nothing was heard at
its usual level (:mod:`acqd.measure.band_ears`), and once something was, the floor is taken for what
it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

__all__ = [
    "BLOCK",
    "LOW_S",
    "LOW_SWEEPS",
    "PAST_LEAST_S",
    "FloorPast",
    "OwnFloor",
    "floor_seen",
    "heard_while_low",
    "not_low",
    "with_block",
]

BLOCK = 9
"""Floors whose median is remembered: bursts of four do not move it."""

LOW_SWEEPS = 5
LOW_S = 20.0
"""So many low sweeps one after the other, over at least this time, are no chance."""

USUAL_LEAST = 2
MOSTLY = 4
"""With so many signals at their usual level, and more of them than of weak ones, a floor is low and
all is well; with one of them to fewer than so many weak ones nobody says anything yet."""

BACK_SWEEPS = 3
"""So many that are not low any more, and the floor is back."""

PAST_LEAST_S = 3600.0
"""Listening after which the lowest floor of the past means anything."""

HOURS_KEPT = 24 * 14
"""So many clock hours back the lowest floor of each is remembered, where any was listened to."""

FALL_LEAST_DB = 2.0
"""A fall by less is never told from drift."""

FALL_JITTERS = 8.0
"""Nor is one by less than so many times what the floor moves by from block to block."""

BELOW_LOWEST_DB = 1.0
"""How far below the lowest of the past a floor has to lie."""

SEPARATE_DB = 1.0
"""The past has to lie higher than what still counts as the sweeper's own by so much."""

JITTER_MEMORY = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class OwnFloor:
    """The sweeper's own floor at the plane: up to ``level`` + ``within_db`` a floor is it."""

    level: float
    within_db: float
    known_by: str
    """In words, as after "known by"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorPast:
    """What the floor has been. Levels in dB at the plane; ``hours`` are pairs of the clock hour
    (seconds since the epoch / 3600) and its lowest settled floor, over ``known_s`` of listening
    since ``begun_s`` of its clock; ``settles`` above 0: the next block has low floors in it.

    ``limit`` is the level up to which a floor is low (−inf: nobody can say), ``by_own`` whether
    that is the sweeper's own; ``low`` and ``back`` count sweeps one after the other, ``low_s`` is
    listened time since the first low one. ``usual_heard`` signals came meanwhile at their usual
    level, ``weak_heard`` well below it. ``accepted``: it is low, and signals come as they used to.
    """

    usual: float = math.nan
    jitter: float = math.nan
    blocks: int = 0
    begun_s: float = 0.0
    known_s: float = 0.0
    hours: tuple[tuple[int, float], ...] = ()
    limit: float = -math.inf
    by_own: bool = False
    settles: int = 0
    low: int = 0
    low_since_s: float = 0.0
    low_s: float = 0.0
    low_total: float = 0.0
    back: int = 0
    usual_heard: int = 0
    weak_heard: int = 0
    accepted: bool = False

    @property
    def lowest(self) -> float:
        return min((level for _, level in self.hours), default=math.nan)

    @property
    def now(self) -> float:
        """The mean of the low floors under way."""
        return self.low_total / self.low if self.low else math.nan

    @property
    def fell_db(self) -> float:
        return self.usual - self.now

    @property
    def is_sure(self) -> bool:
        """Low for so long that it is no chance."""
        return self.low >= LOW_SWEEPS and self.low_s >= LOW_S

    @property
    def is_believed(self) -> bool:
        """Sure, and what was heard meanwhile does not speak against it."""
        return self.is_sure and self.usual_heard * MOSTLY <= self.weak_heard

    @property
    def is_back(self) -> bool:
        return self.back >= BACK_SWEEPS


def floor_seen(past: FloorPast, floor: float, clock_s: float) -> FloorPast:
    """``past`` with the floor of one more sweep; the same object where it is as ever.

    ``clock_s`` is of the clock that runs while the job listens. Low floors are not remembered
    before they are accepted.
    """
    is_low = floor <= past.limit
    if not (is_low or past.low or past.accepted):
        return past
    if is_low and not past.accepted:
        since_s = past.low_since_s if past.low else clock_s
        return replace(
            past,
            low=past.low + 1,
            low_since_s=since_s,
            low_s=clock_s - since_s,
            low_total=past.low_total + floor,
            back=0,
        )
    back = 0 if is_low else past.back + 1
    # The floors of a low spell that is over are in no block.
    past = replace(not_low(past), back=back, settles=BLOCK if past.low else past.settles)
    return replace(past, accepted=False, back=0) if past.is_back else past


def with_block(
    past: FloorPast, recent: tuple[float, ...], at_s: float, clock_s: float, own: OwnFloor | None
) -> FloorPast:
    """``past`` with a block of the last floors, asked after every :data:`BLOCK` sweeps."""
    if past.low or len(recent) < BLOCK:
        return past
    if past.settles:
        return replace(past, settles=0)
    return _with_middle(past, sorted(recent)[BLOCK // 2], at_s, clock_s, own)


def heard_while_low(past: FloorPast, usual: int, weak: int) -> FloorPast:
    """With signals heard while it is low; accepted where they come as they used to."""
    usual, weak = past.usual_heard + usual, past.weak_heard + weak
    if usual < USUAL_LEAST or usual <= weak:
        return replace(past, usual_heard=usual, weak_heard=weak)
    return replace(not_low(past), accepted=True)


def not_low(past: FloorPast) -> FloorPast:
    """``past`` with nothing under way."""
    return replace(past, low=0, low_s=0.0, low_total=0.0, back=0, usual_heard=0, weak_heard=0)


def _with_middle(
    past: FloorPast, middle: float, at_s: float, clock_s: float, own: OwnFloor | None
) -> FloorPast:
    hour = math.floor(at_s / 3600.0)
    hours = past.hours
    if hours and hours[-1][0] == hour:
        hours = (*hours[:-1], (hour, min(hours[-1][1], middle)))
    else:
        # An hour of the future is of a clock that was set back; it is bounded as the others are.
        recent = tuple(one for one in hours if one[0] > hour - HOURS_KEPT)
        hours = (*recent, (hour, middle))[-HOURS_KEPT:]
    jitter = past.jitter
    if past.blocks:
        moved, count = abs(middle - past.usual), min(past.blocks, JITTER_MEMORY)
        # A step of the floor says nothing of how it moves by itself.
        moved = min(moved, FALL_LEAST_DB)
        jitter = moved if math.isnan(jitter) else jitter + (moved - jitter) / (count + 1)
    begun_s = past.begun_s if past.blocks else clock_s
    past = replace(
        past,
        usual=middle,
        jitter=jitter,
        blocks=past.blocks + 1,
        begun_s=begun_s,
        known_s=clock_s - begun_s,
        hours=hours,
    )
    return _with_limit(past, own)


def _with_limit(past: FloorPast, own: OwnFloor | None) -> FloorPast:
    lowest, limit, by_own = past.lowest, -math.inf, False
    if past.known_s >= PAST_LEAST_S and past.blocks > 2:
        fall_db = max(FALL_LEAST_DB, FALL_JITTERS * past.jitter)
        limit = min(lowest - BELOW_LOWEST_DB, past.usual - fall_db)
    if own is not None and past.blocks > 2:
        at_own = own.level + own.within_db
        if lowest >= at_own + SEPARATE_DB and at_own > limit:
            limit, by_own = at_own, True
    return replace(past, limit=limit, by_own=by_own)
