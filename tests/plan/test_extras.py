"""Passes that were asked for once: who goes first, what they take, when they are dropped."""

from __future__ import annotations

from collections.abc import Sequence

import pytest

from acqd.plan.budget import Budget, Granted
from acqd.plan.extras import EXTRAS_MOST
from acqd.plan.schedule import Schedule, window_from_text
from acqd.plan.sharing import PlannedJob, SweeperPlan

T0 = 1_790_000_000.0
"""14:13:20 UTC on 21 September 2026, a multiple of 2000 s."""


def job(name: str, every_s: float | None = 10.0, **more: object) -> PlannedJob:
    schedule = more.pop("schedule", None) or (
        Schedule(back_to_back=True) if every_s is None else Schedule(every_s=every_s)
    )
    return PlannedJob(name=name, schedule=schedule, **{"extra_share": 0.1, **more})


def run(
    plan: SweeperPlan,
    for_s: float,
    took_s: dict[str, float],
    *,
    ask_at: Sequence[tuple[float, str, int, float]] = (),
    look_s: float = 2.0,
) -> tuple[list[tuple[str, int | None, float]], dict[str, int], list[int]]:
    """(job, ticket, started) of all passes, missed due times by job, tickets that were dropped.

    ``ask_at``: seconds, job, ticket and how long it may wait, in order of time.
    """
    passes, missed, dropped = [], dict.fromkeys(took_s, 0), []
    asks, now_s = list(ask_at), T0
    while now_s < T0 + for_s:
        while asks and T0 + asks[0][0] <= now_s:
            at_s, name, ticket, waits_s = asks.pop(0)
            assert plan.add_extra(
                name, ticket, now_s=now_s, until_s=T0 + at_s + waits_s, estimate_s=look_s
            )
        decision = plan.ask(now_s)
        for one in decision.missed:
            missed[one.job] += one.due_times
        dropped += [ticket for _, ticket in decision.dropped]
        if decision.start is None:
            later = [T0 + asks[0][0]] if asks else []
            assert decision.wait_until_s is not None
            # As the station does: asked again within 5 s.
            now_s = max(now_s, min(decision.wait_until_s, now_s + 5.0, *later))
            continue
        start = decision.start
        passes.append((start.job, start.extra, now_s))
        length_s = took_s[start.job] if start.extra is None else look_s
        now_s += length_s
        plan.finished(start.job, now_s=now_s, took_s=length_s)
    # What was dropped during the last pass is handed out with the next question.
    plan.sweeper_away(now_s, "done")
    dropped += [ticket for _, ticket in plan.ask(now_s).dropped]
    return passes, missed, dropped


def test_an_idle_sweeper_takes_it_at_once_and_no_due_time_knows_of_it() -> None:
    """Between two due times, for its job, with no due sweep."""
    plan = SweeperPlan([job("a")], now_s=T0)
    passes, missed, dropped = run(plan, 40, {"a": 1.0}, ask_at=[(3, "a", 7, 120)])
    assert passes == [
        ("a", None, T0), ("a", 7, T0 + 3), *(("a", None, T0 + at) for at in (10, 20, 30))
    ]  # fmt: skip
    assert missed == {"a": 0} and dropped == []


def test_what_it_displaces_is_an_overrun_in_the_jobs_account() -> None:
    """A look of 25 s over a grid of 10 s: two due times are missed, with its name."""
    plan = SweeperPlan([job("a")], now_s=T0 + 1)
    assert plan.add_extra("a", 1, now_s=T0 + 1, until_s=T0 + 60, estimate_s=25.0)
    start = plan.ask(T0 + 1).start
    assert start is not None and (start.extra, start.sweeps) == (1, 0)
    assert plan.running == "a" and plan.ask(T0 + 12).start is None
    decision = plan.ask(T0 + 36)
    plan.finished("a", now_s=T0 + 36, took_s=25.0)
    (gap,) = decision.missed
    assert (gap.from_s, gap.to_s, gap.count) == (T0 + 10, T0 + 20, 2)
    assert (gap.reason, gap.detail) == ("overrun", "a was looking closer")
    again = plan.ask(T0 + 36).start
    assert again is not None and (again.due_s, again.extra) == (T0 + 30, None)


