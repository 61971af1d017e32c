"""Decibel arithmetic, thermal noise and what noise does to averages and maxima.

Sources: definitions of the decibel and of dBµV; the Boltzmann constant of the SI of 2019; Gaussian
noise through an envelope detector, whose power is exponentially distributed. All derived: algebra
from these, worked out apart from this code.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import integrate

from acqd.chain import Chain, ChainPart, PartKind
from acqd.measure import bandpower, statistics
from acqd.measure.bandpower import FilterShape
from acqd.measure.distribution import bins_of, classes_of, count_levels, rms_over_mean_db
from acqd.measure.peaks import filter_width_hz, reading_deviation_db
from acqd.measure.products import ProductKind, in_reference_bandwidth
from acqd.measure.radionoise import external_noise_figure, level_dbm
from acqd.units import (
    BOLTZMANN_J_PER_K,
    THERMAL_DENSITY_DBM_PER_HZ,
    dbm_from_dbuv,
    dbm_from_watt,
    dbuv_from_dbm,
    mean_power_db,
    sum_power_db,
    watt_from_dbm,
)

# --- levels ---------------------------------------------------------------------------------------


@pytest.mark.source("P = 1 mW · 10^(dBm/10)", "derived")
@pytest.mark.parametrize(
    ("power_w", "level"),
    [(100.0, 50.0), (5.0, 36.9897), (25e-6, -16.0206), (1500.0, 61.7609)],
)
def test_watt_and_dbm(power_w: float, level: float) -> None:
    """Both ways."""
    assert float(dbm_from_watt(power_w)) == pytest.approx(level, abs=5e-5)
    assert float(watt_from_dbm(level)) == pytest.approx(power_w, rel=2e-5)


@pytest.mark.source("10 log10(R · 1 mW) + 120", "derived")
@pytest.mark.parametrize(
    ("level", "ohm", "level_dbuv"), [(0.0, 50.0, 106.9897), (0.0, 75.0, 108.7506)]
)
def test_dbm_and_dbuv(level: float, ohm: float, level_dbuv: float) -> None:
    """Both ways, in 50 and in 75 Ω."""
    assert float(dbuv_from_dbm(level, impedance_ohm=ohm)) == pytest.approx(level_dbuv, abs=5e-5)
    assert float(dbm_from_dbuv(level_dbuv, impedance_ohm=ohm)) == pytest.approx(level, abs=5e-5)


@pytest.mark.source("U = √(P·R), 50 Ω", "derived")
@pytest.mark.parametrize(
    ("level", "microvolt"),
    [(0.0, 223_607.0), (-107.0, 0.99881), (-73.0, 50.0593), (-93.0, 5.00593)],
)
def test_terminal_voltage(level: float, microvolt: float) -> None:
    """0 dBm is 223.607 mV; an open source shows twice that, 113.01 dBµV for 106.99."""
    assert 10.0 ** (float(dbuv_from_dbm(level)) / 20.0) == pytest.approx(microvolt, rel=5e-6)
    open_dbuv = float(dbuv_from_dbm(level)) + 20.0 * math.log10(2.0)
    if level == 0.0:
        assert open_dbuv == pytest.approx(113.01, abs=5e-3)


@pytest.mark.source("10 log10 Σ10^(L/10)", "derived")
@pytest.mark.parametrize(
    ("levels", "total"),
    [((-60, -60), -56.9897), ((-50, -60, -70), -49.5468), ((-60, -66), -59.0268)],
)
def test_sum_of_powers(levels: tuple[float, ...], total: float) -> None:
    """Levels add as powers."""
    assert sum_power_db(levels) == pytest.approx(total, abs=5e-5)


@pytest.mark.source("means of power and of voltage", "derived")
@pytest.mark.parametrize(
    ("levels", "of_power", "of_voltage"),
    [((-60.0, -40.0), -42.9671, -45.1927), ((-70.0, -80.0, -90.0), -74.3180, -76.5198)],
)
def test_mean(levels: tuple[float, ...], of_power: float, of_voltage: float) -> None:
    """Power is what is averaged here; the mean voltage lies lower, by what V_d says."""
    assert mean_power_db(levels) == pytest.approx(of_power, abs=5e-5)
    counts = count_levels(classes_of(np.array(levels)[:, None], 0.5), bins_of(1), step=0.5)
    assert rms_over_mean_db(counts)[0] == pytest.approx(of_power - of_voltage, abs=2e-3)


# --- thermal noise --------------------------------------------------------------------------------


@pytest.mark.source("k·T·B, k exact in the SI of 2019", "derived")
@pytest.mark.parametrize(("kelvin", "density"), [(290.0, -173.9752), (296.0, -173.8863)])
def test_thermal_density(kelvin: float, density: float) -> None:
    """The density used everywhere is that of 290 K."""
    assert float(dbm_from_watt(BOLTZMANN_J_PER_K * kelvin)) == pytest.approx(density, abs=5e-5)
    if kelvin == 290.0:
        assert pytest.approx(density, abs=5e-5) == THERMAL_DENSITY_DBM_PER_HZ


@pytest.mark.source("k·T·B at 290 K", "derived")
@pytest.mark.parametrize(
    ("bandwidth_hz", "level"),
    [(1e3, -143.975), (2.5e3, -139.996), (10e3, -133.975), (120e3, -123.183), (1e6, -113.975)],
)
def test_thermal_noise_in_a_bandwidth(bandwidth_hz: float, level: float) -> None:
    """A noise figure of 0 dB over kT0B."""
    assert float(level_dbm(0.0, bandwidth_hz)) == pytest.approx(level, abs=5.1e-4)


@pytest.mark.source("noise follows the bandwidth, a line does not", "derived")
@pytest.mark.parametrize(
    ("from_hz", "to_hz", "change_db"),
    [(1e3, 10e3, 10.0), (3e3, 120e3, 16.021), (9e3, 120e3, 11.249)],
)
def test_another_rbw(from_hz: float, to_hz: float, change_db: float) -> None:
    """10 log10(B2/B1)."""
    levels = {
        kind: [
            in_reference_bandwidth(
                -80.0, kind=kind, rbw_hz=from_hz, reference_hz=bandpower.enb_hz(width_hz)
            )
            for width_hz in (from_hz, to_hz)
        ]
        for kind in (ProductKind.NOISE_LIKE, ProductKind.CARRIER)
    }
    low, high = levels[ProductKind.NOISE_LIKE]
    assert low == pytest.approx(-80.0)
    assert high - low == pytest.approx(change_db, abs=5.1e-4)
    assert levels[ProductKind.CARRIER] == [-80.0, -80.0]


@pytest.mark.source("F = F1 + (F2 − 1)/G1 (Friis)", "derived")
@pytest.mark.parametrize(
    ("first_db", "gain_db", "second_db", "figure_db"),
    [(3.0, 20.0, 25.0, 7.1160), (0.5, 20.0, 36.0, 16.1196)],
)
def test_amplifier_before_a_sweeper(
    first_db: float, gain_db: float, second_db: float, figure_db: float
) -> None:
    """The station's own noise figure, from the aerial on."""
    chain = Chain((ChainPart.flat(PartKind.AMPLIFIER, "amplifier", gain_db=gain_db),))
    found = external_noise_figure(
        floor_dbm=-60.0,
        enb_hz=1e3,
        frequency_hz=145e6,
        instrument_figure_db=second_db,
        chain_gain_db=float(chain.gain_db(145e6)),
        chain_figure_db=first_db,
    )
    assert found.own_figure_db == pytest.approx(figure_db, abs=5e-5)


