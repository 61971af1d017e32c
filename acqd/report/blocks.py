"""The sweeps of a job in a range, read a block at a time, however many they are.

What is known of each sweep but its levels is held for all of them: a few dozen bytes a sweep.
Levels and summaries are read as they are asked for, some megabytes of them, and forgotten again.
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.amendments import recorded_digest
from acqd.archive.damage import readable_rows
from acqd.archive.database import error_of, pages
from acqd.archive.index import RETRIES, Piece, Wanted, find_pieces
from acqd.archive.journal import JournalView
from acqd.archive.records import SetupRecord
from acqd.archive.rows import Rows
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import SWEEP_COLUMNS
from acqd.errors import ArchiveDamaged, ArchiveError
from acqd.sweep import Grid

__all__ = ["Block", "SweepIndex", "SweepReader"]

Float = NDArray[np.float64]
Int = NDArray[np.int64]

BLOCK_BYTES = 8 << 20
"""Of levels in float64 that a block holds at most, if that is more than one sweep."""

ROWS_MOST = 2048
"""Sweeps in a block at most: a summary has some kilobytes too."""

Progress = Callable[[int, int, str], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepIndex:
    """All sweeps of one step in the range by rising number, but for their levels.

    Arrays are (sweeps,). ``setup`` are places in ``setups``, which are in the order of their first
    sweep. ``columns`` hold NaN where a sweep has no such column; empty arrays where there is no
    sweep.
    """

    step: int
    seq: Int
    started_s: Float
    due_s: Float
    took_s: Float
    flags: NDArray[np.int32]
    pass_id: Int
    setup: NDArray[np.intp]
    setups: tuple[SetupRecord, ...]
    columns: Mapping[str, Float] = field(default_factory=dict)
    corrected: Int | None = None
    """The number of the correction of the clock that each sweep's times are by, 0 for none."""

    def __len__(self) -> int:
        return int(self.seq.size)

    def column(self, name: str) -> Float:
        """A column of the summaries; NaN all over where no sweep has it."""
        found = self.columns.get(name)
        return np.full(len(self), np.nan) if found is None else found


@dataclass(frozen=True, slots=True, kw_only=True)
class Block:
    """Sweeps of one setup that follow each other, with their levels at the reference plane.

    ``level`` is (sweeps, points) in rising order of frequency, float64, complex128 for ratios, NaN
    where the sweeper gave nothing. ``place`` are places in the :class:`SweepIndex`.
    """

    setup: SetupRecord
    frequency_hz: Float
    place: NDArray[np.intp]
    seq: Int
    started_s: Float
    took_s: Float
    flags: NDArray[np.int32]
    level: NDArray[Any]
    columns: Mapping[str, Float]
    summaries: tuple[bytes | None, ...]

    def __len__(self) -> int:
        return int(self.seq.size)

    def column(self, name: str) -> Float:
        """A column of the summaries, NaN where a sweep has none of that name."""
        found = self.columns.get(name)
        return np.full(len(self), np.nan) if found is None else found

    def summary(self, at: int) -> Mapping[str, Any] | None:
        """The summary of a sweep, parsed; None where it has none."""
        text = self.summaries[at]
        found: Mapping[str, Any] | None = None if text is None else json.loads(text)
        return found

    def figures(self, name: str) -> Float:
        """A number that each summary has under ``name``, found without parsing all the rest.

        true and false are 1 and 0; NaN where there is none, or it is null. The first of that name
        counts, at whatever depth: ask for names that a summary has once.
        """
        pattern = _number_called(name)
        return np.array([_number(pattern.search(text or b"")) for text in self.summaries])


@cache
def _number_called(name: str) -> re.Pattern[bytes]:
    return re.compile(rb'"' + re.escape(name.encode()) + rb'":\s*(true|false|-?[0-9][0-9.eE+-]*)')


def _number(found: re.Match[bytes] | None) -> float:
    if found is None:
        return np.nan
    word = found.group(1)
    return float(word) if word not in (b"true", b"false") else float(word == b"true")


