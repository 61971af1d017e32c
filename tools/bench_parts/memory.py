"""What a whole station takes of memory: idle, while it seals, and as sweeps go by.

The station runs in a process of its own, as ``acqd run`` would run it, on a driver that answers at
once. That process writes its own size beside the number of its sweeps into a pipe.
"""

from __future__ import annotations

import multiprocessing
import time
from pathlib import Path

import numpy as np

from bench_parts.figures import Figure, Report, Samples, Target
from bench_parts.latency import free_port, have_mosquitto
from bench_parts.station import run_station

__all__ = ["bench_memory", "slope_per_1000"]

LIMIT_S = 600.0


def slope_per_1000(sweeps: np.ndarray, rss_mb: np.ndarray) -> tuple[float, float]:
    """MB per 1000 sweeps by least squares, and half of its interval (k = 2).

    The readings hang together, so the interval is made from the means of ten blocks.
    """
    blocks = min(10, sweeps.size)
    x = np.array([part.mean() for part in np.array_split(sweeps / 1000.0, blocks)])
    y = np.array([part.mean() for part in np.array_split(rss_mb, blocks)])
    away = x - x.mean()
    slope = float((away * y).sum() / (away**2).sum())
    left = y - y.mean() - slope * away
    error = float(np.sqrt((left**2).sum() / max(1, blocks - 2) / (away**2).sum()))
    return slope, 2.0 * error


def bench_memory(report: Report, folder: Path, *, sweeps: int) -> None:
    """One station, ``sweeps`` sweeps."""
    spawn = multiprocessing.get_context("spawn")
    pipe, other = spawn.Pipe()
    broker = have_mosquitto()
    child = spawn.Process(
        target=run_station,
        args=(folder, sweeps, free_port() if broker else None, other),
        daemon=True,
    )
    child.start()
    other.close()
    looks: list[tuple[float, float, float]] = []
    try:
        until_s = time.monotonic() + LIMIT_S
        while time.monotonic() < until_s and pipe.poll(30.0):
            looks.append(pipe.recv())
    except EOFError:
        pass
    child.join(10.0)
    if child.exitcode != 0 or len(looks) < 4:
        report.skipped["memory"] = f"the station ended with {child.exitcode}"
        return
    _tell(report, np.array(looks), sweeps, broker)


def _tell(report: Report, looks: np.ndarray, sweeps: int, broker: bool) -> None:
    swept, rss_mb, largest_mb = looks.T
    second = swept > swept[-1] / 2
    slope, half = slope_per_1000(swept[second], rss_mb[second])
    report.figures += [
        Figure(
            name="RSS idle",
            what="station with its sweeper open, before the first sweep",
            unit="MB",
            samples=Samples((float(rss_mb[0]),)),
            targets=(Target(60.0, of="figure"),),
        ),
        Figure(
            name="RSS after",
            what=f"the same after {int(swept[-1]):,} sweeps, several segments sealed",
            unit="MB",
            samples=Samples((float(np.median(rss_mb[-20:])),)),
        ),
        Figure(
            name="RSS most",
            what="largest while sweeping flat out and sealing",
            unit="MB",
            samples=Samples((float(largest_mb[-1]),)),
            targets=(Target(90.0, of="figure"),),
        ),
        Figure(
            name="RSS slope",
            what=f"growth over the second half, ± {half:.3f} (k = 2)",
            unit="MB/1000",
            samples=Samples((slope,)),
            targets=(Target(round(half, 4), of="figure"),),
        ),
    ]
    if not broker:
        report.notes.append("memory: without mosquitto, so the station had no broker to talk to")
