"""HiSLIP frames: bytes in, frames out, and what the simulator's server answers; no I/O.

A frame is a header of 16 bytes, most significant byte first: ``HS``, the type of message, a control
code, a parameter (32 bit), the length of the payload (64 bit); then the payload.

Source: IVI-6.1 (HiSLIP), from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

__all__ = [
    "HEADER",
    "PAYLOAD_MOST",
    "Broken",
    "Fatal",
    "Frame",
    "Frames",
    "Kind",
    "Wrong",
    "answer_frames",
    "version_and",
]

HEADER: Final = struct.Struct("!2sBBIQ")
PROLOGUE: Final = b"HS"
PAYLOAD_MOST: Final = 1 << 20
"""Bytes of payload that the server takes in one frame."""
VERSION: Final = 0x0100
"""1.0: synchronized and overlapped mode, no encryption."""


class Kind(IntEnum):
    """Types of message."""

    INITIALIZE = 0
    INITIALIZE_RESPONSE = 1
    FATAL_ERROR = 2
    ERROR = 3
    ASYNC_LOCK = 4
    ASYNC_LOCK_RESPONSE = 5
    DATA = 6
    DATA_END = 7
    DEVICE_CLEAR_COMPLETE = 8
    DEVICE_CLEAR_ACKNOWLEDGE = 9
    ASYNC_REMOTE_LOCAL_CONTROL = 10
    ASYNC_REMOTE_LOCAL_RESPONSE = 11
    TRIGGER = 12
    INTERRUPTED = 13
    ASYNC_INTERRUPTED = 14
    ASYNC_MAX_MSG_SIZE = 15
    ASYNC_MAX_MSG_SIZE_RESPONSE = 16
    ASYNC_INITIALIZE = 17
    ASYNC_INITIALIZE_RESPONSE = 18
    ASYNC_DEVICE_CLEAR = 19
    ASYNC_SERVICE_REQUEST = 20
    ASYNC_STATUS_QUERY = 21
    ASYNC_STATUS_RESPONSE = 22
    ASYNC_DEVICE_CLEAR_ACKNOWLEDGE = 23
    ASYNC_LOCK_INFO = 24
    ASYNC_LOCK_INFO_RESPONSE = 25


class Fatal(IntEnum):
    """Codes of FatalError: the server hangs up after it."""

    UNIDENTIFIED = 0
    HEADER = 1
    CHANNELS = 2
    INITIALIZATION = 3
    CLIENTS = 4


class Wrong(IntEnum):
    """Codes of Error: the frame is thrown away."""

    UNIDENTIFIED = 0
    KIND = 1
    CONTROL = 2
    VENDOR = 3
    TOO_LARGE = 4


class Broken(Exception):
    """The bytes are no frames; nothing that follows can be trusted."""


@dataclass(frozen=True, slots=True)
class Frame:
    """One frame. ``too_large`` says that its payload was thrown away as it came."""

    kind: int
    control: int = 0
    parameter: int = 0
    payload: bytes = b""
    too_large: bool = False

    def encode(self) -> bytes:
        head = HEADER.pack(PROLOGUE, self.kind, self.control, self.parameter, len(self.payload))
        return head + self.payload


class Frames:
    """Cuts a stream of bytes into frames. Holds at most a header and ``PAYLOAD_MOST``."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._skip = 0

    def feed(self, data: bytes) -> Iterator[Frame]:
        """Frames that are whole with ``data``.

        Raises:
            Broken: a header that does not begin as one.
        """
        self._buffer += data
        while (frame := self._next()) is not None:
            yield frame

    def _next(self) -> Frame | None:
        if self._skip:
            gone = min(self._skip, len(self._buffer))
            del self._buffer[:gone]
            self._skip -= gone
        begun = bytes(self._buffer[: len(PROLOGUE)])
        if begun != PROLOGUE[: len(begun)]:
            raise Broken(f"expected HS, got {begun!r}")
        if self._skip or len(self._buffer) < HEADER.size:
            return None
        _, kind, control, parameter, size = HEADER.unpack_from(self._buffer)
        if size > PAYLOAD_MOST:
            del self._buffer[: HEADER.size]
            self._skip = size
            return Frame(kind, control, parameter, too_large=True)
        end = HEADER.size + size
        if len(self._buffer) < end:
            return None
        payload = bytes(self._buffer[HEADER.size : end])
        del self._buffer[:end]
        return Frame(kind, control, parameter, payload)


def version_and(low: int) -> int:
    """The parameter of InitializeResponse: our version above a session's number."""
    return VERSION << 16 | low


def answer_frames(answer: bytes, number: int, *, most: int, ends: bool) -> Iterator[Frame]:
    """``answer`` to the message ``number`` in frames of at most ``most`` bytes, header and all.

    Without ``ends`` even the last is Data, so that the client waits for more.
    """
    size = max(1, most - HEADER.size)
    pieces = [answer[at : at + size] for at in range(0, len(answer), size)] or [b""]
    for place, piece in enumerate(pieces, start=1):
        is_last = ends and place == len(pieces)
        yield Frame(Kind.DATA_END if is_last else Kind.DATA, 0, number, piece)
