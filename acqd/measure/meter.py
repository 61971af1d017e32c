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

from collections.abc import Callable, Generator, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Generic, Protocol, TypeVar

import numpy as np
from numpy.typing import NDArray

from acqd.measure.checkpoint import ADDED
from acqd.sweep import Detector, Grid, LevelUnit, SweepFlag, SweepRequest

__all__ = [
    "PASS_CUT_SHORT",
    "Answer",
    "Curve",
    "CurveMask",
    "Event",
    "Figure",
    "FindingDraft",
    "GapSeen",
    "HourTurned",
    "HourlyFigures",
    "MakePass",
    "Meter",
    "Output",
    "Pass",
    "PassStep",
    "Reference",
    "Role",
    "SetupChanged",
    "SweepSeen",
]

PASS_CUT_SHORT = "pass cut short"
"""Reason of the gap of no sweeps that ends a pass before its last step."""

Figure = float | int | str | bool | None
"""One number or word of a summary. Names carry the unit: ``floor_dbm``, ``width_hz``."""


class Role(StrEnum):
    """What a reference is the sweep of."""

    THROUGH = "through"
    """Source and input joined where the thing under test goes."""
    OPEN = "open"
    """Nothing on the bridge's test port."""
    SHORT = "short"
    LOAD = "load"
    """A known termination on the bridge's test port."""
    QUIET = "quiet"
    """The sweeper's input terminated: what it makes up by itself."""
    AMBIENT = "ambient"
    """The thing under test off, all else the same."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """A stored sweep that later ones are compared with.

    ``level`` is (points,) on the grid of the setup it came with, at the plane, float64 or complex;
    None where ``differs`` is not empty: then it cannot be used, and each of those sentences says
    why. ``repeatability_db`` is the standard deviation of one of its ``sweeps`` at a point, pooled;
    None from a single sweep.
    """

    role: Role
    at_s: float
    level: NDArray[np.float64] | NDArray[np.complex128] | None
    differs: tuple[str, ...] = ()
    sweeps: int = 1
    repeatability_db: float | None = None
    temperature_c: float | None = None

    @property
    def is_usable(self) -> bool:
        return self.level is not None and not self.differs


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
    step: int = 0
    """Place in its pass of the sweeps that it holds for; each place has a setup of its own."""
    attenuation_db: float | None = None
    """The sweeper's own input attenuation."""
    source_level_dbm: float | None = None
    """Level of the sweeper's source while it tracks; None where it is off."""
    gain_db: NDArray[np.float64] | None = None
    """(points,) gain of the chain from the plane to the input, on the grid."""
    sweeper_accuracy_db: float | None = None
    """The sweeper's part of ``level_accuracy_db`` (half-width)."""
    chain_parts: tuple[tuple[str, float], ...] = ()
    """Name and half-width (k = 2) of each part of the chain."""
    absolute_max_dbm: float | None = None
    range_hz: tuple[float, float] | None = None
    """What the sweeper can sweep at all."""
    points_max: int | None = None
    noise_bandwidth_ratio: float | None = field(default=None, metadata={ADDED: True})
    """Noise bandwidth over ``rbw_hz``; None: nobody stated it, and a Gaussian filter is assumed."""
    attenuation_steps_db: tuple[float, ...] = ()
    """The attenuations that the sweeper has; empty where it has none or does not say."""
    identity: str = ""
    """Who the sweeper says it is, in words."""
    references: Mapping[str, Reference] = field(default_factory=dict)
    """The newest reference of each role that the job has, by role."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepSeen:
    """One sweep, at the reference plane. ``level`` is float64 (points,), NaN where flagged."""

    seq: int
    step: int
    due_s: float
    started_s: float
    took_s: float
    level: NDArray[np.float64]
    """Complex128 where the unit of the setup is :attr:`LevelUnit.RATIO`."""
    flags: SweepFlag
    context: Mapping[str, float] = field(default_factory=dict)
    """Latest values of the context by name; only those that were fresh enough."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSeen:
    """``count`` due sweeps between ``from_s`` and ``to_s`` that were not taken, and why.

    One of none and the reason :data:`PASS_CUT_SHORT` says that the rest of the pass under way will
    not come.
    """

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
class CurveMask:
    """A limit on a curve from ``start_hz`` to ``stop_hz``, one frequency where they are the same.

    ``side`` is where the curve has to be: ``below`` or ``above`` the ``limit``, in ``unit``.
    """

    name: str
    start_hz: float
    stop_hz: float
    limit: float
    side: str
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """A figure over rising frequencies, both (points,), NaN where there is none; and its limits."""

    figure: str
    unit: str
    frequency_hz: NDArray[np.float64]
    values: NDArray[np.float64]
    masks: tuple[CurveMask, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Output:
    """What one event brought out.

    ``columns`` are the summary's numbers for the archive, one float per name and sweep.
    ``summary`` is the whole summary as plain JSON data, or None for events that make none; it has
    ``stored``, ``due`` and ``coverage`` of the running hour beside what its kind has.
    ``values`` are the bare figures for the ``value/<figure>`` topics, ``channels`` the states that
    changed with this event: channel name to plain JSON data.
    """

    summary: Mapping[str, Any] | None = None
    columns: Mapping[str, float] = field(default_factory=dict)
    values: Mapping[str, float] = field(default_factory=dict)
    channels: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    findings: tuple[FindingDraft, ...] = ()
    hourly: tuple[HourlyFigures, ...] = ()
    verdict: Mapping[str, Any] | None = None
    """The verdict that this event brought, as plain JSON data: the fields of a verdict
    message but for station, job and run."""
    curve: Curve | None = field(default=None, compare=False)
    """What a sweep shows over frequency, for who looks on. It is neither stored nor compared."""


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


@dataclass(frozen=True, slots=True, kw_only=True)
class PassStep:
    """One sweep that a pass asks for. ``step`` is its place; due are the sweeps of step 0."""

    request: SweepRequest
    step: int = 0
    say: str = ""
    """What the person at the bench is to do now, where somebody is there (``acqd once``)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What came of a step: the event of its setup, and the sweep as the meter will see it."""

    setup: SetupChanged
    sweep: SweepSeen


Pass = Generator[PassStep, Callable[[], Answer], None]
"""What one due time of a job asks of the sweeper: a bounded series of steps.

It yields a step and is sent a function that makes the answer, for those that look at it before
they ask for the next. A step that fails ends the pass: the generator is closed, and the meter is
told with a gap; so it is where the station stops. A sweep of step 0 always begins a pass. Most
kinds ask once.
"""

MakePass = Callable[[SweepRequest, int], Pass]
"""A pass of the job's request, for so many due sweeps."""
