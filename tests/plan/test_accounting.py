"""The invariant: every due time is started once, or is in exactly one Missed."""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.plan.account import LATEST_START_S
from acqd.plan.schedule import Schedule, window_from_text
from acqd.plan.sharing import Due, Missed, PlannedJob, SweeperPlan

START_S = 1_790_000_000.0
"""14:13:20 UTC on 21 September 2026."""
WINDOWS = (
    (),
    (window_from_text("00:00..24:00"),),
    (window_from_text("14:20..14:25"), window_from_text("14:26..14:40")),
    (window_from_text("14:00..14:30"), window_from_text("14:30..15:00")),
)

schedules = st.one_of(
    st.builds(
        Schedule,
        every_s=st.sampled_from([0.25, 1.0, 2.0, 3.7, 10.0, 60.0, 333.0]),
        windows=st.sampled_from(WINDOWS),
        burst=st.integers(1, 3),
    ),
    st.builds(Schedule, cron=st.sampled_from(["* * * * *", "*/10 * * * * *", "27 14 * * *"])),
    st.just(Schedule(back_to_back=True)),
)
jobs_of = st.lists(
    st.tuples(schedules, st.integers(0, 2), st.sampled_from([0.0, 0.1, 0.5]), st.floats(0.05, 40)),
    min_size=1,
    max_size=4,
)
ops = st.lists(
    st.one_of(
        st.tuples(st.just("run"), st.floats(0.1, 400.0), st.floats(0.01, 3.0)),
        st.tuples(st.just("away"), st.floats(0.0, 900.0), st.just(0.0)),
        st.tuples(st.just("pause"), st.floats(0.0, 900.0), st.integers(0, 3)),
        st.tuples(st.just("step"), st.floats(-60.0, 5000.0), st.just(0.0)),
        st.tuples(st.just("sleep"), st.floats(0.0, 9000.0), st.just(0.0)),
        st.tuples(st.just("late"), st.floats(0.0, 100.0), st.just(0.0)),
    ),
    min_size=1,
    max_size=12,
)


@dataclass
class Night:
    """Drives a plan on virtual time and writes down all that it says."""

    jobs: list[PlannedJob]
    now_s: float = START_S
    latest_s: float = START_S
    started: list[Due] = field(default_factory=list)
    missed: list[Missed] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.plan = SweeperPlan(self.jobs, now_s=self.now_s)
        self.on_grid = {job.name: not job.schedule.back_to_back for job in self.jobs}

    def pass_time(self, seconds: float) -> None:
        self.now_s += seconds
        self.latest_s = max(self.latest_s, self.now_s)

    def ask(self) -> tuple[Due | None, float | None]:
        decision = self.plan.ask(self.now_s)
        self.missed.extend(decision.missed)
        if decision.start is not None:
            assert decision.start.due_s <= self.now_s, "never started early"
            earlier = [one for one in decision.missed if one.job == decision.start.job]
            if not self.on_grid[decision.start.job]:
                earlier = []  # a span of estimated sweeps, under whatever the clock said then
            assert all(one.to_s < decision.start.due_s for one in earlier), "gaps come first"
            self.started.append(decision.start)
        return decision.start, decision.wait_until_s

    def run(self, for_s: float, factor: float) -> None:
        """Ask, sweep and wait as a station does, with passes ``factor`` times the estimate."""
        estimates = {job.name: job.estimate_s for job in self.jobs}
        until_s, asked = self.now_s + for_s, 0
        while self.now_s < until_s and asked < 300:
            asked += 1
            start, wait_until_s = self.ask()
            if start is not None:
                took_s = estimates[start.job] * factor
                self.pass_time(took_s)
                self.plan.finished(start.job, now_s=self.now_s, took_s=took_s)
            elif wait_until_s is None:
                self.pass_time(until_s - self.now_s)
            else:
                self.pass_time(max(0.0, wait_until_s - self.now_s))

    def do(self, what: str, by_s: float, more: float) -> None:
        if what == "run":
            self.run(by_s, more)
        elif what == "away":
            self.plan.sweeper_away(self.now_s, "sweeper lost")
            self.pass_time(by_s)
            assert self.ask()[0] is None
            self.plan.sweeper_back(self.now_s)
        elif what == "pause":
            name = self.jobs[int(more) % len(self.jobs)].name
            self.plan.pause(name, self.now_s)
            self.run(by_s, 1.0)
            self.plan.resume(name, self.now_s)
        elif what == "step":
            self.plan.clock_stepped(self.now_s, self.now_s + by_s)
            self.pass_time(by_s)
        elif what == "sleep":
            self.plan.asleep(self.now_s, self.now_s + by_s)
            self.pass_time(by_s)
        else:
            self.pass_time(by_s)

    def end(self) -> None:
        self.missed.extend(self.plan.drain(self.now_s))


