"""Commits of a sweeper's jobs: one of a job at a time, while the next sweep is taken.

What could not be kept is said once, and the sweeper rests for a while: a full disk gets no emptier
by sweeping.
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import structlog

from acqd.errors import ArchiveError
from acqd.measure.meter import FindingDraft
from acqd.station.job import COMMIT_AT_STOP_S, JobRunner, Taken
from acqd.station.watch import StationFindings

__all__ = ["Keeper"]


class Keeper:
    """Keeps what one sweeper's jobs took. ``rest`` is awaited when nothing can be kept."""

    def __init__(
        self,
        *,
        findings: StationFindings,
        rest: Callable[[ArchiveError], Awaitable[None]],
        sweeper: str,
    ) -> None:
        self._findings = findings
        self._rest = rest
        self._no_room = False
        self._keeping: dict[JobRunner, asyncio.Task[None]] = {}
        self._log = structlog.get_logger().bind(sweeper=sweeper)

    @property
    def no_room(self) -> bool:
        """Whether the last commit that was looked at could not be kept."""
        return self._no_room

    async def keep(self, job: JobRunner, taken: list[Taken]) -> None:
        """Begin to keep what was taken; the next sweep need not wait for the commit.

        One commit of a job is under way at a time, and how it ended is looked at before the next.
        """
        try:
            await self._looked_at(job)
            self._keeping[job] = await job.keep_soon(taken)
        except asyncio.CancelledError:
            await self.keep_at_stop(job, taken)
            raise
        if self._no_room:
            await self._looked_at(job)

    async def settled(self, job: JobRunner) -> None:
        """Wait until the job's last commit is done, so that its state is what it will be."""
        await self._looked_at(job)

    async def finding(self, job: JobRunner, draft: FindingDraft) -> None:
        """Keep a finding of a job and tell it; one for which there is no room is only logged."""
        try:
            await job.finding(draft)
        except ArchiveError as problem:
            self._log.error("finding_not_kept", job=job.name, problem=str(problem))

    async def keep_at_stop(self, job: JobRunner, taken: list[Taken]) -> None:
        """:meth:`keep` for a station that stops, which waits a moment for the last one only."""
        keeping = self._keeping.get(job)
        if keeping is not None:
            await asyncio.wait([keeping], timeout=COMMIT_AT_STOP_S)
            if not keeping.done():
                # The disk does not answer: what was taken since is accounted for at the next start.
                return
            self._outcome(job, keeping)
        self._keeping[job] = await job.keep_soon(taken)

    async def close(self) -> None:
        """Wait a moment for what is under way."""
        for job, keeping in list(self._keeping.items()):
            await asyncio.wait([keeping], timeout=COMMIT_AT_STOP_S)
            if keeping.done():
                self._outcome(job, keeping)

    async def _looked_at(self, job: JobRunner) -> None:
        """Wait for the job's last commit, and see what came of it."""
        keeping = self._keeping.get(job)
        if keeping is None:
            return
        await asyncio.wait([keeping])
        problem = self._outcome(job, keeping)
        if problem is not None:
            if not self._no_room:
                self._no_room = True
                self._log.error("cannot_keep", problem=str(problem))
                await self._findings.tell("cannot_keep", f"sweeps cannot be kept: {problem}")
            await self._rest(problem)
        elif self._no_room:
            self._no_room = False
            await self._findings.tell("room_again", "there is room again: sweeping goes on")

    def _outcome(self, job: JobRunner, keeping: asyncio.Task[None]) -> ArchiveError | None:
        """What became of a commit: None where all went well."""
        if self._keeping.get(job) is keeping:
            del self._keeping[job]
        exc = None if keeping.cancelled() else keeping.exception()
        if exc is not None and not isinstance(exc, ArchiveError):
            raise exc
        return exc
