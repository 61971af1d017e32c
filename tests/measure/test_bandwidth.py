"""Widths, and when there is none to be told."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, enb_hz
from acqd.measure.bandwidth import (
    Bandwidth,
    filter_occupied_hz,
    obw_breakdown_db,
    occupied_bandwidth,
    x_db_bandwidth,
)
from acqd.measure.peaks import Bound, filter_loss_db

Float = NDArray[np.float64]

CENTRE_HZ = 156.8e6
RBW_HZ = 300.0


def flat(
    span_hz: float = 40e3, step_hz: float = 100.0, width_hz: float = 16e3
) -> tuple[Float, Float]:
    """A flat emission at −40 dBm per RBW, its ends rounded as by the filter, floor at −100 dBm."""
    axis = CENTRE_HZ + np.arange(-span_hz / 2 + step_hz / 2, span_hz / 2, step_hz)
    outside = np.maximum(np.abs(axis - CENTRE_HZ) - width_hz / 2, 0.0)
    power = 10 ** ((-40 - filter_loss_db(outside, RBW_HZ)) / 10) + 1e-10
    return axis, np.asarray(10 * np.log10(power))


def with_noise(level: Float, averages: float, rng: np.random.Generator) -> Float:
    """The same as Gaussian noise of that density, averaged in power."""
    return np.asarray(level + 10 * np.log10(rng.gamma(averages, size=level.size) / averages))


def test_a_good_setting_has_no_notes() -> None:
    """RBW 2 % of the width, span 2.5 times, peak 60 dB over the floor."""
    axis, level = flat()
    level.setflags(write=False)
    occupied = occupied_bandwidth(axis, level, rbw_hz=RBW_HZ, floor_dbm=-100.0, averages=1e4)
    assert occupied.width_hz == pytest.approx(0.99 * 16e3, rel=0.025)
    assert occupied.notes == ()
    assert occupied.reason is None
    assert occupied.bound is Bound.VALUE
    assert occupied.power == pytest.approx(-40 + 10 * math.log10(16e3 / enb_hz(RBW_HZ)), abs=0.1)
    x_db = x_db_bandwidth(axis, level, rbw_hz=RBW_HZ, floor_dbm=-100.0, averages=1e4)
    assert x_db.width_hz == pytest.approx(16e3 + RBW_HZ * math.sqrt(26 / 3.0103), abs=5.0)
    assert x_db.notes == ()
    assert x_db.low_hz is not None and x_db.high_hz is not None
    assert (x_db.low_hz + x_db.high_hz) / 2 == pytest.approx(CENTRE_HZ, abs=0.1)


@pytest.mark.parametrize(
    ("change", "note"),
    [
        ({"rbw_hz": 800.0}, "the RBW is 4.9 % of the width"),
        ({"rbw_hz": 100.0}, "the RBW is 0.62 % of the width"),
        ({"rbw_hz": None}, "the RBW is not known"),
        ({"within_hz": (CENTRE_HZ - 11e3, CENTRE_HZ + 11e3)}, "the span is 1.4 times"),
        ({"floor_dbm": -65.0, "floor_u_db": 0.01}, "the peak is 25 dB over the floor"),
    ],
)
def test_settings_outside_practice_are_noted(change: dict[str, Any], note: str) -> None:
    """With what practice is."""
    axis, level = flat()
    found = occupied_bandwidth(
        axis, level, **({"rbw_hz": RBW_HZ, "floor_dbm": -100.0, "averages": 1e4} | change)
    )
    assert found.width_hz is not None
    assert any(note in one for one in found.notes), found.notes


def test_uneven_steps_give_the_same_widths(rng: np.random.Generator) -> None:
    """Cells count by their width."""
    axis, level = flat(step_hz=50.0)
    keep = rng.random(axis.size) > 0.2
    kept = occupied_bandwidth(
        axis[keep], level[keep], rbw_hz=2 * RBW_HZ, floor_dbm=-100.0, averages=1e4
    )
    every = occupied_bandwidth(axis, level, rbw_hz=2 * RBW_HZ, floor_dbm=-100.0, averages=1e4)
    assert kept.width_hz == pytest.approx(every.width_hz, abs=100.0)
    assert kept.power == pytest.approx(every.power, abs=0.05)


def test_edges_of_a_lopsided_emission_are_each_their_own() -> None:
    """Half a percent outside on either side, by plain summation."""
    axis = np.arange(0.0, 20e3, 10.0)
    power = np.where((axis > 5e3) & (axis < 13e3), 1.0 + (axis - 5e3) / 2e3, 1e-9)
    found = occupied_bandwidth(axis, 10 * np.log10(power), rbw_hz=200.0, averages=1e4)
    within = np.cumsum(power) / power.sum()
    assert found.low_hz == pytest.approx(axis[np.argmax(within > 0.005)], abs=10.0)
    assert found.high_hz == pytest.approx(axis[np.argmax(within > 0.995)], abs=10.0)


@pytest.mark.parametrize("shape", list(FilterShape)[:2])
@pytest.mark.parametrize("measure", [occupied_bandwidth, x_db_bandwidth])
def test_lone_carrier_is_below_the_rbw(shape: FilterShape, measure: Any) -> None:
    """It shows the filter's own width, which is an upper bound and no more."""
    axis = CENTRE_HZ + np.arange(-5e3, 5e3, 50.0)
    level = 10 * np.log10(
        10 ** ((-30 - filter_loss_db(axis - CENTRE_HZ, RBW_HZ, shape)) / 10) + 1e-11
    )
    found = measure(axis, level, rbw_hz=RBW_HZ, floor_dbm=-110.0, averages=1e4, shape=shape)
    assert found.below_rbw
    assert found.bound is Bound.AT_MOST
    assert found.width_hz == pytest.approx(found.filter_hz, rel=0.03)
    assert found.reason is not None and found.reason.startswith("no wider than the filter")
    assert found.without_rbw_hz is None or found.without_rbw_hz < 0.2 * found.filter_hz


