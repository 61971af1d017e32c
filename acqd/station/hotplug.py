"""Notices what is plugged in while the station runs.

    udev tells, or a look every two seconds sees another signature
      ─► sweepers that are away are tried at once, not after their backoff
      ─► what is new, and that no sweeper of the config names, is shown to the drivers: one that a
         driver takes for a sweeper is told of once a day, with the lines for a config

Nothing is opened to find that out. A port that comes and goes without end is bounded: so many tries
in a minute, so many findings in an hour; beyond that sweepers come back by their own backoff.

Limits: what was plugged in before the station started is not new. What was told is forgotten with
the process. Where neither udev nor sysfs say anything (a network sweeper that is switched on), the
backoff stands, 30 s at most.
"""

from __future__ import annotations

import asyncio
from collections import OrderedDict, deque
from collections.abc import Awaitable, Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol, TypeVar

import structlog

from acqd.clock import Clock
from acqd.drivers.contract import Named, SerialPort, UsbDevice
from acqd.drivers.finding import look_for
from acqd.drivers.found import Found, gather, names_device
from acqd.drivers.paste import name_of, sweeper_lines
from acqd.drivers.plugged import Machine, PlugEvents
from acqd.drivers.registry import load_drivers
from acqd.drivers.usbports import UsbIdentity
from acqd.measure.meter import Figure
from acqd.publish.threads import OwnThreads

__all__ = ["HotPlug", "Pluggable"]

EVENTS_POLL_S: Final = 30.0
"""Where udev tells: looked all the same, but seldom."""
TROUBLE_POLL_S: Final = 30.0
SETTLE_S: Final = 0.3
"""After a word of udev: an instrument with several interfaces comes in several pieces."""
LIST_TIMEOUT_S: Final = 5.0
LOOK_TIMEOUT_S: Final = 30.0

TRIES_MOST: Final = 10
TRIES_IN_S: Final = 60.0
"""Away sweepers are tried at once so often; a port that flaps does not drive them."""
TELL_AGAIN_S: Final = 86_400.0
TELLS_MOST: Final = 10
TELLS_IN_S: Final = 3600.0
REMEMBERED: Final = 200

One = SerialPort | UsbDevice
Tell = Callable[[str, str, Mapping[str, Figure]], Awaitable[None]]
T = TypeVar("T")


class _Host(Protocol):
    @property
    def usb(self) -> UsbIdentity | None: ...


class Pluggable(Protocol):
    """A sweeper that may have come back."""

    @property
    def present(self) -> bool: ...

    @property
    def host(self) -> _Host: ...

    def try_now(self) -> None: ...


@dataclass(frozen=True, slots=True)
class _Lists:
    ports: tuple[SerialPort, ...]
    usb: tuple[UsbDevice, ...]

    def keys(self) -> dict[str, One]:
        found: dict[str, One] = {f"{one.device} {UsbIdentity.of(one)}": one for one in self.ports}
        found.update({str(UsbIdentity.of(one)): one for one in self.usb})
        return found


class _Rate:
    """At most so many in so many seconds."""

    def __init__(self, most: int, in_s: float, clock: Clock) -> None:
        self._most, self._in_s, self._clock = most, in_s, clock
        self._taken: deque[float] = deque()

    def take(self) -> bool:
        now_s = self._clock.monotonic_s()
        while self._taken and now_s - self._taken[0] >= self._in_s:
            self._taken.popleft()
        if len(self._taken) >= self._most:
            return False
        self._taken.append(now_s)
        return True


