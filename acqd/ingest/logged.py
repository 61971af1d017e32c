"""The second pass: the sweeps themselves, read one by one where the first pass found them."""

from __future__ import annotations

import math
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acqd.config.quantity import FREQUENCY
from acqd.errors import ArchiveError
from acqd.ingest.bad import Bad, BadRow
from acqd.ingest.maps import LogMap
from acqd.ingest.moments import US
from acqd.ingest.scan import Scan
from acqd.ingest.shape import Shape, axis_of
from acqd.ingest.text import LINE_MOST_BYTES, LogText, columns_of, open_log
from acqd.ingest.values import Levels, number_of
from acqd.sweep import Reported

__all__ = ["LogReader", "Logged"]

OPEN_MOST = 16
"""Files that are open at a time."""

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Logged:
    """One sweep as a log has it: (points,) in the log's own order, levels in the archive's unit."""

    started_s: float
    frequency_hz: Float
    level: Float
    reported: Reported
    context: Mapping[str, float] = field(default_factory=dict)


class LogReader:
    """Reads sweeps of a scan by their number. A context manager; files stay open for a while."""

    def __init__(self, told: LogMap, scan: Scan) -> None:
        self._told, self._scan = told, scan
        self._levels = Levels(told.level, told.file.decimal)
        self._open: OrderedDict[int, LogText] = OrderedDict()
        self._axis: tuple[tuple[str, ...], Float] = ((), np.zeros(0))
        self._unit_s = {"s": 1.0, "ms": 1e-3}[told.settings.sweep_time_unit]
        self._unit_hz = float(FREQUENCY.units[told.settings.rbw_unit])

    def __enter__(self) -> LogReader:
        return self

    def __exit__(self, *_: object) -> None:
        for text in self._open.values():
            text.close()
        self._open.clear()

    def at_s(self, number: int) -> float:
        """When a sweep began; seconds since 1970-01-01T00:00:00Z."""
        return int(self._scan.at_us[number]) / US

    def read(self, number: int) -> Logged | Bad:
        """A sweep, or what is wrong with it.

        Raises:
            ArchiveError: a file has changed since the first pass, or cannot be read.
        """
        scan = self._scan
        place = int(scan.file[number])
        text = self._text(place)
        shape = scan.headers[int(scan.header[number])]
        first = int(scan.line[number])
        size = int(scan.size[number])
        try:
            if size > LINE_MOST_BYTES:
                raise BadRow(
                    f"a sweep of {size >> 20} MiB, all of one time",
                    "a clock that tells sweeps apart; see [time] in the map",
                )
            lines = text.block(int(scan.offset[number]), size)
            if self._told.file.layout == "long":
                return self._points(number, lines, shape, first)
            return self._row(number, lines[0], shape)
        except BadRow as bad:
            return bad.at(str(scan.files[place].path), first)

    def bad(self, number: int, what: str, expected: str) -> Bad:
        """A sweep that is refused for what it is as a whole."""
        scan = self._scan
        path = scan.files[int(scan.file[number])].path
        return BadRow(what, expected).at(str(path), int(scan.line[number]))

    # -- inside ----------------------------------------------------------------------------------

    def _text(self, place: int) -> LogText:
        text = self._open.get(place)
        if text is None:
            file = self._scan.files[place]
            text = open_log(file.path, self._told.file)
            if not file.is_unchanged():
                text.close()
                raise ArchiveError(
                    f"{file.path}: has changed since its clocks were read; try again when nobody "
                    f"writes it"
                )
            self._open[place] = text
            if len(self._open) > OPEN_MOST:
                self._open.popitem(last=False)[1].close()
        else:
            self._open.move_to_end(place)
        return text

    def _row(self, number: int, line: str, shape: Shape) -> Logged:
        """A row of the wide layout."""
        fields = columns_of(line, self._told.file.sign)
        first, last = shape.level[0], shape.level[-1]
        if last - first + 1 == len(shape.level):
            texts: Sequence[str] = fields[first : last + 1]
        else:
            texts = [fields[one] for one in shape.level]
        assert shape.axis_hz is not None
        return self._made(
            number, shape.axis_hz, self._levels.read(texts, shape.names), fields, shape
        )

    def _points(self, number: int, lines: Sequence[str], shape: Shape, first: int) -> Logged:
        """The rows of a sweep of the long layout."""
        comment, sign, most = self._told.file.comment, self._told.file.sign, shape.most
        rows: list[list[str]] = []
        where: list[int] = []
        for after, line in enumerate(lines):
            if not line.strip() or (comment and line.startswith(comment)):
                continue
            fields = columns_of(line, sign)
            if len(fields) < most:
                raise BadRow(f"{len(fields)} columns", f"at least {most}", after=after)
            rows.append(fields)
            where.append(after)
        axis_hz = shape.axis_hz
        if shape.frequency is not None:
            axis_hz = self._axis_of(tuple(row[shape.frequency] for row in rows), where)
        assert axis_hz is not None
        if len(rows) < 2:
            raise BadRow(
                "a sweep of one point", "two rows or more of one time; see `layout` and [time]"
            )
        if axis_hz.size != len(rows):
            raise BadRow(f"{len(rows)} points", f"the {axis_hz.size} of the grid in [frequency]")
        column = shape.level[0]
        level = self._column([row[column] for row in rows], shape.names[0], where)
        return self._made(number, axis_hz, level, rows[0], shape)

    def _column(self, texts: Sequence[str], name: str, where: Sequence[int]) -> Float:
        try:
            return self._levels.read(texts, [name] * len(texts))
        except BadRow:
            pass
        for text, after in zip(texts, where, strict=True):
            try:
                self._levels.read([text], [name])
            except BadRow as bad:
                raise bad.later(after) from None
        raise AssertionError("one of them is wrong")

    def _axis_of(self, texts: tuple[str, ...], where: Sequence[int]) -> Float:
        """The axis that texts say; that of the sweep before again where they are the same."""
        if texts == self._axis[0]:
            return self._axis[1]
        unit, decimal = self._told.frequency.unit, self._told.file.decimal
        try:
            axis_hz = axis_of(texts, unit, decimal)
        except BadRow:
            for text, after in zip(texts, where, strict=True):
                try:
                    axis_of([text], unit, decimal)
                except BadRow as bad:
                    raise bad.later(after) from None
            raise
        self._axis = (texts, axis_hz)
        return axis_hz

    def _made(
        self, number: int, axis_hz: Float, level: Float, fields: Sequence[str], shape: Shape
    ) -> Logged:
        return Logged(
            started_s=self.at_s(number),
            frequency_hz=axis_hz,
            level=level,
            reported=self._reported(fields, shape),
            context=self._context(fields, shape),
        )

    def _reported(self, fields: Sequence[str], shape: Shape) -> Reported:
        """The settings that the log says, of each sweep or of all."""
        settings = self._told.settings
        rbw_hz = self._setting(fields, shape.rbw, "RBW", self._unit_hz)
        sweep_time_s = self._setting(fields, shape.sweep_time, "sweep time", self._unit_s)
        return Reported(
            rbw_hz=settings.rbw_hz if rbw_hz is None else rbw_hz,
            vbw_hz=settings.vbw_hz,
            sweep_time_s=settings.sweep_time_s if sweep_time_s is None else sweep_time_s,
            attenuation_db=self._number(fields, shape.attenuation, "attenuation"),
            reference_level_dbm=self._number(fields, shape.reference_level, "reference level"),
        )

    def _setting(
        self, fields: Sequence[str], column: int | None, what: str, factor: float
    ) -> float | None:
        value = self._number(fields, column, what)
        if value is None:
            return None
        if value <= 0.0:
            raise BadRow(f"{value:g} is no {what}", "a number above 0", column=what)
        return value * factor

    def _number(self, fields: Sequence[str], column: int | None, what: str) -> float | None:
        if column is None:
            return None
        return number_of(fields[column], self._told.file.decimal, column=what)

    def _context(self, fields: Sequence[str], shape: Shape) -> dict[str, float]:
        """Numbers beside the sweep; one that cannot be read is none, as live."""
        found = {}
        for name, column in shape.context.items():
            try:
                value = number_of(fields[column], self._told.file.decimal)
            except BadRow:
                continue
            if math.isfinite(value):
                found[name] = value
        return found
