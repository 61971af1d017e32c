"""The driver contract: all that the author of a driver needs to know.

A driver is plain blocking Python; it needs no asyncio and starts no threads. A distribution offers
it under the entry-point group ``acqd.drivers``::

    [project.entry-points."acqd.drivers"]
    mine = "acqd_mine:MyDriver"

The host calls it in a thread of the sweeper's own, or in a process, one call at a time:

1. ``MyDriver().open(context)`` makes a :class:`Sweeper`. It gets its link with
   ``context.connect()``: the host opens the port, keeps it, and closes it under a driver that does
   not come back, so that the port is free again. Every read has a deadline.
2. ``identify()``, then ``capabilities()``; then ``sweep(request)`` as often as the plan says.
3. On an error the host calls ``close()``, closes the link and opens anew later. Only
   RequestRefused, SweeperReported and SweepInvalid leave the session open, and the third failure
   in a row does not. A driver therefore never repairs a broken conversation: it raises, and starts
   clean in ``open``.

The host checks what comes back (points, finite values, grid, identity), splits requests beyond the
limits into hops, and stamps the times. A driver raises :class:`~acqd.errors.SweeperError` or one of
its kinds; anything else is caught too, reported as a fault of the driver, and costs this sweeper's
sweeps and nothing else.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, ClassVar, Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import (
    NO_FLAGS,
    Capabilities,
    Identity,
    LevelUnit,
    Reported,
    SourceRequest,
    SweepFlag,
    SweepRequest,
)

__all__ = [
    "API",
    "GROUP",
    "CancelToken",
    "Candidate",
    "Certainty",
    "Driver",
    "FindContext",
    "Named",
    "OpenContext",
    "SerialPort",
    "Service",
    "Sweeper",
    "Trace",
    "Transport",
    "UsbDevice",
]

API = 1
"""Version of this contract. A driver states the one it was written for in ``Driver.api``."""

GROUP = "acqd.drivers"


class CancelToken(Protocol):
    """Tells a driver that the host wants it to stop. A driver that waits looks at it."""

    def is_set(self) -> bool:
        """True once the host wants the call to end."""
        ...

    def wait(self, seconds: float) -> bool:
        """Sleep at most ``seconds``, less if cancelled; True if cancelled. Use instead of sleep."""
        ...


@runtime_checkable
class Transport(Protocol):
    """A stream of bytes to a sweeper, owned by the host.

    All calls raise TransportClosed once the host has closed it, TransportError where the link
    broke.
    """

    def write(self, data: bytes, *, timeout_s: float = 2.0) -> None:
        """Send all of ``data``. Raises TransportTimeout if the peer does not take it in time."""
        ...

    def read(self, max_bytes: int = 65536, *, timeout_s: float) -> bytes:
        """At least one byte and at most ``max_bytes``, as soon as something is there.

        Raises TransportTimeout if nothing came within ``timeout_s``.
        """
        ...

    def discard_input(self) -> bytes:
        """Throw away, and return, what has arrived and was not read. Does not wait."""
        ...

    def close(self) -> None:
        """Free the port. May be called twice, and from another thread than the one reading."""
        ...


class Certainty(StrEnum):
    """How sure a driver is that a candidate is a sweeper it can use."""

    ANSWERED = "answered"
    """It was asked and said who it is."""
    LISTED = "listed"
    """The user's config or a profile names it."""
    LIKELY = "likely"
    """Its class or name fits; nobody has asked it."""
    BUSY = "busy"
    """Somebody else holds the port."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Something that ``find`` came across. ``address`` is what a config would say."""

    driver: str
    address: str
    what: str
    certainty: Certainty
    identity: Identity | None = None
    options: Mapping[str, Any] = field(default_factory=dict, repr=False)
    is_spare: bool = False
    """Whether it is always there, such as a simulated one: shown where nothing else is found."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SerialPort:
    """One serial port of this machine, as the operating system lists it."""

    device: str
    description: str = ""
    vid: int | None = None
    pid: int | None = None
    serial_number: str = ""
    location: str = ""
    """Where it is plugged in, such as "1-2.3", or "1-2.3:1.0" for one interface of several."""
    manufacturer: str = ""
    product: str = ""
    interface: str = ""
    """What the interface is called, where a device has several."""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsbDevice:
    """One USB device of this machine, as the operating system lists it; nobody has opened it."""

    vid: int
    pid: int
    serial_number: str = ""
    location: str = ""
    """Where it is plugged in, such as "1-2.3"."""
    manufacturer: str = ""
    product: str = ""
    interfaces: tuple[tuple[int, int, int], ...] = ()
    """Class, subclass and protocol of each interface; USBTMC is 0xFE, 0x03 (USB-IF)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Service:
    """One service that something on the local network announces by mDNS."""

    kind: str
    """Such as "_hislip._tcp"."""
    name: str
    host: str
    """A numeric address where one was announced."""
    port: int
    text: Mapping[str, str] = field(default_factory=dict)
    """What it says of itself: LXI names Manufacturer, Model, SerialNumber, FirmwareVersion."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """An address that the user named for a driver, with the options that go with it."""

    address: str
    options: Mapping[str, Any] = field(default_factory=dict, repr=False)


class FindContext(Protocol):
    """What a driver may use to look for sweepers."""

    @property
    def probe(self) -> bool:
        """Whether asking unknown ports a question is allowed. Without it nothing is written."""
        ...

    @property
    def addresses(self) -> Sequence[str]:
        """Addresses that the user named for this driver, on the command line or in a config."""
        ...

    @property
    def named(self) -> Sequence[Named]:
        """The same addresses with the options that a config gives them; none for bare ones."""
        ...

    def serial_ports(self) -> Sequence[SerialPort]:
        """The serial ports of this machine that no other driver has settled."""
        ...

    def usb_devices(self) -> Sequence[UsbDevice]:
        """The USB devices of this machine. Listed from the system's tables; nothing is opened."""
        ...

    def services(self) -> Sequence[Service]:
        """What announces itself on the local network as an instrument (mDNS)."""
        ...

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        """Open ``address``, exclusively. Raises PortBusy where somebody else holds it."""
        ...


