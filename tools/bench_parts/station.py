"""A whole station in a process of its own that writes its size into a pipe.

This module imports nothing but what every program has: what it needs is imported as ``acqd run``
would, and nothing of the bench's own is in the way.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
from multiprocessing.connection import Connection
from pathlib import Path

__all__ = ["MB", "run_station"]

IDLE_S = 1.5
LOOK_EVERY_S = 0.05
SEAL_EVERY_S = 3.0
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


def run_station(folder: Path, sweeps: int, port: int | None, pipe: Connection) -> None:
    """Run a station until ``sweeps`` were taken, with a broker on ``port`` if there is one."""
    import logging

    # An installation has no such library; here one of the development tools brings it, and
    # structlog would load it for coloured tracebacks: 4.5 MB that are not the station's.
    sys.modules["rich"] = None  # type: ignore[assignment]
    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))
    asyncio.run(_run(folder, sweeps, port, pipe))


async def _run(folder: Path, sweeps: int, port: int | None, pipe: Connection) -> None:
    from dataclasses import replace

    from acqd.clock import SystemClock
    from acqd.config.load import load_config
    from acqd.drivers.registry import load_drivers
    from acqd.station.build import build
    from acqd.station.service import Station
    from bench_parts.driver import InstantDriver

    path = folder / "station.toml"
    address = f'address = "127.0.0.1:{port}"' if port else ""
    text = CONFIG.format(
        archive=folder / "archive", broker="local" if port else "none", address=address
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
