"""A station on a disk that fills up: it stops at the floor, says so, and goes on with room again.

The archive lies on a small file system of its own, mounted for the test: needs root, and is skipped
without; tests/archive/test_full_disk.py and test_clock.py have what needs no mount.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.layout import DAY_S, day_of, day_start_s
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import Batch, SetupRecord, SweepRecord
from acqd.archive.removing import listed_removed
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveError
from acqd.station.standing import standing
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock
from peers import wait_for

SIZE_MB, FLOOR_MB = 48, 8
EVERY_S = 0.1
HURRY = (
    "import acqd.station.retaining as r, acqd.station.sweepers as s; "
    "s.NO_ROOM_RETRY_S = r.LOOK_S = r.SHORT_AGAIN_S = 0.2"
)
"""The disk is looked at five times a second, not every few seconds."""


@pytest.fixture
def small_disk(bench: Any) -> Iterator[Path]:
    """The bench's archive on a file system of 48 MB."""
    folder = bench.archive
    folder.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if mounted.returncode != 0:
        pytest.skip(f"cannot mount a small file system here: {mounted.stderr.decode().strip()}")
    try:
        yield folder
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)


def leave(folder: Path, size_bytes: int) -> Path:
    """Take all room but this much, as something else on the disk might."""
    filler = folder / "filler"
    handle = os.open(filler, os.O_CREAT | os.O_WRONLY)
    try:
        here = os.fstat(handle).st_size
        free = os.statvfs(folder)
        more = free.f_bavail * free.f_frsize - size_bytes
        if more > 0:
            os.posix_fallocate(handle, here, more)
    finally:
        os.close(handle)
    return filler


def stored(bench: Any) -> int:
    try:
        return open_archive(bench.archive).coverage("marine-vhf").sweeps
    except ArchiveError:
        return 0


def more_sweeps(bench: Any, run: Any, count: int = 5) -> None:
    """Wait until the station has kept some more."""
    least = stored(bench) + count
    bench.wait_for(f"{count} more sweeps", lambda: stored(bench) >= least)
    assert run.process.poll() is None, run.text


def health(bench: Any) -> dict[str, Any]:
    told = standing(bench.archive)
    assert told is not None
    found: dict[str, Any] = told["health"]
    return found


def is_told_full(bench: Any) -> bool:
    return health(bench)["disk_full_since_s"] is not None


def check_readable(archive: Path) -> None:
    """Every file, by a program that is not ours."""
    program = shutil.which("h5dump")
    assert program is not None
    for path in archive.glob("sweeps/*/*/*.nc"):
        done = subprocess.run([program, "-H", str(path)], capture_output=True, check=False)
        assert done.returncode == 0, (path, done.stderr)


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_it_stops_at_the_floor_and_goes_on_as_often_as_there_is_room(
    bench: Any, small_disk: Path, check_accounts: Callable[..., list[int]]
) -> None:
    """Filled, relieved, filled to the last byte, killed, started on the full disk, relieved."""
    sim = bench.sim()
    config = bench.config(sim.addresses, [bench.job("marine-vhf")], keep_free=f"{FLOOR_MB} MiB")
    run = bench.run(config, first=HURRY)
    run.until("station_started")
    more_sweeps(bench, run)
    assert not is_told_full(bench)

    filler = leave(small_disk, (FLOOR_MB - 2) << 20)
    run.until("cannot_keep")
    assert is_told_full(bench)
    kept = stored(bench)
    assert health(bench)["word"] == "not sweeping"
    filler.unlink()
    more_sweeps(bench, run)
    assert not is_told_full(bench)
    assert stored(bench) > kept

    leave(small_disk, 0)
    run.until("cannot_keep", 2)
    # The ballast went, for what else has to be written: it is not for sweeps.
    assert not (bench.archive / "ballast").exists()
    kept = stored(bench)
    assert is_told_full(bench)
    run.kill()
    assert stored(bench) >= kept

    leave(small_disk, 0)
    cannot = bench.run(config, first=HURRY)
    assert cannot.wait() == 1
    assert "make room" in cannot.text and "Traceback" not in cannot.text

    filler = leave(small_disk, 0)
    os.truncate(filler, filler.stat().st_size - (4 << 20))
    waits = bench.run(config, first=HURRY)
    waits.until("cannot_keep")
    assert is_told_full(bench)
    filler.unlink()
    more_sweeps(bench, waits)
    waits.stop()

    archive = open_archive(bench.archive)
    check_accounts(archive, "marine-vhf", every_s=EVERY_S)
    reasons = {gap.reason for gap in archive.gaps("marine-vhf")}
    assert {"disk full", "station down"} <= reasons
    check_findings(archive)
    check_readable(bench.archive)


