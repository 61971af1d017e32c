"""External radio noise against Rec. ITU-R P.372-17 (08/2024) and first principles.

Coefficients and deciles were read in two independent public implementations that name the edition;
the check values are derived from them.
"""

from __future__ import annotations

import math

import pytest

from acqd.measure import radionoise
from acqd.measure.radionoise import Antenna, Environment, median
from acqd.units import BOLTZMANN_J_PER_K

CITY, RESIDENTIAL, RURAL = Environment.CITY, Environment.RESIDENTIAL, Environment.RURAL
QUIET, GALACTIC = Environment.QUIET_RURAL, Environment.GALACTIC


@pytest.mark.source(
    "Rec. ITU-R P.372-17 Part 6 eq. 17 and table 1, Part 4 eq. 13", "read elsewhere"
)
@pytest.mark.source("values of its formula", "derived")
@pytest.mark.parametrize(
    ("mhz", "figures_db"),
    [
        (1.85, {CITY: 69.40, RESIDENTIAL: 65.10, RURAL: 59.80, QUIET: 45.96, GALACTIC: None}),
        (3.65, {CITY: 61.22, RESIDENTIAL: 56.92, RURAL: 51.62, QUIET: 37.52, GALACTIC: None}),
        (7.1, {CITY: 53.22, RESIDENTIAL: 48.92, RURAL: 43.62, QUIET: 29.25, GALACTIC: None}),
        (14.2, {CITY: 44.88, RESIDENTIAL: 40.58, RURAL: 35.28, QUIET: 20.64, GALACTIC: 25.50}),
        (28.5, {CITY: 36.50, RESIDENTIAL: 32.20, RURAL: 26.90, QUIET: 11.99, GALACTIC: 18.54}),
        (145, {CITY: 16.93, RESIDENTIAL: 12.63, RURAL: 7.33, QUIET: None, GALACTIC: None}),
    ],
)
def test_medians(mhz: float, figures_db: dict[Environment, float | None]) -> None:
    """F_am = c − d·log10 f, P.372-17 Part 6 eq. 17 and table 1, galactic by Part 4 eq. 13.

    None: outside the range in which the curve is given, where there must be no figure.
    """
    for environment, figure_db in figures_db.items():
        found = median(environment, mhz * 1e6)
        if figure_db is None:
            assert found.figure_db is None
            assert found.reason is not None and "P.372 holds from" in found.reason
        else:
            assert found.figure_db == pytest.approx(figure_db, abs=5.1e-3)
            assert found.reason is None


@pytest.mark.source("Rec. ITU-R P.372-17 table 2", "read elsewhere")
@pytest.mark.parametrize(
    ("environment", "start_mhz", "stop_mhz", "upper_db", "lower_db", "location_db"),
    [
        (CITY, 0.3, 250, 11.0, 6.7, 8.4),
        (RESIDENTIAL, 0.3, 250, 10.6, 5.3, 5.8),
        (RURAL, 0.3, 250, 9.2, 4.6, 6.8),
        (QUIET, 0.3, 30, None, None, None),
        (GALACTIC, 10, 100, 2.0, 2.0, None),
    ],
)
def test_ranges_and_deciles(
    environment: Environment,
    start_mhz: float,
    stop_mhz: float,
    upper_db: float | None,
    lower_db: float | None,
    location_db: float | None,
) -> None:
    """P.372-17 table 2 and the ranges of its figure; none are printed for quiet rural."""
    for inside in (start_mhz, stop_mhz):
        found = median(environment, inside * 1e6)
        assert found.figure_db is not None
        assert (found.upper_decile_db, found.lower_decile_db) == (upper_db, lower_db)
        assert found.location_decile_db == location_db
    for outside in (start_mhz * 0.999, stop_mhz * 1.001):
        assert median(environment, outside * 1e6).figure_db is None


@pytest.mark.source("normal distribution", "derived")
@pytest.mark.parametrize(("decile_db", "sigma_db"), [(9.2, 7.18), (10.6, 8.27)])
def test_decile_to_standard_deviation(decile_db: float, sigma_db: float) -> None:
    """σ = D/1.28155 (derived)."""
    assert radionoise.decile_sigma_db(decile_db) == pytest.approx(sigma_db, abs=5.1e-3)


