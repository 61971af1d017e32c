"""A transmitter's fundamental, its harmonics, and what else it puts out.

The scenes are those of a hand-held of 5 W on marine channel 16 behind its pads.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.bandpower import enb_hz
from acqd.measure.designator import bandwidth_from_text, bandwidth_text, designator, fsk_hz
from acqd.measure.emission import find_fundamental, key_threshold_dbm, keyed
from acqd.measure.peaks import Bound, filter_loss_db
from acqd.measure.products import (
    ProductKind,
    Window,
    harmonic_level,
    harmonic_window,
    harmonics_hz,
    in_reference_bandwidth,
    kind_of_product,
)
from acqd.measure.spurious import PRODUCTS_LIMIT, spurious_search

Float = NDArray[np.float64]

CARRIER_HZ = 156.8e6
FLOOR_DBM = -100.0


def scene(
    lines: dict[float, float],
    *,
    rbw_hz: float = 1e3,
    step_hz: float = 300.0,
    span_hz: float = 200e3,
    centre_hz: float = CARRIER_HZ,
    averages: float | None = None,
    rng: np.random.Generator | None = None,
) -> tuple[Float, Float]:
    """Lines (frequency: level) through a Gaussian filter on a floor, with noise if asked for.

    With noise each point is Gaussian noise plus a steady line, averaged in power.
    """
    axis = centre_hz + np.arange(-span_hz / 2, span_hz / 2 + step_hz / 2, step_hz)
    clean = np.full(axis.size, 1e-30)
    for at_hz, level in lines.items():
        clean += 10 ** ((level - filter_loss_db(axis - at_hz, rbw_hz)) / 10)
    floor = 10 ** (FLOOR_DBM / 10)
    if rng is None or averages is None:
        return axis, np.asarray(10 * np.log10(clean + floor))
    parts = rng.normal(size=(2, int(averages), axis.size)) * math.sqrt(floor / 2)
    power = (np.sqrt(clean) + parts[0]) ** 2 + parts[1] ** 2
    return axis, np.asarray(10 * np.log10(power.mean(axis=0)))


# --- the fundamental ---


def test_lone_carrier_is_found_between_points() -> None:
    """Frequency, level, and that the level is the channel's power, equal to the peak's."""
    axis, level = scene({CARRIER_HZ + 137.0: -10.0})
    level.setflags(write=False)
    search = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM)
    found = search.fundamental
    assert found is not None
    assert found.peak.frequency_hz == pytest.approx(CARRIER_HZ + 137.0, abs=0.1)
    assert found.centre_hz == pytest.approx(CARRIER_HZ + 137.0, abs=3 * found.u_centre_hz)
    assert found.level_dbm == pytest.approx(-10.0, abs=0.01)
    assert found.level_from == "channel"
    assert not found.cut_off
    assert found.notes == ()


def test_modulated_emission_has_the_power_of_its_channel() -> None:
    """Lines 3 kHz apart, −3 dB and twice −9 dB: the peak holds half the power, the channel all."""
    lines = {CARRIER_HZ - 3e3: -16.02, CARRIER_HZ: -13.01, CARRIER_HZ + 3e3: -16.02}
    axis, level = scene(lines)
    found = find_fundamental(
        axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, necessary_hz=16e3
    ).fundamental
    assert found is not None
    assert found.peak.level_db == pytest.approx(-13.01, abs=0.01)
    assert found.level_dbm == pytest.approx(-10.0, abs=0.01)
    assert found.high_hz - found.low_hz == pytest.approx(16e3)
    assert found.centre_hz == pytest.approx(CARRIER_HZ, abs=1.0)


def test_wide_steps_leave_the_peak() -> None:
    """No channel power from points 2 RBW apart; the level is the peak's, and says so."""
    axis, level = scene({CARRIER_HZ: -10.0}, step_hz=2e3)
    found = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM).fundamental
    assert found is not None
    assert found.level_from == "peak"
    assert found.level_reason is not None and "more than half the RBW" in found.level_reason
    assert found.level_dbm == pytest.approx(-10.0)
    assert found.u_level_db > 5.0


