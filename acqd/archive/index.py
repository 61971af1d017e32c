"""Which sweeps there are, and where each lies: volume, segment or journal.

A station may be writing. Journals are therefore looked at first: what is sealed meanwhile is found
a second time in a segment and taken once, instead of being missed in both. A file that is gone
between listing and opening was sealed or merged meanwhile: then everything is listed anew. What is
damaged is left out, with a warning (:mod:`acqd.archive.damage`).
"""

from __future__ import annotations

import copy
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.archive.again import FiguresAgain
from acqd.archive.amendments import ChainAmendments
from acqd.archive.damage import broken_rows, levels_or_nan, warn_of, warn_of_file
from acqd.archive.database import error_of, pages, plain_text
from acqd.archive.hops import HopTable
from acqd.archive.journal import JournalView
from acqd.archive.layout import (
    DAY_S,
    FileKind,
    FileName,
    day_start_s,
    list_days,
    list_files,
    list_journals,
)
from acqd.archive.records import SetupRecord
from acqd.archive.rows import CORE, SQL_CORE, columns_from
from acqd.archive.sweepfile import SweepFile
from acqd.archive.tables import NO_SENSE, TAGS
from acqd.archive.timing import Corrected, TimeCorrections
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = [
    "Piece",
    "Wanted",
    "find_pieces",
    "list_range",
    "list_settled",
    "open_journals",
    "read_levels",
    "retried",
    "within_any",
]

RETRIES = 20
"""Listings until a busy archive holds still: each try means a file was sealed or merged in it."""

PASS_MOST_S = 6 * 3600.0
"""How long before a later step of a pass its first sweep is looked for."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Sweeps of a job that start in [start_s, stop_s), of one step; of one setup or of all.

    ``setup`` is a digest as it was recorded. With ``amendments`` pieces have amended setups, with
    ``again`` figures that were measured again. With ``times`` the range, and the times in what is
    found, are true times; without, those of the station's clock.
    """

    root: Path
    job: str
    start_s: float = -np.inf
    stop_s: float = np.inf
    step: int = 0
    setup: str | None = None
    amendments: ChainAmendments | None = field(default=None, compare=False)
    again: FiguresAgain | None = field(default=None, compare=False)
    times: TimeCorrections | None = field(default=None, compare=False)


@dataclass(slots=True)
class Piece:
    """Sweeps of one setup in one file or journal.

    ``place`` is the row in a file, the ordinal in a journal; one a sweep, like everything else.
    """

    path: Path
    is_journal: bool
    setup: SetupRecord
    tag: str
    place: NDArray[np.int64]
    core: dict[str, NDArray[Any]]
    run: NDArray[Any]
    boot: NDArray[Any]
    columns: dict[str, NDArray[np.float64]]
    hops: HopTable | None
    corrected: Corrected | None = None
    """By how much the times of its sweeps were moved; None for those that were not."""

    @property
    def sequence(self) -> NDArray[np.int64]:
        return self.core["sequence"]

    def keep(self, where: NDArray[Any]) -> None:
        """Leave out all sweeps but those at ``where``."""
        if self.hops is not None:
            self.hops = self.hops.select(np.arange(self.place.size)[where])
        self.place = self.place[where]
        self.core = {name: values[where] for name, values in self.core.items()}
        self.run, self.boot = self.run[where], self.boot[where]
        self.columns = {name: values[where] for name, values in self.columns.items()}
        if self.corrected is not None:
            moved = self.corrected
            self.corrected = Corrected(moved.shift_s[where], moved.number[where])

    def move(self, times: TimeCorrections) -> None:
        """Give its sweeps, their due times and their hops the true times."""
        moved = times.of_sweeps(self.boot, self.core["monotonic"], self.core["time"])
        if moved is None:
            return
        self.corrected = moved
        self.core["time"] = self.core["time"] + moved.shift_s
        self.core["due"] = self.core["due"] + moved.shift_s
        if self.hops is not None:
            table = self.hops.table.copy()
            table["started"] += np.repeat(moved.shift_s, self.hops.count)
            self.hops = HopTable(self.hops.count, table)


