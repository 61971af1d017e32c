"""What closer looks may cost a job at worst, before the night, as ``acqd check`` tells it."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable

from acqd.errors import RequestRefused
from acqd.measure.closerlook_request import look_requests
from acqd.measure.words import duration_text
from acqd.station.follow import FollowRule
from acqd.station.jobspec import JobSpec
from acqd.sweep import Capabilities, SweepRequest

__all__ = ["look_cost", "look_costs", "requests_of"]


def requests_of(
    job: JobSpec, rule: FollowRule, capabilities: Capabilities
) -> tuple[SweepRequest, ...]:
    """What one look would ask for, at the middle of the job's range.

    Raises:
        RequestRefused: the sweeper cannot do it.
    """
    middle_hz = (job.request.start_hz + job.request.stop_hz) / 2.0
    least_db = min(capabilities.attenuation_steps_db, default=None)
    return look_requests(
        rule.look,
        job.request,
        capabilities,
        at_hz=middle_hz,
        # What it will really be taken with is known when it was swept; no less than this.
        attenuation_db=least_db,
    )


def look_cost(job: JobSpec, rule: FollowRule, *, takes_s: float, sweep_s: float) -> str:
    """A sentence: how often, how long, and the due sweeps of the job that may go to it at worst.

    Args:
        takes_s: one look.
        sweep_s: one sweep of the job, for one that sweeps back to back.
    """
    allowed_s = rule.share * rule.per_s
    # The first is granted even where it alone takes more than the share.
    looks = max(1, min(rule.at_most, math.floor(allowed_s / takes_s + 1e-9))) if takes_s > 0 else 0
    busy_s = looks * takes_s
    every_s = job.interval_s or sweep_s
    due = max(1, round(rule.per_s / every_s))
    lost = min(due, looks * math.ceil(takes_s / every_s - 1e-9))
    return (
        f"closer looks ({rule.look.look.value}): at most {looks} in {duration_text(rule.per_s)}, "
        f"about {duration_text(takes_s)} each; at worst {100.0 * busy_s / rule.per_s:.2g} % of the "
        f"time and {lost} of {due} due times, where the sweeper has no time to spare"
    )


async def look_costs(
    job: JobSpec,
    capabilities: Capabilities | None,
    estimate_s: Callable[[SweepRequest], Awaitable[float | None]] | None,
    *,
    sweep_s: float,
) -> tuple[str, ...]:
    """A sentence for each look of a job.

    ``estimate_s`` asks the sweeper how long a sweep takes; it may refuse. Where nobody can be asked
    both are None, and a look is taken to last as the job's own sweeps do.
    """
    found = []
    for rule in job.follow:
        try:
            takes_s = await _takes_s(job, rule, capabilities, estimate_s, sweep_s)
        except RequestRefused as exc:
            found.append(f"no closer looks ({rule.look.look.value}): {exc}")
        else:
            found.append(look_cost(job, rule, takes_s=takes_s, sweep_s=sweep_s))
    return tuple(found)


async def _takes_s(
    job: JobSpec,
    rule: FollowRule,
    capabilities: Capabilities | None,
    estimate_s: Callable[[SweepRequest], Awaitable[float | None]] | None,
    sweep_s: float,
) -> float:
    if capabilities is None or estimate_s is None:
        return rule.estimate_s(sweep_s)
    each_s = []
    for request in requests_of(job, rule, capabilities):
        found_s = await estimate_s(request)
        each_s.append(rule.estimate_s(sweep_s) / rule.look.count if found_s is None else found_s)
    return rule.look.sweeps * sum(each_s)
