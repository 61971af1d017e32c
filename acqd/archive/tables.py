"""The tables of journal and ledger, and how records become rows and rows records.

Levels are the raw little-endian bytes of the canonical array with a tag of their type. What is JSON
is plain RFC 8259: a number that is not finite becomes null.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from acqd.archive.database import plain_text
from acqd.archive.hops import hop_blob, hops_of_blob
from acqd.archive.records import (
    FindingRecord,
    GapRecord,
    HourlyRecord,
    MeterState,
    SetupRecord,
    SweepRecord,
)
from acqd.errors import ArchiveDamaged, ArchiveError
from acqd.sweep import Levels, SweepFlag

__all__ = [
    "EVENT_TABLES",
    "FINDING_COLUMNS",
    "GAP_COLUMNS",
    "HOURLY_COLUMNS",
    "JOURNAL_SQL",
    "LEDGER_SQL",
    "NO_SENSE",
    "SETUP_COLUMNS",
    "SWEEP_COLUMNS",
    "TAGS",
    "finding_of",
    "finding_row",
    "gap_of",
    "gap_row",
    "hourly_of",
    "hourly_row",
    "level_of",
    "meter_of",
    "meter_row",
    "setup_of",
    "setup_row",
    "sweep_of",
    "sweep_row",
    "text_of",
]

TAGS = {"<f4": np.float32, "<f8": np.float64, "<c8": np.complex64, "<c16": np.complex128}

SETUP_COLUMNS = "setup, job, step, sweeper, kind, frequency, unit, resolution, chain_gain, details"
SWEEP_COLUMNS = (
    "event, job, step, setup, seq, pass_id, run_id, due_s, started_s, monotonic_s, took_s, "
    "boot_id, sweeper_time_s, flags, columns, summary, hops, tag, level"
)
FINDING_COLUMNS = "event, job, number, what, at_s, seq, text, figures, message"
GAP_COLUMNS = "event, job, from_s, to_s, count, reason, detail"
HOURLY_COLUMNS = "event, job, hour_start_s, figures"

EVENT_TABLES = {
    "finding": FINDING_COLUMNS,
    "gap": GAP_COLUMNS,
    "hourly": HOURLY_COLUMNS,
}
"""What goes from a journal into the ledger as it is, by its ordinal."""

_SHARED_SQL = """
CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE watermark (
    job TEXT PRIMARY KEY, last_seq INTEGER NOT NULL, last_finding INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE setup (
    setup TEXT NOT NULL, job TEXT NOT NULL, step INTEGER NOT NULL, sweeper TEXT NOT NULL,
    kind TEXT NOT NULL, frequency BLOB NOT NULL, unit TEXT NOT NULL, resolution REAL,
    chain_gain BLOB, details TEXT NOT NULL, UNIQUE (job, step, setup)
);
CREATE TABLE finding (
    event INTEGER PRIMARY KEY, job TEXT NOT NULL, number INTEGER NOT NULL, what TEXT NOT NULL,
    at_s REAL NOT NULL, seq INTEGER, text TEXT NOT NULL, figures TEXT NOT NULL,
    message BLOB NOT NULL, UNIQUE (job, number)
);
CREATE TABLE gap (
    event INTEGER PRIMARY KEY, job TEXT NOT NULL, from_s REAL NOT NULL, to_s REAL NOT NULL,
    count INTEGER NOT NULL, reason TEXT NOT NULL, detail TEXT NOT NULL
);
CREATE TABLE hourly (
    event INTEGER PRIMARY KEY, job TEXT NOT NULL, hour_start_s REAL NOT NULL,
    figures TEXT NOT NULL
);
"""

JOURNAL_SQL = (
    _SHARED_SQL
    + """
CREATE TABLE checkpoint (
    job TEXT PRIMARY KEY, version TEXT NOT NULL, after_seq INTEGER NOT NULL,
    next_finding INTEGER NOT NULL, state BLOB NOT NULL
) WITHOUT ROWID;
CREATE TABLE sweep (
    event INTEGER PRIMARY KEY, job TEXT NOT NULL, step INTEGER NOT NULL, setup TEXT NOT NULL,
    seq INTEGER NOT NULL, pass_id INTEGER NOT NULL, run_id TEXT NOT NULL, due_s REAL NOT NULL,
    started_s REAL NOT NULL, monotonic_s REAL NOT NULL, took_s REAL NOT NULL,
    boot_id TEXT NOT NULL, sweeper_time_s REAL, flags INTEGER NOT NULL, columns TEXT NOT NULL,
    summary TEXT, hops BLOB, tag TEXT NOT NULL, level BLOB NOT NULL, UNIQUE (job, seq)
);
"""
)

LEDGER_SQL = (
    _SHARED_SQL
    + """
CREATE INDEX gap_of_job ON gap (job, from_s);
CREATE INDEX hourly_of_job ON hourly (job, hour_start_s);
CREATE TABLE counter (name TEXT PRIMARY KEY, value INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE alive (one INTEGER PRIMARY KEY CHECK (one = 1), at_s REAL NOT NULL,
    boot_id TEXT NOT NULL);
CREATE TABLE plan (id INTEGER PRIMARY KEY, at_s REAL NOT NULL, plan TEXT NOT NULL);
CREATE TABLE delivered (job TEXT PRIMARY KEY, number INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE overlay (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL, job TEXT, from_s REAL, to_s REAL,
    body TEXT NOT NULL, who TEXT NOT NULL, at_s REAL NOT NULL
);
CREATE TABLE file (
    path TEXT PRIMARY KEY, sha256 TEXT NOT NULL, bytes INTEGER NOT NULL, kind TEXT NOT NULL,
    job TEXT NOT NULL, step INTEGER NOT NULL, setup TEXT NOT NULL, day TEXT NOT NULL,
    first_seq INTEGER NOT NULL, last_seq INTEGER NOT NULL, sweeps INTEGER NOT NULL
) WITHOUT ROWID;
"""
)


def text_of(data: Any) -> str:
    """Compact JSON. A number that is not finite becomes null, which JSON has instead."""
    try:
        return _encode(data)
    except ValueError:
        return _encode(_finite(data))


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return dict(value)
    if isinstance(value, np.generic):
        return _finite(value.item())
    if isinstance(value, np.ndarray):
        return _finite(value.tolist())
    raise TypeError(f"{type(value).__name__} is not plain JSON data")


_encode = json.JSONEncoder(
    separators=(",", ":"), ensure_ascii=False, allow_nan=False, default=_plain
).encode
"""Made once: json.dumps makes an encoder for every call that is not of its plainest form."""

_encode_columns = json.JSONEncoder(separators=(",", ":")).encode


def _finite(data: Any) -> Any:
    if isinstance(data, float):
        return data if math.isfinite(data) else None
    if isinstance(data, Mapping):
        return {key: _finite(value) for key, value in data.items()}
    if isinstance(data, list | tuple):
        return [_finite(value) for value in data]
    return data


def setup_row(record: SetupRecord) -> tuple[Any, ...]:
    gain = record.chain_gain_db
    return (
        record.setup,
        record.job,
        record.step,
        record.sweeper,
        record.kind,
        np.ascontiguousarray(record.frequency_hz, dtype="<f8").tobytes(),
        record.unit,
        record.resolution,
        None if gain is None else np.ascontiguousarray(gain, dtype="<f8").tobytes(),
        text_of(record.details),
    )


def setup_of(row: Any) -> SetupRecord:
    setup, job, step, sweeper, kind, frequency, unit, resolution, gain, details = row
    return SetupRecord(
        setup=setup,
        job=job,
        step=step,
        sweeper=sweeper,
        kind=kind,
        frequency_hz=np.frombuffer(frequency, dtype="<f8").astype(np.float64),
        unit=unit,
        resolution=resolution,
        chain_gain_db=None if gain is None else np.frombuffer(gain, "<f8").astype(np.float64),
        details=json.loads(details),
    )


def sweep_row(event: int, record: SweepRecord) -> tuple[Any, ...]:
    """Raises ArchiveError where levels or hops are of no type that the archive holds."""
    level = record.level
    tag = level.dtype.newbyteorder("<").str
    if tag not in TAGS:
        raise ArchiveError(
            f"job {record.job}, sweep {record.seq}: levels of type {level.dtype} cannot be kept; "
            f"canonical levels are float32, float64, complex64 or complex128"
        )
    if np.isnan(level).any():
        # One bit pattern for all of them, so that digests agree wherever the levels lie.
        level = np.where(np.isnan(level), level.dtype.type(np.nan), level)
    # NaN in a column means the same as no such column: nothing else could be read back from a file.
    columns = {key: float(value) for key, value in record.columns.items() if value == value}
    try:
        hops = hop_blob(record.hops)
    except (TypeError, ValueError) as exc:
        raise ArchiveError(
            f"job {record.job}, sweep {record.seq}: its hops cannot be kept: {exc}"
        ) from exc
    return (
        event,
        record.job,
        record.step,
        record.setup,
        record.seq,
        record.pass_id,
        record.run_id,
        record.due_s,
        record.started_s,
        record.monotonic_s,
        record.took_s,
        record.boot_id,
        record.sweeper_time_s,
        int(record.flags),
        _encode_columns(columns),
        None if record.summary is None else text_of(record.summary),
        hops,
        tag,
        np.ascontiguousarray(level, dtype=tag).tobytes(),
    )


def level_of(tag: str, blob: bytes) -> Levels:
    """Levels of a row, read-only."""
    level: Levels = np.frombuffer(blob, dtype=tag).astype(TAGS[tag], copy=False)
    level.flags.writeable = False
    return level


NO_SENSE = (AttributeError, IndexError, KeyError, TypeError, ValueError)
"""What a row raises whose database is whole and whose values are not: SQLite has no checksums."""


def sweep_of(row: Any) -> SweepRecord:
    """The record of a row in the order of :data:`SWEEP_COLUMNS`.

    Raises:
        ArchiveDamaged: values of it make no sense.
    """
    try:
        return _sweep_of(row)
    except NO_SENSE as exc:
        raise ArchiveDamaged(f"a sweep whose values make no sense ({plain_text(exc)})") from exc


def _sweep_of(row: Any) -> SweepRecord:
    (_, job, step, setup, seq, pass_id, run_id, due_s, started_s, monotonic_s, took_s) = row[:11]
    (boot_id, sweeper_time_s, flags, columns, summary, hops, tag, level) = row[11:]
    _all_are(int, step, seq, pass_id, flags)
    _all_are((float, int), due_s, started_s, monotonic_s, took_s)
    _all_are(str, job, setup, run_id, boot_id)
    return SweepRecord(
        job=job,
        step=step,
        setup=setup,
        seq=seq,
        pass_id=pass_id,
        run_id=run_id,
        due_s=due_s,
        started_s=started_s,
        monotonic_s=monotonic_s,
        took_s=took_s,
        boot_id=boot_id,
        sweeper_time_s=sweeper_time_s,
        flags=SweepFlag(flags),
        level=level_of(tag, level),
        columns=json.loads(columns),
        summary=None if summary is None else json.loads(summary),
        hops=hops_of_blob(hops),
    )


def _all_are(types: type | tuple[type, ...], *values: Any) -> None:
    """SQLite's columns take values of any type."""
    for value in values:
        if not isinstance(value, types):
            raise TypeError(f"{value!r} in the place of another type")


def finding_row(event: int, record: FindingRecord) -> tuple[Any, ...]:
    return (
        event,
        record.job,
        record.number,
        record.what,
        record.at_s,
        record.seq,
        record.text,
        text_of(record.figures),
        record.message,
    )


def finding_of(row: Any) -> FindingRecord:
    _, job, number, what, at_s, seq, text, figures, message = row
    return FindingRecord(
        job=job,
        number=number,
        what=what,
        at_s=at_s,
        seq=seq,
        text=text,
        figures=json.loads(figures),
        message=bytes(message),
    )


def gap_row(event: int, record: GapRecord) -> tuple[Any, ...]:
    return (
        event,
        record.job,
        record.from_s,
        record.to_s,
        record.count,
        record.reason,
        record.detail,
    )


def gap_of(row: Any) -> GapRecord:
    _, job, from_s, to_s, count, reason, detail = row
    return GapRecord(job=job, from_s=from_s, to_s=to_s, count=count, reason=reason, detail=detail)


def hourly_row(event: int, record: HourlyRecord) -> tuple[Any, ...]:
    return (event, record.job, record.hour_start_s, text_of(record.figures))


def hourly_of(row: Any) -> HourlyRecord:
    _, job, hour_start_s, figures = row
    return HourlyRecord(job=job, hour_start_s=hour_start_s, figures=json.loads(figures))


def meter_row(state: MeterState) -> tuple[Any, ...]:
    return (state.job, state.version, state.after_seq, state.next_finding, state.state)


def meter_of(row: Any) -> MeterState:
    job, version, after_seq, next_finding, state = row
    return MeterState(
        job=job,
        version=version,
        after_seq=after_seq,
        next_finding=next_finding,
        state=bytes(state),
    )
