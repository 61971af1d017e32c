"""A station as its user runs it, and what stands around it, each a process of its own: sweepers,
a broker, somebody who listens. For tests and for tools that do something to them."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from acqd.archive.reader import Archive
from acqd.archive.records import GapRecord, SweepRecord
from acqd.publish.broker import find_mosquitto
from acqd.publish.child import free_port
from peers import LIMIT_S, wait_for

__all__ = [
    "HOST",
    "JOB",
    "SCENE",
    "Bench",
    "Ear",
    "Lines",
    "Mosquitto",
    "Run",
    "Sim",
    "accounts_of",
    "end",
]

HOST = "127.0.0.1"
ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")
SIM = (sys.executable, "-m", "acqd_sim.serve")

SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.carrier]]
name = "beacon"
frequency = "156.8 MHz"
power = "-61.5 dBm"

[[scene.harbour.carrier]]
name = "marker"
frequency = "156.3 MHz"
power = "-74 dBm"

[[scene.harbour.voice]]
name = "traffic"
frequency = "156.5 MHz"
power = "-70 dBm"
on = "5 s"
off = "5 s"
least_on = "2 s"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
residuals = 0
sweep_factor = 1.0
accuracy = "1.5 dB"

[instrument.bench]
scene = "harbour"
serial_number = "GL0042"
model = "SOAK 30"
residuals = 0
sweep_factor = 1.0
"""


def end(process: subprocess.Popen[Any]) -> None:
    """Kill a process, if it still runs, and take back what it holds."""
    if process.poll() is None:
        process.kill()
    process.wait(LIMIT_S)
    for pipe in (process.stdout, process.stderr):
        if pipe is not None:
            pipe.close()


class Lines:
    """The lines that a process writes, read in a thread so that no pipe fills up."""

    def __init__(self, pipe: Any) -> None:
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._read, args=(pipe,), daemon=True)
        self._thread.start()

    def _read(self, pipe: Any) -> None:
        for line in pipe:
            self.lines.append(line.rstrip("\n"))

    def join(self) -> None:
        self._thread.join(LIMIT_S)


