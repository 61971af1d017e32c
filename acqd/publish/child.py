"""A broker in a child process: started, proven by a round trip, watched, started again.

Three things make it start anew: its process ended, a probe went unanswered (it is deaf: the process
lives, TCP accepts, and nothing works), or it said something on standard error that means it is no
longer sound. A broker that has failed is killed, not asked.
"""

from __future__ import annotations

import asyncio
import itertools
import os
import random
import signal
import socket
import sys
from collections import deque
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AsyncExitStack, asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from types import TracebackType
from typing import Self

from acqd.errors import BrokerError
from acqd.publish.link import round_trip
from acqd.publish.processes import let_go
from acqd.publish.settings import Endpoint, EventLog, MqttVersion

__all__ = ["BrokerTimings", "ChildBroker", "Command", "claim_ports", "free_port"]

STDERR_LINES = 20
"""Last lines of standard error kept for the error message."""

LINE_MAX_BYTES = 16_384
"""A longer line of standard error is cut."""

START_ATTEMPTS = 3
"""A first start that ends in bad news, but not in an end, is tried again this often."""

START_POLL_S = 0.03
"""Between two tries to reach a broker that is starting."""

KILLED_S = 0.5
"""A killed process is gone after this long, or nothing that we do will end it."""

LAST_WORDS_S = 0.1
"""For what an ended process has left in its pipe; a child of its own may hold that open."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BrokerTimings:
    """How a child broker is watched."""

    start_s: float = 10.0
    """For the first answered round trip after a start."""
    probe_every_s: float = 10.0
    probe_timeout_s: float = 3.0
    end_s: float = 1.0
    """Between asking it to end and killing it."""
    restart_first_s: float = 0.2
    restart_most_s: float = 30.0
    """Waits before starting again, doubled each time until it has lived for a probe."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """What to run. ``config`` is a file that the guard hands over in place of ``@config``."""

    arguments: tuple[str, ...]
    config: Path | None = None
    user: str | None = None
    is_bad_news: Callable[[str], bool] = lambda line: False
    """Whether a line of standard error means that the broker is no longer sound."""
    hear: Callable[[str], None] = lambda line: None
    """Told of each line of standard error."""


def claim_ports(host: str, ports: Sequence[int], *, hint: str) -> None:
    """Check that ``ports`` are free.

    Raises:
        BrokerError: one is not, or the address is none of this machine.
    """
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    for port in ports:
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            # As brokers do: a port that was just given up is not in use.
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError as exc:
                raise BrokerError(
                    f"cannot start a broker on {host}:{port}: {exc.strerror or exc}; {hint}"
                ) from exc


def free_port(host: str, in_a_row: int = 1) -> int:
    """The first of ``in_a_row`` ports that are free right now.

    Below the range that systems give to outgoing connections, so that none of those takes it.

    Raises:
        BrokerError: none was found.
    """
    for _ in range(100):
        port = random.randrange(20_000, 32_000)
        try:
            claim_ports(host, range(port, port + in_a_row), hint="")
        except BrokerError:
            continue
        return port
    raise BrokerError(f"found no free port on {host}")


def _send(process: asyncio.subprocess.Process, what: signal.Signals) -> bool:
    """Send a signal to a child that has not ended; False where it has.

    Not by the process's own methods: they reap a child that has just died, and asyncio's watcher
    then complains that somebody did and makes up a return code.
    """
    if process.returncode is not None:
        return False
    try:
        os.kill(process.pid, what)
    except ProcessLookupError:
        return False
    return True


class _Unsound(BrokerError):
    """It runs, and has said that it should not."""


class ChildBroker:
    """A watched broker process; enter it to start, leave it to end.

    To be used in the main thread: the kernel ends the child with the *thread* that started it.

    Args:
        listeners: address and version of each listener that a probe must find working.
        command: what to run.
        log: one line per change of state; the child's standard error at debug.
        on_up: called after each start that answered, the first one included.
        timings: how it is watched.
        guard: how the child is kept from outliving us; ``kernel`` on Linux.
    """

    def __init__(
        self,
        *,
        listeners: Sequence[tuple[Endpoint, MqttVersion]],
        command: Command,
        log: EventLog,
        on_up: Callable[[], None] | None = None,
        timings: BrokerTimings | None = None,
        guard: str = "kernel" if sys.platform == "linux" else "pipe",
    ) -> None:
        self._listeners = tuple(listeners)
        self._command = command
        self._log = log
        self._on_up = on_up
        self._timings = timings or BrokerTimings()
        self._guard = guard
        self._said: deque[str] = deque(maxlen=STDERR_LINES)
        self._trouble = asyncio.Event()
        self._bad_news = ""
        self._stack: AsyncExitStack | None = None
        self._group: asyncio.TaskGroup | None = None
        self._refusal: BrokerError | None = None
        self._end_s = self._timings.end_s
        self._started = asyncio.Event()
        self.process: asyncio.subprocess.Process | None = None
        self.restarts = 0

    async def __aenter__(self) -> Self:
        """Start it and wait until it answers.

        Raises:
            BrokerError: it does not start, or does not answer; with what it said.
        """
        async with AsyncExitStack() as stack:
            self._group = await stack.enter_async_context(asyncio.TaskGroup())
            keeping = self._group.create_task(self._keep())
            stack.callback(keeping.cancel)
            await self._started.wait()
            self._stack = stack.pop_all()
        if self._refusal is not None:
            await self.__aexit__(None, None, None)
            raise self._refusal
        return self

    async def __aexit__(
        self,
        kind: type[BaseException] | None,
        exc: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        stack, self._stack = self._stack, None
        if stack is None:
            return
        if isinstance(exc, asyncio.CancelledError):
            await stack.__aexit__(kind, exc, traceback)
        else:
            # The task group would wrap what was raised in the body into a group of its own.
            await stack.aclose()

    def end_within(self, limit_s: float) -> None:
        """When it is left, wait at most so long for it to end by itself; 0 kills it at once."""
        self._end_s = max(0.0, min(limit_s, self._timings.end_s))

    def reload(self) -> None:
        """Have it read its files again; nothing where it does not run, for a start reads them."""
        if self.process is not None:
            _send(self.process, signal.SIGHUP)

    async def _keep(self) -> None:
        """Run it, again and again. The first start decides whether there is any second."""
        wait_s = self._timings.restart_first_s
        for attempt in itertools.count(1):
            lived = False
            try:
                async with self._running() as process:
                    await self._answered(process)
                    self._note_up()
                    lived = await self._watch()
            except BrokerError as exc:
                hopeless = attempt >= START_ATTEMPTS or not isinstance(exc, _Unsound)
                if not self._started.is_set() and hopeless:
                    self._refusal = exc
                    self._started.set()
                    return
                self._log.warning("broker_failed", reason=str(exc))
            wait_s = self._timings.restart_first_s if lived else wait_s
            await asyncio.sleep(wait_s)
            wait_s = min(2.0 * wait_s, self._timings.restart_most_s)

    def _note_up(self) -> None:
        if self._started.is_set():
            self.restarts += 1
            self._log.info("broker_restarted", restarts=self.restarts)
        self._started.set()
        if self._on_up is not None:
            self._on_up()

    @asynccontextmanager
    async def _running(self) -> AsyncIterator[asyncio.subprocess.Process]:
        """The child, ended at the end: asked first if all is well, killed if not."""
        self._trouble.clear()
        self._bad_news = ""
        self._said.clear()
        process = await self._spawn()
        self.process = process
        assert self._group is not None
        listening = self._group.create_task(self._listen(process))
        gently = False
        try:
            yield process
        except asyncio.CancelledError:
            # One that has never answered has nothing to put in order.
            gently = self._started.is_set()
            raise
        finally:
            await self._end(process, gently=gently)
            await asyncio.wait([listening], timeout=LAST_WORDS_S)
            listening.cancel()
            let_go(process)

    async def _spawn(self) -> asyncio.subprocess.Process:
        command = self._command
        guard = Path(__file__).with_name("guard.py")
        config = "-" if command.config is None else str(command.config)
        try:
            return await asyncio.create_subprocess_exec(
                *(sys.executable, "-I", "-S", str(guard), self._guard, str(os.getpid())),
                *(command.user or "-", config, *command.arguments),
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
                # Ctrl-C goes to the whole group on a terminal: our goodbye needs the broker.
                start_new_session=True,
            )
        except OSError as exc:
            raise BrokerError(f"cannot start {command.arguments[0]}: {exc}") from exc

    async def _end(self, process: asyncio.subprocess.Process, *, gently: bool) -> None:
        try:
            if gently and self._end_s > 0.0 and _send(process, signal.SIGTERM):
                await self._ended_within(process, self._end_s)
        finally:
            if process.stdin is not None:
                # Where a guard watches, this is what makes it kill the broker.
                process.stdin.close()
            if self._guard == "kernel":
                _send(process, signal.SIGKILL)
        if not await self._ended_within(process, KILLED_S):
            self._log.warning("broker_does_not_end", pid=process.pid)

    @staticmethod
    async def _ended_within(process: asyncio.subprocess.Process, limit_s: float) -> bool:
        try:
            async with asyncio.timeout(limit_s):
                await process.wait()
        except TimeoutError:
            return False
        return True

    async def _listen(self, process: asyncio.subprocess.Process) -> None:
        """Log standard error; its end, or bad news in it, is trouble."""
        assert process.stderr is not None
        while True:
            try:
                line = await process.stderr.readuntil()
            except asyncio.IncompleteReadError as exc:
                line = exc.partial
            except asyncio.LimitOverrunError:
                line = await process.stderr.read(LINE_MAX_BYTES)
            if not line:
                break
            text = line[:LINE_MAX_BYTES].decode("utf-8", "replace").strip()
            self._said.append(text)
            self._log.debug("broker_says", line=text)
            self._command.hear(text)
            if self._command.is_bad_news(text):
                self._log.warning("broker_unsound", line=text)
                self._bad_news = text
                self._trouble.set()
        if process is self.process:
            self._trouble.set()

    async def _answered(self, process: asyncio.subprocess.Process) -> None:
        """Wait for the first answered round trip on each listener."""
        failure: BrokerError | None = None
        try:
            async with asyncio.timeout(self._timings.start_s):
                while not self._trouble.is_set():
                    try:
                        await self._probe()
                        break
                    except BrokerError as exc:
                        failure = exc
                        await asyncio.sleep(START_POLL_S)
        except TimeoutError:
            said = self._last_words() or str(failure)
            raise BrokerError(
                f"the broker did not answer within {self._timings.start_s:g} s: {said}"
            ) from failure
        if self._trouble.is_set():
            if self._bad_news:
                raise _Unsound(f"the broker is not sound: {self._bad_news}") from failure
            code = await process.wait()
            raise BrokerError(f"the broker ended at once (code {code}): {self._last_words()}")

    async def _watch(self) -> bool:
        """Until something is wrong. True where it had answered at least one probe since."""
        answered = False
        while True:
            try:
                async with asyncio.timeout(self._timings.probe_every_s):
                    await self._trouble.wait()
                self._log.warning("broker_gone", last_words=self._last_words())
                return answered
            except TimeoutError:
                pass  # time for a probe
            try:
                await self._probe()
            except BrokerError:
                # Once may be the machine's fault, twice is not.
                try:
                    await self._probe()
                except BrokerError as exc:
                    self._log.warning("broker_deaf", reason=str(exc))
                    return answered
            answered = True

    async def _probe(self) -> None:
        for endpoint, version in self._listeners:
            await round_trip(endpoint, version, self._timings.probe_timeout_s)

    def _last_words(self) -> str:
        return " / ".join(list(self._said)[-3:])
