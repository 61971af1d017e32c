"""Checksums of answers, named by what they compute rather than by who uses them.

A 16-bit cyclic redundancy check has many variants that differ in four parameters; they are given,
not named. With the check text "123456789": polynomial 0x1021, initial 0xFFFF gives 0x29B1;
polynomial 0x8005, initial 0xFFFF, reflected gives 0x4B37; and the 32-bit one gives 0xCBF43926
(catalogue of parametrised CRC algorithms, check values, from memory).
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal

__all__ = ["WIDTH_BYTES", "Checksum", "ChecksumKind", "Over", "crc16"]

ChecksumKind = Literal["sum8", "xor8", "crc16", "crc32"]

Over = Literal["payload", "before", "all", "bytes"]

WIDTH_BYTES: Final[dict[ChecksumKind, int]] = {"sum8": 1, "xor8": 1, "crc16": 2, "crc32": 4}


@dataclass(frozen=True, slots=True, kw_only=True)
class Checksum:
    """What is computed, and how it is written.

    ``form`` is "hex" (digits, two a byte, either case) or "bytes" in ``order``. ``over`` is what it
    is computed of: the "payload" alone; what came "before" it, also a block's header or the ends of
    lines, but not the sync bytes and not the mark; "all" that came; or the "bytes" that hexadecimal
    digits in lines stand for. ``mark`` is a text before
    it; in a line of its own other words may stand between the two.
    """

    kind: ChecksumKind
    polynomial: int = 0x1021
    initial: int = 0xFFFF
    reflected: bool = False
    final_xor: int = 0
    form: Literal["hex", "bytes"] = "hex"
    order: Literal["big", "little"] = "big"
    over: Over = "payload"
    mark: bytes = b""

    @property
    def written_bytes(self) -> int:
        """How many bytes it takes in the answer, without the mark."""
        width = WIDTH_BYTES[self.kind]
        return 2 * width if self.form == "hex" else width

    def of(self, data: bytes) -> int:
        """The checksum of ``data``."""
        match self.kind:
            case "sum8":
                return sum(data) & 0xFF
            case "xor8":
                value = 0
                for byte in data:
                    value ^= byte
                return value
            case "crc16":
                return crc16(
                    data,
                    polynomial=self.polynomial,
                    initial=self.initial,
                    reflected=self.reflected,
                    final_xor=self.final_xor,
                )
            case "crc32":
                return zlib.crc32(data)

    def written(self, value: int) -> bytes:
        """``value`` as it stands in an answer, digits in upper case."""
        width = WIDTH_BYTES[self.kind]
        if self.form == "hex":
            return f"{value:0{2 * width}X}".encode("ascii")
        return value.to_bytes(width, self.order)

    def read(self, data: bytes) -> int | None:
        """The value that stands in ``data``; None where that is no checksum of this form."""
        if len(data) != self.written_bytes:
            return None
        if self.form == "bytes":
            return int.from_bytes(data, self.order)
        try:
            text = data.decode("ascii")
            return int(text, 16) if text.isalnum() else None
        except ValueError:
            return None


def crc16(
    data: bytes, *, polynomial: int, initial: int, reflected: bool = False, final_xor: int = 0
) -> int:
    """The 16-bit CRC of ``data``; ``polynomial`` in its usual, not reflected, notation."""
    table = _table(polynomial, reflected)
    value = initial
    if reflected:
        for byte in data:
            value = (value >> 8) ^ table[(value ^ byte) & 0xFF]
    else:
        for byte in data:
            value = ((value << 8) & 0xFFFF) ^ table[(value >> 8) ^ byte]
    return value ^ final_xor


@lru_cache(maxsize=16)
def _table(polynomial: int, reflected: bool) -> tuple[int, ...]:
    return tuple(_entry(byte, polynomial, reflected) for byte in range(256))


def _entry(byte: int, polynomial: int, reflected: bool) -> int:
    if reflected:
        turned = int(f"{polynomial:016b}"[::-1], 2)
        value = byte
        for _ in range(8):
            value = (value >> 1) ^ (turned if value & 1 else 0)
        return value
    value = byte << 8
    for _ in range(8):
        value = ((value << 1) & 0xFFFF) ^ (polynomial if value & 0x8000 else 0)
    return value
