"""Power in the channels beside an emission."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.adjacent import adjacent_power, filter_leak_db
from acqd.measure.bandpower import FilterShape
from acqd.measure.peaks import Bound, filter_loss_db

Float = NDArray[np.float64]

CENTRE_HZ = 156.8e6
SETTINGS: dict[str, Any] = {
    "centre_hz": CENTRE_HZ,
    "channel_hz": 16e3,
    "spacing_hz": 25e3,
    "rbw_hz": 300.0,
    "floor_dbm": -120.0,
    "averages": 100.0,
}


def stepped(
    levels: dict[int, float], *, floor_dbm: float = -120.0, span_hz: float = 140e3
) -> tuple[Float, Float]:
    """Flat densities over each channel, by its place, on top of a floor."""
    axis = CENTRE_HZ + np.arange(-span_hz / 2, span_hz / 2, 100.0)
    power = np.full(axis.size, 10 ** (floor_dbm / 10))
    for place, level in levels.items():
        power[np.abs(axis - CENTRE_HZ - place * 25e3) < 9e3] += 10 ** (level / 10)
    return axis, np.asarray(10 * np.log10(power))


def test_pairs_are_told_from_the_lowest_up_with_the_worse_of_each() -> None:
    """Adjacent and alternate channels."""
    axis, level = stepped({0: -40, -1: -90, 1: -95, -2: -105, 2: -100})
    level.setflags(write=False)
    found = adjacent_power(axis, level, pairs=2, **SETTINGS)
    assert [one.place for one in found.neighbours] == [-2, -1, 1, 2]
    assert [one.ratio_db for one in found.neighbours] == pytest.approx([65, 50, 55, 60], abs=0.01)
    assert [one.place for one in found.worse if one is not None] == [-1, 2]
    assert all(one.bound is Bound.VALUE for one in found.neighbours)


def test_neighbours_may_have_a_width_of_their_own() -> None:
    """Half the width holds half the power of a flat density."""
    axis, level = stepped({0: -40, -1: -90, 1: -90})
    found = adjacent_power(axis, level, neighbour_hz=8e3, **SETTINGS)
    assert found.neighbours[0].ratio_db == pytest.approx(50 + 10 * math.log10(2), abs=0.01)


def test_ratio_into_the_floor_is_at_least() -> None:
    """The neighbour is no more than its reading with twice its deviation."""
    axis, level = stepped({0: -40, 1: -123})
    found = adjacent_power(axis, level, **SETTINGS)
    for one in found.neighbours:
        assert one.bound is Bound.AT_LEAST
        assert one.channel.bound is Bound.AT_MOST
        assert one.reason == "less than 3 dB over the floor"
    truth_db = -40 + 123
    assert found.neighbours[1].ratio_db is not None
    assert found.neighbours[1].ratio_db < truth_db
    unknown = adjacent_power(axis, level, **(SETTINGS | {"floor_dbm": None}))
    assert unknown.neighbours[0].bound is Bound.VALUE
    assert unknown.neighbours[0].ratio_db == pytest.approx(80.0, abs=0.1)


def test_floor_is_taken_out_where_it_is_known() -> None:
    """A neighbour 6 dB over the floor, and what that does to its uncertainty."""
    axis, level = stepped({0: -40, -1: -114.74, 1: -90})
    found = adjacent_power(axis, level, **SETTINGS)
    lower, upper = found.neighbours
    assert lower.ratio_db == pytest.approx(74.74, abs=0.01)
    assert lower.u_db is not None and upper.u_db is not None
    assert lower.u_db > upper.u_db
    floor = np.full(axis.size, -120.0)
    assert adjacent_power(axis, level, **(SETTINGS | {"floor_dbm": floor})) == found


@pytest.mark.parametrize("rbw_hz", [6e3, 10e3])
@pytest.mark.parametrize("shape", [FilterShape.GAUSSIAN, FilterShape.SYNCHRONOUS_4])
def test_skirt_of_a_clean_carrier_is_known_for_what_it_is(
    rbw_hz: float, shape: FilterShape
) -> None:
    """A carrier shows no more in the neighbour than the skirt of the filter."""
    axis = CENTRE_HZ + np.arange(-50e3, 50e3, 100.0)
    level = -20 - filter_loss_db(axis - CENTRE_HZ, rbw_hz, shape)
    found = adjacent_power(
        axis, level, **(SETTINGS | {"rbw_hz": rbw_hz, "floor_dbm": None, "shape": shape})
    )
    for one in found.neighbours:
        assert one.leak_db == filter_leak_db(25e3, 16e3, rbw_hz, shape)
        assert one.ratio_db == pytest.approx(one.leak_db, abs=0.6)
        assert one.bound is Bound.AT_LEAST
        assert one.reason is not None and "skirt" in one.reason


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        ({"rbw_hz": 150.0}, "more than half the RBW"),
        ({"rbw_hz": None}, "RBW is not known"),
        ({"spacing_hz": 65e3}, "of the channel only"),
        ({"spacing_hz": 200e3}, "does not reach"),
    ],
)
def test_channels_without_power_say_why(change: dict[str, Any], reason: str) -> None:
    """And then there is no worse one: the missing one may be it."""
    axis, level = stepped({0: -40})
    found = adjacent_power(axis, level, **(SETTINGS | change))
    assert found.worse == (None,)
    lower = found.neighbours[0]
    assert lower.ratio_db is None
    assert lower.reason is not None and reason in lower.reason


def test_gap_in_a_neighbour_costs_that_one_only() -> None:
    """NaN in the upper channel."""
    axis, level = stepped({0: -40, -1: -90, 1: -90})
    level[np.argmin(np.abs(axis - CENTRE_HZ - 25e3))] = math.nan
    found = adjacent_power(axis, level, **SETTINGS)
    assert found.neighbours[0].ratio_db == pytest.approx(50.0, abs=0.01)
    assert found.neighbours[1].reason == "levels are missing in it"


def test_main_channel_in_the_floor_has_no_ratios() -> None:
    """Nothing was keyed."""
    axis, level = stepped({})
    found = adjacent_power(axis, level, **SETTINGS)
    assert found.main.bound is Bound.AT_MOST
    assert [one.ratio_db for one in found.neighbours] == [None, None]
    gappy_floor = np.full(axis.size, math.nan)
    missing = adjacent_power(axis, level, **(SETTINGS | {"floor_dbm": gappy_floor}))
    assert missing.main.reason == "the floor: levels are missing in it"


@pytest.mark.parametrize(
    "change", [{"channel_hz": 0.0}, {"spacing_hz": -1.0}, {"pairs": 0}, {"neighbour_hz": 0.0}]
)
def test_senseless_channels_are_refused(change: dict[str, Any]) -> None:
    """Widths and spacings above 0, one pair at least."""
    axis, level = stepped({0: -40})
    with pytest.raises(ValueError, match="must be above 0"):
        adjacent_power(axis, level, **(SETTINGS | change))


def test_stated_uncertainty_covers(rng: np.random.Generator) -> None:
    """±2u holds the ratio of 200 noisy sweeps 92 to 99.5 % of the time."""
    axis, clean = stepped({0: -40, -1: -100, 1: -112})
    settings = SETTINGS | {"averages": 4.0, "rbw_hz": 200.0}
    inside = np.zeros(2)
    for _ in range(200):
        noise = rng.gamma(4.0, size=axis.size // 2 + 1) / 4.0
        # Two points to an ENB: neighbours share their noise.
        level = clean + 10 * np.log10(np.repeat(noise, 2)[: axis.size])
        found = adjacent_power(axis, level, **settings)
        for i, (one, truth) in enumerate(zip(found.neighbours, (60.0, 72.0), strict=True)):
            assert one.ratio_db is not None and one.u_db is not None
            inside[i] += abs(one.ratio_db - truth) <= 2 * one.u_db
    assert np.all((inside / 200 > 0.92) & (inside / 200 < 0.995))
