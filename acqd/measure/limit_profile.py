"""Limit profiles as data: tables of limits, each row with where it holds and what it asks.

A row says where it holds (product, carrier, power, date installed) and what it asks: an absolute
level, a number of dB below the carrier, or both, and how far either is relaxed. Nothing of a single
regulation is written in here: a profile follows one edition of one text, and local rules prevail.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.words import number_text

__all__ = [
    "Domain",
    "LimitDetector",
    "LimitMark",
    "LimitProfile",
    "LimitQuantity",
    "LimitRow",
    "LimitUnit",
    "PowerKind",
    "ReferenceBandwidth",
    "Span",
    "WidthKind",
]

Float = NDArray[np.float64]


class LimitUnit(StrEnum):
    """What a limit is counted in."""

    DBM = "dBm"
    DBUV = "dBµV"
    DBUV_PER_M = "dBµV/m"


class LimitQuantity(StrEnum):
    """What is limited: power into a line, voltage at a network, field at a distance."""

    POWER = "power"
    VOLTAGE = "voltage"
    FIELD = "field"

    @property
    def unit(self) -> LimitUnit:
        return _UNITS[self]


_UNITS = {
    LimitQuantity.POWER: LimitUnit.DBM,
    LimitQuantity.VOLTAGE: LimitUnit.DBUV,
    LimitQuantity.FIELD: LimitUnit.DBUV_PER_M,
}


class LimitMark(StrEnum):
    """How sure the figures of a profile are."""

    READ = "read in a copy"
    QUOTED = "quoted elsewhere"
    MEMORY = "from memory: check the edition"
    OWN = "own figures"


class LimitDetector(StrEnum):
    """The detector that a limit is for."""

    PEAK = "peak"
    QUASI_PEAK = "quasi-peak"
    AVERAGE = "average"
    """Mean of the envelope voltage, as CISPR has it."""
    RMS = "rms"
    """Mean power."""


class WidthKind(StrEnum):
    """Between which points of its shape a filter's bandwidth is counted."""

    DB_3 = "3 dB"
    DB_6 = "6 dB"
    NOISE = "noise"
    IMPULSE = "impulse"


class PowerKind(StrEnum):
    """Which power of the carrier a profile's formulas mean."""

    MEAN = "mean"
    PEAK_ENVELOPE = "peak envelope"


