"""Profiles and small sweepers on sockets and pseudo-terminals, made here."""

from __future__ import annotations

import os
import select
import socket
import threading
import tty
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from acqd_sim.scenefile import load_world
from acqd_sim.server import Served, SimServer

from acqd.cli import main

from .voices import SCENE, SPEAK, Ran

Answer = Callable[[bytes], bytes | None]
"""From one command, without its line end, to what is sent back; None hangs up."""


class Peer:
    """A sweeper at one end of a link: cuts what it gets into lines and answers each.

    ``asked`` is all it got, ``greeting`` what it says when somebody opens its port.
    """

    def __init__(self, answer: Answer, *, end: bytes = b"\n", greeting: bytes = b"") -> None:
        self.answer = answer
        self.asked: deque[bytes] = deque(maxlen=400)
        self.greeting = greeting
        self._end = end
        self._buffer = b""

    def take(self, data: bytes) -> bytes | None:
        """What is answered to the bytes of ``data``."""
        self._buffer += data
        said = b""
        while self._end in self._buffer:
            line, _, self._buffer = self._buffer.partition(self._end)
            self.asked.append(line)
            answer = self.answer(line)
            if answer is None:
                return None
            said += answer
        return said


class SocketPeer:
    """A peer on a TCP port of its own; a connection after the other."""

    def __init__(self, peer: Peer) -> None:
        self.peer = peer
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self.address = f"tcp://127.0.0.1:{self._server.getsockname()[1]}"
        self._client: socket.socket | None = None
        self._over = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        """Send what nobody asked for."""
        assert self._client is not None
        self._client.sendall(data)

    def _serve(self) -> None:
        while not self._over:
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            with client:
                self._client = client
                client.settimeout(0.05)
                try:
                    self._talk(client)
                except OSError:
                    pass

    def _talk(self, client: socket.socket) -> None:
        client.sendall(self.peer.greeting)
        while not self._over:
            try:
                data = client.recv(65536)
            except TimeoutError:
                continue
            said = self.peer.take(data) if data else None
            if said is None:
                return
            client.sendall(said)

    def close(self) -> None:
        self._over = True
        self._server.close()
        self._thread.join(2.0)


class TerminalPeer:
    """A peer at the far end of a pseudo-terminal."""

    def __init__(self, peer: Peer, path: Path) -> None:
        self.peer = peer
        self._far, near = os.openpty()
        tty.setraw(near)
        self._near = near
        path.symlink_to(os.ttyname(near))
        self.address = f"serial:{path}"
        self._over = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def say(self, data: bytes) -> None:
        """Send what nobody asked for."""
        os.write(self._far, data)

    def _serve(self) -> None:
        while not self._over:
            if not select.select([self._far], [], [], 0.05)[0]:
                continue
            said = self.peer.take(os.read(self._far, 65536))
            if said:
                os.write(self._far, said)

    def close(self) -> None:
        self._over = True
        self._thread.join(2.0)
        os.close(self._near)
        os.close(self._far)


Serve = Callable[..., SocketPeer | TerminalPeer]


@pytest.fixture
def serve(tmp_path: Path) -> Iterator[Serve]:
    """Puts a peer on a link: ``"tcp"`` or ``"serial"``."""
    with ExitStack() as stack:
        made: list[SocketPeer | TerminalPeer] = []

        def start(peer: Peer, kind: str = "tcp") -> SocketPeer | TerminalPeer:
            link: SocketPeer | TerminalPeer
            if kind == "tcp":
                link = SocketPeer(peer)
            else:
                link = TerminalPeer(peer, tmp_path / f"port{len(made)}")
            made.append(link)
            stack.callback(link.close)
            return link

        yield start


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SimServer]:
    """An instrument for each language on a terminal, ten times as fast as in life."""
    folder = tmp_path_factory.mktemp("ports")
    ports = {name: str(folder / name) for name in SPEAK}
    world = load_world(str(SCENE))
    with SimServer(world, Served(pty=ports, speak=SPEAK, time_scale=0.1)) as running:
        yield running


@pytest.fixture
def acqd(capsys: pytest.CaptureFixture[str], server: SimServer) -> Iterator[Callable[..., Ran]]:
    """Runs ``acqd profile``; the simulator is healed afterwards."""

    def run(*arguments: str) -> Ran:
        code = 0
        try:
            main(["profile", *arguments])
        except SystemExit as left:
            code = int(left.code or 0)
        said = capsys.readouterr()
        return Ran(code, said.out, said.err)

    yield run
    for name in SPEAK:
        server.tell(f"{name} heal")
