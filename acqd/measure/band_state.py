"""The state of a band meter: frozen values and arrays that nobody writes to.

Every step makes new ones of what it changes and shares the rest. :mod:`acqd.measure.checkpoint`
turns a state into bytes and back; what is only derived (``work``) is made anew on loading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_check import LookedAt
from acqd.measure.band_ears import Ears, fresh_ears
from acqd.measure.band_levels import Levels
from acqd.measure.band_visits import (
    LongRun,
    Moves,
    Slots,
    Visit,
    fresh_long_run,
    fresh_moves,
    fresh_slots,
)
from acqd.measure.band_work import BandSetup, BandWork
from acqd.measure.band_zero import ZeroSpan
from acqd.measure.checkpoint import ADDED, DERIVED
from acqd.measure.floor import Learning
from acqd.measure.meter import HourlyFigures
from acqd.measure.tracking import Flap, Track
from acqd.measure.trial import Block, OpenBlock
from acqd.sweep import LevelUnit

__all__ = [
    "BandState",
    "ChannelStates",
    "CheckSeen",
    "CheckSetup",
    "FloorWatch",
    "Hold",
    "HourSums",
    "NoiseSeen",
    "Residual",
    "Sure",
    "Suspect",
    "TrialSeen",
    "Turned",
    "fresh_hour",
    "fresh_state",
    "thinned",
]

FLOORS_LIMIT = 512
"""Most floors of an hour that are kept for its median; beyond it they are thinned evenly."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseSeen:
    """What the spread of the noise has shown since the setup changed.

    ``mean`` is the mean spread of ``count`` sweeps; ``used`` the one that the work in hand was made
    with (NaN before any).
    """

    sweeps: int = 0
    count: int = 0
    mean: float = math.nan
    used: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class FloorWatch:
    """Whether the floor stepped: the last floors, the level it is held against, and a step that
    has to prove itself for ``waiting`` more sweeps."""

    recent: tuple[float, ...] = ()
    recent_s: tuple[float, ...] = ()
    reference: float = math.nan
    waiting: int = 0
    onset_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelStates:
    """Per channel of the plan, float64 or bool (channels,). NaN where there is nothing yet."""

    up_since_s: NDArray[np.float64]
    busy: NDArray[np.bool_]
    heard_s: NDArray[np.float64]
    heard_level: NDArray[np.float64]
    up: int = 0
    """How many channels are above their threshold, busy or still to prove their duration."""
    known: bool = True
    """False while nobody hears: then none is known to be busy or free, since ``unknown_s``."""
    unknown_s: float = math.nan

    @classmethod
    def none_yet(cls, channels: int) -> ChannelStates:
        nothing = np.full(channels, np.nan)
        return cls(
            up_since_s=nothing,
            busy=np.zeros(channels, dtype=np.bool_),
            heard_s=nothing,
            heard_level=nothing,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Hold:
    """Largest, smallest and summed level of a clock hour, each (points,), since ``from_s``.

    ``total`` sums powers (re 0 dB), on a scale without decibels the levels. ``missing`` counts per
    point the sweeps without a level there, None while there was none.
    """

    from_s: float
    sweeps: int
    largest: NDArray[np.float64]
    smallest: NDArray[np.float64]
    total: NDArray[np.float64]
    missing: NDArray[np.int64] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Residual:
    """A residual response of the sweeper in the running hour: in how many sweeps, how strong."""

    peak_hz: float
    peak: float
    sweeps: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialSeen:
    """On and off trial and ambient comparison: blocks so far, the one under way, and the sweeps of
    the hour (as a block that nothing ends)."""

    blocks: tuple[Block, ...] = ()
    dropped: int = 0
    """Older blocks than are kept."""
    open: OpenBlock | None = None
    hour: OpenBlock | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSetup:
    """How the check sweep of a pass is taken."""

    attenuation_db: float | None
    frequency_hz: NDArray[np.float64]
    unit: LevelUnit
    rbw_hz: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """A signal that checks say is made inside the sweeper, so many of them one after the other."""

    channel: int
    peak_hz: float
    checks: int
    since_s: float
    told: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckSeen:
    """Overload checks: how the check sweep is taken, the sweep before it, what it said so far.
    ``checks`` and ``counts`` (by origin, in the order of Origin) are of the running hour."""

    setup: CheckSetup | None = None
    before: LookedAt | None = None
    suspects: tuple[Suspect, ...] = ()
    checks: int = 0
    counts: tuple[int, ...] = (0, 0, 0, 0, 0)


@dataclass(frozen=True, slots=True, kw_only=True)
class HourSums:
    """What has been counted since the turn of the hour.

    ``deaf`` sweeps came while nobody heard, ``learning`` sweeps while the floor was not known yet.
    ``visits`` sweeps looked at all channels but for ``unseen`` visits of each; ``hits`` and
    ``hits_any`` are without and with what a strong neighbour explains. ``cells`` of the band were
    judged, ``cells_above`` of them lay above the threshold.
    """

    stored: int = 0
    repeated: int = 0
    transmitting: int = 0
    set_aside: int = field(default=0, metadata={ADDED: True})
    overload: int = 0
    not_finite: int = 0
    learning: int = 0
    deaf: int = 0
    visits: int = 0
    hits: NDArray[np.int64]
    hits_any: NDArray[np.int64]
    unseen: NDArray[np.int64]
    peak: NDArray[np.float64]
    moves: Moves
    levels: Levels = field(default_factory=Levels)
    residuals: tuple[Residual, ...] = ()
    zero: ZeroSpan = field(default_factory=ZeroSpan)
    cells: int = 0
    cells_above: int = 0
    floors: tuple[float, ...] = ()
    floor_stride: int = 1
    floor_seen: int = 0
    floor_low: float = math.inf
    floor_high: float = -math.inf
    longest_revisit_s: float = 0.0
    longest_unseen_s: float = 0.0
    """Longest time from a visit's begin to the end of the next, to any frequency."""
    dropped: int = 0


def fresh_hour(channels: int) -> HourSums:
    """Nothing counted yet."""
    zeros = np.zeros(channels, dtype=np.int64)
    return HourSums(
        hits=zeros,
        hits_any=zeros,
        unseen=zeros,
        peak=np.full(channels, np.nan),
        moves=fresh_moves(channels),
    )


def thinned(floors: tuple[float, ...], stride: int) -> tuple[tuple[float, ...], int]:
    """``floors`` within the limit: every second one and a stride twice as long where too many."""
    if len(floors) < FLOORS_LIMIT:
        return floors, stride
    return floors[::2], stride * 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A clock hour that turned while nobody knew whether the job heard: what was stored in it, all
    that seemed to have listened as ``deaf``, what was missed, and what its overload checks said."""

    hour_start_s: float
    hour_end_s: float
    counts: HourSums
    missed: int
    checks: int = field(default=0, metadata={ADDED: True})
    check_counts: tuple[int, ...] = field(default=(0, 0, 0, 0, 0), metadata={ADDED: True})


@dataclass(frozen=True, slots=True, kw_only=True)
class Sure:
    """The sums as they were when the job last surely heard, in the sweep that began at ``at_s``;
    ``turned`` are the hours that have turned since."""

    at_s: float
    hour: HourSums
    hold: Hold | None
    slots: Slots
    long_run: LongRun
    watch: FloorWatch
    trial: TrialSeen
    unseen_before_s: float
    turned: tuple[Turned, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BandState:
    """All that a band meter knows. ``channel_names`` are those that the arrays are in order of."""

    channel_names: tuple[str, ...]
    setup: BandSetup | None = None
    learning: Learning | None = None
    shape: NDArray[np.float64] | None = None
    """The learnt floor less its median, (points,); None while flat or learning."""
    noise: NoiseSeen = NoiseSeen()
    watch: FloorWatch = FloorWatch()
    tracks: tuple[Track, ...] = ()
    next_track: int = 1
    flaps: tuple[Flap, ...] = ()
    channels: ChannelStates
    hour: HourSums
    visit: Visit | None = None
    """The last one; None where the next is not to be paired with it."""
    slots: Slots
    long_run: LongRun
    trial: TrialSeen = TrialSeen()
    check: CheckSeen = CheckSeen()
    hold: Hold | None = None
    missed: tuple[tuple[int, int], ...] = ()
    """Due sweeps not taken: (clock hour as seconds since the epoch / 3600, count), rising."""
    heard_s: float = math.nan
    """Start of the last sweep that heard; NaN before any, and while learning."""
    point_heard_s: NDArray[np.float64] | None = None
    """The same for each point, (points,), where the last one had missing levels; else None."""
    unseen_before_s: float = 0.0
    """``longest_unseen_s`` of the clock hour before."""
    unwatched_s: float = 0.0
    """Time in gaps, and unaccounted for, since the last sweep that heard."""
    ears: Ears
    sure: Sure | None = None
    """What to go back to where the witnesses stay silent; None while one was just heard."""
    sure_levels: Sure | None = None
    """What to go back to where the floor stays low, or the levels the same."""
    corrections: tuple[HourlyFigures, ...] = ()
    """Figures of hours that turned before it was known that nobody heard, for the next hour."""
    work: BandWork | None = field(default=None, compare=False, repr=False, metadata={DERIVED: True})


def fresh_state(channel_names: tuple[str, ...], *, witnesses: int = 0) -> BandState:
    """Nothing known yet."""
    channels = len(channel_names)
    return BandState(
        channel_names=channel_names,
        channels=ChannelStates.none_yet(channels),
        ears=fresh_ears(channels, witnesses),
        hour=fresh_hour(channels),
        slots=fresh_slots(channels),
        long_run=fresh_long_run(channels),
    )
