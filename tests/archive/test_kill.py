"""A process that is killed loses nothing that the archive has acknowledged (G1, G3)."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from acqd.archive.durable import sha256_of
from acqd.archive.manifest import read_manifest
from acqd.archive.reader import open_archive
from acqd.archive.records import SweepRecord

ROUNDS = 24


def _start(root: Path, *words: str) -> subprocess.Popen[bytes]:
    script = Path(__file__).with_name("victim.py")
    return subprocess.Popen(
        [sys.executable, str(script), str(root), *words], stdout=subprocess.PIPE
    )


def _check_whole(root: Path, victim: ModuleType, *, seq: int, finding: int) -> int:
    """Every sweep and finding up to the acknowledged ones is there, once, as it was written."""
    archive = open_archive(root)
    sweeps = archive.sweeps(victim.JOB)
    found = sweeps.sequence.values
    assert found.size >= seq
    assert np.array_equal(found, np.arange(1, found.size + 1))
    expected = np.array([victim.level_of(int(number)) for number in found])
    assert np.array_equal(sweeps.level.values, expected)
    numbers = [record.number for record in archive.findings(victim.JOB)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) >= finding
    replayed = [event.seq for event in archive.events(victim.JOB) if isinstance(event, SweepRecord)]
    assert replayed == found.tolist()
    return int(found.size)


@pytest.mark.slow
def test_killed_at_random_moments_no_acknowledged_commit_is_lost(
    tmp_path: Path, victim: ModuleType
) -> None:
    """Two dozen kills of one archive, each followed by a reader's look and a new start."""
    root = tmp_path / "archive"
    chance = random.Random(20260601)
    stored = seq = finding = 0
    for _ in range(ROUNDS):
        process = _start(root, "run")
        assert process.stdout is not None
        began = process.stdout.readline().split()
        # The next start goes on after everything that was stored, acknowledged or not.
        assert began[0] == b"began" and int(began[1]) == stored
        time.sleep(chance.uniform(0.0, 0.12))
        process.kill()
        acknowledged = process.stdout.read().splitlines()
        process.stdout.close()
        process.wait()
        for line in acknowledged:
            if line.count(b" ") == 1 and line.split()[1:]:
                seq, finding = max(seq, int(line.split()[0])), max(finding, int(line.split()[1]))
        if seq:
            stored = _check_whole(root, victim, seq=seq, finding=finding)
    assert seq > ROUNDS
    writer = victim.open_writer(root)
    assert writer.recovery.next_seq(victim.JOB) == stored + 1
    writer.begin([victim.meter(stored, 0)])
    writer.close([victim.meter(stored, 0)], within_s=20.0)
    _check_whole(root, victim, seq=seq, finding=finding)
    assert len(list((root / "journals").glob("*.sqlite"))) == 1


SEALING = {
    "before the old journal's log is moved": "before:close_journal:1",
    "before the segment is synced": "before:fsync:3",
    "before the segment is renamed": "before:replace:1",
    "after the segment is renamed": "after:replace:1",
    "before the manifest is renamed": "before:replace:2",
    "before the ledger takes over": "before:absorb:1",
    "while the ledger takes over": "after:absorb:2",
    "before the ledger has finished": "before:finish_journal:1",
    "after the ledger has finished": "after:finish_journal:1",
    "before the journal is unlinked": "before:unlink:1",
    "between the journal and its log": "after:unlink:1",
}

MERGING = {
    "before the volume is renamed": "before:replace:1",
    "after the volume is renamed": "after:replace:1",
    "after the manifest": "after:replace:2",
    "before the ledger": "before:replace_files:1",
    "after the ledger": "after:replace_files:1",
    "before the segments go": "before:unlink:1",
    "when one segment is gone": "after:unlink:1",
    "when two segments are gone": "after:unlink:2",
}


@pytest.mark.slow
@pytest.mark.parametrize("where", SEALING.values(), ids=SEALING.keys())
def test_killed_while_sealing_nothing_is_lost_or_doubled(
    tmp_path: Path, victim: ModuleType, where: str
) -> None:
    """A kill at each step of sealing, then a reader, then a start that seals again."""
    root = tmp_path / "archive"
    process = _start(root, "seal", where)
    assert process.communicate(timeout=30)[0] == b""
    assert process.returncode == -9
    _check_whole(root, victim, seq=100, finding=1)
    _finish(root, victim, seq=100)
    _check_whole(root, victim, seq=100, finding=1)
    assert len(list(root.glob("sweeps/*/*/segment_*.nc"))) == 1


SEALING_AGAIN = {
    "when the manifest lists the file no more": "after:replace:1",
    "when the new file is there": "after:replace:2",
    "when the manifest lists the new one": "after:replace:3",
}


