"""Two-ports against published and derived values: prototypes, pads, resistors, stubs, an air line.

"derived" is algebra from a stated definition, checked apart from this code (the filters with
SciPy's analogue prototypes); "practice" is how the trade does it.
"""

from __future__ import annotations

import importlib.metadata
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray
from scipy import signal
from skrf.media import DefinedGammaZ0

from acqd.measure.edges import EdgeState
from acqd.measure.groupdelay import group_delay
from acqd.measure.losscurve import LossCurve, loss_in_range
from acqd.measure.reflection import vector_reflection
from acqd.measure.response import Kind, Passband, loss_of_finite_q_db, recognise
from acqd.measure.transmission import complex_transmission, insertion_loss

Float = NDArray[np.float64]
HALF_POWER_DB = 3.010299957
"""10 log10 2: where the prototypes have their edge. The trade's 3 dB edge is 0.01 dB inside."""
HALF_VOLTAGE_DB = 2 * HALF_POWER_DB


def butterworth(axis: Float, order: int, centre_hz: float, width_hz: float) -> Float:
    """Loss in dB of SciPy's analogue band-pass with half-power edges ``width_hz`` apart."""
    half = width_hz / 2
    middle = np.hypot(half, centre_hz)
    edges = 2 * np.pi * np.array([middle - half, middle + half])
    z, p, k = signal.butter(order, edges, "bandpass", analog=True, output="zpk")
    _, h = signal.freqs_zpk(z, p, k, 2 * np.pi * axis)
    return -20 * np.log10(np.abs(h))


def clean(axis: Float, loss_db: Float, *levels: float) -> Passband:
    """The one passband of a curve without noise."""
    (passed,) = recognise(LossCurve.of(axis, loss_db, u_db=0.0), edge_levels_db=levels).passbands
    return passed


@pytest.mark.source("through less thing, in dB", "practice")
def test_through_normalisation() -> None:
    """−10.0 and −13.5 dBm → 3.5 dB (practice)."""
    assert insertion_loss([-10.0], [-13.5]).loss_db[0] == 3.5


@pytest.mark.source("powers of independent parts add", "derived")
@pytest.mark.source("3 dB over the floor at least", "practice")
@pytest.mark.parametrize(
    ("over_db", "correction_db"),
    [(3, -3.021), (6, -1.256), (10, -0.458), (20, -0.044)],
)
def test_floor_taken_out_of_a_reading(over_db: float, correction_db: float) -> None:
    """10 log10(10^(m/10) − 1) − m (derived); refused below 3 dB (practice)."""
    found = insertion_loss([0.0], [-100.0 + over_db], -100.0)
    assert found.loss_db[0] == pytest.approx(100.0 - over_db - correction_db, abs=5.1e-4)
    assert not found.at_least[0]
    assert insertion_loss([0.0], [-97.1], -100.0).at_least[0]


# --- filters --------------------------------------------------------------------------------------


@pytest.mark.source("Butterworth 10 log10(1 + x^2n)", "derived")
@pytest.mark.source("SciPy, butter", "compared")
def test_butterworth_band_pass_of_145_mhz() -> None:
    """n = 3, f0 145, B 4 MHz: edges 143.013792 and 147.013792, centre 145 geometric, 145.013792
    arithmetic, Q 36.25 (derived; SciPy ``butter``)."""
    axis = np.linspace(135e6, 155e6, 40_001)
    passed = clean(axis, butterworth(axis, 3, 145e6, 4e6), HALF_POWER_DB)
    pair = passed.edges[0]
    assert pair.lower.frequency_hz == pytest.approx(143.013792e6, abs=1.0)
    assert pair.upper.frequency_hz == pytest.approx(147.013792e6, abs=1.0)
    assert pair.centre_hz == pytest.approx(145e6, abs=1.0)
    assert pair.arithmetic_centre_hz == pytest.approx(145.013792e6, abs=1.0)
    assert pair.bandwidth_hz == pytest.approx(4e6, abs=2.0)
    assert passed.q == pytest.approx(36.25, abs=1e-4)


@pytest.mark.source("Butterworth 10 log10(1 + x^2n)", "derived")
@pytest.mark.source("SciPy, butter", "compared")
@pytest.mark.parametrize(
    ("frequency_mhz", "loss_db"),
    [(143, 3.1020), (147, 2.9223), (141, 18.4907), (149, 17.7826), (150, 23.4581)],
)
def test_loss_of_that_filter(frequency_mhz: float, loss_db: float) -> None:
    """Same filter, between the points of a 7 kHz raster (derived)."""
    axis = np.arange(135e6, 155e6, 7e3)
    curve = LossCurve.of(axis, butterworth(axis, 3, 145e6, 4e6))
    assert curve.at(frequency_mhz * 1e6).loss_db == pytest.approx(loss_db, abs=1.1e-4)


