"""Sweeps of a job one after the other, for a replay: in order, each once, a block at a time.

Sequence numbers of a job rise with the ordinals of its events, so files can be taken in the order
of the numbers in their names, and only those are open that a replay is in the middle of.
"""

from __future__ import annotations

import heapq
import sqlite3
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import dataclass, replace
from itertools import count
from pathlib import Path

import numpy as np

from acqd.archive.again import FiguresAgain
from acqd.archive.amendments import ChainAmendments
from acqd.archive.damage import readable_rows, warn_of, warn_of_file
from acqd.archive.database import error_of, pages
from acqd.archive.index import RETRIES, list_settled, open_journals, within_any
from acqd.archive.journal import EVENT_PAGE_ROWS, JournalView
from acqd.archive.records import SetupRecord, SweepRecord
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import SWEEP_COLUMNS, sweep_of
from acqd.archive.timing import TimeCorrections
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = ["SweepWithSetup", "sweep_events"]


@dataclass(frozen=True, slots=True)
class SweepWithSetup:
    """A sweep and what it was taken with."""

    setup: SetupRecord
    sweep: SweepRecord


@dataclass(frozen=True, slots=True)
class _Asked:
    root: Path
    job: str
    start_s: float
    stop_s: float
    after_seq: int
    times: TimeCorrections | None

    def holds(self, sweep: SweepRecord) -> bool:
        return self.start_s <= sweep.started_s < self.stop_s


Found = tuple[int, SweepWithSetup]


def sweep_events(
    root: Path,
    job: str,
    start_s: float,
    stop_s: float,
    *,
    amendments: ChainAmendments | None = None,
    again: FiguresAgain | None = None,
    times: TimeCorrections | None = None,
) -> Iterator[tuple[int, SweepWithSetup]]:
    """Sweeps that start in [start_s, stop_s) with their ordinals, of all steps and setups.

    With ``amendments`` setups are amended, and the sweeps name those; with ``again`` sweeps have
    the figures that were measured again; with ``times`` they have true times, and so has the range.

    Raises:
        ArchiveError: a file cannot be read, or files keep vanishing.
    """
    after_seq, tries = 0, 0
    begun_s: float | None = None
    while tries < RETRIES:
        try:
            for event, found in _one_pass(_Asked(root, job, start_s, stop_s, after_seq, times)):
                after_seq, tries = found.sweep.seq, 0
                if amendments:
                    if found.sweep.step == 0 or begun_s is None:
                        begun_s = found.sweep.started_s
                    found = _amended(found, amendments, begun_s)
                if again is not None:
                    found = SweepWithSetup(found.setup, again.sweep(found.sweep))
                yield event, found
        except FileNotFoundError:
            # Sealed or merged under us: list anew and go on after the last one given.
            tries += 1
            continue
        return
    raise ArchiveError(f"job {job}: files kept vanishing after sweep {after_seq}")


def _amended(found: SweepWithSetup, amendments: ChainAmendments, begun_s: float) -> SweepWithSetup:
    """A sweep of a pass that began at ``begun_s`` with the setup that it is to be read with."""
    setup = amendments.amended(found.setup, begun_s)
    if setup.setup == found.setup.setup:
        return found
    return SweepWithSetup(setup, replace(found.sweep, setup=setup.setup))


def _one_pass(asked: _Asked) -> Iterator[Found]:
    with ExitStack() as stack:
        waiting: list[tuple[int, int, Iterator[Found]]] = []
        order = count()
        for view in stack.enter_context(open_journals(asked.root)):
            first = _first_seq(view, asked)
            if first is not None:
                waiting.append((first, next(order), _of_journal(view, asked)))
        for path, name in list_settled(
            asked.root, asked.job, asked.start_s, asked.stop_s, asked.times
        ):
            if name.last_seq > asked.after_seq:
                first = max(name.first_seq, asked.after_seq + 1)
                waiting.append((first, next(order), _of_file(path, asked)))
        yield from _in_order(sorted(waiting, key=lambda item: item[:2]))


def _first_seq(view: JournalView, asked: _Asked) -> int | None:
    """The first number that a journal may have; None where it has none, or cannot be read."""
    try:
        return view.first_seq(asked.job, after=asked.after_seq)
    except sqlite3.Error as exc:
        error = error_of(exc, view.path)
        if not isinstance(error, ArchiveDamaged):
            raise error from exc
        warn_of(error)
        return None


def _in_order(waiting: list[tuple[int, int, Iterator[Found]]]) -> Iterator[Found]:
    """Merge by sequence number; a source is opened only when its first number is due."""
    waiting.reverse()
    heads: list[tuple[int, int, Found, Iterator[Found]]] = []
    order = count()
    last = 0

    def push(source: Iterator[Found]) -> None:
        head = next(source, None)
        if head is not None:
            heapq.heappush(heads, (head[1].sweep.seq, next(order), head, source))

    while waiting or heads:
        while waiting and (not heads or waiting[-1][0] <= heads[0][0]):
            push(waiting.pop()[2])
        if not heads:
            continue
        seq, _, found, source = heapq.heappop(heads)
        if seq > last:
            last = seq
            yield found
        push(source)


def _of_file(path: Path, asked: _Asked) -> Iterator[Found]:
    """Those that can be read; what cannot is left out, with a warning."""
    try:
        file = SweepFile(path)
    except ArchiveDamaged as exc:
        warn_of_file(path, asked.job, exc)
        return
    with file:
        setup = file.setup()
        start = int(np.searchsorted(file.core("sequence"), asked.after_seq, side="right"))
        for block in readable_rows(file, start, file.count):
            for event, sweep in block.records(setup):
                if asked.times is not None:
                    sweep = asked.times.sweep(sweep)
                if asked.holds(sweep):
                    yield event, SweepWithSetup(setup, sweep)


def _of_journal(view: JournalView, asked: _Asked) -> Iterator[Found]:
    within, edges = within_any("started_s", asked.start_s, asked.stop_s, asked.times)
    select = (
        f"SELECT {SWEEP_COLUMNS} FROM sweep WHERE job = ? AND seq > ? AND {within} "
        f"AND event > {{after}} ORDER BY event"
    )
    setups: dict[tuple[int, str], SetupRecord] = {}
    parameters = (asked.job, asked.after_seq, *edges)
    try:
        for page in pages(view.connection, select, parameters, rows=EVENT_PAGE_ROWS):
            for row in page:
                try:
                    sweep = sweep_of(row)
                except ArchiveDamaged as exc:
                    warn_of(ArchiveDamaged(f"{view.path}: {exc}"))
                    continue
                if asked.times is not None:
                    sweep = asked.times.sweep(sweep)
                if not asked.holds(sweep):
                    continue
                key = (sweep.step, sweep.setup)
                if key not in setups:
                    setups[key] = view.setup(asked.job, *key)
                yield row[0], SweepWithSetup(setups[key], sweep)
    except sqlite3.Error as exc:
        error = error_of(exc, view.path)
        if not isinstance(error, ArchiveDamaged):
            raise error from exc
        warn_of(error)
