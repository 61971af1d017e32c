"""Asks every driver what it can find, with a limit of time on each and on all together.

Drivers are asked one after the other: two of them probing one port at once would each find it busy.
A port that answered to one driver is not shown to the next, and one that another program holds is
opened for none of them. With leave to ask, drivers may afterwards guess at what is left: questions
that were made for one kind of sweeper come after those of a standard. What the network announces is
listened to meanwhile, where that is asked for.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
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
from acqd.drivers.usbports import (
    Holder,
    ListSerial,
    UsbIdentity,
    clean,
    holders,
    is_usb_address,
    refuse_missing,
    serial_ports,
    usb_devices,
    usb_location,
    usb_nodes,
)
from acqd.errors import PortBusy, RequestRefused, TransportClosed

__all__ = ["FindResult", "find_all", "look_for", "serial_ports", "usb_location"]

DRIVER_TIMEOUT_S: Final = 15.0
"""For one driver: a dozen ports, a second of silence each."""

GRACE_S: Final = 0.5

ANNOUNCED_S: Final = 5.0
"""For listening to the network; it takes two or three seconds."""

CANDIDATES_MAX: Final = 200
"""From one driver; more is a driver that counts something else than sweepers."""

_ORDER: Final = {certainty: place for place, certainty in enumerate(Certainty)}

Addresses = Mapping[str, Sequence[str | Named]] | Sequence[str | Named]
ListUsb = Callable[[], Sequence[UsbDevice]]
ListServices = Callable[[], Sequence[Service]]
FindHolders = Callable[[Iterable[str]], Mapping[str, Holder]]


@dataclass(frozen=True, slots=True, kw_only=True)
class FindResult:
    """What was found, the surest first, and what went wrong while looking, a line each.

    ``ports``, ``usb`` and ``services`` are all that was there to look at; ``held`` says of an
    address ``serial:…``, or of a USB device's location, which other program has it open;
    ``opened`` are the addresses that could be opened.
    """

    candidates: tuple[Candidate, ...]
    problems: tuple[str, ...] = ()
    ports: tuple[SerialPort, ...] = ()
    usb: tuple[UsbDevice, ...] = ()
    services: tuple[Service, ...] = ()
    held: Mapping[str, Holder] = field(default_factory=dict)
    opened: frozenset[str] = frozenset()


def find_all(
    registry: Registry,
    *,
    addresses: Addresses = (),
    probe: bool = False,
    list_serial: ListSerial = serial_ports,
) -> list[Candidate]:
    """The candidates of :func:`look_for`, without its problems."""
    found = look_for(registry, addresses=addresses, probe=probe, list_serial=list_serial)
    return list(found.candidates)


def look_for(
    registry: Registry,
    *,
    addresses: Addresses = (),
    probe: bool = False,
    only_named: bool = False,
    list_serial: ListSerial = serial_ports,
    list_usb: ListUsb = usb_devices,
    list_services: ListServices | None = None,
    find_holders: FindHolders = holders,
    timeout_s: float = DRIVER_TIMEOUT_S,
) -> FindResult:
    """Let every driver look for its sweepers.

    Args:
        registry: the drivers.
        addresses: what the user named, bare or with options: by driver, or a list that every
            driver gets. Identities on USB are looked up first.
        probe: whether ports may be opened and asked.
        only_named: show drivers nothing but what the user named, so that nothing else is asked.
        list_serial: lists the serial ports.
        list_usb: lists the USB devices.
        list_services: lists what the network announces, such as :func:`acqd.drivers.mdns.browse`;
            without it the network is left alone.
        find_holders: says which files other programs have open.
        timeout_s: for each driver. Past it its links are closed and what it found so far counts.
    """
    problems: list[str] = []
    announced = None if list_services is None else _Announced(list_services)
    ports = _listed("serial ports", list_serial, problems)
    usb = _listed("USB devices", list_usb, problems)
    looked_up = _LookedUp(ports, problems)
    named = {
        name: looked_up.all_of(
            addresses.get(name, ()) if isinstance(addresses, Mapping) else addresses
        )
        for name in registry.drivers
    }
    held = _held(ports, usb, [one for each in named.values() for one in each], find_holders)
    best, opened = _Best(), set[str]()
    for entry, guessing in _turns(registry, probe=probe):
        mine = [one for one in named[entry.name] if best.is_wanted(one, guessing=guessing)]
        shown = {one.address for one in mine} if only_named else None
        look = _Look(
            entry,
            named=mine,
            probe=probe,
            ports=[port for port in ports if best.is_open(f"serial:{port.device}", shown)],
            usb=() if only_named else usb,
            announced=None if only_named else announced,
            held=held,
            guessing=guessing,
        )
        for found in look.run(timeout_s):
            best.take(_as_held(found, held))
        problems.extend(look.problems)
        opened |= look.opened
    services = () if announced is None else announced.get()
    if announced is not None and announced.problem:
        problems.append(announced.problem)
    return FindResult(
        candidates=best.in_order(),
        problems=tuple(problems),
        ports=tuple(ports),
        usb=tuple(usb),
        services=tuple(services),
        held=held,
        opened=frozenset(opened),
    )


def _turns(registry: Registry, *, probe: bool) -> Iterator[tuple[DriverEntry, bool]]:
    """Who looks when, and whether by guessing."""
    yield from ((entry, False) for entry in registry.drivers.values())
    if probe:
        yield from ((entry, True) for entry in registry.drivers.values())


class _Best:
    """Of what was found of each driver and address, the most certain."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, str], Candidate] = {}

    def is_open(self, address: str, shown: set[str] | None) -> bool:
        """Whether nobody settled it yet, and it is among those ``shown``, where that is asked."""
        if shown is not None and address not in shown:
            return False
        return not any(
            found.address == address and _is_settled(found) for found in self._found.values()
        )

    def is_wanted(self, named: Named, *, guessing: bool) -> bool:
        """Whether the next driver is shown an address: a bare one only until somebody answered,
        and nobody guesses at what is busy."""
        over = (Certainty.ANSWERED, Certainty.BUSY) if guessing else (Certainty.ANSWERED,)
        return bool(named.options) or not any(
            found.address == named.address and found.certainty in over
            for found in self._found.values()
        )

    def take(self, found: Candidate) -> None:
        key = (found.driver, found.address)
        known = self._found.get(key)
        if known is None or _ORDER[found.certainty] < _ORDER[known.certainty]:
            self._found[key] = found

    def in_order(self) -> tuple[Candidate, ...]:
        """The most certain first.

        Without those whose bare address was asked in vain by one driver and answered another, and
        without a spare one where there are others.
        """
        answered = {one.address for one in self._found.values() if _is_settled(one)}
        kept = [
            one
            for one in self._found.values()
            if one.certainty is not Certainty.LISTED or one.options or one.address not in answered
        ]
        kept = [one for one in kept if not one.is_spare] or kept
        return tuple(sorted(kept, key=lambda one: (_ORDER[one.certainty], one.driver, one.address)))


