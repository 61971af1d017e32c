"""Bandwidths, channel powers, peaks and designators against published and derived values.

"derived" means algebra from the stated definition, checked independently of this code; "practice"
is what the trade does, without a source as such.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.fft
import scipy.signal
from numpy.typing import NDArray

from acqd.measure import designator as names
from acqd.measure.adjacent import adjacent_power, adjacent_ratios
from acqd.measure.bandpower import without_floor_db
from acqd.measure.bandwidth import (
    filter_occupied_hz,
    obw_breakdown_db,
    occupied_bandwidth,
    without_rbw_hz,
    x_db_bandwidth,
)
from acqd.measure.peaks import Bound, filter_loss_db, filter_width_hz, reading_deviation_db

Float = NDArray[np.float64]

BIN_HZ = 10.0
RATE_HZ = 327_680.0


def through_filter(signal: NDArray[np.complex128], rbw_hz: float) -> tuple[Float, Float]:
    """What a sweeper shows of a periodic signal: its lines by FFT, each drawn by a Gaussian RBW."""
    power = np.abs(scipy.fft.fftshift(scipy.fft.fft(signal)) / signal.size) ** 2
    axis = scipy.fft.fftshift(scipy.fft.fftfreq(signal.size, 1.0 / RATE_HZ))
    reach = np.arange(-600, 601) * BIN_HZ
    kernel = 10.0 ** (-filter_loss_db(reach, rbw_hz) / 10.0)
    shown = np.maximum(scipy.signal.fftconvolve(power, kernel, mode="same"), 1e-14)
    return axis, np.asarray(10.0 * np.log10(shown))


def one_period() -> Float:
    return np.arange(int(RATE_HZ / BIN_HZ)) / RATE_HZ


def am(depth: float, tone_hz: float) -> NDArray[np.complex128]:
    return (1.0 + depth * np.cos(2 * np.pi * tone_hz * one_period())).astype(np.complex128)


def fm(deviation_hz: float, tone_hz: float) -> NDArray[np.complex128]:
    phase = deviation_hz / tone_hz * np.sin(2 * np.pi * tone_hz * one_period())
    return np.asarray(np.exp(1j * phase))


@pytest.mark.source("47 CFR 2.202(a)", "read")
@pytest.mark.source("RR No. 1.153", "read elsewhere")
@pytest.mark.source("sidebands: (m/2)² and Bessel functions", "derived")
@pytest.mark.parametrize(
    ("make", "pairs", "tone_hz"),
    [
        (lambda: am(0.3, 1e3), 1, 1e3),
        (lambda: am(0.1, 1e3), 0, 1e3),
        (lambda: fm(5e3, 3e3), 3, 3e3),
        (lambda: fm(2.5e3, 3e3), 2, 3e3),
        (lambda: fm(5e3, 1e3), 6, 1e3),
        (lambda: fm(75e3 / 5, 3e3), 6, 3e3),
    ],
    ids=["AM 30 %", "AM 10 %", "FM 5 kHz", "FM 2.5 kHz", "FM index 5", "FM index 5, 3 kHz"],
)
def test_occupied_bandwidth_of_one_tone(
    make: Callable[[], NDArray[np.complex128]], pairs: int, tone_hz: float
) -> None:
    """99 % (RR No. 1.153, 47 CFR 2.202(a)) ends in the outermost pair of sidebands that it needs.

    Derived from the sidebands' powers: (m/2)² and Bessel functions. Carson's rule would say 16 kHz
    where 3 kHz with 5 kHz deviation occupies 18. An edge lies within the line that it falls into.
    """
    rbw_hz = 60.0
    axis, level = through_filter(make(), rbw_hz)
    part = np.abs(axis) < max(3.0, 1.5 * 2 * pairs) * tone_hz
    found = occupied_bandwidth(
        axis[part], level[part], rbw_hz=rbw_hz, floor_dbm=-140.0, averages=1e6
    )
    assert found.width_hz == pytest.approx(2 * pairs * tone_hz, abs=2.75 * rbw_hz)
    assert found.below_rbw == (pairs == 0)
    assert found.bound is (Bound.AT_MOST if pairs == 0 else Bound.VALUE)


@pytest.mark.source("sidebands: (m/2)² and Bessel functions", "derived")
@pytest.mark.parametrize(
    ("make", "tone_hz", "pairs", "percent"),
    [
        (lambda: am(0.3, 1e3), 1e3, 0, 100.0 - 2 * 2.1531),
        (lambda: am(0.1, 1e3), 1e3, 0, 100.0 - 2 * 0.24876),
        (lambda: fm(5e3, 3e3), 3e3, 2, 98.631),
        (lambda: fm(5e3, 3e3), 3e3, 3, 99.937),
        (lambda: fm(2.5e3, 3e3), 3e3, 1, 98.632),
        (lambda: fm(2.5e3, 3e3), 3e3, 2, 99.973),
        (lambda: fm(5e3, 1e3), 1e3, 5, 95.921),
        (lambda: fm(5e3, 1e3), 1e3, 6, 99.356),
    ],
    ids=["AM 30 %", "AM 10 %", "FM 5, 2", "FM 5, 3", "FM 2.5, 1", "FM 2.5, 2", "β 5, 5", "β 5, 6"],
)
def test_share_that_sidebands_hold(
    make: Callable[[], NDArray[np.complex128]], tone_hz: float, pairs: int, percent: float
) -> None:
    """A little less than what so many pairs hold is inside them; a little more takes the next."""
    rbw_hz = 60.0
    axis, level = through_filter(make(), rbw_hz)
    part = np.abs(axis) < (pairs + 7.5) * tone_hz
    for more, last in ((-0.004, pairs), (0.004, pairs + 1)):
        found = occupied_bandwidth(
            axis[part], level[part], rbw_hz=rbw_hz, share=(percent + more) / 100.0
        )
        assert found.as_seen_hz == pytest.approx(2 * last * tone_hz, abs=4.5 * rbw_hz)


@pytest.mark.source("definition of the 26 dB width; 47 CFR 97.3(a)(8)", "read elsewhere")
@pytest.mark.source("sidebands: (m/2)²", "derived")
@pytest.mark.parametrize(
    ("depth", "expected_hz"), [(0.3, 2e3), (0.1, 0.0)], ids=["−16.48 dBc", "−26.02 dBc"]
)
def test_26_db_width_of_amplitude_modulation(depth: float, expected_hz: float) -> None:
    """Sidebands of m = 0.3 count, those of m = 0.1 lie just below the line (derived)."""
    rbw_hz = 30.0
    axis, level = through_filter(am(depth, 1e3), rbw_hz)
    part = np.abs(axis) < 3e3
    found = x_db_bandwidth(axis[part], level[part], rbw_hz=rbw_hz, floor_dbm=-140.0, averages=1e6)
    assert found.width_hz == pytest.approx(expected_hz, abs=filter_width_hz(rbw_hz, 26.0) + 1.0)
    assert found.below_rbw == (expected_hz == 0.0)


def gaussian(sigma_hz: float, span_hz: float, step_hz: float) -> tuple[Float, Float]:
    axis = np.arange(-span_hz / 2, span_hz / 2 + step_hz / 2, step_hz)
    return axis, -10.0 / math.log(10.0) * axis**2 / (2 * sigma_hz**2)


@pytest.mark.source("definition in 47 CFR 2.202(a)", "derived")
def test_widths_of_a_gaussian_density() -> None:
    """99 %: 5.15166 σ; −26 dB: 6.92053 σ; their ratio 0.74440 (derived)."""
    axis, level = gaussian(1e3, 16e3, 5.0)
    occupied = occupied_bandwidth(axis, level, rbw_hz=100.0, averages=1e4)
    x_db = x_db_bandwidth(axis, level, rbw_hz=100.0, averages=1e4)
    assert occupied.width_hz == pytest.approx(5151.66, abs=0.05)
    assert x_db.width_hz == pytest.approx(6920.53, abs=0.05)
    assert occupied.width_hz is not None and x_db.width_hz is not None
    assert occupied.width_hz / x_db.width_hz == pytest.approx(0.74440, abs=1e-5)


@pytest.mark.source("definition in 47 CFR 2.202(a)", "derived")
def test_flat_density_occupies_99_percent_of_itself() -> None:
    """0.99 W, and all of W at −26 dB (derived)."""
    axis = np.arange(-15e3 + 5, 15e3, 10.0)
    level = np.where(np.abs(axis) < 8e3, -40.0, -140.0)
    found = occupied_bandwidth(axis, level, rbw_hz=300.0, averages=1e4)
    assert found.width_hz == pytest.approx(0.99 * 16e3, abs=0.1)
    x_db = x_db_bandwidth(axis, level, rbw_hz=300.0, averages=1e4)
    assert x_db.width_hz == pytest.approx(16e3, abs=10.0)


def flat_in_noise(floor_db: float) -> tuple[Float, Float]:
    """16 kHz flat in 160 kHz, the floor under it too."""
    axis = np.arange(-80e3 + 5, 80e3, 10.0)
    power = (np.abs(axis) < 8e3) + 10.0 ** (floor_db / 10.0)
    return axis, np.asarray(10.0 * np.log10(power))


@pytest.mark.source("definition in 47 CFR 2.202(a)", "derived")
@pytest.mark.parametrize(
    ("floor_db", "seen_hz", "limited"),
    [(-20.0, 142_400.0, True), (-30.0, 15_982.4, True), (-40.0, 15_854.3, False)],
)
def test_noise_ruins_an_occupied_bandwidth(floor_db: float, seen_hz: float, limited: bool) -> None:
    """What the bare definition gives (derived), and that nobody is told 142 kHz."""
    axis, level = flat_in_noise(floor_db)
    found = occupied_bandwidth(axis, level, rbw_hz=300.0)
    assert found.as_seen_hz == pytest.approx(seen_hz, abs=0.1)
    assert found.limited_by_noise is limited
    assert (found.width_hz is None) == (floor_db == -20.0)
    assert found.bound is (Bound.AT_MOST if floor_db == -30.0 else Bound.VALUE)
    clean = occupied_bandwidth(axis, level, rbw_hz=300.0, floor_dbm=floor_db, averages=1e4)
    assert clean.width_hz == pytest.approx(15_840.0, abs=0.1)
    assert not clean.limited_by_noise


@pytest.mark.source("definition in 47 CFR 2.202(a)", "derived")
def test_density_ratio_at_which_it_breaks_down() -> None:
    """−29.494 dB for 16 kHz in 160 kHz (derived); edges leave the signal there."""
    ratio_db = obw_breakdown_db(16e3, 160e3)
    assert ratio_db == pytest.approx(-29.494, abs=5e-4)
    assert ratio_db is not None
    for more_db, inside in ((-0.05, True), (0.05, False)):
        axis, level = flat_in_noise(ratio_db + more_db)
        seen_hz = occupied_bandwidth(axis, level, rbw_hz=300.0).as_seen_hz
        assert seen_hz is not None
        assert (seen_hz < 16e3) is inside


@pytest.mark.source("variances add in a convolution", "derived")
def test_26_db_width_seen_through_a_wide_filter() -> None:
    """√(16² + 5²) = 16.763 kHz (derived); taken out again it is 16 kHz."""
    sigma_hz = 16e3 / 6.92053
    rbw_hz = 5e3 / filter_width_hz(1.0, 26.0)
    filter_sigma_hz = rbw_hz / math.sqrt(8 * math.log(2))
    axis, level = gaussian(math.hypot(sigma_hz, filter_sigma_hz), 48e3, 20.0)
    found = x_db_bandwidth(axis, level, rbw_hz=rbw_hz, averages=1e4)
    assert found.width_hz == pytest.approx(16_763.0, abs=1.0)
    assert found.without_rbw_hz == pytest.approx(16e3, abs=1.0)
    assert without_rbw_hz(16_763.05, 5e3) == pytest.approx(16e3, abs=0.1)
    assert without_rbw_hz(4e3, 5e3) is None


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
def test_what_a_lone_carrier_occupies() -> None:
    """5.15166 σ of the filter: 2.18771 RBW (derived)."""
    assert filter_occupied_hz(1e3) == pytest.approx(2187.71, abs=0.02)


@pytest.mark.source("logarithm of a gamma distribution", "derived")
@pytest.mark.parametrize(
    ("over_floor_db", "averages", "expected_db"),
    [(0.0, 1.0, 5.57004), (0.0, 100.0, 0.4354), (60.0, 1.0, 0.0061418)],
    ids=["noise alone", "a hundred averages", "strong carrier"],
)
def test_spread_of_a_reading(over_floor_db: float, averages: float, expected_db: float) -> None:
    """(10/ln 10)·π/√6; (10/ln 10)·√ψ′(100); (10/ln 10)·√(2/x) (derived)."""
    found = reading_deviation_db(over_floor_db, averages)
    assert found == pytest.approx(expected_db, rel=2e-4)


@pytest.mark.source("definition of the adjacent channel ratio", "derived")
def test_main_and_neighbours() -> None:
    """−20.0, −70.0 and −68.0 dBm: 50.0 and 48.0 dB, the worse 48.0 (derived)."""
    assert adjacent_ratios(-20.0, -70.0, -68.0) == pytest.approx((50.0, 48.0, 48.0))


@pytest.mark.source("definition of the adjacent channel ratio", "derived")
def test_adjacent_channels_of_a_swept_emission() -> None:
    """The same from a sweep: each channel's flat density is its level less 10 log10(width/ENB)."""
    rbw_hz, channel_hz = 300.0, 16e3
    axis = 156.8e6 + np.arange(-60e3, 60e3, 100.0)
    level = np.full(axis.size, -150.0)
    per_channel_db = 10 * math.log10(channel_hz / (rbw_hz * 0.5 * math.sqrt(math.pi / math.log(2))))
    for offset_hz, power_dbm in ((0.0, -20.0), (-25e3, -70.0), (25e3, -68.0)):
        part = np.abs(axis - 156.8e6 - offset_hz) < 10e3
        level[part] = power_dbm - per_channel_db
    found = adjacent_power(
        axis,
        level,
        centre_hz=156.8e6,
        channel_hz=channel_hz,
        spacing_hz=25e3,
        rbw_hz=rbw_hz,
        floor_dbm=-150.0,
    )
    assert found.main.level == pytest.approx(-20.0, abs=1e-6)
    ratios = [one.ratio_db for one in found.neighbours]
    assert ratios == pytest.approx([50.0, 48.0], abs=1e-4)
    (worse,) = found.worse
    assert worse is not None and worse.place == 1


