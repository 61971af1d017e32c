"""What others ask of a sweeper's runner, or ask it about itself; the runner does the work."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping

from acqd.clock import Clock
from acqd.drivers.host import ABANDONED_MAX, SweeperHost
from acqd.errors import SweeperError
from acqd.plan.sharing import SweeperPlan
from acqd.station.errands import Errands
from acqd.station.health import JobFacts
from acqd.station.job import JobRunner
from acqd.station.jobstates import JobStates
from acqd.station.keeping import Keeper
from acqd.station.watchdog import SweeperProgress

__all__ = ["AskedSweeper"]


class AskedSweeper:
    """The side of a runner that the station's other parts see. Returns at once, all of it."""

    name: str
    host: SweeperHost
    plan: SweeperPlan
    _jobs: Mapping[str, JobRunner]
    _clock: Clock
    _states: JobStates
    _keeper: Keeper
    _errands: Errands
    _wake: asyncio.Event
    _present: bool
    _why_away: str
    _no_room_s: float | None
    _moved_s: float
    _is_readying: bool
    _is_putting_back: bool
    _now_s: Callable[[], float]

    @property
    def jobs(self) -> Mapping[str, JobRunner]:
        """By name."""
        return self._jobs

    @property
    def is_out(self) -> bool:
        """Whether its driver hangs so often that it is out until the station is started anew."""
        return self.host.statistics().hanging >= ABANDONED_MAX

    @property
    def no_room_since_s(self) -> float | None:
        """Since when, of wall time, nothing of its jobs can be kept."""
        return self._no_room_s if self._keeper.no_room else None

    def waiting(self) -> dict[str, float]:
        """Jobs whose passes are due and not begun, and since when."""
        return self.plan.waiting(self._now_s())

    def progress(self) -> SweeperProgress:
        """What moves here, for the station's watchdog."""
        now_s = self._clock.monotonic_s()
        is_busy = self.plan.running is not None or self._errands.is_busy or self._is_putting_back
        waiting = {} if is_busy or self._is_readying else self.waiting()
        due_s = min(waiting.values(), default=None)
        around = [job.spec.around for job in self._jobs.values() if job.spec.around is not None]
        return SweeperProgress(
            name=self.name,
            still_for_s=now_s - max(self._moved_s, self.host.called_s),
            call_left_s=self.host.call_left_s,
            patience_s=2.0 * max((one.within_s for one in around), default=0.0),
            due_for_s=0.0 if due_s is None else self._clock.wall_s() - due_s,
            is_present=self._present,
            is_out=self.is_out,
        )

    def job_facts(self) -> list[JobFacts]:
        """How it stands with its jobs."""
        return [self._states.standing(job) for job in self._jobs.values()]

    def hold(self, job: str, why: str | None) -> None:
        """Let a job wait from its next pass on, for this reason; None: let it go on."""
        self._states.hold(job, why)
        self._wake.set()

    def pause(self, job: str, why: str | None) -> bool:
        """Let a job wait since somebody said so, from its next pass on; None: let it go on. Whether
        that is news."""
        is_news = self._states.pause(job, why)
        self._wake.set()
        return is_news

    def why_not(self, job: str) -> str | None:
        """Why a job does not sweep now; None where it does."""
        return self._states.why_not(job)

    def sweep_now(self, job: str) -> None:
        """Make a pass of a job due now.

        Raises:
            SweeperError: it cannot be: the sweeper is away, the job waits, or its time is shut.
        """
        facts = self._states.standing(self._jobs[job])
        if not self._present:
            raise SweeperError(f"{self.name} is away: {self._why_away}")
        if facts.standing != "open":
            shut = f"it is outside its time, {facts.why}"
            why = shut if facts.standing == "shut" else facts.why
            raise SweeperError(f"{job} does not sweep now: {why}")
        if not self.plan.come_now(job, self._now_s()):
            raise SweeperError(f"{job} sweeps back to back: a pass of it is due all the time")
        self._wake.set()

    def test(self, why: str | None) -> None:
        """Let all jobs wait while somebody tests the sweeper, for this reason; None: go on."""
        self._states.test(why)
        self._wake.set()
