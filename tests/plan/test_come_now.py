"""A pass that somebody asks for becomes a due one, and what waits is told."""

from __future__ import annotations

import pytest

from acqd.plan.schedule import Schedule, window_from_text
from acqd.plan.sharing import PlannedJob, SweeperPlan

T0 = 1_790_000_000.0
"""14:13:20 UTC on 21 September 2026, a multiple of 2000 s."""


def plan_of(*jobs: PlannedJob) -> SweeperPlan:
    return SweeperPlan(jobs, now_s=T0 + 1.0)


def rare(name: str = "rare", **more: object) -> PlannedJob:
    return PlannedJob(name=name, schedule=Schedule(every_s=2000.0), **more)


def test_it_starts_at_once_and_the_grid_goes_on() -> None:
    """Its due time is when it was asked for; the next of the grid comes as ever."""
    plan = plan_of(rare())
    assert plan.ask(T0 + 5.0).start is None
    assert plan.come_now("rare", T0 + 5.0)
    assert plan.waiting(T0 + 7.5) == {"rare": T0 + 5.0}
    start = plan.ask(T0 + 7.5).start
    assert start is not None and (start.job, start.due_s, start.sweeps) == ("rare", T0 + 5.0, 1)
    assert plan.waiting(T0 + 8.0) == {}
    plan.finished("rare", now_s=T0 + 9.0, took_s=1.5)
    assert plan.accounted == {"rare": T0 + 5.0}
    later = plan.ask(T0 + 2000.0).start
    assert later is not None and later.due_s == T0 + 2000.0


def test_one_that_is_due_already_takes_its_place() -> None:
    """Asked for twice, it comes once."""
    plan = plan_of(rare())
    assert plan.come_now("rare", T0 + 5.0) and plan.come_now("rare", T0 + 6.0)
    start = plan.ask(T0 + 6.0).start
    assert start is not None and start.due_s == T0 + 5.0
    plan.finished("rare", now_s=T0 + 7.0, took_s=1.0)
    assert plan.ask(T0 + 8.0).start is None


def test_it_waits_its_turn_and_is_missed_like_any() -> None:
    """Behind a job of higher priority; where the sweeper goes it has the reason for that."""
    plan = plan_of(rare(), rare("first", priority=9))
    plan.come_now("rare", T0 + 5.0)
    plan.come_now("first", T0 + 5.0)
    start = plan.ask(T0 + 5.0).start
    assert start is not None and start.job == "first"
    plan.finished("first", now_s=T0 + 6.0, took_s=1.0)
    plan.sweeper_away(T0 + 6.0, "sweeper lost")
    missed = plan.ask(T0 + 2001.0).missed
    assert [(one.due_times, one.reason) for one in missed if one.job == "rare"][:1] == [
        (1, "sweeper lost")
    ]


@pytest.mark.parametrize(
    "schedule",
    [
        Schedule(back_to_back=True),
        Schedule(every_s=10.0, windows=(window_from_text("01:00..02:00"),)),
    ],
)
def test_not_back_to_back_and_not_outside_its_time(schedule: Schedule) -> None:
    plan = plan_of(PlannedJob(name="other", schedule=schedule))
    assert not plan.come_now("other", T0 + 5.0)
    assert not plan.come_now("nobody", T0 + 5.0)


def test_what_is_paused_or_back_to_back_waits_for_nobody() -> None:
    """It is not late."""
    plan = plan_of(rare(), PlannedJob(name="all", schedule=Schedule(back_to_back=True)))
    plan.come_now("rare", T0 + 5.0)
    plan.pause("rare", T0 + 6.0, "paused by command", "Ida")
    assert plan.waiting(T0 + 9.0) == {}
    plan.resume("rare", T0 + 10.0)
    assert plan.waiting(T0 + 11.0) == {"rare": T0 + 5.0}
