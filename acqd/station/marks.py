"""What is known against a sweep from beside it: a transmitter was keyed, or it is set aside."""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping

import structlog

from acqd.clock import Clock
from acqd.errors import ArchiveError, BrokerError
from acqd.measure.meter import FindingDraft
from acqd.publish.settings import BrokerSettings
from acqd.station.askline import AskLine
from acqd.station.asks import topics_of
from acqd.station.build import Built
from acqd.station.conditions import Condition
from acqd.station.context import ContextStore
from acqd.station.job import JobRunner
from acqd.station.jobspec import JobSpec
from acqd.station.readiness import Readiness
from acqd.sweep import NO_FLAGS, SweepFlag

__all__ = ["Marks", "job_findings", "make_readiness", "watched"]


class Marks:
    """Flags that a sweep of a job gets from beside it. ``readiness`` None: nothing is asked."""

    def __init__(self, contexts: ContextStore, readiness: Readiness | None) -> None:
        self._contexts = contexts
        self._readiness = readiness

    def __call__(self, spec: JobSpec, since_s: float) -> SweepFlag:
        """Those of a sweep that began at a monotonic second and has just ended."""
        flags, held_since = NO_FLAGS, self._contexts.held_since
        if any(held_since(rule.condition, since_s) for rule in spec.ptt):
            flags |= SweepFlag.TRANSMITTING
        if any(held_since(one, since_s) for one in spec.sets_aside):
            flags |= SweepFlag.SET_ASIDE
        ready = self._readiness
        if ready is not None and ready.doubtful_since(spec.name, spec.sweeper, since_s):
            flags |= SweepFlag.SET_ASIDE
        return flags


def watched(built: Built) -> list[Condition]:
    """The conditions that the flags hang on."""
    return [one for spec in built.jobs for one in spec.sets_aside]


def job_findings(
    jobs: Mapping[str, JobRunner], clock: Clock
) -> Callable[[str, str, str], Awaitable[None]]:
    """Keeps findings of jobs that no meter makes; one for which there is no room is only logged."""

    async def tell(what: str, text: str, job: str) -> None:
        try:
            await jobs[job].finding(FindingDraft(what=what, at_s=clock.wall_s(), text=text))
        except ArchiveError as problem:
            structlog.get_logger().error("finding_not_kept", job=job, problem=str(problem))

    return tell


def make_readiness(
    built: Built,
    *,
    settings: BrokerSettings | None,
    jobs: Mapping[str, JobRunner],
    contexts: ContextStore,
    clock: Clock,
) -> Readiness | None:
    """Who asks the world around passes; None where no job wants anything of it.

    Raises:
        BrokerError: one does, and there is no broker to ask over.
    """
    asking = {
        spec.name: spec
        for spec in built.jobs
        if spec.around is not None and not jobs[spec.name].ended
    }
    if not asking:
        return None
    if settings is None:
        raise BrokerError(
            f"job {next(iter(asking))} asks before each pass, and there is no broker to ask over: "
            "run without --broker none, or take [job.NAME.before] out"
        )
    known = settings
    arounds = {name: spec.around for name, spec in asking.items() if spec.around is not None}
    return Readiness(
        arounds,
        sweeper_of={name: spec.sweeper for name, spec in asking.items()},
        sources={spec.sweeper for spec in built.jobs if spec.request.source is not None},
        line=lambda heard, came_up: AskLine(
            station=built.name,
            settings=known,
            topics=topics_of(arounds, contexts.specs),
            heard=heard,
            came_up=came_up,
            clock=clock,
        ),
        contexts=contexts,
        tell=job_findings(jobs, clock),
        clock=clock,
    )
