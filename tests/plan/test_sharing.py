"""Who gets the sweeper, what is missed and why."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import pytest

from acqd.plan.schedule import Schedule, window_from_text
from acqd.plan.sharing import Missed, PlannedJob, SweeperPlan

T0 = 1_790_000_000.0
"""14:13:20 UTC on 21 September 2026, a multiple of 2000 s."""


def job(name: str, every_s: float | None = 10.0, **more: object) -> PlannedJob:
    schedule = more.pop("schedule", None) or (
        Schedule(back_to_back=True) if every_s is None else Schedule(every_s=every_s)
    )
    return PlannedJob(name=name, schedule=schedule, **more)


def drive(
    jobs: Sequence[PlannedJob], for_s: float, *, took_s: dict[str, float] | None = None
) -> tuple[list[tuple[str, float, float]], list[Missed]]:
    """(job, due, started) of all passes, and what was missed before the end."""
    plan, now_s = SweeperPlan(jobs, now_s=T0), T0
    durations_s = {one.name: one.estimate_s for one in jobs} | (took_s or {})
    passes, missed = [], []
    while now_s < T0 + for_s:
        decision = plan.ask(now_s)
        missed.extend(decision.missed)
        if decision.start is None:
            now_s = T0 + for_s if decision.wait_until_s is None else decision.wait_until_s
            continue
        passes.append((decision.start.job, decision.start.due_s, now_s))
        now_s += durations_s[decision.start.job]
        plan.finished(decision.start.job, now_s=now_s, took_s=durations_s[decision.start.job])
    missed.extend(one for one in plan.drain(now_s) if one.reason != "station down")
    return passes, missed


def test_nothing_starts_before_it_is_due() -> None:
    """The plan says until when to wait, and asking then gives the start."""
    plan = SweeperPlan([job("a")], now_s=T0 + 1)
    decision = plan.ask(T0 + 1)
    assert decision.start is None and decision.wait_until_s == T0 + 10
    assert plan.ask(T0 + 9.999999).start is None
    start = plan.ask(T0 + 10).start
    assert start is not None and start.due_s == T0 + 10


def test_a_microsecond_before_the_next_due_time_it_is_not_due() -> None:
    """What is late is served; the next one waits for its own time."""
    plan = SweeperPlan([job("a")], now_s=T0)
    start = plan.ask(T0 + 9.999999).start
    assert start is not None and start.due_s == T0
    plan.finished("a", now_s=T0 + 9.999999, took_s=0.1)
    decision = plan.ask(T0 + 9.999999)
    assert decision.start is None and decision.missed == ()
    assert decision.wait_until_s == T0 + 10


def test_due_exactly_at_the_start_is_served() -> None:
    """The plan's first moment belongs to it."""
    assert SweeperPlan([job("a")], now_s=T0).ask(T0).start is not None


def test_a_late_pass_delays_no_later_one() -> None:
    """Due times stay on the grid."""
    passes, missed = drive([job("a", 10.0, estimate_s=7.3)], 100)
    assert [due_s - T0 for _, due_s, _ in passes] == [10.0 * at for at in range(10)]
    assert missed == []


def test_priority_goes_first_then_the_earliest_deadline() -> None:
    """Among equals the one whose due time runs out first."""
    jobs = [job("slow", 50.0), job("quick", 20.0), job("urgent", 100.0, priority=5)]
    passes, _ = drive(jobs, 5)
    assert [name for name, _, _ in passes[:3]] == ["urgent", "quick", "slow"]


def test_equal_jobs_go_in_the_order_of_the_config() -> None:
    """So that two runs of one night are alike."""
    passes, _ = drive([job("b"), job("a"), job("c")], 3)
    assert [name for name, _, _ in passes] == ["b", "a", "c"]


def test_overrun_counts_each_due_time_that_had_no_chance() -> None:
    """A pass of 35 s of a job that is due every 10 s."""
    plan = SweeperPlan([job("a")], now_s=T0)
    assert plan.ask(T0).start is not None
    plan.finished("a", now_s=T0 + 35, took_s=35)
    decision = plan.ask(T0 + 35)
    (missed,) = decision.missed
    assert (missed.reason, missed.count) == ("overrun", 2)
    assert (missed.from_s, missed.to_s) == (T0 + 10, T0 + 20)
    assert missed.detail == "a was sweeping"
    assert decision.start is not None and decision.start.due_s == T0 + 30


