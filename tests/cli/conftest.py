"""The command line in this process, a small archive, and simulated sweepers to talk to."""

from __future__ import annotations

import contextlib
import io
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.scenefile import world_from_text
from acqd_sim.server import Served, SimServer

from acqd.cli import main

LIMIT_S = 60.0
ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.8 MHz"
power = "-61.5 dBm"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0

[instrument.bench]
scene = "harbour"
serial_number = "GL0042"
residuals = 0
sweep_factor = 1.0
"""

CONFIG = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
time_zone = "Europe/London"
keep_free = "1 MB"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = { scene = "./scene.toml", time_scale = 0.02 }

[chain.aerial]

[[chain.aerial.part]]
kind = "cable"
loss = "1.5 dB"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
chain = "aerial"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = { every = "100 ms" }
band = { margin = "10 dB" }

[job.calling]
kind = "band"
sweeper = "mast"
centre = "156.8 MHz"
span = "100 kHz"
points = 51
when = { every = "250 ms" }
band = { margin = "10 dB" }
"""


@dataclass
class Answer:
    """What a command said, and how it ended."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        return json.loads(self.out)

    @property
    def complaint(self) -> str:
        """The one line that a command complained with."""
        lines = [line for line in self.err.splitlines() if not line.startswith("{")]
        assert len(lines) == 1, self.err
        assert not self.out
        return lines[0]


def ask(*words: str, folder: Path | None = None, encoding: str = "utf-8") -> Answer:
    """Run a command in this process, in ``folder``, its output in an ``encoding``."""
    # As a process has them: with bytes beneath, for those that write these.
    out, err = (io.TextIOWrapper(io.BytesIO(), encoding, write_through=True) for _ in range(2))
    code = 0
    back = os.getcwd()
    try:
        if folder is not None:
            os.chdir(folder)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main(list(words))
    except SystemExit as exc:
        code = int(exc.code or 0)
    finally:
        os.chdir(back)
    texts = [one.buffer.getvalue().decode("utf-8") for one in (out, err)]
    return Answer(code, *texts)


@pytest.fixture(scope="session")
def acqd() -> Callable[..., Answer]:
    """Runs a command in this process. ``run``, which sets up signals and logs, is not for it."""
    return ask


@pytest.fixture(scope="session")
def acqd_child() -> Callable[..., subprocess.CompletedProcess[str]]:
    """Runs a command in a process of its own, to its end."""

    def run(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [*ACQD, *words], capture_output=True, text=True, timeout=LIMIT_S, **options
        )

    return run


class Running:
    """A station that runs in a process of its own."""

    def __init__(self, config: Path, env: dict[str, str]) -> None:
        self.process = subprocess.Popen(
            [*ACQD, "run", str(config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **env},
        )
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self.process.stderr is not None
        for line in self.process.stderr:
            self.lines.append(line.rstrip("\n"))

    def until(self, text: str) -> None:
        """Wait until a line of the log has ``text``."""
        ends_s = time.monotonic() + LIMIT_S
        while not any(text in line for line in self.lines):
            assert self.process.poll() is None, "\n".join(self.lines)
            assert time.monotonic() < ends_s, "\n".join(self.lines)
            time.sleep(0.01)

    def stop(self) -> int:
        """Ask it to end; its exit code."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(LIMIT_S)
        self._thread.join(LIMIT_S)
        if self.process.stderr is not None:
            self.process.stderr.close()
        return code


@pytest.fixture
def start() -> Iterator[Callable[..., Running]]:
    """Starts stations, and ends them with the test."""
    running: list[Running] = []

    def make(config: Path, **env: str) -> Running:
        running.append(Running(config, env))
        return running[-1]

    yield make
    for one in running:
        one.stop()


def _folder(path: Path) -> Path:
    (path / "scene.toml").write_text(SCENE)
    (path / "station.toml").write_text(CONFIG)
    return path


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with a station's config that has never run."""
    return _folder(tmp_path)


@pytest.fixture(scope="session")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a station's config and the archive of a short run of it."""
    path = _folder(tmp_path_factory.mktemp("kept"))
    station = Running(path / "station.toml", {})
    for job in ("marine-vhf", "calling"):
        station.until(f'"job": "{job}", "number": 1')
    time.sleep(1.2)
    assert station.stop() == 0
    return path


@pytest.fixture(scope="session")
def served() -> Iterator[SimServer]:
    """Two instruments on TCP ports."""
    here = ("127.0.0.1", 0)
    world = world_from_text(SCENE)
    with SimServer(world, Served(tcp={"mast": here, "bench": here}, time_scale=0.02)) as server:
        yield server
