"""Times as logs write them: formats, zones, the hour that comes twice and the one that is none."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acqd.ingest.bad import BadRow
from acqd.ingest.moments import Moments, seconds_text
from acqd.ingest.tables import TimeTable

NOW_S = 1_780_272_000.0  # 2026-06-01T00:00:00Z
US = 1_000_000


def moments(format: str = "iso", zone: str = "UTC", **keys: Any) -> Moments:  # noqa: A002 - as in maps
    table = TimeTable.model_validate({"zone": zone, "format": format, "columns": "t", **keys})
    return Moments(table, now_s=NOW_S)


def utc_us(*parts: int) -> int:
    return (datetime(*parts, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(
        microseconds=1
    )


@pytest.mark.parametrize(
    ("format", "text"),
    [
        ("iso", "2025-03-14T21:05:07.250"),
        ("iso", "2025-03-14 22:05:07.25+01:00"),
        ("iso", "20250314T210507.25Z"),
        ("%d.%m.%Y %H:%M:%S.%f", "14.03.2025 21:05:07.25"),
        ("epoch s", "1741986307.25"),
        ("epoch s", "1741986307,25"),
        ("epoch ms", "1741986307250"),
        ("epoch us", "1741986307250000"),
    ],
)
def test_one_moment_in_every_format(format: str, text: str) -> None:  # noqa: A002 - as in maps
    """All of them mean the same microsecond."""
    assert moments(format).read(text) == utc_us(2025, 3, 14, 21, 5, 7, 250_000)


def test_day_numbers() -> None:
    """25569 is the first of January 1970; the fraction is the clock, to the millisecond."""
    assert moments("day number").read("25569") == 0
    assert moments("day number").read("45730.5") == utc_us(2025, 3, 14, 12)
    assert moments("day number").read("45730,878553240741") == utc_us(2025, 3, 14, 21, 5, 7)
    assert moments("day number", zone="Europe/Dublin").read("45838.5") == utc_us(2025, 6, 30, 11)


def test_a_zone_is_that_of_the_day() -> None:
    """Dublin is at UTC in winter, an hour before it in summer."""
    dublin = moments(zone="Europe/Dublin")
    assert dublin.read("2025-01-10 12:00") == utc_us(2025, 1, 10, 12)
    assert dublin.read("2025-07-10 12:00") == utc_us(2025, 7, 10, 11)


def test_a_time_that_never_was_is_refused() -> None:
    """On 30 March 2025 Dublin's clock went from 00:59:59 to 02:00:00, whatever the map says."""
    for rule in ("refuse", "earlier", "later", "order"):
        with pytest.raises(BadRow, match="put forward over it"):
            moments(zone="Europe/Dublin", ambiguous=rule).read("2025-03-30 01:30:00")


def test_a_time_that_came_twice() -> None:
    """On 26 October 2025 01:30 came at 00:30 and at 01:30 UTC: refused, or as the map says."""
    text = "2025-10-26 01:30:00"
    early, late = utc_us(2025, 10, 26, 0, 30), utc_us(2025, 10, 26, 1, 30)
    with pytest.raises(BadRow, match="showed it twice"):
        moments(zone="Europe/Dublin").read(text)
    assert moments(zone="Europe/Dublin", ambiguous="earlier").read(text) == early
    assert moments(zone="Europe/Dublin", ambiguous="later").read(text) == late
    in_order = moments(zone="Europe/Dublin", ambiguous="order")
    assert in_order.read(text) == early
    assert in_order.read(text, before_us=early - US) == early
    assert in_order.read(text, before_us=utc_us(2025, 10, 26, 0, 59)) == late


def test_an_offset_is_never_ambiguous() -> None:
    """A time that brings its own offset is taken by it."""
    read = moments(zone="Europe/Dublin").read
    assert read("2025-10-26 01:30:00+00:00") - read("2025-10-26 01:30:00+01:00") == 3600 * US


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "no time"),
        ("soon", "'soon' is no time"),
        ("1969-12-31 23:59:59", "before 1970"),
        ("2026-06-01 00:00:01", "in the future"),
        ("2025-02-30 10:00", "is no time"),
        ("1" * 100, "is no time"),
    ],
)
def test_what_is_no_time(text: str, why: str) -> None:
    """Refused, with what it was and what was expected."""
    with pytest.raises(BadRow, match=why) as caught:
        moments().read(text)
    assert caught.value.expected


@pytest.mark.parametrize("format", ["iso", "epoch s", "epoch ms", "day number", "%Y-%m-%d"])
@given(text=st.text(max_size=80))
def test_any_text_is_a_time_or_refused(format: str, text: str) -> None:  # noqa: A002 - as in maps
    """Nothing but BadRow comes of any text, and what is read lies in bounds."""
    try:
        at_us = moments(format).read(text)
    except BadRow:
        return
    assert 0 <= at_us <= NOW_S * US


@given(us=st.integers(min_value=0, max_value=int(NOW_S) * US))
def test_times_come_back(us: int) -> None:
    """What a moment is written as is read as that moment, to the microsecond."""
    at = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)
    assert moments().read(at.isoformat()) == us
    assert moments("epoch us").read(str(us)) == us
    assert moments("epoch s").read(f"{us // US}.{us % US:06d}") == us
    assert moments("%Y-%m-%d %H:%M:%S.%f").read(at.strftime("%Y-%m-%d %H:%M:%S.%f")) == us


@given(
    us=st.integers(min_value=utc_us(2024, 1, 1), max_value=utc_us(2026, 5, 1)),
    zone=st.sampled_from(
        ["Europe/Dublin", "America/St_Johns", "Australia/Lord_Howe", "Asia/Tokyo"]
    ),
)
def test_local_times_come_back(us: int, zone: str) -> None:
    """A clock's time is read as its moment, or is one of two that it can mean."""
    from zoneinfo import ZoneInfo

    at = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=us)).astimezone(ZoneInfo(zone))
    text = at.replace(tzinfo=None).isoformat()
    found = {moments(zone=zone, ambiguous=rule).read(text) for rule in ("earlier", "later")}
    assert us in found and len(found) <= 2


def test_seconds_after() -> None:
    """Numbers of every unit, to the microsecond."""
    assert seconds_text("1.5", "s") == 1_500_000
    assert seconds_text("250", "ms") == 250_000
    assert seconds_text("2", "min") == 120 * US
    with pytest.raises(BadRow, match="no number"):
        seconds_text("later", "s")
