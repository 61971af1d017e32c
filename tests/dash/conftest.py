"""A real mosquitto, the live page on a free port, a viewer, and messages as stations say them."""

from __future__ import annotations

import asyncio
import json
import re
import secrets
import time
from collections.abc import AsyncIterator, Awaitable, Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import aiohttp
import aiomqtt
import numpy as np
import pytest

from acqd.clock import SystemClock
from acqd.dash.reading import place_of
from acqd.dash.service import Dashboard, DashSettings
from acqd.dash.state import State
from acqd.publish.messages import (
    ChannelState,
    Finding,
    JobState,
    Occupancy,
    ReportMade,
    StationStatus,
    Trace,
    rfc3339,
)
from acqd.publish.settings import BrokerSettings
from peers import Mosquitto, mosquittos, skip_without_mosquitto

DOCS = Path(__file__).parents[2] / "docs" / "messages.md"
AT_S = 1_795_617_000.0
STATION = "gannet-ledge"
JOB = "marine-vhf"


def documented() -> list[tuple[str, dict[str, Any] | float]]:
    """Topics and payloads of docs/messages.md, as the page shows them."""
    found = re.findall(r"`(acqd/[a-z0-9/_-]+)`\n\n```json\n(.*?)```", DOCS.read_text("utf-8"), re.S)
    return [(topic, json.loads(text)) for topic, text in found]


class Say:
    """Messages of one station, made by the models that a station makes them by."""

    def __init__(self, station: str = STATION) -> None:
        self.common = {"station": station, "run_id": "run-1"}
        self.base = f"acqd/{station}"

    def status(
        self, at_s: float, *, jobs: tuple[str, ...] = (JOB,), **more: Any
    ) -> tuple[str, bytes]:
        body = {
            **self.common,
            "state": "online",
            "at": rfc3339(at_s),
            "at_s": at_s,
            "since": rfc3339(at_s),
            "since_s": at_s,
            "version": "0.1.0",
            "sweepers": ("mast",),
            "jobs": jobs,
            **more,
        }
        return f"{self.base}/status", StationStatus.model_validate(body).to_json()

    def state(self, at_s: float, *, job: str = JOB, **more: Any) -> tuple[str, bytes]:
        body = {
            **self.common,
            "job": job,
            "kind": "band",
            "sweeper": "mast",
            "state": "listening",
            "since": rfc3339(at_s),
            "since_s": at_s,
            **more,
        }
        return f"{self.base}/job/{job}/state", JobState.model_validate(body).to_json()

    def trace(
        self, at_s: float, seq: int, level: Any, *, job: str = JOB, **more: Any
    ) -> tuple[str, bytes]:
        values = [None if value != value else float(value) for value in np.asarray(level).tolist()]
        body = {
            **self.common,
            "job": job,
            "seq": seq,
            "at": rfc3339(at_s),
            "at_s": at_s,
            "unit": "dBm",
            "start_hz": 156e6,
            "stop_hz": 162.1e6,
            "points": len(values),
            "source_points": len(values),
            "level": values,
            **more,
        }
        return f"{self.base}/job/{job}/trace", Trace.model_validate(body).to_json()

    def summary(self, at_s: float, seq: int, *, job: str = JOB, **more: Any) -> tuple[str, bytes]:
        """The documented one, of another sweep."""
        body = next(one for topic, one in documented() if topic.endswith("/summary"))
        assert isinstance(body, dict)
        body = {**body, **self.common, "job": job, "seq": seq, "pass_id": seq, "at_s": at_s}
        body["at"] = rfc3339(at_s)
        return f"{self.base}/job/{job}/summary", json.dumps(body | more).encode()

    def finding(
        self, at_s: float, number: int, *, job: str | None = JOB, text: str = "a signal"
    ) -> tuple[str, bytes]:
        body = {
            **self.common,
            "job": job,
            "number": number,
            "what": "signal_appeared",
            "at": rfc3339(at_s),
            "at_s": at_s,
            "text": text,
        }
        topic = f"{self.base}/finding" if job is None else f"{self.base}/job/{job}/finding"
        return topic, Finding.model_validate(body).to_json()

    def channel(self, at_s: float, key: str, state: str = "busy", **more: Any) -> tuple[str, bytes]:
        body = {
            **self.common,
            "job": JOB,
            "channel": key,
            "name": key,
            "state": state,
            "since": rfc3339(at_s),
            "since_s": at_s,
            "unit": "dBm",
            "seq": 1,
            **more,
        }
        return f"{self.base}/job/{JOB}/channel/{key}", ChannelState.model_validate(body).to_json()

    def occupancy(self, hour_s: float, fco: Mapping[str, float]) -> tuple[str, bytes]:
        body = {
            **self.common,
            "job": JOB,
            "hour_start": rfc3339(hour_s),
            "hour_start_s": hour_s,
            "hour_end": rfc3339(hour_s + 3600),
            "hour_end_s": hour_s + 3600,
            "due": 1800,
            "stored": 1800,
            "coverage": 1.0,
            "fbo": 0.01,
            "sro": 0.02,
            "channels": [
                {"channel": key, "name": key, "visits": 1800, "busy": 9, "fco": share,
                 "fco_low": share / 2, "fco_high": share * 2}
                for key, share in fco.items()
            ],
        }  # fmt: skip
        return f"{self.base}/job/{JOB}/occupancy", Occupancy.model_validate(body).to_json()

    def report(self, at_s: float, file: str) -> tuple[str, bytes]:
        body = {
            **self.common,
            "job": JOB,
            "at": rfc3339(at_s),
            "at_s": at_s,
            "from": rfc3339(at_s - 3600),
            "from_s": at_s - 3600,
            "to": rfc3339(at_s),
            "to_s": at_s,
            "file": file,
            "bytes": 1000,
            "sha256": "0" * 64,
            "title": "who is on the air",
            "headline": "kept 100 %",
        }
        return f"{self.base}/job/{JOB}/report", ReportMade.model_validate(body).to_json()


