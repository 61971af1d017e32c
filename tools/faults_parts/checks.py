"""What has to hold after every fault. Each check is a function of what was seen and what is kept,
and gives back the lines that say what does not hold.

What they look at is read anew: by acqd's own reader, and the files and journals by h5py, SQLite and
``h5dump`` as well, so that an error of the reader does not stand for the archive.
"""

from __future__ import annotations

import math
import sqlite3
import subprocess
import warnings
from collections.abc import Iterable, Iterator, Mapping
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from acqd.archive.layout import list_days, list_files, list_jobs, list_journals
from acqd.archive.reader import Archive, open_archive
from acqd.archive.records import FindingRecord, SetupRecord, SweepRecord
from acqd.publish.messages import rfc3339
from acqd.publish.reduce import reduce_trace
from faults_parts.bench import Job
from faults_parts.kept import Kept
from faults_parts.record import STATION, Record

__all__ = [
    "Delivered",
    "Told",
    "delivered",
    "ended",
    "heeded",
    "numbered",
    "open_kept",
    "published",
    "read_findings",
    "read_marks",
    "readable",
    "unique",
]

TRACE_POINTS = 200
"""What a trace has at most, by default."""
ROUNDED = 0.000_501
"""Figures of a summary have three decimals."""
PASSING_S = 1.0
"""A message that a broker took so long before it went may have gone with it."""
SHOWN = 5
DUMP_LIMIT_S = 60.0

Told = tuple[str, dict[str, Any], bytes]
"""A message: its job, what it says, and the bytes of it."""


# -- published means stored, and stored as it was published (G1, G2) -----------------------------


def published(messages: Iterable[Told], kept: Mapping[str, Kept]) -> list[str]:
    """Every summary and trace is about a sweep that is kept, with the same figures and levels."""
    wrong = []
    for job, message, _ in messages:
        seq = message["seq"]
        sweep = kept[job].sweeps.get(seq) if job in kept else None
        if sweep is None:
            wrong.append(f"{job}: sweep {seq} was published and is not kept")
            continue
        differs = sorted(_differences(message, sweep, kept[job]))
        if differs:
            wrong.append(f"{job}: sweep {seq} was published with another {', '.join(differs)}")
    return wrong


def _differences(message: Mapping[str, Any], sweep: SweepRecord, kept: Kept) -> Iterator[str]:
    plain = {
        "at_s": sweep.started_s,
        "at": rfc3339(sweep.started_s),
        "step": sweep.step,
        "run_id": sweep.run_id,
    }
    if message["schema"].startswith("summary/"):
        plain |= {"took_s": sweep.took_s, "setup": sweep.setup, "pass_id": sweep.pass_id}
        plain["flags"] = [str(flag.name).lower() for flag in sweep.flags]
        yield from _figures(message[message["kind"]], sweep.columns)
    else:
        yield from _levels(message, sweep, kept.setups[sweep.step, sweep.setup])
    yield from (key for key, value in plain.items() if message[key] != value)


def _figures(summary: Mapping[str, Any], columns: Mapping[str, float]) -> Iterator[str]:
    """Names that summary and columns share, and the count of signals, which has two names."""
    shared = [(name, summary[name], columns[name]) for name in columns if name in summary]
    if len(shared) < 3:
        yield "set of figures"
    for name, told, kept in shared:
        if isinstance(told, list):
            continue
        same = math.isnan(kept) if told is None else abs(told - kept) <= ROUNDED
        if not same:
            yield name


def _levels(trace: Mapping[str, Any], sweep: SweepRecord, setup: SetupRecord) -> Iterator[str]:
    level = np.asarray(sweep.level, dtype=np.float64)
    if setup.chain_gain_db is not None:
        level = level - setup.chain_gain_db
    reduced = reduce_trace(setup.frequency_hz, level, TRACE_POINTS)
    told = np.array([np.nan if one is None else one for one in trace["level"]])
    if not np.array_equal(told, np.round(reduced.level, 2), equal_nan=True):
        yield "level"
    if trace["start_hz"] != setup.frequency_hz[0] or trace["stop_hz"] != setup.frequency_hz[-1]:
        yield "axis"


