"""What outlives the sweeps of a volume that retention removed: one small file beside the manifest.

It has the volume's copy of the ledger (findings, gaps, hourly figures, plans, overlays of its
time), its setup, and how many sweeps there were in each hour, with what flags. So a lost ledger can
be made anew from it as from the volume, and what was swept stays accounted for. JSON, compressed,
written once.
"""

from __future__ import annotations

import base64
import gzip
import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from acqd.archive.durable import write_whole
from acqd.archive.layout import (
    DAY_S,
    SCHEMA_VERSION,
    day_of,
    day_start_s,
    kept_of,
    list_days,
    list_kept,
)
from acqd.archive.records import SetupRecord
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import SETUP_COLUMNS, setup_of, setup_row
from acqd.errors import ArchiveDamaged
from acqd.sweep import SweepFlag

__all__ = ["KeptHour", "KeptRows", "keep_rows", "kept_between", "read_kept", "removed_text"]

HOUR_S = 3600.0
KEPT_MOST_BYTES = 256 << 20
"""Of one such file unpacked: a volume's copies of its ledger are far below it."""

_COLUMNS = [name.strip() for name in SETUP_COLUMNS.split(",")]
_BLOBS = ("frequency", "chain_gain")


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptHour:
    """How many sweeps of a removed volume began in an hour of UTC, and how many of them had each
    flag, by its name in lower case."""

    hour_start_s: float
    sweeps: int
    flags: Mapping[str, int]

    def within(self, start_s: float, stop_s: float) -> float:
        """The share of the hour that lies in [start_s, stop_s)."""
        low, high = max(start_s, self.hour_start_s), min(stop_s, self.hour_start_s + HOUR_S)
        return max(0.0, high - low) / HOUR_S


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRows:
    """What is left of a volume. ``from_s`` and ``to_s`` are the starts of its first and last sweep,
    ``ledger`` is what :meth:`acqd.archive.ledger.Ledger.restore` takes."""

    volume: str
    setup: SetupRecord
    first_seq: int
    last_seq: int
    last_event: int
    sweeps: int
    from_s: float
    to_s: float
    hours: tuple[KeptHour, ...]
    removed_s: float
    why: str
    ledger: Mapping[str, list[Any]]

    @property
    def job(self) -> str:
        return self.setup.job

    @property
    def step(self) -> int:
        return self.setup.step

    def within(self, start_s: float, stop_s: float) -> int:
        """About how many of its sweeps began in [start_s, stop_s): exact where the range holds
        whole hours, in proportion in those that it cuts."""
        if start_s <= self.from_s and self.to_s < stop_s:
            return self.sweeps
        return round(sum(hour.sweeps * hour.within(start_s, stop_s) for hour in self.hours))

    def touches(self, start_s: float, stop_s: float) -> bool:
        """Whether any of its sweeps can have begun in [start_s, stop_s)."""
        return self.from_s < stop_s and self.to_s >= start_s


def keep_rows(volume: Path, *, removed_s: float, why: str) -> KeptRows:
    """Write the file of a volume that is to go, and return what is in it.

    Raises:
        ArchiveDamaged: the volume cannot be read.
        OSError: no room, or a broken disk; nothing is left.
    """
    rows = _rows_of(volume, removed_s=removed_s, why=why)
    text = json.dumps(_to_json(rows), ensure_ascii=False, separators=(",", ":"))
    write_whole(kept_of(volume), gzip.compress(text.encode(), compresslevel=6, mtime=0))
    return rows


def _rows_of(volume: Path, *, removed_s: float, why: str) -> KeptRows:
    with SweepFile(volume) as file:
        time, flags, sequence = file.core("time"), file.core("flags"), file.core("sequence")
        return KeptRows(
            volume=volume.name,
            setup=file.setup(),
            first_seq=int(sequence.min()),
            last_seq=int(sequence.max()),
            last_event=int(file.core("event").max()),
            sweeps=file.count,
            from_s=float(time.min()),
            to_s=float(time.max()),
            hours=tuple(_hours(time, flags)),
            removed_s=removed_s,
            why=why,
            ledger=file.ledger(),
        )


