"""Windows over midnight, over clock changes, between days, and from dusk to dawn."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from acqd.plan.schedule import ClockWindow, DuskToDawn, Schedule, window_from_text

At = Callable[..., float]
NIGHT = (ClockWindow(start_s=21 * 3600, end_s=6 * 3600),)
HOUR = 3600.0


def nightly(zone: str, **more: object) -> Schedule:
    return Schedule(every_s=60.0, windows=NIGHT, zone=zone, **more)


def dark(position: tuple[float, float], zone: str) -> Schedule:
    return Schedule(every_s=60.0, windows=(DuskToDawn(),), zone=zone, position=position)


@pytest.mark.parametrize(
    ("zone", "evening", "hours"),
    [
        pytest.param("Europe/London", "2026-06-01", 9.0, id="ordinary"),
        pytest.param("Europe/London", "2026-03-28", 8.0, id="london-spring"),
        pytest.param("Europe/London", "2026-10-24", 10.0, id="london-autumn"),
        pytest.param("America/New_York", "2026-03-07", 8.0, id="new-york-spring"),
        pytest.param("America/New_York", "2026-10-31", 10.0, id="new-york-autumn"),
        pytest.param("Pacific/Auckland", "2026-09-26", 8.0, id="auckland-spring-in-september"),
        pytest.param("Pacific/Auckland", "2026-04-04", 10.0, id="auckland-autumn-in-april"),
        pytest.param("Australia/Lord_Howe", "2026-10-03", 8.5, id="lord-howe-half-hour-spring"),
        pytest.param("Australia/Lord_Howe", "2026-04-04", 9.5, id="lord-howe-half-hour-autumn"),
        pytest.param("Asia/Tokyo", "2026-10-24", 9.0, id="no-change-at-all"),
    ],
)
def test_night_is_as_long_as_it_is(at: At, zone: str, evening: str, hours: float) -> None:
    """21:00..06:00 holds 9 h, less or more on the nights on which the clock changes."""
    schedule = nightly(zone)
    start_s = at(f"{evening} 21:00", zone)
    assert not schedule.is_open(start_s - 1)
    assert schedule.is_open(start_s)
    assert schedule.open_until(start_s) == start_s + hours * HOUR
    assert schedule.open_between_s(start_s - HOUR, start_s + 12 * HOUR) == hours * HOUR
    assert schedule.count_between(start_s, start_s + 12 * HOUR) == hours * 60
    assert not schedule.is_open(start_s + hours * HOUR)


def test_windows_that_touch_on_the_wall_touch_on_change_nights_too(at: At) -> None:
    """Two windows meeting inside the leap or inside the doubled hour neither overlap nor gape."""
    for meeting in ("01:30", "01:00", "02:00"):
        early = Schedule(
            every_s=1.0, windows=(window_from_text(f"20:00..{meeting}"),), zone="Europe/London"
        )
        late = Schedule(
            every_s=1.0, windows=(window_from_text(f"{meeting}..08:00"),), zone="Europe/London"
        )
        for evening, hours in (("2026-03-28", 11), ("2026-10-24", 13), ("2026-06-01", 12)):
            from_s = at(f"{evening} 20:00", "Europe/London")
            to_s = from_s + hours * HOUR
            assert early.count_between(from_s, to_s) + late.count_between(from_s, to_s) == (
                hours * 3600
            )
            closes_s = early.open_until(from_s)
            assert closes_s is not None and late.next_open(from_s) == closes_s


def test_window_inside_the_leap_does_not_open_that_night(at: At) -> None:
    """01:10..01:50 does not exist on the spring night; the next one is a day later."""
    schedule = Schedule(
        every_s=60.0, windows=(window_from_text("01:10..01:50"),), zone="Europe/London"
    )
    before_s = at("2026-03-28 12:00", "Europe/London")
    assert schedule.next_open(before_s) == at("2026-03-30 01:10", "Europe/London")


def test_window_in_the_doubled_hour_opens_once(at: At) -> None:
    """01:10..01:50 opens at its first coming only."""
    schedule = Schedule(
        every_s=60.0, windows=(window_from_text("01:10..01:50"),), zone="Europe/London"
    )
    from_s = at("2026-10-24 12:00", "Europe/London")
    assert schedule.count_between(from_s, from_s + 24 * HOUR) == 40
    assert schedule.is_open(at("2026-10-25 01:20", "Europe/London"))
    assert not schedule.is_open(at("2026-10-25 01:20", "Europe/London", fold=1))


def test_overlapping_windows_count_a_due_time_once(at: At) -> None:
    """The union of windows is what is open."""
    schedule = Schedule(
        every_s=60.0,
        windows=tuple(map(window_from_text, ("20:00..23:00", "22:00..02:00", "01:00..01:30"))),
    )
    from_s = at("2026-06-01 12:00")
    assert schedule.count_between(from_s, from_s + 24 * HOUR) == 6 * 60
    assert schedule.open_until(at("2026-06-01 20:30")) == at("2026-06-02 02:00")


def test_window_of_the_last_day_runs_to_its_end_after_midnight(at: At) -> None:
    """First and last day are those on which a window starts."""
    schedule = nightly("Europe/London", first_day=date(2026, 6, 1), last_day=date(2026, 6, 2))
    zone = "Europe/London"
    assert not schedule.is_open(at("2026-06-01 02:00", zone))
    assert schedule.next_open(at("2026-05-01 00:00", zone)) == at("2026-06-01 21:00", zone)
    assert schedule.is_open(at("2026-06-03 05:59", zone))
    assert schedule.next_open(at("2026-06-03 06:00", zone)) is None
    assert schedule.next_due(at("2026-06-03 05:59", zone)) is None
    assert schedule.count_between(at("2026-01-01 00:00"), at("2027-01-01 00:00")) == 2 * 540


def test_days_without_windows_run_from_midnight_to_midnight_on_the_wall(at: At) -> None:
    """The whole of the first and of the last local day."""
    schedule = Schedule(
        every_s=60.0, zone="Europe/London", first_day=date(2026, 3, 28), last_day=date(2026, 3, 29)
    )
    assert schedule.count_between(at("2026-01-01 00:00"), at("2027-01-01 00:00")) == 47 * 60


def test_leap_day_has_its_night(at: At) -> None:
    """29 February 2028 is a day like others; in 2027 the 28th is followed by March."""
    schedule = nightly("UTC", first_day=date(2028, 2, 29), last_day=date(2028, 2, 29))
    assert schedule.next_due(at("2028-01-01 00:00")) == at("2028-02-29 21:00")
    assert schedule.open_until(at("2028-02-29 22:00")) == at("2028-03-01 06:00")


def test_whole_day_window_never_closes(at: At) -> None:
    """00:00..24:00 is every day without a break, so it has no end to tell."""
    schedule = Schedule(every_s=60.0, windows=(window_from_text("00:00..24:00"),))
    now_s = at("2026-06-01 12:00")
    assert schedule.is_open(now_s) and schedule.open_until(now_s) is None
    assert schedule.count_between(now_s, now_s + 48 * HOUR) == 48 * 60


def test_dusk_and_dawn_differ_by_season(at: At) -> None:
    """At 50° N the civil night is about twice as long in December as in June."""
    schedule = dark((50.1, -5.5), "Europe/London")
    summer_s = schedule.open_between_s(at("2026-06-21 12:00"), at("2026-06-22 12:00"))
    winter_s = schedule.open_between_s(at("2026-12-21 12:00"), at("2026-12-22 12:00"))
    assert 6.0 * HOUR < summer_s < 6.8 * HOUR
    assert 14.2 * HOUR < winter_s < 15.0 * HOUR


def test_midsummer_at_70_north_has_no_window(at: At) -> None:
    """The sun stays up: nothing is due, and the next opening is in August."""
    schedule = dark((70.0, 25.0), "Europe/Oslo")
    june_s = at("2026-06-21 12:00")
    assert schedule.count_between(june_s, june_s + 20 * 24 * HOUR) == 0
    opens_s = schedule.next_open(june_s)
    assert opens_s is not None
    assert datetime.fromtimestamp(opens_s, ZoneInfo("Europe/Oslo")).month == 8


def test_midwinter_at_70_north_keeps_its_noon_twilight(at: At) -> None:
    """The sun does not rise, yet it is lighter than civil dusk for some hours around noon."""
    schedule = dark((70.0, 25.0), "Europe/Oslo")
    noon_s = at("2026-12-21 12:00")
    open_s = schedule.open_between_s(noon_s, noon_s + 24 * HOUR)
    assert 18 * HOUR < open_s < 22 * HOUR


def test_polar_night_at_80_north_does_not_close_at_noon(at: At) -> None:
    """It is dark from November to January without a break."""
    schedule = dark((80.0, 15.0), "Arctic/Longyearbyen")
    now_s = at("2026-12-21 00:00")
    assert schedule.open_between_s(now_s, now_s + 10 * 24 * HOUR) == 10 * 24 * HOUR
    closes_s = schedule.open_until(now_s)
    assert closes_s is not None
    assert at("2027-01-15 00:00") < closes_s < at("2027-02-15 00:00")


@pytest.mark.parametrize(
    ("position", "zone"),
    [
        pytest.param((-36.8, 174.8), "Pacific/Auckland", id="far-east"),
        pytest.param((21.3, -157.9), "Pacific/Honolulu", id="far-west"),
        pytest.param((1.9, -157.4), "Pacific/Kiritimati", id="across-the-date-line"),
        pytest.param((-36.8, 174.8), "UTC", id="zone-far-from-position"),
        pytest.param((39.5, 76.0), "Asia/Shanghai", id="late-solar-noon"),
    ],
)
def test_each_day_has_one_night_wherever_it_is(
    at: At, position: tuple[float, float], zone: str
) -> None:
    """A year has 365 separate nights of 7.5 to 15 h, none lost at the date line."""
    schedule = dark(position, zone)
    spans = []
    now_s, end_s = at("2026-01-01 00:00"), at("2027-01-01 00:00")
    now_s = schedule.next_open(schedule.open_until(now_s) or now_s) or 0.0
    while now_s < end_s:
        closes_s = schedule.open_until(now_s)
        assert closes_s is not None
        spans.append(closes_s - now_s)
        now_s = schedule.next_open(closes_s) or end_s
    assert len(spans) in (364, 365, 366)
    assert min(spans) > 7.5 * HOUR and max(spans) < 15 * HOUR


@pytest.mark.parametrize(
    ("text", "start_s", "end_s"),
    [
        ("21:00..06:00", 75600, 21600),
        ("9:05..17:30", 32700, 63000),
        ("00:00..24:00", 0, 86400),
        ("21:00:30 .. 06:00:15", 75630, 21615),
    ],
)
def test_window_is_read_as_a_config_writes_it(text: str, start_s: int, end_s: int) -> None:
    """Hours and minutes, seconds where wanted, blanks where liked."""
    assert window_from_text(text) == ClockWindow(start_s=start_s, end_s=end_s)


def test_dusk_to_dawn_is_read_in_words() -> None:
    """The same form with the words."""
    assert window_from_text("dusk..dawn") == DuskToDawn()


@pytest.mark.parametrize(
    "text",
    ["21:00", "21:00..", "25:00..06:00", "24:00..06:00", "21:60..06:00", "dawn..dusk", "6..7", ""],
)
def test_text_that_is_no_window_is_refused(text: str) -> None:
    """With a line that says what a window looks like."""
    with pytest.raises(ValueError, match=r"window|time of day"):
        window_from_text(text)


def test_window_without_length_is_refused() -> None:
    """06:00..06:00 could mean all day or never; so it is neither."""
    with pytest.raises(ValueError, match="starts and ends at the same time"):
        window_from_text("06:00..06:00")
