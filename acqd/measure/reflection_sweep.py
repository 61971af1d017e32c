"""From one sweep and its references to a reflection with bounds, or to why there is none.

A scalar sweep needs an open; a short and a load make it better. A vector sweep is corrected where
there are an open, a short and a load; without references it is taken as calibrated by the sweeper.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_references import quiet_floor
from acqd.measure.match import SWR_LEVELS
from acqd.measure.meter import Reference, Role, SetupChanged, SweepSeen
from acqd.measure.oneport import one_port_correction, vector_ratio
from acqd.measure.references import age_notes, needed
from acqd.measure.reflection import (
    ASSUMED_DIRECTIVITY_DB,
    ASSUMED_LOAD_RETURN_LOSS_DB,
    ASSUMED_SOURCE_MATCH_DB,
    Reflection,
    TermFrom,
    reflection,
    vector_reflection,
)
from acqd.measure.uncertainty import (
    ASSUMED_DRIFT_DB_PER_H,
    ASSUMED_DRIFT_DB_PER_K,
    ASSUMED_DRIFT_MOST_DB,
    ASSUMED_SCALE_DB,
    ASSUMED_TEMPERATURE_K,
    SCALE_FULL_DB,
)
from acqd.measure.words import number_text
from acqd.sweep import LevelUnit, SweepFlag

__all__ = [
    "ASSUMED_REPEATABILITY_DB",
    "Measured",
    "Old",
    "ReflectionSettings",
    "Refused",
    "Way",
    "measured",
]

Float = NDArray[np.float64]

ASSUMED_REPEATABILITY_DB = 1.0
"""Two readings of one unchanged load, weeks and references apart, differ by no more than this where
nobody states it: wide on purpose."""

SCALE_CLASSES = (0.125, 0.25, 0.5, 0.75, 1.0)
"""Shares of the scale's full error that a point's return loss is put into, rounded up."""

TEMPERATURE = "temperature"
"""The context that says how warm it is, in °C."""

USED = (Role.OPEN, Role.SHORT, Role.LOAD, Role.QUIET)


class Way(StrEnum):
    """How a reflection was found."""

    SCALAR = "scalar"
    CORRECTED = "vector, corrected with open, short and load"
    RATIO = "vector, relative to open or short"
    CALIBRATED = "vector, as the sweeper calibrated it"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReflectionSettings:
    """What a job says of its bridge, its cable and what must hold. Decibels are positive."""

    job: str = "JOB"
    directivity_db: float | None = None
    source_match_db: float | None = None
    load_return_loss_db: float | None = None
    cable_loss_db: float = 0.0
    cable_loss_at_hz: float | None = None
    """Where the cable has that loss, which then goes with the root of frequency; None: it has it
    everywhere."""
    cable_loss_limit_db: float = 0.0
    scale_db: float | None = None
    """Two levels 20 dB and more apart differ rightly within ± this; less, in proportion."""
    repeatability_db: float | None = None
    max_reference_age_s: float = 7 * 86400.0
    installed: str = ""
    named_hz: Mapping[str, float] = field(default_factory=dict)
    swr_levels: tuple[float, ...] = SWR_LEVELS
    range_hz: tuple[float, float] | None = None
    max_swr: float | None = None
    max_swr_at: Mapping[str, float] = field(default_factory=dict)
    guard: float = 1.0

    @property
    def has_limits(self) -> bool:
        return self.max_swr is not None or bool(self.max_swr_at)

    def cable_loss_on(self, frequency_hz: Float) -> Float:
        """One-way loss of the cable, (points,) dB."""
        if self.cable_loss_at_hz is None:
            return np.full(frequency_hz.shape, self.cable_loss_db)
        return np.asarray(self.cable_loss_db * np.sqrt(frequency_hz / self.cable_loss_at_hz))


@dataclass(frozen=True, slots=True, kw_only=True)
class Refused:
    """No figures, and one sentence why."""

    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Old:
    """A reference that age or temperature make doubtful, in words without a full stop."""

    role: Role
    at_s: float
    text: str
    of_age: bool
    """Else it is about the temperature, which comes and goes."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measured:
    """A reflection and what it was made with.

    ``drift_limit_db`` is what age, temperature, the scatter of readings and their step may have
    done since the references, ``scale_limit_db`` the scale's full error; ``assumed`` names what
    nobody stated.
    """

    trace: Reflection
    way: Way
    references: Mapping[str, Reference]
    floor_known: bool
    scale_limit_db: float
    drift_limit_db: float
    assumed: tuple[str, ...]
    old: tuple[Old, ...]
    notes: tuple[str, ...]


