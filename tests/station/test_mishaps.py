"""What a station meets that is damaged it sets aside, puts right as far as it can be, and tells."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import acqd.station.upkeep as upkeep
from acqd.archive.damage import DamageWarning
from acqd.archive.layout import DAY_S
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SetupRecord, SweepRecord
from acqd.archive.setaside import read_untold
from acqd.archive.verify import verify_archive
from acqd.archive.writer import ArchiveWriter
from acqd.station.timedown import TimeDown
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver

POINTS = 301
JOB = "old-job"


def _commit(writer: ArchiveWriter, start_s: float, first: int, last: int) -> None:
    setup = SetupRecord(
        setup="aa11",
        job=JOB,
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(156e6, 157e6, POINTS),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={},
    )
    rng = np.random.default_rng(first)
    sweeps = tuple(
        SweepRecord(
            job=JOB,
            step=0,
            setup="aa11",
            seq=seq,
            pass_id=seq,
            run_id="run-0",
            due_s=start_s + seq,
            started_s=start_s + seq,
            monotonic_s=float(seq),
            took_s=0.5,
            boot_id="boot-0",
            sweeper_time_s=None,
            flags=SweepFlag(0),
            level=(np.rint(rng.normal(-10_000, 500, POINTS)) * 0.01).astype(np.float32),
        )
        for seq in range(first, last + 1)
    )
    writer.commit(Batch(setups=(setup,), sweeps=sweeps)).result(timeout=20)
    writer.rotate([]).result(timeout=20)


def _flip(path: Path, at: int) -> None:
    data = bytearray(path.read_bytes())
    data[at] ^= 0xFF
    path.write_bytes(data)


def _spoilt(root: Path, start_s: float) -> Path:
    """An archive of a run of days ago: one of its segments and its ledger are damaged."""
    clock = ManualClock(start_s)
    writer = ArchiveWriter.open(
        root, station="lookout", run_id="run-0", clock=clock, keep_free_bytes=0
    )
    writer.begin([])
    for first in (1, 201):
        _commit(writer, start_s, first, first + 199)
    writer.close([], within_s=30.0)
    damaged, _ = sorted(root.glob(f"sweeps/{JOB}/*/*.nc"))
    _flip(damaged, 60)
    _flip(root / "ledger.sqlite", 17)
    return damaged


async def test_a_damaged_segment_and_ledger_are_told_and_the_station_goes_on(
    inside: Any, job_table: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sweeps of days ago that can be read are merged; those that cannot are known to be lost."""
    for name in ("LOOK_S", "ALIVE_EVERY_S", "MERGE_EVERY_S", "ARCHIVE_LOOK_S"):
        monkeypatch.setattr(upkeep, name, 0.1)
    monkeypatch.setattr(TimeDown, "may_merge", lambda self: True)
    start_s = (time.time() // DAY_S - 3) * DAY_S + 3600.0
    station = inside(
        {"good": ScriptedDriver(seed=1)}, [job_table("good-job", "good", 'every = "0.2 s"')]
    )
    damaged = _spoilt(station.archive, start_s)
    async with station:
        await station.until("a volume", lambda: list(damaged.parent.glob("volume_*.nc")), 60.0)
        archive = open_archive(station.archive)
        words = ("ledger_rebuilt", "file_damaged")
        await station.until(
            "both findings",
            lambda: {*words} <= {one.what for one in archive.findings("station")},
            60.0,
        )
        await station.until("a sweep", lambda: "good-job" in archive.jobs(), 60.0)
    told = {one.what: one for one in archive.findings("station")}
    assert "set aside as set-aside/ledger.sqlite" in told["ledger_rebuilt"].text
    assert damaged.name in told["file_damaged"].text
    assert told["file_damaged"].figures["lost_sweeps"] == 200
    assert not damaged.exists()
    assert read_untold(station.archive) == []
    assert archive.sweeps(JOB).sequence.values.tolist() == list(range(201, 401))
    assert archive.coverage(JOB).damaged == 200
    found = verify_archive(station.archive)
    assert found.is_whole, [str(one) for one in found.wrong]


def test_what_was_not_told_before_a_kill_is_told_after_it(tmp_path: Path) -> None:
    """A writer that is opened again gives it once more, until it is told."""
    root = tmp_path / "archive"
    _spoilt(root, 1_780_000_000.0)
    clock = ManualClock(1_780_000_000.0 + 3 * DAY_S)
    for turn in range(2):
        writer = ArchiveWriter.open(
            root, station="lookout", run_id=f"run-{turn}", clock=clock, keep_free_bytes=0
        )
        mishaps = writer.take_mishaps()
        assert [one.what for one in mishaps] == ["ledger_rebuilt"]
        if turn:
            writer.mishaps_told(mishaps)
        writer.close([])
    assert read_untold(root) == []
    with pytest.warns(DamageWarning):
        assert open_archive(root).coverage(JOB).damaged == 200
