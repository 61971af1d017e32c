"""What stands between the thing measured and the sweeper's input, and what it does to levels.

A chain is a row of parts from the reference plane (its far end: the aerial socket, the transmitter)
to the sweeper's input. Each part has a gain against frequency, negative for a loss. It is turned
into one array once per grid; after that a level is referred by a subtraction:

    level at the reference plane = level at the sweeper's input − gain of the chain

Power figures here serve guarantee G7: what can arrive at the input, what each pad must stand, and
what a source in the sweeper sends out at the far end. They are worked out from what the user states
and do not protect anything by themselves. What happens if a part fails, which pad is missing and
what a transmitter nearby brings is in :mod:`acqd.safety`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.units import dbm_from_watt

__all__ = [
    "ASSUMED_MAX_C",
    "LEAST_MARGIN_DB",
    "MARGIN_DB",
    "POWER_RESERVE_DB",
    "Chain",
    "ChainPart",
    "Dissipation",
    "Headroom",
    "PartKind",
    "Radiated",
    "derated_w",
    "level_at_plane",
]

POWER_RESERVE_DB = 3.0
"""Added to the largest stated power: a transmitter may give more than its label says (G7)."""

MARGIN_DB = 20.0
"""How far below the sweeper's absolute maximum a planned level must stay, unless asked (G7)."""

LEAST_MARGIN_DB = 10.0
"""The least margin that may be asked for (G7)."""

RATED_AT_C = 25.0
"""Temperature that ratings are taken to be stated for (trade practice)."""

ASSUMED_MAX_C = 100.0
"""Temperature at which a part stands no more power, where nobody states it. Definition ours: on the
low side of the 125 °C and more that data sheets of pads give, so that warmth counts for too much
rather than for too little."""

SPEAKS_OF_HEAT_W = 0.01
"""Below this no rating is needed. Definition ours; the smallest parts stand ten times as much."""


