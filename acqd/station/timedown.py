"""What was due while the station was down, put into the archive when it starts again (G5)."""

from __future__ import annotations

import asyncio
from collections.abc import Iterable

import structlog

from acqd.archive.records import Batch
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveError
from acqd.station.job import JobRunner
from acqd.station.past import Past, Recovered

__all__ = ["TimeDown"]


class TimeDown:
    """Accounts for it: with the jobs of the config, and for those that it has no more."""

    def __init__(self, archive: ArchiveWriter, past: Past) -> None:
        self._archive = archive
        self._past = past
        self._gone: dict[str, Batch] = {}
        """Gaps of jobs that the config has no more, which could not be committed yet."""
        self._log = structlog.get_logger()

    async def account(self, jobs: Iterable[JobRunner], out: Recovered, now_s: float) -> None:
        """What the old plan would have swept since it was last accounted for; counted in ``out``.

        What there is no room for waits with its job, which commits it before anything else.
        """
        # Before anything is accounted for up to now: or, were this start cut short, the next one
        # would take now for the time of a clock that was ahead.
        self._archive.alive(now_s)
        last_s = self._archive.recovery.last_alive_s
        out.down_s = None if last_s is None else max(0.0, now_s - last_s)
        for job in jobs:
            # After its end nothing of a job was due.
            for gap in () if job.ended else self._past.missed(job.name, job.state, now_s):
                out.lost += gap.count
                job.note_gap(gap)
            try:
                await job.begin()
            except ArchiveError as exc:
                self._log.warning("gaps_not_kept", job=job.name, problem=str(exc))
        for name, gaps in self._past.missed_by_gone(now_s).items():
            count = sum(gap.count for gap in gaps)
            out.lost += count
            self._log.info("job_gone", job=name, due_while_down=count)
            self._gone[name] = Batch(gaps=tuple(gaps))
        await self.keep_gone()

    async def keep_gone(self) -> None:
        """Commit what jobs missed that are in the config no more; what cannot be is tried again
        when this is called again."""
        for name, batch in list(self._gone.items()):
            try:
                await asyncio.wrap_future(self._archive.commit(batch))
            except ArchiveError as exc:
                self._log.warning("gaps_not_kept", job=name, problem=str(exc))
                return
            del self._gone[name]
