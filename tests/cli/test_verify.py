"""``acqd verify`` as its user sees it: one line first, exit codes, changes only when told to."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.records import Batch, SetupRecord, SweepRecord
from acqd.archive.writer import ArchiveWriter
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock

START_S = 1_780_000_000.0
POINTS = 21


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    """Two segments of one job, and nobody at work."""
    root = tmp_path / "archive"
    writer = _writer(root)
    writer.begin([])
    for first in (1, 11):
        writer.commit(_batch(first, first + 9)).result(timeout=10)
        writer.rotate([]).result(timeout=10)
    writer.close([], within_s=20.0)
    return root


def _writer(root: Path) -> ArchiveWriter:
    return ArchiveWriter.open(
        root, station="lookout", run_id="run", clock=ManualClock(START_S), keep_free_bytes=0
    )


def _batch(first: int, last: int) -> Batch:
    setup = SetupRecord(
        setup="aa11",
        job="harbour",
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(156e6, 157e6, POINTS),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={"identity": {"maker": "GANNET"}},
    )
    sweeps = tuple(
        SweepRecord(
            job="harbour",
            step=0,
            setup="aa11",
            seq=seq,
            pass_id=seq,
            run_id="run",
            due_s=START_S + seq,
            started_s=START_S + seq,
            monotonic_s=float(seq),
            took_s=0.5,
            boot_id="boot-1",
            sweeper_time_s=None,
            flags=SweepFlag(0),
            level=np.full(POINTS, -100.0 - seq, dtype=np.float32),
        )
        for seq in range(first, last + 1)
    )
    return Batch(setups=(setup,), sweeps=sweeps)


def _spoil(root: Path) -> Path:
    path = min(root.glob("sweeps/*/*/*.nc"))
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)
    return path


def test_a_whole_archive_is_one_line(archive: Path, acqd: Any) -> None:
    """Exit code 0; by a config it is the same."""
    told = acqd("verify", str(archive))
    assert told.code == 0
    assert told.out == "4 files, 20 sweeps of 1 job: all as they were written\n"
    config = archive.parent / "station.toml"
    config.write_text('[station]\nname = "lookout"\narchive = "archive"\n')
    assert acqd("verify", "--config", str(config)).out == told.out
    assert acqd("verify", str(config)).out == told.out


def test_what_is_wrong_is_a_line_each(archive: Path, acqd: Any) -> None:
    """Which file, what, what was expected, what to do; exit code 3."""
    path = _spoil(archive)
    told = acqd("verify", str(archive))
    assert told.code == 3
    first, line = told.out.splitlines()
    assert first == "4 files, 10 sweeps of 1 job as they were written; 1 thing is wrong"
    assert line.startswith(f"sweeps/harbour/2026-05-28/{path.name}: its SHA-256 begins ")
    assert "; expected " in line and line.endswith("or set it aside with --set-aside")


def test_json_has_all_of_it(archive: Path, acqd: Any) -> None:
    """For a script that looks every week."""
    path = _spoil(archive)
    told = acqd("verify", str(archive), "--json")
    assert told.code == 3
    body = json.loads(told.out)
    assert (body["whole"], body["wrongs"], body["sweeps"]) == (False, 1, 10)
    (wrong,) = body["wrong"]
    assert wrong["where"].endswith(path.name)
    assert (wrong["job"], wrong["day"], wrong["sweeps"]) == ("harbour", "2026-05-28", 10)


def test_a_damaged_file_is_set_aside_only_when_told(archive: Path, acqd: Any) -> None:
    """Then the rest is whole, and it stays known what was lost."""
    path = _spoil(archive)
    acqd("verify", str(archive))
    assert path.exists()
    told = acqd("verify", str(archive), "--set-aside")
    assert told.code == 0 and not path.exists()
    done, first, note = told.out.splitlines()
    assert done.endswith(f"set aside as set-aside/harbour_2026-05-28_{path.name}")
    assert first == "3 files, 10 sweeps of 1 job: all as they were written"
    assert note.startswith("note: ") and "was set aside as" in note


def test_a_lost_ledger_is_made_anew_when_told(archive: Path, acqd: Any) -> None:
    """What it says is what was got back and what not."""
    for path in archive.glob("ledger.sqlite*"):
        path.unlink()
    told = acqd("verify", str(archive))
    assert told.code == 3 and "ledger.sqlite: is missing" in told.out
    told = acqd("verify", str(archive), "--rebuild-ledger")
    assert told.code == 0
    assert told.out.startswith("the ledger was lost and was made anew from 2 files; not got back")


def test_lists_are_made_anew_when_told(archive: Path, acqd: Any) -> None:
    """Of files that are whole."""
    (manifest,) = archive.glob("sweeps/*/*/manifest.json")
    manifest.write_text("{")
    assert acqd("verify", str(archive)).code == 3
    told = acqd("verify", str(archive), "--relist")
    assert told.code == 0 and told.out.count(": listed\n") == 2


def test_beside_a_station_it_looks_and_changes_nothing(archive: Path, acqd: Any) -> None:
    """It says who writes the archive, and refuses to mend it."""
    writer = _writer(archive)
    writer.begin([])
    try:
        told = acqd("verify", str(archive))
        assert told.code == 0
        assert "(station lookout)" in told.out and told.out.endswith("writes it meanwhile\n")
        told = acqd("verify", str(archive), "--rebuild-ledger")
        assert told.code == 1 and "writes this archive" in told.err
    finally:
        writer.close([], seal=False)


def test_what_is_no_archive_is_said(tmp_path: Path, acqd: Any) -> None:
    """Nothing there, an empty folder, no such job, two of them."""
    assert "there is no such file or folder" in acqd("verify", str(tmp_path / "nowhere")).err
    empty = acqd("verify", str(tmp_path))
    assert empty.code == 1 and "no archive here" in empty.err
    both = acqd("verify", str(tmp_path), "--config", "x.toml")
    assert both.code == 2 and "give one of them" in both.err


def test_a_reader_on_the_command_line_says_what_it_leaves_out(
    archive: Path, acqd_child: Any
) -> None:
    """In a line on standard error; what can be read is written."""
    path = _spoil(archive)
    told = acqd_child("export", str(archive), "--what", "summary")
    assert told.returncode == 0, told.stderr
    assert len(told.stdout.splitlines()) == 11
    said = told.stderr.splitlines()
    assert all(line.startswith("acqd: ") for line in said)
    assert path.name in said[0] and "acqd verify tells more" in said[0]
