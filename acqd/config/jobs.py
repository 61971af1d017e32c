"""The ``[job.NAME]`` tables: what to sweep, when, and what to make of it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from typing import Annotated, Any, ClassVar, Literal

from cronsim import CronSim, CronSimError
from pydantic import AfterValidator, BeforeValidator, Field

from acqd.config.around import AfterTable, BeforeTable
from acqd.config.band import DEFAULT_FALSE_ALARM, BandTable
from acqd.config.bench import SourceTable, TransmitterTable
from acqd.config.carrier import CarrierTable
from acqd.config.conditions import FlagWhile, OnlyWhile
from acqd.config.emission import EmissionTable
from acqd.config.on_finding import OnFindingTable, misfits_of_looks
from acqd.config.problems import near_miss
from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FRACTION,
    FREQUENCY,
    Frequency,
    Level,
    Quantity,
    format_quantity,
    refusal,
)
from acqd.config.reflection import ReflectionTable
from acqd.config.report import ReportWish
from acqd.config.soak import SoakTable
from acqd.config.tables import (
    Count,
    DetectorName,
    ExactlyOne,
    KeyRule,
    Misfit,
    Switch,
    Table,
)
from acqd.config.transmission import TransmissionTable
from acqd.config.witness import WitnessTable, misfits_of_witnesses
from acqd.measure.finding_words import FINDING_WORDS
from acqd.plan.schedule import DuskToDawn, Schedule, Window, window_from_text
from acqd.sweep import SourceRequest, SweepRequest

__all__ = ["DEFAULT_FALSE_ALARM", "KINDS", "BandTable", "JobTable", "WhenTable"]

KINDS = ("band", "emission", "transmission", "reflection", "carrier")
"""What a job can make of its sweeps."""

SOURCE_KINDS = ("transmission", "reflection")
"""Kinds that measure with the sweeper's own source; scalar or vector."""

MOST_POINTS = 1_000_000
"""Points of one sweep: 8 MB a copy in float64. Nobody has asked for more."""

MOST_WINDOWS = 64
"""As many as the plan takes."""

_WINDOW = 'two times of day with .. between them, "21:00..06:00" or "dusk..dawn", or a list of such'

PositiveFrequency = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]
PositiveDuration = Annotated[float, Quantity(dimension=DURATION, above="0 s")]


def _window(given: object) -> str:
    try:
        window_from_text(given if isinstance(given, str) else "")
    except ValueError as exc:
        problem = str(exc) if isinstance(given, str) else "not a text"
        raise refusal(f"not a window: {problem}", accepted=_WINDOW) from exc
    return "".join(str(given).lower().split())


def _as_list(given: object) -> object:
    return [given] if isinstance(given, str) else given


def _local_date(given: object) -> date:
    accepted = 'a date of the station\'s own time zone, such as "2026-03-14"'
    if isinstance(given, date) and not isinstance(given, datetime):
        return given
    try:
        return date.fromisoformat(given if isinstance(given, str) else "")
    except ValueError as exc:
        raise refusal("not a date", accepted=accepted) from exc


def _cron(text: str) -> str:
    accepted = 'minute, hour, day of month, month and day of week, such as "*/15 21-23 * * mon-fri"'
    if len(text.split()) != 5:
        raise refusal(f"{len(text.split())} fields where 5 belong", accepted=accepted)
    try:
        # Any time will do: the fields are read, and combinations that never come are refused.
        next(CronSim(text, datetime(2026, 1, 1)))
    except (CronSimError, StopIteration) as exc:
        raise refusal(
            f"not a cron expression: {exc or 'it never comes'}", accepted=accepted
        ) from exc
    return " ".join(text.split())


LocalDate = Annotated[date, BeforeValidator(_local_date)]