@pytest.mark.source("definition of F_a in Rec. ITU-R P.372-17", "derived")
@pytest.mark.parametrize(
    ("environment", "mhz", "bandwidth_hz", "level"),
    [
        (RESIDENTIAL, 7.1, 2.5e3, -91.08),
        (CITY, 14.2, 2.5e3, -95.11),
        (GALACTIC, 28.5, 10e3, -115.44),
        (CITY, 145, 10e3, -117.05),
    ],
)
def test_level_at_a_lossless_antenna(
    environment: Environment, mhz: float, bandwidth_hz: float, level: float
) -> None:
    """F_a − 173.975 + 10 log10 b (derived)."""
    figure_db = median(environment, mhz * 1e6).figure_db
    assert figure_db is not None
    assert float(radionoise.level_dbm(figure_db, bandwidth_hz)) == pytest.approx(level, abs=5.1e-3)


@pytest.mark.source("definition of F_a in Rec. ITU-R P.372-17", "derived")
def test_figure_of_a_level() -> None:
    """−95 dBm in 9 kHz → 39.43 dB (derived)."""
    assert float(radionoise.figure_from_level_db(-95.0, 9e3)) == pytest.approx(39.43, abs=5.1e-3)


@pytest.mark.source("constants of Rec. ITU-R P.372-17", "from memory")
@pytest.mark.source("values of its formula", "derived")
@pytest.mark.parametrize(
    ("environment", "mhz", "bandwidth_hz", "monopole", "dipole"),
    [(RESIDENTIAL, 7.1, 2.5e3, 4.42, 1.02), (CITY, 14.2, 9e3, 11.97, 8.57)],
)
def test_field_strengths(
    environment: Environment, mhz: float, bandwidth_hz: float, monopole: float, dipole: float
) -> None:
    """E_n = F_a + 20 log10 f + 10 log10 b − 95.5 or − 98.9 dBµV/m (P.372, from memory; derived)."""
    figure_db = median(environment, mhz * 1e6).figure_db
    assert figure_db is not None
    for antenna, field in ((Antenna.SHORT_MONOPOLE, monopole), (Antenna.HALF_WAVE_DIPOLE, dipole)):
        found = radionoise.field_strength_dbuv_per_m(
            figure_db, frequency_hz=mhz * 1e6, bandwidth_hz=bandwidth_hz, antenna=antenna
        )
        assert float(found) == pytest.approx(field, abs=6e-3)


@pytest.mark.source("k·T0·b·f_a in the effective aperture", "derived")
@pytest.mark.parametrize(
    ("antenna", "gain", "constant_db"),
    [
        # A short monopole of height h, E at the ground: (E·h/2)²/(4·R_r) with R_r = 10·(kh)² is
        # E²·λ²/(640·π²), and so E²/Z0 · G·λ²/(4π) with G = 3/4.
        (Antenna.SHORT_MONOPOLE, 3.0 / 4.0, -95.507),
        (Antenna.HALF_WAVE_DIPOLE, 1.6409, -98.907),
    ],
)
def test_field_constants_from_first_principles(
    antenna: Antenna, gain: float, constant_db: float
) -> None:
    """k·T0·b·f_a = E²/Z0 · G·λ²/(4π), Z0 = 120π, solved for E at 1 MHz and 1 Hz (derived)."""
    wave_m = 299_792_458.0 / 1e6
    aperture_m2 = gain * wave_m**2 / (4.0 * math.pi)
    square = BOLTZMANN_J_PER_K * 290.0 * 120.0 * math.pi / aperture_m2
    derived_db = 10.0 * math.log10(square) + 120.0
    assert derived_db == pytest.approx(constant_db, abs=2e-3)
    found = radionoise.field_strength_dbuv_per_m(
        0.0, frequency_hz=1e6, bandwidth_hz=1.0, antenna=antenna
    )
    assert float(found) == pytest.approx(derived_db, abs=0.01)


@pytest.mark.source("noise factors in a row", "derived")
@pytest.mark.parametrize(
    ("external_db", "receiver_db", "system_db"), [(18.54, 20, 22.316), (48.92, 20, 48.926)]
)
def test_with_a_receiver_behind_it(
    external_db: float, receiver_db: float, system_db: float
) -> None:
    """f = f_a − 1 + f_r without feeder loss (derived)."""
    found = float(radionoise.system_figure_db(external_db, receiver_db))
    assert found == pytest.approx(system_db, abs=5.1e-4)
