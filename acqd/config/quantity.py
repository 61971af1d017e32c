"""Quantities as people write them, "156.025 MHz", and the numbers in base units they stand for.

A quantity is a decimal number and a unit. The unit is never left out and never guessed: SI prefixes
differ only in their case (m is milli, M is mega), so only the exact spelling is taken and a near
miss is named. Numbers are read as decimals and turned into the nearest float once, at the end, so
"156.025 MHz" is exactly 156025000.0.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal, InvalidOperation, localcontext
from difflib import get_close_matches
from typing import Annotated, Any

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticCustomError, core_schema

from acqd.units import LevelUnit

__all__ = [
    "ANGLE",
    "BYTES",
    "DENSITY",
    "DIFFERENCE",
    "DURATION",
    "FRACTION",
    "FREQUENCY",
    "LENGTH",
    "LEVEL",
    "POWER",
    "PPM",
    "TEMPERATURE",
    "Angle",
    "ByteCount",
    "Dimension",
    "Duration",
    "Fraction",
    "Frequency",
    "Level",
    "LevelDifference",
    "Power",
    "Ppm",
    "Quantity",
    "QuantityError",
    "format_quantity",
    "parse_frequency_range",
    "parse_level",
    "parse_quantity",
    "refusal",
]

LONGEST_TEXT = 64
"""Longer texts are no quantity; the cap keeps a slip (a whole file in one string) out of messages
and out of the decimal arithmetic."""

LARGEST_EXPONENT = 30
"""Far beyond any quantity here; the cap keeps 1e999999999 from being written out in digits."""

_NUMBER = re.compile(
    r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?)\s*(.*)", re.ASCII | re.DOTALL
)
_DECIMAL_COMMA = re.compile(r"([+-]?\d+),(\d+)\s*(.*)", re.ASCII | re.DOTALL)
_SAME_SIGN = str.maketrans({"−": "-", "μ": "µ", "\u00a0": " ", "\u202f": " ", "\u2009": " "})
"""Signs that look alike and mean one thing: the minus sign, Greek mu for micro, fixed spaces."""


class QuantityError(ValueError):
    """A text that is not the quantity wanted. ``problem`` is what is wrong with it, ``accepted``
    what would do."""

    def __init__(self, *, given: str, problem: str, accepted: str) -> None:
        self.given = given
        self.problem = problem
        self.accepted = accepted
        super().__init__(given, problem, accepted)

    def __str__(self) -> str:
        return f"{self.problem} (given: {self.given}); accepted: {self.accepted}"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Dimension:
    """A kind of quantity: its units with their factors to the base unit, and its bounds.

    ``units`` maps the exact spelling to the factor; quantities are written out in the first.
    ``other_words`` maps what people also write, in lower case, to the unit that is meant; it is
    named, not taken.
    """

    what: str
    example: str
    units: Mapping[str, Decimal]
    minimum: Decimal | None = None
    maximum: Decimal | None = None
    other_words: Mapping[str, str] = field(default_factory=dict)

    @property
    def first_unit(self) -> str:
        return next(iter(self.units))

    @property
    def accepted(self) -> str:
        return f'{self.what}, such as "{self.example}" (units: {", ".join(self.units)})'


def _units(factors: str) -> dict[str, Decimal]:
    """Units from "Hz 1, kHz 1e3". A text, not keywords: Python turns the µ of a keyword into
    another letter that looks the same."""
    pairs = (pair.split() for pair in factors.split(","))
    return {unit: Decimal(factor) for unit, factor in pairs}


FREQUENCY = Dimension(
    what="a frequency with its unit",
    example="10 kHz",
    units=_units("Hz 1, kHz 1e3, MHz 1e6, GHz 1e9"),
    minimum=Decimal(0),
    maximum=Decimal("3e12"),
    other_words={"k": "kHz", "m": "MHz", "g": "GHz", "meg": "MHz", "mc": "MHz", "kc": "kHz"},
)
DURATION = Dimension(
    what="a duration with its unit",
    example="2 s",
    units=_units("s 1, min 60, h 3600, d 86400, ms 1e-3, µs 1e-6"),
    minimum=Decimal(0),
    maximum=Decimal(366 * 86400),
    other_words={
        **dict.fromkeys(("sec", "secs", "second", "seconds"), "s"),
        **dict.fromkeys(("m", "mins", "minute", "minutes"), "min"),
        **dict.fromkeys(("hr", "hrs", "hour", "hours"), "h"),
        **dict.fromkeys(("day", "days"), "d"),
        **dict.fromkeys(("us", "usec"), "µs"),
        "msec": "ms",
    },
)
DIFFERENCE = Dimension(
    what="a level difference in dB",
    example="30 dB",
    units=_units("dB 1"),
    minimum=Decimal(-300),
    maximum=Decimal(300),
    other_words={"dbi": "dB", "dbm": "dB", "dbc": "dB"},
)
LEVEL = Dimension(
    what="a level in dBm",
    example="-100 dBm",
    units=_units("dBm 1"),
    minimum=Decimal(-300),
    maximum=Decimal(300),
    other_words={"db": "dBm"},
)
POWER = Dimension(
    what="a power with its unit",
    example="2 W",
    units=_units("W 1, mW 1e-3, kW 1e3, µW 1e-6"),
    minimum=Decimal(0),
    maximum=Decimal("1e7"),
    other_words={"watt": "W", "watts": "W", "uw": "µW"},
)
FRACTION = Dimension(
    what="a share in percent",
    example="10 %",
    units=_units("% 0.01"),
    minimum=Decimal(0),
    maximum=Decimal(1),
    other_words={"percent": "%", "pct": "%"},
)
ANGLE = Dimension(
    what="an angle in degrees",
    example="53.3 deg",
    units=_units("deg 1, ° 1"),
    minimum=Decimal(-360),
    maximum=Decimal(360),
    other_words={"degree": "deg", "degrees": "deg"},
)
DENSITY = Dimension(
    what="a level in 1 Hz beside a carrier, in dBc/Hz",
    example="-95 dBc/Hz",
    units=_units("dBc/Hz 1"),
    minimum=Decimal(-250),
    maximum=Decimal(0),
    other_words={"dbc": "dBc/Hz"},
)
TEMPERATURE = Dimension(
    what="a temperature with its unit",
    example="40 °C",
    units=_units("°C 1, degC 1"),
    minimum=Decimal("-273.15"),
    maximum=Decimal(1000),
    other_words={"c": "°C", "celsius": "°C"},
)
LENGTH = Dimension(
    what="a length with its unit",
    example="12 m",
    units=_units("m 1, km 1e3, cm 1e-2"),
    minimum=Decimal(0),
    maximum=Decimal("1e8"),
    other_words={"metre": "m", "metres": "m", "meter": "m", "meters": "m"},
)
PPM = Dimension(
    what="a relative deviation in parts per million",
    example="2.5 ppm",
    units=_units("ppm 1, ppb 1e-3"),
    minimum=Decimal(0),
    maximum=Decimal("1e6"),
)
BYTES = Dimension(
    what="an amount of data with its unit",
    example="1 GB",
    units={
        **_units("B 1, kB 1e3, MB 1e6, GB 1e9, TB 1e12"),
        **{unit: Decimal(1024**n) for n, unit in enumerate(("KiB", "MiB", "GiB", "TiB"), 1)},
    },
    minimum=Decimal(0),
    maximum=Decimal("1e18"),
    other_words={"k": "kB", "m": "MB", "g": "GB", "t": "TB"},
)

_LEVEL_UNITS = {
    "dBm": LevelUnit.DBM,
    "dBµV": LevelUnit.DBUV,
    "dBuV": LevelUnit.DBUV,
    "dBFS": LevelUnit.DBFS,
}
_ANY_LEVEL = Dimension(
    what="a level with its unit",
    example="-100 dBm",
    units=dict.fromkeys(_LEVEL_UNITS, Decimal(1)),
    minimum=Decimal(-300),
    maximum=Decimal(300),
)


def parse_quantity(text: object, dimension: Dimension) -> float:
    """The number in the base unit of ``dimension`` that ``text`` stands for.

    Raises:
        QuantityError: not a text, no number, no unit, an unknown unit, or out of bounds.
    """
    number, unit = _number_and_unit(text, dimension)
    value = _scaled(number, dimension.units[unit])
    _refuse_out_of_bounds(str(text), value, dimension)
    return float(value)


def parse_level(text: object) -> tuple[float, LevelUnit]:
    """A level and its unit: dBm, dBµV (also "dBuV") or dBFS.

    Raises:
        QuantityError: as :func:`parse_quantity`.
    """
    number, unit = _number_and_unit(text, _ANY_LEVEL)
    _refuse_out_of_bounds(str(text), number, _ANY_LEVEL)
    return float(number), _LEVEL_UNITS[unit]


def parse_frequency_range(text: str) -> tuple[float, float]:
    """``(start_hz, stop_hz)`` of a range as in "144MHz..146MHz", for the command line.

    The unit may stand once, after the stop frequency: "144..146 MHz".

    Raises:
        QuantityError: not two frequencies with ".." between them, or the stop is not above the
            start.
    """
    accepted = 'a frequency range, such as "144MHz..146MHz"'
    parts = str(text).split("..")
    if len(parts) != 2:
        problem = "not a range: two frequencies with .. between them"
        raise QuantityError(given=_shown(text), problem=problem, accepted=accepted)
    stop_hz = parse_quantity(parts[1], FREQUENCY)
    bare = _NUMBER.fullmatch(parts[0].translate(_SAME_SIGN).strip())
    if bare is not None and not bare[2]:
        parts[0] += _number_and_unit(parts[1], FREQUENCY)[1]
    start_hz = parse_quantity(parts[0], FREQUENCY)
    if not stop_hz > start_hz:
        problem = "the stop frequency is not above the start frequency"
        raise QuantityError(given=_shown(text), problem=problem, accepted=accepted)
    return start_hz, stop_hz


def format_quantity(value: float, dimension: Dimension) -> str:
    """``value`` in the unit that makes the shortest text, "10 kHz", so that parsing it gives the
    same float again. One value has one text."""
    exact = Decimal(repr(value))
    texts = []
    for place, (unit, factor) in enumerate(dimension.units.items()):
        number = (exact / factor).normalize()
        if number * factor == exact:
            text = f"{number:f} {unit}"
            texts.append((len(text), place, text))
    return min(texts)[2]


def _number_and_unit(text: object, dimension: Dimension) -> tuple[Decimal, str]:
    """The two halves of a quantity, the unit known to ``dimension``."""
    if not isinstance(text, str):
        is_number = isinstance(text, int | float) and not isinstance(text, bool)
        problem = "a number without a unit" if is_number else f"not {dimension.what}"
        raise QuantityError(given=_shown(text), problem=problem, accepted=dimension.accepted)

    def refused(problem: str) -> QuantityError:
        return QuantityError(given=_shown(text), problem=problem, accepted=dimension.accepted)

    plain = text.translate(_SAME_SIGN).strip()
    if len(plain) > LONGEST_TEXT:
        raise refused(f"longer than {LONGEST_TEXT} characters")
    comma = _DECIMAL_COMMA.fullmatch(plain)
    if comma is not None:
        said = f"{comma[1]}.{comma[2]} {comma[3]}".strip()
        raise refused(f'a decimal comma; write a point, "{said}"')
    match = _NUMBER.fullmatch(plain)
    if match is None:
        raise refused("does not begin with a number")
    number = _decimal(match[1])
    if number is None:
        raise refused("a number out of all bounds")
    unit = match[2]
    if unit in dimension.units:
        return number, unit
    if not unit:
        raise refused("a number without a unit")
    raise refused(f"unknown unit `{unit}`{_near_miss(unit, dimension)}")


def _decimal(text: str) -> Decimal | None:
    """``text`` as a decimal, or None where its exponent is beyond all use."""
    try:
        number = Decimal(text)
    except InvalidOperation:
        return None
    return number if number == 0 or abs(number.adjusted()) <= LARGEST_EXPONENT else None


def _near_miss(unit: str, dimension: Dimension) -> str:
    """What was probably meant by ``unit``, as the end of a sentence; empty where nobody knows."""
    known = list(dimension.units)
    meant = [name for name in known if name.casefold() == unit.casefold()]
    if not meant and unit.casefold() in dimension.other_words:
        meant = [dimension.other_words[unit.casefold()]]
    meant = meant or get_close_matches(unit, known, n=1, cutoff=0.6)
    return f"; did you mean {' or '.join(f'`{name}`' for name in meant)}?" if meant else ""


def _scaled(number: Decimal, factor: Decimal) -> Decimal:
    """The exact product: both have far fewer digits than the context holds."""
    with localcontext() as context:
        context.prec = 2 * LONGEST_TEXT
        return number * factor


def _refuse_out_of_bounds(text: str, value: Decimal, dimension: Dimension) -> None:
    low, high = dimension.minimum, dimension.maximum
    if (low is None or value >= low) and (high is None or value <= high):
        return
    bounds = " and ".join(
        f"{word} {format_quantity(float(bound), dimension)}"
        for word, bound in (("at least", low), ("at most", high))
        if bound is not None
    )
    raise QuantityError(
        given=_shown(text),
        problem=f"out of bounds: it must be {bounds}",
        accepted=dimension.accepted,
    )


def _shown(given: object) -> str:
    """``given`` as it would stand in the file, cut to a line."""
    if isinstance(given, bool):
        return str(given).lower()
    text = f'"{given}"' if isinstance(given, str) else str(given)
    return text if len(text) <= LONGEST_TEXT + 2 else f"{text[:LONGEST_TEXT]}…"


def refusal(problem: str, *, accepted: str) -> PydanticCustomError:
    """What a validator raises: the sentence, and what would have been accepted."""
    # Braces in the message are left alone by pydantic unless they hold a key of the context.
    return PydanticCustomError("acqd", problem, {"accepted": accepted})


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """Marks a model's field as a quantity: ``Annotated[float, Quantity(dimension=FREQUENCY)]``.

    ``at_least``, ``at_most`` and ``above`` are further bounds, themselves quantities. Models dump
    to JSON with the unit named, so that a dump can be read again.
    """

    dimension: Dimension
    at_least: str | None = None
    at_most: str | None = None
    above: str | None = None

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        whole = source is int
        return core_schema.no_info_plain_validator_function(
            lambda given: int(self.value_of(given)) if whole else self.value_of(given),
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda value: format_quantity(value, self.dimension), when_used="json"
            ),
        )

    def value_of(self, given: object) -> float:
        """The number in the base unit, within all bounds."""
        try:
            value = parse_quantity(given, self.dimension)
        except QuantityError as exc:
            raise refusal(exc.problem, accepted=exc.accepted) from exc
        for word, bound in self._bounds():
            limit = parse_quantity(bound, self.dimension)
            holds = {"at least": value >= limit, "at most": value <= limit, "above": value > limit}
            if not holds[word]:
                accepted = f"{self.dimension.what}, {self._bounds_in_words()}"
                raise refusal("out of bounds", accepted=accepted)
        return value

    def _bounds(self) -> list[tuple[str, str]]:
        named = (("above", self.above), ("at least", self.at_least), ("at most", self.at_most))
        return [(word, bound) for word, bound in named if bound is not None]

    def _bounds_in_words(self) -> str:
        return " and ".join(f"{word} {bound}" for word, bound in self._bounds())


Frequency = Annotated[float, Quantity(dimension=FREQUENCY)]
"""A frequency, in Hz."""
Duration = Annotated[float, Quantity(dimension=DURATION)]
"""A duration, in s."""
LevelDifference = Annotated[float, Quantity(dimension=DIFFERENCE)]
"""A level difference, in dB."""
Level = Annotated[float, Quantity(dimension=LEVEL)]
"""A level, in dBm."""
Power = Annotated[float, Quantity(dimension=POWER)]
"""A power, in W."""
Fraction = Annotated[float, Quantity(dimension=FRACTION)]
"""A share, written in percent, 0 to 1 inside."""
Angle = Annotated[float, Quantity(dimension=ANGLE)]
"""An angle, in degrees."""
Ppm = Annotated[float, Quantity(dimension=PPM)]
"""A relative deviation, in parts per million."""
ByteCount = Annotated[int, Quantity(dimension=BYTES)]
"""An amount of data, in bytes."""
