"""An ingest that is killed loses nothing, and the next one ends as if nothing had been."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import SetupRecord, SweepRecord
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from logbooks import WIDE, wide_log

COUNT = 1500
TEXT = WIDE + '[gaps]\nevery = "2 s"\n'
LEFT_OUT = (*range(350, 370), *range(1000, 1003))

VICTIM = """\
import os, signal, sys
from acqd.cli import main
from acqd.ingest import feeding

feeding.BATCH_MOST = 128
feeding.JOURNAL_MOST = 400
at, flush, commits = int(sys.argv[1]), feeding.Feeder.flush, 0

async def flush_and_die(self):
    global commits
    commits += 1
    if commits == at:
        os.kill(os.getpid(), signal.SIGKILL)
    await flush(self)

feeding.Feeder.flush = flush_and_die
main(["ingest", *sys.argv[2:]])
"""


def child(at: int, *words: str) -> subprocess.CompletedProcess[str]:
    """An ingest that kills itself before its commit number ``at``."""
    return subprocess.run(
        [sys.executable, "-c", VICTIM, str(at), *words], capture_output=True, text=True, timeout=60
    )


def told_of(archive: Archive) -> tuple[list[Any], list[Any]]:
    """All events in their order, and all findings, without what names the run."""
    events = [
        (one.seq, one.due_s, one.level.tobytes(), one.summary, one.setup)
        if isinstance(one, SweepRecord)
        else one
        for one in archive.events("vhf")
        if not isinstance(one, SetupRecord)
    ]
    findings = [(one.number, one.at_s, one.seq, one.text) for one in archive.findings("vhf")]
    return events, findings


@pytest.mark.slow
@pytest.mark.parametrize("at", [1, 5])
def test_killed_and_run_again(at: int, tmp_path: Path, run: Callable[..., Any]) -> None:
    """The archive is sound after the kill, and after the second run equal to one that was not
    killed: sweeps, summaries, gaps, hours and findings."""
    log = tmp_path / "log.csv"
    log.write_text(wide_log(COUNT, left_out=LEFT_OUT))
    (tmp_path / "m.toml").write_text(TEXT)
    words = (str(log), "--map", str(tmp_path / "m.toml"), "--archive", str(tmp_path / "killed"))
    assert child(at, *words).returncode == -9
    kept = 0
    if at > 1:
        with open_archive(tmp_path / "killed") as archive:
            kept = archive.sweeps("vhf").sizes["sweep"]
        assert 0 < kept < COUNT - len(LEFT_OUT)
    again = child(0, *words)
    assert again.returncode == 0, again.stderr
    assert f"{COUNT - len(LEFT_OUT) - kept:,} sweeps of 1 file kept" in again.stdout
    run(log, text=TEXT, archive=tmp_path / "whole")
    with open_archive(tmp_path / "killed") as killed, open_archive(tmp_path / "whole") as whole:
        assert told_of(killed) == told_of(whole)
        assert np.array_equal(killed.sweeps("vhf").time.values, whole.sweeps("vhf").time.values)
        check = Check(same_place=True)
        for told in Replay(archive=killed, job="vhf").run():
            check.take(told)
        assert check.is_exact
        assert killed.coverage("vhf").missed == {"no sweep in the files": len(LEFT_OUT)}


@pytest.mark.slow
def test_another_job_waits_for_one_that_was_killed(tmp_path: Path, run: Callable[..., Any]) -> None:
    """Where its meter stands only its own ingest can tell; then both go on."""
    from acqd.errors import ArchiveError

    log = tmp_path / "log.csv"
    log.write_text(wide_log(COUNT))
    (tmp_path / "m.toml").write_text(WIDE)
    words = (str(log), "--map", str(tmp_path / "m.toml"), "--archive", str(tmp_path / "archive"))
    assert child(4, *words).returncode == -9
    with pytest.raises(ArchiveError, match="job vhf has to be carried on first"):
        run(log, job="other")
    assert child(0, *words).returncode == 0
    assert run(log, job="other").sweeps == COUNT
    assert run(log, job="other").known == 1
