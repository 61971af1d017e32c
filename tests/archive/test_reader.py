"""Reading: each sweep once, wherever it lies, also while it is moved from place to place."""

from __future__ import annotations

import pickle
import shutil
import sqlite3
import subprocess
import sys
import threading
import warnings
from contextlib import closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import acqd
from acqd.archive.coverage import due_within
from acqd.archive.layout import DAY_S, list_journals
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, GapRecord, HourlyRecord, SetupRecord, SweepRecord
from acqd.archive.verify import verify_archive
from acqd.errors import ArchiveError
from acqd.sweep import SweepFlag


def _levels(scribe: Any, *seqs: int) -> Any:
    return np.array([scribe.level(seq) for seq in seqs])


def _three_places(scribe: Any) -> Any:
    """Sweeps 1 to 5 in a volume, 6 to 8 in a segment, 9 and 10 in the journal; still open."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    writer.commit(scribe.batch(6, 8)).result(timeout=10)
    scribe.seal(writer, seq=8)
    writer.commit(scribe.batch(9, 10)).result(timeout=10)
    return writer


def test_volume_segment_and_journal_read_as_one(scribe: Any) -> None:
    """In the order of the numbers, with everything a sweep has."""
    _three_places(scribe)
    with acqd.open_archive(scribe.root) as archive:
        sweeps = archive.sweeps("harbour")
        assert sweeps.level.dims == ("sweep", "frequency")
        assert sweeps.level.dtype == np.float32
        assert np.array_equal(sweeps.level.values, _levels(scribe, *range(1, 11)))
        assert sweeps.sequence.values.tolist() == list(range(1, 11))
        assert sweeps.started.values.tolist() == [scribe.start_s + n + 0.125 for n in range(1, 11)]
        assert sweeps.floor_dbm.values.tolist() == [-100.0 - n % 3 for n in range(1, 11)]
        assert sweeps.time.values[0] == np.datetime64("2026-05-28T20:26:41.125")
        assert sweeps.attrs["unit"] == sweeps.level.attrs["units"] == "dBm"
        assert np.isnat(sweeps.sweeper_time.values).all()
        assert set(sweeps.boot.values) == {"boot-1"}


KEYS: dict[str, Any] = {
    "one sweep": {"sweep": 7},
    "the last sweep": {"sweep": -1},
    "one value": {"sweep": 3, "frequency": 4},
    "a slice over all places": {"sweep": slice(3, 9)},
    "backwards": {"sweep": slice(None, None, -3)},
    "chosen sweeps out of order": {"sweep": [9, 0, 6, 0]},
    "a mask": {"sweep": np.arange(10) % 4 == 1},
    "one frequency over time": {"frequency": 5},
    "both chosen": {"sweep": [8, 2], "frequency": [30, 1, 1]},
    "both sliced": {"sweep": slice(2, 8, 2), "frequency": slice(20, 5, -5)},
    "nothing": {"sweep": slice(4, 4)},
}


@pytest.mark.parametrize("key", KEYS.values(), ids=KEYS.keys())
def test_any_selection_gives_what_an_array_would(scribe: Any, key: dict[str, Any]) -> None:
    """Lazy levels behave like the array in memory."""
    _three_places(scribe)
    lazy = open_archive(scribe.root).sweeps("harbour")
    loaded = lazy.load().copy(deep=True)
    lazy = open_archive(scribe.root).sweeps("harbour")
    assert np.array_equal(lazy.level.isel(key).values, loaded.level.isel(key).values)


def test_levels_are_read_when_they_are_looked_at(
    scribe: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And only those of the sweeps that are."""
    _three_places(scribe)
    read: list[tuple[str, int]] = []
    from acqd.archive import lazy

    real = lazy.read_levels

    def counted(piece: Any, which: Any, out: Any) -> None:
        read.append((piece.path.name.split("_")[0].split("-")[0], which.size))
        real(piece, which, out)

    monkeypatch.setattr(lazy, "read_levels", counted)
    sweeps = open_archive(scribe.root).sweeps("harbour")
    assert read == []
    assert sweeps.level.isel(sweep=slice(4, 7)).values.shape == (3, 31)
    assert read == [("volume", 1), ("segment", 2)]


