"""What a reader has of the ledger: findings, gaps, hours, overlays, plans.

Rows come from ledger and journals together, each once. Where the ledger is lost, or turns out to be
damaged, the copies in the files stand in.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from acqd.archive.again import FiguresAgain
from acqd.archive.amendments import ChainAmendments
from acqd.archive.copies import copied_rows_in
from acqd.archive.damage import warn_of
from acqd.archive.database import error_of, open_reading, pages
from acqd.archive.index import open_journals, within_any
from acqd.archive.journal import JournalView
from acqd.archive.layout import ledger_path
from acqd.archive.ledger import PIN, Overlay, overlay_of, overlays_in, standing
from acqd.archive.records import FindingRecord, GapRecord, HourlyRecord
from acqd.archive.tables import EVENT_TABLES, finding_of, gap_of, hourly_of
from acqd.archive.timing import TimeCorrections
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = ["LedgerReader", "Time", "range_s", "seconds_of"]

Time = float | int | str | datetime
T = TypeVar("T")

_START_COLUMN = {"finding": "at_s", "gap": "from_s", "hourly": "hour_start_s"}


class LedgerReader:
    """The part of :class:`~acqd.archive.reader.Archive` that asks ledger and journals alone."""

    def __init__(self, root: Path, *, amended: bool, true_times: bool) -> None:
        self.root = root
        self.is_amended = amended
        self.has_true_times = true_times
        self._ledger_is_damaged = False
        self._overlays_of_files: list[Overlay] | None = None
        self._again: dict[str, FiguresAgain] = {}

    def findings(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[FindingRecord]:
        """Findings of a job by the time they are about, in the order of their commit."""
        return self._records("finding", finding_of, job, *range_s(start, stop))

    def gaps(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[GapRecord]:
        """Gaps that begin in a range of time, in the order of their commit."""
        return self._records("gap", gap_of, job, *range_s(start, stop))

    def hourly(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[HourlyRecord]:
        """Hourly figures by the start of the hour, in the order of their commit."""
        return self._records("hourly", hourly_of, job, *range_s(start, stop))

    def overlays(self, job: str | None = None, *, undone: bool = False) -> list[Overlay]:
        """What people said later about a job, or about all of them; ``undone`` with what somebody
        undid, and the undoing."""
        if self._has_ledger():
            try:
                return self._with_ledger(lambda db: overlays_in(db, job, undone=undone))
            except ArchiveDamaged as exc:
                self._ledger_damaged(exc)
        found = self._copied_overlays(job)
        return found if undone else standing(found)

    def amendments(self, job: str) -> ChainAmendments | None:
        """What the chain of a job is taken for instead of what was recorded; None for nothing, or
        where the archive was opened as it was recorded.

        Raises:
            ArchiveDamaged: an amendment was not written by this acqd.
        """
        if not self.is_amended:
            return None
        return ChainAmendments.among(self.overlays(job), job) or None

    def times(self) -> TimeCorrections | None:
        """How wrong clocks are known to have been; None for not at all, or where the archive was
        opened with the times as they were recorded.

        Raises:
            ArchiveDamaged: a correction was not written by this acqd.
        """
        if not self.has_true_times:
            return None
        return TimeCorrections.among(self.overlays()) or None

    def show_again(self, job: str, again: FiguresAgain | None) -> None:
        """Show these figures of a job in place of those that are kept; with None the kept ones."""
        self._again.pop(job, None)
        if again is not None:
            self._again[job] = again

    def again(self, job: str) -> FiguresAgain | None:
        """The figures of a job that are shown in place of those that are kept, where any are."""
        return self._again.get(job)

    def is_pinned(self, job: str, from_s: float, to_s: float) -> bool:
        """Whether somebody wants anything of a job in [from_s, to_s) kept for good."""
        return any(
            (one.from_s is None or one.from_s < to_s) and (one.to_s is None or one.to_s > from_s)
            for one in self.overlays(job)
            if one.kind == PIN
        )

    def plans(self) -> list[tuple[float, str]]:
        """The plans that were in force: since when, and as JSON."""
        return [(at_s, plan) for at_s, plan in self._ledger_rows("SELECT at_s, plan FROM plan")]

    # -- inside ----------------------------------------------------------------------------------

    def _of_journals(self, ask: Callable[[JournalView], T]) -> list[T]:
        """What each journal says that can be read; of others that is warned of."""
        found = []
        with open_journals(self.root) as views:
            for view in views:
                try:
                    found.append(ask(view))
                except sqlite3.Error as exc:
                    error = error_of(exc, view.path)
                    if not isinstance(error, ArchiveDamaged):
                        raise error from exc
                    warn_of(error)
        return found

    def _has_ledger(self) -> bool:
        """Whether there is a ledger that can be read; else the copies in the files stand in."""
        return not self._ledger_is_damaged and ledger_path(self.root).exists()

    def _ledger_damaged(self, exc: ArchiveDamaged) -> None:
        """From now on it is as if there were none."""
        if not self._ledger_is_damaged:
            self._ledger_is_damaged = True
            warn_of(exc)

    def _open_ledger(self) -> sqlite3.Connection | None:
        if not self._has_ledger():
            return None
        try:
            return open_reading(ledger_path(self.root))
        except ArchiveDamaged as exc:
            self._ledger_damaged(exc)
            return None

    def _with_ledger(self, ask: Callable[[sqlite3.Connection], T]) -> T:
        path = ledger_path(self.root)
        connection = open_reading(path)
        try:
            return ask(connection)
        except sqlite3.Error as exc:
            raise error_of(exc, path) from exc
        finally:
            connection.close()

    def _ledger_rows(self, select: str, parameters: tuple[Any, ...] = ()) -> list[Any]:
        if not self._has_ledger():
            return []
        try:
            found: list[Any] = self._with_ledger(
                lambda db: db.execute(select, parameters).fetchall()
            )
        except ArchiveDamaged as exc:
            self._ledger_damaged(exc)
            return []
        return found

    def _records(
        self,
        table: str,
        record_of: Callable[[Any], T],
        job: str,
        start_s: float,
        stop_s: float,
    ) -> list[T]:
        return [record for _, record in self._table_events(table, record_of, job, start_s, stop_s)]

    def _table_events(
        self,
        table: str,
        record_of: Callable[[Any], T],
        job: str,
        start_s: float,
        stop_s: float,
    ) -> Iterator[tuple[int, T]]:
        """Records of a table with their ordinals, in order."""
        kept = self._kept_events(table, record_of, job, start_s, stop_s)
        again = self.again(job)
        if again is None:
            return kept
        return again.among(table, kept, lambda at_s: start_s <= at_s < stop_s)

    def _kept_events(
        self,
        table: str,
        record_of: Callable[[Any], T],
        job: str,
        start_s: float,
        stop_s: float,
    ) -> Iterator[tuple[int, T]]:
        """The same as they are kept, from ledger and journals together."""
        time, times = _START_COLUMN[table], self.times()
        within, edges = within_any(time, start_s, stop_s, times)
        select = (
            f"SELECT {EVENT_TABLES[table]} FROM {table} WHERE job = ? AND {within} "
            f"AND event > {{after}} ORDER BY event"
        )
        with ExitStack() as stack:
            # Journals before the ledger: what is sealed between is then in both, not in neither.
            views = stack.enter_context(open_journals(self.root))
            streams = [_rows_of(view, select, (job, *edges)) for view in views]
            copied = partial(self._copied, table, job, min(edges), max(edges))
            if (ledger := self._open_ledger()) is not None:
                stack.callback(ledger.close)
                streams.append(self._or_copied(_rows(ledger, select, (job, *edges)), copied))
            else:
                streams.append(iter(copied()))
            last = -1
            for row in heapq.merge(*streams, key=lambda row: row[0]):
                if row[0] != last:
                    last = row[0]
                    record = record_of(row)
                    if times is None:
                        yield last, record
                    elif (moved := times.record(last, record, start_s, stop_s)) is not None:
                        yield last, moved

    def _or_copied(self, rows: Iterator[Any], copied: Callable[[], list[Any]]) -> Iterator[Any]:
        """Rows of the ledger; from where it turns out to be damaged, those that the files have."""
        last = -1
        try:
            for row in rows:
                last = row[0]
                yield row
        except sqlite3.Error as exc:
            error = error_of(exc, ledger_path(self.root))
            if not isinstance(error, ArchiveDamaged):
                raise error from exc
            self._ledger_damaged(error)
            yield from (row for row in copied() if row[0] > last)

    def _copied(self, table: str, job: str, start_s: float, stop_s: float) -> list[Any]:
        """Rows of a lost ledger, from the copies in the files."""
        at = [name.strip() for name in EVENT_TABLES[table].split(",")].index(_START_COLUMN[table])
        found: dict[int, Any] = {}
        for rows in copied_rows_in(self.root, table):
            for row in rows:
                if row[1] == job and start_s <= row[at] < stop_s:
                    found[row[0]] = row
        return [found[event] for event in sorted(found)]

    def _copied_overlays(self, job: str | None) -> list[Overlay]:
        """Overlays of a lost ledger: as many as the files have, each as the last of them has it."""
        if self._overlays_of_files is None:
            # Read once: all files are gone through for it, and none is written without a ledger.
            found: dict[int, Any] = {}
            for rows in copied_rows_in(self.root, "overlay"):
                found.update({row[0]: row for row in rows})
            self._overlays_of_files = [overlay_of(row) for _, row in sorted(found.items())]
        return [one for one in self._overlays_of_files if job is None or one.job in (None, job)]


def _rows(
    connection: sqlite3.Connection, select: str, parameters: tuple[Any, ...]
) -> Iterator[Any]:
    for page in pages(connection, select, parameters):
        yield from page


def _rows_of(view: JournalView, select: str, parameters: tuple[Any, ...]) -> Iterator[Any]:
    """Rows of a journal, as far as it can be read; where it cannot, that is warned of."""
    try:
        yield from _rows(view.connection, select, parameters)
    except sqlite3.Error as exc:
        error = error_of(exc, view.path)
        if not isinstance(error, ArchiveDamaged):
            raise error from exc
        warn_of(error)


def range_s(start: Time | None, stop: Time | None) -> tuple[float, float]:
    return seconds_of(start, -np.inf), seconds_of(stop, np.inf)


def seconds_of(at: Time | None, default: float) -> float:
    """Seconds since 1970 of what a caller gave.

    Raises:
        ArchiveError: a text that is no time, or a time without a zone.
    """
    if at is None:
        return default
    if isinstance(at, int | float):
        return float(at)
    if isinstance(at, str):
        try:
            at = datetime.fromisoformat(at)
        except ValueError as exc:
            raise ArchiveError(
                f"time {at!r}: expected ISO 8601 with a zone, such as 2026-06-01T21:00Z"
            ) from exc
    if at.tzinfo is None:
        raise ArchiveError(f"time {at.isoformat()} has no zone; write Z for UTC")
    return at.timestamp()
