"""Passes that were asked for once, beside those that are due: a closer look at what was found.

They are nobody's due times: one that comes too late is dropped and handed out as such, and no
coverage knows of it. They share the sweeper as their job does, by its priority and by a share of
their own (:mod:`acqd.plan.sharing`).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass

from acqd.plan.account import Account

__all__ = ["EXTRAS_MOST", "Extra", "Extras"]

EXTRAS_MOST = 64
"""Of one job that wait; more are refused."""
SAVED_PASSES = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """One pass that was asked for. ``ticket`` is whoever asked's own number for it."""

    ticket: int
    asked_us: int
    until_us: int
    """It is not started from here on."""
    estimate_us: int


class Extras:
    """Those of one job that wait, first come first served, and what they have saved up."""

    def __init__(self, account: Account, *, share: float) -> None:
        self.account = account
        self.share = share
        self.saved_us = 0.0
        self._waiting: deque[Extra] = deque()
        self._dropped: list[int] = []

    def __len__(self) -> int:
        return len(self._waiting)

    def add(self, extra: Extra) -> bool:
        """Let one wait; False where too many do already."""
        if len(self._waiting) >= EXTRAS_MOST:
            return False
        if not self._waiting:
            # As a job does when it begins: enough for the first.
            self.saved_us = max(self.saved_us, float(extra.estimate_us))
        self._waiting.append(extra)
        return True

    def first(self, now_us: int) -> Extra | None:
        """The one that may start now: its job is neither paused nor shut."""
        if not self._waiting or self.account.paused is not None:
            return None
        return self._waiting[0] if self.account.is_open(now_us) else None

    def start(self) -> Extra:
        """Hand out the first."""
        return self._waiting.popleft()

    def save_up(self, gone_us: int) -> None:
        """Time has gone by. Only who waits saves up, and for two passes at most."""
        if self._waiting:
            most_us = SAVED_PASSES * max(one.estimate_us for one in self._waiting)
            self.saved_us = min(most_us, self.saved_us + gone_us * self.share)

    def pay(self, took_us: int) -> None:
        self.saved_us = max(0.0, self.saved_us - took_us)

    def expire(self, now_us: int) -> None:
        """Drop those whose time is up."""
        kept = deque(one for one in self._waiting if one.until_us > now_us)
        if len(kept) != len(self._waiting):
            self._dropped += [one.ticket for one in self._waiting if one.until_us <= now_us]
            self._waiting = kept

    def shift(self, by_us: int) -> None:
        """The clock was set: no time has passed, so nobody has less of it left."""
        self._waiting = deque(
            Extra(
                ticket=one.ticket,
                asked_us=one.asked_us + by_us,
                until_us=one.until_us + by_us,
                estimate_us=one.estimate_us,
            )
            for one in self._waiting
        )

    def drop_all(self) -> None:
        self._dropped += [one.ticket for one in self._waiting]
        self._waiting.clear()

    def take_dropped(self) -> list[int]:
        """Tickets that were dropped since this was last asked."""
        dropped, self._dropped = self._dropped, []
        return dropped
