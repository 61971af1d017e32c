"""``acqd retention``: what would go and why, what went, and removing where no station runs."""

from __future__ import annotations

import json
import time
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from acqd.archive.layout import DAY_S, day_of, day_start_s
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, SetupRecord, SweepRecord
from acqd.archive.retention import ArchiveDay, Retention, Rule
from acqd.archive.writer import ArchiveWriter
from acqd.cli import LazyGroup
from acqd.cli.retention import command
from acqd.cli.retention_words import foreseen_lines
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock

STATION = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge Lookout"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.mast]
driver = "sim"
address = "sim:mast"
[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
when = { every = "2 s" }
"""


SHORT_OF_ROOM = (
    STATION.replace('archive = "archive"', 'archive = "archive"\nkeep_free = "900000 TB"')
    + "[retention]\nmake_room = true\n"
)
"""The nights are small; a floor above any disk's room makes it short of it."""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    """A station with three nights of a month ago; the first is pinned."""
    now_s = day_start_s(day_of(time.time()))
    clock = ManualClock(now_s - 30 * DAY_S)
    writer = ArchiveWriter.open(
        tmp_path / "archive", station="gannet-ledge", run_id="old", clock=clock, keep_free_bytes=0
    )
    writer.begin(())
    setup = SetupRecord(
        setup="aa11",
        job="marine-vhf",
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(156e6, 157e6, 101),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={"config": {"soak": None}, "identity": {}},
    )
    sweeps = []
    for seq in range(1, 31):
        at_s = clock.wall_s() + ((seq - 1) // 10) * DAY_S + seq
        sweeps.append(
            SweepRecord(
                job="marine-vhf",
                step=0,
                setup="aa11",
                seq=seq,
                pass_id=seq,
                run_id="old",
                due_s=at_s,
                started_s=at_s,
                monotonic_s=at_s,
                took_s=0.5,
                boot_id="old",
                sweeper_time_s=None,
                flags=SweepFlag(0),
                level=np.full(101, -100.0 + seq, dtype=np.float32),
            )
        )
    writer.commit(Batch(setups=(setup,), sweeps=tuple(sweeps))).result(timeout=10)
    begun_s = clock.wall_s()
    pin = writer.add_overlay("pin", body={}, who="ann", from_s=begun_s, to_s=begun_s + 60.0)
    pin.result(timeout=10)
    writer.rotate(()).result(timeout=10)
    while writer.statistics().journals > 1:
        time.sleep(0.005)
    writer.merge_due(now_s).result(timeout=20)
    writer.close((), within_s=10.0)
    path = tmp_path / "station.toml"
    path.write_text(STATION)
    return path


def said(config: Path, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(command, [str(config), *words])
    assert done.exit_code == code, (done.output, done.exception)
    return done.output


def test_without_a_limit_nothing_goes(config: Path) -> None:
    """And it is said so."""
    text = said(config)
    assert "nothing is ever removed: [retention] in the config names no limit" in text
    assert "nothing would go now" in text
    assert said(config, "--now") == "nothing was to be removed\n"


def test_it_lists_what_would_go_and_why_and_removes_nothing(config: Path) -> None:
    """In a table and as JSON; what stays is named with its reason."""
    config.write_text(STATION + '[retention]\narchive_at_most = "1 MB"\nkeep_at_least = "1 d"\n')
    assert "nothing would go now" in said(config)
    config.write_text(SHORT_OF_ROOM)
    text = said(config)
    assert "\nwould go now" in text and "\nwould go, but stays" in text
    assert "the disk was short of room to go on sweeping" in text
    assert "pinned by ann (number 1)" in text
    told = json.loads(said(config, "--json"))
    assert [one["why"] for one in told["stays"]] == ["pinned by ann (number 1)"]
    assert len(told["would_go"]) == 2
    assert open_archive(config.parent / "archive").coverage("marine-vhf").stored == 30


def test_now_removes_and_removed_lists(config: Path) -> None:
    """Where no station runs; sweeps of removed nights are accounted for afterwards."""
    more = "[retention]\nmake_room = true\n"
    config.write_text(
        STATION.replace('archive = "archive"', 'archive = "archive"\nkeep_free = "900000 TB"')
        + more
    )
    assert said(config, "--removed") == "no sweeps were ever removed from this archive\n"
    assert "marine-vhf" in said(config, "--now")
    told = json.loads(said(config, "--removed", "--json"))["removed"]
    assert [(one["job"], one["sweeps"]) for one in told] == [("marine-vhf", 10)] * 2
    covered = open_archive(config.parent / "archive").coverage("marine-vhf")
    assert (covered.stored, covered.removed) == (10, 20)


def test_now_leaves_an_archive_alone_that_a_station_writes(config: Path) -> None:
    """One clear line: who writes it."""
    writer = ArchiveWriter.open(
        config.parent / "archive", station="gannet-ledge", run_id="r", clock=ManualClock()
    )
    try:
        done = CliRunner().invoke(command, [str(config), "--now"])
        assert "writes this archive" in str(done.exception)
    finally:
        writer.close((), seal=False)
    assert "retention" in LazyGroup().list_commands(None)  # type: ignore[arg-type]  # not asked


def a_day(job: str, kind: str, size_bytes: int, *, is_soak: bool = False) -> ArchiveDay:
    return ArchiveDay(job=job, day="2026-06-01", kind=kind, size_bytes=size_bytes, is_soak=is_soak)


def test_what_it_will_come_to_is_foreseen() -> None:
    """By age, by size, and what is kept for ever; and where the disk is too small for it."""
    days = [
        a_day("marine-vhf", "band", 10_000_000),
        a_day("lamp", "band", 1_000_000, is_soak=True),
        a_day("whips", "reflection", 2_000_000),
    ]
    limits = Retention(
        keep_s=100 * DAY_S,
        archive_at_most_bytes=65_000_000,
        jobs={"whips": Rule(remove=False)},
    )
    told = list(foreseen_lines(limits, days, room_bytes=500e6))
    assert "older than 100 d" in told[0] and "those of job whips stay for ever" in told[0]
    assert told[1:] == [
        "what goes by its age will come to about 1 GB",
        "that is more than there is room for: the station will have to stop sweeping",
        "the archive will be at its most after about 5 days",
        "it will grow beyond: the 7 d that never go take about 91 MB",
        "kept for ever: lamp, whips, about 3 MB a day",
    ]
    assert len(list(foreseen_lines(Retention(), days, room_bytes=None))) == 1
