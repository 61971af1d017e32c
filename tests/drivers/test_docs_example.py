"""The example of docs/drivers.md is short, typed, and passes the conformance kit over a socket."""

from __future__ import annotations

import dataclasses
import re
import socket
import subprocess
import sys
import threading
import types
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from acqd.drivers.contract import Trace
from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    LevelUnit,
    Reported,
    SweepFlag,
    SweepRequest,
)
from acqd.testing.conformance import Bench, DriverConformance

PAGE = Path(__file__).parents[2] / "docs" / "drivers.md"


def example() -> str:
    """The code of the page's complete example."""
    found = re.search(r"<!-- example -->\n```python\n(.*?)```", PAGE.read_text("utf-8"), re.DOTALL)
    assert found is not None
    return found[1]


class Peer:
    """The invented sweeper of the page, on a socket that can be unplugged."""

    def __init__(self) -> None:
        self._clients: list[socket.socket] = []
        self.port = 0
        self.delay = threading.Event()
        self.plug()

    def plug(self) -> None:
        self._server = socket.create_server(("127.0.0.1", self.port))
        self.port = self._server.getsockname()[1]
        self._thread = threading.Thread(target=self._accept, args=(self._server,), daemon=True)
        self._thread.start()

    def unplug(self) -> None:
        # Shut down first: closing alone does not wake an accept in another thread.
        self._server.shutdown(socket.SHUT_RDWR)
        self._server.close()
        for client in self._clients:
            try:
                client.shutdown(socket.SHUT_RDWR)
            except OSError:
                pass
        self._clients.clear()
        self._thread.join(2)

    def _accept(self, server: socket.socket) -> None:
        while True:
            try:
                client, _ = server.accept()
            except OSError:
                return
            self._clients.append(client)
            threading.Thread(target=self._talk, args=(client,), daemon=True).start()

    def _talk(self, client: socket.socket) -> None:
        with client, client.makefile("rb") as lines:
            try:
                for line in lines:
                    client.sendall(self._answer(line.decode().split()))
            except OSError:
                pass

    def _answer(self, words: list[str]) -> bytes:
        if words == ["WHO"]:
            return b"GANNET LINE GL0001\n"
        points = int(words[3])
        if words[2] == "999000000":
            self.delay.wait(1.0)
        noise = np.random.default_rng().normal(-10000, 200, points).round().astype(int)
        return " ".join(map(str, noise)).encode() + b"\n"


@pytest.fixture
def peer() -> Iterator[Peer]:
    """A peer that is unplugged at the end."""
    made = Peer()
    yield made
    made.delay.set()
    made.unplug()


class TestExample(DriverConformance):
    """The kit on the page's driver."""

    test_source_is_off_after_opening_and_after_closing = None  # it has no source

    @pytest.fixture
    def bench(self, peer: Peer) -> Bench:
        """The example, run as a module."""
        module = types.ModuleType("gannet_example")
        exec(compile(example(), str(PAGE), "exec"), vars(module))
        request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=401)
        return Bench(
            driver=module.GannetDriver(),
            address=f"tcp://127.0.0.1:{peer.port}",
            request=request,
            slow_request=SweepRequest(start_hz=998e6, stop_hz=999e6, points=401),
            unplug=peer.unplug,
            replug=peer.plug,
        )


def test_the_example_is_at_most_sixty_lines() -> None:
    """A driver is a small thing."""
    assert len(example().strip().splitlines()) <= 60


@pytest.mark.slow
def test_the_example_passes_strict_type_checking(tmp_path: Path) -> None:
    """What authors copy should be right."""
    pytest.importorskip("mypy")
    file = tmp_path / "gannet_example.py"
    file.write_text(example(), "utf-8")
    command = [sys.executable, "-m", "mypy", "--strict", "--cache-dir", str(tmp_path), str(file)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=PAGE.parents[1])
    assert done.returncode == 0, done.stdout


def shown_default(field: dataclasses.Field[object]) -> str:
    """A field's default as the page writes it."""
    value = field.default
    if value is dataclasses.MISSING:
        return "required"
    if value == NO_FLAGS and isinstance(value, SweepFlag):
        return "`NO_FLAGS`"
    return f"`{value.name}`" if isinstance(value, LevelUnit) else f"`{value!r}`"


@pytest.mark.parametrize("of", [Trace, Reported, Capabilities], ids=lambda of: of.__name__)
def test_the_page_lists_every_field_with_its_default(of: type) -> None:
    """In the order of the class."""
    part = PAGE.read_text("utf-8").split("<!-- fields -->")[1].split("<!-- end of fields -->")[0]
    part = part.split(f"`{of.__name__}`, ", 1)[1].split("\n\n`", 1)[0]
    listed = re.findall(r"(?m)^\| `(\w+)` \| (\S+) \|", part)
    assert listed == [(field.name, shown_default(field)) for field in dataclasses.fields(of)]