def test_levels_follow_their_sweeps_from_journal_to_segment_to_volume(scribe: Any) -> None:
    """A dataset that was made before sealing and merging still reads, and so does its pickle."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 6)).result(timeout=10)
    archive = open_archive(scribe.root)
    from_journal = archive.sweeps("harbour")
    packed = pickle.dumps(archive.sweeps("harbour"))
    scribe.seal(writer, seq=6)
    from_segment = archive.sweeps("harbour")
    assert np.array_equal(from_journal.level[2:4].values, _levels(scribe, 3, 4))
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    assert [path.name[:6] for path in scribe.files()] == ["volume"]
    assert np.array_equal(from_journal.level.values, _levels(scribe, *range(1, 7)))
    assert np.array_equal(from_segment.level.values, _levels(scribe, *range(1, 7)))
    assert np.array_equal(pickle.loads(packed).level[5].values, scribe.level(6))


def test_sweeps_that_are_gone_for_good_are_an_error(scribe: Any) -> None:
    """Somebody removed the file: one line, no other numbers."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 6)).result(timeout=10)
    scribe.seal(writer, seq=6)
    sweeps = open_archive(scribe.root).sweeps("harbour")
    scribe.files()[0].unlink()
    with pytest.raises(ArchiveError, match="files kept vanishing"):
        sweeps.level.load()


RANGES: dict[str, tuple[Any, Any, list[int]]] = {
    "all": (None, None, [1, 2, 3, 4, 5, 6, 7, 8, 9, 10]),
    "by seconds": (1_780_000_003.125, 1_780_000_009.125, [3, 4, 5, 6, 7, 8]),
    "by datetime": (datetime(2026, 5, 28, 20, 26, 49, tzinfo=UTC), None, [9, 10]),
    "by text with Z": (None, "2026-05-28T20:26:42.5Z", [1, 2]),
    "by text with an offset": ("2026-05-28T22:26:49+02:00", None, [9, 10]),
}


@pytest.mark.parametrize(("start", "stop", "seqs"), RANGES.values(), ids=RANGES.keys())
def test_a_range_holds_its_start_and_not_its_stop(
    scribe: Any, start: Any, stop: Any, seqs: list[int]
) -> None:
    """However the times are given; the replay's events alike."""
    _three_places(scribe)
    archive = open_archive(scribe.root)
    sweeps = archive.sweeps("harbour", start, stop)
    assert sweeps.sequence.values.tolist() == seqs
    assert np.array_equal(sweeps.level.values, _levels(scribe, *seqs))
    events = [e.seq for e in archive.events("harbour", start, stop) if isinstance(e, SweepRecord)]
    assert events == seqs


def test_the_far_end_may_be_written_as_on_the_command_line(scribe: Any) -> None:
    """One word or two."""
    _three_places(scribe)
    archive = open_archive(scribe.root)
    one, two = (archive.sweeps("harbour", plane=p) for p in ("far-end", "far end"))
    assert one.attrs == two.attrs
    assert np.array_equal(one.level.values, two.level.values, equal_nan=True)
    with pytest.raises(ArchiveError, match=r"fits none; there is aa11"):
        archive.sweeps("harbour", setup="zz")


@pytest.mark.parametrize("locking", [True, False, "best-effort"])
def test_a_file_that_this_process_has_open_otherwise_is_not_called_damaged(
    scribe: Any, locking: Any
) -> None:
    """A user looks at a file with another reader, then at the archive, in one notebook."""
    import h5py

    _three_places(scribe)
    (volume,) = scribe.root.rglob("volume_*.nc")
    with h5py.File(volume, "r", locking=locking):
        sweeps = open_archive(scribe.root).sweeps("harbour")
        assert np.array_equal(sweeps.level.values, _levels(scribe, *range(1, 11)))


QUESTIONS: dict[str, tuple[Any, str]] = {
    "no such job": (lambda a: a.sweeps("pier"), "no job 'pier' here; there is harbour"),
    "no sweeps then": (lambda a: a.sweeps("harbour", 0.0, 1.0), "no sweeps of step 0"),
    "no such step": (lambda a: a.sweeps("harbour", step=4), "no sweeps of step 4"),
    "no such setup": (lambda a: a.sweeps("harbour", setup="zz"), "setup 'zz' fits none"),
    "no such plane": (lambda a: a.sweeps("harbour", plane="moon"), "'input' or 'far end'"),
    "a time without a zone": (lambda a: a.gaps("harbour", "2026-05-28T20:00"), "has no zone"),
    "no time at all": (lambda a: a.gaps("harbour", "yesterday"), "expected ISO 8601"),
}