@pytest.mark.source("Butterworth 10 log10(1 + x^2n)", "derived")
@pytest.mark.source("SciPy, butter", "compared")
@pytest.mark.slow
@pytest.mark.parametrize(
    ("order", "by_6_db", "by_3_db"),
    [(3, 8.3268, 10.0000), (5, 3.5669, 3.9811), (7, 2.4802, 2.6827)],
)
def test_shape_factors_of_butterworth(order: int, by_6_db: float, by_3_db: float) -> None:
    """B60/B6 and B60/B3 (derived: (10^(L/10) − 1)^(1/2n)), 3 dB as half power and 6 dB as half
    voltage."""
    axis = np.linspace(100e6, 200e6, 200_001)
    loss = butterworth(axis, order, 145e6, 4e6)
    passed = clean(axis, loss, HALF_POWER_DB, HALF_VOLTAGE_DB, 60.0)
    assert passed.shape_factor(60.0, HALF_VOLTAGE_DB) == pytest.approx(by_6_db, abs=6e-5)
    assert passed.shape_factor(60.0, HALF_POWER_DB) == pytest.approx(by_3_db, abs=6e-5)


LOW_PASSES = [
    ("butterworth 3", 3, 0.0, [0.0673, 3.0103, 10.9309, 18.1291, 28.6332, 60.0000], 1.0),
    ("butterworth 5", 5, 0.0, [0.0042, 3.0103, 17.6838, 30.1072, 47.7122, 100.0000], 1.0),
    ("chebyshev 3, 0.1", 3, 0.1, [0.1000, 0.1, 4.6041, 12.2391, 23.6039, 55.6481], 1.38899),
    ("chebyshev 5, 0.1", 5, 0.1, [0.0252, 0.1, 19.4988, 34.8478, 54.2068, 107.6457], 1.13472),
    ("chebyshev 5, 0.5", 5, 0.5, [0.1305, 0.5, 26.6512, 42.0387, 61.3988, 114.8377], 1.05926),
    ("chebyshev 7, 0.1", 7, 0.1, [0.0252, 0.1, 36.1693, 57.7243, 84.8288, 159.6433], 1.06800),
]


def low_pass(x: Float, order: int, ripple_db: float) -> Float:
    if ripple_db:
        b, a = signal.cheby1(order, ripple_db, 1.0, analog=True)
    else:
        b, a = signal.butter(order, 1.0, analog=True)
    _, h = signal.freqs(b, a, x)
    return -20 * np.log10(np.abs(h))


@pytest.mark.source("Butterworth and Chebyshev prototypes", "derived")
@pytest.mark.source("SciPy, butter and cheby1", "compared")
@pytest.mark.parametrize(
    ("order", "ripple_db", "losses_db", "edge"),
    [row[1:] for row in LOW_PASSES],
    ids=[row[0] for row in LOW_PASSES],
)
def test_low_pass_prototypes(
    order: int, ripple_db: float, losses_db: list[float], edge: float
) -> None:
    """Loss at x = 0.5, 1, 1.5, 2, 3 and 10, −3.01 dB edge and ripple (derived; SciPy), on a sweep
    of 100 MHz to x = 1 in steps of 0.1 MHz."""
    axis = 0.1e6 * np.arange(1, 10_100)
    curve = LossCurve.of(axis, low_pass(axis / 100e6, order, ripple_db), u_db=0.0)
    found = [curve.at(x * 100e6).loss_db for x in (0.5, 1.0, 1.5, 2.0, 3.0, 10.0)]
    assert found == pytest.approx(losses_db, abs=6e-5)
    seen = recognise(curve, edge_levels_db=(HALF_POWER_DB,))
    assert seen.kind is Kind.LOW_PASS
    (passed,) = seen.passbands
    assert passed.edges[0].lower.state is EdgeState.BEYOND_SWEEP
    assert passed.edges[0].upper.frequency_hz == pytest.approx(edge * 100e6, abs=1.1e3)
    if ripple_db:
        ripple = loss_in_range(curve, start_hz=0.0, stop_hz=100e6)
        assert ripple is not None
        assert ripple.flatness_db == pytest.approx(ripple_db, abs=1e-4)


