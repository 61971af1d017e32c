"""A USB bus within this process, with simulated USBTMC instruments on it: a backend for pyusb.

pyusb finds the devices of a :class:`SimulatedBus` as it finds real ones, so whatever uses pyusb
talks to them, down to the bytes of descriptors and transfers. The bus behaves where it matters as
libusb does: a read that times out within a transfer loses what it had, an interface is claimed by
one handle at a time, and a device that is unplugged answers ENODEV.

Needs pyusb, which acqd-sim does not depend on; the rest of the simulator does without this module.
Source: USB 2.0, chapter 9, for the descriptors (from memory).
"""

from __future__ import annotations

import asyncio
import errno
import itertools
import os
import threading
import time
from array import array
from collections.abc import Iterable
from types import SimpleNamespace
from typing import Any, Final

import usb.backend
import usb.core

from acqd_sim.instrument import Instrument
from acqd_sim.ports import Port
from acqd_sim.session import Session
from acqd_sim.usbtmc import BULK_IN, BULK_OUT, Stalled, UsbtmcDevice

__all__ = ["SimulatedBus", "UsbPort"]

VENDOR_ID: Final = 0x1209
PRODUCT_ID: Final = 0x0001
"""Of a block that is given away for tests of open hardware (pid.codes)."""
STRINGS: Final = (None, "Gannet Ledge", "Lookout simulator")
ENGLISH: Final = 0x0409
CLASS_OR_VENDOR: Final = 0x60
"""Of the type of a control request; neither: a standard one (USB 2.0, 9.3)."""
WAIT_MOST_S: Final = 10.0
CONFIGURATION: Final = 1
_ADDRESSES = itertools.count(1)


def _error(number: int) -> usb.core.USBError:
    text = os.strerror(number)
    kind = usb.core.USBTimeoutError if number == errno.ETIMEDOUT else usb.core.USBError
    return kind(text, -number, number)


class UsbPort(Port):
    """The USB socket of an instrument. Its answers are made in the server's loop."""

    def __init__(self, instrument: Instrument, bus: SimulatedBus, serial_number: str) -> None:
        self.instrument = instrument
        self.serial_number = serial_number
        self.number = next(_ADDRESSES)
        self.claimed_by: object | None = None
        self.generation = 0
        """Counts pluggings in: handles of an earlier one are dead."""
        self.changed = threading.Condition()
        self.device = UsbtmcDevice(
            on_message=self._on_message,
            on_clear=self._on_clear,
            on_interrupted=self._on_interrupted,
            status_byte=lambda waits: instrument.status.byte(message_available=waits),
        )
        self._bus = bus
        self._loop: asyncio.AbstractEventLoop | None = None
        self._session: Session | None = None
        self._work: asyncio.Task[None] | None = None
        self._epoch = 0

    @property
    def address(self) -> str:
        return f"USB0::0x{VENDOR_ID:04X}::0x{PRODUCT_ID:04X}::{self.serial_number}::INSTR"

    async def open(self) -> None:
        self._loop = asyncio.get_running_loop()
        self._begin(self._epoch)
        self._bus.attach(self)

    async def close(self) -> None:
        self._bus.detach(self)
        self._pull()
        if self._work is not None:
            self._work.cancel()
            await asyncio.wait([self._work])
            self._work = None

    def hang_up(self) -> None:
        """As a bus reset: the device is there again at once, for whoever opens it anew."""
        self._pull()
        self._begin(self._epoch)

    def _pull(self) -> None:
        with self.changed:
            self.generation += 1
            self._epoch += 1
            self.claimed_by = None
            self.device.reset()
            self.changed.notify_all()

    # Called in the host's thread, with ``changed`` held.

    def _on_message(self, message: bytes) -> None:
        epoch = self._epoch
        self._call(lambda: self._take(epoch, message))

    def _on_clear(self) -> None:
        self._epoch += 1
        epoch = self._epoch
        self._call(lambda: self._begin(epoch))

    def _on_interrupted(self) -> None:
        self._call(self.instrument.interrupted)

    def _call(self, action: Any) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(action)

    # Called in the server's loop.

    def _begin(self, epoch: int) -> None:
        """A conversation anew; what the one before has still to say is lost."""
        if self._work is not None:
            self._work.cancel()

        def answer(data: bytes) -> None:
            with self.changed:
                if epoch == self._epoch:
                    self.device.answer(data, ends=data.endswith(b"\n"))
                    self.changed.notify_all()

        self._session = Session(self.instrument, answer, self.hang_up)
        self._work = asyncio.get_running_loop().create_task(self._session.work())
        self._work.add_done_callback(_complain)

    def _take(self, epoch: int, message: bytes) -> None:
        if self._session is not None and epoch == self._epoch:
            self._session.receive(message if message.endswith(b"\n") else message + b"\n")


