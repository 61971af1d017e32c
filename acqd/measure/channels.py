"""Channel plans: names for pieces of the spectrum.

A *channel* has a centre that stations keep to: it is what occupancy is counted for. A *segment* is
a stretch of a band with a use, in which stations take what frequency they like: it only gives a
name to what is heard there, since "occupied" would mean no more than that anybody was somewhere in
it. Channels and segments may lie within each other, as a calling frequency lies in its segment.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

__all__ = ["BandPlan", "Channel", "ChannelPlan", "Namer", "Segment", "namer_of"]

SLACK_HZ = 1e-6
"""A border that is off by rounding still counts as reached, as where occupancy is counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Channel:
    """One channel. ``name`` is as people call it; ``key`` the same fit for an MQTT topic level."""

    name: str
    centre_hz: float
    width_hz: float
    note: str = ""

    @property
    def start_hz(self) -> float:
        return self.centre_hz - self.width_hz / 2.0

    @property
    def stop_hz(self) -> float:
        return self.centre_hz + self.width_hz / 2.0

    @property
    def key(self) -> str:
        return _key(self.name)


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """A stretch of a band, ``start_hz`` ≤ f < ``stop_hz``; ``use`` is what a plan gives it to."""

    name: str
    start_hz: float
    stop_hz: float
    use: str = ""

    @property
    def centre_hz(self) -> float:
        return (self.start_hz + self.stop_hz) / 2.0

    @property
    def width_hz(self) -> float:
        return self.stop_hz - self.start_hz

    @property
    def key(self) -> str:
        return _key(self.name)


def _key(name: str) -> str:
    kept = "".join(c if c.isascii() and c.isalnum() else "-" for c in name.lower())
    return kept.strip("-")[:32] or "unnamed"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChannelPlan:
    """Channels in the order of the file. ``edition`` says which publication the file follows."""

    name: str
    title: str
    edition: str
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPlan(ChannelPlan):
    """A channel plan that has segments too, in the order of the file.

    A type of its own, so that plans without segments keep their form in what was archived.
    """

    segments: tuple[Segment, ...]


class Namer:
    """Finds what a signal is called: the narrowest of ``pieces`` that contains it.

    Two of equal width: the one with the nearer centre; of those the one that comes first. Made
    once for a plan; a look-up costs some tens of microseconds among thousands of pieces.
    """

    __slots__ = ("_centre_hz", "_start_hz", "_stop_hz", "_width_hz", "pieces")

    def __init__(self, pieces: Sequence[Channel | Segment]) -> None:
        self.pieces = tuple(pieces)
        self._start_hz = np.array([piece.start_hz for piece in self.pieces], dtype=np.float64)
        self._stop_hz = np.array([piece.stop_hz for piece in self.pieces], dtype=np.float64)
        self._centre_hz = np.array([piece.centre_hz for piece in self.pieces], dtype=np.float64)
        self._width_hz = np.array([piece.width_hz for piece in self.pieces], dtype=np.float64)

    def at(self, frequency_hz: float, *, width_hz: float = 0.0) -> Channel | Segment | None:
        """What a signal at ``frequency_hz`` is called, None outside all pieces (and for NaN).

        A piece contains a signal if it holds its frequency (start ≤ f < stop) and at least half of
        its ``width_hz``, taken as even on both sides: a transmitter somewhat off its frequency, or
        somewhat too wide, is still the one of its channel, and a broad one is nobody's on a fine
        raster.

        Raises:
            ValueError: ``width_hz`` is negative or not finite.
        """
        if not 0.0 <= width_hz < np.inf:
            raise ValueError(f"width_hz must be finite and not below 0, got {width_hz}")
        start_hz, stop_hz = self._start_hz - SLACK_HZ, self._stop_hz - SLACK_HZ
        holds = (start_hz <= frequency_hz) & (frequency_hz < stop_hz)
        low_hz = np.maximum(self._start_hz, frequency_hz - width_hz / 2.0)
        high_hz = np.minimum(self._stop_hz, frequency_hz + width_hz / 2.0)
        holds &= high_hz - low_hz >= width_hz / 2.0 - SLACK_HZ
        found = np.flatnonzero(holds)
        if not found.size:
            return None
        # Widths in whole hertz: those of a raster in thirds of a kilohertz differ by rounding.
        widths = np.round(self._width_hz[found])
        away_hz = np.abs(self._centre_hz[found] - frequency_hz)
        return self.pieces[int(found[np.lexsort((found, away_hz, widths))[0]])]


def namer_of(plan: ChannelPlan) -> Namer:
    """The :class:`Namer` of all channels and segments of a plan, channels first."""
    segments = plan.segments if isinstance(plan, BandPlan) else ()
    return Namer((*plan.channels, *segments))
