"""What is said over MQTT: one model per message, validated when it is built.

All payloads but the bare values are JSON objects in UTF-8. What they share:

* ``schema`` names message and version (``summary/1``). The number goes up when a field is taken
  away or changes its meaning; new optional fields do not change it.
* ``station``, ``job`` where there is one, and ``run_id``, which is new at each start.
* ``seq`` where a sweep is meant. With the job it finds that sweep in the archive, for ever:
  a message that names a sweep is only sent after the sweep was committed (guarantee G1).
* A time stands twice: as RFC 3339 text in UTC for people and for JavaScript (``at``), and as
  seconds since 1970-01-01T00:00:00Z (``at_s``).
* Numbers are finite; null stands where there is no number.

The parts that the kinds make stand in modules of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import (
    BaseModel,
    ConfigDict,
    Field,
    model_validator,
)
from pydantic_core import to_json

from acqd.publish.band import BandSignal, BandSummary
from acqd.publish.carrier import CarrierSummary
from acqd.publish.commands import Command, CommandId, CommandVerb
from acqd.publish.emission import EmissionSummary
from acqd.publish.health import Health
from acqd.publish.parts import (
    Count,
    Figure,
    Fraction,
    Level,
    Number,
    Part,
    Text,
    TimeText,
    Unit,
    VerdictWord,
)
from acqd.publish.reflection import ReflectionSummary
from acqd.publish.soak import SoakSummary
from acqd.publish.transmission import TransmissionSummary

__all__ = [
    "HEARD",
    "MESSAGES",
    "BandSignal",
    "BandSummary",
    "CatchUp",
    "ChannelOccupancy",
    "ChannelState",
    "Command",
    "CommandAnswer",
    "Figure",
    "Finding",
    "Health",
    "JobState",
    "Message",
    "Occupancy",
    "ReportMade",
    "StationStatus",
    "Summary",
    "SweeperIdentity",
    "SweeperState",
    "Trace",
    "TraceCurve",
    "TraceMask",
    "Verdict",
    "VerdictJudgement",
    "rfc3339",
    "value_payload",
]

Kind = Literal["band", "emission", "transmission", "reflection", "carrier"]
KINDS: tuple[str, ...] = get_args(Kind)
PARTS = (*KINDS, "soak")
"""Of a summary; one that is not there is left out."""
CURVE = ("curve", "mask")
"""Of a trace; where its kind has no curve both are left out."""


def rfc3339(at_s: float) -> str:
    """``at_s`` seconds since 1970-01-01T00:00:00Z as RFC 3339 text in UTC, to the millisecond."""
    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def value_payload(value: float) -> bytes:
    """A bare number as text, for the ``value/<figure>`` topics; shortest form that reads back.

    Raises:
        ValueError: not finite; there is no such number in JSON.
    """
    if value - value != 0.0:
        raise ValueError(f"a value must be finite, got {value}")
    return repr(float(value)).encode("ascii")


class Message(BaseModel):
    """What all messages share. Each is built when it is first used: most stations need few."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        allow_inf_nan=False,
        populate_by_name=True,
        use_attribute_docstrings=True,
        defer_build=True,
    )

    station: Level
    run_id: Annotated[str, Field(min_length=1, max_length=64)]

    def to_json(self) -> bytes:
        """The payload."""
        return self.__pydantic_serializer__.to_json(self, by_alias=True)

    @classmethod
    def json_of(cls, fields: Mapping[str, Any]) -> bytes:
        """The payload that a message of ``fields`` has, all of them given, **without validation**.

        A number that is not finite becomes null. For what is said so often that it counts, by
        those whose tests show that the model takes it.
        """
        schema = cls.model_fields["schema_"].default
        return to_json({"schema": schema, **fields}, inf_nan_mode="null")


