"""Committing: whole batches, numbers that are never used twice, one writer, nothing left open."""

from __future__ import annotations

import socket
import subprocess
import sys
import time
from collections.abc import Callable
from concurrent.futures import Future
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.database import open_writing
from acqd.archive.layout import list_journals
from acqd.archive.reader import open_archive
from acqd.archive.records import Batch, GapRecord, HourlyRecord
from acqd.archive.sweepfile import SweepFile
from acqd.archive.writer import ArchiveWriter
from acqd.errors import ArchiveError, ArchiveLocked
from acqd.station.surroundings import Surroundings


def _fails(future: Future[Any]) -> str:
    with pytest.raises(ArchiveError) as caught:
        future.result(timeout=10)
    return str(caught.value)


def test_first_run_recovers_nothing(scribe: Any) -> None:
    """A new archive counts from 1 and knows no plan, no meter and no time."""
    recovery = scribe.open().recovery
    assert recovery.is_first_run
    assert recovery.job("harbour") is None
    assert (recovery.next_seq("harbour"), recovery.next_finding("harbour")) == (1, 1)
    assert recovery.last_alive_s is None
    assert recovery.last_plan is None


def test_a_committed_batch_is_read_back_as_it_was_given(scribe: Any) -> None:
    """Sweeps, findings, gaps and hours come back equal from a journal that is being written."""
    writer = scribe.begun()
    gap = GapRecord(job="harbour", from_s=1.5, to_s=2.5, count=3, reason="overrun", detail="why")
    hour = HourlyRecord(job="harbour", hour_start_s=3600.0, figures={"occupancy": [0.25, None]})
    batch = scribe.batch(1, 3, findings=(scribe.finding(1),), gaps=(gap,), hourly=(hour,))
    writer.commit(batch).result(timeout=10)
    archive = open_archive(scribe.root)
    events = list(archive.events("harbour"))
    assert [type(event).__name__ for event in events] == [
        "GapRecord",
        "SetupRecord",
        "SweepRecord",
        "SweepRecord",
        "SweepRecord",
        "HourlyRecord",
    ]
    assert events[0] == gap
    assert events[5] == hour
    assert archive.findings("harbour") == [scribe.finding(1)]
    for given, found in zip(batch.sweeps, events[2:5], strict=True):
        assert np.array_equal(found.level, given.level)
        assert found.level.dtype == given.level.dtype
        # Field by field: from Python 3.13 on equality of records looks into their arrays.
        rest = [f.name for f in fields(given) if f.name != "level"]
        assert [getattr(found, name) for name in rest] == [getattr(given, name) for name in rest]


@pytest.mark.parametrize(
    ("seqs", "numbers", "problem"),
    [
        pytest.param([5], [], "sweep 5 after 5", id="a sequence number again"),
        pytest.param([3], [], "sweep 3 after 5", id="a lower sequence number"),
        pytest.param([7, 7], [], "sweep 7 after 7", id="twice in one batch"),
        pytest.param([], [2], "finding 2 after 2", id="a finding's number again"),
        pytest.param([], [4], "finding 4 after 2", id="a gap in the findings"),
    ],
)
def test_numbers_that_break_the_order_are_refused(
    scribe: Any, seqs: list[int], numbers: list[int], problem: str
) -> None:
    """In the journal at hand, in a later journal, and in a later run alike."""
    writer = scribe.begun()
    first = scribe.batch(1, 5, findings=(scribe.finding(1), scribe.finding(2)))
    writer.commit(first).result(timeout=10)
    wrong = Batch(
        sweeps=tuple(scribe.sweep(seq) for seq in seqs),
        findings=tuple(scribe.finding(number) for number in numbers),
    )
    assert problem in _fails(writer.commit(wrong))
    scribe.seal(writer, seq=5)
    assert problem in _fails(writer.commit(wrong))
    writer.close([scribe.meter(5, 2)])
    again = scribe.begun()
    assert problem in _fails(again.commit(wrong))
    again.commit(scribe.batch(6, 6, findings=(scribe.finding(3),))).result(timeout=10)


