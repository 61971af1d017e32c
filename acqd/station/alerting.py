"""Has people told: what the station notices goes through the rules, and alerts go their ways.

It stands beside the sweeping. What listens only turns states that are in memory; the disk is
written in a thread, each attempt is a program of its own within a time limit, and a stop waits for
neither: what waits then waits for the next start. Nothing of this raises into the station.

An alert is delivered at least once: it is kept until its way has taken it, and a power cut between
the two sends it again, with the same number. Findings that were committed and not yet seen when the
station ended are looked up at the next start.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections import deque
from collections.abc import Awaitable, Callable, Mapping
from functools import partial
from pathlib import Path
from typing import Any

import structlog

from acqd.alerts.engine import Engine
from acqd.alerts.news import FindingNews, News
from acqd.alerts.plan import AlertPlan
from acqd.alerts.queue import Queue, Waiting
from acqd.alerts.sending import Outcome, send
from acqd.alerts.store import AlertStore, Left, Sent, store_path
from acqd.alerts.ways import Way
from acqd.alerts.wording import Message, with_lost
from acqd.archive.reader import open_archive
from acqd.archive.records import FindingRecord
from acqd.clock import Clock
from acqd.errors import AcqdError
from acqd.measure.meter import Figure
from acqd.publish.threads import OwnThreads
from acqd.station.listeners import STATION

__all__ = ["Alerting"]

LOOK_S = 1.0
KEEP_WITHIN_S = 0.2
"""So soon what was told is on the disk."""
KEEP_EVERY_S = 30.0
"""So often what is only counted, such as how long somebody listened, is kept."""
KEEP_AGAIN_S = 10.0
LAST_KEPT_S = 0.3
"""Of a stop, for the last word to the disk."""
NEWS_MOST = 1000
"""That wait while the station starts; the oldest go."""
PROGRAMS_MOST = 4
"""Attempts at a time, over all ways."""
AGAIN_S = (5.0, 15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0)
"""After the first, second, … attempt in a row that failed."""
FAILURES_TOLD = 5
"""So many in a row are a finding; from then on they are logged alone."""
REFUSED_MOST = 3
"""So often an alert that the way refuses for what it is is tried."""
CATCH_UP_S = 86_400.0
CATCH_UP_MOST = 200
"""Findings that were missed: no older and no more of a job than that."""

Send = Callable[..., Awaitable[Outcome]]
Tell = Callable[[str, str, Mapping[str, Figure]], Awaitable[None]]


class Alerting:
    """All alerts of one station. :meth:`hear` is for ``Teller.listeners``.

    Args:
        archive: its folder, where what must be remembered is kept.
        last_findings: number of the last finding there is, by job; "" for the station's own.
        tell: keeps a finding of the station.
        send: makes one attempt.

    Raises:
        ConfigError: a secret of a way cannot be had.
    """

    def __init__(
        self,
        plan: AlertPlan,
        *,
        archive: Path,
        clock: Clock,
        last_findings: Mapping[str, int],
        tell: Tell,
        send: Send = send,
    ) -> None:
        self._ways = {way.name: way for way in plan.ways()}
        self._engine = Engine(plan.rules, voice=plan.voice)
        self._zone = plan.voice.zone
        self._archive = archive
        self._clock = clock
        self._last_findings = dict(last_findings)
        self._tell = tell
        self._send = send
        self._queue = Queue(self._ways)
        self._sent: dict[str, Sent] = {}
        self._store: AlertStore | None = None
        self._news: deque[News] | None = deque(maxlen=NEWS_MOST)
        """What came before the start was through; None from then on. After a fault of ours nothing
        is taken any more."""
        self._dirty = asyncio.Event()
        self._wake = {name: asyncio.Event() for name in self._ways}
        self._programs = asyncio.Semaphore(PROGRAMS_MOST)
        self._threads = OwnThreads("alerts", most=3)
        self._keeping: asyncio.Future[None] | None = None
        self._log = structlog.get_logger()

    def hear(self, news: News) -> None:
        """Something was noticed. Returns at once."""
        if self._news is not None:
            self._news.append(news)
            return
        self._put(self._engine.hear(news, self._clock.wall_s()))

    def waiting(self) -> int:
        """How many are still to go out, over all ways."""
        return sum(self._queue.waiting(way) for way in self._ways)

    async def run(self) -> None:
        """Until cancelled. What waits is kept for the next start."""
        try:
            await self._begin()
            async with asyncio.TaskGroup() as group:
                group.create_task(self._look())
                group.create_task(self._keep())
                for way in self._ways.values():
                    group.create_task(self._deliver(way))
        except* Exception as failed:
            # A fault of ours. The night goes on without alerts, and somebody may read why.
            self._log.error("alerting_failed", exc_info=failed)
            self._news = deque(maxlen=0)
            reason = type(failed.exceptions[0]).__name__
            await self._tell(
                "alert_not_sent", f"no alerts go out until the next start: {reason}", {}
            )
        finally:
            await self._last_word()

    # -- start and stop ---------------------------------------------------------------------------

    async def _begin(self) -> None:
        left = Left(is_new=True)
        try:
            self._store = await self._threads.run(partial(AlertStore, store_path(self._archive)))
            left = await self._threads.run(self._store.left)
            if self._store.was_damaged:
                self._log.error("alerts_forgotten", problem="their file was damaged; it is aside")
        except (AcqdError, OSError) as exc:
            self._log.error("alerts_not_kept", problem=str(exc))
        self._engine.load(left.rules, left.marks)
        self._queue = Queue(
            self._ways, waiting=left.waiting, lost=left.lost, next_number=left.next_number
        )
        self._sent = {way: one for way, one in left.sent.items() if way in self._ways}
        await self._catch_up(left)
        waited, self._news = self._news or deque(), None
        for news in waited:
            self.hear(news)
        self._dirty.set()

    async def _catch_up(self, left: Left) -> None:
        """Findings that were committed and not seen. Where nobody looked before, none are."""
        missed = {
            job: left.marks[job]
            for job, last in self._last_findings.items()
            if last > left.marks.get(job, last)
        }
        for job, last in self._last_findings.items():
            # Of an archive that begins anew, or that a power cut took the last findings from, the
            # numbers come again: what was taken of those that are gone says nothing of them.
            self._engine.marks[job] = min(last, self._engine.marks.get(job, last))
        if not missed:
            return
        try:
            since_s = self._clock.wall_s() - CATCH_UP_S
            found = await self._threads.run(partial(_findings, self._archive, missed, since_s))
        except (AcqdError, OSError) as exc:
            self._log.error("findings_not_looked_up", problem=str(exc))
            return
        for record in found:
            news = FindingNews(
                job=None if record.job == STATION else record.job,
                number=record.number,
                what=record.what,
                at_s=record.at_s,
                text=record.text,
                seq=record.seq,
                figures=record.figures,
            )
            self._put(self._engine.hear(news, self._clock.wall_s()))

    async def _last_word(self) -> None:
        """Keep what is new, as far as the time for it goes; then let the file go."""
        store = self._store
        if store is None:
            return
        with contextlib.suppress(OSError):
            last = self._threads.start(partial(self._save_and_close, self._what_is_new()))
            await asyncio.wait([last], timeout=LAST_KEPT_S)

    def _save_and_close(self, save: Callable[[], None]) -> None:
        """In a thread. What cannot be kept any more is worked out anew at the next start."""
        assert self._store is not None
        with contextlib.suppress(AcqdError):
            save()
        self._store.close()

    # -- while it runs ----------------------------------------------------------------------------

    def _put(self, messages: list[Message]) -> None:
        for message in messages:
            self._log.info("alert", alert=message.alert, state=message.state, title=message.title)
            self._queue.add(message, self._clock.wall_s())
            for way in message.to:
                if way in self._wake:
                    self._wake[way].set()
        if messages:
            self._dirty.set()

    async def _look(self) -> None:
        while True:
            self._put(self._engine.look(self._clock.wall_s()))
            if self._engine.has_changed:
                self._dirty.set()
            await asyncio.sleep(LOOK_S)

    async def _keep(self) -> None:
        """Write what is new, soon where somebody is told, else now and then."""
        is_well = True
        while True:
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(KEEP_EVERY_S):
                    await self._dirty.wait()
            await asyncio.sleep(KEEP_WITHIN_S)
            self._dirty.clear()
            if self._store is None:
                self._queue.changes()
                continue
            changes = self._queue.changes()
            self._engine.has_changed = False
            try:
                await self._threads.run(self._saving(changes))
                is_well = True
            except (AcqdError, OSError) as exc:
                self._queue.put_back(changes)
                if is_well:
                    self._log.error("alerts_not_kept", problem=str(exc))
                is_well = False
                await asyncio.sleep(KEEP_AGAIN_S)
                self._dirty.set()

    def _what_is_new(self) -> Callable[[], None]:
        return self._saving(self._queue.changes())

    def _saving(self, changes: list[Any]) -> Callable[[], None]:
        """What writes the state of this moment, for a thread."""
        assert self._store is not None
        return partial(
            self._store.save,
            rules=self._engine.dump(),
            marks=dict(self._engine.marks),
            changes=changes,
            sent=dict(self._sent),
            next_number=self._queue.next_number,
        )

    # -- the ways ---------------------------------------------------------------------------------

    async def _deliver(self, way: Way) -> None:
        wake = self._wake[way.name]
        failures = 0
        while True:
            wake.clear()
            one = self._queue.first(way.name, self._clock.wall_s())
            if one is None:
                await wake.wait()
                continue
            outcome = await self._attempt(way, one)
            if outcome.is_sent:
                if failures:
                    self._log.info("alerts_go_out_again", way=way.name, failures=failures)
                failures = 0
                continue
            failures += 1
            await self._failed(way, one, outcome, failures)
            await asyncio.sleep(AGAIN_S[min(failures, len(AGAIN_S)) - 1])

    async def _attempt(self, way: Way, one: Waiting) -> Outcome:
        lost = self._queue.lost.get(way.name, 0)
        payload = with_lost(one.payload, lost)
        async with self._programs:
            outcome = await self._send(way, payload, zone=self._zone, left=one.left)
        if outcome.is_sent:
            self._queue.sent(one, lost=lost)
            self._sent[way.name] = Sent(last_s=self._clock.wall_s())
            self._dirty.set()
        return outcome

    async def _failed(self, way: Way, one: Waiting, outcome: Outcome, failures: int) -> None:
        before = self._sent.get(way.name, Sent())
        self._sent[way.name] = Sent(
            last_s=before.last_s, failures=before.failures + 1, problem=outcome.problem
        )
        one.left = outcome.left or None
        told = self._log.warning if failures <= FAILURES_TOLD else self._log.debug
        told("alert_not_sent", way=way.name, problem=outcome.problem, failures=failures)
        if outcome.refused:
            one.refused += 1
            if one.refused >= REFUSED_MOST:
                self._log.error("alert_given_up", way=way.name, problem=outcome.problem)
                self._queue.give_up(one)
        self._dirty.set()
        # Once: what a restart finds failing has been told.
        if before.failures + 1 == FAILURES_TOLD:
            waiting = self._queue.waiting(way.name)
            await self._tell(
                "alert_not_sent",
                f"alerts do not go out by {way.name}: {outcome.problem}; {waiting} wait",
                {"way": way.name, "failures": failures, "waiting": waiting},
            )


def _findings(archive: Path, after: Mapping[str, int], since_s: float) -> list[FindingRecord]:
    """In a thread: findings of jobs with numbers above ``after``, in the order of their times."""
    found: list[FindingRecord] = []
    with open_archive(archive) as opened:
        for job, number in after.items():
            records = opened.findings(job or STATION, since_s)
            found += [one for one in records if one.number > number][-CATCH_UP_MOST:]
    return sorted(found, key=lambda one: (one.at_s, one.number))
