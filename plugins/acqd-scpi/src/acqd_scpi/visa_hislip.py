"""HiSLIP (IVI-6.1) by PyVISA-py, on connections of our own.

A client has two TCP connections, one for messages and one to reach the server beside them. Each
message has a number; an answer carries the number of its question, so PyVISA-py throws away an
answer to an earlier one by itself. The device clear is done here: PyVISA-py's expects that nothing
else lies in the stream, which is not so when an answer is late.

Source: IVI-6.1 (from memory), sections on initialization, device clear and message exchange in
synchronized mode, which is the one chosen here.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final

from pyvisa_py.protocols import hislip

from acqd.drivers.transport import tcp_link
from acqd.drivers.visa_names import VisaName
from acqd.errors import TransportError
from acqd_scpi.visa_link import Pipe
from acqd_scpi.visa_stream import LinkSocket

__all__ = ["open_hislip"]

FIRST_MESSAGE_ID: Final = 0xFFFF_FF00
MESSAGE_SIZE_LEAST: Final = 64
"""A server that takes less at once than a header and a short command is none."""

NONSENSE: Final = (
    RuntimeError, AssertionError, struct.error, KeyError, ValueError, OSError,
    OverflowError, MemoryError,
)  # fmt: skip
"""What a header that makes no sense is to PyVISA-py; the last two for lengths beyond all bounds."""

SHOWN_MOST: Final = 200
ANSWER_MOST_BYTES: Final = 4096

SYNCHRONIZED: Final = 0
"""Of the feature bits that a device clear settles: no overlapped mode."""


def open_hislip(address: str, name: VisaName, deadline_s: float) -> Pipe:
    """Connect and initialize.

    Raises:
        TransportTimeout: not within the deadline.
        TransportError: refused, or something else answers there.
    """
    assert name.port is not None
    host, port = name.host, name.port
    opened: list[LinkSocket] = []

    def connect() -> LinkSocket:
        timeout_s = max(0.05, deadline_s - time.monotonic())
        stream = LinkSocket(tcp_link(address, host, port, timeout_s=timeout_s))
        stream.deadline_s = deadline_s
        # So that what is read before it is known to be sense is capped.
        stream.begin()
        opened.append(stream)
        return stream

    try:
        with _understood(address):
            instrument = _Instrument(connect, name.device)
    except BaseException:
        for stream in opened:
            stream.close()
        raise
    for stream in opened:
        stream.done()
    return HislipPipe(address, instrument)


class _Instrument(hislip.Instrument):  # type: ignore[misc]  # PyVISA-py has no types
    """PyVISA-py's client, on streams that are given to it."""

    def __init__(self, connect: Callable[[], LinkSocket], sub_address: str) -> None:
        self._sync: Any = connect()
        device = sub_address.encode("ascii")
        major, minor, kind = 1, 0, hislip.MESSAGETYPE["Initialize"]
        opening = struct.pack("!2sBBBB2sQ", b"HS", kind, 0, major, minor, b"xx", len(device))
        self._sync.sendall(opening + device)
        session = _answer(self._sync, hislip.InitializeResponse)
        self._async: Any = connect()
        hislip.send_msg(self._async, "AsyncInitialize", 0, session.session_id)
        _answer(self._async, hislip.AsyncInitializeResponse)
        self._rmt = 0
        self._message_id = FIRST_MESSAGE_ID
        self.last_message_id = None
        size = struct.pack("!Q", hislip.DEFAULT_MAX_MSG_SIZE)
        hislip.send_msg(self._async, "AsyncMaxMsgSize", 0, 0, size)
        self._max_msg_size = _answer(self._async, hislip.AsyncMaxMsgSizeResponse).max_msg_size
        if self.max_msg_size < MESSAGE_SIZE_LEAST:
            raise RuntimeError(f"takes only {self.max_msg_size} bytes a message")

    @property
    def streams(self) -> tuple[LinkSocket, LinkSocket]:
        return self._sync, self._async

    @property
    def has_ended(self) -> bool:
        """Whether all of the answer's last message was received."""
        return bool(self._msg_type == "DataEnd" and self._payload_remaining == 0)

    @property
    def position(self) -> tuple[str, int, int]:
        """Where in an answer receiving is, for :meth:`go_back`."""
        return self._msg_type, self._payload_remaining, self._rmt

    def go_back(self, position: tuple[str, int, int]) -> None:
        self._msg_type, self._payload_remaining, self._rmt = position

    def some(self, max_bytes: int) -> bytes:
        """Bytes of an answer: one that is waited for, then what has come with it."""
        if self.has_ended:
            self._msg_type = ""
        data = bytearray(self.receive(1))
        ready = min(max_bytes - len(data), self._payload_remaining, self._sync.buffered)
        if data and ready > 0:
            data += self.receive(ready)
        return bytes(data)

    def clear(self) -> None:
        """Device clear, whatever lies in either stream."""
        hislip.send_msg(self._async, "AsyncDeviceClear", 0, 0)
        self._skip_to(self._async, "AsyncDeviceClearAcknowledge")
        # Chosen by the client among what the server offers: one message at a time.
        hislip.send_msg(self._sync, "DeviceClearComplete", SYNCHRONIZED, 0)
        self._sync.skip(self._payload_remaining)
        self._payload_remaining = 0
        self._skip_to(self._sync, "DeviceClearAcknowledge")
        self._message_id = FIRST_MESSAGE_ID
        self.last_message_id = None

    @staticmethod
    def _skip_to(stream: LinkSocket, kind: str) -> None:
        while True:
            header = hislip.RxHeader(stream)
            stream.skip(header.payload_length)
            if header.msg_type == kind:
                return
            if header.msg_type == "FatalError":
                raise RuntimeError(f"the server gave up: {_fatal(header.control_code)}")


