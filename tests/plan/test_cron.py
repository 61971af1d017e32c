"""Cron on the wall of a zone, against a slow reference that looks at every minute."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from acqd.plan.schedule import Schedule, window_from_text

At = Callable[..., float]


def walls(schedule: Schedule, from_s: float, to_s: float) -> list[str]:
    zone = ZoneInfo(schedule.zone)
    return [
        datetime.fromtimestamp(due_s, zone).strftime("%m-%d %H:%M%z")
        for due_s in schedule.due_between(from_s, to_s)
    ]


@pytest.mark.parametrize("zone", ["Europe/London", "Australia/Lord_Howe", "America/Santiago"])
@pytest.mark.parametrize(
    ("cron", "minutes", "hours"),
    [
        ("*/7 * * * *", set(range(0, 60, 7)), set(range(24))),
        ("0 */6 * * *", {0}, {0, 6, 12, 18}),
        ("*/30 1,2 * * *", {0, 30}, {1, 2}),
    ],
)
@pytest.mark.parametrize("start", ["2026-04-04 00:00", "2026-09-05 12:00", "2026-10-03 00:00"])
def test_each_matching_minute_is_due_also_on_change_nights(
    at: At, zone: str, cron: str, minutes: set[int], hours: set[int], start: str
) -> None:
    """Expressions with a star keep the rhythm: due whenever the wall matches, twice if doubled."""
    tz = ZoneInfo(zone)
    from_s = int(at(start))
    to_s = from_s + 3 * 86_400
    expected = []
    for minute_s in range(from_s, to_s, 60):
        wall = datetime.fromtimestamp(minute_s, tz)
        if wall.minute in minutes and wall.hour in hours:
            expected.append(float(minute_s))
    schedule = Schedule(cron=cron, zone=zone)
    assert list(schedule.due_between(from_s, to_s)) == expected
    assert schedule.count_between(from_s, to_s) == len(expected)


@pytest.mark.parametrize(
    ("zone", "cron", "start", "expected"),
    [
        pytest.param(
            "Europe/London",
            "30 1 * * *",
            "2026-03-28 00:00",
            ["03-28 01:30+0000", "03-29 02:00+0100", "03-30 01:30+0100"],
            id="leapt-runs-at-the-leap",
        ),
        pytest.param(
            "Europe/London",
            "0,15,45 1 * * *",
            "2026-03-29 00:00",
            ["03-29 02:00+0100", "03-30 01:00+0100", "03-30 01:15+0100", "03-30 01:45+0100"],
            id="several-leapt-run-once",
        ),
        pytest.param(
            "Europe/London",
            "0 1,2 * * *",
            "2026-03-29 00:00",
            ["03-29 02:00+0100", "03-30 01:00+0100", "03-30 02:00+0100"],
            id="leap-onto-a-due-time-is-one",
        ),
        pytest.param(
            "Europe/London",
            "30 1 * * *",
            "2026-10-24 00:00",
            ["10-24 01:30+0100", "10-25 01:30+0100", "10-26 01:30+0000"],
            id="doubled-runs-first-only",
        ),
        pytest.param(
            "Australia/Lord_Howe",
            "15 2 * * *",
            "2026-10-02 14:00",
            ["10-03 02:15+1030", "10-04 02:30+1100", "10-05 02:15+1100"],
            id="lord-howe-leap",
        ),
        pytest.param(
            "Australia/Lord_Howe",
            "45 1 * * *",
            "2026-04-03 13:00",
            ["04-04 01:45+1100", "04-05 01:45+1100", "04-06 01:45+1030"],
            id="lord-howe-doubled",
        ),
        pytest.param(
            "America/Santiago",
            "0 0 * * *",
            "2026-09-05 03:00",
            ["09-05 00:00-0400", "09-06 01:00-0300", "09-07 00:00-0300"],
            id="midnight-leapt",
        ),
    ],
)
def test_daily_pass_stays_daily(
    at: At, zone: str, cron: str, start: str, expected: list[str]
) -> None:
    """Expressions at stated times: a leapt one runs at the leap, a doubled one once."""
    from_s = at(start)
    assert walls(Schedule(cron=cron, zone=zone), from_s, from_s + 3 * 86_400)[: len(expected)] == (
        expected
    )


@pytest.mark.parametrize("zone", ["Europe/London", "Australia/Lord_Howe", "America/Santiago"])
@pytest.mark.parametrize("cron", ["30 1 * * *", "15,45 0-3 * * *", "* * * * *", "0 30 2 * * *"])
def test_counting_listing_and_stepping_agree_over_a_year(at: At, zone: str, cron: str) -> None:
    """count_between, due_between and next_due are three views of one list."""
    schedule = Schedule(cron=cron, zone=zone)
    from_s, to_s = at("2026-03-25 00:00"), at("2026-11-05 00:00")
    listed = list(schedule.due_between(from_s, to_s))
    assert len(listed) == schedule.count_between(from_s, to_s)
    assert listed == sorted(set(listed))
    middle = listed[len(listed) // 2]
    assert schedule.count_between(from_s, middle) == len(listed) // 2
    for left, right in list(itertools.pairwise(listed))[:: max(1, len(listed) // 300)]:
        assert schedule.next_due(left) == right
        assert schedule.next_due(right - 1e-6) == right


@pytest.mark.parametrize(
    ("cron", "after", "expected"),
    [
        pytest.param("0 12 29 2 *", "2026-01-01", "2028-02-29 12:00", id="leap-day"),
        pytest.param("0 12 29 2 *", "2096-03-01", "2104-02-29 12:00", id="2100-has-none"),
        pytest.param("0 0 L * *", "2026-02-10", "2026-02-28 00:00", id="last-of-month"),
        pytest.param("0 6 * * MON#1", "2026-06-02", "2026-07-06 06:00", id="first-monday"),
        pytest.param("30 0 6 * * *", "2026-06-02", "2026-06-02 06:00:30", id="with-seconds"),
    ],
)
def test_rare_expressions_find_their_day(at: At, cron: str, after: str, expected: str) -> None:
    """However many years ahead."""
    assert Schedule(cron=cron).next_due(at(after)) == at(expected)


def test_cron_within_a_window_keeps_to_it(at: At) -> None:
    """Every quarter of an hour, but only at night."""
    schedule = Schedule(cron="*/15 * * * *", windows=(window_from_text("21:00..06:00"),))
    from_s = at("2026-06-01 12:00")
    assert schedule.count_between(from_s, from_s + 86_400) == 36
    assert schedule.next_due(from_s) == at("2026-06-01 21:00")


def test_cron_outside_its_window_is_never_due(at: At) -> None:
    """Noon inside the night: said to be never, not searched for ever."""
    schedule = Schedule(cron="0 12 * * *", windows=(window_from_text("21:00..06:00"),))
    assert schedule.next_due(at("2026-06-01 12:00")) is None


@pytest.mark.parametrize(
    "cron", ["* * * *", "61 * * * *", "* * * * * * *", "", "a b c d e", "0 0 30 2 *"]
)
def test_expression_that_cannot_be_read_is_refused(cron: str) -> None:
    """When the schedule is made, with the expression in the line."""
    with pytest.raises(ValueError, match="cron expression"):
        Schedule(cron=cron)


def test_a_year_of_seconds_is_counted_without_being_listed(at: At) -> None:
    """31,536,000 due times by arithmetic."""
    schedule = Schedule(cron="* * * * * *", zone="Europe/London")
    assert schedule.count_between(at("2026-01-01"), at("2027-01-01")) == 365 * 86_400
    assert datetime.fromtimestamp(schedule.next_due(at("2026-10-25")) or 0, UTC).second == 1
