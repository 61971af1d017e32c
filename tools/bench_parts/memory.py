"""What a whole station takes of memory: idle, while it seals, and as sweeps go by.

The station runs in a process of its own, as ``acqd run`` would run it, on a driver that answers at
once. That process writes its own size beside the number of its sweeps into a pipe.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import time
from multiprocessing.connection import Connection
from pathlib import Path

import numpy as np

from bench_parts.figures import Figure, Report, Samples, Target
from bench_parts.latency import have_mosquitto

__all__ = ["bench_memory", "slope_per_1000"]

IDLE_S = 1.5
LOOK_EVERY_S = 0.05
SEAL_EVERY_S = 3.0
LIMIT_S = 600.0
MB = 1e6

CONFIG = """
[station]
name = "bench"
archive = "{archive}"

[mqtt]
broker = "{broker}"
{address}

[sweeper.bench]
driver = "sim"
address = "sim:shack"

[job.marine-vhf]
kind = "band"
sweeper = "bench"
start = "156 MHz"
stop = "162.1 MHz"
points = 1001
rbw = "10 kHz"
detector = "rms"
when = {{ back_to_back = true }}
band = {{ channels = "marine-vhf", false_alarm = 1e-6, min_duration = "3 s" }}
"""


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
    child = spawn.Process(target=_station, args=(folder, sweeps, broker, other), daemon=True)
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


def _station(folder: Path, sweeps: int, broker: bool, pipe: Connection) -> None:
    """Run in the other process."""
    import logging

    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    asyncio.run(_run(folder, sweeps, broker, pipe))


async def _run(folder: Path, sweeps: int, broker: bool, pipe: Connection) -> None:
    from dataclasses import replace

    from acqd.clock import SystemClock
    from acqd.config.load import load_config
    from acqd.drivers.registry import load_drivers
    from acqd.station.build import build
    from acqd.station.service import Station
    from bench_parts.driver import InstantDriver

    path = folder / "station.toml"
    address = f'address = "127.0.0.1:{_port()}"' if broker else ""
    text = CONFIG.format(
        archive=folder / "archive", broker="local" if broker else "none", address=address
    )
    path.write_text(text, "utf-8")
    built = build(load_config(path), load_drivers())
    driver = InstantDriver()
    built = replace(
        built,
        seal_every_s=SEAL_EVERY_S,
        sweepers=tuple(replace(one, driver=driver) for one in built.sweepers),
    )
    station = Station(built, clock=SystemClock(), run_id="bench")
    running = asyncio.create_task(station.run())
    await asyncio.sleep(IDLE_S)
    _look(pipe, driver.swept)
    driver.go.set()
    while driver.swept < sweeps and not running.done():
        await asyncio.sleep(LOOK_EVERY_S)
        _look(pipe, driver.swept)
    station.stop()
    with contextlib.suppress(asyncio.CancelledError):
        await running


def _look(pipe: Connection, swept: int) -> None:
    # Not getrusage(): its largest size begins with that of the process that started this one.
    status = dict(
        line.split(":", 1) for line in Path("/proc/self/status").read_text("ascii").splitlines()
    )
    rss_kib, largest_kib = (int(status[name].split()[0]) for name in ("VmRSS", "VmHWM"))
    pipe.send((swept, rss_kib * 1024 / MB, largest_kib * 1024 / MB))


def _port() -> int:
    from bench_parts.latency import free_port

    return free_port()