def _answer(stream: LinkSocket, kind: Any) -> Any:
    """The answer that must come next. PyVISA-py makes room for whatever length a header states; of
    those that are awaited here none has more than eight bytes behind it, but words of an error."""
    mark, *_, size = struct.unpack(hislip.HEADER_FORMAT, stream.peek(hislip.HEADER_SIZE))
    if mark == b"HS" and size > ANSWER_MOST_BYTES:
        raise RuntimeError(f"a message of {size} bytes where {kind.__name__} is due")
    return kind(stream)


def _fatal(code: int) -> str:
    return str(hislip.FATALERRORMESSAGE.get(code, f"error {code}"))


@contextmanager
def _understood(address: str) -> Iterator[None]:
    """What PyVISA-py raises where the peer does not keep to the protocol, as an error of ours."""
    try:
        yield
    except TransportError:
        raise
    except NONSENSE as error:
        what = (str(error) or type(error).__name__)[:SHOWN_MOST]
        raise TransportError(f"{address}: HiSLIP was not understood: {what}") from error


class HislipPipe:
    """See :class:`acqd_scpi.visa_link.Pipe`."""

    def __init__(self, address: str, instrument: _Instrument) -> None:
        self._address = address
        self._instrument = instrument
        self._streams = instrument.streams

    def send(self, message: bytes, deadline_s: float) -> None:
        self._streams[0].deadline_s = deadline_s
        with _understood(self._address):
            self._instrument.send(message)

    def receive(self, max_bytes: int, deadline_s: float) -> tuple[bytes, bool]:
        stream, instrument = self._streams[0], self._instrument
        stream.deadline_s = deadline_s
        position = instrument.position
        stream.begin()
        try:
            with _understood(self._address):
                data = instrument.some(max_bytes)
        except BaseException:
            stream.take_back()
            instrument.go_back(position)
            raise
        stream.done()
        return data, instrument.has_ended

    def clear(self, deadline_s: float) -> None:
        position = self._instrument.position
        for stream in self._streams:
            stream.deadline_s = deadline_s
            stream.begin()
        try:
            with _understood(self._address):
                self._instrument.clear()
        except BaseException:
            # Begun anew from here, it finds the acknowledgements of both; further ones are skipped.
            for stream in self._streams:
                stream.take_back()
            self._instrument.go_back(position)
            raise
        for stream in self._streams:
            stream.done()

    def interrupt(self) -> None:
        for stream in self._streams:
            stream.link.interrupt()

    def resume(self) -> None:
        for stream in self._streams:
            stream.link.resume()

    def close(self, hurry: bool) -> None:
        for stream in self._streams:
            stream.close()
