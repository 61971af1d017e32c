"""Kinds of response and their figures."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq

from acqd.measure.edges import EdgeState
from acqd.measure.leastloss import scatter_db
from acqd.measure.losscurve import LossCurve
from acqd.measure.response import (
    Kind,
    Response,
    loss_of_finite_q_db,
    recognise,
)
from acqd.measure.transmission import insertion_loss

Float = NDArray[np.float64]
AXIS = np.linspace(100e6, 200e6, 2001)


def band(centre_hz: float, width_hz: float, order: int = 3, axis: Float = AXIS) -> Float:
    """Loss of a Butterworth band-pass; its reciprocal in power is the band-stop."""
    x = (centre_hz / width_hz) * (axis / centre_hz - centre_hz / axis)
    return 10 * np.log10(1 + x ** (2 * order))


def stop(centre_hz: float, width_hz: float, order: int = 3) -> Float:
    x = (centre_hz / width_hz) * (AXIS / centre_hz - centre_hz / AXIS)
    with np.errstate(divide="ignore"):
        return np.minimum(10 * np.log10(1 + 1 / np.abs(x) ** (2 * order)), 90.0)


def parallel(*losses: Float) -> Float:
    """Paths side by side whose powers add."""
    return -10 * np.log10(sum(10 ** (-loss / 10) for loss in losses))


SHAPES = {
    "band-pass": (band(150e6, 10e6), Kind.BAND_PASS, 1, 0),
    "band-pass, loss 20 dB": (20 + band(150e6, 10e6), Kind.BAND_PASS, 1, 0),
    "two passbands": (parallel(band(125e6, 4e6), 3 + band(170e6, 8e6)), Kind.BAND_PASS, 2, 0),
    "band-stop": (stop(150e6, 10e6), Kind.BAND_STOP, 2, 1),
    "two notches": (stop(125e6, 4e6) + stop(170e6, 4e6), Kind.BAND_STOP, 3, 2),
    "low-pass": (10 * np.log10(1 + (AXIS / 140e6) ** 14), Kind.LOW_PASS, 1, 0),
    "high-pass": (10 * np.log10(1 + (140e6 / AXIS) ** 14), Kind.HIGH_PASS, 1, 0),
    "low-pass with a leak": (
        parallel(10 * np.log10(1 + (AXIS / 120e6) ** 40), 40 + band(180e6, 5e6)),
        Kind.LOW_PASS,
        1,
        0,
    ),
    "pad": (20 + 0.5 * np.sin(AXIS / 5e6), Kind.FLAT, 1, 0),
    "through": (np.zeros(AXIS.size), Kind.FLAT, 1, 0),
    "sloping line": (4 * (AXIS - 100e6) / 100e6, Kind.UNCLEAR, 1, 0),
    "passes, stops, passes, stops": (
        stop(125e6, 4e6) + 10 * np.log10(1 + (AXIS / 170e6) ** 60),
        Kind.UNCLEAR,
        2,
        1,
    ),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("noise_db", [0.0, 0.05, 0.5])
def test_kinds_are_recognised(name: str, noise_db: float) -> None:
    """Clean and with noise, each with its number of passbands and notches."""
    loss, kind, passbands, notches = SHAPES[name]
    noisy = loss + np.random.default_rng(3).normal(0.0, 1.0, loss.size) * noise_db
    found = recognise(LossCurve.of(AXIS, noisy, u_db=noise_db))
    assert (found.kind, len(found.passbands), len(found.notches)) == (kind, passbands, notches)


def test_two_passbands_each_have_their_own_figures() -> None:
    loss = SHAPES["two passbands"][0]
    first, second = recognise(LossCurve.of(AXIS, loss, u_db=0.0)).passbands
    assert first.edges[0].centre_hz == pytest.approx(125e6, rel=2e-4)
    assert first.edges[0].bandwidth_hz == pytest.approx(4e6, rel=2e-3)
    assert second.edges[0].bandwidth_hz == pytest.approx(8e6, rel=2e-3)
    assert second.least_db - first.least_db == pytest.approx(3.0, abs=1e-3)
    assert first.q == pytest.approx(31.3, rel=3e-3)


def test_notch_figures() -> None:
    """A single-section notch: widths at 3, 20 and 30 dB stand as 1/√(10^(L/10) − 1)."""
    x = (150e6 / 20e6) * (AXIS / 150e6 - 150e6 / AXIS)
    loss = 10 * np.log10(1 + 1 / np.maximum(np.abs(x), 1e-3) ** 2)
    found = recognise(LossCurve.of(AXIS, loss, u_db=0.0), notch_depths_db=(3.0, 20.0, 30.0, 70.0))
    (notch,) = found.notches
    assert not notch.at_least
    assert notch.deepest_hz == 150e6
    assert notch.depth_db == pytest.approx(60.0 - notch.pass_db, abs=1e-3)
    assert notch.centre_hz == pytest.approx(150e6, rel=1e-4)
    for depth_db in (3.0, 20.0, 30.0):
        level = 10 ** ((depth_db + notch.pass_db) / 10)
        expected = 20e6 / math.sqrt(level - 1)
        assert notch.at(depth_db).bandwidth_hz == pytest.approx(expected, rel=2e-3)
    assert notch.at(70.0).lower.state is EdgeState.NOT_REACHED
    with pytest.raises(KeyError, match="not asked for"):
        notch.at(12.0)


def test_notch_in_the_floor_is_at_least_so_deep() -> None:
    """The bottom is not placed, the widths above the floor are, the others are hidden."""
    loss = stop(150e6, 10e6, order=1)
    limited = loss > 35
    curve = LossCurve.of(AXIS, np.minimum(loss, 35.0), at_least=limited, u_db=0.01)
    (notch,) = recognise(curve).notches
    assert notch.at_least
    assert notch.deepest_hz is None
    assert notch.depth_db == pytest.approx(35.0, abs=0.1)
    assert notch.at(30.0).bandwidth_hz == pytest.approx(10e6 / math.sqrt(999), rel=0.02)
    assert notch.at(40.0).lower.state is EdgeState.HIDDEN
    assert notch.centre_hz == pytest.approx(150e6, rel=1e-4)


def test_deep_edges_of_a_filter_in_the_floor_are_hidden() -> None:
    """50 dB of range: −60 dB is not there, and so no shape factor."""
    loss = band(150e6, 10e6)
    curve = LossCurve.of(AXIS, np.minimum(loss, 50.0), at_least=loss > 50, u_db=0.01)
    (passed,) = recognise(curve).passbands
    assert passed.at(60.0).upper.state is EdgeState.HIDDEN
    assert passed.shape_factor(60.0, 3.0) is None
    assert passed.shape_factor(6.0, 3.0) == pytest.approx(1.198, rel=5e-3)
    with pytest.raises(KeyError, match="not asked for"):
        passed.at(40.0)


def test_a_flank_alone_is_told_as_the_sweep_shows_it() -> None:
    """From inside the passband of a band-pass upwards: a low-pass whose lower edge is not known."""
    part = AXIS >= 150e6
    found = recognise(LossCurve.of(AXIS[part], band(150e6, 10e6)[part], u_db=0.0))
    assert found.kind is Kind.LOW_PASS
    (passed,) = found.passbands
    assert passed.q is None
    assert passed.u_q is None
    assert passed.at_centre is None
    text = "low-pass: −3 dB beyond the sweep: below 150.000 MHz, −3 dB at 155."
    assert str(found).startswith(text)


@pytest.mark.parametrize(
    ("loss", "limited", "note"),
    [
        (np.zeros(4), np.zeros(4, dtype=bool), "fewer than 5 points"),
        (np.zeros(0), np.zeros(0, dtype=bool), "fewer than 5 points"),
        (np.full(9, 60.0), np.ones(9, dtype=bool), "the floor hides everything"),
        (np.linspace(0, 4, 50), np.zeros(50, dtype=bool), "too little for a filter"),
    ],
    ids=["four points", "none", "all floor", "4 dB"],
)
def test_what_cannot_be_told_is_said(loss: Float, limited: NDArray[np.bool_], note: str) -> None:
    axis = 1e6 * np.arange(1.0, loss.size + 1)
    found = recognise(LossCurve.of(axis, loss, at_least=limited, u_db=0.0))
    assert found.kind is Kind.UNCLEAR
    assert note in found.notes[-1]
    assert str(found)


def test_a_spike_at_the_end_is_no_filter() -> None:
    """A noisy pad whose last reading went wrong: no low-pass, and more than flat."""
    loss = 20.0 + np.random.default_rng(1).normal(0.0, 0.9, AXIS.size)
    assert recognise(LossCurve.of(AXIS, loss, u_db=0.9)).kind is Kind.FLAT
    loss[-1] = 29.3
    found = recognise(LossCurve.of(AXIS, loss, u_db=0.9))
    assert found.kind is Kind.UNCLEAR
    assert "only at single points" in found.notes[-1]


@pytest.mark.slow
@pytest.mark.parametrize("points", [51, 401, 2001])
@pytest.mark.parametrize("noise_db", [0.05, 0.3, 0.9, 2.0])
def test_noise_makes_no_filter_of_a_pad(points: int, noise_db: float) -> None:
    """Of 25 noisy pads at most one is called anything but flat; above 1 dB none is judged."""
    rng = np.random.default_rng(points)
    axis = np.linspace(100e6, 200e6, points)
    kinds: Counter[Kind] = Counter()
    for _ in range(25):
        loss = 20.0 + rng.normal(0.0, noise_db, points)
        kinds[recognise(LossCurve.of(axis, loss, u_db=noise_db)).kind] += 1
    assert kinds[Kind.FLAT if noise_db < 1 else Kind.UNCLEAR] >= 24


def test_missing_points_and_an_unknown_floor_are_noted() -> None:
    loss = band(150e6, 10e6)
    loss[[5, 900]] = np.nan
    found = recognise(LossCurve.of(AXIS, loss))
    assert found.notes == (
        "2 points without a level are left out",
        "the floor is not known: what looks like a deep stop band may be floor",
    )
    assert not found.scatter_stated


def test_texts() -> None:
    found = recognise(LossCurve.of(AXIS, 1.2 + band(150e6, 10e6), u_db=0.0))
    assert str(found).startswith("band-pass: centre 150.000 MHz, −3 dB width 9.992 MHz")
    assert str(found).endswith("Q 15.0, least loss 1.20 dB at 150.000 MHz")
    flat = recognise(LossCurve.of(AXIS, np.full(AXIS.size, 20.0), u_db=0.0))
    assert str(flat) == "flat: least loss 20.00 dB at 100.000 MHz"
    notched = recognise(LossCurve.of(AXIS, SHAPES["band-stop"][0], u_db=0.0))
    assert "; notch at 150.000 MHz, 90.0 dB deep" in str(notched)


@pytest.mark.parametrize("noise_db", [0.01, 0.1, 0.5])
def test_noise_told_from_the_curve_itself(noise_db: float) -> None:
    loss = band(150e6, 10e6) + np.random.default_rng(5).normal(0.0, noise_db, AXIS.size)
    assert scatter_db(LossCurve.of(AXIS, loss))[0] == pytest.approx(noise_db, rel=0.25)


def test_a_smooth_curve_has_no_scatter() -> None:
    assert scatter_db(LossCurve.of(AXIS, band(150e6, 10e6)))[0] < 1e-4
    assert scatter_db(LossCurve.of(AXIS[:8], np.zeros(8))).tolist() == [0.0] * 8


@pytest.mark.slow
@pytest.mark.parametrize("noise_db", [0.02, 0.2, 0.5])
def test_least_loss_is_not_that_of_the_luckiest_reading(noise_db: float) -> None:
    """Mean over 100 noisy sweeps within one stated uncertainty; the plain minimum is far off."""
    rng = np.random.default_rng(8)
    errors, u, plain = [], [], []
    for _ in range(100):
        loss = 1.0 + band(150e6, 20e6) + rng.normal(0.0, noise_db, AXIS.size)
        (passed,) = recognise(LossCurve.of(AXIS, loss, u_db=noise_db)).passbands
        errors.append(passed.least_db - 1.0)
        u.append(passed.u_least_db)
        plain.append(loss.min() - 1.0)
    assert abs(np.mean(errors)) < np.mean(u)
    assert np.std(errors) < 1.5 * np.mean(u)
    assert np.mean(plain) < -2.0 * noise_db


def test_linearity_moves_both_edges() -> None:
    """An error of the sweeper's scale widens the uncertainty of the width by both slopes."""
    curve = LossCurve.of(AXIS, band(150e6, 10e6), u_db=0.0)
    sharp = recognise(curve).passbands[0].edges[0]
    blurred = recognise(curve, u_linearity_db=0.1).passbands[0].edges[0]
    assert sharp.u_bandwidth_hz is not None
    assert sharp.u_bandwidth_hz < 2e3
    slope_hz = (blurred.lower.per_db_hz or 0.0) + (blurred.upper.per_db_hz or 0.0)
    assert blurred.u_bandwidth_hz == pytest.approx(0.1 * slope_hz, rel=1e-2)