@pytest.mark.parametrize(("ask", "problem"), QUESTIONS.values(), ids=QUESTIONS.keys())
def test_a_question_without_an_answer_says_what_there_is(
    scribe: Any, ask: Any, problem: str
) -> None:
    """One line that names what was asked and what is there."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 2)).result(timeout=10)
    with pytest.raises(ArchiveError, match=problem):
        ask(open_archive(scribe.root))


def test_no_archive_is_one_line(tmp_path: Path) -> None:
    """It names the folder and what an archive looks like."""
    with pytest.raises(ArchiveError, match=r"no archive here; expected a folder with ledger"):
        open_archive(tmp_path)


def _with_setups(scribe: Any, *setups: SetupRecord) -> Any:
    """Two sweeps of each setup, one after the other; segments, then the journal."""
    writer = scribe.begun()
    seq = 0
    for setup in setups:
        for _ in range(2):
            seq += 1
            sweep = replace(
                scribe.sweep(seq),
                setup=setup.setup,
                step=setup.step,
                level=scribe.level(seq, setup.frequency_hz.size),
            )
            writer.commit(Batch(setups=(setup,), sweeps=(sweep,))).result(timeout=10)
        if setup is not setups[-1]:
            scribe.seal(writer, seq=seq)
    return writer


def test_setups_with_different_grids_are_named_and_can_be_chosen(scribe: Any) -> None:
    """A join of different axes would be a lie."""
    wide = scribe.setup(setup="bb22", frequency_hz=np.linspace(1e6, 30e6, 11))
    _with_setups(scribe, scribe.setup(), wide)
    archive = open_archive(scribe.root)
    with pytest.raises(ArchiveError, match=r"2 setups with different grids or units; choose one"):
        archive.sweeps("harbour")
    with pytest.raises(ArchiveError, match=r"bb22 \(11 points, 1 to 30 MHz, dBm\)"):
        archive.sweeps("harbour")
    assert archive.sweeps("harbour", setup="bb").sequence.values.tolist() == [3, 4]
    assert [setup.setup for setup in archive.setups("harbour")] == ["aa11", "bb22"]


def test_setups_with_one_grid_are_joined_each_with_its_own_chain(scribe: Any) -> None:
    """At the far end each sweep's own gain is taken off, in float64."""
    pad = scribe.setup(chain_gain_db=np.full(31, -10.0))
    amplifier = scribe.setup(setup="bb22", chain_gain_db=np.linspace(19.0, 20.0, 31))
    none = scribe.setup(setup="cc33")
    _with_setups(scribe, pad, amplifier, none)
    archive = open_archive(scribe.root)
    raw = archive.sweeps("harbour")
    assert raw.setup.values.tolist() == ["aa11"] * 2 + ["bb22"] * 2 + ["cc33"] * 2
    assert raw.attrs["plane"] == "input"
    far = archive.sweeps("harbour", plane="far end")
    assert far.level.dtype == np.float64
    expected = raw.level.values.astype(np.float64)
    expected[:2] += 10.0
    expected[2:4] -= np.linspace(19.0, 20.0, 31)
    assert np.array_equal(far.level.values, expected)
    assert np.array_equal(far.level[3, 4:6].values, expected[3, 4:6])


AXES: dict[str, tuple[Any, str]] = {
    "falling": (np.linspace(2e6, 1e6, 11), "frequency"),
    "uneven": (np.geomspace(1e3, 1e9, 11), "frequency"),
    "with duplicates": (np.array([1.0, 2.0, 2.0, 3.0, 5.0]) * 1e6, "point"),
    "up and down": (np.array([1.0, 3.0, 2.0, 4.0]) * 1e6, "point"),
    "zero span": (np.full(7, 145e6), "point"),
    "one point": (np.array([145e6]), "frequency"),
}


@pytest.mark.parametrize(("axis", "dimension"), AXES.values(), ids=AXES.keys())
def test_axes_are_kept_as_the_sweeper_gave_them(scribe: Any, axis: Any, dimension: str) -> None:
    """Not sorted and not made even; a dimension of its own where it is no coordinate variable."""
    setup = scribe.setup(frequency_hz=axis, chain_gain_db=np.arange(axis.size) * -1.0)
    writer = _with_setups(scribe, setup)
    for place in ("journal", "segment", "volume"):
        sweeps = open_archive(scribe.root).sweeps("harbour")
        assert sweeps.level.dims == ("sweep", dimension), place
        assert np.array_equal(sweeps.frequency.values, axis)
        assert np.array_equal(sweeps.chain_gain.values, np.arange(axis.size) * -1.0)
        expected = np.array([scribe.level(seq, axis.size) for seq in (1, 2)])
        assert np.array_equal(sweeps.level.values, expected)
        if place == "journal":
            scribe.seal(writer, seq=2)
        elif place == "segment":
            assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1


