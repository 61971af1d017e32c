"""Real peers for the station: simulated sweepers, mosquitto and the station itself as processes."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
import structlog

from acqd.archive.reader import Archive
from acqd.clock import Clock, SystemClock
from acqd.config.load import load_config
from acqd.drivers.contract import Driver
from acqd.drivers.registry import load_drivers
from acqd.station.build import build
from acqd.station.service import Station
from peers import LIMIT_S, skip_without_mosquitto
from station_bench import Bench, accounts_of


@pytest.fixture(scope="session")
def _programs() -> None:
    """Without mosquitto and its clients these tests say so and are skipped; never in CI."""
    skip_without_mosquitto("mosquitto_sub", "mosquitto_pub")


@pytest.fixture
def bench(_programs: None, tmp_path: Path) -> Iterator[Bench]:
    """Peers that end with the test."""
    with ExitStack() as stack:
        yield Bench(tmp_path, stack)


@pytest.fixture(scope="module")
def module_bench(_programs: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bench]:
    """Peers that several tests look at."""
    with ExitStack() as stack:
        yield Bench(tmp_path_factory.mktemp("bench"), stack)


class Inside:
    """A station in the test's own loop, with drivers of the test's own."""

    def __init__(self, config: Path, drivers: dict[str, Driver], clock: Clock) -> None:
        built = build(load_config(config), load_drivers())
        self.archive = built.archive
        sweepers = tuple(replace(one, driver=drivers[one.name]) for one in built.sweepers)
        self.built = replace(built, sweepers=sweepers)
        self.station = Station(self.built, clock=clock, run_id="run-1")
        self.logged: list[Any] = []
        self._task: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Inside:
        with ExitStack() as stack:
            self.logged = stack.enter_context(structlog.testing.capture_logs())
            ready = asyncio.Event()
            self._task = asyncio.create_task(self.station.run(ready=lambda _: ready.set()))
            waiting = asyncio.create_task(ready.wait())
            async with asyncio.timeout(LIMIT_S):
                await asyncio.wait([self._task, waiting], return_when=asyncio.FIRST_COMPLETED)
            waiting.cancel()
            if self._task.done():
                self._task.result()
            self._log = stack.pop_all()
        return self

    async def __aexit__(self, *exc: object) -> None:
        # However it ends: left to the collector, it would end what a later test is just capturing.
        with self._log:
            await self.stop()

    async def stop(self) -> float:
        """Stop it and see that it ended well; the seconds that it took."""
        assert self._task is not None
        started_s = time.monotonic()
        self.station.stop()
        async with asyncio.timeout(LIMIT_S):
            await self._task
        return time.monotonic() - started_s

    async def until(self, what: str, condition: Callable[[], Any], limit_s: float = LIMIT_S) -> Any:
        """The first true value of ``condition``, while the station runs."""
        assert self._task is not None
        ends_s = time.monotonic() + limit_s
        while not (value := condition()):
            if self._task.done():
                self._task.result()
            assert time.monotonic() < ends_s, f"waited {limit_s:g} s in vain for {what}"
            await asyncio.sleep(0.01)
        return value

    def events(self, event: str, **fields: Any) -> list[Any]:
        """What was logged so."""
        return [
            one
            for one in self.logged
            if one["event"] == event and all(one.get(k) == v for k, v in fields.items())
        ]


@pytest.fixture
def inside(tmp_path: Path) -> Callable[..., Inside]:
    """Makes a station with drivers of the test's own: sweepers by name, jobs as tables."""

    def make(
        drivers: dict[str, Driver],
        jobs: Sequence[str],
        *,
        clock: Clock | None = None,
        **config: Any,
    ) -> Inside:
        bench = Bench(tmp_path, ExitStack())
        path = bench.config({name: f"sim:{name}" for name in drivers}, jobs, **config)
        return Inside(path, drivers, clock or SystemClock())

    return make


@pytest.fixture(scope="session")
def job_table() -> Callable[..., str]:
    """Makes the table of a job."""
    return Bench.job


@pytest.fixture(scope="session")
def check_accounts() -> Callable[..., list[int]]:
    """Checks that every due time, from the first to the last, is there as often as it asked for
    sweeps (G5); gives back their numbers."""

    def check(archive: Archive, job: str, *, every_s: float, burst: int = 1) -> list[int]:
        found = accounts_of(archive, job, every_s=every_s, burst=burst)
        numbers = sorted(found)
        assert numbers == list(range(numbers[0], numbers[-1] + 1))
        assert {number: count for number, count in found.items() if count != burst} == {}
        return numbers

    return check


class Disk:
    """Free bytes as the archive sees them."""

    def __init__(self) -> None:
        self.free_bytes = 1 << 40

    @property
    def f_bavail(self) -> int:
        return self.free_bytes

    f_frsize = 1


@pytest.fixture
def full_disk(monkeypatch: pytest.MonkeyPatch) -> Disk:
    """A disk that a test fills: what the operating system says of it."""
    disk = Disk()
    monkeypatch.setattr(os, "statvfs", lambda path: disk)
    return disk
