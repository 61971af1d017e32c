"""One sweeper: opened, asked for what the plan says, and opened anew when it was lost.

    away ──open──► present ──sweep fails badly──► away (close, back off, open)
                      │
                      └─ another instrument answers ──► refused until it is the right one again

Whatever a driver does stays here: it costs this sweeper's sweeps, each of them accounted for with
its reason, and nothing else (G5, G6).
"""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable, Mapping, Sequence
from functools import partial
from typing import TypeVar

import structlog

from acqd.archive.records import GapRecord
from acqd.clock import Clock
from acqd.drivers.host import Opened, SweeperHost
from acqd.errors import (
    ArchiveError,
    DriverFault,
    IdentityChanged,
    InputUnsafe,
    PortBusy,
    RequestRefused,
    SweeperError,
)
from acqd.measure.meter import FindingDraft
from acqd.plan.sharing import SERVED_STANDS_S, Due, Missed, PlannedJob, SweeperPlan
from acqd.station.askedsweeper import AskedSweeper
from acqd.station.errands import Errands
from acqd.station.follow import Follower
from acqd.station.identities import IdentityBook, Unconfirmed
from acqd.station.job import JobRunner, gap_reason
from acqd.station.jobspec import JobSpec
from acqd.station.jobstates import JobStates
from acqd.station.keeping import Keeper
from acqd.station.passes import Failed, PassTaker
from acqd.station.readiness import Readiness
from acqd.station.sweepernews import SweeperNews
from acqd.station.tell import Teller
from acqd.station.watch import StationFindings, SweeperClockWatch
from acqd.sweep import NO_FLAGS, Identity, Sweep, SweepFlag

__all__ = ["SweeperRunner"]

BACKOFF_FIRST_S = 0.5
BACKOFF_MOST_S = 30.0
GAPS_KEPT_EVERY_S = 20.0
"""Gaps of an outage are joined for this long before they are committed. A kill in between loses
nothing: a job's gaps are committed before anything later of it, so the next start finds them."""
FAILED_PAUSE_S = 0.5
"""After a pass that brought nothing, so that a job without pauses cannot spin."""
LONGEST_WAIT_S = 5.0
"""The plan is asked at least this often, so that a stepped clock cannot leave it asleep."""
NO_ROOM_RETRY_S = 5.0

T = TypeVar("T")


def _backoff_s(failures: int) -> float:
    return float(min(BACKOFF_MOST_S, BACKOFF_FIRST_S * 2 ** min(failures, 10)))