class Sim:
    """Simulated sweepers, served by a process of their own."""

    def __init__(
        self,
        scene: Path,
        ports: dict[str, str],
        *,
        time_scale: float,
        speak: dict[str, str] | None = None,
        samples: str = "",
    ) -> None:
        """``ports``: by instrument "tcp", "hislip", "iq" (with ``samples``), or a terminal's path.
        ``speak``: the language of an instrument that does not speak SCPI."""
        control = free_port(HOST)
        self.addresses: dict[str, str] = {}
        words: list[str] = []
        for name, port in ports.items():
            free = free_port(HOST)
            kind, where, address = {
                "tcp": ("--tcp", f"{HOST}:{free}", f"tcp://{HOST}:{free}"),
                "hislip": ("--hislip", f"{HOST}:{free}", f"TCPIP::{HOST}::hislip0,{free}::INSTR"),
                "iq": ("--iq", f"{HOST}:{free},{samples}", f"tcp://{HOST}:{free}"),
            }.get(port, ("--pty", port, f"serial:{port}"))
            words += [kind, f"{name}={where}"]
            self.addresses[name] = address
        for name, language in (speak or {}).items():
            words += ["--speak", f"{name}={language}"]
        self.control = f"{HOST}:{control}"
        words += ["--control", self.control, "--time-scale", str(time_scale)]
        self._words = [*SIM, "serve", str(scene), *words]
        self._start()

    def _start(self) -> None:
        self.process = subprocess.Popen(self._words, stdout=subprocess.PIPE, text=True)
        self._lines = Lines(self.process.stdout)
        wait_for("the simulator", lambda: any("control is at" in x for x in self._lines.lines))

    def tell(self, *words: str) -> str:
        """Tell an instrument something, by the program that people use for it."""
        done = subprocess.run(
            [*SIM, "tell", self.control, *words], capture_output=True, text=True, timeout=LIMIT_S
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    def order(self, line: str) -> str:
        """The same without a program of its own, which costs half a second: for those who tell
        often. Raises ValueError where the order is refused."""
        host, _, port = self.control.rpartition(":")
        with socket.create_connection((host, int(port)), LIMIT_S) as link:
            link.sendall(f"{line}\n".encode())
            with link.makefile("r", encoding="utf-8") as lines:
                verdict, _, rest = lines.readline().strip().partition(" ")
        if verdict != "ok":
            raise ValueError(f"{line}: {rest}")
        return rest

    def end(self) -> None:
        end(self.process)

    def restart(self) -> None:
        self.end()
        self._start()


class Ear:
    """mosquitto_sub, writing down everything of a station."""

    def __init__(self, port: int, *more: str) -> None:
        program = shutil.which("mosquitto_sub")
        assert program is not None
        words = [program, "-h", HOST, "-p", str(port), "-q", "1", "-t", "acqd/#", "-F", "%r %t %p"]
        words += more
        self.process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
        self._lines = Lines(self.process.stdout)

    def heard(self, end_of_topic: str = "") -> list[dict[str, Any]]:
        """Payloads of the topics that end so, in the order in which they came."""
        found = []
        for _, topic, payload in self.messages():
            if topic.endswith(end_of_topic) and "/value/" not in topic:
                found.append(json.loads(payload))
        return found

    def messages(self) -> list[tuple[bool, str, str]]:
        """(retained, topic, payload) of each message."""
        out = []
        for line in list(self._lines.lines):
            retained, topic, payload = line.split(" ", 2)
            out.append((retained == "1", topic, payload))
        return out

    def until(self, end_of_topic: str, count: int = 1) -> list[dict[str, Any]]:
        """Wait until ``count`` such messages have come."""
        wait_for(
            f"{count} messages on …{end_of_topic}", lambda: len(self.heard(end_of_topic)) >= count
        )
        return self.heard(end_of_topic)

    def end(self) -> None:
        end(self.process)


class Run:
    """One ``acqd run`` in a process of its own, after ``first`` has spoiled something in it."""

    def __init__(
        self, config: Path, *words: str, env: dict[str, str] | None = None, first: str = ""
    ) -> None:
        program = [*ACQD[:2], f"{first}\n{ACQD[2]}"]
        self.process = subprocess.Popen(
            [*program, "run", str(config), *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, **(env or {})},
        )
        self._lines = Lines(self.process.stderr)

    @property
    def text(self) -> str:
        return "\n".join(self._lines.lines)

    def log(self, event: str | None = None) -> list[dict[str, Any]]:
        """What was logged, as objects; those of one event."""
        objects = [json.loads(line) for line in list(self._lines.lines) if line.startswith("{")]
        return [one for one in objects if event in (None, one["event"])]

    def until(self, event: str, count: int = 1, **fields: Any) -> dict[str, Any]:
        """Wait until something was logged, ``count`` times with these fields."""

        def there() -> list[dict[str, Any]]:
            assert self.process.poll() is None, f"the station ended: {self.text}"
            return [
                one
                for one in self.log(event)
                if all(one.get(key) == value for key, value in fields.items())
            ][count - 1 :]

        found: list[dict[str, Any]] = wait_for(f"{event} {fields}", there, said=lambda: self.text)
        return found[0]

    def stop(self, number: int = signal.SIGTERM) -> float:
        """Ask it to end; returns the seconds that it took. It must end well."""
        started_s = time.monotonic()
        self.process.send_signal(number)
        code = self.process.wait(LIMIT_S)
        took_s = time.monotonic() - started_s
        self._lines.join()
        assert code == 0, self.text
        assert "Traceback" not in self.text
        return took_s

    def kill(self) -> None:
        """kill -9."""
        end(self.process)
        self._lines.join()

    def wait(self) -> int:
        """Its exit code, when it ends of itself."""
        code = self.process.wait(LIMIT_S)
        self._lines.join()
        return code


@dataclass
class Mosquitto:
    """A broker that is nobody's child here but the test's."""

    folder: Path
    port: int = field(default_factory=lambda: free_port(HOST))
    process: subprocess.Popen[bytes] | None = None
    remembers: bool = False
    """Keeps sessions and what waits for them over a restart."""

    @property
    def url(self) -> str:
        return f"mqtt://{HOST}:{self.port}"

    def start(self) -> None:
        config = self.folder / f"mosquitto-{self.port}.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        memory = f"persistence true\npersistence_location {self.folder}/\n"
        memory = memory if self.remembers else ""
        config.write_text(
            f"listener {self.port} {HOST}\nallow_anonymous true\nlog_dest none\n"
            f"set_tcp_nodelay true\nmax_queued_messages 10000\n{user}{memory}"
        )
        self.process = subprocess.Popen(
            [str(find_mosquitto()), "-c", str(config)], stderr=subprocess.DEVNULL
        )
        program = shutil.which("mosquitto_pub")
        assert program is not None
        words = [program, "-h", HOST, "-p", str(self.port), "-t", "test/up", "-m", "1", "-q", "1"]
        wait_for(
            "mosquitto",
            lambda: subprocess.run(words, stderr=subprocess.DEVNULL).returncode == 0,
        )

    def end(self, *, kill: bool = True) -> None:
        if self.process is not None:
            if not kill:
                self.process.terminate()
                self.process.wait(LIMIT_S)
            end(self.process)
            self.process = None


JOB = """\
[job.{name}]
kind = "band"
sweeper = "{sweeper}"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
detector = "sample"
when = {{ {when} }}
{more}
band = {{ margin = "10 dB" }}
"""


class Bench:
    """Starts peers for a test and ends them with it."""

    def __init__(self, folder: Path, stack: ExitStack) -> None:
        self.folder = folder
        self._stack = stack

    @property
    def archive(self) -> Path:
        return self.folder / "archive"

    def sim(
        self, ports: dict[str, str] | None = None, *, time_scale: float = 0.02, **more: Any
    ) -> Sim:
        """Sweepers by name, served as :class:`Sim` has it."""
        scene = self.folder / "scene.toml"
        scene.write_text(SCENE)
        sim = Sim(scene, ports or {"mast": "tcp"}, time_scale=time_scale, **more)
        self._stack.callback(sim.end)
        return sim

    def broker(self, *, remembers: bool = False, started: bool = True) -> Mosquitto:
        """A mosquitto that answers, or is still to be started."""
        broker = Mosquitto(self.folder, remembers=remembers)
        self._stack.callback(broker.end)
        if started:
            broker.start()
        return broker

    def ear(self, port: int, *more: str) -> Ear:
        ear = Ear(port, *more)
        self._stack.callback(ear.end)
        return ear

    def run(
        self, config: Path, *words: str, env: dict[str, str] | None = None, first: str = ""
    ) -> Run:
        run = Run(config, *words, env=env, first=first)
        self._stack.callback(run.kill)
        return run

    def config(
        self,
        sweepers: dict[str, str],
        jobs: Sequence[str],
        *,
        broker: str = "none",
        port: int | None = None,
        keep_free: str = "1 MB",
        sweeper_more: str = "",
        station_more: str = "",
        mqtt_more: str = "",
    ) -> Path:
        """Write a config: sweepers with their addresses, jobs made by :meth:`job`."""
        address = "" if port is None else f'address = "{HOST}:{port}"\n'
        parts = [
            f'[station]\nname = "lookout"\narchive = "{self.archive}"\n'
            f'seal_every = "10 s"\nkeep_free = "{keep_free}"\n{station_more}\n',
            f'[mqtt]\nbroker = "{broker}"\n{address}{mqtt_more}\n',
        ]
        for name, where in sweepers.items():
            driver = "sim" if where.startswith("sim:") else "scpi"
            # Said, so that it need not be asked: an instrument without a source answers nothing.
            options = '{ source = "no" }' if driver == "scpi" else "{ time_scale = 0.02 }"
            parts.append(
                f'[sweeper.{name}]\ndriver = "{driver}"\naddress = "{where}"\n'
                f"options = {options}\n{sweeper_more}\n"
            )
        path = self.folder / "station.toml"
        path.write_text("\n".join([*parts, *jobs]))
        return path

    @staticmethod
    def wait_for(what: str, condition: Callable[[], Any], limit_s: float = LIMIT_S) -> Any:
        """The first true value of ``condition``."""
        return wait_for(what, condition, limit_s)

    @staticmethod
    def job(
        name: str, sweeper: str = "mast", when: str = 'every = "100 ms"', *, more: str = ""
    ) -> str:
        return JOB.format(name=name, sweeper=sweeper, when=when, more=more)


def accounts_of(archive: Archive, job: str, *, every_s: float, burst: int = 1) -> dict[int, int]:
    """Sweeps stored or accounted for at each due time, by its number on the job's grid."""
    found: dict[int, int] = {}
    for event in archive.events(job):
        if isinstance(event, GapRecord) and event.count:
            first, last = round(event.from_s / every_s), round(event.to_s / every_s)
            # A range of whole due times, or what is missing of one.
            whole = event.count == (last - first + 1) * burst
            assert whole or first == last, event
            for number in range(first, last + 1):
                found[number] = found.get(number, 0) + (burst if whole else event.count)
        elif isinstance(event, SweepRecord) and event.step == 0:
            # What else a pass sweeps hangs on what it saw, and is not due.
            number = round(event.due_s / every_s)
            assert abs(event.due_s - number * every_s) < 1e-5
            found[number] = found.get(number, 0) + 1
    return found
