"""Time that was swept and has to be known about: deaf, keyed, overloaded, on a clock nobody set."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from acqd.look.times import duration
from acqd.report.shapes import Spell
from acqd.report.words import FLAG_WORDS, NOT_LISTENED, count_text
from acqd.sweep import SweepFlag

if TYPE_CHECKING:
    from acqd.report.source import JobSource

__all__ = ["deaf_mask", "spells_of"]

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

Mask = NDArray[np.bool_]


def deaf_mask(source: JobSource) -> Mask:
    """(sweeps of step 0,) True where a sweep was taken and does not count as listened."""
    return _flagged(source) | _said_deaf(source)


def spells_of(source: JobSource) -> tuple[Spell, ...]:
    """Runs of sweeps with a flag that matters, in order of their beginning."""
    index = source.sweeps()
    marks: list[tuple[str, Mask]] = [
        (str(flag.name).lower(), (index.flags & int(flag)) != 0) for flag in TOLD
    ]
    marks.append(("deaf", _said_deaf(source) & ~_flagged(source)))
    found = [spell for what, mask in marks for spell in _spells(source, what, mask)]
    return tuple(sorted(found, key=lambda one: (one.from_s, one.to_s, one.what)))


def _flagged(source: JobSource) -> Mask:
    keyed = SweepFlag.TRANSMITTING | SweepFlag.SET_ASIDE
    spoilt = keyed | SweepFlag.OVERLOAD | SweepFlag.REPEATED
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


def _spells(source: JobSource, what: str, mask: Mask) -> Iterator[Spell]:
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
            text=f"{FLAG_WORDS[what]}, {duration(to_s - from_s)} ({share})",
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
