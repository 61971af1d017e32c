"""A night in which nobody heard for a while, as its report tells it, from the archive alone."""

from __future__ import annotations

from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.archive.records import SweepRecord
from acqd.report.gather import gather
from acqd.report.occupancy import Occupancy
from acqd.report.shapes import JobReport
from acqd.report.source import JobSource
from acqd.report.spells import deafness_of
from acqd.station.replay import Replay
from acqd.station.replay_check import Check

COUNT = 1080
"""Three hours, every 10 s."""
OFF = range(340, 700)
"""The cable is off from 21:56:40 to 22:56:40 UTC; the beacon, every minute, was heard at 21:56."""
HEARD_LAST, HEARD_AGAIN = 336, 702

WITNESS = """
[[job.marine-vhf.witness]]
frequency = "156.85 MHz"
within = "10 min"
"""


@pytest.fixture(scope="module")
def night(nights: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    one = nights.Night(tmp_path_factory.mktemp("deaf"), band=nights.BAND + WITNESS)

    def make(number: int) -> Any:
        level = one.noise()
        if number in OFF:
            return level
        if number % 6 == 0:
            level = one.with_carrier(level, 156.85e6, -80.0)
        return one.with_carrier(level, 156.8e6, -85.0) if number % 7 == 0 else level

    return one.run(COUNT, make)


@pytest.fixture(scope="module")
def report(night: Any) -> JobReport:
    (job,) = gather(night.root).jobs
    return job


def at_s(night: Any, number: int) -> float:
    return float(night.start_s + 10.0 * number)


def test_the_time_is_a_spell_and_no_listening_time(night: Any, report: JobReport) -> None:
    """From after the last call to the first one heard again."""
    deaf = HEARD_AGAIN - HEARD_LAST - 1
    assert report.coverage.stored == COUNT
    assert report.coverage.listened == COUNT - deaf
    (spell,) = report.spells
    assert (spell.what, spell.is_listening, spell.sweeps) == ("deaf", False, deaf)
    assert spell.from_s == at_s(night, HEARD_LAST + 1)
    assert spell.to_s == at_s(night, HEARD_AGAIN - 1) + 0.5
    assert spell.text.startswith("deaf: nothing was heard of any witness, ")
    assert any(f"{deaf} sweeps did not listen" in one for one in report.limits)


def test_the_findings_say_since_when_and_by_what(night: Any, report: JobReport) -> None:
    deaf, again = (one for one in report.findings if one.what in ("deaf", "hears_again"))
    assert deaf.at_s == deaf.figures["from_s"] == at_s(night, HEARD_LAST)
    assert 600.0 <= deaf.figures["unnoticed_s"] <= 620.0
    assert again.at_s == at_s(night, HEARD_AGAIN)


def test_hours_are_counted_as_they_were_heard(night: Any) -> None:
    """The first one had turned before anybody knew; it is corrected by the one after it."""
    archive = night.archive
    told = archive.hourly(night.name)
    source = JobSource(
        archive, night.name, start_s=night.start_s, stop_s=at_s(night, COUNT), zone="UTC"
    )
    (_, second, *_) = told
    assert [one["hour_start_s"] for one in second.figures["corrects"]] == [told[0].hour_start_s]
    assert told[0].figures["listened"] == 360
    figures = [one.figures for one in source.hours][:2]
    assert [one["listened"] for one in figures] == [HEARD_LAST + 1, 720 - HEARD_AGAIN]
    assert [one["stored"] for one in figures] == [360, 360]
    busy = sum(number % 7 == 0 for number in range(HEARD_LAST + 1))
    (channel,) = [one for one in source.hours[0].figures["channels"] if one["channel"] == "16"]
    assert (channel["hits"], channel["visits"]) == (busy, HEARD_LAST + 1)


def test_occupancy_is_of_what_was_heard(night: Any, report: JobReport) -> None:
    """The table of the range counts the same sweeps."""
    heard = [n for n in range(COUNT) if not HEARD_LAST < n < HEARD_AGAIN]
    share = sum(n % 7 == 0 for n in heard) / len(heard)
    tables = [table for section in report.sections for table in section.tables]
    rows = [row for table in tables for row in table.rows if row and str(row[0]) == "16"]
    numbers = [cell for row in rows for cell in row if isinstance(cell, float)]
    assert any(np.isclose(cell, share, atol=5e-4) or np.isclose(cell, 100 * share, atol=0.05)
               for cell in numbers)  # fmt: skip


def test_an_hour_that_is_not_corrected_yet_is_counted_from_its_sweeps(night: Any) -> None:
    """A report in the hour in which it was noticed: the hour before was told as if listened to."""
    source = JobSource(
        night.archive, night.name, start_s=night.start_s, stop_s=at_s(night, 500), zone="UTC"
    )
    source.hours = tuple(night.archive.hourly(night.name)[:1])
    occupancy = Occupancy(source)
    for block in source.blocks():
        occupancy.take(block)
    edges_s, (hour, *_) = occupancy.by_hour()
    assert edges_s[0] == source.hours[0].hour_start_s
    at = [channel.name for channel in occupancy.channels].index("16")
    assert hour.visits[at] == HEARD_LAST + 1 < source.hours[0].figures["listened"]


def test_a_replay_says_the_same(night: Any) -> None:
    """Every summary, hour and finding, bit for bit."""
    check = Check(same_place=True)
    for told in Replay(archive=night.archive, job=night.name).run():
        check.take(told)
    assert check.is_exact, check.differ
    assert (check.sweeps, check.findings > 2) == (COUNT, True)


def test_a_deafness_that_began_before_the_range_is_known_in_it(night: Any) -> None:
    source = JobSource(
        night.archive, night.name, start_s=at_s(night, 500), stop_s=at_s(night, 600), zone="UTC"
    )
    (one,) = deafness_of(source)
    assert (one.from_s, one.to_s) == (at_s(night, HEARD_LAST), at_s(night, HEARD_AGAIN))
    assert source.deaf.all()
    assert source.coverage.listened == 0


def test_summaries_say_why_from_when_it_was_noticed(night: Any) -> None:
    kept = [one for one in night.archive.events(night.name) if isinstance(one, SweepRecord)]
    told = [one.summary["not_listening"] for one in kept if one.summary]
    noticed = HEARD_LAST + 61
    assert told[noticed - 1] is None
    assert told[noticed].startswith("deaf: nothing of 156.850 MHz (within 10 min)")
    assert told[HEARD_AGAIN] is None