class OpenContext(Protocol):
    """What a driver gets to open one sweeper."""

    @property
    def name(self) -> str:
        """The sweeper's name in the config."""
        ...

    @property
    def address(self) -> str:
        """``tcp://host:port``, ``serial:/dev/…`` or whatever form the driver documents."""
        ...

    @property
    def options(self) -> Mapping[str, Any]:
        """The driver's own options from the config, plain TOML values."""
        ...

    @property
    def cancel(self) -> CancelToken: ...

    def connect(self, defaults: Mapping[str, Any] | None = None) -> Transport:
        """The link to ``address``, opened and kept by the host. Once per ``open``.

        ``defaults`` are settings of the link, such as ``baud``, for where the config has none.
        """
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """What a driver brings back from one sweep.

    ``level`` is (points,) real or complex in ``unit``, NaN where the sweeper gave no number.
    ``frequency_hz`` is (points,) as the sweeper gave it, or None for the even axis asked for.
    ``resolution`` is the step of the levels where the sweeper quantises them.
    """

    level: NDArray[np.generic]
    unit: LevelUnit
    reported: Reported
    frequency_hz: NDArray[np.float64] | None = None
    resolution: float | None = None
    sweeper_time_s: float | None = None
    flags: SweepFlag = NO_FLAGS
    """The driver may set OVERLOAD, SETTINGS_DIFFER and POWERED_ON; the host sets the rest."""


class Sweeper(ABC):
    """One opened sweeper. Used by one thread at a time."""

    @abstractmethod
    def identify(self) -> Identity:
        """Who it says it is. Asked after every open, and compared with what is known."""

    @abstractmethod
    def capabilities(self) -> Capabilities:
        """What it can do. Asked once after every open."""

    @abstractmethod
    def sweep(self, request: SweepRequest) -> Trace:
        """Take one sweep. The host has made sure that the request is within the capabilities."""

    def estimate_s(self, request: SweepRequest) -> float | None:
        """How long ``request`` will take, or None where nobody can say before it was tried.

        The host waits three times this and two seconds before it gives the sweep up; without an
        estimate it waits for ``deadline`` of the config.
        """
        return request.sweep_time_s

    def set_source(self, request: SourceRequest) -> None:  # noqa: B027 (most have no source)
        """Set the sweeper's own source. Called with ``on=False`` first thing after every open.

        Only called where ``capabilities().source`` is true.
        """

    @abstractmethod
    def close(self) -> None:
        """Leave the sweeper safe (source off, local control) if the link allows. Must not raise."""


class Driver(ABC):
    """The entry point of a driver distribution. Made without arguments, keeps no state."""

    api: ClassVar[int] = API

    @abstractmethod
    def open(self, context: OpenContext) -> Sweeper:
        """Open the sweeper at ``context.address`` and bring it into a known state."""

    def find(self, context: FindContext) -> Iterable[Candidate]:
        """Sweepers that this driver recognises. Never writes to a port unless ``context.probe``."""
        return ()

    def guess(self, context: FindContext) -> Iterable[Candidate]:
        """Sweepers that answer questions made for one kind of them, at ports of unknown kind.

        Called only with ``context.probe``, after ``find`` of every driver, with the ports and the
        named addresses that nobody has settled by then.
        """
        return ()
