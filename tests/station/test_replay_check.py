"""A replay beside what was committed: from the archive alone, whatever was in between (G4)."""

from __future__ import annotations

import ast
import asyncio
import importlib.util
import json
import shutil
import sqlite3
import sys
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

import acqd.station
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord, GapRecord, HourlyRecord, SweepRecord
from acqd.archive.tables import text_of
from acqd.config.load import parse_config
from acqd.errors import ArchiveError, WrongUsage
from acqd.measure.meter import FindingDraft, HourlyFigures, Output
from acqd.station.replay import STATION_WORDS, Replay, Told
from acqd.station.replay_check import SHOWN_MOST, TOLERANCE, Check, is_same_place
from acqd.station.software import software_here
from acqd.sweep import SweepFlag

DAY_S = 86_400.0


def _nights() -> ModuleType:
    """The nights on a clock moved by hand that replay and live are compared with elsewhere."""
    name = "acqd_nights"
    if name not in sys.modules:
        path = Path(__file__).with_name("test_replay.py")
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None and spec.loader is not None
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


nights = _nights()
FLAT, LEARNT = nights.FLAT, nights.LEARNT
JOB = "marine-vhf"


def checked(archive: Archive, **how: Any) -> tuple[Check, Replay]:
    replay = Replay(archive=archive, job=JOB, **how)
    check = Check(same_place=True)
    for told in replay.run():
        check.take(told)
    return check, replay


def night_of(root: Path, band: str, seed: int, *, steps: Any = None) -> Any:
    """A night as it is in the archive, shaken by restarts."""
    spec = nights.spec_of(root, band)
    night = nights.Night(root / "archive", spec, seed)
    if steps is not None:
        # Left in the journal, as a kill leaves it.
        night.close = lambda: night.archive.close([night.checkpoint()], within_s=0.0)
    asyncio.run(nights.live(night, nights.program(seed) if steps is None else steps, restarts=True))
    return night


def seal(night: Any) -> None:
    """All in files, those of ended days merged."""
    night.clock.advance(2 * DAY_S)
    night._open()
    merged = night.archive.merge_due(night.clock.wall_s())
    merged.result(timeout=60)
    night.archive.close([], within_s=20.0)


def volumes_alone(root: Path, to: Path) -> Archive:
    """A copy of the files, without ledger and journals."""
    shutil.copytree(root / "sweeps", to / "sweeps")
    return open_archive(to)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_a_shaken_night_is_equal_bit_for_bit_from_archive_and_from_volumes(
    tmp_path: Path, seed: int
) -> None:
    """No config file is there, and in the second case neither ledger nor journal."""
    night = night_of(tmp_path, LEARNT if seed % 2 else FLAT, seed)
    archive = open_archive(tmp_path / "archive")
    sweeps = sum(isinstance(one, SweepRecord) for one in archive.events(JOB))
    hours = len(archive.hourly(JOB))
    findings = len(archive.findings(JOB))
    assert findings > 3
    check, replay = checked(archive)
    assert check.is_exact, check.differences
    assert (check.sweeps, check.hours, check.findings) == (sweeps, hours, findings)
    assert replay.notes == []
    seal(night)
    alone = volumes_alone(tmp_path / "archive", tmp_path / "alone")
    check, replay = checked(alone)
    assert check.is_exact, check.differences
    assert check.sweeps == sweeps and check.findings == findings
    assert check.hours >= hours and replay.notes == []


@pytest.mark.slow
def test_what_is_committed_when_its_day_has_been_merged_is_in_the_next_volume(
    tmp_path: Path,
) -> None:
    """A station that was down over midnight merges the old day before it knows of the gap; the
    volumes alone have it all the same."""
    spec = nights.spec_of(tmp_path, FLAT)
    night = nights.Night(tmp_path / "archive", spec, 3)

    async def through() -> None:
        for _ in range(30):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(1.5)
        last_s = night.clock.wall_s()
        night.archive.close([night.checkpoint()], within_s=20.0)
        night.clock.advance(11 * 3600.0)
        night._open()
        night.archive.merge_due(night.clock.wall_s()).result(timeout=60)
        await night.job.gap(
            GapRecord(job=JOB, from_s=last_s, to_s=last_s + 60.0, count=31, reason="station down")
        )
        await night.job.gap(
            GapRecord(
                job=JOB,
                from_s=last_s + 62.0,
                to_s=night.clock.wall_s(),
                count=19_000,
                reason="station down",
            )
        )
        for _ in range(30):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(1.5)
        night.close()

    asyncio.run(through())
    seal(night)
    archive = open_archive(tmp_path / "archive")
    days = {path.parent.name for path in (tmp_path / "archive" / "sweeps").rglob("volume_*.nc")}
    assert len(days) == 2
    alone = volumes_alone(tmp_path / "archive", tmp_path / "alone")
    assert alone.gaps(JOB) == archive.gaps(JOB)
    assert [gap.count for gap in alone.gaps(JOB) if gap.reason == "station down"] == [31, 19_000]
    check, _ = checked(alone)
    assert check.is_exact and check.sweeps == 60


