"""References: stored sweeps that later ones are compared with, and whether they may be.

A reference is kept in the ledger for ever. The newest of each role goes into every setup of its
job, levels and all, so that a file has what its figures were made with, and a replay needs nothing
else (G4). Where a reference was swept in another way than the sweeps that it is for, the setup says
what differs instead, and the kind refuses it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.ledger import Overlay
from acqd.archive.views import levels_from_json, levels_to_json
from acqd.config.quantity import DIFFERENCE, DURATION, FREQUENCY, format_quantity
from acqd.measure.meter import Role
from acqd.sweep import Identity, Sweep, SweepRequest
from acqd.units import db_from_ratio, ratio_from_db

__all__ = [
    "ReferenceRecord",
    "asked_of",
    "differences",
    "differences_between",
    "differences_from_job",
    "for_setup",
    "levels_from_json",
    "levels_to_json",
    "newest",
    "reference_from",
    "references_in",
    "settings_of",
    "stored_references",
]

SAME_AXIS = 1e-9
"""Relative difference of two frequencies that is rounding, not another grid."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReferenceRecord:
    """One reference as it is kept. ``level`` is (points,) at the sweeper's input, in its order.

    Of several sweeps it is the mean: of power for one number a point, of the ratio where complex.
    """

    role: Role
    job: str
    at_s: float
    frequency_hz: NDArray[np.float64]
    level: NDArray[Any]
    unit: str
    settings: Mapping[str, Any]
    identity: Mapping[str, str]
    sweeps: int = 1
    repeatability_db: float | None = None
    temperature_c: float | None = None
    asked: Mapping[str, Any] = field(default_factory=dict)
    """What was asked of the sweeper, as plain data; empty where nobody wrote it down."""

    def to_body(self) -> dict[str, Any]:
        """Plain JSON data for the ledger; :meth:`from_body` is its exact inverse."""
        return {
            "role": str(self.role),
            "at_s": self.at_s,
            "frequency_hz": _axis_to_json(self.frequency_hz),
            "level": levels_to_json(self.level),
            "unit": self.unit,
            "settings": dict(self.settings),
            "identity": dict(self.identity),
            "sweeps": self.sweeps,
            "repeatability_db": self.repeatability_db,
            "temperature_c": self.temperature_c,
            "asked": dict(self.asked),
        }

    @classmethod
    def from_body(cls, job: str, body: Mapping[str, Any]) -> ReferenceRecord:
        """The reference that :meth:`to_body` made ``body`` from. Raises KeyError or ValueError."""
        level = levels_from_json(body["level"])
        if level is None:
            raise ValueError("a reference without levels")
        return cls(
            role=Role(body["role"]),
            job=job,
            at_s=float(body["at_s"]),
            frequency_hz=_axis_from_json(body["frequency_hz"]),
            level=level,
            unit=str(body["unit"]),
            settings=dict(body["settings"]),
            identity=dict(body["identity"]),
            sweeps=int(body["sweeps"]),
            repeatability_db=body["repeatability_db"],
            temperature_c=body["temperature_c"],
            asked=dict(body.get("asked", {})),
        )


def _axis_to_json(frequency_hz: NDArray[np.float64]) -> dict[str, Any] | None:
    """An axis as plain JSON data, bit for bit: its ends where they tell it all."""
    ends = (float(frequency_hz[0]), float(frequency_hz[-1]))
    if np.array_equal(np.linspace(*ends, frequency_hz.size), frequency_hz):
        return {"start_hz": ends[0], "stop_hz": ends[1], "points": int(frequency_hz.size)}
    return levels_to_json(frequency_hz)


def _axis_from_json(kept: Mapping[str, Any]) -> NDArray[np.float64]:
    if "points" in kept:
        return np.linspace(kept["start_hz"], kept["stop_hz"], kept["points"])
    axis = levels_from_json(kept)
    assert axis is not None
    return axis


def reference_from(
    job: str, role: Role, sweeps: Sequence[Sweep], *, temperature_c: float | None = None
) -> ReferenceRecord:
    """The reference that some sweeps of one setup make.

    Raises:
        ValueError: no sweep, sweeps that differ in settings, frequencies or sweeper, or no level in
            any of them.

    A point that some of the sweeps have no level at is the mean of the others.
    """
    if not sweeps:
        raise ValueError("a reference needs at least one sweep")
    first = sweeps[0]
    for one in sweeps[1:]:
        if settings_of(one) != settings_of(first):
            raise ValueError("the sweeper changed its settings between the sweeps of a reference")
        if one.identity != first.identity or not _same_axis(one.frequency_hz, first.frequency_hz):
            raise ValueError("the sweeper or its frequencies changed between the sweeps")
    levels = np.stack([one.level for one in sweeps])
    if not np.isfinite(levels).any():
        raise ValueError("the sweeps of the reference have no level at any frequency")
    level, repeatability_db = _mean(levels, logarithmic=first.unit.is_logarithmic)
    # A copy of it goes into every file, and the mean is no finer than what it is made of.
    level = level.astype(levels.dtype)
    return ReferenceRecord(
        role=role,
        job=job,
        at_s=first.started_s,
        frequency_hz=first.frequency_hz,
        level=level,
        unit=str(first.unit),
        settings=settings_of(first),
        identity={key: str(value) for key, value in asdict(first.identity).items()},
        sweeps=len(sweeps),
        repeatability_db=repeatability_db,
        temperature_c=temperature_c,
        asked=asked_of(first.request),
    )