class PartKind(StrEnum):
    """What a part is. Only words for people: the arithmetic is the same for all."""

    PAD = "pad"
    CABLE = "cable"
    AMPLIFIER = "amplifier"
    FILTER = "filter"
    COUPLER = "coupler"
    LIMITER = "limiter"
    ANTENNA = "antenna"
    """Its gain is over an isotropic aerial, and the plane is the output of such an aerial."""
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class ChainPart:
    """One part. ``gain_db`` belongs to ``frequency_hz`` point by point, in rising order.

    One point means: the same at every frequency. ``uncertainty_db`` is the half-width of the
    interval that holds the true gain with about 95 % (k = 2). ``rated_w`` is the power that the
    part may turn into heat at 25 °C for as long as one likes, None where nobody knows; it falls
    linearly to nothing at ``max_c`` (:data:`ASSUMED_MAX_C` where None). ``reverse_gain_db`` is the
    gain from the sweeper's side to the far side, None for that of the other direction.
    """

    kind: PartKind
    name: str
    frequency_hz: tuple[float, ...]
    gain_db: tuple[float, ...]
    uncertainty_db: float = 0.0
    rated_w: float | None = None
    max_c: float | None = None
    reverse_gain_db: float | None = None

    def __post_init__(self) -> None:
        if not self.frequency_hz or len(self.frequency_hz) != len(self.gain_db):
            raise ValueError(
                f"chain part {self.name!r}: as many gains as frequencies and at least one of each "
                f"are needed, got {len(self.gain_db)} and {len(self.frequency_hz)}"
            )
        if not all(map(math.isfinite, (*self.frequency_hz, *self.gain_db))):
            raise ValueError(f"chain part {self.name!r}: frequencies and gains must be finite")
        pairs = zip(self.frequency_hz, self.frequency_hz[1:], strict=False)
        if any(high <= low for low, high in pairs):
            raise ValueError(f"chain part {self.name!r}: frequencies must rise from row to row")
        if not self.uncertainty_db >= 0:
            raise ValueError(
                f"chain part {self.name!r}: uncertainty_db must not be below 0, "
                f"got {self.uncertainty_db}"
            )
        if self.rated_w is not None and not self.rated_w > 0:
            raise ValueError(
                f"chain part {self.name!r}: rated_w must be above 0, got {self.rated_w}"
            )
        if self.max_c is not None and not RATED_AT_C < self.max_c < math.inf:
            raise ValueError(
                f"chain part {self.name!r}: max_c must be above {RATED_AT_C:g}, got {self.max_c}"
            )
        if self.reverse_gain_db is not None and not math.isfinite(self.reverse_gain_db):
            raise ValueError(
                f"chain part {self.name!r}: reverse_gain_db must be finite, "
                f"got {self.reverse_gain_db}"
            )

    @classmethod
    def flat(
        cls,
        kind: PartKind,
        name: str,
        *,
        gain_db: float,
        uncertainty_db: float = 0.0,
        rated_w: float | None = None,
        max_c: float | None = None,
        reverse_gain_db: float | None = None,
    ) -> ChainPart:
        """A part with one gain at all frequencies; a 20 dB pad has ``gain_db=-20``."""
        return cls(
            kind=kind,
            name=name,
            frequency_hz=(0.0,),
            gain_db=(gain_db,),
            uncertainty_db=uncertainty_db,
            rated_w=rated_w,
            max_c=max_c,
            reverse_gain_db=reverse_gain_db,
        )

    @property
    def is_flat(self) -> bool:
        return len(self.frequency_hz) == 1

    def gain_at_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Gain at each frequency, linear in dB between rows, the end rows' value outside them."""
        at_hz = np.asarray(frequency_hz, dtype=np.float64)
        return np.asarray(np.interp(at_hz, self.frequency_hz, self.gain_db), dtype=np.float64)

    def reverse_gain_at_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Gain from the sweeper's side to the far side at each frequency.

        That of the other direction, as passive parts have it. An amplifier of which nobody states
        it is taken to let pass all there is (0 dB): none is known to hold back any.
        """
        at_hz = np.asarray(frequency_hz, dtype=np.float64)
        if self.reverse_gain_db is not None:
            return np.full(at_hz.shape, self.reverse_gain_db)
        if self.kind is PartKind.AMPLIFIER:
            return np.zeros(at_hz.shape)
        return self.gain_at_db(at_hz)

    def rated_at_w(self, ambient_c: float) -> float | None:
        """Power that the part stands at ``ambient_c``, None where nobody states a rating."""
        if self.rated_w is None:
            return None
        max_c = ASSUMED_MAX_C if self.max_c is None else self.max_c
        return derated_w(self.rated_w, max_c=max_c, ambient_c=ambient_c)

    def outside(self, frequency_hz: ArrayLike) -> NDArray[np.bool_]:
        """True where :meth:`gain_at_db` holds an end value because the table does not reach."""
        at_hz = np.asarray(frequency_hz, dtype=np.float64)
        if self.is_flat:
            return np.zeros(at_hz.shape, dtype=np.bool_)
        return np.asarray((at_hz < self.frequency_hz[0]) | (at_hz > self.frequency_hz[-1]))

    def to_json(self) -> dict[str, Any]:
        """Plain JSON data for the archive; :meth:`from_json` is its exact inverse.

        ``max_c`` and ``reverse_gain_db`` stand in it only where they are stated: digests of setups
        are made from this text, and older archives do not have them.
        """
        later = {"max_c": self.max_c, "reverse_gain_db": self.reverse_gain_db}
        return {
            "kind": self.kind.value,
            "name": self.name,
            "frequency_hz": list(self.frequency_hz),
            "gain_db": list(self.gain_db),
            "uncertainty_db": self.uncertainty_db,
            "rated_w": self.rated_w,
            **{key: value for key, value in later.items() if value is not None},
        }

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> ChainPart:
        """The part that :meth:`to_json` made ``data`` from. Raises KeyError or ValueError."""
        rated_w, max_c = data["rated_w"], data.get("max_c")
        reverse_gain_db = data.get("reverse_gain_db")
        return cls(
            kind=PartKind(data["kind"]),
            name=str(data["name"]),
            frequency_hz=tuple(float(x) for x in data["frequency_hz"]),
            gain_db=tuple(float(x) for x in data["gain_db"]),
            uncertainty_db=float(data["uncertainty_db"]),
            rated_w=None if rated_w is None else float(rated_w),
            max_c=None if max_c is None else float(max_c),
            reverse_gain_db=None if reverse_gain_db is None else float(reverse_gain_db),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Headroom:
    """Whether what can arrive stays far enough below what the input stands (G7).

    ``absolute_max_dbm`` None: nobody stated it, and the answer is no.
    """

    planned_dbm: float
    """Largest level at the sweeper's input, reserve included."""
    absolute_max_dbm: float | None
    margin_db: float
    missing_db: float
    """Loss that has to be added before it is enough; 0 where it is, infinite where unknown."""

    @property
    def enough(self) -> bool:
        return self.missing_db <= 0.0

    def __str__(self) -> str:
        planned = f"{self.planned_dbm:.1f} dBm at the sweeper's input".replace("-", "−")
        if self.absolute_max_dbm is None:
            return f"{planned}, and its absolute maximum is unknown: state it first"
        most = f"{self.absolute_max_dbm - self.margin_db:.1f} dBm".replace("-", "−")
        if self.enough:
            return f"{planned}, at most {most} allowed: enough"
        return f"{planned}, at most {most} allowed: add a pad of {self.missing_db:.1f} dB or more"


