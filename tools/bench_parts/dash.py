"""The live page under load: 20 sweeps a second of eight jobs, and four viewers.

``acqd dash`` runs in a process of its own beside a bare relay: a program of thirty lines that hands
each message of the same broker to every WebSocket at once, without looking at it. Both get the same
sweeps at the same time. What is timed ends where a viewer, in this process, holds a frame with that
sweep; drawing is not in it.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import re
import socket
import sys
import time
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
import structlog

from acqd.errors import BrokerError
from acqd.publish.broker import LocalBroker
from acqd.publish.settings import Endpoint
from bench_parts.figures import Figure, Report, Samples, Target, quantile
from bench_parts.latency import free_port, have_mosquitto

__all__ = ["bench_dash"]

STATION = "gannet-ledge"
JOBS = tuple(f"job-{number}" for number in range(8))
VIEWERS = 4
RATE = 20.0
POINTS = 200
TIMEOUT_S = 20.0
MESSAGES = Path(__file__).parents[2] / "docs" / "messages.md"


def bench_dash(report: Report, *, count: int, repeat: int) -> None:
    """``repeat`` rounds of ``count`` sweeps, 20 a second."""
    if not have_mosquitto():
        report.skipped["dash"] = "mosquitto is not installed; apt install mosquitto"
        return
    try:
        asyncio.run(_bench(report, count, repeat))
    except BrokerError as exc:
        report.skipped["dash"] = str(exc)


@dataclass
class _Round:
    """What one round came to; milliseconds from publishing to the frame, by job and number."""

    sent: dict[tuple[str, int], float] = field(default_factory=dict)
    paged: dict[tuple[str, int], float] = field(default_factory=dict)
    relayed: dict[tuple[str, int], float] = field(default_factory=dict)
    page_cpu: float = 0.0
    relay_cpu: float = 0.0

    def waits_ms(self, came: dict[tuple[str, int], float]) -> list[float]:
        return [(at_s - self.sent[key]) * 1e3 for key, at_s in came.items() if key in self.sent]


async def _bench(report: Report, count: int, repeat: int) -> None:
    endpoint = Endpoint(host="127.0.0.1", port=free_port())
    async with LocalBroker(endpoint, log=structlog.get_logger()) as broker:
        relay = _Child(_relay, broker.address)
        url = f"mqtt://{broker.address}"
        page = await asyncio.create_subprocess_exec(
            *(sys.executable, "-c", "from acqd.cli import main; main()"),
            *("dash", "--broker", url, "--listen", "127.0.0.1:0"),
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.DEVNULL,
        )
        try:
            assert page.stdout is not None
            async with asyncio.timeout(TIMEOUT_S):
                where = (await page.stdout.readline()).decode().strip()
                relay_port = await asyncio.to_thread(relay.first_word)
            rounds = await _rounds(
                broker.address, where, relay_port, page.pid, relay, count, repeat
            )
            _tell(report, rounds, _rss_mb(page.pid))
        finally:
            relay.end()
            page.terminate()
            await page.wait()


async def _rounds(
    broker: Endpoint,
    page: str,
    relay_port: int,
    page_pid: int,
    relay: _Child,
    count: int,
    repeat: int,
) -> list[_Round]:
    import aiohttp
    import aiomqtt

    nodelay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    done: list[_Round] = []
    now = _Round()
    seq = 0

    def paged(job: str, number: int) -> None:
        now.paged.setdefault((job, number), time.monotonic())

    def relayed(job: str, number: int) -> None:
        now.relayed.setdefault((job, number), time.monotonic())

    async with (
        aiohttp.ClientSession() as session,
        aiomqtt.Client(broker.host, broker.port, socket_options=nodelay) as client,
        asyncio.TaskGroup() as group,
    ):
        tasks = []
        for job in JOBS[:VIEWERS]:
            tasks.append(group.create_task(_view(session, page, job, paged)))
            address = f"http://127.0.0.1:{relay_port}/"
            tasks.append(group.create_task(_hear(session, address, job, relayed)))
        await asyncio.sleep(0.5)
        rng = np.random.default_rng(4)
        for number in range(repeat + 1):
            now = _Round()
            cpu_s, started_s = (_cpu_s(page_pid), _cpu_s(relay.pid)), time.monotonic()
            for _ in range(count):
                seq += 1
                job = JOBS[seq % len(JOBS)]
                for topic, payload in _messages(job, seq, rng):
                    if topic.endswith("/trace"):
                        now.sent[(job, seq)] = time.monotonic()
                    await client.publish(topic, payload, 0)
                due_s = started_s + len(now.sent) / RATE
                await asyncio.sleep(max(0.0, due_s - time.monotonic()))
            took_s = time.monotonic() - started_s
            now.page_cpu = 100.0 * (_cpu_s(page_pid) - cpu_s[0]) / took_s
            now.relay_cpu = 100.0 * (_cpu_s(relay.pid) - cpu_s[1]) / took_s
            await asyncio.sleep(0.3)
            if number:
                done.append(now)
        for task in tasks:
            task.cancel()
    return done


async def _view(session: Any, page: str, job: str, came: Any) -> None:
    """A viewer as the page is one: ask, take, ask again."""
    have: dict[str, Any] = {"version": 0, "finding": 0, "epoch": 0, "seq": 0, "detail": {}}
    view = {"station": STATION, "job": job, "span_s": 3600}
    async with session.ws_connect(f"{page}live") as live:
        while True:
            await live.send_str(json.dumps({"ask": "frame", "view": view, "have": have}))
            frame = await live.receive_bytes()
            at = 4 + int.from_bytes(frame[:4], "little")
            header = json.loads(frame[4:at])
            shown = header["view"] or {}
            have["version"] = header["version"]
            have["detail"] |= {name: one[0] for name, one in header["detail"].items()}
            have |= {"epoch": shown.get("epoch", 0), "seq": shown.get("seq", 0)}
            if any(name == "line" for name, _ in header["parts"]):
                came(job, shown["seq"])


async def _hear(session: Any, address: str, job: str, came: Any) -> None:
    """A viewer of the relay: takes what it is sent and looks for its job's traces."""
    async with session.ws_connect(address) as live:
        while True:
            message = json.loads(await live.receive_bytes())
            if message["schema"] == "trace/1" and message["job"] == job:
                came(job, message["seq"])


