"""The driver's side of the host in a process of its own: what a thread cannot survive, it can.

A crash, a call that never lets the interpreter go, a leak: they end, or are ended with, that
process, and cost its sweeper's sweeps (guarantee G6). :class:`ProcessWorker` satisfies
:class:`~acqd.drivers.worker.Calls` as the thread does, and the host cannot tell them apart but by
two things: it takes up to ``START_S`` more to open, and it can be ended.

    loop ──submit, cancel, close_link, retire──► queue, wake pipe
    one thread of ours: poll over socket, wake pipe, the process's end, what it prints
    ──messages (acqd.drivers.wire)──► acqd.drivers.child: the driver's side, as in a thread

When it is ended: ``KILL_AFTER_S`` after its link was to be closed and its call has not come back,
or ``LEAVE_S`` after it answered the last call. Both lie within the graces of the session, so that a
process is given up only where the kernel itself cannot end it (a call that hangs in a broken kernel
driver); then it is counted like a thread that hangs.

What comes back is believed in nothing: see :mod:`acqd.drivers.wire`; times must lie within the call
by the station's own clocks, else those are taken.
"""

from __future__ import annotations

import math
import os
import select
import sys
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Any, Final, Protocol

from acqd.clock import Clock
from acqd.drivers.childprocess import LOOK_S, MEMORY_MOST_BYTES, ChildProcess
from acqd.drivers.contract import Driver
from acqd.drivers.protocol import (
    Call,
    CloseCall,
    Failure,
    OpenCall,
    Reply,
    SweepCall,
    Taken,
    doing_of,
)
from acqd.drivers.transport import open_transport
from acqd.drivers.wire import FROM_DRIVER, Frame, Frames, Topic, WireError, encode
from acqd.drivers.worker import OpenLink, RefusedLink
from acqd.errors import DriverDied, DriverFault, TransportClosed
from acqd.hidden import masked

__all__ = ["KILL_AFTER_S", "START_S", "ProcessMaker", "ProcessWorker", "target_of"]

START_S: Final = 10.0
"""Longest that a process may take to come up, besides the deadline of opening: much on a slow
machine under load. Usually it is well under a second."""

KILL_AFTER_S: Final = 0.3
"""How long a call may take to come back once its link is closed."""

LEAVE_S: Final = 0.2
"""How long the process may take to be gone once it has answered the last call."""

TIMES_AGREE_S: Final = 0.002
"""A sweep's times may lie so far outside of its call: clocks are read one after the other."""

NO_LIMIT_S: Final = 3600.0

ReplyTo = Callable[[Reply], None]


class Log(Protocol):
    """What is logged to: an event and its fields, as structlog takes them."""

    def warning(self, event: str, **fields: Any) -> Any: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class ProcessMaker:
    """Makes a :class:`ProcessWorker` for each session; a :class:`~acqd.drivers.worker.MakeWorker`.

    ``target``: ``module:class`` of the driver, from its entry point; where it is empty, that of the
    driver object. ``log`` gets what it prints; without one that goes to standard error. ``hidden``:
    environment variables that hold passwords.
    """

    target: str = ""
    log: Log | None = None
    hidden: tuple[str, ...] = ()

    def __call__(
        self, *, name: str, driver: Driver, clock: Clock, open_link: OpenLink
    ) -> ProcessWorker:
        return ProcessWorker(
            name=name,
            driver=driver,
            clock=clock,
            open_link=open_link,
            target=self.target,
            log=self.log,
            hidden=self.hidden,
        )


def target_of(driver: Driver) -> str:
    """``module:class`` by which the class of ``driver`` can be loaded elsewhere.

    Raises:
        DriverFault: it was made inside a function, or in the program itself.
    """
    kind = type(driver)
    if "<" in kind.__qualname__ or kind.__module__ == "__main__":
        raise DriverFault(
            f"the driver {kind.__qualname__} of {kind.__module__} cannot be loaded in a process of "
            f"its own; it must be a class of a module"
        )
    return f"{kind.__module__}:{kind.__qualname__}"


