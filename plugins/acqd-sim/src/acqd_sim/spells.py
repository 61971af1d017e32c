"""Times of the clock: what happens at 02:10 every night, or from one moment to another.

Both are :class:`~acqd_sim.keying.Keying`: a list of spells, and another keying within such a list.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from acqd_sim.chance import normal
from acqd_sim.hours import DAY_S, UTC_ZONE, Zone
from acqd_sim.keying import Edges, Keying, On, cut, is_silent, look_up

__all__ = ["Daily", "Fixed", "Spells", "Within"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Daily:
    """Every day anew: from ``start_s`` after local midnight, to ``stop_s`` or for ``lasts_s``.

    A ``stop_s`` that is not after ``start_s`` belongs to the next day. ``lasts_s`` is up to a day.
    """

    start_s: float
    stop_s: float | None = None
    lasts_s: float = 0.0

    @property
    def longest_s(self) -> float:
        """At most so long, the hour that a clock is put back included."""
        if self.stop_s is None:
            return self.lasts_s
        return (self.stop_s - self.start_s) % DAY_S + 2.0 * 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fixed:
    """Once: [start_s, stop_s) in seconds since 1970; ``stop_s`` may be infinite."""

    start_s: float
    stop_s: float


@dataclass(frozen=True, kw_only=True)
class Spells(Keying):
    """On in each of some spells, off between them; spells that touch or overlap are one.

    ``spread_db`` is the standard deviation of the level from spell to spell, cut at 2.5 times it.
    """

    daily: tuple[Daily, ...] = ()
    fixed: tuple[Fixed, ...] = ()
    zone: Zone = UTC_ZONE
    key: int = 0
    spread_db: float = 0.0
    _cached: dict[int, Edges] = field(default_factory=dict, repr=False, compare=False)

    CACHE = 8

    @property
    def longest_s(self) -> float:
        """As if all of them touched."""
        fixed = sum(one.stop_s - one.start_s for one in self.fixed)
        return fixed + sum(one.longest_s for one in self.daily)

    def _of_days(self, block: int) -> list[tuple[float, float]]:
        """The daily spells that may reach into one day of UTC."""
        first = self.zone.day(block * DAY_S) - timedelta(days=2)
        found = []
        for number in range(5):
            day = first + timedelta(days=number)
            for one in self.daily:
                start_s = self.zone.instant(day, one.start_s)
                stop_s = start_s + one.lasts_s
                if one.stop_s is not None:
                    over = timedelta(days=0 if one.stop_s > one.start_s else 1)
                    stop_s = self.zone.instant(day + over, one.stop_s)
                found.append((start_s, stop_s))
        return found

    def _edges(self, block: int) -> Edges:
        known = self._cached.get(block)
        if known is not None:
            return known
        spells = self._of_days(block) + [(one.start_s, one.stop_s) for one in self.fixed]
        joined: list[tuple[float, float]] = []
        for start_s, stop_s in sorted(spells):
            if joined and start_s <= joined[-1][1]:
                joined[-1] = joined[-1][0], max(joined[-1][1], stop_s)
            elif stop_s > start_s:
                joined.append((start_s, stop_s))
        start_s_, stop_s_ = (np.array([pair[i] for pair in joined], dtype=float) for i in (0, 1))
        drawn = normal(self.key, np.rint(start_s_).astype(np.int64), 5)
        level_db = np.clip(drawn, -2.5, 2.5) * self.spread_db
        edges = Edges(start_s_, stop_s_, 10.0 ** (level_db / 10.0))
        while len(self._cached) >= self.CACHE:
            self._cached.pop(next(iter(self._cached)), None)
        self._cached[block] = edges
        return edges

    def is_silent(self, first_s: float, last_s: float) -> bool:
        return is_silent(first_s, last_s, DAY_S, self._edges)

    def gain(self, at_s: Float) -> Float:
        return look_up(at_s, DAY_S, self._edges, since=False)

    def since(self, at_s: Float) -> Float:
        return look_up(at_s, DAY_S, self._edges, since=True)

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        found: dict[float, On] = {}
        for block in range(int(start_s // DAY_S), int(stop_s // DAY_S) + 1):
            edges = self._edges(block)
            begin, end = max(start_s, block * DAY_S), min(stop_s, (block + 1) * DAY_S)
            for i in np.flatnonzero((edges.stop_s > begin) & (edges.start_s < end)):
                on = cut(edges.start_s[i], edges.stop_s[i], edges.gain[i], start_s, stop_s)
                found.setdefault(float(edges.start_s[i]), on)
        return list(found.values())


@dataclass(frozen=True, slots=True, kw_only=True)
class Within(Keying):
    """What ``inner`` does, in ``spells`` only; a burst that is cut there counts from the cut."""

    inner: Keying
    spells: Spells

    @property
    def longest_s(self) -> float:
        return min(self.inner.longest_s, self.spells.longest_s)

    def is_silent(self, first_s: float, last_s: float) -> bool:
        return self.spells.is_silent(first_s, last_s) or self.inner.is_silent(first_s, last_s)

    def gain(self, at_s: Float) -> Float:
        gain = self.spells.gain(at_s)
        return np.asarray(gain * self.inner.gain(at_s)) if gain.any() else gain

    def since(self, at_s: Float) -> Float:
        return np.minimum(self.inner.since(at_s), self.spells.since(at_s))

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        return [
            On(
                start_s=on.start_s,
                stop_s=on.stop_s,
                gain_db=on.gain_db + spell.gain_db,
            )
            for spell in self.spells.intervals(start_s, stop_s)
            for on in self.inner.intervals(spell.start_s, spell.stop_s)
        ]
