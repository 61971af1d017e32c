"""The archive's file system: what it is, what fits, how long a synced write takes."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from acqd.host import disk
from acqd.host.checks import State
from acqd.host.disk import (
    SyncedWrites,
    file_system,
    free_space,
    judged_writes,
    measure_writes,
    mount_of,
    parse_mounts,
    synced_writes,
)
from acqd.host.here import Here
from acqd.host.needs import Needs

Machine = Callable[..., Here]

MOUNTS = """\
22 1 254:0 / / rw,relatime shared:1 - ext4 /dev/vda rw,discard
30 22 0:25 / /mnt/nas rw - nfs4 nas:/volume rw,vers=4.2
31 22 0:26 / /tmp rw - tmpfs tmpfs rw,size=10%
32 22 0:27 / /media/card\\040one rw - vfat /dev/sdb1 rw
33 22 0:28 / /srv ro - ext4 /dev/sdc1 ro
34 22 0:29 / /data rw shared:5 master:2 - ext4 /dev/sdd1 rw,nobarrier
35 22 0:30 / /box rw - overlay overlay rw,lowerdir=/x
36 22 0:31 / /stick rw - fuseblk /dev/sde1 rw
37 22 0:32 / /odd rw - wonderfs none rw
38 22 0:33 / /far rw - fuse.sshfs gull:/x rw
39 22 0:34 / /data rw - xfs /dev/sdf1 rw
not a mount
40 22 0:35 / /short - ext4
"""


def test_mounts_are_read_with_their_escapes() -> None:
    """Lines of another form are left out, fields that may be missing are missed by nobody."""
    mounts = parse_mounts(MOUNTS)
    assert len(mounts) == 11
    assert mounts[3].folder == "/media/card one"
    assert {"rw", "discard"} <= mounts[0].options


@pytest.mark.parametrize(
    ("path", "folder", "kind"),
    [
        ("/home/watch", "/", "ext4"),
        ("/mnt/nas/nights", "/mnt/nas", "nfs4"),
        ("/mnt/nasty", "/", "ext4"),
        ("/data/x", "/data", "xfs"),
    ],
)
def test_the_mount_of_a_folder_is_the_nearest(path: str, folder: str, kind: str) -> None:
    """Whole names count, and what was mounted last on one folder lies on top."""
    mount = mount_of(Path(path), parse_mounts(MOUNTS))
    assert mount is not None
    assert (mount.folder, mount.kind) == (folder, kind)


@pytest.mark.parametrize(
    ("folder", "state", "word"),
    [
        ("/nights", State.GOOD, "ext4"),
        ("/data/nights", State.GOOD, "xfs"),
        ("/mnt/nas", State.TO_DO, "over a network"),
        ("/far", State.TO_DO, "over a network"),
        ("/tmp", State.TO_DO, "in memory"),
        ("/media/card one", State.TO_DO, "no journal"),
        ("/srv", State.TO_DO, "read-only"),
        ("/box", State.TO_DO, "a layer of a container"),
        ("/stick", State.TO_DO, "served by a program"),
        ("/odd", State.CANNOT_TELL, "wonderfs"),
    ],
)
def test_kinds_of_file_systems(machine: Machine, folder: str, state: State, word: str) -> None:
    """What keeps what it says it wrote, and what does not."""
    here = machine({"/proc/self/mountinfo": MOUNTS, f"{folder}/": ""})
    check = file_system(here, Needs(archive=Path(folder, "archive")))
    assert check.state is state
    assert word in check.found
    assert bool(check.do) is (state is not State.GOOD)


def test_barriers_that_are_off_are_told_of(machine: Machine) -> None:
    """Then a sync is a word without a meaning."""
    mounts = "34 22 0:29 / / rw - ext4 /dev/sdd1 rw,nobarrier\n"
    check = file_system(machine({"/proc/self/mountinfo": mounts}), Needs(archive=Path("/x")))
    assert check.state is State.TO_DO
    assert "without barriers" in check.found


def test_what_is_not_listed_is_not_known(machine: Machine) -> None:
    """Without /proc nobody can tell."""
    assert file_system(machine({}), Needs(archive=Path("/x"))).state is State.CANNOT_TELL


# -- free space ------------------------------------------------------------------------------------


def test_what_is_free_is_weighed_against_a_day(
    machine: Machine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After what `keep_free` leaves alone."""
    monkeypatch.setattr("acqd.archive.durable.free_bytes", lambda folder: 11_000_000_000)
    here = machine({"/nights/": ""})

    def at(bytes_a_day: float | None, keep: int = 1_000_000_000) -> disk.HostCheck:
        asks = Needs(archive=Path("/nights/archive"), bytes_a_day=bytes_a_day, keep_free_bytes=keep)
        return free_space(here, asks)

    assert at(1e9).state is State.GOOD
    assert "enough for about 10 days" in at(1e9).found
    assert at(2e10).state is State.TO_DO
    assert "enough for about 12 h" in at(2e10).found
    assert at(None).state is State.GOOD
    assert at(None, 10_500_000_000).state is State.TO_DO
    assert "less than the 12 GB that acqd leaves alone" in at(1.0, 12_000_000_000).found


