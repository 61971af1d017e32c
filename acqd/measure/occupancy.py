"""How much a piece of spectrum is used: FCO, FBO and SRO, with coverage and intervals.

Terms of Rec. ITU-R SM.1880 (as restated elsewhere):

* FCO, frequency channel occupancy: visits in which any point of the channel was above the
  threshold, over all visits;
* FBO, frequency band occupancy: points above the threshold, over all points of all sweeps;
* SRO, spectrum resource occupancy: the mean of the FCO over the channels;
* busy hour: the 60 minutes with the highest occupancy, beginning at any slot.

A visit in which a value of the channel is missing and no other is above does not count at all.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.channels import Channel
from acqd.measure.statistics import normal_quantile
from acqd.sweep import Grid

__all__ = [
    "BusyHour",
    "ChannelIndex",
    "band_occupancy",
    "busy_hour",
    "channel_occupancy",
    "channel_visits",
    "coverage",
    "dependent_factor",
    "index_channels",
    "resource_occupancy",
    "samples_needed",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelIndex:
    """Where the channels of a plan lie on a grid.

    ``channel`` holds the numbers (in the plan's order) of those that the grid can judge: at least
    one point inside, and the whole of the channel between the grid's outer cell borders.
    ``edges`` are their first and one-behind-last points, alternating, as ``reduceat`` takes them.
    ``of_point`` is, for each point, the position in ``channel`` of the channel with the nearest
    centre among those that hold it; −1 outside all.
    """

    channel: NDArray[np.intp]
    edges: NDArray[np.intp]
    of_point: NDArray[np.intp]

    def __len__(self) -> int:
        return int(self.channel.size)


def index_channels(grid: Grid, channels: Sequence[Channel]) -> ChannelIndex:
    """Lay ``channels`` over ``grid``. A channel holds start ≤ f < stop, so none is counted twice
    on a raster whose channels touch."""
    low_hz = float(grid.frequency_hz[0] - grid.cell_hz[0] / 2.0)
    high_hz = float(grid.frequency_hz[-1] + grid.cell_hz[-1] / 2.0)
    slack_hz = 1e-6  # a border that is off by rounding still counts as reached
    usable, edges = [], []
    for number, channel in enumerate(channels):
        first = int(np.searchsorted(grid.frequency_hz, channel.start_hz - slack_hz, side="left"))
        stop = int(np.searchsorted(grid.frequency_hz, channel.stop_hz - slack_hz, side="left"))
        reached = low_hz - slack_hz <= channel.start_hz and channel.stop_hz <= high_hz + slack_hz
        if stop > first and reached:
            usable.append(number)
            edges += [first, stop]
    of_point = np.full(grid.points, -1, dtype=np.intp)
    nearest = np.full(grid.points, math.inf)
    for position, number in enumerate(usable):
        piece = slice(edges[2 * position], edges[2 * position + 1])
        away = np.abs(grid.frequency_hz[piece] - channels[number].centre_hz)
        closer = away < nearest[piece]
        of_point[piece][closer] = position
        nearest[piece][closer] = away[closer]
    return ChannelIndex(
        channel=np.array(usable, dtype=np.intp),
        edges=np.array(edges, dtype=np.intp),
        of_point=of_point,
    )


def channel_visits(
    above: NDArray[np.bool_],
    index: ChannelIndex,
    missing: NDArray[np.bool_] | None = None,
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Busy and judged visits, each (sweeps, channels), from points above the threshold.

    Args:
        above: (sweeps, points) True where the level exceeded the threshold.
        missing: (sweeps, points) True where there was no level.
    """
    sweeps = above.shape[0]
    busy = np.zeros((sweeps, len(index)), dtype=np.bool_)
    gone = np.zeros((sweeps, len(index)), dtype=np.bool_)
    for i, (first, stop) in enumerate(index.edges.reshape(-1, 2).tolist()):
        busy[:, i] = above[:, first:stop].any(axis=1)
        if missing is not None:
            gone[:, i] = missing[:, first:stop].any(axis=1)
    return busy, busy | ~gone


def channel_occupancy(
    hits: NDArray[np.integer], trials: NDArray[np.integer]
) -> NDArray[np.float64]:
    """FCO 0..1 of each channel: hits / trials, NaN where there was no visit."""
    shape = np.broadcast(hits, trials).shape
    fco = np.full(shape, np.nan)
    np.divide(hits, trials, out=fco, where=np.asarray(trials) > 0)
    return fco


def band_occupancy(above: NDArray[np.bool_], missing: NDArray[np.bool_] | None = None) -> float:
    """FBO 0..1: share of all (sweep, point) cells above the threshold; NaN without any cell."""
    cells = above.size - (0 if missing is None else int(np.count_nonzero(missing)))
    return int(np.count_nonzero(above)) / cells if cells else math.nan


def resource_occupancy(fco: NDArray[np.float64]) -> float:
    """SRO 0..1: mean FCO over the channels that were visited; NaN without any."""
    known = fco[~np.isnan(fco)]
    return float(known.mean()) if known.size else math.nan


@dataclass(frozen=True, slots=True, kw_only=True)
class BusyHour:
    """``first`` is the slot it begins with, ``share`` its occupancy 0..1; −1 and NaN for none."""

    first: int
    share: float


def busy_hour(slot_shares: NDArray[np.float64], *, slots_per_hour: int = 4) -> BusyHour:
    """The hour with the highest occupancy, beginning at any slot; the first of several equal ones.

    Args:
        slot_shares: (slots,) occupancy of successive slots; NaN where nothing was visited. An hour
            with such a slot in it is left out: nobody knows how busy it was.

    Each slot counts alike, however often it was visited.

    Raises:
        ValueError: less than one slot an hour.
    """
    if slots_per_hour < 1:
        raise ValueError(f"slots_per_hour must be at least 1, got {slots_per_hour}")
    if slot_shares.size < slots_per_hour:
        return BusyHour(first=-1, share=math.nan)
    windows = np.lib.stride_tricks.sliding_window_view(slot_shares, slots_per_hour)
    hours = windows.mean(axis=1)
    if np.isnan(hours).all():
        return BusyHour(first=-1, share=math.nan)
    first = int(np.nanargmax(hours))
    return BusyHour(first=first, share=float(hours[first]))


def coverage(stored: int, due: int) -> float | None:
    """Stored sweeps over due sweeps, 0..1; None where nothing was due."""
    return None if due <= 0 else min(1.0, stored / due)


def samples_needed(
    share: float,
    *,
    relative: float | None = None,
    absolute: float | None = None,
    confidence: float = 0.95,
) -> int:
    """Independent visits for an occupancy ``share`` to be known within an error.

    Normal approximation: n = z²(1 − p)/(δ²p) for a relative error δ, z²p(1 − p)/ε² for an absolute
    error ε. Exactly one of the two is given.
    """
    if not 0.0 < share < 1.0 or (relative is None) == (absolute is None):
        raise ValueError("share must lie between 0 and 1, and one of relative and absolute be set")
    z2 = normal_quantile(0.5 + confidence / 2.0) ** 2
    error = relative * share if relative is not None else absolute
    assert error is not None
    return math.ceil(z2 * share * (1.0 - share) / error**2)


def dependent_factor(revisit_s: float, mean_on_s: float, mean_off_s: float) -> float:
    """How many times more visits are needed where they are not independent: (1 + ρ)/(1 − ρ).

    Two-state Markov channel: ρ = exp(−T_R·(1/T_on + 1/T_off)). Derived.
    """
    exponent = revisit_s * (1.0 / mean_on_s + 1.0 / mean_off_s)
    rho = math.exp(-exponent)
    return (1.0 + rho) / -math.expm1(-exponent)
