"""Loss over frequency: at one, between two, and at the ones with names."""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure.losscurve import (
    LossCurve,
    NamedFrequency,
    Role,
    loss_in_range,
    named_losses,
    rejection,
    separation,
)

AXIS = np.array([156e6, 157e6, 158e6, 160e6, 162e6])


def test_straight_line_between_points() -> None:
    """With the uncertainty of the weighted sum, and the point itself where there is one."""
    curve = LossCurve.of(AXIS, [1.0, 3.0, 2.0, 6.0, 8.0], u_db=0.1)
    between = curve.at(159e6)
    assert between.loss_db == pytest.approx(4.0)
    assert between.u_db == pytest.approx(0.1 / math.sqrt(2))
    assert curve.at(158e6).loss_db == 2.0
    assert curve.at(158e6).u_db == pytest.approx(0.1)
    assert (curve.at(156e6).loss_db, curve.at(162e6).loss_db) == (1.0, 8.0)


def test_a_limit_at_either_end_makes_a_limit() -> None:
    limited = np.array([False, False, False, True, False])
    curve = LossCurve.of(AXIS, [1.0, 3.0, 2.0, 60.0, 8.0], at_least=limited)
    assert [curve.at(f).at_least for f in (157.5e6, 159e6, 160e6, 161e6, 162e6)] == [
        False,
        True,
        True,
        True,
        False,
    ]
    assert curve.at(159e6).u_db is None


def test_nothing_is_guessed_beyond_the_sweep_or_in_a_hole() -> None:
    curve = LossCurve.of(AXIS, [1.0, 3.0, np.nan, 6.0, 8.0])
    assert curve.left_out == 1
    assert curve.broken.tolist() == [False, True, False]
    hole, below, above = curve.at(158e6), curve.at(155e6), curve.at(163e6)
    assert (hole.loss_db, hole.reason) == (None, "levels are missing at 158.000 MHz")
    assert below.reason == "155.000 MHz is beyond the sweep"
    assert above.loss_db is None
    assert LossCurve.of([], []).at(1e6).reason == "1.000 MHz is beyond the sweep"


def test_points_of_one_frequency_are_joined() -> None:
    """Mean loss, √(Σu²)/n; one limit among them makes a limit, a missing one is left out."""
    curve = LossCurve.of(
        [1e6, 1e6, 2e6, 2e6, 3e6, 3e6],
        [1.0, 3.0, 5.0, np.nan, np.nan, np.nan],
        at_least=np.array([False, True, False, True, False, False]),
        u_db=np.array([0.3, 0.4, 0.2, 0.1, 0.1, np.nan]),
    )
    assert curve.loss_db.tolist() == [2.0, 5.0]
    assert curve.at_least.tolist() == [True, False]
    assert curve.u_db is not None
    assert curve.u_db.tolist() == pytest.approx([0.25, 0.2])
    assert curve.left_out == 1


def test_unknown_uncertainty_counts_as_the_largest() -> None:
    curve = LossCurve.of(AXIS, np.ones(5), u_db=np.array([np.nan, 0.1, 0.2, 0.1, 0.1]))
    assert curve.u_db is not None
    assert curve.u_db.tolist() == [0.2, 0.1, 0.2, 0.1, 0.1]