def _is_settled(found: Candidate) -> bool:
    return found.certainty is Certainty.ANSWERED


def _listed(what: str, listing: Callable[[], Sequence[Any]], problems: list[str]) -> list[Any]:
    try:
        return list(listing())
    except Exception as error:
        problems.append(f"the {what} cannot be listed: {error}")
        return []


def _held(
    ports: Iterable[SerialPort],
    usb: Iterable[UsbDevice],
    named: Iterable[Named],
    find_holders: FindHolders,
) -> dict[str, Holder]:
    """Who has what open, by address and by location."""
    addresses = [f"serial:{port.device}" for port in ports]
    addresses += [one.address for one in named if one.address.lower().startswith("serial:")]
    nodes = {node: device.location for device in usb for node in usb_nodes(device)}
    paths = {address: address.partition(":")[2] for address in addresses}
    found = find_holders([*paths.values(), *nodes])
    held = {address: found[path] for address, path in paths.items() if path in found}
    held.update({place: found[node] for node, place in nodes.items() if node in found})
    return held


def _as_held(found: Candidate, held: Mapping[str, Holder]) -> Candidate:
    """A candidate that another program has open is busy, whatever a driver thinks of it."""
    holder = held.get(found.address)
    if holder is None or _is_settled(found):
        return found
    return replace(found, certainty=Certainty.BUSY, what=f"in use by {holder}")


