"""Every changed byte of a file is found, and what is missing, doubled or said otherwise."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sqlite3
import threading
import warnings
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.damage import DamageWarning
from acqd.archive.inspector import Inspector
from acqd.archive.layout import DAY_S
from acqd.archive.mending import new_ledger, put_aside, relist
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, GapRecord, HourlyRecord, SweepRecord
from acqd.archive.setaside import read_untold
from acqd.archive.sweepfile import SweepFile
from acqd.archive.verified import Verified
from acqd.archive.verify import verify_archive
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveDamaged, ArchiveError, ArchiveLocked
from acqd.plan.downtime import plan_to_json
from acqd.plan.jobs import PlannedJob
from acqd.plan.schedule import Schedule
from spoiling import flip, lines, segment, warned

MUTATIONS = 160


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory, scribe_on: Callable[[Path], Any]) -> Path:
    """A whole archive: a volume of a merged day, two segments of the next, a journal."""
    root = tmp_path_factory.mktemp("pristine") / "archive"
    scribe = scribe_on(root)
    start_s = scribe.start_s
    writer = scribe.begun()
    writer.record_plan(_plan(start_s + 0.5, every_s=1.0), start_s + 0.5).result(timeout=10)
    number = 0
    for first in (1, 301, 601):
        number += 1
        _commit(scribe, writer, first, first + 299, number)
        scribe.seal(writer, seq=first + 299)
    scribe.clock.advance(2 * DAY_S)
    assert writer.merge_due(start_s + 2 * DAY_S).result(timeout=10) == 1
    scribe.start_s += DAY_S
    writer.commit(Batch(gaps=(_down(scribe, 901),))).result(timeout=10)
    for first in (901, 1001):
        number += 1
        _commit(scribe, writer, first, first + 99, number)
        scribe.seal(writer, seq=first + 99)
    writer.add_overlay("note", body={"text": "lamp off"}, who="keeper").result(timeout=10)
    _commit(scribe, writer, 1101, 1120, number + 1)
    writer.close([])
    return root


def _down(scribe: Any, first: int) -> GapRecord:
    """From the last sweep of the day before to the one before ``first``, a day later."""
    from_s, to_s = scribe.start_s - DAY_S + first, scribe.start_s + first - 1
    count = round(to_s - from_s) + 1
    return GapRecord(job="harbour", from_s=from_s, to_s=to_s, count=count, reason="station down")


def _commit(scribe: Any, writer: ArchiveWriter, first: int, last: int, finding: int) -> None:
    """Sweeps a second apart, each due on the second, from the scribe's start on."""
    sweeps = []
    for seq in range(first, last + 1):
        at_s = scribe.start_s + seq
        sweeps.append(scribe.sweep(seq, due_s=at_s, started_s=at_s + 0.125, monotonic_s=at_s))
    hour = HourlyRecord(job="harbour", hour_start_s=scribe.start_s + first, figures={"n": first})
    found = scribe.finding(finding, at_s=scribe.start_s + first)
    batch = Batch(setups=(scribe.setup(),), sweeps=tuple(sweeps), findings=(found,), hourly=(hour,))
    writer.commit(batch).result(timeout=10)


def _plan(at_s: float, *, every_s: float) -> str:
    return plan_to_json([PlannedJob(name="harbour", schedule=Schedule(every_s=every_s))], at_s)


@pytest.fixture
def root(pristine: Path, tmp_path: Path) -> Path:
    """A copy to spoil."""
    return Path(shutil.copytree(pristine, tmp_path / "archive"))


def _volume(root: Path) -> Path:
    return next(root.glob("sweeps/*/*/volume_*.nc"))


def _names(found: Verified, path: Path) -> bool:
    return any(path.name in str(one) for one in found.wrong)


# -- whole -----------------------------------------------------------------------------------------


