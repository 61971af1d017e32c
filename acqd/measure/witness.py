"""Witnesses: signals that should be heard now and then. When all are silent, nobody hears.

They are named in the config, or learnt from the job's own past. Learning goes by *silences*: the
time listened between one hearing of a channel and the next. A channel is a witness once

* :data:`LEARN_S` of listening lie behind it (a whole day, so that its night is among it), with at
  least :data:`HEARINGS_LEAST` hearings in it;
* its longest silence in the last one to two weeks of listening was at most :data:`SILENCE_MOST_S`;
* it is silent at times, so that it can be told from what the sweeper makes by itself; one that is
  heard in nearly every sweep counts where a quiet reference shows that the sweeper does not.

It is missed when it has been silent for :data:`LONGER` times its longest silence, and at least for
:data:`PERIODS_LEAST` sweeps and a minute. Of several the :data:`WITNESSES_MOST` that are missed
soonest are taken, and all of them must be missing.

How often that is for nothing: where silences are exponential and r of them come in an hour, the
longest L of n = r·T has r·L − ln n nearly Gumbel distributed, so one longer than k·L comes with
probability E[e^(−k·r·L)] = Γ(1 + k)·n^(−k), r times an hour. With k = 2.5 and T = 24 h that is
below 1e−4 an hour for one witness of any r that passes the second rule (r of 6 or more); it falls
with the power 2.5 of T, and comes to about 0.001 in the first fortnight. Source: extreme values of
exponential variables, from memory; the rule is ours. Whatever silences are like, the longest of n
hours is passed in the next one with probability 1/(n + 1) at most where hours are alike; the factor
is the reserve for hours that are not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "HEARINGS_LEAST",
    "LEARN_S",
    "LONGER",
    "PERIODS_LEAST",
    "SILENCE_MOST_S",
    "STEADY_SHARE",
    "WITNESSES_MOST",
    "Learnt",
    "Witness",
    "fresh_learnt",
    "heard_channels",
    "limits_of",
    "silent_s",
    "with_limits",
]

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEARN_S = 86_400.0
"""Listening before anything is learnt."""

HEARINGS_LEAST = 48

SILENCE_MOST_S = 3600.0
"""The longest silence of what may be called regular; it is missed after 2.5 h at most."""

LONGER = 2.5

PERIODS_LEAST = 10
LIMIT_LEAST_S = 60.0

STEADY_SHARE = 0.9
"""What is heard in a larger share of the sweeps may be the sweeper's own."""

STEADY_SWEEPS = 100
"""With fewer sweeps nobody can say that something is always there."""

BLOCK_S = 7.0 * 86_400.0
"""Silences are remembered for one to two blocks of listening."""

WITNESSES_MOST = 4

LEARN_EVERY_S = 900.0
"""Limits are worked out anew after so much listening."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Witness:
    """A named one: ``channel`` is a number in the job's plan, or None where it is a frequency."""

    name: str
    within_s: float
    channel: int | None = None
    frequency_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """What is known of silences; arrays are (channels + 1,), the last for any channel at all.

    Times are of the clock that runs while the job listens. ``longest`` and ``hearings`` are of the
    running block of a week, ``before…`` of the one before it. ``limit_s`` is inf where there is no
    witness, ``chosen`` are those that are taken, the soonest missed first.
    """

    heard_s: Float
    longest_s: Float
    before_s: Float
    hearings: Int
    hearings_before: Int
    begun_sweeps: int = 0
    begun_sweeps_before: int = 0
    """How many sweeps had listened when the blocks began."""
    begun_s: float = 0.0
    begun_before_s: float = 0.0
    limits_s: float = 0.0
    """When limits were worked out last."""
    steady: Mask
    limit_s: Float
    chosen: tuple[int, ...] = ()

    @property
    def any_longest_s(self) -> float:
        """The longest time in which nothing at all was heard; NaN where that is not known."""
        if self.hearings[-1] + self.hearings_before[-1] < HEARINGS_LEAST:
            return math.nan
        return float(max(self.longest_s[-1], self.before_s[-1]))