def test_search_keeps_to_where_the_carrier_is_expected() -> None:
    """A stronger one elsewhere is named, not taken."""
    axis, level = scene({CARRIER_HZ: -20.0, CARRIER_HZ + 60e3: -5.0})
    near = {"expected_hz": CARRIER_HZ, "search_hz": 10e3}
    found = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, **near).fundamental
    assert found is not None
    assert found.peak.frequency_hz == pytest.approx(CARRIER_HZ, abs=1.0)
    (note,) = found.notes
    assert "156.860 MHz is 15.0 dB against this one, outside the search" in note
    anywhere = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM).fundamental
    assert anywhere is not None and anywhere.notes == ()


def test_skirt_of_something_stronger_is_no_peak() -> None:
    """The highest point of the search is at its edge, where the level still rises."""
    axis, level = scene({CARRIER_HZ + 10.2e3: -5.0})
    found = find_fundamental(
        axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, expected_hz=CARRIER_HZ, search_hz=9.5e3
    ).fundamental
    assert found is not None
    assert found.peak.bias_hz is None
    assert found.peak.reason is not None and "end of the sweep" in found.peak.reason


@pytest.mark.parametrize(
    ("lines", "more", "reason"),
    [
        ({}, {}, "nothing stands 20 dB over the floor; the strongest is 0.0 dB"),
        ({CARRIER_HZ: -85.0}, {}, "the strongest is 15.0 dB over it"),
        ({CARRIER_HZ: -10.0}, {"expected_hz": 170e6, "search_hz": 1e3}, "no levels near 170.000"),
    ],
)
def test_no_transmitter_on_the_input(
    lines: dict[float, float], more: dict[str, Any], reason: str
) -> None:
    """And why none was found."""
    axis, level = scene(lines)
    search = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, **more)
    assert search.fundamental is None
    assert search.reason is not None and reason in search.reason


def test_gaps_are_not_looked_at_and_nothing_is_found_in_nothing() -> None:
    """NaN beside the carrier, NaN everywhere, no points; the floor from the sweep itself."""
    axis, level = scene({CARRIER_HZ: -10.0}, averages=1.0, rng=np.random.default_rng(1))
    gappy = level.copy()
    gappy[:200] = math.nan
    search = find_fundamental(axis, gappy, rbw_hz=1e3)
    assert search.fundamental is not None
    assert search.floor_dbm == pytest.approx(FLOOR_DBM, abs=1.0)
    empty = find_fundamental(axis[:0], level[:0], rbw_hz=1e3)
    nothing = find_fundamental(axis, np.full(axis.size, math.nan), rbw_hz=1e3)
    assert empty.reason == nothing.reason == "no levels"
    with pytest.raises(ValueError, match="of one length"):
        find_fundamental(axis, level[1:], rbw_hz=1e3)


def test_carrier_at_the_end_of_the_sweep_is_cut_off() -> None:
    """Part of it nobody has seen."""
    axis, level = scene({CARRIER_HZ + 100e3: -10.0})
    found = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM).fundamental
    assert found is not None and found.cut_off


def test_stated_uncertainty_of_the_centre_covers(rng: np.random.Generator) -> None:
    """±2u holds the carrier's frequency in 200 noisy sweeps; u is below 0.2 RBW."""
    inside = 0
    for _ in range(200):
        at_hz = CARRIER_HZ + rng.uniform(-150, 150)
        axis, level = scene({at_hz: -60.0}, averages=1.0, rng=rng)
        found = find_fundamental(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM).fundamental
        assert found is not None
        assert found.u_centre_hz < 200.0
        inside += abs(found.centre_hz - at_hz) <= 2 * found.u_centre_hz
    assert inside / 200 > 0.92


# --- keyed or not ---