def retried(what: str, attempt: Callable[[], T]) -> T:
    """``attempt`` until no file vanishes under it.

    Raises:
        ArchiveError: the archive would not hold still.
    """
    for _ in range(RETRIES):
        try:
            return attempt()
        except FileNotFoundError:
            continue
    raise ArchiveError(
        f"{what}: files kept vanishing while they were read ({RETRIES} tries); "
        f"is something else removing files from the archive?"
    )


@contextmanager
def open_journals(root: Path) -> Iterator[list[JournalView]]:
    """Every journal there is, open; they can be read to the end also if they are sealed meanwhile.

    One that is damaged is left out, with a warning.

    Raises:
        ArchiveError: a journal cannot be read.
    """
    views = retried(str(root), lambda: _open_once(root))
    try:
        yield views
    finally:
        for view in views:
            view.close()


def _open_once(root: Path) -> list[JournalView]:
    views: list[JournalView] = []
    try:
        for path in list_journals(root):
            view = JournalView(path)
            views.append(view)
            # The first look opens the log too. If the file is still there after it, log and file
            # belong together, and both stay readable for as long as they are open.
            try:
                whole = view.begun()
            except ArchiveDamaged as exc:
                if path.exists():
                    warn_of(exc)
                whole = False
            if not path.exists():
                raise FileNotFoundError(path)
            if not whole:
                views.pop().close()
    except BaseException as exc:
        for view in views:
            view.close()
        if isinstance(exc, ArchiveError) and views and not views[-1].path.exists():
            raise FileNotFoundError(views[-1].path) from exc
        raise
    return views


def list_range(
    root: Path, job: str, start_s: float, stop_s: float, times: TimeCorrections | None = None
) -> list[tuple[Path, FileName]]:
    """Files of the days that a range of time touches, volumes of each day first.

    With ``times`` it is a range of true time, and the days are those that clocks showed in it.
    """
    spans = [(start_s, stop_s)] if times is None else times.shown_spans(start_s, stop_s)
    found = []
    for day in list_days(root, job):
        day_s = day_start_s(day)
        if any(day_s + DAY_S > low_s and day_s < high_s for low_s, high_s in spans):
            found += list_files(root, job, day)
    return found


def find_pieces(wanted: Wanted) -> list[Piece]:
    """All sweeps wanted, each once, ordered by the first sequence number of a piece.

    Raises:
        ArchiveError: the archive would not hold still.
    """
    pieces = retried(f"job {wanted.job}", lambda: _find_once(wanted))
    if wanted.amendments and pieces:
        pieces = _amended(pieces, wanted)
    if wanted.again is not None:
        for piece in pieces:
            piece.columns = wanted.again.columns(piece.columns, piece.sequence)
    return pieces


def _amended(pieces: list[Piece], wanted: Wanted) -> list[Piece]:
    """The pieces with amended setups, each cut where what its sweeps go by changes."""
    assert wanted.amendments is not None
    begun_s = _pass_starts(wanted)
    found = []
    for piece in pieces:
        for setup, mask in wanted.amendments.split(piece.setup, begun_s(piece)):
            part = piece if mask.all() else copy.copy(piece)
            if part is not piece:
                part.keep(mask)
            part.setup = setup
            found.append(part)
    return sorted(found, key=lambda piece: int(piece.sequence[0]))


def _pass_starts(wanted: Wanted) -> Callable[[Piece], NDArray[np.float64]]:
    """When the passes of a piece's sweeps began: with the last sweep of step 0 before each, itself
    included; where none is kept each sweep goes by itself."""
    if wanted.step == 0 or not (wanted.amendments and wanted.amendments.is_bounded):
        return lambda piece: piece.core["time"]
    first = find_pieces(
        Wanted(
            root=wanted.root,
            job=wanted.job,
            start_s=wanted.start_s - PASS_MOST_S,
            stop_s=wanted.stop_s,
            times=wanted.times,
        )
    )
    if not first:
        return lambda piece: piece.core["time"]
    seq = np.concatenate([piece.sequence for piece in first])
    order = np.argsort(seq)
    seq, time_s = seq[order], np.concatenate([piece.core["time"] for piece in first])[order]

    def begun_s(piece: Piece) -> NDArray[np.float64]:
        before = np.searchsorted(seq, piece.sequence, side="right") - 1
        return np.where(before >= 0, time_s[before], piece.core["time"])

    return begun_s


