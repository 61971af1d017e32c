"""Where a sweeper is at this opening: a port by what is plugged into it, not by its name of today.

Two kinds of address need it:

* ``usb:…`` names an identity on the bus (:mod:`acqd.drivers.usbports`), which is looked up among
  the ports that are listed now.
* ``serial:…`` is the port of that name, until an opening there went well. From then on the identity
  on the bus is known; where the port has gone, or something else is plugged in at it, and just one
  other port has that identity, the sweeper is opened there.

Limits: what was learnt is forgotten with the process. Only ids with a serial number or a location
are followed, so a sweeper without a USB serial number is found again only where it was plugged in.
Who answers there is judged as at any opening.
"""

from __future__ import annotations

import asyncio
import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, TypeVar

from acqd.drivers.contract import SerialPort
from acqd.drivers.usbports import (
    ListSerial,
    UsbIdentity,
    is_usb_address,
    port_at,
    refuse_missing,
    serial_ports,
)
from acqd.errors import TransportError, TransportTimeout

__all__ = ["Place", "Whereabouts", "in_thread"]

LIST_TIMEOUT_S: Final = 5.0
"""Listing takes milliseconds; a bus that hangs must not hold up the station."""

T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where to open it. ``address`` is of a form that drivers know; ``usb`` is None off USB."""

    address: str
    usb: UsbIdentity | None = None
    moved: bool = False
    """Whether it is another port than the one that the config names."""


class Whereabouts:
    """Follows one sweeper. Used by one task at a time.

    Args:
        address: what the config says.
        list_serial: lists the serial ports; called in a thread.
    """

    def __init__(self, address: str, list_serial: ListSerial = serial_ports) -> None:
        self._address = address
        self._list = list_serial
        self._known: UsbIdentity | None = None

    @property
    def known(self) -> UsbIdentity | None:
        """What it was known by on the bus when it last opened well; None before, and off USB."""
        return self._known

    async def now(self) -> Place:
        """Where it is now.

        Raises:
            RequestRefused: an address of the form ``usb:…`` that cannot be read.
            TransportError: no port has that identity, or several have; says what was seen.
        """
        if is_usb_address(self._address):
            wanted = UsbIdentity.parse(self._address)
            return _one_that_fits(wanted, await self._ports())
        scheme, _, path = self._address.partition(":")
        if scheme.lower() != "serial":
            return Place(address=self._address)
        try:
            ports = await self._ports()
        except TransportError:
            return Place(address=self._address)
        return _followed(self._address, path, self._known, ports)

    def opened(self, place: Place) -> None:
        """It answered there, and is who it should be."""
        self._known = place.usb

    async def _ports(self) -> list[SerialPort]:
        try:
            return list(await in_thread(self._list, limit_s=LIST_TIMEOUT_S))
        except TimeoutError as error:
            raise TransportTimeout(
                f"{self._address}: the serial ports could not be listed within {LIST_TIMEOUT_S:g} s"
            ) from error
        except Exception as error:
            # Whatever the system's tables hold: nobody can open a port that is not found.
            raise TransportError(
                f"{self._address}: the serial ports cannot be listed: {error}"
            ) from error


def _one_that_fits(wanted: UsbIdentity, ports: list[SerialPort]) -> Place:
    fitting = [port for port in ports if wanted.fits(port)]
    if len(fitting) != 1:
        raise refuse_missing(wanted, ports)
    return _at(fitting[0])


def _followed(address: str, path: str, known: UsbIdentity | None, ports: list[SerialPort]) -> Place:
    """The port of the config's name, or the one that has what was known there."""
    here = port_at(path, ports)
    usb = None if here is None else UsbIdentity.of(here)
    lasting = None if known is None else known.lasting
    as_named = Place(address=address, usb=usb)
    if lasting is None or not (lasting.serial_number or lasting.location):
        return as_named
    if here is not None and lasting.fits(here):
        return as_named
    if here is None and os.path.exists(path):
        # A port that nobody lists, such as a link to a pseudo-terminal.
        return as_named
    elsewhere = [port for port in ports if lasting.fits(port)]
    return _at(elsewhere[0], moved=True) if len(elsewhere) == 1 else as_named


def _at(port: SerialPort, *, moved: bool = False) -> Place:
    return Place(address=f"serial:{port.device}", usb=UsbIdentity.of(port), moved=moved)


async def in_thread(work: Callable[[], T], *, limit_s: float) -> T:
    """``work``'s result, from a daemon thread of its own, which is left to itself past the limit.

    Raises:
        TimeoutError: it took longer.
        Exception: what ``work`` raises.
    """
    loop = asyncio.get_running_loop()
    future: asyncio.Future[T] = loop.create_future()

    def settle(result: Any, error: Exception | None) -> None:
        if future.done():
            return
        if error is None:
            future.set_result(result)
        else:
            future.set_exception(error)

    def run() -> None:
        result: Any = None
        error: Exception | None = None
        try:
            result = work()
        except Exception as exc:
            error = exc
        try:
            loop.call_soon_threadsafe(settle, result, error)
        except RuntimeError:
            pass  # the loop has gone, and nobody waits any more

    threading.Thread(target=run, name="acqd-ports", daemon=True).start()
    async with asyncio.timeout(limit_s):
        return await future
