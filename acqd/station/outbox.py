"""The archive as the place where findings wait until the broker has them."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from acqd.archive.writer import ArchiveWriter
from acqd.publish.outbox import PendingFinding
from acqd.station.tell import Teller

__all__ = ["ArchiveOutbox"]


class ArchiveOutbox:
    """Findings that are committed and not acknowledged, as the publisher wants to see them."""

    def __init__(self, archive: ArchiveWriter, teller: Teller) -> None:
        self._archive = archive
        self._teller = teller

    async def pending(self, limit: int) -> Sequence[PendingFinding]:
        found = await asyncio.wrap_future(self._archive.pending_findings(limit))
        return [
            PendingFinding(
                job=one.job,
                number=one.number,
                topic=self._teller.finding_topic(one.job),
                payload=one.message,
            )
            for one in found
        ]

    async def acknowledged(self, job: str, number: int) -> None:
        await asyncio.wrap_future(self._archive.acknowledge(job, number))

    async def excess(self, job: str, keep: int) -> tuple[int, int] | None:
        return await asyncio.wrap_future(self._archive.undelivered_excess(job, keep))
