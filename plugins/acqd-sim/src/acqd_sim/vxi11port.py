"""A simulated instrument behind VXI-11: a listening socket on loopback.

The core and the abort program answer on one port, and so does a portmapper that knows this port
alone; a client that asks a portmapper expects it on port 111, which only root may have, so clients
are given the port (PyVISA-py: ``TCPIP0::127.0.0.1,PORT::inst0::INSTR``). There are no service
requests and no DEVICE_DOCMD.

Source: VXI-11 revision 1.0 (TCP/IP Instrument Protocol), from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable
from typing import ClassVar, Final

from acqd_sim.hisliplocks import Lock, Locks
from acqd_sim.instrument import Instrument
from acqd_sim.ports import CLIENTS_MAX, READ_BYTES, SocketPort
from acqd_sim.session import Session
from acqd_sim.vxi11 import (
    ABORT,
    CORE,
    PORTMAPPER,
    VERSIONS,
    Broken,
    Call,
    Error,
    Garbage,
    Proc,
    Reader,
    Reason,
    Records,
    Refusal,
    opaque,
    refused,
    reply,
    words,
)

__all__ = ["Vxi11Port"]

DEVICE: Final = b"inst0"
RECEIVE_MOST: Final = 1 << 16
"""Bytes that one write may carry."""
ANSWER_MOST: Final = 1 << 20
MESSAGE_MOST: Final = 1 << 20
WAIT_MOST_S: Final = 3600.0
LAST_WORDS_S: Final = 0.2
TCP: Final = 6
END_FLAG: Final = 8
WAIT_FLAG: Final = 1
CHARACTER_FLAG: Final = 128


class Link:
    """One link of a client to the instrument."""

    def __init__(self, port: Vxi11Port, number: int, drop: Callable[[], None]) -> None:
        self.number = number
        self.aborted = False
        self._port = port
        self._drop = drop
        self._message = bytearray()
        self._answer = bytearray()
        self._ends = True
        self._changed = asyncio.Event()
        self._talk, self._work = self._begin()

    def _begin(self) -> tuple[Session, asyncio.Task[None]]:
        talk = Session(self._port.instrument, self._said, self._drop)
        work = asyncio.create_task(talk.work())
        work.add_done_callback(self._complain)
        return talk, work

    def _complain(self, task: asyncio.Task[None]) -> None:
        """A defect of the simulator ends the conversation and is told by the loop's handler."""
        if not task.cancelled() and (problem := task.exception()) is not None:
            self._drop()
            context = {"message": "the simulator failed", "exception": problem, "task": task}
            task.get_loop().call_exception_handler(context)

    def _said(self, data: bytes) -> None:
        self._answer += data
        # What a fault has cut short has no line feed; then the rest never comes.
        self._ends = data.endswith(b"\n")
        self._changed.set()

    async def end(self) -> None:
        self._work.cancel()
        await asyncio.wait([self._work])
        self._port.locks.gone(self.number)

    async def clear(self) -> None:
        """Device clear."""
        self._work.cancel()
        await asyncio.wait([self._work])
        self._message.clear()
        self._answer.clear()
        self._talk, self._work = self._begin()

    def abort(self) -> None:
        """End the read that waits."""
        self.aborted = True
        self._changed.set()

    def write(self, data: bytes, *, ends: bool) -> Error:
        if self._answer:
            self._answer.clear()
            self._port.instrument.interrupted()
        self._message += data
        if len(self._message) > MESSAGE_MOST:
            self._message.clear()
            return Error.OUT_OF_RESOURCES
        if ends:
            message = bytes(self._message)
            self._message.clear()
            self._talk.receive(message if message.endswith(b"\n") else message + b"\n")
        return Error.NONE

    async def read(
        self, size: int, wait_s: float, character: int | None
    ) -> tuple[Error, Reason, bytes]:
        """What there is to say, within ``wait_s``; it stays where it is not fetched."""
        self.aborted = False
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(wait_s):
                while not (self._answer or self.aborted):
                    self._changed.clear()
                    await self._changed.wait()
        if self.aborted:
            return Error.ABORTED, Reason.NONE, b""
        if not self._answer:
            return Error.TIMEOUT, Reason.NONE, b""
        size = min(size, ANSWER_MOST, len(self._answer))
        reason = Reason.NONE
        if character is not None and (at := self._answer.find(character, 0, size)) >= 0:
            size, reason = at + 1, Reason.CHARACTER
        data = bytes(self._answer[:size])
        del self._answer[:size]
        if not self._answer and self._ends:
            reason |= Reason.END
        elif self._answer:
            reason |= Reason.COUNT
        return Error.NONE, reason, data

    @property
    def has_answer(self) -> bool:
        return bool(self._answer)


