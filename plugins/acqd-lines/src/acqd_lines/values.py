"""From what came to levels and frequencies: ASCII lists and columns, and binary values. Pure.

Levels are worked out in whole steps of the sweeper's own and turned into floats once, so that
"-97.25", 0.01 · −9725 and the same in an archive are one value; ``resolution`` is that step.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from acqd.errors import ProtocolViolation
from acqd.units import LevelUnit
from acqd_lines.digits import bytes_of_digits

__all__ = [
    "BINARY_TYPES",
    "COLUMNS",
    "FREQUENCY_FACTORS",
    "LEVEL_UNITS",
    "BinaryType",
    "Column",
    "Decoded",
    "ValueFormat",
    "decode",
    "decode_axis",
    "decode_block",
    "decode_lines",
    "parse_number",
]

BinaryType = Literal["i8", "u8", "i16", "u16", "i32", "u32", "f32", "f64"]
BINARY_TYPES: Final[Mapping[str, int]] = {
    "i8": 1, "u8": 1, "i16": 2, "u16": 2, "i32": 4, "u32": 4, "f32": 4, "f64": 8,
}  # fmt: skip
"""Bytes of each."""

Column = Literal["frequency", "level", "real", "imaginary", "-"]
COLUMNS: Final = ("frequency", "level", "real", "imaginary", "-")

FREQUENCY_FACTORS: Final[Mapping[str, int]] = {
    "Hz": 1, "kHz": 1000, "MHz": 1_000_000, "GHz": 1_000_000_000,
}  # fmt: skip

LEVEL_UNITS: Final[Mapping[str, tuple[LevelUnit, int]]] = {
    "dBm": (LevelUnit.DBM, 0),
    "dBµV": (LevelUnit.DBUV, 0),
    "dBuV": (LevelUnit.DBUV, 0),
    "dBmV": (LevelUnit.DBUV, 60),
    "dBFS": (LevelUnit.DBFS, 0),
    "digit": (LevelUnit.DIGIT, 0),
    "1": (LevelUnit.RATIO, 0),
}
"""The unit that levels are handed over in, and what is added then: 1 mV is 60 dB over 1 µV."""

FINEST_STEP: Final = Fraction(1, 10**9)
"""Finer steps than this are no steps: the levels are taken as they are."""

LARGEST_CODE: Final = 2**53

_NUMBER = re.compile(r"([+-]?)(\d+(?:\.\d*)?|\.\d+)(?:[eE]([+-]?\d{1,3}))?", re.ASCII)

_PLAIN_SIGNS: Final = "0123456789+-."


@dataclass(frozen=True, slots=True, kw_only=True)
class ValueFormat:
    """How values are written.

    ``type`` is "text" or a binary type in ``order``. A level is ``scale`` times the number, plus
    ``offset``, in ``unit``. Text has ``columns`` that repeat along each line, told apart by any of
    ``separators`` (a blank stands for any white space), perhaps each with ``suffix`` behind it.
    ``missing`` are words or numbers that mean that there is no level; they become NaN.
    """

    type: Literal["text"] | BinaryType = "text"
    order: Literal["big", "little"] = "big"
    scale: Decimal = Decimal(1)
    offset: Decimal = Decimal(0)
    unit: str = "dBm"
    separators: tuple[str, ...] = (" ",)
    decimal_comma: bool = False
    suffixes: tuple[str, ...] = ()
    columns: tuple[Column, ...] = ("level",)
    frequency_unit: str = "Hz"
    missing: tuple[str | float, ...] = ()

    @property
    def level_unit(self) -> LevelUnit:
        """The unit that levels are handed over in."""
        return LEVEL_UNITS[self.unit][0]

    @property
    def value_bytes(self) -> int:
        """Bytes of one binary value; 0 for text."""
        return BINARY_TYPES.get(self.type, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Decoded:
    """Levels, float or complex (points,), and their axis in Hz where it was in the answer."""

    level: NDArray[Any]
    frequency_hz: NDArray[np.float64] | None = None
    resolution: float | None = None


def parse_number(text: str, *, decimal_comma: bool = False) -> float:
    """The number that ``text`` is.

    Raises:
        ProtocolViolation: it is none.
    """
    plain = _plain(text, decimal_comma)
    if plain is None or not _NUMBER.fullmatch(plain):
        raise ProtocolViolation(expected="a number", got=text)
    number = float(plain)
    if math.isinf(number):
        raise ProtocolViolation(expected="a number of ordinary size", got=text)
    return number


def decode(lines: Sequence[str], payload: bytes, form: ValueFormat) -> Decoded:
    """The levels of an answer: of its ``lines``, or where it has none of its ``payload``.

    Binary values in lines are written as hexadecimal digits, two a byte.

    Raises:
        ProtocolViolation: see :func:`decode_lines` and :func:`decode_block`.
    """
    if form.type == "text":
        return decode_lines(lines, form)
    return decode_block(bytes_of_digits(" ".join(lines)) if lines else payload, form)


def decode_block(payload: bytes, form: ValueFormat) -> Decoded:
    """The levels of a binary payload.

    Raises:
        ProtocolViolation: its length is no whole number of values.
    """
    width = form.value_bytes
    if not payload or len(payload) % width:
        raise ProtocolViolation(
            expected=f"values of {width} bytes each", got=f"{len(payload)} bytes"
        )
    kind = {"i": "i", "u": "u", "f": "f"}[form.type[0]]
    raw = np.frombuffer(payload, dtype=f"{'>' if form.order == 'big' else '<'}{kind}{width}")
    # How bytes are ordered is the answer's affair and nobody's after this.
    raw = raw.astype(raw.dtype.newbyteorder("="))
    numbers = [value for value in form.missing if not isinstance(value, str)]
    missing = np.isin(raw, np.array(numbers, dtype=np.float64)) if numbers else None
    if kind == "f":
        return Decoded(level=_with_nan(_scaled_floats(raw, form), missing))
    level, resolution = _stepped(raw.astype(np.float64), Fraction(1), form)
    return Decoded(level=_with_nan(level, missing), resolution=resolution)


def decode_lines(lines: Sequence[str], form: ValueFormat) -> Decoded:
    """The levels of lines of text, and their frequencies where they are among the columns.

    Raises:
        ProtocolViolation: something that is no number, or columns that do not come out even.
    """
    width = len(form.columns)
    words = _words(lines, form) if width == 1 else _rows_of_words(lines, form)
    named = {column: words[place::width] for place, column in enumerate(form.columns)}
    axis = named.get("frequency")
    frequency_hz = None if axis is None else _frequencies(axis, form)
    if "real" in named:
        real, _ = _numbers(named["real"], form)
        imaginary, _ = _numbers(named["imaginary"], form)
        return Decoded(level=real + 1j * imaginary, frequency_hz=frequency_hz)
    values, step = _numbers(named["level"], form)
    missing = np.isnan(values)
    level, resolution = _stepped(values, step, form)
    return Decoded(
        level=_with_nan(level, missing), frequency_hz=frequency_hz, resolution=resolution
    )


def decode_axis(lines: Sequence[str], form: ValueFormat) -> NDArray[np.float64]:
    """Frequencies in Hz, a list of nothing else, told apart as ``form`` says.

    Raises:
        ProtocolViolation: something that is no number.
    """
    return _frequencies(_words(lines, form), form)


# --- text ---------------------------------------------------------------------------------------


def _words(lines: Sequence[str], form: ValueFormat) -> list[str]:
    split = _splitter(form)
    return [word for line in lines for word in split(line)]


def _rows_of_words(lines: Sequence[str], form: ValueFormat) -> list[str]:
    """The words of lines in which the columns come out even."""
    width, words, split = len(form.columns), list[str](), _splitter(form)
    for number, line in enumerate(lines, 1):
        found = split(line)
        if len(found) % width:
            raise ProtocolViolation(
                expected=f"{width} columns ({', '.join(form.columns)}) in line {number}",
                got=f"{len(found)} in {line[:60]!r}",
            )
        words += found
    return words


def _splitter(form: ValueFormat) -> Callable[[str], list[str]]:
    """What gives the words of a line. One separator at its very end is let pass."""
    marks = [mark for mark in form.separators if mark != " "]
    if not marks:
        return str.split
    first, *others = marks
    has_blanks = " " in form.separators

    def words_of(line: str) -> list[str]:
        for other in others:
            line = line.replace(other, first)
        if has_blanks:
            line = first.join(line.split())
        words = [word.strip() for word in line.split(first)]
        if len(words) > 1 and not words[-1]:
            words.pop()
        return words

    return words_of


def _plain(text: str, decimal_comma: bool) -> str | None:
    """``text`` with a decimal point; None where it has the other sign of the two."""
    text = text.strip().replace("−", "-")
    if decimal_comma:
        return None if "." in text else text.replace(",", ".")
    return text


def _without_suffix(word: str, suffixes: Iterable[str]) -> str:
    for suffix in suffixes:
        if word.endswith(suffix):
            return word.removesuffix(suffix).rstrip()
    return word


def _numbers(words: Sequence[str], form: ValueFormat) -> tuple[NDArray[np.float64], Fraction]:
    """The numbers of ``words``, NaN where one is missing, and the step that they are written on."""
    absent = {str(word).casefold() for word in form.missing}
    plain_ones = _plain_numbers(words, form, absent)
    return _each_number(words, form, absent) if plain_ones is None else plain_ones


def _plain_numbers(
    words: Sequence[str], form: ValueFormat, absent: Set[str]
) -> tuple[NDArray[np.float64], Fraction] | None:
    """:func:`_numbers` where all words are digits, a sign and a point; None where one is not."""
    if form.decimal_comma or form.suffixes or "".join(words).strip(_PLAIN_SIGNS):
        return None
    if absent and not absent.isdisjoint(words):
        return None
    try:
        values = np.fromiter(map(float, words), dtype=np.float64, count=len(words))
    except ValueError:
        return None
    if not np.isfinite(values).all():
        return None
    decimals = max([len(word.partition(".")[2]) for word in words], default=0)
    return values, Fraction(1, 10 ** min(decimals, 15))


def _each_number(
    words: Sequence[str], form: ValueFormat, absent: Set[str]
) -> tuple[NDArray[np.float64], Fraction]:
    """:func:`_numbers`, one after the other.

    Raises:
        ProtocolViolation: the first that is none.
    """
    values = np.empty(len(words))
    decimals = 0
    for place, word in enumerate(words):
        if absent and word.casefold() in absent:
            values[place] = np.nan
            continue
        plain = _plain(_without_suffix(word, form.suffixes), form.decimal_comma)
        match = None if plain is None else _NUMBER.fullmatch(plain)
        if plain is None or match is None:
            raise ProtocolViolation(expected=f"a number as value {place + 1}", got=word)
        values[place] = float(plain)
        if math.isinf(values[place]):
            expected = f"a number of ordinary size as value {place + 1}"
            raise ProtocolViolation(expected=expected, got=word)
        digits = len(match[2].partition(".")[2]) - int(match[3] or 0)
        decimals = max(decimals, digits)
    return values, Fraction(1, 10 ** min(decimals, 15))


def _frequencies(words: Sequence[str], form: ValueFormat) -> NDArray[np.float64]:
    """In Hz. The numbers are decimals: kHz with three decimals are whole Hz exactly."""
    factor = FREQUENCY_FACTORS[form.frequency_unit]
    values, step = _numbers(words, form)
    unit = step * factor
    code = np.rint(values / float(step)) if step >= FINEST_STEP else values
    if step < FINEST_STEP or not _all_exact(code):
        return values * factor
    return _products(code, unit)


# --- steps --------------------------------------------------------------------------------------


def _stepped(
    values: NDArray[np.float64], step: Fraction, form: ValueFormat
) -> tuple[NDArray[np.float64], float | None]:
    """Levels of ``values``, which lie on ``step``, and the step that the levels lie on."""
    scale, offset = Fraction(form.scale), Fraction(form.offset) + LEVEL_UNITS[form.unit][1]
    own = abs(scale) * step
    common = _common_step(own, offset)
    plain = values * float(scale) + float(offset)
    if common < FINEST_STEP:
        return plain, None
    ratio = own / common
    code = np.rint(values / float(step)) * (float(ratio) * (1 if scale > 0 else -1))
    code = code + float(offset / common)
    if not _all_exact(code):
        return plain, None
    return _products(code, common), float(common)


def _common_step(one: Fraction, other: Fraction) -> Fraction:
    """The greatest step that both lie on."""
    if other == 0:
        return one
    denominator = math.lcm(one.denominator, other.denominator)
    return Fraction(math.gcd(int(one * denominator), int(abs(other) * denominator)), denominator)


def _all_exact(code: NDArray[np.float64]) -> bool:
    known = code[np.isfinite(code)]
    return known.size == 0 or float(np.abs(known).max()) < LARGEST_CODE


def _products(code: NDArray[np.float64], step: Fraction) -> NDArray[np.float64]:
    """``code · step``, rounded once where the parts of the fraction are small enough for that."""
    whole = code * float(step.numerator)
    return whole / float(step.denominator) if step.denominator > 1 else whole


def _scaled_floats(raw: NDArray[Any], form: ValueFormat) -> NDArray[Any]:
    offset = form.offset + LEVEL_UNITS[form.unit][1]
    if form.scale == 1 and offset == 0:
        return raw
    return raw.astype(np.float64) * float(form.scale) + float(offset)


def _with_nan(level: NDArray[Any], missing: NDArray[np.bool_] | None) -> NDArray[Any]:
    if missing is None or not missing.any():
        return level
    level = np.array(level)
    level[missing] = np.nan
    return level
