"""The report of a night: how long it takes, and how much memory, beside a bare reading of the same.

Both run in processes of their own, by turns. The baseline is what anybody would write in ten lines:
read the same levels once, block by block, and take largest, mean and smallest. It draws nothing,
counts nothing and judges nothing.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from bench_parts.figures import Figure, Report, Samples, Target, rounds
from bench_parts.night import KeptNight, kept_night

__all__ = ["bench_report"]

MB = 1e6

SAY_PEAK = """
import atexit, sys
def say():
    with open("/proc/self/status") as status:
        peak = next(line for line in status if line.startswith("VmHWM"))
    with open(sys.argv.pop(), "w") as file:
        file.write(peak.split()[1])
atexit.register(say)
"""
"""Not getrusage(): its largest size begins with that of the process that started this one."""

REPORT = """
peak = sys.argv.pop()
from acqd.cli import main
try:
    main()
finally:
    sys.argv.append(peak)
"""

BARE = """
import h5py, numpy
largest, smallest, total, seen = -numpy.inf, numpy.inf, 0.0, 0
for path in sys.argv[1:-1]:
    with h5py.File(path) as file:
        for first in range(0, file["level"].shape[0], 1024):
            level = file["level"][first : first + 1024]
            largest = numpy.maximum(largest, level.max(axis=0))
            smallest = numpy.minimum(smallest, level.min(axis=0))
            total = total + level.sum(axis=0, dtype=float)
            seen += len(level)
mean = total / seen
"""


@dataclass(slots=True)
class _Run:
    """One process: seconds from start to end, seconds on a core, largest size."""

    wall_s: float
    cpu_s: float
    peak_mb: float


class _Contestant:
    """A program that is run once a round; the figures beside its wall time are kept here."""

    def __init__(self, folder: Path, script: str, arguments: list[str]) -> None:
        self._peak = folder / "peak"
        self._command = [sys.executable, "-c", SAY_PEAK + script, *arguments, str(self._peak)]
        self.runs: list[_Run] = []

    def __call__(self) -> float:
        started_s = time.perf_counter()
        process = subprocess.Popen(
            self._command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        assert process.stderr is not None
        said = process.stderr.read()
        _, status, usage = os.wait4(process.pid, 0)
        wall_s = time.perf_counter() - started_s
        process.returncode = os.waitstatus_to_exitcode(status)
        process.stderr.close()
        if process.returncode != 0:
            raise RuntimeError(f"a process ended with {process.returncode}: {said[-2000:]}")
        peak_mb = int(self._peak.read_text()) * 1024 / MB
        self.runs.append(_Run(wall_s, usage.ru_utime + usage.ru_stime, peak_mb))
        return wall_s

    def samples(self, of: Callable[[_Run], float], count: int) -> Samples:
        """Of the last ``count`` rounds; one before them was for nothing."""
        return Samples(tuple(of(one) for one in self.runs[-count:]))


def bench_report(report: Report, folder: Path, *, sweeps: int, repeat: int) -> None:
    """A night of ``sweeps``, and one of a quarter of it, ``repeat`` times each."""
    nights = [kept_night(folder / str(count), sweeps=count) for count in (sweeps, sweeps // 4)]
    pages = [night.root.parent / "night.html" for night in nights]
    ours = [
        _Contestant(night.root.parent, REPORT, _words(night, page))
        for night, page in zip(nights, pages, strict=True)
    ]
    files = [str(path) for path in nights[0].files()]
    bare = _Contestant(folder, BARE, files)
    contestants: dict[str, Callable[[], float]] = {"whole": ours[0], "short": ours[1], "bare": bare}
    rounds(repeat, contestants, warm=repeat > 1)
    report.figures += _figures(nights, pages, ours, bare, repeat)
    report.notes.append(
        f"report: a night of {sweeps:,} sweeps took {nights[0].took_s:.0f} s to make, its files "
        f"have {sum(path.stat().st_size for path in nights[0].files()) / MB:.0f} MB"
    )


def _words(night: KeptNight, page: Path) -> list[str]:
    when = [datetime.fromtimestamp(at_s, UTC).isoformat() for at_s in (night.start_s, night.stop_s)]
    return ["report", str(night.root), "--from", when[0], "--to", when[1], "-o", str(page)]


def _figures(
    nights: list[KeptNight],
    pages: list[Path],
    ours: list[_Contestant],
    bare: _Contestant,
    repeat: int,
) -> list[Figure]:
    whole, short = ours
    name, baseline = f"{nights[0].sweeps:,} sweeps", "the same levels by h5py: max, mean, min"

    def seconds(run: _Run) -> float:
        return run.wall_s

    def of(one: _Contestant, what: Callable[[_Run], float]) -> Samples:
        return one.samples(what, repeat)

    return [
        Figure(
            name="report wall",
            what=f"acqd report of a night of {name}, whole process",
            unit="s",
            samples=of(whole, seconds),
            baseline=baseline,
            base=of(bare, seconds),
            targets=(Target(12.0), Target(10.0, of="figure")),
        ),
        Figure(
            name="report CPU",
            what="the same, CPU time of all threads",
            unit="s",
            samples=of(whole, lambda run: run.cpu_s),
            baseline=baseline,
            base=of(bare, lambda run: run.cpu_s),
        ),
        Figure(
            name="report RSS",
            what="the same, largest resident memory",
            unit="MB",
            samples=of(whole, lambda run: run.peak_mb),
            baseline=baseline,
            base=of(bare, lambda run: run.peak_mb),
            targets=(Target(250.0, of="figure"),),
        ),
        Figure(
            name="report page",
            what="size of the page",
            unit="MB",
            samples=Samples((pages[0].stat().st_size / MB,)),
            targets=(Target(1.5, of="figure"),),
        ),
        Figure(
            name="report short",
            what=f"wall time of a quarter of it, {nights[1].sweeps:,} sweeps; ratio: the whole",
            unit="s",
            samples=of(short, seconds),
            baseline=f"{name}",
            base=of(whole, seconds),
            upside_down=True,
            targets=(Target(4.0),),
        ),
        Figure(
            name="report short RSS",
            what="its largest resident memory; ratio: the whole",
            unit="MB",
            samples=of(short, lambda run: run.peak_mb),
            baseline=f"{name}",
            base=of(whole, lambda run: run.peak_mb),
            upside_down=True,
            targets=(Target(1.3),),
        ),
    ]
