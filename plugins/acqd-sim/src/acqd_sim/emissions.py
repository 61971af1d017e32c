"""What can be on the air: tones that a receiver sees as lines, and noises that it sees as density.

Powers are at the aerial's socket. Everything is a pure function of absolute time, except the
modulation inside a tone, of which only the spread is part of the scene: a swept receiver draws the
instantaneous frequency of each look from it.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from acqd.units import THERMAL_DENSITY_DBM_PER_HZ
from acqd_sim.chance import exponential, normal, unit
from acqd_sim.hours import UTC_ZONE, Zone
from acqd_sim.keying import Always, Keying

__all__ = [
    "Comb",
    "Density",
    "Drift",
    "Hump",
    "Impulses",
    "NoiseFloor",
    "Strike",
    "Tone",
    "Warming",
    "milliwatt",
]

Float = NDArray[np.float64]


def milliwatt(level_dbm: float) -> float:
    """Power in mW of a level in dBm."""
    return float(10.0 ** (level_dbm / 10.0))


@lru_cache(maxsize=1024)
def _phases(key: int) -> Float:
    return np.asarray(2.0 * np.pi * unit(key, np.arange(3)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Drift:
    """A slow wander within ±``swing``: three sines of unrelated periods, phases from the key."""

    key: int
    swing: float
    period_s: float

    def at(self, at_s: Float) -> Float:
        """The offset at each instant, in the unit of ``swing``."""
        phase = _phases(self.key)
        total = np.zeros_like(at_s)
        for i, (share, factor) in enumerate(((0.6, 1.0), (0.3, 2.6457513), (0.1, 7.3484692))):
            total += share * np.sin(2.0 * np.pi * factor * at_s / self.period_s + phase[i])
        return self.swing * total


@dataclass(frozen=True, slots=True, kw_only=True)
class Warming:
    """What happens to a transmitter after it was keyed: 1 − exp(−t/τ) of the way to its ends.

    Each keying starts cold; what was left of the heat of the one before is not modelled.
    """

    shift_hz: float
    droop_db: float
    time_constant_s: float

    def share(self, since_s: Float) -> Float:
        return np.asarray(-np.expm1(-since_s / self.time_constant_s))


@dataclass(frozen=True, slots=True, kw_only=True)
class Tone:
    """A carrier, or a constant-envelope signal whose frequency moves within ``spread_hz``.

    ``spread_hz`` is the standard deviation of the instantaneous frequency, cut at ``peak_hz``;
    ``rate_hz`` is how fast it moves. A filter wider than the rate follows the moving carrier; a
    narrower one sees noise of the same spectrum.
    """

    name: str
    kind: str
    frequency_hz: float
    power_dbm: float
    keying: Keying = field(default_factory=Always)
    bandwidth_hz: float = 0.0
    spread_hz: float = 0.0
    peak_hz: float = 0.0
    rate_hz: float = 0.0
    drift: Drift | None = None
    warming: Warming | None = None
    creep_hz_per_s: float = 0.0
    """How fast it moves away, counted from each time it goes on; only for a keying that ends."""
    order: int = 1
    """Which harmonic of its transmitter this is: drift, creep and warming go with it."""

    @property
    def reach_hz(self) -> float:
        """How far from ``frequency_hz`` it may be found, without the receiver's filter."""
        swing = abs(self.drift.swing) if self.drift else 0.0
        shift = abs(self.warming.shift_hz) if self.warming else 0.0
        crept = abs(self.creep_hz_per_s) * self.keying.longest_s if self.creep_hz_per_s else 0.0
        return (swing + shift + crept) * self.order + self.peak_hz

    @property
    def power_mw(self) -> float:
        return milliwatt(self.power_dbm)

    def carrier_hz(self, at_s: Float) -> Float:
        """Where its centre is at each instant."""
        frequency = np.full_like(at_s, self.frequency_hz)
        if self.drift is not None:
            frequency += self.order * self.drift.at(at_s)
        if self.warming is not None:
            share = self.warming.share(self.keying.since(at_s))
            frequency += self.order * self.warming.shift_hz * share
        if self.creep_hz_per_s:
            since_s = np.minimum(self.keying.since(at_s), self.keying.longest_s)
            frequency += self.order * self.creep_hz_per_s * since_s
        return frequency

    def gain(self, at_s: Float) -> Float:
        """Power factor at each instant: 0 while off, below 1 as a transmitter warms."""
        gain = self.keying.gain(at_s)
        if self.warming is not None and self.warming.droop_db:
            share = self.warming.share(self.keying.since(at_s))
            gain = gain * 10.0 ** (-self.warming.droop_db * share / 10.0)
        return gain


