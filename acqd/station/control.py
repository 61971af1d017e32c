"""A running station's ear for the commands of its own user: a Unix domain socket, JSON lines.

    ask   {"do": "reference", "job": "low-pass", …}
    told  {"say": "sweep 1 of 5"}            any number of them, as it goes on
          {"working": true}                  when there was nothing to say for a while
          {"done": {…}} or {"error": "…", "code": 1}

One request after the other on a connection; who sends anything while one is being done, or hangs
up, wants it no more. The socket is in the archive's folder (``control.sock``), where nobody else
may write; where that is not so, or its path is longer than the kernel takes, it has a name made
from the archive's in the folder of the user's locks. It is there for its owner alone (mode 0600),
and the kernel is asked who is at the other end where it says so.

What a client does wrong costs that client its connection and nobody anything else: lines, requests,
connections, waiting times and what is not read are limited. No error of a command leaves here.
"""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import json
import os
import socket
import stat
import struct
from collections.abc import Awaitable, Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import structlog

from acqd.drivers.portlock import lock_folder
from acqd.errors import AcqdError, SweeperError, WrongUsage

__all__ = ["Command", "Control", "Conversation", "ask_station", "socket_paths"]

NAME = "control.sock"
PATH_MOST_BYTES = 100
"""The kernel takes 107 bytes on Linux and 103 elsewhere."""

CLIENTS_MOST = 8
LINE_MOST_BYTES = 65536
"""An amendment of a chain may bring a table of a thousand losses."""
REQUESTS_MOST = 100
"""Of one connection."""
IDLE_S = 30.0
"""So long a connection may say nothing."""
UNREAD_MOST_BYTES = 65536
"""Answers that a client may leave unread before it is taken to be gone."""
WORKING_EVERY_S = 5.0
SILENT_S = 60.0
"""A station that says nothing for so long is taken to hang."""
CONNECT_S = 5.0
ANSWER_MOST_BYTES = 1 << 20


class Conversation:
    """One request under way: who asked can be told how it goes on."""

    def __init__(self, writer: asyncio.StreamWriter) -> None:
        self._writer = writer
        self._gone = False

    @property
    def is_wanted(self) -> bool:
        """Whether who asked is still there."""
        return not self._gone

    def leave(self) -> None:
        self._gone = True

    def say(self, text: str) -> None:
        """Tell who asked how it goes on; never waits."""
        self.send({"say": text})

    def send(self, answer: Mapping[str, Any]) -> None:
        transport = self._writer.transport
        if self._gone or transport.is_closing():
            return
        if transport.get_write_buffer_size() > UNREAD_MOST_BYTES:
            self._gone = True
            transport.abort()
            return
        # What UTF-8 cannot hold becomes what JSON can.
        text = json.dumps(answer, ensure_ascii=False).encode(errors="backslashreplace")
        self._writer.write(text + b"\n")


Command = Callable[[Mapping[str, Any], Conversation], Awaitable[Mapping[str, Any]]]
"""Does what one request asks and gives the answer, plain JSON data; raises AcqdError where it
cannot."""


