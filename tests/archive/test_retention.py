"""Retention: what goes first and why, what never does, and what outlives it."""

from __future__ import annotations

import gzip
import json
import os
import subprocess
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.layout import DAY_S, day_of, day_start_s
from acqd.archive.manifest import read_manifest, read_removed
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, GapRecord, HourlyRecord
from acqd.archive.removing import listed_removed, look_at_days
from acqd.archive.retention import ArchiveDay, Retention, Rule, plan_retention, retention_of
from acqd.archive.sweepfile import SweepFile
from acqd.archive.timing import TimeCorrection, TimePiece
from acqd.archive.writer import ArchiveWriter
from acqd.config.retention import RetentionTable
from acqd.errors import ArchiveDamaged, ArchiveError

NOW_S = day_start_s("2026-06-30")
GB = 1_000_000_000


def day(name: str, **fields: Any) -> ArchiveDay:
    """A night of marine VHF of 1 GB, unless it is said otherwise."""
    given: dict[str, Any] = {"job": "marine-vhf", "kind": "band", "size_bytes": GB}
    return ArchiveDay(day=name, **given | fields)


def june(last: int, **fields: Any) -> list[ArchiveDay]:
    return [day(f"2026-06-{n:02d}", **fields) for n in range(1, last + 1)]


def going(days: list[ArchiveDay], limits: Retention, **more: Any) -> list[str]:
    plan = plan_retention(days, limits, now_s=NOW_S, **more)
    return [f"{one.day.job} {one.day.day[8:]}" for one in plan.going]


# -- what goes, what stays -------------------------------------------------------------------------


def test_nothing_goes_where_nothing_is_said() -> None:
    """The default, however old and large the archive is and however full the disk."""
    limits = retention_of(RetentionTable())
    assert not limits.removes_anything
    assert going([day("1999-01-01", size_bytes=10**15)], limits, wanted_bytes=10**15) == []


def test_a_day_goes_when_all_of_it_is_too_old() -> None:
    """The age of a day counts from its end."""
    limits = Retention(keep_s=20 * DAY_S)
    assert going(june(29), limits) == [f"marine-vhf {n:02d}" for n in range(1, 10)]


def test_over_its_size_the_oldest_nights_of_bands_go_first() -> None:
    """Then carriers and filters, emission checks last; no more than has to."""
    limits = Retention(archive_at_most_bytes=3 * GB)
    days = [
        day("2026-06-01", job="hand-helds", kind="emission"),
        day("2026-06-02", job="filter", kind="transmission"),
        day("2026-06-03", job="beacon", kind="carrier"),
        day("2026-06-09"),
        day("2026-06-08"),
        day("2026-06-08", job="airband"),
    ]
    assert going(days, limits) == ["airband 08", "marine-vhf 08", "marine-vhf 09"]
    small = replace(limits, archive_at_most_bytes=GB)
    assert going(days, small)[3:] == ["beacon 03", "filter 02"]


def test_what_went_for_its_age_counts_for_the_size() -> None:
    """Nothing more goes when that is enough."""
    limits = Retention(keep_s=20 * DAY_S, archive_at_most_bytes=20 * GB)
    assert len(going(june(29), limits)) == 9
    assert len(going(june(29), replace(limits, archive_at_most_bytes=19 * GB))) == 10


def test_soaks_pinned_nights_and_young_ones_never_go_by_themselves() -> None:
    """Not for age, not for size, not for room; and each is named with its reason."""
    limits = Retention(keep_s=8 * DAY_S, archive_at_most_bytes=1, make_room=True)
    days = [
        day("2026-06-01", is_soak=True, job="lamp"),
        day("2026-06-02", held="pinned by ann (number 4)"),
        day("2026-06-24"),
        day("2026-06-29", held="the day is not over"),
    ]
    plan = plan_retention(days, limits, now_s=NOW_S, wanted_bytes=10**12)
    assert plan.going == ()
    assert [(one.day.day[8:], one.why) for one in plan.staying] == [
        ("02", "pinned by ann (number 4)"),
        ("01", "a soak: never by itself"),
        ("24", "younger than 7 d"),
        ("29", "the day is not over"),
    ]
    assert plan.short_bytes == 4 * GB - 1
    allowed = replace(limits, jobs={"lamp": Rule(remove=True)})
    assert going(days, allowed) == ["lamp 01"]