def test_missed_is_handed_out_no_later_than_the_next_start() -> None:
    """In the order in which it happened: first the gap, then the sweep."""
    jobs = [job("a", 1.0, estimate_s=3.5)]
    passes, missed = drive(jobs, 60)
    starts = [due_s for _, due_s, _ in passes]
    before = sum(one.count for one in missed if one.to_s < starts[-1])
    assert len(passes) + before == starts[-1] - T0 + 1
    assert all(one.to_s not in starts and one.from_s not in starts for one in missed)


def test_burst_is_asked_for_in_one_pass_and_missed_whole() -> None:
    """One due time of five sweeps; missing it misses five sweeps."""
    plan = SweeperPlan([job("a", schedule=Schedule(every_s=10.0, burst=5))], now_s=T0)
    start = plan.ask(T0).start
    assert start is not None and start.sweeps == 5
    plan.finished("a", now_s=T0 + 25, took_s=25)
    (missed,) = plan.ask(T0 + 25).missed
    assert (missed.due_times, missed.count) == (1, 5)


@pytest.mark.parametrize(
    ("share", "least"), [(0.1, 0.095), (0.25, 0.24), (0.5, 0.49)], ids=["10%", "25%", "50%"]
)
def test_overload_from_above_leaves_the_minimum_share(share: float, least: float) -> None:
    """A high job that could fill all the time, a low one that wants more than its share."""
    jobs = [
        job("high", 1.0, priority=9, estimate_s=1.0, min_share=0.0),
        job("low", 1.0, estimate_s=1.0, min_share=share),
    ]
    passes, _ = drive(jobs, 2000)
    count = Counter(name for name, _, _ in passes)
    assert least <= count["low"] / 2000 <= share + 0.01
    assert count["high"] + count["low"] >= 1999


def test_a_job_that_needs_less_than_its_share_loses_nothing() -> None:
    """Every 50 s for a second, under a job that fills all the time: late, never missed."""
    jobs = [job("high", 1.0, priority=9, estimate_s=1.0), job("low", 50.0, estimate_s=1.0)]
    passes, missed = drive(jobs, 3600)
    assert sum(name == "low" for name, _, _ in passes) == 72
    assert {one.job for one in missed} == {"high"}


def test_priority_holds_while_there_is_time_for_all() -> None:
    """Without overload the low job never goes before the high one when both are due."""
    jobs = [job("low", 10.0, estimate_s=2.0), job("high", 5.0, priority=1, estimate_s=2.0)]
    passes, missed = drive(jobs, 1000)
    assert missed == []
    high = [started_s - due_s for name, due_s, started_s in passes if name == "high"]
    assert max(high) == 0.0


def test_many_starving_jobs_share_nine_tenths() -> None:
    """Shares that add up to 240 % are scaled to 90 %, and each of twelve jobs is served."""
    jobs = [job("high", 1.0, priority=9, estimate_s=1.0, min_share=0.0)]
    jobs += [job(f"low-{at}", 1.0, estimate_s=1.0, min_share=0.2) for at in range(12)]
    passes, _ = drive(jobs, 4000)
    count = Counter(name for name, _, _ in passes)
    for at in range(12):
        assert count[f"low-{at}"] / 4000 == pytest.approx(0.9 / 12, rel=0.1)
    assert count["high"] / 4000 == pytest.approx(0.1, abs=0.02)


def test_back_to_back_fills_what_is_left_and_keeps_its_share() -> None:
    """It yields to due jobs when there is time, and is not starved when there is none."""
    filler = job("filler", None, estimate_s=0.5)
    passes, missed = drive([job("a", 10.0, estimate_s=1.0), filler], 1000)
    count = Counter(name for name, _, _ in passes)
    assert count["a"] == 100 and count["filler"] == 1800 and missed == []
    passes, _ = drive([job("a", 1.0, priority=3, estimate_s=1.0), filler], 1000)
    count = Counter(name for name, _, _ in passes)
    assert 0.09 <= count["filler"] * 0.5 / 1000 <= 0.11


