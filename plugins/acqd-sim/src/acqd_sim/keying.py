"""When an emission is on, as a pure function of absolute time.

Each kind answers for any instants, in any order: ``gain`` for many at once, ``intervals`` for the
list of what is true. Times are seconds since 1970-01-01T00:00:00Z.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from dataclasses import dataclass, field
from math import floor

import numpy as np
from numpy.typing import NDArray

from acqd_sim.chance import exponential, normal, unit
from acqd_sim.hours import UTC_ZONE, Zone

__all__ = [
    "Always",
    "Bursts",
    "Edges",
    "Keying",
    "On",
    "Quiet",
    "Slots",
    "cut",
    "is_silent",
    "look_up",
]

Float = NDArray[np.float64]

MAX_INTERVALS = 100_000
"""More bursts (or slots) in one question for the truth are refused: about three quarters of an hour
of slots of 27 ms."""


@dataclass(frozen=True, slots=True, kw_only=True)
class On:
    """One stretch of time in which an emission was on. ``gain_db`` is relative to its power."""

    start_s: float
    stop_s: float
    gain_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Quiet:
    """Hours of the day, by the clock of ``zone``, in which only ``share`` of the bursts happen."""

    start_h: float
    stop_h: float
    share: float
    zone: Zone = UTC_ZONE

    def keeps(self, start_s: Float, mark: Float) -> NDArray[np.bool_]:
        """Which bursts happen, by their start and an even number of each."""
        hour = self.zone.hour(start_s)
        inside = (hour - self.start_h) % 24.0 < (self.stop_h - self.start_h) % 24.0
        return np.asarray(~inside | (mark < self.share))


class Keying(ABC):
    """When an emission is on, and how strong each time."""

    @property
    @abstractmethod
    def longest_s(self) -> float:
        """What ``since`` is meant to reach at most; infinite where there is no end."""

    def is_silent(self, first_s: float, last_s: float) -> bool:
        """Whether it is known, cheaply, to be off at both instants and all between."""
        return False

    @abstractmethod
    def gain(self, at_s: Float) -> Float:
        """Power factor at each instant: 0 while off. Same shape as ``at_s``."""

    @abstractmethod
    def since(self, at_s: Float) -> Float:
        """Seconds since it last went on; only meaningful where it is on."""

    @abstractmethod
    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        """Stretches that were on in [start_s, stop_s), cut to it, in order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Always(Keying):
    """On without end."""

    @property
    def longest_s(self) -> float:
        return float(np.inf)

    def gain(self, at_s: Float) -> Float:
        return np.ones_like(at_s)

    def since(self, at_s: Float) -> Float:
        return np.full_like(at_s, np.inf)

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        return [On(start_s=start_s, stop_s=stop_s)]


@dataclass(frozen=True, slots=True)
class Edges:
    """Bursts in order, not overlapping: starts, ends and power factors, all (bursts,)."""

    start_s: Float
    stop_s: Float
    gain: Float

    def index(self, at_s: Float) -> NDArray[np.intp]:
        return np.searchsorted(self.start_s, at_s, side="right") - 1

    def steady(self, first_s: float, last_s: float) -> float | None:
        """The power factor of two instants and all between; None where it changes there."""
        at = int(self.start_s.searchsorted(first_s, side="right")) - 1
        if at + 1 < self.start_s.size and self.start_s[at + 1] <= last_s:
            return None
        if at < 0 or first_s >= self.stop_s[at]:
            return 0.0
        return float(self.gain[at]) if last_s < self.stop_s[at] else None


def look_up(at_s: Float, block_s: float, edges_of: Callable[[int], Edges], *, since: bool) -> Float:
    """Power factor or time since the start at each instant, block of time by block of time."""
    if not at_s.size:
        return np.zeros_like(at_s)
    first_s, last_s = float(at_s.min()), float(at_s.max())
    low, high = floor(first_s / block_s), floor(last_s / block_s)
    if low == high and not since:
        steady = edges_of(low).steady(first_s, last_s)
        if steady is not None:
            return np.full_like(at_s, steady)
    block = np.floor(at_s / block_s).astype(np.int64)
    out = np.zeros_like(at_s)
    for number in range(low, high + 1):
        edges = edges_of(number)
        if not edges.start_s.size:
            continue
        index = edges.index(at_s)
        safe = np.maximum(index, 0)
        on = (index >= 0) & (at_s < edges.stop_s[safe]) & (block == number)
        value = at_s - edges.start_s[safe] if since else edges.gain[safe]
        out = np.where(on, value, out)
    return out


def is_silent(
    first_s: float, last_s: float, block_s: float, edges_of: Callable[[int], Edges]
) -> bool:
    """Whether two instants of one block of time, and all between, lie outside of any burst."""
    block = floor(first_s / block_s)
    return block == floor(last_s / block_s) and edges_of(block).steady(first_s, last_s) == 0.0


