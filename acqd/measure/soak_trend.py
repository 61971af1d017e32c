"""Drift of a soak's figures, and what they have to do with their context: once an hour, at the end.

Costs some ten milliseconds for each pair of a figure and a context, so never with each sweep.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.correlation import Correlation, context_at, correlate_columns, correlation_text
from acqd.measure.drift import Drift, least_squares_drift
from acqd.measure.running import course
from acqd.measure.soak_settings import SoakSettings, drift_unit
from acqd.measure.soak_state import SoakState

__all__ = ["drift_of", "trends_of"]

Float = NDArray[np.float64]

CORRELATED_MOST = 512
"""Stretches of time that a correlation is worked out from; a longer course is thinned by means."""

CONTEXT_WIDTHS = 4.0
"""A context counts for a figure where it was read within so many stretches of time."""


def drift_of(state: SoakState, at: int) -> Drift:
    """The straight line through figure number ``at``."""
    found = course(state.figures[at].series)
    return least_squares_drift(found.at_s, found.mean)


def trends_of(settings: SoakSettings, state: SoakState) -> tuple[dict[str, Any], ...]:
    """For each limit, plain data: drift per hour with its 95 % interval, and its contexts."""
    told = []
    for at, limit in enumerate(settings.limits):
        drift = drift_of(state, at)
        serial = drift.serial
        told.append(
            {
                "drift_per_h": _figure(drift.slope_per_hour),
                "drift_per_h_low": None if serial is None else _figure(serial.low_per_hour),
                "drift_per_h_high": None if serial is None else _figure(serial.high_per_hour),
                "drift_reason": drift.reason,
                "contexts": _beside(settings, state, at, drift_unit(limit.unit)),
            }
        )
    return tuple(told)


def _beside(settings: SoakSettings, state: SoakState, at: int, unit: str) -> list[dict[str, Any]]:
    """Slope and correlation of a figure over each context, the others held."""
    if not settings.contexts:
        return []
    series = state.figures[at].series
    figure = course(series)
    if figure.at_s.size == 0:
        return []
    oldest_s = CONTEXT_WIDTHS * series.width_s
    columns: Mapping[str, Float] = {
        one.name: context_at(
            figure.at_s, course(kept).at_s, course(kept).mean, oldest_s=max(oldest_s, kept.width_s)
        )
        for one, kept in zip(settings.contexts, state.contexts, strict=True)
    }
    thin = max(1, math.ceil(figure.at_s.size / CORRELATED_MOST))
    found = correlate_columns(
        _thinned(figure.mean, thin),
        {name: _thinned(column, thin) for name, column in columns.items()},
        least_span={one.name: one.least_span for one in settings.contexts},
    )
    return [
        _told(found.columns[one.name], one.name, unit=unit, per=one.unit or f"unit of {one.name}")
        for one in settings.contexts
    ]


def _thinned(values: Float, by: int) -> Float:
    """Means of ``by`` neighbours, NaN left out; the rest at the end is dropped."""
    if by == 1:
        return values
    whole = values.size // by
    parts = values[: whole * by].reshape(whole, by)
    known = np.isfinite(parts)
    count = known.sum(axis=1)
    total = np.where(known, parts, 0.0).sum(axis=1)
    mean: Float = np.divide(total, count, out=np.full(whole, math.nan), where=count > 0)
    return mean


def _told(found: Correlation, name: str, *, unit: str, per: str) -> dict[str, Any]:
    return {
        "name": name,
        "slope": _figure(found.slope),
        "slope_low": _figure(found.low),
        "slope_high": _figure(found.high),
        "correlation": _figure(found.pearson),
        "span": _figure(found.span),
        "related": found.related,
        "text": correlation_text(found, unit=unit, per=per),
    }


def _figure(value: float) -> float | None:
    """Six digits: no more of them are known, and a summary is sent often."""
    return float(f"{value:.6g}") if math.isfinite(value) else None