class Control:
    """The station's side. :meth:`run` serves ``commands`` (by their word) until it is cancelled."""

    def __init__(self, archive: Path, commands: Mapping[str, Command]) -> None:
        self._archive = archive
        self._commands = dict(commands)
        self._clients: set[asyncio.Task[None]] = set()
        self._log = structlog.get_logger()
        self.path: Path | None = None
        """Where the socket is; None where there is none."""

    async def run(self) -> None:
        """Serve; where no socket can be made that is logged, and nothing is served.

        Only for who holds the archive's lock: a socket that is there already is of a dead station.
        """
        try:
            ear = self._bind()
        except OSError as exc:
            self._log.warning("no_control_socket", problem=str(exc))
            return
        assert self.path is not None
        there = os.stat(self.path)
        try:
            server = await asyncio.start_unix_server(
                self._client, sock=ear, limit=LINE_MOST_BYTES, backlog=CLIENTS_MOST
            )
            self._log.debug("control_socket", path=str(self.path))
            try:
                await asyncio.get_running_loop().create_future()
            finally:
                server.close()
                await self._end_clients()
        finally:
            ear.close()
            with contextlib.suppress(OSError):
                # Not one that somebody else has put there since.
                if os.path.samestat(os.stat(self.path), there):
                    self.path.unlink()

    def _bind(self) -> socket.socket:
        """A socket with nobody else's reach, bound and not yet listening.

        Raises:
            OSError: there is no place for one.
        """
        problem = OSError("no folder that is this user's alone")
        for path in _tidy(socket_paths(self._archive)):
            ear = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
            try:
                ear.bind(str(path))
                os.chmod(path, 0o600)
                ear.setblocking(False)
            except OSError as exc:
                ear.close()
                problem = exc
                continue
            self.path = path
            return ear
        raise problem

    async def _end_clients(self) -> None:
        for client in self._clients:
            client.cancel()
        if self._clients:
            await asyncio.wait(self._clients, timeout=1.0)

    async def _client(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None
        conversation = Conversation(writer)
        if len(self._clients) >= CLIENTS_MOST:
            conversation.send(_error(f"{CLIENTS_MOST} others are connected; ask again later"))
            writer.close()
            return
        self._clients.add(task)
        try:
            if _is_ours(writer.get_extra_info("socket")):
                await self._converse(reader, writer)
        except (OSError, TimeoutError) as exc:
            self._log.debug("control_client", problem=str(exc) or "it said nothing for too long")
        except asyncio.CancelledError:
            # The station stops. Not raised: the stream's own callback would take it for an error.
            Conversation(writer).send(_error("the station is stopping"))
        finally:
            self._clients.discard(task)
            writer.close()

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        for _ in range(REQUESTS_MOST):
            try:
                async with asyncio.timeout(IDLE_S):
                    line = await reader.readline()
            except ValueError:
                Conversation(writer).send(_error(f"a line of more than {LINE_MOST_BYTES} bytes"))
                return
            if not line:
                return
            conversation = Conversation(writer)
            answer = await self._answer(line, conversation, reader)
            conversation.send(answer)
            if not conversation.is_wanted:
                return
            async with asyncio.timeout(IDLE_S):
                await writer.drain()

    async def _answer(
        self, line: bytes, conversation: Conversation, reader: asyncio.StreamReader
    ) -> Mapping[str, Any]:
        try:
            asked = json.loads(line)
        except (ValueError, RecursionError):
            return _error("not a line of JSON", code=2)
        word = asked.get("do") if isinstance(asked, dict) else None
        command = self._commands.get(word) if isinstance(word, str) else None
        if command is None:
            known = ", ".join(sorted(self._commands))
            return _error(f"no such request; this station does: {known}", code=2)
        doing = asyncio.create_task(_outcome(command, asked, conversation), name=f"do {word}")
        listening = asyncio.create_task(_until_gone(reader))
        try:
            while not doing.done() and not listening.done():
                await asyncio.wait(
                    (doing, listening),
                    timeout=WORKING_EVERY_S,
                    return_when=asyncio.FIRST_COMPLETED,
                )
                if not doing.done() and not listening.done():
                    conversation.send({"working": True})
            if not doing.done():
                conversation.leave()
                return _error("nobody waits for it")
            return doing.result()
        finally:
            listening.cancel()
            doing.cancel()
            await asyncio.wait((doing, listening), timeout=1.0)


async def _outcome(
    command: Command, asked: Mapping[str, Any], conversation: Conversation
) -> Mapping[str, Any]:
    """What a command answers, whatever becomes of it."""
    try:
        done = dict(await command(asked, conversation))
        # Now, so that what is no JSON is the command's fault too.
        json.dumps(done, allow_nan=False)
    except AcqdError as exc:
        return _error(str(exc), code=2 if isinstance(exc, WrongUsage) else 1)
    except Exception as exc:
        structlog.get_logger().error("control_failed", asked=asked.get("do"), exc_info=exc)
        return _error(f"the station failed at this ({type(exc).__name__}); its log says more")
    return {"done": done}


async def _until_gone(reader: asyncio.StreamReader) -> None:
    with contextlib.suppress(OSError):
        await reader.read(1)


def _error(text: str, *, code: int = 1) -> dict[str, Any]:
    return {"error": text, "code": code}


# -- where the socket is -----------------------------------------------------------------------


def socket_paths(archive: Path) -> tuple[Path, ...]:
    """Where the socket of an archive's station may be, the first choice first."""
    return tuple(_places(archive.resolve()))


def _places(archive: Path) -> Iterator[Path]:
    own = archive / NAME
    if len(os.fsencode(own)) <= PATH_MOST_BYTES and _is_private(archive):
        yield own
    folder = lock_folder()
    if folder is not None:
        digest = hashlib.sha256(os.fsencode(archive)).hexdigest()[:16]
        short = folder / f"station-{digest}.sock"
        if len(os.fsencode(short)) <= PATH_MOST_BYTES and _is_private(folder):
            yield short


def _is_private(folder: Path) -> bool:
    """Whether nobody but this user may write in ``folder``."""
    try:
        found = folder.stat()
    except OSError:
        return False
    return found.st_uid == os.getuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def _tidy(paths: tuple[Path, ...]) -> Iterator[Path]:
    """The paths without what a dead station has left there; those with anything else are left."""
    for path in paths:
        try:
            if not stat.S_ISSOCK(path.lstat().st_mode):
                continue
            path.unlink()
        except FileNotFoundError:
            pass
        except OSError:
            continue
        yield path


def _is_ours(one: Any) -> bool:
    """Whether this user, or root, is at the other end, as far as the kernel says."""
    if not hasattr(socket, "SO_PEERCRED"):
        return True
    pid_uid_gid = one.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    uid = struct.unpack("3i", pid_uid_gid)[1]
    return os.getuid() == 0 or uid in (0, os.getuid())


# -- the other end -----------------------------------------------------------------------------


def ask_station(
    archive: Path, request: Mapping[str, Any], *, say: Callable[[str], None] = lambda text: None
) -> dict[str, Any] | None:
    """Ask the station that writes ``archive``, and wait for what it answers; blocks.

    Returns: its answer; None where no station listens there.

    Raises:
        WrongUsage: it says that the request is wrong.
        SweeperError: it cannot do it, or does not answer.
    """
    with contextlib.ExitStack() as stack:
        line = _connected(archive)
        if line is None:
            return None
        stack.callback(line.close)
        try:
            line.settimeout(SILENT_S)
            with contextlib.suppress(BrokenPipeError):
                # One that does not want to hear it has said why.
                line.sendall(json.dumps(dict(request)).encode() + b"\n")
            return _answered(stack.enter_context(line.makefile("rb")), say)
        except TimeoutError as exc:
            raise SweeperError(
                f"the station of {archive} has said nothing for {SILENT_S:g} s; see its log"
            ) from exc
        except (OSError, ValueError, KeyError, TypeError) as exc:
            raise SweeperError(f"the station of {archive} broke off: {exc}") from exc


def _connected(archive: Path) -> socket.socket | None:
    for path in socket_paths(archive):
        line = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        line.settimeout(CONNECT_S)
        try:
            line.connect(str(path))
            if _is_ours(line):
                return line
        except OSError:
            pass
        line.close()
    return None


def _answered(lines: Any, say: Callable[[str], None]) -> dict[str, Any]:
    while True:
        text = lines.readline(ANSWER_MOST_BYTES)
        if not text:
            raise ConnectionError("it hung up")
        told = json.loads(text)
        if "say" in told:
            say(str(told["say"]))
        elif "error" in told:
            raise (WrongUsage if told.get("code") == 2 else SweeperError)(str(told["error"]))
        elif "done" in told:
            return dict(told["done"])
