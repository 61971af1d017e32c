"""A station of sorts in a process of its own, for tests that kill it. Not a test itself.

    victim.py ROOT run             commits, rotates and merges until it is killed; every number that
                                   the archive has acknowledged is written to standard output first
    victim.py ROOT seal WHERE      fills a journal, then dies at WHERE while it is sealed
    victim.py ROOT again WHERE     does so in another run, a year later, dying at WHERE
    victim.py ROOT merge WHERE     seals three segments, then dies at WHERE while they are merged
    victim.py ROOT remove WHERE    merges them, then dies at WHERE while the volume is removed

WHERE is ``before:NAME:N`` or ``after:NAME:N``: the N-th call of a function named in PLACES.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

import numpy as np

from acqd.archive.journal import Journal
from acqd.archive.ledger import Ledger
from acqd.archive.records import (
    Batch,
    FindingRecord,
    GapRecord,
    HourlyRecord,
    MeterState,
    SetupRecord,
    SweepRecord,
)
from acqd.archive.retention import Retention
from acqd.archive.writer import ArchiveWriter
from acqd.sweep import SweepFlag
from acqd.testing.clock import ManualClock

POINTS = 41
JOB = "harbour"
START_S = 1_780_000_000.0
DAY_S = 86400.0


def level_of(seq: int) -> np.ndarray:
    """The levels of a sweep, from its number alone."""
    codes = (np.arange(POINTS) * 7919 + seq * 104729) % 9000 - 12000
    return (codes * 0.01).astype(np.float32)


def setup_record() -> SetupRecord:
    return SetupRecord(
        setup="5e7a9",
        job=JOB,
        step=0,
        sweeper="mast",
        kind="band",
        frequency_hz=np.linspace(156e6, 157e6, POINTS),
        unit="dBm",
        resolution=0.01,
        chain_gain_db=None,
        details={"identity": {"maker": "GANNET"}},
    )


def sweep_record(seq: int, *, run_id: str = "run") -> SweepRecord:
    at_s = START_S + seq
    return SweepRecord(
        job=JOB,
        step=0,
        setup="5e7a9",
        seq=seq,
        pass_id=seq,
        run_id=run_id,
        due_s=at_s,
        started_s=at_s + 0.25,
        monotonic_s=float(seq),
        took_s=0.5,
        boot_id="boot-1",
        sweeper_time_s=None,
        flags=SweepFlag(0),
        level=level_of(seq),
        columns={"floor_dbm": -100.0 - seq % 7},
        summary={"seq": seq},
    )


def finding_record(number: int) -> FindingRecord:
    return FindingRecord(
        job=JOB,
        number=number,
        what="signal_appeared",
        at_s=START_S + number,
        seq=None,
        text=f"finding {number}",
        figures={"number": number},
        message=b'{"number":%d}' % number,
    )


def meter(seq: int, finding: int) -> MeterState:
    return MeterState(
        job=JOB, version="count 1", after_seq=seq, next_finding=finding + 1, state=b"%d" % seq
    )


def open_writer(
    root: Path, wall_s: float = START_S, retention: Retention | None = None
) -> ArchiveWriter:
    return ArchiveWriter.open(
        root,
        station="lookout",
        run_id="run",
        clock=ManualClock(wall_s),
        keep_free_bytes=0,
        retention=retention,
    )


def run(root: Path) -> None:
    """Until killed. Odd sweeps bring a finding, some batches a gap and an hour."""
    writer = open_writer(root)
    seq = writer.recovery.next_seq(JOB) - 1
    finding = writer.recovery.next_finding(JOB) - 1
    writer.begin([meter(seq, finding)])
    os.write(1, f"began {seq} {finding}\n".encode())
    while True:
        sweeps = [sweep_record(seq + 1 + i) for i in range(1 + seq % 3)]
        findings = [finding_record(finding + 1)] if seq % 2 else []
        at_s = sweeps[0].started_s
        gaps = [GapRecord(job=JOB, from_s=at_s, to_s=at_s, count=1, reason="overrun")]
        hourly = [HourlyRecord(job=JOB, hour_start_s=3600.0 * seq, figures={"seq": seq})]
        writer.commit(
            Batch(
                setups=(setup_record(),),
                sweeps=tuple(sweeps),
                findings=tuple(findings),
                gaps=tuple(gaps if seq % 5 == 0 else ()),
                hourly=tuple(hourly if seq % 7 == 0 else ()),
            )
        ).result()
        seq, finding = seq + len(sweeps), finding + len(findings)
        os.write(1, f"{seq} {finding}\n".encode())
        if seq % 24 == 0:
            writer.rotate([meter(seq, finding)]).result()
        if seq % 48 == 0:
            writer.merge_due(START_S + 400 * DAY_S)


PLACES = {
    "replace": (os, "replace"),
    "unlink": (Path, "unlink"),
    "absorb": (Ledger, "absorb"),
    "finish_journal": (Ledger, "finish_journal"),
    "replace_files": (Ledger, "replace_files"),
    "fsync": (os, "fsync"),
    "close_journal": (Journal, "close"),
}


def die_at(where: str) -> None:
    """Have this process killed at a named place."""
    when, name, number = where.split(":")
    owner, attribute = PLACES[name]
    real = getattr(owner, attribute)
    calls = 0

    def deadly(*args: object, **kwargs: object) -> object:
        nonlocal calls
        calls += 1
        if calls == int(number) and when == "before":
            os.kill(os.getpid(), signal.SIGKILL)
        result = real(*args, **kwargs)
        if calls == int(number):
            os.kill(os.getpid(), signal.SIGKILL)
        return result

    setattr(owner, attribute, deadly)


def fill(writer: ArchiveWriter, first: int, last: int) -> None:
    writer.commit(
        Batch(
            setups=(setup_record(),),
            sweeps=tuple(sweep_record(seq) for seq in range(first, last + 1)),
            findings=(finding_record(writer_finding(first)),),
            gaps=(GapRecord(job=JOB, from_s=START_S, to_s=START_S, count=1, reason="paused"),),
        )
    ).result()


def writer_finding(first: int) -> int:
    return (first - 1) // 100 + 1


def seal(root: Path, where: str) -> None:
    writer = open_writer(root)
    writer.begin([])
    fill(writer, 1, 100)
    die_at(where)
    writer.rotate([meter(100, 1)]).result()
    wait_for(lambda: writer.statistics().sealed_journals == 1)


def again(root: Path, where: str) -> None:
    writer = open_writer(root, START_S + 365 * DAY_S)
    die_at(where)
    writer.begin([meter(100, 1)])
    wait_for(lambda: writer.statistics().sealed_journals == 1)


def merge(root: Path, where: str) -> None:
    writer = open_writer(root)
    writer.begin([])
    fill_three(writer)
    die_at(where)
    writer.merge_due(START_S + 2 * DAY_S).result()


def fill_three(writer: ArchiveWriter) -> None:
    for turn in range(3):
        fill(writer, turn * 100 + 1, turn * 100 + 100)
        writer.rotate([meter(turn * 100 + 100, turn + 1)]).result()
    wait_for(lambda: writer.statistics().sealed_journals == 3)


MONTH = Retention(keep_s=30 * DAY_S)
LATER_S = START_S + 40 * DAY_S


def remove(root: Path, where: str) -> None:
    writer = open_writer(root, LATER_S, MONTH)
    writer.begin([])
    fill_three(writer)
    writer.merge_due(LATER_S).result()
    die_at(where)
    writer.retain(LATER_S).result()


def wait_for(done) -> None:
    import time

    for _ in range(2000):
        if done():
            return
        time.sleep(0.005)
    raise SystemExit("waited for too long")


if __name__ == "__main__":
    root, what, *rest = sys.argv[1:]
    {"run": run, "seal": seal, "again": again, "merge": merge, "remove": remove}[what](
        Path(root), *rest
    )
    os.write(1, b"survived\n")
