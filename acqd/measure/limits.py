"""What a limit profile allows: at one frequency, or along a trace.

Where several rows of a profile hold, the tightest rules. What is said is "this much is allowed by
this limit, in this edition", which is no legal advice: local rules prevail.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.measure.fieldstrength import field_at_distance_db
from acqd.measure.limit_profile import (
    Domain,
    LimitDetector,
    LimitProfile,
    LimitQuantity,
    LimitRow,
    LimitUnit,
    ReferenceBandwidth,
)
from acqd.measure.words import frequency_text, number_text
from acqd.units import dbm_from_watt

__all__ = [
    "Allowed",
    "LimitTrace",
    "NoLimit",
    "allowed",
    "allowed_each",
    "limit_trace",
    "spurious_boundary_hz",
]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Allowed:
    """What a profile allows at one frequency.

    ``level`` is None where the limit is relative and the carrier's power is not known; ``down_db``
    (dB below the carrier) is None where it is not a power or the carrier's power is not known.
    """

    title: str
    edition: str
    at_hz: float
    level: float | None
    unit: LimitUnit
    down_db: float | None
    rule: str
    detector: LimitDetector | None
    reference: ReferenceBandwidth | None
    distance_m: float | None
    notes: tuple[str, ...] = ()

    @property
    def level_dbm(self) -> float | None:
        """``level`` where it is in dBm, else None."""
        return self.level if self.unit is LimitUnit.DBM else None

    @property
    def level_dbuv(self) -> float | None:
        """``level`` where it is in dBµV, else None."""
        return self.level if self.unit is LimitUnit.DBUV else None

    @property
    def level_dbuv_per_m(self) -> float | None:
        """``level`` where it is in dBµV/m, else None."""
        return self.level if self.unit is LimitUnit.DBUV_PER_M else None

    @property
    def reference_bandwidth_hz(self) -> float | None:
        return None if self.reference is None else self.reference.width_hz

    @property
    def text(self) -> str:
        """ "−16.0 dBm, 53.0 dB below the carrier" or "40.0 dBµV/m at 3 m, quasi-peak"."""
        said = []
        if self.level is not None:
            where = "" if self.distance_m is None else f" at {self.distance_m:g} m"
            said.append(f"{number_text(self.level, 1)} {self.unit}{where}")
        if self.down_db is not None:
            said.append(f"{number_text(self.down_db, 1)} dB below the carrier")
        if self.detector is not None:
            said.append(str(self.detector))
        return ", ".join(said)


@dataclass(frozen=True, slots=True, kw_only=True)
class NoLimit:
    """Why there is no figure. ``missing`` names what has to be stated first, where that is it."""

    reason: str
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class LimitTrace:
    """A limit along frequencies, for one detector or the tightest of all. NaN where there is none.

    ``level`` and ``down_db`` (points,) as in :class:`Allowed`; ``reference_bandwidth_hz`` (points,)
    is NaN where no bandwidth is named.
    """

    at_hz: Float
    level: Float | None
    down_db: Float | None
    unit: LimitUnit
    reference_bandwidth_hz: Float
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Case:
    """What is judged: all that the conditions of rows ask about but the product's frequency."""

    carrier_hz: float | None
    power_w: float | None
    necessary_bandwidth_hz: float | None
    installed: date | None
    distance_m: float | None

    def __post_init__(self) -> None:
        for name in ("carrier_hz", "power_w", "necessary_bandwidth_hz", "distance_m"):
            value = getattr(self, name)
            if value is not None and not (value > 0.0 and math.isfinite(value)):
                raise ValueError(f"{name} must be finite and above 0, got {value}")

    @property
    def power_dbm(self) -> float:
        """0 where it is not known: levels are then relative to the carrier."""
        return 0.0 if self.power_w is None else float(dbm_from_watt(self.power_w))


