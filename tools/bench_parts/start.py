"""How long a command of a few words takes, the whole process."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from bench_parts.figures import Figure, Report, Target, rounds

__all__ = ["bench_start"]


def bench_start(report: Report, *, repeat: int) -> None:
    """``repeat`` starts each way, by turns."""
    program = Path(sys.executable).with_name("acqd")
    if not program.exists():
        report.skipped["start"] = f"{program} is not there; tools/setup installs it"
        return
    found = rounds(
        repeat,
        {
            "help": _start([str(program), "--help"]),
            "bare": _start([sys.executable, "-c", "pass"]),
        },
    )
    report.figures.append(
        Figure(
            name="acqd --help",
            what="acqd --help, whole process",
            unit="ms",
            samples=found["help"],
            baseline="python -c pass",
            base=found["bare"],
            targets=(Target(60.0, of="figure"), Target(5.0)),
        )
    )


def _start(command: Sequence[str]) -> Callable[[], float]:
    def measure() -> float:
        started_s = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        return (time.perf_counter() - started_s) * 1e3

    return measure
