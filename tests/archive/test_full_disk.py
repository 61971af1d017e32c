"""A full disk costs new sweeps, never old ones, and the station goes on when there is room.

A small file system of its own, mounted for the test: needs root, and is skipped without.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.ballast import BALLAST_BYTES
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveFull

SIZE_MB = 40
POINTS = 20_000


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 40 MB."""
    folder = tmp_path / "disk"
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


@pytest.fixture
def writer(scribe: Any, small_disk: Path) -> ArchiveWriter:
    scribe.root = small_disk / "archive"
    opened: ArchiveWriter = scribe.begun()
    return opened


def _batch(scribe: Any, seq: int) -> Batch:
    setup = scribe.setup(frequency_hz=np.linspace(1e6, 2e6, POINTS))
    return Batch(setups=(setup,), sweeps=(scribe.sweep(seq, level=scribe.level(seq, POINTS)),))


def _fill(scribe: Any, writer: ArchiveWriter, first: int) -> int:
    """Commit until the disk is full; the number of the last sweep that was kept."""
    for seq in range(first, first + 2000):
        try:
            writer.commit(_batch(scribe, seq)).result(timeout=20)
        except ArchiveFull:
            return seq - 1
    raise AssertionError("the disk did not fill up")


def _leave(folder: Path, size_bytes: int) -> Path:
    """Take all room but this much, as something else on the disk might."""
    filler = folder / "filler"
    handle = os.open(filler, os.O_CREAT | os.O_WRONLY)
    free = os.statvfs(folder)
    os.posix_fallocate(handle, 0, free.f_bavail * free.f_frsize - size_bytes)
    os.close(handle)
    return filler


def _check(scribe: Any, last: int) -> None:
    sweeps = open_archive(scribe.root).sweeps("harbour")
    assert sweeps.sequence.values.tolist() == list(range(1, last + 1))
    for seq in (1, last // 2, last):
        assert np.array_equal(sweeps.level[seq - 1].values, scribe.level(seq, POINTS))


@pytest.mark.slow
def test_a_full_disk_costs_nothing_that_was_kept(
    scribe: Any, small_disk: Path, writer: ArchiveWriter
) -> None:
    """To the last byte: the future says so, everything before is there, also for a restart."""
    assert (scribe.root / "ballast").stat().st_size == BALLAST_BYTES
    _leave(small_disk, 12 << 20)
    last = _fill(scribe, writer, 1)
    assert last > 50
    # The ballast went, so that the log can be moved and findings acknowledged.
    assert not (scribe.root / "ballast").exists()
    writer.acknowledge("harbour", 1).result(timeout=10)
    _check(scribe, last)
    # Sealing makes room out of what it has, and then there is room for sweeps again.
    writer.rotate([scribe.meter(last)]).result(timeout=20)
    scribe.wait_sealed(writer, forgiving=True)
    writer.commit(_batch(scribe, last + 1)).result(timeout=20)
    _check(scribe, last + 1)
    writer.close([scribe.meter(last + 1)])
    again = scribe.begun()
    assert again.recovery.next_seq("harbour") == last + 2
    again.commit(_batch(scribe, last + 2)).result(timeout=20)
    _check(scribe, last + 2)


@pytest.mark.slow
def test_with_no_room_to_seal_the_journals_stay_and_are_sealed_later(
    scribe: Any, small_disk: Path, writer: ArchiveWriter
) -> None:
    """HDF5 is not let near a full disk; the problem is told, and gone when there is room."""
    for seq in range(1, 41):
        writer.commit(_batch(scribe, seq)).result(timeout=20)
    filler = _leave(small_disk, 3 << 20)
    writer.rotate([scribe.meter(40)]).result(timeout=20)
    for _ in range(1000):
        if writer.statistics().problem is not None:
            break
        time.sleep(0.005)
    problem = writer.statistics().problem
    assert problem is not None
    assert "nothing is lost, make room" in problem
    _check(scribe, 40)
    filler.unlink()
    writer.rotate([scribe.meter(40)]).result(timeout=20)
    scribe.wait_sealed(writer, forgiving=True)
    assert writer.statistics().problem is None
    _check(scribe, 40)


@pytest.mark.slow
def test_the_floor_of_free_space_is_left_alone(scribe: Any, small_disk: Path) -> None:
    """With keep_free_bytes the archive stops before the disk is full, and starts by itself."""
    scribe.root = small_disk / "archive"
    keep = 12 << 20
    writer = scribe.begun(keep_free_bytes=keep)
    last = _fill(scribe, writer, 1)
    free = os.statvfs(small_disk)
    assert free.f_bavail * free.f_frsize > keep - (6 << 20)
    _check(scribe, last)
    (scribe.root / "ballast").unlink(missing_ok=True)
    writer.commit(_batch(scribe, last + 1)).result(timeout=20)
    _check(scribe, last + 1)


@pytest.mark.slow
def test_a_disk_that_fills_while_a_file_is_written_costs_only_the_file(
    scribe: Any, small_disk: Path
) -> None:
    """In a process of its own, because HDF5 takes the process with it where a write fails."""
    code = (
        "import sys, time; from pathlib import Path\n"
        "sys.path.insert(0, sys.argv[2])\n"
        "import victim\n"
        "from acqd.archive import sealing\n"
        "sealing.need_room = lambda *_: None\n"
        "import acqd.archive.sweepwriter as sweepwriter\n"
        "real = sweepwriter._Writer.append\n"
        "root = Path(sys.argv[1])\n"
        "def append(self, *args):\n"
        "    import os\n"
        "    free = os.statvfs(root); size = free.f_bavail * free.f_frsize\n"
        "    with open(root.parent / 'filler', 'ab') as file: file.write(b'x' * size)\n"
        "    return real(self, *args)\n"
        "sweepwriter._Writer.append = append\n"
        "writer = victim.open_writer(root); writer.begin([])\n"
        "victim.fill(writer, 1, 100)\n"
        "writer.rotate([]).result()\n"
        "for _ in range(2000):\n"
        "    if writer.statistics().problem: break\n"
        "    time.sleep(0.005)\n"
        "sys.stdout.write(str(writer.statistics().problem)); sys.stdout.flush()\n"
        "writer.close([])\n"
    )
    root = small_disk / "archive"
    here = Path(__file__).parent
    done = subprocess.run(
        [sys.executable, "-c", code, str(root), str(here)],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
    )
    assert "No space left on device" in done.stdout, done.stderr
    assert (done.returncode, done.stderr) == (0, "")
    (small_disk / "filler").unlink()
    scribe.root = root
    again = scribe.begun()
    assert again.recovery.next_seq("harbour") == 101
    scribe.wait_sealed(again)
    assert open_archive(root).sweeps("harbour").sizes["sweep"] == 100
