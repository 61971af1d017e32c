"""The first pass: the clock and the place of every sweep in all files, and a digest of each file.

Nothing of the levels is read, and of each sweep 40 bytes are kept: so thousands of files are put in
order of time without holding them.
"""

from __future__ import annotations

import os
import re
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.archive.durable import sha256_of
from acqd.errors import AcqdError, ArchiveError, WrongUsage
from acqd.ingest.bad import Bad, BadRow
from acqd.ingest.maps import LogMap
from acqd.ingest.moments import US, Moments, later_of, seconds_text
from acqd.ingest.shape import Shape, shape_of
from acqd.ingest.text import QUOTE, Line, columns_of, first_columns_of, open_log

__all__ = ["Headers", "LogFile", "Scan", "find_files", "scan_files"]

SWEEPS_MOST = 20_000_000
"""Sweeps of one run: 800 MB of their clocks and places. More are ingested in several runs."""
HEADERS_MOST = 4096
FILES_MOST = 1_000_000

Number = TypeVar("Number", np.int64, np.int32)
OnBad = Callable[[Bad], None]
"""Told of each row that cannot be taken; raises where the run is to stop."""
Progress = Callable[[float, str], None]


@dataclass(slots=True, kw_only=True)
class LogFile:
    """One file as it was when it was read. ``lines`` are those of its sweeps, first and last."""

    path: Path
    size_bytes: int
    changed_ns: int
    sha256: str
    lines: tuple[int, int] = (0, 0)
    sweeps: int = 0
    refused: int = 0

    @property
    def name(self) -> str:
        return self.path.name

    def same_as(self, *, by_name: bool) -> object:
        """What two files have alike that hold the same sweeps: where the clock is in the name, two
        files of one content are of two times."""
        return (self.sha256, self.name) if by_name else self.sha256

    def is_unchanged(self) -> bool:
        try:
            now = self.path.stat()
        except OSError:
            return False  # taken away meanwhile
        return (now.st_size, now.st_mtime_ns) == (self.size_bytes, self.changed_ns)


class Headers:
    """Header lines, each once, and what the map makes of them."""

    def __init__(self, told: LogMap) -> None:
        self._told = told
        self._numbers: dict[str | None, int] = {}
        self._shapes: list[Shape] = []

    def number(self, header: str | None) -> int:
        """The number of a header.

        Raises:
            BadRow: it does not fit the map.
            WrongUsage: files of too many kinds.
        """
        known = self._numbers.get(header)
        if known is not None:
            return known
        if len(self._shapes) >= HEADERS_MOST:
            raise WrongUsage(
                f"more than {HEADERS_MOST} different headers in the files; ingest them in parts, "
                f"and see whether `skip`, `comment` and `header` in [file] fit"
            )
        self._shapes.append(shape_of(self._told, header))
        self._numbers[header] = len(self._shapes) - 1
        return self._numbers[header]

    def __getitem__(self, number: int) -> Shape:
        return self._shapes[number]


@dataclass(slots=True)
class Scan:
    """Clocks and places, (sweeps,) each, in the order in which they were read.

    ``at_us`` are microseconds since 1970-01-01T00:00:00Z; offsets and sizes are bytes.
    """

    files: list[LogFile]
    headers: Headers
    at_us: NDArray[np.int64]
    file: NDArray[np.int32]
    offset: NDArray[np.int64]
    size: NDArray[np.int64]
    line: NDArray[np.int32]
    header: NDArray[np.int32]
    known: list[LogFile] = field(default_factory=list)
    """Files that were not read, since all of them is there already."""

    def in_time(self) -> NDArray[np.intp]:
        """Places of the sweeps by their clock; of equal ones the first file's and line's first."""
        return np.lexsort((self.offset, self.file, self.at_us))


def find_files(given: Iterable[str], pattern: str) -> list[Path]:
    """The files that are meant, each once; of a folder those whose names fit ``pattern``.

    Raises:
        WrongUsage: one is not there, or a folder has none.
    """
    found: dict[Path, None] = {}
    for text in given:
        path = Path(os.path.expanduser(text))
        if path.is_dir():
            inside = _inside(path, pattern)
            if not inside:
                raise WrongUsage(
                    f"{path}: no file in this folder fits {pattern!r}; see `files` in [file] of "
                    f"the map"
                )
            found.update(dict.fromkeys(inside))
        elif path.is_file():
            found[path] = None
        elif path.exists():
            raise WrongUsage(f"{path}: no plain file, which is read twice; name logs, or folders")
        else:
            raise WrongUsage(f"{path}: there is no such file; name logs, or folders of them")
        if len(found) > FILES_MOST:
            raise WrongUsage(f"more than {FILES_MOST} files; ingest them in parts")
    return list(found)


