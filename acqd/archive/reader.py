"""Reading an archive, also while a station writes it.

    with acqd.open_archive("archive") as archive:
        night = archive.sweeps("marine-vhf", "2026-06-01T21:00Z", "2026-06-02T05:00Z")
        night.level.max("sweep")

Nothing is opened for writing, nothing stays open between calls, and levels are read when they are
looked at. Each sweep is seen once, wherever it lies. Chains are those that people said later they
were, unless it is asked for what was recorded (``amended=False``); levels at the input are the same
either way. Where a clock was wrong and it is known by how much, times and ranges are true ones,
unless it is asked for those of the station's clock. Times are seconds since 1970-01-01T00:00:00Z,
aware datetimes, or ISO 8601 texts with a zone; ranges hold their start and not their stop.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Literal, TypeVar

import numpy as np

from acqd.archive.again import FiguresAgain
from acqd.archive.amendments import ChainAmendments
from acqd.archive.coverage import Coverage, coverage_of
from acqd.archive.database import error_of, open_reading, pages
from acqd.archive.index import Wanted, find_pieces, open_journals, retried, within_any
from acqd.archive.kept import KeptRows, kept_between, read_kept, removed_text
from acqd.archive.layout import (
    ledger_path,
    list_days,
    list_files,
    list_jobs,
    list_journals,
    list_kept,
    sweeps_folder,
)
from acqd.archive.ledger import PIN, Overlay, overlay_of, overlays_in, rows_from_copy, standing
from acqd.archive.records import (
    FindingRecord,
    GapRecord,
    HourlyRecord,
    SetupRecord,
)
from acqd.archive.recovery import RecordedEvent
from acqd.archive.replay import SweepWithSetup, sweep_events
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import (
    EVENT_TABLES,
    SETUP_COLUMNS,
    finding_of,
    gap_of,
    hourly_of,
    setup_of,
)
from acqd.archive.timing import TimeCorrections
from acqd.errors import ArchiveError

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["Archive", "Plane", "Time", "open_archive"]

Time = float | int | str | datetime
Plane = Literal["input", "far end", "far-end"]
T = TypeVar("T")

_START_COLUMN = {"finding": "at_s", "gap": "from_s", "hourly": "hour_start_s"}


def open_archive(
    path: str | Path, *, amended: bool = True, true_times: bool | None = None
) -> Archive:
    """Open an archive for reading; where not ``amended`` with the chains as they were recorded.

    Times are true ones, as far as corrections of clocks go, where ``true_times``; where it is not
    given they are where ``amended``.

    Raises:
        ArchiveError: there is no archive at ``path``.
    """
    return Archive(Path(path), amended=amended, true_times=true_times)


class Archive:
    """An archive as a reader sees it. A context manager, though nothing is held open."""

    def __init__(self, root: Path, *, amended: bool = True, true_times: bool | None = None) -> None:
        """Raises ArchiveError where there is no archive."""
        self.root = root.absolute()
        self.is_amended = amended
        self.has_true_times = amended if true_times is None else true_times
        self._overlays_of_files: list[Overlay] | None = None
        self._again: dict[str, FiguresAgain] = {}
        try:
            is_archive = (
                ledger_path(self.root).exists()
                or bool(list_journals(self.root))
                or sweeps_folder(self.root).is_dir()
            )
        except OSError as exc:  # A file, or a folder of somebody else's.
            raise ArchiveError(
                f"{root}: no archive that can be read: {exc.strerror}; expected a folder, as the "
                f"config's archive names it"
            ) from exc
        if not is_archive:
            raise ArchiveError(
                f"{root}: no archive here; expected a folder with ledger.sqlite, journals/ or "
                f"sweeps/, as the config's archive names it"
            )

    def __enter__(self) -> Archive:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Nothing is held open; here for symmetry."""

    # -- what there is ---------------------------------------------------------------------------

    def jobs(self) -> list[str]:
        """Jobs that have sweeps, gaps or hourly figures, in alphabetical order."""
        names: set[str] = set()
        with open_journals(self.root) as views:
            for view in views:
                names |= view.jobs()
        names |= set(list_jobs(self.root))
        for table in ("gap", "hourly"):
            names |= {job for (job,) in self._ledger_rows(f"SELECT DISTINCT job FROM {table}")}
        return sorted(names)

    def setups(self, job: str) -> list[SetupRecord]:
        """Setups of a job, in the order in which they were first used as far as it is known.

        As they were recorded, whatever was amended: which sweeps an amendment is about hangs on
        when they began.
        """
        found: dict[tuple[int, str], SetupRecord] = {}
        late: list[SetupRecord] = []
        with open_journals(self.root) as views:
            for view in views:
                late += view.setups(job)
        rows = self._ledger_rows(
            f"SELECT {SETUP_COLUMNS} FROM setup WHERE job = ? ORDER BY rowid", (job,)
        )
        if not ledger_path(self.root).exists():
            late = self._setups_of_files(job) + late
        for record in [setup_of(row) for row in rows] + late:
            found.setdefault((record.step, record.setup), record)
        return list(found.values())

    # -- sweeps ----------------------------------------------------------------------------------

    def sweeps(
        self,
        job: str,
        start: Time | None = None,
        stop: Time | None = None,
        *,
        step: int = 0,
        setup: str | None = None,
        plane: Plane = "input",
    ) -> xr.Dataset:
        """Sweeps of a job as an xarray Dataset, levels lazy.

        Args:
            setup: one setup, by its digest or the beginning of it; without it all that share one
                grid and unit are joined.
            plane: ``input`` gives the levels as they were measured; ``far end`` takes off the
                gain of the chain that is stored with them or was amended, in float64. ``far-end``,
                as the command line writes it, is the same.

        Returns:
            ``level(sweep, frequency)``, ``(sweep, point)`` where the axis is not strictly
            monotonic; coordinates ``time``, ``sequence``, ``frequency``, ``setup``; the summary
            columns and what else a sweep has. Where a clock was corrected ``clock_correction`` has
            the number of the correction of each sweep's times, 0 for none, and ``clock_shift`` what
            they were moved by; the attribute says what each is. Where the chain was amended,
            ``chain_amendment`` has the number of the last amendment that is in a sweep's chain, 0
            for none, and the attribute of that name says what each is.

        Raises:
            ArchiveError: no such sweeps; or setups with different grids, which are named.
        """
        from acqd.archive.dataset import dataset_of

        if plane not in ("input", "far end", "far-end"):
            raise ArchiveError(f"plane {plane!r}: expected 'input' or 'far end'")
        wanted = Wanted(
            root=self.root,
            job=job,
            start_s=_seconds(start, -np.inf),
            stop_s=_seconds(stop, np.inf),
            step=step,
            setup=self._whole_digest(job, step, setup),
            amendments=self.amendments(job),
            again=self.again(job),
            times=self.times(),
        )
        pieces = find_pieces(wanted)
        if not pieces:
            self._say_none(job, step, wanted)
        return dataset_of(wanted, pieces, far_end=plane != "input")

    def coverage(self, job: str, start: Time | None = None, stop: Time | None = None) -> Coverage:
        """What is stored over what was due in a range of time, and why the rest is missing.

        Due are the sweeps of step 0, each of a burst by itself; what else a pass sweeps hangs on
        what was seen.
        """
        start_s, stop_s = _seconds(start, -np.inf), _seconds(stop, np.inf)
        steps = {record.step for record in self.setups(job)} or {0}
        flags, sweeps, stored, times = [], 0, 0, self.times()
        for step in sorted(steps):
            wanted = Wanted(
                root=self.root, job=job, start_s=start_s, stop_s=stop_s, step=step, times=times
            )
            for piece in find_pieces(wanted):
                flags.append(piece.core["flags"])
                sweeps += int(piece.place.size)
                stored += int(piece.place.size) if step == 0 else 0
        gaps = self._records("gap", gap_of, job, -np.inf, np.inf)
        removed = [kept for kept in self.removed(job, start_s, stop_s) if kept.step == 0]
        return coverage_of(
            job=job,
            stored=stored,
            sweeps=sweeps,
            flags=np.concatenate(flags) if flags else np.empty(0, dtype=np.int32),
            gaps=gaps,
            start_s=start_s,
            stop_s=stop_s,
            removed=sum(kept.within(start_s, stop_s) for kept in removed),
        )

    def removed(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[KeptRows]:
        """What is left of volumes of a job that had sweeps in a range of time and were removed by
        retention; their sweeps are in no answer here, findings and hours are.

        Raises:
            ArchiveDamaged: what was kept of one cannot be read.
        """
        return retried(f"job {job}", lambda: kept_between(self.root, job, *_range(start, stop)))

    # -- what the ledger has ---------------------------------------------------------------------

    def findings(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[FindingRecord]:
        """Findings of a job by the time they are about, in the order of their commit."""
        return self._records("finding", finding_of, job, *_range(start, stop))

    def gaps(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[GapRecord]:
        """Gaps that begin in a range of time, in the order of their commit."""
        return self._records("gap", gap_of, job, *_range(start, stop))

    def hourly(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> list[HourlyRecord]:
        """Hourly figures by the start of the hour, in the order of their commit."""
        return self._records("hourly", hourly_of, job, *_range(start, stop))

    def overlays(self, job: str | None = None, *, undone: bool = False) -> list[Overlay]:
        """What people said later about a job, or about all of them; ``undone`` with what somebody
        undid, and the undoing."""
        if not ledger_path(self.root).exists():
            found = self._copied_overlays(job)
            return found if undone else standing(found)
        return self._with_ledger(lambda db: overlays_in(db, job, undone=undone))

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

    # -- replay ----------------------------------------------------------------------------------

    def events(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> Iterator[RecordedEvent]:
        """Everything a meter was told of, in order, with canonical levels, a block at a time.

        Setups come before their first sweep and wherever they change. A range takes sweeps, gaps
        and hours by the time at which they begin.
        """
        start_s, stop_s = _range(start, stop)
        yield from self._in_order(self._streams(job, start_s, stop_s))

    def events_and_findings(
        self, job: str, start: Time | None = None, stop: Time | None = None
    ) -> Iterator[RecordedEvent | FindingRecord]:
        """:meth:`events`, and after what was committed together the findings committed with it.

        Findings are those of all times: what one is about may lie long before its commit.
        """
        start_s, stop_s = _range(start, stop)
        findings = self._table_events("finding", finding_of, job, -np.inf, np.inf)
        yield from self._in_order([*self._streams(job, start_s, stop_s), findings])

    def _streams(self, job: str, start_s: float, stop_s: float) -> list[Iterator[tuple[int, Any]]]:
        """Sweeps with their setups, gaps and hours of a job, each with their ordinals."""
        return [
            sweep_events(
                self.root,
                job,
                start_s,
                stop_s,
                amendments=self.amendments(job),
                again=self.again(job),
                times=self.times(),
            ),
            self._table_events("gap", gap_of, job, start_s, stop_s),
            self._table_events("hourly", hourly_of, job, start_s, stop_s),
        ]

    @staticmethod
    def _in_order(streams: list[Iterator[tuple[int, Any]]]) -> Iterator[Any]:
        told: dict[int, str] = {}
        for _, told_of in heapq.merge(*streams, key=lambda item: item[0]):
            if not isinstance(told_of, SweepWithSetup):
                yield told_of
                continue
            sweep = told_of.sweep
            if told.get(sweep.step) != sweep.setup:
                told[sweep.step] = sweep.setup
                yield told_of.setup
            yield sweep

    def software(self, job: str) -> list[dict[str, str]]:
        """What measured a job: programs, libraries and machine with their versions, each once.

        Taken from every setup of every file and journal, as its first sweep had it.
        """
        found: list[dict[str, str]] = []
        with open_journals(self.root) as views:
            records = [record for view in views for record in view.setups(job)]
        for record in (*self._each_setup_of_files(job), *records):
            one = dict(record.details.get("software") or {})
            if one not in found:
                found.append(one)
        return found

    # -- inside ----------------------------------------------------------------------------------

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
        if not ledger_path(self.root).exists():
            return []
        rows: list[Any] = self._with_ledger(lambda db: db.execute(select, parameters).fetchall())
        return rows

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
            databases = [view.connection for view in stack.enter_context(open_journals(self.root))]
            streams: list[Iterator[Any]] = []
            if ledger_path(self.root).exists():
                ledger = open_reading(ledger_path(self.root))
                stack.callback(ledger.close)
                databases.append(ledger)
            else:
                low_s, high_s = min(edges), max(edges)
                streams.append(iter(self._copied(table, job, low_s, high_s)))
            streams += [_rows(db, select, (job, *edges)) for db in databases]
            last = -1
            for row in heapq.merge(*streams, key=lambda row: row[0]):
                if row[0] != last:
                    last = row[0]
                    record = record_of(row)
                    if times is None:
                        yield last, record
                    elif (moved := times.record(last, record, start_s, stop_s)) is not None:
                        yield last, moved

    def _copied(self, table: str, job: str, start_s: float, stop_s: float) -> list[Any]:
        """Rows of a lost ledger, from the copies in the files."""
        at = [name.strip() for name in EVENT_TABLES[table].split(",")].index(_START_COLUMN[table])
        found: dict[int, Any] = {}
        for rows in self._copies(table):
            for row in rows:
                if row[1] == job and start_s <= row[at] < stop_s:
                    found[row[0]] = row
        return [found[event] for event in sorted(found)]

    def _copied_overlays(self, job: str | None) -> list[Overlay]:
        """Overlays of a lost ledger: as many as the files have, each as the last of them has it."""
        if self._overlays_of_files is None:
            # Read once: all files are gone through for it, and none is written without a ledger.
            found: dict[int, Any] = {}
            for rows in self._copies("overlay"):
                found.update({row[0]: row for row in rows})
            self._overlays_of_files = [overlay_of(row) for _, row in sorted(found.items())]
        return [one for one in self._overlays_of_files if job is None or one.job in (None, job)]

    def _copies(self, table: str) -> Iterator[list[Any]]:
        """Rows of a table of the ledger as each file has them.

        In the files of all jobs: what was noted before a job's first sweep is in those of others.
        """
        for folder_job in list_jobs(self.root):
            for day in list_days(self.root, folder_job):
                for path in list_kept(self.root, folder_job, day):
                    yield rows_from_copy(table, read_kept(path).ledger.get(table, []))
                for path, _ in list_files(self.root, folder_job, day):
                    with SweepFile(path) as file:
                        yield rows_from_copy(table, file.ledger().get(table, []))

    def _setups_of_files(self, job: str) -> list[SetupRecord]:
        return list(self._each_setup_of_files(job))

    def _each_setup_of_files(self, job: str) -> Iterator[SetupRecord]:
        for day in list_days(self.root, job):
            for path in list_kept(self.root, job, day):
                yield read_kept(path).setup
            for path, _ in list_files(self.root, job, day):
                with SweepFile(path) as file:
                    yield file.setup()

    def _whole_digest(self, job: str, step: int, setup: str | None) -> str | None:
        if setup is None:
            return None
        there = sorted({record.setup for record in self.setups(job) if record.step == step})
        known = [digest for digest in there if digest.startswith(setup)]
        if len(known) != 1:
            fits = "fits several" if known else "fits none"
            raise ArchiveError(
                f"job {job}, step {step}: setup {setup!r} {fits}; there is "
                f"{', '.join(known or there) or 'none'}"
            )
        return known[0]

    def _say_none(self, job: str, step: int, wanted: Wanted) -> None:
        jobs = self.jobs()
        if job not in jobs:
            raise ArchiveError(
                f"{self.root}: no job {job!r} here; there is {', '.join(jobs) or 'none'}"
            )
        gone = removed_text(self.removed(job, wanted.start_s, wanted.stop_s))
        if gone:
            raise ArchiveError(f"{self.root}: job {job}: {gone}")
        raise ArchiveError(f"{self.root}: job {job} has no sweeps of step {step} in that time")


def _rows(
    connection: sqlite3.Connection, select: str, parameters: tuple[Any, ...]
) -> Iterator[Any]:
    for page in pages(connection, select, parameters):
        yield from page


def _range(start: Time | None, stop: Time | None) -> tuple[float, float]:
    return _seconds(start, -np.inf), _seconds(stop, np.inf)


def _seconds(at: Time | None, default: float) -> float:
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