def _find_once(wanted: Wanted) -> list[Piece]:
    late: list[Piece] = []
    with open_journals(wanted.root) as views:
        for view in views:
            try:
                late += _pieces_of_journal(view, wanted)
            except ArchiveDamaged as exc:
                warn_of(exc)
    listed = list_settled(wanted.root, wanted.job, wanted.start_s, wanted.stop_s, wanted.times)
    pieces: list[Piece] = []
    seen: dict[str, list[NDArray[np.int64]]] = {}
    for path, name in listed:
        if name.step != wanted.step:
            continue
        try:
            piece = _piece_of_file(path, wanted)
        except ArchiveDamaged as exc:
            warn_of_file(path, wanted.job, exc)
            continue
        if piece is not None:
            _take(piece, pieces, seen)
    for piece in late:
        _take(piece, pieces, seen)
    return sorted(pieces, key=lambda piece: int(piece.sequence[0]))


def list_settled(
    root: Path, job: str, start_s: float, stop_s: float, times: TimeCorrections | None = None
) -> list[tuple[Path, FileName]]:
    """A listing in which no merge was missed halfway: two in a row that agree on the volumes."""
    listed = list_range(root, job, start_s, stop_s, times)
    for _ in range(RETRIES):
        again = list_range(root, job, start_s, stop_s, times)
        if _volumes(again) == _volumes(listed):
            return again
        listed = again
    return listed


def _volumes(listed: list[tuple[Path, FileName]]) -> list[Path]:
    return [path for path, name in listed if name.kind == FileKind.VOLUME]


def _take(piece: Piece, pieces: list[Piece], seen: dict[str, list[NDArray[np.int64]]]) -> None:
    """Add what of a piece no earlier one has."""
    earlier = seen.setdefault(piece.setup.setup, [])
    for sequence in earlier:
        if sequence[0] <= piece.sequence[-1] and piece.sequence[0] <= sequence[-1]:
            piece.keep(~np.isin(piece.sequence, sequence))
            if not piece.place.size:
                return
    earlier.append(piece.sequence)
    pieces.append(piece)


def _piece_of_file(path: Path, wanted: Wanted) -> Piece | None:
    with SweepFile(path) as file:
        if wanted.setup is not None and file.attribute("setup") != wanted.setup:
            return None
        time, boot = file.core("time"), file.names_of("boot")
        if wanted.times is not None:
            moved = wanted.times.of_sweeps(boot, file.core("monotonic"), time)
            time = time if moved is None else time + moved.shift_s
        inside = (time >= wanted.start_s) & (time < wanted.stop_s)
        if (broken := broken_rows(path, file.count)) is not None:
            inside &= ~broken
        where = np.flatnonzero(inside)
        if not where.size:
            return None
        run = file.names_of("run")
        hops = file.hops()
        piece = Piece(
            path=path,
            is_journal=False,
            setup=file.setup(),
            tag=file.tag,
            place=where.astype(np.int64),
            core={name: file.core(name)[where] for name in CORE},
            run=run[where],
            boot=boot[where],
            columns={name: values[where] for name, values in file.columns().items()},
            hops=None if hops is None else hops.select(where),
        )
        if wanted.times is not None:
            piece.move(wanted.times)
        return piece


def within_any(
    column: str, start_s: float, stop_s: float, times: TimeCorrections | None
) -> tuple[str, tuple[float, ...]]:
    """A condition in SQL, and its parameters: a time that was recorded can be in a range of true
    time, or of the clock's where there are no corrections."""
    spans = [(start_s, stop_s)] if times is None else times.shown_spans(start_s, stop_s)
    terms = " OR ".join(f"({column} >= ? AND {column} < ?)" for _ in spans)
    return f"({terms})", tuple(edge for span in spans for edge in span)


