"""One sweep through the band measurement: floor, thresholds, channels, signals. No memory here."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_work import BandSettings, BandWork
from acqd.measure.floor import FloorEstimate
from acqd.measure.neighbours import find_sources
from acqd.measure.signals import Runs, find_runs
from acqd.measure.statistics import DB_PER_NEPER
from acqd.measure.tracking import Observation

__all__ = ["ChannelLook", "Seen", "SeenSignal", "look_at", "residual_of"]

Float = NDArray[np.float64]

SKIRT_POINTS = 3
"""A channel needs this many points for a skirt to be told from a signal of its own."""

SKIRT_FALL = 6.0
"""A skirt falls by at least this many dB (or digits) from one border of a channel to the other."""


@dataclass(frozen=True, slots=True)
class SeenSignal:
    """One signal of a sweep: a run, or the runs of one channel taken together.

    ``power`` is None where it cannot be summed; ``channel`` a number of the plan or −1.
    """

    channel: int
    first_hz: float
    last_hz: float
    peak: float
    peak_hz: float
    centre_hz: float
    width_hz: float
    power: float | None
    over_floor: float
    opens: bool
    residual: bool = False
    """Nothing but a residual response of the sweeper itself, as the quiet reference shows it."""

    def observation(self) -> Observation:
        return Observation(
            channel=self.channel,
            first_hz=self.first_hz,
            last_hz=self.last_hz,
            peak=self.peak,
            peak_hz=self.peak_hz,
            opens=self.opens,
        )


@dataclass(frozen=True, slots=True)
class ChannelLook:
    """Channels of the index in one sweep, each (channels of the index,).

    ``largest_level`` is the largest level in the channel (NaN where all are missing);
    ``above`` is the plain definition, any point above the threshold; ``own`` leaves out what a
    stronger neighbour's skirt explains; ``stays`` is ``own`` at the closing threshold; ``seen``
    is False where a missing value leaves it open, None where all were seen.
    """

    largest_level: Float
    above: NDArray[np.bool_]
    own: NDArray[np.bool_]
    stays: NDArray[np.bool_]
    seen: NDArray[np.bool_] | None


@dataclass(frozen=True, slots=True)
class Seen:
    """What one sweep shows. Levels at the reference plane, in the unit of the sweep.

    ``noise_mean`` is the displayed mean of the noise, which thresholds stand on; ``floor`` its
    true power where that is known. Peak values are None where every level is missing.
    """

    estimate: FloorEstimate
    noise_mean: float
    floor: float
    opening: float
    closing: float
    peak: float | None
    peak_hz: float | None
    over_floor: float | None
    cells: int
    cells_above: int
    missing: NDArray[np.bool_] | None
    channels: ChannelLook | None
    signals: tuple[SeenSignal, ...]
    dropped: int


def residual_of(work: BandWork, level: Float, shape: Float | None) -> NDArray[np.bool_] | None:
    """Put level − shape into ``work.over``; where a value is missing it holds −inf.

    Returns the mask of missing values, None where there are none.
    """
    over = work.over
    if shape is None:
        np.copyto(over, level)
    else:
        np.subtract(level, shape, out=over)
    if math.isfinite(float(np.add.reduce(over))):
        return None
    missing = ~np.isfinite(over)
    over[missing] = -np.inf
    return missing if missing.any() else None


def look_at(
    work: BandWork,
    settings: BandSettings,
    level: Float,
    missing: NDArray[np.bool_] | None,
    *,
    following: bool,
) -> Seen:
    """Measure the sweep whose residual is in ``work.over``.

    ``following`` says that tracks or busy channels are open, so that what lies between the
    thresholds matters too.
    """
    over = work.over
    finite = over if missing is None else over[~missing]
    estimate = work.flat.estimate(finite)
    noise_mean = estimate.level
    opening, closing = noise_mean + work.open_over, noise_mean + work.close_over
    at = int(over.argmax())
    top = float(over[at])
    if finite.size == 0:
        return _nothing(estimate, missing)
    above = int(np.count_nonzero(over > opening)) if top > opening else 0
    follows = following and top > closing
    channels = None
    if len(work.index):
        channels = _look_at_channels(
            work, settings, level, opening, closing, missing, above > 0 or follows
        )
    signals: tuple[SeenSignal, ...] = ()
    dropped = 0
    if above or follows:
        # While something is being followed a run need not reach the opening threshold.
        runs = find_runs(over, opening=closing if follows else opening, closing=closing)
        signals = _signals(work, level, runs, noise_mean, opening, closing)
        dropped = runs.dropped
    to_power = 0.0 if work.model is None else work.model.mean_to_power_db or 0.0
    return Seen(
        estimate=estimate,
        noise_mean=noise_mean,
        floor=noise_mean + to_power,
        opening=opening,
        closing=closing,
        peak=float(level[at]),
        peak_hz=float(work.grid.frequency_hz[at]),
        over_floor=top - noise_mean,
        cells=finite.size,
        cells_above=above,
        missing=missing,
        channels=channels,
        signals=signals,
        dropped=dropped,
    )


def _nothing(estimate: FloorEstimate, missing: NDArray[np.bool_] | None) -> Seen:
    return Seen(
        estimate=estimate,
        noise_mean=math.nan,
        floor=math.nan,
        opening=math.nan,
        closing=math.nan,
        peak=None,
        peak_hz=None,
        over_floor=None,
        cells=0,
        cells_above=0,
        missing=missing,
        channels=None,
        signals=(),
        dropped=0,
    )


def _look_at_channels(
    work: BandWork,
    settings: BandSettings,
    level: Float,
    opening: float,
    closing: float,
    missing: NDArray[np.bool_] | None,
    anything: bool,
) -> ChannelLook | None:
    """None where nothing stands out and nothing is missing: all channels seen, none busy."""
    if not anything and missing is None:
        return None
    edges = work.index.edges
    largest = np.maximum.reduceat(work.padded, edges)[::2]
    above = largest > opening
    # Where somebody knows the filter, what it explains is enough; else its shape has to tell.
    if settings.shape_factor is None:
        skirt = _skirts(work, largest)
    else:
        skirt = np.zeros(largest.size, dtype=np.bool_)
    own, stays = above & ~skirt, (largest > closing) & ~skirt
    if anything:
        left = _not_explained(work, settings, level, opening, closing, stays)
        if left is not None:
            # One point behind the end, as in padded.
            largest_left = np.maximum.reduceat(np.where(left, work.padded, -np.inf), edges)[::2]
            own &= largest_left > opening
            stays &= largest_left > closing
    seen = None
    if missing is not None:
        gone = np.logical_or.reduceat(np.append(missing, False), edges)[::2]
        seen = above | ~gone
    return ChannelLook(
        largest_level=np.fmax.reduceat(np.append(level, np.nan), edges)[::2],
        above=above,
        own=own,
        stays=stays,
        seen=seen,
    )


def _not_explained(
    work: BandWork,
    settings: BandSettings,
    level: Float,
    opening: float,
    closing: float,
    stays: NDArray[np.bool_],
) -> NDArray[np.bool_] | None:
    """Points that neither a stronger signal elsewhere nor a residual response of the sweeper
    explains, (points + 1,); None where there is nothing that could explain any."""
    if not stays.any():
        return None
    left: NDArray[np.bool_] | None = None
    if work.leakage is not None and _leaks(work, opening, closing):
        left, _ = find_sources(
            level,
            work.grid.frequency_hz,
            _groups(work, opening, closing, stays),
            above=work.over > closing,
            leakage=work.leakage,
            margin_db=settings.neighbour_db,
            leak_db=work.leak_db,
        )
    if work.residual_limit is not None:
        with np.errstate(invalid="ignore"):
            beyond = level > work.residual_limit
        left = beyond if left is None else left & beyond
    return None if left is None else np.append(left, False)


def _leaks(work: BandWork, opening: float, closing: float) -> bool:
    """Whether anything is strong enough to be seen in a channel that it is not in."""
    if work.leak_db is None:
        return False
    # Nothing below the opening threshold leaks, since what it explains lies lower still.
    strong = np.flatnonzero(work.over > opening)
    return bool((work.over[strong] + work.leak_db[strong] > closing).any())


def _groups(
    work: BandWork, opening: float, closing: float, stays: NDArray[np.bool_]
) -> list[tuple[int, int]]:
    """First and one-behind-last points of the channels that ``stays`` names, and of what rises
    above ``opening`` outside all channels, as far as it is above ``closing``."""
    pairs = work.index.edges.reshape(-1, 2)[stays].tolist()
    mask = np.zeros(work.points + 2, dtype=np.bool_)
    np.logical_and(work.outside, work.over > closing, out=mask[1:-1])
    runs = np.flatnonzero(mask[1:] != mask[:-1]).reshape(-1, 2).tolist()
    pairs += [(first, stop) for first, stop in runs if work.over[first:stop].max() > opening]
    return [(first, stop) for first, stop in pairs]


def _skirts(work: BandWork, largest: Float) -> NDArray[np.bool_]:
    """True where the largest value of a channel is its outermost point, the next point, in the
    neighbour, is larger still, and the level falls away across the channel: the skirt of what the
    neighbour has there. A weaker signal of the channel's own under such a skirt is hidden by it."""
    padded = work.padded
    first, stop = work.index.edges[::2], work.index.edges[1::2]
    # padded ends in −inf, and so index −1 of the first point reads −inf too.
    at_first, at_last = padded[first], padded[stop - 1]
    from_below = (largest == at_first) & (padded[first - 1] > at_first)
    from_above = (largest == at_last) & (padded[stop] > at_last)
    falls = np.minimum(at_first, at_last) <= largest - SKIRT_FALL
    return np.asarray((from_below | from_above) & falls & (work.widths >= SKIRT_POINTS))


