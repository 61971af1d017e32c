"""Noise, filters and densities against published and derived values.

Each table names where its values are from: "derived" means algebra from the stated definition,
checked independently of this code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure import bandpower, statistics
from acqd.measure.bandpower import FilterShape, band_power
from acqd.measure.peaks import filter_loss_db
from acqd.sweep import Grid
from acqd.units import ratio_from_db


@pytest.mark.source("exponential distribution of noise power", "derived")
def test_db_average_of_gaussian_noise() -> None:
    """10γ/ln 10 = 2.50682 dB (derived; "2.5 dB" in makers' primers on swept analysis)."""
    assert pytest.approx(2.50682, abs=5e-6) == statistics.DB_AVERAGE_OF_NOISE_DB


@pytest.mark.source("exponential distribution of noise power", "derived")
def test_median_of_gaussian_noise() -> None:
    """The median of power lies 10 log10(ln 2) = 1.59175 dB below its mean (derived)."""
    assert statistics.percentile_bias_db(0.5, 1.0) == pytest.approx(-1.59175, abs=5e-6)


@pytest.mark.source("IEC 60050 702-08-60", "read")
@pytest.mark.source("integrals of the filters", "derived")
@pytest.mark.parametrize(
    ("shape", "ratio", "in_db"),
    [
        (FilterShape.GAUSSIAN, 1.06447, 0.2713),
        (FilterShape.SYNCHRONOUS_4, 1.12850, 0.5250),
        (FilterShape.SYNCHRONOUS_5, 1.11385, 0.4682),
        (FilterShape.SINGLE_POLE, 1.57080, 1.9612),
    ],
)
def test_equivalent_noise_bandwidth(shape: FilterShape, ratio: float, in_db: float) -> None:
    """ENB over the 3 dB width (definition IEC 60050 702-08-60; values derived)."""
    assert bandpower.enb_ratio(shape) == pytest.approx(ratio, abs=5e-6)
    assert 10 * math.log10(bandpower.enb_ratio(shape)) == pytest.approx(in_db, abs=5e-5)


@pytest.mark.source("IEC 60050 702-08-60", "derived")
def test_gaussian_enb_is_the_integral() -> None:
    """∫G(f)df of 2^−(2f/B3)², by the rectangle rule."""
    f = np.linspace(-10.0, 10.0, 200_001)
    integral = float((2.0 ** -((2 * f) ** 2)).sum() * (f[1] - f[0]))
    assert bandpower.enb_ratio() == pytest.approx(integral, rel=1e-9)


@pytest.mark.source("Gaussian filter and noise averaged in dB", "derived")
@pytest.mark.parametrize(
    ("level_dbm", "rbw_hz", "density"),
    [(-95.0, 3e3, -127.5357), (-110.0, 1e3, -137.7645)],
)
def test_noise_density_of_db_averaged_data(level_dbm: float, rbw_hz: float, density: float) -> None:
    """L − 10 log10(ENB) + 2.5068 through a Gaussian filter (derived)."""
    found = bandpower.noise_density_dbm_per_hz(level_dbm, rbw_hz=rbw_hz, db_averaged=True)
    assert found == pytest.approx(density, abs=5e-5)


@pytest.mark.source("noise figure over kT0, T0 = 290 K", "derived")
@pytest.mark.parametrize(
    ("level_dbm", "rbw_hz", "db_averaged", "figure_db"),
    [(-110.0, 1e3, True, 36.211), (-148.0, 10.0, True, 18.211), (-151.0, 10.0, False, 12.704)],
)
def test_noise_figure_from_displayed_noise(
    level_dbm: float, rbw_hz: float, db_averaged: bool, figure_db: float
) -> None:
    """Density over kT0, input terminated, no attenuation (derived)."""
    density = bandpower.noise_density_dbm_per_hz(level_dbm, rbw_hz=rbw_hz, db_averaged=db_averaged)
    assert bandpower.noise_figure_db(density) == pytest.approx(figure_db, abs=5e-4)


@pytest.mark.source("gamma distribution; estimator of Rec. ITU-R SM.1880", "derived")
@pytest.mark.parametrize(
    ("estimate", "biases"),
    [
        ("lowest 20 %", [-9.689, -5.935, -3.316, -2.207, -1.200, -0.634, -0.195]),
        ("20 % point", [-6.514, -3.849, -2.091, -1.373, -0.737, -0.386, -0.118]),
        ("lowest 10 %", [-12.860, -7.717, -4.240, -2.803, -1.515, -0.798, -0.244]),
    ],
)
def test_bias_of_floor_estimators(estimate: str, biases: list[float]) -> None:
    """dB re the true mean for N = 1, 2, 5, 10, 30, 100, 1000 (derived; Monte Carlo elsewhere).

    The lowest-20 % mean is the floor estimator of Rec. ITU-R SM.1880 (as restated elsewhere).
    """
    function = {
        "lowest 20 %": lambda n: statistics.lowest_mean_bias_db(0.2, n),
        "20 % point": lambda n: statistics.percentile_bias_db(0.2, n),
        "lowest 10 %": lambda n: statistics.lowest_mean_bias_db(0.1, n),
    }[estimate]
    averages = [1.0, 2.0, 5.0, 10.0, 30.0, 100.0, 1000.0]
    assert [function(n) for n in averages] == pytest.approx(biases, abs=5.1e-4)


@pytest.mark.source("gamma distribution of averaged noise power", "derived")
@pytest.mark.parametrize(
    ("averages", "threshold_db", "probability"),
    [
        (1, 3, 0.13598),
        (1, 5, 0.042329),
        (1, 6, 0.018666),
        (1, 7, 0.0066584),
        (1, 10, 4.540e-5),
        (1, 12, 1.309e-7),
        (10, 3, 0.005135),
        (10, 5, 2.215e-6),
        (10, 6, 4.552e-9),
    ],
)
def test_false_alarm_of_a_threshold(
    averages: float, threshold_db: float, probability: float
) -> None:
    """Per sample, threshold over the true mean noise power (derived)."""
    found = statistics.false_alarm_probability(threshold_db, averages)
    assert found == pytest.approx(probability, rel=3e-4)


@pytest.mark.source("gamma distribution of averaged noise power", "derived")
@pytest.mark.parametrize(
    ("false_alarm", "thresholds_db"),
    [(1e-3, [8.393, 3.552, 1.264]), (1e-4, [9.643, 4.182, 1.508]), (1e-6, [11.404, 5.147, 1.901])],
)
def test_threshold_of_a_false_alarm(false_alarm: float, thresholds_db: list[float]) -> None:
    """For N = 1, 10 and 100 (derived)."""
    found = [statistics.threshold_over_mean_db(false_alarm, n) for n in (1.0, 10.0, 100.0)]
    assert found == pytest.approx(thresholds_db, abs=5.1e-4)


@pytest.mark.source("any of K independent samples", "derived")
@pytest.mark.parametrize(
    ("probability", "points", "any_of"), [(0.0066584, 8, 0.05204), (4.54e-5, 8, 3.6314e-4)]
)
def test_false_alarm_of_a_channel(probability: float, points: int, any_of: float) -> None:
    """1 − (1 − p)^K (derived)."""
    found = statistics.false_alarm_of_any(probability, points)
    assert found == pytest.approx(any_of, rel=1e-4)


@pytest.mark.source("sum of powers over the ENB", "derived")
def test_channel_power_of_200_steps() -> None:
    """200 steps of 1 kHz at −80 dBm, 3 kHz Gaussian RBW: −62.0322 dBm (derived)."""
    grid = Grid.from_axis(1e6 + 1e3 * np.arange(200))
    found = band_power(np.full(200, -80.0), grid, start_hz=0.9995e6, stop_hz=1.1995e6, rbw_hz=3e3)
    assert bandpower.enb_hz(3e3) == pytest.approx(3193.40, abs=5e-3)
    assert found.level == pytest.approx(-62.0322, abs=5e-5)
    assert found.covered == 1.0


@pytest.mark.source("sum of powers over the ENB", "derived")
def test_channel_power_of_a_voice_channel() -> None:
    """25 kHz, steps of 2.5 kHz, −80 dBm flat, 10 kHz Gaussian RBW: −76.2919 dBm (derived)."""
    grid = Grid.from_axis(156e6 + 2.5e3 * np.arange(400))
    found = band_power(np.full(400, -80.0), grid, start_hz=156.3e6, stop_hz=156.325e6, rbw_hz=10e3)
    assert found.level == pytest.approx(-76.2919, abs=5e-5)


@pytest.mark.source("sum of powers over the ENB", "derived")
def test_density_in_a_channel() -> None:
    """−127.5357 dBm/Hz in 12.5 kHz is −86.5666 dBm (derived)."""
    assert -127.5357 + 10 * math.log10(12.5e3) == pytest.approx(-86.5666, abs=5e-5)
    level = -127.5357 + 10 * math.log10(bandpower.enb_hz(1e3))
    grid = Grid.from_axis(1e6 + 250.0 * np.arange(400))
    found = band_power(np.full(400, level), grid, start_hz=1.02e6, stop_hz=1.0325e6, rbw_hz=1e3)
    assert found.level == pytest.approx(-86.5666, abs=5e-5)


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize(
    ("step_per_rbw", "worst_db"),
    [(1 / 3, -0.334), (1 / 2, -0.753), (1.0, -3.010), (1.5, -6.773), (2.0, -12.041)],
)
def test_scallop(step_per_rbw: float, worst_db: float) -> None:
    """A carrier halfway between points, Gaussian filter (derived)."""
    found = bandpower.scallop_db(step_per_rbw * 1e3, 1e3)
    assert found == pytest.approx(worst_db, abs=5.1e-4)


@pytest.mark.source("sum of powers over the ENB", "derived")
@pytest.mark.parametrize(
    ("shape", "step_per_rbw", "low_db", "high_db"),
    [
        (FilterShape.GAUSSIAN, 1 / 3, -1e-12, 1e-12),
        (FilterShape.GAUSSIAN, 1 / 2, -5.7e-6, 5.7e-6),
        (FilterShape.GAUSSIAN, 1.0, -0.254, 0.240),
        (FilterShape.GAUSSIAN, 1.5, -2.273, 1.507),
        (FilterShape.GAUSSIAN, 2.0, -6.292, 2.739),
        (FilterShape.SYNCHRONOUS_4, 1.0, -0.357, 0.332),
    ],
)
def test_sum_over_a_lone_carrier(
    shape: FilterShape, step_per_rbw: float, low_db: float, high_db: float
) -> None:
    """The sum is off by this range over all places of the carrier between two points.

    Up to half the RBW by the product itself; beyond, where it refuses, by its filter and its ENB.
    """
    rbw_hz, step_hz = 1e3, step_per_rbw * 1e3
    axis = 1e6 + step_hz * np.arange(-400, 401)
    errors = []
    for offset in np.linspace(0.0, 1.0, 41):
        level = -filter_loss_db(axis - 1e6 - offset * step_hz, rbw_hz, shape)
        found = band_power(
            level,
            Grid.from_axis(axis),
            start_hz=axis[0] - step_hz / 2,
            stop_hz=axis[-1] + step_hz / 2,
            rbw_hz=rbw_hz,
            shape=shape,
        )
        power = float(ratio_from_db(level).sum()) * step_hz / bandpower.enb_hz(rbw_hz, shape)
        errors.append(10.0 * math.log10(power))
        assert (found.level is not None) == (step_per_rbw <= 0.5)
        if found.level is not None:
            assert found.level == pytest.approx(errors[-1], abs=1e-9)
    if abs(high_db) > 1e-9:
        assert (min(errors), max(errors)) == pytest.approx((low_db, high_db), rel=0.01, abs=4e-7)
    else:
        assert max(map(abs, errors)) < 1e-9


@pytest.mark.source("refuse channel power where the step exceeds half the RBW", "practice")
def test_largest_step_for_power() -> None:
    """Half the RBW, and not a hertz more."""
    assert bandpower.step_too_wide(500.0, 1e3) is None
    assert bandpower.step_too_wide(501.0, 1e3) is not None


@pytest.mark.source("powers of independent parts add", "derived")
@pytest.mark.parametrize(("over_db", "expected_db"), [(3, -3.021), (6, -1.256), (10, -0.458)])
def test_floor_noise_out_of_a_reading(over_db: float, expected_db: float) -> None:
    """10 log10(10^(m/10) − 1) − m (derived)."""
    assert bandpower.without_floor_db(over_db) == pytest.approx(expected_db, abs=5.1e-4)
