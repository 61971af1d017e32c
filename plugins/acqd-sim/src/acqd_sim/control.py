"""The control port: tells instruments to misbehave. A line protocol of our own, UTF-8, for people.

Each line is ``NAME ORDER [ARGUMENT]`` or ``list``; each answer one line, ``ok`` with what was asked
for, or ``error`` with what is wrong. Orders are in :data:`ORDERS`.
"""

from __future__ import annotations

import asyncio
import errno
from collections.abc import Awaitable, Callable, Mapping, Sequence
from dataclasses import dataclass

from acqd_sim.faults import FOREVER
from acqd_sim.grammar import ScpiError
from acqd_sim.instrument import Instrument
from acqd_sim.ports import LOOPBACK, Port, PortTaken, PtyPort
from acqd_sim.receiver import Receiver
from acqd_sim.scenefile import World
from acqd_sim.troubles import Kind, Trouble, place_problem

__all__ = ["ORDERS", "Control", "Order"]

LONGEST_LINE = 4096
CLIENTS_MAX = 8
LATE_MAX_S = 3600.0


@dataclass(frozen=True, slots=True)
class Order:
    """One thing an instrument can be told."""

    argument: str
    """How the argument is written; in brackets where it may be left out."""
    does: str
    act: Callable[[Control, str, str], Awaitable[str] | str]


class Control:
    """The control port of one server."""

    def __init__(
        self,
        world: World,
        instruments: Mapping[str, Instrument],
        ports: Mapping[str, Sequence[Port]],
        host: str,
        port: int,
    ) -> None:
        if host not in LOOPBACK:
            raise PortTaken(f"{host}: the control port is on loopback only, such as 127.0.0.1")
        self.world = world
        self.instruments = instruments
        self.ports = ports
        self._host = host
        self._port = port
        self._server: asyncio.Server | None = None
        self._writers: set[asyncio.StreamWriter] = set()

    @property
    def address(self) -> str:
        return f"tcp://{self._host}:{self._port}"

    async def open(self) -> None:
        try:
            self._server = await asyncio.start_server(
                self._serve, self._host, self._port, limit=LONGEST_LINE
            )
        except OSError as exc:
            reason = "it is taken" if exc.errno == errno.EADDRINUSE else exc.strerror
            raise PortTaken(f"cannot listen on {self._host}:{self._port}: {reason}") from exc
        self._port = self._server.sockets[0].getsockname()[1]

    async def close(self) -> None:
        if self._server is not None:
            self._server.close()
            self._server = None
        for writer in list(self._writers):
            writer.transport.abort()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        if len(self._writers) >= CLIENTS_MAX:
            writer.transport.abort()
            return
        self._writers.add(writer)
        try:
            while line := await reader.readline():
                try:
                    answer = f"ok {await self.carry_out(line.decode('utf-8'))}".rstrip()
                except ValueError as exc:
                    answer = f"error {exc}"
                writer.write(f"{answer}\n".encode())
                await writer.drain()
        except (OSError, ValueError, asyncio.CancelledError):
            pass  # gone, a line beyond the limit, or the server is closing
        finally:
            self._writers.discard(writer)
            writer.transport.abort()

    async def carry_out(self, line: str) -> str:
        """Do what a line says.

        Raises:
            ValueError: it cannot be done; the text says why.
        """
        words = line.split(maxsplit=2)
        if words == ["list"]:
            return ", ".join(self.instruments)
        if len(words) < 2:
            raise ValueError("expected: NAME ORDER [ARGUMENT], or list")
        name, word = words[0], words[1]
        if name not in self.instruments:
            raise ValueError(f"no instrument {name!r}; there are: {', '.join(self.instruments)}")
        order = ORDERS.get(word)
        if order is None:
            raise ValueError(f"no order {word!r}; there are: {', '.join(ORDERS)}")
        argument = words[2].strip() if len(words) > 2 else ""
        if argument and not order.argument:
            raise ValueError(f"{word} takes no argument, got {argument!r}")
        if not argument and order.argument and not order.argument.startswith("["):
            raise ValueError(f"expected: {name} {word} {order.argument}")
        done = order.act(self, name, argument)
        return done if isinstance(done, str) else await done


