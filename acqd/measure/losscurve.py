"""Loss over frequency: what it is at one frequency, between two, and at the ones with names.

Loss is positive. A point may be a lower limit ("at least"), where the sweeper's floor hid the rest;
everything made from it says so. ``u_db`` is the standard uncertainty by noise alone, independent
from point to point: what both sweeps share cancels in differences and belongs in a budget.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.statistics import normal_quantile
from acqd.measure.words import frequency_text, number_text, range_text

__all__ = [
    "LossAt",
    "LossCurve",
    "LossInRange",
    "NamedFrequency",
    "NamedLoss",
    "Rejection",
    "Role",
    "Separation",
    "largest_normal",
    "loss_in_range",
    "named_losses",
    "rejection",
    "separation",
]

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class LossAt:
    """Loss at one frequency, or the reason why there is none."""

    frequency_hz: float
    loss_db: float | None
    at_least: bool = False
    u_db: float | None = None
    reason: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class LossCurve:
    """Loss over strictly rising frequencies, without holes in the arrays: all (points,).

    ``broken`` (points − 1,) is True between neighbours where points were left out; nothing is
    interpolated there. ``left_out`` counts them.
    """

    frequency_hz: Float
    loss_db: Float
    at_least: Mask
    u_db: Float | None
    broken: Mask
    left_out: int

    @classmethod
    def of(
        cls,
        frequency_hz: ArrayLike,
        loss_db: ArrayLike,
        *,
        at_least: Mask | None = None,
        u_db: ArrayLike | None = None,
    ) -> LossCurve:
        """Leaves out points without a finite loss and joins points of one frequency by their mean.

        Args:
            frequency_hz: (points,) not falling, finite.
            loss_db: (points,) NaN where there is none.
            at_least: (points,) True where the loss is a lower limit; None: nowhere. A mean with a
                lower limit in it is one.
            u_db: standard uncertainty by noise, one number or (points,); None where not known. NaN
                counts as the largest of the others.

        Raises:
            ValueError: shapes that differ, or frequencies that fall or are not finite.
        """
        axis, loss = (
            np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64)),
            np.atleast_1d(np.asarray(loss_db, dtype=np.float64)),
        )
        limit = np.zeros(loss.shape, dtype=np.bool_) if at_least is None else at_least
        if not axis.shape == loss.shape == limit.shape or axis.ndim != 1:
            raise ValueError(
                f"frequency_hz, loss_db and at_least must be one-dimensional and of one length, "
                f"got {axis.shape}, {loss.shape} and {limit.shape}"
            )
        if not (np.isfinite(axis).all() and (np.diff(axis) >= 0).all()):
            raise ValueError("frequency_hz must be finite and must not fall: use the sweep's grid")
        known = np.isfinite(loss)
        places, first = np.unique(axis, return_index=True)
        group = np.searchsorted(places, axis[known])
        count = np.bincount(group, minlength=places.size)
        kept = count > 0
        weight = np.maximum(count, 1)
        mean = np.bincount(group, loss[known], minlength=places.size) / weight
        is_limit = np.bincount(group, limit[known], minlength=places.size) > 0
        u: Float | None = None
        if u_db is not None:
            each = np.broadcast_to(np.asarray(u_db, dtype=np.float64), loss.shape)[known]
            finite = np.isfinite(each)
            worst = float(each[finite].max()) if finite.any() else 0.0
            each = np.where(finite, each, worst)
            u = np.sqrt(np.bincount(group, each**2, minlength=places.size)) / weight
            u = u[kept]
        index = np.flatnonzero(kept)
        return cls(
            frequency_hz=places[kept],
            loss_db=mean[kept],
            at_least=is_limit[kept],
            u_db=u,
            broken=np.diff(index) > 1,
            left_out=int(first.size - index.size),
        )

    @property
    def points(self) -> int:
        return int(self.frequency_hz.size)

    def at(self, frequency_hz: float) -> LossAt:
        """Loss at ``frequency_hz``, by a straight line in dB between the two nearest points.

        A line with a lower limit at either end is a lower limit. Beyond the sweep, in a hole of it
        or in an empty curve there is a reason instead.
        """
        axis = self.frequency_hz
        if not axis.size or not axis[0] <= frequency_hz <= axis[-1]:
            reason = f"{frequency_text(frequency_hz)} is beyond the sweep"
            return LossAt(frequency_hz=frequency_hz, loss_db=None, reason=reason)
        high = int(np.searchsorted(axis, frequency_hz))
        low = high if axis[high] == frequency_hz else high - 1
        if low != high and self.broken[low]:
            reason = f"levels are missing at {frequency_text(frequency_hz)}"
            return LossAt(frequency_hz=frequency_hz, loss_db=None, reason=reason)
        ends = [low, high]
        w = 0.0 if low == high else float((frequency_hz - axis[low]) / (axis[high] - axis[low]))
        weights = np.array([1.0 - w, w])
        return LossAt(
            frequency_hz=frequency_hz,
            loss_db=float(weights @ self.loss_db[ends]),
            at_least=bool(self.at_least[ends].any()),
            u_db=None if self.u_db is None else float(np.linalg.norm(weights * self.u_db[ends])),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LossInRange:
    """What a pad does between two frequencies, or how a passband ripples.

    ``mean_db`` is the pad's value, ``flatness_db`` largest less least loss (the ripple of a
    passband), ``slope_db_per_hz`` the least-squares line. ``noise_flatness_db`` is what noise alone
    would make of a perfectly flat thing on average; None where the noise is not known. Where
    ``at_least`` some loss in the range is a lower limit, and the mean and the largest with it;
    flatness then means little. ``u_mean_db`` is by noise alone. ``covered`` is the share 0..1 of
    the range that lies between the sweep's ends and in no hole of it.
    """

    start_hz: float
    stop_hz: float
    points: int
    covered: float
    mean_db: float
    u_mean_db: float | None
    flatness_db: float
    noise_flatness_db: float | None
    slope_db_per_hz: float
    least_db: float
    least_hz: float
    largest_db: float
    largest_hz: float
    at_least: bool


def loss_in_range(curve: LossCurve, *, start_hz: float, stop_hz: float) -> LossInRange | None:
    """Value, flatness and slope between two frequencies, both included.

    The mean is over points, in dB: on an uneven axis a dense part weighs more. One point gives its
    loss, flatness 0 and slope 0. None where no point lies in the range.

    Raises:
        ValueError: a stop below the start.

    Source: max − min between limits that the user states, practice.
    """
    if stop_hz < start_hz:
        raise ValueError(f"stop_hz must not be below start_hz, got {start_hz} and {stop_hz}")
    part = (curve.frequency_hz >= start_hz) & (curve.frequency_hz <= stop_hz)
    axis, loss = curve.frequency_hz[part], curve.loss_db[part]
    if not axis.size:
        return None
    away = axis - axis.mean()
    spread = float(away @ away)
    low, high = int(loss.argmin()), int(loss.argmax())
    u = None if curve.u_db is None else curve.u_db[part]
    reached = min(stop_hz, curve.frequency_hz[-1]) - max(start_hz, curve.frequency_hz[0])
    ends = np.clip(curve.frequency_hz, start_hz, stop_hz)
    reached -= float(np.diff(ends)[curve.broken].sum())
    width = stop_hz - start_hz
    return LossInRange(
        start_hz=start_hz,
        stop_hz=stop_hz,
        points=int(axis.size),
        covered=float(np.clip(reached / width, 0.0, 1.0)) if width > 0 else 1.0,
        mean_db=float(loss.mean()),
        u_mean_db=None if u is None else float(np.sqrt(u @ u) / u.size),
        flatness_db=float(loss[high] - loss[low]),
        noise_flatness_db=None if u is None else _range_of_noise_db(u),
        slope_db_per_hz=float(away @ loss / spread) if spread > 0 else 0.0,
        least_db=float(loss[low]),
        least_hz=float(axis[low]),
        largest_db=float(loss[high]),
        largest_hz=float(axis[high]),
        at_least=bool(curve.at_least[part].any()),
    )


def _range_of_noise_db(u_db: Float) -> float:
    """Mean range of so many normal values."""
    return 2.0 * math.sqrt(float((u_db**2).mean())) * largest_normal(float(u_db.size))


def largest_normal(count: float) -> float:
    """Mean largest of ``count`` ≥ 1 standard normal values, by Blom's plotting position: within
    1.5 % from 5 values on (from memory; checked by simulation)."""
    return normal_quantile((count - 0.375) / (count + 0.25))


@dataclass(frozen=True, slots=True, kw_only=True)
class Rejection:
    """Least loss in a stop range less the loss of the passband; ``at_least`` where the floor
    limits it. ``value_db`` is None, with a reason, where no point lies in the range. ``covered`` is
    the share 0..1 of the range that lies between the sweep's ends and in no hole of it."""

    start_hz: float
    stop_hz: float
    value_db: float | None
    at_hz: float | None
    at_least: bool
    u_db: float | None
    covered: float
    reason: str | None