def test_an_archive_as_it_was_written_is_whole(root: Path, inspector: Inspector) -> None:
    """One line says so, with what was looked at; nothing is changed by looking."""
    before = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    found = verify_archive(root, inspector=inspector)
    assert lines(found) == "5 files, 1,120 sweeps of 1 job: all as they were written"
    after = {path: path.read_bytes() for path in root.rglob("*") if path.is_file()}
    # SQLite makes an empty log and its index beside a database that is read.
    assert {k: v for k, v in after.items() if v and not k.name.endswith("-shm")} == {
        k: v for k, v in before.items() if v
    }


def test_there_must_be_such_a_job(root: Path, inspector: Inspector) -> None:
    """The error names those that there are."""
    with pytest.raises(ArchiveError, match="no job 'harbor'; there is harbour"):
        verify_archive(root, job="harbor", inspector=inspector)


# -- changed bytes ---------------------------------------------------------------------------------


def test_a_changed_byte_anywhere_in_a_file_is_found(root: Path, inspector: Inspector) -> None:
    """At random places of volume and segment: each is named, in one line, and nothing hangs."""
    chance = random.Random(20260601)
    for turn in range(MUTATIONS):
        path = _volume(root) if turn % 2 else segment(root)
        whole = path.read_bytes()
        at = chance.randrange(len(whole))
        flip(path, at, 1 << chance.randrange(8))
        found = verify_archive(root, inspector=inspector)
        path.write_bytes(whole)
        assert _names(found, path), f"byte {at} of {path.name}\n{lines(found)}"
        assert all("\n" not in str(one) for one in found.wrong)
    assert verify_archive(root, inspector=inspector).is_whole


PLACES = {
    "superblock": lambda path: 9,
    "end of the superblock": lambda path: 60,
    "an attribute": lambda path: path.read_bytes().index(b"acqd_schema") + 3,
    "a name of a job": lambda path: path.read_bytes().index(b"harbour"),
    "a digest": lambda path: path.read_bytes().index(_digest(path)),
    "a row of the ledger": lambda path: path.read_bytes().index(b"signal_appeared"),
    "a chunk of levels": lambda path: _chunk(path) + 40,
    "the head of a chunk": lambda path: _chunk(path),
    "the checksum of a chunk": lambda path: _chunk(path, last=True),
    "the last byte": lambda path: path.stat().st_size - 1,
}


def _digest(path: Path) -> bytes:
    with SweepFile(path) as file:
        return file.digests()[0].encode()


def _chunk(path: Path, *, last: bool = False) -> int:
    import h5py

    with h5py.File(path, "r") as file:
        chunk = file["level"].id.get_chunk_info(0)
        return int(chunk.byte_offset) + (int(chunk.size) - 1 if last else 0)


@pytest.mark.parametrize("place", PLACES)
@pytest.mark.parametrize("which", [_volume, segment], ids=["volume", "segment"])
def test_a_changed_byte_of_each_part_is_found(
    root: Path, inspector: Inspector, place: str, which: Any
) -> None:
    """By verifying; and by a reader before HDF5 sees it, or by the chunk's own checksum: what it
    gives is what was written, or is left out with a warning."""
    path = which(root)
    expected = open_archive(root).sweeps("harbour").level.load()
    flip(path, PLACES[place](path))
    found = verify_archive(root, inspector=inspector)
    assert _names(found, path), lines(found)
    with warned(path.name), open_archive(root) as archive:
        data = archive.sweeps("harbour")
        read = data.level.load()
        assert archive.damage("harbour")
        coverage = archive.coverage("harbour")
    same = expected.sel(sweep=np.isin(expected.sequence, read.sequence)).values
    whole = ~np.isnan(read.values).any(axis=1)
    assert np.array_equal(read.values[whole], same[whole])
    assert coverage.damaged > 0
    assert coverage.stored + coverage.damaged == 1120


