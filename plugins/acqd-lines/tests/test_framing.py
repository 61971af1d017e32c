"""Where answers end, however their bytes were cut."""

from __future__ import annotations

import re
import tracemalloc
from itertools import pairwise
from typing import Any

import pytest
from acqd_lines.checksums import Checksum
from acqd_lines.framing import (
    BlockFraming,
    ErrorPattern,
    Frame,
    FrameParser,
    LengthField,
    LineFraming,
    NoFraming,
    parser_of,
)
from acqd_lines.patterns import Pattern
from hypothesis import given
from hypothesis import strategies as st

from acqd.errors import ProtocolViolation

ERRORS = (ErrorPattern(pattern=Pattern(r"^ERR (?P<code>\d+) (?P<text>.*)")),)
SUM = Checksum(kind="sum8")
LINE_SUM = LineFraming(count=2, checksum=Checksum(kind="xor8", mark=b"*"), checksum_per="line")
PAYLOAD = bytes(range(8))


def xored(text: bytes) -> bytes:
    return text + b"*" + SUM_XOR.written(SUM_XOR.of(text)) + b"\r\n"


SUM_XOR = Checksum(kind="xor8")
BYTES_SUM = Checksum(kind="sum8", over="bytes", mark=b"+")
CRC = Checksum(kind="crc16", form="bytes", order="little", over="all")
HEADED = BlockFraming(
    length=LengthField(at=1, width=2, order="little", each=2),
    sync=b"\xa5\x5a",
    header_bytes=4,
    checksum=CRC,
    tail=b"\r\n",
)
HEAD = b"\xa5\x5a" + b"\x07\x04\x00\x99"

WHOLE: list[tuple[str, Any, dict[str, Any], bytes, Frame]] = [
    ("one line", LineFraming(count=1), {}, b"-97.2,-98\r\n", Frame(lines=("-97.2,-98",))),
    ("one line, CR", LineFraming(count=1), {"line_end": "cr"}, b"7\n8\r", Frame(lines=("7\n8",))),
    ("three lines", LineFraming(count=3), {}, b"a\n\nb\r\nc\r", Frame(lines=("a", "b", "c"))),
    ("end mark", LineFraming(end="END"), {}, b"a\r\nb\r\nEND\r\n", Frame(lines=("a", "b"))),
    ("blank line ends", LineFraming(end=""), {}, b"\r\na\r\nb\r\n\r\n", Frame(lines=("a", "b"))),
    (
        "skipped and ignored",
        LineFraming(count=1, skip=1, ignore=Pattern("^#")),
        {},
        b"head\n# 50 %\n7\n",
        Frame(lines=("7",), passed_over=("head", "# 50 %")),
    ),
    (
        "prompt and echo",
        LineFraming(until_prompt=True),
        {"prompt": b"tern> ", "echo": b"go 1"},
        b"go 1\r\na\r\nb\r\ntern> ",
        Frame(lines=("a", "b")),
    ),
    ("prompt alone", NoFraming(), {"prompt": b"> ", "echo": b"set"}, b"set\r\n> ", Frame()),
    (
        "error at a prompt",
        LineFraming(count=4),
        {"prompt": b"> ", "errors": ERRORS},
        b"ERR 7 too wide\r\nsee manual\r\n> ",
        Frame(error=(7, "too wide")),
    ),
    ("error", LineFraming(count=4), {"errors": ERRORS}, b"ERR 7 no\n", Frame(error=(7, "no"))),
    ("sum a line", LINE_SUM, {}, xored(b"12") + xored(b"-7"), Frame(lines=("12", "-7"))),
    (
        "sum of all",
        LineFraming(count=2, checksum=SUM, checksum_per="answer"),
        {},
        b"12\r\n34\r\n" + SUM.written(SUM.of(b"1234")) + b"\r\n",
        Frame(lines=("12", "34")),
    ),
    (
        "sum of the bytes that digits stand for, a line",
        LineFraming(count=2, checksum=BYTES_SUM),
        {},
        b"01 FE+FF\n7f 02+81\n",
        Frame(lines=("01 FE", "7f 02")),
    ),
    (
        "sum of the bytes that digits stand for, of all",
        LineFraming(count=2, checksum=BYTES_SUM, checksum_per="answer"),
        {},
        b"01,FE\n7F,02\n+80\n",
        Frame(lines=("01,FE", "7F,02")),
    ),
    ("fixed block", BlockFraming(length=8), {}, PAYLOAD, Frame(payload=PAYLOAD)),
    (
        "block with all there is",
        HEADED,
        {},
        HEAD + PAYLOAD + CRC.written(CRC.of(HEAD + PAYLOAD)) + b"\r\n",
        Frame(payload=PAYLOAD, header=HEAD[2:]),
    ),
    (
        "definite block at a prompt",
        BlockFraming(length="definite", skip=1),
        {"prompt": b"> ", "echo": b"go"},
        b"go\r\nhere:\r\n#18" + PAYLOAD + b"\r\n> ",
        Frame(payload=PAYLOAD, header=b"#18", passed_over=("here:",)),
    ),
    (
        "error for a block",
        BlockFraming(length=8, sync=b"\xa5\x5a"),
        {"errors": ERRORS},
        b"ERR 3 no data\r\n",
        Frame(error=(3, "no data")),
    ),
]  # fmt: skip
IDS = [name for name, *_ in WHOLE]


