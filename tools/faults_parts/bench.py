"""The bench: a station in a process, its sweepers, its broker and its listeners, each to be hurt.

Two servers of sweepers, so that one can go without the other: ``mast`` on a TCP port, ``bench`` on
a pseudo-terminal that looks as if it were on a USB bus. Whatever a fault leaves behind,
:meth:`FaultBench.mend` puts everything up again.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from acqd.publish.child import free_port
from faults_parts.desk import FIRST, Desk
from faults_parts.listening import Subscriber
from faults_parts.record import Heard, Record, job_of, kind_of
from faults_parts.tap import Tap
from peers import WaitedInVain, wait_for
from station_bench import ACQD, HOST, SCENE, Bench, Lines, Mosquitto, Sim, end

if TYPE_CHECKING:
    from faults_parts.kits import SmallDisk
    from faults_parts.showing import ShownClock

__all__ = ["JOBS", "FaultBench", "Job", "NotHere", "Station", "end_problems"]

UP_LIMIT_S = 60.0
"""For the station to be heard again after everything is mended: its longest backoff is 30 s."""
END_LIMIT_S = 15.0
"""For a station that was asked to end; it takes two seconds on a machine that is not busy."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A job of the bench, as far as accounts need it."""

    name: str
    sweeper: str
    every_s: float
    burst: int = 1
    more: str = ""

    @property
    def when(self) -> str:
        text = f'every = "{self.every_s * 1e3:g} ms"'
        return text if self.burst == 1 else f"{text}, burst = {self.burst}"


JOBS = (
    Job(name="marine-vhf", sweeper="mast", every_s=0.1),
    # Shares the sweeper with the first one, so each has due times that the other takes.
    Job(name="harbour", sweeper="mast", every_s=0.5),
    # 3 sweeps of a quarter of a second: a kill may come between two parts of a pass.
    Job(name="calling", sweeper="bench", every_s=1.0, burst=3, more='sweep_time = "10 s"'),
)
"""What the station of the bench does."""


class NotHere(Exception):
    """A fault that this machine cannot do, and why; no fault of the station."""


class Station:
    """One ``acqd run``. Unlike the tests' own it may end in any way; that is told, not asserted.

    ``through`` is a program that it is started by; it has to become the station.
    """

    def __init__(
        self,
        config: Path,
        *,
        first: str = "",
        env: dict[str, str] | None = None,
        through: Sequence[str] = (),
    ) -> None:
        self.started_s = time.time()
        self.process = subprocess.Popen(
            [*through, *ACQD[:2], f"{first}\n{ACQD[2]}", "run", str(config)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **(env or {})},
        )
        self._lines = Lines(self.process.stderr)
        self.was_killed = False
        self.was_stopped = False

    @property
    def is_up(self) -> bool:
        return self.process.poll() is None

    @property
    def lines(self) -> list[str]:
        return list(self._lines.lines)

    def logged(self, event: str, times: int = 1) -> bool:
        return sum(f'"event": "{event}"' in line for line in self.lines) >= times

    @property
    def said(self) -> list[str]:
        """What it wrote that is no line of its log, or is one that tells of an error unforeseen."""
        return [
            line
            for line in self.lines
            if not line.startswith("{") or '"exception"' in line or "Traceback" in line
        ]

    def send(self, number: int) -> None:
        if self.is_up:
            self.process.send_signal(number)

    def kill(self) -> None:
        """kill -9."""
        self.was_killed = True
        end(self.process)
        self._lines.join()

    def stop(self, limit_s: float = END_LIMIT_S) -> int:
        """Ask it to end; its exit code."""
        self.was_stopped = True
        self.send(signal.SIGTERM)
        return self.over(limit_s)

    def over(self, limit_s: float) -> int:
        """Wait until it has ended; its exit code."""
        code = self.process.wait(limit_s)
        self._lines.join()
        if self.process.stderr is not None:
            self.process.stderr.close()
        return code