@pytest.fixture(scope="module")
def changed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A night in the middle of which the config changed, with a gap told to nobody in between."""
    root = tmp_path_factory.mktemp("changed")
    old = nights.spec_of(root, FLAT)
    new = nights.spec_of(root, 'margin = "12 dB"')
    night = nights.Night(root / "archive", old, 5)

    async def through() -> None:
        for _ in range(20):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(2.0)
        night.restart(cleanly=True, spec=new)
        await night.gap(300, "station down")
        await night.job.begin()
        for _ in range(20):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(2.0)
        # And back again: setups of old that are known already.
        night.restart(cleanly=False, spec=old)
        await night.job.begin()
        for _ in range(15):
            await night.sweeps(1, SweepFlag(0))
            night.clock.advance(2.0)
        night.close()

    asyncio.run(through())
    return root


def test_each_stretch_is_replayed_with_its_own_config(changed: Path) -> None:
    """Two changes, the second back to what was before; all of it is compared."""
    archive = open_archive(changed / "archive")
    check, replay = checked(archive)
    assert check.is_exact, check.differences
    assert check.sweeps == 55
    assert check.findings == len(archive.findings(JOB)) > 3
    assert len(replay.digests) == 2 and replay.notes == []


def test_marks_that_are_lost_are_made_up_for(changed: Path, tmp_path: Path) -> None:
    """The setups say that the config changed, where no file has the mark; it is said."""
    shutil.copytree(changed / "archive", tmp_path / "archive")
    for path in (tmp_path / "archive").rglob("*.sqlite"):
        with closing(sqlite3.connect(path)) as db, db:
            db.execute("DELETE FROM gap WHERE reason = 'config changed'")
    check, replay = checked(open_archive(tmp_path / "archive"))
    # The gap between is told to the old meter now, which gives up its signals: findings.
    assert check.sweeps == 55
    assert all(one.seq is None for one in check.differences)
    assert replay.notes == ["a change of config is not marked; it was taken for one"]


def test_another_config_measures_everything_with_one_meter(changed: Path) -> None:
    """What a margin that nothing reaches would have found: nothing."""
    text = nights.CONFIG.format(band='margin = "60 dB"')
    config = parse_config(text, changed / "station.toml")
    replay = Replay(archive=open_archive(changed / "archive"), job=JOB, config=config)
    told = list(replay.run())
    assert sum(isinstance(one.event, SweepRecord) for one in told) == 55
    assert all(one.is_measured for one in told)
    assert not [finding for one in told for output in one.outputs for finding in output.findings]
    feed = replay.feed_of_config()
    assert feed is not None and feed.config not in replay.digests


def test_the_config_in_force_has_the_digest_that_was_recorded(tmp_path: Path) -> None:
    """So --check may go with --config."""
    night_of(tmp_path, FLAT, 2, steps=[("sweeps", 2, SweepFlag(0))])
    config = parse_config(nights.CONFIG.format(band=FLAT), tmp_path / "station.toml")
    replay = Replay(archive=open_archive(tmp_path / "archive"), job=JOB, config=config)
    feed = replay.feed_of_config()
    assert feed is not None and replay.digests == (feed.config,)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("marine-vhf", "airband"), "no job 'marine-vhf'; jobs there: airband"),
        (
            ('kind = "band"', 'kind = "carrier"'),
            "job marine-vhf is of kind carrier there; the sweeps are of kind band",
        ),
    ],
    ids=["no such job", "another kind"],
)
def test_a_config_that_does_not_fit_is_one_line(
    changed: Path, change: tuple[str, str], said: str
) -> None:
    text = nights.CONFIG.format(band=FLAT).replace('channels = "marine-vhf"', "").replace(*change)
    text = text.replace("band = { ,", "band = {")
    if "carrier" in said:
        text = text[: text.index("band = {")]
    config = parse_config(text, changed / "station.toml")
    with pytest.raises(WrongUsage, match=said):
        Replay(archive=open_archive(changed / "archive"), job=JOB, config=config)


# -- ranges ---------------------------------------------------------------------------------------


def test_a_range_from_a_mark_on_is_equal(changed: Path) -> None:
    """The meter was fresh there live, too."""
    archive = open_archive(changed / "archive")
    marks = [gap for gap in archive.gaps(JOB) if gap.detail]
    check, replay = checked(archive, start_s=marks[0].from_s)
    assert replay.starts_fresh()
    assert check.is_exact and check.sweeps == 35
    check, replay = checked(archive, start_s=marks[0].from_s, stop_s=marks[1].from_s)
    assert check.is_exact and check.sweeps == 20
    assert 0 < check.findings < len(archive.findings(JOB))


def test_a_range_from_the_middle_is_not(changed: Path) -> None:
    """And it says so beforehand; the first of its sweeps has no past."""
    archive = open_archive(changed / "archive")
    tenth = [one for one in archive.events(JOB) if isinstance(one, SweepRecord)][9]
    check, replay = checked(archive, start_s=tenth.started_s)
    assert not replay.starts_fresh()
    assert check.sweeps == 46 and not check.is_equal


def test_a_range_up_to_a_time_is_equal(changed: Path) -> None:
    """What came later is no difference."""
    archive = open_archive(changed / "archive")
    tenth = [one for one in archive.events(JOB) if isinstance(one, SweepRecord)][9]
    check, _ = checked(archive, stop_s=tenth.started_s)
    assert check.is_exact and check.sweeps == 9


def test_nothing_in_a_range_is_one_line(changed: Path) -> None:
    with pytest.raises(ArchiveError, match="nothing in that time"):
        checked(open_archive(changed / "archive"), start_s=4e9)


# -- what differs ---------------------------------------------------------------------------------


def spoil(tmp_path: Path, sql: str, change: Callable[[str], str] | None = None) -> Archive:
    """The archive of a short night, changed behind its back."""
    night_of(
        tmp_path, FLAT, 4, steps=[("sweeps", 1, SweepFlag(0)), ("wait", 2.0)] * 20 + [("hour",)]
    )
    touched = 0
    for path in (tmp_path / "archive").rglob("*.sqlite"):
        with closing(sqlite3.connect(path)) as db, db:
            tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            if (
                sql.split()[sql.split().index("finding" if " finding" in sql else "sweep")]
                in tables
            ):
                if change is not None:
                    db.create_function("changed", 1, change)
                touched += db.execute(sql).rowcount
    assert touched
    return open_archive(tmp_path / "archive")


def test_a_sweep_of_other_figures_is_named(tmp_path: Path) -> None:
    def raised(columns: str) -> str:
        found = json.loads(columns)
        found["floor_dbm"] += 1e-9
        return json.dumps(found)

    archive = spoil(tmp_path, "UPDATE sweep SET columns = changed(columns) WHERE seq = 7", raised)
    check, _ = checked(archive)
    (difference,) = check.differences
    assert (difference.where, difference.seq) == ("sweep 7", 7)
    assert difference.text.startswith("columns.floor_dbm was ")
    assert not check.is_equal and check.sweeps == 20


def test_a_summary_of_another_word_is_named(tmp_path: Path) -> None:
    archive = spoil(
        tmp_path,
        "UPDATE sweep SET summary = changed(summary) WHERE seq = 3",
        lambda text: text.replace('"stored":3', '"stored":4'),
    )
    check, _ = checked(archive)
    (difference,) = check.differences
    assert difference.where == "sweep 3"
    assert difference.text == "summary.stored was 4, is 3"


def test_a_finding_that_is_gone_and_one_that_says_something_else_are_named(tmp_path: Path) -> None:
    archive = spoil(tmp_path, "DELETE FROM finding WHERE number = 1")
    check, _ = checked(archive)
    (difference,) = check.differences
    assert "is found now and was not then" in difference.text


def test_a_finding_that_was_published_otherwise_is_named(tmp_path: Path) -> None:
    archive = spoil(
        tmp_path,
        "UPDATE finding SET message = changed(message) WHERE number = 1",
        lambda message: message.replace(b"came up", b"went off"),
    )
    check, _ = checked(archive)
    (difference,) = check.differences
    assert (difference.where, difference.text) == (
        "finding 1",
        "what was published of it is not what was committed",
    )


def test_what_the_station_says_of_a_job_is_not_asked_of_the_meter(tmp_path: Path) -> None:
    """Refusals and the like have numbers of the job and are no meter's."""
    archive = spoil(tmp_path, "UPDATE finding SET what = 'refused' WHERE what = 'signal_ended'")
    refused = [one for one in archive.findings(JOB) if one.what == "refused"]
    check, _ = checked(archive)
    assert refused and check.differ == len(refused)
    assert all("signal_ended" in one.text for one in check.differences)


