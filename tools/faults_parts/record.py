"""What was seen from outside: every message as it came, and when nobody could listen. Plain data,
so that a test can alter it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

__all__ = ["STATION", "Heard", "Record", "Sent", "job_of", "kind_of"]

STATION = "station"
"""Whose findings those without a job are, as the archive has it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A message as the subscriber got it. ``at_s`` is wall time."""

    at_s: float
    topic: str
    payload: bytes
    retained: bool = False


@dataclass(slots=True, kw_only=True)
class Sent:
    """A message as it passed on the way to the broker, and when that acknowledged it, if it did."""

    at_s: float
    topic: str
    payload: bytes
    qos: int
    acked_s: float | None = None


def kind_of(topic: str) -> str:
    """``summary``, ``trace``, ``finding`` …: the last level of a topic."""
    return topic.rsplit("/", 1)[-1]


def job_of(topic: str) -> str:
    """The job that a message is of; :data:`STATION` for those of the station itself."""
    levels = topic.split("/")
    return levels[3] if len(levels) > 3 and levels[2] == "job" else STATION


@dataclass(slots=True)
class Record:
    """What a leg's outside world saw, in the order in which it came.

    ``heard`` is the subscriber's, ``sent`` that of the tap on the way to the broker, empty where
    there is none; ``away`` when nobody was subscribed, from the last sign of the broker on;
    ``said`` the lines that stations wrote which are no log.
    """

    heard: list[Heard] = field(default_factory=list)
    sent: list[Sent] = field(default_factory=list)
    away: list[tuple[float, float]] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    has_tap: bool = False

    def of(self, *kinds: str, since: int = 0) -> Iterator[tuple[str, dict[str, Any], bytes]]:
        """(job, message, payload) of the kinds, of what was heard from the ``since``-th on."""
        yield from _parsed(self.heard[since:], kinds)

    def sent_of(
        self, *kinds: str, since: int = 0, only: Callable[[Sent], bool] = lambda one: True
    ) -> Iterator[tuple[str, dict[str, Any], bytes]]:
        """The same of what passed the tap."""
        yield from _parsed([one for one in self.sent[since:] if only(one)], kinds)

    def was_away(self, at_s: float, margin_s: float) -> bool:
        """Whether nobody was subscribed at a time, or around it."""
        return any(a - margin_s <= at_s <= b + margin_s for a, b in self.away)

    def so_far(self) -> Record:
        """What there is now, while more comes."""
        return Record(
            heard=list(self.heard),
            sent=list(self.sent),
            away=list(self.away),
            said=list(self.said),
            has_tap=self.has_tap,
        )

    def save(self, path: Path) -> None:
        """Write it down, for who looks into a failure."""
        lines = [
            {
                "at_s": one.at_s,
                "topic": one.topic,
                "payload": one.payload.decode("utf-8", "replace"),
            }
            for one in self.heard
        ]
        path.write_text("\n".join(json.dumps(line) for line in lines) + "\n", "utf-8")


def _parsed(
    messages: list[Any], kinds: tuple[str, ...]
) -> Iterator[tuple[str, dict[str, Any], bytes]]:
    for one in messages:
        if kind_of(one.topic) in kinds and one.payload:
            yield job_of(one.topic), json.loads(one.payload), one.payload