@pytest.fixture
def say() -> Say:
    return Say()


@pytest.fixture
def say_of() -> type[Say]:
    return Say


@pytest.fixture
def at_s() -> float:
    return AT_S


@pytest.fixture
def documents() -> list[tuple[str, dict[str, Any] | float]]:
    return documented()


@pytest.fixture
def state() -> State:
    made = State(AT_S)
    made.set_broker(address="127.0.0.1:1883", up=True, now_s=AT_S)
    return made


Told = tuple[str, bytes]


@pytest.fixture
def tell(state: State) -> Callable[..., None]:
    """Bring messages into the state, as the intake does."""

    def bring(*messages: Told, now_s: float = AT_S, retained: bool = False) -> None:
        for topic, payload in messages:
            place = place_of(topic, "acqd")
            assert place is not None, topic
            state.take(place, payload, retained=retained, now_s=now_s)

    return bring


@dataclass
class Frame:
    """A frame taken apart by the documented rules, and nothing else."""

    raw: bytes
    header: dict[str, Any] = field(init=False)
    parts: dict[str, bytes] = field(init=False)

    def __post_init__(self) -> None:
        length = int.from_bytes(self.raw[:4], "little")
        self.header = json.loads(self.raw[4 : 4 + length])
        assert (4 + length) % 4 == 0
        self.parts = {}
        at = 4 + length
        for name, size in self.header["parts"]:
            self.parts[name] = self.raw[at : at + size]
            assert len(self.parts[name]) == size
            at += size + -size % 4
        assert at == len(self.raw)

    @property
    def view(self) -> dict[str, Any]:
        view: dict[str, Any] | None = self.header["view"]
        assert view is not None
        return view

    def columns(self) -> dict[int, np.ndarray[Any, Any]]:
        """Codes by number of column."""
        if "columns" not in self.parts:
            assert self.view["bins"] == []
            return {}
        codes = np.frombuffer(self.parts["columns"], dtype=np.uint8)
        codes = codes.reshape(len(self.view["bins"]), self.view["rows"])
        return dict(zip(self.view["bins"], codes, strict=True))

    def floats(self, part: str) -> np.ndarray[Any, Any]:
        return np.frombuffer(self.parts[part], dtype="<f4")


@dataclass
class Looker:
    """A viewer that does what the documentation says, over a real WebSocket."""

    socket: aiohttp.ClientWebSocketResponse
    station: str = STATION
    job: str | None = JOB
    span_s: float = 600.0
    have: dict[str, Any] = field(default_factory=dict)
    state: dict[str, Any] = field(default_factory=dict)
    findings: dict[int, dict[str, Any]] = field(default_factory=dict)
    detail: dict[str, Any] = field(default_factory=dict)
    columns: dict[int, Any] = field(default_factory=dict)

    async def ask(self) -> None:
        view = None
        if self.job is not None:
            view = {"station": self.station, "job": self.job, "span_s": self.span_s}
        await self.socket.send_str(json.dumps({"ask": "frame", "view": view, "have": self.have}))

    async def answer(self) -> Frame:
        async with asyncio.timeout(10):
            message = await self.socket.receive()
        assert message.type is aiohttp.WSMsgType.BINARY, message
        frame = Frame(message.data)
        header = frame.header
        self.have["version"] = header["version"]
        if header["state"] is not None:
            self.state = header["state"]
        for one in header["findings"]:
            self.findings[one["id"]] = one
            self.have["finding"] = one["id"]
        for name, (version, piece) in header["detail"].items():
            self.detail[name] = piece
            self.have.setdefault("detail", {})[name] = version
        view = header["view"]
        if view is not None and "epoch" in view:
            if view["epoch"] != self.have.get("epoch"):
                self.columns.clear()
            self.have |= {"epoch": view["epoch"], "seq": view["seq"]}
            self.columns |= frame.columns()
        return frame

    async def frame(self) -> Frame:
        await self.ask()
        return await self.answer()

    async def until(self, condition: Callable[[Frame], bool], *, within_s: float = 15.0) -> Frame:
        ends_s = time.monotonic() + within_s
        while True:
            frame = await self.frame()
            if condition(frame):
                return frame
            assert time.monotonic() < ends_s, frame.header


