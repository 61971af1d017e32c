"""Where a simulated instrument can be reached: a TCP port on loopback, or a pseudo-terminal."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import select
import socket
import tty
from abc import ABC, abstractmethod
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

from acqd_sim.dialects import SCPI, Talk, conversation
from acqd_sim.instrument import Instrument

__all__ = ["Port", "PortTaken", "PtyPort", "SocketPort", "TcpPort"]

CLIENTS_MAX = 8
"""Connections at once to one instrument; more are closed at once."""
READ_BYTES = 65_536
UNSENT_MAX = 4_000_000
"""Bytes that may wait for a client that does not read; then its connection is dropped."""
OPEN_LOOK_S = 0.01
"""How often it is looked whether somebody opened a terminal where that matters."""
LOOPBACK = ("127.0.0.1", "::1", "localhost")


class PortTaken(Exception):
    """A port that cannot be had; the text says which and why."""


class Port(ABC):
    """One way in. Opened and closed by the server, and by ``unplug`` and ``replug``."""

    @property
    @abstractmethod
    def address(self) -> str:
        """As a station's config would say it."""

    @abstractmethod
    async def open(self) -> None:
        """Be there.

        Raises:
            PortTaken: somebody else is.
        """

    @abstractmethod
    async def close(self) -> None:
        """Be gone, connections and all. May be called twice."""

    @abstractmethod
    def hang_up(self) -> None:
        """Break off the conversations, stay reachable."""

    def restart(self) -> None:
        """The instrument lost power for a moment: conversations are over."""
        self.hang_up()


def _complain(task: asyncio.Task[None], drop: Callable[[], None]) -> None:
    """A defect of the simulator ends the conversation and is told by the loop's handler."""
    if not task.cancelled() and (problem := task.exception()) is not None:
        drop()
        context = {"message": "the simulator failed", "exception": problem, "task": task}
        task.get_loop().call_exception_handler(context)


class SocketPort(Port):
    """A listening socket on loopback. Port 0 takes a free one, and keeps it over a replug."""

    connections_max: ClassVar[int] = CLIENTS_MAX

    def __init__(self, instrument: Instrument, host: str, port: int) -> None:
        if host not in LOOPBACK:
            raise PortTaken(f"{host}: the simulator listens on loopback only, such as 127.0.0.1")
        self.instrument = instrument
        self.host = host
        self.port = port
        self._server: asyncio.Server | None = None
        self._tasks: dict[asyncio.Task[None], asyncio.StreamWriter] = {}

    @property
    def address(self) -> str:
        return f"tcp://{self.host}:{self.port}"

    async def open(self) -> None:
        try:
            server = await asyncio.start_server(self._serve, self.host, self.port)
        except OSError as exc:
            reason = "it is taken" if exc.errno == errno.EADDRINUSE else exc.strerror
            raise PortTaken(f"cannot listen on {self.host}:{self.port}: {reason}") from exc
        self._server = server
        self.port = server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        self.hang_up()
        if self._tasks:
            await asyncio.wait(list(self._tasks), timeout=1.0)

    def hang_up(self) -> None:
        for task, writer in list(self._tasks.items()):
            writer.transport.abort()
            task.cancel()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        if task is None or len(self._tasks) >= self.connections_max:
            writer.transport.abort()
            return
        self._tasks[task] = writer
        plain = writer.get_extra_info("socket")
        if plain is not None:
            plain.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        try:
            await self._talk(reader, writer)
        except (OSError, asyncio.CancelledError):
            pass  # the client went away, or the server is closing: either way it is over
        finally:
            del self._tasks[task]
            writer.transport.abort()

    @abstractmethod
    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """One connection, from its first byte to its end."""


