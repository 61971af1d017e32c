"""Responses are cut from the stream whole, byte by byte, with more behind, and from junk."""

from __future__ import annotations

import struct
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from acqd_scpi.parser import (
    Block,
    Line,
    ResponseParser,
    decode_reals,
    error_entry,
    identity,
    number,
    numbers,
)
from hypothesis import given
from hypothesis import strategies as st

from acqd.errors import ProtocolViolation
from acqd.sweep import Identity

RESPONSES = {
    "a line": (b"1\n", [Line("1")]),
    "a line with CR LF": (b"ACME,MODEL 1,SN1,1.0\r\n", [Line("ACME,MODEL 1,SN1,1.0")]),
    "a line ended by CR": (b"+1.5E+3\r", [Line("+1.5E+3")]),
    "two lines": (b"1\n2\r\n", [Line("1"), Line("2")]),
    "empty lines between": (b"\r\n\n1\n\n\n2\n", [Line("1"), Line("2")]),
    "a hexadecimal number": (b"#H1F\n", [Line("#H1F")]),
    "a block": (b"#212" + bytes(range(12)) + b"\n", [Block(bytes(range(12)))]),
    "a block of newlines": (b"#15\n\n\n\n\n\n", [Block(b"\n\n\n\n\n")]),
    "an empty block": (b"#10\n1\n", [Block(b""), Line("1")]),
    "a block without terminator": (b"#13abc", [Block(b"abc")]),
    "a block with CR LF, then a line": (b"#13abc\r\n0\n", [Block(b"abc"), Line("0")]),
    "a block with leading zeros": (b"#40003abc\n", [Block(b"abc")]),
    "text that is not ASCII": (b"\xb5V\n", [Line("µV")]),
}


def all_of(parser: ResponseParser) -> list[Line | Block]:
    """Everything that is complete."""
    found = []
    while (response := parser.next_response()) is not None:
        found.append(response)
    return found


@pytest.mark.parametrize(("stream", "expected"), RESPONSES.values(), ids=RESPONSES)
def test_a_response_fed_whole(stream: bytes, expected: list[Any]) -> None:
    """All at once."""
    parser = ResponseParser()
    parser.feed(stream)
    assert all_of(parser) == expected
    assert parser.pending == b""


@pytest.mark.parametrize(("stream", "expected"), RESPONSES.values(), ids=RESPONSES)
def test_a_response_fed_byte_by_byte(stream: bytes, expected: list[Any]) -> None:
    """One byte at a time: never too early, never lost."""
    parser = ResponseParser()
    found: list[Any] = []
    for place in range(len(stream)):
        parser.feed(stream[place : place + 1])
        found += all_of(parser)
    assert found == expected


@pytest.mark.parametrize(("stream", "expected"), RESPONSES.values(), ids=RESPONSES)
def test_a_response_with_the_beginning_of_the_next_behind(
    stream: bytes, expected: list[Any]
) -> None:
    """What follows stays in the buffer and is shown as pending."""
    parser = ResponseParser()
    parser.feed(stream + b"+9.1")
    assert all_of(parser) == expected
    assert parser.pending == b"+9.1"
    assert parser.reset() == b"+9.1" and parser.pending == b""


VIOLATIONS = {
    "an indefinite block": (b"#0abc\n", "indefinite one has no end"),
    "a length that is no number": (b"#3 12abc", "3 digits of block length"),
    "a block beyond the cap": (b"#9999999999", "a block of at most 1000 bytes"),
    "a line beyond the cap": (b"x" * 1001, "a response of at most 1000 bytes"),
}


@pytest.mark.parametrize(("stream", "says"), VIOLATIONS.values(), ids=VIOLATIONS)
def test_what_cannot_be_a_response_is_refused_and_forgotten(stream: bytes, says: str) -> None:
    """The parser says what it expected, and is empty afterwards."""
    parser = ResponseParser(cap_bytes=1000)

    def feed_and_take() -> None:
        parser.feed(stream)
        parser.next_response()

    with pytest.raises(ProtocolViolation, match=says):
        feed_and_take()
    assert parser.pending == b""
    parser.feed(b"1\n")
    assert parser.next_response() == Line("1")