class StationStatus(Message):
    """Whether the station is there.

    The broker holds one of these with ``offline`` as the last will and publishes it when the
    connection ends without a goodbye; its ``at`` is then the time it was lodged, not of the loss.
    """

    schema_: Literal["status/1"] = Field(default="status/1", alias="schema")
    state: Literal["online", "offline"]
    reason: Text = ""
    at: TimeText
    at_s: float
    since: TimeText
    """Start of this run."""
    since_s: float
    version: str
    sweepers: tuple[Level, ...] = ()
    jobs: tuple[Level, ...] = ()
    health: Health | None = None


class SweeperIdentity(Part):
    """Who a sweeper says it is; empty where it does not say."""

    maker: str = ""
    model: str = ""
    serial_number: str = ""
    firmware: str = ""
    location: str = ""
    doubtful: bool = False
    """The serial number is missing, all zeros or all ones."""


class SweeperState(Message):
    """Whether a sweeper is there. ``busy``: another program holds its port."""

    schema_: Literal["sweeper/1"] = Field(default="sweeper/1", alias="schema")
    sweeper: Level
    driver: str = ""
    state: Literal["present", "away", "busy", "fault"]
    since: TimeText
    since_s: float
    identity: SweeperIdentity | None = None
    last_error: Text | None = None
    isolation: Literal["thread", "process", ""] = ""
    """Where its driver runs; empty where nobody says."""
    driver_died: Count = 0
    """How often the driver's process ended by itself, in this run."""
    driver_stuck: Count = 0
    """How often a call of the driver had to be given up, in this run."""
    driver_hanging: Count = 0
    """Threads of the driver that hang and cannot be ended; with three the sweeper is out."""


class JobState(Message):
    """What a job is doing. ``coverage`` is stored over due sweeps of the running UTC hour.

    ``deaf``: it sweeps, and the sweeps say that nobody hears; ``since`` is when it last surely did.
    """

    schema_: Literal["state/1"] = Field(default="state/1", alias="schema")
    job: Level
    kind: str
    sweeper: Level
    state: Literal["listening", "deaf", "idle", "paused", "waiting for its sweeper"]
    reason: Text = ""
    since: TimeText
    since_s: float
    last_finding: Count = 0
    """Number of the job's newest finding; 0 where there is none."""
    finding: Text = ""
    """What it says; empty where none came in this run."""
    finding_at: TimeText | None = None
    finding_at_s: float | None = None
    last_seq: Count = 0
    due: Count = 0
    stored: Count = 0
    coverage: Fraction | None = None
    """None where nothing was due yet."""


class Summary(Message):
    """The numbers made from one sweep of a pass. The object named as ``kind`` holds them."""

    schema_: Literal["summary/1"] = Field(default="summary/1", alias="schema")
    job: Level
    seq: Number
    pass_id: Number
    """``seq`` of the first sweep of the pass."""
    step: Count = 0
    """Place of the sweep in its pass."""
    kind: Kind
    at: TimeText
    """Start of the sweep."""
    at_s: float
    took_s: Annotated[float, Field(ge=0.0)]
    unit: Unit
    sweeper: Level
    setup: str
    """Digest of what makes sweeps comparable."""
    flags: tuple[str, ...] = ()
    band: BandSummary | None = None
    emission: EmissionSummary | None = None
    transmission: TransmissionSummary | None = None
    reflection: ReflectionSummary | None = None
    carrier: CarrierSummary | None = None
    soak: SoakSummary | None = None
    """Where the job is a soak: how far it is."""

    def to_json(self) -> bytes:
        """The payload; the parts that it has not are left out."""
        absent = {part for part in PARTS if getattr(self, part) is None}
        return self.__pydantic_serializer__.to_json(self, by_alias=True, exclude=absent)

    @model_validator(mode="after")
    def _has_its_part(self) -> Self:
        given = {kind for kind in KINDS if getattr(self, kind) is not None}
        if given != {self.kind}:
            raise ValueError(f"a summary of kind {self.kind} with the parts {sorted(given)}")
        return self


