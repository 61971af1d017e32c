"""Gathering a report: what jobs share, what an archive says of itself, and odd archives."""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.archive.layout import ledger_path
from acqd.archive.ledger import Ledger
from acqd.archive.records import Batch, FindingRecord, GapRecord
from acqd.errors import ArchiveError, WrongUsage
from acqd.report.blocks import SweepReader
from acqd.report.gather import gather
from acqd.report.shapes import Sheet
from acqd.report.source import STATION, JobSource
from acqd.report.whose import whose
from acqd.sweep import SweepFlag


def plain(nights: ModuleType, folder: Path, count: int = 60, **given: Any) -> Any:
    one = nights.Night(folder, **given)
    return one.run(count, lambda number: one.noise())


def sheets(report: Any) -> list[Sheet]:
    return [
        chart
        for job in report.jobs
        for section in job.sections
        for chart in section.charts
        if isinstance(chart, Sheet)
    ]


def test_a_page_says_whose_it_is(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    report = gather(one.root, now_s=12.0)
    assert (report.station, report.title) == ("gannet-ledge", "Gannet Ledge Lookout")
    assert report.zone == "Europe/London"
    assert report.made_at_s == 12.0
    assert report.limits == ()
    assert gather(one.root, zone="Asia/Tokyo").zone == "Asia/Tokyo"


def test_an_older_archive_goes_by_its_plan_and_its_files(
    nights: ModuleType, tmp_path: Path
) -> None:
    from acqd.plan.downtime import plan_to_json

    one = nights.Night(tmp_path)
    one.run(10, lambda number: one.noise(), plan=False)
    found = whose(one.archive)
    assert (found.name, found.zone) == ("gannet-ledge", "UTC")
    assert "times are in UTC" in found.limits[0]
    ledger = Ledger(ledger_path(one.root))
    ledger.add_plan(plan_to_json([one.spec.planned], one.start_s), one.start_s)
    ledger.close()
    assert whose(one.archive).zone == "Europe/London"
    one.plan(time_zone="Mars/Olympus")
    found = whose(one.archive)
    assert found.zone == "UTC"
    assert "Mars/Olympus" in found.limits[0]


@pytest.mark.parametrize("finding", [None, 1])
def test_the_plane_is_named_with_one_article(
    nights: ModuleType, tmp_path: Path, finding: int | None
) -> None:
    """On the page, in its figures and captions, of a night and of one finding, and in plots."""
    from acqd.report.draw import svg
    from acqd.report.draw.plots import range_plot, sweeps_plot
    from acqd.report.page import html

    one = nights.Night(tmp_path)

    def level(number: int) -> Any:
        return one.noise() if number < 40 else one.with_carrier(one.noise(), 156.85e6, -70.0)

    one.run(60, level)
    report, source = gather(one.root, finding=finding), one.source()
    page = html(report)
    assert "levels in dBm at the aerial socket" in page
    for plotted in (range_plot(source), sweeps_plot(source, [3])):
        page += svg(plotted.chart, start_s=report.start_s, stop_s=report.stop_s, zone=report.zone)
        page += f" {plotted.about}"
    words = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", page))
    assert not re.search(r"\bthe the\b|\bat at\b", words)


def test_an_unknown_job_is_refused_with_those_there_are(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    with pytest.raises(WrongUsage, match="no job 'vhf' here; there is marine-vhf"):
        gather(one.root, jobs=["vhf"])
    with pytest.raises(ArchiveError, match="no archive here"):
        gather(tmp_path / "nowhere")
    with pytest.raises(WrongUsage, match="ends before it begins"):
        gather(one.root, start_s=one.start_s, stop_s=one.start_s - 1.0)


def test_an_empty_range_says_so(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    for jobs in (None, [one.name]):
        (job,) = gather(
            one.root, jobs=jobs, start_s=one.start_s - 7200.0, stop_s=one.start_s - 3600.0
        ).jobs
        assert job.limits[0] == "No sweep was kept in this time."
        assert job.coverage.due == 0
        assert "nothing was due" in job.headline.lower()
        assert job.kind == "band"
        assert job.files == ()


def test_coverage_is_that_of_the_archive(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    gap = (one.start_s - 1000.0, one.start_s - 10.0, 100)
    one.run(200, lambda number: None if 50 <= number < 80 else one.noise(), gap=gap)
    for start_s, stop_s in (
        (one.start_s - 2000.0, one.start_s + 2000.0),
        (one.start_s - 500.0, one.start_s + 600.0),
        (one.start_s + 555.0, one.start_s + 3000.0),
    ):
        told = one.archive.coverage(one.name, start_s, stop_s)
        (job,) = gather(one.root, start_s=start_s, stop_s=stop_s).jobs
        assert (job.coverage.stored, job.coverage.due) == (told.stored, told.due)
        assert job.coverage.missed == told.missed
        assert sum(one.count for one in job.gaps) == sum(told.missed.values())
        for shown in job.gaps:
            assert start_s <= shown.from_s <= shown.to_s <= stop_s


def test_a_gap_that_began_before_counts_with_its_share(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    one.run(10, lambda number: one.noise(), gap=(one.start_s - 1000.0, one.start_s - 10.0, 100))
    (job,) = gather(one.root, start_s=one.start_s - 500.0, stop_s=one.start_s + 100.0).jobs
    (gap,) = job.gaps
    assert (gap.from_s, gap.to_s, gap.count) == (one.start_s - 500.0, one.start_s, 50)
    assert gap.text == "mast away 8 min 20 s"


def test_gaps_of_one_reason_with_no_sweep_between_are_one(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = plain(nights, tmp_path, 10)
    end_s = one.start_s + 100.0
    with_gaps = one.writer()
    with_gaps.begin([])
    with_gaps.commit(
        Batch(
            gaps=tuple(
                GapRecord(job=one.name, from_s=at_s, to_s=at_s, count=1, reason=reason)
                for at_s, reason in (
                    (end_s, "overrun"),
                    (end_s + 10.0, "overrun"),
                    (end_s + 20.0, "paused"),
                    (end_s + 30.0, "overrun"),
                )
            )
        )
    ).result(10)
    with_gaps.close((), seal=False)
    (job,) = gather(one.root, start_s=one.start_s, stop_s=end_s + 60.0).jobs
    assert [(gap.reason, gap.count, gap.to_s - gap.from_s) for gap in job.gaps] == [
        ("overrun", 2, 20.0),
        ("paused", 1, 10.0),
        ("overrun", 1, 10.0),
    ]
    assert job.gaps[0].text == "2 sweeps left out: no time for them, 20 s"


def test_every_sweep_of_a_burst_was_due(nights: ModuleType, tmp_path: Path) -> None:
    """A burst of three is one pass and three due sweeps; a gap counts sweeps too."""
    one = nights.Night(tmp_path, burst=3, when='{ every = "10 s", burst = 3 }')
    one.run(60, lambda number: None if 30 <= number < 36 else one.noise())
    source = one.source(stop_s=one.start_s + 200.0)
    assert len(set(source.sweeps().pass_id.tolist())) == 18
    assert source.coverage.stored == 54
    assert source.coverage.due == 60
    report = gather(one.root, start_s=one.start_s, stop_s=one.start_s + 200.0)
    (job,) = report.jobs
    assert job.headline.startswith("Kept 54 of 60 sweeps (90.0 %)")
    # What lies between two bursts is no gap; where two bursts are missing is one.
    empty = np.isnan(sheets(report)[0].level).all(axis=1)
    assert np.flatnonzero(empty).tolist() == [10, 11]


def test_checksums_are_those_of_the_files(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    (job,) = gather(one.root).jobs
    assert job.files
    for name, digest in job.files:
        assert hashlib.sha256((one.root / name).read_bytes()).hexdigest() == digest
    assert job.limits == ()


def test_what_is_not_sealed_yet_has_no_checksum_and_all_else(
    nights: ModuleType, tmp_path: Path
) -> None:
    sealed = plain(nights, tmp_path / "sealed")
    fresh = nights.Night(tmp_path / "fresh")
    fresh.run(60, lambda number: sealed.kept[number].level, seal=False)
    (one,), (other,) = gather(sealed.root).jobs, gather(fresh.root).jobs
    assert [digest for _, digest in other.files] == [""]
    assert other.files[0][0].startswith("journals/")
    assert any("not sealed yet" in text for text in other.limits)
    np.testing.assert_array_equal(sheets(gather(sealed.root))[0].level,
                                  sheets(gather(fresh.root))[0].level)  # fmt: skip
    assert one.headline == other.headline


def test_the_archive_of_a_running_station_can_be_read(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    running = one.writer()
    running.begin([])
    try:
        (job,) = gather(one.root).jobs
        assert job.coverage.stored == 60
    finally:
        running.close((), seal=False)


def test_sweeps_are_read_once_each_while_files_are_sealed_under_them(
    nights: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one = plain(nights, tmp_path, 300)
    source = one.source()
    monkeypatch.setattr("acqd.report.blocks.ROWS_MOST", 40)
    seen: list[int] = []
    moved = False
    for block in source.blocks():
        seen += block.seq.tolist()
        if not moved:
            moved = True
            for path in one.root.rglob("*.nc"):
                path.rename(path.with_name(path.name.replace("segment", "volume")))
    assert seen == list(range(1, 301))


def test_blocks_hold_no_more_than_some_megabytes(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path, 700)
    sizes = [block.level.nbytes for block in one.source().blocks()]
    assert max(sizes) <= 8 << 20
    (block,) = one.source().blocks(only=(5, 7, 699))
    assert block.seq.tolist() == [5, 7, 699]
    np.testing.assert_allclose(block.level, one.levels()[[4, 6, 698]], atol=1e-9)


def test_figures_are_found_in_summaries_without_parsing_them(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = plain(nights, tmp_path)
    (block,) = one.source().blocks()
    parsed = [block.summary(at) for at in range(len(block))]
    for name in ("closing_dbm", "weakest_level_seen_dbm", "shortest_surely_caught_s", "listening"):
        wanted = [np.nan if one[name] is None else float(one[name]) for one in parsed if one]
        np.testing.assert_array_equal(block.figures(name), wanted)
    assert np.isnan(block.figures("no_such_figure")).all()


def test_several_jobs_share_one_scale_of_colours(nights: ModuleType, tmp_path: Path) -> None:
    quiet = plain(nights, tmp_path)
    loud = nights.Night(tmp_path, name="harbour")
    loud.run(60, lambda number: loud.noise(floor_dbm=-70.0))
    quiet.plan()
    report = gather(quiet.root)
    assert [job.job for job in report.jobs] == ["marine-vhf", "harbour"]
    second, first = sheets(report)
    assert (first.colour_low, first.colour_high) == (second.colour_low, second.colour_high)
    assert first.colour_low < -100.0 and first.colour_high > -70.0
    (only,) = gather(quiet.root, jobs=["harbour"]).jobs
    assert only.job == "harbour"


def test_jobs_stand_in_the_order_of_the_plan(nights: ModuleType, tmp_path: Path) -> None:
    """Of the newest that names them, then by name; asked for by name, in the order asked for."""
    from acqd.plan.downtime import plan_to_json

    made = {}
    for name in ("alpha", "beacon", "calling", "village", "water"):
        made[name] = nights.Night(tmp_path, name=name)
        made[name].run(5, lambda number: made["alpha"].noise(), plan=False)
    root = made["alpha"].root

    def order() -> list[str]:
        return [job.job for job in gather(root).jobs]

    def plan(names: list[str], at_s: float) -> None:
        ledger = Ledger(ledger_path(root))
        ledger.add_plan(plan_to_json([made[name].spec.planned for name in names], at_s), at_s)
        ledger.close()

    assert order() == ["alpha", "beacon", "calling", "village", "water"]
    plan(["water", "alpha", "village"], made["alpha"].start_s)
    assert order() == ["water", "alpha", "village", "beacon", "calling"]
    plan(["calling", "alpha"], made["alpha"].start_s + 10.0)
    assert order() == ["calling", "alpha", "water", "village", "beacon"]
    asked = gather(root, jobs=["village", "alpha"]).jobs
    assert [job.job for job in asked] == ["village", "alpha"]


def test_two_stations_are_two_pages_that_know_nothing_of_each_other(
    nights: ModuleType, tmp_path: Path
) -> None:
    one, other = plain(nights, tmp_path / "a"), plain(nights, tmp_path / "b", 30)
    other.plan(name="tern-head", title="Tern Head", time_zone="UTC")
    reports = [gather(archive.root) for archive in (one, other, one)]
    assert [report.station for report in reports] == ["gannet-ledge", "tern-head", "gannet-ledge"]
    assert [report.zone for report in reports] == ["Europe/London", "UTC", "Europe/London"]
    assert [report.jobs[0].coverage.stored for report in reports] == [60, 30, 60]


def test_remarks_stand_where_they_belong(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    one.note(one.start_s + 300.0, "lamp off")
    one.note(one.start_s + 200.0, "kettle on", who="Bo")
    one.note(one.start_s - 10.0, "before all that")
    (job,) = gather(one.root).jobs
    assert [(note.at_s - one.start_s, note.text, note.who) for note in job.notes] == [
        (200.0, "kettle on", "Bo"),
        (300.0, "lamp off", "Ada"),
    ]


def test_findings_of_the_station_itself_stand_by_themselves(
    nights: ModuleType, tmp_path: Path
) -> None:
    one = plain(nights, tmp_path)
    writer = one.writer()
    writer.begin([])
    told = FindingRecord(
        job=STATION,
        number=1,
        what="clock_stepped",
        at_s=one.start_s + 100.0,
        seq=None,
        text="the clock was put forward by 2 s",
        figures={"step_s": 2.0},
        message=b"",
    )
    writer.commit(Batch(findings=(told,))).result(10)
    writer.close((), seal=False)
    report = gather(one.root)
    (found,) = report.station_findings
    assert found.text == "the clock was put forward by 2 s"
    assert found.place is None
    assert report.jobs[0].findings == ()


def test_the_foot_says_what_it_was_measured_with(nights: ModuleType, tmp_path: Path) -> None:
    (job,) = gather(plain(nights, tmp_path).root).jobs
    facts = {fact.name: fact.text for fact in job.footer}
    assert facts["sweeper"] == "mast: GANNET LOOKOUT 1, serial number GL0017"
    assert facts["chain"] == (
        "lead-in −2.00 dB ± 0.30 dB; together −2.00 dB in the middle of the range"
    )
    assert facts["asked"] == "RBW 3.000 kHz" or facts["asked"].startswith("RBW 3.0 kHz")
    assert facts["reported"].startswith("201 points, RBW 3.0 kHz")
    assert facts["clock"] == "synchronised all the time"
    assert "acqd" in facts["software"]
    assert "sweep time 0.5 s" in facts["reported"]
    assert facts["taken for granted"] == (
        "nobody stated detector, frequency accuracy and noise bandwidth "
        "(that of a Gaussian filter, 1.0645 RBW)"
    )


def test_the_foot_says_what_nobody_stated(nights: ModuleType, tmp_path: Path) -> None:
    """A sweep time of nothing is none; a stated noise bandwidth is not taken for granted."""
    one = plain(nights, tmp_path, sweep_s=None, noise_bandwidth_ratio=1.0)
    (job,) = gather(one.root).jobs
    facts = {fact.name: fact.text for fact in job.footer}
    assert facts["reported"] == "201 points, RBW 3.0 kHz, sweep time not stated"
    assert facts["taken for granted"] == "nobody stated detector and frequency accuracy"


def test_a_clock_that_nobody_set_is_told(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    free, step = SweepFlag.CLOCK_UNSYNCHRONISED, SweepFlag.CLOCK_STEPPED
    one.run(
        40,
        lambda number: one.noise(),
        flags=lambda number: (
            (free if number < 10 else SweepFlag(0)) | (step if number == 20 else SweepFlag(0))
        ),
    )
    (job,) = gather(one.root).jobs
    facts = {fact.name: fact.text for fact in job.footer}
    assert facts["clock"] == ("not known to be synchronised in 25.0 % of the sweeps; put 1 time")
    assert [spell.what for spell in job.spells] == ["clock_unsynchronised", "clock_stepped"]
    assert all(spell.is_listening for spell in job.spells)
    assert job.coverage.listened == 40


def test_many_short_spells_are_told_as_few(nights: ModuleType, tmp_path: Path) -> None:
    one = nights.Night(tmp_path)
    keyed = SweepFlag.TRANSMITTING
    one.run(
        400, lambda number: one.noise(), flags=lambda number: keyed if number % 2 else SweepFlag(0)
    )
    (job,) = gather(one.root).jobs
    assert len(job.spells) <= 60
    assert sum(spell.sweeps for spell in job.spells) == 200
    assert " of 399 sweeps" in job.spells[0].text
    assert job.coverage.listened == 200


def test_a_kind_that_nobody_knows_is_told_plainly(nights: ModuleType, tmp_path: Path) -> None:
    import sqlite3

    from acqd.report.kinds import parts_of

    one = nights.Night(tmp_path)
    one.run(10, lambda number: one.noise(), seal=False)
    (journal,) = (one.root / "journals").glob("*.sqlite")
    with sqlite3.connect(journal) as database:
        database.execute("UPDATE setup SET kind = 'tide'")
    database.close()
    parts = parts_of(one.source())
    assert "kind 'tide'" in parts.limits[0]
    assert parts.sections[0].tables[0].rows


def test_a_finding_has_a_place_only_while_there_is_room(nights: ModuleType) -> None:
    from acqd.report.places import PLACES_MOST, placed
    from acqd.report.source import finding_shown

    def told(number: int, what: str, channel: str | None, peak: float) -> Any:
        figures = {"channel": channel, "peak_dbm": peak, "peak_hz": 156.8e6, "since_s": number}
        record = FindingRecord(
            job="a", number=number, what=what, at_s=float(number), seq=None, text="",
            figures=figures, message=b"",
        )  # fmt: skip
        return finding_shown(record)

    many = [told(number, "signal_ended", "16", -80.0 + number / 100.0) for number in range(1, 41)]
    many += [told(50, "floor_rose", None, -99.0), told(51, "signal_ended", "67", -99.0)]
    found = placed(many)
    # The three strongest of the busy channel, and what is no such call, in order of time.
    assert {one.number: one.place for one in found if one.place} == {
        38: 1, 39: 2, 40: 3, 50: 4, 51: 5,
    }  # fmt: skip
    assert [one.at_s for one in found] == sorted(one.at_s for one in found)
    assert next(one for one in placed(many, first=1) if one.number == 1).place == 1
    each = [told(number, "signal_ended", f"ch {number}", -80.0) for number in range(1, 41)]
    numbered = [one.place for one in placed(each) if one.place is not None]
    assert numbered == list(range(1, PLACES_MOST + 1))


def test_a_source_is_read_from_the_archive_alone(nights: ModuleType, tmp_path: Path) -> None:
    one = plain(nights, tmp_path)
    source = JobSource(one.archive, one.name, start_s=one.start_s, stop_s=one.start_s + 300.0)
    assert source.kind == "band" and source.sweeper == "mast" and not source.is_soak
    assert source.plane == "the aerial socket"
    assert source.interval_s == 10.0
    index = source.sweeps()
    assert len(index) == 30
    assert source.range_of() is not None
    assert source.last_summary is not None
    np.testing.assert_array_equal(
        index.column("floor_dbm"), one.archive.sweeps(one.name)["floor_dbm"].values[:30]
    )
    assert np.isnan(index.column("nothing")).all()
    assert len(source.sweeps(3)) == 0
    assert list(source.blocks(3)) == []
    assert source.summary(31) is None
    assert json.dumps(dict(source.summary(30) or {}))
    assert isinstance(source._reader(0), SweepReader)


def test_what_is_still_to_come_is_no_gap(nights: ModuleType, tmp_path: Path) -> None:
    """By this machine's clock, or the archive's end where that is ahead of it."""
    one = plain(nights, tmp_path)
    ends_s = gather(one.root, now_s=12.0).stop_s
    now_s = ends_s + 100.0
    report = gather(one.root, start_s=ends_s - 60.0, stop_s=ends_s + 9000.0, now_s=now_s)
    assert report.stop_s == now_s
    assert any("still to come" in said for said in report.limits)
    ahead = gather(one.root, start_s=ends_s - 60.0, stop_s=ends_s + 9000.0, now_s=12.0)
    assert ends_s - 10.0 <= ahead.stop_s <= ends_s + 10.0
    past = gather(one.root, start_s=ends_s - 60.0, stop_s=ends_s + 50.0, now_s=now_s)
    assert past.stop_s == ends_s + 50.0
    assert not any("still to come" in said for said in past.limits)
