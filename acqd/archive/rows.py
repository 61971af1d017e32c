"""A block of sweeps as columns: what goes from the journal into a file and comes back out of it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.hops import HOP_FIELDS, HopTable
from acqd.archive.records import SetupRecord, SweepRecord
from acqd.archive.tables import TAGS
from acqd.sweep import SweepFlag

__all__ = ["CORE", "SQL_CORE", "Rows", "columns_from", "same_bits", "same_hops"]

CORE: dict[str, str] = {
    "sequence": "<i8",
    "event": "<i8",
    "pass": "<i8",
    "due": "<f8",
    "time": "<f8",
    "monotonic": "<f8",
    "duration": "<f8",
    "sweeper_time": "<f8",
    "flags": "<i4",
}
"""Numbers that every sweep has, by the name of the variable. No sweeper time is NaN."""

SQL_CORE: dict[str, str] = {
    "event": "event",
    "sequence": "seq",
    "pass": "pass_id",
    "due": "due_s",
    "time": "started_s",
    "monotonic": "monotonic_s",
    "duration": "took_s",
    "sweeper_time": "sweeper_time_s",
    "flags": "flags",
}
"""The same by the columns of the journal's sweep table, its key first."""

_SQL_PLACE = {
    "event": 0,
    "sequence": 4,
    "pass": 5,
    "due": 7,
    "time": 8,
    "monotonic": 9,
    "duration": 10,
    "sweeper_time": 12,
    "flags": 13,
}


@dataclass(slots=True)
class Rows:
    """``count`` sweeps of one setup. ``level`` is (count, points); ``summary`` is JSON in UTF-8.

    ``hops`` is None where none of the sweeps was taken in hops.
    """

    core: dict[str, NDArray[Any]]
    run: list[str]
    boot: list[str]
    level: NDArray[Any]
    columns: dict[str, NDArray[np.float64]]
    summary: list[bytes | None]
    hops: HopTable | None = None

    @property
    def count(self) -> int:
        return int(self.level.shape[0])

    @classmethod
    def from_sql(cls, rows: Sequence[Any], *, tag: str, points: int) -> Rows:
        """Rows of the journal's sweep table, all of one setup and one type of levels."""
        count = len(rows)
        core = {
            name: np.array(
                [np.nan if row[place] is None else row[place] for row in rows], dtype=CORE[name]
            )
            for name, place in _SQL_PLACE.items()
        }
        columns = columns_from([row[14] for row in rows])
        level = np.frombuffer(b"".join([row[18] for row in rows]), dtype=tag)
        return cls(
            core=core,
            run=[row[6] for row in rows],
            boot=[row[11] for row in rows],
            level=level.astype(TAGS[tag], copy=False).reshape(count, points),
            columns=columns,
            summary=[None if row[15] is None else row[15].encode() for row in rows],
            hops=HopTable.from_blobs([row[16] for row in rows]),
        )

    def select(self, keep: NDArray[Any]) -> Rows:
        """The rows at ``keep``, indices or a mask."""
        places = np.arange(self.count)[keep]
        return Rows(
            core={name: values[places] for name, values in self.core.items()},
            run=[self.run[i] for i in places],
            boot=[self.boot[i] for i in places],
            level=self.level[places],
            columns={name: values[places] for name, values in self.columns.items()},
            summary=[self.summary[i] for i in places],
            hops=None if self.hops is None else self.hops.select(places),
        )

    @classmethod
    def join(cls, parts: Sequence[Rows]) -> Rows:
        """Blocks one after the other; a column that one lacks is NaN there."""
        if len(parts) == 1:
            return parts[0]
        names = list(dict.fromkeys(name for part in parts for name in part.columns))
        return cls(
            core={n: np.concatenate([part.core[n] for part in parts]) for n in CORE},
            run=[run for part in parts for run in part.run],
            boot=[boot for part in parts for boot in part.boot],
            level=np.concatenate([part.level for part in parts]),
            columns={
                name: np.concatenate(
                    [part.columns.get(name, np.full(part.count, np.nan)) for part in parts]
                )
                for name in names
            },
            summary=[text for part in parts for text in part.summary],
            hops=HopTable.join([part.hops for part in parts], [part.count for part in parts]),
        )

    def first_difference(self, other: Rows) -> str | None:
        """Name of the first thing in which two blocks differ by a bit, or None."""
        if self.count != other.count:
            return "number of sweeps"
        if not same_bits(self.level, other.level):
            return "level"
        for name in CORE:
            if not same_bits(self.core[name], other.core[name]):
                return name
        missing = np.full(self.count, np.nan)
        for name in {**self.columns, **other.columns}:
            if not same_bits(self.columns.get(name, missing), other.columns.get(name, missing)):
                return f"column {name}"
        for name in ("run", "boot", "summary"):
            if getattr(self, name) != getattr(other, name):
                return name
        return None if same_hops(self.hops, other.hops) else "hops"

    def records(self, setup: SetupRecord) -> Iterator[tuple[int, SweepRecord]]:
        """One record a sweep, with its ordinal."""
        core = {name: values.tolist() for name, values in self.core.items()}
        self.level.flags.writeable = False
        hops = None if self.hops is None else self.hops.split()
        for i in range(self.count):
            stamp = core["sweeper_time"][i]
            text = self.summary[i]
            yield (
                core["event"][i],
                SweepRecord(
                    job=setup.job,
                    step=setup.step,
                    setup=setup.setup,
                    seq=core["sequence"][i],
                    pass_id=core["pass"][i],
                    run_id=self.run[i],
                    due_s=core["due"][i],
                    started_s=core["time"][i],
                    monotonic_s=core["monotonic"][i],
                    took_s=core["duration"][i],
                    boot_id=self.boot[i],
                    sweeper_time_s=None if stamp != stamp else stamp,
                    flags=SweepFlag(core["flags"][i]),
                    level=self.level[i],
                    columns={
                        name: float(values[i])
                        for name, values in self.columns.items()
                        if values[i] == values[i]
                    },
                    summary=None if text is None else json.loads(text),
                    hops=() if hops is None else hops[i],
                ),
            )


def columns_from(texts: Sequence[str]) -> dict[str, NDArray[np.float64]]:
    """The summaries' columns of rows of the journal; NaN where a sweep has none of that name."""
    columns: dict[str, NDArray[np.float64]] = {}
    # One text for all of them: parsed three times as fast as one by one.
    for index, values in enumerate(json.loads(f"[{','.join(texts)}]")):
        for name, value in values.items():
            if name not in columns:
                columns[name] = np.full(len(texts), np.nan)
            columns[name][index] = value
    return columns


def same_bits(a: NDArray[Any], b: NDArray[Any]) -> bool:
    """Equal bit for bit, but that one NaN is as good as another."""
    if a.dtype != b.dtype or a.shape != b.shape:
        return False
    if np.iscomplexobj(a):
        return same_bits(a.real, b.real) and same_bits(a.imag, b.imag)
    if a.dtype.kind != "f":
        return bool(np.array_equal(a, b))
    word = f"u{a.dtype.itemsize}"
    same = np.ascontiguousarray(a).view(word) == np.ascontiguousarray(b).view(word)
    return bool(same.all()) or bool((same | (np.isnan(a) & np.isnan(b))).all())


def same_hops(a: HopTable | None, b: HopTable | None) -> bool:
    """Equal bit for bit, sweep by sweep."""
    if a is None or b is None:
        return a is b
    return np.array_equal(a.count, b.count) and all(
        same_bits(a.column(name), b.column(name)) for name in HOP_FIELDS
    )
