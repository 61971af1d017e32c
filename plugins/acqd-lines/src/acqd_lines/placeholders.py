"""Commands with placeholders: ``sweep {start:kHz:.3f} {stop:kHz:.3f} {points}``.

A placeholder is a name, a unit and a format, with colons between them. Names are fixed
(:data:`KINDS`); a frequency, time or level names the unit that the sweeper counts in, and may count
in multiples of it (``{start:10Hz:d}``). The format is one of Python's for numbers (``d``, ``.3f``,
``08.2f``, ``.6e``, ``04X``), or a binary one (``u32le``); without one the shortest decimal stands.
Braces themselves are doubled. Everything is checked when the profile is read.

Every character of a command is one byte, U+0000 to U+00FF; others are refused.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, Final

from pydantic import GetCoreSchemaHandler
from pydantic_core import CoreSchema, core_schema

from acqd.config.problems import near_miss
from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, LEVEL, Dimension, refusal
from acqd.errors import RequestRefused

__all__ = [
    "KINDS",
    "UNITS_BY_KIND",
    "Command",
    "Placeholder",
    "Rendered",
    "UnreadableCommand",
    "command_of",
]

COUNT: Final = None
"""A whole number without a unit."""

KINDS: Final[Mapping[str, Dimension | None]] = {
    "start": FREQUENCY,
    "stop": FREQUENCY,
    "centre": FREQUENCY,
    "span": FREQUENCY,
    "step": FREQUENCY,
    "points": COUNT,
    "steps": COUNT,
    "rbw": FREQUENCY,
    "vbw": FREQUENCY,
    "detector": COUNT,
    "attenuation": DIFFERENCE,
    "reference_level": LEVEL,
    "sweep_time": DURATION,
    "averages": COUNT,
    "source_level": LEVEL,
    "source_frequency": FREQUENCY,
}
"""Placeholders, and what each is a quantity of. ``steps`` is one less than ``points``."""

_TIMES: Final = {"s": Decimal(1), "ms": Decimal("1e-3"), "µs": Decimal("1e-6")}
_UNITS: Final[Mapping[int, Mapping[str, Decimal]]] = {
    id(FREQUENCY): dict(FREQUENCY.units),
    id(DURATION): {**_TIMES, "us": _TIMES["µs"]},
    id(LEVEL): {"dBm": Decimal(1)},
    id(DIFFERENCE): {"dB": Decimal(1)},
}

UNITS_BY_KIND: Final[Mapping[str, tuple[str, ...]]] = {
    name: tuple(_UNITS[id(kind)]) for name, kind in KINDS.items() if kind is not None
}
"""Units that a placeholder may name."""

_PART = re.compile(r"\{\{|\}\}|\{([^{}]*)\}|[{}]")
_UNIT = re.compile(r"(\d+(?:\.\d+)?)?\s*(\D+)")
_NUMBER = re.compile(r"[+ -]?0?\d{0,2}(?:\.\d{1,2})?[dfeEgGxX]")
_BINARY: Final = {
    f"{name}{end}": struct.Struct({"le": "<", "be": ">", "": "<"}[end] + code)
    for name, code in {
        "u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "u64": "Q",
        "i64": "q", "f32": "f", "f64": "d",
    }.items()
    for end in (("",) if name.endswith("i8") or name == "u8" else ("le", "be"))
}  # fmt: skip

FORMATS_TEXT: Final = "such as d, .3f, 09.4f, .6e, 04X, or bytes such as u32le"


class UnreadableCommand(ValueError):
    """A command that cannot be read; ``problem`` says why, ``accepted`` what would do."""

    def __init__(self, problem: str, accepted: str) -> None:
        self.problem = problem
        self.accepted = accepted
        super().__init__(problem, accepted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placeholder:
    """One value to be put in. ``factor`` is the size of what the sweeper counts in."""

    name: str
    unit: str = ""
    factor: Decimal = Decimal(1)
    format: str = ""

    def put(self, value: float | str) -> tuple[bytes, float | None]:
        """What is sent for ``value``, and the number that it says, in base units.

        Raises:
            RequestRefused: the number does not fit into the bytes that the format has.
        """
        if isinstance(value, str):
            return value.encode("latin-1"), None
        number = Decimal(repr(float(value))) / self.factor
        if self.format in _BINARY:
            return self._packed(number, value)
        text, said = _written(number, self.format)
        return text.encode("latin-1"), float(said * self.factor)

    def _packed(self, number: Decimal, value: float) -> tuple[bytes, float]:
        packer = _BINARY[self.format]
        try:
            whole: float = (
                float(number) if self.format[0] == "f" else int(number.to_integral_value())
            )
            data = packer.pack(whole)
        except (struct.error, OverflowError) as error:
            limit = f"what fits into {self.format}"
            raise RequestRefused(setting=self.name, asked=f"{value:g}", limit=limit) from error
        return data, float(Decimal(repr(packer.unpack(data)[0])) * self.factor)


def _written(number: Decimal, form: str) -> tuple[str, Decimal]:
    """``number`` as text, and the number that the text says."""
    if not form:
        plain = f"{number.normalize():f}"
        return plain, number
    if form[-1] in "dxX":
        whole = int(number.to_integral_value())
        return format(whole, form), Decimal(whole)
    if form[-1] == "f":
        text = format(number, form)
        return text, Decimal(text.strip())
    text = format(float(number), form)
    return text, Decimal(text.strip())


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendered:
    """A command as it is sent, without its line end; ``sent`` are the numbers that it says."""

    data: bytes
    sent: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Command:
    """A command, read: texts and placeholders in order. ``text`` is as the profile has it."""

    text: str
    parts: tuple[bytes | Placeholder, ...]

    @property
    def placeholders(self) -> tuple[Placeholder, ...]:
        return tuple(part for part in self.parts if isinstance(part, Placeholder))

    @property
    def names(self) -> frozenset[str]:
        """Names of all placeholders."""
        return frozenset(part.name for part in self.placeholders)

    def render(self, values: Mapping[str, float | str | None]) -> Rendered:
        """The command with ``values`` put in; quantities in base units.

        Raises:
            RequestRefused: a value is wanted that is None or not there.
        """
        data, sent = b"", dict[str, float]()
        for part in self.parts:
            if isinstance(part, bytes):
                data += part
                continue
            value = values.get(part.name)
            if value is None:
                raise RequestRefused(setting=part.name, asked="nothing", limit="a value")
            piece, said = part.put(value)
            data += piece
            if said is not None:
                sent[part.name] = said
        return Rendered(data=data, sent=sent)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            _validated,
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda command: command.text
            ),
        )


def _validated(given: object) -> Command:
    if isinstance(given, Command):
        return given
    if not isinstance(given, str):
        raise refusal("not a text", accepted='a command, such as "sweep {start:kHz:.3f}"')
    try:
        return command_of(given)
    except UnreadableCommand as exc:
        raise refusal(exc.problem, accepted=exc.accepted) from exc


def command_of(text: str) -> Command:
    """``text`` read as a command.

    Raises:
        UnreadableCommand: a placeholder, unit or format that is not known, a stray brace, or a
            character that is no byte.
    """
    return Command(text, tuple(_parts(text)))


def _parts(text: str) -> Iterator[bytes | Placeholder]:
    literal, at = "", 0
    for match in _PART.finditer(text):
        literal += text[at : match.start()]
        at = match.end()
        if match[0] in ("{{", "}}"):
            literal += match[0][0]
            continue
        if match[1] is None:
            raise UnreadableCommand(
                f"a stray `{match[0]}`", "{name:unit:format}, or {{ and }} for braces themselves"
            )
        yield from _literal(literal)
        literal = ""
        yield _placeholder(match[1])
    yield from _literal(literal + text[at:])


def _literal(text: str) -> Iterator[bytes]:
    if not text:
        return
    try:
        yield text.encode("latin-1")
    except UnicodeEncodeError as exc:
        raise UnreadableCommand(
            f"the character {text[exc.start]!r}, which is not one byte",
            "characters up to U+00FF",
        ) from exc


def _placeholder(inside: str) -> Placeholder:
    name, *rest = (part.strip() for part in inside.split(":"))
    if name not in KINDS:
        raise UnreadableCommand(
            f"unknown placeholder `{{{name}}}`{near_miss(name, KINDS)}",
            "one of " + ", ".join(f"{{{known}}}" for known in KINDS),
        )
    kind = KINDS[name]
    if kind is None:
        if len(rest) > 1:
            raise UnreadableCommand(f"`{{{inside}}}`: a {name} has no unit", f"{{{name}:format}}")
        form = _format(inside, rest[0] if rest else "")
        if name == "detector" and form:
            raise UnreadableCommand(f"`{{{inside}}}`: a word has no format", "{detector}")
        return Placeholder(name=name, format=form)
    if not rest:
        return Placeholder(name=name)
    if len(rest) > 2:
        raise UnreadableCommand(f"`{{{inside}}}`: too many parts", f"{{{name}:unit:format}}")
    unit, factor = _unit(inside, kind, rest[0])
    form = _format(inside, rest[1] if len(rest) == 2 else "")
    return Placeholder(name=name, unit=unit, factor=factor, format=form)


def _unit(inside: str, kind: Dimension, text: str) -> tuple[str, Decimal]:
    known = _UNITS[id(kind)]
    match = _UNIT.fullmatch(text.replace("μ", "µ"))
    if match is None or match[2] not in known or (match[1] and Decimal(match[1]) == 0):
        word = match[2] if match else text
        meant = [unit for unit in known if unit.casefold() == word.casefold()]
        hint = f"; did you mean `{meant[0]}`?" if meant else near_miss(word, known)
        raise UnreadableCommand(
            f"`{{{inside}}}`: unknown unit `{text}`{hint}",
            f"one of {', '.join(known)}, also with a number, such as 10{next(iter(known))}",
        )
    return match[2], known[match[2]] * (Decimal(match[1]) if match[1] else 1)


def _format(inside: str, text: str) -> str:
    if text and text not in _BINARY and not _NUMBER.fullmatch(text):
        raise UnreadableCommand(f"`{{{inside}}}`: unknown format `{text}`", FORMATS_TEXT)
    if text and text[-1] in "dxX" and "." in text:
        raise UnreadableCommand(
            f"`{{{inside}}}`: `{text}`: a whole number has no decimals", FORMATS_TEXT
        )
    return text