def _hours(time: Any, flags: Any) -> Iterator[KeptHour]:
    hours, where = np.unique(time // HOUR_S, return_inverse=True)
    for at, hour in enumerate(hours.tolist()):
        mine = flags[where == at]
        counts = {
            str(flag.name).lower(): int(np.count_nonzero(mine & int(flag))) for flag in SweepFlag
        }
        yield KeptHour(
            hour_start_s=hour * HOUR_S,
            sweeps=int(mine.size),
            flags={name: count for name, count in counts.items() if count},
        )


def read_kept(path: Path) -> KeptRows:
    """What :func:`keep_rows` wrote.

    Raises:
        FileNotFoundError: it is not there.
        ArchiveDamaged: it cannot be read.
    """
    try:
        with gzip.open(path) as file:
            text = file.read(KEPT_MOST_BYTES + 1)
        if len(text) > KEPT_MOST_BYTES:
            raise ValueError(f"more than {KEPT_MOST_BYTES >> 20} MiB")
        return _from_json(json.loads(text))
    except FileNotFoundError:
        raise
    except (OSError, EOFError, ValueError, KeyError, TypeError) as exc:
        raise ArchiveDamaged(
            f"{path}: not what was kept of a volume that retention removed ({exc})"
        ) from exc


def kept_between(root: Path, job: str, start_s: float, stop_s: float) -> list[KeptRows]:
    """What is left of the removed volumes of a job that had sweeps in [start_s, stop_s).

    Raises:
        ArchiveDamaged: such a file cannot be read.
    """
    found = []
    for day in list_days(root, job):
        day_s = day_start_s(day)
        if day_s + DAY_S <= start_s or day_s >= stop_s:
            continue
        for path in list_kept(root, job, day):
            rows = read_kept(path)
            if rows.touches(start_s, stop_s):
                found.append(rows)
    return found


def removed_text(removed: Sequence[KeptRows]) -> str:
    """One sentence about sweeps that are not here any more; empty where there are none."""
    if not removed:
        return ""
    count, days = sum(rows.sweeps for rows in removed), sorted(day_of(r.from_s) for r in removed)
    when = days[0] if days[0] == days[-1] else f"{days[0]} to {days[-1]}"
    last = max(removed, key=lambda rows: rows.removed_s)
    return (
        f"{count} sweeps of {when} were removed by retention, last on {day_of(last.removed_s)} "
        f"({last.why}); their hourly figures, findings and gaps are kept"
    )


def _to_json(rows: KeptRows) -> dict[str, Any]:
    setup = dict(zip(_COLUMNS, setup_row(rows.setup), strict=True))
    for name in _BLOBS:
        if setup[name] is not None:
            setup[name] = base64.b64encode(setup[name]).decode()
    return {
        "schema": SCHEMA_VERSION,
        "volume": rows.volume,
        "first_seq": rows.first_seq,
        "last_seq": rows.last_seq,
        "last_event": rows.last_event,
        "sweeps": rows.sweeps,
        "from_s": rows.from_s,
        "to_s": rows.to_s,
        "removed_s": rows.removed_s,
        "why": rows.why,
        "hours": [[hour.hour_start_s, hour.sweeps, dict(hour.flags)] for hour in rows.hours],
        "setup": setup,
        "ledger": dict(rows.ledger),
    }


def _from_json(kept: Mapping[str, Any]) -> KeptRows:
    if kept["schema"] != SCHEMA_VERSION:
        raise ValueError(f"schema {kept['schema']}, this acqd reads {SCHEMA_VERSION}")
    setup = dict(kept["setup"])
    for name in _BLOBS:
        if setup[name] is not None:
            setup[name] = base64.b64decode(setup[name])
    return KeptRows(
        volume=str(kept["volume"]),
        setup=setup_of([setup[name] for name in _COLUMNS]),
        first_seq=int(kept["first_seq"]),
        last_seq=int(kept["last_seq"]),
        last_event=int(kept["last_event"]),
        sweeps=int(kept["sweeps"]),
        from_s=float(kept["from_s"]),
        to_s=float(kept["to_s"]),
        removed_s=float(kept["removed_s"]),
        why=str(kept["why"]),
        hours=tuple(
            KeptHour(hour_start_s=float(start_s), sweeps=int(sweeps), flags=dict(flags))
            for start_s, sweeps, flags in kept["hours"]
        ),
        ledger=dict(kept["ledger"]),
    )