class Vxi11Port(SocketPort):
    """A client may have a second connection, to abort. ``clears`` counts the device clears."""

    connections_max: ClassVar[int] = 2 * CLIENTS_MAX

    def __init__(self, instrument: Instrument, host: str, port: int) -> None:
        super().__init__(instrument, host, port)
        self.clears = 0
        self.locks = Locks()
        self._links: dict[int, Link] = {}
        self._last = 0

    @property
    def address(self) -> str:
        return f"TCPIP0::{self.host},{self.port}::inst0::INSTR"

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        calls = _Calls(self, writer)
        try:
            records = Records()
            while data := await reader.read(READ_BYTES):
                for call in records.feed(data):
                    writer.write(await calls.answer(call))
                    await writer.drain()
        except Broken:
            pass  # the client talks of something else: the connection ends
        finally:
            await calls.end()

    def new_link(self, drop: Callable[[], None]) -> Link:
        self._last += 1
        link = self._links[self._last] = Link(self, self._last, drop)
        return link

    def link(self, number: int) -> Link | None:
        return self._links.get(number)

    async def forget(self, link: Link) -> None:
        if self._links.pop(link.number, None) is not None:
            await link.end()


class _Calls:
    """Carries out the calls of one connection, one after the other."""

    def __init__(self, port: Vxi11Port, writer: asyncio.StreamWriter) -> None:
        self._port = port
        self._writer = writer
        self._own: list[Link] = []

    async def end(self) -> None:
        """The client hung up: what it said last is still done, for a moment."""
        if self._own:
            await asyncio.sleep(0)
        for link in self._own:
            await self._port.forget(link)

    async def answer(self, call: Call) -> bytes:
        version = VERSIONS.get(call.program)
        if version is None:
            return refused(call, Refusal.NO_PROGRAM)
        if call.version != version:
            return refused(call, Refusal.VERSION)
        if call.procedure == 0:
            return reply(call, b"")
        arguments = Reader(call.arguments)
        try:
            if call.program == PORTMAPPER:
                result = self._portmapper(call.procedure, arguments)
            elif call.program == ABORT:
                result = self._abort(call.procedure, arguments)
            else:
                result = await self._core(call.procedure, arguments)
        except Garbage:
            return refused(call, Refusal.GARBAGE)
        return refused(call, Refusal.NO_PROCEDURE) if result is None else reply(call, result)

    def _portmapper(self, procedure: int, arguments: Reader) -> bytes | None:
        if procedure != Proc.GET_PORT:
            return None
        program, version, protocol = (arguments.word() for _ in range(3))
        known = (program, version) in ((CORE, 1), (ABORT, 1)) and protocol == TCP
        return words(self._port.port if known else 0)

    def _abort(self, procedure: int, arguments: Reader) -> bytes | None:
        if procedure != Proc.ABORT:
            return None
        link = self._port.link(arguments.word())
        if link is None:
            return words(Error.NO_LINK)
        link.abort()
        return words(Error.NONE)

    async def _core(self, procedure: int, arguments: Reader) -> bytes | None:
        if procedure == Proc.CREATE_LINK:
            return await self._create(arguments)
        if procedure in (Proc.CREATE_INTERRUPT, Proc.DESTROY_INTERRUPT):
            return words(Error.NOT_SUPPORTED)
        if procedure not in tuple(Proc) or procedure < Proc.CREATE_LINK:
            return None
        link = self._port.link(arguments.word())
        if procedure == Proc.READ:
            return await self._read(link, arguments)
        if procedure == Proc.WRITE:
            return await self._write(link, arguments)
        if procedure == Proc.DO_COMMAND:
            return words(Error.NOT_SUPPORTED) + opaque(b"")
        if procedure == Proc.READ_STB:
            status = self._port.instrument.status
            waits = link is not None and link.has_answer
            error = Error.NONE if link else Error.NO_LINK
            return words(error, status.byte(message_available=waits))
        return words(
            Error.NO_LINK if link is None else await self._plain(procedure, link, arguments)
        )

    async def _create(self, arguments: Reader) -> bytes:
        _client, lock, lock_ms = (arguments.word() for _ in range(3))
        if arguments.opaque().lower() != DEVICE:
            return words(Error.NO_DEVICE, 0, 0, 0)
        if len(self._own) >= CLIENTS_MAX:
            return words(Error.OUT_OF_RESOURCES, 0, 0, 0)
        link = self._port.new_link(self._writer.transport.abort)
        self._own.append(link)
        if lock and await self._port.locks.take(link.number, "", lock_ms / 1e3) is not Lock.DONE:
            await self._port.forget(link)
            return words(Error.LOCKED, 0, 0, 0)
        return words(Error.NONE, link.number, self._port.port, RECEIVE_MOST)

    async def _write(self, link: Link | None, arguments: Reader) -> bytes:
        _io_ms, lock_ms, flags = (arguments.word() for _ in range(3))
        data = arguments.opaque()
        if link is None:
            return words(Error.NO_LINK, 0)
        if not await self._has_turn(link, lock_ms, flags):
            return words(Error.LOCKED, 0)
        error = link.write(data, ends=bool(flags & END_FLAG))
        return words(error, 0 if error else len(data))

    async def _read(self, link: Link | None, arguments: Reader) -> bytes:
        size, io_ms, lock_ms, flags, character = (arguments.word() for _ in range(5))
        if link is None:
            return words(Error.NO_LINK, 0) + opaque(b"")
        if not await self._has_turn(link, lock_ms, flags):
            return words(Error.LOCKED, 0) + opaque(b"")
        ends_at = character & 0xFF if flags & CHARACTER_FLAG else None
        error, reason, data = await link.read(size, min(io_ms / 1e3, WAIT_MOST_S), ends_at)
        return words(error, reason) + opaque(data)

    async def _plain(self, procedure: int, link: Link, arguments: Reader) -> Error:
        """What answers with an error number and nothing else."""
        locks = self._port.locks
        match procedure:
            case Proc.DESTROY_LINK:
                await self._port.forget(link)
            case Proc.CLEAR:
                self._port.clears += 1
                await link.clear()
            case Proc.TRIGGER:
                return link.write(b"*TRG\n", ends=True)
            case Proc.LOCK:
                flags, lock_ms = arguments.word(), arguments.word()
                wait_s = lock_ms / 1e3 if flags & WAIT_FLAG else 0.0
                took = await locks.take(link.number, "", min(wait_s, WAIT_MOST_S))
                return Error.NONE if took is Lock.DONE else Error.LOCKED
            case Proc.UNLOCK:
                done = locks.give_back(link.number)
                return Error.NOT_LOCKED if done is Lock.WRONG else Error.NONE
            case Proc.ENABLE_SRQ:
                return Error.NOT_SUPPORTED
        return Error.NONE

    async def _has_turn(self, link: Link, lock_ms: int, flags: int) -> bool:
        wait_s = lock_ms / 1e3 if flags & WAIT_FLAG else 0.0
        try:
            async with asyncio.timeout(min(wait_s, WAIT_MOST_S)):
                await self._port.locks.turn(link.number)
        except TimeoutError:
            return False
        return True