class VerdictJudgement(Part):
    """One figure beside one limit."""

    figure: Text
    """Name of the figure, or what it is."""
    value: float | None
    unit: str
    bound: Literal["at least", "at most"] | None = None
    limit: float | None
    side: Literal["below", "above"] | None = None
    """On which side of the limit it has to be."""
    expanded: float | None
    """Uncertainty U at k = 2, in the unit."""
    verdict: VerdictWord
    text: Text
    seq: Number | None = None
    """The sweep that it rests on."""


class Verdict(Message):
    """The outcome of a soak, or of a pass of a job with limits. The newest is retained."""

    schema_: Literal["verdict/1"] = Field(default="verdict/1", alias="schema")
    job: Level
    kind: Kind
    of: Literal["soak", "pass"]
    """A soak as a whole, or one pass."""
    verdict: VerdictWord
    text: Text
    at: TimeText
    """End of the last sweep that it rests on."""
    at_s: float
    since: TimeText
    """Start of the first of them."""
    since_s: float
    first_seq: Number | None = None
    last_seq: Number | None = None
    coverage: Fraction | None = None
    against: tuple[Text, ...] = ()
    """Limit profiles with their editions. Local rules prevail over any of them."""
    judgements: Annotated[tuple[VerdictJudgement, ...], Field(max_length=200)] = ()


class ReportMade(Message):
    """A report lies in the folder ``reports`` of the station's archive. The newest is retained."""

    schema_: Literal["report/1"] = Field(default="report/1", alias="schema")
    job: Level
    at: TimeText
    """When it was made."""
    at_s: float
    from_: TimeText = Field(alias="from")
    """The time that it is about."""
    from_s: float
    to: TimeText
    to_s: float
    file: Annotated[str, Field(pattern=r"^[a-z0-9_-]{1,64}\.html$")]
    """Its name, without a folder."""
    bytes: Count
    sha256: Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
    title: Text
    """Of the job."""
    headline: Text = ""
    """What the report says of the job first; empty where it does not say."""


class TraceCurve(Part):
    """What a job measures over frequency, with fewer points that keep the extremes of both sides.

    ``frequency_hz`` is null where the values lie evenly from ``start_hz`` to ``stop_hz``.
    """

    figure: Text
    """``insertion loss`` relative to the through, or ``return loss``; both positive."""
    unit: Text
    start_hz: float
    stop_hz: float
    frequency_hz: tuple[float, ...] | None = None
    values: tuple[float | None, ...]


class TraceMask(Part):
    """A limit on the curve over a range, or at one frequency where start and stop are the same."""

    name: Text
    start_hz: float
    stop_hz: float
    limit: float
    side: Literal["below", "above"]
    """Where the curve has to be."""
    unit: Text


class Trace(Message):
    """A sweep at the reference plane, with fewer points that keep its peaks.

    Each value is the highest level of a run of neighbouring points, at the frequency where it was
    read. ``frequency_hz`` is null where the values lie evenly from ``start_hz`` to ``stop_hz``.
    Where ``unit`` is "1" the sweeper gives ratios, and the levels are their magnitudes in dB.
    """

    schema_: Literal["trace/1"] = Field(default="trace/1", alias="schema")
    job: Level
    seq: Number
    step: Count = 0
    at: TimeText
    at_s: float
    unit: Unit
    start_hz: float
    stop_hz: float
    points: Count
    source_points: Count
    """Points of the sweep it was made from."""
    frequency_hz: tuple[float, ...] | None = None
    level: tuple[float | None, ...]
    curve: TraceCurve | None = None
    """Where the kind has one: what it measured in this sweep. Left out where it has none."""
    mask: Annotated[tuple[TraceMask, ...], Field(max_length=200)] | None = None
    """The limits on the curve; with it."""

    def to_json(self) -> bytes:
        """The payload; without a curve neither it nor its mask is in it."""
        absent = set(CURVE) if self.curve is None else set()
        return self.__pydantic_serializer__.to_json(self, by_alias=True, exclude=absent)


