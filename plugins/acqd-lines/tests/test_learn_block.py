"""Guesses about sweeps in binary values."""

from __future__ import annotations

import numpy as np
import pytest
from acqd_lines.checksums import Checksum
from acqd_lines.learn_block import BlockShape, Length, guess_block, roughness, values_of

RNG = np.random.default_rng(7)
POINTS = 101


def levels(low: float, high: float) -> np.ndarray:
    """A floor with noise, and a carrier in the middle."""
    values = low + (high - low) * 0.02 * RNG.standard_normal(POINTS)
    values[POINTS // 2] = high
    return values


def best(data: bytes, points: int | None = None) -> BlockShape:
    return guess_block(data, points=points)[0].value


def test_sync_count_words_and_crc_are_found_unasked() -> None:
    """All that the block says of itself, without the number of points."""
    payload = levels(4000, 10700).astype("<u2").tobytes()
    proven = POINTS.to_bytes(2, "little") + payload
    crc = Checksum(kind="crc16", polynomial=0x1021, initial=0xFFFF).of(proven)
    shape = best(b"\xa5\x5a" + proven + crc.to_bytes(2, "little"))
    assert (shape.type, shape.order) == ("u16", "little")
    assert shape.length == Length(at=0, width=2, order="little", each=2)
    assert (shape.head[: shape.sync], shape.payload) == (b"\xa5\x5a", payload)
    assert shape.checksum is not None
    assert (shape.checksum.kind, shape.checksum.order) == ("crc16", "little")
    assert shape.counted_from == 2


@pytest.mark.parametrize(
    ("kind", "order", "low", "high"),
    [
        ("<u2", "little", 3000, 9000),
        (">u2", "big", 3000, 9000),
        (">i2", "big", -9000, -4000),
        ("<f4", "little", -95.0, -40.0),
        (">f4", "big", -95.0, -40.0),
    ],
)
def test_type_and_order_follow_from_the_values(
    kind: str, order: str, low: float, high: float
) -> None:
    """A definite block of IEEE 488.2 says its length and nothing of its values."""
    payload = levels(low, high).astype(kind).tobytes()
    data = f"#3{len(payload)}".encode() + payload + b"\n"
    shape = best(data, POINTS)
    size = int(kind[-1])
    names = {("u", 2): ("u16",), ("i", 2): ("i16",), ("f", 4): ("f32",)}[kind[1], size]
    assert shape.length == "definite"
    assert (shape.type, shape.order) == (names[0], order)
    assert shape.tail == b"\n"


def test_a_bare_block_needs_the_number_of_points() -> None:
    """Nothing but values: nothing is found without it."""
    payload = levels(3000, 9000).astype("<u2").tobytes()
    assert guess_block(payload) == []
    shape = best(payload, POINTS)
    assert (shape.type, shape.order, shape.head, shape.tail) == ("u16", "little", b"", b"")


@pytest.mark.parametrize("kind", ["sum8", "xor8"])
def test_small_checksums_are_tried(kind: str) -> None:
    """Over the values."""
    payload = levels(60, 180).astype("u1").tobytes()
    total = Checksum(kind=kind).of(payload)
    shape = best(b"\x02" + payload + bytes([total]), POINTS)
    assert shape.checksum is not None
    assert (shape.type, shape.checksum.kind) == ("u8", kind)


def test_an_unknown_checksum_stays_a_tail() -> None:
    """Nothing is claimed that does not hold."""
    payload = levels(3000, 9000).astype("<u2").tobytes()
    shape = best(b"\xa5\x5a" + POINTS.to_bytes(2, "little") + payload + b"\x12\x34", POINTS)
    assert shape.checksum is None
    assert (shape.payload, shape.tail) == (payload, b"\x12\x34")


def test_values_come_out_unscaled() -> None:
    """Of the type and order that the shape says."""
    shape = best(np.array([1, 2, 3, 4], ">u2").tobytes(), 4)
    assert values_of(
        BlockShape(
            type="u16", order="big", head=b"", sync=0, payload=shape.payload, tail=b"", length=None
        )
    ).tolist() == [1.0, 2.0, 3.0, 4.0]


def test_levels_are_smoother_than_chance() -> None:
    """The right order reads smooth, the wrong one rough; nonsense is as rough as can be."""
    payload = levels(3000, 9000).astype("<u2").tobytes()
    right = roughness(np.frombuffer(payload, "<u2").astype(float))
    wrong = roughness(np.frombuffer(payload, ">u2").astype(float))
    assert right < 0.4 < wrong
    assert roughness(np.array([1.0, np.nan, 2.0])) == 1.0
    assert roughness(np.zeros(10)) == 1.0


@pytest.mark.parametrize("data", [b"", b"#", b"#9", b"#0\n", b"\x00", b"ab"])
def test_scraps_are_no_block(data: bytes) -> None:
    """And raise nothing."""
    assert guess_block(data) == []
    assert guess_block(data, points=101) == []
