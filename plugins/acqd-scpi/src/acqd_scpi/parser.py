"""What SCPI responses are made of, without I/O: bytes in, lines, blocks and numbers out.

IEEE 488.2 knows two kinds of response that a stream can carry: text up to a newline, and a
definite-length block (``#`` one digit n, n digits length, that many bytes). Which one comes is seen
from its first bytes. The third, an indefinite block (``#0``), ends with END, a signal beside the
bytes. HiSLIP, USBTMC, VXI-11 and GPIB have it, and then ``feed`` is told; a socket or a serial line
has none, so there such a block is refused.

Real sweepers end lines with NL, CR NL or CR. Either character ends a line here and further ones
before the next response are skipped, so an empty response does not exist.

Source of the grammar: IEEE 488.2-1992 and SCPI-1999 volume 1, from memory.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from acqd.errors import ProtocolViolation
from acqd.sweep import Identity

__all__ = [
    "BUFFER_CAP_BYTES",
    "Block",
    "Line",
    "ResponseParser",
    "decode_reals",
    "error_entry",
    "identity",
    "number",
    "numbers",
]

BUFFER_CAP_BYTES: Final = 16 << 20
"""One response. A million points as 16 characters each; more is a peer that has lost its way."""

PLAUSIBLE_DB: Final = (-250.0, 207.0)
"""Where levels lie in dBm or dBµV. In the wrong byte order hardly any value does."""

NOT_A_NUMBER: Final = 9.9e37 * (1 - 1e-3)

_END_OF_LINE = re.compile(rb"[\r\n]")
_NRF = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_ERROR_ENTRY = re.compile(r'([+-]?\d+)\s*,\s*"?(.*?)"?', re.ASCII | re.DOTALL)
_BASES = {"h": 16, "q": 8, "b": 2}
_WORDS = {"nan": np.nan, "inf": np.inf, "ninf": -np.inf, "+inf": np.inf, "-inf": -np.inf}


@dataclass(frozen=True, slots=True)
class Line:
    """A text response, without its terminator."""

    text: str


@dataclass(frozen=True, slots=True)
class Block:
    """The payload of a block."""

    payload: bytes


class ResponseParser:
    """Cuts a stream of bytes into responses.

    Args:
        cap_bytes: the longest response; a longer one raises ProtocolViolation.
        has_end: whether ``feed`` will be told where a message ends.
    """

    def __init__(self, cap_bytes: int = BUFFER_CAP_BYTES, *, has_end: bool = False) -> None:
        self._cap_bytes = cap_bytes
        self._has_end = has_end
        self._buffer = bytearray()
        self._scanned = 0
        self._ended = False

    def feed(self, data: bytes, *, end: bool = False) -> None:
        """Take in ``data``; ``end`` where END came with its last byte.

        Raises:
            ProtocolViolation: more than ``cap_bytes`` without a complete response.
        """
        if len(self._buffer) + len(data) > self._cap_bytes:
            got = bytes(self._buffer[:60]) or data[:60]
            self.reset()
            raise ProtocolViolation(
                expected=f"a response of at most {self._cap_bytes} bytes", got=got
            )
        self._buffer += data
        self._ended = end

    def next_response(self) -> Line | Block | None:
        """The next complete response, or None while there is none.

        Raises:
            ProtocolViolation: what came cannot be a response. The parser is empty then.
        """
        self._skip_terminators()
        if not self._buffer:
            return None
        try:
            # "#H1F" and its like are numbers, and so text.
            is_block = self._buffer[:1] == b"#" and self._buffer[1:2].isdigit()
            if self._buffer == b"#" and not self._ended:
                return None
            return self._maybe_block() if is_block else self._maybe_line()
        except ProtocolViolation:
            self.reset()
            raise

    @property
    def pending(self) -> bytes:
        """What is left over, at most its first 60 bytes; terminators do not count."""
        self._skip_terminators()
        return bytes(self._buffer[:60])

    def reset(self) -> bytes:
        """Forget, and return, all that has not been taken as a response."""
        dropped = bytes(self._buffer)
        self._buffer.clear()
        self._scanned = 0
        self._ended = False
        return dropped

    def _skip_terminators(self) -> None:
        start = 0
        while start < len(self._buffer) and self._buffer[start] in b"\r\n":
            start += 1
        if start:
            del self._buffer[:start]
            self._scanned = 0

    def _maybe_line(self) -> Line | None:
        end = _END_OF_LINE.search(self._buffer, self._scanned)
        if end is None and self._ended:
            return Line(self.reset().decode("latin-1").strip())
        if end is None:
            self._scanned = len(self._buffer)
            return None
        raw = bytes(self._buffer[: end.start()])
        del self._buffer[: end.end()]
        self._scanned = 0
        return Line(raw.decode("latin-1").strip())

    def _maybe_block(self) -> Block | None:
        digits = self._buffer[1] - ord("0")
        if digits == 0 and self._has_end:
            # The newline before END is the message's terminator, not of the payload.
            return Block(self.reset()[2:].removesuffix(b"\n")) if self._ended else None
        if digits == 0:
            raise ProtocolViolation(
                expected="a definite-length block (an indefinite one has no end on a stream)",
                got=bytes(self._buffer[:60]),
            )
        header = bytes(self._buffer[2 : 2 + digits])
        if header and not header.isdigit():
            raise ProtocolViolation(
                expected=f"{digits} digits of block length", got=bytes(self._buffer[:60])
            )
        if len(header) < digits:
            self._raise_if_ended(f"{digits} digits of block length")
            return None
        size = int(header)
        if size > self._cap_bytes:
            raise ProtocolViolation(
                expected=f"a block of at most {self._cap_bytes} bytes", got=f"one of {size}"
            )
        end = 2 + digits + size
        if len(self._buffer) < end:
            self._raise_if_ended(f"a block of {size} bytes")
            return None
        payload = bytes(self._buffer[2 + digits : end])
        del self._buffer[:end]
        self._scanned = 0
        return Block(payload)

    def _raise_if_ended(self, expected: str) -> None:
        """Where the message has ended no more comes."""
        if self._ended:
            got = bytes(self._buffer[:60])
            raise ProtocolViolation(expected=f"{expected} before the message's end", got=got)


def number(text: str) -> float:
    """The value of NR1, NR2, NR3, ``#H``, ``#Q`` or ``#B`` data, or of the words NAN, INF, NINF.

    Raises:
        ProtocolViolation: it is none of these.
    """
    stripped = text.strip()
    if _NRF.fullmatch(stripped):
        return float(stripped)
    if stripped.lower() in _WORDS:
        return float(_WORDS[stripped.lower()])
    if stripped[:1] == "#" and stripped[1:2].lower() in _BASES:
        try:
            return float(int(stripped[2:].replace("_", "x"), _BASES[stripped[1].lower()]))
        except (ValueError, OverflowError):
            pass
    raise ProtocolViolation(expected="a number", got=text)


def numbers(text: str) -> NDArray[np.float64]:
    """(n,) values of a comma-separated list; a comma at its end is forgiven.

    Raises:
        ProtocolViolation: an item is not a number; the first such item is shown.
    """
    items = text.split(",")
    if items[-1].strip() == "":
        items.pop()
    try:
        values = np.array([float(item) for item in items], dtype=np.float64)
    except ValueError:
        values = np.array([number(item) for item in items], dtype=np.float64)
    if "_" in text or not text.isascii():
        # float() takes digit groups and digits of other scripts, which no sweeper means.
        raise ProtocolViolation(expected="numbers", got=text)
    return values


def decode_reals(payload: bytes, *, width: int, byte_order: str | None) -> NDArray[Any]:
    """Levels of a REAL,32 or REAL,64 block.

    Args:
        payload: the block's bytes.
        width: bytes per value, 4 or 8.
        byte_order: "big", "little", or None to take the one in which the values are levels.

    Returns:
        (n,) float32 or float64 in the machine's own byte order.

    Raises:
        ProtocolViolation: not a whole number of values, or levels in neither byte order.
    """
    if len(payload) % width:
        raise ProtocolViolation(
            expected=f"a block of {width} bytes a value", got=f"one of {len(payload)} bytes"
        )
    kind = np.float32 if width == 4 else np.float64
    orders = {"big": ">", "little": "<"}
    if byte_order is not None:
        return np.frombuffer(payload, dtype=f"{orders[byte_order]}f{width}").astype(kind)
    read = [np.frombuffer(payload, dtype=f"{sign}f{width}").astype(kind) for sign in "><"]
    scores = [_share_of_levels(values) for values in read]
    best = int(scores[1] > scores[0])
    if payload and scores[best] < 0.5:
        raise ProtocolViolation(expected="levels, in one byte order or the other", got=payload[:60])
    return read[best]


def _share_of_levels(values: NDArray[Any]) -> float:
    """The share of ``values`` that can be levels; not-a-number is one where it is written as such.

    Zero and denormal numbers count for half: the bytes of small integers look like them.
    """
    if values.size == 0:
        return 1.0
    with np.errstate(invalid="ignore"):
        size = np.abs(values)
        inside = (values >= PLAUSIBLE_DB[0]) & (values <= PLAUSIBLE_DB[1])
        missing = np.isnan(values) | ((size >= NOT_A_NUMBER) & (size <= 1.01e38))
        tiny = size < 1e-6
    return float(np.where(tiny, 0.5, inside | missing).mean())


def identity(text: str) -> Identity:
    """The answer to ``*IDN?``: maker, model, serial number, firmware.

    Firmware may hold commas. "0" is IEEE 488.2's way to say that there is no serial number or
    firmware. Fewer fields than four are taken as they are.

    Raises:
        ProtocolViolation: there is nothing in it.
    """
    fields = [_printable(part) for part in text.split(",", 3)]
    if not any(fields):
        raise ProtocolViolation(expected="maker, model, serial number, firmware", got=text)
    if len(fields) == 1:
        return Identity(model=fields[0])
    fields += [""] * (4 - len(fields))
    maker, model, serial, firmware = fields
    return Identity(
        maker=maker,
        model=model,
        serial_number="" if serial == "0" else serial,
        firmware="" if firmware == "0" else firmware,
    )


def _printable(text: str) -> str:
    shown = "".join(char for char in text if char.isprintable())
    return shown.strip().strip('"').strip()[:200]


def error_entry(text: str) -> tuple[int, str]:
    """One entry of the error queue: its number and its text; 0 where the queue is empty.

    Raises:
        ProtocolViolation: it is not of the form ``<number>,"<text>"``.
    """
    match = _ERROR_ENTRY.fullmatch(text.strip())
    if match is None or len(match[1]) > 12:
        raise ProtocolViolation(expected='an error entry such as 0,"No error"', got=text)
    return int(match[1]), match[2]
