"""What one sweep costs from the driver's answer to messages that wait for their broker."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager
from pathlib import Path

import h5py
import numpy as np

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.station.job import Taken
from bench_parts.driver import InstantDriver
from bench_parts.figures import Figure, Report, Samples, Target, rounds
from bench_parts.material import POINTS, Material, Running, noise_dbm, running

__all__ = ["bench_sweep"]

ROWS = 128
"""Rows that the compared script writes over and over, so that its input is warm too."""


class _Cost:
    """Wall and CPU time (all threads) a sweep of the last call, in µs."""

    def __init__(self, sweeps: int) -> None:
        self._sweeps = sweeps
        self._wall_s, self._cpu_s = time.perf_counter(), time.process_time()

    def done(self) -> tuple[float, float]:
        wall_s = time.perf_counter() - self._wall_s
        cpu_s = time.process_time() - self._cpu_s
        return wall_s / self._sweeps * 1e6, cpu_s / self._sweeps * 1e6


def bench_sweep(report: Report, folder: Path, *, count: int, repeat: int) -> None:
    """``repeat`` rounds of ``count`` sweeps each way."""
    asyncio.run(_bench(report, folder, count, repeat))


async def _bench(report: Report, folder: Path, count: int, repeat: int) -> None:
    loop = asyncio.get_running_loop()
    with h5py.File(folder / "script.h5", "w") as file, (folder / "plain").open("wb") as plain:
        async with (
            running(folder / "quiet", Material()) as quiet,
            running(folder / "busy", Material(carriers=True)) as busy,
            running(folder / "hosted", Material()) as hosted,
            _opened() as host,
        ):
            ways: dict[str, Callable[[], Awaitable[tuple[float, float]]]] = {
                "one": lambda: _one_by_one(quiet, count),
                "busy": lambda: _one_by_one(busy, count),
                "hosted": lambda: _by_host(host, hosted, count),
                "tens": lambda: _in_tens(quiet, count),
                "script": _sync(_script(file, count)),
                "plain": _sync(_plain(plain.fileno(), count)),
            }
            # The rounds are plain calls; each drives the loop in a thread of its own.
            cpu: dict[str, list[float]] = {name: [] for name in ways}

            def contestant(name: str) -> Callable[[], float]:
                def measure() -> float:
                    future = asyncio.run_coroutine_threadsafe(_awaited(ways[name]), loop)
                    wall_us, cpu_us = future.result()
                    cpu[name].append(cpu_us)
                    return wall_us

                return measure

            wall = await asyncio.to_thread(
                rounds, repeat, {name: contestant(name) for name in ways}
            )
    _tell(report, wall, {name: Samples(tuple(values[1:])) for name, values in cpu.items()})


async def _awaited(way: Callable[[], Awaitable[tuple[float, float]]]) -> tuple[float, float]:
    return await way()


def _sync(run: Callable[[], tuple[float, float]]) -> Callable[[], Awaitable[tuple[float, float]]]:
    async def way() -> tuple[float, float]:
        return run()

    return way


async def _one_by_one(one: Running, count: int) -> tuple[float, float]:
    cost = _Cost(count)
    for _ in range(count):
        await one.keep()
    await asyncio.sleep(0)  # the last messages
    return cost.done()


@asynccontextmanager
async def _opened() -> AsyncIterator[SweeperHost]:
    """A sweeper that answers at once, in a thread of its own as in a station."""
    driver = InstantDriver()
    driver.go.set()
    host = SweeperHost(
        name="bench", driver=driver, address="bench:", options={}, clock=SystemClock()
    )
    await host.open()
    try:
        yield host
    finally:
        await host.close()


async def _by_host(host: SweeperHost, one: Running, count: int) -> tuple[float, float]:
    request, capabilities = one.material.request, one.material.capabilities
    cost = _Cost(count)
    for _ in range(count):
        sweep = await host.sweep(request)
        taken = Taken(
            sweep=sweep,
            capabilities=capabilities,
            step=0,
            due_s=sweep.started_s,
            first_of_pass=True,
        )
        await one.keep_taken([taken])
    await asyncio.sleep(0)
    return cost.done()


async def _in_tens(one: Running, count: int) -> tuple[float, float]:
    tens = max(1, count // 10)
    cost = _Cost(10 * tens)
    for _ in range(tens):
        await one.keep(10)
    await asyncio.sleep(0)
    return cost.done()


def _script(file: h5py.File, count: int) -> Callable[[], tuple[float, float]]:
    """The ten lines that anybody would write: append a row, flush. Not safe from a power cut."""
    levels = noise_dbm(ROWS, POINTS).astype(np.float32)
    data = file.create_dataset(
        "level", (0, POINTS), maxshape=(None, POINTS), chunks=(1, POINTS), dtype="f4"
    )
    stamps = file.create_dataset("time", (0,), maxshape=(None,), chunks=(1024,), dtype="f8")

    def run() -> tuple[float, float]:
        cost = _Cost(count)
        for i in range(count):
            n = data.shape[0]
            data.resize(n + 1, axis=0)
            data[n] = levels[i % ROWS]
            stamps.resize(n + 1, axis=0)
            stamps[n] = time.time()
            file.flush()
        return cost.done()

    return run


def _plain(handle: int, count: int) -> Callable[[], tuple[float, float]]:
    """What a disk asks for a sweep at the least: write its 4 kB, wait until they are there."""
    data = noise_dbm(ROWS, POINTS).astype(np.float32)

    def run() -> tuple[float, float]:
        cost = _Cost(count)
        for i in range(count):
            os.write(handle, data[i % ROWS].tobytes())
            os.fdatasync(handle)
        return cost.done()

    return run


def _tell(report: Report, wall: dict[str, Samples], cpu: dict[str, Samples]) -> None:
    plain, script = "4 kB write + fdatasync", "h5py append + flush"
    report.figures += [
        Figure(
            name="sweep wall",
            what=f"one sweep of {POINTS} points, checked to queued",
            unit="µs",
            samples=wall["one"],
            baseline=plain,
            base=wall["plain"],
            targets=(Target(1.6), Target(1.3)),
        ),
        Figure(
            name="sweep wall, script",
            what="the same",
            unit="µs",
            samples=wall["one"],
            baseline=script,
            base=wall["script"],
        ),
        Figure(
            name="sweep CPU",
            what="the same, CPU of all threads",
            unit="µs",
            samples=cpu["one"],
            baseline=script,
            base=cpu["script"],
            targets=(Target(1.5),),
        ),
        Figure(
            name="sweep wall, signals",
            what="the same with two signals up",
            unit="µs",
            samples=wall["busy"],
            baseline=plain,
            base=wall["plain"],
        ),
        Figure(
            name="sweep wall, thread",
            what="the same, asked of a driver in its own thread first",
            unit="µs",
            samples=wall["hosted"],
            baseline=plain,
            base=wall["plain"],
        ),
        Figure(
            name="rate in tens",
            what="sweeps a second, ten to a commit",
            unit="1/s",
            samples=Samples(tuple(1e6 / value for value in wall["tens"].values)),
            baseline=script,
            base=Samples(tuple(1e6 / value for value in wall["script"].values)),
            targets=(Target(3000.0, at_least=True, of="figure"),),
        ),
    ]