@pytest.mark.parametrize(
    ("strongest", "was_keyed", "now"),
    [(-49.0, False, True), (-51.0, False, False), (-55.0, True, True), (-57.0, True, False)],
)
def test_key_is_seen_with_hysteresis(strongest: float, was_keyed: bool, now: bool) -> None:
    """Down above −50 dBm, up again below −56."""
    axis, level = scene({CARRIER_HZ: strongest})
    found = keyed(axis, level, threshold_dbm=-50.0, was_keyed=was_keyed)
    assert found.keyed is now
    assert found.changed is (now != was_keyed)
    assert found.strongest_hz == pytest.approx(CARRIER_HZ, abs=150.0)


def test_key_without_levels_is_not_known() -> None:
    """A sweep of nothing says nothing."""
    found = keyed(np.arange(3.0), np.full(3, math.nan), threshold_dbm=-50.0, was_keyed=True)
    assert (found.keyed, found.changed, found.strongest_dbm) == (None, False, None)
    with pytest.raises(ValueError, match="hysteresis_db"):
        keyed(np.arange(3.0), np.zeros(3), threshold_dbm=0.0, hysteresis_db=-1.0)


def test_key_threshold_lies_halfway_or_nowhere() -> None:
    """Idle and keyed must lie 20 dB apart."""
    assert key_threshold_dbm(-90.0, -20.0) == -55.0
    assert key_threshold_dbm(-30.0, -20.0) is None


# --- harmonics ---


def test_harmonics_up_to_where_the_sweeper_ends() -> None:
    """2f, 3f …"""
    assert harmonics_hz(156.8e6, 9, 500e6) == pytest.approx((313.6e6, 470.4e6))
    assert len(harmonics_hz(156.8e6, 9)) == 9
    assert harmonics_hz(156.8e6, 0) == ()
    with pytest.raises(ValueError, match="fundamental above 0"):
        harmonics_hz(0.0, 3)


def test_window_of_a_harmonic_grows_with_its_order() -> None:
    """n·(2u + f·ppm + B/2) + 2·RBW to either side."""
    window = harmonic_window(
        100e6, 3, fundamental_u_hz=100.0, sweeper_ppm=2.0, occupied_hz=16e3, rbw_hz=1e3
    )
    assert window.centre_hz == 300e6
    assert window.span_hz == pytest.approx(2 * (3 * (200 + 200 + 8e3) + 2e3))
    assert window.stop_hz - window.start_hz == pytest.approx(window.span_hz)
    with pytest.raises(ValueError, match="order"):
        harmonic_window(100e6, 0)


@pytest.mark.parametrize("over_db", [4.0, 6.0, 10.0, 30.0])
def test_floor_is_taken_out_of_a_harmonic(over_db: float) -> None:
    """A line whose reading stands m dB over the floor is 10 log10(1 − 10^(−m/10)) lower."""
    line_dbm = FLOOR_DBM + 10 * math.log10(10 ** (over_db / 10) - 1)
    axis, level = scene({2 * CARRIER_HZ: line_dbm}, centre_hz=2 * CARRIER_HZ, step_hz=500.0)
    found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, floor_u_db=0.1)
    assert found.level_dbm == pytest.approx(line_dbm, abs=0.2)
    assert found.over_floor_db == pytest.approx(over_db, abs=0.05)
    assert found.bound is Bound.VALUE
    assert found.kind is ProductKind.CARRIER
    assert found.over_dbc(-10.0) == pytest.approx(line_dbm + 10.0, abs=0.2)
    assert found.level_w == pytest.approx(1e-3 * 10 ** (line_dbm / 10), rel=0.05)


def test_harmonic_in_the_floor_is_at_most(rng: np.random.Generator) -> None:
    """Below 3 dB over the floor: the reading and two deviations, which holds the truth."""
    held = 0
    for _ in range(200):
        axis, level = scene(
            {2 * CARRIER_HZ: -103.0},
            centre_hz=2 * CARRIER_HZ,
            span_hz=6e3,
            step_hz=500.0,
            averages=30.0,
            rng=rng,
        )
        found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, averages=30.0)
        assert found.noise_limited is (found.bound is Bound.AT_MOST)
        assert found.level_dbm is not None and found.reading_dbm is not None
        held += found.level_dbm >= -103.0
        if found.noise_limited:
            assert found.level_dbm > found.reading_dbm
            assert found.reason == "less than 3 dB over the floor"
    assert held > 190