# --- noise through an envelope detector -----------------------------------------------------------


@pytest.mark.source("Gaussian noise averaged in dB through a filter", "derived")
@pytest.mark.parametrize(
    ("shape", "net_db"), [(FilterShape.GAUSSIAN, 2.2355), (FilterShape.SYNCHRONOUS_4, 1.9818)]
)
def test_net_correction_of_a_noise_marker(shape: FilterShape, net_db: float) -> None:
    """On top of −10 log10 RBW: 2.5068 dB less the ENB's share."""
    found = bandpower.noise_density_dbm_per_hz(0.0, rbw_hz=1.0, shape=shape, db_averaged=True)
    assert found == pytest.approx(net_db, abs=5e-5)


@pytest.mark.source("logarithm of an exponential distribution: (10/ln 10)·π/√6", "derived")
def test_spread_of_one_reading() -> None:
    """5.57004 dB; of a hundred averaged in power 0.434 dB, 4.3429/√M in the first order."""
    assert reading_deviation_db(0.0) == pytest.approx(5.57004, rel=2e-4)
    assert reading_deviation_db(0.0, 100.0) == pytest.approx(0.434, abs=2e-3)


COUNTS = [1, 2, 5, 10, 100, 1000, 10_000]


@pytest.mark.source("largest of N exponentials: (1 − e^−x)^N", "derived")
@pytest.mark.parametrize(
    ("count", "of_power_db", "of_db"),
    list(
        zip(
            COUNTS,
            [0.0, 1.761, 3.586, 4.667, 7.149, 8.742, 9.907],
            [-2.507, 0.503, 2.997, 4.299, 7.028, 8.683, 9.872],
            strict=True,
        )
    ),
)
def test_largest_of_noise(count: int, of_power_db: float, of_db: float) -> None:
    """What a positive peak detector or max hold over N samples makes of noise."""

    def above(x: float) -> float:
        return statistics.peak_upper(count, x)

    top = math.log(count) + 45.0
    power = integrate.quad(above, 0.0, top, limit=400, points=[math.log(count) + 1.0])[0]
    assert 10.0 * math.log10(power) == pytest.approx(of_power_db, abs=5.1e-4)
    # E[ln X] over u = ln x, whose density falls off on both sides.
    up = integrate.quad(lambda u: above(math.exp(u)), 0.0, math.log(top), limit=400)[0]
    down = integrate.quad(lambda u: 1.0 - above(math.exp(u)), -40.0, 0.0, limit=400)[0]
    assert statistics.DB_PER_NEPER * (up - down) == pytest.approx(of_db, abs=5.1e-4)