def _messages(job: str, seq: int, rng: np.random.Generator) -> list[tuple[str, bytes]]:
    """What a station says of one sweep: the documented summary, and a trace of 200 points."""
    at_s = time.time()
    base = f"acqd/{STATION}/job/{job}"
    common = {"job": job, "seq": seq, "at_s": at_s}
    trace = {
        "schema": "trace/1",
        "station": STATION,
        "run_id": "bench",
        **common,
        "step": 0,
        "unit": "dBm",
        "start_hz": 156e6,
        "stop_hz": 162.1e6,
        "points": POINTS,
        "source_points": POINTS,
        "frequency_hz": np.linspace(156e6, 162.1e6, POINTS).tolist(),
        "level": np.round(rng.normal(-110.0, 2.0, POINTS), 2).tolist(),
    }
    return [
        (f"{base}/summary", json.dumps(_documented() | common).encode()),
        (f"{base}/trace", json.dumps(trace).encode()),
    ]


_SUMMARY: dict[str, Any] = {}


def _documented() -> dict[str, Any]:
    if not _SUMMARY:
        text = MESSAGES.read_text("utf-8")
        found = re.search(r"/summary`\n\n```json\n(.*?)```", text, re.S)
        assert found is not None
        _SUMMARY.update(json.loads(found.group(1)))
    return dict(_SUMMARY)