def end_problems(code: int, lines: Sequence[str], *, was_asked: bool) -> list[str]:
    """What is wrong with how a station ended: asked to, with code 0; by itself, with another and
    one clear line."""
    if was_asked:
        return [f"asked to stop it ended with code {code}: {lines[-3:]}"] if code else []
    said = [line for line in lines if not line.startswith("{")]
    if code > 0 and len(said) == 1:
        return []
    return [f"it ended by itself with code {code} and said {said[-5:]}"]


class FaultBench(Bench):
    """See above. ``broker``: ``own`` (somebody else's mosquitto, with a tap before it), ``local``
    (the station's mosquitto) or ``embedded``."""

    def __init__(self, folder: Path, stack: ExitStack, *, broker: str, seed: int) -> None:
        super().__init__(folder, stack)
        folder.mkdir(parents=True, exist_ok=True)
        self._chance = threading.local()
        self.draw_from(seed)
        self.broker_kind = broker
        self.record = Record()
        self.ended: list[str] = []
        """What is wrong with how stations ended; see :mod:`faults_parts.checks`."""
        self.wrong: list[str] = []
        """What a fault saw that does not hold, beside what is checked after each."""
        self.to_mend: list[Callable[[], object]] = []
        """What puts right what a fault left, once, beside what is always put up again."""
        self.guests: list[Job] = []
        """Jobs that the station had for a while."""
        self.keep_free = "1 MB"
        self.disk: SmallDisk | None = None
        self.clock: ShownClock | None = None
        """See :mod:`faults_parts.kits`."""
        self.began_s = time.time()
        self.station: Station | None = None
        self.starts = 0
        self.last_start_s = 0.0
        self.frozen: list[int] = []
        self.desk = Desk(folder)
        self.first = self.plain_first = FIRST
        self.env = self.desk.env
        self.mosquitto: Mosquitto | None = None
        self.tap: Tap | None = None
        self._listeners_of(broker, stack)
        (folder / "scene.toml").write_text(SCENE)
        self.sims = {
            "mast": self._sim({"mast": "tcp"}),
            "bench": self._sim({"bench": str(self.desk.home)}),
        }
        self.desk.at(self.desk.home)
        self.write_config()
        stack.callback(self._end_station)
        self.subscriber = Subscriber(HOST, self.port, self.record)
        stack.callback(self.subscriber.end)

    def _listeners_of(self, broker: str, stack: ExitStack) -> None:
        if broker != "own":
            # The embedded one takes the port after this as well.
            self.port = free_port(HOST, in_a_row=2)
            return
        self.mosquitto = self.broker()
        self.port = self.mosquitto.port
        self.tap = Tap(HOST, self.port, self.record)
        stack.callback(self.tap.end)

    def _sim(self, ports: dict[str, str]) -> Sim:
        sim = Sim(self.folder / "scene.toml", ports, time_scale=0.02)
        self._stack.callback(sim.end)
        return sim

    def write_config(self, *, more: Sequence[str] = (), sweeper_more: str = "") -> None:
        """What the next start goes by; ``more`` tables at its end."""
        broker, port = self.broker_kind, None if self.tap else self.port
        if self.tap is not None:
            broker = f"mqtt://{HOST}:{self.tap.port}"
        self.config_path = self.config(
            {"mast": self.sims["mast"].addresses["mast"], "bench": self.desk.address},
            [*(self.job(job.name, job.sweeper, job.when, more=job.more) for job in JOBS), *more],
            broker=broker,
            port=port,
            keep_free=self.keep_free,
            sweeper_more=sweeper_more,
            # Nobody's machine is kept awake by a bench.
            station_more="keep_awake = false\n",
        )

    @property
    def chance(self) -> random.Random:
        """By which moments are drawn; each of two faults at once has its own."""
        drawn: random.Random = self._chance.random
        return drawn

    def draw_from(self, seed: int) -> None:
        """Draw from another seed from now on, in this thread."""
        self._chance.random = random.Random(seed)

    # -- the station ----------------------------------------------------------------------------

    def start(self) -> Station:
        """Start the station, unless it is up; does not wait."""
        if self.station is None or not self.station.is_up:
            self._account_for_end()
            self.station = Station(self.config_path, first=self.first, env=self.env)
            self.starts += 1
        return self.station

    def kill(self) -> None:
        """kill -9 of the station."""
        if self.station is not None:
            self.station.kill()

    def stop(self) -> None:
        """Ask the station to end, and wait for it."""
        if self.station is not None and self.station.is_up:
            self.station.stop()
        self._account_for_end()

    def _account_for_end(self) -> None:
        """Note how the last station ended, and forget it."""
        station, self.station = self.station, None
        if station is None:
            return
        code = station.over(END_LIMIT_S)
        # One clear line and a code of its own is how it may end by itself, also just before a kill.
        is_clear = code > 0 and len(station.said) == 1 and not station.was_stopped
        self.record.said += [] if is_clear else station.said
        if not station.was_killed:
            self.ended += end_problems(code, station.lines, was_asked=station.was_stopped)

    def _end_station(self) -> None:
        if self.station is not None:
            self.station.send(signal.SIGCONT)
            self.station.kill()

    # -- waiting --------------------------------------------------------------------------------

    def until_heard(self, since: int, *, job: str | None = None, kind: str = "summary") -> Heard:
        """Wait for the next message of a kind after the ``since``-th of the record."""
        place = since

        def found() -> Heard | None:
            nonlocal place
            if self.station is not None and not self.station.is_up:
                raise WaitedInVain(f"the station has ended: {self.words()}")
            heard = self.record.heard
            while place < len(heard):
                one = heard[place]
                place += 1
                if kind_of(one.topic) == kind and job in (None, job_of(one.topic)):
                    return one
            return None

        what = f"a {kind} of {job or 'any job'}"
        first: Heard = wait_for(what, found, UP_LIMIT_S, said=self.words)
        return first

    def words(self) -> str:
        """What the station wrote last, for who looks into a failure."""
        return "\n".join(self.station.lines[-20:]) if self.station else "no station runs"

    def sleep(self, least_s: float, most_s: float) -> None:
        """By chance between the two."""
        time.sleep(self.chance.uniform(least_s, most_s))

    # -- mending --------------------------------------------------------------------------------

    def freeze(self, pid: int) -> None:
        os.kill(pid, signal.SIGSTOP)
        self.frozen.append(pid)

    def thaw(self) -> None:
        """Let everything go on that was frozen."""
        while self.frozen:
            try:
                os.kill(self.frozen.pop(), signal.SIGCONT)
            except ProcessLookupError:
                pass  # killed meanwhile

    def kill_sim(self, name: str) -> None:
        """kill -9 of a sweeper's server, and with it of what is plugged in."""
        self.sims[name].end()
        if name == "bench":
            self.desk.nothing()

    def restart_sim(self, name: str) -> None:
        self.sims[name].restart()
        if name == "bench":
            self.desk.at(self.desk.home)

    def put_up(self) -> None:
        """Everything that was hurt runs again, or is at it; does not wait for the station."""
        self.thaw()
        while self.to_mend:
            self.to_mend.pop()()
        if self.tap is not None:
            self.tap.hold(False)
        if self.mosquitto is not None and (
            self.mosquitto.process is None or self.mosquitto.process.poll() is not None
        ):
            self.mosquitto.end()
            self.mosquitto.start()
        for name, sim in self.sims.items():
            if sim.process.poll() is not None:
                self.restart_sim(name)
            else:
                sim.order(f"{name} heal")
        self.start()

    def mend(self) -> None:
        """Put everything up, and wait until each job is heard of again."""
        self.put_up()
        self.subscriber.until_up()
        since = len(self.record.heard)
        for job in JOBS:
            self.until_heard(since, job=job.name)
