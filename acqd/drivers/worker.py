"""The driver's side of the host: one daemon thread for one opened sweeper.

:class:`DriverSide` does the calls and :class:`Worker` has it do them in the thread, which takes
calls from a queue and hands each reply to a callback; :mod:`acqd.drivers.process` has the same side
do them in a process of its own. Two things can be done to it from outside while it is busy:
:meth:`Worker.cancel` sets the cancel token and interrupts the link, so that a driver that waits
comes back; :meth:`Worker.close_link` closes the link under a driver that does not, so that the port
is free again. A thread cannot be ended from outside; it is a daemon so that one that never comes
back does not hold the process at its exit.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from functools import partial
from queue import SimpleQueue
from typing import Any, NoReturn, Protocol, runtime_checkable

from acqd.clock import Clock
from acqd.drivers.contract import Driver, Sweeper, Transport
from acqd.drivers.protocol import (
    Call,
    CapabilitiesCall,
    CloseCall,
    EstimateCall,
    Failure,
    IdentifyCall,
    OpenCall,
    Reply,
    SetSourceCall,
    SweepCall,
    Taken,
    doing_of,
)
from acqd.drivers.transport import open_transport
from acqd.errors import DriverFault, SweeperError, TransportClosed

__all__ = ["Calls", "Cancel", "DriverSide", "MakeWorker", "OpenLink", "RefusedLink", "Worker"]

OpenLink = Callable[[str, Mapping[str, Any]], Transport]


class Calls(Protocol):
    """Whoever does the calls of one session, as its host sees them; :class:`Worker` does."""

    @property
    def is_alive(self) -> bool: ...

    @property
    def start_s(self) -> float:
        """How much longer opening may take, for whoever does the calls to come up."""
        ...

    @property
    def was_ended(self) -> bool:
        """Whether it had to be ended by force, as a process can be and a thread cannot."""
        ...

    def submit(self, call: Call, reply_to: Callable[[Reply], None]) -> None: ...

    def cancel(self) -> None: ...

    def close_link(self) -> None: ...

    def retire(self) -> None: ...


class MakeWorker(Protocol):
    """Makes who does the calls of one session."""

    def __call__(
        self, *, name: str, driver: Driver, clock: Clock, open_link: OpenLink
    ) -> Calls: ...


class RefusedLink:
    """An :data:`OpenLink` that opens nothing: it was looked up already, and is not there."""

    def __init__(self, error: SweeperError) -> None:
        self.error = error

    def __call__(self, address: str, options: Mapping[str, Any]) -> NoReturn:
        raise self.error


@runtime_checkable
class Interruptible(Protocol):
    """A link whose calls can be ended without closing it."""

    def interrupt(self) -> None: ...

    def resume(self) -> None: ...


class Cancel:
    """A cancel token that the host sets and the driver looks at."""

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        self._event.set()

    def clear(self) -> None:
        self._event.clear()

    def is_set(self) -> bool:
        return self._event.is_set()

    def wait(self, seconds: float) -> bool:
        return self._event.wait(max(0.0, seconds))


class _Context:
    """The OpenContext that a driver gets."""

    def __init__(
        self,
        call: OpenCall,
        cancel: Cancel,
        connect: Callable[[Mapping[str, Any]], Transport],
    ) -> None:
        self.name = call.name
        self.address = call.address
        self.options = call.options
        self.cancel = cancel
        self._connect = connect

    def connect(self, defaults: Mapping[str, Any] | None = None) -> Transport:
        return self._connect(defaults or {})


class DriverSide:
    """Does the calls for one driver and the sweeper that it opens, one at a time."""

    start_s = 0.0
    was_ended = False

    def __init__(
        self, *, driver: Driver, clock: Clock, open_link: OpenLink = open_transport
    ) -> None:
        self._driver = driver
        self._clock = clock
        self._open_link = open_link
        self._cancel = Cancel()
        self._sweeper: Sweeper | None = None
        self._link: Transport | None = None
        self._link_gone = False
        self._lock = threading.Lock()

    def reply_to(self, call: Call) -> Reply:
        """Do ``call``; never raises, whatever the driver does."""
        try:
            return Reply(result=self._do(call))
        except BaseException as error:
            # The boundary of guarantee G6: nothing that a driver raises goes further.
            return Reply(failure=Failure.of(error, doing=doing_of(call)))

    def cancel(self) -> None:
        """Ask the call in progress to end: sets the token, interrupts the link. Does not wait."""
        self._cancel.set()
        with self._lock:
            link = self._link
        if isinstance(link, Interruptible):
            link.interrupt()

    def close_link(self) -> None:
        """Free the port now, whatever the driver does, and let no other be opened."""
        self._cancel.set()
        with self._lock:
            self._link_gone = True
            link = self._link
        if isinstance(link, Interruptible):
            # Then closing does not wait for what was written to go out.
            link.interrupt()
        if link is not None:
            link.close()

    def _do(self, call: Call) -> Any:
        match call:
            case SweepCall(request=request):
                return self._sweep(request)
            case OpenCall():
                return self._open(call)
            case IdentifyCall():
                return self._opened().identify()
            case CapabilitiesCall():
                return self._opened().capabilities()
            case EstimateCall(request=request):
                return self._opened().estimate_s(request)
            case SetSourceCall(request=request):
                return self._opened().set_source(request)
            case CloseCall():
                return self._close()

    def _opened(self) -> Sweeper:
        if self._sweeper is None:
            raise TransportClosed("the sweeper is not open")
        return self._sweeper

    def _open(self, call: OpenCall) -> None:
        context = _Context(call, self._cancel, partial(self._connect, call))
        sweeper = self._driver.open(context)
        if not isinstance(sweeper, Sweeper):
            raise DriverFault(f"open() returned {type(sweeper).__name__}, expected a Sweeper")
        self._sweeper = sweeper

    def _connect(self, call: OpenCall, defaults: Mapping[str, Any]) -> Transport:
        if self._link is not None:
            raise DriverFault("the driver called connect() twice in one open()")
        link = self._open_link(call.address, {**defaults, **call.options})
        with self._lock:
            self._link = link
            gone = self._link_gone
        if gone:
            # The host gave up while the port was being opened.
            link.close()
            raise TransportClosed(f"{call.address}: the host closed the link")
        return link

    def _sweep(self, request: Any) -> Taken:
        sweeper = self._opened()
        started_s = self._clock.wall_s()
        monotonic_s = self._clock.monotonic_s()
        trace = sweeper.sweep(request)
        return Taken(
            trace=trace,
            started_s=started_s,
            monotonic_s=monotonic_s,
            took_s=self._clock.monotonic_s() - monotonic_s,
        )

    def _close(self) -> None:
        with self._lock:
            gone, link = self._link_gone, self._link
        if not gone:
            # A cancelled call left both set; the driver still has to make the sweeper safe.
            self._cancel.clear()
            if isinstance(link, Interruptible):
                link.resume()
        try:
            if self._sweeper is not None:
                self._sweeper.close()
        finally:
            self._sweeper = None
            if link is not None:
                link.close()


class Worker(DriverSide):
    """Runs one driver for one open sweeper, in a thread that ends with CloseCall.

    ``submit`` must not be called again before the callback of the call before was run.
    """

    def __init__(
        self, *, name: str, driver: Driver, clock: Clock, open_link: OpenLink = open_transport
    ) -> None:
        super().__init__(driver=driver, clock=clock, open_link=open_link)
        self._calls: SimpleQueue[tuple[Call, Callable[[Reply], None]]] = SimpleQueue()
        self._thread = threading.Thread(target=self._run, name=f"acqd-sweeper-{name}", daemon=True)
        self._thread.start()

    @property
    def is_alive(self) -> bool:
        return self._thread.is_alive()

    def submit(self, call: Call, reply_to: Callable[[Reply], None]) -> None:
        """Queue ``call``; ``reply_to`` is called with its reply in the worker's thread."""
        self._calls.put((call, reply_to))

    def retire(self) -> None:
        """Nobody waits any more: if the driver ever comes back, it closes and the thread ends."""
        self._calls.put((CloseCall(), lambda _reply: None))

    def join(self, timeout_s: float) -> bool:
        """Wait for the thread's end; True if it has ended."""
        self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def _run(self) -> None:
        while True:
            call, reply_to = self._calls.get()
            reply = self.reply_to(call)
            reply_to(reply)
            if isinstance(call, CloseCall):
                return
            del call, reply_to, reply  # no sweep is held while waiting for the next call