def rejection(
    curve: LossCurve,
    *,
    start_hz: float,
    stop_hz: float,
    pass_db: float,
    u_pass_db: float = 0.0,
) -> Rejection:
    """How far a filter keeps a whole range down: its weakest place there counts.

    Where that place is a lower limit, so is the rejection; a limit elsewhere changes nothing.

    Raises:
        ValueError: a stop below the start.

    Source: practice.
    """
    found = loss_in_range(curve, start_hz=start_hz, stop_hz=stop_hz)
    if found is None:
        reason = f"no level between {range_text(start_hz, stop_hz).replace(' to ', ' and ')}"
        return Rejection(
            start_hz=start_hz,
            stop_hz=stop_hz,
            value_db=None,
            at_hz=None,
            at_least=False,
            u_db=None,
            covered=0.0,
            reason=reason,
        )
    weakest = int(np.flatnonzero(curve.frequency_hz == found.least_hz)[0])
    return Rejection(
        start_hz=start_hz,
        stop_hz=stop_hz,
        value_db=found.least_db - pass_db,
        at_hz=found.least_hz,
        at_least=bool(curve.at_least[weakest]),
        u_db=None if curve.u_db is None else math.hypot(float(curve.u_db[weakest]), u_pass_db),
        covered=found.covered,
        reason=None,
    )