@dataclass(slots=True, kw_only=True)
class _Asked:
    """A call that waits for its answer."""

    call: Call
    reply_to: ReplyTo
    number: int
    wall_s: float = 0.0
    monotonic_s: float = 0.0


class ProcessWorker:
    """Runs one driver for one open sweeper in a process, which ends with CloseCall."""

    start_s = START_S

    def __init__(
        self,
        *,
        name: str,
        driver: Driver,
        clock: Clock,
        open_link: OpenLink = open_transport,
        target: str = "",
        log: Log | None = None,
        hidden: Iterable[str] = (),
    ) -> None:
        self._name = name
        self._target = target
        self._driver = driver
        self._clock = clock
        self._open_link = open_link
        self._log = log
        self._hidden = tuple(hidden)
        self.was_ended = False
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_out, False)
        os.set_blocking(self._wake_in, False)
        self._lock = threading.Lock()
        self._orders: deque[_Asked | Topic | str] = deque()
        self._over = False
        self._thread = threading.Thread(target=self._run, name=f"acqd-sweeper-{name}", daemon=True)
        self._thread.start()

    # --- what the session calls, from its loop -------------------------------------------------

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    @property
    def pid(self) -> int | None:
        """The number of the process; None before it is started and after its end."""
        child = self._child
        return None if child is None else child.pid

    def submit(self, call: Call, reply_to: ReplyTo) -> None:
        """Queue ``call``; ``reply_to`` is called with its reply in a thread of ours."""
        if not self._order(_Asked(call=call, reply_to=reply_to, number=0)):
            reply_to(self._gone(call))

    def cancel(self) -> None:
        """Ask the call in progress to end. Does not wait."""
        self._order("cancel")

    def close_link(self) -> None:
        """Free the port: by closing the link, else by ending the process. Does not wait."""
        self._order("close link")

    def retire(self) -> None:
        """Nobody waits any more: end it."""
        self._order("end")

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread's end; True if it has ended."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _order(self, order: _Asked | str) -> bool:
        with self._lock:
            if self._over:
                return False
            self._orders.append(order)
            try:
                os.write(self._wake_in, b"!")
            except BlockingIOError:
                pass  # it is being woken already
        return True

    # --- the thread ----------------------------------------------------------------------------

    _child: ChildProcess | None = None
    _how: str | None = None
    """How the process ended, once it has."""

    def _run(self) -> None:
        self._waiting: deque[_Asked] = deque()
        self._current: _Asked | None = None
        self._count = 0
        self._link_closed = False
        self._kill_at_s: float | None = None
        self._closing: Reply | None = None
        self._out = b""
        self._frames = Frames(FROM_DRIVER)
        self._look_at_s = 0.0
        self._gone_by_s: float | None = None
        self._refusal: Exception | None = None
        self._start()
        try:
            while not (self._child is None and self._closing is not None):
                self._once()
        finally:
            self._end()

    def _start(self) -> None:
        try:
            target = self._target or target_of(self._driver)
            self._child = ChildProcess(
                target, name=self._name, say=self._print, hidden=self._hidden
            )
        except OSError as error:
            self._refusal = DriverFault(f"{self._name}: its process cannot be started: {error}")
        except DriverFault as error:
            self._refusal = error

    def _once(self) -> None:
        child = self._child
        poll = select.poll()
        poll.register(self._wake_out, select.POLLIN)
        if child is not None:
            if self._gone_by_s is None:
                poll.register(child.socket, select.POLLIN | (select.POLLOUT if self._out else 0))
            if child.exit_fd is not None:
                poll.register(child.exit_fd, select.POLLIN)
            if child.output.wants:
                poll.register(child.output.fd, select.POLLIN)
        ready = {fd for fd, _ in poll.poll(1000 * self._wait_s())}
        self._take_orders()
        if child is not None:
            if child.output.fd in ready:
                child.output.read()
            self._talk(child)
            self._look(child)
            self._see_end(child)
        self._go_on()

    def _wait_s(self) -> float:
        """How long nothing need be looked at."""
        if self._child is None:
            return NO_LIMIT_S
        busy = self._current is not None or self._closing is not None
        wait_s = LOOK_S if busy or self._child.output.floods else NO_LIMIT_S
        if self._child.exit_fd is None:
            wait_s = LOOK_S
        if self._gone_by_s is not None:
            wait_s = min(wait_s, LEAVE_S)
        if self._kill_at_s is not None:
            wait_s = min(wait_s, max(0.0, self._kill_at_s - time.monotonic()) + 0.001)
        return wait_s

    def _take_orders(self) -> None:
        try:
            os.read(self._wake_out, 4096)
        except BlockingIOError:
            pass
        while self._orders:
            order = self._orders.popleft()
            if isinstance(order, _Asked):
                self._waiting.append(order)
            elif order == "end":
                self._force_end()
                self._closing = self._closing or Reply()
            elif self._child is not None:
                self._send(Frame(topic="cancel" if order == "cancel" else "close link"))
                if order == "close link":
                    self._link_closed = True
                    self._limit()

    def _limit(self) -> None:
        """From now on the call in progress has but a moment."""
        if self._current is not None and self._kill_at_s is None:
            self._kill_at_s = time.monotonic() + KILL_AFTER_S

    def _force_end(self) -> None:
        if self._child is not None and self._child.how_it_ended() is None:
            self.was_ended = True
            self._child.kill()
        self._kill_at_s = None

    def _go_on(self) -> None:
        """Begin the next call that waits, once the one before is answered."""
        while self._waiting and self._current is None:
            asked = self._waiting.popleft()
            if self._child is None or self._closing is not None:
                self._answer(asked, self._gone(asked.call))
            else:
                self._begin(asked)

    def _begin(self, asked: _Asked) -> None:
        self._count += 1
        asked.number = self._count
        asked.wall_s, asked.monotonic_s = self._clock.wall_s(), self._clock.monotonic_s()
        try:
            self._send(self._frame_of(asked))
        except WireError as error:
            problem = DriverFault(f"{self._name}: cannot be asked: {error}")
            self._answer(asked, Reply(failure=Failure.of(problem, doing="open")))
            return
        self._current = asked
        if self._link_closed:
            self._limit()

    def _frame_of(self, asked: _Asked) -> Frame:
        refusal = None
        if isinstance(asked.call, OpenCall) and self._open_link is not open_transport:
            error = (
                self._open_link.error
                if isinstance(self._open_link, RefusedLink)
                else DriverFault("its link is opened by a function of this program; use a thread")
            )
            refusal = Failure.of(error, doing="connect")
        topic: Topic = "call" if refusal is None else "refused call"
        return Frame(topic=topic, number=asked.number, value=asked.call, refusal=refusal)

    def _send(self, frame: Frame) -> None:
        self._out += encode(frame)
        if self._child is not None:
            self._flush(self._child)

    def _flush(self, child: ChildProcess) -> None:
        try:
            while self._out:
                self._out = self._out[child.socket.send(self._out) :]
        except BlockingIOError:
            pass
        except OSError:
            self._out = b""  # its end is seen elsewhere

    def _talk(self, child: ChildProcess) -> None:
        self._flush(child)
        while self._child is not None:
            try:
                data = child.socket.recv(1 << 18)
            except BlockingIOError:
                return
            except OSError:
                data = b""
            if not data:
                self._hang_up()
                return
            try:
                for frame in self._frames.feed(data):
                    self._take(frame)
            except WireError as error:
                self._distrust(str(error))
                return

    def _take(self, frame: Frame) -> None:
        asked, reply = self._current, frame.value
        if asked is None or frame.number != asked.number or not isinstance(reply, Reply):
            raise WireError("an answer that nobody asked for")
        failure = reply.failure
        if not isinstance(failure, Failure | None) or (
            failure is not None and not isinstance(failure.trace, str)
        ):
            raise WireError("an answer of no known form")
        if isinstance(asked.call, SweepCall) and reply.failure is None:
            reply = replace(reply, result=self._timed(asked, reply.result))
        self._kill_at_s = None
        if isinstance(asked.call, CloseCall):
            # Answered when it is gone: then the port is free whoever opened it.
            self._closing = reply
            self._kill_at_s = time.monotonic() + LEAVE_S
            return
        self._current = None
        self._answer(asked, reply)

    def _timed(self, asked: _Asked, taken: Any) -> Taken:
        if not isinstance(taken, Taken):
            raise WireError("a sweep without its times")
        ends_s = self._clock.monotonic_s()
        begun_s, took_s = taken.monotonic_s, taken.took_s
        if not (
            _is_number(begun_s)
            and _is_number(took_s)
            and took_s >= 0
            and asked.monotonic_s - TIMES_AGREE_S <= begun_s
            and begun_s + took_s <= ends_s + TIMES_AGREE_S
        ):
            begun_s, took_s = asked.monotonic_s, ends_s - asked.monotonic_s
        started_s = asked.wall_s + (begun_s - asked.monotonic_s)
        return replace(taken, started_s=started_s, monotonic_s=begun_s, took_s=took_s)

    def _hang_up(self) -> None:
        """Its end of the line is closed: it ends, or it has lost it and is of no use."""
        if self._gone_by_s is None:
            self._gone_by_s = time.monotonic() + LEAVE_S

    def _distrust(self, problem: str) -> None:
        self._how = f"it was ended, for it sent no message: {problem}"
        if self._child is not None:
            self._child.kill()

    def _look(self, child: ChildProcess) -> None:
        now_s = time.monotonic()
        if self._kill_at_s is not None and now_s >= self._kill_at_s:
            self._force_end()
        if self._gone_by_s is not None and now_s >= self._gone_by_s:
            self._how = self._how or "it closed its line to the station"
            child.kill()
        if now_s < self._look_at_s:
            return
        self._look_at_s = now_s + LOOK_S
        memory = child.memory_bytes() or 0
        if memory > MEMORY_MOST_BYTES and self._how is None:
            self._how = (
                f"it was ended, for it took {memory >> 20} MiB of memory "
                f"where {MEMORY_MOST_BYTES >> 20} MiB are allowed"
            )
            child.kill()

    def _see_end(self, child: ChildProcess) -> None:
        how = child.how_it_ended()
        if how is None:
            return
        if self._gone_by_s is None:
            self._talk(child)  # what it said before its end
        self._how = self._how or how
        self._child = None
        child.bury()
        asked, self._current = self._current, None
        if asked is not None:
            self._answer(asked, self._closing or self._gone(asked.call))

    def _gone(self, call: Call) -> Reply:
        """The answer of a process that is no more."""
        error: Exception
        if self._refusal is not None:
            error = self._refusal
        elif self.was_ended or self._over:
            error = TransportClosed(f"{self._name}: its process was ended")
        else:
            error = DriverDied(sweeper=self._name, doing=doing_of(call), how=self._how or "unknown")
        reply = Reply(failure=Failure.of(error, doing=doing_of(call)))
        if isinstance(call, CloseCall):
            self._closing = self._closing or reply
        return reply

    def _answer(self, asked: _Asked, reply: Reply) -> None:
        if isinstance(asked.call, CloseCall):
            self._closing = self._closing or reply
        asked.reply_to(reply)

    def _print(self, line: str) -> None:
        line = masked(line)
        if self._log is not None:
            self._log.warning("driver_said", sweeper=self._name, text=line)
        else:
            # At a terminal, where nobody keeps a log; never among the answers on standard output.
            sys.stderr.write(f"{self._name}: its driver says: {line}\n")

    def _end(self) -> None:
        if self._child is not None:
            self._child.kill()
            self._child.bury()
        with self._lock:
            self._over = True
        # The one under way with them, should this thread itself have failed.
        asked, self._current = self._current, None
        for order in (asked, *self._waiting, *self._orders):
            if isinstance(order, _Asked):
                order.reply_to(self._gone(order.call))
        os.close(self._wake_in)
        os.close(self._wake_out)


def _is_number(value: Any) -> bool:
    return isinstance(value, float) and math.isfinite(value)
