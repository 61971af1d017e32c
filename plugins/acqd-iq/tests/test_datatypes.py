"""Types of samples: names, byte orders, offsets, full scale."""

from __future__ import annotations

import numpy as np
import pytest
from acqd_iq.datatypes import parse_type

NAMES = [
    f"{letter}{number}{order}"
    for letter in "cr"
    for number in ("f32", "f64", "i32", "i16", "u32", "u16", "i8", "u8")
    for order in (("_le", "_be") if number[1:] != "8" else ("",))
]


@pytest.mark.parametrize("name", NAMES)
def test_every_type_gives_back_the_samples(name: str) -> None:
    """Known numbers in each type, encoded by plain struct-like rules, are decoded to full scale 1.

    For unsigned types zero is at half of all counts (SigMF 1.x), as for the signed ones.
    """
    kind = parse_type(name)
    wanted = np.array([0.5, -0.25, 0.125, 0.0, -0.5, 0.75])
    bits = 8 * kind.number.itemsize
    parts = wanted if kind.number.kind == "f" else wanted * 2.0 ** (bits - 1)
    if kind.number.kind == "u":
        parts = parts + 2.0 ** (bits - 1)
    raw = b"".join(
        np.array(part, dtype=kind.number.newbyteorder("=")).tobytes()[
            :: 1 if name.endswith(("_le", "8")) else -1
        ]
        for part in parts
    )
    decoded = kind.decode(np.frombuffer(raw, dtype=kind.number))
    found = decoded.samples
    if kind.is_complex:
        assert found.size == 3
        found = np.stack((found.real, found.imag), axis=1).ravel()
    np.testing.assert_array_equal(found, wanted)
    assert not decoded.at_full_scale
    assert kind.frame_bytes == kind.components * bits // 8


@pytest.mark.parametrize(
    ("name", "accepted"),
    [
        ("complex64", "ci16_le"),
        ("ci16", "ci16_le or ci16_be"),
        ("cu8_le", "cu8"),
        ("cf16_le", "cu8"),
        (16, "c or r"),
        ("CI16_LE", "c or r"),
    ],
)
def test_what_is_no_type_is_refused(name: object, accepted: str) -> None:
    """The error says what would be one."""
    with pytest.raises(ValueError, match=accepted):
        parse_type(name)


@pytest.mark.parametrize(
    ("name", "counts", "over"),
    [
        ("ci16_le", [32767, 0], True),
        ("ci16_le", [0, -32768], True),
        ("ci16_le", [32766, -32767], False),
        ("cu8", [255, 128], True),
        ("cu8", [128, 0], True),
        ("cu8", [254, 1], False),
        ("cf32_le", [1.0, 0.0], True),
        ("cf32_le", [0.0, -1.5], True),
        ("cf32_le", [0.999, -0.999], False),
    ],
)
def test_full_scale_is_seen(name: str, counts: list[float], over: bool) -> None:
    """The highest and the lowest count of an integer type, a magnitude of 1 of a float."""
    kind = parse_type(name)
    assert kind.decode(np.array(counts, dtype=kind.number)).at_full_scale is over


def test_a_converter_of_fewer_bits_has_a_full_scale_of_its_own() -> None:
    """12 bits in 16: 2048 counts are 1, and 2047 is at full scale."""
    kind = parse_type("ci16_le")
    decoded = kind.decode(np.array([1024, 0], dtype=kind.number), 2048)
    assert decoded.samples[0] == 0.5
    assert not decoded.at_full_scale
    assert kind.decode(np.array([2047, 0], dtype=kind.number), 2048).at_full_scale


def test_a_float_that_is_no_number_is_refused() -> None:
    """One of them would spoil every bin of its segment."""
    kind = parse_type("cf32_le")
    with pytest.raises(ValueError, match="not a finite number"):
        kind.decode(np.array([0.0, np.nan], dtype=kind.number))