def test_two_back_to_back_jobs_take_turns() -> None:
    """The one that has waited longer goes first."""
    passes, _ = drive([job("a", None), job("b", None)], 20)
    assert [name for name, _, _ in passes] == ["a", "b"] * 10


def test_long_passes_of_a_low_job_do_not_starve_the_quick_ones() -> None:
    """Ten-minute passes back to back of equal priority: others go in between, losses counted."""
    jobs = [job("watch", 2.0, estimate_s=0.5), job("soak", None, estimate_s=600.0)]
    passes, missed = drive(jobs, 36_000)
    count = Counter(name for name, _, _ in passes)
    assert count["watch"] >= 55 and count["soak"] >= 55
    last_s = max(due_s for name, due_s, _ in passes if name == "watch")
    lost = sum(one.count for one in missed if one.to_s < last_s)
    assert count["watch"] + lost == (last_s - T0) / 2 + 1


def test_outage_is_missed_for_its_reason_and_the_newest_still_starts() -> None:
    """What ran out while the sweeper was away is lost to that; the last one is only late."""
    plan = SweeperPlan([job("a")], now_s=T0 + 1)
    plan.sweeper_away(T0 + 5, "sweeper lost", "no answer")
    decision = plan.ask(T0 + 27)
    assert decision.start is None and decision.wait_until_s == T0 + 27 + 60
    assert [(m.reason, m.detail, m.count, m.from_s) for m in decision.missed] == [
        ("sweeper lost", "no answer", 1, T0 + 10)
    ]
    plan.sweeper_back(T0 + 28)
    start = plan.ask(T0 + 28).start
    assert start is not None and start.due_s == T0 + 20


def test_overrun_before_an_outage_keeps_its_own_reason() -> None:
    """Reasons are those that held when the due time ran out."""
    plan = SweeperPlan([job("a"), job("b", 1000.0)], now_s=T0 - 1)
    plan.ask(T0)
    plan.finished("a", now_s=T0 + 21, took_s=21)
    plan.sweeper_away(T0 + 25, "sweeper lost")
    missed = plan.ask(T0 + 55).missed
    assert [(m.job, m.reason, m.due_times) for m in missed] == [
        ("a", "overrun", 1),
        ("a", "sweeper lost", 3),
    ]


def test_pause_holds_one_job_and_not_the_others() -> None:
    """Its due times are missed as paused, also while the sweeper is away."""
    plan = SweeperPlan([job("a"), job("b")], now_s=T0 + 1)
    plan.pause("a", T0 + 1, "paused", "transmitting")
    start = plan.ask(T0 + 10).start
    assert start is not None and start.job == "b"
    plan.finished("b", now_s=T0 + 11, took_s=1)
    plan.sweeper_away(T0 + 15, "sweeper lost")
    missed = plan.ask(T0 + 35).missed
    assert {(m.job, m.reason, m.due_times) for m in missed} == {
        ("a", "paused", 2),
        ("b", "sweeper lost", 1),
    }
    plan.sweeper_back(T0 + 36)
    plan.resume("a", T0 + 36)
    start = plan.ask(T0 + 36).start
    assert start is not None and start.job == "a" and start.due_s == T0 + 30


def test_paused_alone_is_asked_again_within_a_minute() -> None:
    """So that what is missed becomes known while it happens."""
    plan = SweeperPlan([job("a")], now_s=T0)
    plan.pause("a", T0)
    assert plan.ask(T0 + 1).wait_until_s == T0 + 61


def test_step_forwards_misses_what_was_jumped_over() -> None:
    """All but the newest, which is merely late; nothing is started twice."""
    plan = SweeperPlan([job("a")], now_s=T0 + 1)
    plan.clock_stepped(T0 + 5, T0 + 47)
    decision = plan.ask(T0 + 47)
    assert [(m.reason, m.count, m.from_s, m.to_s) for m in decision.missed] == [
        ("clock stepped", 3, T0 + 10, T0 + 30)
    ]
    assert decision.start is not None and decision.start.due_s == T0 + 40