class HotPlug:
    """Looks at what is plugged in; :meth:`run` goes on until it is cancelled.

    Args:
        machine: where to look.
        sweepers: the station's; those that are away are tried when something was plugged in.
        configured: driver and address of each sweeper of the config, by its name.
        tell: keeps and tells a finding.
        clock: for what is told once a day.
    """

    def __init__(
        self,
        machine: Machine,
        *,
        sweepers: Sequence[Pluggable],
        configured: Mapping[str, tuple[str, Named]],
        tell: Tell,
        clock: Clock,
    ) -> None:
        self._machine = machine
        self._sweepers = sweepers
        self._configured = configured
        self._tell = tell
        self._clock = clock
        self._threads = OwnThreads("hotplug", most=8)
        self._told: OrderedDict[str, float] = OrderedDict()
        self._tries = _Rate(TRIES_MOST, TRIES_IN_S, clock)
        self._tells = _Rate(TELLS_MOST, TELLS_IN_S, clock)
        self._in_trouble = False
        self._flapping = False
        self._log = structlog.get_logger()

    async def run(self) -> None:
        """Look, and act on each change, until cancelled."""
        changed = asyncio.Event()
        loop = asyncio.get_running_loop()
        events = await self._safely(self._machine.listen)
        if events is not None:
            loop.add_reader(events.fileno(), _heard, events, changed)
        try:
            await self._watch(changed, self._machine.poll_s if events is None else EVENTS_POLL_S)
        finally:
            if events is not None:
                loop.remove_reader(events.fileno())
                events.close()

    async def _watch(self, changed: asyncio.Event, poll_s: float) -> None:
        signature = await self._safely(self._machine.signature)
        seen = await self._safely(self._list)
        while True:
            told = await _told_within(changed, TROUBLE_POLL_S if self._in_trouble else poll_s)
            if told:
                await asyncio.sleep(SETTLE_S)
                changed.clear()
            now = await self._safely(self._machine.signature)
            if now is None or (now == signature and not told):
                self._in_trouble &= now is None
                continue
            lists = await self._safely(self._list)
            if lists is None:
                continue
            self._in_trouble = False
            signature = now
            before, seen = seen, lists
            if before is not None:
                await self._act(before, lists)

    def _list(self) -> _Lists:
        return _Lists(
            ports=tuple(self._machine.serial_ports()), usb=tuple(self._machine.usb_devices())
        )

    async def _safely(self, work: Callable[[], T]) -> T | None:
        """``work``'s result from a thread; None where it fails, which is logged once."""
        try:
            async with asyncio.timeout(LIST_TIMEOUT_S):
                return await self._threads.run(work)
        except Exception as exc:
            # Whatever the system's tables hold: the station goes on without them.
            if not self._in_trouble:
                self._in_trouble = True
                self._log.warning("hot_plug_trouble", problem=str(exc) or type(exc).__name__)
            return None

    # -- what to do about a change --------------------------------------------------------------

    async def _act(self, before: _Lists, lists: _Lists) -> None:
        had = before.keys()
        new = [one for key, one in lists.keys().items() if key not in had]
        away = [sweeper for sweeper in self._sweepers if not sweeper.present]
        # The same lists though something changed: it went and came back meanwhile.
        if away and (new or lists == before):
            self._try_now(away)
        strangers = [one for one in new if not self._is_named(one, lists) and self._is_due(one)]
        if strangers:
            await self._tell_new(strangers, lists)

    def _try_now(self, away: Iterable[Pluggable]) -> None:
        if self._tries.take():
            self._flapping = False
            for sweeper in away:
                sweeper.try_now()
        elif not self._flapping:
            self._flapping = True
            self._log.warning("hot_plug_flapping", most=TRIES_MOST, within_s=TRIES_IN_S)

    def _is_named(self, one: One, lists: _Lists) -> bool:
        """Whether a sweeper of the config is meant to be there, or was when it opened last."""
        pieces: list[One] = [one]
        if isinstance(one, UsbDevice):
            pieces += [port for port in lists.ports if _is_of(port, one)]
        for piece in pieces:
            if any(names_device(named.address, piece) for _, named in self._configured.values()):
                return True
            for sweeper in self._sweepers:
                known = sweeper.host.usb
                if (
                    known is not None
                    and isinstance(piece, SerialPort)
                    and known.lasting.fits(piece)
                ):
                    return True
        return False

    def _is_due(self, one: One) -> bool:
        """Whether it was not told of today; from now on it was looked at."""
        known = UsbIdentity.of(one)
        key = f"{type(one).__name__} {known.lasting if known else one}"
        now_s = self._clock.monotonic_s()
        told_s = self._told.get(key)
        if told_s is not None and now_s - told_s < TELL_AGAIN_S:
            return False
        self._told[key] = now_s
        self._told.move_to_end(key)
        while len(self._told) > REMEMBERED:
            self._told.popitem(last=False)
        return True

    async def _tell_new(self, strangers: Sequence[One], lists: _Lists) -> None:
        if not self._tells.take():
            self._log.warning("hot_plug_flapping", not_told=len(strangers))
            return
        try:
            async with asyncio.timeout(LOOK_TIMEOUT_S):
                found = await self._threads.run(lambda: self._look(strangers, lists))
        except Exception as exc:
            # Whatever comes of looking: the station goes on without it.
            problem = str(exc) or type(exc).__name__
            self._log.warning("hot_plug_trouble", problem=problem)
            return
        names = set(self._configured)
        for one in found:
            name = name_of(one, names)
            names.add(name)
            lines = sweeper_lines(one, name, lists.ports)
            self._log.info("sweeper_new", address=one.address, driver=one.driver, what=one.what)
            await self._tell(
                "sweeper_new",
                f"plugged in, and no sweeper of the config: {_named(one)} at {one.address}, for "
                f"the driver {one.driver}. To use it: {' | '.join(lines)}",
                {"address": one.address, "driver": one.driver, "config": "\n".join(lines) + "\n"},
            )

    def _look(self, strangers: Sequence[One], lists: _Lists) -> list[Found]:
        """What drivers make of what is new; nothing is opened. In a thread."""
        named: dict[str, list[str | Named]] = {}
        for driver, one in self._configured.values():
            named.setdefault(driver, []).append(one)
        result = look_for(
            load_drivers(),
            addresses=named,
            list_serial=lambda: lists.ports,
            list_usb=lambda: lists.usb,
            find_holders=lambda paths: {},
        )
        return [
            one
            for one in gather(result)
            if one.driver and not one.same_as and (one.port in strangers or one.usb in strangers)
        ][:TELLS_MOST]


def _named(one: Found) -> str:
    for facts in (one.port, one.usb):
        if facts is not None and facts.product:
            return f"{facts.manufacturer} {facts.product}".strip()
    return one.what


def _is_of(port: SerialPort, device: UsbDevice) -> bool:
    return bool(device.location) and port.location.partition(":")[0] == device.location


def _heard(events: PlugEvents, changed: asyncio.Event) -> None:
    if events.drain():
        changed.set()


async def _told_within(changed: asyncio.Event, wait_s: float) -> bool:
    try:
        async with asyncio.timeout(wait_s):
            await changed.wait()
    except TimeoutError:
        return False
    return True
