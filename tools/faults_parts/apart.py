"""A driver in a process of its own, which is killed, crashes or freezes under the station.

The first of these on a bench starts the station anew with ``isolation = "process"``; it stays so
for the rest of the leg.
"""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path

from acqd.archive.records import GapRecord
from faults_parts.bench import FaultBench
from faults_parts.checks import open_kept
from faults_parts.registry import fault
from peers import wait_for

__all__ = ["driver_pid"]

APART = 'isolation = "process"\n'
TOLD = {"SIGSTOP": "driver_stuck"}
"""What the station says of it, where that is not ``driver_died``."""
NO_LOSS = {"overrun", "station down"}
"""Reasons that have nothing to do with another sweeper's driver."""


def driver_pid(station: int, sweeper: str) -> int | None:
    """The process of a sweeper's driver among the children of a station."""
    for task in Path(f"/proc/{station}/task").glob("*/children"):
        for child in task.read_text("ascii").split():
            try:
                words = Path(f"/proc/{child}/cmdline").read_bytes().split(b"\0")
            except OSError:
                continue
            if b"acqd.drivers.child" in words and sweeper.encode() in words:
                return int(child)
    return None


def _apart(bench: FaultBench) -> None:
    if APART in bench.config_path.read_text("utf-8"):
        return
    bench.stop()
    bench.write_config(sweeper_more=APART)
    bench.mend()


def _signal(fault_name: str, name: str, does: str) -> None:
    number = signal.Signals[name]

    @fault(
        fault_name,
        f"the process of a sweeper's driver {does}",
        guarantees=("G5", "G6"),
        strikes="sweeper mast",
        mixes=False,
        times=(1, 4),
    )
    def hurt(bench: FaultBench) -> None:
        _apart(bench)
        station = bench.start()
        said = TOLD.get(name, "driver_died")
        before = sum(f'"event": "{said}"' in line for line in station.lines)
        pid = station.process.pid
        child = wait_for("the driver's process", lambda: driver_pid(pid, "mast"))
        bench.sleep(0.0, 0.3)
        since_s = time.time()
        os.kill(child, number)
        wait_for(
            f"the station to say {said}",
            lambda: station.logged(said, before + 1) or not station.is_up,
            said=bench.words,
        )
        bench.until_heard(len(bench.record.heard), job="marine-vhf")
        bench.wrong += _others(bench, since_s)


def _others(bench: FaultBench, since_s: float) -> list[str]:
    """What the job of the other sweeper lost by it."""
    lost = [
        gap
        for gap in open_kept(bench.archive).gaps("calling", since_s)
        if isinstance(gap, GapRecord) and gap.count and gap.reason not in NO_LOSS
    ]
    return [f"calling: {gap.count} of another sweeper are lost: {gap.reason}" for gap in lost]


_signal("driver-killed", "SIGKILL", "is killed with kill -9")
_signal("driver-crashed", "SIGSEGV", "ends by a segmentation fault")
_signal("driver-frozen", "SIGSTOP", "freezes for ever")