def allowed(
    profile: LimitProfile,
    *,
    at_hz: float,
    carrier_hz: float | None = None,
    power_w: float | None = None,
    necessary_bandwidth_hz: float | None = None,
    installed: date | None = None,
    distance_m: float | None = None,
    detector: LimitDetector | None = None,
) -> Allowed | NoLimit:
    """What a profile allows at ``at_hz``: for ``detector``, or else the tightest of all detectors.

    Args:
        carrier_hz, power_w: of the transmitter's carrier, power as ``profile.power_kind`` says.
        necessary_bandwidth_hz: of the emission. Where it is given nothing is limited within the
            domain that the profile leaves out; where not, the caller has to know what is carrier.
        installed: when the transmitter was; where nobody says, the tightest of what may hold rules,
            and the notes say so.
        distance_m: for fields. Rows of another distance are brought to it by
            :func:`~acqd.measure.fieldstrength.field_at_distance_db`, from the nearest.

    Raises:
        ValueError: a figure that is not finite and above 0.

    Source: definition ours; the figures are those of the profile.
    """
    each = allowed_each(
        profile,
        at_hz=at_hz,
        carrier_hz=carrier_hz,
        power_w=power_w,
        necessary_bandwidth_hz=necessary_bandwidth_hz,
        installed=installed,
        distance_m=distance_m,
    )
    if isinstance(each, NoLimit):
        return each
    wanted = [one for one in each if detector is None or one.detector in (detector, None)]
    if not wanted:
        reason = f"{profile.title} has no {detector} limit at {frequency_text(at_hz)}"
        return NoLimit(reason=reason)
    return min(wanted, key=_tightness)


def allowed_each(
    profile: LimitProfile,
    *,
    at_hz: float,
    carrier_hz: float | None = None,
    power_w: float | None = None,
    necessary_bandwidth_hz: float | None = None,
    installed: date | None = None,
    distance_m: float | None = None,
) -> tuple[Allowed, ...] | NoLimit:
    """:func:`allowed` for each detector that has a limit at ``at_hz``: all of them have to be met.

    In the order in which the detectors come in the profile, never empty.
    """
    case = _Case(
        carrier_hz=carrier_hz,
        power_w=power_w,
        necessary_bandwidth_hz=necessary_bandwidth_hz,
        installed=installed,
        distance_m=distance_m,
    )
    if not (at_hz > 0.0 and math.isfinite(at_hz)):
        raise ValueError(f"at_hz must be finite and above 0, got {at_hz}")
    rows = _candidates(profile, case)
    if isinstance(rows, NoLimit):
        return rows
    at = np.array([at_hz])
    levels = _levels(profile, rows, case, at)[:, 0]
    if np.isnan(levels).all():
        return _why_none(profile, rows, case, at_hz)
    found = []
    for detector in dict.fromkeys(row.detector for row in rows):
        of_it = [i for i, row in enumerate(rows) if row.detector == detector]
        holding = [i for i in of_it if not math.isnan(levels[i])]
        if holding:
            best = min(holding, key=lambda i: float(levels[i]))
            found.append(_stated(profile, rows, best, float(levels[best]), case, at_hz))
    return tuple(found)


def limit_trace(
    profile: LimitProfile,
    *,
    at_hz: ArrayLike,
    carrier_hz: float | None = None,
    power_w: float | None = None,
    necessary_bandwidth_hz: float | None = None,
    installed: date | None = None,
    distance_m: float | None = None,
    detector: LimitDetector | None = None,
) -> LimitTrace:
    """:func:`allowed` for frequencies (points,), to draw a limit under a trace.

    An empty ``at_hz`` gives empty arrays. NaN, 0 and frequencies without a limit give NaN.

    Raises:
        ValueError: as :func:`allowed`; or something has to be stated first, which it names.
    """
    case = _Case(
        carrier_hz=carrier_hz,
        power_w=power_w,
        necessary_bandwidth_hz=necessary_bandwidth_hz,
        installed=installed,
        distance_m=distance_m,
    )
    at = np.array(at_hz, dtype=np.float64, ndmin=1)
    rows = _candidates(profile, case)
    if isinstance(rows, NoLimit):
        raise ValueError(rows.reason)
    wanted = [row for row in rows if detector is None or row.detector in (detector, None)]
    level = np.fmin.reduce(
        _levels(profile, wanted, case, at), axis=0, initial=math.nan
    )  # fmin keeps the number where one of two is NaN
    is_power = profile.quantity is LimitQuantity.POWER
    known = case.power_w is not None
    relative = is_power and not known and any(row.at_least_down_db is not None for row in wanted)
    reference = [profile.reference_at(float(each)) for each in at]
    return LimitTrace(
        at_hz=at,
        level=None if relative else level,
        down_db=case.power_dbm - level if is_power and (known or relative) else None,
        unit=profile.unit,
        reference_bandwidth_hz=np.array(
            [math.nan if each is None else each.width_hz for each in reference], dtype=np.float64
        ),
        notes=tuple(_notes_on_dates(wanted, case)),
    )