@given(payloads=st.lists(st.binary(max_size=40), max_size=5), cuts=st.lists(st.integers(0, 300)))
def test_blocks_come_through_whatever_is_in_them_and_however_they_are_cut(
    payloads: list[bytes], cuts: list[int]
) -> None:
    """Round trip for any bytes."""
    stream = b"".join(
        b"#" + str(len(str(len(one)))).encode() + str(len(one)).encode() + one + b"\n"
        for one in payloads
    )
    parser = ResponseParser()
    places = sorted({0, len(stream), *(cut for cut in cuts if cut < len(stream))})
    found: list[Any] = []
    for start, stop in pairwise(places):
        parser.feed(stream[start:stop])
        found += all_of(parser)
    assert found == [Block(one) for one in payloads]


@given(chunks=st.lists(st.binary(max_size=60), max_size=12))
def test_junk_is_refused_or_ignored_but_never_breaks_the_parser(chunks: list[bytes]) -> None:
    """Nothing but ProtocolViolation comes out of it, and the buffer keeps its cap."""
    parser = ResponseParser(cap_bytes=200)
    for chunk in chunks:
        try:
            parser.feed(chunk)
            all_of(parser)
        except ProtocolViolation:
            assert parser.pending == b""
        assert len(parser.reset()) <= 200


NUMBERS = {
    "NR1": ("-101", -101.0),
    "NR2": ("-101.25", -101.25),
    "NR3": ("-1.0125E+02", -101.25),
    "leading point": (".5", 0.5),
    "trailing point": ("5.", 5.0),
    "plus": ("+1e3", 1000.0),
    "spaces": ("  7 ", 7.0),
    "hexadecimal": ("#H1F", 31.0),
    "octal": ("#Q17", 15.0),
    "binary": ("#b101", 5.0),
    "SCPI not a number": ("9.910000E+37", 9.91e37),
    "minus infinity": ("-INF", -np.inf),
    "NINF": ("NINF", -np.inf),
}


@pytest.mark.parametrize(("text", "value"), NUMBERS.values(), ids=NUMBERS)
def test_every_form_of_number_is_read(text: str, value: float) -> None:
    """NRf of IEEE 488.2 and non-decimal numeric data (from memory)."""
    assert number(text) == value


def test_not_a_number_can_be_spelt_out() -> None:
    """NAN is a word of SCPI."""
    assert np.isnan(number("NAN"))


NO_NUMBERS = ["", "abc", "1,2", "1_000", "#HXY", "#", "0x1F", "1.2.3", "1 000", "--1", "#B2", "١"]


@pytest.mark.parametrize("text", NO_NUMBERS)
def test_what_is_no_number_is_refused(text: str) -> None:
    """Python takes more than SCPI means; digits of other scripts are one of them."""
    with pytest.raises(ProtocolViolation):
        number(text)


def test_a_list_of_numbers_is_read_with_a_forgiven_comma_at_its_end() -> None:
    """Some firmware ends the list like that."""
    assert numbers("-101.25, -1.0E+2,9.91E37").tolist() == [-101.25, -100.0, 9.91e37]
    assert numbers("1,2,").tolist() == [1.0, 2.0]
    assert numbers("#H1F,2").tolist() == [31.0, 2.0]
    assert numbers("").size == 0


@pytest.mark.parametrize("text", ["1,x,3", "1,,3", "1_0,2", "1;2"])
def test_a_list_with_something_else_in_it_is_refused(text: str) -> None:
    """No point is invented."""
    with pytest.raises(ProtocolViolation):
        numbers(text)


@given(st.text(max_size=40))
def test_any_text_is_numbers_or_a_violation(text: str) -> None:
    """Nothing else is raised."""
    for read in (number, numbers, error_entry, identity):
        try:
            read(text)
        except ProtocolViolation:
            pass


LEVELS = np.array([-101.25, -99.5, 0.0, -87.125, 9.91e37])