def test_a_wrong_batch_costs_no_other_one_in_its_transaction(scribe: Any) -> None:
    """Batches that were grouped with a wrong one are kept, the wrong one not at all."""
    writer = scribe.begun(commit_within_s=0.05)
    good = writer.commit(scribe.batch(1, 2))
    wrong = writer.commit(
        Batch(sweeps=(scribe.sweep(3), replace(scribe.sweep(4), setup="unheard of")))
    )
    also_good = writer.commit(scribe.batch(3, 3))
    good.result(timeout=10)
    also_good.result(timeout=10)
    assert "setup unheard of of step 0 is not described" in _fails(wrong)
    assert open_archive(scribe.root).sweeps("harbour").sequence.values.tolist() == [1, 2, 3]


@pytest.mark.parametrize(
    ("fields", "problem"),
    [
        pytest.param({"setup": "ff"}, "is not described", id="unknown setup"),
        pytest.param({"level": np.zeros(5, np.float32)}, "5 levels", id="wrong number of points"),
        pytest.param({"level": np.zeros(31, np.int16)}, "int16", id="levels of another type"),
    ],
)
def test_a_sweep_that_cannot_be_kept_is_refused(
    scribe: Any, fields: dict[str, Any], problem: str
) -> None:
    """The message names the job, the sweep and what is wrong."""
    writer = scribe.begun()
    batch = Batch(setups=(scribe.setup(),), sweeps=(scribe.sweep(1, **fields),))
    message = _fails(writer.commit(batch))
    assert "job harbour, sweep 1" in message
    assert problem in message
    writer.commit(scribe.batch(1, 1)).result(timeout=10)


@pytest.mark.parametrize(
    ("fields", "brings"),
    [
        pytest.param({}, {"resolution": 10**20}, id="a number beyond 64 bits"),
        pytest.param({}, {"details": {"assumed": "det\udce4ctor"}}, id="half a pair in a setup"),
        pytest.param({"summary": {"note": "\ud800"}}, {}, id="half a pair in a summary"),
        pytest.param({"sweeper_time_s": 2**70}, {}, id="a time beyond 64 bits"),
        pytest.param({"boot_id": object()}, {}, id="no value of a database"),
    ],
)
def test_a_value_that_no_row_can_hold_costs_its_own_batch_only(
    scribe: Any, fields: dict[str, Any], brings: dict[str, Any]
) -> None:
    """It is an error of the archive like any other, and what shares its transaction is kept."""
    writer = scribe.begun(commit_within_s=0.2)
    good = writer.commit(Batch(setups=(scribe.setup(),), sweeps=(scribe.sweep(1),)))
    other = {"job": "other"}
    bad = Batch(
        setups=(scribe.setup(**(other | brings)),), sweeps=(scribe.sweep(1, **(other | fields)),)
    )
    message = _fails(writer.commit(bad))
    assert "no row can hold" in message or "SQLite says" in message
    good.result(timeout=10)
    writer.commit(scribe.batch(2, 2)).result(timeout=10)


def test_batches_within_the_time_share_a_transaction(scribe: Any) -> None:
    """With commit_within_s, what comes within it costs one sync."""
    writer = scribe.begun(commit_within_s=0.2)
    futures = [writer.commit(scribe.batch(seq, seq)) for seq in range(1, 21)]
    for future in futures:
        future.result(timeout=10)
    statistics = writer.statistics()
    assert statistics.committed_batches == 20
    assert statistics.commits == 1


def test_who_cannot_wait_for_others_does_not(scribe: Any) -> None:
    """One that may wait a moment only closes the group with those before it."""
    writer = scribe.begun(commit_within_s=5.0)
    patient = writer.commit(scribe.batch(1, 1))
    begun_s = time.monotonic()
    hurried = writer.commit(scribe.batch(2, 2), waits_s=0.05)
    hurried.result(timeout=10)
    patient.result(timeout=0.1)
    assert time.monotonic() - begun_s < 2.5
    assert writer.statistics().commits == 1


def test_a_cancelled_batch_is_not_kept(scribe: Any) -> None:
    """A future that is cancelled before its turn takes its batch with it."""
    writer = scribe.begun(commit_within_s=0.2)
    first = writer.commit(scribe.batch(1, 1))
    second = writer.commit(scribe.batch(2, 2))
    assert second.cancel()
    first.result(timeout=10)
    writer.commit(scribe.batch(3, 3)).result(timeout=10)
    assert open_archive(scribe.root).sweeps("harbour").sequence.values.tolist() == [1, 3]


