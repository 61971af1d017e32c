"""Guesses that a known signal settles."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest
from acqd_lines.learn_known import (
    ABOVE_DBM,
    Carrier,
    guess_frequency_unit,
    guess_peak,
    guess_scaling,
    peaks_of,
    resolution_of,
    stands_out,
)

RNG = np.random.default_rng(11)


def sweep_dbm() -> np.ndarray:
    """A floor of -105 dBm with carriers of -40 at point 60 and -62 at point 150."""
    level = -105.0 + RNG.standard_normal(201)
    level[60], level[150] = -40.0, -62.0
    return np.round(level, 2)


def test_units_convert_in_50_ohm() -> None:
    """0 dBm is 0.2236 V: 106.99 dB over 1 µV, 46.99 dB over 1 mV."""
    volt = (50.0 * 1e-3) ** 0.5
    assert pytest.approx(20 * np.log10(volt / 1e-6)) == ABOVE_DBM["dBµV"]
    assert pytest.approx(20 * np.log10(volt / 1e-3)) == ABOVE_DBM["dBmV"]


def test_peaks_are_apart_and_highest_first() -> None:
    """The flank of a carrier is no peak of its own; NaN is none."""
    level = sweep_dbm()
    level[61], level[0] = -41.0, np.nan
    assert [peak.place for peak in peaks_of(level, 2)] == [60, 150]


def test_noise_does_not_stand_out() -> None:
    """A carrier does; the highest of a floor, and its lowest turned over, do not."""
    level = sweep_dbm()
    strong, weak, noise = peaks_of(level, 3)
    assert [stands_out(level, one) for one in (strong, weak, noise)] == [True, True, False]
    assert not any(stands_out(-level, one) for one in peaks_of(-level))


def test_the_nearest_peak_is_the_carrier() -> None:
    """Also where it is the weaker one."""
    axis = np.linspace(156e6, 158e6, 201)
    peaks = peaks_of(sweep_dbm())
    best = guess_peak(peaks, axis, Carrier(frequency_hz=157.5e6, level_dbm=-62.0))[0]
    assert best.value.place == 150
    assert best.weight == 1.0
    off = guess_peak(peaks[:1], axis, Carrier(frequency_hz=157.0e6, level_dbm=-40.0))[0]
    assert off.weight < 0.1
    assert "40.0 points from the carrier" in off.reason


@pytest.mark.parametrize(("unit", "factor"), [("Hz", 1), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)])
def test_the_range_settles_the_unit_of_an_axis(unit: str, factor: float) -> None:
    """It is the one in which the axis covers what was swept."""
    axis = np.linspace(156e6, 158e6, 21) / factor
    best = guess_frequency_unit(list(axis), start_hz=156e6, stop_hz=158e6)[0]
    assert (best.value, round(best.weight, 6)) == (unit, 1.0)


def test_decimals_say_what_step_numbers_lie_on() -> None:
    """Whole numbers on 1, hundredths on 0.01, floats on none."""
    assert resolution_of([1.0, -7.0, 200.0]) == 1.0
    assert resolution_of([-97.25, -40.0]) == 0.01
    assert resolution_of([np.pi, np.e]) == 0.0


def test_levels_in_dbm_need_nothing() -> None:
    """Within what a small sweeper may be off."""
    level = sweep_dbm()
    best = guess_scaling(level, [(-39.5, -40.0)], unit="dBm")[0].value
    assert (best.scale, best.offset, best.unit) == (1, 0, "dBm")


@pytest.mark.parametrize(
    ("unit", "scale", "offset"),
    [("dBµV", "0.01", -40), ("dBm", "0.01", -200), ("dBm", "0.5", -130), ("dBm", "0.1", -150)],
)
def test_two_carriers_settle_the_scale_of_counts(unit: str, scale: str, offset: int) -> None:
    """And with it the level of everything, to half a dB."""
    level = sweep_dbm()
    counts = np.rint((level + ABOVE_DBM[unit] - offset) / float(scale))
    known = [(counts[60], -40.0), (counts[150], -62.0)]
    best = guess_scaling(counts, known)[0].value
    assert best.scale == Decimal(scale)
    read = np.array([best.dbm(value) for value in counts])
    assert np.abs(read - level).max() < 0.7


def test_one_carrier_leaves_the_scale_to_the_floor() -> None:
    """Scales with an impossible floor are left out, likely ones come first."""
    level = sweep_dbm()
    counts = np.rint((level + ABOVE_DBM["dBµV"] + 40.0) / 0.01)
    guesses = guess_scaling(counts, [(counts[60], -40.0)])
    assert guesses[0].value.scale == Decimal("0.01")
    assert all(-200 <= guess.value.dbm(float(np.median(counts))) <= 60 for guess in guesses)


def test_counts_that_fall_with_level_are_found() -> None:
    """A negative scale, where two carriers say so."""
    level = sweep_dbm()
    counts = np.rint(-(level - 10.0) / 0.5)
    best = guess_scaling(counts, [(counts[60], -40.0), (counts[150], -62.0)])[0].value
    assert (best.scale, best.offset) == (Decimal("-0.5"), 10)


def test_fractions_are_decibels() -> None:
    """Numbers with decimals, or that name their unit, are not scaled."""
    level = sweep_dbm()
    assert {abs(guess.value.scale) for guess in guess_scaling(level, [(-40.0, -40.0)])} == {1}
