"""This machine, as a station that runs looks at it: its lists, and word of a change to them.

Word comes from udev where it runs; elsewhere (in most containers, or without libudev) nobody tells,
and somebody must look now and then.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Protocol

from acqd.drivers.contract import UsbDevice
from acqd.drivers.usbports import ListSerial, serial_ports, signature, usb_devices

__all__ = ["Machine", "PlugEvents", "udev_events"]

UDEV_RUNS: Final = Path("/run/udev/control")
"""The socket of the daemon: without it devices come and go, and nobody is told."""

SUBSYSTEMS: Final = ("tty", "usb", "usbmisc")

DRAIN_MAX: Final = 1000
"""Events that are thrown away in one go; a hub full of instruments sends some dozens."""


class PlugEvents(Protocol):
    """Somebody who tells that something changed, by a file that can be read then."""

    def fileno(self) -> int: ...

    def drain(self) -> bool:
        """Take what waits; whether there was anything. Does not block."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Machine:
    """What is plugged in. All of it is read in a thread; a test has lists of its own."""

    serial_ports: ListSerial = serial_ports
    usb_devices: Callable[[], Sequence[UsbDevice]] = usb_devices
    signature: Callable[[], object] = signature
    """Cheap; differs whenever the lists may differ."""
    events: Callable[[], PlugEvents | None] | None = None
    """Begins to listen; None where nobody tells. By default to udev."""
    poll_s: float = 2.0
    """How often to look where nobody tells."""

    def listen(self) -> PlugEvents | None:
        return udev_events() if self.events is None else self.events()


class _Udev:
    def __init__(self, monitor: Any) -> None:
        self._monitor = monitor

    def fileno(self) -> int:
        return int(self._monitor.fileno())

    def drain(self) -> bool:
        for count in range(DRAIN_MAX):
            try:
                if self._monitor.poll(timeout=0) is None:
                    return count > 0
            except OSError:
                return True  # more than the kernel could keep for us: surely something changed
        return True

    def close(self) -> None:
        # The socket is closed with the object; there is no other way in the library.
        self._monitor = None


def udev_events(*, runs: Path = UDEV_RUNS, source: str = "udev") -> PlugEvents | None:
    """Events of udev about serial ports and USB devices; None where it does not run here.

    Args:
        runs: exists where the daemon does.
        source: ``udev``: events come when a device's files are there and may be opened;
            ``kernel``: before that.
    """
    if not runs.exists():
        return None
    try:
        import pyudev

        monitor = pyudev.Monitor.from_netlink(pyudev.Context(), source=source)
        for subsystem in SUBSYSTEMS:
            monitor.filter_by(subsystem)
        monitor.start()
    except (ImportError, OSError, ValueError):
        # No libudev, or no such sockets for us: then somebody looks.
        return None
    return _Udev(monitor)
