"""What a driver and its link cost: a sweep of 1001 points from a peer that answers at once.

The peer holds its bytes ready and runs in a process of its own, so what is counted is the driver,
its framing, its decoding and the link. The baseline is a bare socket (or a bare pseudo-terminal):
it sends the very same bytes, question by question, receives the very same answers, and turns the
one with the levels into numbers; nothing is checked.
"""

from __future__ import annotations

import os
import socket
import struct
import threading
import time
import tty
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from acqd.drivers.contract import Driver, Sweeper, Transport
from acqd.drivers.transport import open_transport
from acqd.drivers.visa_names import parse_visa
from acqd.sweep import SweepRequest
from bench_parts.figures import Figure, Report, Samples, quantile, rounds
from bench_parts.peers import HISLIP_FIRST_ID, POINTS, START_HZ, STOP_HZ, Talk, peers

__all__ = ["bench_links"]

REQUEST = SweepRequest(start_hz=START_HZ, stop_hz=STOP_HZ, points=POINTS, rbw_hz=10e3)

PROFILE = """
title = "bench"

[identify]
send = "who"
expect = '^BENCH (?P<serial_number>\\d+)$'

[setting.frequency]
send = "range {{start:Hz:d}} {{stop:Hz:d}}"
answer = {{ kind = "line" }}
expect = '^ok$'

[setting.points]
send = "points {{points}}"
answer = {{ kind = "line" }}
expect = '^ok$'

[setting.rbw]
send = "width {{rbw:Hz:d}}"
answer = {{ kind = "line" }}
expect = '^ok$'
default = "10 kHz"

[sweep.fetch]
send = "levels"
answer = {answer}

[sweep.values]
unit = "dBm"
{values}

[limits]
start = "1 MHz"
stop = "500 MHz"
points_max = 1001
"""
PROFILES = {
    "text": ('{ kind = "lines", count = "points" }', ""),
    "block": ('{ kind = "block", length = "definite" }', 'type = "i16"\nscale = 0.01'),
}

WHAT = {
    "text": "driver lines over a socket, 1001 lines of text of one level each",
    "pairs": "driver lines over a pseudo-terminal, profile tern: a frequency and a level a line",
    "block": "driver lines over a socket, a block of 16-bit words",
    "scpi": "driver scpi over a raw socket, REAL,32",
    "hislip": "driver scpi over HiSLIP, REAL,32",
}


@dataclass
class Context:
    """What a driver gets to open its sweeper; ``link`` is what it opened."""

    address: str
    options: Mapping[str, Any]
    name: str = "bench"
    cancel: threading.Event = field(default_factory=threading.Event)
    link: Transport | None = None

    def connect(self, defaults: Mapping[str, Any] | None = None) -> Transport:
        self.link = open_transport(self.address, {**(defaults or {}), **self.options})
        return self.link


def options_of(kind: str, folder: Path) -> dict[str, Any]:
    """The options of the sweeper of a kind; a profile of the bench's own is written for it."""
    if kind == "pairs":
        return {"profile": "tern"}
    if kind in PROFILES:
        answer, values = PROFILES[kind]
        path = folder / f"{kind}.toml"
        path.write_text(PROFILE.format(answer=answer, values=values), "utf-8")
        return {"profile": str(path)}
    return {"format": "real32", "byte_order": "normal"}


def driver_of(kind: str) -> Driver:
    """The driver of a kind."""
    if kind in ("scpi", "hislip"):
        from acqd_scpi import ScpiDriver

        return ScpiDriver()
    from acqd_lines import LinesDriver

    return LinesDriver()


@dataclass
class _Cost:
    """Of each round: µs on a core a sweep, and quantiles of a sweep's wall time in µs."""

    cpu: list[float] = field(default_factory=list)
    p50: list[float] = field(default_factory=list)
    p95: list[float] = field(default_factory=list)

    def of(self, name: str, count: int) -> Samples:
        """Of the last ``count`` rounds; one before them was for nothing."""
        return Samples(tuple(getattr(self, name)[-count:]))


def bench_links(report: Report, folder: Path, *, count: int, repeat: int) -> None:
    """``repeat`` rounds of ``count`` sweeps over each link, and as many conversations bare."""
    costs: dict[str, _Cost] = {}
    contestants: dict[str, Callable[[], float]] = {}
    closing: list[Callable[[], None]] = []
    questions: dict[str, int] = {}

    def enter(name: str, work: Callable[[], object]) -> None:
        cost = costs[name] = _Cost()

        def measure() -> float:
            walls, cpu_s = [], time.process_time()
            for _ in range(count):
                began_s = time.perf_counter()
                work()
                walls.append((time.perf_counter() - began_s) * 1e6)
            cost.cpu.append((time.process_time() - cpu_s) / count * 1e6)
            cost.p50.append(quantile(walls, 0.5))
            cost.p95.append(quantile(walls, 0.95))
            return cost.cpu[-1]

        contestants[name] = measure

    with peers() as (addresses, talk):
        try:
            for kind in WHAT:
                context = Context(addresses[kind], options_of(kind, folder))
                sweeper = driver_of(kind).open(context)
                closing += [sweeper.close, _closer(context)]
                said = _one_talk(kind, sweeper, talk)
                questions[kind] = sum(bool(answer) for _, answer in said)
                bare = _Bare(kind, addresses[kind], said)
                closing.append(bare.close)
                _check(kind, sweeper, bare)
                enter(kind, lambda sweeper=sweeper: sweeper.sweep(REQUEST))
                enter(f"{kind} bare", bare.sweep)
            rounds(repeat, contestants)
        finally:
            for close in closing:
                close()
    for kind, what in WHAT.items():
        _tell(report, kind, what, costs, repeat)
    report.notes.append(
        "links: answers a sweep asks for, one by one: "
        + ", ".join(f"{kind} {number}" for kind, number in questions.items())
    )