def measured(
    settings: ReflectionSettings, setup: SetupChanged, sweep: SweepSeen
) -> Measured | Refused:
    """The reflection that a sweep shows.

    Levels of both the sweep and its references are at the plane, so that a chain falls out. A
    sweep without any level gives a reflection of NaN.
    """
    if setup.unit is LevelUnit.RATIO:
        found = _vector(settings, setup, sweep)
    else:
        found = _scalar(settings, setup, sweep)
    if isinstance(found, Refused):
        return found
    more = [*found.notes]
    if sweep.flags & SweepFlag.OVERLOAD:
        more.append("the sweeper reports an overload: do not trust this sweep")
    if sweep.flags & SweepFlag.TRANSMITTING:
        more.append("a transmitter that is near was keyed: what it adds is in the figures")
    if sweep.flags & SweepFlag.SET_ASIDE:
        more.append("the job's conditions set this sweep aside: no verdict rests on it")
    if settings.cable_loss_db and (found.trace.magnitude_low > 1.0).any():
        more.append("or the cable before the load has less loss than is taken out")
    missing = int(np.count_nonzero(np.isnan(found.trace.magnitude)))
    if missing:
        more.append(f"levels are missing at {missing} of {found.trace.magnitude.size} points")
    return replace(found, notes=tuple(more))


def _scalar(
    settings: ReflectionSettings, setup: SetupChanged, sweep: SweepSeen
) -> Measured | Refused:
    open_, why = needed(setup, Role.OPEN, job=settings.job)
    if open_ is None:
        return Refused(why=why)
    if setup.source_level_dbm is None:
        return Refused(why="the sweeper's source was off, so nothing could be reflected")
    used, notes = _others(settings, setup, {Role.OPEN: open_})
    level = {role: np.asarray(one.level, dtype=np.float64) for role, one in used.items()}
    drift_db, drift_assumed, old = _drift(settings, used, sweep)
    drift_db += setup.resolution or 0.0
    floor_db = quiet_floor(level[Role.QUIET])[0] if Role.QUIET in level else math.nan

    def trace_at(linearity_db: float) -> Reflection:
        return reflection(
            sweep.level,
            open_db=level[Role.OPEN],
            short_db=level.get(Role.SHORT),
            load_db=level.get(Role.LOAD),
            floor_db=None if math.isnan(floor_db) else floor_db,
            cable_loss_db=settings.cable_loss_on(setup.grid.frequency_hz),
            cable_loss_limit_db=settings.cable_loss_limit_db,
            directivity_db=settings.directivity_db,
            source_match_db=settings.source_match_db,
            load_return_loss_db=settings.load_return_loss_db,
            linearity_limit_db=linearity_db,
        )

    scale_db = ASSUMED_SCALE_DB if settings.scale_db is None else settings.scale_db
    trace = _with_scale(trace_at, scale_db=scale_db, drift_db=drift_db)
    assumed = [*_assumed_terms(trace), *drift_assumed]
    if settings.scale_db is None:
        assumed.append("scale")
    return Measured(
        trace=trace,
        way=Way.SCALAR,
        references={role.value: one for role, one in used.items()},
        floor_known=not math.isnan(floor_db),
        scale_limit_db=scale_db,
        drift_limit_db=drift_db,
        assumed=tuple(assumed),
        old=old,
        notes=(*notes, *trace.notes),
    )