def _inside(folder: Path, pattern: str) -> list[Path]:
    try:
        found = [one for one in folder.glob(pattern) if one.is_file()]
    except (ValueError, NotImplementedError) as exc:  # the latter is pathlib's for absolute ones
        raise WrongUsage(
            f"`files` in [file] of the map: {pattern!r} is no pattern of names in a folder: "
            f"{exc}; accepted: one such as *.csv or **/*.csv"
        ) from exc
    return sorted(one for one in found if not one.name.startswith("."))


def scan_files(
    told: LogMap,
    paths: Sequence[Path],
    *,
    now_s: float,
    is_known: Callable[[LogFile], bool],
    on_bad: OnBad,
    progress: Progress | None = None,
) -> Scan:
    """Read the clocks of all files.

    Args:
        now_s: times after it are refused.
        is_known: whether a file needs not be read any more.

    Raises:
        AcqdError: what ``on_bad`` raises, or a file cannot be read.
        WrongUsage: more sweeps than one run takes.
    """
    scanner = _Scanner(told, Moments(told.time, now_s=now_s), on_bad)
    sizes = [_size_bytes(path) for path in paths]
    total, done = max(1, sum(sizes)), 0
    seen: set[object] = set()
    for path, size in zip(paths, sizes, strict=True):
        if progress is not None:
            progress(done / total, f"reading clocks, {path.name}")
        file = _file(path)
        same = file.same_as(by_name=told.time.name is not None)
        if same in seen or is_known(file):
            scanner.known.append(file)
        else:
            seen.add(same)
            scanner.scan(file)
        done += size
    return scanner.result()


