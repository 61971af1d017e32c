"""The station: starts everything in the order that the guarantees need, and stops it again.

    lock the archive ─► broker ─► recover each job's meter ─► account for the time down
      ─► begin a journal with the checkpoint ─► sweepers run ─► … ─► stop: sweepers first,
    then a last checkpoint, then "offline".

One task group holds every task. What a driver does stays with its sweeper; any other unknown error
leaves the group and ends the station loudly.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable
from dataclasses import dataclass

import structlog

from acqd.archive.records import GapRecord, MeterState
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.drivers.host import SweeperHost
from acqd.errors import AcqdError, ArchiveError
from acqd.plan.downtime import missed_while_down, plan_from_json, plan_to_json
from acqd.station.build import Built, OwnBroker
from acqd.station.job import JobRunner
from acqd.station.outbox import ArchiveOutbox
from acqd.station.sweepers import SweeperRunner
from acqd.station.tell import STATION, Teller, settings_for
from acqd.station.watch import ClockNews, ClockWatch, StationFindings

__all__ = ["Station"]

CLOCK_LOOK_S = 1.0
CLOCK_NEWS_MOST = 100
HOUR_LOOK_S = 5.0
ALIVE_EVERY_S = 10.0
HOUR_GRACE_S = 30.0
"""A sweep that started before the hour's end may still be on its way for this long."""
MERGE_EVERY_S = 600.0
CLOSE_SWEEPERS_S = 0.7
CLOSE_ARCHIVE_S = 0.9


@dataclass(slots=True)
class _Recovered:
    jobs: int = 0
    down_s: float | None = None
    lost: int = 0


