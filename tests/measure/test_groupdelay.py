"""Group delay against lines whose delay is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray
from scipy import signal

from acqd.measure.groupdelay import group_delay

AXIS = np.linspace(140e6, 150e6, 101)


def line(axis: NDArray[np.float64], delay_s: float) -> NDArray[np.complex128]:
    """A lossy line of so much delay."""
    return 0.8 * np.exp(-2j * np.pi * axis * delay_s)


@pytest.mark.parametrize("aperture_hz", [None, 0.1e6, 0.25e6, 2e6])
def test_delay_of_a_line(aperture_hz: float | None) -> None:
    """λ/4 of 145 MHz in a cable of velocity factor 0.66 is 1.7241 ns, whatever the aperture."""
    delay_s = 1 / (4 * 145e6)
    found = group_delay(AXIS, line(AXIS, delay_s), aperture_hz=aperture_hz)
    known = np.isfinite(found.delay_s)
    assert found.delay_s[known] == pytest.approx(delay_s, rel=1e-9)
    ends = 0 if aperture_hz is None else math.ceil(aperture_hz / 2 / 0.1e6 - 1e-9)
    assert np.count_nonzero(~known) == 2 * ends
    assert found.notes == ()


def test_agrees_with_another_library_on_a_filter() -> None:
    """scikit-rf's gradient of the unwrapped phase, on an even axis."""
    b, a = signal.butter(3, [2 * np.pi * 143e6, 2 * np.pi * 147e6], "bandpass", analog=True)
    _, s21 = signal.freqs(b, a, 2 * np.pi * AXIS)
    s = np.zeros((AXIS.size, 2, 2), dtype=complex)
    s[:, 1, 0] = s21
    network = skrf.Network(frequency=skrf.Frequency.from_f(AXIS, unit="hz"), s=s)
    found = group_delay(AXIS, s21)
    assert found.delay_s == pytest.approx(network.group_delay[:, 1, 0].real, rel=1e-6)
    at_centre = float(found.delay_s[np.abs(AXIS - 145e6).argmin()])
    assert at_centre == pytest.approx(2 * 2 / (2 * np.pi * 4e6), rel=0.01)


def test_too_coarse_a_step_is_refused() -> None:
    """100 kHz steps carry 2.5 µs at 90°; a line of 3 µs gives no value and says what to do."""
    found = group_delay(AXIS, line(AXIS, 3e-6))
    assert found.longest_delay_s == pytest.approx(2.5e-6)
    assert found.undersampled.all()
    assert np.isnan(found.delay_s).all()
    assert found.notes == ("most steps turn the phase by more than 90°: sweep with a finer step",)


def test_turns_lost_without_a_sign_show_as_negative_delay() -> None:
    """9 µs at 100 kHz is 0.9 of a turn each step, which looks like −1 µs."""
    found = group_delay(AXIS, line(AXIS, 9e-6))
    assert float(np.median(found.delay_s)) == pytest.approx(-1e-6)
    assert "whole turns were probably lost" in found.notes[0]


def test_a_jump_of_phase_costs_its_own_place_only() -> None:
    """As at a transmission zero: no delay in the two apertures over the jump, the rest stands."""
    s21 = line(AXIS, 1e-8)
    s21[50:] *= -1
    found = group_delay(AXIS, s21)
    assert np.flatnonzero(np.isnan(found.delay_s)).tolist() == [49, 50]
    assert found.notes == ("1 steps turn the phase by more than 90°: no delay is given there",)
    wide = group_delay(AXIS, s21, aperture_hz=1e6)
    lost = np.flatnonzero(wide.undersampled)
    assert (lost.min(), lost.max()) == (45, 54)
    assert wide.delay_s[5:45] == pytest.approx(1e-8, rel=1e-9)


@pytest.mark.parametrize("nothing", [complex(np.nan, 0), 0.0], ids=["NaN", "zero"])
def test_missing_levels_cost_their_neighbours_only(nothing: complex) -> None:
    s21 = line(AXIS, 1e-8)
    s21[20] = nothing
    found = group_delay(AXIS, s21)
    assert np.flatnonzero(np.isnan(found.delay_s)).tolist() == [19, 20, 21]
    assert found.delay_s[30] == pytest.approx(1e-8, rel=1e-9)
    assert not found.undersampled.any()


def test_aperture_is_stated_per_point() -> None:
    axis = np.array([1e6, 2e6, 4e6, 5e6])
    found = group_delay(axis, line(axis, 1e-8))
    assert found.aperture_hz.tolist() == [1e6, 3e6, 3e6, 1e6]
    assert found.delay_s == pytest.approx(1e-8, rel=1e-9)


@pytest.mark.parametrize("aperture_hz", [None, 1e6])
def test_stated_noise_is_the_noise(aperture_hz: float | None) -> None:
    """Complex noise 40 dB down: the scatter over 300 sweeps is the stated uncertainty."""
    rng = np.random.default_rng(2)
    values = []
    sigma = 0.8 * 0.01
    for _ in range(300):
        noise = rng.normal(size=(AXIS.size, 2)) @ np.array([1.0, 1.0j]) * sigma / math.sqrt(2)
        s21 = line(AXIS, 1e-8) + noise
        values.append(group_delay(AXIS, s21, aperture_hz=aperture_hz).delay_s)
    u_db = 20 / math.log(10) * sigma / 0.8 / math.sqrt(2)
    stated = group_delay(AXIS, line(AXIS, 1e-8), aperture_hz=aperture_hz, u_db=u_db)
    assert stated.u_delay_s is not None
    middle = slice(20, 80)
    scatter = np.std(np.array(values)[:, middle], axis=0).mean()
    assert scatter == pytest.approx(float(stated.u_delay_s[50]), rel=0.05)


@pytest.mark.parametrize(
    ("axis", "aperture_hz", "message"),
    [
        ([1e6], None, "two points"),
        ([1e6, 1e6], None, "rise from point to point"),
        ([2e6, 1e6], None, "rise from point to point"),
        ([1e6, 2e6], 0.5e6, "must not be below the step"),
    ],
    ids=["one point", "twice", "falling", "aperture"],
)
def test_bad_input_is_refused(axis: list[float], aperture_hz: float | None, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        group_delay(axis, np.ones(len(axis), dtype=complex), aperture_hz=aperture_hz)
