"""The tables of a profile: what stands in them, and what does not fit within one."""

from __future__ import annotations

import re
from collections.abc import Iterator
from decimal import Decimal
from typing import Annotated, Any, ClassVar, Literal

from pydantic import BeforeValidator, Field, GetCoreSchemaHandler, StringConstraints
from pydantic_core import CoreSchema, core_schema

from acqd.config.quantity import (
    DIFFERENCE,
    DURATION,
    FREQUENCY,
    LEVEL,
    Frequency,
    Level,
    Ppm,
    Quantity,
    refusal,
)
from acqd.config.tables import AtMostOne, Count, DetectorName, KeyRule, Misfit, Switch, Table
from acqd_lines.checksums import Checksum, ChecksumKind
from acqd_lines.framing import (
    BlockFraming,
    Framing,
    LengthField,
    LineEnd,
    LineFraming,
    NoFraming,
)
from acqd_lines.placeholders import Command
from acqd_lines.values import BINARY_TYPES, BinaryType, Column, ValueFormat

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
    "PollTable",
    "ReadTable",
    "SettingTable",
    "SourceTable",
    "SweepTable",
    "TalkTable",
    "TimingTable",
    "UsbTable",
    "ValuesTable",
]

LINE_ENDS = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r", "none": b""}

Bytes = Annotated[str, StringConstraints(max_length=1000)]


class Pattern:
    """A regular expression, compiled."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.compiled = re.compile(text)

    def __repr__(self) -> str:
        return f"Pattern({self.text!r})"

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Pattern) and other.text == self.text

    def __hash__(self) -> int:
        return hash(self.text)

    @property
    def groups(self) -> frozenset[str]:
        return frozenset(self.compiled.groupindex)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_plain_validator_function(
            _pattern,
            serialization=core_schema.plain_serializer_function_ser_schema(
                lambda pattern: pattern.text
            ),
        )


PATTERN_CAP = 500


def _pattern(given: object) -> Pattern:
    if isinstance(given, Pattern):
        return given
    accepted = "a regular expression in single quotes, such as '^ERR (?P<code>\\d+)'"
    if not isinstance(given, str) or not given:
        raise refusal("not a pattern", accepted=accepted)
    if len(given) > PATTERN_CAP:
        raise refusal("too long", accepted=f"a pattern of at most {PATTERN_CAP} characters")
    try:
        return Pattern(given)
    except re.error as exc:
        raise refusal(f"a pattern that cannot be read: {exc}", accepted=accepted) from exc


def _hex_bytes(given: object) -> bytes:
    accepted = 'bytes in hex digits, such as "A5 5A"'
    if isinstance(given, bytes):
        return given
    if not isinstance(given, str) or not given.strip():
        raise refusal("not bytes in hex digits", accepted=accepted)
    try:
        data = bytes.fromhex(given)
    except ValueError as exc:
        raise refusal("not bytes in hex digits", accepted=accepted) from exc
    if len(data) > 64:
        raise refusal("too long", accepted="at most 64 bytes")
    return data


def _byte_text(given: object) -> object:
    """A text whose characters are one byte each."""
    if isinstance(given, str) and any(ord(character) > 0xFF for character in given):
        odd = next(character for character in given if ord(character) > 0xFF)
        raise refusal(
            f"the character {odd!r}, which is not one byte", accepted="characters up to U+00FF"
        )
    return given


def _one_or_more(given: object) -> object:
    return [given] if isinstance(given, str) else given


def _number(given: object) -> Decimal:
    if isinstance(given, Decimal):
        return given
    if isinstance(given, bool) or not isinstance(given, int | float):
        raise refusal("not a number", accepted="a number, without quotes")
    number = Decimal(repr(given))
    if not number.is_finite() or abs(number.adjusted()) > 12:
        raise refusal("out of bounds", accepted="a finite number of ordinary size")
    return number


HexBytes = Annotated[bytes, BeforeValidator(_hex_bytes)]
ByteText = Annotated[str, BeforeValidator(_byte_text), StringConstraints(max_length=200)]
Number = Annotated[Decimal, BeforeValidator(_number)]
Commands = Annotated[
    tuple[Command, ...], BeforeValidator(_one_or_more), Field(min_length=1, max_length=32)
]
Texts = Annotated[tuple[ByteText, ...], BeforeValidator(_one_or_more), Field(max_length=16)]
Wait = Annotated[float, Quantity(dimension=DURATION, at_most="60 s")]
Timeout = Annotated[float, Quantity(dimension=DURATION, at_least="50 ms", at_most="1 h")]
Accuracy = Annotated[float, Quantity(dimension=DIFFERENCE, above="0 dB", at_most="60 dB")]
Positive = Annotated[float, Quantity(dimension=FREQUENCY, above="0 Hz")]


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


class ChecksumTable(Table):
    """``checksum = { … }`` of an answer."""

    kind: ChecksumKind = Field(description='"sum8", "xor8", "crc16" or "crc32"')
    polynomial: Annotated[Count, Field(ge=1, le=0xFFFF)] = 0x1021
    initial: Annotated[Count, Field(ge=0, le=0xFFFF)] = 0xFFFF
    reflected: Switch = False
    final_xor: Annotated[Count, Field(ge=0, le=0xFFFF)] = 0
    form: Literal["hex", "bytes"] = "hex"
    order: Literal["big", "little"] = "big"
    over: Literal["payload", "before", "all"] = "payload"
    mark: ByteText = ""
    per: Literal["line", "answer"] = "answer"

    def misfits(self) -> Iterator[Misfit]:
        given = self.model_fields_set & {"polynomial", "initial", "reflected", "final_xor"}
        if self.kind != "crc16" and given:
            yield Misfit(
                key=min(given),
                problem=f"a {self.kind} has no such parameter",
                accepted='this key with kind = "crc16"',
            )

    def checksum(self) -> Checksum:
        """The checksum as parsers work with it."""
        return Checksum(
            kind=self.kind,
            polynomial=self.polynomial,
            initial=self.initial,
            reflected=self.reflected,
            final_xor=self.final_xor,
            form=self.form,
            order=self.order,
            over=self.over,
            mark=self.mark.encode("latin-1"),
        )


class LengthTable(Table):
    """``length = { … }``: a field of a block's header that says how long the payload is."""

    at: Annotated[Count, Field(ge=0, le=1024)] = 0
    type: Literal["u8", "u16", "u32"] = "u16"
    order: Literal["big", "little"] = "big"
    counts: Literal["bytes", "values"] = "bytes"
    plus: Annotated[Count, Field(ge=-1024, le=1024)] = 0

    @property
    def width(self) -> int:
        return BINARY_TYPES[self.type]