def test_bound_of_coarse_steps_holds_what_lies_between_points() -> None:
    """Steps of 2 RBW: a line between two points would read up to 12.04 dB low."""
    axis, level = scene({}, centre_hz=2 * CARRIER_HZ, step_hz=2e3)
    level[50] += 1.0
    found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, averages=1e6)
    assert found.level_dbm == pytest.approx(-99.0 + 12.04, abs=0.02)


@pytest.mark.parametrize("averages", [1.0, 10.0])
@pytest.mark.parametrize("line_dbm", [-88.0, -70.0])
def test_stated_uncertainty_of_a_harmonic_covers(
    rng: np.random.Generator, averages: float, line_dbm: float
) -> None:
    """±2u holds the level of 200 noisy harmonics 85 to 99.9 % of the time.

    The highest point near a line is chosen with its noise, so single readings lean upwards.
    """
    inside = 0
    for _ in range(200):
        at_hz = 2 * CARRIER_HZ + rng.uniform(-250, 250)
        axis, level = scene(
            {at_hz: line_dbm},
            centre_hz=2 * CARRIER_HZ,
            span_hz=20e3,
            step_hz=500.0,
            averages=averages,
            rng=rng,
        )
        found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, averages=averages)
        assert found.level_dbm is not None and found.u_db is not None
        inside += abs(found.level_dbm - line_dbm) <= 2 * found.u_db
    assert 0.85 < inside / 200 < 1.0


def test_wide_harmonic_has_its_whole_power() -> None:
    """16 kHz of noise-like power: the level is its sum, not the peak of the filter."""
    axis, level = scene({}, centre_hz=2 * CARRIER_HZ)
    level[np.abs(axis - 2 * CARRIER_HZ) < 8e3] = -60.0
    found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM)
    assert found.kind is ProductKind.NOISE_LIKE
    assert found.level_dbm == pytest.approx(-60 + 10 * math.log10(16e3 / enb_hz(1e3)), abs=0.1)


def test_window_limits_what_is_looked_at() -> None:
    """A stronger line outside the window is not the harmonic; outside the sweep there is none."""
    axis, level = scene(
        {2 * CARRIER_HZ: -60.0, 2 * CARRIER_HZ + 50e3: -20.0}, centre_hz=2 * CARRIER_HZ
    )
    window = Window(centre_hz=2 * CARRIER_HZ, span_hz=20e3)
    found = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, window=window)
    assert found.level_dbm == pytest.approx(-60.0, abs=0.01)
    beyond = Window(centre_hz=3 * CARRIER_HZ, span_hz=20e3)
    none = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=FLOOR_DBM, window=beyond)
    assert (none.level_dbm, none.level_w, none.over_dbc(0.0)) == (None, None, None)
    assert none.reason == "the sweep has no levels there"
    unknown = harmonic_level(axis, level, rbw_hz=1e3, floor_dbm=None, window=window)
    assert unknown.level_dbm == pytest.approx(-60.0, abs=0.01)
    assert unknown.over_floor_db is None


# --- bandwidths of products ---


@pytest.mark.parametrize(
    ("kind", "reference_hz", "width_hz", "change_db"),
    [
        (ProductKind.CARRIER, 100e3, None, 0.0),
        (ProductKind.NOISE_LIKE, 10e3, None, 10 * math.log10(10 / 1.06447)),
        (ProductKind.NOISE_LIKE, 100.0, None, 10 * math.log10(0.1 / 1.06447)),
        (ProductKind.NOISE_LIKE, 100e3, 5e3, 10 * math.log10(5 / 1.06447)),
        (ProductKind.UNKNOWN, 10e3, None, 10 * math.log10(10 / 1.06447)),
        (ProductKind.UNKNOWN, 100.0, None, 0.0),
    ],
)
def test_level_in_a_reference_bandwidth(
    kind: ProductKind, reference_hz: float, width_hz: float | None, change_db: float
) -> None:
    """Noise follows the bandwidth up to its own width, a line stays; unknown: the worse of both."""
    found = in_reference_bandwidth(
        -50.0,
        kind=kind,
        rbw_hz=1e3,
        reference_hz=reference_hz,
        equivalent_width_hz=width_hz,
    )
    assert found == pytest.approx(-50.0 + change_db, abs=1e-4)
    with pytest.raises(ValueError, match="must be above 0"):
        in_reference_bandwidth(-50.0, kind=kind, rbw_hz=0.0, reference_hz=1e3)


