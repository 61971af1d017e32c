"""Checksums against published check values, and against Python's own."""

from __future__ import annotations

import binascii
import zlib

import pytest
from acqd_lines.checksums import Checksum, crc16
from hypothesis import given
from hypothesis import strategies as st

CHECK = b"123456789"
CRC16S = [
    # polynomial, initial, reflected, final xor, check value: catalogue of parametrised CRC
    # algorithms, from memory
    (0x1021, 0xFFFF, False, 0x0000, 0x29B1),
    (0x1021, 0x0000, False, 0x0000, 0x31C3),
    (0x1021, 0xFFFF, False, 0xFFFF, 0xD64E),
    (0x1021, 0x0000, True, 0x0000, 0x2189),
    (0x1021, 0xFFFF, True, 0xFFFF, 0x906E),
    (0x8005, 0x0000, True, 0x0000, 0xBB3D),
    (0x8005, 0xFFFF, True, 0x0000, 0x4B37),
    (0x8005, 0xFFFF, True, 0xFFFF, 0xB4C8),
    (0x8005, 0x0000, False, 0x0000, 0xFEE8),
    (0x3D65, 0x0000, True, 0xFFFF, 0xEA82),
]


@pytest.mark.parametrize(("polynomial", "initial", "reflected", "final_xor", "check"), CRC16S)
def test_a_16_bit_crc_has_its_published_check_value(
    polynomial: int, initial: int, reflected: bool, final_xor: int, check: int
) -> None:
    """Ten variants, by their parameters."""
    got = crc16(
        CHECK, polynomial=polynomial, initial=initial, reflected=reflected, final_xor=final_xor
    )
    assert got == check


@given(st.binary(max_size=300))
def test_it_agrees_with_pythons_own(data: bytes) -> None:
    """binascii has the one with polynomial 0x1021 that begins at 0, zlib the 32-bit one."""
    assert crc16(data, polynomial=0x1021, initial=0) == binascii.crc_hqx(data, 0)
    assert Checksum(kind="crc32").of(data) == zlib.crc32(data)


def test_the_plain_ones() -> None:
    """The sum of the bytes, their exclusive or, and the 32-bit check value."""
    assert Checksum(kind="sum8").of(CHECK) == 0xDD
    assert Checksum(kind="xor8").of(CHECK) == 0x31
    assert Checksum(kind="crc32").of(CHECK) == 0xCBF43926


@pytest.mark.parametrize("kind", ["sum8", "xor8", "crc16", "crc32"])
@pytest.mark.parametrize("form", ["hex", "bytes"])
@pytest.mark.parametrize("order", ["big", "little"])
def test_what_is_written_is_read(kind: str, form: str, order: str) -> None:
    """In digits and in bytes, both ways round; something else is nothing."""
    checksum = Checksum(kind=kind, form=form, order=order)
    value = checksum.of(CHECK)
    written = checksum.written(value)
    assert len(written) == checksum.written_bytes
    assert checksum.read(written) == value
    assert checksum.read(written.lower() if form == "hex" else written) == value
    assert checksum.read(written + b"0") is None
    if form == "hex":
        assert checksum.read(b"+" + written[1:]) is None
