"""The MQTT client of a station: three ways to say something, one connection at a time.

* **Findings** come from the outbox, at QoS 1 and in order; one is marked when the broker has
  acknowledged it and not before. So a subscriber gets each at least once, and may get one twice.
  Where the mark cannot be kept, only that is tried again.
* **Retained state** is kept here whole and published anew on every connection, because a broker may
  have been restarted without its memory. Of two states of one topic only the newer is sent.
* **Live** messages are newest only: while the broker is away or slow, a newer one takes the place
  of the older one of its topic. One that is under way when the link breaks is lost. They may be
  given as a function that makes them, which is called when they are sent: what is replaced before
  costs nothing, and nothing is made while somebody waits for the archive.

Nothing here waits for the broker but the tasks of :meth:`Publisher.run`: a broker that is away,
full or deaf costs no sweep. All methods belong to the thread of the loop.
"""

from __future__ import annotations

import asyncio
import random
import secrets
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import aiomqtt

from acqd.clock import Clock, SystemClock
from acqd.errors import ArchiveError, BrokerError
from acqd.publish.link import (
    Link,
    PublishRefused,
    connection,
    new_link,
    reachable,
    round_trip,
    surely,
)
from acqd.publish.messages import CatchUp, rfc3339
from acqd.publish.outbox import Outbox, PendingFinding
from acqd.publish.refusals import why_away
from acqd.publish.settings import BrokerSettings, EventLog
from acqd.publish.threads import OwnThreads
from acqd.publish.topics import Topics

__all__ = [
    "Outbox",
    "Payload",
    "PendingFinding",
    "Publisher",
    "PublisherStatistics",
    "backoff_s",
    "round_trip",
]

BATCH = 64
"""Findings read from the outbox at a time."""

ATTEMPTS = 3
"""Connections that one message may cost, or refusals it may get, before it is given up."""

REFUSED_PAUSE_S = 10.0
"""Between two tries of a finding that the broker refused: a quota may be free again by then."""

ARCHIVE_PAUSE_S = 5.0
"""Before the outbox is asked again after it failed."""

SETTLED_S = 10.0
"""A connection that lasted this long was a good one: the backoff begins anew."""

FAREWELL_S = 0.8
"""For the last words on a connection where :meth:`Publisher.run` is cancelled."""

CLOSE_S = 1.0
"""For :meth:`Publisher.close`, if nobody says otherwise."""

DRAIN_SHARE = 0.5
"""Of the time for a goodbye, the most that findings still to be sent may take."""

NEWEST_SHARE = 0.6
"""Of the last words' time, the most that live messages and states may take before the status."""

LEAVE_S = 0.1
"""What leaving the connection after the last word may take."""

CORRECTION_PAUSE_S = 1.0
"""Between two corrections of our status: two stations of one name must not flood a broker."""

COMPLAINTS_MAX = 1000
"""Different complaints that are remembered, so that each is made once."""

POISON = frozenset({0x90, 0x95, 0x99})
"""MQTT 5: topic name invalid, packet too large, payload format invalid. No use to try again."""

NOT_ALLOWED = 0x87
"""MQTT 5: not authorised. That is no fault of a message, so none is given up for it."""

Payload = bytes | Callable[[], bytes]
"""A message, or what makes it when it is sent. That must hold all that it needs, unchanging."""


def backoff_s(attempt: int) -> float:
    """Wait before connecting again: about 1, 2, 4 … 60 s, so that stations do not come all at once.

    ``attempt`` counts failures in a row from 0.
    """
    return float(min(60.0, 2.0 ** min(attempt, 10)) * random.uniform(0.75, 1.25))


@dataclass(frozen=True, slots=True, kw_only=True)
class PublisherStatistics:
    """How the publishing is doing; counts are since the start."""

    connected: bool
    since_s: float
    """Wall time since when it is connected or not."""
    sent: int
    dropped: int
    """Live messages that a newer one took the place of, and messages beyond a stated bound."""
    outbox: int
    """Findings seen waiting, at most one batch of them."""
    reconnects: int
    retained: int
    """Topics of the retained set."""
    problem: str = ""
    """Why the broker, though connected, takes no findings; empty where it takes them."""