def _count(text: str) -> int:
    """How often: 1 where nothing is said, 0 for until healed."""
    if text and not text.isdigit():
        raise ValueError(f"expected a count, 0 for until healed, got {text!r}")
    number = int(text) if text else 1
    return FOREVER if number == 0 else number


def _times(fault: str) -> Callable[[Control, str, str], str]:
    def act(control: Control, name: str, argument: str) -> str:
        setattr(control.instruments[name].faults, fault, _count(argument))
        return ""

    return act


def _switch(fault: str) -> Callable[[Control, str, str], str]:
    def act(control: Control, name: str, argument: str) -> str:
        setattr(control.instruments[name].faults, fault, True)
        return ""

    return act


def _late(control: Control, name: str, argument: str) -> str:
    try:
        seconds = float(argument)
    except ValueError as exc:
        raise ValueError(f"expected seconds, got {argument!r}") from exc
    if not 0.0 <= seconds <= LATE_MAX_S:
        raise ValueError(f"expected 0 to {LATE_MAX_S:g} s, got {argument}")
    control.instruments[name].faults.late_s = seconds
    return ""


def _points(control: Control, name: str, argument: str) -> str:
    more, _, count = argument.partition(" ")
    try:
        off = int(more)
    except ValueError as exc:
        raise ValueError(f"expected points too many (or too few), got {more!r}") from exc
    faults = control.instruments[name].faults
    faults.other_length, faults.points_off = _count(count.strip()), off
    return ""


def _trouble(kind: Kind) -> Callable[[Control, str, str], str]:
    fault = kind.value.replace(" ", "_")

    def act(control: Control, name: str, argument: str) -> str:
        instrument = control.instruments[name]
        hookup = instrument.sweeping.receiver.hookup
        trouble = Trouble(kind=kind, device=argument or None)
        problem = place_problem(trouble, hookup.path_names, hookup.path.devices)
        if problem is not None:
            raise ValueError(f"{problem[0]}; expected: {problem[1]}")
        setattr(instrument.faults, fault, argument)
        return ""

    return act


def _identity(control: Control, name: str, argument: str) -> str:
    control.instruments[name].faults.identity = argument
    return ""


LARGEST_ERROR = {"level_error_db": 100.0, "frequency_error_ppm": 1000.0, "grid_off_hz": 1e9}


def _error_of(fault: str) -> Callable[[Control, str, str], str]:
    def act(control: Control, name: str, argument: str) -> str:
        most = LARGEST_ERROR[fault]
        try:
            value = float(argument)
        except ValueError as exc:
            raise ValueError(f"expected a number, got {argument!r}") from exc
        if not -most <= value <= most:
            raise ValueError(f"expected -{most:g} to {most:g}, got {argument}")
        setattr(control.instruments[name].faults, fault, value)
        return ""

    return act


def _errors(control: Control, name: str, argument: str) -> str:
    status = control.instruments[name].status
    if argument == "endless":
        status.endless = True
        return ""
    if not argument.isdigit() or int(argument) > 1000:
        raise ValueError(f"expected a number up to 1000 or endless, got {argument!r}")
    for number in range(int(argument)):
        status.report(ScpiError(-310, f"spurious {number + 1}"))
    return ""


def _heal(control: Control, name: str, argument: str) -> str:
    control.instruments[name].faults.heal()
    control.instruments[name].status.endless = False
    return ""


def _power_cycle(control: Control, name: str, argument: str) -> str:
    control.instruments[name].power_cycle()
    for port in control.ports[name]:
        port.restart()
    return ""


def _hang_up(control: Control, name: str, argument: str) -> str:
    for port in control.ports[name]:
        port.hang_up()
    return ""


async def _unplug(control: Control, name: str, argument: str) -> str:
    for port in control.ports[name]:
        await port.close()
    return ""