class WhenTable(Table):
    """``[job.NAME.when]``: the rhythm of a job and the time in which it holds."""

    every_s: (
        Annotated[float, Quantity(dimension=DURATION, at_least="10 ms", at_most="31 d")] | None
    ) = Field(default=None, alias="every")
    cron: Annotated[str, AfterValidator(_cron)] | None = None
    back_to_back: Switch = False
    window: Annotated[
        tuple[Annotated[str, BeforeValidator(_window)], ...],
        BeforeValidator(_as_list),
        Field(max_length=MOST_WINDOWS),
    ] = ()
    from_date: LocalDate | None = Field(default=None, alias="from")
    until_date: LocalDate | None = Field(default=None, alias="until")
    burst: Annotated[Count, Field(ge=1, le=1000)] = 1

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne(
            (("every",), ("cron",), ("back_to_back",)),
            "nothing says how often the job is due",
        ),
    )

    def misfits(self) -> Iterator[Misfit]:
        if self.every_s is None and self.cron is None and not self.back_to_back:
            yield Misfit(
                key="back_to_back",
                problem="never due: `back_to_back` is false and there is nothing else",
                accepted="back_to_back = true, or `every`, or `cron`",
            )
        if self.back_to_back and self.burst != 1:
            yield Misfit(
                key="burst",
                problem="back to back has no due times that a burst could belong to",
                accepted="`burst` with `every` or `cron`",
            )
        if self.from_date and self.until_date and self.until_date < self.from_date:
            yield Misfit(
                key="until",
                problem=f"{self.until_date} is before {self.from_date}",
                accepted="a date that is not before `from`",
            )

    @property
    def windows(self) -> tuple[Window, ...]:
        """The windows as the plan works with them."""
        return tuple(window_from_text(text) for text in self.window)

    @property
    def needs_position(self) -> bool:
        """True where a window hangs on the sun."""
        return any(isinstance(window, DuskToDawn) for window in self.windows)

    def to_schedule(self, *, zone: str, position: tuple[float, float] | None) -> Schedule:
        """When the job is due, for a station in ``zone`` at ``position`` (degrees)."""
        return Schedule(
            every_s=self.every_s,
            cron=self.cron,
            back_to_back=self.back_to_back,
            windows=self.windows,
            zone=zone,
            position=position,
            first_day=self.from_date,
            last_day=self.until_date,
            burst=self.burst,
        )


def _kind(text: object) -> str:
    if text not in KINDS:
        known = ", ".join(f'"{kind}"' for kind in KINDS)
        raise refusal("unknown kind of job", accepted=f"one of the known kinds: {known}")
    return str(text)