def test_filters_with_longer_skirts_occupy_more() -> None:
    """A single pole never ends: its 99 % are 63.7 times its 3 dB width (tan of 0.99 · π/2)."""
    assert filter_occupied_hz(1.0, shape=FilterShape.SINGLE_POLE) == pytest.approx(
        math.tan(0.99 * math.pi / 2), rel=0.01
    )
    assert filter_occupied_hz(1.0, shape=FilterShape.SYNCHRONOUS_4) > filter_occupied_hz(1.0)


@pytest.mark.parametrize("measure", [occupied_bandwidth, x_db_bandwidth])
def test_signal_that_fills_the_span_is_cut_off(measure: Any) -> None:
    """At least as wide as seen, or no width at all."""
    axis, level = flat(span_hz=15e3)
    found: Bandwidth = measure(axis, level, rbw_hz=RBW_HZ, floor_dbm=-100.0, averages=1e4)
    assert found.cut_off
    assert found.bound is Bound.AT_LEAST or found.width_hz is None
    assert found.reason is not None and "end of the sweep" in found.reason


@pytest.mark.parametrize("measure", [occupied_bandwidth, x_db_bandwidth])
@pytest.mark.parametrize(
    ("points", "missing", "reason"),
    [(0, 0, "at least 3 points"), (2, 0, "at least 3 points"), (400, 2, "2 of 400 levels")],
)
def test_unusable_traces_say_why(measure: Any, points: int, missing: int, reason: str) -> None:
    """No width from nothing, or from a gappy trace."""
    axis, level = flat()
    axis, level = axis[:points], level[:points].copy()
    level[:missing] = math.nan
    found = measure(axis, level, rbw_hz=RBW_HZ)
    assert found.width_hz is None
    assert reason in found.reason


@pytest.mark.parametrize(
    "call",
    [
        lambda: occupied_bandwidth(np.zeros(3), np.zeros(3), rbw_hz=1.0, share=1.0),
        lambda: occupied_bandwidth(np.zeros(3), np.zeros(4), rbw_hz=1.0),
        lambda: x_db_bandwidth(np.zeros(3), np.zeros(3), rbw_hz=1.0, x_db=0.0),
    ],
)
def test_senseless_questions_are_refused(call: Any) -> None:
    """Shares of all or nothing, arrays that do not belong together."""
    with pytest.raises(ValueError):
        call()


def test_floor_that_is_all_there_is_leaves_nothing() -> None:
    """A floor given higher than the trace takes all power away."""
    axis, level = flat()
    found = occupied_bandwidth(axis, level, rbw_hz=RBW_HZ, floor_dbm=-35.0)
    assert found.width_hz is None and found.limited_by_noise
    assert found.reason == "no power is left above the floor"


def test_breakdown_needs_a_span_wider_than_the_signal() -> None:
    """With a small span no floor can push the edges out."""
    assert obw_breakdown_db(16e3, 16.1e3) is None