class Broker(Mosquitto):
    """One that says what a test wants said."""

    async def publish(self, *messages: Told, retain: bool = False, qos: int = 1) -> None:
        """Say ``messages`` on a connection of their own, each acknowledged."""
        link = aiomqtt.Client(
            self.endpoint.host, self.endpoint.port, identifier=f"t{secrets.token_hex(6)}"
        )
        async with link as client:
            for topic, payload in messages:
                await client.publish(topic, payload, qos, retain)


@pytest.fixture
def make_mosquitto(tmp_path: Path) -> Iterator[Callable[..., Broker]]:
    skip_without_mosquitto()
    with mosquittos(tmp_path, Broker) as make:
        yield make


@pytest.fixture
async def broker(make_mosquitto: Callable[..., Broker]) -> Broker:
    made = make_mosquitto()
    await made.up()
    return made


class Log:
    """Remembers what was logged."""

    def __init__(self) -> None:
        self.lines: list[tuple[str, dict[str, Any]]] = []

    def debug(self, event: str, /, **fields: Any) -> None:
        self.lines.append((event, fields))

    info = warning = error = debug

    def events(self) -> list[str]:
        return [event for event, _ in self.lines]


class ShiftedClock(SystemClock):
    """This machine's clock, ahead by what a test says."""

    ahead_s = 0.0

    def wall_s(self) -> float:
        return super().wall_s() + self.ahead_s

    def monotonic_s(self) -> float:
        return super().monotonic_s() + self.ahead_s


@pytest.fixture
def clock() -> ShiftedClock:
    return ShiftedClock()


@pytest.fixture
def log() -> Log:
    return Log()


Start = Callable[..., Awaitable[Dashboard]]


@pytest.fixture
async def start(broker: Broker, clock: ShiftedClock, log: Log) -> AsyncIterator[Start]:
    """Start a live page on a free port that tries the broker again after 50 ms."""
    started: list[Dashboard] = []

    async def go(*, listening: bool = True, **changes: Any) -> Dashboard:
        keep_alive_s = changes.pop("keep_alive_s", 10)
        root = changes.pop("root", "acqd")
        settings = DashSettings(
            broker=BrokerSettings(
                address=broker.endpoint, keep_alive_s=keep_alive_s, topic_root=root, timeout_s=3.0
            ),
            **{"port": 0, **changes},
        )
        made = Dashboard(settings, clock=clock, log=log, backoff=lambda attempt: 0.05)
        await made.start()
        started.append(made)
        for _ in range(500 if listening else 0):
            if made.state.broker["up"]:
                break
            await asyncio.sleep(0.01)
        assert not listening or made.state.broker["up"]
        return made

    yield go
    for one in started:
        await one.stop()


@pytest.fixture
async def session() -> AsyncIterator[aiohttp.ClientSession]:
    async with aiohttp.ClientSession(
        cookie_jar=aiohttp.CookieJar(unsafe=True), auto_decompress=True
    ) as made:
        yield made


Look = Callable[..., Awaitable[Looker]]


@pytest.fixture
async def look(session: aiohttp.ClientSession) -> AsyncIterator[Look]:
    """Open a viewer of a live page."""
    opened: list[Looker] = []

    async def at(dashboard: Dashboard, **changes: Any) -> Looker:
        socket = await session.ws_connect(f"{dashboard.server.url(host='127.0.0.1')}live")
        opened.append(Looker(socket, **changes))
        return opened[-1]

    yield at
    for one in opened:
        await one.socket.close()


@pytest.fixture
def take_apart() -> type[Frame]:
    return Frame


async def eventually(condition: Callable[[], bool], within_s: float = 10.0) -> None:
    ends_s = time.monotonic() + within_s
    while not condition():
        assert time.monotonic() < ends_s, "it did not come"
        await asyncio.sleep(0.01)


@pytest.fixture
def wait_until() -> Callable[..., Awaitable[None]]:
    return eventually
