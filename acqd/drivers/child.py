"""The program of a driver's own process: ``python -m acqd.drivers.child``, started by the station.

It loads one driver and does its calls, one at a time, in its main thread, as a station's thread
would (:class:`~acqd.drivers.worker.DriverSide`). A second thread reads what the station sends, so
that a call can be cancelled and its link closed while it is under way. Nothing of stations,
archives or brokers is imported here.

It ends with the station. While a call is under way the kernel ends it at once when the station dies
(Linux), since a driver may hold the interpreter. Between calls it notices by the end of its socket,
lets the driver leave the sweeper well (its source off), and is gone within ``ORPHAN_S``.

SIGTERM, SIGINT and SIGHUP are ignored: they reach a whole unit or terminal, and it is for the
station to turn sources off before anything ends. It ends this program by a message, or by SIGKILL.
"""

from __future__ import annotations

import contextlib
import ctypes
import faulthandler
import importlib
import os
import resource
import signal
import socket
import sys
import threading
from collections.abc import Mapping
from functools import reduce
from queue import SimpleQueue
from typing import Any, Final, NoReturn, cast

from acqd.clock import SystemClock
from acqd.drivers.contract import Driver, Trace
from acqd.drivers.protocol import (
    Call,
    CapabilitiesCall,
    CloseCall,
    EstimateCall,
    Failure,
    IdentifyCall,
    OpenCall,
    Reply,
    SweepCall,
    Taken,
)
from acqd.drivers.transport import open_transport
from acqd.drivers.wire import FROM_STATION, Frame, Frames, WireError, encode
from acqd.drivers.worker import DriverSide, RefusedLink
from acqd.errors import DriverFault
from acqd.sweep import Capabilities, Identity

__all__ = ["main"]

ORPHAN_S: Final = 1.0
"""How long it lives on, at most, between calls whose station has died."""

PR_SET_PDEATHSIG: Final = 1
"""prctl(2): the signal that the kernel sends when whoever made this process ends."""

OOM_SCORE: Final = "500"
"""Where the machine runs out of memory, the driver goes first and not the station."""

CHUNK_BYTES: Final = 1 << 16

_EXPECTED: Final[Mapping[type, tuple[str, type]]] = {
    IdentifyCall: ("identify()", Identity),
    CapabilitiesCall: ("capabilities()", Capabilities),
}


class _Child:
    """The driver, the socket to the station, and the two threads between them."""

    def __init__(self, peer: socket.socket, target: str) -> None:
        self._peer = peer
        self._target = target
        self._frames = Frames(FROM_STATION)
        self._calls: SimpleQueue[Frame] = SimpleQueue()
        self._side: DriverSide | None = None
        self._refused: Exception | None = None
        self._closed = threading.Event()

    def run(self) -> NoReturn:
        """Do calls until the one to close."""
        threading.Thread(target=self._listen, name="acqd-station", daemon=True).start()
        while True:
            frame = self._calls.get()
            end_with_station(signal.SIGKILL)
            reply = self._reply_to(frame)
            end_with_station(0)
            if isinstance(frame.value, CloseCall):
                self._closed.set()
                self._send(frame.number, reply)
                self._leave()
            self._send(frame.number, reply)
            del frame, reply  # no sweep is held while waiting for the next call

    def _reply_to(self, frame: Frame) -> Reply:
        call = cast(Call, frame.value)
        if isinstance(call, OpenCall):
            failure = self._load(frame.refusal)
            if failure is not None:
                return Reply(failure=failure)
        if self._side is None:
            return Reply()
        return _as_promised(call, self._side.reply_to(call))

    def _load(self, refusal: Failure | None) -> Failure | None:
        open_link = open_transport if refusal is None else RefusedLink(refusal.error())
        try:
            driver = load_target(self._target)
        except BaseException as error:
            # A module may call sys.exit when it is imported.
            fault = DriverFault(
                f"the driver {self._target} cannot be loaded in a process of its own: "
                f"{type(error).__name__}: {error}"
            )
            return Failure.of(fault, doing="open")
        self._side = DriverSide(driver=driver, clock=SystemClock(), open_link=open_link)
        return None

    def _send(self, number: int, reply: Reply) -> None:
        try:
            data = encode(Frame(topic="reply", number=number, value=reply))
        except WireError as error:
            fault = DriverFault(f"the driver's answer is too large: {error}")
            data = encode(
                Frame(
                    topic="reply",
                    number=number,
                    value=Reply(failure=Failure.of(fault, doing="answer")),
                )
            )
        try:
            self._peer.sendall(data)
        except OSError:
            self._leave()  # the station has gone

    def _listen(self) -> None:
        try:
            while data := self._peer.recv(CHUNK_BYTES):
                for frame in self._frames.feed(data):
                    self._take(frame)
        except (OSError, WireError):
            pass
        self._orphaned()

    def _take(self, frame: Frame) -> None:
        side = self._side
        if frame.topic in ("call", "refused call"):
            self._calls.put(frame)
        elif side is not None and frame.topic == "cancel":
            side.cancel()
        elif side is not None and frame.topic == "close link":
            side.close_link()

    def _orphaned(self) -> NoReturn:
        # Should even this thread not come to it, the kernel's timer ends the process.
        signal.setitimer(signal.ITIMER_REAL, ORPHAN_S)
        if self._side is not None:
            self._side.cancel()
        self._calls.put(Frame(topic="call", value=CloseCall()))
        self._closed.wait(ORPHAN_S)
        self._leave()

    def _leave(self) -> NoReturn:
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(Exception):
                stream.flush()
        # Not sys.exit: threads and hooks of the driver must not hold the port any longer.
        os._exit(0)