def _signals(
    work: BandWork, level: Float, runs: Runs, noise_mean: float, opening: float, closing: float
) -> tuple[SeenSignal, ...]:
    if not len(runs):
        return ()
    weight, top = _weights(work, level, closing)
    edges = np.empty(2 * len(runs), dtype=np.intp)
    edges[::2], edges[1::2] = runs.first, runs.last + 1
    residual = _residual(work, level, edges, closing)
    sums = np.add.reduceat(np.append(weight, 0.0), edges)[::2]
    frequency_hz = work.grid.frequency_hz
    offset_hz = frequency_hz - frequency_hz[0]
    moments = np.add.reduceat(np.append(weight * offset_hz, 0.0), edges)[::2]
    widths = np.add.reduceat(np.append(work.grid.cell_hz, 0.0), edges)[::2]
    pieces = [
        _Piece(work, weight, level, first, last, peak, total, moment, width, flag)
        for first, last, peak, total, moment, width, flag in zip(
            runs.first.tolist(),
            runs.last.tolist(),
            runs.peak.tolist(),
            sums.tolist(),
            moments.tolist(),
            widths.tolist(),
            residual,
            strict=True,
        )
    ]
    return tuple(piece.signal(work, noise_mean, opening, top) for piece in _merged(work, pieces))


