"""A simulated instrument behind HiSLIP: a listening socket on loopback, two connections a client.

Synchronized mode only; the client is told so. A message gets its answer under its own number, also
late; a device clear ends what is under way and throws away what waits. Locks are kept among the
clients of this port, not against those of the instrument's other ports. There are no service
requests and no encryption.

Source: IVI-6.1 (HiSLIP), from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
import struct
from collections import deque
from collections.abc import Callable
from typing import ClassVar, Final

from acqd_sim.hislip import (
    PAYLOAD_MOST,
    Broken,
    Fatal,
    Frame,
    Frames,
    Kind,
    Wrong,
    answer_frames,
    version_and,
)
from acqd_sim.hisliplocks import Locks
from acqd_sim.instrument import Instrument
from acqd_sim.ports import CLIENTS_MAX, READ_BYTES, UNSENT_MAX, SocketPort
from acqd_sim.session import Session

__all__ = ["HislipPort"]

SUB_ADDRESS: Final = "hislip0"
VENDOR: Final = int.from_bytes(b"AQ", "big")
NOT_YET: Final = 0xFFFF_FF00
"""The number of a client's first message."""
DELIVERED: Final = 1
"""In the control code of what a client sends: the last answer was read to its end."""
LAST_WORDS_S: Final = 0.2
"""How long what a client sent before it hung up may take."""
INTRODUCTION_S: Final = 10.0
"""How long a connection may take to say what it is."""


class Talk(Session):
    """A session that knows the number of the message it is answering."""

    def __init__(
        self, instrument: Instrument, send: Callable[[bytes], None], drop: Callable[[], None]
    ) -> None:
        super().__init__(instrument, send, drop)
        self._numbers: deque[int] = deque()
        self._number = NOT_YET
        self.answering = NOT_YET
        self.idle = asyncio.Event()
        """Set while there is nothing to do."""
        self.idle.set()

    def take(self, message: bytes, number: int) -> None:
        """Carry out ``message``, whole, when its turn comes."""
        self._number = number
        self.receive(message if message.endswith(b"\n") else message + b"\n")

    def _queue(self, line: bytes) -> None:
        before = self._messages.qsize()
        super()._queue(line)
        if self._messages.qsize() > before:
            self._numbers.append(self._number)
            self.idle.clear()

    async def work(self) -> None:
        while True:
            message = await self._messages.get()
            number = self._numbers.popleft()
            answer = await self._carry_out(message)
            if answer:
                self.answering = number
                await self._answer(answer)
            if self._messages.empty():
                self.idle.set()