@pytest.mark.parametrize(("name", "framing", "more", "data", "frame"), WHOLE, ids=IDS)
def test_an_answer_is_found_whole_and_byte_by_byte(
    name: str, framing: Any, more: dict[str, Any], data: bytes, frame: Frame
) -> None:
    """In one piece, and cut everywhere; not a byte too soon, but for line ends."""
    parser = parser_of(framing, **more)
    assert parser is not None
    parser.receive_data(data)
    assert parser.next_frame() == frame
    assert parser.rest == b""
    assert parser.next_frame() is None
    slow = parser_of(framing, **more)
    assert slow is not None
    got = None
    for place, byte in enumerate(data):
        slow.receive_data(bytes([byte]))
        got = got or slow.next_frame()
        if got is not None:
            assert data[place + 1 :].strip(b"\r\n") == b""
    assert got == frame
    assert slow.rest == b""


@pytest.mark.parametrize(("name", "framing", "more", "data", "frame"), WHOLE, ids=IDS)
def test_what_trails_an_answer_is_not_taken(
    name: str, framing: Any, more: dict[str, Any], data: bytes, frame: Frame
) -> None:
    """It is there for whoever asks next to see."""
    parser = parser_of(framing, **more)
    assert parser is not None
    parser.receive_data(data + b"more")
    assert parser.next_frame() == frame
    assert parser.rest == b"more"


@pytest.mark.parametrize(("name", "framing", "more", "data", "frame"), WHOLE, ids=IDS)
@given(cuts=st.lists(st.integers(0, 80), max_size=6))
def test_it_does_not_matter_where_it_is_cut(
    cuts: list[int], name: str, framing: Any, more: dict[str, Any], data: bytes, frame: Frame
) -> None:
    """Any pieces."""
    parser = parser_of(framing, **more)
    assert parser is not None
    edges = sorted({0, len(data), *(cut for cut in cuts if cut < len(data))})
    found = None
    for first, last in pairwise(edges):
        parser.receive_data(data[first:last])
        found = found or parser.next_frame()
    assert found == frame


WRONG: list[tuple[str, Any, dict[str, Any], bytes, str]] = [
    ("echo", LineFraming(count=1), {"echo": b"go"}, b"gx", "expected the echo of b'go'"),
    ("echo's end", LineFraming(count=1), {"echo": b"go"}, b"go7", "the end of the line after"),
    ("prompt", LineFraming(count=1), {"prompt": b"> "}, b"7\n8\n", "expected the prompt '> '"),
    ("too soon", LineFraming(count=2), {"prompt": b"> "}, b"7\n> ", "2 lines before the prompt"),
    ("end mark", LineFraming(end="END"), {"prompt": b"> "}, b"7\n> ", "its end mark before the"),
    ("sync", BlockFraming(length=8, sync=b"\xa5\x5a"), {}, b"\xa5\x5b", "begins with A5 5A"),
    ("no block", BlockFraming(length="definite"), {}, b"7,8\n", "a block that begins with 23"),
    ("endless", BlockFraming(length="definite"), {}, b"#0\x01", "a digit from 1 to 9"),
    ("no length", BlockFraming(length="definite"), {}, b"#2x", "a length of 2 digits"),
    (
        "other length",
        BlockFraming(length="definite", expected_bytes=8),
        {},
        b"#16",
        "expected a block of 8 bytes, got 'one that states 6'",
    ),
    ("tail", BlockFraming(length=2, tail=b"\r\n"), {}, b"ab\r\r", "expected 0D 0A after"),
    ("too long", BlockFraming(length="definite"), {}, b"#9999999999", "a block of at most"),
    ("crc", HEADED, {}, HEAD + PAYLOAD + b"\0\0\r\n", "expected the crc16 "),
    ("line's sum", LINE_SUM, {}, b"12*00\n13*11\n", "expected the xor8 03, got b'00'"),
    ("no sum", LINE_SUM, {}, b"12\n13*11\n", "a line that ends with its checksum"),
]
WRONG_IDS = [name for name, *_ in WRONG]


@pytest.mark.parametrize(("name", "framing", "more", "data", "said"), WRONG, ids=WRONG_IDS)
def test_what_cannot_be_the_answer_is_refused(
    name: str, framing: Any, more: dict[str, Any], data: bytes, said: str
) -> None:
    """As soon as it shows, with what was expected."""
    parser = parser_of(framing, **more)
    assert parser is not None
    parser.receive_data(data)
    with pytest.raises(ProtocolViolation, match=re.escape(said)):
        parser.next_frame()


@given(st.sampled_from(WHOLE), st.binary(max_size=400))
def test_junk_makes_a_frame_or_a_violation(case: Any, junk: bytes) -> None:
    """Whatever comes, nothing else is raised."""
    _, framing, more, _, _ = case
    parser = parser_of(framing, **more)
    assert parser is not None
    try:
        parser.receive_data(junk)
        assert parser.next_frame() is None or isinstance(junk, bytes)
    except ProtocolViolation:
        pass


def feed(parser: FrameParser, pieces: list[bytes]) -> None:
    for piece in pieces:
        parser.receive_data(piece)
        parser.next_frame()


@pytest.mark.parametrize(
    "framing", [LineFraming(count=1), LineFraming(end="END"), BlockFraming(length=1 << 30)]
)
def test_a_megabyte_of_junk_is_held_within_the_cap(framing: Any) -> None:
    """Memory stays within the cap and a little, and the end is a violation."""
    cap = 100_000
    parser = parser_of(framing, cap_bytes=cap)
    assert parser is not None
    piece = b"junk \x00\xff" * 146
    tracemalloc.start()
    try:
        with pytest.raises(ProtocolViolation, match=r"at most \d+ bytes"):
            feed(parser, [piece] * 1024)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 6 * cap
    assert parser.buffered_bytes <= cap


def test_nothing_to_read_needs_no_parser() -> None:
    """A command without answer, echo and prompt."""
    assert parser_of(NoFraming()) is None
