"""Where a sweeper's driver runs: in a thread of the station, or in a process of its own.

A process survives what a thread cannot (a crash, a call that never lets the interpreter go, a
leak), and costs memory, a start at each opening and a little time a sweep; docs/drivers.md has the
figures. So where a config says nothing the drivers that acqd ships, which are tested with it and
are Python throughout, run in a thread, and anybody else's in a process.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from acqd.drivers.process import Log, ProcessMaker
from acqd.drivers.registry import DriverEntry
from acqd.drivers.worker import MakeWorker, Worker

__all__ = ["SHIPPED", "Isolation", "Way", "isolation_of", "maker_of"]

Way = Literal["thread", "process"]

SHIPPED: Final = frozenset({"acqd", "acqd-iq", "acqd-lines", "acqd-scpi", "acqd-sim"})
"""Distributions whose drivers are trusted not to take the station down."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Isolation:
    """Where a driver runs, and ``why``: the config says so, or whose driver it is."""

    way: Way
    why: str
    target: str = ""
    """``module:class`` of the driver, as its entry point has it."""

    def __str__(self) -> str:
        return f"{self.way}, {self.why}"


def isolation_of(entry: DriverEntry | None, asked: Way | None) -> Isolation:
    """Where the driver of ``entry`` runs; ``asked`` is what the config says, if it does."""
    target = "" if entry is None else entry.target
    if asked is not None:
        return Isolation(way=asked, why="as the config says", target=target)
    if entry is None or entry.distribution.lower().replace("_", "-") in SHIPPED:
        return Isolation(way="thread", why="a driver of acqd's own", target=target)
    why = f"a driver of {entry.distribution}"
    return Isolation(way="process", why=why, target=target)


def maker_of(
    isolation: Isolation, *, log: Log | None = None, hidden: tuple[str, ...] = ()
) -> MakeWorker:
    """Makes who does the driver's calls; ``hidden`` are environment variables with passwords."""
    if isolation.way == "thread":
        return Worker
    return ProcessMaker(target=isolation.target, log=log, hidden=hidden)