class Client:
    """One client: its two connections and what lies between them and the instrument."""

    def __init__(self, port: HislipPort, number: int, writer: asyncio.StreamWriter) -> None:
        self.number = number
        self._port = port
        self._writer = writer
        self._beside: asyncio.StreamWriter | None = None
        self._most = PAYLOAD_MOST
        self._message = bytearray()
        self._clearing = False
        self._unread = False
        self._talk, self._work = self._begin()

    def _begin(self) -> tuple[Talk, asyncio.Task[None]]:
        talk = Talk(self._port.instrument, self._answer, self.drop)
        work = asyncio.create_task(talk.work())
        work.add_done_callback(self._complain)
        return talk, work

    def _complain(self, task: asyncio.Task[None]) -> None:
        """A defect of the simulator ends the conversation and is told by the loop's handler."""
        if not task.cancelled() and (problem := task.exception()) is not None:
            self.drop()
            context = {"message": "the simulator failed", "exception": problem, "task": task}
            task.get_loop().call_exception_handler(context)

    def drop(self) -> None:
        for writer in (self._writer, self._beside):
            if writer is not None:
                writer.transport.abort()

    @property
    def is_whole(self) -> bool:
        return self._beside is not None

    def join(self, writer: asyncio.StreamWriter) -> None:
        """The second connection is there."""
        self._beside = writer

    async def leave(self) -> None:
        """The client hung up: what it said last is still done, for a moment."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(LAST_WORDS_S):
                await self._talk.idle.wait()
        await self._end_talk()
        self._port.locks.gone(self.number)
        self.drop()

    async def _end_talk(self) -> None:
        self._work.cancel()
        await asyncio.wait([self._work])

    # --- the connection for messages ----------------------------------------------------------

    async def on_message(self, frame: Frame) -> None:
        """A frame of the first connection."""
        if frame.kind == Kind.DEVICE_CLEAR_COMPLETE:
            self._clearing = False
            self._message.clear()
            self._send(Frame(Kind.DEVICE_CLEAR_ACKNOWLEDGE))
            return
        if self._clearing:
            return
        if frame.kind not in (Kind.DATA, Kind.DATA_END, Kind.TRIGGER):
            self._send(Frame(Kind.ERROR, Wrong.KIND, 0, b"not of this connection"))
            return
        if frame.too_large:
            self._send(Frame(Kind.ERROR, Wrong.TOO_LARGE, 0, b"too large"))
            return
        if self._unread and not frame.control & DELIVERED:
            self._interrupted(frame.parameter)
        self._unread = False
        await self._port.locks.turn(self.number)
        if frame.kind == Kind.TRIGGER:
            self._talk.take(b"*TRG", frame.parameter)
            return
        self._message += frame.payload
        if len(self._message) > PAYLOAD_MOST:
            self._message.clear()
            self._send(Frame(Kind.ERROR, Wrong.TOO_LARGE, 0, b"message too long"))
        elif frame.kind == Kind.DATA_END:
            message = bytes(self._message)
            self._message.clear()
            self._talk.take(message, frame.parameter)

    def _interrupted(self, number: int) -> None:
        self._port.instrument.interrupted()
        self._send(Frame(Kind.INTERRUPTED, 0, number))
        self._send_beside(Frame(Kind.ASYNC_INTERRUPTED, 0, number))

    def _answer(self, data: bytes) -> None:
        # What a fault has cut short has no line feed; then the rest never comes.
        ends = data.endswith(b"\n")
        self._unread = True
        for frame in answer_frames(data, self._talk.answering, most=self._most, ends=ends):
            self._send(frame)

    def _send(self, frame: Frame) -> None:
        self._writer.write(frame.encode())
        if self._writer.transport.get_write_buffer_size() > UNSENT_MAX:
            self.drop()

    def _send_beside(self, frame: Frame) -> None:
        if self._beside is not None:
            self._beside.write(frame.encode())

    # --- the connection beside it -------------------------------------------------------------

    async def on_beside(self, frame: Frame) -> None:
        """A frame of the second connection."""
        answer = await self._beside_answer(frame)
        self._send_beside(answer)

    async def _beside_answer(self, frame: Frame) -> Frame:
        locks = self._port.locks
        match frame.kind:
            case Kind.ASYNC_MAX_MSG_SIZE if len(frame.payload) == 8:
                (most,) = struct.unpack("!Q", frame.payload)
                self._most = max(256, min(most, PAYLOAD_MOST))
                payload = struct.pack("!Q", PAYLOAD_MOST)
                return Frame(Kind.ASYNC_MAX_MSG_SIZE_RESPONSE, payload=payload)
            case Kind.ASYNC_DEVICE_CLEAR:
                self._port.clears += 1
                self._clearing, self._unread = True, False
                await self._end_talk()
                self._talk, self._work = self._begin()
                return Frame(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
            case Kind.ASYNC_STATUS_QUERY:
                if frame.control & DELIVERED:
                    self._unread = False
                status = self._port.instrument.status.byte(message_available=self._unread)
                return Frame(Kind.ASYNC_STATUS_RESPONSE, status)
            case Kind.ASYNC_REMOTE_LOCAL_CONTROL:
                return Frame(Kind.ASYNC_REMOTE_LOCAL_RESPONSE)
            case Kind.ASYNC_LOCK if frame.control:
                word = frame.payload.decode("ascii", "replace")
                took = await locks.take(self.number, word, frame.parameter / 1e3)
                return Frame(Kind.ASYNC_LOCK_RESPONSE, took)
            case Kind.ASYNC_LOCK:
                return Frame(Kind.ASYNC_LOCK_RESPONSE, locks.give_back(self.number))
            case Kind.ASYNC_LOCK_INFO:
                is_exclusive = int(locks.is_exclusive)
                return Frame(Kind.ASYNC_LOCK_INFO_RESPONSE, is_exclusive, locks.holders)
        return Frame(Kind.ERROR, Wrong.KIND, 0, b"unknown, or not of this connection")


class HislipPort(SocketPort):
    """Two connections for each client. ``clears`` counts the device clears."""

    connections_max: ClassVar[int] = 2 * CLIENTS_MAX

    def __init__(self, instrument: Instrument, host: str, port: int) -> None:
        super().__init__(instrument, host, port)
        self.clears = 0
        self.locks = Locks()
        self._clients: dict[int, Client] = {}
        self._last = 0

    @property
    def address(self) -> str:
        return f"TCPIP0::{self.host}::{SUB_ADDRESS},{self.port}::INSTR"

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        incoming = _Incoming(reader)
        try:
            async with asyncio.timeout(INTRODUCTION_S):
                first = await incoming.next()
            if first is None:
                return
            if first.kind == Kind.INITIALIZE:
                await self._first(first, incoming, writer)
            elif first.kind == Kind.ASYNC_INITIALIZE:
                await self._second(first, incoming, writer)
            else:
                await _give_up(writer, Fatal.INITIALIZATION, "expected Initialize first")
        except Broken as problem:
            await _give_up(writer, Fatal.HEADER, str(problem))
        except TimeoutError:
            return

    async def _first(self, first: Frame, incoming: _Incoming, writer: asyncio.StreamWriter) -> None:
        wanted = first.payload.decode("ascii", "replace")
        if wanted.lower() not in (SUB_ADDRESS, ""):
            await _give_up(writer, Fatal.INITIALIZATION, f"there is no {wanted} here")
            return
        if len(self._clients) >= CLIENTS_MAX:
            await _give_up(writer, Fatal.CLIENTS, "too many clients")
            return
        self._last = self._last % 0xFFFF + 1
        client = self._clients[self._last] = Client(self, self._last, writer)
        try:
            writer.write(Frame(Kind.INITIALIZE_RESPONSE, 0, version_and(client.number)).encode())
            while (frame := await incoming.next()) is not None:
                if not client.is_whole:
                    await _give_up(writer, Fatal.CHANNELS, "the second connection is missing")
                    return
                await client.on_message(frame)
        finally:
            del self._clients[client.number]
            await client.leave()

    async def _second(
        self, first: Frame, incoming: _Incoming, writer: asyncio.StreamWriter
    ) -> None:
        client = self._clients.get(first.parameter)
        if client is None or client.is_whole:
            await _give_up(writer, Fatal.INITIALIZATION, "no session of that number waits for it")
            return
        client.join(writer)
        writer.write(Frame(Kind.ASYNC_INITIALIZE_RESPONSE, 0, VENDOR).encode())
        try:
            while (frame := await incoming.next()) is not None:
                await client.on_beside(frame)
        finally:
            client.drop()


class _Incoming:
    """The frames of one connection, one after the other."""

    def __init__(self, reader: asyncio.StreamReader) -> None:
        self._reader = reader
        self._frames = Frames()
        self._ready: deque[Frame] = deque()

    async def next(self) -> Frame | None:
        """The next frame; None where the client hung up."""
        while not self._ready:
            data = await self._reader.read(READ_BYTES)
            if not data:
                return None
            self._ready.extend(self._frames.feed(data))
        return self._ready.popleft()


async def _give_up(writer: asyncio.StreamWriter, code: Fatal, text: str) -> None:
    writer.write(Frame(Kind.FATAL_ERROR, code, 0, text.encode()).encode())
    with contextlib.suppress(OSError, TimeoutError):
        async with asyncio.timeout(1.0):
            await writer.drain()
    writer.close()