@pytest.mark.parametrize(
    ("floor_u_db", "refused", "limited"),
    [(0.01, False, False), (0.1, False, True), (1.0, True, True)],
)
def test_what_is_known_of_the_floor_decides(
    floor_u_db: float, refused: bool, limited: bool
) -> None:
    """16 kHz in 160 kHz, floor 20 dB below: a floor known to 1 dB is not enough."""
    axis = np.arange(-80e3 + 5, 80e3, 10.0)
    level = 10 * np.log10((np.abs(axis) < 8e3) + 0.01)
    found = occupied_bandwidth(
        axis, level, rbw_hz=RBW_HZ, floor_dbm=-20.0, floor_u_db=floor_u_db, averages=1e5
    )
    assert (found.width_hz is None, found.limited_by_noise) == (refused, limited)
    if not refused:
        assert found.width_hz == pytest.approx(15_840.0, abs=0.5)
        assert found.u_hz is not None and found.u_hz < 100.0


def test_x_db_line_near_the_floor_is_at_most_or_nothing() -> None:
    """26 dB below the peak: 35, 31 and 27 dB of range are enough, bounded, and too little."""
    axis = CENTRE_HZ + np.arange(-20e3, 20e3, 100.0)
    for range_db, expected in ((39.0, Bound.VALUE), (33.0, Bound.AT_MOST), (27.0, None)):
        power = (np.abs(axis - CENTRE_HZ) < 8e3) + 10 ** (-range_db / 10)
        found = x_db_bandwidth(axis, 10 * np.log10(power), rbw_hz=RBW_HZ, floor_dbm=-range_db)
        assert found.limited_by_noise is (expected is not Bound.VALUE)
        if expected is None:
            assert found.width_hz is None
            assert found.reason is not None and "1.0 dB over the floor" in found.reason
        else:
            assert found.bound is expected
            assert found.width_hz == pytest.approx(16e3, abs=200.0)


def test_reference_of_its_own_moves_the_line() -> None:
    """An unmodulated carrier 10 dB above the envelope's peak, and one that nothing reaches."""
    axis, level = flat()
    plain = x_db_bandwidth(axis, level, rbw_hz=RBW_HZ, x_db=16.0, floor_dbm=-100.0)
    moved = x_db_bandwidth(
        axis,
        level,
        rbw_hz=RBW_HZ,
        x_db=26.0,
        reference_dbm=float(level.max()) + 10,
        floor_dbm=-100.0,
    )
    assert moved.width_hz == pytest.approx(plain.width_hz)
    out_of_reach = x_db_bandwidth(axis, level, rbw_hz=RBW_HZ, reference_dbm=0.0)
    assert out_of_reach.reason == "nothing reaches the line of −26 dB"


def test_holes_in_a_spectrum_do_not_narrow_it() -> None:
    """Outermost crossings: what lies below the line in between counts."""
    axis, level = flat()
    hollow = np.where(np.abs(axis - CENTRE_HZ) < 3e3, -90.0, level)
    found = x_db_bandwidth(axis, hollow, rbw_hz=RBW_HZ, floor_dbm=-100.0)
    whole = x_db_bandwidth(axis, level, rbw_hz=RBW_HZ, floor_dbm=-100.0)
    assert found.width_hz == pytest.approx(whole.width_hz)


@pytest.mark.parametrize("averages", [1.0, 30.0])
@pytest.mark.parametrize("over_floor_db", [25.0, 60.0])
def test_stated_uncertainty_covers(
    rng: np.random.Generator, averages: float, over_floor_db: float
) -> None:
    """±2u holds the width without noise in 200 random scenes, 90 to 100 % of the time.

    Noise-like emissions, floor known to 0.05 dB and wrong by as much. Readings that share an RBW
    are taken as dependent, so somewhat too often.
    """
    axis, clean = flat()
    floor = -40.0 - over_floor_db
    power = 10 ** (clean / 10) - 1e-10
    truth = occupied_bandwidth(axis, clean, rbw_hz=RBW_HZ, floor_dbm=-100.0, averages=1e6)
    assert truth.width_hz is not None
    inside = told = 0
    for _ in range(200):
        noise_floor = floor + rng.normal(0, 0.05)
        level = with_noise(10 * np.log10(power + 10 ** (noise_floor / 10)), averages, rng)
        found = occupied_bandwidth(
            axis, level, rbw_hz=RBW_HZ, floor_dbm=floor, floor_u_db=0.05, averages=averages
        )
        if found.width_hz is None:
            continue
        assert found.u_hz is not None
        told += 1
        inside += abs(found.width_hz - truth.width_hz) <= 2 * found.u_hz
    assert told > 150
    assert 0.9 < inside / told <= 1.0