class TcpPort(SocketPort):
    """A conversation in SCPI, or in another language, for each connection."""

    def __init__(self, instrument: Instrument, host: str, port: int, speaks: str = SCPI) -> None:
        super().__init__(instrument, host, port)
        self.speaks = speaks

    async def _talk(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        def send(data: bytes) -> None:
            writer.write(data)
            if writer.transport.get_write_buffer_size() > UNSENT_MAX:
                writer.transport.abort()

        session = conversation(self.speaks, self.instrument, send, writer.transport.abort)
        session.hello()
        work = asyncio.create_task(session.work())
        work.add_done_callback(lambda task: _complain(task, writer.transport.abort))
        try:
            while data := await reader.read(READ_BYTES):
                session.receive(data)
        finally:
            work.cancel()
            await asyncio.wait([work])


class PtyPort(Port):
    """A pseudo-terminal behind a symbolic link, which stands in for a serial port.

    The slave side is kept open here too, so that a client may close and open it again; but not
    where the instrument starts anew on being opened, which could not be noticed then.
    """

    def __init__(self, instrument: Instrument, path: str, speaks: str = SCPI) -> None:
        self.instrument = instrument
        self.speaks = speaks
        self.path = Path(path).absolute()
        self._master = -1
        self._slave = -1
        self._target = ""
        self._unsent = bytearray()
        self._work: asyncio.Task[None] | None = None
        self._session: Talk | None = None
        self._look: asyncio.Task[None] | None = None

    @property
    def address(self) -> str:
        return f"serial:{self.path}"

    async def open(self) -> None:
        if self.path.exists() and not self.path.is_symlink():
            raise PortTaken(f"{self.path} is there already and is not a symbolic link")
        try:
            self._master, self._slave = os.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            self._target = os.ttyname(self._slave)
            self._link(self._target)
        except OSError as exc:
            self._close_files()
            raise PortTaken(f"cannot make a terminal at {self.path}: {exc.strerror}") from exc
        self._session = conversation(self.speaks, self.instrument, self._send, self._drop)
        self._work = asyncio.create_task(self._session.work())
        self._work.add_done_callback(lambda task: _complain(task, self._drop))
        if self._session.wakes:
            os.close(self._slave)
            self._slave = -1
            self._look = asyncio.create_task(self._await_openings(self._session))
        else:
            asyncio.get_running_loop().add_reader(self._master, self._readable)

    def move(self, path: str) -> None:
        """Be at another place at the next opening; only while it is closed."""
        self.path = Path(path).absolute()

    async def _await_openings(self, session: Talk) -> None:
        """Start the conversation anew whenever somebody opens the terminal, as a board does that
        restarts when its port is opened. The other side hangs up while nobody has it open."""
        poll = select.poll()
        poll.register(self._master, 0)
        loop = asyncio.get_running_loop()
        is_open = False
        while True:
            hung_up = any(events & select.POLLHUP for _, events in poll.poll(0))
            if is_open and hung_up:
                loop.remove_reader(self._master)
                self.hang_up()
            elif not is_open and not hung_up:
                session.hello()
                loop.add_reader(self._master, self._readable)
            is_open = not hung_up
            await asyncio.sleep(OPEN_LOOK_S)

    def _link(self, target: str) -> None:
        """Put the link in place in one step, so that it never points to nowhere."""
        self.path.parent.mkdir(parents=True, exist_ok=True)
        temporary = self.path.with_name(f".{self.path.name}.{os.getpid()}")
        with contextlib.suppress(FileNotFoundError):
            temporary.unlink()
        temporary.symlink_to(target)
        temporary.replace(self.path)

    async def close(self) -> None:
        if self._master < 0:
            return
        with contextlib.suppress(OSError):
            if os.readlink(self.path) == self._target:
                self.path.unlink()
        loop = asyncio.get_running_loop()
        if self._look is not None:
            self._look.cancel()
            await asyncio.wait([self._look])
            self._look = None
        loop.remove_reader(self._master)
        loop.remove_writer(self._master)
        if self._work is not None:
            self._work.cancel()
            await asyncio.wait([self._work])
        self._close_files()

    def _close_files(self) -> None:
        for number in (self._master, self._slave):
            if number >= 0:
                os.close(number)
        self._master = self._slave = -1
        self._unsent.clear()

    def hang_up(self) -> None:
        """A terminal has no connection to break: what waits to be read is lost."""
        self._unsent.clear()

    def restart(self) -> None:
        self.hang_up()
        if self._session is not None:
            self._session.hello()

    def _drop(self) -> None:
        self.hang_up()

    def _readable(self) -> None:
        try:
            data = os.read(self._master, READ_BYTES)
        except (BlockingIOError, InterruptedError):
            return
        except OSError:
            data = b""
        if self._session is not None and data:
            self._session.receive(data)

    def _send(self, data: bytes) -> None:
        if len(self._unsent) + len(data) <= UNSENT_MAX:
            self._unsent += data
            self._flush()

    def _flush(self) -> None:
        """Write what the terminal takes; the rest when it takes more."""
        loop = asyncio.get_running_loop()
        try:
            while self._unsent:
                sent = os.write(self._master, self._unsent)
                del self._unsent[:sent]
        except (BlockingIOError, InterruptedError):
            loop.add_writer(self._master, self._flush)
            return
        except OSError:
            self._unsent.clear()
        loop.remove_writer(self._master)
