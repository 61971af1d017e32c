"""Where a load is matched best, and how wide: best match, SWR bandwidths, values at frequencies.

Every figure comes with the bounds that the reflection's own bounds give it. A sweep that ends
before the SWR rises does not say where it would have: such an edge is None, never a guess.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.reflection import Reflection
from acqd.measure.returnloss import magnitude_from_vswr, return_loss_db, shapes_differ, vswr
from acqd.measure.words import frequency_text, number_text

__all__ = [
    "PROMINENCE_DB",
    "SWR_LEVELS",
    "AtFrequency",
    "Bandwidth",
    "Bounded",
    "Match",
    "at_frequencies",
    "best_match",
    "bounded_text",
    "resonances",
]

Float = NDArray[np.float64]

SWR_LEVELS = (1.5, 2.0, 3.0)
"""The widths that aerials are spoken of in."""

PROMINENCE_DB = 3.0
"""A second dip counts when the return loss falls by this much on the way to any better one."""

DEEPEST_VERTEX = 0.25
"""An interpolated dip of less than this share of the sample's power is a parabola's invention."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bounded:
    """A magnitude at one frequency with its worst-case bounds, and the same in other words."""

    magnitude: float
    magnitude_low: float
    magnitude_high: float

    @property
    def at_least(self) -> bool:
        """True where the return loss has no upper bound."""
        return self.magnitude_low == 0.0

    @property
    def return_loss_db(self) -> float:
        return float(return_loss_db(self.magnitude))

    @property
    def return_loss_low_db(self) -> float:
        return float(return_loss_db(self.magnitude_high))

    @property
    def return_loss_high_db(self) -> float:
        return float(return_loss_db(self.magnitude_low))

    @property
    def vswr(self) -> float:
        return float(vswr(self.magnitude))

    @property
    def vswr_low(self) -> float:
        return float(vswr(self.magnitude_low))

    @property
    def vswr_high(self) -> float:
        return float(vswr(self.magnitude_high))