class Domain(StrEnum):
    """Which frequencies around a carrier the profile leaves out."""

    ANY = "any"
    """None."""
    OUTSIDE_BANDWIDTH = "outside bandwidth"
    """The necessary bandwidth."""
    SPURIOUS = "spurious"
    """The out-of-band domain too, out to :func:`~acqd.measure.limits.spurious_boundary_hz`."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """An interval. Its ends belong to it unless said otherwise."""

    low: float = -math.inf
    high: float = math.inf
    low_in: bool = True
    high_in: bool = True

    @property
    def bounded(self) -> bool:
        """False where every value is in it."""
        return not (math.isinf(self.low) and math.isinf(self.high))

    def holds(self, value: ArrayLike) -> NDArray[np.bool_]:
        """Whether each value is in it; NaN is not, unless nothing bounds it."""
        if not self.bounded:
            return np.ones(np.shape(value), dtype=np.bool_)
        values = np.asarray(value, dtype=np.float64)
        above = values >= self.low if self.low_in else values > self.low
        below = values <= self.high if self.high_in else values < self.high
        return np.asarray(above & below)


ANYTHING = Span()


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitRow:
    """One row: where it holds, and what it asks there. Levels are in the profile's unit.

    ``at_most`` is a level at ``at_most_at_hz`` that changes by ``slope_db_per_decade`` with the
    logarithm of frequency. ``at_least_down_db`` counts from the carrier's power; with
    ``plus_10_log_power`` 10 log P(W) is added. ``cap_db`` is the most attenuation that it ever asks
    ("whichever is less stringent"). ``floor`` is a level that nothing need go below, whatever the
    rest says. A row with ``no_figure`` says in words that there is no figure.
    """

    rule: str
    carrier_hz: Span = ANYTHING
    power_w: Span = ANYTHING
    at_hz: Span = ANYTHING
    installed_after: date | None = None
    installed_by: date | None = None
    detector: LimitDetector | None = None
    at_most: float | None = None
    at_most_at_hz: float = 1.0
    slope_db_per_decade: float = 0.0
    at_least_down_db: float | None = None
    plus_10_log_power: bool = False
    cap_db: float | None = None
    floor: float | None = None
    distance_m: float | None = None
    no_figure: str = ""

    @property
    def plainly_relative(self) -> bool:
        """A plain number of dB below the carrier, for which the power need not be known."""
        absolute = self.at_most is not None or self.floor is not None
        return not (absolute or self.plus_10_log_power or self.power_w.bounded)

    @property
    def needs_power(self) -> bool:
        return self.power_w.bounded or (self.at_least_down_db is not None)

    @property
    def dated(self) -> bool:
        return self.installed_after is not None or self.installed_by is not None

    def may_hold_on(self, installed: date | None) -> bool:
        """Whether it holds for gear of that date; where nobody knows the date it may."""
        if installed is None:
            return True
        late = self.installed_after is None or installed > self.installed_after
        return late and (self.installed_by is None or installed <= self.installed_by)

    def level(self, power_dbm: float, at_hz: Float) -> Float:
        """Allowed level at each of ``at_hz`` (float64, all above 0), at its own distance."""
        level = np.full(at_hz.shape, math.inf)
        if self.at_most is not None:
            level = np.full(at_hz.shape, self.at_most)
            if self.slope_db_per_decade:
                level += self.slope_db_per_decade * np.log10(at_hz / self.at_most_at_hz)
        if self.at_least_down_db is not None:
            level = np.minimum(level, power_dbm - self._down_db(power_dbm))
        return level if self.floor is None else np.maximum(level, self.floor)

    def _down_db(self, power_dbm: float) -> float:
        assert self.at_least_down_db is not None
        down_db = self.at_least_down_db + (power_dbm - 30.0 if self.plus_10_log_power else 0.0)
        return down_db if self.cap_db is None else min(down_db, self.cap_db)

    def words(self, unit: LimitUnit) -> str:
        """What it asks, in a sentence's words."""
        asks = []
        if self.at_most is not None and self.slope_db_per_decade:
            asks.append("at most a level that changes with frequency")
        elif self.at_most is not None:
            asks.append(f"at most {number_text(self.at_most, 1)} {unit}")
        if self.at_least_down_db is not None:
            formula = " + 10 log P" if self.plus_10_log_power else ""
            asks.append(f"at least {self.at_least_down_db:g}{formula} dB below the carrier")
        said = " and ".join(asks)
        if self.cap_db is not None:
            said += f", {self.cap_db:g} dB where that is less stringent"
        if self.floor is not None:
            said += f", but nothing need be below {number_text(self.floor, 1)} {unit}"
        return said


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceBandwidth:
    """The bandwidth that a limit's figure belongs to, for products in a span of frequencies."""

    at_hz: Span
    width_hz: float
    kind: WidthKind | None = None
    """None where the text does not say between which points it is counted."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitProfile:
    """A table of limits: which text and edition it follows, and how sure its figures are."""

    name: str
    title: str
    edition: str
    mark: LimitMark
    source: str
    prevails: str
    quantity: LimitQuantity
    rows: tuple[LimitRow, ...]
    reference_bandwidths: tuple[ReferenceBandwidth, ...] = ()
    power_kind: PowerKind = PowerKind.MEAN
    domain: Domain = Domain.ANY

    @property
    def unit(self) -> LimitUnit:
        return self.quantity.unit

    def reference_at(self, at_hz: float) -> ReferenceBandwidth | None:
        """The reference bandwidth at a frequency; where two ranges meet, that of the upper."""
        holding = [each for each in self.reference_bandwidths if each.at_hz.holds(at_hz)]
        return max(holding, key=lambda each: each.at_hz.low) if holding else None
