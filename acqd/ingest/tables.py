"""The tables of a map: how a log is written, told so that it can be read."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Annotated, ClassVar, Literal

from pydantic import AfterValidator, BeforeValidator, Field

from acqd.config.models import SweeperTable, TimeZoneName, TopicLevel
from acqd.config.quantity import DURATION, FREQUENCY, Frequency, Quantity, refusal
from acqd.config.tables import AtMostOne, Count, KeyRule, Misfit, Switch, Table, Together

__all__ = [
    "FORMATS",
    "TABLES",
    "WIDE_ENCODINGS",
    "ContextColumn",
    "FileTable",
    "FrequencyTable",
    "GapsTable",
    "LevelTable",
    "LoggedSweeperTable",
    "LogsTable",
    "ReferenceTable",
    "SettingsTable",
    "TimeTable",
]

SEPARATORS = {"comma": ",", "semicolon": ";", "tab": "\t", "space": None, "bar": "|"}
"""Words for separators; a space means any run of spaces and tabs."""

WIDE_ENCODINGS = ("utf-16", "utf-32", "utf16", "utf32", "utf_16", "utf_32")
"""Encodings in which a line's end is not one byte; files in them are read into the memory."""

GRID_MOST = 1_000_000
"""Points of a grid in a map, as of one sweep."""


def _pattern(text: str) -> str:
    accepted = "a regular expression with one group named time, such as '_(?P<time>\\d{8}T\\d{6})'"
    try:
        groups = re.compile(text).groupindex
    except re.error as exc:
        raise refusal(f"not a regular expression: {exc}", accepted=accepted) from exc
    if "time" not in groups:
        raise refusal("no group is named time", accepted=accepted)
    return text


def _format(text: str) -> str:
    accepted = (
        '"iso", "epoch s", "epoch ms", "epoch us", "day number", or fields such as '
        '"%d.%m.%Y %H:%M:%S"'
    )
    if text in FORMATS:
        return text
    if "%" not in text:
        raise refusal("not a format of times", accepted=accepted)
    try:
        told = datetime(2026, 3, 14, 21, 5, 7, tzinfo=UTC).strftime(text)
        again = datetime.strptime(told, text)
    except ValueError as exc:
        raise refusal(f"not a format of times: {exc}", accepted=accepted) from exc
    if (again.year, again.month, again.day) != (2026, 3, 14):
        raise refusal("a format without a whole date", accepted=accepted)
    return text


FORMATS = ("iso", "epoch s", "epoch ms", "epoch us", "day number")
"""Formats that have a name; all others are made of the fields of strptime."""


def _encoding(text: str) -> str:
    try:
        name = codecs.lookup(text).name
        # Python also calls base64 and its like so, which make no text.
        b"at,1".decode(name)
        return name
    except UnicodeDecodeError:
        return name
    except (LookupError, UnicodeError) as exc:
        accepted = 'an encoding that Python knows, such as "utf-8", "cp1252" or "utf-16"'
        raise refusal("unknown encoding", accepted=accepted) from exc


def _separator(text: str) -> str:
    if text not in SEPARATORS and (len(text) != 1 or text.isalnum() or text in "\"'.+-"):
        words = ", ".join(f'"{word}"' for word in SEPARATORS)
        raise refusal("not a separator", accepted=f"one sign, or one of {words}")
    return text


def _column(given: object) -> object:
    if isinstance(given, bool) or not isinstance(given, str | int) or given in ("", 0):
        accepted = "a column's name in quotes, or its number from 1"
        raise refusal("not a column", accepted=accepted)
    if isinstance(given, int) and given < 1:
        raise refusal("not a column", accepted="columns are counted from 1")
    return given


def _as_list(given: object) -> object:
    return [given] if isinstance(given, str | int) and not isinstance(given, bool) else given


