"""Best match, SWR widths and named frequencies of loads whose answers are known."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.match import (
    Bandwidth,
    Match,
    at_frequencies,
    best_match,
    bounded_text,
    resonances,
)
from acqd.measure.reflection import Reflection, vector_reflection
from acqd.measure.reflection_change import match_change

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

CENTRE_HZ = 156.8e6
AXIS_HZ = np.linspace(142e6, 174e6, 641)


def whip(
    frequency_hz: Float, *, centre_hz: float = CENTRE_HZ, q: float = 12.0, r_ohm: float = 42.0
) -> Complex:
    """A series resonance in 50 Ω: a quarter-wave whip near its best frequency."""
    x_ohm = r_ohm * q * (frequency_hz / centre_hz - centre_hz / frequency_hz)
    z = r_ohm + 1j * x_ohm
    return np.asarray((z - 50.0) / (z + 50.0))


def trace_of(
    s11: Complex | Float, *, directivity_db: float = 200.0, source_match_db: float = 200.0
) -> Reflection:
    return vector_reflection(
        np.asarray(s11, np.complex128),
        directivity_db=directivity_db,
        source_match_db=source_match_db,
    )


def found(frequency_hz: Float, s11: Complex | Float, **how: Any) -> Match:
    match = best_match(frequency_hz, trace_of(s11, **how))
    assert match is not None
    return match


def width(match: Match, swr: float) -> Bandwidth:
    (one,) = (bandwidth for bandwidth in match.bandwidths if bandwidth.swr == swr)
    return one


def exact_edges_hz(swr: float, *, q: float = 12.0, r_ohm: float = 42.0) -> tuple[float, float]:
    """Where |Γ|² = ((r − 1)² + x²)/((r + 1)² + x²) comes to ρ², all in 50 Ω."""
    rho2 = ((swr - 1) / (swr + 1)) ** 2
    r = r_ohm / 50.0
    x2 = (rho2 * (r + 1) ** 2 - (r - 1) ** 2) / (1 - rho2)
    ratio = math.sqrt(x2) / (r * q)
    up = ratio / 2 + math.sqrt(1 + ratio**2 / 4)
    return CENTRE_HZ / up, CENTRE_HZ * up


def test_best_match_of_a_resonance() -> None:
    """8 Ω too little: SWR 50/42 at the centre, which lies between two points of the sweep."""
    axis_hz = AXIS_HZ + 17e3
    match = found(axis_hz, whip(axis_hz))
    assert match.frequency_hz == pytest.approx(CENTRE_HZ, abs=100.0)
    assert match.interpolated and not match.at_edge
    assert match.value.magnitude_low <= match.value.magnitude < match.value.magnitude_high
    assert match.value.vswr == pytest.approx(50 / 42, abs=2e-4)
    assert match.value.return_loss_db == pytest.approx(21.214, abs=5e-3)


@pytest.mark.parametrize("swr", [1.5, 2.0, 3.0])
def test_swr_widths_of_a_resonance(swr: float) -> None:
    match = found(AXIS_HZ, whip(AXIS_HZ))
    low_hz, high_hz = exact_edges_hz(swr)
    bandwidth = width(match, swr)
    assert bandwidth.reached
    assert bandwidth.low_hz == pytest.approx(low_hz, abs=300.0)
    assert bandwidth.high_hz == pytest.approx(high_hz, abs=300.0)
    assert bandwidth.width_hz == pytest.approx(high_hz - low_hz, abs=500.0)
    # Hardly any leakage: both bounds say the same.
    assert bandwidth.least_width_hz == pytest.approx(bandwidth.width_hz, rel=1e-6)
    assert bandwidth.most_width_hz == pytest.approx(bandwidth.width_hz, rel=1e-6)


def test_power_is_the_better_parabola() -> None:
    """On a coarse sweep of a deep match, a parabola through dB misses by more."""
    worst = {"power": 0.0, "dB": 0.0}
    for shift in np.linspace(-0.4, 0.4, 9):
        axis_hz = CENTRE_HZ + 500e3 * (np.arange(-10, 11) + shift)
        s11 = whip(axis_hz, r_ohm=47.0)
        match = found(axis_hz, s11)
        loss = -20 * np.log10(np.abs(s11))
        i = int(loss.argmax())
        step = 0.5 * (loss[i - 1] - loss[i + 1]) / (loss[i - 1] - 2 * loss[i] + loss[i + 1])
        in_db_hz = axis_hz[i] + step * 500e3
        worst["power"] = max(worst["power"], abs(match.frequency_hz - CENTRE_HZ))
        worst["dB"] = max(worst["dB"], abs(in_db_hz - CENTRE_HZ))
    assert worst["power"] < 1e3 < 30e3 < worst["dB"]


@pytest.mark.parametrize(
    ("before", "after"),
    [(0.2, 0.1), (0.10198, 0.063246)],
    ids=["below nothing", "7 % of the power"],
)
def test_no_parabola_where_it_would_invent_a_match(before: float, after: float) -> None:
    """A near-perfect match between two points: the sample stands, as it is."""
    match = found(np.arange(5) * 1e6, np.array([0.5, before, 0.02, after, 0.5]))
    assert not match.interpolated
    assert (match.frequency_hz, match.value.magnitude) == (2e6, pytest.approx(0.02))


@pytest.mark.parametrize("falls", [True, False])
def test_a_best_match_at_the_end_may_be_better_beyond(falls: bool) -> None:
    s11 = np.linspace(0.9, 0.1, 9)
    match = found(np.arange(1, 10) * 1e6, s11 if falls else s11[::-1])
    assert match.at_edge and not match.interpolated
    assert match.frequency_hz == (9e6 if falls else 1e6)
    assert "at the end of the sweep: it may be better beyond" in str(match)
    bandwidth = width(match, 2.0)
    known, beyond = bandwidth.low_hz, bandwidth.high_hz
    known, beyond = (known, beyond) if falls else (beyond, known)
    assert beyond is None and known is not None
    assert bandwidth.width_hz is None and bandwidth.most_width_hz is None
    assert bandwidth.least_width_hz == pytest.approx(abs(match.frequency_hz - known), rel=1e-6)


def test_an_edge_at_a_missing_level_is_not_guessed() -> None:
    s11 = whip(AXIS_HZ)
    s11[np.searchsorted(AXIS_HZ, 157.2e6) :] = np.nan
    bandwidth = width(found(AXIS_HZ, s11), 2.0)
    assert bandwidth.low_hz is not None
    assert bandwidth.high_hz is None and bandwidth.width_hz is None


def test_a_match_that_is_never_that_good_has_no_width() -> None:
    match = found(AXIS_HZ, whip(AXIS_HZ, r_ohm=28.0))
    assert match.value.vswr == pytest.approx(50 / 28, abs=1e-3)
    assert not width(match, 1.5).reached
    assert width(match, 1.5).width_hz == 0.0
    assert width(match, 2.0).reached


def test_bounds_of_a_width() -> None:
    """Least and most are the widths of a load ρ ± d."""
    s11, d = whip(AXIS_HZ), 10 ** (-30 / 20)
    bandwidth = width(found(AXIS_HZ, s11, directivity_db=30.0), 2.0)
    rho = np.abs(s11)
    for bound, shifted in (
        (bandwidth.least_width_hz, rho + d),
        (bandwidth.most_width_hz, np.maximum(rho - d, 0)),
    ):
        assert bound == pytest.approx(width(found(AXIS_HZ, shifted), 2.0).width_hz, rel=1e-6)
    assert bandwidth.most_width_hz is not None and bandwidth.width_hz is not None
    assert bandwidth.least_width_hz < bandwidth.width_hz < bandwidth.most_width_hz


def test_true_best_frequency_lies_within_its_bounds() -> None:
    """200 bridges that leak 25 dB down, phases random: the dip is moved, its bounds allow it."""
    moved = 0.0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        leak = 10 ** (-25 / 20) * np.exp(1j * (rng.uniform(0, 2 * np.pi) + AXIS_HZ / 3e6))
        trace = trace_of(whip(AXIS_HZ) + leak, directivity_db=25.0)
        match = best_match(AXIS_HZ, trace)
        assert match is not None
        assert match.frequency_low_hz <= CENTRE_HZ <= match.frequency_high_hz
        assert match.frequency_low_hz <= match.frequency_hz <= match.frequency_high_hz
        assert match.value.magnitude_low <= 8 / 92 <= match.value.magnitude_high + 1e-9
        narrow, wide = width(match, 2.0).least_width_hz, width(match, 2.0).most_width_hz
        low_hz, high_hz = exact_edges_hz(2.0)
        assert wide is not None and narrow <= high_hz - low_hz <= wide
        moved = max(moved, abs(match.frequency_hz - CENTRE_HZ))
    assert moved > 100e3


def test_the_best_frequency_may_be_wherever_the_bounds_meet() -> None:
    """ρ − d at most the smallest ρ + d, out to half a step."""
    rho, d = np.abs(whip(AXIS_HZ)), 10 ** (-30 / 20)
    match = found(AXIS_HZ, rho, directivity_db=30.0)
    possible_hz = AXIS_HZ[rho - d <= rho.min() + d]
    assert match.frequency_low_hz == pytest.approx(possible_hz[0] - 25e3)
    assert match.frequency_high_hz == pytest.approx(possible_hz[-1] + 25e3)


# --- several --------------------------------------------------------------------------------------


def two_bands(frequency_hz: Float) -> Complex:
    """A trap aerial: two resonances, in each the load that is nearer to it."""
    low, high = whip(frequency_hz, centre_hz=152e6, q=60), whip(frequency_hz, centre_hz=161e6, q=60)
    return np.where(np.abs(low) < np.abs(high), low, high)


def test_every_resonance_is_told() -> None:
    matches = resonances(AXIS_HZ, trace_of(two_bands(AXIS_HZ)))
    assert [match.frequency_hz for match in matches] == pytest.approx([152e6, 161e6], abs=2e3)
    for match in matches:
        one = width(match, 2.0)
        assert one.low_hz is not None and one.high_hz is not None
        assert one.low_hz < match.frequency_hz < one.high_hz
        assert one.high_hz - one.low_hz < 3e6
    assert best_match(AXIS_HZ, trace_of(two_bands(AXIS_HZ))) is not None


def test_ripple_makes_no_resonances() -> None:
    s11 = np.abs(whip(AXIS_HZ)) * (1 + 0.05 * np.sin(AXIS_HZ / 60e3))
    assert len(resonances(AXIS_HZ, trace_of(s11))) == 1
    assert len(resonances(AXIS_HZ, trace_of(s11), prominence_db=0.01)) > 5


def test_a_poor_dip_is_no_resonance() -> None:
    trace = trace_of(whip(AXIS_HZ, r_ohm=10.0))
    assert resonances(AXIS_HZ, trace) == ()
    assert len(resonances(AXIS_HZ, trace, largest_swr=6.0)) == 1


def test_a_flat_match_counts_once() -> None:
    """A dummy load: nothing rises anywhere, the first of the equals stands for all."""
    matches = resonances(AXIS_HZ, trace_of(np.full(AXIS_HZ.size, 0.05)))
    assert len(matches) == 1
    assert matches[0].at_edge
    assert width(matches[0], 1.5).width_hz is None
    assert width(matches[0], 1.5).least_width_hz == pytest.approx(32e6)


def test_missing_levels_split_the_sweep() -> None:
    s11 = two_bands(AXIS_HZ)
    s11[np.searchsorted(AXIS_HZ, 161e6)] = np.nan
    matches = resonances(AXIS_HZ, trace_of(s11))
    assert len(matches) == 3
    assert [match.at_edge for match in matches] == [False, True, True]


# --- named frequencies ----------------------------------------------------------------------------


def test_values_at_named_frequencies() -> None:
    trace = trace_of(np.array([0.1, 0.2, np.nan, 0.4]), directivity_db=40.0)
    axis_hz = np.array([156e6, 157e6, 158e6, 159e6])
    half, at, missing, beyond = at_frequencies(
        axis_hz, trace, {"a": 156.5e6, "channel 16": 157e6, "b": 158.5e6, "c": 160e6}
    )
    assert half.value is not None and at.value is not None
    assert half.value.magnitude == pytest.approx(0.15)
    assert half.value.magnitude_low == pytest.approx(0.14, abs=1e-3)
    assert at.name == "channel 16"
    assert at.value.vswr == pytest.approx(1.5)
    assert (missing.value, missing.reason) == (None, "levels are missing there")
    assert (beyond.value, beyond.reason) == (None, "the sweep does not reach there")


def test_an_unbounded_neighbour_gives_an_unbounded_value() -> None:
    trace = trace_of(np.array([0.1, 0.9, 0.1]), directivity_db=10.0, source_match_db=3.0)
    values = at_frequencies(np.array([1e6, 2e6, 3e6]), trace, {"on": 1e6, "beside": 1.5e6})
    on, beside = (one.value for one in values)
    assert on is not None and beside is not None
    assert math.isfinite(on.magnitude_high) and math.isinf(beside.magnitude_high)
    assert beside.return_loss_low_db == -math.inf


# --- texts, ends, refusals ------------------------------------------------------------------------


def test_texts() -> None:
    sure = found(AXIS_HZ, whip(AXIS_HZ), directivity_db=40.0)
    assert str(sure) == (
        "best match at 156.800 MHz: return loss 21.2 dB (20.3 to 22.3), SWR 1.19 (1.17 to 1.21)"
    )
    unsure = found(AXIS_HZ, whip(AXIS_HZ), directivity_db=20.0)
    assert bounded_text(unsure.value) == "return loss at least 14.6 dB, SWR at most 1.46"
    more = found(AXIS_HZ, np.full(641, 1.4), directivity_db=40.0)
    assert bounded_text(more.value).endswith(
        "SWR infinite (infinite to infinite): it reflects more than arrives"
    )
    assert "return loss −2.9 dB" in bounded_text(more.value)


def test_one_point_none_and_nothing() -> None:
    one = found(np.array([156e6]), np.array([0.2]))
    assert one.at_edge and one.frequency_low_hz == one.frequency_high_hz == 156e6
    assert best_match(np.array([]), trace_of(np.array([]))) is None
    assert best_match(np.array([1e6, 2e6]), trace_of(np.array([np.nan, np.nan]))) is None
    assert resonances(np.array([]), trace_of(np.array([]))) == ()
    (nowhere,) = at_frequencies(np.array([]), trace_of(np.array([])), {"a": 1e6})
    assert nowhere.value is None


@pytest.mark.parametrize(
    ("axis_hz", "message"),
    [
        (np.array([1e6]), "frequency_hz and the trace must have one shape"),
        (np.array([2e6, 1e6]), "must rise"),
    ],
)
def test_axes_that_do_not_fit_are_refused(axis_hz: Float, message: str) -> None:
    with pytest.raises(ValueError, match=message):
        best_match(axis_hz, trace_of(np.array([0.1, 0.2])))


def test_no_swr_is_below_one() -> None:
    with pytest.raises(ValueError, match="an SWR is 1 or more"):
        best_match(AXIS_HZ, trace_of(whip(AXIS_HZ)), swr_levels=(0.5,))


# --- change since installation --------------------------------------------------------------------


def test_a_match_that_moved_down_with_its_bounds() -> None:
    then = found(AXIS_HZ, whip(AXIS_HZ), directivity_db=40.0)
    now = found(AXIS_HZ, whip(AXIS_HZ, centre_hz=149.8e6, r_ohm=30.0), directivity_db=40.0)
    change = match_change(now, then)
    assert change.shift_hz == pytest.approx(-7e6, abs=2e3)
    assert change.surely_shifted
    assert change.shift_low_hz < -7e6 < change.shift_high_hz < 0
    assert change.return_loss_change_db == pytest.approx(12.04 - 21.21, abs=0.01)
    assert change.return_loss_low_db < change.return_loss_change_db < change.return_loss_high_db < 0
    assert str(change).startswith("best match moved by −7000.0 kHz (−")
    assert "its return loss by −9.2 dB" in str(change)


def test_a_match_within_its_bounds_has_not_surely_moved() -> None:
    then = found(AXIS_HZ, whip(AXIS_HZ), directivity_db=20.0)
    now = found(AXIS_HZ, whip(AXIS_HZ, centre_hz=156.6e6), directivity_db=20.0)
    change = match_change(now, then)
    assert not change.surely_shifted
    assert change.return_loss_high_db == math.inf
    assert str(change).endswith("(no bound to no bound)")
