"""Listens at the broker, for ever: one connection after another, with what is retained each time.

Messages are handled where they are read, one by one: there is no queue here that could grow. A
broker that is killed, restarted, frozen or out of reach costs a line in the log and a note on the
page; a message that makes no sense costs a count and, for its kind, one line.
"""

from __future__ import annotations

import asyncio
import random
import re
import secrets
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import aiomqtt

from acqd.clock import Clock
from acqd.dash.reading import PAYLOAD_MOST_BYTES, NotUnderstood, place_of
from acqd.dash.state import State
from acqd.errors import BrokerError
from acqd.publish.link import connection, new_link, reachable, surely
from acqd.publish.settings import BrokerSettings, EventLog, MqttVersion
from acqd.publish.threads import OwnThreads
from acqd.publish.topics import TRIAL

__all__ = ["Intake", "backoff_s", "filters_of"]

ERROR_NUMBER = re.compile(r"^\[Errno -?\d+\] ")
"""Of the operating system, before its words: nothing for a watchkeeper."""

SETTLED_S = 10.0
"""A connection that lasted this long was a good one: the backoff begins anew."""

REFUSED_KINDS_MOST = 200
"""Kinds of refused messages that are told of in the log; all are counted."""

OLD_PROTOCOL = frozenset({1, 132})
"""CONNACK: the broker does not speak MQTT 5 (its code by 3.1.1, and by 5)."""


def backoff_s(attempt: int) -> float:
    """Wait before connecting again: about 0.5, 1, 2 … 15 s; ``attempt`` counts from 0."""
    return float(min(15.0, 0.5 * 2.0 ** min(attempt, 10)) * random.uniform(0.75, 1.25))


def filters_of(root: str, stations: Sequence[str]) -> list[tuple[str, int]]:
    """What is subscribed to, with QoS: all of the stations, and their findings at least once."""
    names = stations or ("+",)
    return [
        (f"{root}/{name}/{rest}", qos)
        for name in names
        for rest, qos in (("#", 0), ("finding", 1), ("job/+/finding", 1))
    ]


class Intake:
    """Brings what is published into ``state``.

    Args:
        stations: names to listen to; empty for all that there are.
        news: called after each message that was taken, and when the broker comes or goes.
        backoff: seconds to wait before the next attempt, by failures in a row.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        state: State,
        *,
        clock: Clock,
        log: EventLog,
        stations: Sequence[str] = (),
        news: Callable[[], None] = lambda: None,
        backoff: Callable[[int], float] = backoff_s,
    ) -> None:
        self._settings = settings
        self._state = state
        self._clock = clock
        self._log = log
        self._filters = filters_of(settings.topic_root, stations)
        self._news = news
        self._backoff = backoff
        self._threads = OwnThreads("mqtt")
        self._told: set[str] = set()
        self.taken = 0
        self.refused = 0
        """Messages that made no sense, or were beyond a bound."""

    async def run(self) -> None:
        """Listen until cancelled. Never ends for the broker."""
        failures = 0
        while True:
            started_s = self._clock.monotonic_s()
            try:
                await surely(self._session())
                reason = "closed by the broker"
            except (aiomqtt.MqttError, OSError, BrokerError, UnicodeError) as exc:
                reason = ERROR_NUMBER.sub("", str(exc)) or type(exc).__name__
                self._maybe_older(exc)
            self._set_broker(up=False, problem=reason)
            if self._clock.monotonic_s() - started_s > SETTLED_S:
                failures = 0
            wait_s = self._backoff(failures)
            if failures == 0:
                self._log.warning("broker_away", broker=str(self._settings.address), reason=reason)
            failures += 1
            await asyncio.sleep(wait_s)

    async def _session(self) -> None:
        settings = self._settings
        tls = settings.tls_context()
        await reachable(settings, tls, self._threads)
        link = new_link(
            settings,
            client_id=f"acqd-dash-{secrets.token_hex(6)}",
            tls=tls,
            threads=self._threads,
            packet_most_bytes=PAYLOAD_MOST_BYTES + 1024,
        )
        # Messages are handled at once instead of going through aiomqtt's queue.
        link._client.on_message = self._on_message
        async with connection(link):
            codes = await link.subscribe(self._filters, timeout=settings.timeout_s)
            if any(getattr(code, "is_failure", False) for code in codes):
                raise BrokerError(f"it lets us in, and does not let us hear {self._filters[0][0]}")
            self._set_broker(up=True)
            self._log.info("broker_there", broker=str(settings.address))
            async for _ in link.messages:
                pass  # none come this way; it ends when the connection does

    def _on_message(self, client: Any, userdata: Any, message: Any) -> None:
        try:
            self.heard(message.topic, bytes(message.payload), retained=bool(message.retain))
        except Exception as exc:
            # A fault of ours in one message must not cost the connection, and with it all others.
            self._refuse("", f"a fault in reading it: {exc!r}")

    def heard(self, topic: str, payload: bytes, *, retained: bool) -> None:
        """Take one message, whatever it is."""
        if topic.endswith(f"/{TRIAL}"):
            return
        place = place_of(topic, self._settings.topic_root)
        if place is None:
            self._refuse(topic, "a topic of no station")
            return
        try:
            self._state.take(place, payload, retained=retained, now_s=self._clock.wall_s())
        except NotUnderstood as exc:
            self._refuse(topic, str(exc))
            return
        self.taken += 1
        self._news()

    def _refuse(self, topic: str, reason: str) -> None:
        self.refused += 1
        kind = reason[:24]
        if kind in self._told or len(self._told) >= REFUSED_KINDS_MOST:
            return
        self._told.add(kind)
        self._log.warning(
            "message_refused", topic=topic[:200], reason=reason[:200], refused=self.refused
        )

    def _set_broker(self, *, up: bool, problem: str = "") -> None:
        address = str(self._settings.address)
        now_s = self._clock.wall_s()
        self._state.set_broker(address=address, up=up, now_s=now_s, problem=problem)
        self._news()

    def _maybe_older(self, exc: Exception) -> None:
        code = getattr(exc, "rc", None)
        code = getattr(code, "value", code)
        if code in OLD_PROTOCOL and self._settings.version is MqttVersion.V5:
            self._settings = replace(self._settings, version=MqttVersion.V311)
