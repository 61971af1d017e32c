"""Field strength and the level at a receiver: antenna factor, gain, distance.

Fields are in dBµV/m, levels in dBm into 50 Ω. The aerial is taken as matched and as turned and
polarised for the most; the near field, reflections from the ground and the site are not in here.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.units import dbm_from_dbuv, dbuv_from_dbm

__all__ = [
    "DECAY_ABOVE_DB",
    "DECAY_BELOW_DB",
    "DECAY_CHANGES_HZ",
    "antenna_factor_db_per_m",
    "field_at_distance_db",
    "field_dbuv_per_m",
    "free_space_field_dbuv_per_m",
    "level_dbm_of_field",
]

DECAY_CHANGES_HZ = 30e6
"""Below it a field is taken to fall twice as fast with distance (47 CFR 15.31(f))."""

DECAY_ABOVE_DB = 20.0
"""dB per tenfold distance from 30 MHz on: far field (from memory of 47 CFR 15.31(f)(1))."""

DECAY_BELOW_DB = 40.0
"""dB per tenfold distance below 30 MHz (47 CFR 15.31(f)(2), quoted elsewhere)."""

SPEED_OF_LIGHT_M_PER_S = 299_792_458.0
FREE_SPACE_OHM = 120.0 * math.pi
"""Wave impedance as the trade's constants have it (104.771, 29.771): 0.003 dB above the exact."""

SYSTEM_OHM = 50.0


def antenna_factor_db_per_m(frequency_hz: ArrayLike, gain_dbi: ArrayLike) -> NDArray[np.float64]:
    """Field over voltage at the aerial's 50 Ω socket: 20 log f(MHz) − G − 29.771, in dB(1/m).

    Shapes broadcast. A frequency of 0 gives −inf without a warning.

    Source: effective aperture Gλ²/4π at the wave impedance of free space (derived).
    """
    scale = math.sqrt(4.0 * math.pi * FREE_SPACE_OHM / SYSTEM_OHM) / SPEED_OF_LIGHT_M_PER_S
    with np.errstate(divide="ignore"):
        log_f = np.log10(np.asarray(frequency_hz, dtype=np.float64) * scale)
    return np.asarray(20.0 * log_f - np.asarray(gain_dbi, dtype=np.float64))


def field_dbuv_per_m(
    level_dbm: ArrayLike, antenna_factor_db_per_m: ArrayLike
) -> NDArray[np.float64]:
    """Field in dBµV/m that gives ``level_dbm`` at the aerial's socket: dBµV + antenna factor.

    Loss of a cable has to be taken out of the level before. Shapes broadcast, NaN stays NaN.
    """
    factor = np.asarray(antenna_factor_db_per_m, dtype=np.float64)
    return np.asarray(dbuv_from_dbm(level_dbm, impedance_ohm=SYSTEM_OHM) + factor)


def level_dbm_of_field(
    field_dbuv_per_m: ArrayLike, antenna_factor_db_per_m: ArrayLike
) -> NDArray[np.float64]:
    """Level in dBm at the aerial's socket, the inverse of :func:`field_dbuv_per_m`."""
    factor = np.asarray(antenna_factor_db_per_m, dtype=np.float64)
    level_dbuv = np.asarray(field_dbuv_per_m, dtype=np.float64) - factor
    return dbm_from_dbuv(level_dbuv, impedance_ohm=SYSTEM_OHM)


def free_space_field_dbuv_per_m(eirp_dbm: ArrayLike, distance_m: float) -> NDArray[np.float64]:
    """Field of an effective isotropic radiated power: EIRP + 104.771 − 20 log d, far field.

    Raises:
        ValueError: a distance that is not above 0.
    """
    _check_distance(distance_m)
    at_1_m = 10.0 * math.log10(1e-3 * FREE_SPACE_OHM / (4.0 * math.pi)) + 120.0
    eirp = np.asarray(eirp_dbm, dtype=np.float64)
    return np.asarray(eirp + at_1_m - 20.0 * math.log10(distance_m))


def field_at_distance_db(
    from_m: float, to_m: float, frequency_hz: ArrayLike
) -> NDArray[np.float64]:
    """What to add to a field or a limit at ``from_m`` to have it at ``to_m``.

    20 dB per tenfold distance from 30 MHz on, 40 dB below: a convention for limits, which no real
    site follows exactly. Where a standard gives limits for both distances, take those: CISPR sets
    3 m exactly 10 dB above 10 m, not 10.46.

    Returns float64 of the shape of ``frequency_hz``.

    Raises:
        ValueError: a distance that is not above 0.
    """
    _check_distance(from_m)
    _check_distance(to_m)
    at_hz = np.asarray(frequency_hz, dtype=np.float64)
    decay_db = np.where(at_hz < DECAY_CHANGES_HZ, DECAY_BELOW_DB, DECAY_ABOVE_DB)
    return np.asarray(-decay_db * math.log10(to_m / from_m))


def _check_distance(distance_m: float) -> None:
    if not (distance_m > 0.0 and math.isfinite(distance_m)):
        raise ValueError(f"a distance must be finite and above 0 m, got {distance_m}")
