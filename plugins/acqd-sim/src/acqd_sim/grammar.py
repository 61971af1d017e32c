"""The grammar of SCPI program messages (IEEE 488.2 and SCPI-1999 vol. 1, from memory).

No I/O and no state: a message is cut into units, a unit into its header and its parameters, a
header is looked up in a table of patterns such as ``[:SENSe]:FREQuency:STARt``. Errors carry their
SCPI number.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

__all__ = [
    "ERROR_TEXTS",
    "FREQUENCY_UNITS",
    "LEVEL_UNITS",
    "NO_UNITS",
    "RATIO_UNITS",
    "TIME_UNITS",
    "Node",
    "ScpiError",
    "Unit",
    "boolean_of",
    "choice_of",
    "expand",
    "header_key",
    "numeric_of",
    "resolve",
    "short_form",
    "split_parameters",
    "split_units",
    "unit_of",
]

ERROR_TEXTS: Mapping[int, str] = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -121: "Invalid character in number",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -141: "Invalid character data",
    -151: "Invalid string data",
    -200: "Execution error",
    -213: "Init ignored",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -310: "System error",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -440: "Query UNTERMINATED after indefinite response",
}
LONGEST_MNEMONIC = 12
"""IEEE 488.2: a program mnemonic has at most twelve characters."""


class ScpiError(Exception):
    """What goes into the error queue: a number, and what is to be added to its text."""

    def __init__(self, code: int, info: str = "") -> None:
        self.code = code
        self.info = info
        super().__init__(code, info)

    def __str__(self) -> str:
        text = ERROR_TEXTS[self.code]
        # text and info together have at most 255 characters
        return f"{text};{self.info}"[:255] if self.info else text


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit of a message. ``header`` is as written, in upper case and without the ``?``."""

    header: str
    query: bool
    parameters: tuple[str, ...]

    @property
    def is_common(self) -> bool:
        return self.header.startswith("*")


def _cut(text: str, separator: str) -> Iterator[str]:
    """Pieces between separators that stand outside of quotes."""
    start, quote = 0, ""
    for i, character in enumerate(text):
        if quote:
            quote = "" if character == quote else quote
        elif character in "\"'":
            quote = character
        elif character == separator:
            yield text[start:i]
            start = i + 1
    if quote:
        raise ScpiError(-151, "the quote is not closed")
    yield text[start:]


def split_units(message: str) -> list[str]:
    """The units of a message without its terminator; empty ones are left out."""
    return [piece for piece in _cut(message, ";") if piece.strip()]


def split_parameters(text: str) -> tuple[str, ...]:
    """The parameters of a unit.

    Raises:
        ScpiError: -103 for an empty one between commas.
    """
    if not text.strip():
        return ()
    pieces = tuple(piece.strip() for piece in _cut(text, ","))
    if not all(pieces):
        raise ScpiError(-103, "an empty parameter")
    return pieces


_HEADER = re.compile(r"\s*(\*[A-Za-z]+|:?[A-Za-z]\w*(?::[A-Za-z]\w*)*)(\?)?(?=\s|$)(.*)", re.S)


def unit_of(text: str) -> Unit:
    """The unit that ``text`` stands for.

    Raises:
        ScpiError: -101, -102 or -112 where it is none.
    """
    if not text.isascii():
        raise ScpiError(-101)
    match = _HEADER.fullmatch(text)
    if match is None:
        raise ScpiError(-102, text.strip()[:40])
    header = match[1].upper()
    if any(len(node) > LONGEST_MNEMONIC for node in header.lstrip("*:").split(":")):
        raise ScpiError(-112, header[:40])
    return Unit(header, match[2] is not None, split_parameters(match[3]))


