"""Nights as people name them, also where the clock changes in them."""

from __future__ import annotations

from datetime import datetime

import pytest

from acqd.look.nights import night_of, span_text, when_of

ZONE = "Europe/London"


def at(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


@pytest.mark.parametrize(
    ("now", "begin"),
    [
        ("2026-06-15T08:00:00+01:00", "2026-06-14T12:00:00+01:00"),
        # After midnight, while it still goes on, it is the same night.
        ("2026-06-15T02:00:00+01:00", "2026-06-14T12:00:00+01:00"),
        ("2026-06-15T23:00:00+01:00", "2026-06-14T12:00:00+01:00"),
        ("2026-06-16T00:10:00+01:00", "2026-06-15T12:00:00+01:00"),
    ],
)
def test_last_night_is_the_one_of_yesterday(now: str, begin: str) -> None:
    from_s, to_s = night_of("last night", ZONE, now_s=at(now))
    assert from_s == at(begin) and to_s - from_s == 86400.0


def test_a_night_in_which_the_clock_changes_is_longer_or_shorter() -> None:
    """On 25 October 2026 the clock of the zone goes back an hour, on 29 March it goes forward."""
    now_s = at("2026-12-01T00:00:00+00:00")
    long = night_of("2026-10-24", ZONE, now_s=now_s)
    short = night_of("2026-03-28", ZONE, now_s=now_s)
    assert long == (at("2026-10-24T11:00:00+00:00"), at("2026-10-25T12:00:00+00:00"))
    assert long[1] - long[0] == 25 * 3600.0 and short[1] - short[0] == 23 * 3600.0


def test_a_time_of_last_night_is_before_or_after_midnight() -> None:
    now_s = at("2026-06-15T08:00:00+01:00")
    assert when_of("last night 21:05", ZONE, now_s=now_s) == at("2026-06-14T21:05:00+01:00")
    assert when_of("last night 02:10", ZONE, now_s=now_s) == at("2026-06-15T02:10:00+01:00")
    # In the evening the last 21:05 is today's, and last night's is not.
    evening_s = at("2026-06-15T22:00:00+01:00")
    assert when_of("21:05", ZONE, now_s=evening_s) == at("2026-06-15T21:05:00+01:00")
    assert when_of("last night 21:05", ZONE, now_s=evening_s) == at("2026-06-14T21:05:00+01:00")


def test_an_hour_that_the_clock_shows_twice_is_the_first_one() -> None:
    now_s = at("2026-10-25T08:00:00+00:00")
    first_s = at("2026-10-25T01:30:00+01:00")
    assert when_of("last night 01:30", ZONE, now_s=now_s) == first_s
    assert when_of("2026-10-25T01:30", ZONE, now_s=now_s) == first_s
    assert when_of("2026-10-25T01:30Z", ZONE, now_s=now_s) == first_s + 3600.0


@pytest.mark.parametrize("text", ["yesternight", "2026-6-1", "21:05", ""])
def test_what_is_no_night_is_said(text: str) -> None:
    with pytest.raises(ValueError, match="is no night; expected last night, tonight, or the date"):
        night_of(text, ZONE, now_s=0.0)


@pytest.mark.parametrize("text", ["last night late", "last night 2026-06-14T21:05Z", "soon"])
def test_what_is_no_time_of_last_night_is_said(text: str) -> None:
    with pytest.raises(ValueError, match="time"):
        when_of(text, ZONE, now_s=at("2026-12-01T00:00:00+00:00"))


def test_a_span_is_told_as_short_as_it_can_be() -> None:
    begin_s, end_s = at("2026-06-14T21:05:00+01:00"), at("2026-06-14T23:40:30+01:00")
    assert span_text(begin_s, end_s, ZONE) == "14 June 2026, 21:05 to 23:40:30"
    assert span_text(begin_s, end_s + 3600.0, ZONE) == (
        "14 June 2026, 21:05 to 15 June 2026, 00:40:30"
    )
    assert span_text(begin_s, None, ZONE) == "from 14 June 2026, 21:05 on"
    assert span_text(None, end_s, ZONE) == "up to 14 June 2026, 23:40:30"
    assert span_text(None, None, ZONE) == "all of its sweeps"
