"""Numbers as logs write them, and levels in a unit that the archive has.

What the archive has stays as it is: dBm, dBµV, dBFS and digits. Other logarithmic units differ by a
whole number of decibels, which is added, exactly for numbers of up to nine decimals. Linear ones
are turned into decibels in float64: what came back would be theirs to about one part in 10¹⁵, which
is said in the sweep's setup.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.ingest.bad import BadRow, shown
from acqd.ingest.tables import LevelTable
from acqd.units import LevelUnit

__all__ = ["Conversion", "Levels", "conversion_of", "number_of"]

Float = NDArray[np.float64]

ADDED_DECIMALS = 9
"""Decimals to which a sum of decibels is exact; logs have a few."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Conversion:
    """From a log's unit to the archive's: level = factor · log10(value) + add, or value + add.

    ``factor`` is 0 where the unit is logarithmic already.
    """

    given: str
    unit: LevelUnit
    add_db: float = 0.0
    factor: float = 0.0

    @property
    def is_exact(self) -> bool:
        """Whether the levels are the log's own numbers."""
        return not self.factor and not self.add_db

    def describe(self) -> str:
        """What was done, for whoever reads the archive."""
        if self.is_exact:
            return f"levels in {self.unit} as the files have them"
        if not self.factor:
            return f"levels in {self.unit}, {self.add_db:+g} dB from the {self.given} of the files"
        return (
            f"levels in {self.unit}, {self.factor:g} log10 of the {self.given} of the files "
            f"{self.add_db:+g} dB, in float64"
        )


def _of_volts(exponent: int) -> tuple[LevelUnit, float, float]:
    """dBµV of a voltage in units of 10^exponent V: 20 log10(V / 1 µV)."""
    return LevelUnit.DBUV, 20.0 * (exponent + 6), 20.0


def _of_watts(exponent: int) -> tuple[LevelUnit, float, float]:
    """dBm of a power in units of 10^exponent W: 10 log10(P / 1 mW)."""
    return LevelUnit.DBM, 10.0 * (exponent + 3), 10.0


UNITS: dict[str, tuple[LevelUnit, float, float]] = {
    "dBm": (LevelUnit.DBM, 0.0, 0.0),
    "dBW": (LevelUnit.DBM, 30.0, 0.0),
    "dBµV": (LevelUnit.DBUV, 0.0, 0.0),
    "dBuV": (LevelUnit.DBUV, 0.0, 0.0),
    "dBmV": (LevelUnit.DBUV, 60.0, 0.0),
    "dBV": (LevelUnit.DBUV, 120.0, 0.0),
    "dBFS": (LevelUnit.DBFS, 0.0, 0.0),
    "digit": (LevelUnit.DIGIT, 0.0, 0.0),
    "W": _of_watts(0),
    "mW": _of_watts(-3),
    "µW": _of_watts(-6),
    "uW": _of_watts(-6),
    "nW": _of_watts(-9),
    "pW": _of_watts(-12),
    "V": _of_volts(0),
    "mV": _of_volts(-3),
    "µV": _of_volts(-6),
    "uV": _of_volts(-6),
}
"""Of each unit of a map: the archive's, what is added, and what the logarithm is times."""


def conversion_of(unit: str) -> Conversion:
    """From a unit of :class:`~acqd.ingest.tables.LevelTable`."""
    kept, add_db, factor = UNITS[unit]
    return Conversion(given=unit, unit=kept, add_db=add_db, factor=factor)


def number_of(text: str, decimal: str, *, column: str = "") -> float:
    """A number; neither infinite nor no number.

    Raises:
        BadRow: it is none.
    """
    try:
        value = _float(text, decimal)
    except ValueError:
        raise BadRow(f"{shown(text)} is no number", _expected(decimal), column=column) from None
    if not math.isfinite(value):
        raise BadRow(f"{shown(text)} is no finite number", _expected(decimal), column=column)
    return value


def _expected(decimal: str) -> str:
    return "a number with a decimal comma" if decimal == "," else "a number with a decimal point"


def _float(text: str, decimal: str) -> float:
    """Python reads underscores in numbers, which logs do not mean."""
    if "_" in text:
        raise ValueError
    if decimal == ",":
        if "." in text:
            raise ValueError
        text = text.replace(",", ".")
    return float(text.replace("\u2212", "-"))


class Levels:
    """Reads the levels of a row."""

    def __init__(self, table: LevelTable, decimal: str) -> None:
        self.conversion = conversion_of(table.unit)
        self._decimal = decimal
        self._missing = frozenset(word.strip().casefold() for word in table.missing)
        self._has_missing_numbers = False
        for word in self._missing:
            try:
                _float(word, decimal)
            except ValueError:
                continue
            self._has_missing_numbers = True

    def read(self, fields: Sequence[str], names: Sequence[str]) -> Float:
        """(fields,) levels in the archive's unit; NaN where the log says that there is none.

        Args:
            names: what each column is called in a message.

        Raises:
            BadRow: a field is neither a level nor a word for none.
        """
        values = self._quick(fields)
        if values is None:
            values = self._one_by_one(fields, names)
        if self.conversion.factor:
            return self._logarithms(values, names)
        if self.conversion.add_db:
            # The float nearest to the decimal sum, which the sum of floats mostly is not.
            return np.asarray(np.round(values + self.conversion.add_db, ADDED_DECIMALS))
        return values

    def _quick(self, fields: Sequence[str]) -> Float | None:
        """All at once; None where one of them needs a look."""
        if self._decimal == "," or self._has_missing_numbers:
            return None
        try:
            values = np.fromiter(map(float, fields), dtype=np.float64, count=len(fields))
        except ValueError:
            return None
        # An infinite level is no level, and none that the map says is missing.
        return None if "_" in "".join(fields) or np.isinf(values).any() else values

    def _one_by_one(self, fields: Sequence[str], names: Sequence[str]) -> Float:
        values = np.empty(len(fields))
        for at, text in enumerate(fields):
            if text.strip().casefold() in self._missing:
                values[at] = np.nan
                continue
            try:
                values[at] = _float(text, self._decimal)
                if math.isinf(values[at]):
                    raise ValueError
            except ValueError:
                raise BadRow(
                    f"{shown(text)} is no level",
                    f"{_expected(self._decimal)} in {self.conversion.given}, or one of `missing`",
                    column=names[at],
                ) from None
        return values

    def _logarithms(self, values: Float, names: Sequence[str]) -> Float:
        wrong = values <= 0.0
        if bool(wrong.any()):
            first = int(np.argmax(wrong))
            raise BadRow(
                f"{values[first]:g} {self.conversion.given} has no logarithm",
                "levels above 0; name what stands for no level in `missing`",
                column=names[first],
            )
        return self.conversion.factor * np.log10(values) + self.conversion.add_db
