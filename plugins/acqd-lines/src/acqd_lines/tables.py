"""The tables of a profile: what stands in them, and what does not fit within one."""

from __future__ import annotations

from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, StringConstraints

from acqd.config.quantity import DURATION, LEVEL, Frequency, Level, Ppm, Quantity
from acqd.config.tables import AtMostOne, Count, KeyRule, Misfit, Switch, Table
from acqd_lines.answers import (
    AnswerTable,
    ChecksumTable,
    CommandTable,
    IdentifyTable,
    LengthTable,
    ReadTable,
)
from acqd_lines.fields import (
    Accuracy,
    Attenuation,
    ByteText,
    Commands,
    Number,
    Pattern,
    Positive,
    Texts,
    Timeout,
    Wait,
    one_or_more,
)
from acqd_lines.framing import LineEnd
from acqd_lines.settings import SETTINGS, SettingsTable, SettingTable
from acqd_lines.values import BinaryType, Column, ValueFormat

__all__ = [
    "SETTINGS",
    "AnswerTable",
    "AxisTable",
    "ChecksumTable",
    "CommandTable",
    "ErrorTable",
    "IdentifyTable",
    "LengthTable",
    "LimitsTable",
    "LinkTable",
    "Pattern",
    "PollTable",
    "ReadTable",
    "SettingTable",
    "SettingsTable",
    "SourceTable",
    "SweepTable",
    "TalkTable",
    "TimingTable",
    "UsbTable",
    "ValuesTable",
]

LINE_ENDS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r", "none": b""}


class LinkTable(Table):
    """``[link]``: settings of the link. Options of the sweeper's config come before them."""

    baud: Annotated[Count, Field(ge=50, le=4_000_000)] | None = None
    data_bits: Annotated[Count, Field(ge=5, le=8)] | None = None
    stop_bits: Annotated[Count, Field(ge=1, le=2)] | None = None
    parity: Literal["none", "even", "odd"] | None = None
    flow_control: Literal["none", "rts-cts", "dsr-dtr", "xon-xoff"] | None = None
    dtr: Switch | None = None
    rts: Switch | None = None
    connect_timeout_s: (
        Annotated[float, Quantity(dimension=DURATION, at_least="50 ms", at_most="60 s")] | None
    ) = Field(default=None, alias="connect_timeout")

    def as_options(self) -> dict[str, Any]:
        """The settings that are given, as options of the link."""
        return {name: value for name, value in self if value is not None}


class TalkTable(Table):
    """``[talk]``: how a conversation goes, from the opening of the link on."""

    pause_s: Wait = Field(default=0.0, alias="pause")
    begin: Texts = ()
    quiet_s: Annotated[float, Quantity(dimension=DURATION, at_least="10 ms", at_most="10 s")] = (
        Field(default=0.1, alias="quiet")
    )
    quiet_limit_s: Wait = Field(default=5.0, alias="quiet_limit")
    recover_s: Wait = Field(default=3.0, alias="recover")
    end: Literal["lf", "crlf", "cr", "none"] = "lf"
    answer_end: LineEnd = "any"
    echo: Switch = False
    prompt: ByteText = ""
    timeout_s: Timeout = Field(default=2.0, alias="timeout")
    pace_s: Annotated[float, Quantity(dimension=DURATION, at_most="5 s")] = Field(
        default=0.0, alias="pace"
    )

    @property
    def end_bytes(self) -> bytes:
        return LINE_ENDS[self.end]

    def misfits(self) -> Iterator[Misfit]:
        if self.prompt and not self.prompt.strip():
            yield Misfit(
                key="prompt",
                problem="a prompt of nothing but white space cannot be told from an answer",
                accepted='what it says when it is ready, such as "tern> "',
            )
        if any(character in self.prompt for character in "\r\n"):
            yield Misfit(
                key="prompt",
                problem="a prompt has no line ends in it",
                accepted="what stands in the last line, without the line before",
            )


class ErrorTable(Table):
    """``[[error]]``: a line with which the sweeper says that something is wrong."""

    pattern: Pattern = Field(description="a pattern that such a line fits, such as '^ERR'")


