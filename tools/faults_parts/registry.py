"""The faults there are. A family is a module of faults_parts that calls :func:`fault` on functions;
its name stands in :data:`FAMILIES`, and nothing else needs to know it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from importlib import import_module

from faults_parts.bench import FaultBench

__all__ = ["BROKERS", "FAMILIES", "KITS", "Fault", "fault", "faults"]

FAMILIES = (
    *("kills", "brokers", "freezes", "answers", "plugs"),
    *("apart", "damage", "room", "clocks", "outage"),
)
"""Modules of faults_parts with faults, in the order of the table."""

KITS = ("plain", "disk", "clock")
"""See :mod:`faults_parts.kits`. All but the first have the broker ``own``."""

BROKERS = ("own", "local", "embedded")
"""See :class:`faults_parts.bench.FaultBench`."""

Inject = Callable[[FaultBench], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that goes wrong.

    Attributes:
        name: as on the command line.
        does: what happens, in one plain sentence without its full stop.
        guarantees: which of G1 to G8 it puts to the test.
        inject: does it to a bench whose station is up and heard, and returns when it is over;
            what it leaves behind (a dead process, a frozen one) the bench puts up again.
        strikes: what it is done to. Two that strike different things may be mixed, if both
            ``mixes``: those that start the station for what they need do not.
        brokers: on which benches it can be done.
        kit: what the bench has beside the usual, one of :data:`KITS`.
        times: how often in a reduced and in a full run, where ``is_kill`` does not say.
        is_kill: one of the kills of the station, which ``--kills`` are dealt out to by ``share``.
    """

    name: str
    does: str
    guarantees: tuple[str, ...]
    inject: Inject
    strikes: str
    brokers: tuple[str, ...] = BROKERS
    kit: str = "plain"
    mixes: bool = True
    times: tuple[int, int] = (1, 3)
    is_kill: bool = False
    share: float = 1.0


_FOUND: dict[str, Fault] = {}


def fault(
    name: str,
    does: str,
    *,
    guarantees: tuple[str, ...],
    strikes: str,
    brokers: tuple[str, ...] = BROKERS,
    kit: str = "plain",
    mixes: bool = True,
    times: tuple[int, int] = (1, 3),
    is_kill: bool = False,
    share: float = 1.0,
) -> Callable[[Inject], Inject]:
    """Makes a :class:`Fault` of a function of a bench, and lists it."""

    def keep(inject: Inject) -> Inject:
        if name in _FOUND:
            raise ValueError(f"two faults of the name {name}")
        _FOUND[name] = Fault(
            name=name,
            does=does,
            guarantees=guarantees,
            inject=inject,
            strikes=strikes,
            brokers=brokers if kit == "plain" else ("own",),
            kit=kit,
            mixes=mixes,
            times=times,
            is_kill=is_kill,
            share=share,
        )
        return inject

    return keep


def faults() -> Mapping[str, Fault]:
    """All of them by name, family after family."""
    for family in FAMILIES:
        import_module(f"faults_parts.{family}")
    return dict(_FOUND)