class Finding(Message):
    """Something worth telling. Numbers count from 1 without gaps per job.

    Findings about the station itself have no job and numbers of their own.
    """

    schema_: Literal["finding/1"] = Field(default="finding/1", alias="schema")
    job: Level | None = None
    number: Number
    what: Annotated[str, Field(pattern=r"^[a-z0-9_]{1,64}$")]
    """One of a kind's stated words: signal_appeared, sweeper_lost."""
    at: TimeText
    at_s: float
    text: Text
    seq: Number | None = None
    figures: dict[str, Figure] = Field(default_factory=dict)


class CatchUp(Message):
    """Findings that will not be sent any more: fetch ``first`` to ``last`` from the archive."""

    schema_: Literal["catch-up/1"] = Field(default="catch-up/1", alias="schema")
    job: Level | None = None
    first: Number
    last: Number
    count: Number
    reason: Literal["outage outlasted the outbox", "refused by the broker"]
    at: TimeText
    at_s: float


class ChannelOccupancy(Part):
    """FCO of one channel: busy visits over visits, with the interval it lies in."""

    channel: Level
    name: str
    visits: Count
    busy: Count
    fco: Fraction | None
    fco_low: Fraction | None
    fco_high: Fraction | None
    fco_dependent_low: Fraction | None = None
    """The same interval for visits that hang together, as those of one call do."""
    fco_dependent_high: Fraction | None = None
    total_fco: Fraction | None = None
    """Over all that the job has watched."""
    total_dependent_low: Fraction | None = None
    total_dependent_high: Fraction | None = None
    hours_more_for_10_percent: Annotated[float, Field(ge=0.0)] | None = None
    """How much longer to watch until the total is known to a tenth of itself (95 %)."""
    busy_hour_fco: Fraction | None = None
    """FCO of the busiest 60 minutes of the UTC day so far."""
    busy_hour_from_s: float | None = None


class Occupancy(Message):
    """Occupancy of one UTC hour (words of Rec. ITU-R SM.1880): FCO, FBO, SRO as shares 0..1.

    None stands where nothing was swept. ``coverage`` is stored over due sweeps.
    """

    schema_: Literal["occupancy/1"] = Field(default="occupancy/1", alias="schema")
    job: Level
    hour_start: TimeText
    hour_start_s: float
    hour_end: TimeText
    hour_end_s: float
    due: Count
    stored: Count
    coverage: Fraction | None
    confidence: Fraction = 0.95
    """Of the intervals."""
    fbo: Fraction | None
    sro: Fraction | None
    busy_hour_sro: Fraction | None = None
    busy_hour_from_s: float | None = None
    channels: tuple[ChannelOccupancy, ...] = ()


class ChannelState(Message):
    """Whether a channel is busy, free, or nobody can tell."""

    schema_: Literal["channel/1"] = Field(default="channel/1", alias="schema")
    job: Level
    channel: Level
    name: str
    state: Literal["busy", "free", "unknown"]
    since: TimeText
    since_s: float
    last_heard: TimeText | None = None
    last_heard_s: float | None = None
    level: float | None = None
    unit: Unit
    seq: Number


class CommandAnswer(Message):
    """What became of a command: ``done``, ``refused``, or ``done before``, which is not done again.

    A command that cannot be read, is retained, or comes too often is not answered.
    """

    schema_: Literal["command-answer/1"] = Field(default="command-answer/1", alias="schema")
    id: CommandId
    """Of the command."""
    verb: CommandVerb
    job: Level
    outcome: Literal["done", "refused", "done before"]
    text: Text
    at: TimeText
    at_s: float


MESSAGES: tuple[type[Message], ...] = (
    StationStatus,
    SweeperState,
    JobState,
    Summary,
    Trace,
    Finding,
    CatchUp,
    Occupancy,
    ChannelState,
    Verdict,
    ReportMade,
    CommandAnswer,
)
"""Every JSON message that a station says, by the names that the table of topics uses."""

HEARD: tuple[type[Command], ...] = (Command,)
"""Those that it hears."""