def test_the_stations_words_are_those_it_says() -> None:
    """Every literal word of a finding of a job outside of the kinds, and no other: those made as
    such, and those handed to what tells a job's findings."""
    words = set()
    folder = Path(acqd.station.__file__).parent
    for path in folder.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if not isinstance(node, ast.Call):
                continue
            name = getattr(node.func, "id", "") or getattr(node.func, "attr", "")
            given = [word.value for word in node.keywords if word.arg == "what"]
            if name == "_tell" and len(node.args) == 3 and ast.unparse(node.args[2]) == "job":
                # Word, sentence, job: what acqd/station/marks.py keeps.
                given = node.args[:1]
            elif name != "FindingDraft":
                continue
            words |= {one.value for one in given if isinstance(one, ast.Constant)}
    assert words == STATION_WORDS


# -- elsewhere ------------------------------------------------------------------------------------


def record(seq: int, **changes: Any) -> SweepRecord:
    made = SweepRecord(
        job=JOB,
        step=0,
        setup="a",
        seq=seq,
        pass_id=seq,
        run_id="run",
        due_s=1e9,
        started_s=1e9,
        monotonic_s=1.0,
        took_s=0.5,
        boot_id="boot",
        sweeper_time_s=None,
        flags=SweepFlag(0),
        level=np.zeros(3, dtype=np.float32),
        columns={"threshold_dbm": -90.0},
        summary={"floor_dbm": -100.0, "since_s": 1.7e9, "count": 3, "text": "−95.2 dBm"},
    )
    return replace(made, **changes)


