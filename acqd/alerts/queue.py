"""Alerts that wait for their way: in order, bounded by count and age, the lost ones counted.

It is held in memory, so that a disk that is full or does not answer keeps nobody untold; what has
changed is handed to whoever keeps it on the disk (:mod:`acqd.alerts.store`).
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from acqd.alerts.wording import Message

__all__ = ["AGE_MOST_S", "WAITING_MOST", "Change", "Queue", "Waiting"]

WAITING_MOST = 200
"""Of one way. At the bound the oldest that is not urgent goes."""
AGE_MOST_S = 7 * 86400.0
"""An alert of a week ago helps nobody."""


@dataclass(slots=True, kw_only=True)
class Waiting:
    """One alert for one way. ``id`` rises; ``number`` is the alert's own, the same for each way."""

    id: int
    number: int
    way: str
    urgent: bool
    at_s: float
    payload: Mapping[str, Any]
    refused: int = 0
    """So often it was refused for what it is, not for the state of the way."""
    left: tuple[int, ...] | None = None
    """The addresses of the way that have not taken it; None: all. Of this run only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """Something to be kept: one more that waits, one that does not any more, or a count of lost."""

    added: Waiting | None = None
    gone: int | None = None
    lost: tuple[str, int] | None = None


class Queue:
    """What waits, by way. Belongs to the station's event loop."""

    def __init__(
        self,
        ways: Iterable[str],
        *,
        waiting: Iterable[Waiting] = (),
        lost: Mapping[str, int] | None = None,
        next_number: int = 1,
    ) -> None:
        """``waiting`` and ``lost`` are what an earlier run left, in the order of its ids."""
        self._ways: dict[str, deque[Waiting]] = {way: deque() for way in ways}
        self.lost: dict[str, int] = {way: n for way, n in (lost or {}).items() if way in self._ways}
        self._changes: list[Change] = []
        self._next_id, self._next_number = 1, next_number
        for one in waiting:
            self._next_id = max(self._next_id, one.id + 1)
            self._next_number = max(self._next_number, one.number + 1)
            if one.way in self._ways:
                self._ways[one.way].append(one)
            else:
                # A way that the config has no more.
                self._changes.append(Change(gone=one.id))

    @property
    def next_number(self) -> int:
        return self._next_number

    def add(self, message: Message, now_s: float) -> None:
        """Put a message to the end of each of its ways."""
        number = self._next_number
        self._next_number += 1
        for way in message.to:
            if way not in self._ways:
                continue
            one = Waiting(
                id=self._next_id,
                number=number,
                way=way,
                urgent=message.urgent,
                at_s=now_s,
                payload=message.payload(number=number),
            )
            self._next_id += 1
            self._ways[way].append(one)
            self._changes.append(Change(added=one))
            if len(self._ways[way]) > WAITING_MOST:
                self._lose(way, self._least_wanted(way))

    def first(self, way: str, now_s: float) -> Waiting | None:
        """What is to be sent next; what is too old is given up before."""
        line = self._ways[way]
        while line and now_s - line[0].at_s > AGE_MOST_S:
            self._lose(way, line[0])
        return line[0] if line else None

    def sent(self, one: Waiting, *, lost: int) -> None:
        """It is there, and said that ``lost`` others are not."""
        self._forget(one)
        left = self.lost.get(one.way, 0) - lost
        self.lost.pop(one.way, None)
        if left > 0:
            self.lost[one.way] = left
        if lost:
            self._changes.append(Change(lost=(one.way, max(0, left))))

    def give_up(self, one: Waiting) -> None:
        """It was refused for good."""
        self._lose(one.way, one)

    def waiting(self, way: str) -> int:
        return len(self._ways[way])

    def changes(self) -> list[Change]:
        """What has changed since this was last asked."""
        changes, self._changes = self._changes, []
        return changes

    def put_back(self, changes: list[Change]) -> None:
        """They could not be kept; they are handed out again, bounded by what waits now."""
        there = {one.id for line in self._ways.values() for one in line}
        still = [one for one in changes if one.added is None or one.added.id in there]
        self._changes = [*still[-4 * WAITING_MOST :], *self._changes]

    def _least_wanted(self, way: str) -> Waiting:
        line = self._ways[way]
        # Not the first: it may be on its way this moment.
        rest = list(line)[1:]
        return next((one for one in rest if not one.urgent), rest[0])

    def _lose(self, way: str, one: Waiting) -> None:
        self._forget(one)
        self.lost[way] = self.lost.get(way, 0) + 1
        self._changes.append(Change(lost=(way, self.lost[way])))

    def _forget(self, one: Waiting) -> None:
        line = self._ways[one.way]
        if one in line:
            line.remove(one)
            self._changes.append(Change(gone=one.id))