@pytest.mark.parametrize(
    "spoil",
    [
        lambda path, other: path.write_bytes(path.read_bytes()[:-1]),
        lambda path, other: path.write_bytes(path.read_bytes()[: path.stat().st_size // 2]),
        lambda path, other: path.write_bytes(b""),
        lambda path, other: path.write_bytes(path.read_bytes() + b"\0"),
        lambda path, other: path.write_bytes(b"Kittiwake" * 9999),
        lambda path, other: path.write_bytes(other.read_bytes()),
        lambda path, other: path.unlink(),
    ],
    ids=["a byte short", "half", "empty", "a byte long", "garbage", "another", "missing"],
)
@pytest.mark.parametrize("which", [_volume, segment], ids=["volume", "segment"])
def test_a_file_that_is_not_what_it_was_is_found(
    root: Path, inspector: Inspector, spoil: Any, which: Any
) -> None:
    """By verifying and by readers; all the rest is read."""
    path = which(root)
    first, last = (1, 900) if which is _volume else (901, 1000)
    spoil(path, segment(root) if which is _volume else _volume(root))
    found = verify_archive(root, inspector=inspector)
    assert found.wrongs == 1 and _names(found, path), lines(found)
    with open_archive(root) as archive:
        (damage,) = archive.damage("harbour")
        assert (damage.sequences[0], damage.sequences[-1]) == (first, last)
    with warned(path.name if path.exists() else None), open_archive(root) as archive:
        data = archive.sweeps("harbour")
        assert not np.isin(np.arange(first, last + 1), data.sequence).any()
        assert data.sizes["sweep"] == 1120 - (last - first + 1)
        assert path.name in data.attrs["damage"][0]
        events = [one.seq for one in archive.events("harbour") if isinstance(one, SweepRecord)]
        assert len(events) == data.sizes["sweep"]
        coverage = archive.coverage("harbour")
        assert coverage.damaged == last - first + 1
        # Its findings are in the ledger all the same.
        assert len(archive.findings("harbour")) == 6


def test_a_block_that_cannot_be_inflated_leaves_the_others(root: Path) -> None:
    """Its levels are NaN and warned of; from then on its sweeps are left out and counted so."""
    path = _volume(root)
    with SweepFile(path) as file:
        rows = file.chunk_rows
    assert rows < 900
    archive = open_archive(root)
    flip(path, _chunk(path) + 40)
    before = archive.sweeps("harbour")
    with pytest.warns(DamageWarning, match="a chunk cannot be inflated"):
        levels = before.level.values
    assert np.isnan(levels[:rows]).all() and not np.isnan(levels[rows:]).any()
    after = archive.sweeps("harbour")
    assert after.sizes["sweep"] == before.sizes["sweep"] - rows
    assert f"{rows} sweeps (1 to {rows})" in after.attrs["damage"][0]
    assert archive.coverage("harbour").damaged == rows


def test_who_reads_every_byte_knows_of_blocks_before_they_are_met(root: Path) -> None:
    """As a report asks, before it draws anything."""
    path = _volume(root)
    flip(path, _chunk(path) + 40)
    assert not open_archive(root).damage("harbour")
    with pytest.warns(DamageWarning):
        (damage,) = open_archive(root).damage("harbour", thorough=True)
    assert damage.sweeps == 256
    start_s = float(damage.times_s[0])
    assert damage.within(start_s, start_s + 10.0) == 10


# -- lists -----------------------------------------------------------------------------------------


def _manifest(root: Path) -> Path:
    return _volume(root).parent / "manifest.json"


def test_a_lost_manifest_is_told_and_made_anew(root: Path, inspector: Inspector) -> None:
    """The ledger's digests stand in; files are read as before."""
    _manifest(root).unlink()
    found = verify_archive(root, inspector=inspector)
    assert found.wrongs == 1 and "manifest.json: is missing; the ledger's digests" in lines(found)
    assert open_archive(root).sweeps("harbour").sizes["sweep"] == 1120
    assert relist(root, found.wrong, now_s=0.0)
    assert verify_archive(root, inspector=inspector).is_whole


@pytest.mark.parametrize(
    "text", [b"", b"{", b"[]", b'{"schema": 1, "files": [{}]}', b'{"schema": 9, "files": []}']
)
def test_a_garbled_manifest_is_told_and_made_anew(
    root: Path, inspector: Inspector, text: bytes
) -> None:
    """What it was is kept beside, in set-aside."""
    _manifest(root).write_bytes(text)
    found = verify_archive(root, inspector=inspector)
    assert found.wrongs == 1 and "manifest.json: is garbled" in lines(found)
    relist(root, found.wrong, now_s=0.0)
    assert verify_archive(root, inspector=inspector).is_whole
    assert [path.read_bytes() for path in root.glob("set-aside/*manifest*")] == [text]


def test_a_changed_byte_of_a_manifest_is_found(root: Path, inspector: Inspector) -> None:
    """Or makes no difference to what it says, as among blanks, or in what readers hold heads
    against, which is then looked at in another way."""
    chance = random.Random(7)
    path = _manifest(root)
    whole = path.read_bytes()
    said = json.loads(whole)
    for _ in range(60):
        at = chance.randrange(len(whole))
        flip(path, at, 1 << chance.randrange(7))
        found = verify_archive(root, inspector=inspector)
        try:
            now = json.loads(path.read_bytes())
            harmless = all(now.get(key) == said[key] for key in ("schema", "files"))
        except ValueError:
            harmless = False
        assert found.is_whole == harmless, f"byte {at}\n{lines(found)}"
        assert open_archive(root).sweeps("harbour").sizes["sweep"] == 1120
        path.write_bytes(whole)


def test_a_name_that_nobody_gave_costs_no_memory(root: Path, inspector: Inspector) -> None:
    """A list that says a file has ten thousand million numbers is told, and no more."""
    path = _manifest(root)
    path.write_text(path.read_text().replace("-0000000900_", "-9999999999_"))
    found = verify_archive(root, inspector=inspector)
    assert not found.is_whole and "volume_0000000001-9999999999" in lines(found)
    assert open_archive(root).sweeps("harbour").sizes["sweep"] == 1120


def test_a_copy_under_another_name_is_told(root: Path, inspector: Inspector) -> None:
    """Its numbers are used twice."""
    path = segment(root)
    shutil.copy(path, path.with_name(path.name.replace("0000000901", "0000000902")))
    found = verify_archive(root, inspector=inspector)
    assert "numbers of sweeps, 901 the first, are used twice" in lines(found)


def test_a_file_that_nobody_lists_is_told_and_listed(root: Path, inspector: Inspector) -> None:
    """It is whole by its own digests."""
    path = segment(root)
    manifest = path.parent / "manifest.json"
    body = json.loads(manifest.read_bytes())
    body["files"] = [one for one in body["files"] if one["name"] != path.name]
    manifest.write_text(json.dumps(body))
    with closing(sqlite3.connect(root / "ledger.sqlite")) as ledger, ledger:
        ledger.execute("DELETE FROM file WHERE path LIKE ?", (f"%{path.name}",))
    found = verify_archive(root, inspector=inspector)
    assert found.wrongs == 1 and "is listed neither in the manifest nor" in lines(found)
    relist(root, found.wrong, now_s=0.0)
    assert verify_archive(root, inspector=inspector).is_whole


def test_files_that_belong_to_nothing_are_noted(root: Path, inspector: Inspector) -> None:
    """They are no damage."""
    for place in ("stray.txt", "journals/stray.txt", "sweeps/harbour/stray.txt"):
        (root / place).write_text("a note to self")
    (segment(root).parent / "segment.nc.tmp").write_bytes(b"half")
    (segment(root).parent / "whip.csv").write_text("1,2")
    (root / "journals" / "journal-0000000001-abc.sqlite-wal").write_bytes(b"log")
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and len(found.notes) == 6, lines(found)


# -- databases -------------------------------------------------------------------------------------


def _garble(path: Path, page: int) -> None:
    data = bytearray(path.read_bytes())
    data[page * 4096 : (page + 1) * 4096] = os.urandom(4096)
    path.write_bytes(data)


def test_a_damaged_ledger_is_told_and_made_anew(root: Path, inspector: Inspector) -> None:
    """Its own rows that can be read are taken; readers go by the copies in the files meanwhile."""
    path = root / "ledger.sqlite"
    path.write_bytes(b"\0" * 100 + path.read_bytes()[100:])
    found = verify_archive(root, inspector=inspector)
    assert found.wrongs == 1 and "ledger.sqlite: not a whole ledger" in lines(found)
    with warned("ledger"), open_archive(root) as archive:
        assert archive.sweeps("harbour").sizes["sweep"] == 1120
        assert len(archive.findings("harbour")) == 6
        assert archive.coverage("harbour").missed
    text = new_ledger(root, now_s=0.0)
    assert "is set aside as set-aside/ledger.sqlite" in text
    assert [one.what for one in read_untold(root)] == ["ledger_rebuilt"]
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole, lines(found)


def test_of_a_damaged_ledger_what_can_be_read_is_kept(root: Path, inspector: Inspector) -> None:
    """A note that no file has yet outlives pages of the ledger that are gone."""
    path = root / "ledger.sqlite"
    with closing(sqlite3.connect(path)) as ledger:
        (page,) = ledger.execute(
            "SELECT rootpage FROM sqlite_master WHERE name = 'hourly'"
        ).fetchone()
    _garble(path, page - 1)
    assert not verify_archive(root, inspector=inspector).is_whole
    new_ledger(root, now_s=0.0)
    (note,) = open_archive(root).overlays()
    assert note.body == {"text": "lamp off"}
    assert verify_archive(root, inspector=inspector).is_whole


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ("UPDATE finding SET text = 'another' WHERE number = 1", "1 row of finding"),
        (
            "UPDATE hourly SET figures = '{}' WHERE rowid = (SELECT MIN(rowid) FROM hourly)",
            "hourly",
        ),
        ("DELETE FROM finding WHERE number = 2", "findings of harbour are missing: 2"),
        ("DELETE FROM plan", "1 row of plan"),
        ("UPDATE finding SET figures = '{' WHERE number = 1", "a row of finding"),
        ("UPDATE file SET sweeps = 7 WHERE kind = 'volume'", "lists another sweeps of volume_"),
        ("UPDATE file SET sha256 = 'x' WHERE kind = 'segment'", "lists another sha256 of segment_"),
        ("UPDATE watermark SET last_seq = 2000", "sweeps 1121 to 2000 are in no file"),
        ("UPDATE watermark SET last_finding = 1 << 60", "are missing: 7, 8, 9 and 1,152,"),
        ("DELETE FROM gap", "86,400 due sweeps of"),
    ],
)
def test_a_ledger_that_says_something_else_is_told(
    root: Path, inspector: Inspector, change: str, said: str
) -> None:
    """By the copies in the volumes, by the files, and by its own numbers."""
    with closing(sqlite3.connect(root / "ledger.sqlite")) as ledger, ledger:
        assert ledger.execute(change).rowcount
    assert said in lines(verify_archive(root, inspector=inspector))


