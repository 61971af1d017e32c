"""What a broker and the way to it do: it is killed, and the link breaks or swallows all."""

from __future__ import annotations

import os
import signal
from pathlib import Path

from faults_parts.bench import FaultBench
from faults_parts.registry import fault
from peers import wait_for

__all__ = ["broker_pid"]


def broker_pid(bench: FaultBench) -> int:
    """The process of the broker: the bench's own, or the station's child."""
    if bench.mosquitto is not None:
        assert bench.mosquitto.process is not None
        return bench.mosquitto.process.pid
    station = bench.start().process.pid
    found: int = wait_for("the station's broker", lambda: _child_of(station))
    return found


def _child_of(pid: int) -> int | None:
    """The broker among the children of a station: reports and pages are children too."""
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        for child in task.read_text("ascii").split():
            try:
                words = Path(f"/proc/{child}/cmdline").read_bytes()
            except OSError:
                continue
            if b"mosquitto" in words or b"embedded_child" in words:
                return int(child)
    return None


@fault(
    "broker-killed",
    "kill -9 of the broker, which is started again (by the station where it is its own)",
    guarantees=("G1", "G8"),
    strikes="broker",
    times=(1, 4),
)
def killed(bench: FaultBench) -> None:
    bench.sleep(0.0, 0.5)
    os.kill(broker_pid(bench), signal.SIGKILL)
    if bench.mosquitto is not None:
        bench.sleep(0.2, 2.0)


@fault(
    "broker-link-cut",
    "the connection to the broker breaks off, five times in a row",
    guarantees=("G1", "G8"),
    strikes="broker",
    brokers=("own",),
    times=(1, 4),
)
def link_cut(bench: FaultBench) -> None:
    assert bench.tap is not None
    for _ in range(5):
        bench.sleep(0.05, 0.6)
        bench.tap.cut()


@fault(
    "broker-link-swallows",
    "the network to the broker swallows everything for some seconds, then the link breaks off",
    guarantees=("G1", "G8"),
    strikes="broker",
    brokers=("own",),
)
def link_swallows(bench: FaultBench) -> None:
    assert bench.tap is not None
    bench.tap.hold(True)
    bench.sleep(1.0, 4.0)
    bench.tap.cut()
    bench.tap.hold(False)