def _others(
    settings: ReflectionSettings, setup: SetupChanged, used: Mapping[Role, Reference]
) -> tuple[dict[Role, Reference], list[str]]:
    """``used`` with the further references that fit, and a note on each that is there and does
    not."""
    found, notes = dict(used), []
    for role in USED:
        if role in found or role.value not in setup.references:
            continue
        one, why = needed(setup, role, job=settings.job)
        if one is None:
            notes.append(f"not used: {why}")
        else:
            found[role] = one
    return found, notes


def _with_scale(
    trace_at: Callable[[float], Reflection], *, scale_db: float, drift_db: float
) -> Reflection:
    """The trace whose points each have the scale error of their own return loss.

    The error of a scale over a difference of levels grows with it, so that of one limit for all
    points the deepest would be right and a bad match far too uncertain.
    """
    limits = [share * scale_db + drift_db for share in SCALE_CLASSES]
    traces = [trace_at(limit_db) for limit_db in limits]
    first = traces[0]
    over_db = -20.0 * np.log10(np.maximum(np.nan_to_num(first.shown), 1e-12))
    # As scale_fidelity_db has it, for all points at once.
    share = np.minimum(1.0, np.abs(over_db) / SCALE_FULL_DB)
    which = np.minimum(np.searchsorted(SCALE_CLASSES, share), len(SCALE_CLASSES) - 1)
    place = np.arange(which.size)

    def picked(of: Callable[[Reflection], Float]) -> Float:
        return np.asarray(np.stack([of(trace) for trace in traces])[which, place])

    return replace(
        first,
        magnitude_low=picked(lambda trace: trace.magnitude_low),
        magnitude_high=picked(lambda trace: trace.magnitude_high),
        parts={
            **first.parts,
            "linearity": picked(lambda trace: trace.parts["linearity"]),
        },
    )


def _vector(
    settings: ReflectionSettings, setup: SetupChanged, sweep: SweepSeen
) -> Measured | Refused:
    """A complex sweep. One open, short or load that is there and does not fit stops it: whoever
    took references does not want them left out unasked."""
    used: dict[Role, Reference] = {}
    for role in (Role.OPEN, Role.SHORT, Role.LOAD):
        if role.value in setup.references:
            one, why = needed(setup, role, job=settings.job)
            if one is None:
                return Refused(why=why)
            used[role] = one
    drift_db, drift_assumed, old = _drift(settings, used, sweep)
    ratio: dict[Role, NDArray[Any]] = {
        role: np.asarray(one.level, dtype=np.complex128) for role, one in used.items()
    }
    seen = np.asarray(sweep.level, dtype=np.complex128)
    directivity_db, source_db, terms_from = _bridge(settings)
    way, pair, notes = Way.CALIBRATED, True, []
    if len(used) == 3:
        way = Way.CORRECTED
        own_db = settings.load_return_loss_db
        directivity_db = source_db = ASSUMED_LOAD_RETURN_LOSS_DB if own_db is None else own_db
        terms_from = TermFrom.ASSUMED if own_db is None else TermFrom.LOAD
        if own_db is None:
            notes.append(
                f"return loss of the load itself assumed: {number_text(directivity_db, 0)} dB"
            )
        try:
            terms = one_port_correction(ratio[Role.OPEN], ratio[Role.SHORT], ratio[Role.LOAD])
        except ValueError as exc:
            return Refused(why=str(exc))
        seen = terms.corrected(seen)
    elif Role.OPEN in used or Role.SHORT in used:
        way, pair = Way.RATIO, Role.OPEN in used and Role.SHORT in used
        seen = vector_ratio(
            seen, open_ratio=ratio.get(Role.OPEN), short_ratio=ratio.get(Role.SHORT)
        )
        if not pair:
            notes.append("only one of open and short: its ripple stays in the bounds")
    elif used:
        notes.append("a load alone corrects nothing: take an open and a short too")
        used = {}
    if way is not Way.CORRECTED and terms_from is TermFrom.ASSUMED:
        notes.append(
            f"directivity or source match assumed: {number_text(directivity_db, 0)} and "
            f"{number_text(source_db, 0)} dB"
        )
    trace = vector_reflection(
        seen,
        directivity_db=directivity_db,
        source_match_db=source_db,
        terms_from=terms_from,
        pair=pair,
        cable_loss_db=settings.cable_loss_on(setup.grid.frequency_hz),
        cable_loss_limit_db=settings.cable_loss_limit_db,
        linearity_limit_db=drift_db,
    )
    return Measured(
        trace=trace,
        way=way,
        references={role.value: one for role, one in used.items()},
        floor_known=False,
        scale_limit_db=0.0,
        drift_limit_db=drift_db,
        assumed=(*_assumed_terms(trace), *drift_assumed),
        old=old,
        notes=(*notes, *trace.notes),
    )