Column = Annotated[str | int, BeforeValidator(_column)]
"""A column by its name in the header, or by its number from 1."""
Columns = Annotated[tuple[Column, ...], BeforeValidator(_as_list), Field(max_length=8)]
Interval = Annotated[float, Quantity(dimension=DURATION, at_least="1 ms", at_most="31 d")]


class LogsTable(Table):
    """``[logs]``: whose logs they are."""

    name: TopicLevel = "logs"
    title: str = Field(default="", max_length=200)


class FileTable(Table):
    """``[file]``: the text itself."""

    layout: Literal["wide", "long"] = Field(description='"wide" or "long"')
    files: str = Field(default="*", min_length=1, max_length=200)
    encoding: Annotated[str, AfterValidator(_encoding)] = "utf-8"
    separator: Annotated[str, AfterValidator(_separator)] = "comma"
    decimal: Literal[".", ","] = "."
    comment: str = Field(default="#", max_length=16)
    skip: Annotated[Count, Field(ge=0, le=100_000)] = 0
    header: Switch = True

    def misfits(self) -> Iterator[Misfit]:
        if self.decimal == "," and self.sign == ",":
            yield Misfit(
                key="decimal",
                problem="a comma cannot both part columns and begin decimals",
                accepted='another `separator`, such as "semicolon"',
            )

    @property
    def sign(self) -> str | None:
        """What parts columns; None for any run of spaces."""
        return SEPARATORS.get(self.separator, self.separator)


class TimeTable(Table):
    """``[time]``: where the clock of a sweep stands, and what it means."""

    zone: TimeZoneName = Field(description='where the clock was, such as "Europe/Dublin" or "UTC"')
    format: Annotated[str, AfterValidator(_format)] = "iso"
    columns: Columns = ()
    name: Annotated[str, AfterValidator(_pattern)] | None = None
    line: Annotated[str, AfterValidator(_pattern)] | None = None
    after_column: Column | None = None
    after_unit: Literal["s", "ms", "us", "min", "h"] = "s"
    row_every_s: Interval | None = Field(default=None, alias="row_every")
    ambiguous: Literal["refuse", "earlier", "later", "order"] = "refuse"
    synchronised: Switch = False

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("columns", "name", "line")),
        AtMostOne(("columns", "after_column", "row_every")),
    )

    def misfits(self) -> Iterator[Misfit]:
        if not self.columns and self.name is None and self.line is None:
            yield Misfit(
                key="",
                problem="nothing says where the clock stands",
                accepted="`columns` (in each row), `name` (in the file's name) or `line` "
                "(in a line of its own)",
            )


def _grid_list(given: object) -> object:
    if isinstance(given, list) and len(given) > GRID_MOST:
        raise refusal("too many frequencies", accepted=f"at most {GRID_MOST}")
    return given


class FrequencyTable(Table):
    """``[frequency]``: where the frequencies stand, or what they are."""

    unit: Literal["Hz", "kHz", "MHz", "GHz"] = "Hz"
    column: Column | None = None
    first_hz: Frequency | None = Field(default=None, alias="first")
    last_hz: Frequency | None = Field(default=None, alias="last")
    points: Annotated[Count, Field(ge=2, le=GRID_MOST)] | None = None
    at_hz: Annotated[tuple[Frequency, ...], BeforeValidator(_grid_list)] = Field(
        default=(), alias="at"
    )

    rules: ClassVar[tuple[KeyRule, ...]] = (
        Together(("first", "last", "points")),
        AtMostOne(("first", "at", "column")),
    )

    def misfits(self) -> Iterator[Misfit]:
        if len(self.at_hz) == 1:
            yield Misfit(key="at", problem="one frequency only", accepted="two or more")
        if self.first_hz is not None and self.first_hz == self.last_hz:
            yield Misfit(key="last", problem="is `first`", accepted="another frequency")

    @property
    def factor(self) -> int:
        """Hz in one of ``unit``."""
        return int(FREQUENCY.units[self.unit])