def finding(number: int, **changes: Any) -> FindingRecord:
    made = FindingRecord(
        job=JOB,
        number=number,
        what="signal_appeared",
        at_s=1e9,
        seq=1,
        text="channel 16 came up, peak −90.0 dBm",
        figures={"peak_dbm": -90.0, "peak_hz": 156.8e6},
        message=b"",
    )
    made = replace(made, **changes)
    names = ("number", "what", "at_s", "seq", "text", "figures")
    message = text_of({name: getattr(made, name) for name in names}).encode()
    return replace(made, message=message)


def again(then: SweepRecord, *, findings: tuple[FindingDraft, ...] = (), **summary: Any) -> Told:
    kept = dict(then.summary or {})
    output = Output(summary={**kept, **summary}, columns=then.columns, findings=findings)
    return Told(event=then, outputs=(output,))


def draft(kept: FindingRecord, **changes: Any) -> FindingDraft:
    made = FindingDraft(
        what=kept.what, at_s=kept.at_s, text=kept.text, seq=kept.seq, figures=kept.figures
    )
    return replace(made, **changes)


@pytest.mark.parametrize(
    ("made", "is_equal"),
    [
        ({"floor_dbm": -100.0 - 0.9e-7}, True),
        ({"floor_dbm": -100.0 - 1.1e-7}, False),
        ({"since_s": 1.7e9 + 4.8e-7}, True),
        ({"since_s": 1.7e9 + 1.2e-6}, False),
        ({"count": 4}, False),
        ({"count": 3.0}, True),
        ({"count": None}, False),
        ({"text": "−95.3 dBm"}, True),
        ({"text": "−95.4 dBm"}, False),
        ({"text": "−95.2 dBµV"}, False),
        ({"more": 1.0}, False),
    ],
    ids=str,
)
def test_elsewhere_figures_may_differ_by_the_tolerance(
    made: dict[str, Any], is_equal: bool
) -> None:
    """On another machine; where it measured itself no bit may."""
    check = Check(same_place=False)
    check.take(again(record(1), **made))
    assert check.is_equal is is_equal
    assert not check.is_exact
    assert check.bits_differ == int(is_equal)
    here = Check(same_place=True)
    here.take(again(record(1), **made))
    assert not here.is_equal


