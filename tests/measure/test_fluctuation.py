"""Whether an emission is steady, or seen as noise by a filter narrower than its modulation."""

from __future__ import annotations

import numpy as np
import pytest

from acqd.measure.fluctuation import fluctuation, sum_deviation_db
from acqd.measure.products import ProductKind, harmonic_level

STEPS = np.arange(-60, 61)


def spectrum(width: float, top_db: float = 0.0) -> np.ndarray:
    """A parabola in dB, 3 dB down at half of ``width`` steps from the middle."""
    return np.asarray(top_db - 3.0103 * (2.0 * STEPS / width) ** 2)


@pytest.mark.parametrize("width", [3.0, 4.0, 30.0])
def test_a_line_through_a_gaussian_filter_is_steady(width: float) -> None:
    assert fluctuation(spectrum(width), floor_db=-80.0) == 0.0


@pytest.mark.parametrize(("averages", "low", "high"), [(1, 0.6, 1.4), (10, 0.05, 0.2)])
def test_noise_of_a_spectrum_fluctuates_by_its_averages(
    averages: int, low: float, high: float, rng: np.random.Generator
) -> None:
    """1/N: the variance of power over its mean square."""
    found = [
        fluctuation(
            spectrum(40.0) + 10 * np.log10(rng.gamma(averages, size=STEPS.size) / averages),
            floor_db=-80.0,
        )
        for _ in range(50)
    ]
    assert low < np.mean(found) < high


def test_noise_of_the_floor_is_not_its_own(rng: np.random.Generator) -> None:
    """A steady line 20 dB over a floor of single samples."""
    held = 0
    for _ in range(100):
        noise = (rng.normal(size=(2, STEPS.size)) / np.sqrt(2.0)).T @ np.array([1.0, 1.0j])
        volts = 10 ** (spectrum(12.0, 20.0) / 20.0) + noise
        held += fluctuation(20 * np.log10(np.abs(volts)), floor_db=0.0) == 0.0
    assert held >= 95


def test_what_is_too_little_to_tell_counts_as_steady() -> None:
    assert fluctuation(np.array([])) == 0.0
    assert fluctuation(np.array([0.0, -9.0, 0.0, -9.0])) == 0.0
    assert fluctuation(np.full(20, np.nan)) == 0.0
    assert fluctuation(np.tile([10.0, 0.0], 20), floor_db=0.0) == 0.0


def test_a_sum_is_surer_than_a_reading() -> None:
    """The more readings, the less; those that resemble each other count as fewer."""
    one = sum_deviation_db(np.ones(1), 0.97)
    many = sum_deviation_db(np.ones(100), 0.97)
    assert one == pytest.approx(5.57, abs=0.05)
    assert many == pytest.approx(one / 13.0, rel=0.05)
    assert sum_deviation_db(np.ones(100), 0.97, alike=4.0) == pytest.approx(2.0 * many, rel=0.02)
    assert sum_deviation_db(np.ones(100), 0.0) == sum_deviation_db(np.zeros(3), 1.0) == 0.0


def test_a_product_that_is_noise_holds_its_power(rng: np.random.Generator) -> None:
    """Summed from the highest reading, through which no fit through noise goes; U holds it."""
    axis = 300e6 + 250.0 * np.arange(-200, 201)
    shape = 10 ** (-0.5 * ((axis - 300e6) / 8e3) ** 2 / np.log(10.0))
    true_db = 10 * np.log10(shape.sum() * 250.0 / 1064.467)
    errors, held = [], 0
    for _ in range(100):
        level = 10 * np.log10(shape * rng.exponential(size=axis.size) + 1e-6)
        found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=-60.0)
        assert found.kind is ProductKind.NOISE_LIKE and found.level_dbm is not None
        errors.append(found.level_dbm - true_db)
        held += abs(errors[-1]) <= 2.0 * np.hypot(found.u_db, found.u_own_db)
    assert abs(np.mean(errors)) < 0.3
    assert held >= 95
