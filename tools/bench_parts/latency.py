"""From a sweep on the disk to its summary at somebody else's subscriber.

mosquitto runs on loopback, the subscriber in a process of its own with a plain client that shares
no code with the station. Both processes read the same monotonic clock of this machine.
"""

from __future__ import annotations

import asyncio
import json
import multiprocessing
import shutil
import socket
import time
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import structlog

from acqd.errors import BrokerError
from acqd.publish.broker import LocalBroker
from acqd.publish.settings import Endpoint
from bench_parts.figures import Figure, Report, Samples, Target, quantile
from bench_parts.material import JOB, STATION, Material, Running, running

__all__ = ["bench_latency", "free_port", "have_mosquitto"]

EVERY_S = 0.005
BARE = "bare"
SUMMARY = f"acqd/{STATION}/job/{JOB}/summary"
TIMEOUT_S = 10.0


def have_mosquitto() -> bool:
    """Whether the broker that this needs is installed."""
    return shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin:/bin") is not None


def bench_latency(report: Report, folder: Path, *, count: int, repeat: int) -> None:
    """``repeat`` rounds of ``count`` messages each way, one each 5 ms."""
    if not have_mosquitto():
        report.skipped["latency"] = "mosquitto is not installed; apt install mosquitto"
        return
    try:
        asyncio.run(_bench(report, folder, count, repeat))
    except BrokerError as exc:
        report.skipped["latency"] = str(exc)


async def _bench(report: Report, folder: Path, count: int, repeat: int) -> None:
    endpoint = Endpoint(host="127.0.0.1", port=free_port())
    async with LocalBroker(endpoint, log=structlog.get_logger()) as broker:
        heard = _Subscriber(broker.address)
        try:
            await asyncio.to_thread(heard.expect, "ready")
            await _rounds(report, folder, broker.address, heard, count, repeat)
        finally:
            heard.end()


async def _rounds(
    report: Report, folder: Path, address: Endpoint, heard: _Subscriber, count: int, repeat: int
) -> None:
    import aiomqtt

    ours: list[list[float]] = []
    bare: list[list[float]] = []
    lost = 0
    nodelay = ((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),)
    async with (
        running(folder / "archive", Material(), broker=address, watch=True) as one,
        aiomqtt.Client(address.host, address.port, socket_options=nodelay) as client,
    ):
        publishing = asyncio.create_task(one.publisher.run())
        await _connected(one)
        for number in range(repeat + 1):
            mine = await _by_us(one, heard, count)
            # What is sent weighs the same: a summary as it just went out.
            its = await _by_hand(client, heard, count, await asyncio.to_thread(heard.size))
            if number:
                ours.append(mine)
                bare.append(its)
                lost += 2 * count - len(mine) - len(its)
        await one.publisher.close(b"{}")
        publishing.cancel()
    for name, share in (("p50", 0.5), ("p99", 0.99)):
        targets = () if name == "p50" else (Target(2.0), Target(2.0, of="figure"))
        report.figures.append(
            Figure(
                name=f"latency {name}",
                what=f"sweep committed to summary at a subscriber, each 5 ms, {name}",
                unit="ms",
                samples=Samples(tuple(quantile(values, share) for values in ours)),
                baseline="bare aiomqtt, TCP_NODELAY",
                base=Samples(tuple(quantile(values, share) for values in bare)),
                targets=targets,
            )
        )
    if lost:
        report.notes.append(f"latency: {lost} of {2 * repeat * count} messages never came")


async def _by_us(one: Running, heard: _Subscriber, count: int) -> list[float]:
    """Latencies in ms of ``count`` sweeps that go all the way."""
    one.committed_s.clear()
    next_s = time.monotonic()
    for _ in range(count):
        await one.keep()
        next_s = await _next(next_s)
    came = await asyncio.to_thread(heard.take, one.job.last_seq)
    return [
        (came[seq] - committed_s) * 1e3
        for seq, committed_s in one.committed_s.items()
        if seq in came
    ]


async def _by_hand(client: Any, heard: _Subscriber, count: int, size: int) -> list[float]:
    sent: dict[int, float] = {}
    next_s = time.monotonic()
    for seq in range(1, count + 1):
        payload = json.dumps({"seq": seq}).encode().ljust(size)
        sent[seq] = time.monotonic()
        await client.publish(BARE, payload, 0)
        next_s = await _next(next_s)
    came = await asyncio.to_thread(heard.take, count)
    return [(came[seq] - at_s) * 1e3 for seq, at_s in sent.items() if seq in came]


async def _next(last_s: float) -> float:
    """Wait for the next of the times that are 5 ms apart; one that is late is not made up for."""
    due_s = max(last_s + EVERY_S, time.monotonic())
    await asyncio.sleep(due_s - time.monotonic())
    return due_s


async def _connected(one: Running) -> None:
    until_s = time.monotonic() + TIMEOUT_S
    for _ in iter(lambda: one.publisher.statistics().connected, True):
        if time.monotonic() > until_s:
            raise BrokerError("the publisher did not connect")
        await asyncio.sleep(0.01)


def free_port() -> int:
    """A TCP port on loopback that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class _Subscriber:
    """The other process, and what is asked of it."""

    def __init__(self, address: Endpoint) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._pipe, other = spawn.Pipe()
        self._process = spawn.Process(
            target=_subscribe, args=(address.host, address.port, other), daemon=True
        )
        self._process.start()
        other.close()

    def expect(self, word: str) -> None:
        """Wait until it says ``word``."""
        if not self._pipe.poll(TIMEOUT_S) or self._pipe.recv() != word:
            raise BrokerError("the subscriber did not connect")

    def take(self, last: int) -> dict[int, float]:
        """When each number came, once ``last`` has or half a second has passed without it."""
        self._pipe.send(last)
        if not self._pipe.poll(TIMEOUT_S):
            raise BrokerError("the subscriber does not answer")
        came: dict[int, float] = self._pipe.recv()
        return came

    def size(self) -> int:
        """Length of the last message, in bytes."""
        self._pipe.send("size")
        return int(self._pipe.recv())

    def end(self) -> None:
        self._pipe.send(None)
        self._process.join(TIMEOUT_S)


def _subscribe(host: str, port: int, pipe: Connection) -> None:
    """Run in the other process: note when messages come, with their numbers."""
    from paho.mqtt import client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    came: dict[int, float] = {}
    size = 0

    def on_message(_: object, __: object, message: paho.MQTTMessage) -> None:
        nonlocal size
        now_s = time.monotonic()
        size = len(message.payload)
        came[int(json.loads(message.payload)["seq"])] = now_s

    client = paho.Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.on_subscribe = lambda *_: pipe.send("ready")
    client.on_socket_open = lambda *args: args[-1].setsockopt(
        socket.IPPROTO_TCP, socket.TCP_NODELAY, 1
    )
    client.connect(host, port)
    client.subscribe([(SUMMARY, 0), (BARE, 0)])
    client.loop_start()
    while (asked := pipe.recv()) is not None:
        if asked == "size":
            pipe.send(size)
            continue
        until_s = time.monotonic() + 0.5
        while asked not in came and time.monotonic() < until_s:
            time.sleep(0.005)
        pipe.send(dict(came))
        came.clear()
    client.loop_stop()
    client.disconnect()
