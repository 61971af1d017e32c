"""Recordings of known samples, streams of them, and ways to sweep both through the real host."""

from __future__ import annotations

import asyncio
import json
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_iq import IqDriver

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.sweep import Capabilities, Detector, Sweep, SweepRequest

RATE_HZ = 200e3
CENTRE_HZ = 156.5e6
BEGAN = "2026-06-14T22:52:10.25Z"
BEGAN_S = 1781477530.25


def tone(
    count: int, *, at_hz: float = 20e3, amplitude: float = 0.1, rate_hz: float = RATE_HZ
) -> np.ndarray:
    """A complex exponential ``at_hz`` off the centre over a little noise (−106 dBFS in all)."""
    rng = np.random.default_rng(11)
    noise = rng.standard_normal(count) + 1j * rng.standard_normal(count)
    turn = 2 * np.pi * at_hz / rate_hz * np.arange(count)
    return np.asarray(amplitude * np.exp(1j * turn) + 3.5e-6 * noise)


def encoded(samples: np.ndarray, kind: str) -> bytes:
    """Samples with full scale at 1 as bytes of a SigMF type, by the definition of SigMF."""
    order = ">" if kind.endswith("_be") else "<"
    number = np.dtype(order + kind[1] + str(int(kind[2:].partition("_")[0]) // 8))
    parts = samples.real if kind[0] == "r" else samples.astype(np.complex128).view(np.float64)
    if number.kind == "f":
        return parts.astype(number).tobytes()
    half = 2.0 ** (8 * number.itemsize - 1)
    counts = np.clip(np.rint(parts * half), -half, half - 1)
    return (counts + half if number.kind == "u" else counts).astype(number).tobytes()


class Folder:
    """Writes recordings into a folder."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def write(
        self,
        name: str = "night",
        samples: np.ndarray | None = None,
        *,
        kind: str = "cf32_le",
        rate_hz: float | None = RATE_HZ,
        captures: Sequence[dict[str, Any]] | None = None,
        **head: Any,
    ) -> str:
        """A recording; the address of it. ``captures`` default to one that began at ``BEGAN``."""
        if samples is None:
            samples = tone(100_000)
        if captures is None:
            captures = [capture(0)]
        known: dict[str, Any] = {"core:datatype": kind, "core:version": "1.0.0"}
        if rate_hz is not None:
            known["core:sample_rate"] = rate_hz
        meta = {"global": {**known, **head}, "captures": captures, "annotations": []}
        (self.path / f"{name}.sigmf-data").write_bytes(encoded(samples, kind))
        (self.path / f"{name}.sigmf-meta").write_text(json.dumps(meta))
        return f"iq:{self.path / name}.sigmf-meta"


def capture(
    start: int, *, centre_hz: float | None = CENTRE_HZ, began: str | None = BEGAN
) -> dict[str, Any]:
    found: dict[str, Any] = {"core:sample_start": start}
    if centre_hz is not None:
        found["core:frequency"] = centre_hz
    if began is not None:
        found["core:datetime"] = began
    return found


@pytest.fixture
def folder(tmp_path: Path) -> Folder:
    """An empty folder for recordings."""
    return Folder(tmp_path)


@pytest.fixture(scope="session")
def make() -> dict[str, Any]:
    """The makers of this module, for tests that cannot import it."""
    return {"tone": tone, "encoded": encoded, "capture": capture, "began_s": BEGAN_S}


def request(**changes: Any) -> SweepRequest:
    """An ordinary sweep of the recordings here."""
    given = {
        "start_hz": CENTRE_HZ - 60e3,
        "stop_hz": CENTRE_HZ + 60e3,
        "points": 121,
        "rbw_hz": 2e3,
        "detector": Detector.POSITIVE,
        **changes,
    }
    return SweepRequest(**given)


@pytest.fixture(scope="session")
def asked() -> Callable[..., SweepRequest]:
    """Makes an ordinary request; keywords change it."""
    return request


class Swept:
    """Sweeps one sweeper after it was opened once."""

    def __init__(self, address: str, options: dict[str, Any]) -> None:
        self._loop = asyncio.new_event_loop()
        self.host = SweeperHost(
            name="ear",
            driver=IqDriver(),
            address=address,
            options=options,
            clock=SystemClock(),
            deadline_s=10.0,
        )
        try:
            self.opened = self._loop.run_until_complete(self.host.open())
        except BaseException:
            self._loop.close()
            raise

    @property
    def capabilities(self) -> Capabilities:
        return self.opened.capabilities

    def sweep(self, asked: SweepRequest | None = None, **changes: Any) -> Sweep:
        wanted = request(**changes) if asked is None else asked
        return self._loop.run_until_complete(self.host.sweep(wanted))

    def close(self) -> None:
        self._loop.run_until_complete(self.host.close())
        self._loop.close()


@pytest.fixture
def opened() -> Iterator[Callable[..., Swept]]:
    """Opens sweepers: an address, and options as keywords."""
    with ExitStack() as stack:

        def start(address: str, **options: Any) -> Swept:
            found = Swept(address, options)
            stack.callback(found.close)
            return found

        yield start


class Sender:
    """Sends samples over TCP as somebody else's program would: in real time, in blocks.

    ``level`` is the amplitude of what it sends, which a test changes while it runs; ``speed`` is
    over real time. While the socket takes no more, blocks are left out, as receivers do.
    """

    BLOCK_S = 0.01

    def __init__(self, kind: str = "ci16_le", rate_hz: float = RATE_HZ) -> None:
        self.kind, self.rate_hz = kind, rate_hz
        self.amplitude = 0.1
        self.speed = 1.0
        self.silent = False
        self.chunk = 0
        """Most bytes of one send, 0 for all."""
        self.left_out = 0
        self._stop = threading.Event()
        self._listener: socket.socket | None = None
        self._peers: list[socket.socket] = []
        self._threads: list[threading.Thread] = []
        self.port = 0
        self.plug()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    @property
    def options(self) -> dict[str, Any]:
        return {"type": self.kind, "rate": f"{self.rate_hz:.0f} S/s", "centre": "156.5 MHz"}

    def plug(self) -> None:
        self._stop.clear()
        self._listener = socket.create_server(("127.0.0.1", self.port))
        self.port = self._listener.getsockname()[1]
        thread = threading.Thread(target=self._listen, args=(self._listener,), daemon=True)
        thread.start()
        self._threads = [thread]

    def unplug(self) -> None:
        self._stop.set()
        if self._listener is not None:
            self._listener.shutdown(socket.SHUT_RDWR)
            self._listener.close()
            self._listener = None
        for thread in list(self._threads):
            thread.join(5.0)

    def hold(self) -> None:
        self.silent = True

    def release(self) -> None:
        self.silent = False

    def _listen(self, listener: socket.socket) -> None:
        while not self._stop.is_set():
            try:
                peer, _ = listener.accept()
            except OSError:
                return
            thread = threading.Thread(target=self._send, args=(peer,), daemon=True)
            thread.start()
            self._threads.append(thread)

    def _blocks(self) -> list[bytes]:
        """Made before they are sent, so that sending holds no more memory from block to block."""
        size = round(self.BLOCK_S * self.rate_hz)
        rng = np.random.default_rng(3)
        found = []
        for number in range(11):
            hiss = rng.standard_normal(size) + 1j * rng.standard_normal(size)
            turn = 2j * np.pi * 0.1 * (number * size + np.arange(size))
            found.append(encoded(self.amplitude * (np.exp(turn) + 1e-4 * hiss), self.kind))
        return found

    def _send(self, peer: socket.socket) -> None:
        blocks, made_for = self._blocks(), self.amplitude
        due_s = time.monotonic()
        peer.settimeout(self.BLOCK_S)
        rest, number = b"", 0
        with peer:
            while not self._stop.wait(max(0.0, due_s - time.monotonic())):
                due_s += self.BLOCK_S / self.speed
                if self.amplitude != made_for:
                    blocks, made_for = self._blocks(), self.amplitude
                number += 1
                if rest:
                    self.left_out += 1
                elif not self.silent:
                    rest = blocks[number % len(blocks)]
                try:
                    while rest:
                        piece = rest[: self.chunk or len(rest)]
                        rest = rest[peer.send(piece) :]
                except TimeoutError:
                    continue
                except OSError:
                    return


@pytest.fixture
def sender() -> Iterator[Sender]:
    """A program that sends samples, ended with the test."""
    with ExitStack() as stack:
        found = Sender()
        stack.callback(found.unplug)
        yield found
