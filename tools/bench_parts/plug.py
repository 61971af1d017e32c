"""What it costs an idle station to look for what is plugged in, where nobody tells.

The station's own watch runs in a loop of its own, much faster than it does in earnest, so that what
one look takes can be counted; what that is of a core is worked out for the pace of the station. The
baseline is the same loop with nothing to look at. Besides this machine's tables there are those of
a made-up one with instruments on a hub.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from acqd.clock import SystemClock
from acqd.drivers.contract import UsbDevice
from acqd.drivers.plugged import Machine
from acqd.drivers.usbports import ListSerial, serial_ports, signature, usb_devices
from acqd.station.hotplug import HotPlug
from bench_parts.figures import Figure, Report, rounds

__all__ = ["bench_plug"]

FAST_S = 0.002
LIMIT_S = 60.0
DEVICES = 12
PORTS = 8
EARNEST_S = Machine().poll_s


def bench_plug(report: Report, folder: Path, *, looks: int, repeat: int) -> None:
    """``repeat`` rounds of ``looks`` looks each way."""
    sysfs, dev = _made_up(folder)
    machines: dict[str, tuple[ListSerial, Callable[[], list[UsbDevice]], Callable[[], object]]] = {
        "here": (serial_ports, usb_devices, signature),
        "hub": (
            list,
            partial(usb_devices, sysfs),
            partial(signature, sysfs, dev),
        ),
        "none": (list, list, tuple),
    }

    def contestant(name: str) -> Callable[[], float]:
        ports, usb, sign = machines[name]

        def measure() -> float:
            counting = _Counting(looks, sign)
            watched = Machine(
                serial_ports=ports,
                usb_devices=usb,
                signature=counting.signature,
                events=lambda: None,
                poll_s=FAST_S,
            )
            cpu_s = asyncio.run(_watched(watched, counting))
            return 100.0 * cpu_s / counting.seen / EARNEST_S

        return measure

    found = rounds(repeat, {name: contestant(name) for name in machines})
    for name, what in (
        ("here", "this machine's tables"),
        ("hub", f"{DEVICES} USB devices of three interfaces, {PORTS} serial ports"),
    ):
        report.figures.append(
            Figure(
                name=f"plug {name}",
                what=f"of one core, a look each {EARNEST_S:g} s where no udev tells: {what}",
                unit="%",
                samples=found[name],
                baseline="the same watch with nothing to look at",
                base=found["none"],
            )
        )


class _Counting:
    """Looks, and says when it has looked often enough. Looks come from a thread."""

    def __init__(self, most: int, look: Callable[[], object]) -> None:
        self._most, self._look = most, look
        self.done = threading.Event()
        self.seen = 0

    def signature(self) -> object:
        self.seen += 1
        if self.seen >= self._most:
            self.done.set()
        return self._look()


async def _watched(machine: Machine, counting: _Counting) -> float:
    """Seconds on a core until it was looked often enough."""

    async def tell(*_: object) -> None:
        pass

    watch = HotPlug(machine, sweepers=[], configured={}, tell=tell, clock=SystemClock())
    began_s = time.process_time()
    task = asyncio.create_task(watch.run())
    if not await asyncio.to_thread(counting.done.wait, LIMIT_S):
        raise RuntimeError(f"only {counting.seen} looks within {LIMIT_S:g} s")
    cpu_s = time.process_time() - began_s
    task.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await task
    return cpu_s


def _made_up(folder: Path) -> tuple[Path, Path]:
    """Tables of instruments on a hub, as sysfs and /dev have them."""
    sysfs, dev = folder / "devices", folder / "dev"
    dev.mkdir()
    for number in range(DEVICES):
        device = sysfs / f"1-{number + 1}"
        for interface in range(3):
            part = device / f"{device.name}:1.{interface}"
            part.mkdir(parents=True)
            for key, value in (("Class", "fe"), ("SubClass", "03"), ("Protocol", "01")):
                (part / f"bInterface{key}").write_text(f"{value}\n")
        for key, value in (
            ("idVendor", "1209"),
            ("idProduct", f"{number:04x}"),
            ("bDeviceClass", "00"),
            ("devnum", f"{number + 2}"),
            ("serial", f"GL{number:04}"),
            ("manufacturer", "Gannet"),
            ("product", "Lookout"),
        ):
            (device / key).write_text(f"{value}\n")
    for number in range(PORTS):
        (dev / f"ttyACM{number}").write_text("")
    return sysfs, dev
