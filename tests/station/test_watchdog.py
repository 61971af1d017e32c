"""When the watchdog is fed: a table, and real stations that hang in one way or another."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from acqd.station.watchdog import (
    ARCHIVE_STUCK_S,
    NOT_BEGUN_S,
    STUCK_S,
    StationView,
    SweeperProgress,
    is_healthy,
    why_ill,
)

LIMIT_S = 60.0


def mast(**given: Any) -> SweeperProgress:
    return SweeperProgress(**{"name": "mast", "still_for_s": 1.0, **given})


def hut(**given: Any) -> SweeperProgress:
    return mast(name="hut", **given)


CASES: dict[str, tuple[float, list[SweeperProgress], str | None]] = {
    "sweeps are taken": (0.1, [mast(call_left_s=4.0)], None),
    "nothing is due": (5.0, [mast(still_for_s=5.0)], None),
    "no sweeper at all": (5.0, [], None),
    "away, and tried again after a long wait": (
        5.0,
        [mast(is_present=False, still_for_s=31.0)],
        None,
    ),
    "away with passes due": (5.0, [mast(is_present=False, due_for_s=9000.0)], None),
    "a sweep of an hour": (5.0, [mast(still_for_s=3600.0, call_left_s=7000.0)], None),
    "a call that is being given up": (5.0, [mast(still_for_s=70.0, call_left_s=-1.0)], None),
    "a call that nobody gives up": (
        5.0,
        [mast(still_for_s=3600.0, call_left_s=-STUCK_S - 1)],
        "mast: a call of its driver is late by 61 s",
    ),
    "nothing moves": (5.0, [mast(still_for_s=61.0)], "mast: nothing has moved for 61 s"),
    "away, and nobody tries": (
        5.0,
        [mast(is_present=False, still_for_s=61.0)],
        "mast: nothing has moved for 61 s",
    ),
    "the world is being made ready": (5.0, [mast(still_for_s=150.0, patience_s=120.0)], None),
    "the world is never ready": (
        5.0,
        [mast(still_for_s=181.0, patience_s=120.0)],
        "mast: nothing has moved for 181 s",
    ),
    "a pass waits its turn": (5.0, [mast(due_for_s=NOT_BEGUN_S - 1)], None),
    "a pass is never begun": (
        5.0,
        [mast(due_for_s=NOT_BEGUN_S + 1)],
        "mast: a pass is due for 121 s, and nothing is begun",
    ),
    "one of two hangs": (5.0, [mast(), hut(still_for_s=99.0)], "hut: nothing has moved for 99 s"),
    "one of two is out": (5.0, [mast(is_out=True), hut()], None),
    "all are out": (
        5.0,
        [mast(is_out=True), hut(is_out=True)],
        "the drivers of all sweepers hang, and only a restart brings them back",
    ),
    "a card that stalls": (ARCHIVE_STUCK_S - 1, [mast()], None),
    "an archive that hangs": (
        ARCHIVE_STUCK_S + 1,
        [mast()],
        "the archive has not answered for 91 s",
    ),
}


@pytest.mark.parametrize("case", CASES)
def test_the_watchdog_is_fed_where_that_is_deserved(case: str) -> None:
    archive_silent_s, sweepers, why = CASES[case]
    view = StationView(archive_silent_s=archive_silent_s, sweepers=sweepers)
    assert why_ill(view) == why
    assert is_healthy(view) is (why is None)


# -- real stations ---------------------------------------------------------------------------------

SCRIPT = """\
import asyncio, os, sys, time
import acqd.archive.committer, acqd.station.healthwatch, acqd.station.sweepers
import acqd.station.watchdog as watchdog

watchdog.STUCK_S = watchdog.ARCHIVE_STUCK_S = 1.5
watchdog.NOT_BEGUN_S = 3.0
acqd.station.healthwatch.LOOK_S = 0.2
acqd.station.sweepers.LONGEST_WAIT_S = 0.5
PLANT = sys.argv[1]
fault = lambda: os.path.exists(PLANT)

def hung(wrapped):
    def call(*args, **kw):
        while fault():
            time.sleep(0.05)
        return wrapped(*args, **kw)
    return call

def never(wrapped):
    async def call(*args, **kw):
        while fault():
            await asyncio.sleep(0.05)
        return await wrapped(*args, **kw)
    return call

PLANTED = {
    "nothing": lambda: None,
    "the writer's thread": lambda: setattr(
        acqd.archive.committer.Committer, "commit", hung(acqd.archive.committer.Committer.commit)),
    "the loop": lambda: setattr(
        acqd.station.sweepers.SweeperRunner, "waiting",
        hung(acqd.station.sweepers.SweeperRunner.waiting)),
    "the plan": lambda: setattr(
        acqd.station.sweepers.SweeperRunner, "_once",
        never(acqd.station.sweepers.SweeperRunner._once)),
}
PLANTED[sys.argv[2]]()
sys.argv[1:] = ["run", sys.argv[3]]
from acqd.cli import main
main()
"""

CONFIG = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
keep_free = "1 MB"
keep_awake = false

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "{address}"
options = {{ scene = "./scene.toml", time_scale = 0.02 }}

[job.calling]
kind = "band"
sweeper = "mast"
centre = "156.8 MHz"
span = "100 kHz"
points = 51
when = {{ every = "{every}" }}
band = {{ margin = "10 dB" }}
"""

