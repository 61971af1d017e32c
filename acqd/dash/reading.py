"""Reads what came over MQTT, trusting nothing of it.

Anybody who may publish at the broker decides what arrives here, and a newer station says more than
this program knows. So only known schemas are read, of these only the fields that are shown, each
with a bound; new fields are passed over, a wrong one is as if it were missing, and a message that
lacks what it is about is refused with a reason.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic_core import from_json

__all__ = [
    "CurveRead",
    "NotUnderstood",
    "Place",
    "TraceRead",
    "bounded",
    "is_level",
    "moment",
    "number",
    "place_of",
    "read_json",
    "read_trace",
    "text",
    "whole",
]

PAYLOAD_MOST_BYTES = 262_144
"""Twice what a station sends at the most."""

TEXT_MOST = 2000
WORD_MOST = 64
POINTS_MOST = 2000
"""Of a trace or its curve: the most that a station may be told to publish."""
MASK_MOST = 200
"""Limits on a curve, as the message has it."""

BOUND_DEPTH = 8
BOUND_ITEMS = 512
BOUND_TOTAL = 4000
"""Of a part that is handed on as it is: how deep, how many in one list, how many values in all."""

HZ_MOST = 1e15
LEVEL_MOST = 1e9
DB_MOST = 1e3
"""Of levels in decibels: one that is far beyond all that is measured would spoil the scale."""

TIME_MOST_S = 4e9
"""About the year 2096."""

_LEVEL = re.compile(r"[a-z0-9_-]{1,32}\Z")


class NotUnderstood(ValueError):
    """A message that is none of ours, or not what it says it is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """What a topic is about. ``what`` is its last word, or ``channel`` and ``value``."""

    station: str
    what: str
    job: str | None = None
    name: str | None = None
    """Of a sweeper, a channel, a figure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveRead:
    """What a job measures over frequency: a filter's loss, the return loss at a bridge."""

    figure: str
    unit: str
    frequency_hz: NDArray[np.float64]
    """(n,) rising."""
    values: NDArray[np.float64]
    """(n,), NaN where there is none."""
    mask: tuple[Mapping[str, Any], ...]
    """Limits: ``name``, ``start_hz``, ``stop_hz``, ``limit``, ``side`` and ``unit``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceRead:
    """A trace with its levels as arrays."""

    job: str
    seq: int
    step: int
    at_s: float
    unit: str
    start_hz: float
    stop_hz: float
    source_points: int
    frequency_hz: NDArray[np.float64] | None
    """(n,) rising; None where the levels lie evenly."""
    level: NDArray[np.float64]
    """(n,), NaN where there is none."""
    curve: CurveRead | None = None


_OF_JOB = frozenset({"state", "summary", "trace", "finding", "occupancy", "verdict", "report"})


def is_level(name: object) -> bool:
    """Whether ``name`` may be a level of a topic."""
    return isinstance(name, str) and bool(_LEVEL.match(name))


def place_of(topic: str, root: str) -> Place | None:
    """What ``topic`` is about, or None where it is none that is shown."""
    if not topic.startswith(f"{root}/") or len(topic) > 300:
        return None
    levels = topic[len(root) + 1 :].split("/")
    if not all(_LEVEL.match(level) for level in levels):
        return None
    match levels:
        case [station, ("status" | "finding") as what]:
            return Place(station=station, what=what)
        case [station, "sweeper", name]:
            return Place(station=station, what="sweeper", name=name)
        case [station, "job", job, what] if what in _OF_JOB:
            return Place(station=station, what=what, job=job)
        case [station, "job", job, ("channel" | "value") as what, name]:
            return Place(station=station, what=what, job=job, name=name)
    return None


def read_json(payload: bytes, *schemas: str) -> dict[str, Any]:
    """A JSON object with one of ``schemas``.

    Raises:
        NotUnderstood: too long, no JSON, no object, another schema.
    """
    if len(payload) > PAYLOAD_MOST_BYTES:
        raise NotUnderstood(f"{len(payload)} bytes, more than {PAYLOAD_MOST_BYTES}")
    try:
        data = from_json(payload, allow_inf_nan=False, cache_strings="keys")
    except ValueError as exc:
        raise NotUnderstood(f"not JSON: {str(exc)[:80]}") from None
    if not isinstance(data, dict):
        raise NotUnderstood("not a JSON object")
    schema = data.get("schema")
    if schema not in schemas:
        raise NotUnderstood(f"schema {str(schema)[:40]!r}, expected {' or '.join(schemas)}")
    return data


def read_trace(data: Mapping[str, Any]) -> TraceRead:
    """A trace whose lists agree; a curve whose lists do not is none.

    Raises:
        NotUnderstood: points that are none, axes that do not rise, more than 2000 points, no time.
    """
    start, stop, axis, level = _points(data, "level")
    at_s, seq = moment(data, "at_s"), whole(data, "seq")
    if at_s is None or seq is None:
        raise NotUnderstood("a trace without time or number")
    return TraceRead(
        job=text(data, "job", 32),
        seq=seq,
        step=min(whole(data, "step") or 0, 1_000_000),
        at_s=at_s,
        unit=text(data, "unit", 16),
        start_hz=start,
        stop_hz=stop,
        source_points=max(whole(data, "source_points") or 0, level.size),
        frequency_hz=axis,
        level=level,
        curve=_read_curve(data),
    )


def _read_curve(data: Mapping[str, Any]) -> CurveRead | None:
    """What a trace brings along for who is tuning, or None where that is nothing, or nonsense."""
    curve = data.get("curve")
    if not isinstance(curve, Mapping) or not text(curve, "figure", WORD_MOST):
        return None
    try:
        start, stop, axis, values = _points(curve, "values")
    except NotUnderstood:
        return None
    rows = data.get("mask")
    limits = map(_read_limit, rows[:MASK_MOST] if isinstance(rows, list) else ())
    return CurveRead(
        figure=text(curve, "figure", WORD_MOST),
        unit=text(curve, "unit", 16),
        frequency_hz=np.linspace(start, stop, values.size) if axis is None else axis,
        values=values,
        mask=tuple(one for one in limits if one is not None),
    )


def _read_limit(row: object) -> Mapping[str, Any] | None:
    if not isinstance(row, Mapping):
        return None
    start, stop, limit = (number(row, key) for key in ("start_hz", "stop_hz", "limit"))
    side = text(row, "side", 8)
    if start is None or stop is None or not 0.0 <= start <= stop <= HZ_MOST:
        return None
    if limit is None or abs(limit) > _most(row) or side not in ("below", "above"):
        return None
    words = {"name": text(row, "name", 80), "unit": text(row, "unit", 16)}
    return {"start_hz": start, "stop_hz": stop, "limit": limit, "side": side, **words}


def _points(
    data: Mapping[str, Any], key: str
) -> tuple[float, float, NDArray[np.float64] | None, NDArray[np.float64]]:
    """Start, stop, frequencies (None where they are even), and the values at ``key``."""
    values = _floats(data.get(key), key)
    frequency = data.get("frequency_hz")
    axis = None if frequency is None else _floats(frequency, "frequency_hz")
    start, stop = number(data, "start_hz"), number(data, "stop_hz")
    if start is None or stop is None or not 0.0 <= start < stop <= HZ_MOST:
        raise NotUnderstood(f"{key}: no range that rises")
    if axis is not None and not (
        axis.shape == values.shape and np.isfinite(axis).all() and (np.diff(axis) >= 0.0).all()
    ):
        raise NotUnderstood(f"{key}: frequencies that do not rise, or not as many")
    # JSON's numbers may be as large as they like; a float32 in the picture may not.
    values[np.abs(values) > _most(data)] = np.nan
    return start, stop, axis, values


def _most(data: Mapping[str, Any]) -> float:
    """The largest level of the unit that ``data`` states; ratios are told in dB."""
    unit = text(data, "unit", 16)
    return DB_MOST if unit == "1" or unit.startswith("dB") else LEVEL_MOST


def text(data: Mapping[str, Any], key: str, most: int = TEXT_MOST) -> str:
    """The text at ``key``, cut to ``most`` characters; empty where there is none."""
    value = data.get(key)
    return value[:most] if isinstance(value, str) else ""


def number(data: Mapping[str, Any], key: str) -> float | None:
    """The finite number at ``key``, or None."""
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        value = float(value)
    except OverflowError:
        return None
    return value if math.isfinite(value) else None


def moment(data: Mapping[str, Any], key: str) -> float | None:
    """The time at ``key`` in seconds since 1970, or None; what no calendar has is none."""
    value = number(data, key)
    return value if value is not None and 0.0 <= value <= TIME_MOST_S else None


def whole(data: Mapping[str, Any], key: str) -> int | None:
    """The count at ``key``, 0 to 2⁵³, or None."""
    value = data.get(key)
    if isinstance(value, bool) or not isinstance(value, int):
        return None
    return value if 0 <= value <= 2**53 else None


def bounded(value: Any) -> Any:
    """JSON data cut to what a page is handed: texts of 2000, lists of 512, 8 deep, 4000 values."""
    left = BOUND_TOTAL

    def cut(one: Any, depth: int) -> Any:
        nonlocal left
        left -= 1
        if left < 0 or depth > BOUND_DEPTH:
            return None
        match one:
            case bool() | None:
                return one
            case int() | float():
                return number({"n": one}, "n") if abs(one) > 2**53 else one
            case str():
                return one[:TEXT_MOST]
            case Mapping():
                keys = list(one)[:BOUND_ITEMS]
                return {str(key)[:WORD_MOST]: cut(_timely(one, key), depth + 1) for key in keys}
            case Sequence():
                return [cut(item, depth + 1) for item in one[:BOUND_ITEMS]]
        return None

    return cut(value, 0)


def _timely(data: Mapping[str, Any], key: str) -> Any:
    """What is at ``key``; seconds that no page can show are none."""
    value = data[key]
    is_late = key.endswith("_s") and isinstance(value, int | float) and abs(value) > TIME_MOST_S
    return None if is_late else value


def _floats(values: object, what: str) -> NDArray[np.float64]:
    if not isinstance(values, list) or not 1 <= len(values) <= POINTS_MOST:
        raise NotUnderstood(f"{what}: expected a list of 1 to {POINTS_MOST} numbers")
    try:
        array = np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        raise NotUnderstood(f"{what}: something that is no number") from None
    if array.ndim != 1:
        raise NotUnderstood(f"{what}: lists in a list")
    return array
