"""What a meter is: (state, event) to (state, output), nothing else.

A job's kind has a meter. The station feeds it events in the order in which they happened and
installs the new state only after the archive has committed what came out, so that a failed commit
leaves live and archive alike, and a replay of the same events gives the same (guarantee G4). So:

* ``step`` never changes the state it was given, nor an array of an event;
* it looks at nothing but its arguments: no clock, no random numbers, no files;
* ``dump`` and ``load`` are exact inverses, bit for bit, because a checkpoint is stored in each
  journal and a restart goes on from there.

Times are wall time in seconds since 1970-01-01T00:00:00Z. Levels arrive as float64 in rising order
of frequency, already referred to the job's reference plane by its chain.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector, Grid, LevelUnit, SweepFlag, SweepRequest

__all__ = [
    "Event",
    "Figure",
    "FindingDraft",
    "GapSeen",
    "HourTurned",
    "HourlyFigures",
    "Meter",
    "Output",
    "Pass",
    "SetupChanged",
    "SweepSeen",
]

Figure = float | int | str | bool | None
"""One number or word of a summary. Names carry the unit: ``floor_dbm``, ``width_hz``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupChanged:
    """From here on sweeps are taken another way: grid, settings, sweeper, chain or job config."""

    at_s: float
    setup: str
    grid: Grid
    unit: LevelUnit
    rbw_hz: float | None
    detector: Detector | None
    averages: int | None
    interval_s: float | None
    """Time between due times, None for back to back."""
    sweep_time_s: float | None
    level_accuracy_db: float
    frequency_accuracy_ppm: float = 0.0
    assumed: tuple[str, ...] = ()
    resolution: float | None = None
    """Step of the levels, in their unit, where they come in steps."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSeen:
    """One sweep, at the reference plane. ``level`` is float64 (points,), NaN where flagged."""

    seq: int
    step: int
    due_s: float
    started_s: float
    took_s: float
    level: NDArray[np.float64]
    flags: SweepFlag


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSeen:
    """``count`` due sweeps between ``from_s`` and ``to_s`` that were not taken, and why."""

    from_s: float
    to_s: float
    count: int
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HourTurned:
    """A clock hour of UTC has ended; nothing that started before its end is still to come."""

    hour_start_s: float
    hour_end_s: float


Event = SetupChanged | SweepSeen | GapSeen | HourTurned


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingDraft:
    """Something worth telling. The station numbers it when it is committed.

    ``what`` is one of the meter's stated words (``signal_appeared``); ``text`` is the sentence that
    a watchkeeper would write, without the time; ``figures`` carry units in their names.
    """

    what: str
    at_s: float
    text: str
    seq: int | None = None
    figures: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class HourlyFigures:
    """Figures of one clock hour that outlive the sweeps. ``figures`` is plain JSON data."""

    hour_start_s: float
    figures: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """What one event brought out.

    ``columns`` are the summary's numbers for the archive, one float per name and sweep.
    ``summary`` is the whole summary as plain JSON data, or None for events that make none.
    ``values`` are the bare figures for the ``value/<figure>`` topics, ``channels`` the states that
    changed with this event: channel name to plain JSON data.
    """

    summary: Mapping[str, Any] | None = None
    columns: Mapping[str, float] = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)
    channels: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    findings: tuple[FindingDraft, ...] = ()
    hourly: tuple[HourlyFigures, ...] = ()


S = TypeVar("S")


class Meter(Protocol, Generic[S]):
    """The accumulating part of a kind."""

    def start(self) -> S:
        """The state before any event."""
        ...

    def step(self, state: S, event: Event) -> tuple[S, Output]:
        """The state after ``event`` and what it brought out. Leaves ``state`` as it was."""
        ...

    def dump(self, state: S) -> bytes:
        """``state`` as bytes that :meth:`load` turns back, bit for bit."""
        ...

    def load(self, data: bytes) -> S:
        """The state that :meth:`dump` made ``data`` from.

        Raises:
            ValueError: the bytes are not a state of this meter and version.
        """
        ...


class Pass(Protocol):
    """What one due time of a job asks of the sweeper: a bounded series of requests.

    A generator: it yields a request and is sent the levels of the answer (float64 (points,), or
    None where that request failed), which it may look at before the next. Most kinds yield once.
    """

    def send(self, level: NDArray[np.float64] | None) -> SweepRequest: ...

    def __next__(self) -> SweepRequest: ...
