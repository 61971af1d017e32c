"""VXI-11 records and calls: bytes in, calls out, replies made; no I/O.

Remote procedure calls over TCP. A record is fragments of a word (its length, highest bit set in the
last) and that many bytes. Numbers are words of four bytes, most significant first; texts and opaque
data are a length, the bytes, and zeros up to a multiple of four.

Sources: RFC 5531 (RPC, record marking), RFC 4506 (XDR), RFC 1833 (portmapper), VXI-11 revision 1.0
(TCP/IP Instrument Protocol) for programs, procedures, flags and errors; all from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum, IntFlag
from typing import Final

__all__ = [
    "ABORT",
    "CORE",
    "PORTMAPPER",
    "RECORD_MOST",
    "Broken",
    "Call",
    "Error",
    "Garbage",
    "Proc",
    "Reader",
    "Reason",
    "Records",
    "Refusal",
    "opaque",
    "record",
    "refused",
    "reply",
    "words",
]

CORE: Final = 0x0607AF
ABORT: Final = 0x0607B0
PORTMAPPER: Final = 100_000
VERSIONS: Final = {CORE: 1, ABORT: 1, PORTMAPPER: 2}

RECORD_MOST: Final = (1 << 20) + 1024
LAST: Final = 0x8000_0000
RPC_VERSION: Final = 2


class Proc(IntEnum):
    """Procedures of the core program, and where marked of others."""

    ABORT = 1  # of the abort program
    GET_PORT = 3  # of the portmapper
    CREATE_LINK = 10
    WRITE = 11
    READ = 12
    READ_STB = 13
    TRIGGER = 14
    CLEAR = 15
    REMOTE = 16
    LOCAL = 17
    LOCK = 18
    UNLOCK = 19
    ENABLE_SRQ = 20
    DO_COMMAND = 22
    DESTROY_LINK = 23
    CREATE_INTERRUPT = 25
    DESTROY_INTERRUPT = 26


class Error(IntEnum):
    """First word of every result."""

    NONE = 0
    NO_DEVICE = 3
    NO_LINK = 4
    PARAMETER = 5
    NOT_SUPPORTED = 8
    OUT_OF_RESOURCES = 9
    LOCKED = 11
    NOT_LOCKED = 12
    TIMEOUT = 15
    ABORTED = 23


class Reason(IntFlag):
    """Why a read ended."""

    NONE = 0
    COUNT = 1
    CHARACTER = 2
    END = 4


class Refusal(IntEnum):
    """Why a call was not carried out."""

    NO_PROGRAM = 1
    VERSION = 2
    NO_PROCEDURE = 3
    GARBAGE = 4


class Broken(Exception):
    """The bytes are no records of calls."""


class Garbage(Exception):
    """The arguments of a call are not what its procedure has."""


@dataclass(frozen=True, slots=True)
class Call:
    """One call; ``arguments`` still packed."""

    xid: int
    program: int
    version: int
    procedure: int
    arguments: bytes


class Records:
    """Cuts a stream of bytes into calls. Holds at most one record."""

    def __init__(self) -> None:
        self._buffer = bytearray()
        self._record = bytearray()

    def feed(self, data: bytes) -> Iterator[Call]:
        """Calls that are whole with ``data``.

        Raises:
            Broken: a record beyond ``RECORD_MOST``, or one that is no call.
        """
        self._buffer += data
        while len(self._buffer) >= 4:
            (word,) = struct.unpack_from(">I", self._buffer)
            size = word & ~LAST
            if len(self._record) + size > RECORD_MOST:
                raise Broken(f"a record of more than {RECORD_MOST} bytes")
            if len(self._buffer) < 4 + size:
                return
            self._record += self._buffer[4 : 4 + size]
            del self._buffer[: 4 + size]
            if word & LAST:
                whole = bytes(self._record)
                self._record.clear()
                yield _call(whole)


def _call(data: bytes) -> Call:
    reader = Reader(data)
    try:
        xid, kind, rpc, program, version, procedure = (reader.word() for _ in range(6))
        for _ in range(2):  # credentials and verifier, which nobody checks
            reader.word()
            reader.opaque()
    except Garbage as short:
        raise Broken("a record too short for a call") from short
    if kind != 0 or rpc != RPC_VERSION:
        raise Broken("a record that is no call")
    return Call(xid, program, version, procedure, reader.rest())


class Reader:
    """Unpacks arguments. Raises :class:`Garbage` where there are too few."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def word(self) -> int:
        """An unsigned number."""
        return int.from_bytes(self._take(4), "big")

    def opaque(self) -> bytes:
        """Bytes, or a text."""
        size = self.word()
        data = self._take(size)
        self._take(-size % 4)
        return data

    def rest(self) -> bytes:
        return self._data[self._at :]

    def _take(self, size: int) -> bytes:
        if self._at + size > len(self._data):
            raise Garbage
        self._at += size
        return self._data[self._at - size : self._at]


def words(*numbers: int) -> bytes:
    """Numbers, packed."""
    return struct.pack(f">{len(numbers)}I", *numbers)


def opaque(data: bytes) -> bytes:
    """Bytes, packed."""
    return words(len(data)) + data + bytes(-len(data) % 4)


def record(data: bytes) -> bytes:
    """One record of one fragment."""
    return words(LAST | len(data)) + data


def reply(call: Call, result: bytes) -> bytes:
    """The record that answers ``call``."""
    return record(words(call.xid, 1, 0, 0, 0, 0) + result)


def refused(call: Call, why: Refusal) -> bytes:
    """The record that says why ``call`` was not carried out."""
    versions = VERSIONS.get(call.program, 0)
    span = words(versions, versions) if why is Refusal.VERSION else b""
    return record(words(call.xid, 1, 0, 0, 0, why) + span)