class ValuesTable(Table):
    """``[sweep.values]``: how levels are written."""

    type: Literal["text"] | BinaryType = "text"
    order: Literal["big", "little"] = "big"
    scale: Number = Decimal(1)
    offset: Number = Decimal(0)
    unit: Literal["dBm", "dBµV", "dBuV", "dBmV", "dBFS", "digit", "1"] = "dBm"
    separator: Annotated[
        tuple[Annotated[str, StringConstraints(min_length=1, max_length=1)], ...],
        BeforeValidator(one_or_more),
        Field(min_length=1, max_length=4),
    ] = (" ",)
    decimal_comma: Switch = False
    suffix: Annotated[tuple[ByteText, ...], BeforeValidator(one_or_more)] = ()
    columns: Annotated[tuple[Column, ...], Field(min_length=1, max_length=32)] = ("level",)
    frequency_unit: Literal["Hz", "kHz", "MHz", "GHz"] | None = None
    missing: tuple[str | int | float, ...] = ()

    def misfits(self) -> Iterator[Misfit]:
        columns = [column for column in self.columns if column != "-"]
        accepted = 'each of "frequency" and "level" (or "real" and "imaginary") at most once'
        if len(set(columns)) < len(columns):
            yield Misfit(key="columns", problem="a column that is there twice", accepted=accepted)
        elif "level" in columns and "real" in columns:
            yield Misfit(key="columns", problem="both real and complex levels", accepted=accepted)
        elif ("real" in columns) != ("imaginary" in columns) or not {"level", "real"} & set(
            columns
        ):
            yield Misfit(key="columns", problem="no whole level among them", accepted=accepted)
        if ("real" in columns) != (self.unit == "1"):
            yield Misfit(
                key="unit",
                problem='complex levels are ratios, and only they are in the unit "1"',
                accepted='unit = "1" with columns "real" and "imaginary"',
            )
        if self.type != "text":
            yield from self._misfits_of_binary()
        elif "frequency" in columns and self.frequency_unit is None:
            yield Misfit(
                key="columns",
                problem="nothing says what the frequencies are counted in",
                accepted="`frequency_unit`",
            )
        if self.decimal_comma and "," in self.separator:
            yield Misfit(
                key="separator",
                problem="a comma cannot be both the decimal sign and a separator",
                accepted='another `separator`, such as ";"',
            )
        if self.scale == 0:
            yield Misfit(key="scale", problem="a scale of 0", accepted="any other number")

    def _misfits_of_binary(self) -> Iterator[Misfit]:
        for key in ("separator", "decimal_comma", "suffix", "columns", "frequency_unit"):
            if key in self.model_fields_set:
                yield Misfit(
                    key=key,
                    problem=f'has no meaning for values of type "{self.type}"',
                    accepted=f'`{key}` with type = "text"',
                )
        if any(isinstance(item, str) for item in self.missing):
            yield Misfit(
                key="missing", problem="a word among binary values", accepted="numbers as they come"
            )

    def format(self) -> ValueFormat:
        """The format as the decoder works with it."""
        return ValueFormat(
            type=self.type,
            order=self.order,
            scale=self.scale,
            offset=self.offset,
            unit=self.unit,
            separators=self.separator,
            decimal_comma=self.decimal_comma,
            suffixes=self.suffix,
            columns=self.columns,
            frequency_unit=self.frequency_unit or "Hz",
            missing=self.missing,
        )


class AxisTable(Table):
    """``[sweep.axis]``: where the frequencies come from."""

    source: Literal["request", "answer", "asked"] | None = None
    ask: CommandTable | None = None
    unit: Literal["Hz", "kHz", "MHz", "GHz"] = "Hz"
    tolerance: Annotated[float, Field(strict=True, gt=0, le=1.0)] = 0.5

    def misfits(self) -> Iterator[Misfit]:
        if (self.source == "asked") != (self.ask is not None):
            yield Misfit(
                key="ask" if self.source is None else "source",
                problem="a question without its source, or the other way round",
                accepted='source = "asked" with `ask`',
            )


class PollTable(CommandTable):
    """``[sweep.poll]``: a question that is asked until its answer says that the sweep is done."""

    answer: AnswerTable = AnswerTable()
    expect: Pattern = Field(description="a pattern that the answer fits once the sweep is done")
    every_s: Annotated[float, Quantity(dimension=DURATION, at_least="5 ms", at_most="10 s")] = (
        Field(default=0.05, alias="every")
    )


class FetchTable(CommandTable):
    """``[sweep.fetch]``: the command that is answered with the levels."""

    answer: AnswerTable = AnswerTable()

    def misfits(self) -> Iterator[Misfit]:
        if self.answer.kind == "none":
            yield Misfit(
                key="answer",
                problem="the levels must come in its answer",
                accepted='an `answer` of kind "line", "lines" or "block"',
            )


class SweepTable(Table):
    """``[sweep]``: what is sent for a sweep, and what comes back."""

    order: tuple[str, ...] = SETTINGS
    resend: Literal["always", "changed"] = "always"
    settle_s: Wait = Field(default=0.0, alias="settle")
    check: CommandTable | None = None
    start: CommandTable | None = None
    poll: PollTable | None = None
    fetch: FetchTable = Field(description="the command that is answered with the levels")
    values: ValuesTable = ValuesTable()
    axis: AxisTable = AxisTable()
    halt: Texts = ()
    abort: Texts = ()
    overload: Pattern | None = None