@pytest.mark.parametrize("page", [0, 1, 5, 9])
def test_a_damaged_journal_is_told_and_the_rest_is_read(
    root: Path, inspector: Inspector, page: int
) -> None:
    """What it had is not known; files and ledger are read as before."""
    (path,) = (root / "journals").glob("*.sqlite")
    expected = open_archive(root).sweeps("harbour").level.values
    _garble(path, page)
    found = verify_archive(root, inspector=inspector)
    assert _names(found, path), lines(found)
    with warnings.catch_warnings(record=True) as said:
        warnings.simplefilter("always")
        levels = open_archive(root).sweeps("harbour").level.load()
        assert open_archive(root).jobs() == ["harbour"]
        assert len(list(open_archive(root).events("harbour"))) > 1100
    assert not np.isnan(levels.sel(sweep=levels.sequence <= 1100).values).any()
    if not any(path.name in str(one.message) for one in said):
        # What is garbled is an index that this way of asking does not need.
        assert np.array_equal(levels.values, expected)


# -- numbers, times, what was due ------------------------------------------------------------------


def test_numbers_that_are_missing_are_told_unless_a_gap_says_why(
    scribe: Any, inspector: Inspector
) -> None:
    """Between two sweeps that follow each other."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    writer.commit(scribe.batch(8, 9)).result(timeout=10)
    found = verify_archive(scribe.root, inspector=inspector)
    assert "sweeps 6 to 7 are in no file" in lines(found)
    at_s = scribe.start_s + 6
    gap = GapRecord(job="harbour", from_s=at_s, to_s=at_s + 1, count=2, reason="disk full")
    writer.commit(Batch(gaps=(gap,))).result(timeout=10)
    assert verify_archive(scribe.root, inspector=inspector).is_whole


def test_times_that_fall_are_told_unless_the_clock_was_set(
    scribe: Any, inspector: Inspector
) -> None:
    """A finding of the station says that it was."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    late = [scribe.sweep(seq, started_s=scribe.start_s + seq - 100.0) for seq in (6, 7)]
    writer.commit(scribe.batch(6, 7, sweeps=tuple(late))).result(timeout=10)
    writer.rotate([scribe.meter(7)]).result(timeout=10)
    scribe.wait_sealed(writer)
    found = verify_archive(scribe.root, inspector=inspector)
    assert "times fall by 99.125 s at sweep 6" in lines(found)
    told = scribe.finding(1, job="station", what="clock_stepped", at_s=scribe.start_s - 90.0)
    writer.commit(Batch(findings=(told,))).result(timeout=10)
    assert verify_archive(scribe.root, inspector=inspector).is_whole


