"""Self-tests in a report: charts, marks, limits and words, from an archive alone."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.selftests import KIND
from acqd.archive.writer import ArchiveWriter
from acqd.measure.selftest import Facts, TestFigure, loop_figure
from acqd.report.gather import gather
from acqd.report.page import html
from acqd.report.shapes import TrendChart
from acqd.report.sweepers import extent_of_tests_s, sweeper_reports
from acqd.sweep import Identity
from acqd.testing.clock import ManualClock

DAY_S = 86400.0
BEGIN_S = 1_800_000_000.0
ONE = Identity(maker="GANNET", model="LS-1", serial_number="GL0017", firmware="1.0")


def loop(frequency_hz: float, value: float) -> TestFigure:
    return loop_figure(
        [value, value + 0.01],
        -100.0,
        frequency_hz=frequency_hz,
        source_dbm=-30.0,
        loss_db=0.5,
        loss_uncertainty_db=0.3,
        facts=Facts(level_accuracy_db=1.5),
        source_accuracy_db=1.0,
    )


def body(day: float, *figures: TestFigure, identity: Identity = ONE, **more: Any) -> dict[str, Any]:
    at_s = BEGIN_S + day * DAY_S
    return {
        "sweeper": "mast",
        "test_s": at_s,
        "part": "source",
        "at_s": at_s,
        "identity": asdict(identity),
        "settings": {},
        "figures": [one.to_json() for one in figures],
        **more,
    }


@pytest.fixture
def archive(tmp_path: Path) -> Any:
    """Makes an archive of some tests and gives its folder."""

    def make(*tests: dict[str, Any]) -> Path:
        writer = ArchiveWriter.open(
            tmp_path / "archive",
            station="lookout",
            run_id="x",
            clock=ManualClock(wall_s=BEGIN_S),
            keep_free_bytes=0,
        )
        for one in tests:
            writer.add_overlay_now(KIND, body=one, who="ann", from_s=one.get("at_s", 0.0))
        writer.close((), seal=False)
        return tmp_path / "archive"

    return make


def chart_of(folder: Path) -> TrendChart:
    (sweeper,) = gather(folder).sweepers
    (chart,) = sweeper.sections[0].charts
    assert isinstance(chart, TrendChart)
    return chart


def test_loops_are_drawn_as_what_they_are_off_by(archive: Any) -> None:
    """A line a frequency, with U and the tolerance; the axis reaches over all tests."""
    values = (-30.5, -30.8, -30.1)
    folder = archive(
        *(
            body(7.0 * number, loop(145e6, value), loop(430e6, value - 1.0))
            for number, value in enumerate(values)
        )
    )
    chart = chart_of(folder)
    assert [line.name for line in chart.lines] == ["145.000 MHz", "430.000 MHz"]
    np.testing.assert_allclose(chart.lines[0].y, [0.005, -0.295, 0.405], atol=1e-6)
    low = chart.lines[0].low
    assert low is not None and bool((low < chart.lines[0].y).all())
    assert [one.level for one in chart.limits] == [2.5, -2.5]
    assert chart.marks == ()
    (sweeper,) = gather(folder).sweepers
    assert sweeper.start_s < BEGIN_S and sweeper.stop_s > BEGIN_S + 14 * DAY_S
    assert "3 tests of mast" in sweeper.sections[0].lead


def test_a_swap_a_move_and_a_failure_are_marked(archive: Any) -> None:
    """With what is new of the identity."""
    other = Identity(maker="GANNET", model="LS-1", serial_number="GL0099", firmware="1.1")
    folder = archive(
        body(0.0, loop(145e6, -30.5)),
        body(1.0, loop(145e6, -31.6), moved={"loop 145000000": "moved by −1.1 dB"}),
        body(2.0, loop(145e6, -50.0), identity=other),
    )
    chart = chart_of(folder)
    assert [mark.text for mark in chart.marks] == ["moved", "GL0099, firmware 1.1, fail"]
    (sweeper,) = gather(folder).sweepers
    lead = sweeper.sections[0].lead
    assert "serial number GL0099" in lead and "fail." in lead
    assert "2 identities answered" in lead
    rows = sweeper.sections[0].tables[1].rows
    assert [row[4] for row in rows] == ["fail", "pass, moved", "pass"]


def test_a_figure_that_was_not_seen_is_a_gap(archive: Any) -> None:
    """No line is drawn to what is not there."""
    folder = archive(
        body(0.0, loop(145e6, -30.5)), body(1.0, loop(145e6, -99.0)), body(2.0, loop(145e6, -30.5))
    )
    values = chart_of(folder).lines[0].y
    assert np.isfinite(values).tolist() == [True, False, True]


def test_of_many_frequencies_the_worst_are_drawn_and_all_are_listed(archive: Any) -> None:
    folder = archive(
        body(0.0, *(loop(number * 10e6, -30.5 - 0.1 * number) for number in range(1, 11)))
    )
    chart = chart_of(folder)
    assert [line.name for line in chart.lines] == [f"{n}0.000 MHz" for n in range(5, 11)]
    (sweeper,) = gather(folder).sweepers
    assert len(sweeper.sections[0].tables[0].rows) == 10


def test_tests_of_another_version_are_passed_over(archive: Any) -> None:
    """What cannot be read takes nothing else with it."""
    folder = archive({"at_s": 1.0, "odd": True}, body(0.0, loop(145e6, -30.5)))
    assert len(chart_of(folder).lines[0].y) == 1


def test_a_page_is_made_of_tests_alone(archive: Any) -> None:
    """Or of nothing at all; the range is that of the tests."""
    from acqd.archive.reader import open_archive

    folder = archive(body(0.0, loop(145e6, -30.5)), body(3.0, loop(145e6, -30.5)))
    report = gather(folder)
    assert report.start_s == BEGIN_S and report.stop_s == BEGIN_S + 3 * DAY_S + 60.0
    page = html(report)
    assert "Self-tests of mast" in page and "There is no job in this report" not in page
    assert page.count("<svg") == 2
    opened = open_archive(folder)
    assert extent_of_tests_s(opened) == (BEGIN_S, BEGIN_S + 3 * DAY_S)
    assert sweeper_reports(opened, zone="UTC", only=("bench",)) == ()


def test_an_archive_without_tests_says_nothing_of_sweepers(archive: Any) -> None:
    report = gather(archive())
    assert report.sweepers == ()
    assert "There is no job in this report" in html(report)
