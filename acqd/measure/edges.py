"""Where a response crosses a level: edges of passbands and notches, with what blurs them.

From inside (the least loss of a passband, the bottom of a notch) the walk goes outwards to the
first crossing, by a straight line in dB between two points. Noise makes a slow crossing happen
several times over: a crossing counts once a point lies clearly beyond the level, and where the way
there takes many steps, a parabola through all of its points says where it is.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.measure.losscurve import LossCurve
from acqd.measure.words import frequency_text, number_text

__all__ = [
    "CLEARLY",
    "Edge",
    "EdgePair",
    "EdgeState",
    "Side",
    "edge_pair",
]

Float = NDArray[np.float64]
Mask = NDArray[np.bool_]

CLEARLY = 2.5
"""A point lies clearly beyond a level when it does so by this many of its standard deviations."""

FITTED_POINTS = 7
"""From so many points on the way from clearly inside to clearly beyond, a parabola says where."""


class Side(StrEnum):
    """Which way from the inside."""

    LOWER = "lower"
    UPPER = "upper"


class EdgeState(StrEnum):
    """Whether an edge was found, or why not."""

    SEEN = "seen"
    BEYOND_SWEEP = "beyond the sweep"
    HIDDEN = "hidden by the floor"
    MISSING = "levels are missing there"
    NOT_REACHED = "not that deep"


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One crossing of a level ``below_db`` under the pass level.

    ``frequency_hz`` and its standard uncertainty ``u_hz`` are there where the edge was seen;
    ``per_db_hz`` is how far the edge moves outwards per dB of error of the level. Where it was not
    seen, ``limit_hz`` is the last frequency known to lie inside of it (None: nothing is known).
    """

    below_db: float
    side: Side
    state: EdgeState
    frequency_hz: float | None = None
    u_hz: float | None = None
    per_db_hz: float | None = None
    limit_hz: float | None = None

    def __str__(self) -> str:
        """−3 dB at 143.014 MHz; −3 dB beyond the sweep: below 140.000 MHz."""
        name = f"{number_text(-self.below_db, 3).rstrip('0').rstrip('.')} dB"
        if self.frequency_hz is not None:
            resolution_hz = max(self.u_hz or 0.0, 1.0)
            return f"{name} at {frequency_text(self.frequency_hz, resolution_hz=resolution_hz)}"
        text = f"{name} {self.state.value}"
        if self.limit_hz is None:
            return text
        way = "below" if self.side is Side.LOWER else "above"
        return f"{text}: {way} {frequency_text(self.limit_hz)}"


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgePair:
    """Lower and upper edge at one level, and what follows; None where either was not seen."""

    below_db: float
    lower: Edge
    upper: Edge
    u_level_db: float
    """Standard uncertainty of the level itself, which moves both edges apart or together."""

    @property
    def bandwidth_hz(self) -> float | None:
        if self.lower.frequency_hz is None or self.upper.frequency_hz is None:
            return None
        return self.upper.frequency_hz - self.lower.frequency_hz

    @property
    def u_bandwidth_hz(self) -> float | None:
        """By noise and step of each edge on its own, and by the level that both share."""
        parts = []
        for edge in (self.lower, self.upper):
            if edge.u_hz is None or edge.per_db_hz is None:
                return None
            parts.append(edge.u_hz**2 - (edge.per_db_hz * self.u_level_db) ** 2)
        shared_hz = (self.lower.per_db_hz or 0.0) + (self.upper.per_db_hz or 0.0)
        return math.sqrt(max(0.0, sum(parts)) + (shared_hz * self.u_level_db) ** 2)

    @property
    def centre_hz(self) -> float | None:
        """Geometric mean of the edges, as filters are centred."""
        if self.lower.frequency_hz is None or self.upper.frequency_hz is None:
            return None
        return math.sqrt(self.lower.frequency_hz * self.upper.frequency_hz)

    @property
    def u_centre_hz(self) -> float | None:
        """As if both edges were independent: half the root of the sum of their squares."""
        if self.lower.u_hz is None or self.upper.u_hz is None:
            return None
        return math.hypot(self.lower.u_hz, self.upper.u_hz) / 2.0

    @property
    def arithmetic_centre_hz(self) -> float | None:
        """Mean of the edges, as channels are centred."""
        if self.lower.frequency_hz is None or self.upper.frequency_hz is None:
            return None
        return (self.lower.frequency_hz + self.upper.frequency_hz) / 2.0


@dataclass(frozen=True, slots=True)
class _Walk:
    """What lies on the way outwards, ``inward`` of the bottom or top first."""

    axis: Float
    loss: Float
    limit: Mask
    noise: Float
    broken: Mask


