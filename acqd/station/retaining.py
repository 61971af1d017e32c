"""Retention while the station runs: when it looks, and how what it removed is told."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from itertools import groupby

import structlog

from acqd.archive.removing import RemovedDay, Retained
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.config.quantity import BYTES, format_quantity
from acqd.errors import ArchiveError
from acqd.station.watch import StationFindings

__all__ = ["Retaining", "size_text", "told_of"]

FIRST_S = 20.0
"""So long after the start it is first looked, with what a kill may have cut short."""
EVERY_S = 600.0
LOOK_S = 5.0
SHORT_AGAIN_S = 30.0
"""Near the floor it is looked again no sooner than this."""
GROUPS_MOST = 4
"""Jobs and reasons that one finding names; the manifests list all."""


class Retaining:
    """Has the archive remove what retention lets go. Belongs to the station's event loop."""

    def __init__(self, *, archive: ArchiveWriter, findings: StationFindings, clock: Clock) -> None:
        self._archive = archive
        self._findings = findings
        self._clock = clock
        self._missed = False
        self._log = structlog.get_logger()

    async def run(self) -> None:
        """Look every few minutes, and soon where the disk nears the floor; until cancelled."""
        due_s = self._clock.monotonic_s() + FIRST_S
        short_s = 0.0
        while True:
            await asyncio.sleep(LOOK_S)
            now_s = self._clock.monotonic_s()
            is_short = self._archive.is_near_floor()
            if now_s < due_s and not (is_short and now_s >= short_s):
                continue
            is_more = await self.look()
            now_s = self._clock.monotonic_s()
            due_s = now_s if is_more else now_s + EVERY_S
            short_s = now_s if is_more else now_s + SHORT_AGAIN_S

    async def look(self) -> bool:
        """Once; whether there is more to remove at once."""
        is_right = self._clock.synchronised() is True
        looking = self._archive.retain(self._clock.wall_s(), age_counts=is_right)
        try:
            done = await asyncio.shield(asyncio.wrap_future(looking))
        except ArchiveError as exc:
            # It is told as a trouble of the archive, which is watched.
            self._log.error("nothing_removed", problem=str(exc))
            return False
        await self._tell(done)
        return done.is_more

    async def _tell(self, done: Retained) -> None:
        if done.short_bytes and not self._missed:
            self._log.warning(
                "retention_falls_short",
                missed_bytes=done.short_bytes,
                text="no more sweeps may be removed; acqd retention says why",
            )
        self._missed = done.short_bytes > 0
        if not done.removed:
            return
        sweeps = sum(day.sweeps for day in done.removed)
        size_bytes = sum(day.size_bytes for day in done.removed)
        self._log.info("nights_removed", days=len(done.removed), bytes=size_bytes)
        await self._findings.tell(
            "nights_removed",
            told_of(done.removed),
            {"days": len(done.removed), "sweeps": sweeps, "removed_bytes": size_bytes},
        )


def told_of(removed: Sequence[RemovedDay]) -> str:
    """What was removed, how much and why, as a watchkeeper would say it."""
    ordered = sorted(removed, key=lambda day: (day.job, day.why, day.day))
    said = []
    for (job, why), group in groupby(ordered, key=lambda day: (day.job, day.why)):
        days = list(group)
        first, last = days[0].day, days[-1].day
        when = first if first == last else f"{len(days)} days from {first} to {last}"
        sweeps = sum(day.sweeps for day in days)
        size = size_text(sum(day.size_bytes for day in days))
        said.append(f"{job}, {when} ({sweeps} sweeps, {size}): {why}")
    if len(said) > GROUPS_MOST:
        said[GROUPS_MOST:] = [f"and of {len(said) - GROUPS_MOST} more (acqd retention --removed)"]
    return (
        f"sweeps were removed: {'; '.join(said)}. Their hourly figures, findings and gaps are kept"
    )


def size_text(size_bytes: float) -> str:
    """An amount of data to three figures."""
    if size_bytes <= 0:
        return "0 B"
    digits = len(str(int(size_bytes)))
    step = 10 ** max(0, digits - 3)
    return format_quantity(float(round(size_bytes / step) * step), BYTES)
