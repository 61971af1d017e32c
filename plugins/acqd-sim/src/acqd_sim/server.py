"""The simulator as a server: several instruments, their ports, and a control port.

:class:`SimServer` runs it in a thread of its own, for tests; ``acqd-sim serve`` runs it in the
foreground (:mod:`acqd_sim.serve`).
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from acqd_sim.control import Control
from acqd_sim.dialects import DIALECTS, SCPI
from acqd_sim.hislipport import HislipPort
from acqd_sim.instrument import Instrument
from acqd_sim.iq import IqSettings
from acqd_sim.iqport import IqPort
from acqd_sim.ports import Port, PortTaken, PtyPort, TcpPort
from acqd_sim.scenefile import World
from acqd_sim.simclock import SceneClock
from acqd_sim.vxi11port import Vxi11Port

if TYPE_CHECKING:
    from acqd_sim.usbbus import SimulatedBus

__all__ = ["PortTaken", "Served", "SimServer"]

START_LIMIT_S = 10.0
STOP_LIMIT_S = 5.0
AWAY_LOOK_S = 0.5
"""How often, in scene time, it is looked whether an instrument is away."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """What is to be served: names with ``(host, port)`` of TCP, HiSLIP or VXI-11, with the
    path of a terminal, or with a simulated USB bus.

    ``speak`` says of a name which of :data:`acqd_sim.dialects.DIALECTS` it speaks, not SCPI; ``iq``
    where its samples are sent, and which.
    """

    tcp: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    pty: Mapping[str, str] = field(default_factory=dict)
    hislip: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    vxi11: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    usb: Mapping[str, SimulatedBus] = field(default_factory=dict)
    iq: Mapping[str, tuple[str, int, IqSettings]] = field(default_factory=dict)
    speak: Mapping[str, str] = field(default_factory=dict)
    control: tuple[str, int] | None = None
    time_scale: float = 1.0


def _languages(served: Served, names: Iterable[str]) -> dict[str, str]:
    """What each of ``names`` speaks.

    Raises:
        PortTaken: a language that there is not, or of an instrument that is not served.
    """
    known = (SCPI, *DIALECTS)
    for name, language in served.speak.items():
        if name not in names:
            raise PortTaken(f"{name!r} is to speak {language}, and is not served")
        if language not in known:
            raise PortTaken(f"{name!r} cannot speak {language!r}; there are: {', '.join(known)}")
    return {name: served.speak.get(name, SCPI) for name in names}


class Service:
    """The instruments and ports of one server, within a running event loop."""

    def __init__(self, world: World, served: Served) -> None:
        clock = SceneClock(served.time_scale)
        self._clock = clock
        self._away: dict[str, bool] = {}
        self._watch: asyncio.Task[None] | None = None
        ways = (served.tcp, served.pty, served.hislip, served.vxi11, served.usb, served.iq)
        names = dict.fromkeys(name for way in ways for name in way)
        unknown = [name for name in names if name not in world.models]
        if unknown:
            known = ", ".join(world.models)
            raise PortTaken(f"there is no instrument {unknown[0]!r}; the scene has: {known}")
        speaks = _languages(served, names)
        self.instruments = {name: Instrument(name, world.receiver(name), clock) for name in names}
        self.ports: dict[str, list[Port]] = {name: [] for name in names}
        for name, (host, port) in served.tcp.items():
            self.ports[name].append(TcpPort(self.instruments[name], host, port, speaks[name]))
        for name, path in served.pty.items():
            self.ports[name].append(PtyPort(self.instruments[name], path, speaks[name]))
        for name, (host, port) in served.hislip.items():
            self.ports[name].append(HislipPort(self.instruments[name], host, port))
        for name, (host, port) in served.vxi11.items():
            self.ports[name].append(Vxi11Port(self.instruments[name], host, port))
        for name, bus in served.usb.items():
            self.ports[name].append(bus.plug_in(self.instruments[name]))
        for name, (host, port, samples) in served.iq.items():
            self.ports[name].append(IqPort(self.instruments[name], host, port, samples, clock))
        self.control = None
        if served.control is not None:
            self.control = Control(world, self.instruments, self.ports, *served.control)

    def _all(self) -> Iterable[Port]:
        for ports in self.ports.values():
            yield from ports

    async def open(self) -> None:
        """Open every port, or none.

        Raises:
            PortTaken: one cannot be had.
        """
        try:
            for port in self._all():
                await port.open()
            if self.control is not None:
                await self.control.open()
        except PortTaken:
            await self.close()
            raise
        self._away = dict.fromkeys(self.ports, False)
        await self._follow()
        self._watch = asyncio.create_task(self._follow_always())

    async def _follow_always(self) -> None:
        while True:
            await asyncio.sleep(min(1.0, max(0.02, self._clock.real_s(AWAY_LOOK_S))))
            await self._follow()

    async def _follow(self) -> None:
        """Unplug and replug what the scene says is away at this hour."""
        at_s = self._clock.now_s()
        for name, instrument in self.instruments.items():
            is_away = instrument.sweeping.receiver.model.is_away(at_s)
            if is_away == self._away[name]:
                continue
            if not is_away:
                instrument.power_cycle()
            try:
                for port in self.ports[name]:
                    await port.close()
                    if not is_away:
                        await port.open()
            except PortTaken:
                continue  # somebody took it meanwhile: tried again at the next look
            self._away[name] = is_away

    async def close(self) -> None:
        if self._watch is not None:
            self._watch.cancel()
            await asyncio.wait([self._watch])
        if self.control is not None:
            await self.control.close()
        for port in self._all():
            await port.close()

    def banner(self) -> list[str]:
        """One line an instrument and port."""
        lines = [
            f"{name}{', samples,' if isinstance(port, IqPort) else ''} is at {port.address}"
            for name, ports in self.ports.items()
            for port in ports
        ]
        if self.control is not None:
            lines.append(f"control is at {self.control.address}")
        return lines


class SimServer:
    """A server in a thread of its own::

        with SimServer(load_world(), Served(tcp={"mast": ("127.0.0.1", 0)})) as server:
            print(server.address("mast"))
            server.tell("mast cut-block")

    Raises :class:`PortTaken` on entering where a port cannot be had.
    """

    def __init__(self, world: World, served: Served) -> None:
        if served.control is None:
            served = replace(served, control=("127.0.0.1", 0))
        self._service = Service(world, served)
        self._loop: asyncio.AbstractEventLoop | None = None
        self._ready = threading.Event()
        self._stop: asyncio.Event | None = None
        self._problem: PortTaken | None = None
        self._thread = threading.Thread(target=self._main, name="acqd-sim", daemon=True)

    def __enter__(self) -> SimServer:
        self._thread.start()
        if not self._ready.wait(START_LIMIT_S):
            raise PortTaken(f"the simulator did not start within {START_LIMIT_S:g} s")
        if self._problem is not None:
            self._thread.join(STOP_LIMIT_S)
            raise self._problem
        return self

    def __exit__(self, *exc: object) -> None:
        if self._loop is not None and self._stop is not None:
            self._loop.call_soon_threadsafe(self._stop.set)
        self._thread.join(STOP_LIMIT_S)

    def _main(self) -> None:
        asyncio.run(self._serve())

    async def _serve(self) -> None:
        self._loop, self._stop = asyncio.get_running_loop(), asyncio.Event()
        try:
            await self._service.open()
        except PortTaken as exc:
            self._problem = exc
            return
        finally:
            self._ready.set()
        await self._stop.wait()
        await self._service.close()

    def address(self, name: str) -> str:
        """Where instrument ``name`` is: ``tcp://…`` or ``serial:…``; ``control`` is one too."""
        if name == "control" and self._service.control is not None:
            return self._service.control.address
        return self._service.ports[name][0].address

    def samples(self, name: str) -> IqPort:
        """The port that sends the samples of instrument ``name``.

        Raises:
            KeyError: they are not served.
        """
        for port in self._service.ports[name]:
            if isinstance(port, IqPort):
                return port
        raise KeyError(name)

    def ports(self, name: str) -> Sequence[Port]:
        """All ways in to instrument ``name``, in the order of their kinds in :class:`Served`."""
        return tuple(self._service.ports[name])

    def instrument(self, name: str) -> Instrument:
        """The instrument itself, to look at while nobody talks to it."""
        return self._service.instruments[name]

    def tell(self, line: str) -> str:
        """Carry out a line of the control protocol; its answer without ``ok``.

        Raises:
            ValueError: the line was refused; the text says why.
        """
        control = self._service.control
        if control is None or self._loop is None:
            raise ValueError("this server is not running")
        future = asyncio.run_coroutine_threadsafe(control.carry_out(line), self._loop)
        return future.result(STOP_LIMIT_S)
