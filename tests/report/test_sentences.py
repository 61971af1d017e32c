"""Sentences that stand on every page: in words that people use, and the same at every place."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.report.gather import gather
from acqd.report.kinds.carrier import _allan_ends as allan_ends
from acqd.report.kinds.common import judgement_table, shown_verdict
from acqd.report.page_words import share_text
from acqd.report.shapes import Sheet
from acqd.sweep import SweepFlag


def facts(of: Any) -> dict[str, str]:
    return {one.name: one.text for one in of.asked}


def test_a_share_is_cut_off_wherever_it_stands(nights: ModuleType, tmp_path: Path) -> None:
    """11 of 12 are 91.67 %: no place of a page rounds what another cuts off."""
    one = nights.Night(tmp_path)
    one.run(12, lambda number: None if number == 5 else one.noise())
    (job,) = gather(one.root).jobs
    assert "(91.6 %)" in job.headline
    assert share_text(job.coverage.fraction) == "91.6\u202f%"


def test_one_sweep_is_the_one_and_its_floor_is_told_once(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = nights.Night(tmp_path)
    one.run(1, lambda number: one.noise())
    (job,) = gather(one.root).jobs
    assert job.headline.startswith("Kept the one sweep that was due")
    (sheet,) = [chart for part in job.sections for chart in part.charts if isinstance(chart, Sheet)]
    assert sheet.floor is not None
    assert sheet.floor.statement.endswith(" dBm, by one sweep")


def test_rhythm_and_false_alarms_are_told_in_words(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path, every_s=600.0, when='{ every = "10 min" }')
    one.run(3, lambda number: one.noise())
    told = facts(gather(one.root).jobs[0])
    assert told["rhythm"] == "every 10 min"
    assert told["threshold by"] == "one false alarm in 10\u2009000\u2009000 points"


@pytest.mark.parametrize(
    ("value", "limit", "expanded", "shown"),
    [
        (1.0, 3.0, 0.0, ("1", "", "at most 3")),
        (0.5, 1.0, 0.0, ("0.50", "", "at most 1.00")),
        (1.0, 3.0, 0.5, ("1.00", "± 0.50", "at most 3.00")),
    ],
)
def test_a_count_has_neither_decimals_nor_an_uncertainty(
    value: float, limit: float, expanded: float, shown: tuple[str, str, str]
) -> None:
    row = {"figure": "findings", "value": value, "unit": "", "limit": limit, "side": "below",
           "expanded": expanded, "verdict": "pass", "text": "", "seq": None}  # fmt: skip
    (told,) = judgement_table([row], title="Each limit", sweeps=None).rows
    assert told[1:4] == shown


def test_names_of_several_limits_stay_in_the_rows_that_they_are_of() -> None:
    rows = [
        {"figure": f"harmonic {at}", "value": -20.0, "unit": "dBm", "limit": -36.0, "side": "below",
         "expanded": 1.0, "verdict": "fail", "text": f"above limit {name}", "seq": at}
        for at, name in ((2, "A, edition 1"), (3, "B, edition 2"))
    ]  # fmt: skip
    verdict = {"verdict": "fail", "text": "", "of": "pass", "at_s": 0.0,
               "against": ["A, edition 1", "B, edition 2"], "judgements": rows}  # fmt: skip
    shown = shown_verdict(verdict, sweeps=None)
    assert shown.judgements is not None
    assert [one[5] for one in shown.judgements.rows] == [one["text"] for one in rows]


def test_an_interval_that_says_nothing_has_no_upper_end() -> None:
    known = {"deviation": 2.0, "low": 1.0, "high": 199.0}
    assert allan_ends(known) == (2.0, 1.0, 199.0)
    assert allan_ends(known | {"high": 3e9}) == (2.0, 1.0, None)
    assert allan_ends({"deviation": None, "low": None, "high": None}) == (None, None, None)


def test_what_is_said_of_the_floor_is_what_its_curve_shows(
    nights: ModuleType, tmp_path: Path
) -> None:
    """Eight sweeps of a minute each that stick out change no median, and are told all the same."""
    one = nights.Night(tmp_path, every_s=60.0, when='{ every = "1 min" }')

    def level(number: int) -> Any:
        return one.noise(floor_dbm=-104.0 if number % 60 == 30 else -110.0)

    one.run(480, level)
    (job,) = gather(one.root).jobs
    (sheet,) = [chart for part in job.sections for chart in part.charts if isinstance(chart, Sheet)]
    strip = sheet.floor
    assert strip is not None
    said = strip.statement.partition("as medians of 10 min; single sweeps ")[2]
    lowest, highest = (float(end.replace("\u2212", "-")) for end in said.split(" to "))
    assert lowest <= np.nanmin(strip.value) + 0.05
    assert highest == pytest.approx(np.nanmax(strip.value), abs=0.05)
    assert highest > -104.0


def test_it_is_told_which_deaf_sweeps_the_occupancy_counts(
    nights: ModuleType, tmp_path: Path
) -> None:
    """A keyed one says nothing of a channel; in an overloaded one the meter judges it all the
    same."""
    one = nights.Night(tmp_path)
    flags = {3: SweepFlag.TRANSMITTING, 5: SweepFlag.OVERLOAD, 6: SweepFlag.OVERLOAD}

    def level(number: int) -> Any:
        return one.with_carrier(one.noise(), 156.8e6, -60.0)

    one.run(20, level, flags=lambda number: flags.get(number, SweepFlag(0)))
    (job,) = gather(one.root).jobs
    (table,) = [each for part in job.sections if part.key == "occupancy" for each in part.tables]
    assert [row[2] for row in table.rows if row[0] == "16"] == [19.0]
    assert "From 95.0 % of the due sweeps;" in table.note
    (told,) = [text for text in job.limits if "did not listen" in text]
    assert told.startswith("3 sweeps ") and "overloaded input count in the occupancy" in told