def _tightness(each: Allowed) -> float:
    return each.level if each.level is not None else -(each.down_db or 0.0)


def _candidates(profile: LimitProfile, case: _Case) -> list[LimitRow] | NoLimit:
    """The rows that may hold, or what has to be stated before anybody can tell."""
    missing = []
    if case.carrier_hz is None and any(row.carrier_hz.bounded for row in profile.rows):
        missing.append("the carrier's frequency")
    if case.distance_m is None and profile.quantity is LimitQuantity.FIELD:
        missing.append("the distance")
    if not missing:
        rows = [row for row in profile.rows if _may_hold(row, case)]
        if case.power_w is None and _power_matters(rows):
            missing.append(f"the carrier's {profile.power_kind} power")
    if missing:
        said = " and ".join(missing)
        return NoLimit(reason=f"{profile.title} needs {said}: state it", missing=tuple(missing))
    return rows


def _may_hold(row: LimitRow, case: _Case) -> bool:
    carrier = case.carrier_hz is None or bool(row.carrier_hz.holds(case.carrier_hz))
    power = case.power_w is None or bool(row.power_w.holds(case.power_w))
    return carrier and power and row.may_hold_on(case.installed)


def _power_matters(rows: Sequence[LimitRow]) -> bool:
    """Whether the limits of ``rows`` cannot be compared without the carrier's power."""
    figures = [row for row in rows if not row.no_figure]
    if not any(row.needs_power for row in figures):
        return False
    return not all(row.plainly_relative for row in figures)


def _levels(profile: LimitProfile, rows: Sequence[LimitRow], case: _Case, at_hz: Float) -> Float:
    """What each row allows, (rows, points), NaN where it does not hold."""
    levels = np.full((len(rows), at_hz.size), math.nan)
    judged = (at_hz > 0.0) & np.isfinite(at_hz) & ~_left_out(profile, case, at_hz)
    nearest = _nearest(rows, case.distance_m)
    for index, row in enumerate(rows):
        if row.no_figure or not nearest[index]:
            continue
        here = judged & row.at_hz.holds(at_hz)
        level = row.level(case.power_dbm, at_hz[here])
        if row.distance_m is not None and case.distance_m is not None:
            level = level + field_at_distance_db(row.distance_m, case.distance_m, at_hz[here])
        levels[index, here] = level
    return levels


def _nearest(rows: Sequence[LimitRow], distance_m: float | None) -> list[bool]:
    """Which rows count: of those that differ only in distance, the nearest to ``distance_m``."""
    if distance_m is None:
        return [True] * len(rows)

    def gap(row: LimitRow) -> float:
        return 0.0 if row.distance_m is None else abs(math.log(distance_m / row.distance_m))

    def place(row: LimitRow) -> tuple[object, ...]:
        dates = (row.installed_after, row.installed_by)
        return (row.at_hz, row.carrier_hz, row.power_w, row.detector, *dates)

    least: dict[tuple[object, ...], float] = {}
    for row in rows:
        least[place(row)] = min(gap(row), least.get(place(row), math.inf))
    return [gap(row) <= least[place(row)] for row in rows]


def _left_out(profile: LimitProfile, case: _Case, at_hz: Float) -> NDArray[np.bool_]:
    """Where the profile does not limit because it is the emission itself or close to it."""
    offset_hz = _left_out_hz(profile, case)
    if offset_hz is None or case.carrier_hz is None:
        return np.zeros(at_hz.shape, dtype=np.bool_)
    return np.asarray(np.abs(at_hz - case.carrier_hz) <= offset_hz)


def _left_out_hz(profile: LimitProfile, case: _Case) -> float | None:
    if case.carrier_hz is None or case.necessary_bandwidth_hz is None:
        return None
    if profile.domain is Domain.SPURIOUS:
        return spurious_boundary_hz(case.carrier_hz, case.necessary_bandwidth_hz)
    if profile.domain is Domain.OUTSIDE_BANDWIDTH:
        return case.necessary_bandwidth_hz / 2.0
    return None