def test_due_sweeps_that_nothing_accounts_for_are_told(scribe: Any, inspector: Inspector) -> None:
    """By the plan that was in force; after a change of plan by the new one."""
    writer = scribe.begun()
    start_s = scribe.start_s + 0.5
    writer.record_plan(_plan(start_s, every_s=1.0), start_s).result(timeout=10)
    writer.commit(scribe.batch(1, 10)).result(timeout=10)
    change_s = scribe.start_s + 10.5
    writer.record_plan(_plan(change_s, every_s=2.0), change_s).result(timeout=10)
    later = [
        scribe.sweep(seq, due_s=at_s, started_s=at_s + 0.1)
        for seq, at_s in ((11, scribe.start_s + 12), (12, scribe.start_s + 18))
    ]
    writer.commit(scribe.batch(11, 12, sweeps=tuple(later))).result(timeout=10)
    found = verify_archive(scribe.root, inspector=inspector)
    assert found.wrongs == 1, lines(found)
    assert "2 due sweeps of" in lines(found) and "(4 due, 2 stored, 0 in gaps)" in lines(found)
    gap = GapRecord(
        job="harbour",
        from_s=scribe.start_s + 14,
        to_s=scribe.start_s + 16,
        count=2,
        reason="sweeper lost",
    )
    writer.commit(Batch(gaps=(gap,))).result(timeout=10)
    assert verify_archive(scribe.root, inspector=inspector).is_whole