_BLOCK_KEYS = ("length", "length_field", "sync", "header_bytes", "tail", "tail_bytes")


class AnswerTable(Table):
    """``answer = { … }`` of a command: where its answer begins and ends."""

    kind: Literal["none", "line", "lines", "block"] = "line"
    count: Annotated[Count, Field(ge=1, le=1_000_000)] | Literal["points"] | None = None
    end: ByteText | None = None
    skip: Annotated[Count, Field(ge=0, le=1000)] = 0
    ignore: Pattern | None = None
    length: Annotated[Count, Field(ge=1, le=16_000_000)] | Literal["points", "definite"] | None = (
        None
    )
    length_field: LengthTable | None = None
    sync: HexBytes = b""
    header_bytes: Annotated[Count, Field(ge=0, le=1024)] = 0
    tail: HexBytes = b""
    tail_bytes: Annotated[Count, Field(ge=0, le=64)] = 0
    checksum: ChecksumTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (
        AtMostOne(("count", "end")),
        AtMostOne(("length", "length_field")),
    )

    def misfits(self) -> Iterator[Misfit]:
        for keys, kinds in (
            (("count", "end"), ("lines",)),
            (("ignore",), ("line", "lines")),
            (_BLOCK_KEYS, ("block",)),
            (("skip", "checksum"), ("line", "lines", "block")),
        ):
            for key in keys:
                if key in self.model_fields_set and self.kind not in kinds:
                    homes = " or ".join(f'"{kind}"' for kind in kinds)
                    yield Misfit(
                        key=key,
                        problem=f'has no meaning in an answer of kind "{self.kind}"',
                        accepted=f"`{key}` with kind = {homes}",
                    )
        if self.length == "definite" and (self.sync or self.header_bytes):
            yield Misfit(
                key="length",
                problem="a block that states its length itself begins with # and has no header",
                accepted='length = "definite" without `sync` and `header_bytes`',
            )
        field = self.length_field
        if field is not None and field.at + field.width > self.header_bytes:
            yield Misfit(
                key="length_field",
                problem=f"reaches to byte {field.at + field.width} of the header",
                accepted="`header_bytes` of at least that",
            )

    def framing(self, *, points: int, value_bytes: int = 0) -> Framing:
        """Where the answer ends for a sweep of ``points`` values of ``value_bytes`` each."""
        checksum = None if self.checksum is None else self.checksum.checksum()
        if self.kind == "none":
            return NoFraming()
        if self.kind == "block":
            return self._block(points * value_bytes, value_bytes, checksum)
        count = points if self.count == "points" else self.count
        per = "line" if self.checksum is None or self.kind == "line" else self.checksum.per
        return LineFraming(
            count=1 if self.kind == "line" else count,
            end=self.end,
            until_prompt=self.kind == "lines" and count is None and self.end is None,
            skip=self.skip,
            ignore=None if self.ignore is None else self.ignore.compiled,
            checksum=checksum,
            checksum_per=per,
        )

    def _block(self, whole_bytes: int, value_bytes: int, checksum: Checksum | None) -> BlockFraming:
        length: int | LengthField | Literal["definite"]
        if self.length_field is not None:
            field = self.length_field
            length = LengthField(
                at=field.at,
                width=field.width,
                order=field.order,
                each=value_bytes if field.counts == "values" else 1,
                plus=field.plus,
            )
        elif self.length == "definite" or isinstance(self.length, int):
            length = self.length
        else:
            length = whole_bytes
        return BlockFraming(
            length=length,
            sync=self.sync,
            header_bytes=self.header_bytes,
            checksum=checksum,
            tail=self.tail,
            tail_bytes=self.tail_bytes,
            skip=self.skip,
            expected_bytes=whole_bytes or None,
        )