class Station:
    """One running daemon. Made from a built config; :meth:`run` returns after a clean stop."""

    def __init__(self, built: Built, *, clock: Clock, run_id: str) -> None:
        self._built = built
        self._clock = clock
        self._run_id = run_id
        self._stop = asyncio.Event()
        self._jobs: dict[str, JobRunner] = {}
        self._sweepers: list[SweeperRunner] = []
        self._clocks = ClockWatch(clock)
        self._clock_news: list[ClockNews] = []
        self._log = structlog.get_logger()

    def stop(self) -> None:
        """Ask for a clean stop; returns at once."""
        self._stop.set()

    async def run(self, *, ready: Callable[[Station], None] | None = None) -> None:
        """Run until :meth:`stop`.

        Raises:
            ArchiveLocked: another process writes this archive.
            BrokerError: the local broker cannot be started.
        """
        built = self._built
        archive = await asyncio.to_thread(
            ArchiveWriter.open,
            built.archive,
            station=built.name,
            run_id=self._run_id,
            clock=self._clock,
            commit_within_s=built.commit_within_s,
            keep_free_bytes=built.keep_free_bytes,
            software=built.software,
        )
        try:
            async with contextlib.AsyncExitStack() as stack:
                broker = await self._start_broker(stack)
                await self._serve(archive, broker, ready)
        finally:
            # Reached with a journal still open only if starting failed: nothing to checkpoint.
            await asyncio.to_thread(archive.close, (), seal=False, within_s=0.5)

    async def _start_broker(self, stack: contextlib.AsyncExitStack) -> OwnBroker | None:
        if self._built.broker is None:
            return None
        broker = self._built.broker()
        return await stack.enter_async_context(broker)

    async def _serve(
        self,
        archive: ArchiveWriter,
        broker: OwnBroker | None,
        ready: Callable[[Station], None] | None,
    ) -> None:
        built = self._built
        teller = Teller(
            station=built.name,
            title=built.title,
            run_id=self._run_id,
            clock=self._clock,
            topics_root=built.topic_root,
            trace_points=built.trace_points,
            sweepers=[spec.name for spec in built.sweepers],
            drivers={spec.name: spec.driver_name for spec in built.sweepers},
            jobs=[spec.name for spec in built.jobs],
        )
        findings = StationFindings(
            archive=archive,
            teller=teller,
            clock=self._clock,
            next_number=archive.recovery.next_finding(STATION),
        )
        settings = None if built.mqtt is None else settings_for(built.mqtt, broker)
        publisher = teller.connect(settings, ArchiveOutbox(archive, teller))
        recovered = self._recover(archive, teller)
        checkpoint = [self._checkpoint(job) for job in self._jobs.values()]
        await asyncio.to_thread(archive.begin, checkpoint)
        await asyncio.wrap_future(
            archive.record_plan(
                plan_to_json(
                    [job.spec.planned for job in self._jobs.values()], self._clock.wall_s()
                ),
                self._clock.wall_s(),
            )
        )
        now_s = self._clock.wall_s()
        await self._account_for_time_down(archive, recovered, now_s)
        for job in self._jobs.values():
            await job.begin()
        self._make_sweepers(archive, teller, findings, now_s)
        self._say_started(archive, recovered, broker)
        publishing = None
        try:
            async with asyncio.TaskGroup() as group:
                if publisher is not None:
                    publishing = group.create_task(publisher.run())
                teller.station_up()
                tasks = [group.create_task(sweeper.run()) for sweeper in self._sweepers]
                tasks.append(group.create_task(self._watch_clocks(findings)))
                tasks.append(group.create_task(self._turn_hours()))
                tasks.append(group.create_task(self._stay_alive(archive)))
                tasks.append(group.create_task(self._rotate(archive)))
                if ready is not None:
                    ready(self)
                await self._stop.wait()
                self._log.info("stopping")
                for task in tasks:
                    task.cancel()
                await asyncio.wait(tasks, timeout=CLOSE_SWEEPERS_S)
                await self._shut_down(archive, teller)
                if publishing is not None:
                    publishing.cancel()
        finally:
            await self._shut_down(archive, teller)

    # -- start ----------------------------------------------------------------------------------

    def _recover(self, archive: ArchiveWriter, teller: Teller) -> _Recovered:
        """Bring each job's meter to where the last run left it."""
        out = _Recovered()
        recovery = archive.recovery
        for spec in self._built.jobs:
            kept = recovery.job(spec.name)
            state = spec.feed.start(accounted_s=None, seq=0)
            if kept is not None and kept.meter is not None:
                out.jobs += 1
                state = spec.feed.restore(kept.meter)
                for after, _, _ in spec.feed.replay(state, kept.events()):
                    state = after
            self._jobs[spec.name] = JobRunner(
                spec,
                archive=archive,
                teller=teller,
                clock=self._clock,
                run_id=self._run_id,
                state=state,
                next_seq=recovery.next_seq(spec.name),
                next_finding=recovery.next_finding(spec.name),
            )
        return out

    async def _account_for_time_down(
        self, archive: ArchiveWriter, out: _Recovered, now_s: float
    ) -> None:
        """What the old plan would have swept since it was last accounted for (G5)."""
        old = archive.recovery.last_plan
        if old is None:
            return
        last_s = archive.recovery.last_alive_s
        out.down_s = None if last_s is None else max(0.0, now_s - last_s)
        for planned in plan_from_json(old):
            job = self._jobs.get(planned.name)
            if job is None or job.state.accounted_s is None:
                continue
            for missed in missed_while_down([planned], job.state.accounted_s, now_s):
                out.lost += missed.count
                await job.gap(
                    GapRecord(
                        job=missed.job,
                        from_s=missed.from_s,
                        to_s=missed.to_s,
                        count=missed.count,
                        reason=missed.reason,
                        detail=missed.detail,
                    )
                )

    def _make_sweepers(
        self,
        archive: ArchiveWriter,
        teller: Teller,
        findings: StationFindings,
        now_s: float,
    ) -> None:
        for spec in self._built.sweepers:
            jobs = [job for job in self._jobs.values() if job.spec.sweeper == spec.name]
            host = SweeperHost(
                name=spec.name,
                driver=spec.driver,
                address=spec.address,
                options=spec.options,
                clock=self._clock,
                expected=spec.expected,
                deadline_s=spec.deadline_s,
            )
            self._sweepers.append(
                SweeperRunner(
                    name=spec.name,
                    host=host,
                    jobs=jobs,
                    planned=[job.spec.planned for job in jobs],
                    clock=self._clock,
                    teller=teller,
                    findings=findings,
                    now_s=now_s,
                    look_first=self._look_at_clocks,
                )
            )

    def _say_started(
        self, archive: ArchiveWriter, recovered: _Recovered, broker: OwnBroker | None
    ) -> None:
        self._log.info(
            "station_started",
            station=self._built.name,
            run_id=self._run_id,
            archive=str(self._built.archive),
            broker=broker.describe() if broker is not None else self._built.broker_text,
            jobs=len(self._jobs),
            sweepers=len(self._sweepers),
        )
        if recovered.down_s is not None:
            self._log.info(
                "carrying_on",
                jobs=recovered.jobs,
                was_down_s=round(recovered.down_s, 1),
                due_while_down=recovered.lost,
            )

    # -- while it runs --------------------------------------------------------------------------

    def _look_at_clocks(self) -> None:
        """See whether the clock was stepped or the host slept, before a plan is asked anything."""
        news = self._clocks.look()
        if news is None:
            return
        self._clock_news.append(news)
        del self._clock_news[:-CLOCK_NEWS_MOST]
        for sweeper in self._sweepers:
            if news.slept_s:
                sweeper.asleep(news.from_s, news.from_s + news.slept_s)
            if news.stepped_s:
                sweeper.clock_stepped(news.to_s - news.stepped_s, news.to_s)

    async def _watch_clocks(self, findings: StationFindings) -> None:
        while True:
            await asyncio.sleep(CLOCK_LOOK_S)
            self._look_at_clocks()
            while self._clock_news:
                news = self._clock_news.pop(0)
                if news.slept_s:
                    self._log.warning("host_slept", slept_s=round(news.slept_s, 1))
                    await findings.tell(
                        "host_asleep",
                        f"the host slept for {news.slept_s:.0f} s",
                        {"slept_s": round(news.slept_s, 3)},
                    )
                if news.stepped_s:
                    self._log.warning("clock_stepped", stepped_s=round(news.stepped_s, 3))
                    way = "forwards" if news.stepped_s > 0 else "back"
                    await findings.tell(
                        "clock_stepped",
                        f"the clock was set {way} by {abs(news.stepped_s):.1f} s",
                        {"stepped_s": round(news.stepped_s, 3)},
                    )

    async def _turn_hours(self) -> None:
        while True:
            await asyncio.sleep(HOUR_LOOK_S)
            for job in self._jobs.values():
                # Only where nothing else has: a busy job turns its hours itself.
                try:
                    await job.turn_hours(self._clock.wall_s() - HOUR_GRACE_S)
                except ArchiveError as exc:
                    self._log.debug("hour_not_kept", job=job.name, problem=str(exc))

    async def _stay_alive(self, archive: ArchiveWriter) -> None:
        merged_s = self._clock.monotonic_s()
        while True:
            with contextlib.suppress(ArchiveError):
                await asyncio.wrap_future(archive.alive(self._clock.wall_s()))
            await asyncio.sleep(ALIVE_EVERY_S)
            if self._clock.monotonic_s() - merged_s >= MERGE_EVERY_S:
                merged_s = self._clock.monotonic_s()
                archive.merge_due(
                    self._clock.wall_s(), clock_trusted=self._clock.synchronised() is not False
                )

    async def _rotate(self, archive: ArchiveWriter) -> None:
        """Begin a new journal every few minutes, at a moment when no job is between two states."""
        while True:
            await asyncio.sleep(self._built.seal_every_s)
            try:
                await self._rotate_now(archive)
            except ArchiveError as exc:
                self._log.error("journal_not_begun", problem=str(exc))

    async def _rotate_now(self, archive: ArchiveWriter) -> None:
        async with contextlib.AsyncExitStack() as stack:
            for job in self._jobs.values():
                await stack.enter_async_context(job.lock)
            states = [self._checkpoint(job) for job in self._jobs.values()]
            await asyncio.shield(asyncio.wrap_future(archive.rotate(states)))
            for job in self._jobs.values():
                job.rekeep_setups()

    def _checkpoint(self, job: JobRunner) -> MeterState:
        return job.spec.feed.checkpoint(job.name, job.state, next_finding=job.last_finding + 1)

    # -- stop -----------------------------------------------------------------------------------

    async def _shut_down(self, archive: ArchiveWriter, teller: Teller) -> None:
        """Sources off, ports free, everything committed, then the last word. Bounded, once."""
        sweepers, self._sweepers = self._sweepers, []
        if not self._jobs:
            return
        started_s = time.monotonic()
        results = await asyncio.gather(
            *(sweeper.close() for sweeper in sweepers), return_exceptions=True
        )
        for result in results:
            if isinstance(result, Exception):
                self._log.error("sweeper_not_closed", problem=str(result))
        states = [self._checkpoint(job) for job in self._jobs.values()]
        self._jobs = {}
        # The publisher goes first: what the broker acknowledges in its last moments is still noted.
        await teller.station_down()
        try:
            await asyncio.to_thread(archive.close, states, seal=True, within_s=CLOSE_ARCHIVE_S)
        except AcqdError as exc:
            self._log.error("archive_not_closed", problem=str(exc))
        self._log.info("stopped", took_s=round(time.monotonic() - started_s, 3))
