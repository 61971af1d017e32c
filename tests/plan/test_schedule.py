"""The rhythm of one job: the grid from the epoch, a year in no time, text and back."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from datetime import date
from itertools import islice, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.plan.schedule import ClockWindow, DuskToDawn, Schedule, window_from_text

At = Callable[..., float]
NOW_S = 1_780_000_000.0


@pytest.mark.parametrize("every_s", [0.001, 0.01, 0.1, 0.3, 2.0, 7.0, 60.0, 86_400.0, 604_800.0])
def test_every_counts_from_the_epoch(every_s: float) -> None:
    """Due times are whole multiples of the interval, whenever the station was started."""
    schedule = Schedule(every_s=every_s)
    step_us = round(every_s * 1e6)
    for started_s in (NOW_S, NOW_S + 0.123456, NOW_S + 12_345.6):
        due_s = schedule.next_due(started_s)
        assert due_s is not None and due_s > started_s
        assert round(due_s * 1e6) % step_us == 0
        assert due_s - started_s <= every_s + 1e-6


def test_a_restart_keeps_the_rhythm() -> None:
    """Whoever asks later sees the same due times, not ones shifted by the restart."""
    schedule = Schedule(every_s=7.0)
    first = list(schedule.due_between(NOW_S, NOW_S + 1000))
    after_restart = list(schedule.due_between(NOW_S + 321.5, NOW_S + 1000))
    assert after_restart == first[-len(after_restart) :]


def test_ten_millisecond_grid_does_not_drift(at: At) -> None:
    """After stepping on a hundred thousand times the due time is exact."""
    schedule = Schedule(every_s=0.01)
    due_s = NOW_S
    for _ in range(20_000):
        due_s = schedule.next_due(due_s) or 0.0
    assert due_s == NOW_S + 200.0


@settings(deadline=None, derandomize=True, max_examples=100)
@given(
    every_us=st.integers(1_000, 10_000_000_000),
    start_us=st.integers(0, 4_000_000_000_000_000),
    steps=st.integers(0, 50),
)
def test_next_due_is_strictly_after_and_none_is_left_out(
    every_us: int, start_us: int, steps: int
) -> None:
    """Stepping, listing and counting give the same due times for any interval."""
    schedule = Schedule(every_s=every_us / 1e6)
    step_us = schedule.step_us or 0
    from_s = start_us / 1e6
    to_s = (start_us + steps * step_us) / 1e6
    listed = list(schedule.due_between(from_s, to_s))
    assert len(listed) == schedule.count_between(from_s, to_s) == steps
    stepped, due_s = [], schedule.next_due(from_s - 2e-6)
    while due_s is not None and due_s < from_s:
        due_s = schedule.next_due(due_s)
    while due_s is not None and due_s < to_s:
        stepped.append(due_s)
        due_s = schedule.next_due(due_s)
    assert stepped == listed


def test_a_span_holds_its_start_and_not_its_end() -> None:
    """Half open, so that neighbouring spans add up."""
    schedule = Schedule(every_s=2.0)
    assert list(schedule.due_between(10.0, 14.0)) == [10.0, 12.0]
    assert schedule.count_between(10.0, 10.0) == 0
    assert schedule.count_between(14.0, 10.0) == 0
    assert schedule.next_due(10.0) == 12.0


def test_a_year_of_plan_takes_no_time(at: At) -> None:
    """Every 10 ms at night for a year: over a thousand million due times, counted exactly."""
    schedule = Schedule(
        every_s=0.01, windows=(window_from_text("21:00..06:00"),), zone="Europe/London"
    )
    from_s, to_s = at("2026-01-01", "Europe/London"), at("2027-01-01", "Europe/London")
    began_s = time.perf_counter()
    counted = schedule.count_between(from_s, to_s)
    took_s = time.perf_counter() - began_s
    # 365 nights of 9 h; the shorter and the longer night of the clock changes cancel.
    assert counted == 365 * 9 * 3600 * 100
    assert took_s < 2.0


@pytest.mark.slow
def test_a_year_of_due_times_is_listed_in_seconds(at: At) -> None:
    """Every minute from dusk to dawn for a year, each due time visited by next_due's rule."""
    schedule = Schedule(
        every_s=60.0, windows=(DuskToDawn(),), zone="Europe/London", position=(50.1, -5.5)
    )
    from_s, to_s = at("2026-01-01"), at("2027-01-01")
    listed = list(schedule.due_between(from_s, to_s))
    assert len(listed) == schedule.count_between(from_s, to_s)
    for left, right in islice(pairwise(listed), 0, None, 97):
        assert schedule.next_due(left) == right


def test_back_to_back_is_due_whenever_open(at: At) -> None:
    """It has an open time but no due times to count."""
    schedule = Schedule(back_to_back=True, windows=(window_from_text("21:00..06:00"),))
    noon_s = at("2026-06-01 12:00")
    assert schedule.next_due(noon_s) == at("2026-06-01 21:00")
    assert schedule.next_due(at("2026-06-01 22:00")) == at("2026-06-01 22:00") + 1e-6
    assert schedule.open_between_s(noon_s, noon_s + 86_400) == 9 * 3600
    for ask in (schedule.count_between, lambda a, b: list(schedule.due_between(a, b))):
        with pytest.raises(ValueError, match="back to back has no due times"):
            ask(noon_s, noon_s + 1)


