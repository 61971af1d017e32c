"""A USBTMC device at the level of bytes: bulk and control transfers in and out; no I/O.

Bulk messages begin with a header of 12 bytes, least significant byte first::

    0  MsgID            1 message to the device, 2 request for an answer, and the answer
    1  bTag             1 to 255, another for each; an answer carries its request's
    2  ~bTag            its inverse
    3  0
    4  TransferSize     bytes of payload; in a request the most that the answer may carry
    8  attributes       bit 0: the message ends here (EOM); in a request bit 1: end at TermChar
    9  TermChar         in a request
    10 0, 0

and are filled up to a multiple of 4. An answer that fills its last packet is followed by an empty
one. USB488 adds the trigger (MsgID 128), the status byte and remote control; there is no interrupt
endpoint, so the status byte comes with the request for it.

Source: USBTMC 1.0 and USB488 1.0 (USB Implementers Forum), from memory: tables 1 to 9 for the
headers, 15 to 37 for the requests.
"""

from __future__ import annotations

import struct
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from enum import IntEnum
from typing import Final

__all__ = ["BULK_IN", "BULK_OUT", "Request", "Stalled", "Status", "UsbtmcDevice"]

HEADER: Final = struct.Struct("<BBBxLBBxx")
BULK_OUT: Final = 0x01
BULK_IN: Final = 0x82
"""Addresses of the endpoints."""

MESSAGE_MOST: Final = 1 << 20
"""Bytes of one message to the device; a longer one stalls."""
EOM: Final = 1
TERM_CHAR: Final = 2
TRIGGER: Final = 128


class Request(IntEnum):
    """Class requests."""

    INITIATE_ABORT_BULK_OUT = 1
    CHECK_ABORT_BULK_OUT_STATUS = 2
    INITIATE_ABORT_BULK_IN = 3
    CHECK_ABORT_BULK_IN_STATUS = 4
    INITIATE_CLEAR = 5
    CHECK_CLEAR_STATUS = 6
    GET_CAPABILITIES = 7
    INDICATOR_PULSE = 64
    READ_STATUS_BYTE = 128
    REN_CONTROL = 160
    GO_TO_LOCAL = 161
    LOCAL_LOCKOUT = 162


class Status(IntEnum):
    """First byte of the answer to a class request."""

    SUCCESS = 0x01
    PENDING = 0x02
    FAILED = 0x80
    TRANSFER_NOT_IN_PROGRESS = 0x81


class Stalled(Exception):
    """The endpoint is halted, or the request is none that the device has."""


@dataclass(frozen=True, slots=True)
class _Asked:
    """A request for an answer that is not answered yet."""

    tag: int
    size: int
    term_char: int | None


