"""Hosts with scripted drivers, pseudo-terminals, sockets and installed plugins, all made here."""

from __future__ import annotations

import os
import socket
import sys
import textwrap
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from acqd.drivers.host import SweeperHost
from acqd.sweep import SweepRequest
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import FakeTransport, ScriptedDriver


@pytest.fixture
def request_401() -> SweepRequest:
    """An ordinary sweep."""
    return SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, rbw_hz=10e3)


@pytest.fixture
def clock() -> ManualClock:
    """A clock that stands still."""
    return ManualClock()


@pytest.fixture
def host_of(clock: ManualClock) -> Callable[..., SweeperHost]:
    """Makes a host of a driver; its link is in memory."""

    def make(driver: Any = None, **more: Any) -> SweeperHost:
        return SweeperHost(
            **{
                "name": "mast",
                "driver": driver or ScriptedDriver(),
                "address": "memory:",
                "options": {},
                "clock": clock,
                "open_link": lambda address, options: FakeTransport(),
                **more,
            }
        )

    return make


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """A listening socket on loopback."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield server


class Terminal:
    """A pseudo-terminal: ``path`` is the port, ``far`` the sweeper's end of it."""

    def __init__(self) -> None:
        self.far, self._near = os.openpty()
        tty.setraw(self._near)
        self.path = os.ttyname(self._near)
        self._unplugged = False

    def unplug(self) -> None:
        if not self._unplugged:
            self._unplugged = True
            os.close(self._near)
            os.close(self.far)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    """A pseudo-terminal that stands for a serial port."""
    made = Terminal()
    yield made
    made.unplug()


@pytest.fixture
def install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[..., None]:
    """Puts a distribution with one driver on the path, without installing anything."""
    made: list[str] = []

    def put(
        distribution: str, *, name: str, target: str, code: str = "", version: str = "1.2"
    ) -> None:
        folder = tmp_path / f"site-{distribution}"
        module = target.partition(":")[0]
        info = folder / f"{distribution.replace('-', '_')}-{version}.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text(
            f"Metadata-Version: 2.1\nName: {distribution}\nVersion: {version}\n"
        )
        (info / "entry_points.txt").write_text(f"[acqd.drivers]\n{name} = {target}\n")
        if code:
            (folder / f"{module}.py").write_text(textwrap.dedent(code))
            made.append(module)
        monkeypatch.syspath_prepend(folder)

    yield put
    for module in made:
        sys.modules.pop(module, None)


@pytest.fixture(autouse=True)
def no_thread_is_left() -> Iterator[None]:
    """A test whose drivers still run at its end fails, but for those it lets hang on purpose."""
    before = set(threading.enumerate())
    yield
    for thread in set(threading.enumerate()) - before:
        thread.join(3.0)
        assert not thread.is_alive(), f"{thread.name} is still running"