def test_a_job_or_a_kind_may_be_kept_longer_or_for_ever() -> None:
    """The job's rule goes before the kind's, and that before the general one."""
    limits = Retention(
        keep_s=10 * DAY_S,
        kinds={"carrier": Rule(remove=False), "band": Rule(keep_s=25 * DAY_S)},
        jobs={"airband": Rule(remove=False), "beacon": Rule(remove=True)},
    )
    days = [
        *(day(f"2026-06-{n:02d}", job="airband") for n in (1, 2)),
        *(day(f"2026-06-{n:02d}") for n in (1, 10)),
        day("2026-06-01", job="beacon", kind="carrier"),
        day("2026-06-01", job="drift", kind="carrier"),
        day("2026-06-10", job="whips", kind="reflection"),
    ]
    assert going(days, limits) == ["marine-vhf 01", "beacon 01", "whips 10"]


def test_room_is_made_only_where_that_is_wanted() -> None:
    """As much as the disk is short of, and a clock that is wrong ages nothing."""
    assert going(june(20), Retention(make_room=False), wanted_bytes=GB) == []
    assert going(june(20), Retention(make_room=True), wanted_bytes=GB + 1) == [
        "marine-vhf 01",
        "marine-vhf 02",
    ]
    assert going(june(20), Retention(keep_s=10 * DAY_S), age_counts=False) == []


# -- what there is, and removing it ----------------------------------------------------------------


def nights(scribe: Any, writer: ArchiveWriter, count: int = 2) -> list[str]:
    """Days of ten sweeps each, with a gap, an hour and a finding, merged; the days."""
    first_s = day_start_s(day_of(scribe.start_s))
    for night in range(count):
        at_s = first_s + night * DAY_S + 3600.0
        sweeps = tuple(
            scribe.sweep(seq, started_s=at_s + seq, due_s=at_s + seq)
            for seq in range(night * 10 + 1, night * 10 + 11)
        )
        writer.commit(
            Batch(
                setups=(scribe.setup(),),
                sweeps=sweeps,
                findings=(scribe.finding(night + 1, at_s=at_s + 5),),
                gaps=(
                    GapRecord(job="harbour", from_s=at_s, to_s=at_s + 1, count=2, reason="overrun"),
                ),
                hourly=(HourlyRecord(job="harbour", hour_start_s=at_s, figures={"max": night}),),
            )
        ).result(timeout=10)
        scribe.seal(writer, seq=(night + 1) * 10)
    scribe.clock.advance((count + 40) * DAY_S)
    writer.merge_due(scribe.clock.wall_s()).result(timeout=20)
    return [day_of(first_s + night * DAY_S) for night in range(count)]


def retained(scribe: Any, writer: ArchiveWriter) -> list[str]:
    done = writer.retain(scribe.clock.wall_s()).result(timeout=20)
    assert done.problem is None
    return [f"{one.job} {one.day}: {one.sweeps}, {one.why}" for one in done.removed]


def test_what_is_kept_of_a_removed_day(scribe: Any) -> None:
    """Sweeps go; findings, gaps, hours, setups and the account of what was swept stay."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    first, second = nights(scribe, writer)
    before = open_archive(scribe.root)
    kept = (before.findings("harbour"), before.hourly("harbour"), before.gaps("harbour"))
    assert retained(scribe, writer) == [
        f"harbour {first}: 10, older than 30 d",
        f"harbour {second}: 10, older than 30 d",
    ]
    archive = open_archive(scribe.root)
    assert archive.jobs() == ["harbour"]
    assert (archive.findings("harbour"), archive.hourly("harbour"), archive.gaps("harbour")) == kept
    covered = archive.coverage("harbour", day_start_s(first), day_start_s(first) + DAY_S)
    assert (covered.stored, covered.removed, covered.due) == (0, 10, 12)
    assert covered.fraction == pytest.approx(10 / 12)
    with pytest.raises(ArchiveError, match=r"20 sweeps of .* were removed by retention, last"):
        archive.sweeps("harbour")
    folder = scribe.root / "sweeps" / "harbour" / first
    assert read_manifest(folder) == {}
    [(name, facts)] = read_removed(folder).items()
    assert name.startswith("volume_") and len(facts["sha256"]) == 64
    assert facts["why"] == "older than 30 d" and facts["kept"] in os.listdir(folder)
    assert [(one.day, one.sweeps) for one in listed_removed(scribe.root)] == [
        (first, 10),
        (second, 10),
    ]
    assert retained(scribe, writer) == []
    assert writer.statistics().removed_days == 2


def test_a_lost_ledger_is_made_from_what_outlived_the_sweeps(scribe: Any) -> None:
    """Findings, gaps, hours, setups, and no number is used twice."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    first, _ = nights(scribe, writer)
    retained(scribe, writer)
    writer.close([scribe.meter(20, 2)], within_s=10)
    before = open_archive(scribe.root)
    kept = [before.findings("harbour"), before.hourly("harbour"), before.gaps("harbour")]
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    for path in (scribe.root / "journals").iterdir():
        path.unlink()
    lost = open_archive(scribe.root)
    assert [lost.findings("harbour"), lost.hourly("harbour"), lost.gaps("harbour")] == kept
    assert [record.setup for record in lost.setups("harbour")] == ["aa11"]
    again = scribe.open()
    assert (again.recovery.next_seq("harbour"), again.recovery.next_finding("harbour")) == (21, 3)
    made = open_archive(scribe.root)
    assert [made.findings("harbour"), made.hourly("harbour"), made.gaps("harbour")] == kept
    assert [record.setup for record in made.setups("harbour")] == ["aa11"]
    assert made.coverage("harbour", day_start_s(first), day_start_s(first) + DAY_S).removed == 10