def test_a_setup_need_not_be_told_again_after_a_rotation(scribe: Any) -> None:
    """Each journal has the setups of its sweeps, also those of an earlier run."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 1)).result(timeout=10)
    scribe.seal(writer, seq=1)
    writer.commit(Batch(sweeps=(scribe.sweep(2),))).result(timeout=10)
    writer.close([scribe.meter(2)])
    again = scribe.begun()
    again.commit(Batch(sweeps=(scribe.sweep(3),))).result(timeout=10)
    assert open_archive(scribe.root).sweeps("harbour").sequence.values.tolist() == [1, 2, 3]


def test_a_number_that_is_not_finite_becomes_null_and_the_sweep_is_kept(scribe: Any) -> None:
    """NaN in a summary is no reason to lose the sweep; JSON has no NaN."""
    writer = scribe.begun()
    record = scribe.sweep(
        1,
        summary={"floor_dbm": float("nan"), "peaks": [float("inf"), np.float32(1.5)]},
        columns={"floor_dbm": float("nan"), "signals": np.float64(2.0)},
    )
    writer.commit(Batch(setups=(scribe.setup(),), sweeps=(record,))).result(timeout=10)
    *_, found = open_archive(scribe.root).events("harbour")
    assert found.summary == {"floor_dbm": None, "peaks": [None, 1.5]}
    assert found.columns == {"signals": 2.0}


def test_too_much_waiting_is_refused_and_what_waits_is_kept(
    scribe: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A stuck disk does not fill the memory."""
    monkeypatch.setattr("acqd.archive.inbox.QUEUE_MOST_BATCHES", 3)
    writer = scribe.begun(commit_within_s=0.3)
    futures = [writer.commit(scribe.batch(seq, seq)) for seq in range(1, 8)]
    refused = [future for future in futures if future.done() and future.exception()]
    assert refused
    assert "wait for the disk already" in str(refused[0].exception())
    kept = [future for future in futures if future not in refused]
    for future in kept:
        future.result(timeout=10)
    assert open_archive(scribe.root).sweeps("harbour").sizes["sweep"] == len(kept)


def test_nothing_is_taken_before_begin_and_after_close(scribe: Any) -> None:
    """The future says so; nothing hangs."""
    writer = scribe.open()
    assert "between begin() and close()" in _fails(writer.commit(scribe.batch(1, 1)))
    writer.begin([])
    writer.close([scribe.meter(0)])
    writer.close([scribe.meter(0)])
    assert "between begin() and close()" in _fails(writer.commit(scribe.batch(1, 1)))
    assert "between begin() and close()" in _fails(writer.alive(1.0))


def test_second_process_is_told_who_writes(scribe: Any) -> None:
    """One line: which archive, which process, where, since when, what to do."""
    scribe.begun()
    code = (
        "import sys; from pathlib import Path\n"
        "from acqd.archive.writer import ArchiveWriter\n"
        "from acqd.clock import SystemClock\n"
        "from acqd.errors import ArchiveLocked\n"
        "try:\n"
        "    ArchiveWriter.open(Path(sys.argv[1]), station='b', run_id='r', clock=SystemClock())\n"
        "except ArchiveLocked as exc:\n"
        "    sys.stdout.write(str(exc))\n"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code, str(scribe.root)], capture_output=True, text=True, check=True
    ).stdout
    import os

    assert f"process {os.getpid()} on {socket.gethostname()} (station lookout)" in shown
    assert "since 2026-05-28T20:26:40Z" in shown
    assert str(scribe.root) in shown
    assert "\n" not in shown


