"""Channels on a grid, and occupancy at its edges."""

from __future__ import annotations

import math

import numpy as np
import pytest

from acqd.measure import occupancy
from acqd.measure.channels import Channel
from acqd.sweep import Grid


def channel(name: str, centre_hz: float, width_hz: float = 25.0) -> Channel:
    return Channel(name=name, centre_hz=centre_hz, width_hz=width_hz)


GRID = Grid.from_axis(np.arange(0.0, 101.0, 5.0))


def test_touching_channels_share_no_point() -> None:
    """A point on the border belongs to the upper channel."""
    index = occupancy.index_channels(GRID, [channel("a", 37.5), channel("b", 62.5)])
    assert index.edges.tolist() == [5, 10, 10, 15]
    assert index.of_point[[4, 5, 9, 10, 14, 15]].tolist() == [-1, 0, 0, 1, 1, -1]


def test_channels_beyond_the_sweep_are_left_out() -> None:
    """A channel that is cut, outside or between points cannot be judged."""
    plan = [
        channel("cut", 0.0),
        channel("in", 50.0),
        channel("outside", 500.0),
        channel("between", 52.5, 1.0),
    ]
    assert occupancy.index_channels(GRID, plan).channel.tolist() == [1]


def test_overlapping_channels_give_points_to_the_nearest_centre() -> None:
    """A point in two channels names the one whose centre is nearer."""
    index = occupancy.index_channels(GRID, [channel("a", 40.0), channel("b", 50.0)])
    assert index.of_point[8] == 0
    assert index.of_point[10] == 1


def test_no_channels_no_index() -> None:
    """A plan without channels is as good as none."""
    assert len(occupancy.index_channels(GRID, [])) == 0


def test_missing_values_make_no_visit_unless_something_was_heard() -> None:
    """A channel with a hole counts as busy if busy elsewhere, and not at all if not."""
    index = occupancy.index_channels(GRID, [channel("a", 37.5)])
    above = np.zeros((3, GRID.points), dtype=np.bool_)
    missing = np.zeros_like(above)
    above[0, 6] = True
    missing[:2, 7] = True
    busy, judged = occupancy.channel_visits(above, index, missing)
    assert busy[:, 0].tolist() == [True, False, False]
    assert judged[:, 0].tolist() == [True, False, True]


def test_nothing_looked_at_is_not_zero() -> None:
    """Without visits or cells the answer is NaN or None, never 0."""
    assert math.isnan(occupancy.channel_occupancy(np.array([0]), np.array([0]))[0])
    assert math.isnan(occupancy.band_occupancy(np.zeros((0, 5), dtype=np.bool_)))
    assert math.isnan(occupancy.resource_occupancy(np.array([math.nan])))
    assert occupancy.coverage(0, 0) is None


def test_missing_cells_do_not_count_for_the_band() -> None:
    """FBO is over the cells that were seen."""
    above = np.array([[True, False, False, False]])
    assert occupancy.band_occupancy(above) == 0.25
    assert occupancy.band_occupancy(above, np.array([[False, True, True, False]])) == 0.5


def test_coverage_is_stored_over_due() -> None:
    """Never above 1."""
    assert occupancy.coverage(3, 4) == 0.75
    assert occupancy.coverage(5, 4) == 1.0


@pytest.mark.parametrize(
    ("share", "how"),
    [(0.0, {"relative": 0.1}), (0.5, {}), (0.5, {"relative": 0.1, "absolute": 0.1})],
)
def test_samples_needed_wants_one_error(share: float, how: dict[str, float]) -> None:
    """A share of 0 has no relative error, and one kind of error is enough."""
    with pytest.raises(ValueError, match="share"):
        occupancy.samples_needed(share, **how)
