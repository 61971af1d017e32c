"""The status registers and the error queue of IEEE 488.2 and SCPI-1999."""

from __future__ import annotations

from collections import deque
from enum import IntFlag

from acqd_sim.grammar import ERROR_TEXTS, ScpiError

__all__ = ["QUEUE_LENGTH", "Event", "Group", "Status"]

QUEUE_LENGTH = 16
"""Errors the queue holds; the newest of a full one becomes -350."""


class Event(IntFlag):
    """Bits of the standard event status register."""

    OPC = 1
    RQC = 2
    QYE = 4
    DDE = 8
    EXE = 16
    CME = 32
    URQ = 64
    PON = 128


class Group:
    """One SCPI status group: a condition, the events it has caused, and their enable mask."""

    def __init__(self) -> None:
        self.condition = 0
        self.event = 0
        self.enable = 0

    def set_condition(self, bit: int, on: bool) -> None:
        """Set a bit; going up, it is latched as an event."""
        if on and not self.condition & bit:
            self.event |= bit
        self.condition = self.condition | bit if on else self.condition & ~bit

    def read_event(self) -> int:
        value, self.event = self.event, 0
        return value

    @property
    def summary(self) -> bool:
        return bool(self.event & self.enable)


class Status:
    """All of it, as it is right after power-on."""

    def __init__(self) -> None:
        self.esr = Event.PON
        self.ese = 0
        self.sre = 0
        self.operation = Group()
        self.questionable = Group()
        self._errors: deque[str] = deque()
        self.endless = False
        """A broken firmware: the queue is never empty."""

    def report(self, error: ScpiError) -> None:
        """Queue an error and set the bit of its class."""
        self._push(error.code, str(error))
        kind = -error.code // 100
        bits = {1: Event.CME, 2: Event.EXE, 3: Event.DDE, 4: Event.QYE}
        self.esr |= bits.get(kind, Event.DDE)

    def _push(self, code: int, text: str) -> None:
        entry = f'{code},"{text}"'
        if len(self._errors) >= QUEUE_LENGTH:
            self._errors[-1] = f'-350,"{ERROR_TEXTS[-350]}"'
        else:
            self._errors.append(entry)

    def next_error(self) -> str:
        """Oldest error, taken out; 0 when there is none."""
        if self._errors:
            return self._errors.popleft()
        return '-310,"System error;broken on purpose"' if self.endless else '0,"No error"'

    @property
    def error_count(self) -> int:
        return len(self._errors) + int(self.endless)

    def read_esr(self) -> int:
        value, self.esr = int(self.esr), Event(0)
        return value

    def clear(self) -> None:
        """``*CLS``: events and queue, not the masks."""
        self.esr = Event(0)
        self._errors.clear()
        self.operation.event = 0
        self.questionable.event = 0

    def byte(self, *, message_available: bool) -> int:
        """The status byte, with the master summary in bit 6."""
        value = 4 if self.error_count else 0
        value |= 8 if self.questionable.summary else 0
        value |= 16 if message_available else 0
        value |= 32 if int(self.esr) & self.ese else 0
        value |= 128 if self.operation.summary else 0
        return value | (64 if value & self.sre & ~64 else 0)
