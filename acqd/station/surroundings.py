"""What a station stands in, where that is not the world: who takes its messages, who may ask."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from acqd.alerts.news import Listener
from acqd.drivers.plugged import Machine
from acqd.publish.outbox import Outbox
from acqd.station import livepage
from acqd.station.reporting import PROGRAM
from acqd.station.tell import Messenger
from acqd.station.watchdog import Ear

__all__ = ["STOP_S", "Surroundings"]

STOP_S = 1.6
"""For all of a stop: the process has ended two seconds after it was asked to."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Surroundings:
    """The world, unless something else is said."""

    messenger: Callable[[Outbox], Messenger] | None = None
    """Makes what takes the messages, in the place of a client of the config's broker."""
    takes_commands: bool = True
    """Whether commands of the station's user are listened to."""
    asks_the_world: bool = True
    """Whether anybody is asked before and after passes; else the world is taken to be ready."""
    report_program: tuple[str, ...] = PROGRAM
    """What makes the reports that jobs ask for; empty where none are to be made."""
    page_program: tuple[str, ...] = livepage.PROGRAM
    """What serves the live page; empty where none is to be served."""
    is_kept: bool = True
    """Whether what is committed must outlast a power cut (G1)."""
    machine: Machine | None = field(default_factory=Machine)
    """Where serial ports and USB devices are listed; None where nobody looks at any."""
    listeners: tuple[Listener, ...] = ()
    """Who else is told what is noticed, each from the station's loop."""
    ear: Ear | None = None
    """The service manager that started the station, where one did and listens."""
    stop_s: float = STOP_S
    """For all of a stop, in real seconds; what is not sealed by then waits for the next start."""