@dataclass(frozen=True, slots=True, kw_only=True)
class Dissipation:
    """What one part has to turn into heat.

    ``dissipated_w`` is while the power is there, ``heat_w`` the mean over the duty cycle.
    ``rated_w`` is as stated, ``derated_w`` what is left of it at ``ambient_c``.
    """

    name: str
    arriving_w: float
    dissipated_w: float
    rated_w: float | None
    derated_w: float | None
    ambient_c: float = RATED_AT_C
    duty: float = 1.0

    @property
    def heat_w(self) -> float:
        return self.dissipated_w * self.duty

    @property
    def within_rating(self) -> bool | None:
        """None where the rating is unknown and there is heat to speak of (over 10 mW)."""
        if self.derated_w is None:
            return True if self.heat_w <= SPEAKS_OF_HEAT_W else None
        # A pad that is used exactly at its rating must not fail on the last bit of a product.
        return self.heat_w <= self.derated_w * (1.0 + 1e-9)

    def __str__(self) -> str:
        takes = f"{self.name} turns {self.heat_w:.3g} W into heat"
        if self.derated_w is None:
            small = self.within_rating is True
            return takes if small else f"{takes}, and its rating is unknown: state it first"
        rated = f"{self.derated_w:.3g} W"
        if self.derated_w != self.rated_w:
            ambient = f"{self.ambient_c:g} °C".replace("-", "−")
            rated += f" at {ambient} ({self.rated_w:.3g} W at {RATED_AT_C:g} °C)"
        return f"{takes}, rated for {rated}: {'enough' if self.within_rating else 'too much'}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Radiated:
    """What a source in the sweeper sends out at the far end of a chain.

    With an aerial in the chain the level is the effective isotropic radiated power, else the power
    that comes out of the far end.
    """

    source_dbm: float
    level_dbm: float
    is_eirp: bool

    def __str__(self) -> str:
        out = "EIRP radiated" if self.is_eirp else "at the far end of the chain"
        return f"{self.source_dbm:.1f} dBm from the source: {self.level_dbm:.1f} dBm {out}".replace(
            "-", "−"
        )


