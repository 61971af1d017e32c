"""USBTMC by PyVISA-py, which finds and opens the device and makes the headers; pyusb moves bytes.

A wait in libusb cannot be ended from another thread, and one that ends by itself can lose what had
arrived. So every wait here is for one packet, which comes whole or not at all, and lasts at most a
tenth of a second; the deadline and the host's interrupt are looked at in between. The request for
an answer stays out all the while.

Source: USBTMC 1.0 and its subclass USB488 1.0 (USB Implementers Forum), from memory: 3.2 and 3.3
for the headers, 4.2.1.6 and 4.2.1.7 for the device clear.
"""

from __future__ import annotations

import errno
import struct
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from typing import Any, Final

import usb.core
import usb.util
from pyvisa_py.protocols import usbtmc

from acqd.drivers.visa_names import VisaName
from acqd.errors import PortBusy, TransportClosed, TransportError, TransportTimeout
from acqd_scpi.visa_link import Pipe

__all__ = ["open_usbtmc"]

SLICE_S: Final = 0.1
"""Longest single wait for a packet."""

TAIL_S: Final = 0.05
"""How long to wait for the empty packet behind an answer that fills its last packet."""

CONTROL_S: Final = 0.3
"""Longest single control request."""

CLEAR_PAUSE_S: Final = 0.01
HEADER_BYTES: Final = 12
ASK_BYTES: Final = 65536
"""Asked for at once."""

OUT_BYTES: Final = 4096
"""Of a message, sent in one transfer."""

CLASS_IN: Final = 0xA1
"""Class request to an interface, with an answer."""

SUCCESS: Final = 1
PENDING: Final = 2
END_OF_MESSAGE: Final = 1
STALE_PACKETS_MOST: Final = 4096


def open_usbtmc(address: str, name: VisaName, deadline_s: float) -> Pipe:
    """Find, open and claim the device.

    Raises:
        PortBusy: another program or the kernel's own driver holds it.
        TransportError: it is not there, may not be opened, or is no USBTMC device.
    """
    timeout_ms = max(50, int((deadline_s - time.monotonic()) * 1e3))

    class Device(usbtmc.USBTMC):  # type: ignore[misc]  # PyVISA-py has no types
        """The interface that the resource string names, where it names one."""

        def _find_interface(self, dev: Any, setting: Any) -> Any:
            if name.interface is None:
                return super()._find_interface(dev, setting)
            found = usbtmc.find_interfaces(
                dev,
                bInterfaceClass=0xFE,
                bInterfaceSubClass=3,
                bInterfaceNumber=name.interface,
            )
            if not found:
                raise ValueError(f"its interface {name.interface} is none for USBTMC")
            return found[0]

    try:
        device = Device(name.vid, name.pid, name.serial_number, timeout=timeout_ms)
    except usb.core.USBError as error:
        raise _broken(address, error) from error
    except Exception as error:  # PyVISA-py raises plain Exception where it cannot configure
        raise _not_opened(address, name, error) from error
    try:
        with _understood(address):
            usb.util.claim_interface(device.usb_dev, device.usb_intf.bInterfaceNumber)
    except BaseException:
        device.close()
        raise
    return UsbtmcPipe(address, device)


def _not_opened(address: str, name: VisaName, error: Exception) -> TransportError:
    """No such device, or one whose serial number this user may not even read."""
    try:
        alike = list(usb.core.find(find_all=True, idVendor=name.vid, idProduct=name.pid))
    except usb.core.USBError:
        alike = []
    except usb.core.NoBackendError:
        return TransportError(f"{address}: USB needs libusb; install the package libusb-1.0-0")
    if not alike:
        return TransportError(f"{address}: there is no such device; is the sweeper plugged in?")
    if "No device found" not in str(error):
        return TransportError(f"{address}: cannot open: {error}")
    return TransportError(
        f"{address}: a device of these ids is there, but none whose serial number is "
        f"{name.serial_number!r} or that this user may open; see the udev rule in docs/scpi.md"
    )


def _broken(address: str, error: Exception) -> TransportError | PortBusy:
    number = abs(getattr(error, "errno", 0) or 0)
    if number == errno.EBUSY:
        return PortBusy(f"{address}: another program or a driver of the kernel holds this device")
    if number == errno.EACCES:
        return TransportError(
            f"{address}: this user may not open it; see the udev rule in docs/scpi.md"
        )
    if number == errno.ENODEV:
        return TransportError(f"{address}: the device was unplugged")
    return TransportError(f"{address}: USB failed: {getattr(error, 'strerror', None) or error}")


@contextmanager
def _understood(address: str) -> Iterator[None]:
    try:
        yield
    except usb.core.USBTimeoutError as error:
        raise TransportTimeout(f"{address}: a request was not answered") from error
    except usb.core.USBError as error:
        raise _broken(address, error) from error


