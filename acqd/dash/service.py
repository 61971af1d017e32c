"""The live page as a whole: listening, serving, reading the past, until it is told to end."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from acqd.clock import Clock
from acqd.dash.files import report_path
from acqd.dash.intake import Intake, backoff_s
from acqd.dash.past import Past
from acqd.dash.server import Server
from acqd.dash.state import SILENT_AFTER_S, State
from acqd.publish.settings import BrokerSettings, EventLog

__all__ = ["DashSettings", "Dashboard"]

STEP_S = 20.0
"""The wall clock went so far from the one that only runs on: a sleep, or it was set."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DashSettings:
    """Where from, where to, and who may look."""

    broker: BrokerSettings
    stations: tuple[str, ...] = ()
    host: str = "127.0.0.1"
    port: int = 8471
    token: str | None = field(default=None, repr=False)
    names: tuple[str, ...] = ()
    archives: tuple[Path, ...] = ()
    own_archive: tuple[str, Path] | None = None
    """A station and where its archive is, or will be once it runs."""
    zone: str | None = None
    wall: bool = False
    silent_after_s: float = SILENT_AFTER_S


class Dashboard:
    """Start it, wait, stop it. Everything of it belongs to one loop."""

    def __init__(
        self,
        settings: DashSettings,
        *,
        clock: Clock,
        log: EventLog,
        backoff: Callable[[int], float] = backoff_s,
    ) -> None:
        self._clock = clock
        self._log = log
        archives = dict([settings.own_archive] if settings.own_archive else [])
        self.state = State(
            clock.wall_s(),
            zone=settings.zone,
            silent_after_s=settings.silent_after_s,
            find_report=lambda station, file: _report_url(archives, station, file),
        )
        self.server = Server(
            self.state,
            host=settings.host,
            port=settings.port,
            token=settings.token,
            clock=clock,
            log=log,
            archives=archives,
            names=settings.names,
            wall=settings.wall,
        )
        self.intake = Intake(
            settings.broker,
            self.state,
            clock=clock,
            log=log,
            stations=settings.stations,
            news=self.server.news,
            backoff=backoff,
        )
        self.past = Past(
            self.state,
            settings.archives,
            archives=archives,
            clock=clock,
            log=log,
            news=self.server.news,
            stations=settings.stations,
        )
        self._tasks: list[asyncio.Task[None]] = []

    async def start(self) -> None:
        """Listen at the broker and for viewers.

        Raises:
            AcqdError: the port cannot be had, or an archive is none.
        """
        await self.past.open()
        await self.server.start()
        self._tasks = [asyncio.ensure_future(one) for one in (self.intake.run(), self._watch())]
        if self.past.has_any:
            self._tasks.append(asyncio.ensure_future(self.past.run()))

    async def run_until(self, stop: asyncio.Event) -> None:
        """Go on until ``stop`` is set; a part that fails ends all of it, with its error."""
        waiting = asyncio.ensure_future(stop.wait())
        try:
            done, _ = await asyncio.wait(
                [waiting, *self._tasks], return_when=asyncio.FIRST_COMPLETED
            )
            for one in done - {waiting}:
                one.result()
        finally:
            waiting.cancel()
            await self.stop()

    async def _watch(self) -> None:
        """Tell the state when this machine slept, or its clock was set."""
        ahead_s = self._clock.wall_s() - self._clock.monotonic_s()
        while True:
            await asyncio.sleep(1.0)
            wall_s = self._clock.wall_s()
            before_s, ahead_s = ahead_s, wall_s - self._clock.monotonic_s()
            if abs(ahead_s - before_s) > STEP_S:
                self._log.info("clock_stepped", by_s=round(ahead_s - before_s, 1))
                self.state.clock_stepped(wall_s)
                self.server.news()

    async def stop(self) -> None:
        """End, within about a second."""
        for task in self._tasks:
            task.cancel()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=1.0)
        await self.server.stop()


def _report_url(archives: dict[str, Path], station: str, file: str) -> str | None:
    """Where a report is served, by the last part of the path that its station has it under."""
    name = file.replace("\\", "/").rpartition("/")[2]
    if report_path(archives, station, name) is None:
        return None
    return f"/reports/{station}/{name}"
