"""Whether a stored reference may be used, what its age says, and whether it looks like one."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.floor import estimate_averages, floor_flat
from acqd.measure.meter import Reference, Role, SetupChanged
from acqd.measure.statistics import threshold_over_mean_db
from acqd.measure.words import frequency_text, level_text, number_text
from acqd.sweep import LevelUnit

__all__ = [
    "MOST_K",
    "Difference",
    "age_notes",
    "age_text",
    "difference",
    "doubts",
    "level_db",
    "needed",
]

Float = NDArray[np.float64]

MOST_K = 5.0
"""A reference taken more than this much warmer or colder is worth a word: cables, detectors and
bridges of the bench move by hundredths of a decibel per kelvin (common practice)."""

FUTURE_S = 60.0
"""A reference this much later than the sweep says that a clock was wrong, not that it is new."""

NEAR_FLOOR_DB = 10.0
"""A through, open or short whose median is no more than this above the floor shows the floor."""
LEAST_LOAD_DB = 10.0
"""A load reflects at least this much less than an open, in the mean: else it is no load, or the
bridge has hardly any directivity."""
OPEN_SHORT_DB = 3.0
"""An open and a short both reflect everything; in the mean they differ by less than this."""
SCATTER_DB = 1.0
"""Scatter of one reading of a reference with the source on that speaks of a loose connector."""
THROUGH_RATIO_DB = -30.0
"""Median of a through's ratio below which nothing seems to be joined."""
STANDS_OUT_DB = 10.0
QUIET_FALSE_ALARM = 1e-6
"""With the input terminated: what stands so far above the floor is told. All limits here are
practice; they only ever make a warning."""
CHANGED_MEAN_DB = 1.0
CHANGED_LARGEST_DB = 3.0
"""Differences from the reference before that speak of a connection, not of drift."""


def needed(setup: SetupChanged, role: Role, *, job: str = "JOB") -> tuple[Reference | None, str]:
    """The reference of ``role`` that the setup carries, where it may be used.

    Args:
        setup: what sweeps are taken with; its references are on its grid and at its plane.
        job: the job's name, for the command that helps.

    Returns: the reference and an empty text; or None and one sentence that says why there is none
    and which command takes one. One whose levels are not of the setup's grid is refused too.
    """
    command = f"`acqd reference {job} {role.value}`"
    found = setup.references.get(role.value)
    if found is None:
        return None, f"there is no {role.value} reference: take one with {command}"
    if found.differs:
        return None, (
            f"the {role.value} reference does not fit: {'; '.join(found.differs)}; "
            f"take it anew with {command}"
        )
    if found.level is None or found.level.shape != setup.grid.frequency_hz.shape:
        return None, (
            f"the {role.value} reference has no levels on these frequencies; "
            f"take it anew with {command}"
        )
    return found, ""


def age_notes(
    reference: Reference,
    at_s: float,
    *,
    max_age_s: float,
    temperature_c: float | None = None,
    most_k: float = MOST_K,
) -> tuple[str, ...]:
    """What is to be said about a reference's age and temperature, a clause each; none where it is
    fresh and was taken at about the same temperature.

    Args:
        at_s: when it is used, in wall time.
        max_age_s: how old it may be; exactly as old is not too old.
        temperature_c: of now; where it or the reference's is unknown nothing is said about it.
        most_k: difference of temperature that needs no word.
    """
    name = f"the {reference.role.value}"
    notes = []
    age_s = at_s - reference.at_s
    if age_s > max_age_s:
        notes.append(f"{name} is {age_text(age_s)} old")
    elif age_s < -FUTURE_S:
        notes.append(
            f"{name} is dated {age_text(-age_s)} after the sweep, so a clock was wrong and its "
            f"age is unknown"
        )
    if temperature_c is not None and reference.temperature_c is not None:
        warmer_k = reference.temperature_c - temperature_c
        if abs(warmer_k) > most_k:
            way = "warmer" if warmer_k > 0.0 else "colder"
            kelvin = number_text(abs(warmer_k), 0 if abs(warmer_k) >= 2.0 else 1)
            notes.append(f"{name} was taken {kelvin} K {way}")
    return tuple(notes)


