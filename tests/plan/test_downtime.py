"""The time in which the station did not run, by the plan that it had."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.plan.downtime import (
    SET_RIGHT,
    Owed,
    missed_while_down,
    plan_clock,
    plan_from_json,
    plan_owed,
    plan_station,
    plan_time_s,
    plan_to_json,
)
from acqd.plan.schedule import DuskToDawn, Schedule, window_from_text
from acqd.plan.sharing import PlannedJob, SweeperPlan

At = Callable[..., float]
T0 = 1_790_000_000.0
JOBS = (
    PlannedJob(
        name="marine-vhf",
        schedule=Schedule(
            every_s=0.1 + 0.2, windows=(window_from_text("21:00..06:00"), DuskToDawn()),
            zone="Europe/London", position=(50.1, -5.7), burst=2,
        ),
        priority=3,
        min_share=1 / 3,
        estimate_s=0.1,
    ),
    PlannedJob(name="filter", schedule=Schedule(cron="0 3 * * MON")),
    PlannedJob(name="soak µ", schedule=Schedule(back_to_back=True)),
)  # fmt: skip


def test_plan_text_gives_the_same_jobs_back() -> None:
    """Exactly, and equal plans give equal texts."""
    text = plan_to_json(JOBS, T0 + 0.1)
    assert plan_from_json(text) == JOBS
    assert plan_time_s(text) == T0 + 0.1
    assert plan_to_json(plan_from_json(text), T0 + 0.1) == text


def test_plan_text_says_whose_plan_it_is() -> None:
    """And one that was kept before that was kept is as good a plan, of nobody."""
    station = {"name": "lookout", "title": "Gannet Ledge", "time_zone": "Europe/London"}
    text = plan_to_json(JOBS, T0, station=station)
    assert plan_station(text) == station
    assert plan_from_json(text) == JOBS
    assert plan_station(plan_to_json(JOBS, T0)) == {}


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"version": 2, "jobs": []}', '{"version": 1}'])
def test_text_that_is_no_plan_is_refused(text: str) -> None:
    """As one ValueError, whatever is wrong with it."""
    with pytest.raises(ValueError):
        plan_from_json(text)


def test_down_for_a_night_by_the_old_plan(at: At) -> None:
    """Counted by arithmetic, with the first and the last due time."""
    schedule = Schedule(every_s=2.0, windows=(window_from_text("21:00..06:00"),), burst=3)
    jobs = [PlannedJob(name="a", schedule=schedule)]
    (missed,) = missed_while_down(jobs, at("2026-06-01 12:00"), at("2026-06-05 12:00"))
    assert (missed.reason, missed.due_times, missed.count) == ("station down", 64_800, 194_400)
    assert (missed.from_s, missed.to_s) == (at("2026-06-01 21:00"), at("2026-06-05 05:59:58"))


def test_both_ends_belong_to_the_plans_that_ran() -> None:
    """A due time when it stopped was accounted for then, one when it starts will be."""
    jobs = [PlannedJob(name="a", schedule=Schedule(every_s=10.0))]
    (missed,) = missed_while_down(jobs, T0, T0 + 30)
    assert (missed.from_s, missed.to_s, missed.count) == (T0 + 10, T0 + 20, 2)
    assert missed_while_down(jobs, T0, T0 + 10) == ()
    assert missed_while_down(jobs, T0, T0) == ()
    assert missed_while_down(jobs, T0 + 100, T0) == ()


def test_back_to_back_is_estimated_from_the_open_time(at: At) -> None:
    """Nine hours at 4 s a pass; too short a time is no pass."""
    night = Schedule(back_to_back=True, windows=(window_from_text("21:00..06:00"),))
    jobs = [PlannedJob(name="a", schedule=night, estimate_s=4.0)]
    (missed,) = missed_while_down(jobs, at("2026-06-01 12:00"), at("2026-06-02 12:00"))
    assert missed.count == 8_100
    assert missed.from_s == at("2026-06-01 21:00")
    assert missed.detail == "estimated from 32400 s of open time"
    assert missed_while_down(jobs, at("2026-06-01 21:00"), at("2026-06-01 21:00:03")) == ()


@settings(deadline=None, derandomize=True, max_examples=100)
@given(
    every_s=st.sampled_from([0.5, 1.0, 3.0, 60.0]),
    stops=st.lists(
        st.tuples(st.floats(0.0, 500.0), st.floats(0.0, 5000.0), st.floats(0.1, 5.0)), max_size=5
    ),
)
def test_runs_and_stops_leave_no_due_time_out(
    every_s: float, stops: list[tuple[float, float, float]]
) -> None:
    """Over any number of restarts started, missed and down add up to what was due."""
    jobs = [PlannedJob(name="a", schedule=Schedule(every_s=every_s))]
    now_s, accounted = T0, 0
    plan = SweeperPlan(jobs, now_s=now_s)
    for ran_s, down_s, took_s in stops:
        until_s = now_s + ran_s
        while now_s < until_s:
            decision = plan.ask(now_s)
            accounted += sum(one.count for one in decision.missed)
            if decision.start is not None:
                accounted += 1
                now_s += took_s
                plan.finished("a", now_s=now_s, took_s=took_s)
            else:
                assert decision.wait_until_s is not None
                now_s = decision.wait_until_s
        accounted += sum(one.count for one in plan.drain(now_s))
        stopped_s, now_s = now_s, now_s + down_s
        accounted += sum(one.count for one in missed_while_down(jobs, stopped_s, now_s))
        plan = SweeperPlan(jobs, now_s=now_s, accounted=plan.accounted)
    accounted += sum(one.count for one in plan.drain(now_s))
    assert accounted == jobs[0].schedule.count_between(T0, now_s + 1e-6)


# ---- time down that is known later ---------------------------------------------------------------


STEADY = PlannedJob(name="calling", schedule=Schedule(every_s=10.0, burst=3))


def _owed(**fields: object) -> Owed:
    given: dict[str, object] = {
        "boot": "boot-2",
        "monotonic_s": 30.0,
        "slept_s": 0.0,
        "since": {STEADY.name: T0},
        "jobs": (STEADY,),
    }
    return Owed(**given | fields)  # type: ignore[arg-type]  # fields by name


def test_time_down_is_counted_up_to_when_the_station_truly_began() -> None:
    """By monotonic time, less the sleep since; once, and no more of it later."""
    owed = _owed()
    began_s = owed.began_s(monotonic_s=1030.0, wall_s=T0 + 5000.0 + 60.0, slept_s=60.0)
    assert began_s == T0 + 4000.0
    (missed,) = owed.missed(began_s)
    (plain,) = missed_while_down([STEADY], T0, began_s)
    assert missed.count == plain.count and missed.detail.startswith(SET_RIGHT)
    settled = owed.settled(began_s)
    assert settled.missed(began_s) == ()
    assert settled.settled(T0).since == settled.since


def test_what_may_have_been_swept_meanwhile_is_left_out() -> None:
    """A boot that ran for half of the time, nobody knows when."""
    (plain,) = missed_while_down([STEADY], T0, T0 + 10_000.0)
    (missed,) = _owed(lost_s=5000.0).missed(T0 + 10_000.0)
    assert missed.due_times == round(plain.due_times / 2)
    assert "may have been swept" in missed.detail
    assert _owed(lost_s=1e9).missed(T0 + 10_000.0)[0].count == 0


def test_what_is_owed_is_kept_with_the_plan() -> None:
    """And what the clocks showed; a plan without says nothing of it."""
    owed = _owed(waits=True, lost_s=7.0)
    text = plan_to_json(JOBS, T0, clock={"boot": "boot-2"}, owed=owed)
    assert plan_owed(text) == owed and plan_clock(text) == {"boot": "boot-2"}
    assert plan_from_json(text) == JOBS
    assert plan_owed(plan_to_json(JOBS, T0)) is None and plan_clock(plan_to_json(JOBS, T0)) is None
    with pytest.raises(ValueError, match="not a plan"):
        plan_owed(text.replace('"since"', '"until"'))