def test_step_over_a_daily_pass_does_not_lose_it() -> None:
    """A time server that corrects by three seconds at the wrong moment costs nothing."""
    plan = SweeperPlan([job("a", schedule=Schedule(cron="0 15 * * *"))], now_s=T0)
    due_s = T0 + 2800  # 15:00
    assert plan.ask(due_s - 1).start is None
    plan.clock_stepped(due_s - 1, due_s + 2)
    start = plan.ask(due_s + 2).start
    assert start is not None and start.due_s == due_s


def test_small_step_backwards_serves_nothing_twice() -> None:
    """What was started stands; the next due time is the next one on the grid."""
    plan = SweeperPlan([job("a")], now_s=T0)
    plan.ask(T0)
    plan.finished("a", now_s=T0 + 1, took_s=1)
    plan.clock_stepped(T0 + 1, T0 - 30)
    decision = plan.ask(T0 - 30)
    assert decision.start is None and decision.wait_until_s == T0 + 10
    assert plan.ask(T0).start is None
    assert plan.ask(T0 + 10).start is not None


def test_small_step_backwards_keeps_what_is_pending_until_it_is_due_again() -> None:
    """Never early: the pending due time waits until the clock shows it again."""
    plan = SweeperPlan([job("a"), job("b", 1000.0, priority=1, estimate_s=5.0)], now_s=T0)
    start = plan.ask(T0).start
    assert start is not None and start.job == "b"
    plan.finished("b", now_s=T0 + 5, took_s=5)
    plan.clock_stepped(T0 + 5, T0 - 20)
    decision = plan.ask(T0 - 20)
    assert decision.start is None and decision.wait_until_s == T0
    start = plan.ask(T0).start
    assert start is not None and start.job == "a"


def test_clock_found_a_day_fast_does_not_silence_the_station() -> None:
    """Set back by more than a minute the plan is taken up anew under the right time."""
    plan = SweeperPlan([job("a"), job("b", None, estimate_s=1.0)], now_s=T0 + 86_400)
    start = plan.ask(T0 + 86_400).start
    assert start is not None
    plan.finished(start.job, now_s=T0 + 86_401, took_s=1)
    plan.clock_stepped(T0 + 86_401, T0 + 3)
    start = plan.ask(T0 + 3).start
    assert start is not None and start.job == "b" and start.due_s <= T0 + 3
    plan.finished("b", now_s=T0 + 10, took_s=7)
    start = plan.ask(T0 + 10).start
    assert start is not None and start.job == "a" and start.due_s == T0 + 10


def test_clock_set_far_back_forgets_what_was_pending_under_the_wrong_time() -> None:
    """It comes due again under the right one, and the wait is for the first that does."""
    plan = SweeperPlan([job("a")], now_s=T0 + 86_400)
    plan.sweeper_away(T0 + 86_400, "sweeper lost")
    plan.ask(T0 + 86_400)
    plan.clock_stepped(T0 + 86_405, T0 + 5)
    plan.sweeper_back(T0 + 5)
    decision = plan.ask(T0 + 5)
    assert decision.start is None and decision.wait_until_s == T0 + 10
    start = plan.ask(T0 + 10).start
    assert start is not None and start.due_s == T0 + 10


def test_sleep_of_the_host_is_its_own_reason() -> None:
    """Also while the sweeper is away; a paused job stays paused."""
    plan = SweeperPlan([job("a"), job("b")], now_s=T0 + 1)
    plan.pause("b", T0 + 1)
    plan.sweeper_away(T0 + 2, "sweeper lost")
    plan.asleep(T0 + 5, T0 + 3605)
    assert {(m.job, m.reason, m.due_times) for m in plan.ask(T0 + 3605).missed} == {
        ("a", "host asleep", 359),
        ("b", "paused", 359),
    }


