"""Sweepers that go and come back: killed, unplugged, plugged in again elsewhere."""

from __future__ import annotations

import os

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
    bench.sims[name].process.kill()
    bench.sims[name].process.wait()
    bench.sleep(0.2, 2.5)
    bench.sims[name].restart()


@fault(
    "sweeper-unplugged",
    "a sweeper's port vanishes, and comes back after some seconds under its old name",
    guarantees=("G5", "G6"),
    strikes="sweeper",
)
def unplugged(bench: FaultBench) -> None:
    name = bench.chance.choice(sorted(bench.sims))
    bench.sims[name].order(f"{name} unplug")
    bench.sleep(0.3, 2.5)
    bench.sims[name].order(f"{name} replug")


@fault(
    "sweeper-other-terminal",
    "a sweeper is unplugged and comes back as another terminal behind the same link",
    guarantees=("G5", "G6"),
    strikes="sweeper bench",
)
def other_terminal(bench: FaultBench) -> None:
    link = bench.folder / "bench.tty"
    before = os.readlink(link)
    bench.sims["bench"].order("bench unplug")
    # The number is free again: whoever takes it meanwhile makes the next one another.
    ours, theirs = os.openpty()
    bench.sleep(0.3, 2.0)
    bench.sims["bench"].order("bench replug")
    os.close(ours)
    os.close(theirs)
    assert os.readlink(link) != before
