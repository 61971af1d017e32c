"""What a job is to the station: what its config says, turned into objects; and a sweep it took."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from acqd.measure.meter import MakePass
from acqd.plan.sharing import PlannedJob
from acqd.station.feed import Feed
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
    channel_keys: Mapping[str, str] = field(default_factory=dict)
    """Topic levels of the channel plan's channels, by name."""

    @property
    def interval_s(self) -> float | None:
        return self.planned.schedule.every_s


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