def _mean(levels: NDArray[Any], *, logarithmic: bool) -> tuple[NDArray[Any], float | None]:
    """Mean over the sweeps, (sweeps, points) to (points,), and the scatter of one reading in dB.

    One sweep is left as it is, to the bit.
    """
    if levels.shape[0] == 1:
        return levels[0], None
    if np.iscomplexobj(levels):
        exact = np.asarray(levels, dtype=np.complex128)
        return _finite_mean(exact), _pooled(20.0 * np.log10(np.maximum(np.abs(exact), 1e-30)))
    level = np.asarray(levels, dtype=np.float64)
    if not logarithmic:
        return _finite_mean(level), None
    return np.asarray(db_from_ratio(_finite_mean(ratio_from_db(level)))), _pooled(level)


def _finite_mean(values: NDArray[Any]) -> NDArray[Any]:
    """Mean of the finite values of each column; NaN where there is none."""
    finite = np.isfinite(values)
    count = finite.sum(axis=0)
    total = np.where(finite, values, 0.0).sum(axis=0)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _pooled(level_db: NDArray[np.float64]) -> float | None:
    """Standard deviation of one reading, pooled over all points that every sweep has; None where
    there is none."""
    whole = level_db[:, np.isfinite(level_db).all(axis=0)]
    return float(np.sqrt(np.var(whole, axis=0, ddof=1).mean())) if whole.size else None


def asked_of(request: SweepRequest) -> dict[str, Any]:
    """A request as plain JSON data, without what it leaves to the sweeper."""
    asked: dict[str, Any] = json.loads(json.dumps(asdict(request)))
    return {key: value for key, value in asked.items() if value is not None}


def settings_of(sweep: Sweep) -> dict[str, Any]:
    """What two sweeps must have in common to be compared, as far as anybody said."""
    reported, asked = sweep.reported, sweep.request
    source = asked.source
    level_dbm = source.level_dbm if source is not None and source.on else None
    detector = reported.detector or asked.detector
    return {
        "rbw_hz": _first(reported.rbw_hz, asked.rbw_hz),
        "vbw_hz": _first(reported.vbw_hz, asked.vbw_hz),
        "detector": None if detector is None else str(detector),
        "attenuation_db": _first(reported.attenuation_db, asked.attenuation_db),
        "averages": _first(reported.averages, asked.averages),
        "source_level_dbm": _first(reported.source_level_dbm, level_dbm),
        "sweep_time_s": asked.sweep_time_s,
    }


def _first(*values: float | None) -> float | None:
    return next((value for value in values if value is not None), None)


_TOLD = {
    "rbw_hz": ("the RBW", FREQUENCY),
    "vbw_hz": ("the VBW", FREQUENCY),
    "detector": ("the detector", None),
    "attenuation_db": ("the attenuation", DIFFERENCE),
    "averages": ("the number of averages", None),
    "source_level_dbm": ("the source's level", "dBm"),
    "sweep_time_s": ("the sweep time", DURATION),
}


def differences(reference: ReferenceRecord, sweep: Sweep) -> tuple[str, ...]:
    """What keeps ``sweep`` from being compared with ``reference``, a sentence each; none if it
    may be.

    Another firmware does not: it is a finding of its own.
    """
    return (
        *_other_axis(reference.unit, str(sweep.unit), reference.frequency_hz, sweep.frequency_hz),
        *_other_settings(reference.settings, settings_of(sweep)),
        *_other_sweeper(Identity(**reference.identity), sweep.identity),
    )


def differences_between(then: ReferenceRecord, now: ReferenceRecord) -> tuple[str, ...]:
    """What keeps two references from being compared with each other, as :func:`differences`."""
    return (
        *_other_axis(then.unit, now.unit, then.frequency_hz, now.frequency_hz),
        *_other_settings(then.settings, now.settings),
        *_other_sweeper(Identity(**then.identity), Identity(**now.identity)),
    )


