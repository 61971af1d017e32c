"""Decibel arithmetic and level units: the only place where levels change their unit.

All functions take scalars or arrays and return float64. Levels in dBm and dBµV are tied by the
system impedance: 0 dBm is 1 mW in it, 0 dBµV is 1 µV rms across it.
"""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "BOLTZMANN_J_PER_K",
    "THERMAL_DENSITY_DBM_PER_HZ",
    "LevelUnit",
    "db_from_ratio",
    "dbm_from_dbuv",
    "dbm_from_watt",
    "dbuv_from_dbm",
    "mean_power_db",
    "ratio_from_db",
    "sum_power_db",
    "watt_from_dbm",
]

BOLTZMANN_J_PER_K = 1.380649e-23
"""Exact since the SI of 2019."""

THERMAL_DENSITY_DBM_PER_HZ = -173.97518
"""10 log10(k · 290 K / 1 mW): available thermal noise of a matched resistor per hertz."""


class LevelUnit(StrEnum):
    """What a level is counted in. It travels with the sweep and is named wherever it is shown."""

    DBM = "dBm"
    DBUV = "dBµV"
    DBFS = "dBFS"
    DIGIT = "digit"
    """A detector's own digits, on a scale that nobody has calibrated."""
    RATIO = "1"
    """A complex ratio, from a vector sweeper."""

    @property
    def is_logarithmic(self) -> bool:
        """True where differences of levels are decibels."""
        return self in (LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS)


def ratio_from_db(level_db: ArrayLike) -> NDArray[np.float64]:
    """Power ratio of a level difference in dB."""
    return np.asarray(np.exp(np.asarray(level_db, dtype=np.float64) * (np.log(10.0) / 10.0)))


def db_from_ratio(ratio: ArrayLike) -> NDArray[np.float64]:
    """Level difference in dB of a power ratio; 0 gives −inf without a warning."""
    with np.errstate(divide="ignore"):
        return np.asarray(10.0 * np.log10(np.asarray(ratio, dtype=np.float64)))


def sum_power_db(level_db: ArrayLike) -> float:
    """Level of the sum of powers, in the unit of the levels. NaN counts as NaN."""
    return float(db_from_ratio(ratio_from_db(level_db).sum()))


def mean_power_db(level_db: ArrayLike) -> float:
    """Level of the mean power, in the unit of the levels. NaN counts as NaN."""
    return float(db_from_ratio(ratio_from_db(level_db).mean()))


def dbm_from_watt(power_w: ArrayLike) -> NDArray[np.float64]:
    """Level in dBm of a power in watt."""
    return db_from_ratio(np.asarray(power_w, dtype=np.float64) * 1e3)


def watt_from_dbm(level_dbm: ArrayLike) -> NDArray[np.float64]:
    """Power in watt of a level in dBm."""
    return ratio_from_db(level_dbm) * 1e-3


def dbuv_from_dbm(level_dbm: ArrayLike, *, impedance_ohm: float = 50.0) -> NDArray[np.float64]:
    """Level in dBµV of a level in dBm: + 10 log10(R · 1 mW / 1 V²) + 120."""
    offset_db = 10.0 * np.log10(impedance_ohm * 1e-3) + 120.0
    return np.asarray(np.asarray(level_dbm, dtype=np.float64) + offset_db)


def dbm_from_dbuv(level_dbuv: ArrayLike, *, impedance_ohm: float = 50.0) -> NDArray[np.float64]:
    """Level in dBm of a level in dBµV, the inverse of :func:`dbuv_from_dbm`."""
    offset_db = 10.0 * np.log10(impedance_ohm * 1e-3) + 120.0
    return np.asarray(np.asarray(level_dbuv, dtype=np.float64) - offset_db)
