"""What PyVISA-py's protocol code needs of a socket, over one of acqd's links.

Its own sockets wait in ways that cannot be ended (a select of two seconds, a receive without end
where the peer hung up). Given one of these, each of its waits ends at a deadline, and at once where
the host interrupts or closes the link.
"""

from __future__ import annotations

import time
from typing import Final

from acqd.drivers.transport import Link
from acqd.errors import TransportError, TransportTimeout

__all__ = ["LinkSocket"]

LATE_S: Final = 0.5
"""What has come already may be taken so long after the deadline, and no longer."""

TAKEN_CAP_BYTES: Final = 16 << 20
"""Most that is kept to be put back, as much as the longest answer."""


class LinkSocket:
    """A stream with a deadline, whose reading can be taken back.

    ``deadline_s`` is of ``time.monotonic()`` and holds for all that is done from then on.
    """

    def __init__(self, link: Link) -> None:
        self.link = link
        self.deadline_s = 0.0
        self._buffer = bytearray()
        self._taken: bytearray | None = None

    @property
    def buffered(self) -> int:
        """Bytes that can be taken without waiting."""
        return len(self._buffer)

    def begin(self) -> None:
        """What is taken from now on can be put back by :meth:`take_back`."""
        self._taken = bytearray()

    def done(self) -> None:
        """What was taken since ``begin`` is kept."""
        self._taken = None

    def take_back(self) -> None:
        """Put back what was taken since ``begin``: a protocol unit that did not come whole."""
        if self._taken is not None:
            self._buffer[:0] = self._taken
            self._taken = None

    def sendall(self, data: bytes | bytearray) -> None:
        self.link.write(bytes(data), timeout_s=self._left_s())

    def recv_into(self, into: bytearray | memoryview, most: int) -> int:
        """At least one byte, at most ``most``; raises TransportClosed where the peer hung up."""
        if time.monotonic() > self.deadline_s + LATE_S:
            # A peer that sends faster than it is read would never let a wait end.
            raise TransportTimeout(f"{self.link.name}: too much comes to be read in time")
        if not self._buffer and most:
            self._buffer += self.link.read(timeout_s=self._left_s())
        size = min(most, len(self._buffer))
        into[:size] = self._buffer[:size]
        if self._taken is not None:
            self._taken += self._buffer[:size]
            if len(self._taken) > TAKEN_CAP_BYTES:
                raise TransportError(f"{self.link.name}: more than {TAKEN_CAP_BYTES} bytes at once")
        del self._buffer[:size]
        return size

    def peek(self, size: int) -> bytes:
        """The next ``size`` bytes, which stay."""
        data = self.read_exactly(size)
        self._buffer[:0] = data
        if self._taken is not None:
            del self._taken[-size:]
        return data

    def read_exactly(self, size: int) -> bytes:
        """``size`` bytes."""
        data = bytearray(size)
        view = memoryview(data)
        while view:
            view = view[self.recv_into(view, len(view)) :]
        return bytes(data)

    def skip(self, size: int) -> None:
        """Throw ``size`` bytes away, holding few of them at a time."""
        scrap = bytearray(min(size, 65536))
        while size:
            size -= self.recv_into(scrap, min(size, len(scrap)))

    def close(self) -> None:
        self.link.close()

    def _left_s(self) -> float:
        return max(0.0, self.deadline_s - time.monotonic())