def test_loss_of_finite_q_needs_a_loaded_q_below_it() -> None:
    with pytest.raises(ValueError, match="must lie between"):
        loss_of_finite_q_db(500.0, 500.0)


# --- simulated truth ------------------------------------------------------------------------------


def prototype(x: Float, order: int, ripple_db: float) -> Float:
    """Butterworth without ripple, else Chebyshev, over the normalised frequency."""
    x = np.abs(x)
    if ripple_db == 0:
        return 10 * np.log10(1 + x ** (2 * order))
    inside = np.cos(order * np.arccos(np.minimum(x, 1.0)))
    outside = np.cosh(order * np.arccosh(np.maximum(x, 1.0)))
    polynomial = np.where(x <= 1, inside, outside)
    return 10 * np.log10(1 + (10 ** (ripple_db / 10) - 1) * polynomial**2)


def scene(seed: int) -> tuple[Response, dict[float, tuple[float, float]]]:
    """One random band-pass, swept with noise over a through, and the truth about its edges."""
    rng = np.random.default_rng(seed)
    order, ripple_db = int(rng.integers(1, 8)), float(rng.choice([0.0, 0.0, 0.1, 0.5]))
    centre_hz = rng.uniform(100e6, 500e6)
    width_hz = centre_hz * 10 ** rng.uniform(-2.3, -0.8)
    span_hz = width_hz * rng.uniform(3, 6)
    middle_hz = centre_hz + rng.uniform(-0.3, 0.3) * width_hz
    axis = np.linspace(
        middle_hz - span_hz / 2,
        middle_hz + span_hz / 2,
        int(rng.uniform(15, 150) * span_hz / width_hz),
    )
    averages = int(rng.choice([1, 1, 4, 16, 100]))
    floor_db = -10.0 - rng.uniform(20, 75)
    loss = rng.uniform(0.2, 4) + prototype(
        (centre_hz / width_hz) * (axis / centre_hz - centre_hz / axis), order, ripple_db
    )

    def read(level_db: Float) -> Float:
        noise = rng.normal(size=(averages, axis.size, 2)) @ np.array([1.0, 1.0j])
        volts = 10 ** (level_db / 20) + noise * math.sqrt(10 ** (floor_db / 10) / 2)
        return 10 * np.log10((np.abs(volts) ** 2).mean(axis=0))

    through, dut = read(np.full(axis.size, -10.0)), read(-10.0 - loss)
    curve = insertion_loss(
        through, dut, floor_db, averages=averages, floor_averages=math.inf
    ).curve(axis)
    found = recognise(curve, edge_levels_db=(3.0, 6.0, 30.0))

    def edges(level_db: float) -> tuple[float, float]:
        def over(x: float) -> float:
            return float(prototype(np.array([x]), order, ripple_db)[0]) - level_db

        x = brentq(over, 0.9, 1e3, xtol=1e-13)
        upper_hz = x * width_hz / 2 + math.hypot(x * width_hz / 2, centre_hz)
        return centre_hz**2 / upper_hz, upper_hz

    return found, {level: edges(level) for level in (3.0, 6.0, 30.0)}


@pytest.mark.slow
def test_stated_uncertainty_of_edges_contains_the_truth() -> None:
    """200 random filters: edge ± 2u holds the truth in 88 to 99.5 % of the edges seen."""
    inside: Counter[str] = Counter()
    edges: Counter[str] = Counter()
    kinds: Counter[Kind] = Counter()
    for seed in range(200):
        found, truth = scene(seed)
        kinds[found.kind] += 1
        if len(found.passbands) != 1:
            continue
        for level_db, (lower_hz, upper_hz) in truth.items():
            pair = found.passbands[0].at(level_db)
            for edge, true_hz in ((pair.lower, lower_hz), (pair.upper, upper_hz)):
                if edge.frequency_hz is None or edge.u_hz is None:
                    continue
                for name in (f"{level_db:g} dB", "all"):
                    edges[name] += 1
                    inside[name] += abs(edge.frequency_hz - true_hz) <= 2 * edge.u_hz
    shares = {name: inside[name] / edges[name] for name in edges}
    assert edges["all"] > 800, dict(edges)
    assert kinds[Kind.BAND_PASS] + kinds[Kind.FLAT] >= 196, dict(kinds)
    assert all(0.88 <= share <= 0.995 for share in shares.values()), shares
