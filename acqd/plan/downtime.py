"""The time in which the station did not run, accounted for by the plan that it had then.

The plan is kept as text whenever it changes. At the next start what would have been due since is
counted, by arithmetic, however long that was.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from acqd.plan.jobs import Missed, PlannedJob
from acqd.plan.schedule import Schedule
from acqd.plan.walltime import US, ceil_us, floor_us, seconds

__all__ = [
    "STATION_DOWN",
    "missed_while_down",
    "plan_from_json",
    "plan_station",
    "plan_time_s",
    "plan_to_json",
]

STATION_DOWN = "station down"
PLAN_VERSION = 1


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


def plan_to_json(
    jobs: Sequence[PlannedJob], at_s: float, *, station: Mapping[str, str] | None = None
) -> str:
    """The plan as JSON text, for the plan history. Equal plans at one time give equal texts.

    ``station`` is whose plan it is: ``name``, ``title`` and ``time_zone``, for who reads the
    archive without the config.
    """
    body: dict[str, Any] = {
        "version": PLAN_VERSION,
        "at_s": at_s,
        "jobs": [
            {
                "name": job.name,
                "schedule": job.schedule.to_json(),
                "priority": job.priority,
                "min_share": job.min_share,
                "estimate_s": job.estimate_s,
            }
            for job in jobs
        ],
    }
    if station is not None:
        body["station"] = dict(station)
    return json.dumps(body, sort_keys=True, separators=(",", ":"))


def plan_from_json(text: str) -> tuple[PlannedJob, ...]:
    """The jobs that :func:`plan_to_json` made ``text`` from, exactly.

    Raises:
        ValueError: the text is not a plan of this version.
    """
    try:
        return tuple(
            PlannedJob(
                name=job["name"],
                schedule=Schedule.from_json(job["schedule"]),
                priority=job["priority"],
                min_share=job["min_share"],
                estimate_s=job["estimate_s"],
            )
            for job in _body(text)["jobs"]
        )
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


def _body(text: str) -> dict[str, Any]:
    body = json.loads(text)
    if not isinstance(body, dict) or body.get("version") != PLAN_VERSION:
        raise ValueError(f"not a plan of version {PLAN_VERSION}: {text[:60]!r}")
    return body
