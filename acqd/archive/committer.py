"""The journal in use: batches go into it whole or not at all, and it is changed for a new one.

Everything here is for the writer's thread, but for the making and the first journal, which come
before that thread, and the closing, which comes after it.
"""

from __future__ import annotations

import math
import sqlite3
import statistics
import time
from collections import OrderedDict, deque
from collections.abc import Mapping, Sequence
from pathlib import Path

from acqd.archive.ballast import BALLAST_BYTES, Ballast
from acqd.archive.database import error_of
from acqd.archive.durable import free_bytes
from acqd.archive.inbox import Call, Commit
from acqd.archive.journal import Journal, Mark, batch_setups
from acqd.archive.layout import journal_name, journal_ordinal, journals_folder, list_journals
from acqd.archive.ledger import Ledger
from acqd.archive.records import Batch, MeterState, SetupRecord
from acqd.clock import Clock
from acqd.errors import ArchiveError, ArchiveFull

__all__ = ["Committer"]

SETUPS_REMEMBERED = 256

TIMED_LAST, TIMED_LEAST = 101, 25
"""Commits that the median of their times is taken of; with fewer than the least there is none."""

NO_ROW = (OverflowError, TypeError, ValueError)
"""What is raised where a value fits no row: half of a surrogate pair, a number beyond 64 bits."""