@pytest.mark.source("geometric and arithmetic mean", "derived")
@pytest.mark.parametrize(
    ("low_hz", "high_hz", "geometric_hz", "arithmetic_hz"),
    [
        (1e6, 4e6, 2.0e6, 2.5e6),
        (144e6, 146e6, 144.99655e6, 145e6),
        (3.5e6, 3.8e6, 3.646917e6, 3.65e6),
    ],
)
def test_centres(low_hz: float, high_hz: float, geometric_hz: float, arithmetic_hz: float) -> None:
    """√(f1·f2) and (f1 + f2)/2 (derived), of a curve whose 3 dB edges lie at those frequencies."""
    axis = np.array([low_hz / 2, low_hz, arithmetic_hz - 1, arithmetic_hz, high_hz, high_hz * 2])
    pair = clean(axis, np.array([60.0, 3.0, 0.1, 0.0, 3.0, 60.0]), 3.0).edges[0]
    assert pair.centre_hz == pytest.approx(geometric_hz, abs=5.1)
    assert pair.arithmetic_centre_hz == pytest.approx(arithmetic_hz, abs=1e-6)


@pytest.mark.source("loaded and unloaded Q", "derived")
@pytest.mark.parametrize(("loaded", "unloaded", "loss_db"), [(50, 500, 0.9151), (30, 1000, 0.2646)])
def test_loss_of_finite_q(loaded: float, unloaded: float, loss_db: float) -> None:
    """−20 log10(1 − QL/QU) (derived)."""
    assert loss_of_finite_q_db(loaded, unloaded) == pytest.approx(loss_db, abs=5e-5)


# --- resistors, pads, stubs -----------------------------------------------------------------------


def line(points: int = 5) -> DefinedGammaZ0:
    axis = skrf.Frequency(100, 200, points, unit="MHz")
    return DefinedGammaZ0(axis, z0=50.0)


def measured_loss(network: skrf.Network) -> Float:
    """Loss by the product, through and thing as a vector sweeper gives them."""
    return complex_transmission(np.ones(len(network)), network.s[:, 1, 0]).loss.loss_db


@pytest.mark.source("network of resistors or lines in 50 Ω", "derived")
@pytest.mark.source("scikit-rf 2.2.0", "compared")
@pytest.mark.parametrize(
    ("kind", "ohm", "loss_db"),
    [("series", 50, 3.5218), ("series", 100, 6.0206), ("shunt", 50, 3.5218), ("shunt", 25, 6.0206)],
)
def test_resistor_in_50_ohm(kind: str, ohm: float, loss_db: float) -> None:
    """20 log10(1 + R/100) in series, 20 log10(1 + 25/R) across (derived; scikit-rf's networks)."""
    media = line()
    resistor = media.resistor(ohm)
    network = resistor if kind == "series" else media.shunt(resistor ** media.short())
    assert measured_loss(network) == pytest.approx(loss_db, abs=5e-5)


@pytest.mark.source("network of resistors or lines in 50 Ω", "derived")
@pytest.mark.source("scikit-rf 2.2.0", "compared")
@pytest.mark.parametrize(
    ("value_db", "pi_ohm", "t_ohm"),
    [
        (3, (17.615, 292.40), (8.550, 141.93)),
        (10, (71.151, 96.248), (25.975, 35.136)),
        (20, (247.50, 61.111), (40.909, 10.101)),
    ],
)
def test_pads(value_db: float, pi_ohm: tuple[float, float], t_ohm: tuple[float, float]) -> None:
    """π and T of the tabled resistors are pads of that value, flat (derived; scikit-rf)."""
    media = line(101)

    def across(ohm: float) -> skrf.Network:
        return media.shunt(media.resistor(ohm) ** media.short())

    pi = across(pi_ohm[1]) ** media.resistor(pi_ohm[0]) ** across(pi_ohm[1])
    tee = media.resistor(t_ohm[0]) ** across(t_ohm[1]) ** media.resistor(t_ohm[0])
    for network in (pi, tee):
        curve = LossCurve.of(network.f, measured_loss(network), u_db=0.0)
        assert recognise(curve).kind is Kind.FLAT
        found = loss_in_range(curve, start_hz=100e6, stop_hz=200e6)
        assert found is not None
        assert found.mean_db == pytest.approx(value_db, abs=1e-3)
        assert found.flatness_db == pytest.approx(0.0, abs=1e-9)


QUARTER_WAVE_M = 0.66 * 299_792_458.0 / (4 * 145e6)