# -- synced writes ---------------------------------------------------------------------------------


def test_writes_are_measured_and_leave_nothing(tmp_path: Path) -> None:
    """Really written and synced, here."""
    writes = measure_writes(tmp_path, bytes_each=5000, count=7)
    assert (writes.count, writes.bytes_each) == (7, 5000)
    assert 0.0 < writes.median_s <= writes.worst_s
    assert not list(tmp_path.iterdir())


def test_a_slow_medium_is_not_measured_for_long(tmp_path: Path) -> None:
    """One write at the least, then until the time is over."""
    now_s = iter(range(0, 1000, 1))
    writes = measure_writes(tmp_path, bytes_each=10, within_s=5.0, monotonic_s=lambda: next(now_s))
    assert 1 <= writes.count < 5
    assert writes.median_s == 1.0


def test_the_folder_above_is_measured_where_there_is_no_archive_yet(tmp_path: Path) -> None:
    """Nothing is made to find out."""
    check = synced_writes(Here(), Needs(archive=tmp_path / "not" / "yet"))
    assert f"at {tmp_path} took" in check.found
    assert not list(tmp_path.iterdir())


def taking(median_s: float, worst_s: float) -> SyncedWrites:
    return SyncedWrites(count=60, bytes_each=4096, median_s=median_s, worst_s=worst_s)


@pytest.mark.parametrize(
    ("writes", "pace", "state", "word"),
    [
        (taking(2e-3, 20e-3), 10.0, State.GOOD, "the jobs ask for 10 a second"),
        (taking(2e-3, 20e-3), None, State.GOOD, "2 ms (median), 20 ms (worst)"),
        (taking(80e-3, 0.2), 10.0, State.TO_DO, "80 % of the time"),
        (taking(80e-3, 0.2), 1.0, State.GOOD, ""),
        (taking(5e-3, 3.0), 1.0, State.TO_DO, "stalls now and then"),
        (taking(3e-6, 9e-6), 1.0, State.CANNOT_TELL, "quicker than a disk"),
    ],
)
def test_what_was_measured_is_judged_by_the_pace(
    writes: SyncedWrites, pace: float | None, state: State, word: str
) -> None:
    """A card that is slow enough for one job is too slow for ten a second."""
    check = judged_writes(writes, Path("/nights"), Needs(commits_a_second=pace))
    assert check.state is state
    assert word in check.found


def test_a_medium_that_hangs_is_given_up(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """In a thread that nobody waits for."""
    go_on = threading.Event()
    monkeypatch.setattr(disk, "GIVE_UP_S", 0.05)
    monkeypatch.setattr(disk, "measure_writes", lambda *_, **__: go_on.wait(20))
    check = synced_writes(Here(), Needs(archive=tmp_path))
    go_on.set()
    assert check.state is State.TO_DO
    assert "did not come back" in check.found


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 64 kB in memory."""
    folder = tmp_path / "small"
    folder.mkdir()
    if os.geteuid() != 0:
        pytest.skip("only root mounts a file system")
    done = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder], timeout=30)
    if done.returncode != 0:
        pytest.skip("no file system can be mounted here")
    yield folder
    subprocess.run(["umount", folder], check=True, timeout=30)


def test_a_full_disk_is_one_line(small_disk: Path) -> None:
    """A real one, small; what was begun is removed."""
    check = synced_writes(Here(), Needs(archive=small_disk, commit_bytes=60_000))
    assert check.state is State.TO_DO
    assert "No space left on device" in check.found
    assert check.do.startswith("make room")
    assert not list(small_disk.iterdir())
    assert file_system(Here(), Needs(archive=small_disk)).found.startswith(
        f"{small_disk} lies on tmpfs"
    )
    assert free_space(Here(), Needs(archive=small_disk)).state is State.TO_DO


def test_a_read_only_disk_is_one_line(small_disk: Path) -> None:
    """The same for one that nobody may write."""
    subprocess.run(["mount", "-o", "remount,ro", small_disk], check=True, timeout=30)
    check = synced_writes(Here(), Needs(archive=small_disk / "archive"))
    assert check.state is State.TO_DO
    assert "Read-only file system" in check.found
    assert "read-only" in file_system(Here(), Needs(archive=small_disk)).found
