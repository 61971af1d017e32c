"""The connection over which a station asks the world, and hears what it answers.

A connection of its own: what floods the contexts' topics, or waits on the publisher's, must not
hold up a relay. One connection at a time; it is made anew after 1, 2, 4 … 60 s.

Its task belongs to nobody else: at the end of a station it goes on until what was changed has been
put back.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Iterable
from contextlib import suppress

import aiomqtt
import structlog

from acqd.clock import Clock
from acqd.errors import BrokerError
from acqd.publish.client import SETTLED_S, backoff_s
from acqd.publish.link import Link, PublishRefused, connection_beside, surely
from acqd.publish.refusals import why_away
from acqd.publish.settings import BrokerSettings
from acqd.publish.threads import OwnThreads
from acqd.station.context import PACKET_MOST_BYTES

__all__ = ["AskLine"]

LEAVE_S = 0.1
"""What leaving the broker may take."""

Heard = Callable[[str, bytes, bool], None]
"""Called with topic, payload, and whether it is an old word that the broker retained."""


class AskLine:
    """Publishes at QoS 1 and listens to some topics, from :meth:`start` to :meth:`close`.

    Args:
        station: names the connection.
        settings: the broker.
        topics: what is listened to.
        heard: is called with what came.
        came_up: is called whenever a connection stands and its topics are subscribed.
        clock: for the age of connections.
        backoff: seconds until the next attempt, by failures in a row.
    """

    def __init__(
        self,
        *,
        station: str,
        settings: BrokerSettings,
        topics: Iterable[str],
        heard: Heard,
        came_up: Callable[[], None],
        clock: Clock,
        backoff: Callable[[int], float] = backoff_s,
    ) -> None:
        self._station = station
        self._settings = settings
        self._topics = tuple(dict.fromkeys(topics))
        self._heard = heard
        self._came_up = came_up
        self._clock = clock
        self._backoff = backoff
        self._threads = OwnThreads("asking mqtt")
        self._link: Link | None = None
        self._up = asyncio.Event()
        self._turn = asyncio.Lock()
        self._hurry = asyncio.Event()
        self._broken = asyncio.Event()
        self._task: asyncio.Task[None] | None = None
        self._told: bool | None = None
        self.deaf_to: dict[str, str] = {}
        """Topics that the broker does not let the station read, and why."""
        self.why_away = "it has not answered yet"
        self._log = structlog.get_logger()

    def start(self) -> None:
        """Begin to connect; in the loop that it is used in."""
        self._task = asyncio.create_task(self._keep_connected(), name="asking")

    def hurry(self) -> None:
        """Do not wait for the backoff to end: the broker is known to be back."""
        self._hurry.set()

    async def close(self) -> None:
        """Leave the broker. Bounded; raises nothing."""
        task, self._task = self._task, None
        if task is None:
            return
        task.cancel()
        with suppress(asyncio.CancelledError):
            await asyncio.wait([task], timeout=2 * LEAVE_S)

    @property
    def task(self) -> asyncio.Task[None] | None:
        """What keeps it connected, between :meth:`start` and :meth:`close`."""
        return self._task

    @property
    def is_up(self) -> bool:
        return self._link is not None

    async def put(
        self, topic: str, payload: bytes, *, retain: bool, sending: Callable[[], None]
    ) -> None:
        """Publish, until the broker has acknowledged it. Waits for a connection, without a limit of
        its own; where one breaks meanwhile it is sent again on the next, so it may come twice.
        ``sending`` is called right before it is sent.

        Raises:
            BrokerError: the broker does not take it.
        """
        while True:
            await self._up.wait()
            link = self._link
            if link is None:
                self._up.clear()
                continue
            try:
                async with self._turn:
                    sending()
                    await link.put(topic, payload, qos=1, retain=retain)
                return
            except PublishRefused as exc:
                raise BrokerError(str(exc)) from exc
            except aiomqtt.MqttError as exc:
                self.why_away = str(exc) or "the connection was lost"
                if self._link is link:
                    self._up.clear()
                    self._link = None
                    self._broken.set()

    async def _keep_connected(self) -> None:
        failures = 0
        while True:
            started_s, was_up = self._clock.monotonic_s(), False
            reason = "closed by the broker"
            try:
                await surely(self._connected())
            except* (aiomqtt.MqttError, OSError, BrokerError) as group:
                reason = why_away(group, self._settings)
            was_up = self._told is True
            self._down(reason)
            if was_up and self._clock.monotonic_s() - started_s >= SETTLED_S:
                failures = 0
            try:
                async with asyncio.timeout(self._backoff(failures)):
                    await self._hurry.wait()
            except TimeoutError:
                pass
            self._hurry.clear()
            failures += 1

    async def _connected(self) -> None:
        async with connection_beside(
            self._settings,
            station=self._station,
            purpose="asking",
            threads=self._threads,
            packet_most_bytes=PACKET_MOST_BYTES,
        ) as link:
            try:
                async with asyncio.TaskGroup() as group:
                    self._broken.clear()
                    group.create_task(self._end_when_broken())
                    group.create_task(self._listen(link))
                    for topic in self._topics:
                        await self._subscribe(link, topic)
                    self._is_up(link)
            except asyncio.CancelledError:
                link.timeout = LEAVE_S
                raise

    async def _end_when_broken(self) -> None:
        await self._broken.wait()
        raise aiomqtt.MqttError(self.why_away)

    async def _listen(self, link: Link) -> None:
        async for message in link.messages:
            payload = message.payload if isinstance(message.payload, bytes) else b""
            self._heard(str(message.topic), payload, bool(message.retain))

    async def _subscribe(self, link: Link, topic: str) -> None:
        self.deaf_to.pop(topic, None)
        for answer in await link.subscribe(topic, 1):
            refused = answer >= 0x80 if isinstance(answer, int) else answer.is_failure
            if refused:
                self.deaf_to[topic] = f"the broker does not let the station read {topic}: {answer}"
                self._log.warning("asking_deaf", topic=topic, answer=str(answer))

    def _is_up(self, link: Link) -> None:
        self._link = link
        self._up.set()
        if self._told is not True:
            self._told = True
            self._log.info("asking_connected", topics=len(self._topics))
        self._came_up()

    def _down(self, reason: str) -> None:
        self._link = None
        self._up.clear()
        self.why_away = reason
        if self._told is not False:
            self._told = False
            self._log.warning("asking_away", reason=reason)
