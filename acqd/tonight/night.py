"""The night itself: the station until a time of the clock, and where its report goes."""

from __future__ import annotations

import asyncio
import signal
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from acqd.clock import Clock
from acqd.config.whole import StationConfig
from acqd.plan.walltime import FOREVER_US, US, floor_us, seconds
from acqd.station.service import Station
from acqd.station.stopping import AskedToStop

__all__ = ["Watch", "page_of", "until", "watch_of"]

LOOK_S = 1.0
"""How often the clock is looked at: it may be set, and the machine may have slept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """When a config's jobs are open next. ``begins_s`` is not after now where one is open;
    ``ends_s`` is None where none of them has a window that closes."""

    begins_s: float
    ends_s: float | None


def watch_of(config: StationConfig, now_s: float) -> Watch | None:
    """The next time that any enabled job is open; None where none ever will be again."""
    spans = []
    for name in config.enabled_jobs:
        opening = config.schedule(name).opening
        span = next(iter(opening.spans(floor_us(now_s))), None)
        if span is not None:
            spans.append(span)
    if not spans:
        return None
    begin_us = min(start_us for start_us, _ in spans)
    # Those that are open with the first of them make one evening.
    together = [span for span in spans if span[0] <= max(begin_us, floor_us(now_s))]
    end_us = max(stop_us for _, stop_us in together)
    return Watch(
        begins_s=now_s if begin_us <= floor_us(now_s) else seconds(begin_us),
        ends_s=None if end_us >= FOREVER_US else end_us / US,
    )


def page_of(folder: Path, station: str, end_s: float, zone: str) -> Path:
    """Where a night's page is put: beside the config, named by station and end."""
    ended = datetime.fromtimestamp(end_s, UTC).astimezone(ZoneInfo(zone))
    return folder / f"{station}-{ended:%Y-%m-%d-%H%M}.html"


async def until(
    station: Station, *, end_s: float, clock: Clock, numbers: Iterable[signal.Signals]
) -> bool:
    """Run the station until ``end_s`` or until a signal; True where a signal ended it.

    A second signal leaves at once: what was committed is safe either way.

    Raises:
        ArchiveLocked, BrokerError: as :meth:`Station.run`.
    """
    asked = AskedToStop(station.stop)

    async def watch_clock() -> None:
        left_s = end_s - clock.wall_s()
        while left_s > 0.0:
            # Looked at again and again: no event tells that a clock was set or the machine slept.
            await asyncio.sleep(min(left_s, LOOK_S))
            left_s = end_s - clock.wall_s()
        station.stop()

    asked.by(numbers)
    watching = asyncio.create_task(watch_clock())
    try:
        await station.run()
    except BaseExceptionGroup as group:
        # What left the task group first is what happened; the rest followed from it.
        raise group.exceptions[0] from group
    finally:
        watching.cancel()
    return asked.was_asked
