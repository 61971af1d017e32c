"""Looks how the station stands, every few seconds, and says so at once when its word changes.

What a disk must be asked for is asked here, in a thread, so that the status itself never waits.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from acqd.archive.layout import FileKind, day_of, list_days, list_files, list_jobs
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveError
from acqd.publish.health import Health
from acqd.publish.messages import rfc3339
from acqd.publish.threads import OwnThreads
from acqd.station.health import SweeperFacts, health_of
from acqd.station.losses import Losses, sums, told
from acqd.station.tell import Teller, one_line
from acqd.station.watch import rss_bytes
from acqd.station.watchdog import StationView

if TYPE_CHECKING:
    from acqd.station.job import JobRunner
    from acqd.station.sweepers import SweeperRunner

__all__ = ["HealthWatch", "days_left", "unmerged_days"]

LOOK_S = 10.0
SAMPLE_S = 600.0
"""Between two looks at what the free space and the days are at."""
SAMPLES_MOST = 145
"""Of free space: a day of them."""
FORESEEN_FROM_S = 3600.0
"""Free space that was watched for less says nothing of days."""
DAYS_LOOKED_AT = 60
"""Of each job, the newest; what is older was merged long ago, or is told as a problem."""
LATE_S = 2.0


def days_left(samples: Sequence[tuple[float, int]], floor_bytes: int) -> float | None:
    """Days until free space is at the floor, as it fell over ``samples`` of (seconds, bytes free);
    None where it did not fall, or was watched for less than an hour."""
    if len(samples) < 2:
        return None
    (first_s, first), (last_s, last) = samples[0], samples[-1]
    if last_s - first_s < FORESEEN_FROM_S or last >= first:
        return None
    a_day = (first - last) / (last_s - first_s) * 86_400.0
    return max(0.0, (last - floor_bytes) / a_day)


def unmerged_days(root: Path, now_s: float) -> int:
    """UTC days that have ended and of which a job still has segments; reads folders alone."""
    today, found = day_of(now_s), set[str]()
    for job in list_jobs(root):
        for day in list_days(root, job)[-DAYS_LOOKED_AT:]:
            if day < today and any(
                name.kind is FileKind.SEGMENT for _, name in list_files(root, job, day)
            ):
                found.add(day)
    return len(found)


class HealthWatch:
    """How one station stands. Belongs to its event loop.

    Args:
        jobs: by name; may fill up until the station runs.
        sweepers: those that it has at the moment.
        keep_free_bytes: free space below which nothing is kept.
        alerts_waiting: how many alerts are still to go out.
        threads: where what may hang is asked.
    """

    def __init__(
        self,
        *,
        archive: ArchiveWriter,
        teller: Teller,
        clock: Clock,
        jobs: Mapping[str, JobRunner],
        sweepers: Callable[[], Sequence[SweeperRunner]],
        keep_free_bytes: int,
        threads: OwnThreads,
    ) -> None:
        self._archive = archive
        self._teller = teller
        self._clock = clock
        self._jobs = jobs
        self._sweepers = sweepers
        self._floor_bytes = keep_free_bytes
        self._threads = threads
        self._began_s = clock.monotonic_s()
        self._samples: deque[tuple[float, int]] = deque(maxlen=SAMPLES_MOST)
        self._outbox: int | None = None
        self._unmerged: int | None = None
        self._word: str | None = None
        self.alerts_waiting: Callable[[], int] = int
        self.answered_s = clock.monotonic_s()
        """When the archive's thread last did what it was asked, monotonic."""

    def health(self) -> Health:
        """How everything stands now. Asks for the free space, and waits for nothing else."""
        now_s, up_s = self._clock.wall_s(), self._clock.monotonic_s() - self._began_s
        sweepers = self._sweepers()
        facts = [self._facts(one, now_s) for one in sweepers]
        jobs = [job for one in sweepers for job in one.job_facts()]
        full = [one.no_room_since_s for one in sweepers if one.no_room_since_s is not None]
        fields = self._fields(full_since_s=min(full, default=None))
        return health_of(fields, facts, jobs, now_s=now_s, up_s=up_s)

    def view(self) -> StationView:
        """The station as its watchdog sees it."""
        return StationView(
            archive_silent_s=self._clock.monotonic_s() - self.answered_s,
            sweepers=tuple(one.progress() for one in self._sweepers()),
        )

    async def run(self) -> None:
        """Until cancelled."""
        sampled_s = -SAMPLE_S
        while True:
            if self._clock.monotonic_s() - sampled_s >= SAMPLE_S:
                sampled_s = self._clock.monotonic_s()
                await self._sample()
            with suppress(ArchiveError):
                waiting = await asyncio.wrap_future(self._archive.undelivered())
                self._outbox = sum(waiting.values())
            self.answered_s = self._clock.monotonic_s()
            word = self.health().word
            if word != self._word:
                first, self._word = self._word is None, word
                if not first or word != "well":
                    self._teller.station_up()
            await asyncio.sleep(LOOK_S)

    async def _sample(self) -> None:
        root, now_s = self._archive.root, self._clock.wall_s()
        with suppress(OSError):
            self._unmerged = await self._threads.run(lambda: unmerged_days(root, now_s))
            free = self._archive.statistics().free_bytes
            self._samples.append((self._clock.monotonic_s(), free))

    def _fields(self, *, full_since_s: float | None) -> dict[str, object]:
        kept, teller = self._archive.statistics(), self._teller
        sent = None if teller.publisher is None else teller.publisher.statistics()
        samples = [*self._samples, (self._clock.monotonic_s(), kept.free_bytes)]
        fields: dict[str, object] = {
            "sweeps": teller.sweeps,
            "findings": teller.findings,
            "disk_free_bytes": kept.free_bytes,
            "disk_floor_bytes": max(kept.floor_bytes, self._floor_bytes),
            "disk_days_left": days_left(samples, self._floor_bytes),
            "disk_full_since_s": full_since_s,
            "archive_waiting": kept.queued_batches,
            "archive_problem": None if kept.problem is None else one_line(kept.problem),
            "journals_waiting": max(0, kept.journals - 1),
            "unsealed_bytes": kept.unsealed_bytes,
            "days_unmerged": self._unmerged,
            "volumes_merged": kept.merged_volumes,
            "alerts_waiting": self.alerts_waiting(),
            "clock_synchronised": self._clock.synchronised(),
            "rss_bytes": rss_bytes(),
        }
        if sent is not None:
            fields |= {
                "broker": "connected" if sent.connected else "away",
                "broker_since_s": sent.since_s,
                "broker_problem": sent.problem or None,
                "outbox_waiting": sent.outbox if self._outbox is None else self._outbox,
                "live_dropped": sent.dropped,
                "reconnects": sent.reconnects,
            }
        return fields

    def _facts(self, sweeper: SweeperRunner, now_s: float) -> SweeperFacts:
        face, hosted = self._teller.sweeper_face(sweeper.name), sweeper.host.statistics()
        losses = [self._losses(name) for name in sweeper.jobs]
        swept = [self._teller.swept_s(name) for name in sweeper.jobs]
        swept_s = max((at_s for at_s in swept if at_s is not None), default=None)
        late_s = [
            one for since_s in sweeper.waiting().values() if (one := now_s - since_s) >= LATE_S
        ]
        fields = {
            "sweeper": sweeper.name,
            "state": "away" if face is None else face.state,
            "since_s": self._teller.since_s if face is None else face.since_s,
            "does": sweeper.plan.running or "",
            "swept": None if swept_s is None else rfc3339(swept_s),
            "swept_s": swept_s,
            "late": len(late_s),
            "late_s": round(max(late_s, default=0.0), 3),
            "lost": told(sums(one.run() for one in losses), sums(one.day(now_s) for one in losses)),
            "hanging": hosted.hanging,
            "given_up": hosted.abandoned,
        }
        return SweeperFacts.of(
            fields,
            problem="" if face is None else face.last_error or "",
            pass_s=max(sweeper.estimates_s().values(), default=1.0),
            just_lost=sums(one.just_now(now_s) for one in losses),
            just_kept=sum(one.just_kept(now_s) for one in losses),
            is_out=sweeper.is_out,
        )

    def _losses(self, job: str) -> Losses:
        """What a job lost, with what waits for its commit."""
        waiting, committed = self._jobs[job].waiting_gaps, self._teller.losses[job]
        return committed.with_more(waiting) if waiting else committed