def test_back_to_back_estimates_what_it_missed() -> None:
    """Blocked open time over the expected duration, and nothing for mere competition."""
    night = Schedule(back_to_back=True, windows=(window_from_text("14:00..15:00"),), burst=2)
    plan = SweeperPlan([job("a", schedule=night, estimate_s=4.0)], now_s=T0)
    plan.sweeper_away(T0, "sweeper lost")
    (missed,) = plan.ask(T0 + 10).missed
    assert (missed.due_times, missed.count, missed.reason) == (2, 4, "sweeper lost")
    (missed,) = plan.ask(T0 + 3600).missed  # the window closes at T0 + 2800
    assert missed.due_times == 698
    plan.sweeper_back(T0 + 3600)
    assert plan.ask(T0 + 3600).start is None


def test_back_to_back_is_due_from_when_it_could_sweep_again() -> None:
    """Not from before the outage that is accounted for already."""
    plan = SweeperPlan([job("a", None)], now_s=T0)
    plan.sweeper_away(T0 + 1, "sweeper lost")
    plan.sweeper_back(T0 + 31)
    start = plan.ask(T0 + 31).start
    assert start is not None and start.due_s == T0 + 31
    plan.finished("a", now_s=T0 + 33, took_s=2)
    start = plan.ask(T0 + 34).start
    assert start is not None and start.due_s == T0 + 33


def test_drain_accounts_for_what_is_pending() -> None:
    """At a stop nothing is left over."""
    plan = SweeperPlan([job("a"), job("b")], now_s=T0)
    plan.ask(T0)
    missed = plan.drain(T0 + 15)
    assert {(m.job, m.reason, m.due_times, m.from_s) for m in missed} == {
        ("a", "station down", 1, T0 + 10),
        ("b", "overrun", 1, T0),
        ("b", "station down", 1, T0 + 10),
    }
    assert plan.drain(T0 + 15) == ()


def test_a_plan_that_follows_serves_no_due_time_again() -> None:
    """A reload in the very moment of a due time, with what the old plan accounted for."""
    old = SweeperPlan([job("a")], now_s=T0)
    assert old.ask(T0).start is not None
    old.drain(T0)
    assert old.accounted == {"a": T0}
    assert SweeperPlan([job("a")], now_s=T0, accounted=old.accounted).ask(T0).start is None
    quicker = SweeperPlan([job("a", 2.0)], now_s=T0 + 1, accounted=old.accounted)
    assert quicker.ask(T0 + 1).wait_until_s == T0 + 2


def test_estimate_is_learnt_and_one_odd_pass_does_not_move_it() -> None:
    """The median of the latest passes."""
    plan, now_s = SweeperPlan([job("a", 1.0, estimate_s=9.0)], now_s=T0), T0
    for took_s in (0.5, 0.5, 30.0, 0.5, 0.5, 0.5):
        assert plan.ask(now_s).start is not None
        now_s += 40.0
        plan.finished("a", now_s=now_s, took_s=took_s)
    assert plan.estimate_s("a") == 0.5


def test_many_changes_without_an_ask_keep_few_ranges() -> None:
    """Memory is bounded; the count stays exact."""
    plan = SweeperPlan([job("a", 1.0)], now_s=T0)
    for at in range(0, 10_000, 4):
        plan.sweeper_away(T0 + at, "sweeper lost")
        plan.sweeper_back(T0 + at + 2)
    missed = plan.drain(T0 + 9_999.5)
    assert len(missed) <= 65
    assert sum(one.count for one in missed) == 10_000


def test_nothing_ever_due_waits_for_events_only() -> None:
    """No jobs, or a job whose days are over."""
    assert SweeperPlan([], now_s=T0).ask(T0).wait_until_s is None


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: SweeperPlan([job("a"), job("a")], now_s=T0), "two jobs are named 'a'"),
        (lambda: job("a", min_share=1.5), "job a: min_share must be 0 to 0.9"),
        (lambda: job("a", estimate_s=0.0), "job a: estimate_s must be > 0"),
        (
            lambda: SweeperPlan([job("a")], now_s=T0).finished("a", now_s=T0, took_s=1),
            "job 'a' is not running; running: None",
        ),
    ],
)
def test_misuse_is_refused(make: object, says: str) -> None:
    """With a line that names the job."""
    with pytest.raises(ValueError, match=says):
        make()


