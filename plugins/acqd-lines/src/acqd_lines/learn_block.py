"""Guesses about a sweep that came as binary values: framing, type, byte order, checksum. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from acqd.errors import ProtocolViolation
from acqd_lines.checksums import Checksum
from acqd_lines.digits import bytes_of_digits
from acqd_lines.learn_guess import Guess
from acqd_lines.values import BINARY_TYPES, BinaryType

__all__ = ["KNOWN_CHECKSUMS", "BlockShape", "Length", "guess_block", "guess_digits", "values_of"]

Float = NDArray[np.float64]
Order = Literal["big", "little"]
ORDERS: Final[tuple[Order, ...]] = ("little", "big")

LEAST_POINTS = 3
LONGEST_HEAD = 16
"""Bytes before the values: sync and header together."""
LONGEST_TAIL = 8
SMOOTH = 0.3
"""Smoother than this is smooth: less says nothing more."""
TYPES: Final[tuple[BinaryType, ...]] = ("u16", "i16", "u8", "i8", "f32", "i32", "u32", "f64")

KNOWN_CHECKSUMS: Final[tuple[Checksum, ...]] = (
    *(
        Checksum(kind="crc16", polynomial=p, initial=i, reflected=r, form="bytes", order=o)
        for p, i, r in (
            (0x1021, 0xFFFF, False),
            (0x1021, 0x0000, False),
            (0x1021, 0x0000, True),
            (0x8005, 0xFFFF, True),
            (0x8005, 0x0000, True),
        )
        for o in ORDERS
    ),
    *(Checksum(kind="crc32", form="bytes", order=o) for o in ORDERS),
    Checksum(kind="sum8", form="bytes"),
    Checksum(kind="xor8", form="bytes"),
)
"""The checksums that are tried; any other stays a tail that nobody checks."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Length:
    """A field of the header that says how many values, or bytes, follow.

    ``at`` counts from the first byte after the sync bytes.
    """

    at: int
    width: int
    order: Order
    each: int


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockShape:
    """How a sweep stands in a block of bytes.

    ``head`` are the bytes before the values: ``sync`` of them are the same each time, the rest is
    header. ``length`` is a field of it, or "definite" for a block of IEEE 488.2, or None where only
    the number of points says how long it is. ``counted_from`` says from which byte on ``checksum``
    counts. ``digits`` says that all of it was written as hexadecimal digits, in one line.
    """

    type: BinaryType
    order: Order
    head: bytes
    sync: int
    payload: bytes
    tail: bytes
    length: Length | Literal["definite"] | None
    checksum: Checksum | None = None
    counted_from: int = 0
    digits: bool = False

    @property
    def points(self) -> int:
        return len(self.payload) // BINARY_TYPES[self.type]


def values_of(shape: BlockShape) -> Float:
    """The numbers of the payload, unscaled."""
    kind = {"i": "i", "u": "u", "f": "f"}[shape.type[0]]
    order = "<" if shape.order == "little" else ">"
    raw = np.frombuffer(shape.payload, dtype=f"{order}{kind}{BINARY_TYPES[shape.type]}")
    with np.errstate(invalid="ignore"):  # any bytes are tried as floats
        return raw.astype(np.float64)


def guess_block(data: bytes, *, points: int | None = None) -> list[Guess[BlockShape]]:
    """What ``data`` may be as a sweep in binary values, best first; at most 20.

    Args:
        data: the answer without echo and prompt.
        points: how many the user expects. Without it only blocks that state their length are found.
    """
    shapes = [*_definite(data), *_counted(data, points)]
    if points is not None:
        shapes += _plain(data, points)
    guesses = [_judged(shape, points) for shape in shapes if shape.points >= LEAST_POINTS]
    best: dict[tuple[object, ...], Guess[BlockShape]] = {}
    for guess in sorted(guesses, key=lambda one: -one.weight):
        shape = guess.value
        best.setdefault((shape.type, shape.order, len(shape.head), len(shape.tail)), guess)
    return list(best.values())[:20]


def guess_digits(text: str, *, points: int) -> list[Guess[BlockShape]]:
    """What one line of hexadecimal digits may be as a sweep, two a byte, best first.

    Only what a profile can say: nothing but the values, and a checksum behind them or nothing.
    """
    try:
        data = bytes_of_digits(text)
    except ProtocolViolation:
        return []
    # Text that is nothing but digits of bytes is so seldom by chance.
    return [
        Guess(
            value=replace(guess.value, digits=True, checksum=_in_digits(guess.value.checksum)),
            reason=f"one line of hexadecimal digits, two a byte; {guess.reason}",
            weight=min(1.0, guess.weight + 0.4),
        )
        for guess in guess_block(data, points=points)
        if not guess.value.head and _is_whole(guess.value)
    ]


def _is_whole(shape: BlockShape) -> bool:
    checksum = shape.checksum
    if checksum is None:
        return not shape.tail
    return len(shape.tail) == 1 or checksum.order == "big"


def _in_digits(checksum: Checksum | None) -> Checksum | None:
    return None if checksum is None else replace(checksum, form="hex", over="bytes", order="big")


# --- where the values stand ---------------------------------------------------------------------


def _definite(data: bytes) -> Iterator[BlockShape]:
    """Blocks of IEEE 488.2: #, one digit n, n digits length."""
    if data[:1] != b"#" or not data[1:2].isdigit() or data[1:2] == b"0":
        return
    digits = int(data[1:2])
    number = data[2 : 2 + digits]
    if not number.isdigit() or len(data) < 2 + digits + int(number):
        return
    end = 2 + digits + int(number)
    for kind, order in _types(int(number)):
        yield BlockShape(
            type=kind,
            order=order,
            head=data[: 2 + digits],
            sync=0,
            payload=data[2 + digits : end],
            tail=data[end:],
            length="definite",
        )


