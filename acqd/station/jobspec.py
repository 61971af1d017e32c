"""What a job is to the station: what its config says, turned into objects; and a sweep it took."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from acqd.measure.closerlook_settings import Follows
from acqd.measure.meter import MakePass
from acqd.plan.sharing import PlannedJob
from acqd.station.asks import Around
from acqd.station.conditions import Condition, OnlyWhile
from acqd.station.feed import Feed
from acqd.station.follow import FollowRule
from acqd.station.identities import OnChange
from acqd.station.inputs import InputSafety
from acqd.station.kinds.parts import Foresee, no_foresight
from acqd.station.ptt import PttRule
from acqd.station.reportshelf import ReportRule
from acqd.station.setup import SetupFacts
from acqd.sweep import Capabilities, Sweep, SweepRequest

__all__ = ["JobSpec", "Taken"]


@dataclass(frozen=True, slots=True, kw_only=True)
class JobSpec:
    """One job, ready to run: everything that the config says about it, turned into objects."""

    name: str
    kind: str
    sweeper: str
    request: SweepRequest
    planned: PlannedJob
    feed: Feed
    facts: SetupFacts
    make_pass: MakePass
    safety: InputSafety = field(default_factory=InputSafety)
    guided_pass: MakePass | None = None
    """The pass where somebody is at the bench and can be told what to do; None where it is the
    same."""
    foresee: Foresee = no_foresight
    """What the kind can say before anything is swept, a sentence each."""
    on_change: OnChange = OnChange.GO_ON
    """What it does when another instrument answers."""
    ends: bool = False
    """Whether the job ends by itself, with a verdict."""
    report: ReportRule | None = None
    """What of it is reported when; None where nothing is."""
    ptt: tuple[PttRule, ...] = ()
    """Transmitters near the job's aerial of which is known when they are keyed."""
    flag_while: tuple[Condition, ...] = ()
    """Sweeps during which one of these held are set aside."""
    only_while: tuple[OnlyWhile, ...] = ()
    """The job waits until all of these hold."""
    around: Around | None = None
    """What is asked of the world before and after each pass."""
    follow: tuple[FollowRule, ...] = ()
    """What its findings ask for."""
    carrier_hz: float | None = None
    """Where a carrier job expects its carrier, if the config says."""
    channel_keys: Mapping[str, str] = field(default_factory=dict)
    """Topic levels of the channel plan's channels, by name."""

    @property
    def sets_aside(self) -> tuple[Condition, ...]:
        """Any of these sets a sweep aside: also one that the job waits for, where it is known to
        have been broken."""
        return (*self.flag_while, *(one.condition.contrary() for one in self.only_while))

    @property
    def watched_hz(self) -> float:
        """The frequency that a carrier job watches; of others the middle of their range."""
        if self.carrier_hz is not None:
            return self.carrier_hz
        return (self.request.start_hz + self.request.stop_hz) / 2.0

    @property
    def interval_s(self) -> float | None:
        return self.planned.schedule.every_s

    @property
    def commit_waits_s(self) -> float:
        """How long a pass may wait for others to share its commit: the next one is kept only after
        it, so a job that waited longer would miss its due times."""
        if self.planned.schedule.back_to_back:
            return 0.0
        return math.inf if self.interval_s is None else self.interval_s / 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """One sweep of a pass, as the sweeper's host brought it."""

    sweep: Sweep
    capabilities: Capabilities
    step: int
    due_s: float
    first_of_pass: bool
    context: Mapping[str, float] = field(default_factory=dict)
    """The values beside it that were fresh when it began, by name."""
    follows: Follows | None = None
    """The finding that it was taken for; None for the job's own sweeps."""
