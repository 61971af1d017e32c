"""What the conformance kit works with: a driver at something to drive, and how a check speaks.

A check that fails says three things: what the contract asks, what the driver did, what to do.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import threading
from collections.abc import AsyncIterator, Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, NoReturn

import pytest

from acqd.clock import SystemClock
from acqd.drivers.contract import (
    Driver,
    Named,
    SerialPort,
    Service,
    Transport,
    UsbDevice,
)
from acqd.drivers.host import Log, SweeperHost
from acqd.drivers.isolation import Isolation, Way, maker_of
from acqd.drivers.transport import open_transport
from acqd.drivers.worker import MakeWorker, OpenLink
from acqd.errors import SweeperError
from acqd.sweep import Capabilities, SourceRequest, Sweep, SweepRequest

__all__ = [
    "FIRST_QUESTIONS",
    "SEE_THE_ERROR",
    "THREAD",
    "Bench",
    "LookOnly",
    "Remembering",
    "asking",
    "broke",
    "capabilities_of",
    "must",
    "opened_by_this_thread",
    "skip",
    "swept",
]

THREAD = "acqd-sweeper-bench"
"""The name of the one thread that calls a driver under test."""

FIRST_QUESTIONS = (
    "Look at the first questions and their answers: address, spelling, what ends a line, time."
)
SEE_THE_ERROR = "See the error; where it is a timeout, what ends an answer, and how long one takes."

SLACK_S = 5.0
"""Beyond the host's own limit of a sweep: two seconds, and a grace for a thread that hangs."""


@dataclass(kw_only=True)
class Bench:
    """A driver with something to drive.

    Args:
        driver: an instance made as the registry makes it.
        address: where the sweeper is.
        request: an ordinary sweep, well within its limits, that takes well under a second.
        options: the driver's.
        slow_request: a sweep that takes a second or more, to be cancelled and unplugged in.
        unplug: breaks the link to the sweeper, as pulling the cable does.
        replug: puts it back.
        hold: keeps back all that the sweeper sends, as one that has fallen silent does.
        release: lets it through again, what was kept back first.
        source_is_on: whether the sweeper's source is really on, seen from outside.
        source_request: a setting of the source that is allowed.
        open_link: opens the link, where it is none of the station's own kinds.
        deadline_s: how long calls may take for which the driver makes no estimate.
        patience_s: sweeps at a limit that would take longer are not tried, which is said.
        sweeps: so many sweeps in a row are taken to see whether anything leaks.
        endurance_s: no more of them are begun after so long; 50 are taken all the same.
        levels_vary: whether two sweeps differ, as noise does; False for one that plays a recording.
        isolation: where the driver runs. In a process its own memory and threads are not counted,
            and a peer or a link that lives in the test's process cannot be reached by a handle.
        say: told what a reader of the summary should know though it breaks nothing.
        why_not: by what a bench cannot do ("unplug", "slow", "hold", "source", "source seen"), what
            to do so that it can.
    """

    driver: Driver
    address: str
    request: SweepRequest
    options: Mapping[str, Any] = field(default_factory=dict)
    slow_request: SweepRequest | None = None
    unplug: Callable[[], None] | None = None
    replug: Callable[[], None] | None = None
    source_is_on: Callable[[], bool] | None = None
    source_request: SourceRequest | None = None
    open_link: OpenLink = open_transport
    deadline_s: float = 10.0
    hold: Callable[[], None] | None = None
    release: Callable[[], None] | None = None
    patience_s: float = 2.0
    sweeps: int = 100
    endurance_s: float = 3.0
    levels_vary: bool = True
    isolation: Way = "thread"
    say: Callable[[str], None] = lambda _text: None
    why_not: Mapping[str, str] = field(default_factory=dict)

    def host(self, make_worker: MakeWorker | None = None, log: Log | None = None) -> SweeperHost:
        """A host for it; ``make_worker`` goes before what ``isolation`` says."""
        isolation = Isolation(way=self.isolation, why="as the bench says")
        return SweeperHost(
            name="bench",
            driver=self.driver,
            address=self.address,
            options=self.options,
            clock=SystemClock(),
            deadline_s=self.deadline_s,
            log=log,
            open_link=self.open_link,
            make_worker=make_worker or maker_of(isolation, log=log),
        )

    @contextlib.asynccontextmanager
    async def opened(
        self, make_worker: MakeWorker | None = None, log: Log | None = None
    ) -> AsyncIterator[SweeperHost]:
        """An open host, closed again."""
        async with self.hosted(make_worker, log) as host:
            with asking("open() brings the sweeper into a known state.", FIRST_QUESTIONS):
                await host.open()
            yield host

    @contextlib.asynccontextmanager
    async def hosted(
        self, make_worker: MakeWorker | None = None, log: Log | None = None
    ) -> AsyncIterator[SweeperHost]:
        """A host to be opened, closed at the end whatever a check says."""
        host = self.host(make_worker, log)
        try:
            yield host
        finally:
            await host.close()

    def has_slow(self) -> bool:
        """Whether a sweep can be made to take a second or more."""
        return self.slow_request is not None or self.hold is not None

    @contextlib.contextmanager
    def slow(self) -> Iterator[SweepRequest]:
        """A request that takes a second or more: by itself, or as the answer to it is held back."""
        if self.slow_request is not None:
            yield self.slow_request
            return
        with self.silent():
            yield self.request

    @contextlib.contextmanager
    def silent(self) -> Iterator[None]:
        """The sweeper says nothing until the end."""
        if self.hold is None or self.release is None:
            skip(self, "hold", "this bench cannot make the sweeper fall silent")
        self.hold()
        try:
            yield
        finally:
            self.release()


