"""Taking a reference: what to connect, which sweeps, and what is to be told of the outcome.

The same for a command that has the sweeper to itself and for a running station: whoever takes it
brings a function that sweeps. The sweeps are exactly those that the job is due (step 0 of its pass,
its settings, its source), or later ones could not be compared with them.
"""

from __future__ import annotations

from collections.abc import Awaitable, Callable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.errors import InputUnsafe, SweeperError, SweepInvalid, WrongUsage
from acqd.measure.meter import Role
from acqd.measure.references import difference, doubts, level_db
from acqd.station.inputs import nearing_maximum
from acqd.station.job import JobSpec
from acqd.station.references import ReferenceRecord, differences_between, reference_from
from acqd.station.setup import absolute_max_dbm
from acqd.sweep import (
    Capabilities,
    Identity,
    LevelUnit,
    SourceRequest,
    Sweep,
    SweepFlag,
    SweepRequest,
)

__all__ = [
    "ROLES",
    "SWEEPS_MOST",
    "NotWanted",
    "TakenReference",
    "first_request",
    "instruction",
    "refuse_unsafe",
    "role_of",
    "take_reference",
    "told_of",
]

ROLES: Mapping[str, tuple[Role, ...]] = {
    "band": (Role.QUIET, Role.AMBIENT),
    "transmission": (Role.THROUGH, Role.QUIET),
    "reflection": (Role.OPEN, Role.SHORT, Role.LOAD),
    "emission": (Role.QUIET, Role.AMBIENT),
    "carrier": (Role.QUIET,),
}
"""The references that mean something to a job, by its kind."""

SWEEPS_MOST = 100
"""Sweeps of one reference; more would hold up the sweeper's jobs for nothing."""

WITH_FLOOR = (Role.THROUGH, Role.OPEN, Role.SHORT)
"""Roles that are looked at over the floor: one sweep more is taken, with the source off."""

Sweeping = Callable[[SweepRequest], Awaitable[Sweep]]


class NotWanted(SweeperError):
    """Who asked for the reference has gone; it is not taken to its end."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenReference:
    """A reference as it was taken, to be stored, and what only its sweeps tell."""

    record: ReferenceRecord
    source_on: bool
    floor: NDArray[Any] | None
    """(points,) the same with the source off, at the input, in the sweeper's order."""
    flags: SweepFlag
    clock_synchronised: bool | None


def role_of(spec: JobSpec, word: str) -> Role:
    """The role that ``word`` names.

    Raises:
        WrongUsage: it is none, or means nothing to a job of this kind; says which do.
    """
    fit = ROLES.get(spec.kind, ())
    names = ", ".join(role.value for role in fit) or "none"
    try:
        role = Role(word)
    except ValueError:
        raise WrongUsage(
            f"no reference is called {word!r}; for job {spec.name} (kind {spec.kind}) there is: "
            f"{names}"
        ) from None
    if role not in fit:
        raise WrongUsage(
            f"reference {role.value!r} means nothing to job {spec.name} of kind "
            f"{spec.kind}; what fits: {names}"
        )
    return role


_INSTRUCTIONS = {
    Role.THROUGH: "Take the thing under test out and join the source's cable to the input's with "
    "the through.",
    Role.OPEN: "Leave the bridge's test port open, nothing on it.",
    Role.SHORT: "Put the short on the bridge's test port.",
    Role.LOAD: "Put the known 50 ohm termination on the bridge's test port.",
    Role.AMBIENT: "Switch the thing under test off and leave all else as it is.",
}


def instruction(spec: JobSpec, role: Role) -> str:
    """What the person at the bench is to do, with what to mind."""
    has_source = spec.request.source is not None and spec.request.source.on
    if role is not Role.QUIET:
        text = _INSTRUCTIONS[role]
    elif has_source:
        text = (
            "Take the thing under test out and terminate both the source and the input with "
            "50 ohm; the source stays on."
        )
    else:
        text = "Terminate the sweeper's input with 50 ohm in place of what is connected to it."
    if has_source:
        return f"{text} The source will be on: no aerial, no amplifier and nothing live on it."
    return f"{text} Key no transmitter before this is done, and take none apart under power."


def first_request(spec: JobSpec) -> SweepRequest:
    """What the job asks for first when it is due: the sweep that references are for."""
    series = spec.make_pass(spec.request, 1)
    try:
        return next(series).request
    except StopIteration:
        return spec.request
    finally:
        series.close()


def refuse_unsafe(spec: JobSpec, capabilities: Capabilities) -> None:
    """See that the job may start at all with what can arrive at its input (G7).

    Raises:
        InputUnsafe: it may not.
    """
    problem = spec.safety.refusal(absolute_max_dbm(spec.facts.absolute_max_dbm, capabilities))
    if problem is not None:
        raise InputUnsafe(problem)


