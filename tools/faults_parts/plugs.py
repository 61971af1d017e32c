"""Sweepers that go and come back: killed, unplugged, plugged in again elsewhere."""

from __future__ import annotations

from pathlib import Path

from faults_parts.bench import FaultBench
from faults_parts.registry import fault


@fault(
    "sweeper-killed-tcp",
    "kill -9 of the sweeper's server behind a TCP port, which comes back after some seconds",
    guarantees=("G5", "G6"),
    strikes="sweeper mast",
    times=(1, 4),
)
def killed_tcp(bench: FaultBench) -> None:
    _killed(bench, "mast")


@fault(
    "sweeper-killed-pty",
    "kill -9 of the sweeper's server behind a pseudo-terminal, which comes back after some seconds",
    guarantees=("G5", "G6"),
    strikes="sweeper bench",
    times=(1, 4),
)
def killed_pty(bench: FaultBench) -> None:
    _killed(bench, "bench")


def _killed(bench: FaultBench, name: str) -> None:
    bench.kill_sim(name)
    bench.sleep(0.2, 2.5)
    bench.restart_sim(name)


@fault(
    "sweeper-unplugged-tcp",
    "the port of a sweeper on the network vanishes, and comes back after some seconds",
    guarantees=("G5", "G6"),
    strikes="sweeper mast",
)
def unplugged_tcp(bench: FaultBench) -> None:
    bench.sims["mast"].order("mast unplug")
    bench.sleep(0.3, 2.5)
    bench.sims["mast"].order("mast replug")


@fault(
    "sweeper-unplugged-pty",
    "a sweeper on a serial port is unplugged, and plugged in again at the same port",
    guarantees=("G5", "G6"),
    strikes="sweeper bench",
)
def unplugged_pty(bench: FaultBench) -> None:
    _plug_out_and_in(bench, bench.desk.home)


@fault(
    "sweeper-other-port",
    "a sweeper on a serial port is unplugged, and is a port of another name when it is back",
    guarantees=("G5", "G6"),
    strikes="sweeper bench",
    times=(1, 4),
)
def other_port(bench: FaultBench) -> None:
    _plug_out_and_in(bench, bench.desk.another())


def _plug_out_and_in(bench: FaultBench, port: Path) -> None:
    bench.sims["bench"].order("bench unplug")
    bench.desk.nothing()
    bench.sleep(0.3, 2.0)
    bench.sims["bench"].order(f"bench replug {port}")
    bench.desk.at(port)