@pytest.mark.slow
@pytest.mark.parametrize("where", SEALING_AGAIN.values(), ids=SEALING_AGAIN.keys())
def test_killed_while_sealing_once_more_no_file_is_called_damaged(
    tmp_path: Path, victim: ModuleType, where: str
) -> None:
    """The second file of that name has other bytes than the first, which the manifest listed."""
    root = tmp_path / "archive"
    for what, place in (("seal", "before:absorb:1"), ("again", where)):
        process = _start(root, what, place)
        assert process.communicate(timeout=30)[0] == b""
        assert process.returncode == -9
        _check_whole(root, victim, seq=100, finding=1)
        assert not open_archive(root).damage(victim.JOB)
        for path in root.glob("sweeps/*/*/*.nc"):
            listed = read_manifest(path.parent).get(path.name)
            assert listed is None or listed["sha256"] == sha256_of(path)
    _finish(root, victim, seq=100)
    _check_whole(root, victim, seq=100, finding=1)


@pytest.mark.slow
@pytest.mark.parametrize("where", MERGING.values(), ids=MERGING.keys())
def test_killed_while_merging_nothing_is_lost_or_doubled(
    tmp_path: Path, victim: ModuleType, where: str
) -> None:
    """A kill at each step of merging, then a reader, then a start that merges again."""
    root = tmp_path / "archive"
    process = _start(root, "merge", where)
    assert process.communicate(timeout=30)[0] == b""
    assert process.returncode == -9
    _check_whole(root, victim, seq=300, finding=3)
    _finish(root, victim, seq=300)
    _check_whole(root, victim, seq=300, finding=3)
    assert [path.name.split("_")[0] for path in root.glob("sweeps/*/*/*.nc")] == ["volume"]


REMOVING = {
    "before what outlives the volume is renamed": "before:replace:1",
    "after what outlives the volume is renamed": "after:replace:1",
    "before the manifest is renamed": "before:replace:2",
    "after the manifest": "after:replace:2",
    "before the ledger": "before:replace_files:1",
    "after the ledger": "after:replace_files:1",
    "before the volume goes": "before:unlink:1",
    "when the volume is gone": "after:unlink:1",
}


@pytest.mark.slow
@pytest.mark.parametrize("where", REMOVING.values(), ids=REMOVING.keys())
def test_killed_while_removing_the_next_start_goes_on(
    tmp_path: Path, victim: ModuleType, where: str
) -> None:
    """A kill at each step: the sweeps are all there or all accounted for, and the next look of a
    station whose config removes nothing any more ends what had been decided, and nothing else."""
    root = tmp_path / "archive"
    process = _start(root, "remove", where)
    assert process.communicate(timeout=30)[0] == b""
    assert process.returncode == -9
    decided = where.split(":")[1:] == ["replace", "2"] and where.startswith("after")
    decided = decided or where.split(":")[1] in ("replace_files", "unlink")
    _check_accounted(root, victim)
    _retain(root, victim, None)
    assert bool(list(root.glob("sweeps/*/*/volume_*.nc"))) is not decided
    assert len(list(root.glob("sweeps/*/*/kept_*.json.gz"))) == decided
    _check_accounted(root, victim)
    _retain(root, victim, victim.MONTH)
    _check_accounted(root, victim)
    assert not list(root.glob("sweeps/*/*/volume_*.nc"))
    [kept] = open_archive(root).removed(victim.JOB)
    assert (kept.sweeps, kept.first_seq, kept.last_seq) == (300, 1, 300)
    (root / "ledger.sqlite").unlink()
    victim.open_writer(root, victim.LATER_S).close((), seal=False)
    _check_accounted(root, victim)


def _check_accounted(root: Path, victim: ModuleType) -> None:
    """Each sweep is there or is told of as removed, never both; findings and gaps are there."""
    archive = open_archive(root)
    covered = archive.coverage(victim.JOB)
    assert (covered.stored, covered.removed) in ((300, 0), (0, 300))
    assert covered.missed == {"paused": 3}
    assert [record.number for record in archive.findings(victim.JOB)] == [1, 2, 3]
    assert [record.setup for record in archive.setups(victim.JOB)] == ["5e7a9"]


def _retain(root: Path, victim: ModuleType, limits: object) -> None:
    writer = victim.open_writer(root, victim.LATER_S, limits)
    assert writer.recovery.next_seq(victim.JOB) == 301
    writer.begin([victim.meter(300, 3)])
    writer.retain(victim.LATER_S).result(timeout=20)
    assert writer.statistics().problem is None
    writer.close([victim.meter(300, 3)], within_s=20.0)
    assert [path.name for path in root.rglob("*") if path.name.endswith(".tmp")] == []


def _finish(root: Path, victim: ModuleType, *, seq: int) -> None:
    """A new start does what the killed one was at, and leaves nothing half done."""
    writer = victim.open_writer(root)
    assert writer.recovery.next_seq(victim.JOB) == seq + 1
    writer.begin([victim.meter(seq, seq // 100)])
    if seq == 300:
        writer.merge_due(victim.START_S + 2 * victim.DAY_S).result(timeout=20)
    writer.close([victim.meter(seq, seq // 100)], within_s=20.0)
    left = [path.name for path in root.rglob("*") if path.name.endswith(".tmp")]
    assert left == []
    assert len(list((root / "journals").iterdir())) == 1
