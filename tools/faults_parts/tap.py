"""A tap on the way from the station to its broker: what was sent, and what was acknowledged.

It passes bytes on as they come and reads MQTT packets in a copy of them (OASIS MQTT 3.1.1 and 5.0,
sections 2.1 and 3.3), so it is the one witness of the broker's word: a subscriber sees only what a
broker that lives on passes to it. The link can be cut here, or held up.
"""

from __future__ import annotations

import asyncio
import contextlib
import socket
import struct
import threading
import time
from collections.abc import Coroutine, Iterator
from typing import Any

from acqd.publish.child import free_port
from faults_parts.record import Record, Sent

__all__ = ["Packets", "Tap"]

CONNECT, PUBLISH, PUBACK = 1, 3, 4
LARGEST = 1 << 20
"""Bytes of a packet; the station sends none that is larger."""
READ_BYTES = 65_536


class Packets:
    """Cuts a stream of bytes into MQTT packets."""

    def __init__(self) -> None:
        self._waiting = b""

    def feed(self, data: bytes) -> Iterator[tuple[int, int, bytes]]:
        """(type, flags, rest) of each packet that is whole.

        Raises:
            ValueError: a packet beyond the largest, or a length that does not end.
        """
        self._waiting += data
        while True:
            header = _length(self._waiting)
            if header is None:
                return
            starts, length = header
            if length > LARGEST:
                raise ValueError(f"an MQTT packet of {length} bytes")
            if len(self._waiting) < starts + length:
                return
            first, body = self._waiting[0], self._waiting[starts : starts + length]
            self._waiting = self._waiting[starts + length :]
            yield first >> 4, first & 0x0F, body


def _length(data: bytes) -> tuple[int, int] | None:
    """Where the rest of a packet starts and how long it is; None while that has not come."""
    return None if len(data) < 2 else _number(data, 1)


def _number(data: bytes, at: int) -> tuple[int, int] | None:
    """A variable byte integer (section 1.5.5): where it ends, and its value."""
    value = 0
    for place in range(4):
        if at + place >= len(data):
            return None
        byte = data[at + place]
        value |= (byte & 0x7F) << (7 * place)
        if not byte & 0x80:
            return at + place + 1, value
    raise ValueError("a length of more than four bytes")


class _Reader:
    """What one connection says, both ways."""

    def __init__(self, record: Record) -> None:
        self._record = record
        self._there, self._back = Packets(), Packets()
        self._version = 5
        self._waiting: dict[int, Sent] = {}

    def there(self, data: bytes) -> None:
        for kind, flags, body in self._there.feed(data):
            if kind == CONNECT:
                name = int.from_bytes(body[:2], "big")
                self._version = body[2 + name]
            elif kind == PUBLISH:
                self._publish(flags, body)

    def _publish(self, flags: int, body: bytes) -> None:
        qos, at = (flags >> 1) & 3, 2 + int.from_bytes(body[:2], "big")
        topic = body[2:at].decode("utf-8")
        number = None
        if qos:
            number = int.from_bytes(body[at : at + 2], "big")
            at += 2
        if self._version >= 5:
            found = _number(body, at)
            if found is None:
                raise ValueError("a PUBLISH that ends within its properties")
            at = found[0] + found[1]
        sent = Sent(at_s=time.time(), topic=topic, payload=body[at:], qos=qos)
        self._record.sent.append(sent)
        if number is not None:
            self._waiting[number] = sent

    def back(self, data: bytes) -> None:
        for kind, _, body in self._back.feed(data):
            sent = self._waiting.pop(int.from_bytes(body[:2], "big"), None)
            # From 0x80 on it is a refusal (section 3.4.2.1); shorter ones are a yes.
            if kind == PUBACK and sent is not None and (len(body) < 3 or body[2] < 0x80):
                sent.acked_s = time.time()


class Tap:
    """Listens where the station thinks its broker is."""

    def __init__(self, host: str, broker_port: int, record: Record) -> None:
        record.has_tap = True
        self.host, self.port = host, free_port(host)
        self._broker = broker_port
        self._record = record
        self._writers: set[asyncio.StreamWriter] = set()
        self._through = asyncio.Event()
        self._through.set()
        self._loop = asyncio.new_event_loop()
        self._ready = threading.Event()
        self.problem: str | None = None
        self._thread = threading.Thread(target=self._main, name="tap", daemon=True)
        self._thread.start()
        self._ready.wait(10.0)

    def cut(self) -> None:
        """Break every connection off, as a cable that is pulled out on both ends does."""
        self._loop.call_soon_threadsafe(self._abort)

    def hold(self, held: bool) -> None:
        """Let nothing through while ``held``, as a network that swallows everything."""
        self._loop.call_soon_threadsafe(self._through.clear if held else self._through.set)

    def end(self) -> None:
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(5.0)

    def _main(self) -> None:
        asyncio.set_event_loop(self._loop)
        server = self._loop.run_until_complete(
            asyncio.start_server(self._serve, self.host, self.port)
        )
        self._ready.set()
        self._loop.run_forever()
        server.close()
        self._abort()
        for task in asyncio.all_tasks(self._loop):
            task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            self._loop.run_until_complete(asyncio.sleep(0.05))
        self._loop.close()

    def _abort(self) -> None:
        for writer in list(self._writers):
            # Without a goodbye: the other end sees a reset, as of a peer that is gone.
            plain = writer.get_extra_info("socket")
            with contextlib.suppress(OSError):
                plain.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        self._writers.add(writer)
        try:
            theirs, ours = await asyncio.open_connection(self.host, self._broker)
        except OSError:
            self._writers.discard(writer)
            writer.transport.abort()
            return
        self._writers.add(ours)
        says = _Reader(self._record)
        try:
            await self._both(
                self._pass_on(reader, ours, says.there), self._pass_on(theirs, writer, says.back)
            )
        finally:
            for one in (writer, ours):
                self._writers.discard(one)
                one.transport.abort()

    async def _both(self, *ways: Coroutine[Any, Any, None]) -> None:
        tasks = [asyncio.create_task(way) for way in ways]
        try:
            done, _ = await asyncio.wait(tasks, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in tasks:
                task.cancel()
        for task in done:
            problem = None if task.cancelled() else task.exception()
            if problem is not None and not isinstance(problem, OSError):
                self.problem = f"{type(problem).__name__}: {problem}"

    async def _pass_on(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, says: Any
    ) -> None:
        while data := await reader.read(READ_BYTES):
            await self._through.wait()
            says(data)
            writer.write(data)
            await writer.drain()