@dataclass(frozen=True, slots=True, kw_only=True)
class Bandwidth:
    """How far the SWR stays at or below ``swr`` around a best match.

    ``low_hz`` and ``high_hz`` are None where the sweep ends (or a level is missing) first; then
    ``width_hz`` is None too. ``least_width_hz`` is what the upper bound of the magnitude leaves (0:
    perhaps it is nowhere that good), ``most_width_hz`` what the lower bound allows, None where that
    reaches the sweep's end.
    """

    swr: float
    low_hz: float | None
    high_hz: float | None
    width_hz: float | None
    least_width_hz: float
    most_width_hz: float | None
    reached: bool
    """False: the best match is worse than ``swr``, and all widths are of nothing."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """A best match: where, how good, how wide.

    ``frequency_low_hz`` to ``frequency_high_hz`` holds the true best match of the dip for every
    phase of the bridge's errors, to within half a step of the sweep. ``at_edge``: the sweep begins
    or ends there, so that a better one may lie beyond.
    """

    frequency_hz: float
    frequency_low_hz: float
    frequency_high_hz: float
    value: Bounded
    interpolated: bool
    at_edge: bool
    bandwidths: tuple[Bandwidth, ...]

    def __str__(self) -> str:
        edge = ", at the end of the sweep: it may be better beyond" if self.at_edge else ""
        where = frequency_text(self.frequency_hz, resolution_hz=1e3)
        return f"best match at {where}: {bounded_text(self.value)}{edge}"


@dataclass(frozen=True, slots=True, kw_only=True)
class AtFrequency:
    """The reflection at a named frequency, or why there is none."""

    name: str
    frequency_hz: float
    value: Bounded | None
    reason: str | None


def bounded_text(value: Bounded) -> str:
    """return loss 23.1 dB (19.8 to 29.3), SWR 1.15 (1.07 to 1.23); "at least" where that is all."""
    low_db = number_text(value.return_loss_low_db, 1)
    highest = _swr_text(value.vswr_high)
    if value.at_least:
        return f"return loss at least {low_db} dB, SWR at most {highest}"
    best_db = number_text(value.return_loss_db, 1)
    high_db = number_text(value.return_loss_high_db, 1)
    swr = f"SWR {_swr_text(value.vswr)} ({_swr_text(value.vswr_low)} to {highest})"
    text = f"return loss {best_db} dB ({low_db} to {high_db}), {swr}"
    if value.magnitude_low > 1.0:
        return f"{text}: it reflects more than arrives"
    return text


def _swr_text(ratio: float) -> str:
    return "infinite" if math.isinf(ratio) else f"{ratio:.2f}"


def best_match(
    frequency_hz: Float, trace: Reflection, *, swr_levels: Sequence[float] = SWR_LEVELS
) -> Match | None:
    """The one best match of a sweep; None where no point holds a level.

    The frequency is the vertex of the parabola through the power reflection (magnitude squared) at
    the best point and its neighbours, where that is safe: both there, the vertex between them and
    not far below the sample. Around a resonance the power reflection is a parabola, whereas the
    return loss of a good match is a cusp, on which a parabola in dB overshoots.

    Raises:
        ValueError: frequencies that do not fit the trace or do not rise.
    """
    axis = _axis(frequency_hz, trace)
    if not np.isfinite(trace.magnitude).any():
        return None
    index = int(np.nanargmin(trace.magnitude))
    return _match(axis, trace, index, (0, axis.size - 1), swr_levels)


def resonances(
    frequency_hz: Float,
    trace: Reflection,
    *,
    largest_swr: float = SWR_LEVELS[-1],
    prominence_db: float = PROMINENCE_DB,
    swr_levels: Sequence[float] = SWR_LEVELS,
) -> tuple[Match, ...]:
    """All dips that come to ``largest_swr`` or better, in rising order of frequency.

    A dip counts where the return loss falls by ``prominence_db`` on both sides before it gets
    better than in the dip (the sweep's end counts as such a fall). Dips that share one stretch
    below an SWR report the same width of it. Missing levels split the sweep.

    Raises:
        ValueError: frequencies that do not fit the trace or do not rise, an SWR below 1.
    """
    axis = _axis(frequency_hz, trace)
    most = _level(largest_swr)
    found = []
    for index, first, last in _dips(trace.magnitude, most, prominence_db):
        found.append(_match(axis, trace, index, (first, last), swr_levels))
    return tuple(found)


def at_frequencies(
    frequency_hz: Float, trace: Reflection, named_hz: Mapping[str, float]
) -> tuple[AtFrequency, ...]:
    """Magnitude and bounds at named frequencies, each linear between its neighbours.

    Raises:
        ValueError: frequencies that do not fit the trace or do not rise.
    """
    axis = _axis(frequency_hz, trace)
    found = []
    for name, at_hz in named_hz.items():
        reason: str | None = "the sweep does not reach there"
        value = None
        if axis.size and axis[0] <= at_hz <= axis[-1]:
            low, middle, high = (
                _between(axis, y, at_hz)
                for y in (trace.magnitude_low, trace.magnitude, trace.magnitude_high)
            )
            value = Bounded(magnitude=middle, magnitude_low=low, magnitude_high=high)
            reason = None
            if math.isnan(middle):
                value, reason = None, "levels are missing there"
        found.append(AtFrequency(name=name, frequency_hz=at_hz, value=value, reason=reason))
    return tuple(found)


def _between(axis: Float, y: Float, at_hz: float) -> float:
    """Linear between neighbours; on a point that point alone counts."""
    after = int(np.searchsorted(axis, at_hz))
    if axis[after] == at_hz:
        return float(y[after])
    share = (at_hz - axis[after - 1]) / (axis[after] - axis[after - 1])
    return float((1.0 - share) * y[after - 1] + share * y[after])


def _axis(frequency_hz: Float, trace: Reflection) -> Float:
    axis = np.asarray(frequency_hz, dtype=np.float64)
    if axis.ndim != 1 or axis.shape != trace.magnitude.shape:
        raise ValueError(
            shapes_differ("frequency_hz", axis.shape, "the trace", trace.magnitude.shape)
        )
    if (np.diff(axis) <= 0.0).any():
        raise ValueError("frequency_hz must rise from point to point")
    return axis


def _level(swr: float) -> float:
    if not swr >= 1.0:
        raise ValueError(f"an SWR is 1 or more, got {swr}")
    return float(magnitude_from_vswr(swr))


def _dips(magnitude: Float, most: float, prominence_db: float) -> list[tuple[int, int, int]]:
    """(index, first, last) of each dip; first to last is where nothing is better than the dip."""
    loss = return_loss_db(magnitude)
    finite = np.isfinite(magnitude)
    found = []
    for index in np.flatnonzero(finite & (magnitude <= most)).tolist():
        first, fall = _climb(loss, finite, index, -1)
        if fall < prominence_db:
            continue
        last, fall = _climb(loss, finite, index, +1)
        if fall >= prominence_db:
            found.append((index, first, last))
    return found


def _climb(loss: Float, finite: NDArray[np.bool_], index: int, way: int) -> tuple[int, float]:
    """How far the dip's stretch goes one way, and how far the return loss falls before a better.

    At the sweep's end, or a missing level, the fall counts as infinite. Of equals the first wins.
    """
    lowest = loss[index]
    at = index + way
    while 0 <= at < loss.size and finite[at]:
        if loss[at] > loss[index] or (way < 0 and loss[at] == loss[index]):
            return at - way, float(loss[index] - lowest) if loss[index] > lowest else 0.0
        lowest = min(lowest, loss[at])
        at += way
    return at - way, math.inf


def _match(
    axis: Float,
    trace: Reflection,
    index: int,
    stretch: tuple[int, int],
    swr_levels: Sequence[float],
) -> Match:
    """Figures of the dip at ``index``."""
    at_hz, magnitude, interpolated = _vertex(axis, trace.magnitude, index)
    scale = 1.0
    if interpolated and trace.magnitude[index] > 0.0:
        scale = magnitude / float(trace.magnitude[index])
    # The vertex lies below the sample: the lower bound goes with it, the upper stays.
    value = Bounded(
        magnitude=magnitude,
        magnitude_low=float(trace.magnitude_low[index]) * scale,
        magnitude_high=float(trace.magnitude_high[index]),
    )
    first, last = _candidates(trace, index, stretch)
    return Match(
        frequency_hz=at_hz,
        frequency_low_hz=_halfway(axis, first, -1),
        frequency_high_hz=_halfway(axis, last, +1),
        value=value,
        interpolated=interpolated,
        at_edge=_at_edge(trace.magnitude, index),
        bandwidths=tuple(_bandwidth(axis, trace, index, swr) for swr in swr_levels),
    )


def _at_edge(magnitude: Float, index: int) -> bool:
    beside = (index - 1, index + 1)
    return any(not 0 <= i < magnitude.size or not np.isfinite(magnitude[i]) for i in beside)


def _candidates(trace: Reflection, index: int, stretch: tuple[int, int]) -> tuple[int, int]:
    """First and last point of the stretch that can be the true best one.

    The true best magnitude is at most the smallest upper bound, so it is at no point whose lower
    bound is larger than that.
    """
    first, last = stretch
    part = slice(first, last + 1)
    limit = np.nanmin(trace.magnitude_high[part])
    inside = np.flatnonzero(trace.magnitude_low[part] <= limit)
    return min(index, first + int(inside[0])), max(index, first + int(inside[-1]))


def _halfway(axis: Float, index: int, way: int) -> float:
    beside = index + way
    if not 0 <= beside < axis.size:
        return float(axis[index])
    return 0.5 * float(axis[index] + axis[beside])


def _vertex(axis: Float, magnitude: Float, index: int) -> tuple[float, float, bool]:
    """(frequency, magnitude, interpolated) of the parabola in power; the sample where not safe."""
    sample = float(axis[index]), float(magnitude[index]), False
    if _at_edge(magnitude, index):
        return sample
    x = axis[index - 1 : index + 2] - axis[index]
    y = np.square(magnitude[index - 1 : index + 2])
    rise_before, rise_after = (y[1] - y[0]) / -x[0], (y[2] - y[1]) / x[2]
    curve = (rise_after - rise_before) / (x[2] - x[0])
    if not curve > 0.0:
        return sample
    slope = rise_before - curve * x[0]
    move = -slope / (2.0 * curve)
    lowest = y[1] - curve * move * move
    if not 0.5 * x[0] <= move <= 0.5 * x[2] or not lowest >= DEEPEST_VERTEX * y[1] or lowest <= 0:
        return sample
    return float(axis[index] + move), math.sqrt(lowest), True


def _bandwidth(axis: Float, trace: Reflection, index: int, swr: float) -> Bandwidth:
    """Width below ``swr`` around ``index``, as read and by both bounds."""
    level = _level(swr)
    read = _around(axis, trace.magnitude, index, level)
    sure = _around(axis, trace.magnitude_high, index, level)
    perhaps = _around(axis, trace.magnitude_low, index, level)
    return Bandwidth(
        swr=swr,
        low_hz=read.low_hz,
        high_hz=read.high_hz,
        width_hz=read.width_hz,
        least_width_hz=sure.seen_hz,
        most_width_hz=perhaps.width_hz,
        reached=read.reached,
    )


@dataclass(frozen=True, slots=True)
class _Around:
    """Crossings on both sides of a dip, None where there is none; ``seen_hz`` is how much of the
    width the sweep has for sure, whether it ends in crossings or not."""

    low_hz: float | None
    high_hz: float | None
    seen_hz: float
    reached: bool

    @property
    def width_hz(self) -> float | None:
        if self.low_hz is None or self.high_hz is None:
            return None
        return self.high_hz - self.low_hz


def _around(axis: Float, magnitude: Float, index: int, level: float) -> _Around:
    """First crossings of ``level`` on both sides of ``index``."""
    if not magnitude[index] <= level:
        at_hz = float(axis[index])
        return _Around(at_hz, at_hz, 0.0, reached=False)
    low_hz, first_hz = _crossing(axis, magnitude, index, level, -1)
    high_hz, last_hz = _crossing(axis, magnitude, index, level, +1)
    return _Around(low_hz, high_hz, last_hz - first_hz, reached=True)


def _crossing(
    axis: Float, magnitude: Float, index: int, level: float, way: int
) -> tuple[float | None, float]:
    """(crossing, how far it is known to hold), linear in magnitude between two points."""
    at = index
    while 0 <= at + way < axis.size and not math.isnan(magnitude[at + way]):
        beyond = at + way
        if magnitude[beyond] > level:
            share = (level - magnitude[at]) / (magnitude[beyond] - magnitude[at])
            crossing_hz = float(axis[at] + share * (axis[beyond] - axis[at]))
            return crossing_hz, crossing_hz
        at = beyond
    return None, float(axis[at])