@pytest.mark.source("Gaussian filter, G(f) = 2^−(2f/B3)²", "derived")
@pytest.mark.parametrize(
    ("rbw_hz", "offset_hz", "down_db"), [(10e3, 12.5e3, 18.8), (3e3, 12.5e3, 209.0)]
)
def test_skirt_of_the_filter(rbw_hz: float, offset_hz: float, down_db: float) -> None:
    """3.0103·(2Δf/B3)² (derived)."""
    assert float(filter_loss_db(offset_hz, rbw_hz)) == pytest.approx(down_db, abs=0.06)


@pytest.mark.source("powers of independent parts add", "derived")
@pytest.mark.source("3 dB over the floor at least", "practice")
@pytest.mark.parametrize(
    ("over_db", "correction_db"), [(3, -3.021), (6, -1.256), (10, -0.458), (20, -0.044)]
)
def test_floor_out_of_a_reading(over_db: float, correction_db: float) -> None:
    """10 log10(10^(m/10) − 1) − m (derived); refused below 3 dB (practice)."""
    assert without_floor_db(over_db) == pytest.approx(correction_db, abs=5.1e-4)
    assert without_floor_db(1.0) is None


@pytest.mark.parametrize(
    ("bandwidth_hz", "text"),
    [
        *(
            pytest.param(*row, marks=pytest.mark.source("47 CFR 2.202(b)", "read"))
            for row in (
                (0.002, "H002"),
                (25.3, "25H3"),
                (2.4e3, "2K40"),
                (12.5e3, "12K5"),
                (180.4e3, "180K"),
                (180.5e3, "181K"),
                (180.7e3, "181K"),
                (1.25e6, "1M25"),
                (5.65e9, "5G65"),
            )
        ),
        pytest.param(
            999.6,
            "1K00",
            marks=pytest.mark.source("designators are rounded first", "read elsewhere"),
        ),
    ],
)
def test_bandwidth_in_a_designator(bandwidth_hz: float, text: str) -> None:
    """47 CFR 2.202(b) (read); round first: read in a text that restates it."""
    assert names.bandwidth_text(bandwidth_hz) == text