SCENE = """\
seed = 7

[scene.harbour]

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0
"""


class Managed:
    """A station that a manager started, and what that heard of it."""

    def __init__(self, folder: Path, fault: str, config: str) -> None:
        self.plant = folder / "fault"
        (folder / "station.toml").write_text(config, "utf-8")
        (folder / "scene.toml").write_text(SCENE, "utf-8")
        self._sockets = Path(tempfile.mkdtemp(prefix="acqd-wd-"))
        self.ear = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.ear.bind(str(self._sockets / "notify"))
        self.heard: list[str] = []
        with (folder / "log").open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-c", SCRIPT, str(self.plant), fault, "station.toml"],
                cwd=folder,
                env={
                    **os.environ,
                    "NOTIFY_SOCKET": str(self._sockets / "notify"),
                    "WATCHDOG_USEC": "400000",
                },
                stdout=log,
                stderr=log,
            )
        self.log = folder / "log"

    def hear(self, within_s: float) -> str:
        """The next word; empty where none comes in time."""
        self.ear.settimeout(within_s)
        try:
            word = self.ear.recv(4096).decode()
        except TimeoutError:
            return ""
        self.heard.append(word)
        return word

    def until(self, wanted: Callable[[str], bool]) -> str:
        ends_s = time.monotonic() + LIMIT_S
        while time.monotonic() < ends_s:
            word = self.hear(1.0)
            if wanted(word):
                return word
            assert self.process.poll() is None, self.log.read_text()
        raise AssertionError(f"not heard; heard were {self.heard[-20:]}\n{self.log.read_text()}")

    def feeds_within(self, seconds: float) -> int:
        """How often it is fed in so long."""
        ends_s, count = time.monotonic() + seconds, 0
        while (left_s := ends_s - time.monotonic()) > 0:
            count += self.hear(left_s) == "WATCHDOG=1"
        return count

    def end(self) -> None:
        self.process.kill()
        self.process.wait(LIMIT_S)
        self.ear.close()
        (self._sockets / "notify").unlink()
        self._sockets.rmdir()


Start = Callable[..., Managed]


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Start]:
    started = []

    def one(fault: str = "nothing", *, address: str = "sim:mast", every: str = "200 ms") -> Managed:
        config = CONFIG.format(address=address, every=every)
        started.append(Managed(tmp_path, fault, config))
        return started[-1]

    yield one
    for each in started:
        each.end()


@pytest.mark.slow
def test_a_station_says_ready_feeds_and_says_that_it_stops(start: Start) -> None:
    """In that order; the first word asks for time, and the line says how it stands."""
    station = start()
    assert station.until(lambda word: "READY=1" in word).startswith("READY=1\nSTATUS=started")
    assert any(word.startswith("EXTEND_TIMEOUT_USEC=") for word in station.heard[:-1])
    assert "WATCHDOG=1" not in station.heard
    station.until(lambda word: word == "WATCHDOG=1")
    station.until(lambda word: word.startswith("STATUS=well"))
    station.process.send_signal(signal.SIGTERM)
    station.until(lambda word: word.startswith("STOPPING=1"))
    assert station.process.wait(LIMIT_S) == 0


@pytest.mark.slow
@pytest.mark.parametrize("fault", ["the writer's thread", "the loop", "the plan"])
def test_one_that_hangs_is_not_fed(start: Start, fault: str) -> None:
    """It was fed before; from the limits on it is not, and when the hang ends it is again."""
    station = start(fault)
    station.until(lambda word: word == "WATCHDOG=1")
    station.plant.touch()
    ends_s = time.monotonic() + LIMIT_S
    while station.feeds_within(2.5):
        assert time.monotonic() < ends_s, "it is fed though it hangs"
    if fault != "the loop":
        assert any(word.startswith("STATUS=hangs: ") for word in station.heard)
    assert station.process.poll() is None
    station.plant.unlink()
    station.until(lambda word: word == "WATCHDOG=1")
    if fault == "the loop":
        return
    station.until(lambda word: word.startswith("STATUS=") and "hangs" not in word)
    lines = [json.loads(line) for line in station.log.read_text().splitlines() if "{" in line]
    said = [line["event"] for line in lines if line["event"].startswith("watchdog_")]
    assert (said[0], said[-1]) == ("watchdog_not_fed", "watchdog_fed_again")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("address", "every", "status"),
    [
        ("sim:mast", "6 h", "STATUS=well"),
        ("sim:gone", "200 ms", "STATUS=not sweeping: mast has been "),
    ],
)
def test_idleness_that_is_as_it_should_be_is_fed(
    start: Start, address: str, every: str, status: str
) -> None:
    """Nothing is due, or the sweeper is away and tried again: no restart would better that."""
    station = start(address=address, every=every)
    station.until(lambda word: word.startswith(status))
    assert station.feeds_within(4.0) >= 4
    assert not any("hangs" in word for word in station.heard)