@pytest.mark.parametrize("width", [4, 8], ids=["REAL,32", "REAL,64"])
@pytest.mark.parametrize("order", ["big", "little"])
@pytest.mark.parametrize("told", [True, False], ids=["told", "guessed"])
def test_blocks_of_reals_are_read_in_both_byte_orders(width: int, order: str, told: bool) -> None:
    """Whether the order is known or found by which of the two gives levels."""
    sign = {"big": ">", "little": "<"}[order]
    payload = struct.pack(f"{sign}5{'f' if width == 4 else 'd'}", *LEVELS)
    got = decode_reals(payload, width=width, byte_order=order if told else None)
    expected = LEVELS.astype(np.float32 if width == 4 else np.float64)
    assert np.array_equal(got, expected) and got.dtype.isnative


@given(
    levels=st.lists(st.floats(-249, 100, width=32), min_size=8, max_size=300),
    swap=st.booleans(),
)
def test_the_byte_order_of_real_noise_is_always_found(levels: list[float], swap: bool) -> None:
    """Levels of a sweep do not look like levels backwards (tiny values aside)."""
    values = np.array([level if abs(level) > 1e-3 else -100.0 for level in levels], np.float32)
    payload = values.astype("<f4" if swap else ">f4").tobytes()
    got = decode_reals(payload, width=4, byte_order=None)
    # A level whose bytes read the same backwards, or as a level, proves nothing either way.
    assert np.array_equal(got, values) or np.array_equal(got, values.byteswap())
    if len(set(levels)) > 4:
        share = np.mean((np.abs(values.byteswap()) < 250) & (np.abs(values.byteswap()) > 1e-6))
        if share < 0.5:
            assert np.array_equal(got, values)


def test_a_block_cut_within_a_value_is_refused() -> None:
    """Bytes that are no whole number of values."""
    with pytest.raises(ProtocolViolation, match="4 bytes a value"):
        decode_reals(bytes(10), width=4, byte_order="big")


def test_a_block_that_is_levels_in_neither_order_is_refused() -> None:
    """Random bytes are not a trace."""
    payload = struct.pack(">4f", 1e20, -1e25, 3e30, 1e15)
    with pytest.raises(ProtocolViolation, match="byte order"):
        decode_reals(payload, width=4, byte_order=None)


IDENTITIES = {
    "four fields": (
        "ACME,MODEL 1,SN0001,1.02",
        Identity(maker="ACME", model="MODEL 1", serial_number="SN0001", firmware="1.02"),
    ),
    "commas in the firmware": (
        'ACME, MODEL 1 , SN0001, "1.02,b,c"',
        Identity(maker="ACME", model="MODEL 1", serial_number="SN0001", firmware="1.02,b,c"),
    ),
    "nothing known": ("ACME,MODEL 1,0,0", Identity(maker="ACME", model="MODEL 1")),
    "two fields": ("ACME,MODEL 1", Identity(maker="ACME", model="MODEL 1")),
    "a name alone": ("sweeper v2", Identity(model="sweeper v2")),
    "control characters": (
        "AC\x00ME,M\x07,1,2",
        Identity(maker="ACME", model="M", serial_number="1", firmware="2"),
    ),
    "ones for a serial number": (
        "ACME,M,-1,1",
        Identity(maker="ACME", model="M", serial_number="-1", firmware="1"),
    ),
}


@pytest.mark.parametrize(("text", "expected"), IDENTITIES.values(), ids=IDENTITIES)
def test_identities_of_many_shapes_are_read(text: str, expected: Identity) -> None:
    """As makers write them."""
    assert identity(text) == expected


ERRORS = {
    "none": ('0,"No error"', (0, "No error")),
    "signed": ('+0,"No error"', (0, "No error")),
    "with info": ('-222,"Data out of range;FREQ:STAR"', (-222, "Data out of range;FREQ:STAR")),
    "without quotes": ("-113, Undefined header", (-113, "Undefined header")),
    "a comma in it": ('301,"Overload, input 1"', (301, "Overload, input 1")),
}


@pytest.mark.parametrize(("text", "expected"), ERRORS.values(), ids=ERRORS)
def test_error_entries_are_read(text: str, expected: tuple[int, str]) -> None:
    """Number and text of SYST:ERR?."""
    assert error_entry(text) == expected


@pytest.mark.parametrize("text", ["", "1", "no error", "-1.5E+01", ","])
def test_other_answers_are_no_error_entries(text: str) -> None:
    """A late number must not pass for an empty queue."""
    with pytest.raises(ProtocolViolation):
        error_entry(text)
