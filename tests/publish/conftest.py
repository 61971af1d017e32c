"""A real mosquitto for each test that asks for one, and the other half of a conversation."""

from __future__ import annotations

import asyncio
import secrets
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiomqtt
import pytest

from acqd.publish.child import free_port
from acqd.publish.client import PendingFinding, Publisher
from acqd.publish.link import connection, new_link
from acqd.publish.messages import Finding, StationStatus, rfc3339
from acqd.publish.settings import BrokerSettings, Endpoint, MqttVersion
from acqd.publish.topics import Topics
from peers import Mosquitto, mosquittos, skip_without_mosquitto

AT_S = 1_780_000_000.0
TOPICS = Topics("gannet-ledge")


class Log:
    """Remembers what was logged."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, str, dict[str, Any]]] = []

    def _add(self, level: str, event: str, fields: dict[str, Any]) -> None:
        self.lines.append((level, event, fields))

    def debug(self, event: str, /, **fields: Any) -> None:
        self._add("debug", event, fields)

    def info(self, event: str, /, **fields: Any) -> None:
        self._add("info", event, fields)

    def warning(self, event: str, /, **fields: Any) -> None:
        self._add("warning", event, fields)

    def error(self, event: str, /, **fields: Any) -> None:
        self._add("error", event, fields)

    def events(self, level: str | None = None) -> list[str]:
        return [event for at, event, _ in self.lines if level in (None, at)]


class MemoryOutbox:
    """The outbox's rules on a list: what the archive's writer does, without a disk."""

    def __init__(self, job: str = "marine-vhf") -> None:
        self.job = job
        self.rows: list[PendingFinding] = []
        self.marked: list[int] = []
        self.next_number = 1

    def add(self, count: int = 1, *, text: str = "a signal", payload: bytes | None = None) -> None:
        for _ in range(count):
            number = self.next_number
            self.next_number += 1
            body = payload or finding_payload(number, text=text, job=self.job)
            topic = TOPICS.finding(self.job)
            row = PendingFinding(job=self.job, number=number, topic=topic, payload=body)
            self.rows.append(row)

    async def pending(self, limit: int) -> Sequence[PendingFinding]:
        return self.rows[:limit]

    async def acknowledged(self, job: str, number: int) -> None:
        self.rows = [row for row in self.rows if row.job != job or row.number > number]
        self.marked.append(number)

    async def excess(self, job: str, keep: int) -> tuple[int, int] | None:
        mine = [row for row in self.rows if row.job == job]
        gone = mine[: max(0, len(mine) - keep)]
        return (gone[0].number, gone[-1].number) if gone else None


def finding_payload(number: int, *, text: str = "a signal", job: str = "marine-vhf") -> bytes:
    return Finding(
        station="gannet-ledge",
        run_id="run-1",
        job=job,
        number=number,
        what="signal_appeared",
        at=rfc3339(AT_S),
        at_s=AT_S,
        text=text,
        seq=number,
    ).to_json()


def status_payload(state: str = "online", *, reason: str = "") -> bytes:
    return StationStatus.model_validate(
        {
            "station": "gannet-ledge",
            "run_id": "run-1",
            "state": state,
            "reason": reason,
            "at": rfc3339(AT_S),
            "at_s": AT_S,
            "since": rfc3339(AT_S),
            "since_s": AT_S,
            "version": "0.1.0",
        }
    ).to_json()


@dataclass
class Heard:
    """What a subscriber has received, in order."""

    messages: list[aiomqtt.Message] = field(default_factory=list)
    changed: asyncio.Event = field(default_factory=asyncio.Event)

    def on(self, topic: str) -> list[bytes]:
        return [bytes(m.payload) for m in self.messages if str(m.topic) == topic]

    async def until(self, condition: Callable[[], bool], timeout_s: float = 5.0) -> None:
        """Wait for ``condition``; looked at after each message and every 10 ms."""
        ends_s = time.monotonic() + timeout_s
        while not condition():
            assert time.monotonic() < ends_s, f"not heard in time; heard {len(self.messages)}"
            self.changed.clear()
            try:
                async with asyncio.timeout(0.01):
                    await self.changed.wait()
            except TimeoutError:
                pass


async def listen(endpoint: Endpoint, heard: Heard, ready: asyncio.Event | None = None) -> None:
    """Subscribe to everything of the station, for ever; survives the broker."""
    while True:
        try:
            # The embedded broker now and then leaves a SUBSCRIBE unanswered: then once more.
            settings = BrokerSettings(address=endpoint, version=MqttVersion.V311, timeout_s=1.0)
            # A new id each time: the embedded broker does not survive old ones.
            link = new_link(settings, client_id=f"t{secrets.token_hex(8)}", tls=None)
            async with connection(link) as client:
                await client.subscribe(TOPICS.everything, 1)
                if ready is not None:
                    ready.set()
                async for message in client.messages:
                    heard.messages.append(message)
                    heard.changed.set()
        except aiomqtt.MqttError:
            await asyncio.sleep(0.02)


@pytest.fixture(scope="session")
def have_mosquitto() -> None:
    skip_without_mosquitto()


@pytest.fixture
def folder() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="acqd-test-") as name:
        yield Path(name)


@pytest.fixture
async def mosquitto(have_mosquitto: None, folder: Path) -> AsyncIterator[Mosquitto]:
    broker = Mosquitto(folder)
    try:
        await broker.up()
        yield broker
    finally:
        broker.kill()


@pytest.fixture
def make_mosquitto(have_mosquitto: None, folder: Path) -> Iterator[Callable[..., Mosquitto]]:
    """Make a mosquitto with lines of configuration of the test's own; not started."""
    with mosquittos(folder) as make:
        yield make