def age_text(age_s: float) -> str:
    """40 s; 12 min; 26 h; 4 days: one unit, rounded down, so that no age is overstated."""
    whole_s = max(0, int(age_s))
    if whole_s < 60:
        return f"{whole_s} s"
    if whole_s < 2 * 3600:
        return f"{whole_s // 60} min"
    if whole_s < 3 * 86400:
        return f"{whole_s // 3600} h"
    return f"{whole_s // 86400} days"


@dataclass(frozen=True, slots=True, kw_only=True)
class Difference:
    """One reference less an earlier one, in dB: the mean, and where it is largest in size."""

    mean_db: float
    largest_db: float
    largest_hz: float


def level_db(level: NDArray[Any], unit: LevelUnit) -> Float | None:
    """Levels in dB, the magnitude of a ratio; None where differences of them are no decibels.

    (points,) float64; a ratio of 0 gives −inf, NaN stays NaN.
    """
    if np.iscomplexobj(level):
        with np.errstate(divide="ignore"):
            return np.asarray(20.0 * np.log10(np.abs(level)), dtype=np.float64)
    if not unit.is_logarithmic:
        return None
    return np.asarray(level, dtype=np.float64)


def difference(now_db: Float, before_db: Float, frequency_hz: Float) -> Difference | None:
    """How far two references of one role lie apart; None where no point is finite in both.

    All are (points,), on the same frequencies and in the same order.
    """
    with np.errstate(invalid="ignore"):
        apart_db = now_db - before_db
    finite = np.flatnonzero(np.isfinite(apart_db))
    if not finite.size:
        return None
    at = finite[np.argmax(np.abs(apart_db[finite]))]
    return Difference(
        mean_db=float(apart_db[finite].mean()),
        largest_db=float(apart_db[at]),
        largest_hz=float(frequency_hz[at]),
    )


def doubts(
    role: Role,
    now_db: Float,
    frequency_hz: Float,
    *,
    unit: LevelUnit,
    source_on: bool,
    floor_db: Float | None = None,
    others_db: Mapping[str, Float] | None = None,
    repeatability_db: float | None = None,
    changed: Difference | None = None,
) -> tuple[str, ...]:
    """What makes one doubt that a reference is what it says, a sentence each.

    Args:
        now_db: (points,) the reference, in dB.
        frequency_hz: (points,) of it, in any order.
        unit: of ``now_db``.
        source_on: whether the sweeper's source tracked while it was taken.
        floor_db: (points,) the same sweep with the source off, or a quiet reference.
        others_db: (points,) each, the references by role that were taken in the same way.
        repeatability_db: standard deviation of one reading.
        changed: from the reference of this role before.

    Limits: practice, see the constants. NaN is left out; where nothing is finite nothing is said.
    """
    others = others_db or {}
    name = role.value
    found: list[str] = []
    if source_on and role in (Role.THROUGH, Role.OPEN, Role.SHORT):
        found += _near_floor(role, now_db, floor_db, unit)
    if role in (Role.OPEN, Role.SHORT, Role.LOAD):
        found += _unlike_a_bridge({**others, name: now_db})
    if role is Role.QUIET:
        found += (
            _not_quiet(now_db, others) if source_on else _not_terminated(now_db, frequency_hz, unit)
        )
    if source_on and role in (Role.THROUGH, Role.OPEN, Role.SHORT):
        found += _unsteady(name, repeatability_db, changed)
    return tuple(found)


