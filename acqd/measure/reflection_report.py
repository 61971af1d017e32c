"""The figures of a reflection as plain JSON data: finite or None, and bounded in number."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.budget import Budget, Component, Shape
from acqd.measure.match import AtFrequency, Bounded, Match
from acqd.measure.reflection import Reflection, TermFrom
from acqd.measure.reflection_limits import Worst
from acqd.measure.reflection_sweep import Measured

__all__ = [
    "NOTES_MOST",
    "RESONANCES_MOST",
    "bounded_figures",
    "budget_of",
    "budget_rows",
    "match_figures",
    "named_figures",
    "number",
    "of_bridge",
    "reference_rows",
    "unique",
    "worst_figures",
]

Float = NDArray[np.float64]

RESONANCES_MOST = 16
NOTES_MOST = 16

SHAPES = {
    "directivity": Shape.U_SHAPED,
    "source match": Shape.U_SHAPED,
    "references": Shape.RECTANGULAR,
    "linearity": Shape.RECTANGULAR,
    "cable loss": Shape.RECTANGULAR,
    "floor": Shape.NORMAL,
}

SHRINK = {
    "directivity": "take a load reference, state the load's return loss, or use a better bridge",
    "source match": "put a small pad on the bridge's test port and take references behind it",
    "references": "take both an open and a short, at the bridge's test port",
    "linearity": "take the references anew, shortly before, and state `scale` of the sweeper",
    "cable loss": "measure the cable with its far end open and shorted, and state it closer",
    "floor": "more source level, less attenuation, a narrower RBW",
}


def number(value: float | None, digits: int) -> float | None:
    """A finite number, rounded; None for everything else. Never −0.0."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, digits) + 0.0


def bounded_figures(value: Bounded | None) -> dict[str, Any]:
    """Reflection and bounds in all three forms. None is what has no number: an infinite SWR, a
    return loss without upper bound, or (all of them) nothing measured."""
    keys = ("magnitude", "magnitude_low", "magnitude_high")
    if value is None:
        names = ("return_loss", "return_loss_low", "return_loss_high")
        return {
            **{f"{name}_db": None for name in names},
            **dict.fromkeys(("swr", "swr_low", "swr_high", *keys)),
            "over_unity": False,
        }
    return {
        "return_loss_db": number(value.return_loss_db, 3),
        "return_loss_low_db": number(value.return_loss_low_db, 3),
        "return_loss_high_db": number(value.return_loss_high_db, 3),
        "swr": number(value.vswr, 4),
        "swr_low": number(value.vswr_low, 4),
        "swr_high": number(value.vswr_high, 4),
        "magnitude": number(value.magnitude, 6),
        "magnitude_low": number(value.magnitude_low, 6),
        "magnitude_high": number(value.magnitude_high, 6),
        "over_unity": value.magnitude >= 1.0,
    }


def match_figures(match: Match) -> dict[str, Any]:
    return {
        "frequency_hz": number(match.frequency_hz, 1),
        "frequency_low_hz": number(match.frequency_low_hz, 1),
        "frequency_high_hz": number(match.frequency_high_hz, 1),
        **bounded_figures(match.value),
        "interpolated": match.interpolated,
        "at_edge": match.at_edge,
        "bandwidths": [
            {
                "swr": width.swr,
                "reached": width.reached,
                "low_hz": number(width.low_hz, 1),
                "high_hz": number(width.high_hz, 1),
                "width_hz": number(width.width_hz, 1),
                "least_width_hz": number(width.least_width_hz, 1),
                "most_width_hz": number(width.most_width_hz, 1),
            }
            for width in match.bandwidths
        ],
    }


def named_figures(found: AtFrequency) -> dict[str, Any]:
    return {
        "name": found.name,
        "frequency_hz": found.frequency_hz,
        "reason": found.reason,
        **bounded_figures(found.value),
    }


def worst_figures(worst: Worst) -> dict[str, Any]:
    return {
        "start_hz": worst.start_hz,
        "stop_hz": worst.stop_hz,
        "frequency_hz": number(worst.frequency_hz, 1),
        "reason": worst.reason,
        **bounded_figures(worst.value),
    }


def of_bridge(trace: Reflection) -> dict[str, Any]:
    """What the bounds rest on, and how many points are beyond what can be told."""
    known = trace.directivity_db[np.isfinite(trace.directivity_db)]
    cable = trace.cable_loss_db
    return {
        "directivity_db": number(float(known.min()), 2) if known.size else None,
        "directivity_from": trace.directivity_from.value,
        "source_match_db": number(trace.source_match_db, 2),
        "source_match_from": trace.source_match_from.value,
        "cable_loss_db": number(float(cable[cable.size // 2]), 3) if cable.size else None,
        "points": int(trace.magnitude.size),
        "missing_points": int(np.count_nonzero(np.isnan(trace.magnitude))),
        "over_unity_points": int(np.count_nonzero(trace.over_unity)),
        "surely_over_unity_points": int(np.count_nonzero(trace.magnitude_low > 1.0)),
        "at_least_points": int(np.count_nonzero(trace.at_least)),
        "floor_limited_points": int(np.count_nonzero(trace.floor_limited)),
    }


def reference_rows(found: Measured, at_s: float) -> list[dict[str, Any]]:
    """The references that were used, in the order of open, short, load, quiet."""
    return [
        {
            "role": role,
            "at_s": one.at_s,
            "age_s": number(at_s - one.at_s, 0),
            "sweeps": one.sweeps,
            "repeatability_db": number(one.repeatability_db, 3),
            "temperature_c": number(one.temperature_c, 2),
        }
        for role, one in found.references.items()
    ]


def budget_of(found: Measured, index: int) -> Budget:
    """The budget of the magnitude at one point, unit 1, from the trace's parts there."""
    trace = found.trace
    assumed = {
        "directivity": trace.directivity_from is TermFrom.ASSUMED,
        "source match": trace.source_match_from is TermFrom.ASSUMED,
        "linearity": bool({"scale", "drift since the references"} & set(found.assumed)),
    }
    parts = []
    for name, u in trace.parts.items():
        shape = SHAPES[name]
        value = float(u[index])
        if value > 0.0 and math.isfinite(value):
            parts.append(
                Component.from_limits(
                    name,
                    value * shape.divisor,
                    shape=shape,
                    assumed=assumed.get(name, False),
                    shrink=SHRINK[name],
                )
            )
    return Budget(unit="1", components=tuple(parts))


def budget_rows(budget: Budget) -> list[dict[str, Any]]:
    """Parts of the budget, the largest share first."""
    return [
        {
            "name": row["name"],
            "half_width": number(row["half_width"], 7),
            "shape": row["shape"],
            "u": number(row["u"], 7),
            "share": number(row["share"], 4),
            "assumed": row["assumed"],
            "shrink": row["shrink"],
        }
        for row in budget.lines()
    ]


def unique(texts: Sequence[str]) -> list[str]:
    """Each once, the first few."""
    return list(dict.fromkeys(texts))[:NOTES_MOST]