def _size_bytes(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0  # taken away meanwhile; reading it says so


def _file(path: Path) -> LogFile:
    try:
        now = path.stat()
        digest = sha256_of(path)
    except OSError as exc:
        raise ArchiveError(f"{path}: cannot be read: {exc.strerror}") from exc
    return LogFile(path=path, size_bytes=now.st_size, changed_ns=now.st_mtime_ns, sha256=digest)


@dataclass(slots=True)
class _Group:
    """The rows of one sweep of the long layout, as far as they were read."""

    key: object
    at_us: int
    offset: int
    line: int
    header: int
    end: int
    begins: str | None
    """What a row of the same clock begins with; None where that cannot be told by the text."""


class _Scanner:
    """Goes through files, one after the other."""

    def __init__(self, told: LogMap, moments: Moments, on_bad: OnBad) -> None:
        self._told = told
        self._moments = moments
        self._on_bad = on_bad
        self._headers = Headers(told)
        self._files: list[LogFile] = []
        self.known: list[LogFile] = []
        self._at_us, self._offset, self._size = array("q"), array("q"), array("q")
        self._file, self._line, self._header = array("i"), array("i"), array("i")
        self._name = None if told.time.name is None else re.compile(told.time.name)
        self._clock_line = None if told.time.line is None else re.compile(told.time.line)

    def result(self) -> Scan:
        return Scan(
            files=self._files,
            headers=self._headers,
            known=self.known,
            at_us=_taken(self._at_us, np.int64),
            file=_taken(self._file, np.int32),
            offset=_taken(self._offset, np.int64),
            size=_taken(self._size, np.int64),
            line=_taken(self._line, np.int32),
            header=_taken(self._header, np.int32),
        )

    def scan(self, file: LogFile) -> None:
        self._files.append(file)
        before = len(self._at_us)
        one = _OneFile(self, file)
        try:
            base_us = self._of_name(file)
            with open_log(file.path, self._told.file) as text:
                one.read(text.lines(), base_us)
        except BadRow as bad:
            self.refuse(file, max(1, one.at_line), bad)
        except AcqdError as exc:
            if not isinstance(exc, ArchiveError):
                raise
            # What was read of it before is as good as it was.
            what = str(exc).removeprefix(f"{file.path}: ")
            self.refuse(file, max(1, one.at_line), BadRow(what, "a file that can be read"))
        one.end()
        file.sweeps = len(self._at_us) - before
        if len(self._at_us) > SWEEPS_MOST:
            raise WrongUsage(
                f"more than {SWEEPS_MOST:,} sweeps in these files; ingest them in parts"
            )

    def refuse(self, file: LogFile, line: int, bad: BadRow) -> None:
        file.refused += 1
        self._on_bad(bad.at(str(file.path), line))

    def _of_name(self, file: LogFile) -> int | None:
        """The clock in a file's name."""
        if self._name is None:
            return None
        match = self._name.search(file.name)
        if match is None:
            raise BadRow(
                f"the file's name does not fit the pattern {self._told.time.name}",
                "a name with a clock in it; see `name` in [time]",
            )
        return self._moments.read(match["time"] or "", is_later=later_of(match))

    def add(self, *, at_us: int, offset: int, size: int, line: int, header: int) -> None:
        self._at_us.append(at_us)
        self._file.append(len(self._files) - 1)
        self._offset.append(offset)
        self._size.append(size)
        self._line.append(line)
        self._header.append(header)

    # -- what one file needs ---------------------------------------------------------------------

    @property
    def told(self) -> LogMap:
        return self._told

    @property
    def moments(self) -> Moments:
        return self._moments

    def clock_line(self, text: str) -> re.Match[str] | None:
        return None if self._clock_line is None else self._clock_line.search(text)

    def header(self, text: str | None) -> tuple[int, Shape]:
        number = self._headers.number(text)
        return number, self._headers[number]


class _OneFile:
    """One file on its way through the scanner."""

    def __init__(self, scanner: _Scanner, file: LogFile) -> None:
        self._scanner, self._file = scanner, file
        self._table, self._time = scanner.told.file, scanner.told.time
        self._sign, self._comment = self._table.sign, self._table.comment
        self._is_long = self._table.layout == "long"
        self._header: str | None = None
        self._first_name = ""
        self._number = -1
        self._shape: Shape | None = None
        self._base_us: int | None = None
        self._rows = 0
        self._before_us: int | None = None
        self._group: _Group | None = None
        self._bad_key: object = None
        self._part = 0
        self.at_line = 0

    def read(self, lines: Iterator[Line | tuple[int, BadRow]], base_us: int | None) -> None:
        self._base_us = base_us
        if not self._table.header:
            self._number, self._shape = self._scanner.header(None)
        for line in lines:
            if not isinstance(line, Line):
                self.at_line, bad = line
                self._scanner.refuse(self._file, self.at_line, bad)
                continue
            self.at_line = line.number
            group = self._group
            if group is not None and self._goes_on(group, line.text):
                group.end = line.offset + line.size
                continue
            try:
                self._take(line)
            except BadRow as bad:
                if self._shape is None:
                    raise
                self._scanner.refuse(self._file, line.number, bad)

    def end(self) -> None:
        """The last sweep of the long layout is whole."""
        group, self._group = self._group, None
        if group is not None:
            self._add(group.at_us, group.offset, group.end - group.offset, group.line, group.header)

    def _goes_on(self, group: _Group, text: str) -> bool:
        """Whether a row is surely one more point of the sweep before it; most are, and need not be
        taken apart. What is not told so is looked at closely."""
        begins = group.begins
        if begins is None or not text.startswith(begins) or QUOTE in text:
            return False
        if begins:
            # The row that it was taken from was neither a header nor a comment.
            return True
        return bool(
            text.strip()
            and not (self._comment and text.startswith(self._comment))
            and not (self._table.header and text.lstrip().startswith(self._first_name))
            and self._scanner.clock_line(text) is None
        )

    def _take(self, line: Line) -> None:
        match = self._scanner.clock_line(line.text)
        if match is not None:
            self._new_clock(match)
            return
        is_comment = self._comment and line.text.startswith(self._comment)
        if line.number <= self._table.skip or is_comment or not line.text.strip():
            return
        if self._table.header and self._is_header(line.text):
            return
        if self._is_long:
            self._point(line)
        else:
            self._sweep(line)

    def _new_clock(self, match: re.Match[str]) -> None:
        """A line with a clock: what comes after it is of that time."""
        self.end()
        self._part += 1
        self._rows, self._base_us = 0, None
        self._base_us = self._scanner.moments.read(
            match["time"] or "", before_us=self._before_us, is_later=later_of(match)
        )

    def _is_header(self, text: str) -> bool:
        """Whether this is the header, also again: loggers write one at each start."""
        if self._header == text:
            return True
        first = columns_of(text, self._sign)[0].strip()
        if self._header is not None and first != self._first_name:
            return False
        self.end()
        # Without one that fits nothing of what comes after it can be told.
        self._header, self._first_name, self._shape = text, first, None
        self._number, self._shape = self._scanner.header(text)
        return True

    def _fields(self, line: Line) -> list[str]:
        """The columns as far as the clock needs them."""
        shape = self._shape
        assert shape is not None
        fields, there = first_columns_of(line.text, self._sign, shape.clock_most)
        if there < shape.most:
            raise BadRow(f"{there} columns", f"at least {shape.most}")
        return fields

    def _sweep(self, line: Line) -> None:
        """A row of the wide layout."""
        row, self._rows = self._rows, self._rows + 1
        fields = self._fields(line)
        assert self._shape is not None
        if self._time.columns:
            at_us = self._of_columns(fields, self._shape)
        else:
            at_us = self._of_base(fields, self._shape, row)
        self._add(at_us, line.offset, line.size, line.number, self._number)

    def _point(self, line: Line) -> None:
        """A row of the long layout: one more point of the sweep, or the first of another."""
        shape = self._shape
        assert shape is not None
        fields = columns_of(line.text, self._sign)
        key: object = self._part
        where = (*shape.time, *(() if shape.after is None else (shape.after,)))
        if where:
            if len(fields) <= max(where):
                raise BadRow(f"{len(fields)} columns", f"at least {shape.most}")
            key = (self._part, *(fields[one] for one in where))
        group = self._group
        if group is not None and group.key == key and group.header == self._number:
            group.end = line.offset + line.size
            return
        self.end()
        if key == self._bad_key:
            return
        try:
            at_us = (
                self._of_columns(fields, shape) if shape.time else self._of_base(fields, shape, 0)
            )
        except BadRow:
            # Told once, not for each of its points.
            self._bad_key = key
            raise
        self._before_us = at_us
        end = line.offset + line.size
        begins = self._beginning(line.text, fields, where)
        self._group = _Group(key, at_us, line.offset, line.number, self._number, end, begins)

    def _beginning(self, text: str, fields: Sequence[str], where: Sequence[int]) -> str | None:
        """What rows of the same clock begin with, where its columns are the first ones."""
        if not where:
            return ""
        count = len(where)
        if self._sign is None or QUOTE in text or set(where) != set(range(count)):
            return None
        begins = self._sign.join(fields[:count]) + self._sign
        # Then a comment could begin like that too.
        return None if self._comment.startswith(begins) else begins

    def _of_columns(self, fields: Sequence[str], shape: Shape) -> int:
        text = " ".join(fields[one].strip() for one in shape.time)
        try:
            return self._scanner.moments.read(text, before_us=self._before_us)
        except BadRow as bad:
            names = " and ".join(str(one) for one in self._time.columns)
            raise BadRow(bad.what, bad.expected, column=names) from None

    def _of_base(self, fields: Sequence[str], shape: Shape, row: int) -> int:
        if self._base_us is None:
            raise BadRow(
                "no clock by now", "a line with one before it; see `line` in [time] of the map"
            )
        at_us = self._base_us
        if shape.after is not None:
            at_us += seconds_text(fields[shape.after], self._time.after_unit)
        elif self._time.row_every_s is not None:
            at_us += row * round(self._time.row_every_s * US)
        return self._scanner.moments.checked(at_us, f"line {self.at_line}")

    def _add(self, at_us: int, offset: int, size: int, line: int, header: int) -> None:
        self._before_us = at_us
        first, _ = self._file.lines
        self._file.lines = (first or line, self.at_line)
        self._scanner.add(at_us=at_us, offset=offset, size=size, line=line, header=header)


def _taken(values: array[int], dtype: type[Number]) -> NDArray[Number]:
    return np.frombuffer(values, dtype=dtype) if len(values) else np.zeros(0, dtype=dtype)