class UsbtmcDevice:
    """One USBTMC interface.

    Args:
        on_message: told of each whole message.
        on_clear: told of a device clear.
        on_interrupted: told where a message came while an answer was not read.
        status_byte: gives the status byte; told whether an answer waits.
        packet_bytes: wMaxPacketSize of both bulk endpoints.
    """

    def __init__(
        self,
        *,
        on_message: Callable[[bytes], None],
        on_clear: Callable[[], None],
        on_interrupted: Callable[[], None],
        status_byte: Callable[[bool], int],
        packet_bytes: int = 512,
    ) -> None:
        self._on_message = on_message
        self._on_clear = on_clear
        self._on_interrupted = on_interrupted
        self._status_byte = status_byte
        self.packet_bytes = packet_bytes
        self.clears = 0
        """Device clears so far."""
        self.aborts = 0
        self._halted = False
        self._forget()

    def _forget(self) -> None:
        self._incoming = bytearray()
        self._message = bytearray()
        self._answer = bytearray()
        self._answer_ends = True
        self._asked: _Asked | None = None
        self._packets: deque[bytes] = deque()
        self._clear_looks = 0
        self._aborted_bytes = 0

    def reset(self) -> None:
        """A bus reset: nothing of the conversation is left, the endpoint is not halted."""
        self._halted = False
        self._forget()

    @property
    def has_answer(self) -> bool:
        return bool(self._answer or self._packets)

    # --- bulk ---------------------------------------------------------------------------------

    def bulk_out(self, data: bytes) -> None:
        """Take what the host sends, in pieces of any size.

        Raises:
            Stalled: the endpoint is halted, or the bytes are no message and halt it.
        """
        if self._halted:
            raise Stalled("bulk-out is halted")
        self._incoming += data
        while len(self._incoming) >= HEADER.size:
            kind, tag, inverse, size, attributes, term_char = HEADER.unpack_from(self._incoming)
            if tag == 0 or inverse != ~tag & 0xFF or kind not in (1, 2, TRIGGER):
                self._halt("no header")
            carried = size if kind == 1 else 0
            if carried > MESSAGE_MOST:
                self._halt("too long")
            end = HEADER.size + carried + -carried % 4
            if len(self._incoming) < end:
                return
            payload = bytes(self._incoming[HEADER.size : HEADER.size + carried])
            del self._incoming[:end]
            if kind == 2:
                wanted = term_char if attributes & TERM_CHAR else None
                self._asked = _Asked(tag, size, wanted)
                self._pump()
            else:
                self._take(payload if kind == 1 else b"*TRG\n", bool(attributes & EOM) or kind != 1)

    def _halt(self, why: str) -> None:
        self._halted = True
        self._incoming.clear()
        raise Stalled(why)

    def clear_halt(self) -> None:
        """The host's CLEAR_FEATURE for the bulk-out endpoint."""
        self._halted = False

    def _take(self, payload: bytes, ends: bool) -> None:
        if self.has_answer:
            self._answer.clear()
            self._packets.clear()
            self._on_interrupted()
        self._message += payload
        if len(self._message) > MESSAGE_MOST:
            self._message.clear()
            self._halt("too long")
        if ends:
            message = bytes(self._message)
            self._message.clear()
            self._on_message(message)

    def answer(self, data: bytes, *, ends: bool = True) -> None:
        """What the instrument says; without ``ends`` more of it is to come."""
        self._answer += data
        self._answer_ends = ends
        self._pump()

    def _pump(self) -> None:
        """Answer the request that is out, where there is something to say."""
        if self._asked is None or not self._answer or not self._asked.size:
            return
        asked, self._asked = self._asked, None
        size = min(asked.size, len(self._answer))
        if asked.term_char is not None:
            found = self._answer.find(bytes([asked.term_char]), 0, size)
            size = found + 1 if found >= 0 else size
        payload = bytes(self._answer[:size])
        del self._answer[:size]
        attributes = EOM if self._answer_ends and not self._answer else 0
        if asked.term_char is not None and payload.endswith(bytes([asked.term_char])):
            attributes |= TERM_CHAR
        head = HEADER.pack(2, asked.tag, ~asked.tag & 0xFF, size, attributes, 0)
        transfer = head + payload + bytes(-size % 4)
        step = self.packet_bytes
        self._packets.extend(transfer[at : at + step] for at in range(0, len(transfer), step))
        if len(transfer) % step == 0:
            self._packets.append(b"")

    def bulk_in(self) -> bytes | None:
        """The next packet for the host; None where it has to wait."""
        return self._packets.popleft() if self._packets else None

    # --- control ------------------------------------------------------------------------------

    def control(self, request: int, value: int) -> bytes:
        """The answer to a class request.

        Raises:
            Stalled: there is no such request.
        """
        done = bytes([Status.SUCCESS])
        match request:
            case Request.GET_CAPABILITIES:
                return _capabilities()
            case Request.INITIATE_CLEAR:
                self.clears += 1
                self._forget()
                self._clear_looks = 1
                self._on_clear()
                return done
            case Request.CHECK_CLEAR_STATUS:
                # One look finds it still at work, as on a real device.
                pending, self._clear_looks = self._clear_looks > 0, self._clear_looks - 1
                return bytes([Status.PENDING if pending else Status.SUCCESS, 0])
            case Request.INITIATE_ABORT_BULK_IN:
                return self._abort_in(value & 0xFF)
            case Request.CHECK_ABORT_BULK_IN_STATUS | Request.CHECK_ABORT_BULK_OUT_STATUS:
                return struct.pack("<BBxxL", Status.SUCCESS, 0, self._aborted_bytes)
            case Request.INITIATE_ABORT_BULK_OUT:
                in_progress = bool(self._incoming)
                self._aborted_bytes = len(self._incoming)
                self._incoming.clear()
                status = Status.SUCCESS if in_progress else Status.TRANSFER_NOT_IN_PROGRESS
                return bytes([status, value & 0xFF])
            case Request.READ_STATUS_BYTE:
                return done + bytes([value & 0x7F, self._status_byte(self.has_answer)])
            case (
                Request.INDICATOR_PULSE
                | Request.REN_CONTROL
                | Request.GO_TO_LOCAL
                | Request.LOCAL_LOCKOUT
            ):
                return done
        raise Stalled(f"request {request}")

    def _abort_in(self, tag: int) -> bytes:
        """The host gave up a request: what was on its way is lost, a short packet ends it."""
        if self._asked is None and not self._packets:
            return bytes([Status.TRANSFER_NOT_IN_PROGRESS, tag])
        self.aborts += 1
        self._aborted_bytes = 0
        self._asked = None
        self._packets.clear()
        self._packets.append(b"")
        return bytes([Status.SUCCESS, tag])


def _capabilities() -> bytes:
    """TermChar; USB488 with 488.2, remote control and trigger; SCPI (24 bytes)."""
    answer = bytearray(24)
    answer[0] = Status.SUCCESS
    answer[2:4] = (0x00, 0x01)  # USBTMC 1.00
    answer[4] = 0b100  # takes INDICATOR_PULSE
    answer[5] = 0b1  # can end an answer at a TermChar
    answer[12:14] = (0x00, 0x01)  # USB488 1.00
    answer[14] = 0b111  # 488.2, remote control, trigger
    answer[15] = 0b1011  # SCPI, remote and local, trigger
    return bytes(answer)