def stub(axis_hz: Float) -> skrf.Network:
    """An open stub, a quarter wave long at 145 MHz, across a 50 Ω line: by scikit-rf."""
    axis = skrf.Frequency.from_f(axis_hz, unit="hz")
    media = DefinedGammaZ0(axis, gamma=1j * 2 * np.pi * axis_hz / 299_792_458.0 / 0.66, z0=50.0)
    return media.shunt(media.line(QUARTER_WAVE_M, "m") ** media.open())


@pytest.mark.source("network of resistors or lines in 50 Ω", "derived")
@pytest.mark.source("scikit-rf 2.2.0", "compared")
@pytest.mark.parametrize(("degrees", "loss_db"), [(45, 0.9691), (60, 2.4304), (80, 9.5621)])
def test_open_stub(degrees: float, loss_db: float) -> None:
    """10 log10(1 + tan²θ/4) (derived); λ/4 at 145 MHz, velocity factor 0.66, is 0.34114 m."""
    assert pytest.approx(0.34114, abs=5e-6) == QUARTER_WAVE_M
    axis = np.array([145e6 * degrees / 90])
    assert measured_loss(stub(axis))[0] == pytest.approx(loss_db, abs=5e-5)


@pytest.mark.source("network of resistors or lines in 50 Ω", "derived")
@pytest.mark.source("scikit-rf 2.2.0", "compared")
def test_notch_of_a_stub() -> None:
    """At 90° (derived): bottom and centre at 145 MHz; 3 dB width where tan²θ = 4·(10^0.3 − 1)."""
    axis = np.linspace(20e6, 270e6, 5001)
    found = recognise(LossCurve.of(axis, measured_loss(stub(axis)), u_db=0.0))
    assert found.kind is Kind.BAND_STOP
    (notch,) = found.notches
    assert notch.deepest_hz == pytest.approx(145e6, abs=50e3)
    edge_hz = 145e6 * np.degrees(np.arctan(2 * np.sqrt(10 ** (0.3 + notch.pass_db / 10) - 1))) / 90
    pair = notch.at(3.0)
    assert pair.lower.frequency_hz == pytest.approx(edge_hz, rel=1e-4)
    assert pair.upper.frequency_hz == pytest.approx(290e6 - edge_hz, rel=1e-4)
    assert pair.arithmetic_centre_hz == pytest.approx(145e6, rel=1e-4)


@pytest.mark.source("scikit-rf 2.2.0, class Qfactor", "compared")
@pytest.mark.slow
def test_edges_and_q_agree_with_another_library() -> None:
    """A series resonator of scikit-rf: its own fit of the loaded Q, ours of the half-power width,
    and 2πfL/R (derived). Its fit places the centre within 1.2e−4 of the exact one."""
    axis = skrf.Frequency(140, 150, 4001, unit="MHz")
    media = DefinedGammaZ0(axis, z0=50.0)
    henry = 4e-6
    resonator = media.inductor(henry) ** media.capacitor(1 / (2 * np.pi * 145e6) ** 2 / henry)
    resonator = media.resistor(10.0) ** resonator
    fitted = skrf.qfactor.Qfactor(resonator.s21, "transmission").fit()
    passed = clean(axis.f, measured_loss(resonator), HALF_POWER_DB, 3.0)
    assert passed.q == pytest.approx(fitted["Q_L"], rel=1e-3)
    assert passed.q == pytest.approx(2 * np.pi * 145e6 * henry / 110.0, rel=1e-3)
    assert passed.edges[0].centre_hz == pytest.approx(fitted["f_L"], rel=2e-4)
    assert passed.edges[0].centre_hz == pytest.approx(145e6, rel=1e-7)
    assert passed.least_db == pytest.approx(20 * np.log10(1.1), abs=1e-4)


# --- a measured air line --------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class AirLine:
    """A coaxial air line filled with a sample, by a vector analyser, with its uncertainties."""

    frequency_hz: Float
    s11: NDArray[np.complex128]
    s21: NDArray[np.complex128]
    s12: NDArray[np.complex128]
    u_s21: Float


def air_line(name: str) -> AirLine:
    """permittivitycalc 0.6.0 (MIT licence), its data folder: 601 points, 0.3 MHz to 8.5 GHz.

    With CI=true a missing package is an error, so that a check never goes missing unnoticed.
    """
    try:
        found = importlib.metadata.distribution("permittivitycalc")
    except importlib.metadata.PackageNotFoundError:
        message = "permittivitycalc 0.6.0 is not installed (tools/setup installs it)"
        if os.environ.get("CI") == "true":
            pytest.fail(message)
        pytest.skip(message)
    assert found.version == "0.6.0"
    (path,) = (file for file in found.files or () if file.name == name)
    table = np.loadtxt(Path(str(path.locate())), comments="%", encoding="utf-8")

    def entry(first: int) -> NDArray[np.complex128]:
        ratio: NDArray[np.complex128] = table[:, first] * np.exp(
            1j * np.radians(table[:, first + 2])
        )
        return ratio

    return AirLine(
        frequency_hz=table[:, 0], s11=entry(1), s21=entry(5), s12=entry(9), u_s21=table[:, 6]
    )


