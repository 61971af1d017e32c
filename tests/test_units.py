"""Decibel arithmetic against worked values (derived from the definitions)."""

from __future__ import annotations

import numpy as np
import pytest

from acqd import units
from acqd.units import LevelUnit


@pytest.mark.parametrize(
    ("power_w", "level_dbm"),
    [(100.0, 50.0), (5.0, 36.9897), (25e-6, -16.0206), (1500.0, 61.7609)],
)
def test_watt_and_dbm_are_inverse(power_w: float, level_dbm: float) -> None:
    """P = 1 mW · 10^(dBm/10), both ways."""
    assert float(units.dbm_from_watt(power_w)) == pytest.approx(level_dbm, abs=5e-5)
    assert float(units.watt_from_dbm(units.dbm_from_watt(power_w))) == pytest.approx(power_w)


@pytest.mark.parametrize(
    ("level_dbm", "impedance_ohm", "level_dbuv"),
    [(0.0, 50.0, 106.9897), (0.0, 75.0, 108.7506), (-107.0, 50.0, -0.0103)],
    ids=["50 ohm", "75 ohm", "one microvolt"],
)
def test_dbuv_depends_on_the_impedance(
    level_dbm: float, impedance_ohm: float, level_dbuv: float
) -> None:
    """dBµV = dBm + 10 log10(R · 1 mW) + 120."""
    there = units.dbuv_from_dbm(level_dbm, impedance_ohm=impedance_ohm)
    assert float(there) == pytest.approx(level_dbuv, abs=5e-5)
    back = units.dbm_from_dbuv(there, impedance_ohm=impedance_ohm)
    assert float(back) == pytest.approx(level_dbm, abs=1e-12)


@pytest.mark.parametrize(
    ("levels", "total"),
    [([-60, -60], -56.9897), ([-50, -60, -70], -49.5468), ([-60, -66], -59.0268)],
)
def test_powers_add(levels: list[float], total: float) -> None:
    """Levels are summed as powers."""
    assert units.sum_power_db(levels) == pytest.approx(total, abs=5e-5)


@pytest.mark.parametrize(("levels", "mean"), [([-60, -40], -42.9671), ([-70, -80, -90], -74.3180)])
def test_mean_is_of_powers(levels: list[float], mean: float) -> None:
    """Levels are averaged as powers, not as decibels."""
    assert units.mean_power_db(levels) == pytest.approx(mean, abs=5e-5)


def test_thermal_density_follows_from_boltzmann() -> None:
    """k · 290 K in dBm/Hz, with the exact constant of the SI of 2019."""
    density = 10 * np.log10(units.BOLTZMANN_J_PER_K * 290 / 1e-3)
    assert pytest.approx(density, abs=1e-5) == units.THERMAL_DENSITY_DBM_PER_HZ


def test_nothing_is_minus_infinity_without_a_warning() -> None:
    """No power has no level, and saying so is not worth a warning."""
    assert float(units.db_from_ratio(0.0)) == -np.inf


def test_only_decibel_units_are_logarithmic() -> None:
    """Digits and ratios carry no decibels."""
    logarithmic = {unit for unit in LevelUnit if unit.is_logarithmic}
    assert logarithmic == {LevelUnit.DBM, LevelUnit.DBUV, LevelUnit.DBFS}