def test_after_a_lost_ledger_nothing_goes_for_a_week(scribe: Any) -> None:
    """Pins that no file had a copy of went with it."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    nights(scribe, writer)
    writer.close([scribe.meter(20, 2)], within_s=10)
    for path in scribe.root.glob("ledger.sqlite*"):
        path.unlink()
    again = scribe.begun((scribe.meter(20, 2),), retention=Retention(keep_s=30 * DAY_S))
    assert retained(scribe, again) == []
    days = look_at_days(scribe.root, now_s=scribe.clock.wall_s())
    assert {one.held for one in days} >= {"the ledger was made anew of late: pins may be missing"}
    scribe.clock.advance(7 * DAY_S)
    assert retained(scribe, again)


def test_a_day_that_is_looked_at_says_why_it_stays(scribe: Any) -> None:
    """Not over, not merged, in a journal, pinned, with a reference in use."""
    writer = scribe.begun()
    first, second = nights(scribe, writer)

    def held(at_s: float) -> list[str | None]:
        return [one.held for one in look_at_days(scribe.root, now_s=at_s)]

    now_s = scribe.clock.wall_s()
    assert held(now_s) == [None, None]
    assert held(day_start_s(second) + 100.0) == [None, "the day is not over"]
    pin = writer.add_overlay(
        "pin", body={}, who="ann", from_s=day_start_s(first) + 80_000, to_s=None
    )
    number = pin.result(timeout=10)
    assert held(now_s) == [f"pinned by ann (number {number})"] * 2
    writer.add_overlay("undo", body={"undoes": number}, who="ann").result(timeout=10)
    for at, role in enumerate(("through", "through")):
        at_s = day_start_s((second, first)[at]) + 60.0
        body = {"role": role, "at_s": at_s}
        writer.add_overlay("reference", body=body, who="ann", job="harbour").result(timeout=10)
    assert held(now_s) == ["the through that the job goes by was taken on it", None]
    late = scribe.sweep(21, started_s=day_start_s(second) + 50_000)
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=(late,))).result(timeout=10)
    assert held(now_s)[1] == "sweeps of it are in a journal still"
    scribe.seal(writer, seq=21)
    assert held(now_s)[1] == "not merged into volumes yet"
    writer.merge_due(now_s).result(timeout=20)
    assert held(now_s)[1] is None


def test_a_day_whose_clock_was_wrong_ages_by_its_true_time(scribe: Any) -> None:
    """A clock that began in an old year removes nothing, and a pin of the true night holds it."""
    writer = scribe.begun()
    first, _ = nights(scribe, writer)
    boot_from_s, ahead_s = day_start_s(first), 300 * DAY_S
    piece = TimePiece(
        from_monotonic_s=None,
        to_monotonic_s=None,  # open: it is about this boot alone all the same
        was_s=boot_from_s,
        offset_s=boot_from_s + ahead_s,
        first_event=0,
        last_event=1 << 61,
    )
    made = TimeCorrection(
        number=0,
        boot="boot-1",
        pieces=(piece,),
        uncertainty_s=1.0,
        how="said",
        reason="",
        who="ann",
        at_s=0.0,
    )
    writer.add_overlay("time", body=made.to_body(), who="ann").result(timeout=10)
    now_s = scribe.clock.wall_s()
    days = look_at_days(scribe.root, now_s=now_s)
    begun_s = boot_from_s + ahead_s
    assert [round(one.ends_s - begun_s, 3) for one in days] == [10.0, 20.0]
    assert [one.held for one in days] == [None, None]
    assert plan_retention(days, Retention(keep_s=30 * DAY_S), now_s=now_s).going == ()
    pinning = writer.add_overlay("pin", body={}, who="ann", from_s=begun_s, to_s=begun_s + 10.5)
    pinning.result(timeout=10)
    [pinned, free] = look_at_days(scribe.root, now_s=now_s)
    assert "pinned by ann" in str(pinned.held) and free.held is None


def test_a_volume_that_is_damaged_stays(scribe: Any) -> None:
    """It is told, nothing of its day goes, and the other days go all the same."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    first, second = nights(scribe, writer)
    [volume] = (scribe.root / "sweeps" / "harbour" / first).glob("volume_*.nc")
    whole = bytearray(volume.read_bytes())
    whole[len(whole) // 2] ^= 1
    volume.write_bytes(whole)
    done = writer.retain(scribe.clock.wall_s()).result(timeout=20)
    assert [one.day for one in done.removed] == [second]
    assert "its digest is not the one in the manifest" in str(done.problem)
    assert "its digest is not" in str(writer.problem)
    assert volume.exists()


def test_what_was_kept_and_cannot_be_read_is_told(scribe: Any) -> None:
    """By its name, and never taken for nothing."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    nights(scribe, writer, 1)
    retained(scribe, writer)
    [kept] = scribe.files("kept_*.json.gz")
    for spoilt in (b"", kept.read_bytes()[:-20], gzip.compress(b'{"schema": 9}'), b"\x00" * 64):
        kept.write_bytes(spoilt)
        with pytest.raises(ArchiveDamaged, match="not what was kept of a volume"):
            open_archive(scribe.root).coverage("harbour")


def test_the_next_volume_copies_no_more_of_the_ledger_for_it(scribe: Any) -> None:
    """What is kept of the day before ends what a volume has to copy, as the volume itself did: the
    rows of its time, and those that were committed after the last sweep before."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    nights(scribe, writer, 2)
    retained(scribe, writer)
    later_s = day_start_s(day_of(scribe.clock.wall_s()))
    sweep = scribe.sweep(21, started_s=later_s + 60)
    found = scribe.finding(3, at_s=later_s + 61)
    batch = Batch(setups=(scribe.setup(),), sweeps=(sweep,), findings=(found,))
    writer.commit(batch).result(timeout=10)
    scribe.seal(writer, seq=21)
    scribe.clock.advance(2 * DAY_S)
    assert writer.merge_due(scribe.clock.wall_s()).result(timeout=20) == 1
    [volume] = scribe.files("volume_*.nc")
    with SweepFile(volume) as file:
        assert [row[2] for row in file.ledger()["finding"]] == [2, 3]


def test_a_reader_meanwhile_sees_each_sweep_or_is_told(scribe: Any) -> None:
    """A dataset of a day that is removed under it says so when its levels are looked at."""
    writer = scribe.begun(retention=Retention(keep_s=30 * DAY_S))
    nights(scribe, writer)
    sweeps = open_archive(scribe.root).sweeps("harbour")
    assert np.array_equal(sweeps.level[0].values, scribe.level(1))
    retained(scribe, writer)
    with pytest.raises(ArchiveError, match="removed by retention"):
        sweeps.level[1].values.max()


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 24 MB of its own."""
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=24m", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip(f"cannot mount a small file system here: {mounted.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


@pytest.mark.slow
def test_on_a_disk_full_to_the_last_byte_room_is_made_all_the_same(
    scribe: Any, small_disk: Path
) -> None:
    """The ballast is what removing needs; without a limit that allows it nothing goes."""
    scribe.root = small_disk / "archive"
    writer = scribe.begun(retention=Retention(make_room=True))
    first, _ = nights(scribe, writer)
    filler = os.open(small_disk / "filler", os.O_CREAT | os.O_WRONLY)
    free = os.statvfs(small_disk)
    os.posix_fallocate(filler, 0, free.f_bavail * free.f_frsize)
    os.close(filler)
    assert writer.is_near_floor()
    assert any(first in line for line in retained(scribe, writer))
    assert not (scribe.root / "ballast").exists()
    assert open_archive(scribe.root).findings("harbour")
    listing = json.loads((scribe.root / "sweeps/harbour" / first / "manifest.json").read_bytes())
    assert listing["files"] == [] and len(listing["removed"]) == 1