async def _replug(control: Control, name: str, argument: str) -> str:
    """Plugged in again: it has lost power in between. A terminal may be another than before."""
    ports = control.ports[name]
    terminals = [port for port in ports if isinstance(port, PtyPort)]
    if argument and len(terminals) != 1:
        raise ValueError(f"{name} has {len(terminals)} terminals; only a terminal has a path")
    control.instruments[name].power_cycle()
    try:
        for port in ports:
            await port.close()
        if argument:
            terminals[0].move(argument)
        for port in ports:
            await port.open()
    except PortTaken as exc:
        raise ValueError(str(exc)) from exc
    return ""


def _rewire(*, source: bool) -> Callable[[Control, str, str], str]:
    def act(control: Control, name: str, argument: str) -> str:
        devices = [word.strip() for word in argument.split(",") if word.strip()]
        try:
            hookup = control.world.rewired(name, devices, source=source)
        except KeyError as exc:
            known = ", ".join(control.world.devices)
            raise ValueError(f"no device {exc.args[0]!r}; there are: {known}") from exc
        instrument = control.instruments[name]
        old = instrument.sweeping.receiver
        instrument.sweeping.rewire(Receiver(old.model, hookup, seed=old.seed))
        return ""

    return act


def _status(control: Control, name: str, argument: str) -> str:
    faults = control.instruments[name].faults.active()
    errors = control.instruments[name].status.error_count
    return f"faults: {', '.join(faults) or 'none'}; errors queued: {errors}"


ORDERS: Mapping[str, Order] = {
    "stop-answering": Order("", "takes everything in, answers nothing", _switch("mute")),
    "late": Order("SECONDS", "answers so much later", _late),
    "cut-block": Order("[COUNT]", "the second half of a trace never comes", _times("cut")),
    "long-block": Order("[COUNT]", "a block with more bytes than it says", _times("long")),
    "half-line": Order("[COUNT]", "any answer stops halfway", _times("half_line")),
    "no-end": Order("[COUNT]", "answers without what marks their end", _times("no_end")),
    "wrong-sum": Order(
        "[COUNT]", "a wrong sum or CRC, in dialects that have one", _times("wrong_sum")
    ),
    "drop": Order("[COUNT]", "hangs up instead of answering", _times("drop")),
    "garbage": Order("[COUNT]", "answers bytes that mean nothing", _times("garbage")),
    "nan": Order("[COUNT]", "traces with 9.91E37 at every tenth point", _times("not_a_number")),
    "points": Order("MORE [COUNT]", "traces of another length than asked for", _points),
    "freeze": Order("", "gives the same trace again and again", _switch("frozen")),
    "cable-off": Order(
        "[DEVICE]",
        "a cable falls off: at the aerial, before that device, or at the input",
        _trouble(Kind.CABLE_OFF),
    ),
    "no-supply": Order(
        "[DEVICE]", "an amplifier of its path passes on as it is", _trouble(Kind.NO_SUPPLY)
    ),
    "grid-off": Order(
        "HZ", "takes start and stop so much higher than told", _error_of("grid_off_hz")
    ),
    "identity": Order("MAKER,MODEL,SERIAL,FIRMWARE", "another answer to *IDN?", _identity),
    "level-error": Order("DB", "reads so much too high", _error_of("level_error_db")),
    "frequency-error": Order("PPM", "shows all so much too high", _error_of("frequency_error_ppm")),
    "errors": Order("COUNT|endless", "spurious entries in the error queue", _errors),
    "hang-up": Order("", "breaks the connections off now", _hang_up),
    "unplug": Order("", "is gone: no port, no link", _unplug),
    "replug": Order("[PATH]", "is back, having lost power; a terminal perhaps elsewhere", _replug),
    "power-cycle": Order("", "restarts: settings lost, power-on bit set", _power_cycle),
    "path": Order("[DEVICE,…]", "other devices before the input", _rewire(source=False)),
    "source-path": Order("[DEVICE,…]", "other devices after the source", _rewire(source=True)),
    "heal": Order("", "behaves again", _heal),
    "status": Order("", "says what is wrong at the moment", _status),
}
"""What an instrument can be told. Counts: 1 where nothing is said, 0 for until healed."""