def _closer(context: Context) -> Callable[[], None]:
    def close() -> None:
        if context.link is not None:
            context.link.close()

    return close


def _one_talk(kind: str, sweeper: Sweeper, talk: Callable[[str], Talk]) -> Talk:
    """What is said in one sweep when another came before it."""
    sweeper.sweep(REQUEST)
    talk(kind)
    sweeper.sweep(REQUEST)
    return talk(kind)


def _check(kind: str, sweeper: Sweeper, bare: _Bare) -> None:
    level = sweeper.sweep(REQUEST).level
    if not np.allclose(level, bare.sweep(), atol=0.005, rtol=0.0):
        raise RuntimeError(f"{kind}: the driver and the bare reader do not get the same levels")


def _tell(report: Report, kind: str, what: str, costs: dict[str, _Cost], repeat: int) -> None:
    ours, bare = costs[kind], costs[f"{kind} bare"]
    for name, more in (
        ("cpu", "CPU time of all threads"),
        ("p50", "wall, median"),
        ("p95", "wall, 95 %"),
    ):
        report.figures.append(
            Figure(
                name=f"link {kind} {name}",
                what=f"one sweep of 1001 points, {what}; {more}",
                unit="µs",
                samples=ours.of(name, repeat),
                baseline="the same bytes over a bare link, levels made numbers",
                base=bare.of(name, repeat),
            )
        )


# --- the bare side ----------------------------------------------------------------------------


class _Bare:
    """Holds the same conversation without looking at it."""

    def __init__(self, kind: str, address: str, said: Talk) -> None:
        self._kind, self._said = kind, said
        # The longest answer is that with the levels.
        self._with_levels = max(range(len(said)), key=lambda place: len(said[place][1]))
        self._closers: list[Callable[[], None]] = []
        self._number = HISLIP_FIRST_ID
        if kind == "pairs":
            fd = os.open(address.partition(":")[2], os.O_RDWR | os.O_NOCTTY)
            tty.setraw(fd)
            self._closers.append(lambda: os.close(fd))
            self._receive: Callable[[int], bytes] = lambda most: os.read(fd, most)
            self._send: Callable[[bytes], object] = lambda data: os.write(fd, data)
            return
        if kind == "hislip":
            name = parse_visa(address)
            assert name.port is not None
            where = (name.host, name.port)
        else:
            host, _, port = address.partition("//")[2].rpartition(":")
            where = (host, int(port))
        peer = socket.create_connection(where)
        peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._closers.append(peer.close)
        self._receive, self._send = peer.recv, peer.sendall

    def close(self) -> None:
        for close in self._closers:
            close()

    def sweep(self) -> np.ndarray:
        level = None
        for place, (message, answer) in enumerate(self._said):
            got = self._exchange(message, len(answer))
            if place == self._with_levels:
                level = self._numbers(got)
        assert level is not None
        return level

    def _exchange(self, message: bytes, size: int) -> bytes:
        if self._kind != "hislip":
            self._send(message)
            return self._exactly(size) if size else b""
        self._send(struct.pack("!2sBBIQ", b"HS", 7, 0, self._number, len(message)) + message)
        self._number = (self._number + 2) & 0xFFFF_FFFF
        return self._exactly(16 + size)[16:] if size else b""

    def _exactly(self, size: int) -> bytes:
        got = self._receive(65536)
        if len(got) == size:
            return got
        pieces, have = [got], len(got)
        while have < size:
            pieces.append(self._receive(65536))
            have += len(pieces[-1])
        return b"".join(pieces)

    def _numbers(self, answer: bytes) -> np.ndarray:
        if self._kind == "text":
            return np.array(answer.split(), dtype=float)
        if self._kind == "pairs":
            pairs = answer.replace(b"=", b" ").split()[: 2 * POINTS]
            return np.array(pairs, dtype=float)[1::2]
        digits = answer[1] - ord("0")
        payload = answer[2 + digits : 2 + digits + int(answer[2 : 2 + digits])]
        if self._kind == "block":
            return np.frombuffer(payload, dtype=">i2") * 0.01
        return np.frombuffer(payload, dtype=">f4").astype(np.float32)
