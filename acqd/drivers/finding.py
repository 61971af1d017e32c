"""Asks every driver what it can find, with a limit of time on each and on all together.

Drivers are asked one after the other: two of them probing one port at once would each find it busy.
A port that answered to one driver is not shown to the next.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from acqd.drivers.contract import (
    Candidate,
    Certainty,
    Named,
    SerialPort,
    Service,
    Transport,
    UsbDevice,
)
from acqd.drivers.registry import DriverEntry, Registry
from acqd.drivers.transport import OpenedLink, open_transport
from acqd.drivers.usbports import serial_ports, usb_location
from acqd.errors import TransportClosed

__all__ = ["FindResult", "find_all", "look_for", "serial_ports", "usb_location"]

DRIVER_TIMEOUT_S: Final = 15.0
"""For one driver: a dozen ports, a second of silence each."""

GRACE_S: Final = 0.5

CANDIDATES_MAX: Final = 200
"""From one driver; more is a driver that counts something else than sweepers."""

_ORDER: Final = {certainty: place for place, certainty in enumerate(Certainty)}


@dataclass(frozen=True, slots=True, kw_only=True)
class FindResult:
    """What was found, the surest first, and what went wrong while looking, a line each."""

    candidates: tuple[Candidate, ...]
    problems: tuple[str, ...] = ()


def find_all(
    registry: Registry,
    *,
    addresses: Mapping[str, Sequence[str]] | Sequence[str] = (),
    probe: bool = False,
    list_serial: Callable[[], Sequence[SerialPort]] = serial_ports,
) -> list[Candidate]:
    """The candidates of :func:`look_for`, without its problems."""
    found = look_for(registry, addresses=addresses, probe=probe, list_serial=list_serial)
    return list(found.candidates)


def look_for(
    registry: Registry,
    *,
    addresses: Mapping[str, Sequence[str]] | Sequence[str] = (),
    probe: bool = False,
    list_serial: Callable[[], Sequence[SerialPort]] = serial_ports,
    timeout_s: float = DRIVER_TIMEOUT_S,
) -> FindResult:
    """Let every driver look for its sweepers.

    Args:
        registry: the drivers.
        addresses: what the user named: by driver, or a list that every driver gets.
        probe: whether ports may be opened and asked.
        list_serial: lists the serial ports.
        timeout_s: for each driver. Past it its links are closed and what it found so far counts.
    """
    candidates: dict[tuple[str, str], Candidate] = {}
    problems: list[str] = []
    ports: Sequence[SerialPort] = ()
    try:
        ports = list_serial()
    except Exception as error:
        problems.append(f"the serial ports cannot be listed: {error}")
    for entry in registry.drivers.values():
        named = addresses.get(entry.name, ()) if isinstance(addresses, Mapping) else addresses
        taken = {found.address for found in candidates.values() if _is_settled(found)}
        free = [port for port in ports if f"serial:{port.device}" not in taken]
        look = _Look(entry, named=tuple(named), probe=probe, ports=free)
        for found in look.run(timeout_s):
            key = (found.driver, found.address)
            known = candidates.get(key)
            if known is None or _ORDER[found.certainty] < _ORDER[known.certainty]:
                candidates[key] = found
        problems.extend(look.problems)
    ordered = sorted(
        candidates.values(), key=lambda one: (_ORDER[one.certainty], one.driver, one.address)
    )
    return FindResult(candidates=tuple(ordered), problems=tuple(problems))


def _is_settled(found: Candidate) -> bool:
    return found.certainty is Certainty.ANSWERED


class _Look:
    """One driver looking, in a thread of its own. It is the FindContext that the driver gets."""

    def __init__(
        self,
        entry: DriverEntry,
        *,
        named: Sequence[str],
        probe: bool,
        ports: Sequence[SerialPort],
    ) -> None:
        self.probe = probe
        self.addresses = named
        self.problems: list[str] = []
        self._entry = entry
        self._ports = ports
        self._links: list[OpenedLink] = []
        self._found: list[Candidate] = []
        self._lock = threading.Lock()
        self._over = False

    def serial_ports(self) -> Sequence[SerialPort]:
        return self._ports

    @property
    def named(self) -> Sequence[Named]:
        return [Named(address=address) for address in self.addresses]

    def usb_devices(self) -> Sequence[UsbDevice]:
        return ()

    def services(self) -> Sequence[Service]:
        return ()

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        link = open_transport(address, options)
        with self._lock:
            self._links.append(link)
            over = self._over
        if over:
            self._close_links()
            raise TransportClosed(f"{address}: the time for looking is over")
        return link

    def run(self, timeout_s: float) -> Iterable[Candidate]:
        """What the driver finds until the deadline."""
        thread = threading.Thread(
            target=self._ask, name=f"acqd-find-{self._entry.name}", daemon=True
        )
        begun_s = time.monotonic()
        thread.start()
        thread.join(timeout_s)
        with self._lock:
            self._over = True
        self._close_links()
        if thread.is_alive():
            thread.join(GRACE_S)
            took_s = time.monotonic() - begun_s
            self._problem(f"was still looking after {took_s:.0f} s and was stopped")
        with self._lock:
            return list(self._found)

    def _ask(self) -> None:
        try:
            for found in self._entry.factory().find(self):
                if not isinstance(found, Candidate):
                    self._problem(f"found a {type(found).__name__}, expected a Candidate")
                    return
                with self._lock:
                    if self._over or len(self._found) >= CANDIDATES_MAX:
                        return
                    self._found.append(found)
        except BaseException as error:
            if not self._over:
                self._problem(f"raised {type(error).__name__} while looking: {error}")

    def _problem(self, text: str) -> None:
        owner = f"{self._entry.distribution} {self._entry.version}"
        self.problems.append(f"driver {self._entry.name!r} of {owner} {text}")

    def _close_links(self) -> None:
        with self._lock:
            links, self._links = self._links, []
        for link in links:
            link.close()
