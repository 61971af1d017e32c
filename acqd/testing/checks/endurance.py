"""That a driver can go on for months: nothing grows from sweep to sweep or from open to open.

What is counted: memory that Python hands out (tracemalloc), the resident size of the process where
the system tells it, threads, and open file descriptors. A sweeper that is simulated in this very
process is counted with its driver.
"""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from acqd.drivers.host import SweeperHost
from acqd.errors import SweeperError
from acqd.testing.bench import SEE_THE_ERROR, THREAD, Bench, asking, broke, must

__all__ = ["EnduranceChecks"]

SWEEPS_LEAST: Final = 50
OPENINGS: Final = 8
OPENINGS_LEAST: Final = 4
PARTS: Final = 5
"""The sweeps are looked at in so many parts; the first is for what fills up once."""

GROWTH_LEAST_BYTES: Final = 32 * 1024
GROWTH_A_SWEEP_BYTES: Final = 128
RESIDENT_LEAST_BYTES: Final = 8 * 1024 * 1024
RESIDENT_A_SWEEP_BYTES: Final = 4096
SETTLES_S: Final = 2.0
"""How long what was closed may take to be gone, at a peer in this process too."""

WHAT_GROWS: Final = "Nothing grows from sweep to sweep: a station runs for months."


class EnduranceChecks:
    """What is left behind."""

    def test_opening_and_closing_leaves_nothing_behind(self, bench: Bench) -> None:
        """Threads and file descriptors are as many after eight openings as after one."""

        async def run() -> None:
            async with bench.hosted() as host:
                begun_s = time.monotonic()
                with asking("It can be opened as often as it is closed.", SEE_THE_ERROR):
                    await _once(host)
                    before = _Counts.now()
                    openings = 0
                    while openings < OPENINGS_LEAST or (
                        openings < OPENINGS and time.monotonic() - begun_s < bench.endurance_s
                    ):
                        await _once(host)
                        openings += 1
                after = await _settled(lambda: _Counts.now().is_below(before, openings // 2))
                must(
                    after.is_below(before, openings // 2),
                    "close() leaves nothing behind.",
                    f"{openings} openings later there are {after.more_than(before)}",
                    "Close in close() what open() opened.",
                )

        asyncio.run(run())

    def test_starts_no_threads_that_nobody_knows(self, bench: Bench) -> None:
        """A driver runs in the one thread it is given; a library's threads end with close()."""

        async def run() -> None:
            before = set(threading.enumerate())
            async with bench.opened() as host:
                with asking("A sweep within the limits comes back.", SEE_THE_ERROR):
                    await host.sweep(bench.request)
                strange = [
                    one
                    for one in set(threading.enumerate()) - before
                    if not one.name.startswith("acqd-")
                ]
                must(
                    all(one.daemon for one in strange),
                    "A driver starts no threads; one that a library must have is a daemon.",
                    f"threads {_names(strange)} would keep the process from ending",
                    "Do it in the calls themselves; waiting is what a driver's thread is for.",
                )
                if strange:
                    bench.say(f"threads of its own run beside the host's: {_names(strange)}")

            def left() -> list[threading.Thread]:
                new = set(threading.enumerate()) - before
                return [one for one in new if one in strange or one.name == THREAD]

            await _settled(lambda: not left())
            must(
                not left(),
                "After close() no thread of the driver is left.",
                f"these are: {_names(left())}",
                "End in close() what open() started.",
            )

        asyncio.run(run())

    def test_sweeps_on_and_on_without_a_leak(self, bench: Bench) -> None:
        """Memory, threads and file descriptors do not grow over many sweeps of one opening."""

        async def run() -> None:
            async with bench.opened() as host:
                with _traced():
                    first, last = await _sweep_in_parts(bench, host)
            _check_growth(first, last)
            bench.say(
                f"{last.sweeps} sweeps in a row took {last.at_s:.1f} s and left nothing behind"
            )

        asyncio.run(run())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Counts:
    threads: int
    files: int | None

    @classmethod
    def now(cls) -> _Counts:
        return cls(threads=threading.active_count(), files=_open_files())

    def is_below(self, before: _Counts, more: int) -> bool:
        fewer_threads = self.threads < before.threads + more
        return fewer_threads and (
            self.files is None or before.files is None or self.files < before.files + more
        )

    def more_than(self, before: _Counts) -> str:
        files = "" if self.files is None or before.files is None else self.files - before.files
        return f"{self.threads - before.threads} more threads and {files} more open files"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    """Where things stand after so many sweeps."""

    sweeps: int
    at_s: float
    traced_bytes: int
    resident_bytes: int | None
    counts: _Counts
    snapshot: tracemalloc.Snapshot


async def _once(host: SweeperHost) -> None:
    await host.open()
    await host.close()


async def _settled(is_so: Callable[[], bool]) -> _Counts:
    """Wait a little until ``is_so``; the counts then."""
    until_s = time.monotonic() + SETTLES_S
    while not is_so() and time.monotonic() < until_s:
        gc.collect()
        await asyncio.sleep(0.05)
    return _Counts.now()


@contextlib.contextmanager
def _traced() -> Iterator[None]:
    already = tracemalloc.is_tracing()
    if not already:
        tracemalloc.start(1)
    try:
        yield
    finally:
        if not already:
            tracemalloc.stop()


async def _sweep_in_parts(bench: Bench, host: SweeperHost) -> tuple[_Look, _Look]:
    """Sweep on; a look after the first part, which is for what fills up once, and at the end."""
    wanted = max(SWEEPS_LEAST, bench.sweeps)
    begun_s = time.monotonic()
    sweeps = 0
    looks = []
    for most, least, until_s in (
        (wanted // PARTS, SWEEPS_LEAST // PARTS, begun_s + bench.endurance_s / PARTS),
        (wanted, SWEEPS_LEAST, begun_s + bench.endurance_s),
    ):
        while sweeps < least or (sweeps < most and time.monotonic() < until_s):
            try:
                await host.sweep(bench.request)
            except SweeperError as error:
                broke(
                    "It sweeps on and on.",
                    f"after {sweeps} sweeps it raised {type(error).__name__}: {error}",
                    "See what has run out, or what is never read, by then.",
                )
            sweeps += 1
        looks.append(_look(sweeps, time.monotonic() - begun_s))
    return looks[0], looks[1]


def _look(sweeps: int, at_s: float) -> _Look:
    gc.collect()
    return _Look(
        sweeps=sweeps,
        at_s=at_s,
        traced_bytes=tracemalloc.get_traced_memory()[0],
        resident_bytes=_resident_bytes(),
        counts=_Counts.now(),
        snapshot=tracemalloc.take_snapshot(),
    )


def _check_growth(first: _Look, last: _Look) -> None:
    sweeps = last.sweeps - first.sweeps
    grown = last.traced_bytes - first.traced_bytes
    must(
        grown < max(GROWTH_LEAST_BYTES, GROWTH_A_SWEEP_BYTES * sweeps),
        WHAT_GROWS,
        f"in {sweeps} sweeps it kept {grown / 1024:.0f} KiB more, most of it from\n"
        f"{_where(first.snapshot, last.snapshot)}",
        "Keep no traces or answers; give every list and dictionary a limit.",
    )
    must(
        last.counts.is_below(first.counts, max(2, sweeps // 10)),
        WHAT_GROWS,
        f"in {sweeps} sweeps there came {last.counts.more_than(first.counts)}",
        "End and close in sweep() what sweep() starts and opens.",
    )
    if first.resident_bytes is None or last.resident_bytes is None:
        return
    resident = last.resident_bytes - first.resident_bytes
    must(
        resident < max(RESIDENT_LEAST_BYTES, RESIDENT_A_SWEEP_BYTES * sweeps),
        WHAT_GROWS,
        f"in {sweeps} sweeps the process grew by {resident / 2**20:.0f} MiB outside of Python",
        "Look at the libraries in C that the driver uses.",
    )


def _where(before: tracemalloc.Snapshot, after: tracemalloc.Snapshot) -> str:
    """The three lines of code that most of the growth comes from."""
    top = after.compare_to(before, "lineno")[:3]
    return "\n".join(
        f"  {one.traceback[0].filename}:{one.traceback[0].lineno} ({one.size_diff / 1024:+.0f} KiB)"
        for one in top
    )


def _open_files() -> int | None:
    for folder in ("/proc/self/fd", "/dev/fd"):
        try:
            return len(os.listdir(folder))
        except OSError:
            continue
    return None


def _resident_bytes() -> int | None:
    """Of this process, where /proc tells it."""
    try:
        with open("/proc/self/statm", encoding="ascii") as file:
            return int(file.read().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    except OSError:
        return None


def _names(threads: list[threading.Thread]) -> str:
    return ", ".join(sorted(one.name for one in threads))