class Committer:
    """Commits to the journal in use. ``marks`` are the last numbers of each job."""

    def __init__(
        self,
        root: Path,
        ledger: Ledger,
        *,
        ballast: Ballast,
        clock: Clock,
        about: Mapping[str, str],
        marks: Mapping[str, Mark],
        keep_free_bytes: int,
        synced: bool = True,
    ) -> None:
        self.marks = dict(marks)
        self.commits = 0
        self.committed = 0
        self.full_since_s: float | None = None
        """Since when nothing is committed for want of room; None while there is room."""
        self._took_s: deque[float] = deque(maxlen=TIMED_LAST)
        self._root = root
        self._ledger = ledger
        self._ballast = ballast
        self._clock = clock
        self._about = about
        self._keep_free_bytes = keep_free_bytes
        self._synced = synced
        self._journal: Journal | None = None
        self._setups: OrderedDict[tuple[str, int, str], SetupRecord] = OrderedDict()
        self._next_ordinal = 1 + max(
            (journal_ordinal(path) for path in list_journals(root)), default=0
        )

    @property
    def journal(self) -> Journal | None:
        """The journal in use; None before the first and after :meth:`close`."""
        return self._journal

    @property
    def floor_bytes(self) -> int:
        """Free space below which nothing is committed."""
        return self._keep_free_bytes + self._ballast.reserved_bytes

    @property
    def commit_s(self) -> float | None:
        """The median of what the last commits took; None before there are enough."""
        took_s = list(self._took_s)
        return statistics.median(took_s) if len(took_s) >= TIMED_LEAST else None

    def current(self) -> Journal:
        """Raises ArchiveError where there is none."""
        if self._journal is None:
            raise ArchiveError(f"{self._root}: no journal is open")
        return self._journal

    def next_journal(self, meters: Sequence[MeterState]) -> Journal | None:
        """Begin a journal with the meters' states; returns the one before, if there was one.

        Raises:
            ArchiveError: it could not be begun; the one before is still in use.
        """
        new = self._new_journal(meters)
        old, self._journal = self._journal, new
        return old

    def close(self) -> None:
        journal, self._journal = self._journal, None
        if journal is not None:
            journal.close()

    def answer(self, call: Call) -> None:
        """Do what was asked; its future has the result or the error."""
        if not call.future.set_running_or_notify_cancel():
            return
        try:
            result = call.run()
        except sqlite3.Error as exc:
            error = error_of(exc, self._ledger.path)
            if isinstance(error, ArchiveFull):
                self._ballast.drop()
            error.__cause__ = exc
            call.future.set_exception(error)
        except BaseException as exc:
            call.future.set_exception(exc)
        else:
            call.future.set_result(result)

    def commit(self, group: Sequence[Commit]) -> None:
        """One transaction for all; where one of them is wrong, one for each."""
        self._commit([item for item in group if item.future.set_running_or_notify_cancel()])
        if self._journal is not None:
            # They have their answer; what comes next waits no longer than it would have inside.
            self._journal.move_log()

    def _commit(self, group: list[Commit]) -> None:
        if not group:
            return
        try:
            self._keep(group)
        except ArchiveFull as exc:
            if self.full_since_s is None:
                self.full_since_s = self._clock.wall_s()
            _fail(group, exc)
        except (ArchiveError, sqlite3.Error, *NO_ROW) as exc:
            if len(group) > 1:
                for item in group:
                    self._commit([item])
                return
            _fail(group, self._told(exc))
        except BaseException as exc:
            # A fault of ours; the station must hear of it, and the thread must go on.
            _fail(group, exc)
        else:
            for item in group:
                item.future.set_result(None)

    def _told(self, exc: Exception) -> ArchiveError:
        """The archive's error for what kept one batch from being kept."""
        if isinstance(exc, ArchiveError):
            return exc
        path = self.current().path
        if isinstance(exc, sqlite3.Error):
            error = error_of(exc, path)
        else:
            error = ArchiveError(f"{path}: a value that no row can hold, nothing was kept: {exc}")
        error.__cause__ = exc
        return error

    def _keep(self, group: list[Commit]) -> None:
        journal = self.current()
        size = sum(item.size_bytes for item in group)
        try:
            self._need_room(size, keep_bytes=self.floor_bytes)
        except ArchiveFull:
            if free_bytes(self._root) < BALLAST_BYTES:
                self._ballast.drop()
            raise
        marks = dict(self.marks)
        batches = []
        for item in group:
            _check_numbers(item.batch, marks)
            setups = list(batch_setups(item.batch, self._known_setups(item.batch)))
            batches.append((item.batch, setups))
        begun_s = time.perf_counter()
        try:
            journal.commit(batches)
        except sqlite3.Error as exc:
            error = error_of(exc, journal.path)
            if isinstance(error, ArchiveFull):
                self._ballast.drop()
                raise error from exc
            raise
        self._took_s.append(time.perf_counter() - begun_s)
        self.marks = marks
        if size:
            # A finding alone may still find room where a sweep does not.
            self.full_since_s = None
        self.commits += 1
        self.committed += len(group)
        for _, setups in batches:
            for record in setups:
                key = (record.job, record.step, record.setup)
                self._setups[key] = record
                self._setups.move_to_end(key)
        while len(self._setups) > SETUPS_REMEMBERED:
            self._setups.popitem(last=False)

    def _known_setups(self, batch: Batch) -> Mapping[tuple[str, int, str], SetupRecord]:
        for sweep in batch.sweeps:
            key = (sweep.job, sweep.step, sweep.setup)
            if key not in self._setups:
                kept = self._ledger.setup(*key)
                if kept is not None:
                    self._setups[key] = kept
        return self._setups

    def _need_room(self, size_bytes: int, *, keep_bytes: int) -> None:
        free = free_bytes(self._root)
        # Twice: once in the log, once in the file when the log is moved there.
        wanted = keep_bytes + 2 * size_bytes
        if free < wanted:
            raise ArchiveFull(
                f"{self._root}: {free / 1e6:,.0f} MB free, {math.ceil(wanted / 1e6):,} MB are "
                f"wanted; nothing of this was kept, make room"
            )

    def _new_journal(self, meters: Sequence[MeterState]) -> Journal:
        # From the reserve, if need be: sealing the old journal is what makes room.
        self._need_room(sum(len(state.state) for state in meters) + (1 << 20), keep_bytes=0)
        try:
            ordinal = self._ledger.take_ordinal(self._next_ordinal)
        except sqlite3.Error as exc:
            raise error_of(exc, self._ledger.path) from exc
        name = journal_name(ordinal, self._clock.boot_id)
        return Journal(
            journals_folder(self._root) / name,
            marks=self.marks,
            meters=meters,
            about={**self._about, "begun_s": repr(self._clock.wall_s())},
            synced=self._synced,
        )


def _check_numbers(batch: Batch, marks: dict[str, Mark]) -> None:
    """Raise the marks by a batch's numbers.

    Raises:
        ArchiveError: a number that was used, or a gap in those of the findings.
    """
    for sweep in batch.sweeps:
        mark = marks.get(sweep.job, Mark())
        if sweep.seq <= mark.seq:
            raise ArchiveError(
                f"job {sweep.job}: sweep {sweep.seq} after {mark.seq}; numbers rise and are "
                f"never used twice"
            )
        marks[sweep.job] = Mark(sweep.seq, mark.finding)
    for finding in batch.findings:
        mark = marks.get(finding.job, Mark())
        if finding.number != mark.finding + 1:
            raise ArchiveError(
                f"job {finding.job}: finding {finding.number} after {mark.finding}; "
                f"numbers rise by one without gaps"
            )
        marks[finding.job] = Mark(mark.seq, finding.number)


def _fail(group: Sequence[Commit], error: BaseException) -> None:
    for item in group:
        item.future.set_exception(error)