class JobTable(Table):
    """``[job.NAME]``: one scheduled measurement."""

    title: str = Field(default="", max_length=200)
    kind: Annotated[str, BeforeValidator(_kind)] = Field(
        description='what it makes, such as "band"'
    )
    sweeper: str = Field(description="the NAME of a [sweeper.NAME]")
    start_hz: Frequency | None = Field(default=None, alias="start")
    stop_hz: Frequency | None = Field(default=None, alias="stop")
    centre_hz: Frequency | None = Field(default=None, alias="centre")
    span_hz: Frequency | None = Field(default=None, alias="span")
    points: Annotated[Count, Field(ge=2, le=MOST_POINTS)] | None = None
    step_hz: PositiveFrequency | None = Field(default=None, alias="step")
    rbw_hz: PositiveFrequency | None = Field(default=None, alias="rbw")
    vbw_hz: PositiveFrequency | None = Field(default=None, alias="vbw")
    detector: DetectorName | None = None
    attenuation_db: (
        Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="120 dB")] | None
    ) = Field(default=None, alias="attenuation")
    reference_level_dbm: Level | None = Field(default=None, alias="reference_level")
    sweep_time_s: PositiveDuration | None = Field(default=None, alias="sweep_time")
    averages: Annotated[Count, Field(ge=1, le=100_000)] | None = None
    chain: str | None = None
    priority: Annotated[Count, Field(ge=-100, le=100)] = 0
    min_share: Annotated[float, Quantity(dimension=FRACTION, at_most="90 %")] = 0.1
    on_change: Literal["go on", "stop", "stop at any"] | None = None
    enabled: Switch = True
    when: WhenTable = Field(description='a table that says how often, such as every = "2 s"')
    band: BandTable = Field(default_factory=BandTable)
    emission: EmissionTable = Field(default_factory=EmissionTable)
    transmission: TransmissionTable = Field(default_factory=TransmissionTable)
    reflection: ReflectionTable = Field(default_factory=ReflectionTable)
    carrier: CarrierTable = Field(default_factory=CarrierTable)
    soak: SoakTable | None = None
    on_finding: tuple[OnFindingTable, ...] = ()
    witness: tuple[WitnessTable, ...] = ()
    learn_witnesses: Switch = True
    deaf_by_floor: Switch | None = None
    report: ReportWish = None
    source: SourceTable | None = None
    transmitter: TransmitterTable | None = None
    flag_while: FlagWhile = ()
    only_while: OnlyWhile = ()
    before: BeforeTable | None = None
    after: AfterTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        ExactlyOne(
            (("start", "stop"), ("centre", "span")),
            "nothing says what to sweep (a channel plan says what to look for, not what to sweep)",
        ),
        ExactlyOne((("points",), ("step",)), "nothing says how finely to sweep"),
    )

    def misfits(self) -> Iterator[Misfit]:
        start_hz, stop_hz = self.range_hz
        if self.span_hz == 0.0:
            yield from self._misfits_of_zero_span()
        elif stop_hz <= start_hz:
            yield Misfit(
                key="stop",
                problem="the stop frequency is not above the start frequency",
                accepted=f"more than {format_quantity(start_hz, FREQUENCY)}",
            )
            return
        if self.span_hz != 0.0 and start_hz < 0:
            yield Misfit(
                key="span",
                problem=f"the sweep would start at {format_quantity(start_hz, FREQUENCY)}",
                accepted=f"at most {format_quantity(2 * (self.centre_hz or 0.0), FREQUENCY)}",
            )
        if self.step_hz is not None and self.span_hz != 0.0:
            yield from self._misfits_of_step(stop_hz - start_hz, self.step_hz)
        yield from self._misfits_of_kind()
        yield from self._misfits_of_source()
        yield from self._misfits_of_soak()
        yield from misfits_of_looks(self.on_finding, self.kind)
        yield from misfits_of_witnesses(self)
        yield from self._misfits_of_report()

    def _misfits_of_report(self) -> Iterator[Misfit]:
        if self.report is None or "at" not in self.report.model_fields_set:
            return
        if self.soak is not None or self.when.window:
            what = "a soak ends" if self.soak is not None else "a window ends"
            yield Misfit(
                key="report",
                problem=f"`at` says when, but this job's report is made when {what}",
                accepted="report = true",
            )

    def _misfits_of_soak(self) -> Iterator[Misfit]:
        known = FINDING_WORDS[self.kind]
        for word in () if self.soak is None else self.soak.findings_of:
            if word not in known:
                yield Misfit(
                    key="soak",
                    problem=f"`findings_of`: kind {self.kind} has no finding `{word}`"
                    f"{near_miss(word, known)}",
                    accepted="of " + ", ".join(f"`{each}`" for each in known),
                )

    def _misfits_of_kind(self) -> Iterator[Misfit]:
        for kind in KINDS:
            if kind != self.kind and getattr(self, kind).model_fields_set:
                yield Misfit(
                    key=kind,
                    problem=f"a table of kind {kind} in a job of kind {self.kind}",
                    accepted=f'`{self.kind}`, or kind = "{kind}"',
                )
        if self.kind in SOURCE_KINDS and self.source is None:
            yield Misfit(
                key="source",
                problem=f"kind {self.kind} measures with a source, and nothing says at what level",
                accepted='a table that says so, such as source = { level = "-20 dBm" }',
            )

    def _misfits_of_source(self) -> Iterator[Misfit]:
        if self.source is None or not self.source.licensed:
            return
        start_hz, stop_hz = self.range_hz
        if not any(low <= start_hz and stop_hz <= high for low, high in self.source.licensed):
            yield Misfit(
                key="source",
                problem="the source would radiate outside the ranges that are said to be licensed",
                accepted="a sweep that lies whole in one of `licensed`",
            )

    def _misfits_of_zero_span(self) -> Iterator[Misfit]:
        if self.kind != "band":
            yield Misfit(
                key="span",
                problem=f"kind {self.kind} needs frequencies, and there is one only",
                accepted='a span above 0 Hz, or kind = "band"',
            )
        if self.step_hz is not None:
            yield Misfit(
                key="step",
                problem="has no meaning at one frequency",
                accepted="`points`, over `sweep_time`",
            )

    def _misfits_of_step(self, span_hz: float, step_hz: float) -> Iterator[Misfit]:
        steps = span_hz / step_hz
        if steps + 1 > MOST_POINTS:
            problem = f"{steps + 1:.0f} points; there may be {MOST_POINTS}"
            yield Misfit(key="step", problem=problem, accepted="a wider step")
        elif steps < 1 or abs(steps - round(steps)) > 1e-6:
            whole = max(1, int(steps))
            nearby = (format_quantity(n * step_hz, FREQUENCY) for n in (whole, whole + 1))
            yield Misfit(
                key="step",
                problem=f"{format_quantity(span_hz, FREQUENCY)} is {steps:.3f} steps, "
                "not a whole number of them",
                accepted=f"a span of {' or '.join(nearby)} for this step, or `points` instead",
            )

    @property
    def range_hz(self) -> tuple[float, float]:
        """Start and stop frequency, however the config gives them."""
        if self.centre_hz is not None and self.span_hz is not None:
            return self.centre_hz - self.span_hz / 2.0, self.centre_hz + self.span_hz / 2.0
        return self.start_hz or 0.0, self.stop_hz or 0.0

    def request(self) -> SweepRequest:
        """The sweep that the job asks for."""
        start_hz, stop_hz = self.range_hz
        points = self.points or round((stop_hz - start_hz) / (self.step_hz or 1.0)) + 1
        return SweepRequest(
            start_hz=start_hz,
            stop_hz=stop_hz,
            points=points,
            rbw_hz=self.rbw_hz,
            vbw_hz=self.vbw_hz,
            detector=self.detector,
            attenuation_db=self.attenuation_db,
            reference_level_dbm=self.reference_level_dbm,
            sweep_time_s=self.sweep_time_s,
            averages=self.averages,
            source=None
            if self.source is None
            else SourceRequest(on=True, level_dbm=self.source.level_dbm),
        )

    def plain(self) -> dict[str, Any]:
        """The job as plain JSON data under the keys of the config, defaults filled in."""
        return self.model_dump(mode="json", by_alias=True)
