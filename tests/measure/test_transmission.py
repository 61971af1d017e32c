"""Insertion loss over a through, down into the noise."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure import bandpower
from acqd.measure.transmission import complex_transmission, insertion_loss


def readings(
    rng: np.random.Generator,
    carrier_db: float,
    floor_db: float,
    *,
    averages: int,
    points: int,
    in_db: bool = False,
) -> NDArray[np.float64]:
    """A steady carrier in complex Gaussian noise, through an envelope detector, averaged."""
    noise = rng.normal(size=(averages, points, 2)) @ np.array([1.0, 1.0j])
    volts = 10 ** (carrier_db / 20) + noise * math.sqrt(10 ** (floor_db / 10) / 2)
    power = np.abs(volts) ** 2
    mean_db = (10 * np.log10(power)).mean(axis=0)
    return mean_db if in_db else 10 * np.log10(power.mean(axis=0))


def test_loss_without_a_known_floor_is_the_difference() -> None:
    """Nothing is corrected, nothing is called a limit, no uncertainty is invented."""
    found = insertion_loss([-10.0, -10.0, np.nan], [-13.5, np.nan, -20.0])
    assert found.loss_db[0] == 3.5
    assert np.isnan(found.loss_db[1:]).all()
    assert found.usable.tolist() == [True, False, False]
    assert not found.at_least.any()
    assert found.u_db is None
    assert found.dynamic_range_db is None


def test_floor_is_taken_out_as_for_any_noise_like_reading() -> None:
    """The same correction as :func:`bandpower.without_floor_db`, on both readings."""
    over_db = np.array([3.0, 6.0, 10.0, 20.0])
    found = insertion_loss(np.full(4, -40.0), -100.0 + over_db, -100.0)
    expected = [
        60.0 + bandpower.without_floor_db(60.0) - m - bandpower.without_floor_db(float(m))
        for m in over_db
    ]
    assert found.loss_db.tolist() == pytest.approx(expected, abs=1e-9)
    assert found.dynamic_range_db is not None
    assert found.dynamic_range_db.tolist() == [60.0] * 4


def test_near_the_floor_the_loss_is_a_limit() -> None:
    """Through − max(reading, floor) − 2u: readings that dip below the floor promise no more."""
    found = insertion_loss(np.full(3, -40.0), [-98.0, -100.0, -104.0], -100.0, averages=100)
    allowed_db = 2 * 4.342945 / 10
    assert found.at_least.all()
    assert found.loss_db.tolist() == pytest.approx(
        [58.0 - allowed_db, 60.0 - allowed_db, 60.0 - allowed_db], abs=1e-4
    )


def test_through_in_the_floor_gives_nothing() -> None:
    found = insertion_loss([-98.0, -60.0], [-99.0, -70.0], -100.0)
    assert found.usable.tolist() == [False, True]
    assert np.isnan(found.loss_db[0])
    assert found.u_db is not None
    assert np.isnan(found.u_db[0])


def test_gain_is_a_negative_loss() -> None:
    assert insertion_loss([-40.0], [-25.0]).loss_db.tolist() == [-15.0]


def test_inputs_stay_as_they_are_and_empty_ones_give_empty_ones() -> None:
    through, dut = np.array([-10.0, np.nan]), np.array([-20.0, -99.0])
    through.flags.writeable = dut.flags.writeable = False
    insertion_loss(through, dut, -100.0)
    assert insertion_loss([], [], -100.0).loss_db.size == 0


def test_bad_input_is_refused() -> None:
    with pytest.raises(ValueError, match="of one length"):
        insertion_loss([1.0, 2.0], [1.0])
    with pytest.raises(ValueError, match="averages must be above 0"):
        insertion_loss([1.0], [1.0], -100.0, averages=0)


@pytest.mark.parametrize("in_db", [False, True], ids=["power", "dB"])
@pytest.mark.parametrize(
    ("signal_over_floor_db", "averages"), [(3, 100), (6, 30), (10, 10), (20, 1), (40, 1)]
)
def test_simulated_carrier_in_noise(
    signal_over_floor_db: float, averages: int, in_db: bool
) -> None:
    """Mean and scatter of the corrected loss are what is stated, for both ways of averaging."""
    rng = np.random.default_rng(averages)
    points, floor_db = 3000, -100.0
    shown_floor_db = floor_db - (2.50682 if in_db else 0.0)
    dut = readings(
        rng,
        floor_db + signal_over_floor_db,
        floor_db,
        averages=averages,
        points=points,
        in_db=in_db,
    )
    found = insertion_loss(
        np.full(points, -20.0),
        dut,
        shown_floor_db,
        averages=averages,
        floor_averages=math.inf,
        averaged_in_db=in_db,
    )
    assert found.u_db is not None
    known = found.usable & ~found.at_least
    assert np.count_nonzero(known) > 0.9 * points
    error = found.loss_db[known] - (-20.0 - floor_db - signal_over_floor_db)
    u_db = float(np.median(found.u_db[known]))
    assert float(error.std()) == pytest.approx(u_db, rel=0.15)
    assert abs(float(np.median(error))) < 0.2 * u_db + 4 * u_db / math.sqrt(points)
    assert 0.90 < float((np.abs(error) <= 2 * found.u_db[known]).mean()) < 0.985


@pytest.mark.parametrize("averages", [1, 10, 100])
@pytest.mark.parametrize("signal_over_floor_db", [-60, -3, 0, 3, 6])
def test_limits_hold(signal_over_floor_db: float, averages: int) -> None:
    """Of the points called "at least", 97 of 100 or more have at least that loss."""
    rng = np.random.default_rng(averages)
    dut = readings(rng, -100.0 + signal_over_floor_db, -100.0, averages=averages, points=5_000)
    found = insertion_loss(np.full(dut.size, -20.0), dut, -100.0, averages=averages)
    limits = found.loss_db[found.at_least]
    held = limits <= 80.0 - signal_over_floor_db
    wrong = np.count_nonzero(~held) / dut.size
    assert wrong < 0.03


def test_more_averages_and_a_noisy_floor_show_in_the_uncertainty() -> None:
    def u(**more: float) -> float:
        found = insertion_loss([-20.0], [-90.0], -100.0, **more)
        assert found.u_db is not None
        return float(found.u_db[0])

    assert u(averages=100) == pytest.approx(u(averages=1) / 10, rel=1e-6)
    assert u(averages=100, floor_averages=1) > u(averages=100)
    assert u(averages=100, floor_averages=math.inf) < u(averages=100)
    strong = insertion_loss([-20.0], [-80.0], -100.0, floor_averages=math.inf)
    assert strong.u_db is not None
    assert float(strong.u_db[0]) == pytest.approx(8.685890 / math.sqrt(2 * 99), rel=0.01)


def test_complex_ratio() -> None:
    """S21 is thing over through; its loss is that of the magnitude; zero and NaN give nothing."""
    through = np.array([2.0, 1j, 0.0, np.nan, 1.0])
    dut = np.array([1.0, 0.1, 1.0, 1.0, 0.0])
    found = complex_transmission(through, dut)
    assert found.s21[:2].tolist() == [0.5 + 0j, -0.1j]
    assert found.loss.loss_db[:2].tolist() == pytest.approx([6.0206, 20.0], abs=5e-5)
    assert np.isnan(found.s21[2:]).all()
    assert found.loss.usable.tolist() == [True, True, False, False, False]


def test_complex_ratio_in_the_floor_is_a_limit() -> None:
    found = complex_transmission([1.0, 1.0, 1.0], [0.0, 1e-4, 0.1], -80.0, averages=100)
    assert found.loss.at_least.tolist() == [True, True, False]
    assert found.loss.loss_db[0] == pytest.approx(80.0 - 0.8686, abs=1e-3)
    assert found.s21[0] == 0