def edge_pair(
    curve: LossCurve,
    noise_db: Float,
    *,
    inside: int,
    level_db: float,
    below_db: float,
    u_level_db: float = 0.0,
    rising: bool = True,
) -> EdgePair:
    """The first crossings of ``level_db`` to both sides of the point ``inside``.

    Args:
        curve: the losses; lower limits below the level end the walk, for nobody knows on which side
            of the level they lie.
        noise_db: (points,) standard deviation of each point by noise; zeros for clean data.
        inside: index to start from.
        level_db: the loss at which the edge is, and ``u_level_db`` its standard uncertainty.
        below_db: what the edge is called.
        rising: True where the loss grows outwards (a passband), False from the bottom of a notch.

    The standard uncertainty of an edge is (u of the line there ⊕ u of the level) / slope ⊕ step.
    The step's part is how far a parabola through the neighbours leaves the straight line, at most
    step/√12; and step/√12 where one end of the line is a lower limit.

    Source: walk to the first crossing, straight line in dB: practice. Hysteresis and fit ours.
    """
    edges = {}
    for side in Side:
        way = slice(inside, None) if side is Side.UPPER else slice(inside, None, -1)
        steps = curve.broken[inside:] if side is Side.UPPER else curve.broken[:inside][::-1]
        walk = _Walk(
            curve.frequency_hz[way],
            curve.loss_db[way],
            curve.at_least[way],
            noise_db[way],
            steps,
        )
        edges[side] = _edge(walk, level_db, below_db, u_level_db, side, rising)
    return EdgePair(
        below_db=below_db,
        lower=edges[Side.LOWER],
        upper=edges[Side.UPPER],
        u_level_db=u_level_db,
    )


def _edge(
    walk: _Walk, level_db: float, below_db: float, u_level_db: float, side: Side, rising: bool
) -> Edge:
    beyond_db = (walk.loss - level_db) if rising else (level_db - walk.loss)
    zone = _zone(walk, beyond_db, level_db)
    if zone.state is not EdgeState.SEEN:
        limit_hz = None if zone.low is None else float(walk.axis[zone.low])
        return Edge(below_db=below_db, side=side, state=zone.state, limit_hz=limit_hz)
    low, high = _slow_zone(walk, beyond_db, level_db, zone)
    found = _fitted(walk, low, high, level_db)
    if found is None:
        found = _middle(walk, zone.low or 0, zone.high, level_db, beyond_db)
    place_hz, u_hz, slope = found
    return Edge(
        below_db=below_db,
        side=side,
        state=EdgeState.SEEN,
        frequency_hz=place_hz,
        u_hz=math.hypot(u_hz, u_level_db / slope),
        per_db_hz=1.0 / slope,
    )


@dataclass(frozen=True, slots=True)
class _Zone:
    """The way from the last point clearly inside to the first one clearly beyond."""

    state: EdgeState
    low: int | None
    high: int = 0


def _zone(walk: _Walk, beyond_db: Float, level_db: float) -> _Zone:
    if beyond_db[0] > 0:
        hidden = bool(walk.limit[0])
        return _Zone(EdgeState.HIDDEN if hidden else EdgeState.NOT_REACHED, None)
    unknown = walk.limit & (walk.loss < level_db)
    stays = np.append(beyond_db[1:] > 0, False)  # a lone fade is not an edge
    stays |= beyond_db > 3.0 * CLEARLY * walk.noise
    clear = (beyond_db > CLEARLY * walk.noise) & ~unknown & stays
    first = int(clear.argmax()) if clear.any() else walk.axis.size
    if unknown[: first + 1].any():
        return _Zone(EdgeState.HIDDEN, max(int(unknown.argmax()) - 1, 0))
    held = np.insert(beyond_db[:-1] <= 0, 0, True) | (beyond_db < -3.0 * CLEARLY * walk.noise)
    inside = (beyond_db <= -CLEARLY * walk.noise) & held
    clearly_inside = np.flatnonzero(inside[:first])
    last = int(clearly_inside[-1]) if clearly_inside.size else 0
    if first == walk.axis.size:
        return _Zone(EdgeState.BEYOND_SWEEP, last)
    if walk.broken[last:first].any():
        return _Zone(EdgeState.MISSING, last)
    return _Zone(EdgeState.SEEN, last, first)


def _slow_zone(walk: _Walk, beyond_db: Float, level_db: float, zone: _Zone) -> tuple[int, int]:
    """``zone`` as a running mean of a quarter of its length sees it, where it is long.

    On a very slow skirt the first readings clearly beyond come long before the crossing, merely
    because there are so many; the mean, less noisy, finds the place.
    """
    low, high = zone.low or 0, zone.high
    for _ in range(3):
        wide = (high - low + 1) // 4
        reach = min(high + 4 * wide + 1, walk.axis.size)
        if wide < 2 or walk.limit[:reach].any() or walk.broken[: reach - 1].any():
            break
        counted = np.convolve(np.ones(walk.axis.size), np.ones(wide), "same")
        mean_db = np.convolve(beyond_db, np.ones(wide), "same") / counted
        smooth = _Walk(walk.axis, walk.loss, walk.limit, walk.noise / np.sqrt(counted), walk.broken)
        found = _zone(smooth, mean_db, level_db)
        if found.state is not EdgeState.SEEN or found.low is None:
            break
        low, high = found.low, max(found.high, found.low + FITTED_POINTS - 1)
        high = min(high, walk.axis.size - 1)
    return low, high


