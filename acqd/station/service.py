"""The station: starts everything in the order that the guarantees need, and stops it again.

    lock the archive ─► broker ─► recover each job's meter ─► account for the time down
      ─► begin a journal with the checkpoint ─► sweepers run ─► … ─► stop: sweepers first,
    then a last checkpoint, and "offline" once what waits has been sent.

A stop has one deadline for all of it, whatever hangs: a driver, the broker, the disk. While the
station starts, a stop ends whatever step is under way.

One task group holds every task. What a driver does stays with its sweeper; any other unknown error
leaves the group and ends the station loudly.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import structlog

from acqd.archive.private import at_risk
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.drivers.usbports import ListSerial
from acqd.errors import AcqdError
from acqd.publish.settings import BrokerSettings
from acqd.publish.threads import OwnThreads
from acqd.station.beside import Beside
from acqd.station.build import Built, OwnBroker
from acqd.station.clockbook import ClockBook
from acqd.station.context import ContextSources, ContextStore
from acqd.station.healthwatch import HealthWatch
from acqd.station.identities import IdentityBook, Unconfirmed
from acqd.station.job import JobRunner
from acqd.station.keptplan import KeptPlan
from acqd.station.marks import Marks, make_readiness, watched
from acqd.station.outbox import ArchiveOutbox
from acqd.station.past import Past, Recovered, look_back
from acqd.station.readiness import Readiness
from acqd.station.references import references_in
from acqd.station.reporting import Reports
from acqd.station.surroundings import STOP_S, Surroundings
from acqd.station.sweepers import SweeperRunner
from acqd.station.tell import STATION, Messenger, Teller
from acqd.station.timedown import TimeDown
from acqd.station.upkeep import Upkeep
from acqd.station.watch import ClockNews, ClockWatch, StationFindings
from acqd.station.watchdog import more_time

__all__ = ["Station"]

CLOCK_LOOK_S = 1.0
PUT_BACK_LEAVES_S = 0.6
"""Of the stop, so much is left for the goodbye when the world has been put back."""
CLOCK_NEWS_MOST = 100
STOP_SWEEPERS_S = 1.1
"""Of a stop, for the sweepers: a driver that hangs is given up after 0.8 s."""
STOP_STEP_S = 0.8
"""So long a stop waits for a step of the start that is under way in a thread."""
SEALER_GRACE_S = 0.5
"""Of the stop, for the segment that is being written: on a busy machine some tenths."""
LAST_S = 0.15
"""Of the stop, for what comes after the goodbye: a broker of our own must end."""


class Station:
    """One running daemon. Made from a built config; :meth:`run` returns after a clean stop."""

    def __init__(
        self,
        built: Built,
        *,
        clock: Clock,
        run_id: str,
        until: Collection[str] = (),
        around: Surroundings | None = None,
    ) -> None:
        """``until``: names of jobs that end by themselves; with the last of them the station stops.
        Where all jobs do, it stops with all of them in any case."""
        self._built = built
        self._around = around or Surroundings()
        self._clock = clock
        self._run_id = run_id
        self._until = frozenset(until)
        if not self._until and all(spec.ends for spec in built.jobs):
            self._until = frozenset(spec.name for spec in built.jobs)
        self._stop = asyncio.Event()
        self._jobs: dict[str, JobRunner] = {}
        self._sweepers: list[SweeperRunner] = []
        self._clocks = ClockWatch(clock)
        self._clock_news: list[ClockNews] = []
        self._clock_book: ClockBook | None = None
        self._plan: KeptPlan | None = None
        self._reports: Reports | None = None
        self._publisher: Messenger | None = None
        self.context = ContextStore(built.contexts, clock, watched=watched(built))
        self._readiness: Readiness | None = None
        self._sources: ContextSources | None = None
        self._beside: Beside | None = None
        self._archive: ArchiveWriter | None = None
        self.health_watch: HealthWatch | None = None
        """How it stands, once its archive is open."""
        self._threads = OwnThreads("station")
        self._starting: asyncio.Timeout | None = None
        self._stop_by_s: float | None = None
        self._is_shut = False
        self.left_behind = False
        """Whether a thread is still in the archive's libraries though :meth:`run` has returned."""
        self._said_goodbye = False
        self._log = structlog.get_logger()

    def stop(self) -> None:
        """Ask for a clean stop; returns at once. To be called in the station's loop."""
        self._stop.set()
        self._left_s()
        starting, self._starting = self._starting, None
        if starting is not None:
            starting.reschedule(asyncio.get_running_loop().time())

    def has_work_in_threads(self, *, unsealed_most: int = 0) -> bool:
        """Whether a thread of the station's own, none of a driver's, is at something, or more than
        ``unsealed_most`` is to be sealed: for a clock that must not run on meanwhile."""
        at_disk = self._archive is not None and self._archive.is_busy(unsealed_most=unsealed_most)
        return at_disk or self._threads.are_busy

    def outcome(self) -> dict[str, Mapping[str, Any]] | None:
        """The verdicts of the jobs that the station ran until; None where it was stopped before,
        or runs until somebody stops it."""
        if not self._until or any(self._job_runs(name) for name in self._until):
            return None
        verdicts = {name: self._jobs[name].verdict for name in sorted(self._until)}
        return {name: one for name, one in verdicts.items() if one is not None}

    def _job_runs(self, name: str) -> bool:
        job = self._jobs.get(name)
        return job is None or job.ended is None

    def _job_ended(self, name: str) -> None:
        """A job has ended by itself: it leaves the plan that the next start counts from."""
        if self._plan is not None and self._archive is not None:
            self._plan.end(name)
        if self._reports is not None:
            self._reports.look()
        self._stop_when_all_ended()

    def _stop_when_all_ended(self) -> None:
        if self._until and not any(self._job_runs(name) for name in self._until):
            if self._reports is not None and self._reports.owes(self._until):
                return
            self.stop()

    def _left_s(self) -> float:
        """What is left of the time for a stop, which begins when this is first asked."""
        if self._stop_by_s is None:
            self._stop_by_s = time.monotonic() + self._around.stop_s
        return max(0.0, self._stop_by_s - time.monotonic())

    def _stopping_s(self) -> float:
        return round(self._around.stop_s - self._left_s(), 3)

    async def run(self, *, ready: Callable[[Station], None] | None = None) -> None:
        """Run until :meth:`stop`.

        Raises:
            ArchiveLocked: another process writes this archive.
            BrokerError: the local broker cannot be started.
        """
        try:
            async with asyncio.timeout(0.0 if self._stop.is_set() else None) as starting:
                self._starting = starting
                try:
                    await self._run(ready)
                finally:
                    self._starting = None
        except TimeoutError:
            if not starting.expired():
                raise
            self._log.info(
                "stopped", took_s=round(self._around.stop_s - self._left_s(), 3), was="starting"
            )

    async def _run(self, ready: Callable[[Station], None] | None) -> None:
        try:
            async with more_time(self._around.ear):
                await self._whole(self._open_archive)
            assert self._archive is not None
            async with contextlib.AsyncExitStack() as stack:
                broker = await self._start_broker(stack)
                await self._serve(self._archive, broker, ready)
        finally:
            # Reached with a journal still open only if starting failed: nothing to checkpoint.
            if self._archive is not None:
                await self._close_archive(self._archive, seal=False, within_s=0.5)

    async def _whole(self, step: Callable[[], object]) -> None:
        """Run a step of the start in a thread; a stop that comes meanwhile waits for it, but not
        longer than it can. What hangs beyond that ends with the process, as in a power cut."""
        future = self._threads.start(step)
        try:
            await asyncio.shield(future)
        except asyncio.CancelledError:
            await asyncio.wait([future], timeout=STOP_STEP_S)
            raise

    def _open_archive(self) -> None:
        built = self._built
        self._archive = ArchiveWriter.open(
            built.archive,
            station=built.name,
            run_id=self._run_id,
            clock=self._clock,
            commit_within_s=built.commit_within_s,
            keep_free_bytes=built.keep_free_bytes,
            software=built.software,
            synced=self._around.is_kept,
            retention=built.retention,
        )
        for problem in at_risk(built.archive):
            self._log.warning("archive_at_risk", problem=problem)

    def _broker_up(self) -> None:
        """Our own broker answers, at first or again: no need to wait out a backoff."""
        if self._publisher is not None:
            self._publisher.hurry()
        if self._sources is not None:
            self._sources.hurry()
        if self._readiness is not None:
            self._readiness.hurry()
        if self._beside is not None and self._beside.commands is not None:
            self._beside.commands.hurry()

    async def _start_broker(self, stack: contextlib.AsyncExitStack) -> OwnBroker | None:
        if self._built.broker is None:
            return None
        broker = self._built.broker(self._broker_up)
        await stack.enter_async_context(broker)
        stack.callback(self._before_broker_ends, broker)
        return broker

    def _before_broker_ends(self, broker: OwnBroker) -> None:
        # One that did not take our goodbye would not take a request to end either.
        broker.end_within(self._left_s() if self._said_goodbye else 0.0)

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
        teller.listeners.extend(self._around.listeners)
        findings = StationFindings(
            archive=archive,
            teller=teller,
            clock=self._clock,
            next_number=archive.recovery.next_finding(STATION),
        )
        settings = built.mqtt
        if settings is not None and broker is not None:
            settings = broker.adapt(settings)
        if settings is not None:
            # A certificate file that cannot be used is an error now, not a warning all night.
            await self._whole(settings.tls_context)
        outbox = ArchiveOutbox(archive, teller)
        publisher = self._publisher = teller.connect(settings, outbox, self._around.messenger)
        watch = self.health_watch = HealthWatch(
            archive=archive,
            teller=teller,
            clock=self._clock,
            jobs=self._jobs,
            sweepers=lambda: self._sweepers,
            keep_free_bytes=built.keep_free_bytes,
            threads=self._threads,
        )
        teller.health_from(watch.health)
        past = await self._look_back(archive)
        recovered = self._recover(archive, teller, past)
        checkpoint = [job.checkpoint() for job in self._jobs.values()]
        await self._whole(partial(archive.begin, [*checkpoint, *past.carried]))
        # The old plan ends and the new one begins at one moment, so that no due time lies between.
        now_s = self._clock.wall_s()
        time_down = TimeDown(archive, past, self._clock)
        await time_down.account(self._jobs.values(), recovered, now_s)
        plan = self._plan = self._new_plan(archive, past, now_s)
        self._clock_book = ClockBook(
            archive=archive,
            findings=findings,
            plan=plan,
            time_down=time_down,
            jobs=self._jobs,
            sweepers=self._sweepers,
            clock=self._clock,
        )
        await asyncio.wrap_future(plan.record())
        if self._around.asks_the_world:
            self._readiness = make_readiness(
                built, settings=settings, jobs=self._jobs, contexts=self.context, clock=self._clock
            )
        self._make_sweepers(teller, findings, past, plan, now_s)
        upkeep = Upkeep(
            archive=archive,
            teller=teller,
            findings=findings,
            plan=plan,
            time_down=time_down,
            jobs=self._jobs,
            sweepers=self._sweepers,
            clock=self._clock,
            seal_every_s=built.seal_every_s,
        )
        beside = self._make_beside(archive, teller, findings, settings, upkeep, watch)
        self._say_started(archive, recovered, broker)
        publishing = None
        tasks: list[asyncio.Task[None]] = []
        try:
            async with asyncio.TaskGroup() as group:
                if publisher is not None:
                    publishing = group.create_task(publisher.run())
                teller.station_up()
                for job in self._jobs.values():
                    teller.retained_again(job)
                if self._readiness is not None:
                    self._readiness.start()
                tasks += [group.create_task(sweeper.run()) for sweeper in self._sweepers]
                tasks += [group.create_task(one) for one in beside.loops()]
                if self._readiness is not None:
                    tasks.append(group.create_task(self._readiness.watch()))
                self._starting = None
                if self._around.ear is not None:
                    self._around.ear.ready("started: sweepers are being opened")
                if ready is not None:
                    ready(self)
                self._stop_when_all_ended()
                await self._stop.wait()
                self._log.info("stopping")
                upkeep.record_learnt()
                for task in tasks:
                    task.cancel()
                await self._shut_down(archive, teller, tasks)
                if publishing is not None:
                    publishing.cancel()
        finally:
            await self._shut_down(archive, teller, tasks)

    # -- start ----------------------------------------------------------------------------------

    async def _look_back(self, archive: ArchiveWriter) -> Past:
        found: list[Past] = []
        await self._whole(lambda: found.append(look_back(archive.recovery, self._built.jobs)))
        return found[0]

    def _recover(self, archive: ArchiveWriter, teller: Teller, past: Past) -> Recovered:
        """Bring each job's meter to where the last run left it."""
        out = Recovered()
        recovery = archive.recovery
        references = references_in(recovery.overlays)
        for spec in self._built.jobs:
            kept, job = recovery.job(spec.name), past.jobs[spec.name]
            out.jobs += kept is not None and kept.meter is not None
            self._jobs[spec.name] = JobRunner(
                spec,
                archive=archive,
                teller=teller,
                clock=self._clock,
                run_id=self._run_id,
                state=job.state,
                sweep_times_s=job.sweep_times_s,
                references=references.get(spec.name),
                next_seq=recovery.next_seq(spec.name),
                next_finding=recovery.next_finding(spec.name),
            )
        return out

    def _new_plan(self, archive: ArchiveWriter, past: Past, now_s: float) -> KeptPlan:
        planned = {
            job.name: replace(job.spec.planned, estimate_s=past.estimate_s(job.spec))
            for job in self._jobs.values()
            if job.ended is None
        }
        built = self._built
        station = {"name": built.name, "title": built.title, "time_zone": built.time_zone}
        return KeptPlan(archive, planned, at_s=now_s, station=station)

    def _make_sweepers(
        self,
        teller: Teller,
        findings: StationFindings,
        past: Past,
        plan: KeptPlan,
        now_s: float,
    ) -> None:
        specs = self._built.sweepers
        book = IdentityBook(
            {spec.name: spec.address for spec in specs},
            pinned=[one.name for one in specs if one.expected and one.expected.location],
        )
        machine = self._around.machine
        list_serial: ListSerial = tuple if machine is None else machine.serial_ports
        for spec in specs:
            jobs = [job for job in self._jobs.values() if job.spec.sweeper == spec.name]
            self._sweepers.append(
                SweeperRunner(
                    name=spec.name,
                    host=spec.host(self._clock, list_serial=list_serial, log=self._log),
                    jobs=jobs,
                    planned=[plan[job.name] for job in jobs if not job.ended],
                    clock=self._clock,
                    teller=teller,
                    findings=findings,
                    now_s=now_s,
                    isolation=spec.isolation.way if spec.make_worker is None else "",
                    known=past.identity(job.name for job in jobs),
                    book=book,
                    unconfirmed=Unconfirmed(
                        spec.name,
                        rules={job.name: job.spec.on_change for job in jobs if not job.ended},
                        swept_with={job.name: past.jobs[job.name].identity for job in jobs},
                        expected=spec.expected,
                    ),
                    look_first=self._look_at_clocks,
                    context=self.context.fresh,
                    marks=Marks(self.context, self._readiness),
                    readiness=self._readiness,
                    on_ended=self._job_ended,
                )
            )

    def _make_beside(
        self,
        archive: ArchiveWriter,
        teller: Teller,
        findings: StationFindings,
        settings: BrokerSettings | None,
        upkeep: Upkeep,
        health: HealthWatch,
    ) -> Beside:
        beside = Beside(
            self._built,
            self._around,
            clock=self._clock,
            run_id=self._run_id,
            archive=archive,
            teller=teller,
            findings=findings,
            context=self.context,
            settings=settings,
            jobs=self._jobs,
            sweepers=self._sweepers,
            upkeep=upkeep,
            health=health,
            watch_clocks=partial(self._watch_clocks, findings),
            status=partial(self._status, teller),
            report_made=self._stop_when_all_ended,
        )
        self._sources, self._reports = beside.sources, beside.reports
        self._beside = beside
        return beside

    def _say_started(
        self, archive: ArchiveWriter, recovered: Recovered, broker: OwnBroker | None
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
                from_s = news.to_s - news.stepped_s
                sweeper.clock_stepped(from_s, news.to_s, was_wrong=news.was_wrong)
        if news.stepped_s and self._clock_book is not None:
            self._clock_book.stepped(news)

    async def _watch_clocks(self, findings: StationFindings) -> None:
        book = self._clock_book
        assert book is not None
        await book.begin()
        while True:
            await asyncio.sleep(CLOCK_LOOK_S)
            self._look_at_clocks()
            while self._clock_news:
                news = self._clock_news.pop(0)
                await book.noticed(news)
                await findings.tell_clock(news)
            await book.wait_ends()

    def _status(self, teller: Teller) -> dict[str, Any]:
        """How everything is, for ``acqd status``."""
        specs = {spec.name: spec for spec in self._built.jobs}
        told = teller.status()
        for job in told["jobs"]:
            runner = self._jobs[job["job"]]
            job["kind"], job["sweeper"] = specs[runner.name].kind, specs[runner.name].sweeper
            job["last_seq"], job["last_finding"] = runner.last_seq, runner.last_finding
            verdict = runner.verdict
            job["verdict"] = None if verdict is None else verdict["verdict"]
        return {
            **told,
            "zone": self._built.time_zone,
            "broker": self._built.broker_text,
            "archive": str(self._built.archive),
        }

    # -- stop -----------------------------------------------------------------------------------

    async def _shut_down(
        self, archive: ArchiveWriter, teller: Teller, tasks: list[asyncio.Task[None]]
    ) -> None:
        """Sources off, ports free, everything committed and sent, then the last word.

        Once, and within what is left of the stop's time. While sweepers close the publisher works
        on; the goodbye waits for their last findings and goes side by side with the checkpoint.
        """
        if self._is_shut:
            return
        self._is_shut = True
        if self._around.ear is not None:
            self._around.ear.stopping("stopping")
        await self._end_sweepers(tasks)
        await self._put_back()
        goodbye = asyncio.create_task(teller.station_down(max(0.0, self._left_s() - LAST_S)))
        await self._last_checkpoint(archive)
        self._said_goodbye = await goodbye
        # What the broker acknowledged in its last moments has been noted.
        await self._close_archive(archive, seal=True, within_s=max(LAST_S, self._left_s() - LAST_S))
        self._log.info("stopped", took_s=self._stopping_s())

    async def _put_back(self) -> None:
        """Put back what passes that were cut short have changed: all sources are off by now."""
        if self._readiness is not None:
            await self._readiness.close(max(0.0, self._left_s() - PUT_BACK_LEAVES_S))

    async def _end_sweepers(self, tasks: list[asyncio.Task[None]]) -> None:
        """Close every sweeper as soon as its own task has ended, and give up who takes too long."""
        sweepers, self._sweepers = self._sweepers, []
        closing = [
            asyncio.create_task(self._end_sweeper(sweeper, tasks[at : at + 1]), name=sweeper.name)
            for at, sweeper in enumerate(sweepers)
        ]
        limit_s = max(0.0, self._left_s() - (STOP_S - STOP_SWEEPERS_S))
        late = (await asyncio.wait(closing, timeout=limit_s))[1] if closing else set()
        for one in late:
            # This closes its link; what it was due is accounted for at the next start.
            one.cancel()
        results = await asyncio.gather(*closing, return_exceptions=True)
        for one, result in zip(closing, results, strict=True):
            if isinstance(result, BaseException):
                problem = "it took too long" if one in late else str(result)
                self._log.error("sweeper_not_closed", sweeper=one.get_name(), problem=problem)

    @staticmethod
    async def _end_sweeper(sweeper: SweeperRunner, running: list[asyncio.Task[None]]) -> None:
        if running:
            await asyncio.wait(running)
        await sweeper.close()

    async def _last_checkpoint(self, archive: ArchiveWriter) -> None:
        """Begin a last journal with the jobs' states, so that the next start has little to do.

        Only with every job between two commits: without one of them the journal stays as it is, and
        the next start goes on from its beginning.
        """
        try:
            async with asyncio.timeout(self._left_s()), contextlib.AsyncExitStack() as stack:
                for job in self._jobs.values():
                    await stack.enter_async_context(job.lock)
                    await job.nothing_under_way()
                archive.alive(self._clock.wall_s())
                rotated = archive.rotate([job.checkpoint() for job in self._jobs.values()])
                await asyncio.wrap_future(rotated)
        except (TimeoutError, AcqdError) as exc:
            problem = str(exc) or "no time was left"
            self._log.error("no_last_checkpoint", problem=problem)

    async def _close_archive(self, archive: ArchiveWriter, *, seal: bool, within_s: float) -> None:
        """Close it in a thread that the end of the process does not wait for.

        Everything is committed before. What the sealer does not come to is in a journal, for the
        next start; a sealer that does not leave off in time is left behind.
        """
        self._archive = None
        grace_s = min(SEALER_GRACE_S, within_s / 2.0)
        close = partial(archive.close, (), seal=seal, within_s=within_s - grace_s, grace_s=grace_s)
        closing = self._threads.start(close)
        await asyncio.wait([closing], timeout=within_s + LAST_S)
        problem = closing.exception() if closing.done() else None
        if problem is not None and not isinstance(problem, AcqdError):
            raise problem
        self.left_behind = not closing.done() or archive.is_sealing
        if problem is not None or not closing.done():
            text = str(problem or "it does not answer; the next start carries on from the journal")
            self._log.error("archive_not_closed", problem=text)
        elif archive.is_sealing:
            self._log.info("sealing_left", text="no time was left to seal; the next start does")