# -- set aside -------------------------------------------------------------------------------------


def test_what_is_set_aside_is_named_and_never_due(root: Path, inspector: Inspector) -> None:
    """Moved, listed, told at the next start; readers say so; put back and listed all is whole."""
    path = segment(root)
    whole = path.read_bytes()
    flip(path, len(whole) // 2)
    found = verify_archive(root, inspector=inspector)
    (line,) = put_aside(root, found.wrong, now_s=0.0)
    where = line.rpartition(" ")[2]
    assert where.startswith("set-aside/harbour_2026-05-29_segment_")
    assert (root / where).exists() and not path.exists()
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and "was set aside as" in lines(found)
    archive = open_archive(root)
    assert "set aside as set-aside/" in archive.sweeps("harbour").attrs["damage"][0]
    assert archive.coverage("harbour").damaged == 100
    assert "100 sweeps" in read_untold(root)[0].text
    path.write_bytes(whole)
    found = verify_archive(root, inspector=inspector)
    relist(root, found.wrong, now_s=0.0)
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and not found.notes, lines(found)
    assert open_archive(root).coverage("harbour").damaged == 0


def test_a_damaged_segment_costs_its_broken_block_alone_when_it_is_merged(scribe: Any) -> None:
    """The others go into the volume, the segment is set aside, and that is to be told."""
    writer = scribe.begun()
    for first in (1, 601):
        writer.commit(scribe.batch(first, first + 599)).result(timeout=10)
        scribe.seal(writer, seq=first + 599)
    broken, other = scribe.files()
    flip(broken, _chunk(broken) + 20)
    unreadable = writer.merge_due(scribe.start_s + 2 * DAY_S).result(timeout=20)
    assert unreadable == 1
    (mishap,) = writer.take_mishaps()
    assert mishap.what == "file_damaged" and mishap.figures["lost_sweeps"] == 256
    archive = open_archive(scribe.root)
    assert archive.sweeps("harbour").sequence.values.tolist() == list(range(257, 1201))
    assert archive.coverage("harbour").damaged == 256
    assert not other.exists() and not broken.exists()
    writer.close([])
    assert verify_archive(scribe.root).is_whole


def test_nothing_is_changed_beside_a_station(scribe: Any, inspector: Inspector) -> None:
    """Its lock holds for these too."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    scribe.seal(writer, seq=5)
    with pytest.raises(ArchiveLocked):
        new_ledger(scribe.root, now_s=0.0)
    with pytest.raises(ArchiveLocked):
        put_aside(scribe.root, [], now_s=0.0)
    with pytest.raises(ArchiveLocked):
        relist(scribe.root, [], now_s=0.0)


# -- the reader that is limited --------------------------------------------------------------------


def test_a_file_that_is_never_read_to_its_end_costs_its_time_alone(tmp_path: Path) -> None:
    """The child is ended, and the next file has a new one."""
    endless = tmp_path / "segment_0000000001-0000000002_step0_aa.nc"
    os.mkfifo(endless)
    with Inspector(least_s=0.5) as inspector:
        assert inspector.inspect(endless)["problem"] == "reading it did not come to an end in time"
        other = tmp_path / "other.nc"
        other.write_bytes(b"Kittiwake")
    with Inspector() as inspector:
        assert "not a whole HDF5 file" in inspector.inspect(other)["problem"]


def test_a_file_that_ends_its_reader_is_told_by_how_it_ended(tmp_path: Path) -> None:
    """As a crash of HDF5 would."""
    endless = tmp_path / "endless"
    os.mkfifo(endless)
    with Inspector(least_s=60) as inspector:
        pid = inspector.started_pid()
        threading.Timer(0.5, os.kill, (pid, signal.SIGSEGV)).start()
        assert "ended the reader (SIGSEGV)" in inspector.inspect(endless)["problem"]


def test_a_file_that_wants_too_much_memory_is_told(root: Path) -> None:
    """The limit is the child's alone."""
    with Inspector(memory_bytes=1 << 27) as inspector:
        assert inspector.inspect(_volume(root))["problem"]
    with Inspector() as inspector:
        assert inspector.inspect(_volume(root))["problem"] is None


def test_a_reader_refuses_a_file_of_another_shape(root: Path) -> None:
    """One that no manifest lists, whose parts do not fit each other."""
    import h5py

    path = segment(root)
    (path.parent / "manifest.json").unlink()
    with h5py.File(path, "r+") as file:
        del file["flags"]
        file["flags"] = np.zeros(3, dtype="<i4")
    with pytest.raises(ArchiveDamaged, match="flags is not one number a sweep"):
        SweepFile(path)