@pytest.mark.source("permittivitycalc 0.6.0, rexolite_PAL.txt (MIT licence)", "measured")
def test_loss_of_a_measured_air_line() -> None:
    """rexolite_PAL: largest loss 1.4897 dB at 8.01835 GHz, 0.8633 dB at 1 GHz, median u of |S21|
    0.001429 (computed apart from this project with NumPy alone)."""
    data = air_line("rexolite_PAL.txt")
    found = complex_transmission(np.ones(601), data.s21)
    u_db = 8.685890 * data.u_s21 / np.abs(data.s21)
    curve = LossCurve.of(data.frequency_hz, found.loss.loss_db, u_db=u_db)
    whole = loss_in_range(curve, start_hz=0.0, stop_hz=9e9)
    assert whole is not None
    assert whole.largest_db == pytest.approx(1.4897, abs=5e-5)
    assert whole.largest_hz == pytest.approx(8.01835e9, abs=5e3)
    assert curve.at(1e9).loss_db == pytest.approx(0.8633, abs=5e-5)
    assert float(np.median(data.u_s21)) == pytest.approx(0.001429, abs=5e-7)
    assert recognise(curve).kind is Kind.FLAT


@pytest.mark.source("permittivitycalc 0.6.0, rexolite_PAL.txt (MIT licence)", "measured")
def test_reflection_of_a_measured_air_line() -> None:
    """rexolite_PAL: the largest magnitude of S11 is 0.44831, 6.97 dB of return loss, at 7.96169 GHz
    (computed apart from this project with NumPy alone)."""
    data = air_line("rexolite_PAL.txt")
    trace = vector_reflection(data.s11, directivity_db=60.0, source_match_db=60.0)
    worst = int(np.argmax(trace.magnitude))
    assert trace.magnitude[worst] == pytest.approx(0.44831, abs=5e-6)
    assert data.frequency_hz[worst] == pytest.approx(7.96169e9, abs=5e3)
    assert trace.return_loss_db[worst] == pytest.approx(-20 * np.log10(0.44831), abs=1e-3)
    assert worst == int(np.argmin(trace.return_loss_db))


@pytest.mark.source("permittivitycalc 0.6.0, serpentine_dry.txt (MIT licence)", "measured")
def test_a_lossy_air_line_is_no_filter() -> None:
    """serpentine_dry: 4.17 dB at most, more than flat and less than a filter; its uncertainty is
    missing at the first point, which then counts as the largest."""
    data = air_line("serpentine_dry.txt")
    loss_db = complex_transmission(np.ones(601), data.s21).loss.loss_db
    assert np.isnan(data.u_s21[0])
    curve = LossCurve.of(data.frequency_hz, loss_db, u_db=8.685890 * data.u_s21 / np.abs(data.s21))
    found = recognise(curve)
    assert found.kind is Kind.UNCLEAR
    assert "too little for a filter" in found.notes[-1]
    both_ways = 20 * np.log10(np.abs(data.s21) / np.abs(data.s12))
    assert float(np.abs(both_ways).max()) < 3 * float(np.nanmax(data.u_s21)) * 8.685890


@pytest.mark.source("permittivitycalc 0.6.0 (MIT licence)", "measured")
@pytest.mark.source("scikit-rf 2.2.0", "compared")
@pytest.mark.parametrize("name", ["rexolite_PAL.txt", "serpentine_dry.txt"])
def test_group_delay_of_a_measured_line(name: str) -> None:
    """As scikit-rf's gradient of the unwrapped phase, on the same data."""
    data = air_line(name)
    s = np.zeros((601, 2, 2), dtype=complex)
    s[:, 1, 0] = data.s21
    network = skrf.Network(frequency=skrf.Frequency.from_f(data.frequency_hz, unit="hz"), s=s)
    found = group_delay(data.frequency_hz, data.s21)
    other_s = network.group_delay[:, 1, 0].real
    assert not found.undersampled.any()
    assert found.delay_s == pytest.approx(other_s, rel=1e-6, abs=1e-15)