def skip(bench: Bench, what: str, why: str) -> NoReturn:
    """Skip the check: ``why``, and what would let it be made."""
    hint = bench.why_not.get(what)
    pytest.skip(f"{why}; {hint}" if hint else why)


# --- how a check speaks -----------------------------------------------------------------------


def broke(asks: str, did: str, do: str) -> NoReturn:
    """Fail: what the contract asks, what the driver did, what to do."""
    lines = did.strip().splitlines() or [""]
    shown = "\n             ".join(lines)
    text = f"\ncontract: {asks}\nthe driver: {shown}\nwhat to do: {do}"
    # Without the chain of what led here: these lines are all that an author needs.
    raise pytest.fail.Exception(text, pytrace=False) from None


def must(condition: object, asks: str, did: str, do: str) -> None:
    """Fail unless ``condition``."""
    if not condition:
        broke(asks, did, do)


@contextlib.contextmanager
def asking(asks: str, do: str) -> Iterator[None]:
    """What a driver raises in here breaks what the contract asks."""
    try:
        yield
    except SweeperError as error:
        broke(asks, _told(error), do)


def _told(error: SweeperError) -> str:
    """The error, what had come before a timeout, and where in the driver it was raised."""
    lines = [f"{type(error).__name__}: {error}"]
    partial = getattr(error, "partial", None)
    if partial is not None:
        shown = repr(partial[:60]) + ("…" if len(partial) > 60 else "")
        lines.append(f"what had come by then: {shown if partial else 'nothing'}")
    trace = "".join(getattr(error, "__notes__", ())).strip().splitlines()
    return "\n".join((*lines, *trace[-7:]))


def capabilities_of(host: SweeperHost) -> Capabilities:
    """Those of an open host."""
    found = host.capabilities
    assert found is not None
    return found


async def swept(
    bench: Bench, host: SweeperHost, request: SweepRequest, what: str, asks: str, do: str
) -> Sweep | None:
    """The sweep of ``request``; None, and said so, where it would outlast the bench's patience."""
    if not host.is_open:
        with asking("It can be opened anew at any time.", "Start clean in open()."):
            await host.open()
    with asking(asks, do):
        estimate_s = await host.estimate_s(request)
        if estimate_s is not None and estimate_s > bench.patience_s:
            bench.say(f"{what} was not tried: it would take {estimate_s:.3g} s")
            return None
        task = asyncio.ensure_future(host.sweep(request))
        limit_s = bench.patience_s if estimate_s is None else 3 * estimate_s + SLACK_S
        await asyncio.wait([task], timeout=limit_s)
        if task.done():
            return task.result()
        task.cancel()
        await asyncio.wait([task])
        bench.say(f"{what} was not tried to its end: it took more than {limit_s:.3g} s")
        return None


# --- what is looked at from outside -----------------------------------------------------------


class Remembering:
    """A log for :meth:`Bench.host` that remembers warnings: (event, fields) in ``warnings``."""

    def __init__(self) -> None:
        self.warnings: list[tuple[str, dict[str, Any]]] = []

    def info(self, event: str, **fields: Any) -> None:
        pass

    def warning(self, event: str, **fields: Any) -> None:
        self.warnings.append((event, fields))


class LookOnly:
    """A FindContext with two serial ports, one USB device and what the user named.

    Without ``probe`` nothing may be opened; with it every port is held by somebody else.
    """

    def __init__(self, bench: Bench, refusal: SweeperError, *, probe: bool) -> None:
        self.probe = probe
        self.addresses = (bench.address,)
        self.named = (Named(address=bench.address, options=bench.options),)
        self.connected: list[str] = []
        self._refusal = refusal

    def serial_ports(self) -> Sequence[SerialPort]:
        return (SerialPort(device="/dev/ttyACM0"), SerialPort(device="/dev/ttyUSB7"))

    def usb_devices(self) -> Sequence[UsbDevice]:
        return (UsbDevice(vid=0x1209, pid=0x0001, interfaces=((0xFE, 0x03, 0x01),)),)

    def services(self) -> Sequence[Service]:
        return ()

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        self.connected.append(address)
        raise self._refusal


PORTS = ("/dev/tty", "/dev/pts/", "/dev/serial/", "/dev/cu.", "/dev/usbtmc", "/dev/bus/usb")
_watched: dict[int, tuple[tuple[str, ...], list[str]]] = {}
_is_hooked = False


@contextlib.contextmanager
def opened_by_this_thread(also: Sequence[str] = ()) -> Iterator[list[str]]:
    """Ports and sockets that this thread opens in here, past the host, as the interpreter sees it.

    Libraries in C that open devices by themselves stay unseen. ``also`` are further paths that are
    ports. The audit hook stays for the rest of the process (Python removes none) and does nothing
    outside of here.
    """
    global _is_hooked
    if not _is_hooked:
        sys.addaudithook(_note_opened)
        _is_hooked = True
    here = threading.get_ident()
    seen: list[str] = []
    _watched[here] = ((*PORTS, *also), seen)
    try:
        yield seen
    finally:
        del _watched[here]


def _note_opened(event: str, args: tuple[Any, ...]) -> None:
    if not _watched or (watched := _watched.get(threading.get_ident())) is None:
        return
    ports, seen = watched
    if event == "socket.connect":
        seen.append(f"connected to {args[1]}")
    elif event == "open" and str(args[0]).startswith(ports):
        seen.append(f"opened {args[0]}")
