"""Guesses that a known signal settles: which peak it is, units of the axis, scale and offset. Pure.

Levels are compared in dBm into 50 ohm: 0 dBm are 106.99 dBµV and 46.99 dBmV.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np
from numpy.typing import NDArray

from acqd_lines.learn_guess import Guess
from acqd_lines.values import FREQUENCY_FACTORS

__all__ = [
    "ABOVE_DBM",
    "Carrier",
    "Peak",
    "Scaling",
    "guess_frequency_unit",
    "guess_peak",
    "guess_scaling",
    "peaks_of",
    "resolution_of",
    "stands_out",
]

Float = NDArray[np.float64]

_DBUV: Final = 90.0 + 10.0 * math.log10(50.0)
ABOVE_DBM: Final = {"dBm": 0.0, "dBµV": _DBUV, "dBmV": _DBUV - 60.0}
"""What a level in each unit is above the same in dBm, in 50 ohm: U = sqrt(P R)."""

SCALES: Final = ("1", "0.5", "0.25", "0.2", "0.1", "0.05", "0.02", "0.01", "0.005", "0.001")
"""Steps that makers of such things choose, in dB a count."""
NEAT: Final = ((10.0, 0.6), (1.0, 0.25))
"""Offsets are taken to be a multiple of the first where they are within the second of it, dB."""
CLOSE_DB: Final = 3.0
"""A level that is read within this of what it should be needs no offset."""
FLOORS_DBM: Final = (-150.0, -60.0)
STANDS_OUT: Final = 6.0
POSSIBLE_DBM: Final = (-200.0, 60.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Carrier:
    """A signal that the user has connected and knows."""

    frequency_hz: float
    level_dbm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """A local maximum: its place among the points, from 0, and the number that stands there."""

    place: int
    value: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Scaling:
    """A level is ``scale`` times the number, plus ``offset``, in ``unit``."""

    scale: Decimal
    offset: Decimal
    unit: str

    def dbm(self, value: float) -> float:
        """The level that ``value`` stands for, in dBm into 50 ohm."""
        return value * float(self.scale) + float(self.offset) - ABOVE_DBM[self.unit]


def peaks_of(values: Sequence[float] | Float, most: int = 5) -> list[Peak]:
    """The highest local maxima, highest first, none within a fiftieth of the sweep of a higher."""
    levels = np.asarray(values, dtype=np.float64)
    apart = max(2, levels.size // 50)
    found: list[Peak] = []
    for place in np.argsort(-levels, kind="stable"):
        if not np.isfinite(levels[place]):
            continue
        if all(abs(int(place) - one.place) > apart for one in found):
            found.append(Peak(place=int(place), value=float(levels[place])))
        if len(found) == most:
            break
    return found


def stands_out(values: Sequence[float] | Float, peak: Peak) -> bool:
    """Whether a peak is more than noise: :data:`STANDS_OUT` times the spread above the median."""
    levels = np.asarray(values, dtype=np.float64)
    middle = float(np.nanmedian(levels))
    # 1.4826 times the median deviation is the standard deviation of Gaussian values.
    spread = 1.4826 * float(np.nanmedian(np.abs(levels - middle)))
    return peak.value - middle > STANDS_OUT * spread


def guess_peak(
    peaks: Sequence[Peak], axis_hz: Sequence[float] | Float, carrier: Carrier
) -> list[Guess[Peak]]:
    """Which peak the carrier is, nearest in frequency first."""
    axis = np.asarray(axis_hz, dtype=np.float64)
    step_hz = abs(axis[-1] - axis[0]) / max(1, axis.size - 1) or 1.0
    guesses = []
    for peak in peaks:
        off_hz = float(axis[peak.place]) - carrier.frequency_hz
        steps = abs(off_hz) / step_hz
        reason = (
            f"a peak at {axis[peak.place] / 1e6:.7g} MHz, {steps:.1f} points from the carrier"
        ).replace("-", "−")
        guesses.append(Guess(value=peak, reason=reason, weight=1.0 / (1.0 + (steps / 2.0) ** 2)))
    return sorted(guesses, key=lambda guess: -guess.weight)


def guess_frequency_unit(
    frequencies: Sequence[float], *, start_hz: float, stop_hz: float
) -> list[Guess[str]]:
    """What an axis in the answer is counted in, given the range that was swept."""
    guesses = []
    for unit, factor in FREQUENCY_FACTORS.items():
        low_hz, high_hz = min(frequencies) * factor, max(frequencies) * factor
        shared_hz = min(high_hz, stop_hz) - max(low_hz, start_hz)
        whole_hz = max(high_hz, stop_hz) - min(low_hz, start_hz)
        share = max(0.0, shared_hz / whole_hz) if whole_hz > 0 else 0.0
        reason = f"in {unit} the axis goes from {low_hz / 1e6:.6g} to {high_hz / 1e6:.6g} MHz"
        guesses.append(Guess(value=unit, reason=reason, weight=share))
    return sorted(guesses, key=lambda guess: -guess.weight)


def resolution_of(values: Sequence[float] | Float) -> float:
    """The coarsest decimal step that all numbers lie on; 0 where they lie on none down to 1e-6."""
    numbers = np.asarray(values, dtype=np.float64)
    numbers = numbers[np.isfinite(numbers)]
    for decimals in range(7):
        scaled = numbers * 10.0**decimals
        if np.all(np.abs(scaled - np.rint(scaled)) < 1e-4):
            return float(10.0**-decimals)
    return 0.0


def guess_scaling(
    values: Sequence[float] | Float,
    known: Sequence[tuple[float, float]],
    *,
    unit: str = "",
) -> list[Guess[Scaling]]:
    """What the numbers stand for, best first.

    Args:
        values: all numbers of the sweep, for where its floor comes to lie.
        known: pairs of a number and the level in dBm that it should be, one for each carrier. Two
            of different level settle the scale; one leaves it to what floors are like.
        unit: the unit that the answer itself names, empty where it names none.
    """
    numbers = np.asarray(values, dtype=np.float64)
    fractions = resolution_of(numbers) < 1.0 or unit in ABOVE_DBM
    scales = ("1",) if fractions else SCALES
    units = (unit,) if unit in ABOVE_DBM else tuple(ABOVE_DBM)
    floor = float(np.nanmedian(numbers))
    guesses = [
        guess
        for scale in scales
        for sign in (1, -1)
        for one in units
        if (guess := _scaling(Decimal(scale) * sign, one, floor, known)) is not None
    ]
    return sorted(guesses, key=lambda guess: -guess.weight)


def _scaling(
    scale: Decimal, unit: str, floor: float, known: Sequence[tuple[float, float]]
) -> Guess[Scaling] | None:
    needed = [dbm + ABOVE_DBM[unit] - float(scale) * value for value, dbm in known]
    middle = sum(needed) / len(needed)
    offset, neatness = _neat(middle)
    found = Scaling(scale=scale, offset=offset, unit=unit)
    worst_db = max(abs(found.dbm(value) - dbm) for value, dbm in known)
    floor_dbm = found.dbm(floor)
    if not POSSIBLE_DBM[0] <= floor_dbm <= POSSIBLE_DBM[1]:
        return None
    low, high = FLOORS_DBM
    plain = 1.0 if low <= floor_dbm <= high else 0.3
    weight = plain * (0.4 + 0.6 * neatness) / (1.0 + (worst_db / 1.0) ** 2)
    weight *= 1.0 if scale > 0 else 0.8
    if len(known) < 2 and abs(scale) not in (1, Decimal("0.5"), Decimal("0.1"), Decimal("0.01")):
        weight *= 0.7
    reason = (
        f"the floor comes to {floor_dbm:.1f} dBm, the worst carrier is {worst_db:.2f} dB off"
    ).replace("-", "−")
    return Guess(value=found, reason=reason, weight=weight)


def _neat(offset: float) -> tuple[Decimal, float]:
    """``offset`` as somebody would have chosen it, and how neat that is from 0 to 1."""
    if abs(offset) <= CLOSE_DB:
        return Decimal(0), 1.0
    for place, (step, within) in enumerate(NEAT):
        nearest = round(offset / step) * step
        if abs(offset - nearest) <= within:
            return Decimal(str(round(nearest))), 0.9 - 0.3 * place
    return Decimal(str(round(offset, 2))), 0.2