def unique(root: Path, messages: Iterable[Told], jobs: Iterable[Job]) -> list[str]:
    """No sequence number stands for two sweeps: in all files and journals as they lie there, and in
    all that was ever said. The same sweep in two places is none: a kill may leave it so."""
    wrong = []
    known = {job.name for job in jobs}
    seen: dict[tuple[str, int], tuple[float, str]] = {}
    for job, seq, at_s, where in _raw(root):
        first = seen.setdefault((job, seq), (at_s, where))
        if first[0] != at_s:
            wrong.append(f"{job}: number {seq} is two sweeps, in {first[1]} and {where}")
    for job, message, _ in messages:
        key = (job, message["seq"])
        if job in known and key in seen and seen[key][0] != message["at_s"]:
            wrong.append(f"{job}: number {message['seq']} was published for another sweep")
    return wrong


def _raw(root: Path) -> Iterator[tuple[str, int, float, str]]:
    """(job, seq, start, place) of everything that lies in the archive, by other means than acqd's.
    Journals first: what is sealed meanwhile is then seen twice, not missed."""
    for path in list_journals(root):
        try:
            with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
                rows = db.execute("SELECT job, seq, started_s FROM sweep").fetchall()
        except sqlite3.OperationalError:
            if path.exists() and path.stat().st_size:
                # One that a kill left unfinished has no tables yet.
                with closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as db:
                    if db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                        raise
            continue
        yield from ((job, seq, at_s, path.name) for job, seq, at_s in rows)
    for job in list_jobs(root):
        for path in _files_of(root, job):
            with h5py.File(path, "r") as file:
                numbers, starts = file["sequence"][:].tolist(), file["time"][:].tolist()
            for seq, at_s in zip(numbers, starts, strict=True):
                yield job, seq, at_s, path.name


def _files_of(root: Path, job: str) -> list[Path]:
    return [path for day in list_days(root, job) for path, _ in list_files(root, job, day)]


# -- files (G3) ----------------------------------------------------------------------------------


def readable(root: Path, seen: set[Path]) -> list[str]:
    """Whoever has h5dump can read every file; each is tried once. ``seen`` grows."""
    wrong = []
    for job in list_jobs(root):
        for path in _files_of(root, job):
            if path in seen:
                continue
            seen.add(path)
            done = subprocess.run(
                ["h5dump", str(path)],
                stdout=subprocess.DEVNULL,
                stderr=subprocess.PIPE,
                text=True,
                timeout=DUMP_LIMIT_S,
                check=False,
            )
            # One that was merged meanwhile is gone.
            if done.returncode and path.exists():
                wrong.append(f"h5dump cannot read {path.name}: {done.stderr.strip()[-200:]}")
    return wrong


# -- findings ------------------------------------------------------------------------------------


def numbered(findings: Mapping[str, list[FindingRecord]]) -> list[str]:
    """Findings of a job count from 1 without a gap."""
    wrong = []
    for job, records in findings.items():
        numbers = [one.number for one in records]
        if numbers != list(range(1, len(numbers) + 1)):
            missing = sorted(set(range(1, max(numbers) + 1)) - set(numbers))
            wrong.append(f"{job}: findings {missing[:SHOWN] or numbers[:SHOWN]} are out of order")
    return wrong


@dataclass(slots=True)
class Delivered:
    """How findings fared: ``heard`` by the subscriber, ``passed`` (acknowledged by a broker that
    went before it could pass them on, or while nobody was subscribed), ``named`` in a message that
    says to fetch them, ``waiting`` for the broker."""

    heard: int = 0
    passed: int = 0
    named: int = 0
    waiting: int = 0
    wrong: list[str] = field(default_factory=list)