@dataclass(frozen=True, slots=True)
class Chain:
    """Parts in the order in which the power meets them: reference plane first, sweeper last."""

    parts: tuple[ChainPart, ...] = ()

    def gain_db(self, frequency_hz: ArrayLike) -> NDArray[np.float64]:
        """Gain from the plane to the sweeper's input, float64 of the shape of ``frequency_hz``.

        A loss is negative. Outside a part's table its end value is held; :meth:`extrapolated` says
        how much of that there is. Work it out once per grid.
        """
        at_hz = np.asarray(frequency_hz, dtype=np.float64)
        total = np.zeros(at_hz.shape)
        for part in self.parts:
            total += part.gain_at_db(at_hz)
        return total

    def extrapolated(self, frequency_hz: ArrayLike) -> float:
        """Fraction 0..1 of the frequencies at which some part's table does not reach."""
        at_hz = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
        if at_hz.size == 0:
            return 0.0
        outside = np.zeros(at_hz.shape, dtype=np.bool_)
        for part in self.parts:
            outside |= part.outside(at_hz)
        return float(outside.mean())

    @property
    def uncertainty_db(self) -> float:
        """Half-width at about 95 % (k = 2): root of the sum of squares (JCGM 100)."""
        return math.sqrt(sum(part.uncertainty_db**2 for part in self.parts))

    @property
    def is_empty(self) -> bool:
        return not self.parts

    def rows_hz(self, start_hz: float, stop_hz: float) -> tuple[float, ...]:
        """Two frequencies and the rows of all tables in between, rising.

        Gains are linear in dB between them, so the largest of a chain is at one of them.
        """
        rows = {start_hz, stop_hz}
        for part in self.parts:
            rows.update(hz for hz in part.frequency_hz if start_hz < hz < stop_hz)
        return tuple(sorted(rows))

    def largest_gain_db(self, start_hz: float, stop_hz: float) -> float:
        """Largest gain between two frequencies, the rows of all tables in between included."""
        return float(self.gain_db(self.rows_hz(start_hz, stop_hz)).max())

    def radiated(self, source_dbm: float, *, start_hz: float, stop_hz: float) -> Radiated:
        """What a source of ``source_dbm`` at the sweeper sends out at the far end.

        The chain is passed backwards with its least loss between the two frequencies; reflections
        in it are not counted. Gains are as stated; the uncertainty of the chain comes on top.

        Raises:
            ValueError: the level is not finite.
        """
        if not math.isfinite(source_dbm):
            raise ValueError(f"source_dbm must be finite, got {source_dbm}")
        rows_hz = self.rows_hz(start_hz, stop_hz)
        gain_db = np.zeros(len(rows_hz))
        for part in self.parts:
            gain_db += part.reverse_gain_at_db(rows_hz)
        return Radiated(
            source_dbm=source_dbm,
            level_dbm=source_dbm + float(gain_db.max()),
            is_eirp=any(part.kind is PartKind.ANTENNA for part in self.parts),
        )

    def planned_input_dbm(
        self,
        power_w: float,
        *,
        start_hz: float,
        stop_hz: float,
        reserve_db: float = POWER_RESERVE_DB,
    ) -> float:
        """Largest level at the sweeper's input for a stated power at the plane.

        ``start_hz`` to ``stop_hz`` is where that power may be; the least loss in it counts. That an
        amplifier cannot give what its gain promises is not counted on.

        Raises:
            ValueError: ``power_w`` is not above 0, or ``reserve_db`` is below 0.
        """
        if not 0 < power_w < math.inf:
            raise ValueError(f"power_w must be above 0, got {power_w}")
        if not reserve_db >= 0:
            raise ValueError(f"reserve_db must not be below 0, got {reserve_db}")
        gain_db = self.largest_gain_db(start_hz, stop_hz)
        return float(dbm_from_watt(power_w)) + reserve_db + gain_db

    def headroom(
        self,
        power_w: float,
        *,
        start_hz: float,
        stop_hz: float,
        absolute_max_dbm: float | None,
        margin_db: float = MARGIN_DB,
        reserve_db: float = POWER_RESERVE_DB,
    ) -> Headroom:
        """Judge a stated power against the sweeper's absolute maximum (G7).

        Raises:
            ValueError: ``margin_db`` is below :data:`LEAST_MARGIN_DB`, or as in
                :meth:`planned_input_dbm`.
        """
        if not margin_db >= LEAST_MARGIN_DB:
            raise ValueError(
                f"margin_db must be at least {LEAST_MARGIN_DB:g}, got {margin_db}: "
                "less leaves nothing for a wrong label or a bad connection"
            )
        planned_dbm = self.planned_input_dbm(
            power_w, start_hz=start_hz, stop_hz=stop_hz, reserve_db=reserve_db
        )
        missing_db = math.inf
        if absolute_max_dbm is not None:
            missing_db = max(0.0, planned_dbm - (absolute_max_dbm - margin_db))
            # A chain that meets the figure exactly must not fail on the last bit of a sum.
            missing_db = 0.0 if missing_db < 1e-9 else missing_db
        return Headroom(
            planned_dbm=planned_dbm,
            absolute_max_dbm=absolute_max_dbm,
            margin_db=margin_db,
            missing_db=missing_db,
        )

    def dissipation(
        self,
        power_w: float,
        frequency_hz: float,
        *,
        ambient_c: float = RATED_AT_C,
        duty: float = 1.0,
    ) -> tuple[Dissipation, ...]:
        """The heat in each part for ``power_w`` at the plane: P · (1 − 10^(−A/10)) each.

        Amplifiers and other parts with gain count as turning nothing of what arrives into heat; a
        filter or coupler that sends its loss elsewhere than into heat counts as if it did not.

        Args:
            power_w: while the transmitter is on; no reserve is added.
            ambient_c: temperature where the parts are, which ratings are derated to.
            duty: share of the time that the power is there, above 0 to 1. Heat is its mean, which
                holds for on-times short against the minute or so that a small pad takes to warm.
                A part's peak rating is not looked at.

        Raises:
            ValueError: ``duty`` is not above 0 and at most 1, ``power_w`` is not above 0, or
                ``ambient_c`` is not finite.
        """
        if not 0 < power_w < math.inf:
            raise ValueError(f"power_w must be above 0, got {power_w}")
        if not 0.0 < duty <= 1.0:
            raise ValueError(f"duty must be above 0 and at most 1, got {duty}")
        if not math.isfinite(ambient_c):
            raise ValueError(f"ambient_c must be finite, got {ambient_c}")
        found = []
        arriving_w = power_w
        for part in self.parts:
            ratio = 10.0 ** (float(part.gain_at_db(frequency_hz)) / 10.0)
            found.append(
                Dissipation(
                    name=part.name,
                    arriving_w=arriving_w,
                    dissipated_w=arriving_w * max(0.0, 1.0 - ratio),
                    rated_w=part.rated_w,
                    derated_w=part.rated_at_w(ambient_c),
                    ambient_c=ambient_c,
                    duty=duty,
                )
            )
            arriving_w *= ratio
        return tuple(found)

    def to_json(self) -> list[dict[str, Any]]:
        """Plain JSON data for the archive; :meth:`from_json` is its exact inverse."""
        return [part.to_json() for part in self.parts]

    @classmethod
    def from_json(cls, data: Sequence[Mapping[str, Any]]) -> Chain:
        """The chain that :meth:`to_json` made ``data`` from. Raises KeyError or ValueError."""
        return cls(tuple(ChainPart.from_json(part) for part in data))


def level_at_plane(
    level: NDArray[np.floating], gain_db: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Levels at the reference plane, float64 (points,): level at the input − gain of the chain."""
    return np.asarray(np.subtract(level, gain_db, dtype=np.float64))


def derated_w(
    rated_w: float, *, max_c: float, ambient_c: float, rated_at_c: float = RATED_AT_C
) -> float:
    """Power that a pad stands at ``ambient_c``, falling linearly to nothing at ``max_c``.

    Trade practice: P25 · (Tmax − T) / (Tmax − 25 °C); never more than ``rated_w``.
    """
    if not max_c > rated_at_c:
        raise ValueError(f"max_c must be above {rated_at_c}, got {max_c}")
    share = (max_c - ambient_c) / (max_c - rated_at_c)
    return rated_w * min(1.0, max(0.0, share))