def test_events_come_in_the_order_of_their_commit_from_everywhere(scribe: Any) -> None:
    """Sweeps of several steps and setups, gaps and hours; the setup before its first sweep."""
    writer = scribe.begun()
    told: list[str] = []
    second = scribe.setup(step=1, setup="dd44")
    other = scribe.setup(setup="bb22")

    def keep(batch: Batch, *names: str) -> None:
        writer.commit(batch).result(timeout=10)
        told.extend(names)

    def sweep(seq: int, setup: SetupRecord) -> Batch:
        record = replace(scribe.sweep(seq), setup=setup.setup, step=setup.step)
        return Batch(setups=(setup,), sweeps=(record,))

    def gap(at_s: float) -> Batch:
        record = GapRecord(job="harbour", from_s=at_s, to_s=at_s, count=1, reason="paused")
        return Batch(gaps=(record,))

    keep(gap(1.0), "gap 1.0")
    keep(sweep(1, scribe.setup()), "aa11", "1")
    keep(sweep(2, second), "dd44", "2")
    scribe.seal(writer, seq=2)
    keep(sweep(3, scribe.setup()), "3")
    keep(Batch(hourly=(HourlyRecord(job="harbour", hour_start_s=0.0, figures={}),)), "hour")
    keep(sweep(4, other), "bb22", "4")
    keep(gap(2.0), "gap 2.0")
    scribe.seal(writer, seq=4)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 3
    keep(sweep(5, scribe.setup()), "aa11", "5")
    keep(sweep(6, second), "6")
    keep(gap(3.0), "gap 3.0")

    def name(event: Any) -> str:
        if isinstance(event, GapRecord):
            return f"gap {event.from_s}"
        if isinstance(event, HourlyRecord):
            return "hour"
        return event.setup if isinstance(event, SetupRecord) else str(event.seq)

    assert [name(event) for event in open_archive(scribe.root).events("harbour")] == told


def test_a_replay_goes_on_when_its_files_are_merged_under_it(scribe: Any) -> None:
    """It lists anew and continues after the last sweep it gave."""
    writer = scribe.begun()
    for turn in range(4):
        first = turn * 10 + 1
        writer.commit(scribe.batch(first, first + 9)).result(timeout=10)
        scribe.seal(writer, seq=first + 9)
    writer.commit(scribe.batch(41, 45)).result(timeout=10)
    events = open_archive(scribe.root).events("harbour")
    seqs = [event.seq for _, event in zip(range(13), events, strict=False) if hasattr(event, "seq")]
    assert seqs == list(range(1, 13))
    scribe.seal(writer, seq=45)
    assert writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20) == 1
    rest = [event.seq for event in events if isinstance(event, SweepRecord)]
    assert rest == list(range(13, 46))


def test_gaps_findings_and_hours_by_time(scribe: Any) -> None:
    """From ledger and journal, each once, by the time that they are about."""
    writer = scribe.begun()
    gaps = [
        GapRecord(job="harbour", from_s=at_s, to_s=at_s, count=1, reason="overrun")
        for at_s in (100.0, 200.0, 300.0)
    ]
    hours = [HourlyRecord(job="harbour", hour_start_s=h, figures={}) for h in (0.0, 3600.0)]
    writer.commit(Batch(gaps=tuple(gaps[:2]), hourly=tuple(hours[:1]))).result(timeout=10)
    writer.commit(Batch(findings=(scribe.finding(1), scribe.finding(2)))).result(timeout=10)
    scribe.seal(writer)
    writer.commit(
        Batch(gaps=tuple(gaps[2:]), hourly=tuple(hours[1:]), findings=(scribe.finding(3),))
    ).result(timeout=10)
    archive = open_archive(scribe.root)
    assert archive.gaps("harbour") == gaps
    assert archive.gaps("harbour", 200.0, 300.0) == gaps[1:2]
    assert archive.hourly("harbour", 1.0) == hours[1:]
    assert [f.number for f in archive.findings("harbour")] == [1, 2, 3]
    assert [f.number for f in archive.findings("harbour", scribe.start_s + 2.0)] == [2, 3]
    assert archive.findings("pier") == []
    assert archive.jobs() == ["harbour"]