def differences_from_job(reference: ReferenceRecord, request: SweepRequest) -> tuple[str, ...]:
    """What the job asks for that the reference was not asked for, as far as one can tell without a
    sweep: what the sweeper makes of it may still differ."""
    then, now = reference.asked, asked_of(request)
    if not then:
        return ()
    found = []
    if any(then.get(key) != now.get(key) for key in ("start_hz", "stop_hz", "points")):
        was, is_ = _axis(reference.frequency_hz), _axis(request.frequencies_hz())
        found.append(f"the frequencies were {was} and are {is_}")
    return (*found, *_other_settings(_with_source(then), _with_source(now)))


def _with_source(asked: Mapping[str, Any]) -> dict[str, Any]:
    source = asked.get("source") or {}
    return {**asked, "source_level_dbm": source.get("level_dbm") if source.get("on") else None}


def _other_axis(
    then_unit: str, now_unit: str, then_hz: NDArray[np.float64], now_hz: NDArray[np.float64]
) -> Iterable[str]:
    if then_unit != now_unit:
        yield f"levels were in {then_unit} and are in {now_unit}"
    if not _same_axis(then_hz, now_hz):
        then, now = _axis(then_hz), _axis(now_hz)
        yield (
            f"the frequencies were {then} and are {now}"
            if then != now
            else "the frequencies between start and stop are others"
        )


def _other_settings(then: Mapping[str, Any], now: Mapping[str, Any]) -> Iterable[str]:
    for key, (what, dimension) in _TOLD.items():
        was, is_ = then.get(key), now.get(key)
        if was != is_:
            yield f"{what} was {_said(was, dimension)} and is {_said(is_, dimension)}"


def _said(value: Any, dimension: Any) -> str:
    if value is None:
        return "not stated"
    if dimension is None or isinstance(dimension, str):
        text = f"{value:g}" if isinstance(value, int | float) else str(value)
        return f"{text} {dimension}".replace("-", "−") if dimension else text
    if dimension is FREQUENCY:
        return _hertz(float(value))
    return format_quantity(float(value), dimension)


def _hertz(value_hz: float) -> str:
    """10 kHz; 156.8 MHz; enough digits to tell any two apart that a sweeper does."""
    for scale, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if abs(value_hz) >= scale:
            return f"{value_hz / scale:.12g} {unit}"
    return f"{value_hz:.12g} Hz"


def _axis(frequency_hz: NDArray[np.float64]) -> str:
    low, high = _hertz(float(frequency_hz[0])), _hertz(float(frequency_hz[-1]))
    return f"{low} to {high} in {frequency_hz.size} points"


def _same_axis(then: NDArray[np.float64], now: NDArray[np.float64]) -> bool:
    return then.shape == now.shape and bool(np.allclose(then, now, rtol=SAME_AXIS, atol=0.0))


def _other_sweeper(then: Identity, now: Identity) -> Iterable[str]:
    if (then.maker, then.model) != (now.maker, now.model):
        yield f"it was another sweeper ({then})"
    elif not (then.is_doubtful or now.is_doubtful) and then.serial_number != now.serial_number:
        yield f"it was another sweeper, serial number {then.serial_number}"


def for_setup(references: Mapping[str, ReferenceRecord], sweep: Sweep) -> list[dict[str, Any]]:
    """The references of a job as the details of a setup hold them, in the order of their roles."""
    return [_for_setup(references[role], sweep) for role in sorted(references)]


def _for_setup(reference: ReferenceRecord, sweep: Sweep) -> dict[str, Any]:
    differs = differences(reference, sweep)
    return {
        "role": str(reference.role),
        "at_s": reference.at_s,
        "differs": list(differs),
        "level": None if differs else levels_to_json(reference.level),
        "sweeps": reference.sweeps,
        "repeatability_db": reference.repeatability_db,
        "temperature_c": reference.temperature_c,
    }


def stored_references(root: Path) -> dict[str, dict[str, ReferenceRecord]]:
    """The newest reference of each role that an archive has, by job and role.

    Raises:
        ArchiveError: the ledger cannot be read.
    """
    if not root.is_dir():
        return {}
    from acqd.archive.reader import open_archive

    return references_in(open_archive(root).overlays())


def references_in(overlays: Iterable[Overlay]) -> dict[str, dict[str, ReferenceRecord]]:
    """The newest of each role among overlays, by job and role."""
    return newest(
        ReferenceRecord.from_body(one.job, one.body)
        for one in overlays
        if one.kind == "reference" and one.job is not None
    )


def newest(records: Iterable[ReferenceRecord]) -> dict[str, dict[str, ReferenceRecord]]:
    """The newest of each role, by job and role; of two of one time the later one given."""
    found: dict[str, dict[str, ReferenceRecord]] = {}
    for record in records:
        roles = found.setdefault(record.job, {})
        before = roles.get(str(record.role))
        if before is None or record.at_s >= before.at_s:
            roles[str(record.role)] = record
    return found