@pytest.mark.parametrize(
    ("schedule", "words"),
    [
        (
            Schedule(every_s=2.0, windows=(window_from_text("21:00..06:00"),)),
            "every 2 s, 21:00 to 06:00",
        ),
        (Schedule(every_s=0.01), "every 10 ms"),
        (Schedule(every_s=0.0005 * 3), "every 1.5 ms"),
        (Schedule(every_s=90.0), "every 90 s"),
        (Schedule(every_s=900.0), "every 15 min"),
        (Schedule(every_s=86_400.0), "every 1 d"),
        (Schedule(cron="0 3 * * *", zone="Europe/London"), "cron 0 3 * * *"),
        (
            Schedule(back_to_back=True, windows=(DuskToDawn(),), position=(50.0, -5.0)),
            "back to back, dusk to dawn",
        ),
        (
            Schedule(every_s=60.0, burst=3, first_day=date(2026, 5, 1), last_day=date(2026, 5, 7)),
            "every 1 min, 3 sweeps each time, 2026-05-01 to 2026-05-07",
        ),
        (
            Schedule(every_s=1.0, first_day=date(2026, 5, 1), last_day=date(2026, 5, 1)),
            "every 1 s, on 2026-05-01",
        ),
        (Schedule(every_s=1.0, first_day=date(2026, 5, 1)), "every 1 s, from 2026-05-01"),
        (Schedule(every_s=1.0, last_day=date(2026, 5, 1)), "every 1 s, until 2026-05-01"),
        (
            Schedule(
                every_s=1.0,
                windows=(window_from_text("20:00..21:00"), window_from_text("23:00..00:00:30")),
            ),
            "every 1 s, 20:00 to 21:00 and 23:00 to 00:00:30",
        ),
    ],
)
def test_schedule_says_itself_in_plain_words(schedule: Schedule, words: str) -> None:
    """And comes back from its JSON text as it was."""
    assert schedule.describe() == words
    assert Schedule.from_json(json.loads(json.dumps(schedule.to_json()))) == schedule


@settings(deadline=None, derandomize=True, max_examples=100)
@given(
    every_s=st.floats(0.001, 1e6),
    windows=st.lists(
        st.one_of(
            st.builds(
                ClockWindow,
                start_s=st.integers(0, 43_199),
                end_s=st.integers(43_200, 86_400),
            ),
            st.just(DuskToDawn()),
        ),
        max_size=3,
    ),
    position=st.tuples(st.floats(-90, 90), st.floats(-180, 180)),
    days=st.none() | st.dates(date(1980, 1, 1), date(2100, 1, 1)),
    burst=st.integers(1, 1000),
)
def test_json_text_gives_the_same_schedule_back(
    every_s: float,
    windows: list[ClockWindow | DuskToDawn],
    position: tuple[float, float],
    days: date | None,
    burst: int,
) -> None:
    """Exactly, whatever the numbers."""
    schedule = Schedule(
        every_s=every_s,
        windows=tuple(windows),
        position=position,
        first_day=days,
        last_day=days,
        burst=burst,
        zone="Pacific/Auckland",
    )
    assert Schedule.from_json(json.loads(json.dumps(schedule.to_json()))) == schedule


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        ({}, "exactly one of every, cron and back to back, got 0"),
        ({"every_s": 1.0, "back_to_back": True}, "exactly one .* got 2"),
        ({"every_s": 0.0}, "every must be 1 ms to 366 days"),
        ({"every_s": float("nan")}, "every must be"),
        ({"every_s": 4e7}, "every must be"),
        ({"every_s": 1.0, "burst": 0}, "a burst has 1 to"),
        ({"every_s": 1.0, "zone": "Europe/Atlantis"}, "time zone 'Europe/Atlantis' is not known"),
        ({"every_s": 1.0, "windows": (DuskToDawn(),)}, "needs the station's position"),
        ({"every_s": 1.0, "position": (91.0, 0.0)}, "latitude −90 to 90"),
        (
            {"every_s": 1.0, "first_day": date(2026, 5, 2), "last_day": date(2026, 5, 1)},
            "last day 2026-05-01 comes before first day 2026-05-02",
        ),
        ({"every_s": 1.0, "windows": (DuskToDawn(),) * 65, "position": (0.0, 0.0)}, "at most 64"),
    ],
)
def test_schedule_that_cannot_be_is_refused(arguments: dict[str, object], says: str) -> None:
    """With what was wrong and what is accepted."""
    with pytest.raises(ValueError, match=says):
        Schedule(**arguments)


@pytest.mark.parametrize(
    "data", [{}, {"every_s": 1.0}, {**Schedule(every_s=1).to_json(), "zone": None}]
)
def test_json_of_something_else_is_refused(data: dict[str, object]) -> None:
    """As one ValueError, whatever is wrong with it."""
    with pytest.raises(ValueError):
        Schedule.from_json(data)
