"""The tables of commands and of their answers: where an answer ends, and what it must be."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from acqd.config.tables import AtMostOne, Count, KeyRule, Misfit, Switch, Table
from acqd_lines.checksums import Checksum, ChecksumKind, Over
from acqd_lines.fields import ByteText, Commands, HexBytes, Pattern, Timeout
from acqd_lines.framing import (
    BlockFraming,
    Framing,
    LengthField,
    LineFraming,
    NoFraming,
)
from acqd_lines.values import BINARY_TYPES

__all__ = [
    "AnswerTable",
    "ChecksumTable",
    "CommandTable",
    "IdentifyTable",
    "LengthTable",
    "ReadTable",
]


class ChecksumTable(Table):
    """``checksum = { … }`` of an answer."""

    kind: ChecksumKind = Field(description='"sum8", "xor8", "crc16" or "crc32"')
    polynomial: Annotated[Count, Field(ge=1, le=0xFFFF)] = 0x1021
    initial: Annotated[Count, Field(ge=0, le=0xFFFF)] = 0xFFFF
    reflected: Switch = False
    final_xor: Annotated[Count, Field(ge=0, le=0xFFFF)] = 0
    form: Literal["hex", "bytes"] = "hex"
    order: Literal["big", "little"] = "big"
    over: Over = "payload"
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
    each: Switch = False
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
        if self.each and self.kind not in ("line", "lines"):
            yield Misfit(
                key="each",
                problem=f'has no meaning in an answer of kind "{self.kind}"',
                accepted='`each` with kind = "line" or "lines"',
            )
        if self.kind == "block" and self.checksum is not None and self.checksum.over == "bytes":
            yield Misfit(
                key="checksum",
                problem='over = "bytes" is of lines of hexadecimal digits',
                accepted='over = "payload", "before" or "all" in an answer of kind "block"',
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
            ignore=self.ignore,
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
    """Lines that are sent one after the other, the answer to the last or to each, and what it must
    be."""

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