def _pieces_of_journal(view: JournalView, wanted: Wanted) -> list[Piece]:
    within, edges = within_any("started_s", wanted.start_s, wanted.stop_s, wanted.times)
    select = (
        f"SELECT {', '.join(SQL_CORE.values())}, setup, tag, run_id, boot_id, columns, hops "
        f"FROM sweep WHERE job = ? AND step = ? AND {within} "
        f"AND (? IS NULL OR setup = ?) AND event > {{after}} ORDER BY event"
    )
    parameters = (wanted.job, wanted.step, *edges, wanted.setup, wanted.setup)
    try:
        groups: dict[tuple[str, str], list[Any]] = {}
        for page in pages(view.connection, select, parameters):
            for row in page:
                groups.setdefault((row[-6], row[-5]), []).append(row)
        found = []
        for (setup, tag), group in groups.items():
            try:
                if tag not in TAGS:
                    raise ArchiveDamaged(f"levels of a type {tag!r} that there is not")
                record = view.setup(wanted.job, wanted.step, setup)
                found.append(_piece_of_rows(view.path, record, tag, group))
            except (ArchiveDamaged, *NO_SENSE) as exc:
                said = f"{view.path}: {len(group)} sweeps whose values make no sense"
                warn_of(ArchiveDamaged(f"{said} ({plain_text(exc)})"))
    except sqlite3.Error as exc:
        raise error_of(exc, view.path) from exc
    if wanted.times is not None:
        for piece in found:
            piece.move(wanted.times)
            time = piece.core["time"]
            piece.keep((time >= wanted.start_s) & (time < wanted.stop_s))
    return [piece for piece in found if piece.place.size]


def _piece_of_rows(path: Path, setup: SetupRecord, tag: str, rows: list[Any]) -> Piece:
    core = {
        name: np.array([np.nan if r[i] is None else r[i] for r in rows], dtype=CORE[name])
        for i, name in enumerate(SQL_CORE)
    }
    return Piece(
        path=path,
        is_journal=True,
        setup=setup,
        tag=tag,
        place=core["event"],
        core=core,
        run=np.array([row[-4] for row in rows], dtype=object),
        boot=np.array([row[-3] for row in rows], dtype=object),
        columns=columns_from([row[-2] for row in rows]),
        hops=HopTable.from_blobs([row[-1] for row in rows]),
    )


def read_levels(piece: Piece, which: NDArray[np.int64], out: NDArray[Any]) -> None:
    """Canonical levels of the sweeps ``which`` of a piece into ``out``, (which, points); NaN, with
    a warning, where a block of them cannot be read.

    Raises:
        FileNotFoundError: it has been sealed or merged meanwhile.
    """
    place = piece.place[which]
    if not piece.is_journal:
        with SweepFile(piece.path) as file:
            levels_or_nan(file, place, out)
        return
    with closing(JournalView(piece.path)) as view:
        for row, event in enumerate(place.tolist()):
            try:
                out[row] = _journal_level(view, piece, event)
            except ArchiveDamaged as exc:
                out[row] = np.nan
                warn_of(exc)


def _journal_level(view: JournalView, piece: Piece, event: int) -> NDArray[Any]:
    """Levels of one sweep of a journal.

    Raises:
        FileNotFoundError: it has been sealed meanwhile.
        ArchiveDamaged: they cannot be read.
    """
    try:
        found = view.connection.execute(
            "SELECT level FROM sweep WHERE event = ?", (event,)
        ).fetchone()
    except sqlite3.Error as exc:
        if not piece.path.exists():
            raise FileNotFoundError(piece.path) from exc
        raise error_of(exc, piece.path) from exc
    if found is None:
        raise FileNotFoundError(piece.path)
    points = piece.setup.frequency_hz.size
    if len(found[0]) != points * np.dtype(piece.tag).itemsize:
        raise ArchiveDamaged(f"{piece.path}: a sweep has {len(found[0])} bytes of levels")
    return np.frombuffer(found[0], dtype=piece.tag)