def _tell(report: Report, rounds: list[_Round], rss_mb: float) -> None:
    for name, share in (("p50", 0.5), ("p95", 0.95)):
        report.figures.append(
            Figure(
                name=f"dash {name}",
                what=f"sweep published to frame at one of {VIEWERS} viewers, 20 a second, {name}",
                unit="ms",
                samples=Samples(tuple(quantile(one.waits_ms(one.paged), share) for one in rounds)),
                baseline="bare relay from MQTT to WebSocket",
                base=Samples(tuple(quantile(one.waits_ms(one.relayed), share) for one in rounds)),
                targets=(Target(150.0, of="figure"),) if share > 0.5 else (),
            )
        )
    report.figures.append(
        Figure(
            name="dash cpu",
            what=f"of one core, all of acqd dash: 8 jobs, 20 sweeps/s, {VIEWERS} viewers",
            unit="%",
            samples=Samples(tuple(one.page_cpu for one in rounds)),
            baseline="bare relay from MQTT to WebSocket",
            base=Samples(tuple(one.relay_cpu for one in rounds)),
            targets=(Target(10.0, of="figure"),),
        )
    )
    report.figures.append(
        Figure(
            name="dash rss",
            what="resident memory of acqd dash after that, no archive read",
            unit="MB",
            samples=Samples((rss_mb,)),
        )
    )
    sent = sum(len(one.sent) for one in rounds) * VIEWERS / len(JOBS)
    missed = round(sent) - sum(len(one.paged) for one in rounds)
    report.notes.append(
        f"dash: of {sent:.0f} sweeps of the viewed jobs {max(0, missed)} came only as columns, "
        f"a newer line in their place"
    )


def _cpu_s(pid: int) -> float:
    """Time on a core of all threads that live; the kernel's ticks are too coarse for a second."""
    threads = Path(f"/proc/{pid}/task").iterdir()
    return sum(int((one / "schedstat").read_text().split()[0]) for one in threads) / 1e9


def _rss_mb(pid: int) -> float:
    found = re.search(r"VmRSS:\s+(\d+) kB", Path(f"/proc/{pid}/status").read_text())
    return int(found.group(1)) / 1024.0 if found else float("nan")


class _Child:
    """A process that tells one thing at its start and runs until ended."""

    def __init__(self, target: Any, broker: Endpoint) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._pipe, other = spawn.Pipe()
        self._process = spawn.Process(
            target=target, args=(broker.host, broker.port, other), daemon=True
        )
        self._process.start()
        other.close()

    @property
    def pid(self) -> int:
        assert self._process.pid is not None
        return self._process.pid

    def first_word(self) -> int:
        if not self._pipe.poll(TIMEOUT_S):
            raise BrokerError("the bare relay did not start")
        return int(self._pipe.recv())

    def end(self) -> None:
        self._process.terminate()
        self._process.join(5.0)


def _relay(host: str, port: int, pipe: Connection) -> None:
    asyncio.run(_relay_all(host, port, pipe))


async def _relay_all(host: str, port: int, pipe: Connection) -> None:
    """The baseline: every message to every viewer, as it is and at once."""
    import aiomqtt
    from aiohttp import web

    viewers: set[web.WebSocketResponse] = set()

    async def live(request: web.Request) -> web.WebSocketResponse:
        viewer = web.WebSocketResponse(compress=False)
        await viewer.prepare(request)
        viewers.add(viewer)
        async for _ in viewer:
            pass
        viewers.discard(viewer)
        return viewer

    app = web.Application()
    app.add_routes([web.get("/", live)])
    runner = web.AppRunner(app)
    await runner.setup()
    await web.TCPSite(runner, "127.0.0.1", 0).start()
    async with aiomqtt.Client(host, port) as client:
        await client.subscribe("acqd/#", 0)
        pipe.send(int(runner.addresses[0][1]))
        async for message in client.messages:
            for viewer in tuple(viewers):
                await viewer.send_bytes(bytes(message.payload))