def _near_floor(role: Role, now_db: Float, floor_db: Float | None, unit: LevelUnit) -> list[str]:
    what = {
        Role.THROUGH: "is the through connected, and the source's cable?",
        Role.OPEN: "are the bridge and the source's cable connected?",
        Role.SHORT: "are the bridge and the source's cable connected?",
    }[role]
    if unit is LevelUnit.RATIO:
        median_db = _median(now_db)
        if role is Role.THROUGH and median_db < THROUGH_RATIO_DB:
            return [
                f"the ratio is {number_text(median_db, 1)} dB, far below that of a join: {what}"
            ]
        return []
    if floor_db is None:
        return []
    with np.errstate(invalid="ignore"):
        over_db = _median(now_db - floor_db)
    if over_db > NEAR_FLOOR_DB or math.isnan(over_db):
        return []
    return [f"the level is within {NEAR_FLOOR_DB:g} dB of the floor: {what}"]


def _unlike_a_bridge(by_role: Mapping[str, Float]) -> list[str]:
    """What open, short and load say of each other."""
    found = []
    if "open" in by_role and "short" in by_role:
        apart_db = _mean_apart(by_role["open"], by_role["short"])
        if abs(apart_db) > OPEN_SHORT_DB:
            higher, lower = ("open", "short") if apart_db > 0.0 else ("short", "open")
            found.append(
                f"the {higher} reads {number_text(abs(apart_db), 1)} dB more than the {lower} in "
                f"the mean, where both reflect everything: was something else on the test port?"
            )
    if "load" in by_role and "open" in by_role:
        below_db = _mean_apart(by_role["open"], by_role["load"])
        if below_db < LEAST_LOAD_DB:
            found.append(
                f"the load reads only {number_text(below_db, 1)} dB less than the open, and "
                f"{LEAST_LOAD_DB:g} dB is little: is the load on the test port, and the right one?"
            )
    return found


def _not_quiet(now_db: Float, others: Mapping[str, Float]) -> list[str]:
    through_db = others.get("through")
    if through_db is None:
        return []
    below_db = _mean_apart(through_db, now_db)
    if not below_db < NEAR_FLOOR_DB:
        return []
    return [
        f"it reads only {number_text(below_db, 1)} dB less than the through: are source and input "
        f"apart, and each terminated?"
    ]


def _not_terminated(now_db: Float, frequency_hz: Float, unit: LevelUnit) -> list[str]:
    """Responses that stand out of the noise: residual ones, or an input that hears something."""
    averages = estimate_averages(now_db) or 1.0
    floor_level = floor_flat(now_db, averages=averages).level
    if math.isnan(floor_level):
        return []
    over_db = max(STANDS_OUT_DB, threshold_over_mean_db(QUIET_FALSE_ALARM, averages))
    above = np.nan_to_num(now_db, nan=-np.inf) > floor_level + over_db
    count = int(np.count_nonzero(np.diff(above.astype(np.int8)) == 1) + bool(above[0]))
    if not count:
        return []
    at = int(np.argmax(np.where(above, now_db, -np.inf)))
    strongest = f"{level_text(float(now_db[at]), unit)} at {frequency_text(frequency_hz[at])}"
    stand = "1 response stands" if count == 1 else f"{count} responses stand"
    return [
        f"{stand} {over_db:.0f} dB and more above the floor, the strongest {strongest}: the "
        f"sweeper's own, or the input is not terminated"
    ]


def _unsteady(name: str, repeatability_db: float | None, changed: Difference | None) -> list[str]:
    found = []
    if repeatability_db is not None and repeatability_db > SCATTER_DB:
        found.append(
            f"one reading of the {name} scatters by {number_text(repeatability_db, 1)} dB: a loose "
            f"connector, or levels in the noise"
        )
    if changed is not None and (
        abs(changed.mean_db) > CHANGED_MEAN_DB or abs(changed.largest_db) > CHANGED_LARGEST_DB
    ):
        found.append(f"the {name} is not what it was last time: look at the connections")
    return found


def _median(values: Float) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if finite.size else math.nan


def _mean_apart(one_db: Float, other_db: Float) -> float:
    """Mean of ``one_db`` less ``other_db``; NaN where no point is finite in both."""
    with np.errstate(invalid="ignore"):
        apart_db = one_db - other_db
    finite = apart_db[np.isfinite(apart_db)]
    return float(finite.mean()) if finite.size else math.nan
