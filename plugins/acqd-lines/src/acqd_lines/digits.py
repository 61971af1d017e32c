"""Bytes that are written as text: hexadecimal digits, two a byte. Pure."""

from __future__ import annotations

import re
from typing import Final

from acqd.errors import ProtocolViolation

__all__ = ["bytes_of_digits"]

_BETWEEN: Final = re.compile(r"[\s,;:]+")
"""What may stand between bytes."""
_DIGITS: Final = re.compile(r"(?:[0-9A-Fa-f]{2})+")


def bytes_of_digits(text: str) -> bytes:
    """The bytes that ``text`` stands for. White space, commas, semicolons and colons between
    them are passed over.

    Raises:
        ProtocolViolation: something else, half a byte, or nothing.
    """
    plain = _BETWEEN.sub("", text)
    if not _DIGITS.fullmatch(plain):
        raise ProtocolViolation(expected="hexadecimal digits, two a byte", got=text[:60])
    return bytes.fromhex(plain)
