"""Levels and frequencies out of what came, exactly."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import numpy as np
import pytest
from acqd_lines.values import (
    ValueFormat,
    decode,
    decode_axis,
    decode_block,
    decode_lines,
    parse_number,
)
from hypothesis import given
from hypothesis import strategies as st

from acqd.canonical import canonical_levels, codes_from_levels
from acqd.errors import ProtocolViolation
from acqd.units import LevelUnit

TEXTS: list[tuple[str, dict[str, Any], list[str], list[float], float | None]] = [
    ("blanks", {}, ["-97.25 -98", "-99.5"], [-97.25, -98.0, -99.5], 0.01),
    ("commas", {"separators": (",",)}, ["-97, -98.5,"], [-97.0, -98.5], 0.1),
    ("two signs", {"separators": (",", ":")}, ["1:2,3"], [1.0, 2.0, 3.0], 1.0),
    (
        "decimal comma",
        {"separators": (";",), "decimal_comma": True},
        ["-97,25;-98"],
        [-97.25, -98.0],
        0.01,
    ),
    ("unit behind", {"separators": (",",), "suffixes": ("dBm",)}, ["-9 dBm,-8dBm"], [-9, -8], 1.0),
    ("scaled", {"scale": Decimal("0.01")}, ["-9725 -9800"], [-97.25, -98.0], 0.01),
    ("falling", {"scale": Decimal(-1)}, ["97 98"], [-97.0, -98.0], 1.0),
    ("offset", {"scale": Decimal("0.5"), "offset": Decimal("-174.3")}, ["2"], [-173.3], 0.1),
    ("missing", {"missing": ("---", "ovl")}, ["-9 --- OVL"], [-9.0, np.nan, np.nan], 1.0),
    ("exponents", {}, ["-9.725E+01 -9.8e1"], [-97.25, -98.0], 0.01),
    ("millivolts", {"unit": "dBmV"}, ["-45.23"], [14.77], 0.01),
]  # fmt: skip


@pytest.mark.parametrize(("name", "more", "lines", "level", "step"), TEXTS)
def test_texts_are_levels(
    name: str, more: dict[str, Any], lines: list[str], level: list[float], step: float | None
) -> None:
    """To the bit, with the step that they lie on."""
    decoded = decode_lines(lines, ValueFormat(**more))
    assert decoded.level.tolist() == pytest.approx(level, abs=0, nan_ok=True)
    assert decoded.resolution == step
    assert decoded.frequency_hz is None


def test_columns_have_names() -> None:
    """Frequency and level, something between them that nobody wants; kHz are exact hertz."""
    form = ValueFormat(columns=("frequency", "-", "level"), frequency_unit="kHz")
    decoded = decode_lines(["156300.001 x -97.1", "156310 y -98"], form)
    assert decoded.frequency_hz is not None
    assert decoded.frequency_hz.tolist() == [156300001.0, 156310000.0]
    assert decoded.level.tolist() == [-97.1, -98.0]


def test_complex_levels_are_ratios() -> None:
    """Real and imaginary parts beside each other."""
    form = ValueFormat(columns=("real", "imaginary"), unit="1")
    decoded = decode_lines(["0.5 -0.25", "0 1"], form)
    assert decoded.level.tolist() == [0.5 - 0.25j, 1j]
    assert form.level_unit is LevelUnit.RATIO


@pytest.mark.parametrize(
    ("lines", "more", "said"),
    [
        (["-97 x"], {}, "expected a number as value 2, got 'x'"),
        (["1_0"], {}, "expected a number"),
        (["nan"], {}, "expected a number"),
        (["-97,5"], {}, "expected a number"),
        (["-97.5"], {"decimal_comma": True, "separators": (";",)}, "expected a number"),
        (["1,,2"], {"separators": (",",)}, "expected a number as value 2"),
        (["1 2 3"], {"columns": ("frequency", "level")}, "2 columns"),
    ],
)
def test_what_is_no_number_is_refused(lines: list[str], more: dict[str, Any], said: str) -> None:
    """With the place."""
    with pytest.raises(ProtocolViolation, match=said):
        decode_lines(lines, ValueFormat(**more))


TYPES = {
    "i8": ("i1", -(2**7), 2**7 - 1), "u8": ("u1", 0, 2**8 - 1),
    "i16": ("i2", -(2**15), 2**15 - 1), "u16": ("u2", 0, 2**16 - 1),
    "i32": ("i4", -(2**31), 2**31 - 1), "u32": ("u4", 0, 2**32 - 1),
}  # fmt: skip


@given(
    st.sampled_from(sorted(TYPES)),
    st.sampled_from(["big", "little"]),
    st.sampled_from(["1", "0.5", "0.25", "0.1", "0.01", "0.0078125", "-0.5"]),
    st.sampled_from(["0", "-40", "12.5"]),
    st.lists(st.floats(0, 1), min_size=1, max_size=50),
)
def test_binary_values_come_back(
    kind: str, order: str, scale: str, offset: str, shares: list[float]
) -> None:
    """Packed here, decoded there; each level is the nearest float to the exact decimal."""
    code, low, high = TYPES[kind]
    raw = [int(low + share * (high - low)) for share in shares]
    data = np.array(raw, dtype=f"{'>' if order == 'big' else '<'}{code}").tobytes()
    form = ValueFormat(
        type=kind,
        order=order,
        scale=Decimal(scale),
        offset=Decimal(offset),
    )
    got = decode_block(data, form)
    exact = [float(Decimal(value) * Decimal(scale) + Decimal(offset)) for value in raw]
    assert got.level.tolist() == exact


@given(st.sampled_from(["f32", "f64"]), st.sampled_from(["big", "little"]), st.data())
def test_floats_come_back_to_the_bit(kind: str, order: str, data: Any) -> None:
    """Also those that are no numbers; the checks of the host see to them."""
    width = 32 if kind == "f32" else 64
    values = data.draw(st.lists(st.floats(width=width), min_size=1, max_size=20))
    packed = np.array(values, dtype=f"{'>' if order == 'big' else '<'}f{width // 8}").tobytes()
    got = decode_block(packed, ValueFormat(type=kind, order=order))
    assert got.level.dtype == np.dtype(f"f{width // 8}")
    assert np.array_equal(got.level, np.array(values, dtype=f"f{width // 8}"), equal_nan=True)


def test_binary_codes_may_mean_that_there_is_no_level() -> None:
    """They become NaN and nothing else does."""
    form = ValueFormat(type="i16", order="little", scale=Decimal("0.1"), missing=(-32768,))
    decoded = decode_block(np.array([-971, -32768], dtype="<i2").tobytes(), form)
    assert decoded.level[0] == -97.1
    assert np.isnan(decoded.level[1])


@pytest.mark.parametrize("payload", [b"", b"\0\0\0"])
def test_half_a_value_is_refused(payload: bytes) -> None:
    """A block is a whole number of values, and not empty."""
    with pytest.raises(ProtocolViolation, match="values of 2 bytes each"):
        decode_block(payload, ValueFormat(type="i16"))


@given(
    st.lists(st.integers(-2000, 2000), min_size=1, max_size=60),
    st.integers(0, 3),
    st.sampled_from(["dBm", "dBmV"]),
)
def test_levels_are_packed_without_loss(codes: list[int], decimals: int, unit: str) -> None:
    """What is written with so many decimals is a whole number of steps in the archive."""
    step = 10.0**-decimals
    words = [f"{Decimal(code).scaleb(-decimals):f}" for code in codes]
    decoded = decode_lines([" ".join(words)], ValueFormat(unit=unit))
    canonical = canonical_levels(decoded.level, decoded.resolution)
    assert canonical.dtype == np.float32
    back = codes_from_levels(canonical, step)
    added = 60 * 10**decimals if unit == "dBmV" else 0
    assert back is not None
    assert back.tolist() == [code + added for code in codes]


@pytest.mark.parametrize(
    ("lines", "values"),
    [
        (["4A4B00"], [37.0, 37.5, 0.0]),
        (["4a 4b", "00"], [37.0, 37.5, 0.0]),
        (["4A,4B;00:"], [37.0, 37.5, 0.0]),
    ],
)
def test_bytes_may_be_written_as_digits(lines: list[str], values: list[float]) -> None:
    """Two a byte, in either case, with the usual signs between them or none; lines are joined."""
    decoded = decode(lines, b"", ValueFormat(type="u8", scale=Decimal("0.5")))
    assert decoded.level.tolist() == values
    assert decoded.resolution == 0.5
    words = decode(["FFFE", "0100"], b"", ValueFormat(type="i16", order="big"))
    assert words.level.tolist() == [-2.0, 256.0]


@pytest.mark.parametrize("lines", [["4A4"], ["4A 4G"], ["-4A"], [" "]])
def test_other_text_is_no_bytes(lines: list[str]) -> None:
    """Half a byte, other letters, signs."""
    with pytest.raises(ProtocolViolation, match="hexadecimal digits, two a byte"):
        decode(lines, b"", ValueFormat(type="u8"))


def test_an_axis_is_a_list_of_frequencies() -> None:
    """In the unit that the profile says."""
    form = ValueFormat(separators=(",",), frequency_unit="MHz")
    assert decode_axis(["156.3,156.31"], form).tolist() == [156.3e6, 156.31e6]


def test_a_number_by_itself() -> None:
    """With either decimal sign, but not the wrong one."""
    assert parse_number(" -97,5", decimal_comma=True) == -97.5
    with pytest.raises(ProtocolViolation):
        parse_number("97,5")
