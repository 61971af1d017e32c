"""Pause a job, let it go on, take a pass of it now: what people may ask, by whichever way.

Verbs alone. A pause keeps a job from its next pass on and ends with ``resume`` or with the station;
what is missed is accounted for as ``paused by command``. Who pauses a job on the station's machine
may be at its aerial: it goes on by a word from there alone. A pass that is asked for becomes a due
one, with the same turn, the same checks and the same way to be kept or accounted for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import structlog

from acqd.errors import SweeperError, WrongUsage
from acqd.station.job import JobRunner
from acqd.station.sweepers import SweeperRunner
from acqd.station.tell import one_line

__all__ = ["VERBS", "JobCommands", "Verb"]

Verb = Literal["pause", "resume", "sweep"]
VERBS: tuple[Verb, ...] = ("pause", "resume", "sweep")


class JobCommands:
    """Does what is asked of one station's jobs. Belongs to its event loop."""

    def __init__(self, jobs: Mapping[str, JobRunner], sweepers: Sequence[SweeperRunner]) -> None:
        self._jobs = jobs
        self._sweepers = {one.name: one for one in sweepers}
        self._paused_here: set[str] = set()
        self._log = structlog.get_logger()

    def do(self, verb: Verb, job: str, *, who: str, is_here: bool) -> str:
        """Do it; what came of it, as a sentence. Returns at once.

        ``is_here``: whether it is said on the station's machine, by its user.

        Raises:
            WrongUsage: no such job.
            SweeperError: it cannot be done now; says why.
        """
        runner = self._jobs.get(job)
        if runner is None:
            have = ", ".join(self._jobs) or "none"
            raise WrongUsage(f"the running station has no job {job!r}; it has {have}")
        sweeper = self._sweepers[runner.spec.sweeper]
        who = one_line(who)
        if runner.ended is not None:
            raise SweeperError(f"{job} has ended: {runner.ended[1]}")
        if verb == "resume" and job in self._paused_here and not is_here:
            raise SweeperError(
                f"{job} was paused on the station's machine, and goes on from there alone"
            )
        if is_here and verb != "sweep":
            (self._paused_here.add if verb == "pause" else self._paused_here.discard)(job)
        if verb == "pause":
            is_news = sweeper.pause(job, f"paused by command of {who}")
            text = f"{job} is paused" if is_news else f"{job} was paused already"
        elif verb == "resume":
            is_news = sweeper.pause(job, None)
            waits = sweeper.why_not(job)
            text = f"{job} goes on" if is_news else f"{job} was not paused by a command"
            text += f", but waits: {waits}" if waits else ""
        else:
            sweeper.sweep_now(job)
            text = f"a pass of {job} is due now"
        self._log.info("commanded", verb=verb, job=job, who=who, text=text)
        return text
