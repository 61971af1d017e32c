"""Links to sweepers: byte streams with a deadline on every read, closable from another thread.

Three forms of address are opened here::

    tcp://host:port           a raw socket; SCPI's registered port is 5025. For one program of a
                              user at a time: instruments listen to one (acqd.drivers.portlock)
    serial:/dev/ttyACM0       a serial port, a USB CDC port or a pseudo-terminal, opened exclusively
    usb:1209:0001             the one serial port of that identity (acqd.drivers.usbports)

Other forms (``sim:…``) belong to the drivers that document them and need no link. A distribution
may bring a link of another kind under the entry-point group ``acqd.links``: its name is the scheme,
its value a function as in :data:`OPENERS`. VISA resource strings are of the scheme ``visa``
(:mod:`acqd.drivers.visa_names`).

Both kinds are one class: a file descriptor in non-blocking mode and a wake pipe, polled together.
The pipe is how :meth:`Link.interrupt` and :meth:`Link.close` reach a thread that waits for bytes.

Limits: POSIX only (serial ports need a file descriptor to poll). Looking up a host name is the
system resolver's affair and is not under our deadline; use an address where that matters.
"""

from __future__ import annotations

import errno
import os
import select
import socket
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.metadata import EntryPoint, entry_points
from typing import TYPE_CHECKING, Any, Final, Protocol
from urllib.parse import urlsplit

from acqd.drivers.contract import SerialPort, Transport
from acqd.drivers.portlock import PortLock
from acqd.drivers.usbports import UsbIdentity, refuse_missing, serial_ports
from acqd.drivers.visa_names import looks_like_visa, parse_visa
from acqd.errors import (
    PortBusy,
    RequestRefused,
    TransportClosed,
    TransportError,
    TransportTimeout,
)

if TYPE_CHECKING:
    import serial

__all__ = [
    "ACCEPTED_FORMS",
    "LINKS_GROUP",
    "OPENERS",
    "TRANSPORT_OPTIONS",
    "VISA",
    "Link",
    "OpenedLink",
    "address_key",
    "check_address",
    "open_transport",
    "tcp_link",
]

ACCEPTED_FORMS: Final = "tcp://host:port, serial:/dev/…, usb:VID:PID or a VISA resource string"

LINKS_GROUP: Final = "acqd.links"
"""Entry-point group of links of other kinds than those in this module."""

VISA: Final = "visa"
"""The scheme of VISA resource strings, which have none of their own."""

DISCARD_CAP_BYTES: Final = 1 << 20
"""Most that discard_input takes away in one call: a peer that never stops must not hold us."""

CLOSE_WAIT_S: Final = 1.0
"""Longest that close waits for a woken reader to leave. It leaves within microseconds."""

DRAIN_WAIT_S: Final = 0.3
"""Longest that closing a serial port waits for written bytes to go out (about 300 at 9600 Bd)."""

WRITE_PIECE_BYTES: Final = 4096

_PARITIES: Final = {"none": "N", "even": "E", "odd": "O"}
_FLOW: Final = ("none", "rts-cts", "dsr-dtr", "xon-xoff")

TRANSPORT_OPTIONS: Final = (
    "connect_timeout_s",
    "baud",
    "data_bits",
    "stop_bits",
    "parity",
    "flow_control",
    "dtr",
    "rts",
)
"""Options of a sweeper that are the link's affair; a driver that checks its own leaves them out."""

_OPEN, _INTERRUPTED, _CLOSED = "open", "interrupted", "closed"