@dataclass(frozen=True, kw_only=True)
class Bursts(Keying):
    """A two-state Markov process: off and on times exponential, with a least on time.

    Time is cut into blocks of :attr:`CYCLES` mean cycles. The bursts of a block are drawn from the
    block's own numbers; one that runs past its block's end is joined with what the next block has.
    So any instant can be answered from two blocks, and the shares of time are right within about
    one part in :attr:`CYCLES`.
    """

    key: int
    mean_on_s: float
    mean_off_s: float
    min_on_s: float = 0.0
    spread_db: float = 0.0
    """Standard deviation of the level from burst to burst, cut at 2.5 times it."""
    quiet: Quiet | None = None
    _cached: dict[int, Edges] = field(default_factory=dict, repr=False, compare=False)

    CYCLES = 64
    LONGEST = 8.0
    """An on time is at most this many means, so that it ends in the next block at the latest."""
    DRAWS = 192
    """More cycles than ever fit in a block: the mean is 64, the standard deviation below 12."""
    CACHE = 8

    @property
    def block_s(self) -> float:
        return self.CYCLES * (self.mean_on_s + self.mean_off_s)

    @property
    def longest_s(self) -> float:
        return self.LONGEST * self.mean_on_s

    def _block(self, block: int) -> tuple[Float, Float, Float]:
        counter = block * 1024 + np.arange(self.DRAWS)
        off_s = self.mean_off_s * exponential(self.key, counter, 0)
        on_s = self.min_on_s + (self.mean_on_s - self.min_on_s) * exponential(self.key, counter, 1)
        on_s = np.minimum(on_s, self.LONGEST * self.mean_on_s)
        stop_s = block * self.block_s + np.cumsum(off_s + on_s)
        start_s = stop_s - on_s
        kept = start_s < (block + 1) * self.block_s
        if self.quiet is not None:
            kept &= self.quiet.keeps(start_s, unit(self.key, counter, 2))
        level = np.clip(normal(self.key, counter, 3), -2.5, 2.5) * self.spread_db
        return start_s[kept], stop_s[kept], 10.0 ** (level[kept] / 10.0)

    def _joined(self, block: int) -> Edges:
        """Bursts of a block and the one before, overlaps made one."""
        known = self._cached.get(block)
        if known is not None:
            return known
        start_s, stop_s, gain = (
            np.concatenate(pair)
            for pair in zip(self._block(block - 1), self._block(block), strict=True)
        )
        order = np.argsort(start_s, kind="stable")
        start_s, stop_s, gain = start_s[order], np.maximum.accumulate(stop_s[order]), gain[order]
        if start_s.size:
            first = np.concatenate(([True], start_s[1:] > stop_s[:-1]))
            last = np.concatenate((first[1:], [True]))
            start_s, stop_s, gain = start_s[first], stop_s[last], gain[first]
        edges = Edges(start_s, stop_s, gain)
        while len(self._cached) >= self.CACHE:
            self._cached.pop(next(iter(self._cached)), None)
        self._cached[block] = edges
        return edges

    def is_silent(self, first_s: float, last_s: float) -> bool:
        return is_silent(first_s, last_s, self.block_s, self._joined)

    def gain(self, at_s: Float) -> Float:
        return look_up(at_s, self.block_s, self._joined, since=False)

    def since(self, at_s: Float) -> Float:
        return look_up(at_s, self.block_s, self._joined, since=True)

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        low, high = int(start_s // self.block_s), int(stop_s // self.block_s)
        found: dict[float, On] = {}
        for block in range(low, high + 1):
            edges = self._joined(block)
            begin, end = max(start_s, block * self.block_s), min(stop_s, (block + 1) * self.block_s)
            for i in np.flatnonzero((edges.stop_s > begin) & (edges.start_s < end)):
                on = cut(edges.start_s[i], edges.stop_s[i], edges.gain[i], start_s, stop_s)
                found.setdefault(float(edges.start_s[i]), on)
            _refuse_too_many(len(found))
        return list(found.values())


@dataclass(frozen=True, kw_only=True)
class Slots(Keying):
    """Bursts in slots of a common clock, each slot taken with one chance (``duty_fraction``).

    A burst fills ``fill_fraction`` of its slot. Slots count from the UTC epoch.
    """

    key: int
    slot_s: float
    duty_fraction: float
    fill_fraction: float = 0.95
    spread_db: float = 0.0

    @property
    def longest_s(self) -> float:
        return self.slot_s

    def _gain_of(self, slot: NDArray[np.int64]) -> Float:
        taken = unit(self.key, slot, 0) < self.duty_fraction
        level = np.clip(normal(self.key, slot, 1), -2.5, 2.5) * self.spread_db
        return np.asarray(np.where(taken, 10.0 ** (level / 10.0), 0.0))

    def gain(self, at_s: Float) -> Float:
        slot = np.floor(at_s / self.slot_s)
        inside = at_s - slot * self.slot_s < self.fill_fraction * self.slot_s
        unique, back = np.unique(slot.astype(np.int64), return_inverse=True)
        return np.asarray(self._gain_of(unique)[back].reshape(at_s.shape) * inside)

    def since(self, at_s: Float) -> Float:
        return np.asarray(at_s - np.floor(at_s / self.slot_s) * self.slot_s)

    def intervals(self, start_s: float, stop_s: float) -> list[On]:
        _refuse_too_many(int((stop_s - start_s) / self.slot_s))
        slot = np.arange(np.floor(start_s / self.slot_s), np.ceil(stop_s / self.slot_s))
        gain = self._gain_of(slot.astype(np.int64))
        found = []
        for i in np.flatnonzero(gain > 0):
            begin = float(slot[i] * self.slot_s)
            end = begin + self.fill_fraction * self.slot_s
            if end > start_s and begin < stop_s:
                found.append(cut(begin, end, gain[i], start_s, stop_s))
        return found


def cut(start_s: float, stop_s: float, gain: float, low_s: float, high_s: float) -> On:
    """A stretch of power factor ``gain``, as much of it as lies in [low_s, high_s)."""
    level_db = 10.0 * float(np.log10(gain))
    begin, end = max(float(start_s), low_s), min(float(stop_s), high_s)
    return On(start_s=begin, stop_s=end, gain_db=level_db)


def _refuse_too_many(count: int) -> None:
    if count > MAX_INTERVALS:
        raise ValueError(f"more than {MAX_INTERVALS} bursts in this time: ask for less of it")