def test_a_job_that_ended_is_not_due_and_misses_nothing() -> None:
    """What it missed before is still told; its sweeper goes on with the others."""
    jobs = [
        PlannedJob(name=name, schedule=Schedule(every_s=10.0), estimate_s=1.0)
        for name in ("soak", "watch")
    ]
    plan = SweeperPlan(jobs, now_s=1000.0)
    plan.sweeper_away(1000.0, "sweeper lost")
    plan.ask(1005.0)
    plan.end("soak", 1025.0, ended_s=1015.0)
    plan.end("soak", 1025.0, ended_s=1015.0)
    plan.sweeper_back(1100.0)
    decision = plan.ask(1101.0)
    missed = {(one.job, one.count) for one in decision.missed}
    assert ("soak", 2) in missed
    assert sum(count for job, count in missed if job == "watch") >= 9
    assert decision.start is not None
    assert decision.start.job == "watch"
    plan.finished("watch", now_s=1102.0, took_s=1.0)
    for at_s in range(1103, 1200):
        decision = plan.ask(float(at_s))
        if decision.start is not None:
            assert decision.start.job == "watch"
            plan.finished("watch", now_s=float(at_s), took_s=0.5)
        assert all(one.job == "watch" for one in decision.missed)


def test_a_job_may_end_while_its_pass_is_under_way() -> None:
    job = PlannedJob(name="soak", schedule=Schedule(every_s=10.0), estimate_s=1.0)
    plan = SweeperPlan([job], now_s=1000.0)
    assert plan.ask(1000.0).start is not None
    plan.end("soak", 1000.5, ended_s=1000.0)
    assert plan.running == "soak"
    plan.finished("soak", now_s=1001.0, took_s=1.0)
    decision = plan.ask(2000.0)
    assert (decision.start, decision.wait_until_s, decision.missed) == (None, None, ())


@pytest.mark.parametrize(("ended_s", "count"), [(1015.0, 2), (1021.0, 3)])
def test_what_was_due_before_a_job_ended_is_accounted_for(ended_s: float, count: int) -> None:
    job = PlannedJob(name="soak", schedule=Schedule(every_s=10.0), estimate_s=1.0)
    plan = SweeperPlan([job], now_s=1000.0)
    plan.sweeper_away(1000.0, "sweeper lost")
    plan.end("soak", 1025.0, ended_s=ended_s)
    (missed,) = plan.ask(1030.0).missed
    assert (missed.count, missed.reason) == (count, "sweeper lost")


def test_two_jobs_that_would_run_out_at_one_moment_both_get_their_share() -> None:
    """The one that goes first claims early enough for the other; neither starves."""
    jobs = [
        job("high", 1.0, priority=5, estimate_s=1.0),
        job("one", 20.0, estimate_s=1.0),
        job("other", 20.0, estimate_s=1.0),
    ]
    passes, missed = drive(jobs, 600.0)
    taken = Counter(name for name, _, _ in passes)
    assert taken["one"] == taken["other"] == 30
    assert {one.job for one in missed} == {"high"}


def test_a_clock_that_was_never_right_makes_no_gap_of_years() -> None:
    """What was pending is missed under its name; what is due after it is due by the right clock."""
    plan = SweeperPlan([PlannedJob(name="a", schedule=Schedule(every_s=10.0))], now_s=1000.0)
    assert plan.ask(1003.0).start is not None
    plan.finished("a", now_s=1004.0, took_s=1.0)
    plan.ask(1005.0)
    plan.clock_set(1012.0, 1.795e9 + 3.0)
    (missed,) = plan.take_missed()
    assert (missed.from_s, missed.to_s, missed.count) == (1010.0, 1010.0, 1)
    assert plan.take_missed() == ()
    decision = plan.ask(1.795e9 + 4.0)
    assert decision.start is None and decision.missed == ()
    assert decision.wait_until_s == 1.795e9 + 10.0
    start = plan.ask(1.795e9 + 10.0).start
    assert start is not None and start.due_s == 1.795e9 + 10.0
