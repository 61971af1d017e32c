"""Carries out SCPI messages on an instrument: bytes in, bytes out, no I/O.

``run`` is a generator: it yields the steady time it has to wait for (``*OPC?``, ``*WAI`` and a
first trace in continuous mode) and returns the answer. Whoever runs it sleeps, or drops it when the
query is interrupted.
"""

from __future__ import annotations

from collections.abc import Generator, Mapping
from functools import lru_cache

from acqd.errors import RequestRefused
from acqd_sim.commands import COMMANDS
from acqd_sim.grammar import ScpiError, expand, header_key, resolve, split_units, unit_of
from acqd_sim.instrument import Instrument
from acqd_sim.shapes import Command

__all__ = ["Waits", "command_index", "run"]

Waits = Generator[float, None, bytes]
"""Yields steady times to wait for, returns the answer (empty where there is none)."""


@lru_cache(maxsize=1)
def command_index() -> Mapping[tuple[str, ...], Command]:
    """Every way to write every header, and its command."""
    return {key: command for command in COMMANDS for key in expand(command.pattern)}


def run(instrument: Instrument, message: bytes) -> Waits:
    """Carry out one program message, without its terminator."""
    instrument.answers = []
    path: tuple[str, ...] = ()
    indefinite = False
    try:
        units = split_units(message.decode("ascii"))
    except UnicodeDecodeError:
        instrument.status.report(ScpiError(-101))
        return b""
    except ScpiError as exc:
        instrument.status.report(exc)
        return b""
    for text in units:
        try:
            unit = unit_of(text)
            nodes, path = resolve(unit, path)
            command = command_index().get(header_key(nodes))
            action = command.action(query=unit.query) if command is not None else None
            if command is None or action is None:
                raise ScpiError(-113, ":".join(nodes)[:60] + ("?" if unit.query else ""))
            if unit.query and indefinite:
                raise ScpiError(-440)
            instrument.settle()
            answer = yield from action(instrument, unit.parameters)
            if answer is not None:
                instrument.answers.append(answer)
            indefinite = indefinite or (unit.query and command.indefinite)
        except RequestRefused as exc:
            instrument.status.report(ScpiError(-222, str(exc)))
        except ScpiError as exc:
            instrument.status.report(exc)
            if -200 < exc.code <= -100:
                # IEEE 488.2: what follows a command error in a message is thrown away
                break
    return b";".join(instrument.answers)
