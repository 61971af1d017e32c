"""A disk that is full, to the floor and to the last byte, or cannot be written any more."""

from __future__ import annotations

import os
import time
from pathlib import Path

from faults_parts.bench import FaultBench, NotHere, Station, end_problems
from faults_parts.kits import FLOOR_MB, SmallDisk, mounts_of_its_own
from faults_parts.registry import fault
from peers import wait_for

START_LIMIT_S = 30.0
READ_ONLY = 'mount --bind "$0" "$0" && mount -o remount,bind,ro "$0" && exec "$@"'
"""A shell that makes a folder read-only for itself and what it becomes."""


def _disk(bench: FaultBench) -> SmallDisk:
    if bench.disk is None:
        raise NotHere("no small disk")
    return bench.disk


def _leave(folder: Path, size_bytes: int) -> Path:
    """Take all room but this much, as something else on the disk might."""
    filler = folder / "filler"
    handle = os.open(filler, os.O_CREAT | os.O_WRONLY)
    try:
        free = os.statvfs(folder)
        more = free.f_bavail * free.f_frsize - size_bytes
        step = 1 << 20
        while more > 0 and step >= 512:
            # The file system needs some for itself, so the last bytes are tried for.
            try:
                os.posix_fallocate(handle, os.fstat(handle).st_size, min(step, more))
                more -= step
            except OSError:
                step //= 2
    finally:
        os.close(handle)
    return filler


def _until_full(bench: FaultBench, station: Station, times: int = 1) -> None:
    wait_for(
        "the station to say that it cannot keep sweeps",
        lambda: station.logged("cannot_keep", times) or not station.is_up,
        said=bench.words,
    )


@fault(
    "disk-full",
    "something else fills the disk beyond the floor, and goes after some seconds",
    guarantees=("G1", "G5", "G6"),
    strikes="station disk",
    kit="disk",
    times=(1, 3),
)
def full(bench: FaultBench) -> None:
    disk, station = _disk(bench), bench.start()
    before = sum('"event": "cannot_keep"' in line for line in station.lines)
    filler = _leave(disk.at, (FLOOR_MB - 2) << 20)
    bench.to_mend.append(lambda: filler.unlink(missing_ok=True))
    _until_full(bench, station, before + 1)
    bench.sleep(0.5, 2.0)


@fault(
    "disk-full-killed",
    "the disk is full to the last byte, the station is killed and started, and there is room after "
    "some seconds",
    guarantees=("G1", "G5", "G6"),
    strikes="station disk",
    kit="disk",
    times=(1, 3),
)
def full_to_the_last_byte(bench: FaultBench) -> None:
    disk, station = _disk(bench), bench.start()
    before = sum('"event": "cannot_keep"' in line for line in station.lines)
    filler = _leave(disk.at, 0)
    bench.to_mend.append(lambda: filler.unlink(missing_ok=True))
    _until_full(bench, station, before + 1)
    bench.sleep(0.0, 1.0)
    bench.kill()
    _leave(disk.at, 0)
    _cannot(bench, bench.start())
    # With a little room it starts and waits for more.
    os.truncate(filler, filler.stat().st_size - (4 << 20))
    _until_full(bench, bench.start())
    bench.sleep(0.0, 1.0)


def _cannot(bench: FaultBench, station: Station) -> None:
    """It ends by itself, or it waits for room."""
    limit_s = time.monotonic() + START_LIMIT_S
    while station.is_up and not station.logged("cannot_keep"):
        if time.monotonic() > limit_s:
            bench.wrong.append(f"on a full disk it neither ends nor tells: {station.lines[-3:]}")
            return
        time.sleep(0.01)


@fault(
    "disk-read-only",
    "the file system turns read-only under the station, as one with errors does; it is checked and "
    "mounted anew",
    guarantees=("G1", "G5", "G6"),
    strikes="station disk",
    kit="disk",
    times=(1, 3),
)
def read_only(bench: FaultBench) -> None:
    disk, station = _disk(bench), bench.start()
    if not disk.can_fail:
        raise NotHere(f"no disk that fails: {disk.why_not}")
    disk.fail()
    wait_for(
        "the station to tell that it cannot write, or to end",
        lambda: station.logged("cannot_keep") or not station.is_up,
        said=bench.words,
    )
    bench.sleep(0.5, 2.0)
    # Whoever had files open there cannot write them any more: it has to be started anew.
    bench.stop()
    disk.repair()


@fault(
    "archive-read-only",
    "the station is started where its archive cannot be written: one clear line and a code",
    guarantees=("G6",),
    strikes="station",
    times=(1, 3),
)
def archive_read_only(bench: FaultBench) -> None:
    if (problem := mounts_of_its_own()) is not None:
        raise NotHere(problem)
    if bench.chance.random() < 0.5:
        bench.kill()
    else:
        bench.stop()
    through = ["unshare", "-m", "sh", "-c", READ_ONLY, str(bench.archive)]
    station = Station(bench.config_path, first=bench.first, env=bench.env, through=through)
    code = station.over(START_LIMIT_S)
    bench.wrong += end_problems(code, station.lines, was_asked=False)
    bench.wrong += [f"it wrote: {line[:300]}" for line in station.said[1:]]
    if "read-only" not in " ".join(station.said).lower():
        bench.wrong.append(f"it does not say that the archive is read-only: {station.said}")