def resolve(unit: Unit, path: tuple[str, ...]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Full header of a unit, and the path that the next unit starts from.

    A leading colon starts at the root; otherwise the header hangs on the path that the unit before
    left: all its nodes but the last. Common commands neither use nor move the path.
    """
    if unit.is_common:
        return (unit.header,), path
    nodes = tuple(unit.header.lstrip(":").split(":"))
    full = nodes if unit.header.startswith(":") else (*path, *nodes)
    return full, full[:-1]


def short_form(pattern: str) -> str:
    """The short form of ``POSitive``: what stands in capitals."""
    return "".join(c for c in pattern if not c.islower())


@dataclass(frozen=True, slots=True)
class Node:
    """One node of a pattern: its spellings, and whether it may be left out."""

    spellings: tuple[str, ...]
    optional: bool


_NODE = re.compile(r"(\[)?:?([A-Za-z|*]+)(\])?")


def _nodes(pattern: str) -> list[Node]:
    found = []
    for match in _NODE.finditer(pattern):
        spellings: list[str] = []
        for word in match[2].split("|"):
            spellings += [short_form(word), word.upper()]
        found.append(Node(tuple(dict.fromkeys(spellings)), match[1] is not None))
    return found


def expand(pattern: str) -> Iterator[tuple[str, ...]]:
    """Every way to write the header of ``pattern``, in upper case, without numeric suffixes."""
    choices = [
        (*node.spellings, "") if node.optional else node.spellings for node in _nodes(pattern)
    ]
    for written in product(*choices):
        yield tuple(word for word in written if word)


_SUFFIX = re.compile(r"(.*?[A-Z_])(\d*)")


def header_key(nodes: Sequence[str]) -> tuple[str, ...]:
    """``nodes`` without their numeric suffixes, which count from 1 and default to it.

    Raises:
        ScpiError: -114 for a suffix other than 1: there is one of everything.
    """
    key = []
    for node in nodes:
        match = _SUFFIX.fullmatch(node)
        if match is None:
            key.append(node)
            continue
        if match[2] not in ("", "1"):
            raise ScpiError(-114, node)
        key.append(match[1])
    return tuple(key)


FREQUENCY_UNITS = {"HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "MAHZ": 1e6, "GHZ": 1e9, "THZ": 1e12}
"""MHZ is mega here, as an exception: elsewhere M is milli and MA is mega (IEEE 488.2 7.7.3)."""
TIME_UNITS = {"S": 1.0, "MS": 1e-3, "US": 1e-6, "NS": 1e-9, "KS": 1e3, "MAS": 1e6}
RATIO_UNITS = {"DB": 1.0}
LEVEL_UNITS = {"DBM": 1.0}
NO_UNITS: Mapping[str, float] = {}

_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:\s*[Ee]\s*[+-]?\d+)?)\s*([A-Za-z]*)")
_WHOLE = re.compile(r"#([HQB])([0-9A-F]+)", re.I)
_BASES = {"H": 16, "Q": 8, "B": 2}


def numeric_of(text: str, units: Mapping[str, float]) -> float:
    """The number of a parameter: NR1 to NR3 with a suffix unit, or #H, #Q, #B.

    Raises:
        ScpiError: -104, -121, -131 or -138.
    """
    whole = _WHOLE.fullmatch(text)
    if whole is not None:
        try:
            return float(int(whole[2], _BASES[whole[1].upper()]))
        except ValueError as exc:
            raise ScpiError(-121, text) from exc
    match = _NUMBER.fullmatch(text)
    if match is None:
        looks_numeric = text[:1].isdigit() or text[:1] in "+-.#"
        raise ScpiError(-121 if looks_numeric else -104, text[:40])
    suffix = match[2].upper()
    # "1E3HZ" is told apart from an exponent by the pattern: an exponent needs its digits
    if suffix and not units:
        raise ScpiError(-138, suffix)
    if suffix and suffix not in units:
        raise ScpiError(-131, suffix)
    return float(match[1].replace(" ", "")) * (units[suffix] if suffix else 1.0)


def boolean_of(text: str) -> bool:
    """ON, OFF or a number, which counts as on unless it rounds to 0.

    Raises:
        ScpiError: -104 or -141.
    """
    word = text.upper()
    if word in ("ON", "OFF"):
        return word == "ON"
    if word[:1].isalpha():
        raise ScpiError(-141, text[:40])
    return round(numeric_of(text, NO_UNITS)) != 0


def choice_of(text: str, patterns: Sequence[str]) -> str:
    """The pattern (``POSitive``) that ``text`` is the short or the long form of.

    Raises:
        ScpiError: -141.
    """
    word = text.upper()
    for pattern in patterns:
        if word in (short_form(pattern), pattern.upper()):
            return pattern
    raise ScpiError(-141, text[:40])
