"""Whether the station still does what it is there for, for the watchdog of who started it.

The watchdog is fed while sweeps are taken when they are due, or while idleness is as it should be:
nothing is due, a job is paused, a sweeper is away and tried again and again, the disk is full and
that was said. It is not fed by a loop that stands still, an archive whose thread does not answer, a
sweeper at which nothing moves, or where every sweeper is out until a restart. Then the manager ends
the process and starts it anew; what was committed is safe.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Callable, Sequence
from dataclasses import dataclass
from typing import Protocol

import structlog

from acqd.clock import Clock
from acqd.publish.health import Health

__all__ = [
    "Ear",
    "StationView",
    "SweeperProgress",
    "Watchdog",
    "is_healthy",
    "more_time",
    "why_ill",
]

STUCK_S = 60.0
"""A sweeper at which nothing has moved for so long, beyond what a call of its driver may take."""
ARCHIVE_STUCK_S = 90.0
"""An archive that does not answer for so long: a slow card may stall for half a minute."""
NOT_BEGUN_S = 120.0
"""A pass that may start, of a sweeper that is there and idle, is begun within this."""
LOOK_MOST_S = 10.0
START_MOST_S = 3600.0
"""So long a start may take: what a dead run left is read, however much it is."""
EXTEND_EVERY_S = 5.0
EXTEND_BY_S = 30.0


class Ear(Protocol):
    """The manager that started the station, as far as it listens."""

    @property
    def watchdog_s(self) -> float | None: ...

    def ready(self, status: str) -> None: ...

    def status(self, text: str) -> None: ...

    def alive(self) -> None: ...

    def stopping(self, status: str) -> None: ...

    def extend(self, seconds: float) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperProgress:
    """What moves at one sweeper; times are durations in seconds up to now."""

    name: str
    still_for_s: float
    """Since its last step: a turn of its loop, a sweep, an attempt to open it."""
    call_left_s: float | None = None
    """Until the call of its driver that is under way is given up; None while none is."""
    patience_s: float = 0.0
    """What the world around its passes may take to be made ready."""
    due_for_s: float = 0.0
    """Since when a pass may start and is not begun; 0 where none is, or the sweeper is busy."""
    is_present: bool = True
    is_out: bool = False
    """Whether it is out until the station is started anew."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StationView:
    """The station as its watchdog sees it."""

    archive_silent_s: float
    """Since the archive's thread last did what it was asked."""
    sweepers: Sequence[SweeperProgress] = ()


def is_healthy(view: StationView) -> bool:
    """Whether the watchdog is to be fed."""
    return why_ill(view) is None


def why_ill(view: StationView) -> str | None:
    """Why the watchdog is not to be fed; None where it is."""
    if view.archive_silent_s > ARCHIVE_STUCK_S:
        return f"the archive has not answered for {view.archive_silent_s:.0f} s"
    for one in view.sweepers:
        why = _why_stuck(one)
        if why is not None:
            return f"{one.name}: {why}"
    if view.sweepers and all(one.is_out for one in view.sweepers):
        return "the drivers of all sweepers hang, and only a restart brings them back"
    return None


def _why_stuck(one: SweeperProgress) -> str | None:
    if one.call_left_s is not None:
        late_s = -one.call_left_s
        return f"a call of its driver is late by {late_s:.0f} s" if late_s > STUCK_S else None
    if one.still_for_s > STUCK_S + one.patience_s:
        return f"nothing has moved for {one.still_for_s:.0f} s"
    if one.is_present and one.due_for_s > NOT_BEGUN_S + one.patience_s:
        return f"a pass is due for {one.due_for_s:.0f} s, and nothing is begun"
    return None


class Watchdog:
    """Tells the manager how it goes, and feeds its watchdog where that is deserved.

    Args:
        ear: the manager.
        view: the station now.
        health: how it stands, for the line that people see.
    """

    def __init__(
        self,
        ear: Ear,
        *,
        view: Callable[[], StationView],
        health: Callable[[], Health],
        clock: Clock,
    ) -> None:
        self._ear = ear
        self._view = view
        self._health = health
        self._clock = clock
        self._why: str | None = None
        self._said = ""
        self._log = structlog.get_logger()

    async def run(self) -> None:
        """Until cancelled; the first sign of life goes out at once."""
        watchdog_s = self._ear.watchdog_s
        every_s = LOOK_MOST_S if watchdog_s is None else min(LOOK_MOST_S, watchdog_s / 4.0)
        while True:
            self._look()
            await asyncio.sleep(every_s)

    def _look(self) -> None:
        why = why_ill(self._view())
        if why is None:
            self._ear.alive()
        if why != self._why:
            if why is None:
                self._log.info("watchdog_fed_again")
            elif self._why is None:
                self._log.error("watchdog_not_fed", why=why)
            self._why = why
        said = self._line() if why is None else f"hangs: {why}"
        if said != self._said:
            self._said = said
            self._ear.status(said)

    def _line(self) -> str:
        health = self._health()
        return ": ".join([health.word, *health.reasons[:1]])


@contextlib.asynccontextmanager
async def more_time(ear: Ear | None) -> AsyncIterator[None]:
    """While something of the start is done that may take long, ask the manager for more time."""
    asking = None if ear is None else asyncio.create_task(_ask(ear), name="more time")
    try:
        yield
    finally:
        if asking is not None:
            asking.cancel()


async def _ask(ear: Ear) -> None:
    for _ in range(round(START_MOST_S / EXTEND_EVERY_S)):
        ear.extend(EXTEND_BY_S)
        await asyncio.sleep(EXTEND_EVERY_S)