def test_coverage_counts_due_sweeps_that_are_stored(scribe: Any) -> None:
    """Each of a burst, and none of what else a pass sweeps; gaps by reason; flags are counted."""
    writer = scribe.begun()
    sweeps = [
        scribe.sweep(1),
        scribe.sweep(2, pass_id=2),
        scribe.sweep(3, pass_id=2, step=1, flags=SweepFlag.REPEATED | SweepFlag.LATE),
        scribe.sweep(4, flags=SweepFlag.LATE),
        scribe.sweep(5, pass_id=4),
    ]
    gaps = (
        GapRecord(
            job="harbour",
            from_s=scribe.start_s + 10,
            to_s=scribe.start_s + 19,
            count=10,
            reason="overrun",
        ),
        GapRecord(job="harbour", from_s=0.0, to_s=0.0, count=7, reason="station down"),
    )
    writer.commit(
        Batch(setups=(scribe.setup(), scribe.setup(step=1)), sweeps=tuple(sweeps), gaps=gaps)
    ).result(timeout=10)
    archive = open_archive(scribe.root)
    whole = archive.coverage("harbour")
    assert (whole.stored, whole.sweeps, whole.due) == (4, 5, 21)
    assert whole.missed == {"overrun": 10, "station down": 7}
    assert whole.flagged == {"repeated": 1, "late": 2}
    assert whole.fraction == 4 / 21
    part = archive.coverage("harbour", scribe.start_s, scribe.start_s + 15)
    assert (part.stored, dict(part.missed)) == (4, {"overrun": 5})
    assert np.isnan(archive.coverage("harbour", 1.0, 2.0).fraction)


@pytest.mark.parametrize(
    ("count", "to_s", "start_s", "stop_s", "due"),
    [
        (5, 18.0, 0.0, 100.0, 5),
        (5, 18.0, 10.0, 18.0, 4),
        (5, 18.0, 11.0, 15.0, 2),
        (5, 18.0, 12.0, 12.0, 0),
        (5, 18.0, 18.0, 19.0, 1),
        (1, 10.0, 10.0, 11.0, 1),
        (1, 10.0, 9.0, 10.0, 0),
        (3, 10.0, 0.0, 11.0, 3),
    ],
)
def test_due_times_of_a_gap_within_a_range(
    count: int, to_s: float, start_s: float, stop_s: float, due: int
) -> None:
    """First due at 10 s, last at to_s, evenly between; the start counts and the stop does not."""
    gap = GapRecord(job="j", from_s=10.0, to_s=to_s, count=count, reason="overrun")
    assert due_within(gap, start_s, stop_s) == due


def test_complex_levels_read_as_complex(scribe: Any) -> None:
    """From journal and file alike; as a ratio, without a level unit."""
    setup = scribe.setup(unit="1", resolution=None)
    level = (np.arange(31) - 1j * np.arange(31) / 3).astype(np.complex64)
    writer = scribe.begun()
    writer.commit(Batch(setups=(setup,), sweeps=(scribe.sweep(1, level=level),))).result(timeout=10)
    scribe.seal(writer, seq=1)
    writer.commit(Batch(sweeps=(scribe.sweep(2, level=level * 2),))).result(timeout=10)
    sweeps = open_archive(scribe.root).sweeps("harbour")
    assert sweeps.level.dtype == np.complex64
    assert np.array_equal(sweeps.level.values, np.array([level, level * 2]))


