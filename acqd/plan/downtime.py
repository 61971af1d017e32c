"""The time in which the station did not run, accounted for by the plan that it had then.

The plan is kept as text whenever it changes. At the next start what would have been due since is
counted, by arithmetic, however long that was.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from acqd.plan.jobs import Missed, PlannedJob
from acqd.plan.schedule import Schedule
from acqd.plan.walltime import US, ceil_us, floor_us, seconds

__all__ = [
    "SET_RIGHT",
    "STATION_DOWN",
    "Owed",
    "missed_while_down",
    "plan_clock",
    "plan_from_json",
    "plan_owed",
    "plan_station",
    "plan_time_s",
    "plan_to_json",
]

STATION_DOWN = "station down"
PLAN_VERSION = 1

SET_RIGHT = "known when the clock was set right"
"""Begins the detail of time down that was counted in true time, though the clock before was wrong:
no correction of that clock moves it."""


def missed_while_down(jobs: Sequence[PlannedJob], from_s: float, to_s: float) -> tuple[Missed, ...]:
    """What the jobs would have swept after ``from_s`` and before ``to_s``, at most one a job.

    Args:
        jobs: the old plan.
        from_s: the last moment that is accounted for; a due time exactly then is not counted.
        to_s: ``now_s`` of the plan that starts; a due time exactly then is that plan's.
    """
    after_us, end_us = floor_us(from_s), ceil_us(to_s)
    found = (_missed(job, after_us, end_us) for job in jobs)
    return tuple(missed for missed in found if missed is not None)


def _missed(job: PlannedJob, after_us: int, end_us: int) -> Missed | None:
    if end_us <= after_us + 1:
        return None
    if job.schedule.back_to_back:
        return _missed_open_time(job, after_us, end_us)
    tail = job.schedule.tail_us(after_us, end_us - 1)
    if tail is None:
        return None
    return Missed(
        job=job.name,
        from_s=seconds(tail.first_us),
        to_s=seconds(tail.last_us),
        due_times=tail.count,
        count=tail.count * job.schedule.burst,
        reason=STATION_DOWN,
    )


def _missed_open_time(job: PlannedJob, after_us: int, end_us: int) -> Missed | None:
    """Back to back: the open time over the expected duration of a pass, rounded down."""
    open_us = job.schedule.open_us(after_us, end_us)
    passes = open_us // max(1, round(job.estimate_s * US))
    if passes == 0:
        return None
    first_us = next(start for start, _ in job.schedule.opening.spans(after_us))
    return Missed(
        job=job.name,
        from_s=seconds(max(first_us, after_us)),
        to_s=seconds(end_us),
        due_times=passes,
        count=passes * job.schedule.burst,
        reason=STATION_DOWN,
        detail=f"estimated from {seconds(open_us):.0f} s of open time",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Owed:
    """Time down that is not accounted for, since the clock at the start could not be believed.

    The station began ``monotonic_s`` after the boot ``boot``, whose host had slept ``slept_s`` by
    then; when that was is known once the clock is right. Each job is accounted for up to ``since``,
    by the plan of ``jobs``. ``waits`` says that the clock at the start showed a time so much later
    that nothing was accounted for by it. Of the time since, the station ran ``lost_s`` in boots
    whose clock nobody ever corrected.
    """

    boot: str
    monotonic_s: float
    slept_s: float
    since: Mapping[str, float]
    jobs: tuple[PlannedJob, ...]
    waits: bool = False
    lost_s: float = 0.0

    def began_s(self, *, monotonic_s: float, wall_s: float, slept_s: float) -> float:
        """When the station began, by clocks of the same boot that are right now."""
        return wall_s - (monotonic_s - self.monotonic_s) - (slept_s - self.slept_s)

    def missed(self, to_s: float) -> tuple[Missed, ...]:
        """What was due up to ``to_s``, when it began; fewer by what ``lost_s`` may have swept."""
        found = []
        for job in self.jobs:
            since_s = self.since.get(job.name)
            if since_s is None:
                continue
            swept = self.lost_s / (to_s - since_s) if to_s > since_s else 0.0
            found += [_set_right(one, swept) for one in missed_while_down([job], since_s, to_s)]
        return tuple(found)

    def settled(self, to_s: float) -> Owed:
        """The same when it has been accounted for up to ``to_s``."""
        since = {job: max(since_s, to_s) for job, since_s in self.since.items()}
        return replace(self, since=since, waits=False, lost_s=0.0)

    def to_json(self) -> dict[str, Any]:
        return {
            "boot": self.boot,
            "monotonic_s": self.monotonic_s,
            "slept_s": self.slept_s,
            "since": dict(self.since),
            "jobs": [_job_to_json(job) for job in self.jobs],
            "waits": self.waits,
            "lost_s": self.lost_s,
        }


def _set_right(missed: Missed, swept: float) -> Missed:
    """Time down that is known now; less the part ``swept``, of which nobody knows when it was."""
    keep = max(0, round(missed.due_times * (1.0 - min(1.0, swept))))
    words = [SET_RIGHT, missed.detail]
    if keep < missed.due_times:
        words.append(f"{missed.due_times - keep} may have been swept while it was wrong")
    burst = missed.count // missed.due_times
    detail = "; ".join(word for word in words if word)
    return replace(missed, due_times=keep, count=keep * burst, detail=detail)


def plan_to_json(
    jobs: Sequence[PlannedJob],
    at_s: float,
    *,
    station: Mapping[str, str] | None = None,
    clock: Mapping[str, Any] | None = None,
    owed: Owed | None = None,
) -> str:
    """The plan as JSON text, for the plan history. Equal plans at one time give equal texts.

    ``station`` is whose plan it is: ``name``, ``title`` and ``time_zone``, for who reads the
    archive without the config. ``clock`` is what the clocks of the run showed, as plain data, and
    ``owed`` the time down that waits for them to be right.
    """
    body: dict[str, Any] = {
        "version": PLAN_VERSION,
        "at_s": at_s,
        "jobs": [_job_to_json(job) for job in jobs],
    }
    if station is not None:
        body["station"] = dict(station)
    if clock is not None:
        body["clock"] = dict(clock)
    if owed is not None:
        body["owed"] = owed.to_json()
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def plan_from_json(text: str) -> tuple[PlannedJob, ...]:
    """The jobs that :func:`plan_to_json` made ``text`` from, exactly.

    Raises:
        ValueError: the text is not a plan of this version.
    """
    try:
        return tuple(_job_from_json(job) for job in _body(text)["jobs"])
    except (KeyError, TypeError) as exc:
        raise ValueError(f"not a plan of version {PLAN_VERSION}: {exc!r}") from exc


def plan_time_s(text: str) -> float:
    """Since when the plan held. Raises ValueError as :func:`plan_from_json` does."""
    return float(_body(text)["at_s"])


def plan_station(text: str) -> dict[str, str]:
    """Whose plan it is, as :func:`plan_to_json` was told; empty where it does not say.

    Raises ValueError as :func:`plan_from_json` does.
    """
    told = _body(text).get("station")
    return {str(key): str(value) for key, value in told.items()} if isinstance(told, dict) else {}


def plan_clock(text: str) -> Mapping[str, Any] | None:
    """What the clocks of its run showed, as :func:`plan_to_json` was told; None where it does not
    say. Raises ValueError as :func:`plan_from_json` does."""
    told = _body(text).get("clock")
    return told if isinstance(told, dict) else None


def plan_owed(text: str) -> Owed | None:
    """The time down that waits, likewise."""
    told = _body(text).get("owed")
    if not isinstance(told, dict):
        return None
    try:
        return Owed(
            boot=str(told["boot"]),
            monotonic_s=float(told["monotonic_s"]),
            slept_s=float(told["slept_s"]),
            since={str(job): float(since_s) for job, since_s in told["since"].items()},
            jobs=tuple(_job_from_json(job) for job in told["jobs"]),
            waits=bool(told["waits"]),
            lost_s=float(told["lost_s"]),
        )
    except (AttributeError, KeyError, TypeError) as exc:
        raise ValueError(f"not a plan of version {PLAN_VERSION}: {exc!r}") from exc


def _job_to_json(job: PlannedJob) -> dict[str, Any]:
    return {
        "name": job.name,
        "schedule": job.schedule.to_json(),
        "priority": job.priority,
        "min_share": job.min_share,
        "estimate_s": job.estimate_s,
    }


def _job_from_json(job: Mapping[str, Any]) -> PlannedJob:
    return PlannedJob(
        name=job["name"],
        schedule=Schedule.from_json(job["schedule"]),
        priority=job["priority"],
        min_share=job["min_share"],
        estimate_s=job["estimate_s"],
    )


def _body(text: str) -> dict[str, Any]:
    body = json.loads(text)
    if not isinstance(body, dict) or body.get("version") != PLAN_VERSION:
        raise ValueError(f"not a plan of version {PLAN_VERSION}: {text[:60]!r}")
    return body
