"""The longest time between due times that a schedule means."""

from __future__ import annotations

from datetime import date

import pytest

from acqd.plan.rhythm import longest_interval_s
from acqd.plan.schedule import ClockWindow, DuskToDawn, Schedule

NIGHT = (ClockWindow(start_s=21 * 3600, end_s=6 * 3600),)
HOUR_S = 3600.0
DAY_S = 86_400.0

SCHEDULES: dict[str, tuple[Schedule, float | None]] = {
    "every": (Schedule(every_s=2.0, windows=NIGHT), 2.0),
    "back to back": (Schedule(back_to_back=True), None),
    "every ten minutes": (Schedule(cron="*/10 * * * *"), 600.0),
    "every ten minutes at night": (Schedule(cron="*/10 * * * *", windows=NIGHT), 600.0),
    "every ten seconds": (Schedule(cron="*/10 * * * * *"), 10.0),
    "every second": (Schedule(cron="* * * * * *"), 1.0),
    "every second of each half hour": (Schedule(cron="* 0-29 * * * *"), 1801.0),
    "every second, but not at noon": (Schedule(cron="0-40 * 0-11,13-23 * * *"), 3620.0),
    "uneven": (Schedule(cron="0,10,30 * * * *"), 1800.0),
    "office hours": (Schedule(cron="0 9-17 * * *"), 16 * HOUR_S),
    "on weekdays": (Schedule(cron="0 12 * * 1-5"), 3 * DAY_S),
    "once a week": (Schedule(cron="0 12 * * 3"), 7 * DAY_S),
    "once a month": (Schedule(cron="0 12 1 * *"), 31 * DAY_S),
    "once a year": (Schedule(cron="0 12 1 6 *"), 365 * DAY_S),
    "a minute a month": (Schedule(cron="* 0 1 * *"), 31 * DAY_S - 59 * 60.0),
    "once a night": (Schedule(cron="0 23 * * *", windows=NIGHT), DAY_S),
    "twice a night": (Schedule(cron="0 1,23 * * *", windows=NIGHT), 2 * HOUR_S),
    "from dusk": (
        Schedule(cron="*/15 * * * *", windows=(DuskToDawn(),), position=(55.0, -3.0)),
        900.0,
    ),
}


@pytest.mark.parametrize(("schedule", "longest_s"), SCHEDULES.values(), ids=SCHEDULES)
def test_the_longest_interval_is_that_within_an_opening(
    schedule: Schedule, longest_s: float | None
) -> None:
    """Where the schedule is shut nothing is due, so that is no interval."""
    assert longest_interval_s(schedule) == longest_s


def test_it_does_not_hang_on_the_days_of_the_schedule() -> None:
    """A setup must be the same today and in the replay of a year later."""
    bounded = Schedule(cron="*/10 * * * *", first_day=date(2031, 5, 1), last_day=date(2031, 5, 1))
    assert longest_interval_s(bounded) == 600.0


def test_a_change_of_the_clock_is_no_longer_interval_than_it_is() -> None:
    """In March an hour of the wall is left out; every ten minutes stays so."""
    assert longest_interval_s(Schedule(cron="*/10 * * * *", zone="Europe/London")) == 600.0
