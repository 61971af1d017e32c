"""Whatever jobs there are: who has a share gets it; looks leave every due time accounted for."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.plan.schedule import Schedule
from acqd.plan.sharing import SHARES_MOST, PlannedJob, SweeperPlan

T0 = 1_790_000_000.0
"""14:13:20 UTC on 21 September 2026, a multiple of 2000 s."""
FOR_S = 400.0

tables = st.lists(
    st.tuples(
        st.sampled_from([None, 2.0, 3.0, 5.0, 10.0, 20.0, 20.0, 50.0]),
        st.sampled_from([0.5, 0.7, 1.0]),
        st.integers(0, 3),
        st.sampled_from([0.0, 0.05, 0.1, 0.2, 0.5]),
        st.sampled_from([None, 0.02, 0.1, 0.3]),
    ),
    min_size=2,
    max_size=6,
)
"""Interval, length of a pass, priority, minimum share, and the share of looks."""
looks = st.lists(st.tuples(st.floats(0.0, FOR_S), st.integers(0, 5)), max_size=60)


def _jobs(rows: list[tuple[float | None, float, int, float, float | None]]) -> list[PlannedJob]:
    return [
        PlannedJob(
            name=f"job-{at}",
            schedule=Schedule(back_to_back=True) if every_s is None else Schedule(every_s=every_s),
            estimate_s=takes_s,
            priority=priority,
            min_share=share,
            extra_share=extra,
        )
        for at, (every_s, takes_s, priority, share, extra) in enumerate(rows)
    ]


@settings(max_examples=60, deadline=None)
@given(tables, looks)
def test_shares_hold_and_nothing_is_lost_from_the_account(
    rows: list[tuple[float | None, float, int, float, float | None]],
    asked: list[tuple[float, int]],
) -> None:
    """Passes of like lengths, looks at any time: nobody starves, each due time is told of once."""
    jobs = _jobs(rows)
    plan = SweeperPlan(jobs, now_s=T0)
    takes_s = {job.name: job.estimate_s for job in jobs}
    busy_s = dict.fromkeys(takes_s, 0.0)
    started, missed = dict.fromkeys(takes_s, 0), dict.fromkeys(takes_s, 0)
    tickets: list[int] = []
    waiting, now_s = sorted(asked), T0
    while now_s < T0 + FOR_S:
        while waiting and T0 + waiting[0][0] <= now_s:
            _, number = waiting.pop(0)
            ticket = len(tickets)
            name = f"job-{number % len(jobs)}"
            if plan.add_extra(name, ticket, now_s=now_s, until_s=now_s + 30.0, estimate_s=0.8):
                tickets.append(ticket)
        decision = plan.ask(now_s)
        for one in decision.missed:
            missed[one.job] += one.due_times
        for _, ticket in decision.dropped:
            tickets[ticket] = -1
        start = decision.start
        if start is None:
            assert decision.wait_until_s is not None
            now_s = max(now_s, min(decision.wait_until_s, now_s + 5.0))
            continue
        if start.extra is None:
            length_s = takes_s[start.job]
            busy_s[start.job] += length_s
            started[start.job] += 1
        else:
            assert tickets[start.extra] == start.extra, "taken once, and not after it was dropped"
            tickets[start.extra], length_s = -1, 0.8
        now_s += length_s
        plan.finished(start.job, now_s=now_s, took_s=length_s)
    for one in plan.drain(now_s):
        missed[one.job] += one.due_times
    shares = sum(job.min_share + (job.extra_share or 0.0) for job in jobs)
    scale = min(1.0, SHARES_MOST / shares) if shares else 1.0
    for job in jobs:
        share, every_s = job.min_share * scale, job.schedule.every_s
        if every_s is not None:
            due = int((now_s - T0) // every_s) + 1
            assert started[job.name] + missed[job.name] == due
        wanted = 1.0 if every_s is None else job.estimate_s / every_s
        # Less two passes that it may be behind at the end, and a tenth of margins.
        least_s = LEAST * min(share, wanted) * (now_s - T0) - 2.0 * job.estimate_s
        assert busy_s[job.name] >= least_s, job


LEAST = 0.8
"""Claims are made 1.5 passes early, and due times that come in one moment wait for each other."""
