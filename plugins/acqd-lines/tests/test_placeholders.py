"""Commands, and what is put into them."""

from __future__ import annotations

import struct
from decimal import Decimal

import pytest
from acqd_lines.placeholders import UnreadableCommand, command_of
from hypothesis import given
from hypothesis import strategies as st

from acqd.errors import RequestRefused

RENDERED = [
    ("go", b"go", {}),
    ("s {start:kHz:.3f}", b"s 156300.000", {"start": 156.3e6}),
    ("s {start:MHz}", b"s 156.3", {"start": 156.3e6}),
    ("s {start:Hz:d}", b"s 156300000", {"start": 156.3e6}),
    ("s {start:10Hz:d}", b"s 15630000", {"start": 156.3e6}),
    ("s {start:MHz:d}", b"s 156", {"start": 156e6}),
    ("s {start:Hz:010d}", b"s 0156300000", {"start": 156.3e6}),
    ("s {start:Hz:.4e}", b"s 1.5630e+08", {"start": 156.3e6}),
    ("n {points}{{x}}", b"n 401{x}", {"points": 401.0}),
    ("n{points:04X}", b"n0191", {"points": 401.0}),
    ("\u00a5{points:u16le}", b"\xa5\x91\x01", {"points": 401.0}),
    ("{start:Hz:u32be}", struct.pack(">I", 156_300_000), {"start": 156.3e6}),
    ("t {sweep_time:ms:d}", b"t 25", {"sweep_time": 0.025}),
    ("d {detector}", b"d PK", {}),
    ("g {source_level:dBm:.1f}", b"g -20.0", {"source_level": -20.0}),
]
VALUES: dict[str, float | str | None] = {
    "start": 156.3e6,
    "points": 401,
    "sweep_time": 0.025,
    "detector": "PK",
    "source_level": -20.0,
    "rbw": None,
}


@pytest.mark.parametrize(("text", "data", "sent"), RENDERED)
def test_values_are_put_in(text: str, data: bytes, sent: dict[str, float]) -> None:
    """As the format says; and what the sweeper will read out of it is known."""
    rendered = command_of(text).render(VALUES)
    assert rendered.data == data
    assert rendered.sent == pytest.approx(sent)


UNREADABLE = [
    ("s {strat}", "unknown placeholder `{strat}`; did you mean `start`?"),
    ("s {start:khz}", "unknown unit `khz`; did you mean `kHz`?"),
    ("s {start:dBm}", "unknown unit `dBm`"),
    ("s {start:kHz:x.}", "unknown format `x.`"),
    ("s {start:kHz:.3d}", "a whole number has no decimals"),
    ("s {points:kHz:d}", "a points has no unit"),
    ("s {start:kHz:d:d}", "too many parts"),
    ("d {detector:d}", "a word has no format"),
    ("s {start", "a stray `{`"),
    ("s }", "a stray `}`"),
    ("s €", "the character '€', which is not one byte"),
]


@pytest.mark.parametrize(("text", "said"), UNREADABLE)
def test_what_cannot_be_read_is_told(text: str, said: str) -> None:
    """In one sentence."""
    with pytest.raises(UnreadableCommand) as caught:
        command_of(text)
    assert said in caught.value.problem


def test_a_value_that_is_not_there_is_refused() -> None:
    """Nothing is sent in its place."""
    with pytest.raises(RequestRefused, match="rbw: asked for nothing"):
        command_of("b {rbw:kHz}").render(VALUES)


def test_a_number_too_large_for_its_bytes_is_refused() -> None:
    """It is not wrapped around."""
    with pytest.raises(RequestRefused, match="what fits into u16le"):
        command_of("{start:Hz:u16le}").render(VALUES)


@given(st.integers(0, 6_000_000_000))
def test_hertz_are_exact_in_every_unit(hz: int) -> None:
    """The shortest decimal says the whole frequency."""
    for unit, factor in (("Hz", 1), ("kHz", 10**3), ("MHz", 10**6), ("GHz", 10**9)):
        rendered = command_of(f"{{start:{unit}}}").render({"start": float(hz)})
        assert Decimal(rendered.data.decode()) * factor == hz
        assert rendered.sent["start"] == hz