class Link:
    """A stream of bytes over a file descriptor: the host's implementation of ``Transport``.

    Reads and writes come from one thread at a time; ``interrupt``, ``resume`` and ``close`` from
    any. ``close`` returns with the port free.

    Args:
        name: the address, for messages.
        fd: what to poll; non-blocking.
        receive: at most so many bytes, b"" at the end of the stream.
        send: sends some of it, returns how much.
        free: gives the port back; called once. True tells it to hurry: nothing more need go out.
    """

    def __init__(
        self,
        *,
        name: str,
        fd: int,
        receive: Callable[[int], bytes],
        send: Callable[[memoryview], int],
        free: Callable[[bool], None],
    ) -> None:
        self.name = name
        self._receive = receive
        self._send = send
        self._free = free
        self._wake_out, self._wake_in = os.pipe()
        os.set_blocking(self._wake_out, False)
        os.set_blocking(self._wake_in, False)
        self._readable = _poll_for(fd, select.POLLIN, self._wake_out)
        self._writable = _poll_for(fd, select.POLLOUT, self._wake_out)
        self._changed = threading.Condition()
        self._state = _OPEN
        self._inside = False
        self._freed = False

    def __repr__(self) -> str:
        return f"<link {self.name}, {self._state}>"

    def read(self, max_bytes: int = 65536, *, timeout_s: float) -> bytes:
        """See :meth:`acqd.drivers.contract.Transport.read`."""
        deadline_s = time.monotonic() + timeout_s
        with self._using():
            while self._wait(self._readable, deadline_s):
                try:
                    data = self._receive(max_bytes)
                except (BlockingIOError, InterruptedError):
                    continue
                except OSError as error:
                    raise self._broken("reading", error) from error
                if not data:
                    raise TransportClosed(f"{self.name}: the other end closed the link")
                return data
        raise TransportTimeout(f"{self.name}: nothing came within {timeout_s:.3g} s")

    def write(self, data: bytes, *, timeout_s: float = 2.0) -> None:
        """See :meth:`acqd.drivers.contract.Transport.write`."""
        deadline_s = time.monotonic() + timeout_s
        rest = memoryview(data)
        with self._using():
            while rest:
                if not self._wait(self._writable, deadline_s):
                    raise TransportTimeout(
                        f"{self.name}: took only {len(data) - len(rest)} of {len(data)} bytes "
                        f"within {timeout_s:.3g} s"
                    )
                try:
                    rest = rest[self._send(rest[:WRITE_PIECE_BYTES]) :]
                except (BlockingIOError, InterruptedError):
                    continue
                except OSError as error:
                    raise self._broken("writing", error) from error

    def discard_input(self) -> bytes:
        """See :meth:`acqd.drivers.contract.Transport.discard_input`; at most 1 MiB a call."""
        got = bytearray()
        with self._using():
            while len(got) < DISCARD_CAP_BYTES:
                try:
                    data = self._receive(65536)
                except (BlockingIOError, InterruptedError):
                    break
                except OSError as error:
                    raise self._broken("reading", error) from error
                if not data:
                    # At the end of a socket's stream; a serial port says so too when nothing waits.
                    break
                got += data
        return bytes(got)

    def interrupt(self) -> None:
        """Make the call in progress, and all later ones until ``resume``, raise TransportClosed.

        The port stays open: this is how a cancelled sweep is left in a state to be closed well.
        """
        with self._changed:
            if self._state == _OPEN:
                self._state = _INTERRUPTED
                self._wake()

    def resume(self) -> None:
        """Let calls through again after ``interrupt``."""
        with self._changed:
            if self._state == _INTERRUPTED:
                self._state = _OPEN
                try:
                    os.read(self._wake_out, 64)
                except BlockingIOError:
                    pass

    def close(self) -> None:
        """Free the port; a thread that waits in ``read`` or ``write`` gets TransportClosed."""
        with self._changed:
            hurry = self._state == _INTERRUPTED or self._inside
            if self._state != _CLOSED:
                self._state = _CLOSED
                self._wake()
            self._changed.wait_for(lambda: not self._inside, timeout=CLOSE_WAIT_S)
            if self._freed:
                return
            self._freed = True
        try:
            self._free(hurry)
        finally:
            os.close(self._wake_in)
            os.close(self._wake_out)

    @property
    def is_closed(self) -> bool:
        return self._state == _CLOSED

    def _broken(self, doing: str, error: OSError) -> TransportError:
        if isinstance(error, ConnectionResetError | BrokenPipeError):
            # So a peer says it that goes with something of ours unread; else reading just ends.
            return TransportClosed(f"{self.name}: the other end closed the link")
        return TransportError(f"{self.name}: {doing} failed: {error}")

    def _wake(self) -> None:
        try:
            os.write(self._wake_in, b"!")
        except BlockingIOError:
            pass  # full of wakes already

    @contextmanager
    def _using(self) -> Iterator[None]:
        # close waits until we are out: a descriptor freed under a poll could be reused by another.
        with self._changed:
            self._raise_unless_open()
            self._inside = True
        try:
            yield
        finally:
            with self._changed:
                self._inside = False
                self._changed.notify_all()

    def _raise_unless_open(self) -> None:
        if self._state == _CLOSED:
            raise TransportClosed(f"{self.name}: the host closed the link")
        if self._state == _INTERRUPTED:
            raise TransportClosed(f"{self.name}: the host interrupted the call")

    def _wait(self, poll: select.poll, deadline_s: float) -> bool:
        """True when the descriptor is ready, False past the deadline."""
        self._raise_unless_open()
        left_s = deadline_s - time.monotonic()
        events = poll.poll(max(0.0, left_s) * 1e3)
        self._raise_unless_open()
        return bool(events)