def test_it_does_not_teach_the_plan_how_long_a_pass_takes() -> None:
    """Estimates are those of passes that were due."""
    plan = SweeperPlan([job("a", estimate_s=1.0)], now_s=T0 + 1)
    for ticket in range(9):
        assert plan.add_extra("a", ticket, now_s=T0 + 1, until_s=T0 + 9, estimate_s=0.01)
        start = plan.ask(T0 + 1).start
        assert start is not None and start.extra == ticket
        plan.finished("a", now_s=T0 + 1, took_s=7.0)
    assert plan.estimate_s("a") == 1.0


def test_priority_goes_first() -> None:
    """A look of a job that is more urgent goes before a due time of another, and not after it."""
    jobs = [job("high", 1000.0, priority=1), job("low", 10.0)]
    plan = SweeperPlan(jobs, now_s=T0 + 5)
    plan.ask(T0 + 10)
    plan.finished("low", now_s=T0 + 11, took_s=1.0)
    plan.add_extra("high", 1, now_s=T0 + 20, until_s=T0 + 140, estimate_s=2.0)
    first = plan.ask(T0 + 20).start
    assert first is not None and (first.job, first.extra) == ("high", 1)


def test_among_equals_a_due_time_that_runs_out_earlier_goes_first() -> None:
    """Its own job is not kept waiting by what can wait longer."""
    plan = SweeperPlan([job("a", 10.0)], now_s=T0 + 5)
    plan.add_extra("a", 1, now_s=T0 + 5, until_s=T0 + 125, estimate_s=2.0)
    start = plan.ask(T0 + 10).start
    assert start is not None and start.extra is None


def test_one_that_comes_too_late_is_dropped_and_told_once() -> None:
    """While the sweeper was away its time ran out; that is no due time missed."""
    plan = SweeperPlan([job("a", 100.0)], now_s=T0 + 1)
    plan.sweeper_away(T0 + 1, "sweeper lost")
    plan.add_extra("a", 4, now_s=T0 + 1, until_s=T0 + 50, estimate_s=2.0)
    assert plan.ask(T0 + 49).dropped == ()
    decision = plan.ask(T0 + 51)
    assert decision.dropped == (("a", 4),) and decision.missed == ()
    plan.sweeper_back(T0 + 52)
    after = plan.ask(T0 + 52)
    assert after.dropped == () and after.start is None


@pytest.mark.parametrize("how", ["paused", "shut", "ended"])
def test_a_job_that_may_not_sweep_looks_at_nothing(how: str) -> None:
    """Paused, outside its windows, or at its end."""
    window = {"windows": (window_from_text("14:00..14:20"),), "zone": "UTC"}
    schedule = Schedule(every_s=100.0, **window) if how == "shut" else None
    plan = SweeperPlan([job("a", 100.0, schedule=schedule), job("b", 1e4)], now_s=T0 + 1)
    begin_s = T0 + 500 if how == "shut" else T0 + 1
    plan.ask(begin_s)
    plan.drain(begin_s)
    plan.add_extra("a", 1, now_s=begin_s, until_s=begin_s + 50, estimate_s=2.0)
    if how == "paused":
        plan.pause("a", begin_s)
    if how == "ended":
        plan.end("a", begin_s, ended_s=begin_s)
    first = plan.ask(begin_s + 1)
    assert first.start is None
    assert (*first.dropped, *plan.ask(begin_s + 51).dropped) == (("a", 1),)


def test_a_job_that_asks_for_none_gets_none() -> None:
    """Nor does one that nobody knows, nor more than a bound."""
    plan = SweeperPlan([job("a", extra_share=None), job("b")], now_s=T0)
    asked = {"now_s": T0, "until_s": T0 + 9, "estimate_s": 1.0}
    assert not plan.add_extra("a", 1, **asked)
    assert not plan.add_extra("c", 1, **asked)
    assert all(plan.add_extra("b", number, **asked) for number in range(EXTRAS_MOST))
    assert not plan.add_extra("b", EXTRAS_MOST, **asked)
    assert plan.extras_wait == EXTRAS_MOST


