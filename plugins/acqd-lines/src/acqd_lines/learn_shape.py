"""From the answer to a sweep command, and known carriers, to what a profile says of it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from acqd_lines.checksums import Checksum, ChecksumKind
from acqd_lines.learn_block import BlockShape, guess_block, guess_digits, values_of
from acqd_lines.learn_guess import Guess, is_text
from acqd_lines.learn_known import (
    ABOVE_DBM,
    Carrier,
    Peak,
    Scaling,
    guess_frequency_unit,
    guess_peak,
    guess_scaling,
    peaks_of,
    resolution_of,
    stands_out,
)
from acqd_lines.learn_text import TextShape, guess_text
from acqd_lines.values import FREQUENCY_FACTORS

__all__ = ["Swept", "Understood", "text_checksum", "understand"]

Float = NDArray[np.float64]

PEAKS = 8
"""Highest peaks that are looked at for a carrier."""
MOST = 6
"""Candidates that are followed."""
WORTH = 0.3
"""What weighs less than this share of the best is not worth showing."""
LIKELY_DBM = (-200.0, 60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Swept:
    """What the sweeper was set to."""

    start_hz: float
    stop_hz: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """One way to read a sweep, with all that hangs on it.

    ``peaks`` are the peaks that the carriers were taken for, in their order. ``checksum`` is that
    of a last line of text. ``sure`` is False where no carrier bore out scale and unit.
    """

    shape: TextShape | BlockShape
    values: Float
    axis_hz: Float
    frequency_unit: str | None
    scaling: Scaling | None
    peaks: tuple[Peak, ...]
    sure: bool
    checksum: Checksum | None = None
    reasons: tuple[str, ...] = ()


def understand(
    answer: bytes,
    swept: Swept,
    carriers: Sequence[Carrier],
    *,
    places: Sequence[int | None] = (),
) -> list[Guess[Understood]]:
    """Ways to read ``answer``, best first.

    Args:
        answer: one sweep, without echo and prompt.
        swept: what was swept.
        carriers: what is connected and known.
        places: for each carrier the point that the user says it is at, None where they do not say.
    """
    text = answer.decode("latin-1") if is_text(answer) else ""
    shapes: list[Guess[TextShape | BlockShape]] = [
        Guess(value=one.value, reason=one.reason, weight=one.weight)
        for one in (guess_text(text, points=swept.points) if text else ())
    ]
    if not any(shape.value.points == swept.points for shape in shapes):
        shapes += [
            Guess(value=one.value, reason=one.reason, weight=one.weight)
            for one in (guess_digits(text, points=swept.points) if text else ())
        ]
        # Bytes of binary values may all happen to be letters.
        shapes += [
            Guess(value=one.value, reason=one.reason, weight=one.weight)
            for one in guess_block(answer, points=swept.points)
        ]
    # Nothing else counts as much as the number of points, which is known.
    right = [shape for shape in shapes if shape.value.points == swept.points]
    shapes = right or shapes
    shapes = [shape for shape in shapes if np.isfinite(_values(shape.value)).any()]
    # Any bytes are tried as numbers, and some are too large to be worked with.
    with np.errstate(over="ignore", invalid="ignore"):
        guesses = [_followed(shape, swept, carriers, places, text) for shape in shapes[:MOST]]
    best = max((guess.weight for guess in guesses), default=0.0)
    kept = [guess for guess in guesses if guess.weight >= WORTH * best]
    return sorted(kept, key=lambda guess: -guess.weight)


def _values(shape: TextShape | BlockShape) -> Float:
    return np.array(shape.levels) if isinstance(shape, TextShape) else values_of(shape)


def _followed(
    guess: Guess[TextShape | BlockShape],
    swept: Swept,
    carriers: Sequence[Carrier],
    places: Sequence[int | None],
    text: str,
) -> Guess[Understood]:
    shape, weight, reasons = guess.value, guess.weight, [guess.reason]
    values = _values(shape)
    values = np.where(np.isfinite(values), values, np.nan)
    unit, axis_hz, covers = _axis(shape, swept, values.size, reasons)
    peaks, fit = _peaks(values, axis_hz, carriers, places, reasons)
    own = shape.unit if isinstance(shape, TextShape) else ""
    scaling, likely = _scaling(values, peaks, carriers, own, reasons)
    found = Understood(
        shape=shape,
        values=values,
        axis_hz=axis_hz,
        frequency_unit=unit,
        scaling=scaling,
        peaks=peaks,
        sure=bool(carriers),
        checksum=text_checksum(text, shape) if isinstance(shape, TextShape) else None,
        reasons=tuple(reasons),
    )
    return Guess(value=found, reason="; ".join(reasons), weight=weight * covers * fit * likely)


def _axis(
    shape: TextShape | BlockShape, swept: Swept, size: int, reasons: list[str]
) -> tuple[str | None, Float, float]:
    """Unit and frequencies of the axis, and which share of what was swept they cover."""
    if isinstance(shape, TextShape) and shape.frequencies is not None:
        best = guess_frequency_unit(
            shape.frequencies, start_hz=swept.start_hz, stop_hz=swept.stop_hz
        )[0]
        reasons.append(best.reason)
        axis_hz = np.array(shape.frequencies) * FREQUENCY_FACTORS[best.value]
        return best.value, axis_hz, max(0.01, best.weight)
    reasons.append("the axis is even, from the first to the last frequency that was set")
    return None, np.linspace(swept.start_hz, swept.stop_hz, size), 1.0


def _peaks(
    values: Float,
    axis_hz: Float,
    carriers: Sequence[Carrier],
    places: Sequence[int | None],
    reasons: list[str],
) -> tuple[tuple[Peak, ...], float]:
    """The peak of each carrier, and how well they fit. The lower end of counts that fall is one."""
    if not carriers:
        return (), 1.0
    best: tuple[tuple[Peak, ...], float, list[str]] = ((), 0.0, [])
    for sign in (1.0, -1.0) if _may_fall(values) else (1.0,):
        peaks = [
            Peak(place=one.place, value=sign * one.value)
            for one in peaks_of(sign * values, PEAKS)
            if stands_out(sign * values, one)
        ]
        chosen, fit, said = [], 1.0, []
        for number, carrier in enumerate(carriers):
            place = places[number] if number < len(places) else None
            if place is not None:
                here = Peak(place=place, value=float(values[min(place, values.size - 1)]))
                chosen.append(here)
                continue
            if not peaks:
                fit = 0.0
                break
            guess = guess_peak(peaks, axis_hz, carrier)[0]
            chosen.append(guess.value)
            said.append(guess.reason)
            fit = min(fit, guess.weight)
        # Noise in dB has deep lows: falling counts must fit clearly better.
        if fit * (1.0 if sign > 0 else 0.5) > best[1]:
            best = (tuple(chosen), fit, said)
    reasons += best[2]
    return best[0], max(best[1], 0.01)


def _may_fall(values: Float) -> bool:
    """Whether the numbers may be counts that fall with the level: whole, their lows lying further
    from their middle than their highs."""
    middle = float(np.nanmedian(values))
    lows, highs = middle - float(np.nanmin(values)), float(np.nanmax(values)) - middle
    return resolution_of(values) == 1.0 and lows > highs


def _scaling(
    values: Float,
    peaks: Sequence[Peak],
    carriers: Sequence[Carrier],
    unit: str,
    reasons: list[str],
) -> tuple[Scaling | None, float]:
    if carriers and peaks:
        known = [
            (peak.value, carrier.level_dbm) for peak, carrier in zip(peaks, carriers, strict=True)
        ]
        guesses = guess_scaling(values, known, unit=unit)
        if guesses:
            reasons.append(guesses[0].reason)
            return guesses[0].value, 0.3 + 0.7 * guesses[0].weight
        reasons.append("no usual scale brings floor and carrier to possible levels")
        return None, 0.2
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    possible = LIKELY_DBM[0] <= low and high <= LIKELY_DBM[1] and low < -20.0
    if unit in ABOVE_DBM or (possible and resolution_of(values) < 1.0):
        return Scaling(scale=Decimal(1), offset=Decimal(0), unit=unit or "dBm"), 0.8
    return None, 0.5


def text_checksum(text: str, shape: TextShape) -> Checksum | None:
    """The checksum that the one line behind the numbers ends with, where it is a known one."""
    if len(shape.tail) != 1 or not shape.tail[0].split():
        return None
    *_, word = shape.tail[0].split()
    mark = shape.tail[0].split()[0] if shape.tail[0] != word else ""
    data = text.encode("latin-1")
    before = data[: data.rindex(shape.tail[0].encode("latin-1"))].lstrip(b"\r\n")
    payload = b"".join(line.strip() for line in before.splitlines())
    overs: tuple[tuple[Literal["before", "payload"], bytes], ...] = (
        ("before", before),
        ("payload", payload),
    )
    known: tuple[tuple[ChecksumKind, tuple[tuple[int, int, bool], ...]], ...] = (
        ("sum8", ((0, 0, False),)),
        ("xor8", ((0, 0, False),)),
        ("crc16", ((0x1021, 0xFFFF, False), (0x1021, 0, False), (0x8005, 0xFFFF, True))),
        ("crc32", ((0, 0, False),)),
    )
    for kind, parameters in known:
        for polynomial, initial, reflected in parameters:
            for over, counted in overs:
                checksum = Checksum(
                    kind=kind,
                    polynomial=polynomial or 0x1021,
                    initial=initial,
                    reflected=reflected,
                    over=over,
                    mark=mark.encode("latin-1"),
                )
                if checksum.read(word.encode("latin-1")) == checksum.of(counted):
                    return checksum
    return None
