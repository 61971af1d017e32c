"""Adjacent-channel power: how much of an emission falls into the channels beside its own.

Channel powers are sums over cells, each with the share that lies inside (see
:mod:`acqd.measure.bandpower`). Three things can pass for power in a neighbour: the floor, which is
taken out where it is known; the skirt of the sweeper's own RBW filter, which is worked out; and the
sweeper's phase noise, which only its maker or a clean source can tell. The first two make a ratio
"at least".
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import FilterShape, band_power, enb_hz, without_floor_db
from acqd.measure.peaks import Bound, check_trace, filter_loss_db, reading_deviation_db
from acqd.sweep import Grid
from acqd.units import ratio_from_db

__all__ = [
    "AdjacentPower",
    "ChannelPower",
    "Neighbour",
    "adjacent_power",
    "adjacent_ratios",
    "filter_leak_db",
]

Float = NDArray[np.float64]

LEAK_NEAR_DB = 10.0
"""A ratio this close to what the RBW filter alone would show is at least partly the filter's."""

LEAK_NONE_DB = 200.0
"""From here on the filter's skirt is none: phase noise has ruled long before."""

COVERED = 0.999
"""Share of a channel that the sweep must cover for its power to be the channel's."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPower:
    """Power in one channel, the floor taken out where it was known.

    ``level`` is None with a ``reason`` where there is none; "at most" where it is less than 3 dB
    over the floor: then it is the reading with twice its deviation.
    """

    start_hz: float
    stop_hz: float
    level: float | None
    u_db: float | None
    bound: Bound
    over_floor_db: float | None
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Neighbour:
    """One channel beside the main one. ``place`` counts spacings: −1 lower, 1 upper, 2 alternate.

    ``ratio_db`` is main less neighbour, positive; "at least" where the floor or the RBW filter's
    skirt limits it. ``leak_db`` is the ratio that the filter would show of a clean carrier in the
    middle of the main channel, None where that is nothing (200 dB and more).
    """

    place: int
    channel: ChannelPower
    ratio_db: float | None
    u_db: float | None
    bound: Bound
    leak_db: float | None
    reason: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class AdjacentPower:
    """The main channel, its neighbours from the lowest up, and the worse of each pair.

    ``worse`` holds, for the adjacent pair first, the neighbour with the smaller ratio; None where
    either has none: the one that is missing may be the worse.
    """

    main: ChannelPower
    neighbours: tuple[Neighbour, ...]
    worse: tuple[Neighbour | None, ...]


def adjacent_ratios(
    main_dbm: float, lower_dbm: float, upper_dbm: float
) -> tuple[float, float, float]:
    """(lower, upper, worse) ratio in dB: main less neighbour; the worse is the smaller one."""
    lower_db, upper_db = main_dbm - lower_dbm, main_dbm - upper_dbm
    return lower_db, upper_db, min(lower_db, upper_db)


def filter_leak_db(
    offset_hz: float,
    channel_hz: float,
    rbw_hz: float,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> float:
    """How far below a lone carrier its skirt lies, summed over a channel ``offset_hz`` away.

    Positive; 10 log10 of ENB over the integral of the filter's shape across the channel.

    Source: derived.
    """
    edges = np.linspace(abs(offset_hz) - channel_hz / 2.0, abs(offset_hz) + channel_hz / 2.0, 2001)
    # Referred to the inner edge: a narrow filter is hundreds of dB down there.
    loss_db = filter_loss_db(edges, rbw_hz, shape)
    least_db = float(loss_db.min())
    gain = ratio_from_db(least_db - loss_db)
    within_hz = float((gain[1:] + gain[:-1]).sum()) * (edges[1] - edges[0]) / 2.0
    return least_db - 10.0 * math.log10(within_hz / enb_hz(rbw_hz, shape, enb_per_rbw))


def adjacent_power(
    frequency_hz: Float,
    level_dbm: Float,
    *,
    centre_hz: float,
    channel_hz: float,
    spacing_hz: float,
    rbw_hz: float | None,
    pairs: int = 1,
    neighbour_hz: float | None = None,
    floor_dbm: Float | float | None = None,
    averages: float = 1.0,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> AdjacentPower:
    """Power of an emission in its channel and in those beside it.

    Args:
        frequency_hz: (points,) rising, even or not.
        level_dbm: (points,) levels of power averaged or rms data. Peak data give ratios that are
            too small where a neighbour holds noise; data averaged in dB, too large by up to 2.5 dB.
        channel_hz: width over which the main channel's power is summed.
        spacing_hz: from channel to channel.
        rbw_hz: 3 dB width; steps up to half of it. None refuses.
        pairs: 1 for the adjacent channels, 2 with the alternate ones, and so on.
        neighbour_hz: width over which neighbours are summed; as the main channel if None.
        floor_dbm: mean noise power in the same RBW, one value or (points,). None: nothing is taken
            out, and a ratio cannot be known to be the floor's.
        averages: N, samples averaged in power in each point.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``.

    Returns:
        Both ratios of each pair and the worse. A channel that the sweep does not cover, or with a
        NaN in it, has no power, and says why.

    Raises:
        ValueError: widths or spacing that are not above 0, less than one pair, or arrays of
            different shape.

    Source: definition common to the trade; sums derived from the filter's ENB.
    """
    width_hz = channel_hz if neighbour_hz is None else neighbour_hz
    if not (channel_hz > 0 and width_hz > 0 and spacing_hz > 0) or pairs < 1:
        raise ValueError(
            "channel_hz, neighbour_hz and spacing_hz must be above 0 and pairs at least 1, got "
            f"{channel_hz}, {width_hz}, {spacing_hz} and {pairs}"
        )
    check_trace(frequency_hz, level_dbm)
    floor = None
    if floor_dbm is not None:
        floor = np.broadcast_to(np.asarray(floor_dbm, dtype=np.float64), level_dbm.shape)
    grid = Grid.from_axis(frequency_hz)
    sweep = _Swept(grid, level_dbm, floor, rbw_hz, shape, enb_per_rbw, averages)
    main = sweep.channel(centre_hz, channel_hz)
    neighbours = tuple(
        sweep.neighbour(main, place, centre_hz + place * spacing_hz, width_hz, place * spacing_hz)
        for place in range(-pairs, pairs + 1)
        if place != 0
    )
    by_place = {one.place: one for one in neighbours}
    worse = tuple(_worse(by_place[-n], by_place[n]) for n in range(1, pairs + 1))
    return AdjacentPower(main=main, neighbours=neighbours, worse=worse)


@dataclass(frozen=True, slots=True)
class _Swept:
    """One sweep with what its channel powers need."""

    grid: Grid
    level: Float
    floor: Float | None
    rbw_hz: float | None
    shape: FilterShape
    enb_per_rbw: float | None
    averages: float

    def channel(self, centre_hz: float, width_hz: float) -> ChannelPower:
        start_hz, stop_hz = centre_hz - width_hz / 2.0, centre_hz + width_hz / 2.0
        found = self._sum(self.level, start_hz, stop_hz)
        if isinstance(found, str):
            return self._channel(start_hz, stop_hz, reason=found)
        if self.floor is None:
            u_db = self._u_db(width_hz)
            return self._channel(start_hz, stop_hz, level=found, u_db=u_db)
        noise = self._sum(self.floor, start_hz, stop_hz)
        if isinstance(noise, str):
            return self._channel(start_hz, stop_hz, reason=f"the floor: {noise}")
        over_db = found - noise
        u_db = self._u_db(width_hz)
        correction_db = without_floor_db(over_db)
        if correction_db is None:
            return self._channel(
                start_hz,
                stop_hz,
                level=max(found, noise) + 2.0 * u_db,
                u_db=u_db,
                bound=Bound.AT_MOST,
                over_floor_db=over_db,
                reason="less than 3 dB over the floor",
            )
        # Taking the floor out stretches what is left of the reading's deviation.
        u_db *= 1.0 / (1.0 - 10.0 ** (-over_db / 10.0))
        return self._channel(
            start_hz, stop_hz, level=found + correction_db, u_db=u_db, over_floor_db=over_db
        )

    def neighbour(
        self,
        main: ChannelPower,
        place: int,
        centre_hz: float,
        width_hz: float,
        offset_hz: float,
    ) -> Neighbour:
        channel = self.channel(centre_hz, width_hz)
        leak_db = None
        if self.rbw_hz is not None:
            leak_db = filter_leak_db(offset_hz, width_hz, self.rbw_hz, self.shape, self.enb_per_rbw)
            leak_db = leak_db if leak_db < LEAK_NONE_DB else None
        ratio_db, u_db, bound, reason = None, None, Bound.VALUE, channel.reason
        if main.level is None or main.bound is not Bound.VALUE:
            reason = f"the main channel: {main.reason}"
        elif channel.level is not None and main.u_db is not None and channel.u_db is not None:
            ratio_db = main.level - channel.level
            u_db = math.hypot(main.u_db, channel.u_db)
            if channel.bound is Bound.AT_MOST:
                bound = Bound.AT_LEAST
            elif leak_db is not None and ratio_db > leak_db - LEAK_NEAR_DB:
                bound, reason = Bound.AT_LEAST, "the RBW filter's own skirt reaches the neighbour"
        return Neighbour(
            place=place,
            channel=channel,
            ratio_db=ratio_db,
            u_db=u_db,
            bound=bound,
            leak_db=leak_db,
            reason=reason,
        )

    def _sum(self, level: Float, start_hz: float, stop_hz: float) -> float | str:
        """The power between two frequencies, or why there is none."""
        found = band_power(
            level,
            self.grid,
            start_hz=start_hz,
            stop_hz=stop_hz,
            rbw_hz=self.rbw_hz,
            shape=self.shape,
            enb_per_rbw=self.enb_per_rbw,
        )
        if found.level is None:
            return found.reason or "no power"
        if found.covered < COVERED:
            return f"the sweep covers {100.0 * found.covered:.0f} % of the channel only"
        return found.level

    def _u_db(self, width_hz: float) -> float:
        """Deviation of a sum over ``width_hz``: noise-like, one independent value per ENB."""
        independent = 1.0
        if self.rbw_hz is not None:
            own_hz = enb_hz(self.rbw_hz, self.shape, self.enb_per_rbw)
            independent = max(1.0, width_hz / own_hz)
        return reading_deviation_db(0.0, self.averages * independent)

    @staticmethod
    def _channel(
        start_hz: float,
        stop_hz: float,
        *,
        level: float | None = None,
        u_db: float | None = None,
        bound: Bound = Bound.VALUE,
        over_floor_db: float | None = None,
        reason: str | None = None,
    ) -> ChannelPower:
        return ChannelPower(
            start_hz=start_hz,
            stop_hz=stop_hz,
            level=level,
            u_db=u_db,
            bound=bound,
            over_floor_db=over_floor_db,
            reason=reason,
        )


def _worse(lower: Neighbour, upper: Neighbour) -> Neighbour | None:
    if lower.ratio_db is None or upper.ratio_db is None:
        return None
    return lower if lower.ratio_db <= upper.ratio_db else upper