class _LookedUp:
    """Named addresses as drivers know them: identities on USB become the ports they lead to."""

    def __init__(self, ports: Sequence[SerialPort], problems: list[str]) -> None:
        self._ports = ports
        self._problems = problems

    def all_of(self, named: Sequence[str | Named]) -> list[Named]:
        found = [Named(address=one) if isinstance(one, str) else one for one in named]
        return [kept for one in found if (kept := self._one(one)) is not None]

    def _one(self, named: Named) -> Named | None:
        if not is_usb_address(named.address):
            return named
        try:
            wanted = UsbIdentity.parse(named.address)
        except RequestRefused as error:
            self._problem(str(error))
            return None
        fitting = [port for port in self._ports if wanted.fits(port)]
        if len(fitting) != 1:
            self._problem(str(refuse_missing(wanted, self._ports)))
            return None
        return replace(named, address=f"serial:{fitting[0].device}")

    def _problem(self, text: str) -> None:
        if text not in self._problems:
            self._problems.append(text)


class _Announced:
    """What the network announces, listened to in a thread from the beginning."""

    def __init__(self, list_services: ListServices) -> None:
        self.problem = ""
        self._found: Sequence[Service] = ()
        self._thread = threading.Thread(
            target=self._listen, args=(list_services,), name="acqd-find-network", daemon=True
        )
        self._thread.start()

    def _listen(self, list_services: ListServices) -> None:
        try:
            self._found = tuple(list_services())
        except Exception as error:
            self.problem = clean(error)

    def get(self) -> Sequence[Service]:
        """All of it, once it is known; nothing where that takes too long."""
        self._thread.join(ANNOUNCED_S)
        if self._thread.is_alive() and not self.problem:
            self.problem = f"the network did not answer within {ANNOUNCED_S:g} s"
        return self._found


class _Look:
    """One driver looking, in a thread of its own. It is the FindContext that the driver gets."""

    def __init__(
        self,
        entry: DriverEntry,
        *,
        named: Sequence[Named],
        probe: bool,
        ports: Sequence[SerialPort],
        usb: Sequence[UsbDevice],
        announced: _Announced | None,
        held: Mapping[str, Holder],
        guessing: bool,
    ) -> None:
        self.probe = probe
        self.named = named
        self.addresses = tuple(dict.fromkeys(one.address for one in named))
        self.problems: list[str] = []
        self.opened: set[str] = set()
        self._entry = entry
        self._ports = ports
        self._usb = usb
        self._announced = announced
        self._held = held
        self._guessing = guessing
        self._links: list[OpenedLink] = []
        self._found: list[Candidate] = []
        self._lock = threading.Lock()
        self._over = False

    def serial_ports(self) -> Sequence[SerialPort]:
        return self._ports

    def usb_devices(self) -> Sequence[UsbDevice]:
        return self._usb

    def services(self) -> Sequence[Service]:
        return () if self._announced is None else self._announced.get()

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        holder = self._held.get(address)
        if holder is not None:
            # Not every program asks to be alone; ours would be let in, and spoil its conversation.
            raise PortBusy(f"{address}: in use by {holder}")
        link = open_transport(address, options)
        with self._lock:
            self._links.append(link)
            self.opened.add(address)
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
            driver = self._entry.factory()
            for found in driver.guess(self) if self._guessing else driver.find(self):
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
