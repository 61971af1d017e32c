"""Whether a sweeper that answers also hears: what every kind can tell, and how it is told.

A cable that fell off, a sweeper that answers with its last sweep, an amplifier without its supply
leave sweeps that look perfect. What gives them away is, for every kind, that the same levels come
again bit for bit (here); and for kind ``band`` the floor (:mod:`acqd.measure.band_floor`) and the
witnesses (:mod:`acqd.measure.witness`). docs/deaf.md says what can be noticed and what cannot.
"""

from __future__ import annotations

import math
import zlib
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from acqd.measure.meter import Figure, FindingDraft, SweepSeen
from acqd.measure.words import duration_text
from acqd.sweep import SweepFlag

__all__ = [
    "FROZEN_S",
    "FROZEN_SWEEPS",
    "NEW_SWEEPS",
    "Bits",
    "Cause",
    "Deaf",
    "bits_seen",
    "chance_of_same",
    "deaf_finding",
    "digest_stride",
    "frozen_text",
    "hears_again_finding",
    "is_frozen",
    "is_thawed",
]

RECENT = 4
"""Sweeps that a new one is compared with: a frozen sweeper may alternate between a few."""

DIGEST_POINTS = 256
"""Of a sweep of as many points or more a digest is of every so many, half of these at least: noise
does not repeat on those either, and all of them would cost as much as the measurement."""

FROZEN_SWEEPS = 3
FROZEN_S = 30.0
"""So many sweeps one after the other that are not new, over at least this time, are no chance: one
that merely measures more slowly than it is asked repeats itself for shorter."""

NEW_SWEEPS = 2
"""So many new ones, one after the other, and it measures again."""


class Cause(StrEnum):
    """What a deafness was noticed by."""

    FROZEN = "frozen"
    FLOOR = "floor"
    WITNESSES = "witnesses"


@dataclass(frozen=True, slots=True, kw_only=True)
class Deaf:
    """A deafness under way.

    Nothing that began after ``from_s``, when the last sweep began that surely heard, counts as
    listened; ``noticed_s`` is when the sweep began by which it was noticed. ``why`` is the sentence
    without what to do.
    """

    cause: Cause
    from_s: float
    noticed_s: float
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Bits:
    """Digests of the last new sweeps, and how long none has been new."""

    recent: tuple[int, ...] = ()
    run: int = 0
    """Sweeps one after the other that were not new."""
    fresh: int = 0
    """Sweeps one after the other that were."""
    new_s: float = math.nan
    """Start of the last one that was; of the first sweep where none was."""


def bits_seen(bits: Bits, event: SweepSeen) -> Bits:
    """``bits`` with one more sweep. One without a single level says nothing."""
    level = event.level
    digest = zlib.crc32(level[:: digest_stride(level.size)].tobytes())
    flags = event.flags
    if digest in bits.recent or (flags and flags & SweepFlag.REPEATED):
        if not np.isfinite(level).any():
            return bits
        first_s = event.started_s if math.isnan(bits.new_s) else bits.new_s
        return replace(bits, run=bits.run + 1, fresh=0, new_s=first_s)
    recent = (*bits.recent[1 - RECENT :], digest)
    return Bits(recent=recent, fresh=bits.fresh + 1, new_s=event.started_s)


def digest_stride(points: int) -> int:
    """Every how manyth point is compared."""
    return 1 + points // DIGEST_POINTS


def is_frozen(bits: Bits, at_s: float) -> bool:
    """Whether the sweeper measures nothing any more."""
    return bits.run >= FROZEN_SWEEPS and at_s - bits.new_s >= FROZEN_S


def is_thawed(bits: Bits) -> bool:
    return bits.fresh >= NEW_SWEEPS


def chance_of_same(points: float, step: float, sigma: float) -> float:
    """Probability that noise alone gives a whole sweep again.

    Args:
        points: independent readings of a sweep.
        step: of the levels, in their unit.
        sigma: standard deviation of a reading.

    Each reading is taken for normal and rounded, its middle on a step, where it repeats most often.
    """
    if not (step > 0.0 and sigma > 0.0):
        return 0.0
    edges = (np.arange(0.0, 64.0) + 0.5) * step / sigma
    inside = np.array([math.erf(edge / math.sqrt(2.0)) for edge in edges.tolist()])
    # The first share is that of the middle step, each other is of two, one on either side.
    shares = np.diff(inside, prepend=0.0)
    same = float(shares[0] ** 2 + np.sum(shares[1:] ** 2) / 2.0)
    return float(same**points)


def frozen_text(run: int) -> str:
    """Why, of a frozen sweeper."""
    return (
        f"{run} sweeps brought levels that had been there before, bit for bit: "
        f"the sweeper answers and does not measure"
    )


WHAT_TO_DO = {
    Cause.FROZEN: "switch it off and on",
    Cause.FLOOR: "look at the aerial's cable, its plugs and any amplifier's supply",
    Cause.WITNESSES: "look at the aerial's cable, its plugs and any amplifier's supply",
}


def deaf_finding(deaf: Deaf, event: SweepSeen, **figures: Figure) -> FindingDraft:
    """Not listening, since when and by what it was noticed."""
    lasts_s = max(0.0, deaf.noticed_s - deaf.from_s)
    text = (
        f"deaf, by now for {duration_text(lasts_s)}: {deaf.why}. What was swept since does not "
        f"count as listened; {WHAT_TO_DO[deaf.cause]}"
    )
    return FindingDraft(
        what="deaf",
        at_s=deaf.from_s,
        text=text,
        seq=event.seq,
        figures={
            "cause": str(deaf.cause),
            "from_s": deaf.from_s,
            "noticed_s": deaf.noticed_s,
            "unnoticed_s": lasts_s,
            **figures,
        },
    )


def hears_again_finding(deaf: Deaf, at_s: float, how: str, seq: int | None) -> FindingDraft:
    """Listening again, by what that is known and how long it was not."""
    lasted_s = max(0.0, at_s - deaf.from_s)
    return FindingDraft(
        what="hears_again",
        at_s=at_s,
        text=f"hears again: {how}; it was deaf for {duration_text(lasted_s)}",
        seq=seq,
        figures={
            "cause": str(deaf.cause),
            "from_s": deaf.from_s,
            "noticed_s": deaf.noticed_s,
            "lasted_s": lasted_s,
        },
    )
