"""What a kill or retention leaves behind, or a station writes meanwhile, is no damage."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from acqd.archive.inspector import Inspector
from acqd.archive.layout import DAY_S
from acqd.archive.reader import open_archive
from acqd.archive.retention import Retention
from acqd.archive.verify import verify_archive
from spoiling import flip, lines, segment, warned

KILLS = [
    "before:replace:1",
    "after:replace:1",
    "after:replace:2",
    "after:absorb:1",
    "after:finish_journal:1",
    "after:unlink:1",
]


def _die(root: Path, what: str, where: str) -> None:
    script = Path(__file__).with_name("victim.py")
    done = subprocess.run([sys.executable, str(script), str(root), what, where], check=False)
    assert done.returncode == -signal.SIGKILL


@pytest.mark.parametrize("where", KILLS)
def test_what_a_kill_leaves_while_sealing_is_no_damage(
    tmp_path: Path, inspector: Inspector, where: str
) -> None:
    """Nor is anything after the next start."""
    root = tmp_path / "archive"
    _die(root, "seal", where)
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and found.sweeps == 100, lines(found)


def test_a_file_that_a_kill_left_half_sealed_anew_is_not_warned_of(
    tmp_path: Path, inspector: Inspector
) -> None:
    """Killed after it was listed, and again while it was written anew: the journal has it all."""
    root = tmp_path / "archive"
    _die(root, "seal", "after:replace:2")
    path = segment(root)
    flip(path, path.stat().st_size - 5)
    with warned(None):
        assert open_archive(root).sweeps("harbour").sizes["sweep"] == 100
        assert len([e for e in open_archive(root).events("harbour") if hasattr(e, "seq")]) == 100
    assert verify_archive(root, inspector=inspector).is_whole


@pytest.mark.parametrize(
    "where",
    ["before:replace:1", "after:replace:1", "after:replace:2", "after:replace_files:1"],
)
def test_what_a_kill_leaves_while_merging_is_no_damage(
    tmp_path: Path, inspector: Inspector, victim: ModuleType, where: str
) -> None:
    """And the next merge lists a volume that was not listed yet."""
    root = tmp_path / "archive"
    _die(root, "merge", where)
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and found.sweeps == 300, lines(found)
    writer = victim.open_writer(root)
    writer.begin([])
    writer.merge_due(victim.START_S + 2 * DAY_S).result(timeout=30)
    writer.close([])
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and not found.notes, lines(found)


def test_what_retention_removed_is_no_damage(scribe: Any, inspector: Inspector) -> None:
    """Its numbers are accounted for; what was kept of it must be there."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 50)).result(timeout=10)
    scribe.seal(writer, seq=50)
    now_s = scribe.start_s + 100 * DAY_S
    writer.merge_due(now_s).result(timeout=10)
    writer.close([])
    writer = scribe.open(retention=Retention(keep_s=10 * DAY_S))
    writer.begin([])
    assert writer.retain(now_s).result(timeout=10).removed
    writer.close([])
    found = verify_archive(scribe.root, inspector=inspector)
    assert found.is_whole, lines(found)
    (kept,) = scribe.root.glob("sweeps/*/*/kept_*.json.gz")
    kept.unlink()
    found = verify_archive(scribe.root, inspector=inspector)
    assert "is missing: what outlived volume_" in lines(found)


@pytest.mark.parametrize("where", ["after:replace:1", "after:replace:2", "after:replace_files:1"])
def test_what_a_kill_leaves_while_removing_is_no_damage(
    tmp_path: Path, inspector: Inspector, where: str
) -> None:
    """Nor is it to be listed anew, or moved elsewhere: the next start goes on with it."""
    root = tmp_path / "archive"
    _die(root, "remove", where)
    found = verify_archive(root, inspector=inspector)
    assert found.is_whole and found.sweeps == 300, lines(found)
    (note,) = found.notes
    assert "the next start removes it" in str(note) or "goes on with its removal" in str(note)


def test_an_archive_that_is_written_meanwhile_is_whole(
    tmp_path: Path, inspector: Inspector
) -> None:
    """While a station commits, seals and merges under it."""
    root = tmp_path / "archive"
    script = Path(__file__).with_name("victim.py")
    with subprocess.Popen(
        [sys.executable, str(script), str(root), "run"], stdout=subprocess.DEVNULL
    ) as writing:
        try:
            until_s = time.monotonic() + 60
            while not list(root.glob("sweeps/*/*/*.nc")) and time.monotonic() < until_s:
                time.sleep(0.05)
            for _ in range(4):
                found = verify_archive(root, inspector=inspector)
                assert found.is_whole and found.sweeps, lines(found)
                assert found.holder is not None
        finally:
            writing.kill()