def test_an_overloaded_sweeper_still_takes_some_and_starves_nobody() -> None:
    """Looks of a low job claim their share; the high one keeps nearly all the rest, and a third
    job its own minimum."""
    jobs = [
        job("high", 1.0, priority=5, estimate_s=1.0, extra_share=None),
        job("low", 20.0, estimate_s=1.0, extra_share=0.1),
        job("third", 20.0, estimate_s=1.0, extra_share=None),
    ]
    plan = SweeperPlan(jobs, now_s=T0)
    asks = [(float(at), "low", at, 60.0) for at in range(5, 3590, 5)]
    passes, missed, dropped = run(
        plan, 3600, {"high": 1.0, "low": 1.0, "third": 1.0}, ask_at=asks, look_s=2.0
    )
    looks = [one for one in passes if one[1] is not None]
    of = {name: sum(n == name and t is None for n, t, _ in passes) for name in ("high", "third")}
    assert 0.05 * 3600 <= 2.0 * len(looks) <= 0.11 * 3600
    assert of["high"] >= 0.7 * 3600
    assert missed["third"] <= 0.05 * 180 and of["third"] >= 0.95 * 180
    # Each that was asked for was taken or dropped, once, but for those that wait at the end.
    tickets = [ticket for _, ticket, _ in looks]
    assert len({*tickets, *dropped}) == len(tickets) + len(dropped)
    assert len(asks) - len(tickets) - len(dropped) == plan.extras_wait


def test_a_clock_that_is_set_leaves_them_the_time_they_had() -> None:
    """Forward and back alike: no time has passed."""
    for to_s in (T0 + 10_000, T0 - 10_000):
        plan = SweeperPlan([job("a", 1e5)], now_s=T0 + 1)
        plan.sweeper_away(T0 + 1, "sweeper lost")
        plan.add_extra("a", 1, now_s=T0 + 1, until_s=T0 + 31, estimate_s=1.0)
        plan.clock_stepped(T0 + 11, to_s)
        assert plan.ask(to_s + 19).dropped == ()
        assert plan.ask(to_s + 21).dropped == (("a", 1),)


# -- the budget --------------------------------------------------------------------------------


def budget(**more: float) -> Budget:
    asked = {"at_most": 3, "per_s": 100.0, "share": 0.5, "hold_off_s": 0.0, "near_hz": 1e3} | more
    return Budget(**asked)


def test_so_many_and_no_more_within_any_stretch() -> None:
    """Three within 100 s; the fourth when the first is 100 s ago."""
    found = budget()
    assert all(isinstance(found.ask(at, None, 1.0), Granted) for at in (0.0, 10.0, 20.0))
    assert found.ask(99.9, None, 1.0) == "the budget is spent"
    assert isinstance(found.ask(100.0, None, 1.0), Granted)
    assert found.ask(105.0, None, 1.0) == "the budget is spent"


def test_time_counts_as_it_was_taken() -> None:
    """Expected at first, then known; and one long look is not forbidden for good."""
    found = budget(share=0.1)
    one = found.ask(0.0, None, 4.0)
    assert isinstance(one, Granted)
    assert isinstance(found.ask(1.0, None, 4.0), Granted)
    assert found.ask(2.0, None, 4.0) == "the budget of time is spent"
    one.took_s = 1.0
    assert isinstance(found.ask(3.0, None, 4.0), Granted)
    long = budget(share=0.1)
    assert isinstance(long.ask(0.0, None, 60.0), Granted)
    assert long.ask(1.0, None, 0.1) == "the budget of time is spent"


def test_one_frequency_does_not_spend_it_all() -> None:
    """Held off are findings near one that was looked at; those elsewhere are not."""
    found = budget(hold_off_s=50.0)
    assert isinstance(found.ask(0.0, 156.8e6, 1.0), Granted)
    for at_s in range(1, 50):
        assert found.ask(float(at_s), 156.8005e6, 1.0) == "it was looked at before, and is held off"
    assert isinstance(found.ask(49.0, 156.9e6, 1.0), Granted)
    assert isinstance(found.ask(51.0, 156.8e6, 1.0), Granted)
    everywhere = budget(hold_off_s=50.0)
    assert isinstance(everywhere.ask(0.0, None, 1.0), Granted)
    assert everywhere.ask(1.0, None, 1.0) == "it was looked at before, and is held off"


def test_what_was_not_taken_costs_nothing() -> None:
    """It may be asked for again at once."""
    found = budget(at_most=1, hold_off_s=50.0)
    one = found.ask(0.0, 1e6, 1.0)
    assert isinstance(one, Granted)
    found.give_back(one)
    assert isinstance(found.ask(0.0, 1e6, 1.0), Granted)


def test_a_clock_that_was_years_ahead_does_not_spend_it_for_years() -> None:
    """What was granted in what is now the future counts as granted now."""
    found = budget(at_most=1)
    assert isinstance(found.ask(1e9, None, 1.0), Granted)
    assert found.ask(0.0, None, 1.0) == "the budget is spent"
    assert isinstance(found.ask(100.0, None, 1.0), Granted)