class UsbtmcPipe:
    """See :class:`acqd_scpi.visa_link.Pipe`."""

    def __init__(self, address: str, device: Any) -> None:
        self._address = address
        self._device = device
        self._in = device.usb_recv_ep
        self._out = device.usb_send_ep
        self._packet_bytes = int(self._in.wMaxPacketSize)
        self._stopped = threading.Event()
        self._tag = 0
        self._forget()

    def _forget(self) -> None:
        self._asked = False
        self._left = 0
        self._is_last = False
        self._held = b""

    def send(self, message: bytes, deadline_s: float) -> None:
        if self._asked or self._left:
            # An answer is asked for, or half here, that nobody waits for any more.
            self.clear(deadline_s)
        while True:
            piece, message = message[:OUT_BYTES], message[OUT_BYTES:]
            self._transfer(
                usbtmc.BulkOutMessage.build_array(self._next_tag(), not message, piece), deadline_s
            )
            if not message:
                return

    def receive(self, max_bytes: int, deadline_s: float) -> tuple[bytes, bool]:
        if not self._held:
            if not self._left:
                self._begin(deadline_s)
            else:
                self._take(self._packet(deadline_s))
        data, self._held = self._held[:max_bytes], self._held[max_bytes:]
        return data, self._is_last and not self._left and not self._held

    def clear(self, deadline_s: float) -> None:
        self._forget()
        status = self._control(usbtmc.Request.initiate_clear, 1, deadline_s)[0]
        if status != SUCCESS:
            raise TransportError(f"{self._address}: refuses a device clear (status {status:#x})")
        while True:
            status, details = self._control(usbtmc.Request.check_clear_status, 2, deadline_s)[:2]
            if status != PENDING:
                break
            if details & 1:
                self._drain(deadline_s)
            self._pause(CLEAR_PAUSE_S, deadline_s)
        if status != SUCCESS:
            raise TransportError(f"{self._address}: device clear failed (status {status:#x})")
        with _understood(self._address):
            self._device.usb_dev.clear_halt(self._out.bEndpointAddress)

    def interrupt(self) -> None:
        self._stopped.set()

    def resume(self) -> None:
        self._stopped.clear()

    def close(self, hurry: bool) -> None:
        try:
            self._device.close()
        except usb.core.USBError:
            pass  # unplugged

    # --- transfers ----------------------------------------------------------------------------

    def _next_tag(self) -> int:
        self._tag = self._tag % 255 + 1
        return self._tag

    def _transfer(self, data: bytes, deadline_s: float) -> None:
        """Send one transfer, packet by packet."""
        size = int(self._out.wMaxPacketSize)
        for at in range(0, len(data), size):
            self._until(deadline_s, partial(self._out.write, data[at : at + size]))

    def _begin(self, deadline_s: float) -> None:
        """Ask for an answer, once, and take the packet that it begins with."""
        if not self._asked:
            request = usbtmc.BulkInMessage.build_array(self._next_tag(), ASK_BYTES)
            self._transfer(request, deadline_s)
            self._asked = True
        packet = self._packet(deadline_s)
        if len(packet) < HEADER_BYTES:
            raise self._nonsense(packet)
        kind, tag, inverse, size, attributes = struct.unpack_from("<BBBxLB", packet)
        is_ours = kind == usbtmc.MsgID.dev_dep_msg_in and tag == self._tag
        if not is_ours or inverse != ~tag & 0xFF or size > ASK_BYTES:
            raise self._nonsense(packet)
        self._asked = False
        self._left, self._is_last = size, bool(attributes & END_OF_MESSAGE)
        self._take(packet, HEADER_BYTES)

    def _take(self, packet: bytes, start: int = 0) -> None:
        """Keep what a packet holds of the answer; bytes behind it only fill up."""
        self._held = packet[start : start + self._left]
        self._left -= len(self._held)
        is_full = len(packet) == self._packet_bytes
        if self._left and not is_full:
            raise TransportError(f"{self._address}: an answer ended {self._left} bytes too early")
        if not self._left and is_full:
            self._drop_tail()

    def _drop_tail(self) -> None:
        """A transfer that fills its last packet is followed by a short one, perhaps empty."""
        try:
            self._packet(time.monotonic() + TAIL_S)
        except (TransportTimeout, TransportClosed):
            pass  # some devices leave it out; the next header is checked

    def _nonsense(self, packet: bytes) -> TransportError:
        return TransportError(
            f"{self._address}: expected the header of an answer, got {packet[:HEADER_BYTES]!r}"
        )

    def _packet(self, deadline_s: float) -> bytes:
        return bytes(self._until(deadline_s, partial(self._in.read, self._packet_bytes)))

    def _drain(self, deadline_s: float) -> None:
        """Throw away what lies ready, to the end of its transfer."""
        for _ in range(STALE_PACKETS_MOST):
            if len(self._packet(deadline_s)) < self._packet_bytes:
                return

    def _until(self, deadline_s: float, move: Callable[[int], Any]) -> Any:
        """What ``move`` gives, which is tried for a tenth of a second again and again."""
        while True:
            if self._stopped.is_set():
                raise TransportClosed(f"{self._address}: interrupted")
            left_s = deadline_s - time.monotonic()
            try:
                with _understood(self._address):
                    return move(max(1, int(1e3 * min(SLICE_S, left_s))))
            except TransportTimeout:
                if left_s <= SLICE_S:
                    raise

    def _control(self, request: int, size: int, deadline_s: float) -> bytes:
        if self._stopped.is_set():
            raise TransportClosed(f"{self._address}: interrupted")
        timeout_ms = max(1, int(1e3 * min(CONTROL_S, deadline_s - time.monotonic())))
        interface = self._device.usb_intf.bInterfaceNumber
        with _understood(self._address):
            answer = self._device.usb_dev.ctrl_transfer(
                CLASS_IN, request, 0, interface, size, timeout=timeout_ms
            )
        if len(answer) < size:
            raise TransportError(f"{self._address}: a request was answered in part only")
        return bytes(answer)

    def _pause(self, seconds: float, deadline_s: float) -> None:
        if self._stopped.wait(seconds):
            raise TransportClosed(f"{self._address}: interrupted")
        if time.monotonic() >= deadline_s:
            raise TransportTimeout(f"{self._address}: the device clear takes too long")
