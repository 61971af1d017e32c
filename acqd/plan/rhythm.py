"""The longest time between due times that a schedule means, for what a job may promise.

It goes into the setup of a job's sweeps and must not hang on when it was asked. So it is looked for
in a fixed stretch of the calendar, not from today on, and without the schedule's first and last
day.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from acqd.plan.schedule import DueTail, Schedule
from acqd.plan.walltime import US, seconds

__all__ = ["longest_interval_s"]

FROM_DAY = 19_723
"""2024-01-01, a Monday in a leap year, in days since the epoch."""

DAYS = (45, 800)
"""Days looked at: enough for every day of a month, else for every day of a year."""

DAYS_WHOLE = 9
"""So many days with due times are looked at due time by due time: any weekday, and one more. On the
others, whose times of day are the same, only from the last of one day to the first of the next."""

WHOLE_MOST = 10_000
"""Due times looked at one by one. The first day with more is looked at minute by minute, and its
first hour one by one: what cron says of seconds holds in every minute that it names."""

MINUTE_US = 60 * US
HOUR_US = 60 * MINUTE_US
DAY_US = 86_400 * US


def longest_interval_s(schedule: Schedule) -> float | None:
    """The longest time between successive due times within one opening of ``schedule``.

    ``every_s`` is that itself. Where no opening holds two due times, the longest time from one
    opening's to the next. None for back to back, and where fewer than two due times are found.
    Beyond the limits above it is the longest seen.
    """
    if schedule.every_s is not None or schedule.back_to_back:
        return schedule.every_s
    always = replace(schedule, first_day=None, last_day=None)
    for days in DAYS:
        inside_us = any_us = 0
        for before_us, after_us in _pairs(always, days):
            apart_us = after_us - before_us
            any_us = max(any_us, apart_us)
            if apart_us > inside_us and _one_opening(always, before_us, after_us):
                inside_us = apart_us
        if any_us:
            return seconds(inside_us or any_us)
    return None


def _one_opening(schedule: Schedule, before_us: int, after_us: int) -> bool:
    return schedule.open_us(before_us, after_us) == after_us - before_us


def _pairs(schedule: Schedule, days: int) -> Iterator[tuple[int, int]]:
    """Successive due times: all of the first days, then the last of a day and the next."""
    whole_days = looked_at = 0
    dense = True
    for day, last_us in _edges(schedule, FROM_DAY * DAY_US, days * DAY_US, DAY_US):
        if last_us is not None:
            yield last_us, day.first_us
        if whole_days < DAYS_WHOLE and looked_at + day.count <= WHOLE_MOST:
            whole_days, looked_at = whole_days + 1, looked_at + day.count
            yield from _each(schedule, day.first_us, day.last_us)
        elif not whole_days and dense:
            dense = False
            yield from _each(schedule, day.first_us, min(day.last_us, day.first_us + HOUR_US))
            minute_us = day.first_us - day.first_us % MINUTE_US
            for minute, last_us in _edges(schedule, minute_us, DAY_US, MINUTE_US):
                if last_us is not None:
                    yield last_us, minute.first_us


def _edges(
    schedule: Schedule, from_us: int, long_us: int, step_us: int
) -> Iterator[tuple[DueTail, int | None]]:
    """The due times of each step that has any, with the last one before them."""
    last_us: int | None = None
    for start_us in range(from_us, from_us + long_us, step_us):
        tail = schedule.tail_us(start_us - 1, start_us + step_us - 1)
        if tail is not None:
            yield tail, last_us
            last_us = tail.last_us


def _each(schedule: Schedule, first_us: int, last_us: int) -> Iterator[tuple[int, int]]:
    before_us = first_us
    while before_us < last_us:
        due_us = schedule.next_due_us(before_us)
        if due_us is None:
            return
        yield before_us, due_us
        before_us = due_us