class SweepReader:
    """Sweeps of one job and step that start in [start_s, stop_s)."""

    def __init__(self, wanted: Wanted) -> None:
        """Finds them all; reads no levels.

        Raises:
            ArchiveError: a file cannot be read.
        """
        self._wanted = wanted
        self._pieces = find_pieces(wanted)
        self._grids: dict[str, tuple[Grid, Float | None]] = {}
        self.index = _index_of(wanted.step, self._pieces)

    def files(self) -> list[tuple[Path, bool]]:
        """Where the sweeps lie, and whether that is a journal, which no digest is kept of yet."""
        found = {piece.path: piece.is_journal for piece in self._pieces}
        return sorted(found.items())

    def blocks(
        self, *, only: Collection[int] | None = None, progress: Progress | None = None
    ) -> Iterator[Block]:
        """The sweeps, setup by setup, within each by rising number; each once.

        Args:
            only: these numbers and no others.
            progress: told how many are done, of how many, and what is going on.

        Raises:
            ArchiveError: files kept vanishing, as they do while they are sealed.
        """
        index = self.index
        left = index.seq if only is None else np.intersect1d(index.seq, np.array([*only], "i8"))
        total, done = int(left.size), 0
        for number, setup in enumerate(index.setups):
            mine = np.intersect1d(left, index.seq[index.setup == number])
            for block in self._blocks_of(setup, mine):
                yield block
                done += len(block)
                if progress is not None:
                    progress(done, total, "reading sweeps")

    def _blocks_of(self, setup: SetupRecord, wanted: Int) -> Iterator[Block]:
        tries = 0
        while wanted.size and tries < RETRIES:
            try:
                for rows in self._rows_of(setup, wanted):
                    yield self._block(setup, rows)
                    wanted, tries = wanted[~np.isin(wanted, rows.core["sequence"])], 0
                return
            except FileNotFoundError:
                # Sealed or merged under us: they are in another file now, under their numbers.
                self._pieces = find_pieces(self._wanted)
                tries += 1
        if wanted.size:
            raise ArchiveError(
                f"job {self._wanted.job}: files kept vanishing while they were read; is something "
                f"else removing files from the archive?"
            )

    def _rows_of(self, setup: SetupRecord, wanted: Int) -> Iterator[Rows]:
        for piece in self._pieces:
            if piece.setup.setup != setup.setup:
                continue
            where = np.flatnonzero(np.isin(piece.sequence, wanted))
            if where.size:
                at_once = _rows_at_once(setup.frequency_hz.size)
                take = _of_journal if piece.is_journal else _of_file
                yield from take(piece, piece.place[where], at_once)

    def _block(self, setup: SetupRecord, rows: Rows) -> Block:
        grid, gain_db = self._grid(setup)
        core = rows.core
        columns, summaries = rows.columns, list(rows.summary)
        if (again := self._wanted.again) is not None:
            columns = again.columns(columns, core["sequence"])
            summaries = again.summaries(summaries, core["sequence"])
        place = np.searchsorted(self.index.seq, core["sequence"])
        return Block(
            setup=setup,
            frequency_hz=grid.frequency_hz,
            place=place,
            seq=core["sequence"],
            # In true time, where the clock was corrected.
            started_s=self.index.started_s[place],
            took_s=core["duration"],
            flags=core["flags"],
            level=_at_plane(rows.level, grid, gain_db),
            columns=columns,
            summaries=tuple(summaries),
        )

    def _grid(self, setup: SetupRecord) -> tuple[Grid, Float | None]:
        if setup.setup not in self._grids:
            grid = Grid.from_axis(setup.frequency_hz)
            gain_db = setup.chain_gain_db
            rising = None if gain_db is None else np.asarray(grid.rising(gain_db), np.float64)
            self._grids[setup.setup] = grid, rising
        return self._grids[setup.setup]


