"""Which sweepers there are to choose from, as ``acqd find`` finds them, and the simulated one."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from acqd.config.problems import printable
from acqd.drivers.contract import Certainty, SerialPort
from acqd.drivers.finding import FindHolders, FindResult, ListServices, ListUsb, look_for
from acqd.drivers.found import Found, gather
from acqd.drivers.paste import name_of, sweeper_lines
from acqd.drivers.registry import Registry
from acqd.drivers.usbports import ListSerial, holders, serial_ports, usb_devices
from acqd.station.build import NAMES_ITS_DRIVER
from acqd.sweep import Identity

__all__ = ["SIMULATED", "Choice", "LookedFor", "at_address", "look", "simulated"]

SIMULATED = "sim"
"""The driver of simulated sweepers (acqd-sim), which finds one wherever nothing else is."""

SIMULATED_BELOW = ((300e6, "sim:mast"), (float("inf"), "sim:shack"))
"""Of the built-in scene, Gannet Ledge Lookout: who hears something at which frequencies."""

SIMULATED_PREAMPLIFIER = "preamplifier"
"""A device of that scene, of 18 dB."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A sweeper that could watch tonight. ``ports`` tell whether its identity on USB is the only
    one, for the lines of the config."""

    found: Found
    ports: tuple[SerialPort, ...] = ()

    @property
    def is_simulated(self) -> bool:
        return self.found.driver == SIMULATED

    def __str__(self) -> str:
        known = f"{self.found.what}, " if self.found.what else ""
        return printable(f"{known}{self.found.address} (driver {self.found.driver})")

    def lines(self, identity: Identity) -> tuple[str, list[str]]:
        """A name for it, and its table of a config, now that it has said who it is."""
        answered = Found(
            address=self.found.address,
            what=self.found.what,
            driver=self.found.driver,
            certainty=Certainty.ANSWERED,
            identity=identity,
            options=self.found.options,
            port=self.found.port,
            usb=self.found.usb,
            service=self.found.service,
        )
        name = name_of(answered, ())
        return name, sweeper_lines(answered, name, self.ports)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedFor:
    """What there is. ``remarks`` are what cannot be used and what went wrong, a line each;
    ``unasked`` the ports that nobody has asked who they are."""

    choices: tuple[Choice, ...]
    remarks: tuple[str, ...] = ()
    unasked: tuple[str, ...] = ()
    has_simulated: bool = False


def look(
    registry: Registry,
    *,
    probe: bool = False,
    list_serial: ListSerial = serial_ports,
    list_usb: ListUsb = usb_devices,
    list_services: ListServices | None = None,
    find_holders: FindHolders = holders,
) -> LookedFor:
    """Everything that a driver takes for a sweeper, without the simulated one.

    Args:
        probe: also ask ports of which nobody knows what they are.
        list_serial, list_usb, find_holders: what is plugged in, and who has it open.
        list_services: listens to what the network announces; without it the network is left alone.
    """
    result = look_for(
        registry,
        probe=probe,
        list_serial=list_serial,
        list_usb=list_usb,
        list_services=list_services,
        find_holders=find_holders,
    )
    found = gather(result)
    usable = [one for one in found if _is_usable(one, probe=probe)]
    return LookedFor(
        choices=tuple(Choice(found=one, ports=result.ports) for one in usable),
        remarks=tuple(_remarks(found, result)),
        unasked=tuple(
            one.address for one in found if not one.driver and one.port and not one.held_by
        ),
        has_simulated=SIMULATED in registry.drivers,
    )


def _is_usable(one: Found, *, probe: bool) -> bool:
    if not one.driver or one.driver == SIMULATED or one.same_as:
        return False
    # Asked, and it said nothing: no sweeper that anybody could use tonight.
    return one.certainty in (Certainty.ANSWERED, Certainty.LIKELY) or (
        one.certainty is Certainty.LISTED and not probe
    )


def _remarks(found: Sequence[Found], result: FindResult) -> list[str]:
    lines = [printable(problem) for problem in result.problems]
    for one in found:
        if one.certainty is Certainty.BUSY or one.held_by:
            who = one.held_by or one.what.removeprefix("in use by ")
            lines.append(printable(f"{one.address}: busy, in use by {who}: close that first"))
    return lines


def simulated(highest_hz: float, *, is_bare: bool) -> Choice:
    """The simulated sweeper for ranges up to a frequency. ``is_bare``: straight at its aerial, not
    behind the scene's preamplifier."""
    address = next(name for top_hz, name in SIMULATED_BELOW if highest_hz < top_hz)
    options: Mapping[str, Any] = {"path": [] if is_bare else [SIMULATED_PREAMPLIFIER]}
    found = Found(
        address=address,
        what="a SIMULATED sweeper at an invented coast watch, Gannet Ledge Lookout",
        driver=SIMULATED,
        certainty=Certainty.LIKELY,
        options=options,
    )
    return Choice(found=found)


def at_address(
    address: str, *, driver: str | None, options: Mapping[str, Any] | None = None
) -> Choice:
    """The sweeper that somebody named; ``driver`` as in :func:`acqd.station.build.at_address`."""
    scheme = address.partition(":")[0].lower()
    name = driver or (scheme if scheme in NAMES_ITS_DRIVER else "scpi")
    return Choice(
        found=Found(
            address=address,
            what="",
            driver=name,
            certainty=Certainty.LISTED,
            options=dict(options or {}),
        )
    )