class Publisher:
    """Says what the station has to say, for as long as :meth:`run` runs.

    Args:
        station: name of the station, a topic level.
        run_id: names this run in messages that are made here.
        settings: the broker and the bounds.
        outbox: where findings wait.
        log: one line per change of state.
        will: the status that the broker publishes when the connection ends without a goodbye, and
            that is published here when :meth:`run` is cancelled without :meth:`close`.
        clock: for the time of messages that are made here.
        backoff: seconds to wait before the next attempt, by failures in a row.
    """

    def __init__(
        self,
        *,
        station: str,
        run_id: str,
        settings: BrokerSettings,
        outbox: Outbox,
        log: EventLog,
        will: bytes,
        clock: Clock | None = None,
        backoff: Callable[[int], float] = backoff_s,
    ) -> None:
        self._topics = Topics(station, settings.topic_root)
        self._run_id = run_id
        self._settings = settings
        self._outbox = outbox
        self._log = log
        self._will = will
        self._clock = clock or SystemClock()
        self._backoff = backoff
        self._retained: dict[str, bytes] = {}
        self._changed: dict[str, None] = {}
        self._live: dict[str, Payload] = {}
        self._state_event = asyncio.Event()
        self._live_event = asyncio.Event()
        self._findings_event = asyncio.Event()
        self._foreign_event = asyncio.Event()
        self._hurry = asyncio.Event()
        self._stop = asyncio.Event()
        self._ended = asyncio.Event()
        self._ended.set()
        self._last_status: bytes | None = None
        self._farewell_s = FAREWELL_S
        self._said_goodbye = False
        # Set while nothing is known to wait in the outbox, or nothing of it can be sent now.
        self._drained = asyncio.Event()
        # Highest number of each job that is done with, whether or not that could be noted.
        self._done: dict[str, int] = {}
        self._outbox_failed = False
        self._threads = OwnThreads("mqtt")
        self._said: deque[bytes] = deque(maxlen=8)
        self._complaints: set[object] = set()
        # What was waiting for the broker's word when a connection broke, and how often in a row.
        self._under_way: object | None = None
        self._suspects: dict[object, int] = {}
        self._proven = False
        self._connected = False
        self._told: bool | None = None
        self._one_word = asyncio.Lock()
        self._since_s = self._clock.wall_s()
        self._sent = self._dropped = self._waiting = self._connections = 0
        self._problem = ""

    # ---- what the station calls -------------------------------------------------------------

    def live(self, topic: str, payload: Payload) -> None:
        """Send ``payload`` when the broker takes it, unless a newer one of ``topic`` is there.

        A function that raises, or makes too large a message, costs that message: it is counted as
        dropped, and said once a topic.
        """
        if not self._fits(topic, b"" if callable(payload) else payload, self._live):
            return
        if topic in self._live:
            self._dropped += 1
        self._live[topic] = payload
        self._live_event.set()

    def retain(self, topic: str, payload: bytes) -> None:
        """Make ``payload`` the state of ``topic``: published now and on every connection."""
        if not payload:
            raise ValueError(f"{topic}: an empty payload clears a retained topic; use forget()")
        if not self._fits(topic, payload, self._retained):
            return
        self._retained[topic] = payload
        self._changed[topic] = None
        self._state_event.set()
        advice = self._settings.retained_advice
        if advice is not None and len(self._retained) > advice:
            self._complain("retained_many", key="retained_many", topics=advice)

    def forget(self, topic: str) -> None:
        """Clear the retained ``topic`` at the broker and leave it out from now on."""
        if not self._fits(topic, b"", self._retained):
            return
        self._retained[topic] = b""
        self._changed[topic] = None
        self._state_event.set()

    def findings_waiting(self) -> None:
        """Say that the outbox has something. Nothing is lost where nobody says so: the outbox is
        also looked at on each connection."""
        self._findings_event.set()

    def hurry(self) -> None:
        """Do not wait for the backoff to end: the broker is known to be back."""
        self._hurry.set()

    async def close(self, last_status: bytes, *, within_s: float = CLOSE_S) -> bool:
        """Send what waits, say goodbye with ``last_status`` and end :meth:`run`, in bounded time.

        Findings that are not sent by then stay in the outbox for the next run.

        Returns:
            Whether the broker has the last status.
        """
        ends_s = asyncio.get_running_loop().time() + within_s
        if self._connected:
            await self._drained_within(DRAIN_SHARE * within_s)
        left_s = ends_s - asyncio.get_running_loop().time()
        self._farewell_s = max(0.0, left_s - LEAVE_S)
        self._last_status = last_status
        self._stop.set()
        try:
            async with asyncio.timeout(left_s):
                await self._ended.wait()
        except TimeoutError:
            self._log.warning("broker_goodbye_late", broker=str(self._settings.address))
        return self._said_goodbye

    async def _drained_within(self, limit_s: float) -> None:
        """Wait until the outbox was seen empty, from now on, or nothing of it can be sent."""
        self._drained.clear()
        self._findings_event.set()
        try:
            async with asyncio.timeout(limit_s):
                await self._drained.wait()
        except TimeoutError:
            self._log.warning("findings_left", waiting=self._waiting, kept_in="outbox")

    def next_live(self) -> tuple[str, bytes] | None:
        """Take the live message that waits longest, made; None where none does. What is sent."""
        while self._live:
            topic = next(iter(self._live))
            made = self._made(topic, self._live.pop(topic))
            if made is not None:
                return topic, made
        return None

    def statistics(self) -> PublisherStatistics:
        """The state of things now."""
        return PublisherStatistics(
            connected=self._connected,
            since_s=self._since_s,
            sent=self._sent,
            dropped=self._dropped,
            outbox=self._waiting,
            reconnects=max(0, self._connections - 1),
            retained=len(self._retained),
            problem=self._problem,
        )

    @property
    def unsent(self) -> int:
        """Messages that wait for the link, or for the broker's word; of findings the one that does.

        May be asked from any thread.
        """
        return len(self._changed) + len(self._live) + (self._under_way is not None)

    async def run(self) -> None:
        """Keep a connection and send, until cancelled or closed. Never ends for the broker."""
        self._ended.clear()
        try:
            async with asyncio.TaskGroup() as group:
                serving = group.create_task(self._serve())
                await self._stop.wait()
                serving.cancel()
        finally:
            self._ended.set()

    # ---- one connection after another -------------------------------------------------------

    async def _serve(self) -> None:
        failures = 0
        while True:
            started_s = self._clock.monotonic_s()
            self._proven, self._under_way = False, None
            reason = "closed by the broker"
            try:
                await surely(self._session())
            except* (aiomqtt.MqttError, OSError, BrokerError) as group:
                reason = why_away(group, self._settings)
            settled = self._proven and self._clock.monotonic_s() - started_s >= SETTLED_S
            failures = 0 if settled else failures
            self._note_loss(reason)
            delay_s = self._backoff(failures)
            failures += 1
            try:
                async with asyncio.timeout(delay_s):
                    await self._hurry.wait()
            except TimeoutError:
                pass
            self._hurry.clear()

    async def _session(self) -> None:
        settings = self._settings
        tls = await self._threads.run(settings.tls_context)
        await reachable(settings, tls, self._threads)
        will = aiomqtt.Will(self._topics.status, self._will, 1, True)
        link = new_link(
            settings, client_id=self._client_id(), will=will, tls=tls, threads=self._threads
        )
        async with connection(link):
            self._note_connection()
            try:
                async with asyncio.TaskGroup() as pumps:
                    pumps.create_task(self._watch(link))
                    pumps.create_task(self._correct_status())
                    pumps.create_task(self._pump_state(link))
                    pumps.create_task(self._pump_live(link))
                    pumps.create_task(self._pump_findings(link))
            except asyncio.CancelledError:
                await self._farewell(link)
                raise

    def _client_id(self) -> str:
        name = self._settings.client_id or f"acqd-{self._topics.station}"
        return f"{name}-{secrets.token_hex(4)}" if self._settings.fresh_client_id else name

    def _note_connection(self) -> None:
        self._connections += 1
        self._tell(connected=True, reason="")

    def _note_loss(self, reason: str) -> None:
        if self._connected and self._proven and self._under_way is not None:
            # Only a link that had worked and then broke with this message under way counts.
            self._suspects[self._under_way] = self._suspects.get(self._under_way, 0) + 1
        self._tell(connected=False, reason=reason)
        self._drained.set()

    def _tell(self, *, connected: bool, reason: str) -> None:
        """Log a change; failed attempts in a row are one change."""
        self._connected = connected
        if connected == self._told:
            return
        self._told, self._since_s = connected, self._clock.wall_s()
        broker, version = str(self._settings.address), str(self._settings.version)
        if connected:
            self._log.info("broker_connected", broker=broker, mqtt=version)
        else:
            self._log.warning("broker_away", broker=broker, mqtt=version, reason=reason)

    async def _farewell(self, link: Link) -> None:
        """Send what is newest, then the last status, in bounded time."""
        limit_s = link.timeout = self._farewell_s
        try:
            async with asyncio.timeout(limit_s):
                await self._newest(link, NEWEST_SHARE * limit_s)
                last = self._will if self._last_status is None else self._last_status
                await link.put(self._topics.status, last, qos=1, retain=True)
                self._said_goodbye = True
        except (TimeoutError, aiomqtt.MqttError) as exc:
            self._log.warning("broker_goodbye_failed", reason=str(exc) or "no answer in time")
        finally:
            link.timeout = LEAVE_S

    async def _newest(self, link: Link, limit_s: float) -> None:
        """Live messages and states that wait; what is not sent in time leaves the rest its own."""
        try:
            async with asyncio.timeout(limit_s):
                while (live := self.next_live()) is not None:
                    await link.put(*live, qos=0, retain=False)
                for topic in self._changed:
                    payload = self._retained.get(topic)
                    if topic == self._topics.status or payload is None:
                        continue
                    try:
                        await link.put(topic, payload, qos=1, retain=True)
                    except PublishRefused:
                        continue
        except TimeoutError:
            self._log.warning("states_left", reason="no time was left for them")

    # ---- what runs on each connection -------------------------------------------------------

    async def _watch(self, link: Link) -> None:
        """Notice a broken link at once, and a status that is not ours."""
        async for message in link.messages:
            if str(message.topic) == self._topics.status and message.payload not in self._said:
                self._foreign_event.set()

    async def _correct_status(self) -> None:
        """Say our status anew where another one was published.

        A connection that broke without a word has its will published when the broker notices,
        which may be after the new one said that we are there.
        """
        while True:
            await self._foreign_event.wait()
            self._foreign_event.clear()
            if self._topics.status in self._retained:
                self._log.info("status_corrected", topic=self._topics.status)
                self._changed[self._topics.status] = None
                self._state_event.set()
                await asyncio.sleep(CORRECTION_PAUSE_S)

    async def _pump_state(self, link: Link) -> None:
        """Publish the retained set, the status first, then each change."""
        status = self._topics.status
        self._changed = dict.fromkeys([status, *self._retained]) if self._retained else {}
        await self._send_changes(link)
        await link.subscribe(status, 0)
        while True:
            await self._state_event.wait()
            self._state_event.clear()
            await self._send_changes(link)

    async def _send_changes(self, link: Link) -> None:
        while self._changed:
            topic = next(iter(self._changed))
            del self._changed[topic]
            payload = self._retained.get(topic)
            if payload is None or self._given_up(topic):
                continue
            if topic == self._topics.status:
                self._said.append(payload)
            try:
                await self._put(link, topic, payload, retain=True, key=topic)
            except PublishRefused as exc:
                self._complain("state_refused", key=(topic, exc.code), topic=topic, reason=exc.name)
            if payload == b"" and self._retained.get(topic) == b"":
                del self._retained[topic]

    async def _pump_live(self, link: Link) -> None:
        while True:
            await self._live_event.wait()
            self._live_event.clear()
            while (live := self.next_live()) is not None:
                topic, payload = live
                try:
                    await link.put(topic, payload, qos=0, retain=False)
                except aiomqtt.MqttCodeError:
                    # The link was gone before a byte was sent: it is still the newest.
                    self._live.setdefault(topic, payload)
                    raise
                self._sent += 1

    async def _pump_findings(self, link: Link) -> None:
        while True:
            self._findings_event.clear()
            try:
                await self._drain(link)
            except ArchiveError as exc:
                if not self._outbox_failed:
                    # Once: a full disk may stay full all night.
                    self._outbox_failed = True
                    self._log.warning("outbox_failed", reason=str(exc))
                self._drained.set()
                await asyncio.sleep(ARCHIVE_PAUSE_S)
                continue
            except PublishRefused as exc:
                self._note_not_allowed(exc)
                self._drained.set()
                await asyncio.sleep(REFUSED_PAUSE_S)
                continue
            self._outbox_failed = False
            if not self._findings_event.is_set():
                self._drained.set()
            await self._findings_event.wait()

    def _note_not_allowed(self, exc: PublishRefused) -> None:
        """Findings stay where they are until the account is put right; said once each time."""
        if not self._problem:
            self._log.error(
                "findings_not_allowed",
                broker=str(self._settings.address),
                reason=exc.name,
                text="this account may not write findings there, so they wait in the archive: "
                f"let it write {self._topics.everything} in the broker's list of rights",
            )
        self._problem = f"the broker does not let this account write findings ({exc.name})"

    async def _drain(self, link: Link) -> None:
        """Send what waits, until nothing does.

        Raises:
            ArchiveError: the outbox cannot be read, or not told of what is done with. What was
                seen of it is sent all the same.
            PublishRefused: this account may not write there; nothing was given up.
        """
        while rows := await self._outbox.pending(BATCH):
            self._waiting = len(rows)
            # Who may not write could not say what was given up either.
            if not self._problem and await self._skip_excess(link, rows):
                continue
            failure: ArchiveError | None = None
            for row in rows:
                if row.number > self._done.get(row.job, 0):
                    await self._send_finding(link, row)
                    self._done[row.job] = row.number
                try:
                    await self._outbox.acknowledged(row.job, row.number)
                    self._waiting -= 1
                except ArchiveError as exc:
                    failure = exc
            if failure is not None:
                raise failure
        self._waiting, self._problem = 0, ""

    async def _skip_excess(self, link: Link, rows: Sequence[PendingFinding]) -> bool:
        """Give up what is beyond the outbox's bound, once per job and outage; True where it was.

        It is said before it is given up: a kill in between has it said twice, never not at all.
        """
        skipped = False
        for job, topic in {row.job: row.topic for row in rows}.items():
            numbers = await self._outbox.excess(job, self._settings.outbox)
            if numbers is None:
                continue
            skipped = True
            self._log.warning(
                "findings_skipped", job=job, first=numbers[0], last=numbers[1], kept_in="archive"
            )
            await self._catch_up(link, topic, numbers, reason="outage outlasted the outbox")
            await self._outbox.acknowledged(job, numbers[1])
        return skipped

    async def _send_finding(self, link: Link, row: PendingFinding) -> None:
        """Send one finding; returns when the broker has it, or when it is given up."""
        key = (row.job, row.number)
        reason = ""
        if len(row.payload) > self._settings.payload_max_bytes:
            reason = f"{len(row.payload)} bytes, limit {self._settings.payload_max_bytes}"
        elif self._given_up(key):
            reason = f"the connection broke {ATTEMPTS} times while it was sent"
        for attempt in range(ATTEMPTS if not reason else 0):
            try:
                await self._put(link, row.topic, row.payload, retain=False, key=key)
            except PublishRefused as exc:
                if exc.code == NOT_ALLOWED:
                    raise
                reason = exc.name
                self._complain("finding_refused", key=key, topic=row.topic, reason=reason)
                if exc.code in POISON or attempt + 1 == ATTEMPTS:
                    break
                await asyncio.sleep(REFUSED_PAUSE_S)
            else:
                self._problem = ""
                return
        self._suspects.pop(key, None)
        self._log.error("finding_not_sent", job=row.job, number=row.number, reason=reason)
        numbers = (row.number, row.number)
        await self._catch_up(link, row.topic, numbers, reason="refused by the broker")

    async def _catch_up(
        self, link: Link, topic: str, numbers: tuple[int, int], *, reason: str
    ) -> None:
        at_s = self._clock.wall_s()
        spec = self._topics.spec_of(topic)
        of_job = spec is not None and spec.name == "finding"
        message = CatchUp.model_validate(
            {
                "station": self._topics.station,
                "run_id": self._run_id,
                "job": topic.split("/")[-2] if of_job else None,
                "first": numbers[0],
                "last": numbers[1],
                "count": numbers[1] - numbers[0] + 1,
                "reason": reason,
                "at": rfc3339(at_s),
                "at_s": at_s,
            }
        )
        try:
            await self._put(link, topic, message.to_json(), retain=False, key=("catch-up", topic))
        except PublishRefused as exc:
            self._complain("catch_up_refused", key=topic, topic=topic, reason=exc.name)

    async def _put(
        self, link: Link, topic: str, payload: bytes, *, retain: bool, key: object
    ) -> None:
        """Publish as the table of topics says, and remember what is under way."""
        spec = self._topics.spec_of(topic)
        qos = 1 if spec is None else spec.qos
        if qos == 0:
            await link.put(topic, payload, qos=0, retain=retain)
        else:
            async with self._one_word:
                self._under_way = key
                try:
                    await link.put(topic, payload, qos=1, retain=retain)
                except PublishRefused:
                    self._under_way = None
                    raise
                self._under_way = None
            self._proven = True
            self._suspects.pop(key, None)
        self._sent += 1

    def _made(self, topic: str, payload: Payload) -> bytes | None:
        """The message; None, counted and said once, where it cannot be made or is too large."""
        if not callable(payload):
            return payload
        try:
            made = payload()
        except Exception as exc:
            # A fault of ours; it must not break a link that works.
            self._complain("message_not_made", key=topic, topic=topic, exc_info=exc)
            self._dropped += 1
            return None
        return made if self._fits(topic, made, {topic: made}) else None

    # ---- bounds -----------------------------------------------------------------------------

    def _given_up(self, key: object) -> bool:
        if self._suspects.get(key, 0) < ATTEMPTS:
            return False
        self._complain("message_breaks_connection", key=key, message=str(key))
        return True

    def _fits(self, topic: str, payload: bytes, kept: Mapping[str, Payload]) -> bool:
        """False, and counted and said once, for what is beyond a bound."""
        if len(payload) > self._settings.payload_max_bytes:
            self._complain("message_too_large", key=topic, topic=topic, size_bytes=len(payload))
        elif topic not in kept and len(kept) >= self._settings.topics_max:
            self._complain("topics_too_many", key="topics", limit=self._settings.topics_max)
        else:
            return True
        self._dropped += 1
        return False

    def _complain(self, event: str, *, key: object, **fields: object) -> None:
        """Log a warning, once per event and key; the memory of it is bounded."""
        about = (event, key)
        if about in self._complaints or len(self._complaints) >= COMPLAINTS_MAX:
            return
        self._complaints.add(about)
        self._log.warning(event, **fields)