# --- filters --------------------------------------------------------------------------------------


@pytest.mark.source("n equal poles; Gaussian G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize(
    ("shape", "six_over_three", "sixty_over_three", "sixty_over_six"),
    [
        (FilterShape.GAUSSIAN, 1.41421, 4.4645, 3.1569),
        (FilterShape.SYNCHRONOUS_4, 1.47960, 12.722, 8.598),
        (FilterShape.SYNCHRONOUS_5, 1.46584, 9.993, 6.817),
        (FilterShape.SINGLE_POLE, 1.73205, 999.9995, 577.35),
    ],
)
def test_widths_of_a_filter(
    shape: FilterShape, six_over_three: float, sixty_over_three: float, sixty_over_six: float
) -> None:
    """3 dB as half power, 6 dB as half voltage."""
    three, six, sixty = (
        filter_width_hz(1e3, down_db, shape)
        for down_db in (10.0 * math.log10(2.0), 20.0 * math.log10(2.0), 60.0)
    )
    assert three == pytest.approx(1e3)
    assert six / three == pytest.approx(six_over_three, abs=5.1e-6)
    assert sixty / three == pytest.approx(sixty_over_three, rel=5e-5)
    assert sixty / six == pytest.approx(sixty_over_six, rel=6e-5)


@pytest.mark.source("ENB over the 6 dB width of a Gaussian filter", "derived")
def test_enb_over_the_6_db_width() -> None:
    """0.75269, −1.2338 dB."""
    ratio = bandpower.enb_ratio() / filter_width_hz(1.0, 20.0 * math.log10(2.0))
    assert ratio == pytest.approx(0.75269, abs=5e-6)
    assert 10.0 * math.log10(ratio) == pytest.approx(-1.2338, abs=5e-5)
