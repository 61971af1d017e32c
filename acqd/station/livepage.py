"""Has the live page served beside the station, by a process of its own at low priority.

The process is that of ``acqd dash``, fed by MQTT alone. What it needs, secrets too, goes to it over
its standard input, so nothing of it is on a command line; that pipe's end is also how it notices
that the station has gone. It is started again whenever it ends or stops answering; what keeps it
from being served is told once, and the station goes on.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import secrets
import signal
import sys
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import structlog

from acqd.config.secretfile import read_secret_file
from acqd.errors import AcqdError, BrokerError
from acqd.hidden import hide
from acqd.publish.processes import let_go
from acqd.publish.settings import BrokerSettings, Endpoint, is_loopback
from acqd.publish.sharing import write_private
from acqd.publish.threads import OwnThreads

__all__ = ["PROGRAM", "TOKEN_FILE", "LivePage", "PageSpec", "page_token", "restart_after_s"]

PROGRAM = (sys.executable, "-P", "-m", "acqd.dash.child")
TOKEN_FILE = "dash.token"
"""In the archive's folder; made where others than this machine may look and no file is named."""
NICENESS = 5
STARTS_S = 30.0
PROBE_EVERY_S = 15.0
PROBE_LIMIT_S = 10.0
SETTLED_S = 60.0
END_S = 0.5
KILLED_S = 0.5
LINE_MOST = 4096
SAID_LINES = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class PageSpec:
    """Where the page is served, and who may look."""

    address: Endpoint
    token_file: Path | None = None
    stations: tuple[str, ...] = ()
    names: tuple[str, ...] = ()


def restart_after_s(failures: int) -> float:
    """Wait before the page is started again, after so many failures in a row: 1, 2, 4 … 60 s."""
    return float(min(60.0, 2.0 ** max(0, min(failures - 1, 10))))


def page_token(spec: PageSpec, archive: Path) -> tuple[str | None, Path | None]:
    """The token that viewers have to show, and the file it is in; None where nobody is asked.

    It is made where others than this machine may look and no file is named, and stays.

    Raises:
        BrokerError: a file cannot be read or made, or has too short a token.
    """
    path = spec.token_file
    if path is None and is_loopback(spec.address):
        return None, None
    is_ours = path is None
    path = archive / TOKEN_FILE if path is None else path
    try:
        if is_ours and not path.exists():
            write_private(path, secrets.token_urlsafe(16) + "\n")
        token = read_secret_file(path).strip()
        hide(token)
    except (OSError, UnicodeDecodeError) as exc:
        reason = exc.strerror if isinstance(exc, OSError) else "not UTF-8"
        raise BrokerError(f"the page's token, {path}: {reason}") from exc
    if len(token) < 16:
        raise BrokerError(
            f"the page's token, {path}: {len(token)} characters, which can be guessed; expected 16"
        )
    return token, path