def _complain(task: asyncio.Task[None]) -> None:
    """A defect of the simulator is told by the loop's handler."""
    if not task.cancelled() and (problem := task.exception()) is not None:
        context = {"message": "the simulator failed", "exception": problem, "task": task}
        task.get_loop().call_exception_handler(context)


class _Handle:
    """One opening of a device."""

    def __init__(self, port: UsbPort) -> None:
        self.port = port
        self.generation = port.generation

    def check(self) -> None:
        if self.generation != self.port.generation:
            raise _error(errno.ENODEV)


class SimulatedBus(usb.backend.IBackend):  # type: ignore[misc]  # pyusb has no types
    """The bus; where pyusb looks for a backend, give it this one."""

    def __init__(self) -> None:
        super().__init__()
        self._ports: list[UsbPort] = []
        self._lock = threading.Lock()

    def plug_in(self, instrument: Instrument) -> UsbPort:
        """A socket of this bus for ``instrument``; its serial number is the instrument's."""
        who = instrument.sweeping.receiver.model.identity
        return UsbPort(instrument, self, who.serial_number)

    def attach(self, port: UsbPort) -> None:
        with self._lock:
            self._ports.append(port)

    def detach(self, port: UsbPort) -> None:
        with self._lock:
            if port in self._ports:
                self._ports.remove(port)

    # --- what pyusb asks: names and parameters are its own --------------------------------------

    def enumerate_devices(self) -> Iterable[UsbPort]:
        with self._lock:
            return list(self._ports)

    def get_device_descriptor(self, dev: UsbPort) -> SimpleNamespace:
        return SimpleNamespace(
            bLength=18,
            bDescriptorType=1,
            bcdUSB=0x0200,
            bDeviceClass=0,
            bDeviceSubClass=0,
            bDeviceProtocol=0,
            bMaxPacketSize0=64,
            idVendor=VENDOR_ID,
            idProduct=PRODUCT_ID,
            bcdDevice=0x0100,
            iManufacturer=1,
            iProduct=2,
            iSerialNumber=3,
            bNumConfigurations=1,
            address=dev.number,
            bus=1,
            port_number=dev.number,
            port_numbers=(dev.number,),
            speed=3,
        )

    def get_configuration_descriptor(self, dev: UsbPort, config: int) -> SimpleNamespace:
        _only(config)
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=2,
            wTotalLength=32,
            bNumInterfaces=1,
            bConfigurationValue=CONFIGURATION,
            iConfiguration=0,
            bmAttributes=0xC0,
            bMaxPower=0,
            extra_descriptors=[],
        )

    def get_interface_descriptor(
        self, dev: UsbPort, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        _only(intf, alt, config)
        return SimpleNamespace(
            bLength=9,
            bDescriptorType=4,
            bInterfaceNumber=0,
            bAlternateSetting=0,
            bNumEndpoints=2,
            bInterfaceClass=0xFE,
            bInterfaceSubClass=0x03,
            bInterfaceProtocol=0x01,
            iInterface=0,
            extra_descriptors=[],
        )

    def get_endpoint_descriptor(
        self, dev: UsbPort, ep: int, intf: int, alt: int, config: int
    ) -> SimpleNamespace:
        _only(intf, alt, config)
        return SimpleNamespace(
            bLength=7,
            bDescriptorType=5,
            bEndpointAddress=(BULK_OUT, BULK_IN)[ep],
            bmAttributes=2,
            wMaxPacketSize=dev.device.packet_bytes,
            bInterval=0,
            bRefresh=0,
            bSynchAddress=0,
            extra_descriptors=[],
        )

    def open_device(self, dev: UsbPort) -> _Handle:
        if dev not in self._ports:
            raise _error(errno.ENODEV)
        return _Handle(dev)

    def close_device(self, dev_handle: _Handle) -> None:
        self.release_interface(dev_handle, 0)

    def get_configuration(self, dev_handle: _Handle) -> int:
        dev_handle.check()
        return CONFIGURATION

    def set_configuration(self, dev_handle: _Handle, config_value: int) -> None:
        dev_handle.check()

    def set_interface_altsetting(self, dev_handle: _Handle, intf: int, altsetting: int) -> None:
        dev_handle.check()

    def claim_interface(self, dev_handle: _Handle, intf: int) -> None:
        port = dev_handle.port
        with port.changed:
            dev_handle.check()
            if port.claimed_by not in (None, dev_handle):
                raise _error(errno.EBUSY)
            port.claimed_by = dev_handle

    def release_interface(self, dev_handle: _Handle, intf: int) -> None:
        port = dev_handle.port
        with port.changed:
            if port.claimed_by is dev_handle:
                port.claimed_by = None

    def is_kernel_driver_active(self, dev_handle: _Handle, intf: int) -> bool:
        return False

    def clear_halt(self, dev_handle: _Handle, ep: int) -> None:
        with dev_handle.port.changed:
            dev_handle.check()
            dev_handle.port.device.clear_halt()

    def bulk_write(
        self, dev_handle: _Handle, ep: int, intf: int, data: array[int], timeout: int
    ) -> int:
        port = dev_handle.port
        with port.changed:
            dev_handle.check()
            try:
                port.device.bulk_out(data.tobytes())
            except Stalled:
                raise _error(errno.EPIPE) from None
            port.changed.notify_all()
        return len(data)

    def bulk_read(
        self, dev_handle: _Handle, ep: int, intf: int, buff: array[int], timeout: int
    ) -> int:
        """Packets until a short one or the buffer is full; all of them are lost past the time."""
        port = dev_handle.port
        until_s = time.monotonic() + min(timeout / 1e3 if timeout else WAIT_MOST_S, WAIT_MOST_S)
        got = bytearray()
        with port.changed:
            while len(got) < len(buff):
                dev_handle.check()
                packet = port.device.bulk_in()
                if packet is None:
                    left_s = until_s - time.monotonic()
                    if left_s <= 0:
                        raise _error(errno.ETIMEDOUT)
                    port.changed.wait(left_s)
                    continue
                got += packet
                if len(got) > len(buff):
                    raise _error(errno.EOVERFLOW)
                if len(packet) < port.device.packet_bytes:
                    break
        buff[: len(got)] = array("B", got)
        return len(got)

    def ctrl_transfer(
        self,
        dev_handle: _Handle,
        request_type: int,
        request: int,
        value: int,
        index: int,
        data: array[int],
        timeout: int,
    ) -> int:
        port = dev_handle.port
        with port.changed:
            dev_handle.check()
            try:
                if request_type & CLASS_OR_VENDOR:
                    answer = port.device.control(request, value)
                else:
                    answer = _standard(port, request, value)
            except Stalled:
                raise _error(errno.EPIPE) from None
            port.changed.notify_all()
        size = min(len(answer), len(data))
        data[:size] = array("B", answer[:size])
        return size


def _only(*numbers: int) -> None:
    """There is one of everything."""
    if any(numbers):
        raise IndexError


def _standard(port: UsbPort, request: int, value: int) -> bytes:
    """GET_DESCRIPTOR of strings (USB 2.0, 9.6.7); other standard requests are not needed."""
    kind, place = value >> 8, value & 0xFF
    if request != 6 or kind != 3:
        raise Stalled(f"request {request}")
    if place == 0:
        payload = ENGLISH.to_bytes(2, "little")
    else:
        texts = (*STRINGS, port.serial_number)
        if place >= len(texts):
            raise Stalled("no such string")
        payload = str(texts[place]).encode("utf-16-le")
    return bytes([2 + len(payload), kind]) + payload
