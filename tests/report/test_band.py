"""What a report says of a night of band, against the same levels in plain numpy."""

from __future__ import annotations

import json
import math
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.archive.records import HourlyRecord, SweepRecord
from acqd.look.times import duration
from acqd.report.gather import gather
from acqd.report.kinds import parts_of
from acqd.report.picture import TimeBins
from acqd.report.shapes import HeatChart, JobReport, Section, Sheet, SpectrumChart, Table
from acqd.sweep import SweepFlag

COUNT = 1200
GAP = range(400, 460)
KEYED = range(200, 205)
LOUD = range(300, 303)
UNPLANNED = range(100, 150)
ROSE = 900


@pytest.fixture(scope="module")
def night(nights: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Any:
    """3 h 20 min: channel 16 in every seventh sweep, 156.85 MHz for a while, the sweeper away, the
    own transmitter keyed, an overload, and a floor that rises by 3 dB."""
    one = nights.Night(tmp_path_factory.mktemp("night"))

    def make(number: int) -> Any:
        if number in GAP:
            return None
        level = one.noise()
        if number % 7 == 0:
            level = one.with_carrier(level, 156.8e6, -80.0)
        if number in UNPLANNED:
            level = one.with_carrier(level, 156.85e6, -85.0)
        return one.stepped(level + 3.0) if number >= ROSE else level

    def flags(number: int) -> SweepFlag:
        if number in KEYED:
            return SweepFlag.TRANSMITTING
        return SweepFlag.OVERLOAD if number in LOUD else SweepFlag(0)

    return one.run(COUNT, make, flags=flags)


@pytest.fixture(scope="module")
def report(night: Any) -> JobReport:
    (job,) = gather(night.root).jobs
    return job


def section(report: JobReport, key: str) -> Section:
    return next(one for one in report.sections if one.key == key)


def sheet_of(report: JobReport) -> Sheet:
    (found,) = section(report, "sheet").charts
    assert isinstance(found, Sheet)
    return found


def table_of(report: JobReport, key: str) -> Table:
    (found,) = section(report, key).tables
    return found


def listened(night: Any) -> list[Any]:
    spoilt = SweepFlag.TRANSMITTING | SweepFlag.OVERLOAD | SweepFlag.REPEATED
    return [one for one in night.kept if not one.flags & spoilt]


# --- the sheet ------------------------------------------------------------------------------------


def test_each_cell_is_the_highest_level_of_its_column_and_row(
    night: Any, report: JobReport
) -> None:
    sheet = sheet_of(report)
    levels = night.levels()
    at_s = np.array([one.at_s for one in night.kept])
    assert sheet.level.shape == (900, 201)
    for column in range(0, 900, 7):
        low_s, high_s = sheet.column_edges_s[column : column + 2]
        mine = levels[(at_s >= low_s) & (at_s < high_s)]
        if not len(mine):
            assert np.isnan(sheet.level[column]).all()
            continue
        for row in range(0, 201, 9):
            low_hz, high_hz = sheet.row_edges_hz[row : row + 2]
            inside = (night.axis_hz >= low_hz) & (night.axis_hz < high_hz)
            assert sheet.level[column, row] == pytest.approx(mine[:, inside].max(), abs=1e-4)


def test_a_gap_stays_a_gap_and_no_other_column_is_empty(night: Any, report: JobReport) -> None:
    sheet = sheet_of(report)
    empty = np.isnan(sheet.level).all(axis=1)
    middle_s = (sheet.column_edges_s[1:] + sheet.column_edges_s[:-1]) / 2.0
    (gap,) = report.gaps
    assert gap.from_s == night.start_s + 4000.0
    assert gap.to_s == night.start_s + 4600.0
    assert gap.count == 60
    assert gap.text == "mast away 10 min"
    inside = (middle_s > gap.from_s + 20.0) & (middle_s < gap.to_s - 14.0)
    assert empty[inside].all()
    assert not empty[(middle_s < gap.from_s) | (middle_s > gap.to_s)].any()


def test_the_colours_span_the_noise_and_what_stands_out(report: JobReport) -> None:
    sheet = sheet_of(report)
    known = sheet.level[np.isfinite(sheet.level)]
    assert np.percentile(known, 1.0) - 4.0 < sheet.colour_low < np.percentile(known, 10.0)
    assert sheet.colour_high >= sheet.colour_low + 20.0


def test_the_threshold_is_the_median_of_the_sweeps_that_listened(
    night: Any, report: JobReport
) -> None:
    column = night.archive.sweeps(night.name)["threshold_dbm"].values
    spoilt = np.array([bool(one.flags) for one in night.kept])
    assert sheet_of(report).threshold == float(np.median(column[~spoilt]))


def test_what_was_heard_is_named_where_it_is(report: JobReport) -> None:
    assert sheet_of(report).marked_hz == ((156.8e6, "16"), (156.85e6, "156.850 MHz"))
    assert [name for _, _, name in sheet_of(report).channel_edges] == ["12", "16", "67"]


def test_a_strip_says_which_range_it_is_about_and_never_bridges_a_gap(
    night: Any, report: JobReport
) -> None:
    strip = sheet_of(report).floor
    assert strip is not None
    assert "156.600 to 157.000 MHz" in strip.statement
    gap = (strip.at_s > night.start_s + 4020.0) & (strip.at_s < night.start_s + 4586.0)
    assert np.isnan(strip.value[gap]).all()
    assert np.isfinite(strip.value[strip.at_s < night.start_s + 1990.0]).all()


def test_the_floor_of_a_column_is_the_median_of_its_sweeps(night: Any, report: JobReport) -> None:
    strip, sheet = sheet_of(report).floor, sheet_of(report)
    assert strip is not None
    data = night.archive.sweeps(night.name)
    at_s, floor = data["started"].values, data["floor_dbm"].values.copy()
    floor[[bool(one.flags) for one in night.kept]] = np.nan
    for column in (0, 17, 230, 620, 899):
        low_s, high_s = sheet.column_edges_s[column : column + 2]
        mine = floor[(at_s >= low_s) & (at_s < high_s)]
        assert strip.value[column] == pytest.approx(np.nanmedian(mine), abs=1e-9)


def test_a_picture_of_few_sweeps_fills_what_lies_between_two_of_them() -> None:
    bins = TimeBins(0.0, 100.0, 10.0)
    assert len(bins) == 10
    took_s = np.full(6, 0.5)
    # The one due at 30 s comes a moment early, into the column of the one before.
    early_s = np.array([0.0, 11.0, 20.2, 29.9, 40.0, 50.0])
    assert bins.holders(early_s, took_s).tolist() == [-1, -1, -1, 2, -1, -1, -1, -1, -1, -1]
    # Those due at 50 and 60 s do not come at all.
    missed_s = np.array([0.0, 10.0, 20.0, 30.5, 40.0, 70.0])
    assert bins.holders(missed_s, took_s).tolist() == [-1] * 10


# --- spectra --------------------------------------------------------------------------------------


def test_spectra_are_those_of_the_levels(night: Any, report: JobReport) -> None:
    (chart,) = section(report, "spectra").charts
    assert isinstance(chart, SpectrumChart)
    levels = night.levels(listened(night))
    lines = {line.role: line for line in chart.lines}
    np.testing.assert_allclose(lines["held"].y, levels.max(axis=0), atol=1e-5)
    np.testing.assert_allclose(lines["low"].y, levels.min(axis=0), atol=1e-5)
    mean = 10.0 * np.log10((10.0 ** (levels / 10.0)).mean(axis=0))
    np.testing.assert_allclose(lines["mean"].y, mean, atol=1e-6)
    middle = lines["now"]
    assert middle.low is not None and middle.high is not None
    for curve, share in ((middle.low, 10.0), (middle.y, 50.0), (middle.high, 90.0)):
        truth = np.percentile(levels, share, axis=0, method="nearest")
        assert np.abs(curve - truth).max() <= 0.05 + 1e-4
    assert chart.sweeps is not None
    assert chart.sweeps.count == len(levels)


def test_percentiles_of_a_coarse_scale_are_exact(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path, step=0.5)
    one.run(60, lambda number: one.noise(averages=1))
    (job,) = gather(one.root).jobs
    (chart,) = section(job, "spectra").charts
    middle = next(line for line in chart.lines if line.role == "now")
    assert middle.high is not None
    truth = np.percentile(one.levels(), 90.0, axis=0, method="nearest")
    np.testing.assert_allclose(middle.high, truth, atol=1e-9)
    assert "exact" in section(job, "spectra").lead


def test_levels_carry_their_uncertainty(report: JobReport) -> None:
    # Limits of ± 1.5 dB and of 0.3 dB together, taken as rectangular, k = 2.
    u_db = 2.0 * math.hypot(1.5, 0.3) / math.sqrt(3.0)
    assert sheet_of(report).level_u == pytest.approx(u_db)
    assert "± 1.8 dB (k = 2)" in next(one for one in report.asked if one.name == "levels at").text


# --- occupancy ------------------------------------------------------------------------------------


def busy_by_hand(night: Any, start_s: float, stop_s: float) -> tuple[int, int]:
    """Visits and busy ones of channel 16, whose levels nothing else comes near."""
    inside = np.abs(night.axis_hz - 156.8e6) < 12.5e3
    threshold = night.archive.sweeps(night.name)["threshold_dbm"].values
    visits = hits = 0
    for one, opening in zip(night.kept, threshold, strict=True):
        if start_s <= one.at_s < stop_s and not one.flags & SweepFlag.TRANSMITTING:
            visits += 1
            hits += bool((one.level[inside].astype(float) + 2.0 > opening).any())
    return visits, hits


def test_occupancy_of_the_range_is_what_was_counted(night: Any, report: JobReport) -> None:
    (row,) = table_of(report, "occupancy").rows
    visits, hits = busy_by_hand(night, 0.0, math.inf)
    assert row[:4] == ("16", 156.8, visits, hits)
    share, low, high = (float(one) / 100.0 for one in row[4:7])
    assert share == pytest.approx(hits / visits)
    assert low < share < high
    assert "2 channels of the plan never busy" in table_of(report, "occupancy").note


def test_whole_hours_are_as_the_meter_told_them(night: Any, report: JobReport) -> None:
    heat = sheet_of(report).occupancy
    assert isinstance(heat, HeatChart)
    assert heat.rows == ("16",)
    hours = {one.hour_start_s: one for one in night.archive.hourly(night.name)}
    assert len(hours) == 3
    for at, begin_s in enumerate(heat.column_edges_s[:-1].tolist()):
        if begin_s not in hours:
            continue
        (told,) = [one for one in hours[begin_s].figures["channels"] if one["channel"] == "16"]
        assert heat.share[0, at] == told["fco"]
        assert heat.low[0, at] == told["fco_dependent_low"]
        assert heat.high[0, at] == told["fco_dependent_high"]


def test_counting_from_sweeps_gives_what_the_meter_counted(night: Any) -> None:
    from acqd.report.occupancy import Occupancy

    source = night.source()
    counted = Occupancy(source)
    for block in source.blocks():
        counted.take(block)
    for hour in source.hours:
        counts = counted.counts(hour.hour_start_s, hour.hour_start_s + 3600.0)
        told = hour.figures["channels"]
        assert counts.hits.tolist() == [one["hits"] for one in told]
        assert counts.visits.tolist() == [one["visits"] for one in told]


def test_hours_that_the_range_cuts_are_counted_from_their_sweeps(night: Any) -> None:
    start_s, stop_s = night.start_s + 1800.0, night.start_s + 9000.0
    (job,) = gather(night.root, start_s=start_s, stop_s=stop_s).jobs
    heat = sheet_of(job).occupancy
    assert heat is not None
    edges_s = heat.column_edges_s
    assert edges_s.tolist() == [
        start_s, night.start_s + 3600.0, night.start_s + 7200.0, stop_s,
    ]  # fmt: skip
    for at in (0, 2):
        visits, hits = busy_by_hand(night, edges_s[at], edges_s[at + 1])
        assert heat.share[0, at] == pytest.approx(hits / visits)
    (row,) = table_of(job, "occupancy").rows
    assert (row[2], row[3]) == busy_by_hand(night, start_s, stop_s)


def test_a_strong_neighbour_makes_no_channel_busy(nights: ModuleType, tmp_path: Path) -> None:
    """A carrier between two channels: its skirt reaches both, and both are as the meter counts."""
    one = nights.Night(tmp_path)

    def make(number: int) -> Any:
        if number % 2:
            return one.with_carrier(one.noise(), 156.8145e6, -40.0)
        return one.with_carrier(one.noise(), 156.8e6, -80.0 if number % 10 == 0 else -140.0)

    one.run(360, make)
    (hour,) = one.source().hours
    heat_rows = table_of(gather(one.root).jobs[0], "occupancy").rows
    by_name = {row[0]: row[3] for row in heat_rows}
    for told in hour.figures["channels"]:
        assert by_name.get(told["channel"], 0) == told["hits"]
        if told["channel"] == "16":
            assert told["hits"] == 36
            assert told["hits_with_neighbours"] == 36 + 180


# --- what was heard, and missed -------------------------------------------------------------------


def test_signals_are_put_together_from_what_was_told(night: Any, report: JobReport) -> None:
    rows = {row[1]: row for row in table_of(report, "signals").rows}
    channel, other = rows[156.8], rows[156.85]
    calls = [
        number for number in range(0, COUNT, 7)
        if number not in GAP and number not in KEYED
    ]  # fmt: skip
    assert channel[0] == "16"
    assert channel[4] == len(calls)
    assert channel[5] == duration(10.0 * len(calls))
    assert other[0] == ""
    assert other[2:6] == ("22:16:40", "22:24:50", 1.0, "8 min 20 s")
    peak = max(one.level[125] for one in night.kept[100:150])
    assert other[6] == pytest.approx(float(peak) + 2.0, abs=1e-4)


def test_a_signal_that_was_up_before_and_is_still_up_counts_with_its_part(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = nights.Night(tmp_path)
    one.run(120, lambda number: one.with_carrier(one.noise(), 156.85e6, -80.0))
    start_s = one.start_s + 600.0
    (job,) = gather(one.root, start_s=start_s, stop_s=start_s + 300.0).jobs
    (row,) = table_of(job, "signals").rows
    assert row[2:6] == ("22:10:00", "still up", 1.0, "4 min 50 s")


def test_what_could_have_been_missed_is_what_the_summaries_say(
    night: Any, report: JobReport
) -> None:
    kept = [one for one in night.archive.events(night.name) if isinstance(one, SweepRecord)]
    spoilt = SweepFlag.TRANSMITTING | SweepFlag.OVERLOAD
    told = [one.summary for one in kept if not one.flags & spoilt]
    surely = [one["shortest_surely_caught_s"] for one in told if one]
    weakest = [one["weakest_level_seen_dbm"] for one in told if one]
    rows = {row[0]: row[1] for row in table_of(report, "missed").rows}
    worst = "shortest transmission surely caught, at worst"
    assert rows[worst] == max(one for one in surely if one is not None)
    assert rows["weakest steady carrier seen in 95 % of the sweeps"] == np.median(weakest)
    note = table_of(report, "missed").note
    assert note.startswith(f"{surely.count(None)} of {len(told):,} sweeps ".replace(",", "\u2009"))


def test_the_headline_is_a_sentence(report: JobReport) -> None:
    assert report.headline.startswith("Kept 1\u2009140 of 1\u2009200 sweeps (95.0 %); channel 16")
    assert "floor rose" in report.headline
    assert report.headline.endswith(".")


def test_what_did_not_listen_is_told_and_in_no_figure(night: Any, report: JobReport) -> None:
    assert report.coverage.stored == 1140
    assert report.coverage.listened == 1140 - len(KEYED) - len(LOUD)
    spells = {one.what: one for one in report.spells}
    assert set(spells) == {"transmitting", "overload"}
    assert not spells["transmitting"].is_listening
    assert spells["transmitting"].sweeps == 5
    assert spells["transmitting"].from_s == night.start_s + 2000.0
    assert spells["transmitting"].to_s == night.start_s + 2040.5
    assert spells["transmitting"].text == "own transmitter keyed, 40 s (5 sweeps)"
    assert any("8 sweeps did not listen" in one for one in report.limits)


# --- nights that are not whole --------------------------------------------------------------------


def test_a_night_of_one_sweep_says_what_it_can(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(1, lambda number: one.with_carrier(one.noise(), 156.8e6, -80.0))
    (job,) = gather(one.root).jobs
    sheet = sheet_of(job)
    assert np.isfinite(sheet.level).any()
    np.testing.assert_allclose(sheet.highest, one.levels()[0], atol=1e-5)
    np.testing.assert_allclose(sheet.median, sheet.highest, atol=0.051)
    assert job.coverage.stored == job.coverage.due == 1
    (row,) = table_of(job, "occupancy").rows
    assert row[:5] == ("16", 156.8, 1.0, 1.0, 100.0)
    assert row[5] is None  # one visit says nothing of how long a channel stays as it is


def test_a_night_with_half_of_it_missing(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(400, lambda number: None if number >= 200 else one.noise(), reason="station down")
    (job,) = gather(one.root).jobs
    assert job.coverage.fraction == 0.5
    assert dict(job.coverage.missed) == {"station down": 200}
    assert np.isnan(sheet_of(job).level).all(axis=1).mean() == pytest.approx(0.5, abs=0.01)
    assert "50.0 %" in job.headline


def test_sweeps_without_any_level_are_no_error(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(5, lambda number: np.full(one.points, np.nan, dtype=np.float32))
    (job,) = gather(one.root).jobs
    assert any("Every level of these sweeps is missing" in text for text in job.limits)
    assert job.coverage.stored == 5
    assert "not_finite" in {spell.what for spell in job.spells}


def test_missing_levels_hide_no_others(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)

    def make(number: int) -> Any:
        level = one.noise()
        level[number::10] = np.nan
        return level

    one.run(40, make)
    (job,) = gather(one.root).jobs
    levels = one.levels()
    lines = {line.role: line for line in section(job, "spectra").charts[0].lines}
    np.testing.assert_allclose(lines["held"].y, np.nanmax(levels, axis=0), atol=1e-5)
    mean = 10.0 * np.log10(np.nanmean(10.0 ** (levels / 10.0), axis=0))
    np.testing.assert_allclose(lines["mean"].y, mean, atol=1e-6)


def test_a_setup_that_changed_in_the_night_is_told(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    moved = one.axis_hz + 100e3
    one.run(
        60,
        lambda number: one.noise(),
        axis_hz=lambda number: one.axis_hz if number < 40 else moved,
    )
    (job,) = gather(one.root).jobs
    assert any("The setup changed" in text for text in job.limits)
    first, second = section(job, "spectra").charts
    assert first.lines[0].x[0] == one.axis_hz[0]
    assert second.lines[0].x[0] == moved[0]
    np.testing.assert_allclose(second.lines[0].y, one.levels()[40:].max(axis=0), atol=1e-5)
    sheet = sheet_of(job)
    assert sheet.row_edges_hz[-1] > moved[-1]
    assert np.isnan(sheet.level[0, -1]) and np.isfinite(sheet.level[-1, -1])


def test_a_job_without_a_channel_plan(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path, band="false_alarm = 1e-7\n")
    one.run(30, lambda number: one.with_carrier(one.noise(), 156.8e6, -80.0))
    (job,) = gather(one.root).jobs
    assert "occupancy" not in {part.key for part in job.sections}
    assert any("no channel plan" in text for text in job.limits)
    assert sheet_of(job).marked_hz == ((156.8e6, "156.800 MHz"),)


def test_a_plan_of_many_channels_is_counted_channel_by_channel(
    nights: ModuleType, tmp_path: Path
) -> None:
    """More than are counted at a time, and no multiple of eight of them."""
    fine = (
        'title = "Fine"\nedition = "made for this"\nsource = "made for this"\n[[raster]]\n'
        'name = "{mhz:4}"\nfirst = "156.604 MHz"\nstep = "4 kHz"\ncount = 99\nwidth = "4 kHz"\n'
    )
    one = nights.Night(tmp_path, channels=fine)
    calls = {150: 156.604e6, 151: 156.860e6, 152: 156.996e6}
    one.run(
        240,
        lambda number: one.with_carrier(
            one.noise(), calls[150 + number % 3], -95.0 if number % 4 == 0 else -150.0
        ),
    )
    (job,) = gather(one.root).jobs
    rows = {row[0]: row[2:4] for row in table_of(job, "occupancy").rows}
    assert {name: rows[name] for name in ("156.6040", "156.8600", "156.9960")} == {
        "156.6040": (240.0, 20.0),
        "156.8600": (240.0, 20.0),
        "156.9960": (240.0, 20.0),
    }


def test_a_floor_that_is_learnt_leaves_cut_hours_open(nights: ModuleType, tmp_path: Path) -> None:
    band = 'false_alarm = 1e-7\nchannels = "channels.toml"\nfloor = "learnt"\nlearn = "10 min"\n'
    one = nights.Night(tmp_path, band=band)
    one.run(
        500,
        lambda number: one.with_carrier(one.noise(), 156.8e6, -80.0 if number % 5 == 4 else -140),
    )
    (job,) = gather(one.root).jobs
    assert any("learnt" in text for text in job.limits)
    deaf = [spell for spell in job.spells if spell.what == "deaf"]
    assert len(deaf) == 1 and not deaf[0].is_listening
    assert job.coverage.listened == 500 - deaf[0].sweeps
    heat = sheet_of(job).occupancy
    assert heat is not None
    (hour,) = one.source().hours
    told = next(c for c in hour.figures["channels"] if c["channel"] == "16")
    assert heat.share[0, 0] == told["fco"]
    assert np.isnan(heat.share[0, 1])


def test_zero_span_is_one_row(nights: ModuleType, tmp_path: Path) -> None:
    """Points are moments of one frequency: the highest of a sweep is its cell."""
    one = nights.Night(tmp_path, band="false_alarm = 1e-7\n")
    still = np.full(one.points, 156.8e6)
    one.run(30, lambda number: one.noise(), axis_hz=lambda number: still)
    (job,) = gather(one.root).jobs
    sheet = sheet_of(job)
    assert sheet.level.shape == (30, 1)
    np.testing.assert_allclose(sheet.level[:, 0], one.levels().max(axis=1), atol=1e-4)


def test_hours_without_figures_are_no_error(nights: ModuleType, tmp_path: Path) -> None:
    """An hour that nothing was swept in has nothing to say."""
    one = nights.Night(tmp_path)
    one.run(3, lambda number: one.noise())
    source = one.source(stop_s=one.start_s + 7200.0)
    object.__setattr__(
        source, "hours", (HourlyRecord(job=one.name, hour_start_s=one.start_s, figures={}),)
    )
    found = parts_of(source)
    assert found.headline.startswith("Kept all 3 sweeps")


def test_contexts_stand_beside_the_sheet(nights: ModuleType, tmp_path: Path) -> None:
    from acqd.report.figures import context_section

    one = nights.Night(tmp_path)
    one.run(20, lambda number: one.noise())
    source = one.source()
    columns = dict(source.sweeps().columns)
    values = np.linspace(18.0, 21.8, 20)
    columns["context_shack"] = values
    object.__setattr__(source.sweeps(), "columns", columns)
    (found,) = context_section(source, TimeBins(source.start_s, source.stop_s, 10.0))
    (chart,) = found.charts
    np.testing.assert_allclose(chart.lines[0].y, values)
    assert "18.0 and 21.8" in chart.alt


def test_a_report_is_plain_data(report: JobReport) -> None:
    """Findings carry figures that JSON holds as they are."""
    for one in report.findings:
        assert json.loads(json.dumps(dict(one.figures))) == dict(one.figures)


def test_progress_never_goes_back_and_ends_at_the_last_sweep(night: Any) -> None:
    told: list[tuple[int, int]] = []

    def progress(done: int, total: int, text: str) -> None:
        told.append((done, total))

    gather(night.root, progress=progress)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    assert told[-1] == (1140, 1140)
