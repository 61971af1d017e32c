"""Which time a report is about."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from types import ModuleType
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from acqd.errors import WrongUsage
from acqd.report.range import DAY_S, default_range, extent_s, moment_in

ZONE = "Europe/London"
WINDOW = '{ every = "1 min", window = "21:00..06:00" }'


def at(text: str, zone: str = ZONE) -> float:
    return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone)).timestamp()


def night(nights: ModuleType, folder: Path, start: str, count: int, **given: Any) -> Any:
    made = nights.Night(folder, start_s=at(start), every_s=60.0, **{"when": WINDOW} | given)
    return made.run(count, lambda number: made.noise())


def test_the_last_window_is_the_range(nights: ModuleType, tmp_path: Path) -> None:
    one = night(nights, tmp_path, "2026-06-01 21:00", 9 * 60)
    found = default_range(one.archive, [one.name], ZONE)
    assert (found.start_s, found.stop_s) == (at("2026-06-01 21:00"), at("2026-06-02 06:00"))
    assert found.limits == ()


def test_of_two_nights_it_is_the_second(nights: ModuleType, tmp_path: Path) -> None:
    one = night(nights, tmp_path, "2026-06-01 21:00", 48 * 60)
    found = default_range(one.archive, [one.name], ZONE)
    # The job was swept all the time here; its window is what the plan says.
    assert (found.start_s, found.stop_s) == (at("2026-06-02 21:00"), at("2026-06-03 06:00"))


def test_an_archive_that_ends_in_the_night_says_so(nights: ModuleType, tmp_path: Path) -> None:
    one = night(nights, tmp_path, "2026-06-01 22:30", 60)
    found = default_range(one.archive, [one.name], ZONE)
    assert found.start_s == at("2026-06-01 22:30")
    assert found.stop_s == at("2026-06-01 23:30")
    first, second = found.limits
    assert "opened at 21:00" in first and "begins at 22:30" in first
    assert "open until 06:00" in second and "ends at 23:29" in second


def test_a_night_that_was_missed_from_its_beginning_is_still_that_night(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = nights.Night(tmp_path, start_s=at("2026-06-01 21:00"), every_s=60.0, when=WINDOW)
    one.run(540, lambda number: None if number < 300 else one.noise())
    found = default_range(one.archive, [one.name], ZONE)
    assert (found.start_s, found.stop_s) == (at("2026-06-01 21:00"), at("2026-06-02 06:00"))


def test_without_a_window_it_is_all_or_the_last_day(nights: ModuleType, tmp_path: Path) -> None:
    always = '{ every = "1 min" }'
    short = night(nights, tmp_path / "short", "2026-06-01 12:00", 60, when=always)
    found = default_range(short.archive, [short.name], ZONE)
    assert found.start_s == at("2026-06-01 12:00")
    assert found.stop_s == at("2026-06-01 13:00")
    long = night(nights, tmp_path / "long", "2026-06-01 12:00", 26 * 60, when=always)
    found = default_range(long.archive, [long.name], ZONE)
    assert found.stop_s - found.start_s == DAY_S
    assert found.stop_s == at("2026-06-02 14:00")


def test_an_archive_without_plans_is_taken_as_it_is(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(30, lambda number: one.noise(), plan=False)
    found = default_range(one.archive, [one.name], ZONE)
    assert found.start_s == one.start_s
    assert found.stop_s == one.start_s + 291.0


def test_nothing_at_all_is_an_empty_range(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(1, lambda number: one.noise())
    assert extent_s(one.archive, "other") is None
    found = default_range(one.archive, ["other"], ZONE)
    assert found.start_s == found.stop_s


@pytest.mark.parametrize("seal", [True, False])
def test_the_extent_is_that_of_sweeps_and_gaps(
    nights: ModuleType, tmp_path: Path, seal: bool
) -> None:
    one = nights.Night(tmp_path)
    one.run(
        20, lambda number: one.noise(), seal=seal, gap=(one.start_s - 50.0, one.start_s - 10.0, 5)
    )
    assert extent_s(one.archive, one.name) == (one.start_s - 50.0, one.start_s + 190.5)


def test_a_time_of_the_clock_is_the_last_one_before() -> None:
    near_s = at("2026-06-02 06:00")
    assert moment_in("21:00", ZONE, near_s) == at("2026-06-01 21:00")
    assert moment_in("06:00", ZONE, near_s) == near_s
    assert moment_in("21:00:30", ZONE, near_s) == at("2026-06-01 21:00:30")


def test_the_end_of_a_range_is_the_first_such_time_after_its_begin() -> None:
    start_s, near_s = at("2026-06-01 21:00"), at("2026-06-04 12:00")
    assert moment_in("06:00", ZONE, near_s, after_s=start_s) == at("2026-06-02 06:00")
    assert moment_in("22:00", ZONE, near_s, after_s=start_s) == at("2026-06-01 22:00")
    assert moment_in("21:00", ZONE, near_s, after_s=start_s) == at("2026-06-02 21:00")


def test_the_end_of_a_range_over_the_change_of_the_clock() -> None:
    start_s = at("2026-10-24 21:00")
    assert moment_in("21:00", ZONE, start_s, after_s=start_s) == at("2026-10-25 21:00")
    assert moment_in("06:00", ZONE, start_s, after_s=start_s) == at("2026-10-25 06:00")


def test_a_moment_with_a_date_is_itself() -> None:
    utc_s = datetime(2026, 6, 1, 21, tzinfo=UTC).timestamp()
    assert moment_in("2026-06-01T21:00Z", ZONE, 0.0) == utc_s
    assert moment_in("2026-06-01T22:00", ZONE, 0.0, after_s=5.0) == utc_s
    assert moment_in("2026-06-01 22:00", ZONE, 0.0) == utc_s


@pytest.mark.parametrize("text", ["", "nine", "25:00", "21:60", "2026-06-31", "21"])
def test_what_is_no_moment_is_refused_in_one_line(text: str) -> None:
    with pytest.raises(WrongUsage, match="expected 21:05") as caught:
        moment_in(text, ZONE, 0.0, after_s=1.0)
    assert "\n" not in str(caught.value)
