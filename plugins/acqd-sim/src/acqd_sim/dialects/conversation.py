"""One conversation in an invented language, over any stream of bytes, with its faults."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import Callable

from acqd_sim.dialects.dialect import Answer, Dialect
from acqd_sim.faults import Faults

__all__ = ["COMMANDS_WAITING", "Conversation"]

COMMANDS_WAITING = 64
"""Commands that may wait; more are lost, as they are where a small instrument's buffer is full."""


class Conversation:
    """Takes bytes, carries out commands one after the other, gives answers to ``send``.

    ``drop`` is called to break the connection off.
    """

    def __init__(
        self, dialect: Dialect, send: Callable[[bytes], None], drop: Callable[[], None]
    ) -> None:
        self.dialect = dialect
        self._send = send
        self._drop = drop
        self._lines: asyncio.Queue[bytes] = asyncio.Queue(COMMANDS_WAITING)
        self._aborted = asyncio.Event()
        self._boot: asyncio.TimerHandle | None = None

    @property
    def wakes(self) -> bool:
        """Whether it starts anew when somebody opens the port."""
        return self.dialect.boot_s > 0.0

    def hello(self) -> None:
        """Somebody opened the port: it starts, hears nothing for a while, and says its banner."""
        if not self.wakes:
            return
        if self._boot is not None:
            self._boot.cancel()
        self._forget()
        self._aborted.set()
        wait_s = self.dialect.instrument.clock.real_s(self.dialect.boot_s)
        self._boot = asyncio.get_running_loop().call_later(wait_s, self._started)

    def _started(self) -> None:
        self._boot = None
        self._aborted.clear()
        if not self.dialect.instrument.faults.mute:
            self._send(self.dialect.banner())

    def _forget(self) -> None:
        while not self._lines.empty():
            self._lines.get_nowait()

    def receive(self, data: bytes) -> None:
        """Take in bytes as they come."""
        if self._boot is not None:
            return
        abort = self.dialect.abort
        if abort is not None and abort in data:
            data = data[data.rindex(abort) + 1 :]
            self._forget()
            self._lines.put_nowait(bytes([abort]))
            self._aborted.set()
        echo, lines = self.dialect.take(data)
        if echo and not self.dialect.instrument.faults.mute:
            self._send(echo)
        for line in lines:
            if not self._lines.full():
                self._lines.put_nowait(line)

    async def work(self) -> None:
        """Carry out commands until cancelled."""
        try:
            while True:
                line = await self._lines.get()
                if self.dialect.abort is not None and line == bytes([self.dialect.abort]):
                    self._aborted.clear()
                    await self._answer(self.dialect.aborted())
                else:
                    await self._carry_out(line)
        finally:
            if self._boot is not None:
                self._boot.cancel()

    async def _carry_out(self, line: bytes) -> None:
        steps = self.dialect.carry_out(line)
        for step in steps:
            if isinstance(step, Answer):
                await self._answer(step)
            elif await self._stopped(step):
                steps.close()
                self.dialect.instrument.sweeping.abort()
                return

    async def _stopped(self, due_s: float) -> bool:
        """Wait until ``due_s``, and say whether the abort character came before it."""
        clock = self.dialect.instrument.clock
        left_s = max(0.0, clock.real_s(due_s - clock.steady_s()))
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._aborted.wait(), left_s)
        return self._aborted.is_set()

    async def _answer(self, answer: Answer) -> None:
        faults = self.dialect.instrument.faults
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


def _spoilt(answer: Answer, faults: Faults) -> bytes:
    """The bytes of ``answer``, as the faults leave them."""
    whole = answer.body + answer.check + answer.end
    if faults.takes("garbage"):
        return b"\x00\xff?\x07" + bytes(reversed(whole[:40])) + answer.end
    if faults.takes("half_line") or (answer.is_trace and faults.takes("cut")):
        return whole[: len(whole) // 2]
    if answer.wrong_check and faults.takes("wrong_sum"):
        return answer.body + answer.wrong_check + answer.end
    if faults.takes("no_end"):
        return answer.body
    if answer.is_trace and faults.takes("long"):
        return answer.body + answer.body[-16:] + answer.check + answer.end
    return whole
