"""Figures of a job's sweeps that were measured again, in place of those that are kept.

What a report, a plot or an export shows of sweeps whose chain was amended hangs on figures that
were made with the chain as it was recorded. Who has them measured again
(:mod:`acqd.station.again`) puts them in here, and an archive that was given this shows them
instead. It lies in a file of this process alone that goes with it; the archive is not written.
"""

from __future__ import annotations

import heapq
import json
import sqlite3
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import (
    CONTEXT,
    FindingRecord,
    HourlyRecord,
    SweepRecord,
)
from acqd.archive.tables import text_of

__all__ = ["FiguresAgain"]

Columns = Mapping[str, NDArray[np.float64]]


class FiguresAgain:
    """Figures, findings and hours of one job from ``from_s`` on. For one thread."""

    def __init__(self, job: str, *, from_s: float) -> None:
        self.job, self.from_s = job, from_s
        # A database without a name is a temporary file that nobody else sees.
        self._db = sqlite3.connect("")
        self._db.execute(
            "CREATE TABLE sweep (seq INTEGER PRIMARY KEY, columns TEXT NOT NULL, summary TEXT)"
        )
        self.findings: list[tuple[int, FindingRecord]] = []
        """Those that there are now, with the ordinals that they are told at."""
        self.replaced: set[int] = set()
        """Numbers of those that were told then, whether they are there now or not."""
        self.gone: list[FindingRecord] = []
        self.new: list[FindingRecord] = []
        self.hours: dict[float, Mapping[str, Any]] = {}
        self.limits: tuple[str, ...] = ()
        """What is to be said of how it was measured."""

    def put(
        self, seq: int, columns: Mapping[str, float], summary: Mapping[str, Any] | None
    ) -> None:
        """The figures of one sweep."""
        kept = {name: float(value) for name, value in columns.items() if value == value}
        told = None if summary is None else text_of(summary)
        self._db.execute(
            "INSERT OR REPLACE INTO sweep VALUES (?, ?, ?)", (seq, json.dumps(kept), told)
        )

    def columns(self, columns: Columns, sequence: NDArray[np.int64]) -> dict[str, Any]:
        """Columns of sweeps, (sweeps,), with the figures of those that were measured again; what
        stands beside sweeps as context is as it was."""
        made = dict(columns)
        rows = self._rows("seq, columns", sequence)
        if not rows:
            return made
        own = [name for name in made if not name.startswith(CONTEXT)]
        kept = [(int(np.searchsorted(sequence, seq)), json.loads(text)) for seq, text in rows]
        places = np.array([place for place, _ in kept])
        for name in own:
            made[name] = np.array(made[name], dtype=np.float64)
            made[name][places] = np.nan
        for place, figures in kept:
            for name, value in figures.items():
                if name not in made:
                    made[name] = np.full(sequence.size, np.nan)
                made[name][place] = value
        return made

    def summaries(
        self, kept: list[bytes | None], sequence: NDArray[np.int64]
    ) -> list[bytes | None]:
        """Summaries of sweeps as JSON, likewise."""
        made = list(kept)
        for seq, text in self._rows("seq, summary", sequence):
            made[int(np.searchsorted(sequence, seq))] = None if text is None else text.encode()
        return made

    def sweep(self, record: SweepRecord) -> SweepRecord:
        """One record, likewise."""
        found = self._db.execute(
            "SELECT columns, summary FROM sweep WHERE seq = ?", (record.seq,)
        ).fetchone()
        if found is None:
            return record
        context = {
            name: value for name, value in record.columns.items() if name.startswith(CONTEXT)
        }
        summary = None if found[1] is None else json.loads(found[1])
        return replace(record, columns={**json.loads(found[0]), **context}, summary=summary)

    def among(self, table: str, told: Iterator[tuple[int, Any]], within: Any) -> Iterator[Any]:
        """Records of a table with their ordinals: those told then without those that are replaced,
        and those that there are now, where ``within`` says that their time is asked for."""
        if table == "hourly":
            for event, record in told:
                yield event, self._hour(record)
        elif table == "finding":
            stay = ((event, one) for event, one in told if one.number not in self.replaced)
            now = [(event, one) for event, one in self.findings if within(one.at_s)]
            yield from heapq.merge(stay, now, key=lambda item: item[0])
        else:
            yield from told

    def _hour(self, record: HourlyRecord) -> HourlyRecord:
        figures = self.hours.get(record.hour_start_s)
        return record if figures is None else replace(record, figures=figures)

    def _rows(self, what: str, sequence: NDArray[np.int64]) -> list[Any]:
        """Rows of those sweeps; ``sequence`` rises."""
        if not sequence.size:
            return []
        rows = self._db.execute(
            f"SELECT {what} FROM sweep WHERE seq >= ? AND seq <= ? ORDER BY seq",
            (int(sequence[0]), int(sequence[-1])),
        ).fetchall()
        there = np.isin(np.array([row[0] for row in rows], dtype=np.int64), sequence)
        return [row for row, is_there in zip(rows, there.tolist(), strict=True) if is_there]
