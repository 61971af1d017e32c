"""Times on the station's own clock, also over a change to summer time."""

import itertools
from datetime import datetime

import pytest

from acqd.look.times import clock, duration, moment_of, range_text, time_marks, zone_text

LONDON = "Europe/London"


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def test_marks_are_round_on_the_clock_of_the_zone() -> None:
    marks = time_marks(at("2026-06-14T20:00Z"), at("2026-06-15T04:00Z"), LONDON)
    assert [mark.text for mark in marks][:3] == ["21:00", "22:00", "23:00"]
    assert [mark.is_day for mark in marks].index(True) == 3


def test_marks_stay_round_where_an_hour_is_left_out() -> None:
    """The clock goes from 01:00 to 02:00 BST on 29 March 2026: there is no 01:30 that night."""
    marks = time_marks(at("2026-03-28T23:00Z"), at("2026-03-29T04:00Z"), LONDON, most=6)
    assert [mark.text for mark in marks] == ["23:00", "00:00", "02:00", "03:00", "04:00", "05:00"]
    assert all(b.at_s - a.at_s == 3600 for a, b in itertools.pairwise(marks))


def test_an_hour_that_the_clock_shows_twice_has_its_mark_twice() -> None:
    """On 25 October 2026 the clock goes from 02:00 BST back to 01:00."""
    marks = time_marks(at("2026-10-24T23:00Z"), at("2026-10-25T03:00Z"), LONDON, most=6)
    assert [mark.text for mark in marks] == ["00:00", "01:00", "01:00", "02:00", "03:00"]


def test_marks_of_a_few_seconds_show_seconds() -> None:
    start_s = at("2026-03-14T21:00Z")
    assert time_marks(start_s, start_s + 40, LONDON)[1].text == "21:00:05"


@pytest.mark.parametrize("days", [2, 9, 30, 400])
def test_long_ranges_have_few_marks(days: int) -> None:
    start_s = at("2026-03-14T21:00Z")
    assert 1 <= len(time_marks(start_s, start_s + days * 86400, LONDON)) <= 12


@pytest.mark.parametrize(
    ("start", "stop", "text"),
    [
        (
            "2026-03-14T21:00Z",
            "2026-03-15T06:00Z",
            "14 March, 21:00 to 15 March 2026, 06:00 (GMT, UTC)",
        ),
        ("2026-06-14T20:00Z", "2026-06-14T21:00Z", "14 June 2026, 21:00 to 22:00 (BST, UTC+1)"),
        (
            "2026-03-28T21:00Z",
            "2026-03-29T06:00Z",
            "28 March, 21:00 to 29 March 2026, 07:00 (GMT, UTC then BST, UTC+1)",
        ),
    ],
)
def test_a_range_says_its_days_and_its_zone(start: str, stop: str, text: str) -> None:
    assert range_text(at(start), at(stop), LONDON) == text


def test_zones_off_the_hour() -> None:
    assert zone_text(at("2026-03-14T21:00Z"), "Asia/Kolkata") == "IST, UTC+5:30"
    assert zone_text(at("2026-03-14T21:00Z"), "UTC") == "UTC"


def test_clock_cuts_off() -> None:
    assert clock(at("2026-03-14T21:59:59.9Z"), "UTC", seconds=True) == "21:59:59"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0, "0 s"),
        (0.31, "0.3 s"),
        (250, "4 min 10 s"),
        (3600, "1 h"),
        (4800, "1 h 20 min"),
        (90061, "1 d 1 h"),
    ],
)
def test_durations_have_their_two_largest_units(seconds: float, text: str) -> None:
    assert duration(seconds) == text


NOW = "2026-06-15T03:00:00+00:00"


@pytest.mark.parametrize(
    ("text", "iso"),
    [
        ("now", NOW),
        ("03:59", "2026-06-15T02:59Z"),
        ("04:00", "2026-06-15T03:00Z"),
        ("04:01", "2026-06-14T03:01Z"),
        ("9:05", "2026-06-14T08:05Z"),
        ("21:05:30", "2026-06-14T20:05:30Z"),
        ("2026-06-14T21:05", "2026-06-14T20:05Z"),
        ("2026-06-14 21:05Z", "2026-06-14T21:05Z"),
    ],
)
def test_a_clock_time_is_the_last_one_of_the_zone(text: str, iso: str) -> None:
    assert moment_of(text, LONDON, now_s=at(NOW)) == at(iso)


def test_a_time_that_the_clock_left_out_is_that_of_the_day_before() -> None:
    """There is no 01:30 in London on 29 March 2026."""
    found = moment_of("01:30", LONDON, now_s=at("2026-03-29T03:00Z"))
    assert found == at("2026-03-28T01:30Z")


@pytest.mark.parametrize("text", ["25:00", "", "9 pm", "yesterday", "21:5"])
def test_what_is_no_time_is_said_with_what_was_expected(text: str) -> None:
    with pytest.raises(ValueError, match="is no time; expected 21:05"):
        moment_of(text, LONDON, now_s=at(NOW))
