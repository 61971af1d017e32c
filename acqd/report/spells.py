"""Time that was swept and has to be known about: deaf, keyed, overloaded, on a clock nobody set."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from acqd.look.times import duration
from acqd.measure.finding_words import HEARING_WORDS
from acqd.report.shapes import Spell
from acqd.report.words import DEAF_WORDS, FLAG_WORDS, NOT_LISTENED, count_text
from acqd.sweep import SweepFlag

if TYPE_CHECKING:
    from acqd.report.source import JobSource

__all__ = ["Deafness", "deaf_mask", "deafness_of", "spells_of", "unheard_mask"]

TOLD = (
    SweepFlag.TRANSMITTING,
    SweepFlag.SET_ASIDE,
    SweepFlag.OVERLOAD,
    SweepFlag.REPEATED,
    SweepFlag.CLOCK_STEPPED,
    SweepFlag.CLOCK_UNSYNCHRONISED,
    SweepFlag.HOP_FAILED,
    SweepFlag.METER_FAILED,
    SweepFlag.NOT_FINITE,
    SweepFlag.SETTINGS_DIFFER,
    SweepFlag.POWERED_ON,
)
"""Flags that matter to who reads a night; LATE is a matter of the coverage's rhythm."""

SPELLS_MOST = 60
"""Spells of one flag; with more of them those close together are told as one."""

UNWATCHED_S = 60.0
"""A spell does not reach over a longer time, or three intervals, in which nothing was swept."""

CONFIG_CHANGED = "config changed"
"""Reason of the gap at which a job's meter begins anew, and knows of no deafness."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Deafness:
    """A time in which the job swept and nobody heard, as its findings tell it.

    Sweeps that began after ``from_s``, when it last surely heard, and before ``to_s`` do not count
    as listened; ``to_s`` is inf where it never heard again.
    """

    from_s: float
    to_s: float
    cause: str


def deafness_of(source: JobSource) -> tuple[Deafness, ...]:
    """What the findings of the whole archive say of it, as far as it has a part in the range."""
    told = [
        one
        for one in source.archive.findings(source.job)
        if one.what in HEARING_WORDS and isinstance(one.figures.get("from_s"), float)
    ]
    fresh_s = sorted(
        gap.from_s for gap in source.archive.gaps(source.job) if gap.reason == CONFIG_CHANGED
    )
    found = []
    for at, one in enumerate(told):
        if one.what != "deaf":
            continue
        from_s = float(one.figures["from_s"])
        noticed_s = float(one.figures.get("noticed_s") or from_s)
        ends = [other.at_s for other in told[at + 1 : at + 2]]
        ends += [at_s for at_s in fresh_s if at_s > noticed_s][:1]
        to_s = min(ends, default=math.inf)
        if from_s < source.stop_s and to_s > source.start_s:
            cause = str(one.figures.get("cause", ""))
            found.append(Deafness(from_s=from_s, to_s=to_s, cause=cause))
    return tuple(found)


def unheard_mask(source: JobSource) -> Mask:
    """(sweeps of step 0,) True where nobody heard, though each sweep looks as it should."""
    started_s = source.sweeps().started_s
    mask = np.zeros(started_s.size, dtype=np.bool_)
    for one in deafness_of(source):
        mask |= (started_s > one.from_s) & (started_s < one.to_s)
    return mask


def deaf_mask(source: JobSource) -> Mask:
    """(sweeps of step 0,) True where a sweep was taken and does not count as listened."""
    return _flagged(source) | _said_deaf(source) | unheard_mask(source)


def spells_of(source: JobSource) -> tuple[Spell, ...]:
    """Runs of sweeps with a flag that matters, in order of their beginning."""
    index = source.sweeps()
    marks: list[tuple[str, Mask]] = [
        (str(flag.name).lower(), (index.flags & int(flag)) != 0) for flag in TOLD
    ]
    unheard = unheard_mask(source)
    marks.append(("deaf", _said_deaf(source) & ~_flagged(source) & ~unheard))
    found = [spell for what, mask in marks for spell in _spells(source, what, mask)]
    for one in deafness_of(source):
        mask = (index.started_s > one.from_s) & (index.started_s < one.to_s)
        words = DEAF_WORDS.get(one.cause, FLAG_WORDS["deaf"])
        found += _spells(source, "deaf", mask, words)
    return tuple(sorted(found, key=lambda one: (one.from_s, one.to_s, one.what)))


def _flagged(source: JobSource) -> Mask:
    keyed = SweepFlag.TRANSMITTING | SweepFlag.SET_ASIDE
    spoilt = keyed | SweepFlag.OVERLOAD
    if not (source.config.get("sweeper_says") or {}).get("may_repeat"):
        spoilt |= SweepFlag.REPEATED
    return np.asarray((source.sweeps().flags & int(spoilt)) != 0)


def _said_deaf(source: JobSource) -> Mask:
    """Where the meter itself says that it does not listen: while it learns its floor.

    Only a job that learns has such sweeps, and only of it the summaries are looked into.
    """
    index = source.sweeps()
    mask = np.zeros(len(index), dtype=np.bool_)
    if (source.config.get("band") or {}).get("floor") != "learnt":
        return mask
    for block in source.blocks(quiet=True):
        mask[block.place] = block.figures("listening") == 0.0
    return mask


def _spells(source: JobSource, what: str, mask: Mask, words: str = "") -> Iterator[Spell]:
    if not mask.any():
        return
    index = source.sweeps()
    begin_s, end_s = index.started_s, index.started_s + index.took_s
    apart_s = max(3.0 * source.interval_s, UNWATCHED_S) if source.interval_s > 0 else UNWATCHED_S
    runs = list(_runs(mask, np.flatnonzero(begin_s[1:] - end_s[:-1] > apart_s) + 1))
    if len(runs) > SPELLS_MOST:
        runs = _fewer(runs, begin_s, end_s, (source.stop_s - source.start_s) / SPELLS_MOST)
    for first, stop in runs:
        count = int(np.count_nonzero(mask[first:stop]))
        from_s = max(source.start_s, float(begin_s[first]))
        to_s = max(from_s, min(source.stop_s, float(end_s[stop - 1])))
        share = count_text(count, "sweep")
        if count < stop - first:
            share = f"{count} of {count_text(stop - first, 'sweep')}"
        yield Spell(
            from_s=from_s,
            to_s=to_s,
            what=what,
            text=f"{words or FLAG_WORDS[what]}, {duration(to_s - from_s)} ({share})",
            is_listening=what not in NOT_LISTENED,
            sweeps=count,
        )


def _runs(mask: Mask, breaks: NDArray[np.intp]) -> Iterator[tuple[int, int]]:
    """First and one-behind-last place of each run of True; one ends at each of ``breaks``."""
    padded = np.concatenate(([False], mask, [False]))
    edges = np.flatnonzero(padded[1:] != padded[:-1])
    inside = breaks[mask[breaks] & mask[breaks - 1]]
    ends: list[int] = np.sort(np.concatenate((edges, inside, inside))).tolist()
    yield from zip(ends[::2], ends[1::2], strict=True)


def _fewer(
    runs: list[tuple[int, int]],
    begin_s: NDArray[np.float64],
    end_s: NDArray[np.float64],
    apart_s: float,
) -> list[tuple[int, int]]:
    """Runs with those joined that lie no more than ``apart_s`` from each other."""
    joined = [runs[0]]
    for first, stop in runs[1:]:
        if begin_s[first] - end_s[joined[-1][1] - 1] <= apart_s:
            joined[-1] = joined[-1][0], stop
        else:
            joined.append((first, stop))
    return joined