def _rows_at_once(points: int) -> int:
    return max(1, min(ROWS_MOST, BLOCK_BYTES // (8 * max(1, points))))


def _at_plane(level: NDArray[Any], grid: Grid, gain_db: Float | None) -> NDArray[Any]:
    """(sweeps, points) levels with the chain taken out, rising; a chain has no phase."""
    kind = np.complex128 if np.iscomplexobj(level) else np.float64
    plane = level.astype(kind)
    if grid.order is not None:
        plane = plane[:, grid.order]
    if gain_db is not None:
        if kind is np.complex128:
            plane *= 10.0 ** (-gain_db / 20.0)
        else:
            plane -= gain_db
    return plane


def _of_file(piece: Piece, places: Int, at_once: int) -> Iterator[Rows]:
    """Rows of a file, whole chunks at a time, since a chunk is inflated as a whole."""
    with SweepFile(piece.path) as file:
        step = max(1, at_once // file.chunk_rows) * file.chunk_rows
        for first, last in _runs_of(places // step):
            some = places[first:last]
            start, stop = int(some[0]), int(some[-1]) + 1
            try:
                rows = file.rows(start, stop)
            except ArchiveDamaged:
                yield from _rest_of(file, start, stop, some)
                continue
            yield rows if stop - start == some.size else rows.select(some - start)


def _rest_of(file: SweepFile, start: int, stop: int, some: Int) -> Iterator[Rows]:
    """Rows at ``some`` places from ``start`` to ``stop``, without those that cannot be read."""
    sequence = file.core("sequence")
    for rows in readable_rows(file, start, stop):
        at = int(np.searchsorted(sequence, rows.core["sequence"][0]))
        here = some[(some >= at) & (some < at + rows.count)] - at
        if here.size:
            yield rows.select(here)


def _runs_of(owner: Int) -> Iterator[tuple[int, int]]:
    """First and one-behind-last place of each run of equal values."""
    edges = [0, *(np.flatnonzero(np.diff(owner)) + 1).tolist(), owner.size]
    yield from pairwise(edges)


def _of_journal(piece: Piece, events: Int, at_once: int) -> Iterator[Rows]:
    setup = piece.setup
    select = (
        f"SELECT {SWEEP_COLUMNS} FROM sweep WHERE job = ? AND step = ? AND setup = ? AND tag = ? "
        f"AND event >= ? AND event <= ? AND event > {{after}} ORDER BY event"
    )
    kept = recorded_digest(setup)
    known = (setup.job, setup.step, kept, piece.tag, int(events[0]), int(events[-1]))
    size = min(at_once, 256)
    with closing(JournalView(piece.path)) as view:
        try:
            for page in pages(view.connection, select, known, rows=size):
                rows = Rows.from_sql(page, tag=piece.tag, points=setup.frequency_hz.size)
                yield rows.select(np.isin(rows.core["event"], events))
        except sqlite3.Error as exc:
            if not piece.path.exists():
                raise FileNotFoundError(piece.path) from exc
            raise error_of(exc, piece.path) from exc


def _index_of(step: int, pieces: list[Piece]) -> SweepIndex:
    setups: dict[str, SetupRecord] = {}
    for piece in pieces:
        setups.setdefault(piece.setup.setup, piece.setup)
    numbers = {setup: number for number, setup in enumerate(setups)}
    owner = [np.full(piece.place.size, numbers[piece.setup.setup]) for piece in pieces]
    seq = _joined([piece.sequence for piece in pieces], np.int64)
    order = np.argsort(seq, kind="stable")

    def core(name: str, kind: Any) -> NDArray[Any]:
        return _joined([piece.core[name] for piece in pieces], kind)[order]

    names = dict.fromkeys(name for piece in pieces for name in piece.columns)
    columns = {
        name: _joined(
            [piece.columns.get(name, np.full(piece.place.size, np.nan)) for piece in pieces],
            np.float64,
        )[order]
        for name in names
    }
    return SweepIndex(
        step=step,
        seq=seq[order],
        started_s=core("time", np.float64),
        due_s=core("due", np.float64),
        took_s=core("duration", np.float64),
        flags=core("flags", np.int32),
        pass_id=core("pass", np.int64),
        setup=_joined(owner, np.intp)[order],
        setups=tuple(setups.values()),
        columns=columns,
        corrected=_corrected_by(pieces, order),
    )


def _corrected_by(pieces: list[Piece], order: NDArray[np.intp]) -> Int | None:
    if all(piece.corrected is None for piece in pieces):
        return None
    return _joined(
        [
            np.zeros(piece.place.size) if (one := piece.corrected) is None else one.number
            for piece in pieces
        ],
        np.int64,
    )[order]


def _joined(parts: list[NDArray[Any]], kind: Any) -> NDArray[Any]:
    return np.concatenate(parts).astype(kind) if parts else np.empty(0, dtype=kind)
