"""What a band meter keeps of a channel's visits: what followed what, quarter hours, the long run.

All of it is counts, a fixed number per channel. Counts of an hour are added to those since the
watch began when the hour turns; quarter hours are differences of the hour's counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_work import BandWork
from acqd.measure.markov import Transitions
from acqd.measure.occupancy import channel_occupancy, resource_occupancy

__all__ = [
    "DAY_S",
    "SLOT_S",
    "LongRun",
    "Moves",
    "Slots",
    "Visit",
    "added",
    "closed_slot",
    "fresh_long_run",
    "fresh_moves",
    "fresh_slots",
    "moved",
]

Float = NDArray[np.float64]
Int = NDArray[np.int64]

SLOT_S = 900.0
SLOTS_PER_HOUR = 4
DAY_S = 86_400.0

SLOT_COVERAGE = 0.5
"""A quarter hour with a smaller share of its visits says nothing."""

STEP_LIMIT = 2.0
"""A step this many times longer than is usual, or than the one before, is a gap."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """The last visit to each channel, (channels,): whether it was busy, and whether it counted.
    ``busy`` is None where all were free and counted."""

    at_s: float
    busy: NDArray[np.bool_] | None = None
    counted: NDArray[np.bool_] | None = None
    step_s: float = math.nan
    """Time from the visit before it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Moves:
    """Pairs of successive visits: (4, channels) counts of free to free, free to busy, busy to free,
    busy to busy; ``quiet`` more pairs in which every channel was free twice. ``steps`` took
    ``steps_s`` in all."""

    counts: Int
    quiet: int = 0
    steps: int = 0
    steps_s: float = 0.0

    @property
    def transitions(self) -> Transitions:
        return Transitions(
            free_free=self.counts[0] + self.quiet,
            free_busy=self.counts[1],
            busy_free=self.counts[2],
            busy_busy=self.counts[3],
        )

    @property
    def revisit_s(self) -> float:
        """Mean time between the visits of a pair; NaN without any."""
        return self.steps_s / self.steps if self.steps else math.nan


def fresh_moves(channels: int) -> Moves:
    return Moves(counts=np.zeros((4, channels), dtype=np.int64))


def moved(
    moves: Moves,
    before: Visit | None,
    *,
    at_s: float,
    busy: NDArray[np.bool_] | None,
    counted: NDArray[np.bool_] | None,
    usual_s: float,
) -> tuple[Moves, Visit]:
    """``moves`` with one more visit of all channels, and that visit.

    A step counts unless it is more than twice the usual one and twice the step before it: so a gap
    breaks the chain, and a sweeper that always comes late has its own rhythm.
    """
    step_s = math.nan if before is None else at_s - before.at_s
    now = Visit(at_s=at_s, busy=busy, counted=counted, step_s=step_s)
    if before is None or not step_s > 0.0:
        return moves, now
    last_s = 0.0 if math.isnan(before.step_s) else before.step_s
    if step_s > STEP_LIMIT * max(usual_s, last_s):
        return moves, now
    counts, quiet = moves.counts, moves.quiet
    if busy is None and before.busy is None and counted is None and before.counted is None:
        quiet += 1
    else:
        counts = _with_pair(counts, before, now)
    return Moves(
        counts=counts, quiet=quiet, steps=moves.steps + 1, steps_s=moves.steps_s + step_s
    ), now


def _with_pair(counts: Int, before: Visit, now: Visit) -> Int:
    channels = np.arange(counts.shape[1])
    which = np.zeros(channels.size, dtype=np.intp)
    if before.busy is not None:
        which += 2 * before.busy
    if now.busy is not None:
        which += now.busy
    linked = [one.counted for one in (before, now) if one.counted is not None]
    if linked:
        keep = np.logical_and.reduce(linked)
        which, channels = which[keep], channels[keep]
    counts = counts.copy()
    counts[which, channels] += 1
    return counts


