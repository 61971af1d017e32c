"""What a station says, counted: a broker's place is taken by a pair of scales."""

from __future__ import annotations

import asyncio
from collections import Counter
from dataclasses import dataclass

import structlog

from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.publish.client import Payload, PublisherStatistics
from acqd.publish.outbox import Outbox
from acqd.publish.topics import Topics

__all__ = ["CountingMessenger", "MessageCount", "MessageLoad"]

BATCH = 256
"""Findings read from the outbox at a time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageCount:
    """Messages of one kind of topic, and their payloads' bytes."""

    messages: int
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class MessageLoad:
    """Everything that was said.

    Attributes:
        by_topic: by the name of the kind of topic, as docs/messages.md has them.
        peak_a_second: most messages in one second of the clock.
        peak_s: when that second began; wall time.
        retained: topics that hold a state.
        dropped: messages that could not be made.
    """

    by_topic: dict[str, MessageCount]
    peak_a_second: int
    peak_s: float | None
    retained: int
    dropped: int


class CountingMessenger:
    """Takes messages as a publisher on a perfect link does: each is made, counted and gone.

    On a real link a live message may be overtaken by the next of its topic before it is sent, so
    what is counted is the most that there can be.

    Args:
        station, topic_root: of the config.
        clock: for the busiest second.
        outbox: where findings wait; they are taken from there and acknowledged at once.
    """

    def __init__(self, *, station: str, topic_root: str, clock: Clock, outbox: Outbox) -> None:
        self._topics = Topics(station, topic_root)
        self._clock = clock
        self._outbox = outbox
        self._kinds: dict[str, str] = {}
        self._messages: Counter[str] = Counter()
        self._bytes: Counter[str] = Counter()
        self._retained: set[str] = set()
        self._dropped = 0
        self._second = 0
        self._in_second = 0
        self._peak: tuple[int, float | None] = (0, None)
        self._waiting = asyncio.Event()
        self._draining = asyncio.Lock()
        self._since_s = clock.wall_s()
        self._log = structlog.get_logger()

    def load(self) -> MessageLoad:
        """What was counted by now."""
        return MessageLoad(
            by_topic={
                kind: MessageCount(messages=count, size_bytes=self._bytes[kind])
                for kind, count in sorted(self._messages.items())
            },
            peak_a_second=self._peak[0],
            peak_s=self._peak[1],
            retained=len(self._retained),
            dropped=self._dropped,
        )

    # -- what the station calls ------------------------------------------------------------------

    def live(self, topic: str, payload: Payload) -> None:
        try:
            made = payload() if callable(payload) else payload
        except Exception as exc:
            self._dropped += 1
            if self._dropped == 1:
                self._log.error("message_not_made", topic=topic, exc_info=exc)
            return
        self._count(topic, len(made))

    def retain(self, topic: str, payload: bytes) -> None:
        self._retained.add(topic)
        self._count(topic, len(payload))

    def findings_waiting(self) -> None:
        self._waiting.set()

    def hurry(self) -> None:
        """There is no link to hurry."""

    def statistics(self) -> PublisherStatistics:
        return PublisherStatistics(
            connected=True,
            since_s=self._since_s,
            sent=self._messages.total(),
            dropped=self._dropped,
            outbox=0,
            reconnects=0,
            retained=len(self._retained),
        )

    async def run(self) -> None:
        """Take findings from the outbox, until cancelled."""
        while True:
            self._waiting.clear()
            try:
                await self._drain()
            except ArchiveError as exc:
                self._log.warning("outbox_failed", reason=str(exc))
            await self._waiting.wait()

    async def close(self, last_status: bytes, *, within_s: float) -> bool:
        """Take what is left, and the goodbye."""
        try:
            await self._drain()
        except ArchiveError as exc:
            self._log.warning("outbox_failed", reason=str(exc))
        self._count(self._topics.status, len(last_status))
        return True

    # -- inside ----------------------------------------------------------------------------------

    async def _drain(self) -> None:
        async with self._draining:
            while rows := await self._outbox.pending(BATCH):
                last: dict[str, int] = {}
                for row in rows:
                    self._count(row.topic, len(row.payload))
                    last[row.job] = row.number
                for job, number in last.items():
                    await self._outbox.acknowledged(job, number)

    def _count(self, topic: str, size_bytes: int) -> None:
        kind = self._kinds.get(topic)
        if kind is None:
            spec = self._topics.spec_of(topic)
            kind = self._kinds[topic] = topic if spec is None else spec.name
        self._messages[kind] += 1
        self._bytes[kind] += size_bytes
        second = int(self._clock.wall_s())
        self._in_second = self._in_second + 1 if second == self._second else 1
        self._second = second
        if self._in_second > self._peak[0]:
            self._peak = (self._in_second, float(second))
