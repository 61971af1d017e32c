"""VXI-11 by PyVISA-py, on a connection of our own.

Remote procedure calls, one at a time. A read is asked for in slices: the instrument itself ends
each after a fifth of a second with "timeout", keeping its answer, so that the connection is not
left with a call that nobody waits for any more.

Sources: VXI-11 (TCP/IP Instrument Protocol 1.0) and RFC 5531 with its record marking, from memory.
"""

from __future__ import annotations

import random
import struct
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

from pyvisa_py.protocols import rpc, vxi11

from acqd.drivers.transport import tcp_link
from acqd.drivers.visa_names import VisaName
from acqd.errors import TransportError, TransportTimeout
from acqd_scpi.visa_link import Pipe
from acqd_scpi.visa_stream import LinkSocket

__all__ = ["open_vxi11"]

SLICE_S: Final = 0.2
"""Longest that the instrument is asked to wait for its answer in one call."""

GRACE_S: Final = 0.3
"""How much longer than its deadline a call may take whose answer is on its way."""

WRITE_BYTES_MOST: Final = 1 << 20
RECORD_CAP_BYTES: Final = 16 << 20
GOODBYE_S: Final = 0.2
LAST_FRAGMENT: Final = 0x8000_0000


def open_vxi11(address: str, name: VisaName, deadline_s: float) -> Pipe:
    """Ask the portmapper for the port where none is given, connect, and create a link.

    Raises:
        TransportTimeout: not within the deadline.
        TransportError: refused, no VXI-11 there, or a device that it does not have.
    """
    with _understood(address):
        port = name.port or _port_of_core(address, name.host, deadline_s)
    stream = _connect(address, name.host, port, deadline_s)
    try:
        with _understood(address):
            core = _Core(stream, name.host, port)
            stream.deadline_s = deadline_s
            made = core.create_link(random.getrandbits(31), name.device)
        error, link_id, _abort_port, most = made
        if error:
            raise TransportError(f"{address}: no link to {name.device!r}: {_reason(error)}")
        return Vxi11Pipe(address, core, stream, link_id=link_id, write_most=most)
    except BaseException:
        stream.close()
        raise


def _connect(address: str, host: str, port: int, deadline_s: float) -> LinkSocket:
    timeout_s = max(0.05, deadline_s - time.monotonic())
    stream = LinkSocket(tcp_link(address, host, port, timeout_s=timeout_s))
    stream.deadline_s = deadline_s
    return stream


def _port_of_core(address: str, host: str, deadline_s: float) -> int:
    try:
        stream = _connect(address, host, rpc.PMAP_PORT, deadline_s)
    except TransportTimeout:
        raise
    except TransportError as error:
        why = f"{error} to its portmapper; is it an instrument that speaks VXI-11?"
        raise TransportError(why) from error
    try:
        asked = (vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS, rpc.IPPROTO_TCP, 0)
        port = int(_Portmapper(stream, host).get_port(asked))
    finally:
        stream.close()
    if not 1 <= port <= 65535:
        raise TransportError(f"{address}: its portmapper knows no VXI-11 instrument")
    return port


class _OverStream:
    """Calls over a given stream, in place of PyVISA-py's own socket."""

    stream: LinkSocket
    packer: Any
    unpacker: Any
    lastxid: int

    def make_call(self, proc: int, args: Any, pack: Any, unpack: Any) -> Any:
        return rpc.Client.make_call(self, proc, args, pack, unpack)

    def do_call(self) -> None:
        call = self.packer.get_buf()
        self.stream.sendall(struct.pack(">I", LAST_FRAGMENT | len(call)) + call)
        while True:
            self.unpacker.reset(self._record())
            # Left over from a call that was interrupted, if it is another's.
            if self.unpacker.unpack_uint() == self.lastxid:
                break
        self.unpacker.set_position(0)
        self.unpacker.unpack_replyheader()

    def _record(self) -> bytes:
        record = bytearray()
        self.stream.begin()
        try:
            last = False
            while not last:
                (word,) = struct.unpack(">I", self.stream.read_exactly(4))
                last, size = bool(word & LAST_FRAGMENT), word & ~LAST_FRAGMENT
                if len(record) + size > RECORD_CAP_BYTES:
                    raise RuntimeError(f"a reply of more than {RECORD_CAP_BYTES} bytes")
                record += self.stream.read_exactly(size)
        except BaseException:
            self.stream.take_back()
            raise
        self.stream.done()
        return bytes(record)