def _poll_for(fd: int, event: int, wake_fd: int) -> select.poll:
    poll = select.poll()
    poll.register(fd, event)
    poll.register(wake_fd, select.POLLIN)
    return poll


def open_transport(address: str, options: Mapping[str, Any] | None = None) -> OpenedLink:
    """Open the link to ``address``.

    Args:
        address: one of the forms in the module's text.
        options: ``connect_timeout_s`` (default 5) for sockets; ``baud`` (115200), ``data_bits``
            (8), ``stop_bits`` (1), ``parity`` (none, even, odd), ``flow_control`` (none, rts-cts,
            dsr-dtr, xon-xoff), ``dtr`` and ``rts`` (true or false: asserted or not; as the system
            does it where not given) for serial ports. Others are the driver's, not looked at.

    Raises:
        RequestRefused: an address or option that is not of an accepted form.
        PortBusy: another process holds the serial port, or has this TCP address open through here.
        TransportError: it cannot be opened; the reason is the system's.
    """
    return _opener(check_address(address))(address, options or {})


class OpenedLink(Transport, Protocol):
    """What an opener gives: a transport that can be interrupted, from another thread too."""

    def interrupt(self) -> None: ...

    def resume(self) -> None: ...


def _opener(scheme: str) -> Callable[[str, Mapping[str, Any]], OpenedLink]:
    if scheme in OPENERS:
        return OPENERS[scheme]
    point = _brought()[scheme]
    owner = f"{point.dist.name} {point.dist.version}" if point.dist else "an unknown distribution"
    try:
        opener: Callable[[str, Mapping[str, Any]], OpenedLink] = point.load()
    except (Exception, SystemExit) as error:
        raise TransportError(
            f"the link {scheme!r} of {owner} cannot be loaded: {type(error).__name__}: {error}; "
            f"install that distribution anew"
        ) from error
    return opener


def _brought() -> dict[str, EntryPoint]:
    """Links that installed distributions bring, by scheme."""
    return {point.name: point for point in entry_points(group=LINKS_GROUP)}


def check_address(address: str) -> str:
    """The scheme of an address that :func:`open_transport` would try to open; opens nothing.

    Raises:
        RequestRefused: not of an accepted form.
    """
    scheme, _, rest = address.partition(":")
    scheme = scheme.lower()
    if looks_like_visa(address):
        if VISA not in _brought():
            what = f"{address} (a VISA resource string)"
            limit = (
                "tcp://host:port, serial:/dev/… or usb:VID:PID; acqd-scpi, which opens VISA, is "
                "not here"
            )
            raise RequestRefused(setting="address", asked=what, limit=limit)
        parse_visa(address)
        return VISA
    if scheme not in OPENERS and (scheme == VISA or scheme not in _brought()):
        raise RequestRefused(setting="address", asked=address, limit=ACCEPTED_FORMS)
    if scheme == "tcp":
        _host_and_port(address)
    elif scheme == "usb":
        UsbIdentity.parse(address)
    elif not rest:
        raise RequestRefused(setting="address", asked=address, limit="serial:/dev/…")
    return scheme


