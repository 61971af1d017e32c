"""How a reflection has changed since an earlier one, such as that of the day of installation."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.match import Match
from acqd.measure.reflection import Reflection
from acqd.measure.returnloss import (
    NEPER_PER_DB,
    check_limits,
    magnitude_from_return_loss_db,
    shapes_differ,
)
from acqd.measure.words import number_text

__all__ = ["Change", "MatchChange", "change_since", "match_change"]

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """How a reflection differs from an earlier one, (points,) arrays.

    Two questions with two answers. *Is it still the same?* The same load reads the same through the
    same bridge, whatever its directivity: everything but repeatability cancels (``moved``,
    ``least_change``). *By how much did the load's return loss change?* Once it moved its phase may
    have too, so directivity does not cancel (``low_db``, ``high_db``).
    """

    change_db: Float
    """Return loss now − then; above 0: better than it was."""
    low_db: Float
    high_db: Float
    moved: Bool
    """True where it is another load than it was; False also means "cannot tell"."""
    least_change: Float
    """How far the reflection moved in the plane of phasors, at least; 0 where it may not have."""

    @property
    def surely_worse(self) -> Bool:
        return np.asarray(self.high_db < 0.0)

    @property
    def surely_better(self) -> Bool:
        return np.asarray(self.low_db > 0.0)


def change_since(
    now: Reflection, then: Reflection, *, same_bridge: bool, repeatability_db: float
) -> Change:
    """The change from ``then`` (as installed) to ``now``, on one grid.

    Args:
        same_bridge: the same bridge, cables and reference plane as then. False: nothing cancels,
            and only bounds that do not touch show that something moved.
        repeatability_db: two readings of one unchanged load differ by no more than this
            (connections, the sweeper's drift between references); state it from repeats.

    Returns:
        NaN where either level is missing, False and 0 in ``moved`` and ``least_change``.

    Raises:
        ValueError: grids of different length, or a repeatability below 0.
    """
    if now.magnitude.shape != then.magnitude.shape:
        raise ValueError(shapes_differ("now", now.magnitude.shape, "then", then.magnitude.shape))
    check_limits(repeatability_db=repeatability_db)
    with np.errstate(invalid="ignore"):
        change_db = now.return_loss_db - then.return_loss_db
        low_db = now.return_loss_low_db - then.return_loss_high_db
        high_db = now.return_loss_high_db - then.return_loss_low_db
        apart = _apart_alone(now, then)
        if same_bridge:
            apart = _apart_cancelled(now, then, repeatability_db)
    moved = apart > 0.0
    return Change(
        change_db=change_db,
        low_db=low_db,
        high_db=high_db,
        moved=np.asarray(moved),
        least_change=np.where(moved, apart, 0.0),
    )


def _apart_alone(now: Reflection, then: Reflection) -> Float:
    """The gap between two bounds, below 0 where they touch."""
    return np.maximum(
        now.magnitude_low - then.magnitude_high, then.magnitude_low - now.magnitude_high
    )


def _apart_cancelled(now: Reflection, then: Reflection, repeatability_db: float) -> Float:
    """How far the load's phasor moved at least, by what one and the same bridge showed.

    Leakage is the same in both and falls out of the difference of phasors, of which the difference
    of magnitudes is the least. The bridge shows ρ/(1 − s·ρ), steeper than ρ by 1/(1 − s·ρ)² at
    most. Twice the rms amplitude of either floor may be all there is to a difference.
    """
    larger, smaller = np.maximum(now.shown, then.shown), np.minimum(now.shown, then.shown)
    apart = larger - smaller * math.exp(repeatability_db * NEPER_PER_DB)
    through = np.exp(2.0 * NEPER_PER_DB * np.minimum(now.cable_loss_db, then.cable_loss_db))
    noise = sum(2.0 * math.sqrt(2.0) * trace.parts["floor"] for trace in (now, then))
    s = float(magnitude_from_return_loss_db(min(now.source_match_db, then.source_match_db)))
    d = magnitude_from_return_loss_db(np.minimum(now.directivity_db, then.directivity_db))
    # What the references count as 1 may be as little as this.
    unity = np.maximum(0.0, 1.0 / (1.0 + s) - d)
    rest = np.maximum(0.0, 1.0 - s * np.maximum(now.magnitude_high, then.magnitude_high))
    return np.asarray((apart - noise / through) * unity * rest * rest * through)


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchChange:
    """How a best match has moved and changed; bounds are worst-case, nothing cancels in them."""

    shift_hz: float
    shift_low_hz: float
    shift_high_hz: float
    return_loss_change_db: float
    return_loss_low_db: float
    return_loss_high_db: float

    @property
    def surely_shifted(self) -> bool:
        return self.shift_low_hz > 0.0 or self.shift_high_hz < 0.0

    def __str__(self) -> str:
        khz = [
            number_text(x / 1e3, 1) for x in (self.shift_hz, self.shift_low_hz, self.shift_high_hz)
        ]
        return (
            f"best match moved by {khz[0]} kHz ({khz[1]} to {khz[2]}), its return loss by "
            f"{number_text(self.return_loss_change_db, 1)} dB "
            f"({_limit_text(self.return_loss_low_db)} to {_limit_text(self.return_loss_high_db)})"
        )


def match_change(now: Match, then: Match) -> MatchChange:
    """The change from ``then`` to ``now`` of one dip's best match. Infinite where a return loss is
    only known to be at least something."""
    with np.errstate(invalid="ignore"):
        change_db = np.subtract(now.value.return_loss_db, then.value.return_loss_db)
    return MatchChange(
        shift_hz=now.frequency_hz - then.frequency_hz,
        shift_low_hz=now.frequency_low_hz - then.frequency_high_hz,
        shift_high_hz=now.frequency_high_hz - then.frequency_low_hz,
        return_loss_change_db=float(change_db),
        return_loss_low_db=now.value.return_loss_low_db - then.value.return_loss_high_db,
        return_loss_high_db=now.value.return_loss_high_db - then.value.return_loss_low_db,
    )


def _limit_text(value_db: float) -> str:
    return number_text(value_db, 1) if math.isfinite(value_db) else "no bound"
