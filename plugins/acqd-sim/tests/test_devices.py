"""Devices under test, against SciPy's filters and closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from acqd_sim.devices import (
    Amplifier,
    Antenna,
    Bridge,
    Cable,
    Filter,
    Pad,
    Passband,
    Path,
    Prototype,
    Termination,
    band_edges_hz,
    prototype_loss_db,
)
from scipy import signal

BUTTERWORTH, CHEBYSHEV = Prototype.BUTTERWORTH, Prototype.CHEBYSHEV

# Losses of low-pass prototypes at x = f/f_c, from A = 10 log10(1 + x^2n) and
# A = 10 log10(1 + ε²·T_n²(x)) (textbook forms, computed apart in double precision).
PROTOTYPES = [
    (BUTTERWORTH, 3, 0.0, (0.0673, 3.0103, 10.9309, 18.1291, 28.6332, 60.0000)),
    (BUTTERWORTH, 5, 0.0, (0.0042, 3.0103, 17.6838, 30.1072, 47.7122, 100.0000)),
    (CHEBYSHEV, 3, 0.1, (0.1000, 0.1, 4.6041, 12.2391, 23.6039, 55.6481)),
    (CHEBYSHEV, 5, 0.1, (0.0252, 0.1, 19.4988, 34.8478, 54.2068, 107.6457)),
    (CHEBYSHEV, 5, 0.5, (0.1305, 0.5, 26.6512, 42.0387, 61.3988, 114.8377)),
    (CHEBYSHEV, 7, 0.1, (0.0252, 0.1, 36.1693, 57.7243, 84.8288, 159.6433)),
]


@pytest.mark.parametrize(("prototype", "order", "ripple_db", "losses_db"), PROTOTYPES)
def test_prototypes_have_their_published_losses(
    prototype: Prototype, order: int, ripple_db: float, losses_db: tuple[float, ...]
) -> None:
    """Six points of each curve to the last printed digit."""
    x = np.array([0.5, 1.0, 1.5, 2.0, 3.0, 10.0])
    loss_db = prototype_loss_db(x, prototype=prototype, order=order, ripple_db=ripple_db)
    assert loss_db == pytest.approx(losses_db, abs=6e-5)


@pytest.mark.parametrize("passband", list(Passband))
@pytest.mark.parametrize("prototype", list(Prototype))
@pytest.mark.parametrize("order", [1, 2, 3, 5, 7])
def test_filters_agree_with_scipy(passband: Passband, prototype: Prototype, order: int) -> None:
    """Against scipy.signal's analogue designs, from far below to far above the edges."""
    low_hz, high_hz = band_edges_hz(145e6, 20e6)
    kinds = {
        Passband.LOW: ("lowpass", high_hz),
        Passband.HIGH: ("highpass", low_hz),
        Passband.BAND: ("bandpass", (low_hz, high_hz)),
        Passband.STOP: ("bandstop", (low_hz, high_hz)),
    }
    kind, edges = kinds[passband]
    wanted = 2.0 * np.pi * np.asarray(edges)
    if prototype is BUTTERWORTH:
        design = signal.butter(order, wanted, kind, analog=True, output="zpk")
    else:
        design = signal.cheby1(order, 0.5, wanted, kind, analog=True, output="zpk")
    frequency_hz = np.linspace(80e6, 260e6, 181)
    _, response = signal.freqs_zpk(*design, worN=2.0 * np.pi * frequency_hz)
    expected_db = -20.0 * np.log10(np.maximum(np.abs(response), 1e-30))
    own = Filter(
        passband=passband,
        prototype=prototype,
        order=order,
        ripple_db=0.5,
        low_hz=low_hz,
        high_hz=high_hz,
    )
    shown = expected_db < 120.0
    assert own.lossless_db(frequency_hz)[shown] == pytest.approx(expected_db[shown], abs=1e-4)


def test_a_band_pass_has_its_edges_and_losses() -> None:
    """Butterworth 3, f0 145 MHz, B 4 MHz: edges and losses worked out apart, to the last digit."""
    low_hz, high_hz = band_edges_hz(145e6, 4e6)
    assert (low_hz, high_hz) == pytest.approx((143.013792e6, 147.013792e6), abs=0.6)
    band = Filter(passband=Passband.BAND, order=3, low_hz=low_hz, high_hz=high_hz)
    loss_db = band.lossless_db(np.array([143e6, 147e6, 141e6, 149e6, 150e6]))
    assert loss_db == pytest.approx([3.1020, 2.9223, 18.4907, 17.7826, 23.4581], abs=6e-5)


