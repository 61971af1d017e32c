"""How often something that was found may ask for a pass: by number, by time, and by frequency.

Pure: wall time comes with each call. Where it was set back, what was granted in what is now the
future counts as granted now.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

__all__ = ["Budget", "Granted"]

HELD_MOST = 4096
"""Frequencies that are held off at one time; the oldest gives way."""


@dataclass(slots=True, eq=False)
class Granted:
    """One pass that was granted. ``took_s`` is what it is expected to take until it is known."""

    at_s: float
    at_hz: float | None
    took_s: float


class Budget:
    """What one look may cost.

    Args:
        at_most: passes within ``per_s``.
        share: part of the sweeper's time, over ``per_s``, 0 to 1.
        hold_off_s: findings so soon after one that was granted, within ``near_hz`` of it, get
            none; those without a frequency are all of one place.
    """

    def __init__(
        self, *, at_most: int, per_s: float, share: float, hold_off_s: float, near_hz: float
    ) -> None:
        self.at_most = at_most
        self.per_s = per_s
        self.share = share
        self.hold_off_s = hold_off_s
        self.near_hz = near_hz
        self._granted: deque[Granted] = deque()
        self._held: deque[Granted] = deque(maxlen=HELD_MOST)

    def ask(self, now_s: float, at_hz: float | None, takes_s: float) -> Granted | str:
        """One more pass, or why not."""
        for one in (*self._granted, *self._held):
            one.at_s = min(one.at_s, now_s)
        while self._granted and self._granted[0].at_s <= now_s - self.per_s:
            self._granted.popleft()
        while self._held and self._held[0].at_s <= now_s - self.hold_off_s:
            self._held.popleft()
        if any(self._is_near(one.at_hz, at_hz) for one in self._held):
            return "it was looked at before, and is held off"
        if len(self._granted) >= self.at_most:
            return "the budget is spent"
        spent_s = sum(one.took_s for one in self._granted)
        # The first is always granted: a single long look may take more than the share.
        if self._granted and spent_s + takes_s > self.share * self.per_s:
            return "the budget of time is spent"
        granted = Granted(at_s=now_s, at_hz=at_hz, took_s=takes_s)
        self._granted.append(granted)
        if self.hold_off_s > 0:
            self._held.append(granted)
        return granted

    def give_back(self, granted: Granted) -> None:
        """A pass that was granted was never taken: it costs nothing, and may be asked for again."""
        for kept in (self._granted, self._held):
            if granted in kept:
                kept.remove(granted)

    def _is_near(self, one_hz: float | None, other_hz: float | None) -> bool:
        if one_hz is None or other_hz is None:
            return one_hz is other_hz
        return abs(one_hz - other_hz) <= self.near_hz
