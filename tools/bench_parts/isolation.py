"""What a process of its own costs a driver, beside the thread that it has else.

The same host opens the same driver, which answers at once, in either; they come by turns in the
same rounds, so that what is compared met the same weather. What is counted in a sweep is the host
with its checks, the calls and the answers.
"""

from __future__ import annotations

import asyncio
import time
from collections import deque
from collections.abc import Awaitable, Callable
from functools import partial
from pathlib import Path

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost
from acqd.drivers.process import ProcessMaker, ProcessWorker
from acqd.drivers.worker import Calls, MakeWorker, Worker
from acqd.sweep import SweepRequest
from bench_parts.figures import Figure, Report, Samples, Target, quantile, rounds
from bench_parts.quick import QuickDriver

__all__ = ["bench_isolation"]

POINTS = (1001, 10_001)


class _Standing:
    """One host whose driver runs in a thread or a process."""

    def __init__(self, make_worker: MakeWorker) -> None:
        self.worker: Calls | None = None
        self.cpu_ms: deque[float] = deque()
        self._make = make_worker
        self.host = SweeperHost(
            name="bench",
            driver=QuickDriver(),
            address="memory:",
            options={},
            clock=SystemClock(),
            make_worker=self._made,
        )

    def _made(self, **parts: object) -> Calls:
        self.worker = self._make(**parts)  # type: ignore[arg-type]  # passed on as they come
        return self.worker


def bench_isolation(report: Report, *, count: int, openings: int, repeat: int) -> None:
    """``repeat`` rounds of ``count`` sweeps each way, and as many of ``openings``."""
    with asyncio.Runner() as runner:
        standing = {"thread": _Standing(Worker), "process": _Standing(ProcessMaker())}

        def run(work: Callable[[], Awaitable[float]]) -> float:
            return runner.run(work())  # type: ignore[arg-type]  # a coroutine function each time

        opened = rounds(
            repeat,
            {name: partial(run, partial(_open, one, openings)) for name, one in standing.items()},
        )
        report.figures.append(
            Figure(
                name="open process",
                what="open, identify, capabilities and close, driver in a process",
                unit="ms",
                samples=opened["process"],
                baseline="in a thread",
                base=opened["thread"],
            )
        )
        for points in POINTS:
            for one in standing.values():
                one.cpu_ms = deque(maxlen=repeat)
            swept = rounds(
                repeat,
                {
                    name: partial(run, partial(_sweep, one, points, count))
                    for name, one in standing.items()
                },
            )
            report.figures.append(
                Figure(
                    name=f"sweep process {points}",
                    what=f"one sweep of {points:,} points through the host, median of {count}",
                    unit="ms",
                    samples=swept["process"],
                    baseline="in a thread",
                    base=swept["thread"],
                )
            )
            report.figures.append(
                Figure(
                    name=f"CPU process {points}",
                    what=f"processor time of the same, both sides, {count} sweeps together",
                    unit="ms",
                    samples=Samples(tuple(standing["process"].cpu_ms)),
                    baseline="in a thread",
                    base=Samples(tuple(standing["thread"].cpu_ms)),
                )
            )
        for name, value in _memory(standing["process"]).items():
            report.figures.append(
                Figure(
                    name=name,
                    what=f"of the driver's process after sweeps of {POINTS[-1]:,} points",
                    unit="MB",
                    samples=Samples((value,)),
                    targets=(Target(45.0, of="figure"),) if name == "RSS process" else (),
                )
            )
        for one in standing.values():
            runner.run(one.host.close())


async def _open(standing: _Standing, openings: int) -> float:
    """Milliseconds an opening and closing."""
    await standing.host.close()
    began_s = time.perf_counter()
    for _ in range(openings):
        await standing.host.open()
        await standing.host.close()
    return (time.perf_counter() - began_s) / openings * 1e3


async def _sweep(standing: _Standing, points: int, count: int) -> float:
    """Milliseconds a sweep, the median."""
    if not standing.host.is_open:
        await standing.host.open()
    request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=points, rbw_hz=10e3)
    await standing.host.sweep(request)
    took = []
    began_cpu_s = _cpu_s(standing)
    for _ in range(count):
        began_s = time.perf_counter()
        await standing.host.sweep(request)
        took.append(time.perf_counter() - began_s)
    standing.cpu_ms.append((_cpu_s(standing) - began_cpu_s) / count * 1e3)
    return quantile(took, 0.5) * 1e3


def _cpu_s(standing: _Standing) -> float:
    """Processor time of this process, and of the driver's where it has one."""
    ns = 0
    if isinstance(standing.worker, ProcessWorker):
        threads = Path(f"/proc/{standing.worker.pid}/task").glob("*/schedstat")
        ns = sum(int(thread.read_text().split()[0]) for thread in threads)
    return time.process_time() + ns / 1e9


def _memory(standing: _Standing) -> dict[str, float]:
    """Resident memory in MB, and what of it is not shared with files such as libraries."""
    worker = standing.worker
    assert isinstance(worker, ProcessWorker)
    found = {}
    for line in Path(f"/proc/{worker.pid}/status").read_text().splitlines():
        key, _, value = line.partition(":")
        if key in ("VmRSS", "RssAnon"):
            name = {"VmRSS": "RSS process", "RssAnon": "RSS process own"}[key]
            found[name] = int(value.split()[0]) / 1024
    return found
