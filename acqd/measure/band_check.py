"""The overload check of a band: the same sweep with more attenuation, and what it says of signals.

What comes from outside stays; what the sweeper makes itself falls, by order − 1 times the added
attenuation (:func:`acqd.measure.linearity.overload_test`). Two sweeps follow each other, so a
signal that ended or faded in between looks as if it were made inside: one check is a suspicion,
and only what every check says, again and again, is a finding.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_sweep import SeenSignal
from acqd.measure.floor import floor_flat
from acqd.measure.linearity import Origin, OverloadTest, overload_test
from acqd.measure.statistics import DB_PER_NEPER
from acqd.units import ratio_from_db

__all__ = ["CheckedSignal", "LookedAt", "check_signals"]

Float = NDArray[np.float64]

CHECKED_LIMIT = 32
"""Most signals that are checked, the strongest."""

LEAST_OVER_DB = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class LookedAt:
    """What a check needs of the sweep before it: signals as (channel, peak in Hz, peak level) and
    the mean power of its floor."""

    at_s: float
    floor: float
    signals: tuple[tuple[int, float, float], ...]

    @classmethod
    def of(cls, at_s: float, floor: float, signals: Sequence[SeenSignal]) -> LookedAt:
        strongest = sorted(
            (one for one in signals if one.opens and not one.residual),
            key=lambda one: (-one.over_floor, one.peak_hz),
        )[:CHECKED_LIMIT]
        kept = tuple((one.channel, one.peak_hz, one.peak) for one in strongest)
        return cls(at_s=at_s, floor=floor, signals=kept)


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckedSignal:
    """One signal and what the check says of it. ``second`` is its level with more attenuation."""

    channel: int
    peak_hz: float
    first: float
    second: float
    test: OverloadTest


def check_signals(
    first: LookedAt,
    second: Float,
    frequency_hz: Float,
    *,
    added_db: float,
    averages: float = 1.0,
    to_power_db: float = 0.0,
    near_hz: float = 0.0,
    tolerance_db: float = 1.0,
) -> tuple[CheckedSignal, ...]:
    """Class the signals of a sweep by a second one, taken with ``added_db`` more attenuation.

    Args:
        first: signals and floor of the first sweep.
        second: (points,) levels of the second on ``frequency_hz``, both referred to the same plane
            (the sweeper corrects for its attenuator); NaN where missing.
        averages: N of the noise, for the floor of the second sweep and the scatter of readings.
        to_power_db: what brings the mean of readings to power.
        near_hz: how far from its frequency a signal is looked for in the second sweep.

    Returns:
        One each, in order of ``first``; a signal whose surroundings are missing is left out.

    The noise of the floor is taken out of both levels. A reading's own scatter is that of a steady
    carrier in noise, √((2s + 1)/N)/(s + 1) of its power, s being its power over that of the noise.
    Levels have to be in decibels.

    Raises:
        ValueError: attenuation that is not above 0.
    """
    floor = floor_flat(second, averages=averages).level + to_power_db
    found = []
    for channel, peak_hz, level in first.signals:
        near = np.abs(frequency_hz - peak_hz) <= max(near_hz, 0.0) + 1e-6
        levels = second[near & np.isfinite(second)]
        if not levels.size or not math.isfinite(floor) or not math.isfinite(first.floor):
            continue
        again = float(levels.max())
        test = overload_test(
            _without(level, first.floor),
            _without(again, floor),
            added_db,
            u_first_db=_scatter_db(level - first.floor, averages),
            u_second_db=_scatter_db(again - floor, averages),
            first_floor_dbm=first.floor,
            second_floor_dbm=floor,
            tolerance_db=tolerance_db,
        )
        found.append(
            CheckedSignal(channel=channel, peak_hz=peak_hz, first=level, second=again, test=test)
        )
    return tuple(found)


def _without(level: float, floor: float) -> float:
    """``level`` without the noise in it, where it stands far enough out of it to say."""
    if level - floor < LEAST_OVER_DB:
        return level
    return level + DB_PER_NEPER * math.log1p(-float(ratio_from_db(floor - level)))


def _scatter_db(over_db: float, averages: float) -> float:
    s = max(0.0, float(ratio_from_db(over_db)) - 1.0)
    return DB_PER_NEPER * math.sqrt((2.0 * s + 1.0) / averages) / (s + 1.0)


IS_OWN = frozenset({Origin.INSIDE, Origin.MIXED})
"""Origins that a station wants to hear of."""