def test_kind_follows_from_width_over_filter() -> None:
    """1.5 ENB parts lines from noise; without figures it is not known."""
    assert kind_of_product(1.1e3, 1e3) is ProductKind.CARRIER
    assert kind_of_product(1.7e3, 1e3) is ProductKind.NOISE_LIKE
    assert kind_of_product(None, 1e3) is kind_of_product(1e3, None) is ProductKind.UNKNOWN


# --- what else there is ---


def search(axis: Float, level: Float, **more: Any) -> Any:
    settings = {"threshold_dbm": -70.0, "floor_dbm": FLOOR_DBM, "rbw_hz": 1e3, "averages": 1e3}
    return spurious_search(axis, level, **(settings | more))


def test_products_outside_the_emission_are_found_strongest_first() -> None:
    """The fundamental's band is left out; what stands 30 dB over the floor is not missed."""
    lines = {CARRIER_HZ: -10.0, CARRIER_HZ + 50e3: -60.0, CARRIER_HZ - 70e3: -55.0}
    axis, level = scene(lines)
    level.setflags(write=False)
    found = search(axis, level, excluded_hz=[(CARRIER_HZ - 10e3, CARRIER_HZ + 10e3)])
    assert [one.frequency_hz for one in found.products] == pytest.approx(
        [CARRIER_HZ - 70e3, CARRIER_HZ + 50e3], abs=1.0
    )
    assert [one.level_dbm for one in found.products] == pytest.approx([-55.0, -60.0], abs=0.01)
    first = found.products[0]
    assert first.over_dbc(-10.0) == pytest.approx(-45.0, abs=0.01)
    assert first.level_w == pytest.approx(10**-8.5, rel=0.01)
    assert first.kind is ProductKind.CARRIER
    assert first.width_hz > 1e3
    assert not (first.beside_excluded or first.cut_off)
    assert found.searched_hz + found.excluded_hz == pytest.approx(200.3e3, abs=600.0)
    assert (found.missing_hz, found.blind_hz, found.dropped) == (0.0, 0.0, 0)


def test_skirt_beside_an_excluded_range_says_so() -> None:
    """It may be the emission itself."""
    axis, level = scene({CARRIER_HZ: -10.0})
    found = search(axis, level, excluded_hz=[(CARRIER_HZ - 1.5e3, CARRIER_HZ + 1.5e3)])
    assert len(found.products) == 2
    assert all(one.beside_excluded for one in found.products)


def test_runs_closer_than_the_rbw_are_one_product() -> None:
    """Not across something that was left out or not seen."""
    axis, level = scene({}, step_hz=300.0)
    level[100] = level[103] = -50.0
    assert len(search(axis, level).products) == 1
    assert len(search(axis, level, rbw_hz=500.0).products) == 2
    assert len(search(axis, level, rbw_hz=None).products) == 2
    level[101] = math.nan
    assert len(search(axis, level).products) == 2
    assert search(axis, level).products[0].cut_off


def test_more_products_than_the_limit_are_counted() -> None:
    """A comb of 100 lines: the strongest 64, and 36 that are not shown."""
    axis = CARRIER_HZ + 500.0 * np.arange(1001)
    level = np.full(1001, FLOOR_DBM)
    level[5:1000:10] = -60.0 + 0.1 * np.arange(100)
    found = search(axis, level)
    assert len(found.products) == PRODUCTS_LIMIT
    assert found.dropped == 36
    assert found.products[0].level_dbm == pytest.approx(-50.1, abs=0.01)