class _Core(_OverStream, vxi11.CoreClient):  # type: ignore[misc]  # PyVISA-py has no types
    """The calls of the core channel. Those that PyVISA-py lets end in an error number where the
    peer is silent are made anew here, so that silence stays a timeout."""

    def __init__(self, stream: LinkSocket, host: str, port: int) -> None:
        self.stream = stream
        self.packer = vxi11.Vxi11Packer()
        self.unpacker = vxi11.Vxi11Unpacker(b"")
        core = (vxi11.DEVICE_CORE_PROG, vxi11.DEVICE_CORE_VERS)
        rpc.Client.__init__(self, host, *core, port)

    def create_link(self, client: int, name: str) -> tuple[int, int, int, int]:
        made: tuple[int, int, int, int] = self.make_call(
            vxi11.CREATE_LINK,
            (client, 0, 0, name),
            self.packer.pack_create_link_parms,
            self.unpacker.unpack_create_link_resp,
        )
        return made

    def device_write(self, link: int, wait_ms: int, flags: int, data: bytes) -> tuple[int, int]:
        done: tuple[int, int] = self.make_call(
            vxi11.DEVICE_WRITE,
            (link, wait_ms, 0, flags, data),
            self.packer.pack_device_write_parms,
            self.unpacker.unpack_device_write_resp,
        )
        return done

    def device_read(self, link: int, size: int, wait_ms: int) -> tuple[int, int, bytes]:
        got: tuple[int, int, bytes] = self.make_call(
            vxi11.DEVICE_READ,
            (link, size, wait_ms, 0, 0, 0),
            self.packer.pack_device_read_parms,
            self.unpacker.unpack_device_read_resp,
        )
        return got


class _Portmapper(_OverStream, rpc.TCPPortMapperClient):  # type: ignore[misc]  # likewise
    def __init__(self, stream: LinkSocket, host: str) -> None:
        self.stream = stream
        rpc.Client.__init__(self, host, rpc.PMAP_PROG, rpc.PMAP_VERS, rpc.PMAP_PORT)
        rpc.PartialPortMapperClient.__init__(self)


def _ms(seconds: float) -> int:
    return int(seconds * 1e3)


def _reason(error: int) -> str:
    try:
        return str(vxi11.ErrorCodes(error).name).replace("_", " ")
    except ValueError:
        return f"error {error}"


@contextmanager
def _understood(address: str) -> Iterator[None]:
    """What PyVISA-py raises where the peer does not keep to the protocol, as an error of ours."""
    try:
        yield
    except TransportError:
        raise
    except Exception as error:  # rpc has five classes, which share nothing else
        what = str(error) or type(error).__name__
        raise TransportError(f"{address}: VXI-11 was not understood: {what}") from error


class Vxi11Pipe:
    """See :class:`acqd_scpi.visa_link.Pipe`."""

    def __init__(
        self, address: str, core: _Core, stream: LinkSocket, *, link_id: int, write_most: int
    ) -> None:
        self._address = address
        self._core = core
        self._stream = stream
        self._link_id = link_id
        self._write_most = max(1, min(write_most, WRITE_BYTES_MOST))

    def send(self, message: bytes, deadline_s: float) -> None:
        while True:
            piece, message = message[: self._write_most], message[self._write_most :]
            flags = 0 if message else vxi11.OP_FLAG_END
            wait_s = max(0.0, deadline_s - time.monotonic())
            self._stream.deadline_s = deadline_s + GRACE_S
            with _understood(self._address):
                error, size = self._core.device_write(self._link_id, _ms(wait_s), flags, piece)
            if error == vxi11.ErrorCodes.io_timeout:
                raise TransportTimeout(f"{self._address}: took only a part of a message in time")
            self._check(error, "writing")
            if size < len(piece):
                raise TransportError(f"{self._address}: took {size} of {len(piece)} bytes")
            if not message:
                return

    def receive(self, max_bytes: int, deadline_s: float) -> tuple[bytes, bool]:
        while True:
            wait_s = min(SLICE_S, max(0.0, deadline_s - time.monotonic()))
            self._stream.deadline_s = deadline_s + GRACE_S
            with _understood(self._address):
                error, reason, data = self._core.device_read(self._link_id, max_bytes, _ms(wait_s))
            if data or (not error and reason & vxi11.RX_END):
                return bytes(data), bool(reason & vxi11.RX_END)
            if error != vxi11.ErrorCodes.io_timeout:
                self._check(error, "reading")
            if time.monotonic() >= deadline_s:
                raise TransportTimeout(f"{self._address}: nothing came")

    def clear(self, deadline_s: float) -> None:
        wait_ms = _ms(max(0.0, deadline_s - time.monotonic()))
        self._stream.deadline_s = deadline_s
        with _understood(self._address):
            error = self._core.device_clear(self._link_id, 0, 0, wait_ms)
        self._check(error, "device clear")

    def interrupt(self) -> None:
        self._stream.link.interrupt()

    def resume(self) -> None:
        self._stream.link.resume()

    def close(self, hurry: bool) -> None:
        if not hurry:
            with suppress(TransportError):
                self._stream.deadline_s = time.monotonic() + GOODBYE_S
                with _understood(self._address):
                    self._core.destroy_link(self._link_id)
        self._stream.close()

    def _check(self, error: int, doing: str) -> None:
        if error:
            raise TransportError(f"{self._address}: {doing} failed: {_reason(error)}")