async def take_reference(
    spec: JobSpec,
    role: Role,
    *,
    sweep: Sweeping,
    capabilities: Capabilities,
    sweeps: int,
    temperature_c: float | None = None,
    say: Callable[[str], None] = lambda text: None,
    wanted: Callable[[], bool] = lambda: True,
) -> TakenReference:
    """Take the sweeps of a reference; nothing is stored.

    ``wanted`` is asked before each sweep.

    Raises:
        InputUnsafe: what can arrive is too much, or what arrived was; the source must go off.
        SweeperError: a sweep did not come, or they make no reference together.
    """
    refuse_unsafe(spec, capabilities)
    request = first_request(spec)
    most_dbm = absolute_max_dbm(spec.facts.absolute_max_dbm, capabilities)

    async def one(asked: SweepRequest, text: str) -> Sweep:
        if not wanted():
            raise NotWanted(f"nobody waits for the {role.value} of {spec.name} any more")
        say(text)
        try:
            got = await sweep(asked)
        except SweeperError:
            say(f"{text} did not come: nothing is stored; see to the sweeper and begin again")
            raise
        _stop_if_too_strong(got, most_dbm)
        return got

    source_on = request.source is not None and request.source.on
    floor = None
    if source_on and role in WITH_FLOOR and capabilities.unit is not LevelUnit.RATIO:
        off = replace(request, source=SourceRequest(on=False))
        floor = (await one(off, "a sweep with the source off, for the floor")).level
    taken = [await one(request, f"sweep {at} of {sweeps}") for at in range(1, sweeps + 1)]
    try:
        record = reference_from(spec.name, role, taken, temperature_c=temperature_c)
    except ValueError as exc:
        raise SweepInvalid(f"no {role.value}: {exc}; take it again") from exc
    flags = SweepFlag(0)
    for each in taken:
        flags |= each.flags
    return TakenReference(
        record=record,
        source_on=source_on,
        floor=floor,
        flags=flags,
        clock_synchronised=taken[0].clock_synchronised,
    )


def _stop_if_too_strong(sweep: Sweep, most_dbm: float | None) -> None:
    level_dbm = nearing_maximum(sweep, most_dbm)
    if level_dbm is not None:
        raise InputUnsafe(
            f"{level_dbm:.1f} dBm at the sweeper's input, too near to what it stands "
            f"({most_dbm:g} dBm): stopped, nothing is stored; look at the chain first".replace(
                "-", "−"
            )
        )


_FLAGS = {
    SweepFlag.OVERLOAD: "the sweeper reports an overload",
    SweepFlag.REPEATED: "sweeps equal each other to the last bit: the sweeper may be frozen",
    SweepFlag.NOT_FINITE: "levels are missing at some frequencies",
    SweepFlag.SETTINGS_DIFFER: "the sweeper took other settings than were asked for",
}


def told_of(taken: TakenReference, before: Mapping[str, ReferenceRecord]) -> dict[str, Any]:
    """What is to be said of a reference beside those that the job has, as plain JSON data.

    ``before`` is the newest of each role without this one.
    """
    record = taken.record
    unit = LevelUnit(record.unit)
    in_db = level_db(record.level, unit)
    level = record.level if in_db is None else in_db
    finite = level[np.isfinite(level)]
    last = before.get(record.role.value)
    compared = None if last is None else _compared(last, record)
    return {
        "job": record.job,
        "role": record.role.value,
        "at_s": record.at_s,
        "sweeps": record.sweeps,
        "temperature_c": record.temperature_c,
        "identity": str(Identity(**record.identity)),
        "settings": dict(record.settings),
        "start_hz": float(record.frequency_hz.min()),
        "stop_hz": float(record.frequency_hz.max()),
        "points": int(record.frequency_hz.size),
        "unit": "dB" if unit is LevelUnit.RATIO else str(unit),
        "lowest": float(finite.min()) if finite.size else None,
        "median": float(np.median(finite)) if finite.size else None,
        "highest": float(finite.max()) if finite.size else None,
        "repeatability_db": record.repeatability_db,
        "over_floor_db": _over_floor_db(taken, in_db),
        "last": compared,
        "warnings": _warnings(taken, in_db, before),
    }


def _compared(last: ReferenceRecord, now: ReferenceRecord) -> dict[str, Any]:
    differs = differences_between(last, now)
    apart = None if differs else _apart(last, now)
    return {
        "at_s": last.at_s,
        "differs": list(differs),
        "mean_db": None if apart is None else apart.mean_db,
        "largest_db": None if apart is None else apart.largest_db,
        "largest_hz": None if apart is None else apart.largest_hz,
    }


def _apart(last: ReferenceRecord, now: ReferenceRecord) -> Any:
    then_db = level_db(last.level, LevelUnit(last.unit))
    now_db = level_db(now.level, LevelUnit(now.unit))
    if then_db is None or now_db is None:
        return None
    return difference(now_db, then_db, now.frequency_hz)


def _over_floor_db(taken: TakenReference, in_db: NDArray[np.float64] | None) -> float | None:
    if taken.floor is None or in_db is None or taken.floor.shape != in_db.shape:
        return None
    over_db = in_db - taken.floor
    finite = over_db[np.isfinite(over_db)]
    return float(np.median(finite)) if finite.size else None


def _warnings(
    taken: TakenReference,
    in_db: NDArray[np.float64] | None,
    before: Mapping[str, ReferenceRecord],
) -> list[str]:
    record = taken.record
    flags = taken.flags
    if taken.source_on:
        # A strong level on a coarse scale does repeat to the bit; noise does not.
        flags &= ~SweepFlag.REPEATED
    found = [text for flag, text in _FLAGS.items() if flags & flag]
    if taken.clock_synchronised is False:
        found.append("the clock is not synchronised, so the reference's age may be wrong later")
    if in_db is None:
        return found
    fit = {
        role: other
        for role, other in before.items()
        if role != record.role.value and not differences_between(other, record)
    }
    others_db = {role: level_db(one.level, LevelUnit(one.unit)) for role, one in fit.items()}
    floor = taken.floor
    last = before.get(record.role.value)
    found += doubts(
        record.role,
        in_db,
        record.frequency_hz,
        unit=LevelUnit(record.unit),
        source_on=taken.source_on,
        floor_db=None if floor is None or floor.shape != in_db.shape else np.asarray(floor),
        others_db={role: level for role, level in others_db.items() if level is not None},
        repeatability_db=record.repeatability_db,
        changed=None if last is None or differences_between(last, record) else _apart(last, record),
    )
    return found
