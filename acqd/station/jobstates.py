"""Which jobs of a sweeper may start, why the others wait, and what is told of each.

A job is held, paused for good, refused, ended, not ready, or waits for somebody: all of it comes
together here, in the plan and in the state that is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import structlog

from acqd.clock import Clock
from acqd.plan.sharing import SweeperPlan
from acqd.station.health import JobFacts, Standing
from acqd.station.identities import Unconfirmed
from acqd.station.job import JobRunner
from acqd.station.readiness import Readiness
from acqd.station.tell import Teller, one_line

__all__ = ["JobStates"]

PAUSED_BY_COMMAND = "paused by command"
"""The reason for what is missed meanwhile."""

ASK_AGAIN_MOST_S = 60.0
"""A job whose world is not ready asks at least this often, and at first after twice its waits."""


class JobStates:
    """The states of one sweeper's jobs.

    Args:
        jobs: by name.
        plan: the sweeper's; jobs pause and go on in it.
        now_s: wall time for the plan.
        clock: for what is told.
        teller: tells it.
        unconfirmed: jobs that wait until somebody confirms the sweeper.
        readiness: whether the world is as a job wants it.
        is_present: whether the sweeper is there.
        on_ended: is told of each job that has ended by itself.
        name: the sweeper's.
    """

    def __init__(
        self,
        jobs: Mapping[str, JobRunner],
        *,
        plan: SweeperPlan,
        now_s: Callable[[], float],
        clock: Clock,
        teller: Teller,
        unconfirmed: Unconfirmed,
        readiness: Readiness | None,
        is_present: Callable[[], bool],
        on_ended: Callable[[str], None],
        name: str,
    ) -> None:
        self._jobs = jobs
        self._plan = plan
        self._now_s = now_s
        self._clock = clock
        self._teller = teller
        self._unconfirmed = unconfirmed
        self._readiness = readiness
        self._is_present = is_present
        self._on_ended = on_ended
        self.ended: dict[str, str] = {job.name: job.ended[1] for job in jobs.values() if job.ended}
        """Jobs that have ended by themselves, in their words."""
        self.stopped: dict[str, str] = {}
        """Jobs that were stopped for good, and why."""
        self._refused: dict[str, str] = {}
        """Jobs that wait until the sweeper is opened anew, and why."""
        self._held: dict[str, str] = {}
        """Jobs that wait, and what for."""
        self._commanded: dict[str, str] = {}
        """Jobs that somebody paused, and who."""
        self._tested: str | None = None
        """Why no job sweeps while somebody tests the sweeper; None while nobody does."""
        self._not_ready: dict[str, int] = {}
        """How often in a row the world was not as a job wants it."""
        self._deaf: set[str] = set()
        """Jobs of which nobody was told yet that they hear again."""
        self._log = structlog.get_logger().bind(sweeper=name)

    # -- why a job waits ------------------------------------------------------------------------

    def why_not(self, job: str) -> str | None:
        """Why a job does not sweep now; None where it does."""
        return self.stopped.get(job) or self._why_waits(job)

    def _why_waits(self, job: str) -> str | None:
        """The same of a job that was not stopped."""
        waits = self._unconfirmed.waiting.get(job) or self._commanded.get(job)
        return waits or self._tested or self._held.get(job)

    def standing(self, job: JobRunner) -> JobFacts:
        """How it stands with a job, for who judges the station."""
        name, planned = job.name, job.spec.planned
        fault = self.stopped.get(name) or self._unconfirmed.waiting.get(name)
        fault = fault or self._refused.get(name) or self._why_not_ready(job)
        waits = self._commanded.get(name) or self._tested or self._held.get(name)
        standing: Standing = "open"
        why = ""
        if name in self.ended:
            standing, why = "ended", self.ended[name]
        elif fault is not None:
            standing, why = "fault", fault
        elif waits is not None:
            standing, why = "waits", waits
        elif not planned.schedule.is_open(self._clock.wall_s()):
            standing, why = "shut", planned.schedule.describe()
        deaf = job.deaf
        return JobFacts(
            name=name,
            sweeper=job.spec.sweeper,
            standing=standing,
            why=why,
            deaf="" if deaf is None else deaf.why,
        )

    def _why_not_ready(self, job: JobRunner) -> str | None:
        return None if self._readiness is None else self._readiness.why_not_ready(job.name)

    def hold(self, job: str, why: str | None) -> None:
        """Let a job wait, for this reason; None: let it go on."""
        if why is None:
            self._held.pop(job, None)
        else:
            self._held[job] = why
        self.plan_anew(job)
        if self._is_present():
            self.tell_listening(self._jobs[job])

    def pause(self, job: str, why: str | None) -> bool:
        """Let a job wait since somebody said so; None: let it go on. Whether that is news."""
        if (why is not None) == (job in self._commanded):
            return False
        if why is None:
            del self._commanded[job]
        else:
            self._commanded[job] = why
        self.plan_anew(job)
        if self._is_present():
            self.tell_listening(self._jobs[job])
        return True

    def test(self, why: str | None) -> None:
        """Let all jobs wait while somebody tests the sweeper, for this reason; None: go on."""
        if why != self._tested:
            self._tested = why
            self.plan_all_anew()

    def stop_for_good(self, job: JobRunner, why: str) -> None:
        """Take a job out of the plan until the station is started anew."""
        self._plan.pause(job.name, self._now_s(), "paused", one_line(why))
        self.stopped[job.name] = why

    def refuse(self, job: JobRunner, why: str) -> bool:
        """Let a job wait until the sweeper is opened anew; whether that is news."""
        if job.name in self._refused:
            return False
        self._refused[job.name] = one_line(why)
        self._plan.pause(job.name, self._now_s(), "refused", one_line(why))
        return True

    def opened_anew(self) -> None:
        """The sweeper was opened anew: what was refused may be asked again."""
        refused, self._refused = self._refused, {}
        for name in refused:
            self.plan_anew(name)

    def plan_anew(self, job: str) -> None:
        """Let a job start, unless something keeps it from it."""
        if job in self.stopped or job in self._refused or job in self.ended:
            return
        why = self._why_waits(job)
        if why is None:
            self._plan.resume(job, self._now_s())
        else:
            reason = PAUSED_BY_COMMAND if job in self._commanded else "paused"
            self._plan.pause(job, self._now_s(), reason, one_line(why))

    def plan_all_anew(self) -> None:
        """The same for all of them."""
        for job in self._jobs.values():
            self.plan_anew(job.name)
            if self._is_present():
                self.tell_listening(job)

    def asked(self, job: JobRunner) -> float | None:
        """The world was asked before a pass: after how long to :meth:`plan_anew` the job that was
        not made ready, since its waiting costs the others; None where it was."""
        wait_s = None
        why = self._why_not_ready(job)
        if why is None:
            self._not_ready.pop(job.name, None)
        else:
            again = self._not_ready[job.name] = self._not_ready.get(job.name, 0) + 1
            within_s = 0.0 if job.spec.around is None else job.spec.around.within_s
            wait_s = min(ASK_AGAIN_MOST_S, 2.0 * within_s * 2.0 ** min(again - 1, 10))
            self._plan.pause(job.name, self._now_s(), "not ready", one_line(why))
        if self._is_present():
            self.tell_listening(job)
        return wait_s

    # -- what is seen of them -------------------------------------------------------------------

    def look_for_ends(self) -> None:
        """Jobs that ended by themselves leave the plan: what would be due later is not missed."""
        for job in self._jobs.values():
            ended = job.ended
            if ended is None or job.name in self.ended:
                continue
            self.ended[job.name] = ended[1]
            self._plan.end(job.name, self._now_s(), ended_s=ended[0])
            self._log.info("job_ended", job=job.name, text=ended[1])
            self.tell_listening(job)
            self._on_ended(job.name)

    def look_who_hears(self) -> None:
        """Jobs that turned out to be deaf, or that hear again, say so at once."""
        for job in self._jobs.values():
            is_deaf = job.deaf is not None
            if is_deaf == (job.name in self._deaf):
                continue
            self._deaf ^= {job.name}
            if self._is_present():
                self.tell_listening(job)

    # -- what is told ---------------------------------------------------------------------------

    def tell_all(self, *, is_present: bool, problem: str | None) -> None:
        """The sweeper came or went."""
        for job in self._jobs.values():
            if job.name in self.ended:
                self.tell_listening(job)
            elif job.name in self.stopped:
                self._teller.job_state(job, "paused", self.stopped[job.name])
            elif is_present:
                self.tell_listening(job)
            else:
                self._teller.job_state(job, "waiting for its sweeper", problem or "")

    def tell_listening(self, job: JobRunner) -> None:
        """What a job of a sweeper that is there does at the moment."""
        if job.name in self.ended:
            self._teller.job_state(job, "paused", self.ended[job.name])
        elif job.name in self.stopped:
            self._teller.job_state(job, "paused", self.stopped[job.name])
        elif (why := self._why_waits(job.name) or self._why_not_ready(job)) is not None:
            self._teller.job_state(job, "paused", why)
        elif job.spec.planned.schedule.is_open(self._clock.wall_s()):
            deaf = job.deaf
            if deaf is None:
                self._teller.job_state(job, "listening")
            else:
                self._teller.job_state(job, "deaf", deaf.why, since_s=deaf.from_s)
        else:
            self._teller.job_state(job, "idle", job.spec.planned.schedule.describe())