class LivePage:
    """The page of one station.

    Args:
        settings: how the broker is spoken to; None where there is none, and so no page.
        program: see :data:`PROGRAM`; without one no page is served.
        backoff: seconds to wait before the next start, by failures in a row.
    """

    def __init__(
        self,
        spec: PageSpec,
        *,
        station: str,
        archive: Path,
        zone: str,
        settings: BrokerSettings | None,
        program: Sequence[str] = PROGRAM,
        backoff: Callable[[int], float] = restart_after_s,
        probe_every_s: float = PROBE_EVERY_S,
        probe_limit_s: float = PROBE_LIMIT_S,
    ) -> None:
        self._spec = spec
        self._station = station
        self._archive = archive
        self._zone = zone
        self._settings = settings
        self._program = tuple(program)
        self._backoff = backoff
        self._probe_every_s = probe_every_s
        self._probe_limit_s = probe_limit_s
        self._threads = OwnThreads("live page")
        self._problem = ""
        self._said: deque[str] = deque(maxlen=SAID_LINES)
        self._log = structlog.get_logger()
        self.starts = 0
        self.process: asyncio.subprocess.Process | None = None

    async def run(self) -> None:
        """Serve until cancelled; whatever goes wrong with it is told and tried again."""
        if not self._program:
            return
        if self._settings is None:
            self._log.warning("no_live_page", problem="without a broker there is nothing to show")
            return
        failures = 0
        while True:
            began_s = asyncio.get_running_loop().time()
            try:
                await self._serve(self._settings)
            except (AcqdError, OSError) as exc:
                self._say(str(exc))
            if asyncio.get_running_loop().time() - began_s > SETTLED_S:
                failures = 0
            failures += 1
            await asyncio.sleep(self._backoff(failures))

    def _say(self, problem: str) -> None:
        if problem != self._problem:
            self._log.warning("no_live_page", problem=problem, station="goes on without it")
        self._problem = problem

    async def _serve(self, settings: BrokerSettings) -> None:
        """One life of the process.

        Raises:
            AcqdError, OSError: why it is not served, or no more.
        """
        token, token_file = await self._threads.run(lambda: page_token(self._spec, self._archive))
        told = json.dumps(self._told(settings, token)).encode() + b"\n"
        self._said.clear()
        process = await self._spawn()
        self.process = process
        listening = asyncio.ensure_future(self._listen(process))
        try:
            assert process.stdin is not None
            process.stdin.write(told)
            url = await self._came_up(process)
            self.starts += 1
            self._problem = ""
            where = {} if token_file is None else {"token_in": str(token_file)}
            self._log.info("live_page", url=url, **where)
            await self._watch(process)
            await asyncio.wait([listening], timeout=0.2)
            raise BrokerError(f"the live page {_end_of(process.returncode)}: {self._last()}")
        finally:
            await _end(process)
            listening.cancel()
            let_go(process)

    async def _spawn(self) -> asyncio.subprocess.Process:
        process = await asyncio.create_subprocess_exec(
            *self._program,
            stdin=asyncio.subprocess.PIPE,
            stdout=asyncio.subprocess.PIPE,
            stderr=asyncio.subprocess.PIPE,
            # Ctrl-C on a terminal goes to the whole group: the station says when it ends.
            start_new_session=True,
        )
        with contextlib.suppress(OSError):
            os.setpriority(os.PRIO_PROCESS, process.pid, NICENESS)
        return process

    def _told(self, settings: BrokerSettings, token: str | None) -> dict[str, Any]:
        """What the process is told, as JSON has it."""
        spec, address = self._spec, settings.address
        return {
            "broker": {
                "host": address.host,
                "port": address.port,
                "tls": address.tls,
                "version": str(settings.version),
                "user": settings.user,
                "password": settings.password,
                "ca_file": None if settings.ca_file is None else str(settings.ca_file),
                "topic_root": settings.topic_root,
            },
            "host": spec.address.host,
            "port": spec.address.port,
            "token": token,
            "stations": spec.stations,
            "names": spec.names,
            "station": self._station,
            "archive": str(self._archive),
            "zone": self._zone,
        }

    async def _came_up(self, process: asyncio.subprocess.Process) -> str:
        """The address that it says once it listens."""
        assert process.stdout is not None
        try:
            async with asyncio.timeout(STARTS_S):
                line = await process.stdout.readline()
        except (TimeoutError, ValueError):
            raise BrokerError(f"it did not start within {STARTS_S:g} s") from None
        if not line:
            await asyncio.sleep(0.1)  # for its last words
            raise BrokerError(self._last())
        return line.decode("utf-8", "replace").strip()

    async def _watch(self, process: asyncio.subprocess.Process) -> None:
        """Until it has ended, or has not answered twice."""
        silent = 0
        while silent < 2:
            try:
                async with asyncio.timeout(self._probe_every_s):
                    await process.wait()
                return
            except TimeoutError:
                pass  # time to see whether it answers
            try:
                await self._probe()
                silent = 0
            except (OSError, TimeoutError):
                silent += 1
        raise BrokerError("the live page does not answer")

    async def _probe(self) -> None:
        host = {"0.0.0.0": "127.0.0.1", "::": "::1"}.get(
            self._spec.address.host, self._spec.address.host
        )
        async with asyncio.timeout(self._probe_limit_s):
            reader, writer = await asyncio.open_connection(host, self._spec.address.port)
            try:
                writer.write(b"GET /health HTTP/1.0\r\nHost: localhost\r\n\r\n")
                if not (await reader.readline()).startswith(b"HTTP/1."):
                    raise OSError("no answer")
            finally:
                writer.transport.abort()

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        """Keep its last words; what it says beside them is for who looks closely."""
        assert process.stderr is not None
        while True:
            try:
                line = await process.stderr.readline()
            except ValueError:
                continue  # longer than the reader holds: thrown away
            if not line:
                return
            text = line[:LINE_MOST].decode("utf-8", "replace").strip()
            if text:
                self._said.append(text)
                self._log.debug("page_says", line=text)

    def _last(self) -> str:
        """Why it ended, as far as it said so; lines of its log are about other things."""
        plain = [line for line in self._said if not line.startswith("{")]
        said = [line for line in plain if line.startswith("acqd: ")] or plain
        return said[-1].removeprefix("acqd: ") if said else "it said nothing"


def _end_of(code: int | None) -> str:
    """How a process ended, in words."""
    if code is None or code >= 0:
        return f"ended (code {code})"
    return f"was killed (signal {-code})"


async def _end(process: asyncio.subprocess.Process) -> None:
    """End it: asked first, by a signal and by the end of its input; killed when it does not."""
    if process.returncode is not None:
        return
    try:
        if process.stdin is not None:
            process.stdin.close()
        _send(process, signal.SIGTERM)
        await _ended(process, END_S)
    finally:
        _send(process, signal.SIGKILL)
    await _ended(process, KILLED_S)


def _send(process: asyncio.subprocess.Process, what: signal.Signals) -> None:
    if process.returncode is None:
        with contextlib.suppress(ProcessLookupError, PermissionError):
            os.killpg(process.pid, what)


async def _ended(process: asyncio.subprocess.Process, limit_s: float) -> None:
    with contextlib.suppress(TimeoutError):
        async with asyncio.timeout(limit_s):
            await process.wait()