def test_wide_product_is_noise_like() -> None:
    """A hump of 20 kHz; its width is told."""
    axis, level = scene({})
    level[np.abs(axis - CARRIER_HZ) < 10e3] = -50.0
    (found,) = search(axis, level).products
    assert found.kind is ProductKind.NOISE_LIKE
    assert found.equivalent_width_hz == pytest.approx(20e3, rel=0.03)
    assert found.note is not None and "equal" in found.note


def test_search_says_where_the_floor_hides_the_threshold() -> None:
    """Asked for −97 dBm with the floor at −100: nothing below −94 can be seen."""
    axis, level = scene({CARRIER_HZ: -97.0})
    blind = search(axis, level, threshold_dbm=-97.0)
    assert blind.products == ()
    assert blind.blind_hz == pytest.approx(blind.searched_hz)
    sloping = np.where(axis < CARRIER_HZ, -97.0, -70.0)
    assert 0 < search(axis, level, threshold_dbm=sloping).blind_hz < blind.blind_hz


@pytest.mark.parametrize("points", [0, 1])
def test_search_of_nothing_finds_nothing(points: int) -> None:
    """An empty sweep, a single point without a width."""
    found = search(np.arange(float(points)), np.full(points, -50.0))
    assert found.searched_hz == 0.0
    assert len(found.products) == points


def test_search_in_nothing_but_gaps() -> None:
    """All missing, all excluded; and a range that is none."""
    axis, level = scene({})
    gaps = search(axis, np.full(axis.size, math.nan))
    assert gaps.products == () and gaps.searched_hz == 0.0 and gaps.missing_hz > 0
    out = search(axis, level, excluded_hz=[(0.0, 1e9)])
    assert out.products == () and out.searched_hz == 0.0
    with pytest.raises(ValueError, match="ends before it starts"):
        search(axis, level, excluded_hz=[(2.0, 1.0)])


def test_noise_alone_is_rarely_a_product(rng: np.random.Generator) -> None:
    """Ten averages, 13 dB over the floor: none in 200 sweeps of 667 points."""
    total = 0
    for _ in range(200):
        axis, level = scene({}, averages=10.0, rng=rng)
        total += len(search(axis, level, threshold_dbm=-87.0, averages=10.0).products)
    assert total == 0


# --- designators ---


@pytest.mark.parametrize(
    ("text", "bandwidth_hz"),
    [("H002", 0.002), ("25h3", 25.3), ("2K40J3E", 2.4e3), ("16K0F3E", 16e3), ("5G65", 5.65e9)],
)
def test_designators_are_read(text: str, bandwidth_hz: float) -> None:
    """The first four characters, in either case."""
    assert bandwidth_from_text(text) == pytest.approx(bandwidth_hz)


@pytest.mark.parametrize("text", ["", "16K", "0K12", "K160", "1600", "16X0", "1K2M"])
def test_other_texts_are_not(text: str) -> None:
    """No letter, a letter first, a leading zero."""
    with pytest.raises(ValueError, match="16K0"):
        bandwidth_from_text(text)


def test_every_bandwidth_comes_back(rng: np.random.Generator) -> None:
    """Within half a unit of the third digit, over fifteen decades."""
    for bandwidth_hz in 10 ** rng.uniform(0, 11.9, 500):
        assert bandwidth_from_text(bandwidth_text(bandwidth_hz)) == pytest.approx(
            bandwidth_hz, rel=0.00501
        )


@pytest.mark.parametrize(
    "call",
    [
        lambda: bandwidth_text(0.0),
        lambda: bandwidth_text(999.6e9),
        lambda: bandwidth_text(1e14),
        lambda: bandwidth_text(math.nan),
        lambda: designator(16e3, "FM"),
        lambda: fsk_hz(0.0, 170.0),
    ],
)
def test_senseless_designators_are_refused(call: Any) -> None:
    """Too narrow, too wide, no class of emission."""
    with pytest.raises(ValueError):
        call()