class SweeperRunner(AskedSweeper):
    """Supervises one sweeper. :meth:`run` goes on until it is cancelled."""

    def __init__(
        self,
        *,
        name: str,
        host: SweeperHost,
        jobs: Sequence[JobRunner],
        planned: Sequence[PlannedJob],
        clock: Clock,
        teller: Teller,
        findings: StationFindings,
        now_s: float,
        look_first: Callable[[], None] = lambda: None,
        known: Identity | None = None,
        book: IdentityBook | None = None,
        unconfirmed: Unconfirmed | None = None,
        context: Callable[[], Mapping[str, float]] = dict,
        marks: Callable[[JobSpec, float], SweepFlag] = lambda spec, since_s: NO_FLAGS,
        readiness: Readiness | None = None,
        on_ended: Callable[[str], None] = lambda name: None,
        isolation: str = "",
    ) -> None:
        """``book`` knows who else is there, ``unconfirmed`` which jobs wait at another identity.
        ``context``: the values beside the sweeps that are fresh now, by name.
        ``marks``: what is known from beside against a job's sweep since a monotonic second.
        ``readiness`` asks the world around the passes of jobs that want it.
        ``on_ended`` is told of each job that has ended by itself.
        ``isolation`` is where the driver runs."""
        self.name = name
        self.host = host
        self._isolation = isolation
        self.plan = SweeperPlan(
            planned,
            now_s=now_s,
            accounted={
                job.name: accounted_s
                for job in jobs
                # One in the future is of a clock that was wrong: waiting for it would be deaf time.
                if (accounted_s := job.state.accounted_s) is not None
                and accounted_s <= now_s + SERVED_STANDS_S
            },
        )
        self._jobs: Mapping[str, JobRunner] = {job.name: job for job in jobs}
        self._clock = clock
        self._teller = teller
        self._findings = findings
        self._look_first = look_first
        self._book = book or IdentityBook({name: host.address})
        self._news = SweeperNews(
            name=name, host=host, clock=clock, findings=findings, known=known, book=self._book
        )
        self._unconfirmed = unconfirmed or Unconfirmed(name, rules={}, swept_with={})
        self._present = False
        self._why_away = "it has not answered yet"
        self._gaps_kept_s = clock.monotonic_s()
        self._context = context
        self._sweeper_clock = SweeperClockWatch()
        self._losses = 0
        self._no_room_s: float | None = None
        self._moved_s = clock.monotonic_s()
        self._readiness = readiness
        self._states = JobStates(
            self._jobs,
            plan=self.plan,
            now_s=self._now_s,
            clock=clock,
            teller=teller,
            unconfirmed=self._unconfirmed,
            readiness=readiness,
            is_present=lambda: self._present,
            on_ended=on_ended,
            name=name,
        )
        self._is_readying = False
        """The world is put back before anything sweeps; errands wait for that as well."""
        self._is_putting_back = False
        self._keeper = Keeper(findings=findings, rest=self._rest, sweeper=name)
        self._passes = PassTaker(
            name=name,
            host=host,
            clock=clock,
            keeper=self._keeper,
            context=context,
            marks=marks,
            readiness=readiness,
            swept=self._swept,
            stop=self._states.stop_for_good,
        )
        self._wake = asyncio.Event()
        self._errands = Errands(name, self._wake.set)
        if readiness is not None:
            readiness.give_turns(name, self._wake.set)
        self._opening: asyncio.Task[None] | None = None
        self._hurry = asyncio.Event()
        for job in jobs:
            if job.spec.follow:
                job.follower = Follower(job, clock=clock, ask=partial(self._look_closer, job.name))
        self._log = structlog.get_logger().bind(sweeper=name)

    @property
    def present(self) -> bool:
        return self._present

    async def run(self) -> None:
        """Open, sweep when due, recover; until cancelled."""
        self.plan.sweeper_away(self._now_s(), "sweeper lost")
        self._tell("away")
        async with asyncio.TaskGroup() as group:
            self._group = group
            self._open_soon(0.0)
            try:
                while True:
                    await self._once()
            finally:
                self._errands.end()

    def context(self) -> Mapping[str, float]:
        """The values beside the sweeps that are fresh now, by name."""
        return self._context()

    async def errand(self, job: str | None, work: Callable[[], Awaitable[T]]) -> T:
        """Have ``work`` done between two passes, for a job or, with None, for somebody who tests
        the sweeper, with nobody else at it. What jobs miss meanwhile is an overrun.

        Raises:
            SweeperError: not now: the sweeper is away, or this job was stopped.
            Exception: whatever ``work`` raises.
        """

        async def unless_stopped() -> T:
            why = None if job is None else self._states.why_not(job)
            if why is not None:
                raise SweeperError(f"job {job} does not sweep now: {why}")
            return await (work() if job is None else self._passes.made_ready(self._jobs[job], work))

        return await self._errands.ask(unless_stopped)

    def try_now(self) -> None:
        """Something was plugged in: where the sweeper is away, look for it now, and again soon."""
        if not self._present:
            self._hurry.set()

    async def close(self) -> None:
        """Close the sweeper and account for what is open. Bounded; raises nothing."""
        try:
            await self.host.close()
        finally:
            if self._readiness is not None and not self.host.left_well:
                self._readiness.lost(self.name)
        await self._keeper.close()
        for missed in self.plan.drain(self._now_s()):
            self._note(missed)
        await self.keep_gaps()

    def estimates_s(self) -> dict[str, float]:
        """How long a pass of each job is expected to take, by now."""
        return {
            name: self.plan.estimate_s(name)
            for name in self._jobs
            if name not in self._states.ended
        }

    def clock_stepped(self, from_s: float, to_s: float, *, was_wrong: bool = False) -> None:
        """``was_wrong``: the clock before was never right, so nothing was due in between."""
        (self.plan.clock_set if was_wrong else self.plan.clock_stepped)(from_s, to_s)
        for missed in self.plan.take_missed():
            self._note(missed)
        self._passes.clock_stepped()
        self._wake.set()

    def asleep(self, from_s: float, to_s: float) -> None:
        self.plan.asleep(from_s, to_s)
        self._wake.set()

    async def confirm(self) -> tuple[str, ...]:
        """Somebody says that the instrument that answers is meant; the jobs that waited for it.

        Raises:
            SweeperError: nobody answers there now.
        """
        identity = self.host.identity
        if not self._present or identity is None:
            raise SweeperError(f"{self.name} is away: {self._why_away}")
        freed = self._unconfirmed.confirm(identity)
        if freed:
            self._states.plan_all_anew()
            self._wake.set()
            await self._findings.tell(
                "identity_confirmed",
                f"sweeper {self.name} was confirmed to be {identity}; "
                f"{', '.join(freed)} {'goes' if len(freed) == 1 else 'go'} on",
                {"sweeper": self.name},
            )
        return freed

    async def turn_hours(self, by_s: float) -> None:
        """Turn the hours that ended by ``by_s`` for jobs that are not at work.

        A pass under way turns them itself when it is kept: what started in an hour belongs to it.
        While one is, or an errand, the plan is not asked, and what others missed meanwhile is not
        known yet.
        """
        if self.plan.running is not None or self._errands.is_busy or self._is_putting_back:
            return
        for job in self._jobs.values():
            if (
                job.name in self._states.ended
                and job.ended is not None
                and job.hour_after(job.ended[0])
            ):
                # Its last hour has turned; those after it hold nothing of it.
                continue
            await job.turn_hours(by_s)

    async def keep_gaps(self) -> None:
        """Commit the gaps that wait; those that cannot be go on waiting."""
        self._gaps_kept_s = self._clock.monotonic_s()
        for job in self._jobs.values():
            if not job.gaps_wait:
                continue
            try:
                await job.keep_gaps()
            except ArchiveError as exc:
                self._log.debug("gaps_not_kept", job=job.name, problem=str(exc))

    # -- the loop -------------------------------------------------------------------------------

    async def _once(self) -> None:
        self._moved_s = self._clock.monotonic_s()
        if self._turn_wanted():
            await self._take_turn()
        self._states.look_for_ends()
        self._states.look_who_hears()
        decision = self.plan.ask(self._now_s())
        for missed in decision.missed:
            self._note(missed)
        for name, ticket in decision.dropped:
            follower = self._jobs[name].follower
            if follower is not None:
                follower.dropped(ticket)
        if self._clock.monotonic_s() - self._gaps_kept_s >= GAPS_KEPT_EVERY_S:
            await self.keep_gaps()
            if self._present:
                for job in self._jobs.values():
                    self._states.tell_listening(job)
        if decision.start is not None:
            await self._take(decision.start)
            await self._look_at_source()
            return
        wait_s = LONGEST_WAIT_S
        if decision.wait_until_s is not None:
            wait_s = min(wait_s, max(0.0, decision.wait_until_s - self._clock.wall_s()))
        self._wake.clear()
        if self._turn_wanted():
            return
        try:
            async with asyncio.timeout(wait_s):
                await self._wake.wait()
        except TimeoutError:
            pass

    def _turn_wanted(self) -> bool:
        """Whether something is to be done between two passes, and may be now."""
        if self._is_readying:
            return False
        ready = self._readiness
        wants = ready is not None and self._present and ready.wants_turn(self.name)
        return self._errands.wait or wants

    async def _take_turn(self) -> None:
        if self._errands.wait:
            await self._do_errand()
        else:
            self._is_putting_back = True
            try:
                await self._passes.put_back_owed()
            finally:
                self._is_putting_back = False
        await self._look_at_source()

    async def _do_errand(self) -> None:
        why_not = None
        if not self._present:
            why_not = f"the sweeper is away: {self._why_away}"
        await self._errands.do_next(why_not)
        if self._present and not self.host.is_open:
            await self._lost(self.host.statistics().last_error or "its link broke")

    async def _look_at_source(self) -> None:
        """Open a sweeper anew of which nobody knows whether its source is off."""
        if self._passes.source_lost is not None:
            await self._lost(self._passes.source_lost)

    async def _take(self, due: Due) -> None:
        job = self._jobs[due.job]
        if job.may_end(self._clock.wall_s()):
            # The commit that is under way may hold the end of it.
            await self._keeper.settled(job)
            self._states.look_for_ends()
            if job.name in self._states.ended:
                self.plan.finished(due.job, now_s=self._now_s(), took_s=None)
                return
        if due.extra is not None and job.follower is not None:
            await self._look(job, job.follower, due, due.extra)
            return
        started_s = self._clock.monotonic_s()
        done = 0
        try:
            outcome = await self._passes.take(job, due)
            done = outcome.done
            if done and self.host.identity is not None:
                self._unconfirmed.swept(job.name, self.host.identity)
            if outcome.failed is not None:
                await self._after_failure(job, outcome.failed)
        finally:
            # Only a pass that brought all it was asked for says how long one takes.
            took_s = self._clock.monotonic_s() - started_s if done == due.sweeps else None
            self.plan.finished(due.job, now_s=self._now_s(), took_s=took_s)
        if job.spec.around is not None:
            self._after_asking(job)
        if not done:
            await asyncio.sleep(FAILED_PAUSE_S)

    async def _look(self, job: JobRunner, follower: Follower, due: Due, ticket: int) -> None:
        """Take a pass that a finding asked for. What it does not bring, nobody was due."""
        started_s, took_s = self._clock.monotonic_s(), None
        try:
            outcome = await self._passes.take(job, due)
            failed = outcome.failed
            if failed is None and outcome.taken:
                took_s = self._clock.monotonic_s() - started_s
            elif failed is None:
                follower.dropped(ticket, "the world was not ready for it")
            elif failed.refused is not None:
                # What is beyond the sweeper is the look, not the job.
                draft = follower.refused(ticket, failed.refused)
                if draft is not None:
                    self._log.error("look_refused", job=job.name, problem=failed.detail)
                    await self._keeper.finding(job, draft)
            else:
                self._log.warning("look_failed", job=job.name, problem=failed.detail)
                await self._after_failure(job, failed)
        finally:
            self.plan.finished(due.job, now_s=self._now_s(), took_s=took_s)
            follower.finished(ticket, took_s)
        if job.spec.around is not None:
            self._after_asking(job)
        if took_s is None:
            await asyncio.sleep(FAILED_PAUSE_S)

    def _look_closer(self, job: str, ticket: int, until_s: float, takes_s: float) -> bool:
        """Let a pass that a finding asked for wait for its turn."""
        now_s = self._now_s()
        self._wake.set()
        return self.plan.add_extra(job, ticket, now_s=now_s, until_s=until_s, estimate_s=takes_s)

    def _now_s(self) -> float:
        """Wall time for the plan. A step of the clock is made known to it before it sees the time,
        or it would take the jump for an overrun."""
        self._look_first()
        return self._clock.wall_s()

    async def _swept(self, sweep: Sweep) -> None:
        """What a good sweep says of its sweeper."""
        drift_s = self._sweeper_clock.drifted_s(sweep)
        if drift_s is not None:
            self._group.create_task(self._news.drift(drift_s))
        if self.host.is_open:
            await self._swept_well()
        else:
            # A hop of it broke the link: what came is kept, and the link opened anew at once.
            await self._lost(self.host.statistics().last_error or "its link broke in a hop")

    async def _after_failure(self, job: JobRunner, failed: Failed) -> None:
        """What a failed pass leads to, when all that came before it is kept or accounted for."""
        if failed.refused is not None:
            await self._refuse(job, failed.refused)
        elif failed.lost is not None:
            await self._lost(failed.lost)

    async def _swept_well(self) -> None:
        """A good sweep: the sweeper is really there, and the next loss begins with short waits."""
        self._losses = 0
        if not self._keeper.no_room:
            self._no_room_s = None
        await self._news.back()

    async def _rest(self, problem: ArchiveError) -> None:
        """Nothing can be kept: do not sweep for a while."""
        if self._no_room_s is None:
            self._no_room_s = self._clock.wall_s()
        self.plan.sweeper_away(self._now_s(), gap_reason(problem))
        await asyncio.sleep(NO_ROOM_RETRY_S)
        if self._present:
            self.plan.sweeper_back(self._now_s())

    # -- lost and found -------------------------------------------------------------------------

    def _open_soon(self, after_s: float) -> None:
        self._opening = self._group.create_task(self._open_until_there(after_s))

    async def _open_until_there(self, after_s: float) -> None:
        wait_s, tried, told = after_s, 0, False
        while True:
            if await self._hurried_within(wait_s):
                tried = 0
            try:
                opened = await self.host.open()
            except SweeperError as exc:
                tried += 1
                wait_s = _backoff_s(tried + self._losses)
                if not told or isinstance(exc, IdentityChanged):
                    told = True
                    await self._not_there(exc)
                continue
            await self._there(opened)
            return

    async def _hurried_within(self, wait_s: float) -> bool:
        """Wait, or less where something was plugged in meanwhile; whether it was."""
        try:
            async with asyncio.timeout(wait_s):
                await self._hurry.wait()
        except TimeoutError:
            return False
        # Only now: what came while it was being closed or tried in vain must count as well.
        self._hurry.clear()
        return True

    async def _not_there(self, exc: SweeperError) -> None:
        self._why_away = str(exc)
        state = "away"
        if isinstance(exc, PortBusy):
            state = "busy"
        elif isinstance(exc, IdentityChanged | DriverFault):
            state = "fault"
        self._tell(state, problem=str(exc))
        await self._news.not_there(exc)

    async def _there(self, opened: Opened) -> None:
        identity = opened.identity
        self._present = True
        self._hurry.clear()
        self._passes.opened_anew()
        self._states.opened_anew()
        for job in self._jobs.values():
            if job.follower is not None:
                job.follower.opened_anew()
        self._sweeper_clock.anew()
        self._log.info("sweeper_present", identity=str(identity))
        self._tell("present", identity=identity)
        # One that was lost again before a good sweep is only said to be back after one.
        await self._news.there(opened, is_sure=self._losses <= 1)
        await self._wait_where_unconfirmed(identity)
        if self._readiness is not None:
            self.plan.sweeper_away(self._now_s(), "not ready", "the world is put back first")
            self._is_readying = True
            try:
                await self._readiness.opened(self.name)
            finally:
                self._is_readying = False
        self.plan.sweeper_back(self._now_s())
        self._wake.set()

    async def _wait_where_unconfirmed(self, identity: Identity) -> None:
        before = set(self._unconfirmed.waiting)
        fresh = self._unconfirmed.answered(identity)
        for name in before ^ set(self._unconfirmed.waiting):
            self._states.plan_anew(name)
            self._states.tell_listening(self._jobs[name])
        for name in fresh:
            if name in self._states.ended or name in self._states.stopped:
                continue
            why = self._unconfirmed.waiting[name]
            self._log.warning("job_waits", job=name, why=why)
            draft = FindingDraft(
                what="identity_unconfirmed", at_s=self._clock.wall_s(), text=f"this job {why}"
            )
            await self._keeper.finding(self._jobs[name], draft)

    async def _lost(self, problem: str) -> None:
        """The conversation is broken: close, and open anew in the background."""
        if not self._present:
            return
        self._present = False
        self._book.left(self.name)
        self._why_away = problem
        self._losses += 1
        self.plan.sweeper_away(self._now_s(), "sweeper lost")
        if self._readiness is not None:
            self._readiness.lost(self.name)
        self._log.warning("sweeper_lost", problem=problem)
        self._tell("away", problem=problem)
        await self.host.close()
        await self._news.lost(problem)
        self._open_soon(_backoff_s(self._losses - 1))

    async def _refuse(self, job: JobRunner, exc: RequestRefused) -> None:
        """A request beyond the sweeper's limits: the job pauses until the next opening."""
        if not self._states.refuse(job, str(exc)):
            return
        self._log.error("request_refused", job=job.name, problem=str(exc))
        draft = FindingDraft(
            what="refused",
            at_s=self._clock.wall_s(),
            text=f"this job does not start: {exc}"
            if isinstance(exc, InputUnsafe)
            else f"{self.name} cannot do what this job asks: {exc}",
        )
        await self._keeper.finding(job, draft)

    def _tell(
        self, state: str, *, identity: Identity | None = None, problem: str | None = None
    ) -> None:
        counted = self.host.statistics()
        driver = {
            "isolation": self._isolation,
            "driver_died": counted.died,
            "driver_stuck": counted.stuck,
            "driver_hanging": counted.hanging,
        }
        self._teller.sweeper(self.name, state, identity=identity, problem=problem, driver=driver)
        self._states.tell_all(is_present=state == "present", problem=problem)

    def _after_asking(self, job: JobRunner) -> None:
        again_s = self._states.asked(job)
        if again_s is not None:
            self._group.create_task(self._ask_again(job.name, again_s))

    async def _ask_again(self, job: str, after_s: float) -> None:
        await asyncio.sleep(after_s)
        self._states.plan_anew(job)
        self._wake.set()

    # -- accounting -----------------------------------------------------------------------------

    def _note(self, missed: Missed) -> None:
        self._jobs[missed.job].note_gap(
            GapRecord(
                job=missed.job,
                from_s=missed.from_s,
                to_s=missed.to_s,
                count=missed.count,
                reason=missed.reason,
                detail=missed.detail,
            )
        )