def _bridge(settings: ReflectionSettings) -> tuple[float, float, TermFrom]:
    """Directivity and source match, and the worse of where they are from."""
    stated = settings.directivity_db is not None and settings.source_match_db is not None
    d_db, s_db = settings.directivity_db, settings.source_match_db
    return (
        ASSUMED_DIRECTIVITY_DB if d_db is None else d_db,
        ASSUMED_SOURCE_MATCH_DB if s_db is None else s_db,
        TermFrom.STATED if stated else TermFrom.ASSUMED,
    )


def _assumed_terms(trace: Reflection) -> list[str]:
    found = []
    if trace.directivity_from is TermFrom.ASSUMED:
        found.append("directivity")
    if trace.source_match_from is TermFrom.ASSUMED:
        found.append("source match")
    return found


def _drift(
    settings: ReflectionSettings, used: Mapping[Role, Reference], sweep: SweepSeen
) -> tuple[float, tuple[str, ...], tuple[Old, ...]]:
    """(limit in dB, what in it is assumed, what is old) of the references that levels rest on.

    The rates are those of :mod:`acqd.measure.uncertainty`: practice, and assumed.
    """
    of_level = [one for role, one in used.items() if role in (Role.OPEN, Role.SHORT)]
    if not of_level:
        return 0.0, (), ()
    now_c = sweep.context.get(TEMPERATURE)
    age_h = max(abs(sweep.started_s - one.at_s) for one in of_level) / 3600.0
    warmer_k = [
        ASSUMED_TEMPERATURE_K
        if now_c is None or one.temperature_c is None
        else abs(now_c - one.temperature_c)
        for one in of_level
    ]
    limit_db = min(ASSUMED_DRIFT_MOST_DB, age_h * ASSUMED_DRIFT_DB_PER_H)
    limit_db += max(warmer_k) * ASSUMED_DRIFT_DB_PER_K
    limit_db += max(_scatter_db(one) for one in of_level)
    old = []
    for role, one in used.items():
        at_s, most_s = sweep.started_s, settings.max_reference_age_s
        of_age = age_notes(one, at_s, max_age_s=most_s)
        clauses = age_notes(one, at_s, max_age_s=most_s, temperature_c=now_c)
        old += [Old(role=role, at_s=one.at_s, text=text, of_age=text in of_age) for text in clauses]
    return limit_db, ("drift since the references",), tuple(old)


def _scatter_db(reference: Reference) -> float:
    """Twice the standard deviation of one reading less the mean of the reference's sweeps."""
    if reference.repeatability_db is None:
        return 0.0
    return 2.0 * reference.repeatability_db * math.sqrt(1.0 + 1.0 / reference.sweeps)
