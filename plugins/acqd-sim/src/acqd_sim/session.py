"""One conversation with a simulated instrument, over any stream of bytes.

Messages end with a line feed; a carriage return before it is ignored. While a query waits for its
answer the client may send on: then the query is interrupted, as IEEE 488.2 has it (-410).
"""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from acqd_sim.faults import Faults
from acqd_sim.grammar import ScpiError
from acqd_sim.instrument import Instrument
from acqd_sim.interpreter import run

__all__ = ["LONGEST_MESSAGE", "Session"]

LONGEST_MESSAGE = 65_536
"""Bytes of a message without a line feed; longer ones are thrown away with error -363."""
MESSAGES_WAITING = 256
"""Messages that may wait; more are thrown away with error -363."""
MORE = b"\x00\x01\x02\x03" * 4
"""What a block that is too long has more of: four values of REAL,32, two of REAL,64."""
TRACE_COMMAS = 8
"""An ASCII answer with more commas is a trace; ``*IDN?`` has three."""


class Session:
    """Takes bytes, carries out messages one after the other, gives answers to ``send``.

    ``drop`` is called to break the connection off.
    """

    def __init__(
        self, instrument: Instrument, send: Callable[[bytes], None], drop: Callable[[], None]
    ) -> None:
        self.instrument = instrument
        self._send = send
        self._drop = drop
        self._buffer = b""
        self._messages: asyncio.Queue[bytes] = asyncio.Queue(MESSAGES_WAITING)
        self._arrived = asyncio.Event()
        self._skipping = False

    @property
    def wakes(self) -> bool:
        """It does not start anew when somebody opens the port."""
        return False

    def hello(self) -> None:
        """Somebody opened the port."""

    def receive(self, data: bytes) -> None:
        """Take in bytes as they come."""
        *lines, rest = (self._buffer + data).split(b"\n")
        for line in lines:
            if self._skipping:
                self._skipping = False
                continue
            self._queue(line.rstrip(b"\r"))
        self._buffer = rest
        if len(rest) > LONGEST_MESSAGE:
            self._buffer, self._skipping = b"", True
            self.instrument.status.report(ScpiError(-363))

    def _queue(self, line: bytes) -> None:
        if not line.strip():
            return
        if len(line) > LONGEST_MESSAGE or self._messages.full():
            self.instrument.status.report(ScpiError(-363))
            return
        self._messages.put_nowait(line)
        self._arrived.set()

    async def work(self) -> None:
        """Carry out messages until cancelled."""
        while True:
            message = await self._messages.get()
            answer = await self._carry_out(message)
            if answer:
                await self._answer(answer)

    async def _carry_out(self, message: bytes) -> bytes:
        """The answer, empty where there is none or the client did not wait for it."""
        clock = self.instrument.clock
        steps = run(self.instrument, message)
        asks = b"?" in message
        while True:
            try:
                due_s = next(steps)
            except StopIteration as done:
                answer: bytes = done.value
                break
            if asks and await self._overtaken(due_s):
                steps.close()
                self.instrument.interrupted()
                return b""
            await asyncio.sleep(max(0.0, clock.real_s(due_s - clock.steady_s())))
        if answer and not self._messages.empty():
            self.instrument.interrupted()
            return b""
        return answer

    async def _overtaken(self, due_s: float) -> bool:
        """Wait until ``due_s``, and say whether another message came in before it."""
        clock = self.instrument.clock
        while (left_s := clock.real_s(due_s - clock.steady_s())) > 0:
            self._arrived.clear()
            if not self._messages.empty():
                return True
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._arrived.wait(), left_s)
        return False

    async def _answer(self, answer: bytes) -> None:
        faults = self.instrument.faults
        if faults.mute:
            return
        if faults.late_s > 0:
            await asyncio.sleep(faults.late_s)
        if faults.takes("drop"):
            self._drop()
            return
        data = _spoilt(answer, faults)
        if data:
            self._send(data)


def _spoilt(answer: bytes, faults: Faults) -> bytes:
    """``answer`` with its terminator, as the faults leave it."""
    if faults.takes("garbage"):
        return b"\x00\xff?\x07" + bytes(reversed(answer[:40])) + b"\n"
    if faults.takes("half_line"):
        return _half(answer)
    if faults.takes("no_end"):
        return answer
    is_block = answer.startswith(b"#")
    if (is_block or answer.count(b",") > TRACE_COMMAS) and faults.takes("cut"):
        return _half(answer)
    if is_block and faults.takes("long"):
        head = 2 + int(answer[1:2])
        return answer[:head] + answer[head:] + MORE + b"\n"
    return answer + b"\n"


def _half(answer: bytes) -> bytes:
    """The first half, not one that ends like a whole answer: a level's byte may be a line feed."""
    return answer[: len(answer) // 2].rstrip(b"\n")