def test_a_filter_leaks_at_its_floor() -> None:
    """Far out only the floor is left, and the insertion loss is there throughout."""
    low = Filter(passband=Passband.LOW, order=9, high_hz=10e6, insertion_loss_db=0.7, floor_db=70.0)
    assert low.gain_db(np.array([1e5, 1e9])) == pytest.approx([-0.7, -70.0], abs=0.001)


def test_a_lossless_filter_reflects_what_it_does_not_pass() -> None:
    """0.1 dB of ripple is a return loss of 16.428 dB; far out everything comes back."""
    ripple = Filter(
        passband=Passband.LOW, prototype=CHEBYSHEV, order=3, ripple_db=0.1, high_hz=100e6
    )
    size = np.abs(ripple.reflection(np.array([100e6, 1e9])))
    assert -20.0 * np.log10(size[0]) == pytest.approx(16.428, abs=0.001)
    assert size[1] == pytest.approx(1.0, abs=1e-4)


def test_an_antenna_is_a_resonator() -> None:
    """At resonance the mismatch of its resistance; the 3 dB points of the reactance at ±f0/2Q."""
    whip = Antenna(resonance_hz=157e6, q=20.0, resistance_ohm=25.0)
    at_f0 = whip.reflection(np.array([157e6]))[0]
    assert abs(at_f0) == pytest.approx(1.0 / 3.0, abs=1e-12)  # 25 Ω on 50 Ω: VSWR 2
    edge = whip.reflection(np.array([157e6 * (1.0 + 0.5 / 20.0)]))[0]
    impedance = 50.0 * (1.0 + edge) / (1.0 - edge)
    assert impedance.imag / impedance.real == pytest.approx(1.0, rel=0.02)


@pytest.mark.parametrize(
    ("return_loss_db", "directivity_db", "bounds_db"),
    [
        (20.0, 40.0, (19.172, 20.915)),
        (20.0, 35.0, (18.578, 21.701)),
        (30.0, 40.0, (27.613, 33.302)),
    ],
)
def test_a_bridge_errs_within_its_directivity(
    return_loss_db: float, directivity_db: float, bounds_db: tuple[float, float]
) -> None:
    """Seen return loss lies within −20 log10(ρ ± d) and reaches both bounds (worked out apart)."""
    bridge = Bridge(
        load=Termination(state="load", return_loss_db=return_loss_db),
        loss_db=0.0,
        directivity_db=directivity_db,
        source_match_db=200.0,
    )
    seen_db = -bridge.gain_db(np.linspace(1e6, 2e9, 4001))
    assert (seen_db.min(), seen_db.max()) == pytest.approx(bounds_db, abs=0.005)


def test_a_cable_before_the_load_counts_twice() -> None:
    """RL seen = RL + 2·A: 1.5 dB before a return loss of 10 dB shows 13 dB."""
    cable = Cable(loss_db=1.5, at_hz=150e6, length_m=2.0)
    bridge = Bridge(
        load=Termination(state="load", return_loss_db=10.0),
        loss_db=0.0,
        directivity_db=200.0,
        source_match_db=200.0,
        cable=cable,
    )
    assert -bridge.gain_db(np.array([150e6]))[0] == pytest.approx(13.0, abs=1e-6)


def test_open_and_short_come_back_whole_and_opposite() -> None:
    """The two references of a reflection measurement."""
    frequency_hz = np.array([1e6, 1e8])
    assert Termination(state="open").reflection(frequency_hz) == pytest.approx([1.0, 1.0])
    assert Termination(state="short").reflection(frequency_hz) == pytest.approx([-1.0, -1.0])


def test_a_path_adds_gains_and_noise_by_friis() -> None:
    """3 dB noise figure and 20 dB gain before a loss of 25 dB: 7.116 dB in all."""
    frequency_hz = np.array([100e6])
    path = Path(
        devices=(
            Amplifier(amplification_db=20.0, noise_figure_db=3.0, start_hz=1.0, stop_hz=1e12),
            Pad(loss_db=25.0),
        )
    )
    gain_db = path.gain_db(frequency_hz)[0]
    assert gain_db == pytest.approx(-5.0, abs=1e-6)
    thermal = 10.0 ** (-173.97518 / 10.0)
    added = path.added_noise_mw_per_hz(frequency_hz)[0] / 10.0 ** (gain_db / 10.0) / thermal
    assert 10.0 * np.log10(1.0 + added) == pytest.approx(7.1160, abs=0.001)


def test_a_cable_loses_with_the_root_of_frequency() -> None:
    """Four times the frequency, twice the decibels."""
    cable = Cable(loss_db=2.0, at_hz=100e6)
    assert cable.gain_db(np.array([100e6, 400e6, 25e6])) == pytest.approx([-2.0, -4.0, -1.0])
