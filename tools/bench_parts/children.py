"""Work in a process of its own: what it takes on a core, and how large the process becomes.

The function gets what it needs imported before the clock runs, so libraries count for the size and
not for the time.
"""

from __future__ import annotations

import multiprocessing
import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

__all__ = ["Spent", "in_child"]

LIMIT_S = 900.0
MB = 1e6

Work = Callable[[], Any]


@dataclass(frozen=True, slots=True)
class Spent:
    """Seconds on a core (all threads), seconds from start to end, the process's size before the
    work and at its largest in MB, and what the work returned."""

    cpu_s: float
    wall_s: float
    before_mb: float
    peak_mb: float
    result: Any


def in_child(prepare: Callable[..., Work], *arguments: Any) -> Spent:
    """What the function costs that ``prepare(*arguments)`` gives; all of it in a new process.

    Raises:
        RuntimeError: it ended without an answer, or did not end.
    """
    spawn = multiprocessing.get_context("spawn")
    pipe, other = spawn.Pipe()
    child = spawn.Process(target=_run, args=(other, prepare, arguments), daemon=True)
    child.start()
    other.close()
    try:
        if not pipe.poll(LIMIT_S):
            raise RuntimeError(f"no answer within {LIMIT_S:g} s")
        spent: Spent = pipe.recv()
    except EOFError:
        raise RuntimeError("a process ended without an answer; see above") from None
    finally:
        if child.is_alive():
            child.join(10.0)
        if child.is_alive():
            child.kill()
            child.join()
    return spent


def _run(pipe: Connection, prepare: Callable[..., Work], arguments: tuple[Any, ...]) -> None:
    _quiet_logs()
    work = prepare(*arguments)
    before_mb = _size_mb("VmRSS")
    began_s, cpu_s = time.perf_counter(), time.process_time()
    result = work()
    wall_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
    pipe.send(Spent(cpu_s, wall_s, before_mb, _size_mb("VmHWM"), result))


def _quiet_logs() -> None:
    import logging

    import structlog

    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.ERROR))


def _size_mb(name: str) -> float:
    # Not getrusage(): its largest size begins with that of the process that started this one.
    for line in Path("/proc/self/status").read_text("ascii").splitlines():
        if line.startswith(f"{name}:"):
            return int(line.split()[1]) * 1024 / MB
    raise RuntimeError(f"the kernel does not tell {name}")
