"""What an archive knows of the runs before this one, read before anything is changed.

The newest journal that was begun holds each meter's state and every event after it, so it and the
ledger are all that a restart needs. Events are read when asked for, in small pages.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acqd.archive.database import error_of, open_reading
from acqd.archive.journal import JournalView, Mark
from acqd.archive.ledger import Ledger, Overlay
from acqd.archive.records import (
    GapRecord,
    HourlyRecord,
    MeterState,
    SetupRecord,
    SweepRecord,
)
from acqd.errors import ArchiveError

__all__ = ["JobRecovery", "RecordedEvent", "Recovery", "recover", "with_setups"]

SETUPS_MOST = 1000
"""Setups of one job that a restart is told of, the latest; a night has a handful."""

RecordedEvent = SetupRecord | SweepRecord | GapRecord | HourlyRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class JobRecovery:
    """Where one job stands. ``last_hour_start_s`` is the last hour that was turned for it."""

    job: str
    next_seq: int
    next_finding: int
    meter: MeterState | None
    last_hour_start_s: float | None
    journal: Path | None
    sources: tuple[Path, ...] = ()
    """Ledger and journals, the oldest first."""

    def setup_details(self) -> dict[str, Mapping[str, Any]]:
        """Details of the setups that the job had, by digest, each as it was kept first.

        The latest :data:`SETUPS_MOST`, latest last. Only before the writer has begun.

        Raises:
            ArchiveError: ledger or journal cannot be read.
        """
        found: dict[str, Mapping[str, Any]] = {}
        for path in self.sources:
            try:
                with closing(open_reading(path)) as connection:
                    rows = connection.execute(
                        "SELECT setup, details FROM setup WHERE job = ? ORDER BY rowid DESC "
                        "LIMIT ?",
                        (self.job, SETUPS_MOST),
                    ).fetchall()
            except FileNotFoundError as exc:
                raise ArchiveError(
                    f"job {self.job}: the setups of {path.name} are read before begin()"
                ) from exc
            except sqlite3.Error as exc:
                raise error_of(exc, path) from exc
            for setup, details in reversed(rows):
                found.setdefault(setup, json.loads(details))
        return dict(list(found.items())[-SETUPS_MOST:])

    def events(self) -> Iterator[RecordedEvent]:
        """What happened after ``meter``, in order; a setup comes before its first sweep.

        Only before the writer has begun: after that the journal may be sealed at any time.

        Raises:
            ArchiveError: the journal has been sealed.
        """
        if self.journal is None:
            return
        try:
            view = JournalView(self.journal)
        except FileNotFoundError as exc:
            raise ArchiveError(
                f"job {self.job}: the events of {self.journal.name} are read before begin()"
            ) from exc
        with view:
            try:
                yield from (record for _, record in with_setups(view, self.job))
            except sqlite3.Error as exc:
                raise error_of(exc, self.journal) from exc


@dataclass(frozen=True, slots=True, kw_only=True)
class Recovery:
    """Where the station stands. On the first run it is empty and every number is 1."""

    jobs: Mapping[str, JobRecovery]
    last_alive_s: float | None
    last_boot_id: str | None
    last_plan: str | None
    last_plan_at_s: float | None
    noted_s: float | None = None
    """When it was last noted that the station runs; a clock set back since then shows in it, while
    ``last_alive_s`` is the latest time that is known."""
    overlays: tuple[Overlay, ...] = ()
    cleared: tuple[Path, ...] = ()
    """What interrupted writes had left, and was removed."""

    def job(self, name: str) -> JobRecovery | None:
        """A job that the archive knows, or None. The station's findings are a job of their own."""
        return self.jobs.get(name)

    def next_seq(self, job: str) -> int:
        known = self.jobs.get(job)
        return 1 if known is None else known.next_seq

    def next_finding(self, job: str) -> int:
        known = self.jobs.get(job)
        return 1 if known is None else known.next_finding

    @property
    def is_first_run(self) -> bool:
        return not self.jobs and self.last_alive_s is None


def with_setups(
    view: JournalView, job: str, *, after: int = 0
) -> Iterator[tuple[int, RecordedEvent]]:
    """Events of a journal, with the setup before the first sweep and wherever it changes.

    A setup has the ordinal of the sweep that it comes before.
    """
    now: dict[int, str] = {}
    for event, record in view.events(job, after=after):
        if isinstance(record, SweepRecord) and now.get(record.step) != record.setup:
            now[record.step] = record.setup
            yield event, view.setup(job, record.step, record.setup)
        yield event, record


def recover(ledger: Ledger, journals: list[Path], cleared: tuple[Path, ...]) -> Recovery:
    """Read it all. ``journals`` are those that were begun, in order.

    Raises:
        ArchiveError: the ledger or a journal cannot be read.
    """
    marks = ledger.marks()
    hours = ledger.last_hours()
    alive = noted = ledger.alive()
    meters: dict[str, MeterState] = {}
    newest = journals[-1] if journals else None
    for path in journals:
        with JournalView(path) as view:
            try:
                for job, mark in view.marks().items():
                    known = marks.get(job, Mark())
                    marks[job] = Mark(max(known.seq, mark.seq), max(known.finding, mark.finding))
                for job, hour_s in view.last_hours().items():
                    hours[job] = max(hour_s, hours.get(job, hour_s))
                last = view.last_times()
                if last is not None and (alive is None or last[0] > alive[0]):
                    alive = last
                if path == newest:
                    meters = view.meters()
            except sqlite3.Error as exc:
                raise error_of(exc, path) from exc
    plan = ledger.last_plan()
    return Recovery(
        jobs={
            job: JobRecovery(
                job=job,
                next_seq=marks.get(job, Mark()).seq + 1,
                next_finding=marks.get(job, Mark()).finding + 1,
                meter=meters.get(job),
                last_hour_start_s=hours.get(job),
                journal=newest,
                sources=(ledger.path, *journals),
            )
            for job in sorted({*marks, *meters, *hours})
        },
        last_alive_s=None if alive is None else alive[0],
        last_boot_id=None if alive is None else alive[1],
        last_plan=None if plan is None else plan[0],
        last_plan_at_s=None if plan is None else plan[1],
        noted_s=None if noted is None else noted[0],
        overlays=tuple(ledger.overlays()),
        cleared=cleared,
    )
