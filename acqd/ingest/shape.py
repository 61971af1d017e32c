"""Which column of a log is what: a map's columns found in a file's header, and its frequencies."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation

import numpy as np
from numpy.typing import NDArray

from acqd.config.quantity import FREQUENCY
from acqd.ingest.bad import BadRow, shown
from acqd.ingest.maps import LogMap
from acqd.ingest.text import columns_of

__all__ = ["Shape", "axis_of", "shape_of"]

Float = NDArray[np.float64]
Column = str | int

HIGHEST_HZ = 3e12
_FREQUENCY = re.compile(r"([+-]?[\d.,]+(?:[eE][+-]?\d+)?)\s*(Hz|kHz|MHz|GHz)?")
NAMES_SHOWN = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """The columns of one header; numbers from 0.

    Attributes:
        time: those that the clock is in, in the order in which they are joined.
        level: that of the level (long), or those of all levels (wide).
        names: what the columns of ``level`` are called in messages.
        frequency: that of the frequency; None where the axis is known.
        axis_hz: (points,) in the log's own order; None where the rows say it.
        context: by name.
        most: how many columns a row must have at least; of them ``clock_most`` for its clock.
    """

    time: tuple[int, ...]
    after: int | None
    level: tuple[int, ...]
    names: tuple[str, ...]
    frequency: int | None
    axis_hz: Float | None
    rbw: int | None = None
    sweep_time: int | None = None
    attenuation: int | None = None
    reference_level: int | None = None
    context: dict[str, int] = field(default_factory=dict)
    most: int = 1

    @property
    def clock_most(self) -> int:
        """How many columns the clock needs."""
        return 1 + max((*self.time, -1 if self.after is None else self.after))


def shape_of(told: LogMap, header: str | None) -> Shape:
    """The shape of files with this header line; None where they have none.

    Raises:
        BadRow: the header has not got a column that the map names, or no frequencies.
    """
    names = [] if header is None else columns_of(header, told.file.sign)
    finder = _Finder([name.strip() for name in names])
    time = tuple(finder.number(one) for one in told.time.columns)
    settings = told.settings
    found = {
        "after": finder.maybe(told.time.after_column),
        "rbw": finder.maybe(settings.rbw_column),
        "sweep_time": finder.maybe(settings.sweep_time_column),
        "attenuation": finder.maybe(settings.attenuation_column),
        "reference_level": finder.maybe(settings.reference_level_column),
    }
    context = {name: finder.number(one.column) for name, one in told.context.items()}
    taken = {*time, *context.values(), *(one for one in found.values() if one is not None)}
    if told.file.layout == "long":
        assert told.level.column is not None
        level: tuple[int, ...] = (finder.number(told.level.column),)
        frequency = finder.maybe(told.frequency.column)
        axis_hz = None if frequency is not None else _grid(told)
    else:
        frequency = None
        level, axis_hz = _wide(told, finder.names, taken)
    used = {*taken, *level, *(() if frequency is None else (frequency,))}
    return Shape(
        time=time,
        level=level,
        names=tuple(finder.called(one) for one in level),
        frequency=frequency,
        axis_hz=axis_hz,
        context=context,
        most=1 + max(used),
        **found,
    )


class _Finder:
    """Finds columns by what a map calls them."""

    def __init__(self, names: Sequence[str]) -> None:
        self.names = names

    def number(self, column: Column) -> int:
        if isinstance(column, int):
            return column - 1
        if column in self.names:
            if self.names.count(column) > 1:
                raise BadRow(
                    f"two columns are called {shown(column)}", "its number from 1 in the map"
                )
            return self.names.index(column)
        if not self.names:
            raise BadRow(
                f"there is no header to find the column {shown(column)} in",
                "columns by number in the map, or header = true",
            )
        listed = ", ".join(shown(name) for name in self.names[:NAMES_SHOWN])
        more = " …" if len(self.names) > NAMES_SHOWN else ""
        raise BadRow(f"no column {shown(column)} in the header", f"one of {listed}{more}")

    def maybe(self, column: Column | None) -> int | None:
        return None if column is None else self.number(column)

    def called(self, number: int) -> str:
        known = number < len(self.names) and self.names[number]
        return self.names[number] if known else str(number + 1)


def _grid(told: LogMap) -> Float:
    """The axis that the map itself says."""
    table = told.frequency
    if table.at_hz:
        return np.array(table.at_hz, dtype=np.float64)
    assert table.first_hz is not None
    assert table.last_hz is not None
    assert table.points is not None
    return np.linspace(table.first_hz, table.last_hz, table.points)


def _wide(told: LogMap, names: Sequence[str], taken: set[int]) -> tuple[tuple[int, ...], Float]:
    """The columns of levels, and their frequencies."""
    first = told.level.first_column
    if told.frequency.first_hz is not None or told.frequency.at_hz:
        axis_hz = _grid(told)
        assert first is not None
        return tuple(range(first - 1, first - 1 + axis_hz.size)), axis_hz
    level, axis = [], []
    for number, name in enumerate(names):
        if number in taken or (first is not None and number < first - 1):
            continue
        match = _FREQUENCY.fullmatch(name)
        if match is None:
            if first is not None and name:
                raise BadRow(f"{shown(name)} is no frequency", "frequencies in the header")
            continue
        unit = told.frequency.unit if match[2] is None else match[2]
        axis.append(_hertz(match[1], unit, told.file.decimal))
        level.append(number)
    if len(level) < 2:
        raise BadRow(
            f"{len(level)} columns of the header are called by a frequency",
            "a frequency for each column of levels; or a grid in [frequency] of the map",
        )
    return tuple(level), np.array(axis, dtype=np.float64)


def axis_of(texts: Sequence[str], unit: str, decimal: str) -> Float:
    """(texts,) frequencies in Hz; each the float nearest to what its decimal text says.

    Raises:
        BadRow: one of them is none.
    """
    return np.array([_hertz(text.strip(), unit, decimal) for text in texts], dtype=np.float64)


def _hertz(text: str, unit: str, decimal: str) -> float:
    plain = text.replace(",", ".") if decimal == "," else text
    try:
        number = Decimal(plain)
        if not number.is_finite() or (number and abs(number.adjusted()) > 20):
            raise InvalidOperation
    except InvalidOperation:
        raise BadRow(f"{shown(text)} is no frequency", f"a number of {unit}") from None
    value = float(number * FREQUENCY.units[unit])
    if not 0.0 <= value <= HIGHEST_HZ:
        raise BadRow(f"{shown(text)} {unit} is no frequency", "from 0 Hz to 3 THz")
    return value