@pytest.fixture
def log() -> Log:
    return Log()


@pytest.fixture
def outbox() -> MemoryOutbox:
    return MemoryOutbox()


@pytest.fixture
def make_publisher(log: Log, outbox: MemoryOutbox) -> Callable[..., Publisher]:
    """A publisher that tries again after 20 ms."""

    def make(endpoint: Endpoint, **changes: Any) -> Publisher:
        return Publisher(
            station="gannet-ledge",
            run_id="run-1",
            settings=BrokerSettings(address=endpoint, **changes),
            outbox=outbox,
            log=log,
            will=status_payload("offline", reason="connection lost"),
            backoff=lambda attempt: 0.02,
        )

    return make


@pytest.fixture
async def tasks() -> AsyncIterator[Callable[[Any], asyncio.Task[Any]]]:
    """Start tasks that are cancelled, and whose failures are seen, at the end of the test."""
    started: list[asyncio.Task[Any]] = []

    def start(coroutine: Any) -> asyncio.Task[Any]:
        started.append(asyncio.ensure_future(coroutine))
        return started[-1]

    yield start
    for task in started:
        task.cancel()
    for result in await asyncio.gather(*started, return_exceptions=True):
        if isinstance(result, Exception):
            raise result


@pytest.fixture
async def hear(
    tasks: Callable[[Any], asyncio.Task[Any]],
) -> Callable[[Endpoint], Any]:
    """Start a subscriber to everything; returns once it is subscribed."""

    async def start(endpoint: Endpoint) -> Heard:
        heard, ready = Heard(), asyncio.Event()
        tasks(listen(endpoint, heard, ready))
        async with asyncio.timeout(5):
            await ready.wait()
        return heard

    return start


@pytest.fixture
def make_status() -> Callable[..., bytes]:
    return status_payload


@dataclass
class Wire:
    """A TCP relay to a broker that a test may cut, or hold up without a word."""

    broker: Endpoint
    endpoint: Endpoint
    open: set[asyncio.StreamWriter] = field(default_factory=set)
    flows: asyncio.Event = field(default_factory=asyncio.Event)

    def cut(self) -> None:
        """Break every connection with a reset."""
        for writer in self.open:
            writer.transport.abort()

    async def relay(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            there, back = await asyncio.open_connection(self.broker.host, self.broker.port)
        except OSError:
            writer.transport.abort()
            return
        self.open |= {writer, back}
        await asyncio.gather(self._pass(reader, back), self._pass(there, writer))
        self.open -= {writer, back}

    async def _pass(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        try:
            while data := await reader.read(65536):
                await self.flows.wait()
                writer.write(data)
                await writer.drain()
        except OSError:
            pass
        writer.close()


@pytest.fixture
async def wire(mosquitto: Mosquitto) -> AsyncIterator[Wire]:
    """A relay in front of the mosquitto of this test."""
    endpoint = Endpoint(host="127.0.0.1", port=free_port("127.0.0.1"))
    made = Wire(broker=mosquitto.endpoint, endpoint=endpoint)
    made.flows.set()
    server = await asyncio.start_server(made.relay, endpoint.host, endpoint.port)
    try:
        yield made
    finally:
        server.close()
        made.flows.set()
        made.cut()
        await asyncio.sleep(0.01)
