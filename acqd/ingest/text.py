"""Logs as lines with their places: plain, compressed, in any encoding; and lines as columns.

A line's place is its offset in the text's bytes, so that it can be read again later without those
before it. Of compressed files it is an offset in what they hold, and to go back there costs reading
them from their beginning; files in UTF-16 and UTF-32 are held in the memory.
"""

from __future__ import annotations

import csv
import gzip
import io
import zlib
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO, NamedTuple, cast

from acqd.errors import AcqdError, ArchiveError
from acqd.ingest.bad import BadRow, shown
from acqd.ingest.tables import WIDE_ENCODINGS, FileTable

__all__ = [
    "LINE_MOST_BYTES",
    "QUOTE",
    "Line",
    "LogText",
    "columns_of",
    "first_columns_of",
    "open_log",
]

LINE_MOST_BYTES = 32 << 20
"""A million points of a sweep, and more; a longer line is of no log."""
WIDE_MOST_BYTES = 256 << 20
"""A file in UTF-16 or UTF-32 beyond this is refused."""
QUOTE = '"'
BOM = "\ufeff"


class Line(NamedTuple):
    """One line without its end. ``number`` counts from 1, ``size`` are its bytes with the end.

    A named tuple, for it is made for each of the millions of lines of a night.
    """

    number: int
    offset: int
    size: int
    text: str


class LogText:
    """One open log. Made by :func:`open_log`; a context manager."""

    def __init__(self, path: Path, handle: BinaryIO, table: FileTable, encoding: str) -> None:
        self.path = path
        self._handle = handle
        self._table = table
        self._encoding = encoding

    def __enter__(self) -> LogText:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        self._handle.close()

    def lines(self) -> Iterator[Line | tuple[int, BadRow]]:
        """All lines from the first on; one that cannot be decoded is its number and what is wrong.

        Raises:
            ArchiveError: the file cannot be read on, or is damaged.
        """
        self._handle.seek(0)
        offset = number = 0
        while raw := self._readline():
            number += 1
            try:
                text = self._decoded(raw, first=offset == 0)
            except BadRow as bad:
                yield number, bad
            else:
                yield Line(number, offset, len(raw), text)
            offset += len(raw)

    def block(self, offset: int, size: int) -> list[str]:
        """The lines at a place that :meth:`lines` told, without their ends.

        Raises:
            ArchiveError: the file cannot be read, or is another than it was.
        """
        try:
            self._handle.seek(offset)
            raw = self._handle.read(size)
        except (OSError, EOFError, zlib.error) as exc:
            raise _unreadable(self.path, exc) from exc
        if len(raw) != size:
            raise ArchiveError(f"{self.path}: became shorter while it was read; try again")
        lines = self._decoded(raw, first=offset == 0).split("\n")
        return [line.rstrip("\r") for line in lines]

    def _readline(self) -> bytes:
        try:
            raw = self._handle.readline(LINE_MOST_BYTES + 1)
        except (OSError, EOFError, zlib.error) as exc:
            raise _unreadable(self.path, exc) from exc
        if len(raw) > LINE_MOST_BYTES:
            raise ArchiveError(
                f"{self.path}: a line longer than {LINE_MOST_BYTES >> 20} MiB; this is no log of "
                f"lines"
            )
        return raw

    def _decoded(self, raw: bytes, *, first: bool) -> str:
        try:
            text = raw.decode(self._encoding)
        except UnicodeError as exc:
            where = f"byte {exc.start + 1}" if isinstance(exc, UnicodeDecodeError) else "a byte"
            raise BadRow(
                f"{where} of the line is none of {self._encoding}",
                f"text in {self._encoding}; see `encoding` in [file]",
            ) from None
        if first:
            text = text.removeprefix(BOM)
        return text.rstrip("\r\n")


def open_log(path: Path, table: FileTable) -> LogText:
    """Open a log; what ends in ``.gz`` is unpacked as it is read.

    Raises:
        ArchiveError: it cannot be read.
    """
    try:
        handle = _opened(path)
        if not table.encoding.startswith(WIDE_ENCODINGS):
            return LogText(path, handle, table, table.encoding)
        with handle:
            raw = handle.read(WIDE_MOST_BYTES + 1)
    except (OSError, EOFError, zlib.error) as exc:
        raise _unreadable(path, exc) from exc
    if len(raw) > WIDE_MOST_BYTES:
        raise ArchiveError(
            f"{path}: larger than {WIDE_MOST_BYTES >> 20} MiB in {table.encoding}; "
            f"save it in UTF-8, which is read line by line"
        )
    try:
        text = raw.decode(table.encoding)
    except UnicodeDecodeError as exc:
        raise ArchiveError(
            f"{path}: byte {exc.start + 1} is none of {table.encoding}; see `encoding` in [file]"
        ) from exc
    return LogText(path, io.BytesIO(text.removeprefix(BOM).encode()), table, "utf-8")


def _opened(path: Path) -> BinaryIO:
    if path.suffix.lower() == ".gz":
        return cast(BinaryIO, gzip.open(path, "rb"))
    return path.open("rb")


def _unreadable(path: Path, exc: Exception) -> AcqdError:
    reason = exc.strerror if isinstance(exc, OSError) and exc.strerror else str(exc)
    return ArchiveError(f"{path}: cannot be read: {reason}")


def first_columns_of(text: str, sign: str | None, count: int) -> tuple[list[str], int]:
    """The first ``count`` columns of a line, maybe more, and how many it has in all.

    Raises:
        BadRow: a quote that is not closed.
    """
    if sign is None or QUOTE in text:
        whole = columns_of(text, sign)
        return whole, len(whole)
    return text.split(sign, count), text.count(sign) + 1


def columns_of(text: str, sign: str | None) -> list[str]:
    """The columns of a line; quotes are those of CSV, and spaces around columns stay.

    Raises:
        BadRow: a quote that is not closed.
    """
    if QUOTE not in text:
        return text.split() if sign is None else text.split(sign)
    try:
        (row,) = csv.reader(
            [text], delimiter=" " if sign is None else sign, strict=True, skipinitialspace=True
        )
    except (csv.Error, ValueError) as exc:
        raise BadRow(f"{shown(text)}: {exc}", "columns with quotes closed") from None
    return [part for part in row if part] or [""] if sign is None else row