class Density(ABC):
    """Noise that has a power density at every frequency."""

    name: str

    @abstractmethod
    def density_mw_per_hz(self, frequency_hz: Float, at_s: Float) -> Float:
        """Density at pairs of frequency and instant, both (points,)."""

    @abstractmethod
    def touches(self, start_hz: float, stop_hz: float) -> bool:
        """Whether it has anything between two frequencies."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseFloor(Density):
    """External noise: F_a = c − d·log10(f/MHz) above kT0, with a course over the day and a flutter.

    The form is that of Rec. ITU-R P.372 (man-made noise; c and d of a place, from memory); the
    course is a cosine with its top at ``peak_h`` by the clock of ``zone``, ``course_db`` from
    bottom to top. ``drift_db`` is a slower wander, as of dew and of the cold.
    """

    key: int
    c_db: float
    d_db: float
    course_db: float = 0.0
    peak_h: float = 18.0
    flutter_db: float = 0.0
    drift_db: Drift | None = None
    zone: Zone = UTC_ZONE
    name: str = "noise floor"

    def density_dbm_per_hz(self, frequency_hz: Float, at_s: Float) -> Float:
        external_db = self.c_db - self.d_db * np.log10(np.maximum(frequency_hz, 1.0) * 1e-6)
        hour = self.zone.hour(at_s)
        course = self.course_db / 2.0 * np.cos(2.0 * np.pi * (hour - self.peak_h) / 24.0)
        if self.flutter_db:
            course = course + Drift(key=self.key, swing=self.flutter_db, period_s=1700.0).at(at_s)
        if self.drift_db is not None:
            course = course + self.drift_db.at(at_s)
        return np.asarray(external_db + course + THERMAL_DENSITY_DBM_PER_HZ)

    def density_mw_per_hz(self, frequency_hz: Float, at_s: Float) -> Float:
        return np.asarray(10.0 ** (self.density_dbm_per_hz(frequency_hz, at_s) / 10.0))

    def touches(self, start_hz: float, stop_hz: float) -> bool:
        return True


@dataclass(frozen=True, slots=True, kw_only=True)
class Hump(Density):
    """Noise over part of the spectrum: flat from ``start_hz`` to ``stop_hz``, rounded edges.

    The edges are logistic with a width of ``edge_hz`` from 12 % to 88 %.
    """

    name: str
    start_hz: float
    stop_hz: float
    density_dbm_per_hz: float
    edge_hz: float
    keying: Keying = field(default_factory=Always)
    drift_db: Drift | None = None

    def density_mw_per_hz(self, frequency_hz: Float, at_s: Float) -> Float:
        gain = self.keying.gain(at_s)
        if not gain.any():
            return gain
        slope = 4.0 / self.edge_hz
        low = 1.0 + np.exp(np.clip(-(frequency_hz - self.start_hz) * slope, -300.0, 300.0))
        high = 1.0 + np.exp(np.clip((frequency_hz - self.stop_hz) * slope, -300.0, 300.0))
        level = self.density_dbm_per_hz
        if self.drift_db is not None:
            return np.asarray(gain * 10.0 ** ((level + self.drift_db.at(at_s)) / 10.0) / low / high)
        return np.asarray(gain * milliwatt(level) / low / high)

    def touches(self, start_hz: float, stop_hz: float) -> bool:
        margin = 8.0 * self.edge_hz
        return self.start_hz - margin < stop_hz and self.stop_hz + margin > start_hz


@dataclass(frozen=True, slots=True, kw_only=True)
class Comb:
    """The harmonics of a switching converter: lines at n·f, wider and weaker as n rises.

    Line n has ``power_dbm`` − ``slope_db_per_decade``·log10(n) and a spread of n·``jitter_hz``.
    """

    name: str
    fundamental_hz: float
    power_dbm: float
    slope_db_per_decade: float
    jitter_hz: float
    stop_hz: float
    drift: Drift | None = None
    drift_db: Drift | None = None
    keying: Keying = field(default_factory=Always)

    def spacing_hz(self, at_s: Float) -> Float:
        spacing = np.full_like(at_s, self.fundamental_hz)
        return spacing if self.drift is None else spacing + self.drift.at(at_s)

    def power_mw(self, number: Float, at_s: Float) -> Float:
        """Power of line ``number`` at each instant; 0 below 1 and above ``stop_hz``."""
        known = (number >= 1) & (number * self.fundamental_hz <= self.stop_hz)
        decades = np.log10(np.maximum(number, 1.0))
        level = self.power_dbm - self.slope_db_per_decade * decades
        if self.drift_db is not None:
            level = level + self.drift_db.at(at_s)
        return np.asarray(np.where(known, 10.0 ** (level / 10.0), 0.0) * self.keying.gain(at_s))


@dataclass(frozen=True, slots=True)
class Strike:
    """Impulses in a stretch of time: instants and peak levels in the reference bandwidth."""

    at_s: Float
    peak_dbm: Float


@dataclass(frozen=True, slots=True, kw_only=True)
class Impulses:
    """Broadband impulses, as of an ignition or a fence: far shorter than any filter's response.

    ``peak_dbm`` is what a peak detector shows in ``reference_hz``; the shown level grows with
    20 log10 of the bandwidth. They come as a Poisson stream of ``rate_per_s`` while keyed.
    """

    name: str
    key: int
    start_hz: float
    stop_hz: float
    peak_dbm: float
    reference_hz: float
    rate_per_s: float
    spread_db: float = 3.0
    keying: Keying = field(default_factory=Always)

    CELL_MEAN = 8.0
    CELL_MAX = 48
    """Cells of time hold 8 impulses in the mean; more than 48 have a chance below 1e-20."""

    def strikes(self, start_s: float, stop_s: float) -> Strike:
        """The impulses in [start_s, stop_s), in no particular order."""
        cell_s = self.CELL_MEAN / self.rate_per_s
        cell = np.arange(np.floor(start_s / cell_s), np.ceil(stop_s / cell_s)).astype(np.int64)
        number = (cell[:, None] * 64 + np.arange(self.CELL_MAX)).ravel()
        passed = np.cumsum(exponential(self.key, number).reshape(cell.size, -1), axis=1)
        at_s = ((cell[:, None] + passed / self.CELL_MEAN) * cell_s).ravel()
        inside = (passed.ravel() < self.CELL_MEAN) & (at_s >= start_s) & (at_s < stop_s)
        at_s, number = at_s[inside], number[inside]
        on = self.keying.gain(at_s) > 0
        level = self.peak_dbm + self.spread_db * np.clip(normal(self.key, number[on], 1), -3, 3)
        return Strike(at_s[on], level)