def address_key(address: str) -> str:
    """A text that is the same for all spellings of one address; ``address`` where it has no form
    that is known here. For telling doubles apart, not for opening."""
    try:
        if looks_like_visa(address):
            return parse_visa(address).key
        if address.lower().startswith("tcp:"):
            host, port = _host_and_port(address)
            return f"{host}:{port}".lower()
    except RequestRefused:
        pass
    return address


def _open_tcp(address: str, options: Mapping[str, Any]) -> Link:
    host, port = _host_and_port(address)
    timeout_s = _number(options, "connect_timeout_s", 5.0, low=0.05, high=60.0)
    lock = PortLock(address, f"{host}:{port}")
    try:
        return tcp_link(address, host, port, timeout_s=timeout_s, release=lock.release)
    except BaseException:
        lock.release()
        raise


def tcp_link(
    name: str, host: str, port: int, *, timeout_s: float, release: Callable[[], None] | None = None
) -> Link:
    """A link over a new TCP connection, without a lock of its own.

    Args:
        name: what to call it in messages.
        host, port: where to connect.
        timeout_s: for connecting; looking up a host name is the system's affair.
        release: called once the link is closed.

    Raises:
        TransportTimeout: no connection in time.
        TransportError: no connection; the reason is the system's.
    """
    try:
        peer = socket.create_connection((host, port), timeout=timeout_s)
    except TimeoutError as error:
        raise TransportTimeout(f"{name}: no connection within {timeout_s:.3g} s") from error
    except OSError as error:
        raise TransportError(f"{name}: cannot connect: {error.strerror or error}") from error
    peer.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    peer.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
    for option, value in (("TCP_KEEPIDLE", 30), ("TCP_KEEPINTVL", 10), ("TCP_KEEPCNT", 3)):
        # A sweeper that lost power answers nothing: noticed after a minute, not two hours.
        if hasattr(socket, option):
            peer.setsockopt(socket.IPPROTO_TCP, getattr(socket, option), value)
    peer.setblocking(False)

    def free(_hurry: bool) -> None:
        try:
            peer.shutdown(socket.SHUT_RDWR)
        except OSError:
            pass  # the peer was gone already
        peer.close()
        if release is not None:
            release()

    return Link(name=name, fd=peer.fileno(), receive=peer.recv, send=peer.send, free=free)


def _host_and_port(address: str) -> tuple[str, int]:
    try:
        parts = urlsplit(address)
        host, port = parts.hostname, parts.port
    except ValueError:
        host, port = None, None
    if not host or not port or parts.path not in ("", "/"):
        raise RequestRefused(
            setting="address", asked=address, limit="tcp://host:port with a port of 1 to 65535"
        )
    return host, port


def _open_serial(address: str, options: Mapping[str, Any]) -> Link:
    path = address.partition(":")[2]
    port = _serial_port(options)
    port.port = path
    try:
        port.open()
    except (OSError, ValueError) as error:
        raise _serial_refusal(address, path, error) from error
    fd = port.fileno()
    os.set_blocking(fd, False)

    def free(hurry: bool) -> None:
        import termios

        # Closing a port with bytes still to go may hold the kernel for 30 s; so wait a little,
        # then throw the rest away. In a hurry the peer does not listen anyway.
        if hurry or not _drained(fd):
            try:
                port.reset_output_buffer()
            except (OSError, termios.error):
                pass  # unplugged; termios.error is no OSError
        port.close()

    return Link(
        name=address,
        fd=fd,
        receive=lambda most: os.read(fd, most),
        send=lambda data: os.write(fd, data),
        free=free,
    )


