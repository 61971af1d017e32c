"""Insertion loss against a through: what a filter, a pad or a cable takes away, and how surely.

A through sweep (the thing under test replaced by a plain connection) and a sweep of the thing on
the same axis, RBW, attenuation and source level give the loss as their difference. Down in the
sweeper's noise the difference says only that the loss is at least so much.

Loss is positive. Level errors that both sweeps share cancel; ``u_db`` here is the noise of the
readings alone, independent from point to point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.losscurve import LossCurve
from acqd.measure.statistics import DB_AVERAGE_OF_NOISE_DB, DB_PER_NEPER

__all__ = [
    "LEAST_OVER_FLOOR_DB",
    "ComplexTransmission",
    "InsertionLoss",
    "complex_transmission",
    "insertion_loss",
]

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_OVER_FLOOR_DB = 3.0
"""A reading nearer to the floor than this holds more noise than signal (practice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InsertionLoss:
    """Loss per point, all arrays (points,).

    ``loss_db`` is NaN where not ``usable``: a reading is missing, or the through itself is within
    3 dB of the floor. Where ``at_least`` the thing's reading is within 3 dB of the floor, and the
    loss is a lower limit. ``u_db`` is the standard uncertainty by noise, ``dynamic_range_db`` the
    through over the floor; both None where no floor is known. Then no point could be told from
    noise, and a deep stop band may be nothing but floor.
    """

    loss_db: Float
    at_least: Mask
    usable: Mask
    u_db: Float | None
    dynamic_range_db: Float | None

    @property
    def floor_known(self) -> bool:
        return self.dynamic_range_db is not None

    def curve(self, frequency_hz: Float) -> LossCurve:
        """These losses over their frequencies, as the other functions take them."""
        return LossCurve.of(frequency_hz, self.loss_db, at_least=self.at_least, u_db=self.u_db)


@dataclass(frozen=True, slots=True, kw_only=True)
class ComplexTransmission:
    """Complex S21 = thing / through, complex (points,), NaN where not usable, and its loss."""

    s21: NDArray[np.complex128]
    loss: InsertionLoss


# --- noise under a steady carrier -----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _LogMoments:
    """Mean and variance of ln(power/noise) of a carrier in noise, over S/N as a power ratio."""

    ratio: Float
    mean: Float
    variance: Float


@lru_cache(maxsize=1)
def _log_moments() -> _LogMoments:
    """Exact up to S/N = 100 (derived): the power of a carrier in Gaussian noise is a gamma variable
    of shape 1 + k with k Poisson of mean S/N, and ln of that has ψ(1 + k) and ψ′(1 + k)."""
    ratio = np.concatenate(([1e-30], np.exp(np.linspace(math.log(1e-3), math.log(100.0), 1500))))
    k = np.arange(1, 220)
    log_factorial = np.concatenate(([0.0], np.cumsum(np.log(k))))
    log_share = np.outer(np.log(ratio), np.arange(220)) - log_factorial - ratio[:, None]
    share = np.exp(log_share)
    psi = np.concatenate(([0.0], np.cumsum(1.0 / k))) - np.euler_gamma
    trigamma = math.pi**2 / 6.0 - np.concatenate(([0.0], np.cumsum(1.0 / k**2)))
    mean = share @ psi
    return _LogMoments(ratio, mean, share @ (trigamma + psi**2) - mean**2)


def _signal_to_noise(over_floor_db: Float, averaged_in_db: bool) -> Float:
    """S/N as a power ratio of readings this far over the floor; 0 at or below the floor.

    The floor of readings averaged in dB lies 2.51 dB under the noise power.
    """
    if not averaged_in_db:
        return np.asarray(np.maximum(10.0 ** (over_floor_db / 10.0) - 1.0, 0.0))
    moments = _log_moments()
    log_over_noise = (over_floor_db - DB_AVERAGE_OF_NOISE_DB) / DB_PER_NEPER
    near = np.interp(log_over_noise, moments.mean, moments.ratio, left=0.0)
    return np.where(log_over_noise > moments.mean[-1], np.exp(log_over_noise), near)


def _log_variance(ratio: ArrayLike) -> Float:
    """Variance of one ln(power) of a carrier in noise; 2N/S where the carrier rules."""
    moments, given = _log_moments(), _as_float(ratio)
    table = np.interp(given, moments.ratio, moments.variance)
    return np.where(given > moments.ratio[-1], 2.0 / np.maximum(given, 1.0), table)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """How many readings stand behind a point and behind the floor, and how they were averaged."""

    readings: float
    floor_readings: float
    in_db: bool

    def __post_init__(self) -> None:
        if not (self.readings > 0 and self.floor_readings > 0):
            raise ValueError(
                f"averages must be above 0, got {self.readings} and {self.floor_readings} (floor)"
            )

    @property
    def reading_u_db(self) -> float:
        """Standard deviation of a reading of noise: 4.34 dB/√M by power, 5.57 dB/√M by dB."""
        return DB_PER_NEPER * math.sqrt((math.pi**2 / 6.0 if self.in_db else 1.0) / self.readings)

    def signal(self, level_db: Float, floor_db: Float) -> tuple[Float, Float]:
        """Level of the carrier in readings at least 3 dB over the floor, and its uncertainty."""
        ratio = _signal_to_noise(level_db - floor_db, self.in_db)
        bias_db = DB_AVERAGE_OF_NOISE_DB if self.in_db else 0.0
        return floor_db + bias_db + DB_PER_NEPER * np.log(ratio), self._signal_u_db(ratio)

    def _signal_u_db(self, ratio: Float) -> Float:
        if not self.in_db:
            variance = (1.0 + 2.0 * ratio) / self.readings + 1.0 / self.floor_readings
            return np.asarray(DB_PER_NEPER * np.sqrt(variance) / ratio)
        gone = np.exp(-ratio)
        variance = _log_variance(ratio) / self.readings
        variance = variance + gone**2 * _log_variance(0.0) / self.floor_readings
        return np.asarray(DB_PER_NEPER * np.sqrt(variance) / (1.0 - gone))


# --- loss -----------------------------------------------------------------------------------------


def insertion_loss(
    through_db: ArrayLike,
    dut_db: ArrayLike,
    floor_db: ArrayLike | None = None,
    *,
    averages: float = 1.0,
    floor_averages: float | None = None,
    averaged_in_db: bool = False,
) -> InsertionLoss:
    """Through less thing under test, in dB, with the noise taken out of both.

    Args:
        through_db: (points,) levels with the plain connection; NaN where there is none.
        dut_db: (points,) levels with the thing under test, same unit, axis and settings. That the
            two are comparable is for the caller to see to.
        floor_db: what the sweeper reads of its own noise with the same settings, one number or
            (points,); its mean, not single readings. None where nobody knows: then nothing is
            corrected, nothing is called "at least" and no uncertainty is known.
        averages: independent noise readings averaged in each point.
        floor_averages: the same of ``floor_db``; None: as ``averages``. Infinite where it is
            averaged over many points.
        averaged_in_db: readings are means of dB; they add floor to a carrier differently.

    Returns:
        The loss. The floor is taken out by 10 log10(10^(m/10) − 1) − m for a reading m dB above it;
        below m = 3 dB the loss is at least through − max(reading, floor) − 2·u of a reading, so
        the limit holds for about 98 of 100 points. Empty arrays give empty arrays.

    Raises:
        ValueError: shapes that differ, or averages not above 0.

    Source: thru-normalisation and the 3 dB rule are practice; S + N and its variance N² + 2SN
    derived (a carrier in Gaussian noise). One-sided and U-shaped tails near the floor are stated as
    if normal: good to S/N of about 6 dB for single readings, further down with averaging.
    """
    through, dut = np.atleast_1d(_as_float(through_db)), np.atleast_1d(_as_float(dut_db))
    if through.shape != dut.shape or through.ndim != 1:
        raise ValueError(
            f"through_db and dut_db must be one-dimensional and of one length, "
            f"got {through.shape} and {dut.shape}"
        )
    usable = np.isfinite(through) & np.isfinite(dut)
    if floor_db is None:
        return InsertionLoss(
            loss_db=np.subtract(through, dut, out=np.full(dut.shape, np.nan), where=usable),
            at_least=np.zeros(dut.shape, dtype=np.bool_),
            usable=usable,
            u_db=None,
            dynamic_range_db=None,
        )
    noise = _Noise(
        readings=averages,
        floor_readings=averages if floor_averages is None else floor_averages,
        in_db=averaged_in_db,
    )
    floor = np.broadcast_to(_as_float(floor_db), dut.shape)
    return _over_floor(through, dut, floor, usable & np.isfinite(floor), noise)


def _over_floor(
    through: Float, dut: Float, floor: Float, known: Mask, noise: _Noise
) -> InsertionLoss:
    usable = known.copy()
    usable[known] = (through - floor)[known] >= LEAST_OVER_FLOOR_DB
    at_least = usable.copy()
    at_least[usable] = (dut - floor)[usable] < LEAST_OVER_FLOOR_DB
    part = usable & ~at_least
    loss, u_db = np.full(dut.shape, np.nan), np.full(dut.shape, np.nan)
    loss[usable], u_db[usable] = noise.signal(through[usable], floor[usable])
    signal, u_signal = noise.signal(dut[part], floor[part])
    loss[part] -= signal
    u_db[part] = np.hypot(u_db[part], u_signal)
    loss[at_least] -= np.maximum(dut, floor)[at_least] + 2.0 * noise.reading_u_db
    u_db[at_least] = np.hypot(u_db[at_least], noise.reading_u_db)
    return InsertionLoss(
        loss_db=loss,
        at_least=at_least,
        usable=usable,
        u_db=u_db,
        dynamic_range_db=np.where(np.isfinite(through), through - floor, np.nan),
    )


def complex_transmission(
    through: ArrayLike,
    dut: ArrayLike,
    floor_db: ArrayLike | None = None,
    *,
    averages: float = 1.0,
) -> ComplexTransmission:
    """S21 = thing / through of a vector sweeper, and the loss −20 log10 |S21|.

    Args:
        through: (points,) complex ratios with the plain connection.
        dut: (points,) complex ratios with the thing under test.
        floor_db: 20 log10 of the rms magnitude that the trace shows of noise alone, in the same
            ratio. Averaging of complex values lowers it, so ``averages`` stays 1 for such data.
        averages: magnitudes averaged in power behind each point.

    The complex values are not corrected for noise, which turns them but has no mean; the loss is.
    S21 so measured holds the mismatch between thing and test ports: definition ours, "response"
    normalisation in the trade. Errors and NaN as :func:`insertion_loss`.
    """
    a = np.atleast_1d(np.asarray(through, dtype=np.complex128))
    b = np.atleast_1d(np.asarray(dut, dtype=np.complex128))
    with np.errstate(divide="ignore"):
        a_db, b_db = 20.0 * np.log10(np.abs(a)), 20.0 * np.log10(np.abs(b))
    dead = np.isneginf(b_db)
    if floor_db is not None:  # exactly nothing is a reading at or below any floor
        b_db = np.where(dead, np.broadcast_to(_as_float(floor_db), b_db.shape) - 100.0, b_db)
    loss = insertion_loss(a_db, b_db, floor_db, averages=averages, floor_averages=math.inf)
    s21 = np.full(a.shape, complex(np.nan, np.nan), dtype=np.complex128)
    np.divide(b, a, out=s21, where=loss.usable)
    return ComplexTransmission(s21=s21, loss=loss)


def _as_float(values: ArrayLike) -> Float:
    return np.asarray(values, dtype=np.float64)
