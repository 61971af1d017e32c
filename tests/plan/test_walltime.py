"""Microseconds, and wall times on the nights on which the clock changes."""

from __future__ import annotations

import itertools
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.plan.walltime import (
    US,
    ceil_us,
    check_zone,
    floor_us,
    local_day,
    offset_pieces,
    seconds,
    wall_us,
)


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.integers(0, 8_000_000_000 * US))
def test_a_microsecond_survives_the_way_through_float_seconds(micros: int) -> None:
    """Until the year 2223 both roundings give the very microsecond back."""
    assert floor_us(seconds(micros)) == micros == ceil_us(seconds(micros))


@settings(deadline=None, derandomize=True, max_examples=100)
@given(st.floats(0, 8e9, allow_nan=False))
def test_floor_and_ceil_enclose_any_time(time_s: float) -> None:
    """The microsecond before is not after the time, the one after is not before it."""
    low, high = floor_us(time_s), ceil_us(time_s)
    assert seconds(low) <= time_s <= seconds(high)
    assert seconds(low + 1) > time_s and seconds(high - 1) < time_s


@pytest.mark.parametrize(
    ("zone", "day", "second", "utc"),
    [
        pytest.param("Europe/London", "2026-06-01", 75600, "2026-06-01 20:00", id="summer"),
        pytest.param("Europe/London", "2026-12-01", 75600, "2026-12-01 21:00", id="winter"),
        pytest.param("Europe/London", "2026-03-29", 5400, "2026-03-29 01:00", id="leapt-over"),
        pytest.param("Europe/London", "2026-10-25", 5400, "2026-10-25 00:30", id="twice-first"),
        pytest.param("Europe/London", "2026-10-24", 86400, "2026-10-24 23:00", id="24-00"),
        pytest.param("Australia/Lord_Howe", "2026-10-04", 8100, "2026-10-03 15:30", id="half-hour"),
        pytest.param(
            "Australia/Lord_Howe", "2026-04-05", 6300, "2026-04-04 14:45", id="half-twice"
        ),
        pytest.param("America/Santiago", "2026-09-06", 0, "2026-09-06 04:00", id="no-midnight"),
        pytest.param("Asia/Kathmandu", "2026-09-06", 0, "2026-09-05 18:15", id="quarter-hours"),
    ],
)
def test_wall_time_is_an_instant(zone: str, day: str, second: int, utc: str) -> None:
    """Leapt wall times mean the leap, doubled ones their first coming."""
    expected = datetime.fromisoformat(utc).replace(tzinfo=ZoneInfo("UTC")).timestamp()
    assert wall_us(zone, date.fromisoformat(day), second) == expected * US


@pytest.mark.parametrize(
    "zone", ["Europe/London", "Australia/Lord_Howe", "America/Santiago", "Africa/Casablanca", "UTC"]
)
def test_offset_pieces_agree_with_the_zone_hour_by_hour(zone: str) -> None:
    """Three years are covered without a hole, each piece with the zone's own offset."""
    start_s, end_s = 1_767_225_600, 1_767_225_600 + 3 * 365 * 86_400
    pieces = list(offset_pieces(zone, start_s, end_s))
    tz = ZoneInfo(zone)
    assert pieces[0].start_s <= start_s and pieces[-1].end_s >= end_s
    for left, right in itertools.pairwise(pieces):
        assert left.end_s == right.start_s
        assert right.before_s == left.offset_s
    for piece in pieces:
        for at_s in (*range(piece.start_s, piece.end_s, 6 * 3600), piece.end_s - 1):
            offset = datetime.fromtimestamp(at_s, tz).utcoffset()
            assert offset is not None and offset.total_seconds() == piece.offset_s


def test_local_day_is_the_date_on_the_wall() -> None:
    """Shortly before midnight UTC it is tomorrow in the east."""
    at_us = 1_780_012_800 * US - US
    assert local_day("UTC", at_us) == date(2026, 5, 28)
    assert local_day("Pacific/Auckland", at_us) == date(2026, 5, 29)


@pytest.mark.parametrize("zone", ["Europe/Atlantis", "", "../etc/passwd", "GMT+"])
def test_unknown_zone_is_refused_by_name(zone: str) -> None:
    """The error says what was given and what is expected."""
    with pytest.raises(ValueError, match="is not known; expected an IANA name"):
        check_zone(zone)
