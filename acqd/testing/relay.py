"""A relay in front of a sweeper, with a cable that can be pulled and a sweeper that falls silent.

    driver ── tcp://127.0.0.1:N or serial:/tmp/…/port ── relay ── the sweeper's own address

A driver under test is given the relay's address. Bytes go through unchanged and at once; the relay
holds the sweeper's own port meanwhile, as a station would. Two kinds are known: TCP, and serial
where the port is a pseudo-terminal (a real one has lines and rates that a relay would lose).
POSIX only. One thread a relay, ``acqd-relay``; what waits for an end is bounded.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import shutil
import socket
import tempfile
import threading
import tty
from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Callable, Mapping
from functools import partial
from typing import Any, Final, Protocol
from urllib.parse import urlsplit

from acqd.drivers.portlock import PortLock
from acqd.errors import PortBusy, TransportError

__all__ = ["PtyRelay", "Relay", "TcpRelay", "is_pseudo_terminal", "relay_for"]

WAITING_MAX_BYTES: Final = 1 << 20
READ_BYTES: Final = 65_536
CONNECT_LIMIT_S: Final = 5.0
ORDER_LIMIT_S: Final = 10.0
PSEUDO_TERMINALS: Final = ("/dev/pts/", "/dev/ttys")
"""Where Linux and macOS keep them."""


class _End(Protocol):
    """One end of a way: a socket, or a terminal."""

    def fileno(self) -> int: ...

    def recv(self, most: int, /) -> bytes: ...

    def send(self, data: bytes, /) -> int: ...

    def close(self) -> None: ...


class _Way:
    """Both directions between the driver's end and the sweeper's."""

    def __init__(self, near: _End, far: _End) -> None:
        self.near = near
        self.far = far
        self.waiting: dict[int, bytearray] = {near.fileno(): bytearray(), far.fileno(): bytearray()}

    def other(self, end: _End) -> _End:
        return self.far if end is self.near else self.near

    def forward(self, end: _End) -> bool:
        """Take what ``end`` has for the other one; False at its end."""
        try:
            data = end.recv(READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return True
        except OSError:
            return False
        self.waiting[self.other(end).fileno()] += data
        return bool(data) and self.push(self.other(end))

    def push(self, end: _End) -> bool:
        """Send what waits for ``end``; False where it takes nothing any more."""
        waiting = self.waiting[end.fileno()]
        try:
            while waiting:
                del waiting[: end.send(bytes(waiting[:READ_BYTES]))]
        except (BlockingIOError, InterruptedError):
            pass
        except OSError:
            return False
        return True


class Relay(ABC):
    """Open from when it is made until :meth:`close`. All methods may be called from any thread."""

    def __init__(self) -> None:
        self._ways: list[_Way] = []
        self._held = False
        self._orders: deque[tuple[Callable[[], None], threading.Event]] = deque()
        self._over = False
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_out, False)
        self._thread = threading.Thread(target=self._run, name="acqd-relay", daemon=True)

    @property
    @abstractmethod
    def address(self) -> str:
        """What the driver is told; the same after each replug."""

    def unplug(self) -> None:
        """Break what is connected, and be gone."""
        self._do(self._unplug)

    def replug(self) -> None:
        """Be there again."""
        self._do(self._replug)

    def hold(self) -> None:
        """Keep back all that the sweeper sends from now on."""
        self._do(lambda: setattr(self, "_held", True))

    def release(self) -> None:
        """Let it through again, what was kept back first."""
        self._do(lambda: setattr(self, "_held", False))

    def close(self) -> None:
        """Let go of the sweeper. May be called twice."""
        if not self._over:
            self._do(self._end)
            self._thread.join(ORDER_LIMIT_S)
            os.close(self._wake_in)
            os.close(self._wake_out)

    @abstractmethod
    def _unplug(self) -> None: ...

    @abstractmethod
    def _replug(self) -> None: ...

    @abstractmethod
    def _end(self) -> None: ...

    def _listening(self) -> tuple[socket.socket, Callable[[], None]] | None:
        """Where somebody may knock, and what lets him in; None where nobody can."""
        return None

    @abstractmethod
    def _drop(self, way: _Way) -> None:
        """``way`` came to its end by itself."""

    def _do(self, order: Callable[[], None]) -> None:
        done = threading.Event()
        self._orders.append((order, done))
        os.write(self._wake_in, b"!")
        if not done.wait(ORDER_LIMIT_S):
            raise TransportError(f"{self.address}: the relay does not answer")

    def _run(self) -> None:
        while not self._over:
            ready = dict(self._polled().poll())
            with contextlib.suppress(BlockingIOError):
                os.read(self._wake_out, 64)
            listening = self._listening()
            if listening is not None and listening[0].fileno() in ready:
                listening[1]()
            for way in list(self._ways):
                if not all(self._turn(way, end, ready.get(end.fileno(), 0)) for end in _ends(way)):
                    self._drop(way)
            while self._orders:
                order, done = self._orders.popleft()
                try:
                    order()
                finally:
                    done.set()

    def _polled(self) -> select.poll:
        poll = select.poll()
        poll.register(self._wake_out, select.POLLIN)
        listening = self._listening()
        if listening is not None:
            poll.register(listening[0], select.POLLIN)
        for way in self._ways:
            for end in _ends(way):
                if end.fileno() < 0:
                    continue
                room = len(way.waiting[way.other(end).fileno()]) < WAITING_MAX_BYTES
                events = select.POLLOUT if way.waiting[end.fileno()] else 0
                if room and not (self._held and end is way.far):
                    events |= select.POLLIN
                if events:
                    poll.register(end.fileno(), events)
        return poll

    def _turn(self, way: _Way, end: _End, events: int) -> bool:
        """Do what ``end`` is ready for; False where it is at its end."""
        if events & select.POLLOUT and not way.push(end):
            return False
        reads = events & (select.POLLIN | select.POLLHUP | select.POLLERR)
        if self._held and end is way.far:
            return True
        return not reads or way.forward(end)


def _ends(way: _Way) -> tuple[_End, _End]:
    return way.near, way.far


class TcpRelay(Relay):
    """A listening socket on loopback in front of ``tcp://host:port``.

    Raises:
        PortBusy: a program of this user has the address open through acqd.
    """

    def __init__(self, address: str) -> None:
        super().__init__()
        parts = urlsplit(address)
        self._far = (str(parts.hostname), int(parts.port or 0))
        self._lock = PortLock(address, f"{self._far[0]}:{self._far[1]}")
        self._server: socket.socket | None = socket.create_server(("127.0.0.1", 0))
        self._port = int(self._server.getsockname()[1])
        self._thread.start()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self._port}"

    def _listening(self) -> tuple[socket.socket, Callable[[], None]] | None:
        server = self._server
        return None if server is None else (server, partial(self._accept, server))

    def _accept(self, server: socket.socket) -> None:
        near, _ = server.accept()
        try:
            far = socket.create_connection(self._far, CONNECT_LIMIT_S)
        except OSError:
            near.close()
            return
        for one in (near, far):
            one.setblocking(False)
            one.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._ways.append(_Way(near, far))

    def _drop(self, way: _Way) -> None:
        self._ways.remove(way)
        way.near.close()
        way.far.close()

    def _unplug(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for way in list(self._ways):
            self._drop(way)

    def _replug(self) -> None:
        if self._server is None:
            self._server = socket.create_server(("127.0.0.1", self._port))

    def _end(self) -> None:
        self._unplug()
        self._lock.release()
        self._over = True


class _Terminal:
    """A file descriptor as an end."""

    def __init__(self, fd: int, close: Callable[[], None]) -> None:
        self._fd = fd
        self.close = close
        os.set_blocking(fd, False)

    def fileno(self) -> int:
        return self._fd

    def recv(self, most: int) -> bytes:
        return os.read(self._fd, most)

    def send(self, data: bytes) -> int:
        return os.write(self._fd, data)


class _Nowhere:
    """The driver's end while the cable is out: what comes is lost."""

    def fileno(self) -> int:
        return -1

    def recv(self, most: int) -> bytes:
        return b""

    def send(self, data: bytes) -> int:
        return len(data)

    def close(self) -> None:
        pass