def _straight(walk: _Walk, low: int, high: int, level_db: float) -> tuple[float, float, float]:
    """Crossing of the line between two neighbours: frequency, its uncertainty, slope in dB/Hz."""
    step_hz = float(walk.axis[high] - walk.axis[low])
    rise_db = float(walk.loss[high] - walk.loss[low])
    w = (level_db - float(walk.loss[low])) / rise_db
    slope = abs(rise_db / step_hz)
    u_noise_db = math.hypot((1.0 - w) * walk.noise[low], w * walk.noise[high])
    u_step_hz = abs(step_hz) / math.sqrt(12.0)
    bend = _bend(walk, low, high)
    if bend is not None and not walk.limit[[low, high]].any():
        u_step_hz = min(u_step_hz, bend * w * (1.0 - w) * step_hz**2 / slope)
    return float(walk.axis[low]) + w * step_hz, math.hypot(u_noise_db / slope, u_step_hz), slope


def _bend(walk: _Walk, low: int, high: int) -> float | None:
    """Larger second divided difference about an interval, dB/Hz²; None without a neighbour."""
    found = []
    for a, b, c in ((low - 1, low, high), (low, high, high + 1)):
        inside = a >= 0 and c < walk.axis.size and not walk.broken[a:c].any()
        if inside and not walk.limit[[a, b, c]].any():
            f, y = walk.axis[[a, b, c]], walk.loss[[a, b, c]]
            slopes = np.diff(y) / np.diff(f)
            found.append(abs(float((slopes[1] - slopes[0]) / (f[2] - f[0]))))
    return max(found) if found else None


def _middle(
    walk: _Walk, low: int, high: int, level_db: float, beyond_db: Float
) -> tuple[float, float, float]:
    """Halfway between the first and the last crossing of the way there, mostly the same one."""
    outside = beyond_db[low : high + 1] > 0
    turns = low + np.flatnonzero(~outside[:-1] & outside[1:])
    first = _straight(walk, int(turns[0]), int(turns[0]) + 1, level_db)
    if turns.size == 1:
        return first
    last = _straight(walk, int(turns[-1]), int(turns[-1]) + 1, level_db)
    rise_db = abs(float(walk.loss[high] - walk.loss[low]))
    slope = rise_db / abs(float(walk.axis[high] - walk.axis[low]))
    u_hz = math.hypot(first[1], last[1], (last[0] - first[0]) / 2.0)
    return (first[0] + last[0]) / 2.0, u_hz, slope


def _fitted(walk: _Walk, low: int, high: int, level_db: float) -> tuple[float, float, float] | None:
    """Crossing of a parabola fitted to a way there of many steps; None where that says nothing.

    The window keeps the length of that way but moves until it is centred on the crossing: one that
    begins and ends at readings chosen by their noise would lean inwards.
    """
    points = high - low + 1
    found = None
    if points < FITTED_POINTS:
        return None
    for _ in range(4):
        found = _parabola_crossing(walk, slice(low, low + points), level_db)
        if found is None:
            return None
        way = 1.0 if walk.axis[high] > walk.axis[low] else -1.0
        nearest = int(np.searchsorted(way * walk.axis, way * found[0]))
        moved = min(max(nearest - points // 2, 0), walk.axis.size - points)
        spoiled = walk.limit[moved : moved + points].any() or (
            walk.broken[moved : moved + points - 1].any()
        )
        if moved == low or spoiled:
            break
        low = moved
    return found


def _parabola_crossing(
    walk: _Walk, part: slice, level_db: float
) -> tuple[float, float, float] | None:
    axis, loss, noise = walk.axis[part], walk.loss[part], walk.noise[part]
    centre, scale = float(axis.mean()), float(axis[-1] - axis[0]) / 2.0
    x = (axis - centre) / scale
    design = np.stack((np.ones_like(x), x, x * x), axis=1) / noise[:, None]
    covariance = np.linalg.inv(design.T @ design)
    a, b, c = (covariance @ (design.T @ (loss / noise))).tolist()
    rise = math.copysign(1.0, float(loss[-1] - loss[0]))
    place = (level_db - a) / b if b else math.inf
    for _ in range(8):  # Newton's rule, from the crossing of the tangent in the middle
        slope = b + 2.0 * c * place
        if not (abs(place) <= 1.0 and slope * rise > 0.0):
            return None
        place -= (a + b * place + c * place * place - level_db) / slope
    at = np.array([1.0, place, place * place])
    u_db = math.sqrt(float(at @ covariance @ at))
    slope = abs(b + 2.0 * c * place)
    return centre + place * scale, u_db / slope * abs(scale), slope / abs(scale)