# --- the long run ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class LongRun:
    """Counts since ``since_s`` up to the last turn of the hour; (channels,) each."""

    since_s: float = math.nan
    hits: Int
    visits: Int
    moves: Moves


def fresh_long_run(channels: int) -> LongRun:
    zeros = np.zeros(channels, dtype=np.int64)
    return LongRun(hits=zeros, visits=zeros, moves=fresh_moves(channels))


def added(long_run: LongRun, since_s: float, hits: Int, visits: Int, moves: Moves) -> LongRun:
    """``long_run`` with an hour's counts."""
    old = long_run.moves
    return LongRun(
        since_s=since_s if math.isnan(long_run.since_s) else long_run.since_s,
        hits=long_run.hits + hits,
        visits=long_run.visits + visits,
        moves=Moves(
            counts=old.counts + moves.counts,
            quiet=old.quiet + moves.quiet,
            steps=old.steps + moves.steps,
            steps_s=old.steps_s + moves.steps_s,
        ),
    )


# --- quarter hours --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Slots:
    """Quarter hours of UTC, and the busiest hour of the day so far, which may begin at any of them.

    ``number`` is that of the running one (time / 900 s, −1 for none); ``hits``, ``visits`` and
    ``unseen`` are the hour's counts when it began. ``recent`` (up to 3, channels + 1) are the
    shares of those before, the last of which is ``last``; behind the channels comes the SRO.
    ``best`` and ``best_s`` (channels + 1,) are share and begin of the busiest hour of ``day``.
    """

    number: int = -1
    hits: Int
    visits: int = 0
    unseen: Int
    recent: Float
    last: int = -1
    day: int = -1
    best: Float
    best_s: Float


def fresh_slots(channels: int) -> Slots:
    zeros = np.zeros(channels, dtype=np.int64)
    nothing = np.full(channels + 1, np.nan)
    return Slots(
        hits=zeros,
        unseen=zeros,
        recent=np.empty((0, channels + 1)),
        best=nothing,
        best_s=nothing,
    )


def closed_slot(
    slots: Slots,
    work: BandWork | None,
    *,
    number: int,
    hits: Int,
    visits: int,
    unseen: Int,
    period_s: float,
) -> Slots:
    """The quarter hours as slot ``number`` begins, with the counts of the hour so far (zeros where
    an hour has turned). The running slot counts where enough of its visits came."""
    new = slots if slots.number < 0 else _with_share(slots, work, hits, visits, unseen, period_s)
    return replace(new, number=number, hits=hits, visits=visits, unseen=unseen)


def _with_share(
    slots: Slots, work: BandWork | None, hits: Int, visits: int, unseen: Int, period_s: float
) -> Slots:
    trials = visits - slots.visits - (unseen - slots.unseen)
    wanted = max(1.0, SLOT_COVERAGE * SLOT_S / period_s) if period_s > 0 else 1.0
    shares = channel_occupancy(hits - slots.hits, trials)
    shares = np.where(trials >= wanted, shares, np.nan)
    sro = math.nan if work is None else resource_occupancy(shares[work.index.channel])
    row = np.append(shares, sro)
    recent = slots.recent if slots.last == slots.number - 1 else slots.recent[:0]
    window = np.concatenate((recent, row[None, :]))
    best, best_s, day = slots.best, slots.best_s, slots.day
    first_s = (slots.number - SLOTS_PER_HOUR + 1) * SLOT_S
    now = math.floor(slots.number * SLOT_S / DAY_S)
    if len(window) == SLOTS_PER_HOUR and math.floor(first_s / DAY_S) == now:
        if now != day:
            nothing = np.full(row.size, np.nan)
            best, best_s, day = nothing, nothing, now
        hour = window.mean(axis=0)
        better = ~np.isnan(hour) & ~(hour <= best)
        best = np.where(better, hour, best)
        best_s = np.where(better, first_s, best_s)
    keep = SLOTS_PER_HOUR - 1
    return replace(
        slots, recent=window[-keep:], last=slots.number, day=day, best=best, best_s=best_s
    )
