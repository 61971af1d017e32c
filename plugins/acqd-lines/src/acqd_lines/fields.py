"""What single keys of a profile hold: patterns, commands, bytes, numbers and durations."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

import regex
from pydantic import BeforeValidator, Field, PlainSerializer, PlainValidator, StringConstraints

from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, Quantity, refusal
from acqd_lines.patterns import Pattern as _Pattern
from acqd_lines.placeholders import Command

__all__ = [
    "Accuracy",
    "Attenuation",
    "ByteText",
    "Commands",
    "HexBytes",
    "Number",
    "Pattern",
    "Positive",
    "Texts",
    "Timeout",
    "Wait",
    "Word",
    "one_or_more",
]


PATTERN_CAP = 500


def _pattern(given: object) -> _Pattern:
    if isinstance(given, _Pattern):
        return given
    accepted = "a regular expression in single quotes, such as '^ERR (?P<code>\\d+)'"
    if not isinstance(given, str) or not given:
        raise refusal("not a pattern", accepted=accepted)
    if len(given) > PATTERN_CAP:
        raise refusal("too long", accepted=f"a pattern of at most {PATTERN_CAP} characters")
    try:
        return _Pattern(given)
    except regex.error as exc:
        raise refusal(f"a pattern that cannot be read: {exc}", accepted=accepted) from exc


def _hex_bytes(given: object) -> bytes:
    accepted = 'bytes in hex digits, such as "A5 5A"'
    if isinstance(given, bytes):
        return given
    if not isinstance(given, str) or not given.strip():
        raise refusal("not bytes in hex digits", accepted=accepted)
    try:
        data = bytes.fromhex(given)
    except ValueError as exc:
        raise refusal("not bytes in hex digits", accepted=accepted) from exc
    if len(data) > 64:
        raise refusal("too long", accepted="at most 64 bytes")
    return data


def _byte_text(given: object) -> object:
    """A text whose characters are one byte each."""
    if isinstance(given, str) and any(ord(character) > 0xFF for character in given):
        odd = next(character for character in given if ord(character) > 0xFF)
        raise refusal(
            f"the character {odd!r}, which is not one byte", accepted="characters up to U+00FF"
        )
    return given


def one_or_more(given: object) -> object:
    """A text alone, where a list of them is taken, is a list of one; all else is left as it is."""
    return [given] if isinstance(given, str) else given


def _number(given: object) -> Decimal:
    if isinstance(given, Decimal):
        return given
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise refusal("not a number", accepted="a number, without quotes")
    number = Decimal(repr(given))
    if not number.is_finite() or abs(number.adjusted()) > 12:
        raise refusal("out of bounds", accepted="a finite number of ordinary size")
    return number


Pattern = Annotated[
    _Pattern, PlainValidator(_pattern), PlainSerializer(lambda pattern: pattern.text)
]
HexBytes = Annotated[bytes, BeforeValidator(_hex_bytes)]
ByteText = Annotated[str, BeforeValidator(_byte_text), StringConstraints(max_length=200)]
Number = Annotated[Decimal, BeforeValidator(_number)]
Commands = Annotated[
    tuple[Command, ...], BeforeValidator(one_or_more), Field(min_length=1, max_length=32)
]
Texts = Annotated[tuple[ByteText, ...], BeforeValidator(one_or_more), Field(max_length=16)]
Wait = Annotated[float, Quantity(dimension=DURATION, at_most="60 s")]
Timeout = Annotated[float, Quantity(dimension=DURATION, at_least="50 ms", at_most="1 h")]
Accuracy = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="60 dB")]
Positive = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
Attenuation = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="200 dB")]
Word = Annotated[str, BeforeValidator(_byte_text), StringConstraints(min_length=1, max_length=64)]