class TimingTable(Table):
    """``[timing]``: how long a sweep takes."""

    per_point_s: Annotated[float, Quantity(dimension=DURATION, at_most="1 h")] | None = Field(
        default=None, alias="per_point"
    )
    per_sweep_s: Annotated[float, Quantity(dimension=DURATION, at_most="1 h")] | None = Field(
        default=None, alias="per_sweep"
    )
    ask: ReadTable | None = None
    times_averages: Switch = True
    deadline_s: Timeout = Field(default=25.0, alias="deadline")

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("ask", "per_point")),
        AtMostOne(("ask", "per_sweep")),
    )


class LimitsTable(Table):
    """``[limits]``: what it can do, from its manual."""

    start_hz: Frequency = Field(alias="start", description="its lowest frequency")
    stop_hz: Frequency = Field(alias="stop", description="its highest frequency")
    points_min: Annotated[Count, Field(ge=1, le=10_000_000)] = 2
    points_max: Annotated[Count, Field(ge=1, le=10_000_000)] = Field(
        description="most points of one sweep"
    )
    points_allowed: Annotated[
        tuple[Annotated[Count, Field(ge=1, le=10_000_000)], ...], Field(max_length=1000)
    ] = ()
    rbw_steps_hz: Annotated[tuple[Positive, ...], Field(max_length=1000)] = Field(
        default=(), alias="rbw_steps"
    )
    rbw_min_hz: Positive | None = Field(default=None, alias="rbw_min")
    rbw_max_hz: Positive | None = Field(default=None, alias="rbw_max")
    noise_bandwidth_ratio: Annotated[float, Field(strict=True, ge=0.5, le=2.0)] | None = Field(
        default=None, alias="noise_bandwidth"
    )
    attenuation_steps_db: Annotated[tuple[Attenuation, ...], Field(max_length=1000)] = Field(
        default=(), alias="attenuation_steps"
    )
    averages_max: Annotated[Count, Field(ge=1, le=100_000)] = 1
    resolution: Annotated[float, Field(strict=True, gt=0, le=10)] | None = None
    level_accuracy_db: Accuracy | None = Field(default=None, alias="level_accuracy")
    frequency_accuracy_ppm: Ppm | None = Field(default=None, alias="frequency_accuracy")
    absolute_max_dbm: Level | None = Field(default=None, alias="absolute_max")
    source_start_hz: Frequency | None = Field(default=None, alias="source_start")
    source_stop_hz: Frequency | None = Field(default=None, alias="source_stop")
    source_min_dbm: Annotated[float, Quantity(dimension=LEVEL)] | None = Field(
        default=None, alias="source_min"
    )
    source_max_dbm: Annotated[float, Quantity(dimension=LEVEL)] | None = Field(
        default=None, alias="source_max"
    )
    assumed: tuple[str, ...] = ()

    def misfits(self) -> Iterator[Misfit]:
        if self.stop_hz <= self.start_hz:
            yield Misfit(
                key="stop",
                problem="the highest frequency is not above the lowest",
                accepted="the range that it sweeps",
            )
        if self.points_max < self.points_min:
            yield Misfit(
                key="points_max",
                problem="fewer than `points_min`",
                accepted=f"at least {self.points_min}",
            )
        known = set(type(self).fields_by_key()) - {"assumed"}
        for name in self.assumed:
            if name not in known:
                yield Misfit(
                    key="assumed",
                    problem=f"`{name}` is no key of this table",
                    accepted="keys of this table that are only a guess",
                )


class SourceTable(Table):
    """``[source]``: its own source."""

    on: Commands = Field(description='what turns it on, such as "gen {source_level:dBm:.1f}"')
    off: Commands = Field(description="what turns it off")
    answer: AnswerTable = AnswerTable(kind="none")
    expect: Pattern | None = None
    settle_s: Wait = Field(default=0.0, alias="settle")
    level_dbm: Level | None = Field(default=None, alias="level")


class UsbTable(Table):
    """``[[usb]]``: what the operating system says of its port."""

    vid: Annotated[Count, Field(ge=0, le=0xFFFF)] = Field(
        description="its USB vendor id, such as 0x1209"
    )
    pid: Annotated[Count, Field(ge=0, le=0xFFFF)] = Field(
        description="its USB product id, such as 0x0001"
    )
    product: str = Field(default="", max_length=200)