@pytest.mark.source("Rec. ITU-R SM.1138, as TRC-43 reproduces RR Appendix 1", "read elsewhere")
@pytest.mark.parametrize(
    ("bandwidth_hz", "emission_class", "expected_hz", "text"),
    [
        (names.morse_hz(25), "A1A", 100.0, "100HA1A"),
        (names.am_telephony_hz(3e3), "A3E", 6e3, "6K00A3E"),
        (names.ssb_suppressed_carrier_hz(300.0, 3e3), "J3E", 2.7e3, "2K70J3E"),
        (names.ssb_full_carrier_hz(3e3), "H3E", 3e3, "3K00H3E"),
        (names.fm_telephony_hz(3e3, 5e3), "F3E", 16e3, "16K0F3E"),
        (names.fm_telephony_hz(3e3, 2.5e3), "F3E", 11e3, "11K0F3E"),
        (names.fm_telephony_hz(15e3, 75e3), "F3E", 180e3, "180KF3E"),
        (names.fsk_hz(50.0, 70.0), "J2B", 134.0, "134HJ2B"),
        (names.fsk_hz(45.45, 170.0), "F1B", 249.45, "249HF1B"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,
)
def test_necessary_bandwidth(
    bandwidth_hz: float, emission_class: str, expected_hz: float, text: str
) -> None:
    """Rec. ITU-R SM.1138 (formulas read in RR Appendix 1 as reproduced by TRC-43)."""
    assert bandwidth_hz == pytest.approx(expected_hz)
    assert names.designator(bandwidth_hz, emission_class) == text