class LevelTable(Table):
    """``[level]``: what a level is counted in."""

    unit: Literal[
        "dBm", "dBµV", "dBuV", "dBmV", "dBV", "dBW", "dBFS", "W", "mW", "µW", "uW", "nW", "pW",
        "V", "mV", "µV", "uV", "digit",
    ]  # fmt: skip
    column: Column | None = None
    first_column: Annotated[Count, Field(ge=1, le=100_000)] | None = None
    resolution: Annotated[float, Field(strict=True, gt=0.0, le=10.0)] | None = None
    missing: tuple[str, ...] = ("",)

    rules: ClassVar[tuple[KeyRule, ...]] = (AtMostOne(("column", "first_column")),)


class SettingsTable(Table):
    """``[settings]``: what a sweep was taken with; a constant, or a column and its unit."""

    rbw_hz: Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")] | None = Field(
        default=None, alias="rbw"
    )
    rbw_column: Column | None = None
    rbw_unit: Literal["Hz", "kHz", "MHz"] = "Hz"
    vbw_hz: Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")] | None = Field(
        default=None, alias="vbw"
    )
    sweep_time_s: Annotated[float, Quantity(dimension=DURATION, above="0 s")] | None = Field(
        default=None, alias="sweep_time"
    )
    sweep_time_column: Column | None = None
    sweep_time_unit: Literal["s", "ms"] = "s"
    attenuation_column: Column | None = None
    reference_level_column: Column | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("rbw", "rbw_column")),
        AtMostOne(("sweep_time", "sweep_time_column")),
    )


def _file_name(text: str) -> str:
    if not text or len(text) > 1024 or "\0" in text:
        raise refusal("no name of a file", accepted="a path from the folder of the map")
    return text


FileName = Annotated[str, AfterValidator(_file_name)]


class ReferenceTable(Table):
    """``[reference]``: files that the sweeps are compared with, by the role of each."""

    through: FileName | None = None
    open: FileName | None = None
    short: FileName | None = None
    load: FileName | None = None
    quiet: FileName | None = None


class GapsTable(Table):
    """``[gaps]``: how often a sweep was due, so that those that are not there are known."""

    every_s: Interval | None = Field(default=None, alias="every")
    off_after_s: Annotated[float, Quantity(dimension=DURATION, above="0 s")] | None = Field(
        default=None, alias="off_after"
    )

    def misfits(self) -> Iterator[Misfit]:
        if self.off_after_s is None:
            return
        if self.every_s is None:
            yield Misfit(
                key="off_after",
                problem="without `every` nothing is due, and nothing is missing",
                accepted="`every` beside it",
            )
        elif self.off_after_s < 2 * self.every_s:
            yield Misfit(
                key="off_after",
                problem="shorter than two intervals: each gap would be a logger that was off",
                accepted="at least two of `every`",
            )


class ContextColumn(Table):
    """``[context.NAME]``: a number beside each sweep, such as a temperature."""

    column: Column = Field(description="a column's name, or its number from 1")
    unit: str = Field(default="", max_length=16)
    title: str = Field(default="", max_length=200)


def _driver(text: str) -> str:
    if text != "ingest":
        accepted = 'nothing: leave it out, these sweeps come from files (or "ingest")'
        raise refusal("a driver, but nothing is driven here", accepted=accepted)
    return text


class LoggedSweeperTable(SweeperTable):
    """``[sweeper.NAME]`` of a map: what is known of the instrument that made the log."""

    driver: Annotated[str, AfterValidator(_driver)] = "ingest"
    address: str = Field(default="files", min_length=1, max_length=1024)
    maker: str = Field(default="", max_length=200)
    model: str = Field(default="", max_length=200)
    firmware: str = Field(default="", max_length=200)


TABLES: dict[str, type[Table]] = {
    "logs": LogsTable,
    "file": FileTable,
    "time": TimeTable,
    "frequency": FrequencyTable,
    "level": LevelTable,
    "settings": SettingsTable,
    "gaps": GapsTable,
    "reference": ReferenceTable,
}
"""Tables that there is one of."""