def _types(size: int) -> Iterator[tuple[BinaryType, Order]]:
    for kind in TYPES:
        if size % BINARY_TYPES[kind] == 0:
            for order in ORDERS[: 1 if BINARY_TYPES[kind] == 1 else 2]:
                yield kind, order


def _counted(data: bytes, points: int | None) -> Iterator[BlockShape]:
    """Blocks with a field in their head that counts what follows, to within a short tail."""
    for at in range(min(LONGEST_HEAD, len(data))):
        for width in (4, 2, 1):
            for order in ORDERS[: 1 if width == 1 else 2]:
                number = int.from_bytes(data[at : at + width], order)
                # One byte that fits is too easily chance, where no number of points bears it out.
                if number >= LEAST_POINTS and (width > 1 or points is not None):
                    yield from _after_field(data, at, width, order, number, points)


def _after_field(
    data: bytes, at: int, width: int, order: Order, number: int, points: int | None
) -> Iterator[BlockShape]:
    for rest in (0, 2, 4):
        start = at + width + rest
        for each in (1, 2, 4, 8):
            end = start + number * each
            if not len(data) - LONGEST_TAIL <= end <= len(data):
                continue
            for kind, value_order in _types(number * each):
                size = BINARY_TYPES[kind]
                if each > 1 and each != size:
                    continue
                if points is not None and number * each != points * size:
                    continue
                yield BlockShape(
                    type=kind,
                    order=value_order,
                    head=data[:start],
                    sync=at,
                    payload=data[start:end],
                    tail=data[end:],
                    length=Length(at=0, width=width, order=order, each=each),
                )


def _plain(data: bytes, points: int) -> Iterator[BlockShape]:
    """Nothing but the number of points says where the values are: all ways to place them."""
    for kind, order in _types(0):
        spare = len(data) - points * BINARY_TYPES[kind]
        if not 0 <= spare <= LONGEST_HEAD + LONGEST_TAIL:
            continue
        for tail in range(min(spare, LONGEST_TAIL) + 1):
            head = spare - tail
            if head <= LONGEST_HEAD:
                yield BlockShape(
                    type=kind,
                    order=order,
                    head=data[:head],
                    sync=head,
                    payload=data[head : len(data) - tail],
                    tail=data[len(data) - tail :],
                    length=None,
                )


# --- how likely it is ---------------------------------------------------------------------------


def _judged(shape: BlockShape, points: int | None) -> Guess[BlockShape]:
    reasons: list[str] = []
    weight = 0.2
    checked = _with_checksum(shape)
    if checked.checksum is not None:
        weight += 0.3 if len(checked.tail) > 1 else 0.15
        reasons.append(f"its {checked.checksum.kind} holds")
    if checked.length is not None:
        strong = checked.length == "definite" or checked.length.width > 1
        weight += 0.25 if strong else 0.1
        reasons.append("its head states its length")
    if points is not None and shape.points == points:
        weight += 0.05
        reasons.append(f"{points} values, as many as asked for")
    values = values_of(shape)
    rough = roughness(values)
    weight += 0.3 * (1.0 - max(rough, SMOOTH))
    if shape.type.startswith("i") and values.min() < 0.0 <= values.max():
        weight -= 0.03  # levels of one sweep seldom have both signs
    elif shape.type.startswith("u") and rough < 1.0 and values.min() >= _half(shape.type):
        weight -= 0.03  # all in the upper half: rather negative numbers
    reasons.append(f"neighbouring values differ by {rough:.0%} of what chance would give")
    # Bytes that nothing explains count against it.
    idle = len(shape.tail) if checked.checksum is None else 0
    idle += shape.sync if shape.length is None else 0
    weight -= 0.02 * idle
    if isinstance(shape.length, Length):
        weight -= 0.03 * (len(shape.head) - shape.sync - shape.length.width)
    return Guess(value=checked, reason="; ".join(reasons), weight=max(0.0, min(1.0, weight)))


def _half(kind: BinaryType) -> float:
    return float(2 ** (8 * BINARY_TYPES[kind] - 1))


def roughness(values: Float) -> float:
    """How much neighbours differ, over how much values at random places do: 0 smooth, 1 chance.

    Wrong types and byte orders make numbers that jump at random over their whole range, whereas
    levels lie near a floor.
    """
    if values.size < LEAST_POINTS or not np.all(np.isfinite(values)):
        return 1.0
    low, high = float(values.min()), float(values.max())
    if high == low or max(abs(low), abs(high)) > 1e9:
        return 1.0
    if max(abs(low), abs(high)) < 1e-6:
        return 1.0
    steps = float(np.median(np.abs(np.diff(values))))
    spread = float(np.quantile(values, 0.9) - np.quantile(values, 0.1))
    peak = (high - low) or 1.0
    return float(min(1.0, max(steps, spread) / peak * 2.0))


def _with_checksum(shape: BlockShape) -> BlockShape:
    whole = shape.head + shape.payload
    for checksum in KNOWN_CHECKSUMS:
        if len(shape.tail) != checksum.written_bytes:
            continue
        written = checksum.read(shape.tail)
        for start in _starts(shape):
            if checksum.of(whole[start:]) == written:
                return replace(shape, checksum=checksum, counted_from=start)
    return shape


def _starts(shape: BlockShape) -> Sequence[int]:
    """From where a checksum may count: the payload, the header and it, all."""
    return list(dict.fromkeys((len(shape.head), shape.sync, 0)))