def check_accounts(night: Night) -> None:
    """Each due time of each job on a grid from the start to the latest time is in one place."""
    for job in night.jobs:
        if job.schedule.back_to_back:
            continue
        started = [due.due_s for due in night.started if due.job == job.name]
        missed = [one for one in night.missed if one.job == job.name]
        assert len(set(started)) == len(started), "no due time is started twice"
        due = set(job.schedule.due_between(START_S, night.latest_s + 1e-6))
        assert set(started) <= due
        accounted = set(started)
        for one in missed:
            inside = set(job.schedule.due_between(one.from_s, one.to_s + 1e-6))
            assert {one.from_s, one.to_s} <= inside
            assert len(inside) == one.due_times
            assert one.count == one.due_times * job.schedule.burst
            assert not inside & accounted, "in one Missed only, and not started as well"
            accounted |= inside
        assert accounted == due


@settings(deadline=None, derandomize=True, max_examples=150)
@given(made=jobs_of, what=ops)
def test_every_due_time_is_started_or_in_exactly_one_missed(
    made: list[tuple[Schedule, int, float, float]], what: list[tuple[str, float, float]]
) -> None:
    """Whatever the jobs, durations, outages, pauses, naps and steps of the clock."""
    night = Night(
        [
            PlannedJob(
                name=f"job-{at}", schedule=one, priority=prio, min_share=share, estimate_s=est
            )
            for at, (one, prio, share, est) in enumerate(made)
        ]
    )
    for op in what:
        night.do(*op)
    # After a step back the clock may stand before the latest due time that was looked at.
    night.pass_time(max(0.0, night.latest_s - night.now_s))
    night.ask()
    night.end()
    check_accounts(night)


@settings(deadline=None, derandomize=True, max_examples=150)
@given(made=jobs_of, what=ops)
def test_the_plan_is_deterministic(
    made: list[tuple[Schedule, int, float, float]], what: list[tuple[str, float, float]]
) -> None:
    """The same calls give the same answers."""
    told = []
    for _ in range(2):
        night = Night(
            [
                PlannedJob(name=f"job-{at}", schedule=one, priority=prio, estimate_s=est)
                for at, (one, prio, _share, est) in enumerate(made)
            ]
        )
        for op in what:
            night.do(*op)
        night.end()
        told.append((night.started, night.missed))
    assert told[0] == told[1]


def test_no_start_is_later_than_the_rules_allow() -> None:
    """Not after the next due time, nor after the window, nor more than an hour late."""
    jobs = [
        PlannedJob(
            name="night",
            schedule=Schedule(every_s=2.0, windows=(window_from_text("14:20..14:25"),)),
            estimate_s=7.0,
        ),
        PlannedJob(name="cron", schedule=Schedule(cron="14 14 * * *"), estimate_s=1.0),
        PlannedJob(name="long", schedule=Schedule(every_s=60.0), estimate_s=200.0, priority=1),
    ]
    night = Night(jobs)
    starts = []
    for _ in range(3000):
        start, wait_until_s = night.ask()
        if start is None:
            assert wait_until_s is not None
            night.now_s = wait_until_s
            continue
        starts.append((start, night.now_s))
        took_s = {"night": 7.0, "cron": 1.0, "long": 200.0}[start.job]
        night.pass_time(took_s)
        night.plan.finished(start.job, now_s=night.now_s, took_s=took_s)
    schedules_of = {job.name: job.schedule for job in jobs}
    assert {start.job for start, _ in starts} == {"night", "cron", "long"}
    for start, at_s in starts:
        schedule = schedules_of[start.job]
        next_s = schedule.next_due(start.due_s)
        assert next_s is not None and at_s < next_s
        assert at_s - start.due_s < LATEST_START_S
        assert schedule.is_open(at_s)


@pytest.mark.parametrize("hours", [1, 24, 24 * 365])
def test_a_long_outage_is_one_missed_and_quick(hours: int) -> None:
    """However long: arithmetic, one range per job, exact count."""
    plan = SweeperPlan([PlannedJob(name="a", schedule=Schedule(every_s=0.01))], now_s=START_S)
    plan.sweeper_away(START_S, "sweeper lost", "unplugged")
    (missed,) = plan.ask(START_S + hours * 3600).missed
    assert missed.reason == "sweeper lost" and missed.detail == "unplugged"
    assert missed.count == hours * 360_000
    assert missed.from_s == START_S and missed.to_s == START_S + hours * 3600 - 0.01
