"""What a plan will come to, on virtual time; and the example of the documentation."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from acqd.plan.preview import preview
from acqd.plan.schedule import Schedule, window_from_text
from acqd.plan.sharing import PlannedJob

At = Callable[..., float]
T0 = 1_790_000_000.0
NIGHT = (window_from_text("21:00..06:00"),)
DOCS = Path(__file__).parents[2] / "docs" / "plan.md"


def job(name: str, schedule: Schedule, estimate_s: float = 1.0, **more: int) -> PlannedJob:
    return PlannedJob(name=name, schedule=schedule, estimate_s=estimate_s, **more)


def example(at: At) -> list[PlannedJob]:
    zone = "Europe/London"
    return [
        job("marine-vhf", Schedule(every_s=2.0, windows=NIGHT, zone=zone), 0.8, priority=1),
        job("lamp-noise", Schedule(every_s=30.0, zone=zone), 6.0),
        job("filter", Schedule(cron="0 3 * * *", zone=zone), 40.0),
    ]


def test_the_example_of_the_documentation_is_what_the_plan_gives(at: At) -> None:
    """Every row of the table in docs/plan.md."""
    zone = "Europe/London"
    seen = preview(example(at), at("2026-06-01 21:00", zone), at("2026-06-02 06:00", zone))
    rows = [
        f"| {one.job} | {one.due} | {one.started} | {one.missed} "
        f"| {one.worst_late_s:.1f} s | {one.share:.0%} |".replace("%", " %")
        for one in seen.jobs
    ]
    text = DOCS.read_text("utf-8")
    told = text.partition("<!-- example -->")[2].partition("<!-- end -->")[0]
    assert told.strip().splitlines()[2:] == rows
    assert not seen.extrapolated


def test_a_quiet_plan_has_no_conflicts() -> None:
    """All due times swept on time, and nothing to say."""
    seen = preview(
        [job("a", Schedule(every_s=10.0)), job("b", Schedule(every_s=60.0))], T0, T0 + 600
    )
    assert [(one.due, one.started, one.missed) for one in seen.jobs] == [(60, 60, 0), (10, 10, 0)]
    assert seen.busy == pytest.approx(70 / 600)
    assert seen.jobs[1].worst_late_s == 1.0
    assert seen.conflicts == ()  # a second of sixty is not worth a word


def test_conflicts_are_told_in_plain_words() -> None:
    """Too quick for itself, too much for the sweeper, never due."""
    seen = preview(
        [
            job("band", Schedule(every_s=2.0), 3.0),
            job("never", Schedule(cron="0 12 * * *", windows=NIGHT)),
            job("later", Schedule(cron="0 12 * * *")),
        ],
        T0,
        T0 + 3600,
    )
    assert seen.conflicts[0] == (
        "band is due every 2 s but one pass takes about 3 s: at best 67% of its due times are swept"
    )
    assert seen.conflicts[1] == "band misses 600 of 1800 due times (33.3%): the sweeper is busy"
    assert "never is never due (cron 0 12 * * *, 21:00 to 06:00)" in seen.conflicts
    assert "later is not due in this time (cron 0 12 * * *)" in seen.conflicts


def test_next_due_times_are_shown_with_the_one_that_is_due_now(at: At) -> None:
    """Five of them, also beyond the end; for back to back the next opening."""
    seen = preview(
        [
            job("a", Schedule(every_s=10.0)),
            job("b", Schedule(back_to_back=True, windows=NIGHT)),
            job("c", Schedule(cron="0 3 * * *")),
        ],
        T0,
        T0 + 15,
    )
    assert seen.jobs[0].next_due_s == tuple(T0 + 10 * at for at in range(5))
    assert seen.jobs[1].next_due_s == (at("2026-09-21 21:00"),)
    assert [due_s - seen.jobs[2].next_due_s[0] for due_s in seen.jobs[2].next_due_s] == [
        86_400.0 * day for day in range(5)
    ]


def test_a_night_of_three_jobs_every_two_seconds_is_simulated_whole(at: At) -> None:
    """48,600 passes, none extrapolated, in about a second of processor time (bound: a slow CI)."""
    jobs = [
        job(name, Schedule(every_s=2.0, windows=NIGHT), took_s, priority=priority)
        for name, took_s, priority in (("a", 0.5, 1), ("b", 0.4, 0), ("c", 0.9, 0))
    ]
    began_s = time.process_time()
    seen = preview(jobs, at("2026-06-01 12:00"), at("2026-06-02 12:00"))
    took_s = time.process_time() - began_s
    assert not seen.extrapolated
    assert [one.started for one in seen.jobs] == [16_200] * 3
    assert took_s < 3.0


def test_beyond_the_bound_the_rest_goes_on_in_proportion() -> None:
    """Due times are exact still; started and missed keep their ratio, and it is said."""
    jobs = [job("a", Schedule(every_s=1.0), 0.6, priority=1), job("b", Schedule(every_s=1.0), 0.6)]
    whole = preview(jobs, T0, T0 + 20_000)
    part = preview(jobs, T0, T0 + 20_000, passes_most=2_000)
    assert part.extrapolated and not whole.extrapolated
    assert part.simulated_to_s < T0 + 2_000
    for left, right in zip(whole.jobs, part.jobs, strict=True):
        assert left.due == right.due == 20_000
        assert right.started == pytest.approx(left.started, rel=0.02)
        assert right.share == pytest.approx(left.share, rel=0.02)


def test_back_to_back_is_counted_by_what_it_gets() -> None:
    """It has no due times, so it is never late and misses nothing."""
    seen = preview(
        [job("a", Schedule(every_s=10.0), 1.0), job("fill", Schedule(back_to_back=True), 0.5)],
        T0,
        T0 + 1000,
    )
    fill = seen.jobs[1]
    assert (fill.due, fill.started, fill.missed, fill.worst_late_s) == (1800, 1800, 0, 0.0)
    assert seen.busy == pytest.approx(1.0)


@pytest.mark.parametrize("to_s", [T0, T0 - 1, float("inf"), float("nan")])
def test_a_span_that_is_none_is_refused(to_s: float) -> None:
    """Rather than simulated for ever."""
    with pytest.raises(ValueError, match="needs from < to"):
        preview([job("a", Schedule(every_s=1.0))], T0, to_s)