def _residual(work: BandWork, level: Float, edges: NDArray[np.intp], closing: float) -> list[bool]:
    """Whether no point of a run exceeds what the sweeper's residual responses explain."""
    if work.residual_limit is None:
        return [False] * (edges.size // 2)
    with np.errstate(invalid="ignore"):
        beyond = (level > work.residual_limit) & (work.over > closing)
    some = np.logical_or.reduceat(np.append(beyond, False), edges)[::2]
    return [not one for one in some.tolist()]


def _weights(work: BandWork, level: Float, closing: float) -> tuple[Float, float]:
    """Weight of each point, 0 where its level is missing, and the level that weight 1/Hz is."""
    weight = work.exponent
    if work.logarithmic:
        top = float(np.fmax.reduce(level))
        np.subtract(level, top, out=weight)
        weight *= 1.0 / DB_PER_NEPER
        np.exp(weight, out=weight)
    else:
        top = 0.0
        np.maximum(np.subtract(work.over, closing, out=weight), 0.0, out=weight)
    weight *= work.grid.cell_hz
    if not math.isfinite(float(np.add.reduce(weight))):
        weight[~np.isfinite(weight)] = 0.0
    return weight, top


class _Piece:
    """A run, or several that belong together, while it is put together."""

    __slots__ = (
        "channel",
        "first",
        "last",
        "moment",
        "over",
        "peak",
        "peak_at",
        "residual",
        "total",
        "width",
    )

    def __init__(
        self,
        work: BandWork,
        weight: Float,
        level: Float,
        first: int,
        last: int,
        peak: int,
        total: float,
        moment: float,
        width: float,
        residual: bool,
    ) -> None:
        self.residual = residual
        self.first, self.last = first, last
        self.peak, self.peak_at = float(level[peak]), peak
        self.over = float(work.over[peak])
        self.total, self.moment, self.width = total, moment, width
        self.channel = _channel_of(work, weight, first, last, peak, total)

    def take(self, other: _Piece) -> None:
        """Become the union with ``other``."""
        self.first, self.last = min(self.first, other.first), max(self.last, other.last)
        self.total += other.total
        self.moment += other.moment
        self.width += other.width
        if other.over > self.over:
            self.peak, self.peak_at, self.over = other.peak, other.peak_at, other.over

    def signal(self, work: BandWork, noise_mean: float, opening: float, top: float) -> SeenSignal:
        frequency_hz = work.grid.frequency_hz
        peak_hz = float(frequency_hz[self.peak_at])
        power = None
        if work.power_reason is None and work.enb_hz is not None and self.total > 0:
            power = top + DB_PER_NEPER * math.log(self.total / work.enb_hz)
        known = self.total > 0
        return SeenSignal(
            self.channel,
            float(frequency_hz[self.first]),
            float(frequency_hz[self.last]),
            self.peak,
            peak_hz,
            float(frequency_hz[0]) + self.moment / self.total if known else peak_hz,
            self.width,
            power,
            self.over - noise_mean,
            self.over > opening,
            self.residual,
        )


def _channel_of(
    work: BandWork, weight: Float, first: int, last: int, peak: int, total: float
) -> int:
    """The channel that holds the peak and at least half of the power; −1 where none does."""
    position = int(work.index.of_point[peak])
    if position < 0:
        return -1
    start, stop = work.index.edges[2 * position : 2 * position + 2].tolist()
    if first < start or last >= stop:
        inside = float(weight[max(first, start) : min(last + 1, stop)].sum())
        if inside < 0.5 * total:
            return -1
    return int(work.channel_list[position])


def _merged(work: BandWork, pieces: Sequence[_Piece]) -> list[_Piece]:
    """Pieces of one channel as one; outside channels those with no more than one RBW between them,
    which the filter cannot tell apart. In rising order of frequency."""
    frequency_hz, gap_hz = work.grid.frequency_hz, work.setup.rbw_hz or 0.0
    merged: list[_Piece] = []
    open_pieces: dict[tuple[int, bool], _Piece] = {}
    for piece in pieces:
        # A residual response beside a signal of the same channel stays one by itself.
        place = (piece.channel, piece.residual)
        before = open_pieces.get(place)
        if before is not None and piece.channel < 0:
            apart_hz = float(frequency_hz[piece.first] - frequency_hz[before.last])
            before = before if apart_hz <= gap_hz else None
        if before is not None:
            before.take(piece)
        else:
            merged.append(piece)
            open_pieces[place] = piece
    return merged