def check_findings(archive: Archive) -> None:
    """Each time it is told when there is room for it, and ends; numbers have no gap."""
    told = archive.findings("station")
    assert [one.number for one in told] == list(range(1, len(told) + 1))
    words = [one.what for one in told if one.what in ("cannot_keep", "room_again")]
    # That of the station that was killed on the full disk was never kept.
    assert words == ["cannot_keep", "room_again"] * 2


POINTS, SWEEPS = 20_000, 150
OLD_DAYS = 3


def old_nights(root: Path) -> list[str]:
    """Three nights of some weeks ago, 4 MB each, as an earlier run left them; their days."""
    now_s = day_start_s(day_of(time.time()))
    clock = ManualClock(now_s - 30 * DAY_S)
    writer = ArchiveWriter.open(
        root, station="lookout", run_id="old", clock=clock, keep_free_bytes=0
    )
    writer.begin(())
    rng = np.random.default_rng(7)
    setup = SetupRecord(
        setup="0ld0ld",
        job="airband",
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(118e6, 137e6, POINTS),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={"identity": {"maker": "GANNET"}, "config": {"soak": None}},
    )
    for number in range(OLD_DAYS * SWEEPS):
        at_s = clock.wall_s() + (number // SWEEPS) * DAY_S + 60.0 * (number % SWEEPS)
        level = np.rint(rng.normal(-10_000, 600, POINTS)) * 0.01
        sweep = SweepRecord(
            job="airband",
            step=0,
            setup="0ld0ld",
            seq=number + 1,
            pass_id=number + 1,
            run_id="old",
            due_s=at_s,
            started_s=at_s,
            monotonic_s=at_s,
            took_s=1.0,
            boot_id="old",
            sweeper_time_s=None,
            flags=SweepFlag(0),
            level=level.astype(np.float32),
        )
        writer.commit(Batch(setups=(setup,), sweeps=(sweep,))).result(timeout=20)
        if number % SWEEPS == SWEEPS - 1:
            writer.rotate(()).result(timeout=20)
            wait_for("the night to be sealed", lambda: writer.statistics().journals == 1)
    writer.merge_due(now_s).result(timeout=60)
    writer.close((), within_s=20.0)
    return [day_of(now_s + (n - 30) * DAY_S) for n in range(OLD_DAYS)]


@pytest.mark.slow
@pytest.mark.timeout(240)
def test_old_nights_go_before_sweeping_has_to_stop(bench: Any, small_disk: Path) -> None:
    """The oldest first, no more than has to, told in one finding; the job that sweeps loses
    nothing, and what is asked of the old nights is answered with one clear line."""
    days = old_nights(bench.archive)
    sim = bench.sim()
    more = "[retention]\nmake_room = true\n[retention.job.marine-vhf]\nremove = false\n"
    config = bench.config(
        sim.addresses, [bench.job("marine-vhf"), more], keep_free=f"{FLOOR_MB} MiB"
    )
    run = bench.run(config, first=HURRY)
    run.until("station_started")
    more_sweeps(bench, run)
    leave(small_disk, 21 << 20)
    run.until("nights_removed")
    gone = [one.day for one in listed_removed(bench.archive)]
    assert gone == days[: len(gone)] and 0 < len(gone) < OLD_DAYS
    more_sweeps(bench, run)
    leave(small_disk, 12 << 20)
    bench.wait_for(
        "all of them to go", lambda: len(listed_removed(bench.archive)) == OLD_DAYS, 60.0
    )
    more_sweeps(bench, run)
    run.stop()
    assert not run.log("cannot_keep")
    archive = open_archive(bench.archive)
    assert {gap.reason for gap in archive.gaps("marine-vhf")}.isdisjoint({"disk full"})
    told = [one for one in archive.findings("station") if one.what == "nights_removed"]
    assert sum(one.figures["days"] for one in told) == OLD_DAYS
    assert "airband" in told[0].text and "the disk was short of room" in told[0].text
    assert archive.coverage("airband").removed == OLD_DAYS * SWEEPS
    with pytest.raises(ArchiveError, match="removed by retention"):
        archive.sweeps("airband")
    check_readable(bench.archive)
