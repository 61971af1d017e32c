"""Much to tell and nobody to take it: thousands of findings without a broker, and a subscriber that
reads a few bytes a second."""

from __future__ import annotations

import json
import os
import socket
import sqlite3
import struct
import threading
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from acqd.archive.layout import ledger_path
from faults_parts.bench import FaultBench, Job
from faults_parts.record import job_of, kind_of
from faults_parts.registry import fault
from peers import wait_for
from station_bench import HOST, JOB, Sim

__all__ = ["FINDINGS", "SlowReader"]

FINDINGS = 10_000
FILL_LIMIT_S = 240.0
OUT_LIMIT_S = 120.0
BYTES_PER_S = 20
READ_LIMIT_S = 5.0
GROWN_BYTES = 24 << 20
"""A station that has just started still grows; a queue for three who do not read would by more."""
CROWD = """
seed = 11
[scene.quay]
noise = { c = "76.8 dB", d = "27.7 dB" }
[instrument.crowd]
scene = "quay"
serial_number = "GL0099"
residuals = 0
sweep_factor = 1.0
"""
TABLES = """
[sweeper.crowd]
driver = "scpi"
address = "{address}"
options = {{ source = "no" }}
"""


@fault(
    "findings-10000",
    "10,000 findings are made while the broker is away, which then comes back",
    guarantees=("G1", "G8"),
    strikes="station broker",
    brokers=("own",),
    mixes=False,
    times=(1, 2),
)
def many_findings(bench: FaultBench) -> None:
    """A job with a margin that noise exceeds many times a sweep."""
    sim, job = _crowd(bench)
    try:
        bench.stop()
        bench.write_config(more=[_tables(sim, job)])
        assert bench.mosquitto is not None
        bench.mosquitto.end()
        bench.start()
        _until(
            f"{FINDINGS} findings in the archive",
            lambda: _newest(bench.archive, job.name) >= FINDINGS,
            FILL_LIMIT_S,
            bench,
        )
        sim.order("crowd unplug")
        if bench.chance.random() < 0.5:
            # They wait in the archive, not in its memory.
            bench.kill()
            bench.start()
        last = _newest(bench.archive, job.name)
        bench.mosquitto.start()
        heard = _Heard(bench, job.name)
        _until("the newest finding to be heard", lambda: heard.has(last), OUT_LIMIT_S, bench)
        bench.stop()
    finally:
        bench.write_config()
        sim.end()


def _crowd(bench: FaultBench) -> tuple[Sim, Job]:
    scene = bench.folder / "crowd.toml"
    scene.write_text(CROWD)
    sim = Sim(scene, {"crowd": "tcp"}, time_scale=0.02)
    job = Job(name=f"crowd-{len(bench.guests) + 1}", sweeper="crowd", every_s=0.02)
    bench.guests.append(job)
    return sim, job


def _tables(sim: Sim, job: Job) -> str:
    words = JOB.format(name=job.name, sweeper=job.sweeper, when=job.when, more="")
    words = words.replace('margin = "10 dB"', 'margin = "4 dB", flapping = "0 s"')
    words = words.replace("points = 101", "points = 1001")
    return TABLES.format(address=sim.addresses["crowd"]) + words


def _newest(root: Path, job: str) -> int:
    """The number of the last finding that is kept."""
    words = f"file:{ledger_path(root)}?mode=ro"
    with closing(sqlite3.connect(words, uri=True, timeout=10.0)) as db:
        found = db.execute("SELECT max(number) FROM finding WHERE job = ?", (job,)).fetchone()[0]
    return int(found or 0)


def _until(what: str, condition: Callable[[], bool], limit_s: float, bench: FaultBench) -> None:
    """As others wait, but asked twice a second: the answer is some work."""

    def now() -> bool:
        time.sleep(0.5)
        return condition()

    wait_for(what, now, limit_s, said=bench.words)


class _Heard:
    """The newest finding of a job that was heard, each message read once."""

    def __init__(self, bench: FaultBench, job: str) -> None:
        self._bench, self._job = bench, job
        self._place = 0
        self.newest = 0

    def has(self, number: int) -> bool:
        heard = self._bench.record.heard
        end = len(heard)
        for one in heard[self._place : end]:
            if kind_of(one.topic) == "finding" and job_of(one.topic) == self._job:
                self.newest = max(self.newest, json.loads(one.payload).get("number", 0))
        self._place = end
        return self.newest >= number


class SlowReader:
    """Subscribes to everything and reads a few bytes a second, as over a line that is nearly dead:
    MQTT 3.1.1, sections 3.1 and 3.8, on a socket with the least buffer there is."""

    def __init__(self, port: int) -> None:
        self.read_bytes = 0
        self._stop = threading.Event()
        self._socket = socket.socket()
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
        self._socket.settimeout(READ_LIMIT_S)
        self._socket.connect((HOST, port))
        name = b"slow-reader"
        connect = b"\x00\x04MQTT\x04\x02\x02\x58" + struct.pack(">H", len(name)) + name
        topic = b"acqd/#"
        subscribe = b"\x00\x01" + struct.pack(">H", len(topic)) + topic + b"\x01"
        for kind, body in ((0x10, connect), (0x82, subscribe)):
            self._socket.sendall(bytes([kind, len(body)]) + body)
        self._thread = threading.Thread(target=self._read, name="slow-reader", daemon=True)
        self._thread.start()

    def _read(self) -> None:
        while not self._stop.wait(1.0 / BYTES_PER_S):
            try:
                got = self._socket.recv(1)
            except OSError:
                return
            if not got:
                return
            self.read_bytes += 1

    def end(self) -> None:
        self._stop.set()
        self._socket.close()
        self._thread.join(READ_LIMIT_S)


@fault(
    "subscriber-slow",
    "three subscribers to everything read a few bytes a second, for some seconds",
    guarantees=("G1", "G8"),
    strikes="listener",
    times=(1, 4),
)
def slow(bench: FaultBench) -> None:
    station = bench.start()
    bench.subscriber.until_up()
    since = len(bench.record.heard)
    bench.until_heard(since)
    before = _rss_bytes(station.process.pid)
    readers = [SlowReader(bench.port) for _ in range(3)]
    try:
        until_s = time.monotonic() + bench.chance.uniform(3.0, 9.0)
        since = len(bench.record.heard)
        while time.monotonic() < until_s:
            bench.sleep(0.5, 1.0)
            # The other one hears on.
            since = len(bench.record.heard)
            bench.until_heard(since)
    finally:
        for one in readers:
            one.end()
    if station.is_up:
        grown = _rss_bytes(station.process.pid) - before
        if grown > GROWN_BYTES:
            bench.wrong.append(f"the station grew by {grown >> 20} MiB with slow subscribers")
    if not all(one.read_bytes for one in readers):
        bench.wrong.append("a slow subscriber read nothing")


def _rss_bytes(pid: int) -> int:
    """Resident memory; 0 of a process that is gone."""
    try:
        words = Path(f"/proc/{pid}/statm").read_text("ascii").split()
    except OSError:
        return 0
    return int(words[1]) * os.sysconf("SC_PAGE_SIZE")