class PtyRelay(Relay):
    """A pseudo-terminal in front of the pseudo-terminal at ``serial:PATH``.

    Raises:
        PortBusy: somebody holds it.
        TransportError: it cannot be opened.
    """

    def __init__(self, address: str, options: Mapping[str, Any]) -> None:
        import serial

        super().__init__()
        path = address.partition(":")[2]
        try:
            port = serial.Serial(path, int(options.get("baud", 115200)), timeout=0, exclusive=True)
        except (OSError, ValueError) as error:
            is_busy = getattr(error, "errno", None) in (errno.EBUSY, errno.EAGAIN)
            if is_busy or "exclusively" in str(error):
                raise PortBusy(f"{address}: another program holds this port") from error
            raise TransportError(f"{address}: cannot open: {error}") from error
        self._folder = tempfile.mkdtemp(prefix="acqd-relay-")
        self._far = _Terminal(port.fileno(), port.close)
        self._near: _End = _Nowhere()
        self._replug()
        self._thread.start()

    @property
    def address(self) -> str:
        return f"serial:{self._folder}/port"

    def _drop(self, way: _Way) -> None:
        # Our own hold of the slave keeps the near end: it is the sweeper's that is gone.
        self._unplug()
        self._ways = []

    def _unplug(self) -> None:
        self._near.close()
        with contextlib.suppress(FileNotFoundError):
            os.unlink(f"{self._folder}/port")
        self._near = _Nowhere()
        self._ways = [_Way(self._near, self._far)]

    def _replug(self) -> None:
        if not isinstance(self._near, _Nowhere):
            return
        master, slave = os.openpty()
        tty.setraw(slave)

        def close() -> None:
            os.close(slave)
            os.close(master)

        # While we hold the slave the master does not read as hung up, whoever else has it.
        self._near = _Terminal(master, close)
        os.symlink(os.ttyname(slave), f"{self._folder}/port")
        self._ways = [_Way(self._near, self._far)]

    def _end(self) -> None:
        self._unplug()
        self._far.close()
        shutil.rmtree(self._folder, ignore_errors=True)
        self._over = True


def is_pseudo_terminal(address: str) -> bool:
    """Whether ``address`` is a serial one whose port is a pseudo-terminal."""
    scheme, _, path = address.partition(":")
    return scheme.lower() == "serial" and os.path.realpath(path).startswith(PSEUDO_TERMINALS)


def relay_for(address: str, options: Mapping[str, Any]) -> Relay | None:
    """A relay in front of ``address``, or None where none fits.

    Raises:
        PortBusy: somebody holds it.
        TransportError: it cannot be opened.
    """
    if address.lower().startswith("tcp://"):
        return TcpRelay(address)
    return PtyRelay(address, options) if is_pseudo_terminal(address) else None