@pytest.mark.parametrize(
    ("axis", "loss", "message"),
    [
        ([2e6, 1e6], [1.0, 1.0], "must not fall"),
        ([1e6, np.inf], [1.0, 1.0], "must be finite"),
        ([1e6, 2e6], [1.0], "of one length"),
    ],
    ids=["falling", "not finite", "lengths"],
)
def test_bad_axes_are_refused(axis: list[float], loss: list[float], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        LossCurve.of(axis, loss)


def test_pad_with_a_slope() -> None:
    """20 dB at the middle, 1 dB more over 100 MHz: value, flatness, slope, and where."""
    axis = np.linspace(100e6, 200e6, 101)
    curve = LossCurve.of(axis, 20.0 + (axis - 150e6) / 100e6, u_db=0.1)
    found = loss_in_range(curve, start_hz=100e6, stop_hz=200e6)
    assert found is not None
    assert found.mean_db == pytest.approx(20.0)
    assert found.flatness_db == pytest.approx(1.0)
    assert found.slope_db_per_hz == pytest.approx(1e-8)
    assert (found.least_hz, found.largest_hz) == (100e6, 200e6)
    assert (found.least_db, found.largest_db) == pytest.approx((19.5, 20.5))
    assert found.u_mean_db == pytest.approx(0.1 / math.sqrt(101))
    assert (found.points, found.covered, found.at_least) == (101, 1.0, False)


def test_range_that_the_sweep_covers_in_part() -> None:
    curve = LossCurve.of(AXIS, np.ones(5))
    found = loss_in_range(curve, start_hz=154e6, stop_hz=158e6)
    assert found is not None
    assert (found.covered, found.points) == (0.5, 3)
    assert found.noise_flatness_db is None
    one = loss_in_range(curve, start_hz=157e6, stop_hz=157e6)
    assert one is not None
    assert (one.slope_db_per_hz, one.flatness_db, one.covered) == (0.0, 0.0, 1.0)
    assert loss_in_range(curve, start_hz=170e6, stop_hz=171e6) is None
    with pytest.raises(ValueError, match="must not be below start_hz"):
        loss_in_range(curve, start_hz=2.0, stop_hz=1.0)


@pytest.mark.parametrize("points", [2, 5, 20, 400])
def test_flatness_that_noise_alone_would_show(points: int) -> None:
    """Against the mean range of simulated normal noise, within 2 %."""
    rng = np.random.default_rng(points)
    ranges = np.ptp(rng.normal(0.0, 0.2, (20_000, points)), axis=1)
    curve = LossCurve.of(np.arange(1.0, points + 1), np.zeros(points), u_db=0.2)
    found = loss_in_range(curve, start_hz=0.0, stop_hz=points)
    assert found is not None
    assert found.noise_flatness_db == pytest.approx(
        ranges.mean(), rel=0.05 if points == 2 else 0.02
    )


def test_rejection_is_that_of_the_weakest_place() -> None:
    """A limit elsewhere changes nothing; a limit at the weakest place makes one of it."""
    loss = np.array([1.0, 62.0, 55.0, 60.0, 58.0])
    limited = np.array([False, True, False, False, True])
    curve = LossCurve.of(AXIS, loss, at_least=limited, u_db=0.3)
    exact = rejection(curve, start_hz=157e6, stop_hz=162e6, pass_db=1.5, u_pass_db=0.4)
    assert (exact.value_db, exact.at_hz, exact.at_least) == (53.5, 158e6, False)
    assert exact.u_db == pytest.approx(0.5)
    bound = rejection(curve, start_hz=159e6, stop_hz=164e6, pass_db=1.5)
    assert (bound.value_db, bound.at_hz, bound.at_least) == (56.5, 162e6, True)
    assert bound.covered == pytest.approx(0.6)
    nothing = rejection(curve, start_hz=170e6, stop_hz=171e6, pass_db=1.5)
    assert nothing.value_db is None
    assert nothing.reason == "no level between 170.000 and 171.000 MHz"


PAIR = (
    NamedFrequency(name="coast", frequency_hz=161.4e6, role=Role.PASS),
    NamedFrequency(name="ship", frequency_hz=156.8e6, role=Role.STOP),
    NamedFrequency(name="working", frequency_hz=157.4e6, role=Role.STOP),
)


def test_pair_of_a_duplexer() -> None:
    limited = np.array([True, True, False, False, False])
    curve = LossCurve.of(AXIS, [70.0, 70.0, 75.0, 9.0, 1.0], at_least=limited, u_db=0.1)
    losses = named_losses(curve, PAIR)
    assert [str(each) for each in losses] == [
        "pass 161.400 MHz (coast): 3.4 dB",
        "stop 156.800 MHz (ship): at least 70.0 dB",
        "stop 157.400 MHz (working): at least 72.0 dB",
    ]
    found = separation(losses)
    assert found.value_db == pytest.approx(66.6)
    assert found.at_least
    assert found.u_db == pytest.approx(0.1 * math.sqrt(0.3**2 + 0.7**2 + 0.2**2 + 0.8**2))


def test_separation_says_why_there_is_none() -> None:
    curve = LossCurve.of(AXIS[2:], [75.0, 9.0, 1.0], at_least=np.array([False, False, True]))
    losses = named_losses(curve, PAIR)
    beyond = "156.800 MHz is beyond the sweep"
    assert str(losses[1]) == f"stop 156.800 MHz (ship): not known, {beyond}"
    assert separation(losses).reason == beyond
    assert separation(losses[:1]).reason == "it takes a pass and a stop frequency"
    stop = named_losses(curve, [NamedFrequency(name="x", frequency_hz=158e6, role=Role.STOP)])
    assert separation([losses[0], *stop]).reason == "the floor hides the loss at 161.400 MHz"