def _why_none(
    profile: LimitProfile, rows: Sequence[LimitRow], case: _Case, at_hz: float
) -> NoLimit:
    here = f"at {frequency_text(at_hz)}"
    offset_hz = _left_out_hz(profile, case)
    if offset_hz is not None and bool(_left_out(profile, case, np.array([at_hz]))[0]):
        within = frequency_text(offset_hz)
        return NoLimit(reason=f"{here} it is within ±{within} of the carrier: not limited there")
    words = [row.no_figure for row in rows if row.no_figure and row.at_hz.holds(at_hz)]
    if words:
        return NoLimit(reason=f"{profile.title}: {words[0]}")
    if not rows and case.carrier_hz is not None:
        here = f"for a carrier at {frequency_text(case.carrier_hz)}"
    return NoLimit(reason=f"{profile.title} has no limit {here}")


def _stated(
    profile: LimitProfile,
    rows: Sequence[LimitRow],
    best: int,
    level: float,
    case: _Case,
    at_hz: float,
) -> Allowed:
    row = rows[best]
    is_power = profile.quantity is LimitQuantity.POWER
    relative = case.power_w is None and row.at_least_down_db is not None
    known = is_power and (case.power_w is not None or relative)
    return Allowed(
        title=profile.title,
        edition=profile.edition,
        at_hz=at_hz,
        level=None if relative else level,
        unit=profile.unit,
        down_db=case.power_dbm - level if known else None,
        rule=f"{row.rule or profile.title}: {row.words(profile.unit)}",
        detector=row.detector,
        reference=profile.reference_at(at_hz),
        distance_m=case.distance_m if row.distance_m is not None else None,
        notes=(*_notes_on_dates(rows, case), *_notes_on_distance(row, case, at_hz)),
    )


def _notes_on_dates(rows: Sequence[LimitRow], case: _Case) -> Iterator[str]:
    if case.installed is None and any(row.dated for row in rows):
        yield "nobody said when the transmitter was installed: the tightest rule is taken"


def _notes_on_distance(row: LimitRow, case: _Case, at_hz: float) -> Iterator[str]:
    if row.distance_m is None or case.distance_m is None or row.distance_m == case.distance_m:
        return
    by_db = float(field_at_distance_db(row.distance_m, case.distance_m, at_hz))
    from_to = f"from {row.distance_m:g} m to {case.distance_m:g} m"
    yield f"brought {from_to} by {number_text(by_db, 1)} dB, which no real site follows exactly"


_BOUNDARIES = (
    (150e3, 250.0, 10e3),
    (30e6, 4e3, 100e3),
    (1e9, 25e3, 10e6),
    (3e9, 100e3, 50e6),
    (10e9, 100e3, 100e6),
)
"""Highest carrier of each range with the least and the largest necessary bandwidth of the normal
rule, all in Hz. The lowest range begins at 9 kHz."""


def spurious_boundary_hz(carrier_hz: float, necessary_bandwidth_hz: float) -> float:
    """Offset from the carrier, to both sides, at which the spurious domain begins.

    2.5 necessary bandwidths; for a narrow emission 2.5 times the least bandwidth of the carrier's
    range; for a wide one 1.5 bandwidths and the range's largest. So ±62.5 kHz, not ±40, for a 16
    kHz FM channel at 145 MHz.

    Raises:
        ValueError: a carrier outside 9 kHz to 10 GHz, or a bandwidth that is not above 0.

    Source: Rec. ITU-R SM.1539, table of variants, from memory: check the edition.
    """
    if not necessary_bandwidth_hz > 0.0:
        raise ValueError(f"a necessary bandwidth must be above 0 Hz, got {necessary_bandwidth_hz}")
    if carrier_hz >= 9e3:
        for highest_hz, least_hz, largest_hz in _BOUNDARIES:
            if carrier_hz <= highest_hz:
                if necessary_bandwidth_hz > largest_hz:
                    return 1.5 * necessary_bandwidth_hz + largest_hz
                return 2.5 * max(necessary_bandwidth_hz, least_hz)
    raise ValueError(f"the table is for carriers of 9 kHz to 10 GHz, got {carrier_hz} Hz")