def test_an_archive_on_a_medium_that_cannot_be_written_is_read(scribe: Any, tmp_path: Path) -> None:
    """Also where the station was killed and its last minutes are still in the journal's log."""
    writer = _three_places(scribe)
    writer.close((), seal=False)
    medium = tmp_path / "medium"
    medium.mkdir()
    mount = ["mount", "-t", "tmpfs", "tmpfs", str(medium)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.skip("cannot mount a file system here")
    try:
        shutil.copytree(scribe.root, medium / "archive")
        (journal,) = (medium / "archive" / "journals").glob("*.sqlite")
        # As a kill leaves it: the last sweep only in the log, which needs an index to be read.
        _commit_and_die(journal)
        subprocess.run(["mount", "-o", "remount,ro", str(medium)], check=True)
        archive = open_archive(medium / "archive")
        assert archive.sweeps("harbour").sequence.values.tolist() == list(range(1, 12))
        assert len(list(archive.events("harbour"))) == 12
    finally:
        subprocess.run(["umount", "-l", str(medium)], check=True)


def _commit_and_die(journal: Path) -> None:
    """Copy the last sweep under the next number, in a process that ends without closing."""
    code = (
        "import os, sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1], isolation_level=None)\n"
        "names = [r[1] for r in db.execute('PRAGMA table_info(sweep)')]\n"
        "chosen = [f'{n} + 1' if n in ('event', 'seq') else n for n in names]\n"
        "db.execute(f\"INSERT INTO sweep SELECT {', '.join(chosen)} FROM sweep \"\n"
        "           'ORDER BY event DESC LIMIT 1')\n"
        "os._exit(0)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(journal)], check=True)
    journal.with_name(journal.name + "-shm").unlink()
    assert journal.with_name(journal.name + "-wal").stat().st_size > 0


@pytest.mark.slow
def test_a_reader_beside_a_busy_writer_never_misses_or_doubles_a_sweep(scribe: Any) -> None:
    """Commits, rotations, seals and merges go on while others list, load and replay."""
    writer = scribe.begun()
    stored = [0]
    stop = threading.Event()
    problems: list[BaseException] = []

    def read() -> None:
        try:
            archive = open_archive(scribe.root)
            while not stop.is_set():
                least = stored[0]
                if not least:
                    continue
                sweeps = archive.sweeps("harbour")
                found = sweeps.sequence.values
                assert found.size >= least
                assert np.array_equal(found, np.arange(1, found.size + 1))
                part = slice(max(0, found.size - 60), None, 7)
                expected = _levels(scribe, *found[part].tolist())
                assert np.array_equal(sweeps.level[part].values, expected)
                least = stored[0]
                replayed = [e.seq for e in archive.events("harbour") if isinstance(e, SweepRecord)]
                assert len(replayed) >= least
                assert replayed == list(range(1, len(replayed) + 1))
        except BaseException as exc:
            problems.append(exc)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for thread in readers:
        thread.start()
    seq = 0
    for turn in range(60):
        writer.commit(scribe.batch(seq + 1, seq + 5)).result(timeout=10)
        seq += 5
        stored[0] = seq
        if turn % 4 == 3:
            writer.rotate([scribe.meter(seq)]).result(timeout=10)
        if turn % 12 == 11:
            writer.merge_due(scribe.start_s + 2 * DAY_S)
        if problems:
            break
    stop.set()
    for thread in readers:
        thread.join(30)
    assert problems == []
    scribe.wait_sealed(writer)


@pytest.mark.parametrize(
    "change",
    [
        "tag = '<q7'",
        "columns = CAST(x'7bff7d' AS TEXT)",
        "columns = 'no JSON'",
        "run_id = CAST(x'fffe' AS TEXT)",
        "took_s = 'soon'",
        "seq = x'00ff'",
        "level = x'00'",
    ],
)
def test_a_row_of_a_journal_that_makes_no_sense_costs_no_other(
    scribe: Any, tmp_path: Path, change: str
) -> None:
    """Found by mutating archives: SQLite hands any bytes over as they are. The sweeps of other
    files and steps are read, the row is named in a warning, and verify finds it."""
    _three_places(scribe)
    root = tmp_path / "spoilt"
    shutil.copytree(scribe.root, root)
    (journal,) = list_journals(root)
    with closing(sqlite3.connect(journal)) as db, db:
        db.execute(f"UPDATE sweep SET {change} WHERE event = (SELECT MAX(event) FROM sweep)")
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        archive = open_archive(root)
        found = archive.sweeps("harbour")
        events = list(archive.events("harbour"))
        level = found.level.values
    assert set(range(1, 9)) <= set(found.sequence.values)
    np.testing.assert_array_equal(level[:8], _levels(scribe, *range(1, 9)))
    assert {one.seq for one in events if isinstance(one, SweepRecord)} >= set(range(1, 9))
    assert said and all(str(journal) in str(one.message) for one in said)
    wrong = {one.where for one in verify_archive(root).wrong}
    assert journal.relative_to(root).as_posix() in wrong