class CommandTable(Table):
    """Lines that are sent one after the other, the answer to the last, and what it must be."""

    send: Commands = Field(description="what is sent: a text, or a list of texts")
    answer: AnswerTable = AnswerTable(kind="none")
    expect: Pattern | None = None
    timeout_s: Timeout | None = Field(default=None, alias="timeout")

    def misfits(self) -> Iterator[Misfit]:
        if self.expect is not None and self.answer.kind in ("none", "block"):
            yield Misfit(
                key="expect",
                problem=f'an answer of kind "{self.answer.kind}" has no line to hold against it',
                accepted='`expect` with an `answer` of kind "line" or "lines"',
            )


class IdentifyTable(CommandTable):
    """``[identify]``: who is there. ``expect`` is what tells this sweeper from all others."""

    answer: AnswerTable = AnswerTable()
    expect: Pattern = Field(
        description="a pattern for the whole answer, with groups such as (?P<serial_number>…)"
    )
    maker: str = Field(default="", max_length=100)
    model: str = Field(default="", max_length=100)

    def misfits(self) -> Iterator[Misfit]:
        yield from super().misfits()
        known = {"maker", "model", "serial_number", "firmware"}
        if unknown := self.expect.groups - known:
            yield Misfit(
                key="expect",
                problem=f"a group that means nothing: {min(unknown)}",
                accepted="groups named " + ", ".join(sorted(known)),
            )


class ReadTable(CommandTable):
    """``read = { … }``: a question, and the number or word in its answer.

    Group ``value`` of ``expect`` is what is read; of the frequencies ``start`` and ``stop``, or
    ``centre`` and ``span``.
    """

    answer: AnswerTable = AnswerTable()
    expect: Pattern = Field(description="a pattern with what is read as group (?P<value>…)")
    unit: str = Field(default="", max_length=8)
    decimal_comma: Switch = False