def _serial_port(options: Mapping[str, Any]) -> serial.Serial:
    import serial

    flow = _choice(options, "flow_control", "none", _FLOW)
    port = serial.Serial()
    port.baudrate = int(_number(options, "baud", 115200, low=50, high=4_000_000))
    port.bytesize = int(_number(options, "data_bits", 8, low=5, high=8))
    port.stopbits = int(_number(options, "stop_bits", 1, low=1, high=2))
    port.parity = _PARITIES[_choice(options, "parity", "none", tuple(_PARITIES))]
    port.rtscts = flow == "rts-cts"
    port.dsrdtr = flow == "dsr-dtr"
    port.xonxoff = flow == "xon-xoff"
    port.exclusive = True
    port.timeout = 0
    for name in ("dtr", "rts"):
        # Set before opening: boards wired for it restart when the line is asserted.
        if name in options:
            setattr(port, name, bool(_choice(options, name, True, (True, False))))
    return port


def _serial_refusal(address: str, path: str, error: Exception) -> TransportError:
    number = getattr(error, "errno", None)
    if number in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively" in str(error):
        return PortBusy(f"{address}: another program holds this port")
    if number == errno.ENOENT:
        return TransportError(f"{address}: there is no {path}; is the sweeper plugged in?")
    if _is_no_terminal(error):
        return TransportError(f"{address}: {path} is no serial port")
    if number == errno.EACCES:
        return TransportError(
            f"{address}: this user may not open {path}; it belongs to a group "
            f"(often dialout) that the user must be in"
        )
    return TransportError(f"{address}: cannot open: {error}")


def _is_no_terminal(error: Exception) -> bool:
    """Whether the system refused to set a rate: pyserial's error has the system's behind it."""
    behind = error.__context__
    return behind is not None and behind.args[:1] == (errno.ENOTTY,)


def _drained(fd: int) -> bool:
    """Wait a little for what was written to go out; whether it has."""
    import fcntl
    import struct
    import termios

    deadline_s = time.monotonic() + DRAIN_WAIT_S
    try:
        while struct.unpack("i", fcntl.ioctl(fd, termios.TIOCOUTQ, bytes(4)))[0]:
            if time.monotonic() > deadline_s:
                return False
            time.sleep(0.005)
    except OSError:
        pass  # unplugged, or a device that does not say
    return True


def _number(
    options: Mapping[str, Any], name: str, default: float, *, low: float, high: float
) -> float:
    value = options.get(name, default)
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    if not is_number or not low <= value <= high:
        raise RequestRefused(
            setting=f"option {name}",
            asked=repr(value),
            limit=f"a number from {low:.10g} to {high:.10g}",
        )
    return float(value)


def _choice(options: Mapping[str, Any], name: str, default: Any, accepted: tuple[Any, ...]) -> Any:
    value = options.get(name, default)
    if not any(
        value is known or (value == known and type(value) is type(known)) for known in accepted
    ):
        shown = ", ".join(str(known).lower() for known in accepted)
        raise RequestRefused(setting=f"option {name}", asked=repr(value), limit=f"one of {shown}")
    return value


def _listed_ports(address: str) -> Sequence[SerialPort]:
    """The serial ports of this machine; a TransportError of ``address`` where that fails."""
    try:
        return serial_ports()
    except OSError as error:
        raise TransportError(f"{address}: the serial ports cannot be listed: {error}") from error


def _open_usb(address: str, options: Mapping[str, Any]) -> Link:
    wanted = UsbIdentity.parse(address)
    ports = _listed_ports(address)
    fitting = [port for port in ports if wanted.fits(port)]
    if len(fitting) != 1:
        raise refuse_missing(wanted, ports)
    return _open_serial(f"serial:{fitting[0].device}", options)


OPENERS: Final[Mapping[str, Callable[[str, Mapping[str, Any]], Link]]] = {
    "tcp": _open_tcp,
    "serial": _open_serial,
    "usb": _open_usb,
}
"""Who opens which scheme. A further kind of link is one more entry."""
