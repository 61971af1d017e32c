"""``kill -9`` of the station, at moments of every kind."""

from __future__ import annotations

import time

from faults_parts.bench import JOBS, FaultBench
from faults_parts.registry import fault

SEAL_LIMIT_S = 4.0
LOOK_S = 0.002


@fault(
    "kill-any-time",
    "kill -9 of the station at a random moment",
    guarantees=("G1", "G3", "G5"),
    strikes="station",
    is_kill=True,
    share=0.35,
)
def any_time(bench: FaultBench) -> None:
    bench.sleep(0.0, 1.2)
    bench.kill()


@fault(
    "kill-after-message",
    "kill -9 of the station the moment that one of its sweeps is published",
    guarantees=("G1",),
    strikes="station",
    is_kill=True,
    share=0.2,
)
def after_message(bench: FaultBench) -> None:
    job = bench.chance.choice(JOBS).name
    # Where a broker is taken away at the same time nothing may be heard: then at another moment.
    try:
        bench.until_heard(len(bench.record.heard), job=job)
    finally:
        bench.kill()


@fault(
    "kill-after-finding",
    "kill -9 of the station the moment that a finding is published",
    guarantees=("G1",),
    strikes="station",
    is_kill=True,
    share=0.1,
)
def after_finding(bench: FaultBench) -> None:
    try:
        bench.until_heard(len(bench.record.heard), kind="finding")
    finally:
        bench.kill()


@fault(
    "kill-starting",
    "kill -9 of the station while it starts, after another kill",
    guarantees=("G1", "G5"),
    strikes="station",
    is_kill=True,
    share=0.15,
)
def starting(bench: FaultBench) -> None:
    bench.kill()
    station = bench.start()
    # Importing takes most of a start; from there on by chance.
    bench.sleep(0.2, 0.9)
    if bench.chance.random() < 0.7:
        limit_s = time.monotonic() + 10.0
        while not station.logged("config") and station.is_up and time.monotonic() < limit_s:
            time.sleep(LOOK_S)
        bench.sleep(0.0, 0.35)
    bench.kill()


@fault(
    "kill-stopping",
    "kill -9 of the station while it stops",
    guarantees=("G1", "G3", "G5"),
    strikes="station",
    is_kill=True,
    share=0.08,
)
def stopping(bench: FaultBench) -> None:
    station = bench.start()
    station.was_killed = True
    station.send(15)
    bench.sleep(0.0, 0.5)
    bench.kill()


@fault(
    "kill-sealing",
    "kill -9 of the station while it writes sweeps into files",
    guarantees=("G1", "G3", "G5"),
    strikes="station",
    is_kill=True,
    share=0.12,
)
def sealing(bench: FaultBench) -> None:
    """Sealed is every ten seconds, and the last journal after each start."""
    bench.kill()
    bench.start()
    sweeps = bench.archive / "sweeps"
    until_s = time.monotonic() + SEAL_LIMIT_S
    while time.monotonic() < until_s:
        if any(sweeps.glob("*/*/*.tmp")):
            break
        time.sleep(LOOK_S)
    bench.sleep(0.0, 0.02)
    bench.kill()
