"""One figure of one pass, and how sure it is, out of whatever a kind's summary holds.

Kinds state U at k = 2 beside their figures, or an interval, and nest them as it suits them. Both
are found by the names that they share: ``loss_db`` has ``loss_expanded_db``, or ``expanded_db``
alone, or ``loss_low_db`` and ``loss_high_db``, in the same part of the summary.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Any

from acqd.measure.meter import Output
from acqd.measure.soak_settings import SoakLimit, unit_of_figure

__all__ = ["figure_reading", "stated_u"]

DEEP = 4
"""Parts within parts that are looked through."""

LIKE = 1e-3
"""Bare figures and summaries are rounded on their own; nearer than this share they are one."""


def figure_reading(limit: SoakLimit, output: Output) -> tuple[float, float]:
    """A figure of one pass and its U at k = 2; NaN where there is none.

    Looked for among the bare values, then the archive's columns, then the summary's own numbers.
    """
    summary = output.summary or {}
    for found in (output.values, output.columns, summary):
        value = _number(found.get(limit.figure))
        if value is not None and math.isfinite(value):
            return value, stated_u(limit.figure, limit.unit, value, summary)
    return math.nan, math.nan


def stated_u(figure: str, unit: str, value: float, summary: Mapping[str, Any]) -> float:
    """U of a figure as its summary states it; NaN where it states none.

    A part that has the figure under its own name goes first, then one that has the same value under
    another name that ends in the same unit. Levels of a kind without budgets have the limits of the
    level accuracy, and their own standard uncertainty beside it.
    """
    parts = list(_parts(summary, DEEP))
    for part in parts:
        if figure in part:
            u = _beside(figure, value, part)
            if not math.isnan(u):
                return u
    ending = figure.rpartition("_")[2]
    for part in parts:
        for key, other in part.items():
            same_unit = key.rpartition("_")[2] == ending and key != figure
            if same_unit and _is_like(_number(other), value):
                u = _beside(key, value, part)
                if not math.isnan(u):
                    return u
    if ending == "hz" and figure.startswith("offset_"):
        return _or_nan(_number(summary.get("frequency_expanded_hz")))
    return _by_accuracy(figure, summary) if unit in ("dBm", "dBµV", "dBFS") else math.nan


def _parts(found: Any, deep: int) -> Iterator[Mapping[str, Any]]:
    """A summary and what is nested in it, the outer ones first."""
    if isinstance(found, Mapping):
        yield found
        inner = list(found.values())
    elif isinstance(found, list | tuple):
        inner = list(found)
    else:
        return
    if deep > 0:
        for one in inner:
            yield from _parts(one, deep - 1)


def _beside(key: str, value: float, part: Mapping[str, Any]) -> float:
    """U that stands beside ``key`` in its part of the summary."""
    stem, _, ending = key.rpartition("_")
    change = "db" if unit_of_figure(key).startswith("dB") else ending
    start = f"{stem}_" if stem else ""
    names = (f"{start}expanded_{change}", f"{key}_expanded", f"expanded_{change}", "expanded")
    for name in names:
        found = _number(part.get(name))
        if found is not None:
            return found
    low = _number(part.get(f"{start}low_{ending}", part.get(f"{key}_low")))
    high = _number(part.get(f"{start}high_{ending}", part.get(f"{key}_high")))
    if low is None or high is None:
        return math.nan
    return max(abs(value - low), abs(high - value))


def _by_accuracy(figure: str, summary: Mapping[str, Any]) -> float:
    accuracy_db = _number(summary.get("level_accuracy_db"))
    if accuracy_db is None:
        return math.nan
    own_db = _number(summary.get(f"{figure.rpartition('_')[0]}_u_db")) or 0.0
    return 2.0 * math.hypot(accuracy_db / math.sqrt(3.0), own_db)


def _number(found: Any) -> float | None:
    is_number = isinstance(found, int | float) and not isinstance(found, bool)
    return float(found) if is_number else None


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value


def _is_like(other: float | None, value: float) -> bool:
    return other is not None and math.isclose(other, value, rel_tol=LIKE, abs_tol=1e-9)
