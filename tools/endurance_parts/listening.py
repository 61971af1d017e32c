"""A subscriber in a process of its own: counts what arrives, and which sweeps were named in it.

What it heard is written to a file every few seconds, whole, so that it outlives everybody.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import time
from collections import Counter
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

__all__ = ["Heard", "Listener", "Numbers"]

WRITE_EVERY_S = 5.0
CONNECT_S = 30.0
END_S = 20.0


class Numbers:
    """Whole numbers that mostly come in a row, kept as runs: a month of them in little memory."""

    def __init__(self, runs: list[list[int]] | None = None) -> None:
        self.runs: list[list[int]] = runs or []
        self.again = 0
        """How many came that were there already."""

    def add(self, number: int) -> None:
        if self.runs and number == self.runs[-1][1] + 1:
            self.runs[-1][1] = number
        elif not self.runs or number > self.runs[-1][1]:
            self.runs.append([number, number])
        elif any(first <= number <= last for first, last in self.runs):
            self.again += 1
        else:
            self._put(number)

    def _put(self, number: int) -> None:
        """One that comes late: a run of its own, joined to its neighbours."""
        self.runs.append([number, number])
        self.runs.sort()
        joined = [self.runs[0]]
        for first, last in self.runs[1:]:
            if first == joined[-1][1] + 1:
                joined[-1][1] = last
            else:
                joined.append([first, last])
        self.runs = joined

    def __len__(self) -> int:
        return sum(last - first + 1 for first, last in self.runs)

    def all(self) -> set[int]:
        return {one for first, last in self.runs for one in range(first, last + 1)}


@dataclass(slots=True)
class Heard:
    """What arrived by now.

    Attributes:
        by_kind: messages by the last part of their topic that is a word of the contract.
        summaries, traces, findings: the sweeps, or findings, that were named, by job; the station's
            own findings stand under an empty name.
        status: the newest status.
        last_s: when the last message came, on this machine's clock.
    """

    by_kind: Counter[str] = field(default_factory=Counter)
    summaries: dict[str, Numbers] = field(default_factory=dict)
    traces: dict[str, Numbers] = field(default_factory=dict)
    findings: dict[str, Numbers] = field(default_factory=dict)
    status: dict[str, Any] = field(default_factory=dict)
    last_s: float = 0.0

    @property
    def messages(self) -> int:
        return self.by_kind.total()

    def take(self, topic: str, payload: bytes) -> None:
        """Count one message. Topics are ``acqd/STATION/job/JOB/KIND/…`` or ``…/STATION/KIND``."""
        levels = topic.split("/")
        of_job = len(levels) > 4 and levels[2] == "job"
        kind, job = (levels[4], levels[3]) if of_job else (levels[2], "")
        if kind == "probe":
            return
        self.by_kind[kind] += 1
        self.last_s = time.time()
        if kind in ("summary", "trace"):
            book = self.summaries if kind == "summary" else self.traces
            book.setdefault(job, Numbers()).add(json.loads(payload)["seq"])
        elif kind == "finding":
            number = json.loads(payload).get("number")
            if number is not None:
                self.findings.setdefault(job, Numbers()).add(number)
        elif kind == "status":
            self.status = json.loads(payload)

    def plain(self) -> dict[str, Any]:
        return {
            "by_kind": dict(self.by_kind),
            "summaries": {job: one.runs for job, one in self.summaries.items()},
            "traces": {job: one.runs for job, one in self.traces.items()},
            "findings": {job: one.runs for job, one in self.findings.items()},
            "again": sum(one.again for one in [*self.summaries.values(), *self.traces.values()]),
            "status": self.status,
            "last_s": self.last_s,
        }

    @classmethod
    def read(cls, path: Path) -> Heard:
        """What a file of :class:`Listener` holds; nothing, where there is none yet."""
        try:
            found = json.loads(path.read_text("utf-8"))
        except FileNotFoundError:
            return cls()
        books = {
            name: {job: Numbers(runs) for job, runs in found[name].items()}
            for name in ("summaries", "traces", "findings")
        }
        by_kind = Counter(found["by_kind"])
        return cls(by_kind=by_kind, status=found["status"], last_s=found["last_s"], **books)


class Listener:
    """The process. It is connected when it has been made; :meth:`end` takes what it heard.

    Raises:
        RuntimeError: it could not connect to the broker.
    """

    def __init__(self, port: int, path: Path) -> None:
        self._path = path
        spawn = multiprocessing.get_context("spawn")
        self._pipe, other = spawn.Pipe()
        self._process = spawn.Process(target=_listen, args=(port, path, other), daemon=True)
        self._process.start()
        other.close()
        try:
            if not self._pipe.poll(CONNECT_S):
                self._process.kill()
                raise RuntimeError(f"no broker answers at 127.0.0.1:{port}")
            self._pipe.recv()
        except EOFError:
            raise RuntimeError("the subscriber ended before it could listen; see above") from None

    def heard(self) -> Heard:
        """What it had heard a few seconds ago."""
        return Heard.read(self._path)

    def end(self) -> Heard:
        """Let it write down what it heard, and end it."""
        self._pipe.close()
        self._process.join(END_S)
        if self._process.is_alive():
            self._process.kill()
            self._process.join()
        return Heard.read(self._path)


def _listen(port: int, path: Path, pipe: Connection) -> None:
    """In the process: until the other end of ``pipe`` is closed."""
    from paho.mqtt.client import Client
    from paho.mqtt.enums import CallbackAPIVersion

    # Ctrl-C is for who started us; what was heard is still to be written down.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    heard = Heard()

    def on_connect(client: Any, *_: Any) -> None:
        client.subscribe("acqd/#", qos=1)

    def on_subscribe(*_: Any) -> None:
        if not told:
            told.append(True)
            pipe.send(True)

    told: list[bool] = []
    client = Client(CallbackAPIVersion.VERSION2, client_id=f"endurance-{os.getpid()}")
    client.on_connect, client.on_subscribe = on_connect, on_subscribe
    client.on_message = lambda _, __, message: heard.take(message.topic, bytes(message.payload))
    client.reconnect_delay_set(1, 1)
    client.connect_async("127.0.0.1", port)
    wrote_s = time.monotonic()
    # Its own loop, in this thread: no lock between who counts and who writes.
    _connect(client, pipe)
    while not pipe.poll(0):
        if client.loop(timeout=0.2):
            _connect(client, pipe)
        if time.monotonic() - wrote_s >= WRITE_EVERY_S:
            wrote_s = time.monotonic()
            _write(path, heard)
    _write(path, heard)


def _connect(client: Any, pipe: Connection) -> None:
    while not pipe.poll(0):
        try:
            client.reconnect()
        except OSError:
            time.sleep(0.2)
        else:
            return


def _write(path: Path, heard: Heard) -> None:
    whole = path.with_suffix(".tmp")
    whole.write_text(json.dumps(heard.plain()), "utf-8")
    whole.replace(path)