def fresh_learnt(channels: int) -> Learnt:
    nothing = np.full(channels + 1, np.nan)
    zeros = np.zeros(channels + 1)
    counts = np.zeros(channels + 1, dtype=np.int64)
    return Learnt(
        heard_s=nothing,
        longest_s=zeros,
        before_s=zeros,
        hearings=counts,
        hearings_before=counts,
        steady=np.zeros(channels + 1, dtype=np.bool_),
        limit_s=np.full(channels + 1, np.inf),
    )


def heard_channels(learnt: Learnt, heard: NDArray[np.intp], clock_s: float) -> Learnt:
    """With one more sweep, in which the channels ``heard`` were, if any."""
    if not heard.size:
        return learnt
    if not learnt.steady[heard].all():
        # Anything at all is last; what is always there does not count for it.
        heard = np.append(heard, learnt.heard_s.size - 1)
    heard_s, longest_s = learnt.heard_s.copy(), learnt.longest_s.copy()
    hearings = learnt.hearings.copy()
    longest_s[heard] = np.fmax(longest_s[heard], clock_s - heard_s[heard])
    heard_s[heard] = clock_s
    hearings[heard] += 1
    return replace(learnt, heard_s=heard_s, longest_s=longest_s, hearings=hearings)


def with_limits(
    learnt: Learnt, clock_s: float, sweeps: int, *, period_s: float, quiet: bool
) -> Learnt:
    """With limits worked out anew where it is time, after so many ``sweeps`` that listened.
    ``quiet``: a quiet reference says what the sweeper makes by itself, and channels do not count as
    heard by that."""
    if clock_s - learnt.limits_s < LEARN_EVERY_S:
        return learnt
    if clock_s - learnt.begun_s >= BLOCK_S:
        zeros = np.zeros_like(learnt.longest_s)
        learnt = replace(
            learnt,
            longest_s=zeros,
            before_s=learnt.longest_s,
            hearings=np.zeros_like(learnt.hearings),
            hearings_before=learnt.hearings,
            begun_sweeps=sweeps,
            begun_sweeps_before=learnt.begun_sweeps,
            begun_s=clock_s,
            begun_before_s=learnt.begun_s,
        )
    hearings = learnt.hearings + learnt.hearings_before
    known = sweeps - learnt.begun_sweeps_before
    steady = (hearings > STEADY_SHARE * known) & (known >= STEADY_SWEEPS)
    limit_s = limits_of(learnt, clock_s, period_s=period_s, steady=steady & (not quiet))
    order = np.argsort(limit_s[:-1], kind="stable")[:WITNESSES_MOST]
    chosen = tuple(i for i in order.tolist() if math.isfinite(limit_s[i]))
    return replace(learnt, limits_s=clock_s, steady=steady, limit_s=limit_s, chosen=chosen)


def limits_of(learnt: Learnt, clock_s: float, *, period_s: float, steady: Mask) -> Float:
    """The silence after which each channel is missed, inf where it is no witness."""
    longest_s = np.fmax(learnt.longest_s, learnt.before_s)
    hearings = learnt.hearings + learnt.hearings_before
    known_s = clock_s - learnt.begun_before_s
    # A silence under way that is longer than any before it: nobody knows how long it will be.
    regular = (longest_s <= SILENCE_MOST_S) & (hearings >= HEARINGS_LEAST) & ~steady
    if known_s < LEARN_S:
        regular[:] = False
    least_s = max(LIMIT_LEAST_S, PERIODS_LEAST * period_s)
    return np.where(regular, np.maximum(LONGER * longest_s, least_s), np.inf)


def silent_s(learnt: Learnt, which: Sequence[int], clock_s: float) -> Float:
    """How long each has been silent, in time listened."""
    return clock_s - learnt.heard_s[np.array(which, dtype=np.intp)]
