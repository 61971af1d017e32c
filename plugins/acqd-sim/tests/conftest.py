"""What several tests of the simulator need: a plain model, a still clock, a running server."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import pytest
from acqd_sim.devices import Path
from acqd_sim.model import Model
from acqd_sim.receiver import Hookup, Receiver
from acqd_sim.scene import Scene
from acqd_sim.scenefile import World, load_world
from acqd_sim.server import Served, SimServer
from acqd_sim.simclock import SceneClock

from acqd.sweep import Identity

T0 = 1_780_000_000.0

PLAIN = Model(
    identity=Identity(maker="ACME", model="PLAIN", serial_number="P1", firmware="1"),
    points_max=10_001,
    rbw_min_hz=100.0,
    residuals=0,
)
"""A receiver without responses of its own, so that a test sees what it put in."""


class StillClock(SceneClock):
    """A scene clock that a test moves by hand."""

    def __init__(self) -> None:
        super().__init__()
        self.at_s = T0

    def now_s(self) -> float:
        return self.at_s

    def steady_s(self) -> float:
        return self.at_s - T0 + 1000.0


class Client:
    """A plain socket with a deadline, for what a test wants to say byte by byte."""

    def __init__(self, address: str) -> None:
        host, port = address.removeprefix("tcp://").split(":")
        self.link = socket.create_connection((host, int(port)), 5.0)
        self._lines = self.link.makefile("rb")

    def send(self, text: str) -> None:
        self.link.sendall(text.encode() + b"\n")

    def line(self) -> bytes:
        return self._lines.readline()

    def read(self, count: int) -> bytes:
        return self._lines.read(count)

    def ask(self, text: str) -> str:
        self.send(text)
        return self.line().decode().rstrip("\n")

    def close(self) -> None:
        self._lines.close()
        self.link.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *exc: object) -> None:
        self.close()


@pytest.fixture
def clock() -> StillClock:
    """A clock that stands still at T0."""
    return StillClock()


@pytest.fixture
def receiver_of() -> Callable[..., Receiver]:
    """Makes a receiver of a scene; keywords change the plain model."""

    def make(
        scene: Scene | None = None,
        *,
        path: Path | None = None,
        source_path: Path | None = None,
        seed: int = 7,
        **changes: Any,
    ) -> Receiver:
        hookup = Hookup(scene=scene or Scene(), path=path or Path(), source_path=source_path)
        return Receiver(replace(PLAIN, **changes), hookup, seed=seed)

    return make


@pytest.fixture(scope="session")
def world() -> World:
    """The built-in world."""
    return load_world()


@pytest.fixture
def serve(world: World) -> Iterator[Callable[..., SimServer]]:
    """Starts servers of the built-in world, at a hundred times real speed unless told otherwise."""
    with ExitStack() as stack:

        def start(*, time_scale: float = 0.01, **served: Any) -> SimServer:
            return stack.enter_context(SimServer(world, Served(time_scale=time_scale, **served)))

        yield start


@pytest.fixture
def mast(serve: Callable[..., SimServer]) -> SimServer:
    """A server with the mast on a free port."""
    return serve(tcp={"mast": ("127.0.0.1", 0)})


@pytest.fixture
def connect() -> Iterator[Callable[[str], Client]]:
    """Opens plain sockets and closes them."""
    with ExitStack() as stack:
        yield lambda address: stack.enter_context(Client(address))
