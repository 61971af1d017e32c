"""A link of messages: what HiSLIP, VXI-11, USBTMC and GPIB have in common.

The kinds differ in how a message goes over; each is a :class:`Pipe`. The rules are here: one call
at a time, from one thread; ``interrupt``, ``resume`` and ``close`` from any. A read that comes to
nothing is followed by a device clear, so that the late answer is thrown away at its source and
never meets the next question. A link that does not take that clear, or broke within a message, is
dead: it says so, and wants to be opened anew.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Final, Protocol

from acqd.errors import TransportClosed, TransportError, TransportTimeout

__all__ = ["CLEAR_AFTER_TIMEOUT_S", "OPENING_CLEAR_S", "Pipe", "VisaLink"]

CLEAR_AFTER_TIMEOUT_S: Final = 0.4
"""Longest that a read outlasts its deadline for the device clear. The host waits for a sweep half a
second longer than the driver does, so that the error names the question that was not answered."""

OPENING_CLEAR_S: Final = 0.5
"""The device clear on opening has at least this long, however long connecting took."""

CLOSE_WAIT_S: Final = 1.0
"""Longest that close waits for a woken call to leave."""


class Pipe(Protocol):
    """How messages go over one kind of link.

    Deadlines are of ``time.monotonic()``. Calls raise TransportTimeout past them, TransportClosed
    once interrupted or closed, TransportError where the link broke.
    """

    def send(self, message: bytes, deadline_s: float) -> None:
        """Send one whole message."""
        ...

    def receive(self, max_bytes: int, deadline_s: float) -> tuple[bytes, bool]:
        """Bytes of an answer as soon as there are some, and whether they are its last.

        May give no bytes where the answer ends without any more. After a timeout or an interrupt
        nothing is lost: the same bytes come with the next call.
        """
        ...

    def clear(self, deadline_s: float) -> None:
        """Device clear; what was under way in either direction is gone afterwards."""
        ...

    def interrupt(self) -> None: ...

    def resume(self) -> None: ...

    def close(self, hurry: bool) -> None:
        """Free everything. ``hurry``: the peer does not listen, do not be polite to it."""
        ...


_OPEN, _INTERRUPTED, _CLOSED = "open", "interrupted", "closed"


class VisaLink:
    """A transport over a :class:`Pipe`; also an :class:`acqd_scpi.client.MessageLink`.

    Args:
        name: what to call it in messages: its address.
        pipe: carries the messages.
        release: called once when the link is closed.
    """

    def __init__(self, name: str, pipe: Pipe, *, release: Callable[[], None]) -> None:
        self.name = name
        self._pipe = pipe
        self._release = release
        self._changed = threading.Condition()
        self._state = _OPEN
        self._inside = False
        self._freed = False
        self._owed = False
        self._at_end = False
        self._dead = ""

    def __repr__(self) -> str:
        return f"<link {self.name}, {self._state}>"

    @property
    def at_end(self) -> bool:
        """Whether the last byte that ``read`` gave was the last of an answer (END)."""
        return self._at_end

    @property
    def is_closed(self) -> bool:
        return self._state == _CLOSED

    def write(self, data: bytes, *, timeout_s: float = 2.0) -> None:
        """Send ``data`` as one message; see :meth:`acqd.drivers.contract.Transport.write`."""
        with self._using():
            self._owed = True
            try:
                self._pipe.send(data, time.monotonic() + timeout_s)
            except TransportError:
                # Half a message may be out; what follows would be taken for its other half.
                self._dead = "it broke while a message was being sent"
                raise

    def read(self, max_bytes: int = 65536, *, timeout_s: float) -> bytes:
        """See :meth:`acqd.drivers.contract.Transport.read`.

        Past the deadline a device clear may take another 0.4 s.
        """
        deadline_s = time.monotonic() + timeout_s
        with self._using():
            try:
                data = b""
                while not data:
                    data, self._at_end = self._pipe.receive(max_bytes, deadline_s)
                    if not data and time.monotonic() >= deadline_s:
                        raise TransportTimeout("only empty messages came")
            except TransportTimeout as late:
                self._after_timeout()
                raise TransportTimeout(
                    f"{self.name}: nothing came within {timeout_s:.3g} s"
                ) from late
            if self._at_end:
                self._owed = False
            return data

    def discard_input(self) -> bytes:
        """Throw away what has arrived and what may still come of an answer that was not read.

        By a device clear where an answer may be owed, which takes at most 0.4 s; what it throws
        away cannot be returned. Else there is nothing.
        """
        with self._using():
            if self._owed:
                self._clear(time.monotonic() + CLEAR_AFTER_TIMEOUT_S)
        return b""

    def clear(self, *, timeout_s: float) -> None:
        """Device clear, within ``timeout_s``. A link that does not take it is dead."""
        with self._using():
            self._clear(time.monotonic() + timeout_s)

    def interrupt(self) -> None:
        """Make the call in progress, and all later ones until ``resume``, raise TransportClosed."""
        with self._changed:
            if self._state == _OPEN:
                self._state = _INTERRUPTED
                self._pipe.interrupt()

    def resume(self) -> None:
        """Let calls through again after ``interrupt``."""
        with self._changed:
            if self._state == _INTERRUPTED:
                self._state = _OPEN
                self._pipe.resume()

    def close(self) -> None:
        """Free the link; a call in progress gets TransportClosed. May be called twice."""
        with self._changed:
            hurry = self._state == _INTERRUPTED or self._inside or bool(self._dead)
            if self._state != _CLOSED:
                self._state = _CLOSED
                if self._inside:
                    self._pipe.interrupt()
            self._changed.wait_for(lambda: not self._inside, timeout=CLOSE_WAIT_S)
            if self._freed:
                return
            self._freed = True
        try:
            self._pipe.close(hurry)
        finally:
            self._release()

    def _clear(self, deadline_s: float) -> None:
        try:
            self._pipe.clear(deadline_s)
        except TransportClosed:
            raise  # interrupted: another clear can follow
        except TransportError as error:
            self._dead = "it did not take a device clear"
            raise TransportError(f"{self.name}: {self._dead}: {error}") from error
        self._owed = self._at_end = False

    def _after_timeout(self) -> None:
        if not self._owed:
            return
        try:
            self._clear(time.monotonic() + CLEAR_AFTER_TIMEOUT_S)
        except TransportClosed:
            raise
        except TransportError:
            pass  # noted: the next call says that the link is dead

    @contextmanager
    def _using(self) -> Iterator[None]:
        # close waits until we are out: what is freed under a call could be reused by another.
        with self._changed:
            self._raise_unless_open()
            if self._dead:
                raise TransportError(f"{self.name}: {self._dead}; it must be opened anew")
            self._inside = True
        try:
            yield
        except TransportTimeout:
            raise
        except TransportError:
            # The pipe says that it was interrupted or closed; here it is known by whom.
            self._raise_unless_open()
            raise
        finally:
            with self._changed:
                self._inside = False
                self._changed.notify_all()

    def _raise_unless_open(self) -> None:
        if self._state == _CLOSED:
            raise TransportClosed(f"{self.name}: the host closed the link")
        if self._state == _INTERRUPTED:
            raise TransportClosed(f"{self.name}: the host interrupted the call")