def _as_promised(call: Call, reply: Reply) -> Reply:
    """``reply`` with what its call is to bring, or the host's complaint where it is not that."""
    if reply.failure is not None:
        return reply
    given = reply.result
    name, expected = "estimate_s()", cast(type, object)
    if isinstance(call, SweepCall) and isinstance(given, Taken):
        name, expected, given = "sweep()", Trace, given.trace
    elif type(call) in _EXPECTED:
        name, expected = _EXPECTED[type(call)]
    elif not isinstance(call, EstimateCall):
        return Reply()
    if isinstance(given, expected):
        return reply
    kind = type(given).__name__
    fault = DriverFault(f"{name} returned {kind}, expected {_article(expected.__name__)}")
    return Reply(failure=Failure.of(fault, doing=name))


def _article(word: str) -> str:
    return f"{'an' if word[0] in 'AEIOU' else 'a'} {word}"


def load_target(target: str) -> Driver:
    """An instance of the driver class that ``module:name`` says, as an entry point would load it.

    Raises:
        Exception: whatever its module raises, or that it has no such name.
    """
    module, _, path = target.partition(":")
    made: Any = reduce(getattr, path.split("."), importlib.import_module(module))
    return cast(Driver, made())


def end_with_station(number: int) -> None:
    """Have the kernel send this signal when the station dies; 0: none. Nothing but on Linux."""
    if _libc is not None:
        _libc.prctl(PR_SET_PDEATHSIG, int(number), 0, 0, 0)


def _prepare(peer: socket.socket) -> None:
    for number in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)
    # Where it crashes it says in which line of Python, which the station logs.
    faulthandler.enable()
    # One crash a sweep would fill a disk with cores.
    resource.setrlimit(resource.RLIMIT_CORE, (0, resource.getrlimit(resource.RLIMIT_CORE)[1]))
    with contextlib.suppress(OSError), open("/proc/self/oom_score_adj", "w") as file:
        file.write(OOM_SCORE)
    for name in ("PYTHONPATH", "PYTHONUNBUFFERED"):
        os.environ.pop(name, None)

    def forked() -> None:
        # What a driver forks ends with it, and holds no line to the station.
        end_with_station(signal.SIGKILL)
        peer.close()

    os.register_at_fork(after_in_child=forked)


def main(arguments: list[str]) -> NoReturn:
    """``arguments``: the socket's number, the station's process, the driver, the sweeper."""
    number, station, target, _sweeper = arguments
    peer = socket.socket(fileno=int(number))
    peer.set_inheritable(False)
    if os.getppid() != int(station):
        os._exit(0)  # it died before this process could begin
    _prepare(peer)
    _Child(peer, target).run()


_libc = ctypes.CDLL(None) if sys.platform == "linux" else None

if __name__ == "__main__":
    main(sys.argv[1:])
