"""Crossings of a level: seen, beyond, hidden, missing, and blurred by noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.edges import EdgePair, EdgeState, edge_pair
from acqd.measure.losscurve import LossCurve

AXIS = 100e6 + 1e6 * np.arange(21)


def valley(per_step_db: float = 1.0) -> NDArray[np.float64]:
    """0 dB in the middle, ``per_step_db`` more with each step away from it."""
    return np.abs(np.arange(21) - 10.0) * per_step_db


def pair_at(loss: NDArray[np.float64], level_db: float, **more: object) -> EdgePair:
    curve = LossCurve.of(AXIS, loss, at_least=more.pop("at_least", None))
    noise = np.broadcast_to(np.asarray(more.pop("noise_db", 0.0), dtype=float), loss.shape)
    inside = int(more.pop("inside", 10))
    return edge_pair(
        curve,
        noise[: curve.points],
        inside=inside,
        level_db=level_db,
        below_db=level_db,
        **more,
    )


def test_straight_line_in_db_between_two_points() -> None:
    pair = pair_at(valley(), 3.25)
    assert pair.lower.frequency_hz == pytest.approx(106.75e6)
    assert pair.upper.frequency_hz == pytest.approx(113.25e6)
    assert pair.bandwidth_hz == pytest.approx(6.5e6)
    assert pair.centre_hz == pytest.approx(math.sqrt(106.75e6 * 113.25e6))
    assert pair.arithmetic_centre_hz == pytest.approx(110e6)
    assert pair.lower.u_hz == pytest.approx(0.0, abs=1e-3)
    assert pair_at(valley(), 3.0).upper.frequency_hz == 113e6


def test_beyond_the_sweep_is_said() -> None:
    pair = pair_at(valley(), 11.0)
    assert pair.lower.state is pair.upper.state is EdgeState.BEYOND_SWEEP
    assert str(pair.lower) == "−11 dB beyond the sweep: below 100.000 MHz"
    assert str(pair.upper) == "−11 dB beyond the sweep: above 120.000 MHz"
    assert pair.bandwidth_hz is pair.centre_hz is pair.arithmetic_centre_hz is None
    assert pair.u_bandwidth_hz is pair.u_centre_hz is None


def test_one_edge_beyond_leaves_the_other() -> None:
    pair = pair_at(valley(), 5.0, inside=12)
    assert str(pair.upper) == "−5 dB at 115.000000 MHz"
    half = pair_at(np.minimum(valley(), np.where(AXIS < 110e6, 2.0, 99.0)), 5.0)
    assert half.lower.state is EdgeState.BEYOND_SWEEP
    assert half.upper.frequency_hz == 115e6
    assert half.bandwidth_hz is None


def test_the_floor_hides_an_edge() -> None:
    """A lower limit under the level may lie on either side of it; one above it is beyond."""
    loss = np.minimum(valley(), 7.0)
    limited = valley() >= 7
    hidden = pair_at(loss, 8.0, at_least=limited)
    assert hidden.upper.state is EdgeState.HIDDEN
    assert str(hidden.upper) == "−8 dB hidden by the floor: above 116.000 MHz"
    assert str(hidden.lower) == "−8 dB hidden by the floor: below 104.000 MHz"
    onto = pair_at(loss, 6.5, at_least=limited)
    assert onto.upper.frequency_hz == pytest.approx(116.5e6)
    assert onto.upper.u_hz == pytest.approx(1e6 / math.sqrt(12), rel=1e-3)


def test_an_edge_in_a_hole_is_not_interpolated() -> None:
    loss = valley()
    loss[[14, 15]] = np.nan
    pair = pair_at(loss, 4.5)
    assert pair.upper.state is EdgeState.MISSING
    assert str(pair.upper) == "−4.5 dB levels are missing there: above 113.000 MHz"
    assert pair.lower.state is EdgeState.SEEN


def test_bottom_of_a_notch() -> None:
    """The same walk downwards, and the two ways in which there is no such depth."""
    notch = 10.0 - valley()
    pair = pair_at(notch, 6.0, rising=False)
    assert (pair.lower.frequency_hz, pair.upper.frequency_hz) == (106e6, 114e6)
    assert pair_at(notch, 12.0, rising=False).upper.state is EdgeState.NOT_REACHED
    limited = notch >= 9
    hidden = pair_at(np.minimum(notch, 9.0), 12.0, rising=False, at_least=limited)
    assert (hidden.upper.state, hidden.upper.limit_hz) == (EdgeState.HIDDEN, None)
    assert str(hidden.upper) == "−12 dB hidden by the floor"
    known = pair_at(np.minimum(notch, 9.0), 6.0, rising=False, at_least=limited)
    assert known.upper.frequency_hz == 114e6


def test_noise_on_a_crossing_gives_one_edge() -> None:
    """A slow skirt with noise crosses the level many times over: one edge, where the line is."""
    rng = np.random.default_rng(1)
    axis = np.linspace(100e6, 200e6, 401)
    true_db = 10.0 * (axis - 100e6) / 100e6
    z = []
    for _ in range(200):
        loss = true_db + rng.normal(0.0, 0.3, axis.size)
        crossings = np.count_nonzero(np.diff(loss > 3.0))
        assert crossings >= 3
        pair = edge_pair(
            LossCurve.of(axis, loss),
            np.full(axis.size, 0.3),
            inside=0,
            level_db=3.0,
            below_db=3.0,
        )
        assert pair.upper.frequency_hz is not None
        assert pair.upper.u_hz is not None
        z.append((pair.upper.frequency_hz - 130e6) / pair.upper.u_hz)
    assert 0.88 < float(np.mean(np.abs(z) <= 2)) < 0.995
    assert abs(float(np.mean(z))) < 0.35


def test_a_lone_fade_is_no_edge() -> None:
    """One reading of a noisy sweep beyond the level, and the next back inside."""
    loss = valley(0.5)
    loss[12] += 4.0
    pair = pair_at(loss, 3.0, noise_db=0.4)
    assert pair.upper.frequency_hz is not None
    assert pair.upper.frequency_hz > 114e6
    clean = pair_at(loss, 3.0)
    assert clean.upper.frequency_hz is not None
    assert clean.upper.frequency_hz < 112e6


def test_uncertainty_is_that_of_the_level_over_the_slope() -> None:
    """1 dB per MHz: 0.1 dB of noise at both ends of a line's middle, 0.2 dB of the level."""
    pair = pair_at(valley(), 3.5, noise_db=0.1, u_level_db=0.2)
    own_hz = 0.1e6 / math.sqrt(2)
    assert pair.upper.u_hz == pytest.approx(math.hypot(own_hz, 0.2e6), rel=1e-6)
    assert pair.u_bandwidth_hz == pytest.approx(math.hypot(own_hz * math.sqrt(2), 0.4e6), rel=1e-6)
    assert pair.u_centre_hz == pytest.approx(math.hypot(own_hz, 0.2e6) / math.sqrt(2), rel=1e-6)


def test_step_blurs_an_edge_where_the_shape_bends() -> None:
    """The error of the straight line on a parabola lies within two of its stated uncertainties."""
    loss = (np.arange(21) - 10.0) ** 2
    pair = pair_at(loss, 12.0)
    true_hz = 110e6 + math.sqrt(12.0) * 1e6
    assert pair.upper.frequency_hz is not None
    assert pair.upper.u_hz is not None
    error_hz = abs(pair.upper.frequency_hz - true_hz)
    assert 0.3 * error_hz < pair.upper.u_hz < 3.0 * error_hz
    assert error_hz <= 2.0 * pair.upper.u_hz