def test_lock_is_free_after_close_and_after_a_failed_open(
    scribe: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next one gets it, whether the last one ended well or could not start."""
    scribe.begun().close([])
    monkeypatch.setattr(
        "acqd.archive.writer.recover", lambda *_: (_ for _ in ()).throw(ArchiveError("no"))
    )
    with pytest.raises(ArchiveError, match="no"):
        scribe.open()
    monkeypatch.undo()
    scribe.open()
    with pytest.raises(ArchiveLocked):
        scribe.open()


def test_a_folder_that_cannot_be_made_is_one_line(scribe: Any, tmp_path: Path) -> None:
    """A file in the way is named."""
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(ArchiveError, match="folder cannot be made"):
        ArchiveWriter.open(
            tmp_path / "file" / "archive", station="s", run_id="r", clock=scribe.clock
        )


def test_a_ledger_that_is_no_database_is_set_aside_and_made_anew(scribe: Any) -> None:
    """It is kept as it is, and told of."""
    scribe.root.mkdir()
    (scribe.root / "ledger.sqlite").write_bytes(b"not a database, surely" * 100)
    writer = scribe.open()
    (mishap,) = writer.take_mishaps()
    assert mishap.what == "ledger_rebuilt" and "set-aside/ledger.sqlite" in mishap.text
    aside = scribe.root / "set-aside" / "ledger.sqlite"
    assert aside.read_bytes().startswith(b"not a database")
    assert writer.recovery.is_first_run


def test_what_journals_without_a_sweep_had_outlives_the_ledger(scribe: Any) -> None:
    """A station that is started twice and sweeps only then: its gaps of the first start, and those
    from before a job's very first sweep, are in the next file, once, and come back from there."""
    gaps = [
        GapRecord(
            job="harbour", from_s=at_s, to_s=at_s + 9, count=10, reason="station down", detail=""
        )
        for at_s in (scribe.start_s + by for by in (-20, 3, 20, 40))
    ]
    writer = scribe.begun()
    for seq, gap in enumerate(gaps, start=1):
        writer.commit(Batch(gaps=(gap,))).result(timeout=10)
        scribe.seal(writer)
        if seq % 2 == 0:
            writer.commit(scribe.batch(seq - 1, seq)).result(timeout=10)
            scribe.seal(writer, seq=seq)
    writer.close([scribe.meter(4)])
    assert len(scribe.files()) == 2
    held = []
    for path in scribe.files():
        with SweepFile(path) as file:
            held += [row[2] for row in file.ledger()["gap"]]
    assert held == [gap.from_s for gap in gaps]
    (scribe.root / "ledger.sqlite").unlink()
    again = scribe.open()
    assert [mishap.what for mishap in again.take_mishaps()] == ["ledger_rebuilt"]
    assert open_archive(scribe.root).gaps("harbour") == gaps
    # It goes on where it was: nothing is copied a second time.
    again.begin([scribe.meter(4)])
    again.commit(scribe.batch(5, 6)).result(timeout=10)
    scribe.seal(again, seq=6)
    with SweepFile(scribe.files()[-1]) as file:
        assert not file.ledger().get("gap")


def test_what_a_job_without_a_sweep_in_a_journal_had_is_in_the_files_of_others(scribe: Any) -> None:
    """The last seconds before a stop, in which a slow job was due and did not sweep."""
    writer = scribe.begun()
    both = scribe.batch(1, 2, setups=(scribe.setup(), scribe.setup(job="calling")))
    slow = scribe.sweep(1, job="calling")
    writer.commit(replace(both, sweeps=(*both.sweeps, slow))).result(timeout=10)
    scribe.seal(writer, seq=2)
    at_s = scribe.start_s + 3
    gap = GapRecord(job="calling", from_s=at_s, to_s=at_s, count=1, reason="overrun", detail="")
    writer.commit(scribe.batch(3, 4, gaps=(gap,))).result(timeout=10)
    scribe.seal(writer, seq=4)
    writer.close([scribe.meter(4)])
    (scribe.root / "ledger.sqlite").unlink()
    again = scribe.open()
    assert [mishap.what for mishap in again.take_mishaps()] == ["ledger_rebuilt"]
    assert open_archive(scribe.root).gaps("calling") == [gap]


def test_leftover_temporaries_and_unbegun_journals_are_cleared(scribe: Any) -> None:
    """What an interrupted write left is removed at the next start, and nothing else."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 2)).result(timeout=10)
    scribe.seal(writer, seq=2)
    writer.close([scribe.meter(2)])
    (segment,) = scribe.files()
    half = segment.with_name("segment_0000000003-0000000009_step0_aa11.nc.tmp")
    half.write_bytes(b"half")
    unbegun = scribe.root / "journals" / "journal-0000000099-boot1.sqlite"
    unbegun.write_bytes(b"")
    stray = scribe.root / "journals" / "journal-0000000098-boot1.sqlite-wal"
    stray.write_bytes(b"stray")
    again = scribe.open()
    assert again.recovery.cleared == (half,)
    assert not half.exists()
    assert not unbegun.exists()
    assert not stray.exists()
    assert scribe.files() == [segment]
    assert again.recovery.next_seq("harbour") == 3


def test_journals_are_never_named_alike(scribe: Any) -> None:
    """Ordinals rise over runs, also past one whose journal is gone."""
    names = set()
    for _ in range(3):
        writer = scribe.begun()
        names |= {path.name for path in list_journals(scribe.root)}
        scribe.seal(writer)
        names |= {path.name for path in list_journals(scribe.root)}
        writer.close([])
    ordinals = sorted(name[:18] for name in names)
    assert len(ordinals) == len(set(ordinals)) == 6


def test_no_file_and_no_thread_is_left(
    scribe: Any, leaks: Callable[[], tuple[set[str], list[str]]]
) -> None:
    """After close, and after a reader has read, nothing of the archive is open."""
    before = leaks()
    for run in range(3):
        writer = scribe.begun()
        writer.commit(scribe.batch(run * 10 + 1, run * 10 + 10)).result(timeout=10)
        scribe.seal(writer, seq=run * 10 + 10)
        archive = open_archive(scribe.root)
        assert archive.sweeps("harbour").level.values.shape[0] == run * 10 + 10
        assert sum(1 for _ in archive.events("harbour")) == run * 10 + 11
        writer.close([scribe.meter(run * 10 + 10)])
    assert leaks() == before


def test_statistics_tell_how_the_archive_is_doing(scribe: Any) -> None:
    """Counts that a health message can carry."""
    writer = scribe.begun()
    writer.commit(scribe.batch(1, 5)).result(timeout=10)
    statistics = writer.statistics()
    assert (statistics.journals, statistics.committed_batches) == (1, 1)
    assert statistics.unsealed_bytes >= statistics.wal_bytes > 0
    assert statistics.free_bytes > 0
    scribe.seal(writer, seq=5)
    statistics = writer.statistics()
    assert (statistics.sealed_journals, statistics.sealed_segments) == (1, 1)
    assert statistics.last_seal_took_s is not None and statistics.last_seal_took_s > 0
    assert statistics.problem is None


@pytest.mark.parametrize("points", [1001, 100_001], ids=["short sweeps", "long ones"])
def test_the_journals_log_stays_short(scribe: Any, points: int) -> None:
    """12 MiB of sweeps, one commit each, pass through a log of 4 MiB or little more, and are there
    afterwards."""
    writer = scribe.begun()
    setup = scribe.setup(frequency_hz=np.linspace(156e6, 157e6, points))
    level = np.full(points, -100.5, dtype=np.float32)
    sweeps = (12 << 20) // (4 * points + 13_000)
    sizes = []
    for seq in range(1, sweeps + 1):
        batch = Batch(setups=(setup,), sweeps=(scribe.sweep(seq, level=level),))
        writer.commit(batch).result(timeout=10)
        sizes.append(writer.statistics().wal_bytes)
    assert 3 << 20 < max(sizes) < 6 << 20
    (journal,) = list_journals(scribe.root)
    assert journal.stat().st_size > 2 << 20
    assert open_archive(scribe.root).sweeps("harbour").sequence.size == sweeps


def test_a_commit_waits_for_the_disk_unless_it_is_of_a_rehearsal(tmp_path: Path) -> None:
    """A kill cannot show this: what was not synced is lost only where the power goes."""
    for path, synced, mode in ((tmp_path / "a", {}, 2), (tmp_path / "b", {"synced": False}, 0)):
        connection = open_writing(path, **synced)
        assert connection.execute("PRAGMA synchronous").fetchone() == (mode,)
        connection.close()
    assert Surroundings().is_kept