def test_a_finding_at_its_threshold_is_named_and_no_difference() -> None:
    """Elsewhere, where the figure lies within the tolerance of the sweep's threshold."""
    kept = finding(1)
    check = Check(same_place=False)
    check.take(again(record(1)))
    check.take(Told(event=None, found_then=(kept,)))
    check.take(again(record(2), findings=(draft(kept, seq=2),)))
    check.take(Told(event=None))
    assert check.is_equal and not check.is_exact
    assert [one.where for one in check.near] == ["finding 1", "a finding"]
    assert "its peak_dbm lies within 1e-09 of threshold_dbm" in check.near[1].text


@pytest.mark.parametrize(
    ("same_place", "peak_dbm"), [(True, -90.0), (False, -89.0)], ids=["here", "far above"]
)
def test_another_finding_is_a_difference(same_place: bool, peak_dbm: float) -> None:
    kept = finding(1, figures={"peak_dbm": peak_dbm})
    check = Check(same_place=same_place)
    check.take(again(record(1), findings=(draft(kept),)))
    check.take(Told(event=None))
    assert check.differ == 1 and not check.near


def test_findings_are_paired_by_word_time_and_sweep() -> None:
    """One that is left out does not make all later ones differ."""
    kept = [finding(n, seq=n, at_s=1e9 + n) for n in (1, 2, 3)]
    check = Check(same_place=True)
    for one in kept:
        made = () if one.number == 2 else (draft(one),)
        check.take(again(record(one.number), findings=made))
        check.take(Told(event=None, found_then=(one,)))
    assert check.findings == 2
    (difference,) = check.differences
    assert difference.where == "finding 2"
    assert "was found then and is not now" in difference.text


def test_hours_are_compared() -> None:
    hour = HourlyRecord(job=JOB, hour_start_s=3.6e6, figures={"stored": 12, "fco": 0.25})
    for figures, differ in (({"stored": 12, "fco": 0.25}, 0), ({"stored": 12, "fco": 0.5}, 1)):
        made = Output(hourly=(HourlyFigures(hour_start_s=3.6e6, figures=figures),))
        check = Check(same_place=True)
        check.take(Told(event=hour, outputs=(made,)))
        assert (check.hours, check.differ) == (1, differ)


def test_differences_are_bounded() -> None:
    """All are counted, the first are kept."""
    check = Check(same_place=True)
    for seq in range(1, 101):
        check.take(again(record(seq), count=-1))
    assert check.differ == 100 and len(check.differences) == SHOWN_MOST
    assert check.differences[0].seq == 1


def test_what_was_not_measured_is_counted_apart() -> None:
    check = Check(same_place=True)
    check.take(Told(event=record(1), is_measured=False))
    assert (check.sweeps, check.unmeasured, check.differ) == (0, 1, 0)


def other_places() -> Iterator[Any]:
    here = dict(software_here())
    yield pytest.param([here], True, id="the same")
    yield pytest.param([], True, id="nothing measured")
    yield pytest.param([here, {**here, "numpy": "1.0"}], False, id="another numpy once")
    yield pytest.param([{**here, "machine": "Linux armv7l"}], False, id="another machine")
    older = {name: value for name, value in here.items() if name != "machine"}
    yield pytest.param([older], False, id="not recorded")
    yield pytest.param([{**here, "deflate": "0.1"}], True, id="what does not measure")


@pytest.mark.parametrize(("then", "same"), list(other_places()))
def test_bits_are_asked_for_where_all_is_the_same(then: Any, same: bool) -> None:
    assert is_same_place(then, software_here()) is same


def test_the_machine_is_recorded(tmp_path: Path) -> None:
    """With every setup, so that volumes alone tell it."""
    night = night_of(tmp_path, FLAT, 1, steps=[("sweeps", 1, SweepFlag(0))])
    seal(night)
    alone = volumes_alone(tmp_path / "archive", tmp_path / "alone")
    assert alone.software(JOB) == [dict(software_here())]
    assert 0 < TOLERANCE < 1e-6