def delivered(
    record: Record,
    findings: Mapping[str, list[FindingRecord]],
    marks: Mapping[str, int],
    *,
    settled: bool,
) -> Delivered:
    """Every finding got out at least once, in order, as it is kept, or is named as not sent.

    Args:
        marks: up to which number the archive has noted the broker's word, by job.
        settled: nothing may wait any more, at the broker either. Else only what was heard is
            judged: what is under way may be anywhere.
    """
    out = Delivered()
    named = _named(record)
    heard = _first_heard(record, findings, out.wrong, named)
    acked = {
        (job, message["number"]): message
        for job, message, _ in record.sent_of("finding", only=lambda one: one.acked_s is not None)
        if "number" in message
    }
    for job, records in findings.items():
        for one in records:
            key = (job, one.number)
            if key in heard:
                out.heard += 1
            elif one.number in named.get(job, ()):
                out.named += 1
            elif not settled:
                out.waiting += 1
            elif key in acked or (not record.has_tap and one.number <= marks.get(job, 0)):
                out.passed += 1
                if not _may_have_gone(record, job, one):
                    out.wrong.append(
                        f"{job}: finding {one.number} was acknowledged and nobody heard it, "
                        f"though somebody listened"
                    )
            else:
                out.wrong.append(f"{job}: finding {one.number} ({one.what}) was never delivered")
    return out


def _named(record: Record) -> dict[str, set[int]]:
    """Numbers that a message said are to be fetched from the archive; as sent, where that is known:
    the message may go with its broker like any other."""
    named: dict[str, set[int]] = {}
    for source in (record.of("finding"), record.sent_of("finding")):
        for job, message, _ in source:
            if message["schema"].startswith("catch-up/"):
                numbers = range(message["first"], message["last"] + 1)
                named.setdefault(job, set()).update(numbers)
    return named


def _first_heard(
    record: Record,
    findings: Mapping[str, list[FindingRecord]],
    wrong: list[str],
    named: Mapping[str, set[int]],
) -> set[tuple[str, int]]:
    """Findings that were heard; what is wrong with them or with their order goes to ``wrong``."""
    kept = {(job, one.number): one.message for job, rows in findings.items() for one in rows}
    heard: set[tuple[str, int]] = set()
    newest: dict[str, int] = {}
    for job, message, payload in record.of("finding"):
        if "number" not in message:
            continue
        key = (job, message["number"])
        if kept.get(key) != payload:
            is_kept = "is kept otherwise" if key in kept else "is not kept"
            wrong.append(f"{job}: finding {key[1]} was published and {is_kept}")
        if key not in heard and key[1] < newest.get(job, 0):
            wrong.append(f"{job}: finding {key[1]} came after {newest[job]}")
        heard.add(key)
        newest[job] = max(newest.get(job, 0), key[1])
    return heard


def _may_have_gone(record: Record, job: str, finding: FindingRecord) -> bool:
    """Whether nobody was subscribed, or the broker went, about when it was acknowledged."""
    times = [
        one.acked_s
        for one in record.sent
        if one.payload == finding.message and one.acked_s is not None
    ]
    if record.has_tap:
        return any(record.was_away(at_s, PASSING_S) for at_s in times)
    # When it was sent is not known there: not before it was found.
    return any(until_s + PASSING_S >= finding.at_s for _, until_s in record.away)


def read_findings(archive: Archive, jobs: Iterable[Job]) -> dict[str, list[FindingRecord]]:
    """All findings, those of the station itself too."""
    return {name: archive.findings(name) for name in (*(job.name for job in jobs), STATION)}


def read_marks(root: Path) -> dict[str, int]:
    """Up to which number the archive has noted the broker's word."""
    with closing(sqlite3.connect(f"file:{root / 'ledger.sqlite'}?mode=ro", uri=True)) as db:
        return dict(db.execute("SELECT job, number FROM delivered").fetchall())


# -- the station ---------------------------------------------------------------------------------


def ended(said: Iterable[str]) -> list[str]:
    """A station writes its log, and where it ends by itself one line; never where it was in its own
    code when something went wrong."""
    return [f"a station wrote: {line[:300]}" for line in said]


@contextmanager
def heeded(wrong: list[str]) -> Iterator[None]:
    """What the reader warns of is wrong, such as a file that it leaves out; added to ``wrong``."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            yield
        finally:
            wrong += sorted({f"the reader warns: {one.message}" for one in caught})


def open_kept(root: Path) -> Archive:
    """The archive, as it was recorded."""
    return open_archive(root, amended=False)