class SettingTable(Table):
    """``[setting.NAME]``: one thing that can be set."""

    send: Commands | None = None
    answer: AnswerTable = AnswerTable(kind="none")
    expect: Pattern | None = None
    auto: Commands | None = None
    read: ReadTable | None = None

    rules: ClassVar[tuple[KeyRule, ...]] = (AtMostOne(("auto", "default")),)

    @property
    def default_value(self) -> Any:
        """What is set where nothing was asked for; None where that is left to the sweeper."""
        return getattr(self, "default", None)

    def word_of(self, value: Any) -> str | None:
        """The word for ``value``; None where it has words and this is none of them."""
        for known, word in self.words_by_value:
            if known == value or (
                isinstance(value, float)
                and isinstance(known, float)
                and abs(value - known) <= 0.01 * abs(known)
            ):
                return word
        return None

    @property
    def words_by_value(self) -> tuple[tuple[Any, str], ...]:
        """Values with the words that stand for them, in the order of the profile."""
        words = getattr(self, "words", None)
        return tuple(words.items()) if words else ()


class FrequencySetting(SettingTable):
    """``[setting.frequency]``: start and stop, or centre and span."""


class PointsSetting(SettingTable):
    """``[setting.points]``."""


Word = Annotated[str, BeforeValidator(_byte_text), StringConstraints(min_length=1, max_length=64)]


class RbwSetting(SettingTable):
    """``[setting.rbw]``."""

    default: Positive | None = None
    words: dict[Positive, Word] = Field(default_factory=dict)


class VbwSetting(SettingTable):
    """``[setting.vbw]``."""

    default: Positive | None = None
    words: dict[Positive, Word] = Field(default_factory=dict)


class DetectorSetting(SettingTable):
    """``[setting.detector]``. ``words`` are what the sweeper calls its detectors."""

    default: DetectorName | None = None
    words: dict[DetectorName, Word] = Field(
        min_length=1, description='what it calls its detectors, such as { positive = "PK" }'
    )


Attenuation = Annotated[float, Quantity(dimension=DIFFERENCE, at_least="0 dB", at_most="200 dB")]


class AttenuationSetting(SettingTable):
    """``[setting.attenuation]``."""

    default: Attenuation | None = None
    words: dict[Attenuation, Word] = Field(default_factory=dict)


class ReferenceLevelSetting(SettingTable):
    """``[setting.reference_level]``."""

    default: Level | None = None
    words: dict[Level, Word] = Field(default_factory=dict)


SweepTime = Annotated[float, Quantity(dimension=DURATION, above="0 s", at_most="1 h")]


class SweepTimeSetting(SettingTable):
    """``[setting.sweep_time]``."""

    default: SweepTime | None = None
    words: dict[SweepTime, Word] = Field(default_factory=dict)


class AveragesSetting(SettingTable):
    """``[setting.averages]``."""

    default: Annotated[Count, Field(ge=1, le=100_000)] | None = 1


class SettingsTable(Table):
    """All ``[setting.NAME]``. What has no table here cannot be set."""

    frequency: FrequencySetting | None = None
    points: PointsSetting | None = None
    rbw: RbwSetting | None = None
    vbw: VbwSetting | None = None
    detector: DetectorSetting | None = None
    attenuation: AttenuationSetting | None = None
    reference_level: ReferenceLevelSetting | None = None
    averages: AveragesSetting | None = None
    sweep_time: SweepTimeSetting | None = None

    def given(self) -> dict[str, SettingTable]:
        """Those that there are, by name."""
        return {name: value for name, value in self if value is not None}


SETTINGS = tuple(SettingsTable.model_fields)
"""Names of settings, in the order of sending where the profile has no other: filters come before
the sweep time, which hangs on them."""


class ValuesTable(Table):
    """``[sweep.values]``: how levels are written."""

    type: Literal["text"] | BinaryType = "text"
    order: Literal["big", "little"] = "big"
    scale: Number = Decimal(1)
    offset: Number = Decimal(0)
    unit: Literal["dBm", "dBµV", "dBuV", "dBmV", "dBFS", "digit", "1"] = "dBm"
    separator: Annotated[
        tuple[Annotated[str, StringConstraints(min_length=1, max_length=1)], ...],
        BeforeValidator(_one_or_more),
        Field(min_length=1, max_length=4),
    ] = (" ",)
    decimal_comma: Switch = False
    suffix: Annotated[tuple[ByteText, ...], BeforeValidator(_one_or_more)] = ()
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
