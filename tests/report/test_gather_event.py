"""One finding's own sheet."""

from __future__ import annotations

from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.errors import WrongUsage
from acqd.report.gather import gather
from acqd.report.shapes import Report, Sheet, SpectrumChart, TrendChart

DAY_S = 86400.0


@pytest.fixture(scope="module")
def night(nights: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """Two hours with a signal outside the plan from sweep 240 to 269, a floor that rises at 500."""
    one = nights.Night(tmp_path_factory.mktemp("event"))

    def make(number: int) -> Any:
        level = one.noise()
        if 240 <= number < 270:
            level = one.with_carrier(level, 156.85e6, -70.0)
        return one.stepped(level + 4.0) if number >= 500 else level

    return one.run(720, make)


def of(night: Any, what: str) -> Report:
    record = next(one for one in night.archive.findings(night.name) if one.what == what)
    return gather(night.root, finding=record.number)


def section(report: Report, key: str) -> Any:
    return next(one for one in report.jobs[0].sections if one.key == key)


@pytest.mark.parametrize("what", ["signal_appeared", "signal_ended"])
def test_it_reaches_from_ten_minutes_before_to_ten_minutes_after(night: Any, what: str) -> None:
    report = of(night, what)
    assert report.start_s == night.start_s + 2400.0 - 600.0
    assert report.stop_s == night.start_s + 2690.0 + 600.0
    assert report.finding is not None
    assert report.finding.what == what
    assert report.finding.place is not None


def test_it_is_zoomed_in_on_the_frequency(night: Any) -> None:
    report = of(night, "signal_ended")
    (sheet,) = section(report, "sheet").charts
    assert isinstance(sheet, Sheet)
    figures = report.finding.figures if report.finding else {}
    half_hz = max(10.0 * figures["width_hz"], 50e3)
    assert sheet.row_edges_hz[0] == pytest.approx(156.85e6 - half_hz)
    assert sheet.row_edges_hz[-1] == pytest.approx(min(156.85e6 + half_hz, 157.001e6))
    assert np.isfinite(sheet.level).all()


def test_levels_before_during_and_after_are_those_of_the_sweeps(night: Any) -> None:
    (chart,) = section(of(night, "signal_ended"), "spectra").charts
    assert isinstance(chart, SpectrumChart)
    before, during, after = chart.lines
    levels = night.levels()
    inside = np.isin(night.axis_hz, during.x)
    np.testing.assert_allclose(during.y, levels[240:270, inside].max(axis=0), atol=1e-5)
    for line, part in ((before, levels[180:240]), (after, levels[270:329])):
        truth = np.percentile(part[:, inside], 50.0, axis=0, method="nearest")
        assert np.abs(line.y - truth).max() <= 0.05 + 1e-4
    assert before.sweeps is not None and during.sweeps is not None
    assert (before.sweeps.first_seq, before.sweeps.count) == (181, 60)
    assert (during.sweeps.first_seq, during.sweeps.count) == (241, 30)


def test_the_level_at_the_frequency_is_followed_sweep_by_sweep(night: Any) -> None:
    report = of(night, "signal_ended")
    (chart,) = section(report, "level").charts
    assert isinstance(chart, TrendChart)
    line = next(one for one in chart.lines if one.role == "now")
    width_hz = report.finding.figures["width_hz"] if report.finding else 0.0
    inside = np.abs(night.axis_hz - 156.85e6) <= width_hz
    here = [(one.at_s >= report.start_s) & (one.at_s < report.stop_s) for one in night.kept]
    truth = night.levels()[np.array(here)][:, inside].max(axis=1)
    np.testing.assert_allclose(line.y, truth, atol=1e-6)
    assert {one.role for one in chart.lines} == {"now", "threshold"}


def test_it_says_in_plain_words_what_happened(night: Any) -> None:
    report = of(night, "signal_ended")
    part = section(report, "what")
    facts = {row[0]: row[1] for row in part.tables[0].rows}
    assert facts["when"] == "1 June 2026, 22:40:00 (BST, UTC+1)"
    assert facts["in UTC"] == "2026-06-01 21:40:00"
    assert facts["how long"] == "5 min, known within 10 s"
    assert facts["where"] == "156.850 MHz"
    assert facts["how strong"].startswith("−68.0 dBm ± 1.8 dB (k = 2)")
    assert part.lead.startswith("Signal at 156.850 MHz busy 5 min")
    assert "synchronised in every sweep" in section(report, "clock").lead
    assert "All of them listened." in section(report, "watched").lead


def test_what_is_about_the_whole_range_shows_the_whole_range(night: Any) -> None:
    report = of(night, "floor_rose")
    (sheet,) = section(report, "sheet").charts
    assert sheet.row_edges_hz[0] < 156.6e6 < 157.0e6 < sheet.row_edges_hz[-1]
    facts = {row[0]: row[1] for row in section(report, "what").tables[0].rows}
    assert facts["where"] == "156.600 to 157.000 MHz"
    assert report.finding is not None
    assert report.finding.frequency_hz is None  # it is at no one frequency, and marked at none


def test_a_finding_that_is_not_there_is_refused(night: Any) -> None:
    last = max(one.number for one in night.archive.findings(night.name))
    with pytest.raises(WrongUsage, match=f"no finding 99; marine-vhf has 1 to {last}"):
        gather(night.root, finding=99)


def test_a_number_that_two_jobs_have_needs_the_job(nights: ModuleType, tmp_path: Path) -> None:
    for name in ("marine-vhf", "harbour"):
        one = nights.Night(tmp_path, name=name)
        one.run(40, lambda number, one=one: one.with_carrier(one.noise(), 156.85e6, -70.0))
    with pytest.raises(WrongUsage, match="--job"):
        gather(one.root, finding=1)
    assert gather(one.root, finding=1, jobs=["harbour"]).jobs[0].job == "harbour"


def test_earlier_nights_say_heard_not_heard_and_not_watched(
    nights: ModuleType, tmp_path: Path
) -> None:
    """The signal comes at the same hour on the third day and came on the first, not the second."""

    def make(one: Any, day: int) -> Any:
        def level(number: int) -> Any:
            made = one.noise()
            comes = day in (0, 2) and 60 <= number < 70
            return one.with_carrier(made, 156.85e6, -70.0 - day) if comes else made

        return level

    # One job over three days: its sweeps come in one run with nothing due in between.
    whole = nights.Night(tmp_path / "whole", every_s=30.0)
    days = int(DAY_S / 30.0)
    wanted = {day * days + number for day in (0, 1, 2) for number in range(120)}
    by_day = {day: make(whole, day) for day in (0, 1, 2)}

    due = sorted(wanted)
    start_s = whole.start_s
    times = {at: start_s + number * 30.0 for at, number in enumerate(due)}
    _run_at(whole, times, lambda at: by_day[due[at] // days](due[at] % days))
    found = [one for one in whole.archive.findings(whole.name) if one.what == "signal_ended"]
    report = gather(whole.root, finding=found[-1].number)
    part = section(report, "earlier")
    rows = part.tables[0].rows
    assert [row[0] for row in rows] == ["2 June 2026", "1 June 2026"]
    assert [row[1] for row in rows] == [0.0, 1.0]
    assert rows[1][3] == pytest.approx(-68.0, abs=0.1)
    assert "on 1 of the 2 days before" in part.lead


def _run_at(one: Any, times: dict[int, float], make: Any) -> None:
    """Sweeps at given times."""
    import asyncio

    async def run() -> None:
        writer = one.writer()
        runner = one.runner(writer)
        writer.begin([one.spec.feed.checkpoint(one.name, runner.state, next_finding=1)])
        try:
            for at, at_s in times.items():
                one.clock.at_s = at_s
                from acqd.sweep import SweepFlag

                await runner.keep([one._taken(at_s, make(at), SweepFlag(0), one.axis_hz)])
            await runner.settled(30.0)
        finally:
            writer.close((), seal=False)

    asyncio.run(run())
    one.plan()


SCENE = """\
seed = 7

[device.line]
kind = "pad"
loss = "3 dB"

[instrument.shack]
residuals = 0
source_min = "-40 dBm"
source_max = "0 dBm"
"""

FILTER = """\
[job.filter]
kind = "transmission"
sweeper = "shack"
start = "60 MHz"
stop = "180 MHz"
points = 101
rbw = "10 kHz"
attenuation = "10 dB"
source = { level = "-20 dBm" }
when = { every = "1 min" }
"""


def test_a_finding_of_another_kind_has_its_clock_and_its_coverage(
    watches: ModuleType, tmp_path: Path
) -> None:
    """A filter without a reference: the sheet of its kind, with what every sheet has."""
    watch = watches.Watch(tmp_path / "watch", SCENE, FILTER, source_path=("line",)).run(3)
    (found,) = watch.archive.findings("filter")
    assert found.what == "reference_refused"
    report = gather(watch.folder / "archive", finding=found.number)
    keys = [one.key for one in report.jobs[0].sections]
    assert keys[0] == "what"
    assert {"clock", "watched", "earlier"} <= set(keys)
    assert report.jobs[0].headline.rstrip(".").lower() == found.text.rstrip(".").lower()
