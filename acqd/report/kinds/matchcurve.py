"""The reflection of one sweep as it is drawn: return loss and SWR with their worst-case bounds.

It is worked out anew from the levels of the sweep and of its references, with what the meter used,
so that curve, limits and the figures beside them are of one piece.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.reflection_sweep import Measured, ReflectionSettings, Refused, measured
from acqd.measure.reflection_view import View
from acqd.measure.returnloss import magnitude_from_vswr, return_loss_db
from acqd.measure.words import frequency_text, number_text
from acqd.report.kinds.common import number
from acqd.report.kinds.kept import Kept
from acqd.report.shapes import Band, Limit, Line, Mark, SweepRange

__all__ = [
    "DEEPEST_DB",
    "LARGEST_SWR",
    "MatchCurve",
    "limits_of",
    "loss_marks",
    "other_dips",
    "range_band",
    "reflection_of",
    "swr_marks",
]

Float = NDArray[np.float64]

DEEPEST_DB = 60.0
LARGEST_SWR = 10.0
"""As far as bounds without an end are drawn."""

LIMIT_SHARE = 0.008
"""Half of the width, as a share of the sweep, at which the limit of one frequency is drawn."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchCurve:
    """One sweep looked at from all sides, on its axis."""

    view: View
    frequency_hz: Float
    found: Measured

    def return_loss(self, name: str, role: Any, sweeps: SweepRange | None, *, bounds: bool) -> Line:
        """Return loss in dB, drawn up to :data:`DEEPEST_DB`."""
        trace = self.found.trace
        return _line(
            name, self.frequency_hz, trace.return_loss_db,
            (trace.return_loss_low_db, trace.return_loss_high_db) if bounds else None,
            DEEPEST_DB, role, sweeps,
        )  # fmt: skip

    def swr(self, name: str, role: Any, sweeps: SweepRange | None, *, bounds: bool) -> Line:
        """SWR, drawn up to :data:`LARGEST_SWR`."""
        trace = self.found.trace
        return _line(
            name, self.frequency_hz, trace.vswr,
            (trace.vswr_low, trace.vswr_high) if bounds else None,
            LARGEST_SWR, role, sweeps,
        )  # fmt: skip


def _line(
    name: str, at_hz: Float, y: Float, bounds: tuple[Float, Float] | None, most: float, role: Any,
    sweeps: SweepRange | None,
) -> Line:  # fmt: skip
    low, high = (None, None) if bounds is None else (_to(most, bounds[0]), _to(most, bounds[1]))
    return Line(name=name, x=at_hz, y=_to(most, y), role=role, low=low, high=high, sweeps=sweeps)


def _to(most: float, values: Float) -> Float:
    """Cut at the edge of the drawing; NaN stays NaN."""
    return np.where(np.isnan(values), np.nan, np.minimum(values, most))


def reflection_of(kept: Kept, at: int, settings: ReflectionSettings) -> MatchCurve | str:
    """What a sweep shows of the load; in a sentence why there is nothing."""
    setup, sweep = kept.event(at), kept.seen(at)
    found = measured(settings, setup, sweep)
    if isinstance(found, Refused):
        return found.why
    return MatchCurve(
        view=View(settings, setup, sweep, found),
        frequency_hz=setup.grid.frequency_hz,
        found=found,
    )


def other_dips(summary: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """The dips of a summary but for its best match."""
    best = summary["best"] or {}
    return [one for one in summary["resonances"] if one["frequency_hz"] != best.get("frequency_hz")]


# --- at the curve ---------------------------------------------------------------------------------


def loss_marks(summary: Mapping[str, Any]) -> tuple[Mark, ...]:
    """Best match, the other dips and the named frequencies, at the curve of return loss."""
    return tuple(_marks(summary, "return_loss_db", " dB", 1, DEEPEST_DB))


def swr_marks(summary: Mapping[str, Any]) -> tuple[Mark, ...]:
    """The same at the curve of the SWR, and where the width at each level ends."""
    found = list(_marks(summary, "swr", "", 2, LARGEST_SWR))
    best = summary["best"] or {}
    for width in best.get("bandwidths", ()):
        for key, way in (("low_hz", "from"), ("high_hz", "to")):
            if width["reached"] and width[key] is not None:
                text = f"SWR {width['swr']:g} {way} {frequency_text(width[key])}"
                found.append(Mark(x=width[key], y=width["swr"], text=text))
    return tuple(found)


def _marks(
    summary: Mapping[str, Any], key: str, unit: str, decimals: int, most: float
) -> Iterator[Mark]:
    best = summary["best"]
    named = [(one["name"], one) for one in summary["named"]]
    dips = [("dip", one) for one in other_dips(summary)]
    for name, one in [*([("best match", best)] if best else []), *dips, *named]:
        value = number(one[key])
        if value is None:
            continue
        where = "" if name in {one["name"] for one in summary["named"]} else " at "
        where += frequency_text(one["frequency_hz"]) if where else ""
        text = f"{name} {number_text(value, decimals)}{unit}{where}"
        yield Mark(x=one["frequency_hz"], y=min(value, most), text=text)


def range_band(settings: ReflectionSettings) -> tuple[Band, ...]:
    """The range that is judged."""
    if settings.range_hz is None:
        return ()
    return (Band(name="judged", start=settings.range_hz[0], stop=settings.range_hz[1]),)


def limits_of(curve: MatchCurve, *, in_db: bool) -> tuple[Limit, ...]:
    """The limits on the SWR, or the return losses that they come to."""
    return tuple(_limits(curve, in_db=in_db))


def _limits(curve: MatchCurve, *, in_db: bool) -> Iterator[Limit]:
    settings = curve.view.settings
    guards = {one.name: one.row for one in curve.view.judgements}
    half_hz = LIMIT_SHARE * float(curve.frequency_hz[-1] - curve.frequency_hz[0])
    places = []
    if settings.max_swr is not None:
        places.append(("range", "SWR at most", settings.max_swr, curve.view.range_hz))
    for name, most in settings.max_swr_at.items():
        at_hz = settings.named_hz[name]
        places.append((name, f"{name}: SWR at most", most, (at_hz - half_hz, at_hz + half_hz)))
    for name, words, most, (start_hz, stop_hz) in places:
        expanded = number((guards.get(name) or {}).get("expanded")) or 0.0
        if not in_db:
            yield Limit(
                name=f"{words} {most:g}", start=start_hz, stop=stop_hz, level=most, side="below",
                guard=settings.guard * expanded,
            )  # fmt: skip
            continue
        least_db = float(return_loss_db(magnitude_from_vswr(most)))
        inside = most - settings.guard * expanded
        inside_db = float(return_loss_db(magnitude_from_vswr(inside))) if inside > 1.0 else math.inf
        yield Limit(
            name=f"{words} {most:g}", start=start_hz, stop=stop_hz, level=least_db, side="above",
            guard=min(inside_db, DEEPEST_DB) - least_db,
        )  # fmt: skip