# --- named frequencies ----------------------------------------------------------------------------


class Role(StrEnum):
    """What a filter should do at a named frequency."""

    PASS = "pass"
    STOP = "stop"


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedFrequency:
    """A frequency that matters to the user: one half of a duplexer's pair, a carrier to stop."""

    name: str
    frequency_hz: float
    role: Role


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedLoss:
    """The loss at a named frequency; ``found.loss_db`` is None, with a reason, where unknown."""

    name: str
    role: Role
    found: LossAt

    def __str__(self) -> str:
        """pass 161.950 MHz (receive): 1.2 dB; "at least" where the floor limits it."""
        place = f"{self.role} {frequency_text(self.found.frequency_hz)} ({self.name})"
        if self.found.loss_db is None:
            return f"{place}: not known, {self.found.reason}"
        least = "at least " if self.found.at_least else ""
        return f"{place}: {least}{number_text(self.found.loss_db, 1)} dB"


def named_losses(curve: LossCurve, wanted: Sequence[NamedFrequency]) -> tuple[NamedLoss, ...]:
    """Loss at each named frequency, in their order, by a straight line in dB between points.

    A notch narrower than the step of the sweep is missed by this as by the sweep.
    """
    return tuple(
        NamedLoss(name=each.name, role=each.role, found=curve.at(each.frequency_hz))
        for each in wanted
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Separation:
    """How far the worst stop frequency lies below the worst pass frequency, in dB.

    ``value_db`` is None with a reason where a loss is not known or one of the roles is not there.
    """

    value_db: float | None
    at_least: bool = False
    u_db: float | None = None
    reason: str | None = None


def separation(losses: Sequence[NamedLoss]) -> Separation:
    """Least loss of the stop frequencies less largest loss of the pass frequencies.

    "At least" where that stop loss is a lower limit; where the pass loss is one, the difference has
    no known side and there is a reason instead.
    """
    unknown = [each for each in losses if each.found.loss_db is None]
    stop = [each.found for each in losses if each.role is Role.STOP]
    passed = [each.found for each in losses if each.role is Role.PASS]
    if unknown:
        return Separation(value_db=None, reason=unknown[0].found.reason)
    if not stop or not passed:
        return Separation(value_db=None, reason="it takes a pass and a stop frequency")
    worst_stop = min(stop, key=lambda at: at.loss_db or 0.0)
    worst_pass = max(passed, key=lambda at: at.loss_db or 0.0)
    limited = [at for at in passed if at.at_least]
    if limited:
        reason = f"the floor hides the loss at {frequency_text(limited[0].frequency_hz)}"
        return Separation(value_db=None, reason=reason)
    assert worst_stop.loss_db is not None
    assert worst_pass.loss_db is not None
    u_db = None
    if worst_stop.u_db is not None and worst_pass.u_db is not None:
        u_db = math.hypot(worst_stop.u_db, worst_pass.u_db)
    return Separation(
        value_db=worst_stop.loss_db - worst_pass.loss_db, at_least=worst_stop.at_least, u_db=u_db
    )
