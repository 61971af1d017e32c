"""What the station needs to know of its past before it begins: read once, in a thread, at start."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from acqd.archive.clocklog import ClockLog
from acqd.archive.records import GapRecord, MeterState
from acqd.archive.recovery import Recovery
from acqd.plan.downtime import (
    STATION_DOWN,
    Owed,
    missed_while_down,
    plan_clock,
    plan_from_json,
    plan_owed,
    plan_time_s,
)
from acqd.plan.jobs import PlannedJob
from acqd.station.feed import CLOCK_BACK_S, JobState, account_of, config_ended
from acqd.station.job import JobSpec
from acqd.sweep import Identity

__all__ = ["JobPast", "Past", "Recovered", "look_back"]

GONE = "gone"
"""Version of a checkpoint that is carried on for its accounts alone; no meter is of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPast:
    """One job as the last run left it."""

    state: JobState
    sweep_times_s: Mapping[str, float] = field(default_factory=dict)
    """By setup, the latest last."""
    identity: Identity | None = None
    """Who was swept last."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Past:
    """All jobs of the config, the plan before, and what that had and the config has not."""

    jobs: Mapping[str, JobPast]
    planned: Mapping[str, PlannedJob]
    gone: Mapping[str, JobState]
    carried: tuple[MeterState, ...]
    """Checkpoints of the jobs that are gone. They are for the first journal: should the station be
    killed before the new plan is recorded, what is accounted for by then is not counted twice."""
    plan_s: float
    """Since when the plan before held."""
    noted_s: float | None
    """When the station last noted that it runs."""
    clock: ClockLog | None = None
    """What the clocks of the run before showed."""
    owed: Owed | None = None
    """Time down that it could not account for."""

    def since_s(self, state: JobState) -> float:
        """Up to when a job is accounted for, by the clock of the run before."""
        since_s = state.accounted_s
        if since_s is None:
            # Nothing came of that plan at all; a due time exactly at its beginning was its own.
            since_s = self.plan_s - 1e-6
        if self.noted_s is not None and since_s > self.noted_s + CLOCK_BACK_S:
            # Accounted for by a clock that was ahead, and has been set back since.
            since_s = self.noted_s
        return since_s

    def rest_of_pass(self, name: str, state: JobState) -> list[GapRecord]:
        """What was still due of the pass that was under way, if one was."""
        planned, due_s = self.planned.get(name), state.accounted_s
        if planned is None or due_s is None or state.taken is None:
            return []
        count = planned.schedule.burst - state.taken
        if count <= 0:
            return []
        return [
            GapRecord(
                job=name,
                from_s=due_s,
                to_s=due_s,
                count=count,
                reason=STATION_DOWN,
                detail="the pass was under way",
            )
        ]

    def down(self, name: str, since_s: float, now_s: float) -> list[GapRecord]:
        """What a job of the plan before has missed after ``since_s``."""
        planned = self.planned.get(name)
        if planned is None:
            return []
        return [
            GapRecord(
                job=name,
                from_s=missed.from_s,
                to_s=missed.to_s,
                count=missed.count,
                reason=missed.reason,
                detail=missed.detail,
            )
            for missed in missed_while_down([planned], since_s, now_s)
        ]

    @staticmethod
    def after_end(state: JobState, gaps: list[GapRecord]) -> list[GapRecord]:
        """Gaps of a job that is gone, after the mark that its config has ended."""
        ended = config_ended(state, gaps[0]) if gaps else None
        return gaps if ended is None else [ended, *gaps]

    def estimate_s(self, spec: JobSpec) -> float:
        """How long a pass of a job takes: as learnt by the plan before, if nothing has changed."""
        known, job = self.planned.get(spec.name), self.jobs[spec.name]
        if (
            known is None
            or known.schedule != spec.planned.schedule
            or job.state.config != spec.feed.config
        ):
            return spec.planned.estimate_s
        return known.estimate_s

    def identity(self, names: Iterable[str]) -> Identity | None:
        """Who was swept last by any of these jobs."""
        known = [self.jobs[name] for name in names if self.jobs[name].identity is not None]
        last = max(known, key=lambda one: one.state.accounted_s or 0.0, default=None)
        return None if last is None else last.identity


@dataclass(slots=True)
class Recovered:
    """What a start carries on with: jobs with a meter, seconds that it was down, sweeps missed."""

    jobs: int = 0
    down_s: float | None = None
    lost: int = 0


def look_back(recovery: Recovery, specs: Iterable[JobSpec]) -> Past:
    """Read it all. Takes a moment, and must be done before the archive begins.

    Raises:
        ArchiveError: ledger or journal cannot be read.
    """
    jobs = {spec.name: _job_past(recovery, spec) for spec in specs}
    old = recovery.last_plan
    planned = {} if old is None else {one.name: one for one in plan_from_json(old)}
    gone = {name: account_of(recovery.job(name)) for name in planned if name not in jobs}
    carried = []
    for name, state in gone.items():
        kept = recovery.job(name)
        if kept is not None and kept.meter is not None:
            carried.append(_carried(kept.meter, state))
    return Past(
        jobs=jobs,
        planned=planned,
        gone=gone,
        carried=tuple(carried),
        plan_s=0.0 if old is None else plan_time_s(old),
        noted_s=recovery.noted_s,
        clock=None if old is None else ClockLog.from_json(plan_clock(old)),
        owed=None if old is None else plan_owed(old),
    )


def _job_past(recovery: Recovery, spec: JobSpec) -> JobPast:
    kept = recovery.job(spec.name)
    state = spec.feed.recovered(kept)
    if kept is None:
        return JobPast(state=state)
    details = kept.setup_details()
    times = {
        setup: told["sweep_time_s"]
        for setup, one in details.items()
        if (told := one.get("measuring")) is not None
    }
    last = None if state.setup is None else details.get(state.setup)
    identity = None if last is None else Identity(**last["identity"])
    return JobPast(state=state, sweep_times_s=times, identity=identity)


def _carried(kept: MeterState, state: JobState) -> MeterState:
    body = json.loads(kept.state)
    body.update(config=state.config, accounted_s=state.accounted_s, taken=state.taken)
    return replace(kept, version=GONE, after_seq=state.seq, state=json.dumps(body).encode())
