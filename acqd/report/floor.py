"""The noise floor along the night: its middle and spread in each column, and what that came to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acqd.look.times import clock, duration
from acqd.measure.words import range_text
from acqd.report.picture import TimeBins
from acqd.report.shapes import Line, Mark, Strip, TrendChart
from acqd.report.source import JobSource
from acqd.report.words import level

__all__ = ["Binned", "binned", "floor_chart", "floor_statement", "floor_strip"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Binned:
    """(columns,) median, 10 and 90 % of the values that fell into each; NaN where none did."""

    at_s: Float
    middle: Float
    low: Float
    high: Float


def binned(bins: TimeBins, at_s: Float, took_s: Float, values: Float) -> Binned:
    """Values along time put into columns; one that falls between two sweeps of the rhythm has
    those of the sweep that still holds."""
    shape = len(bins)
    middle, low, high = (np.full(shape, np.nan) for _ in range(3))
    known = np.isfinite(values)
    at_s, took_s, values = at_s[known], took_s[known], values[known]
    column = bins.of(at_s)
    order = np.argsort(column, kind="stable")
    column, ordered = column[order], values[order]
    starts = np.flatnonzero(np.diff(column, prepend=-1)).tolist()
    for first, stop in pairwise([*starts, column.size]):
        some = np.percentile(ordered[first:stop], (50.0, 10.0, 90.0))
        middle[column[first]], low[column[first]], high[column[first]] = some
    held = bins.holders(at_s, took_s)
    for one in (middle, low, high):
        one[held >= 0] = one[held[held >= 0]]
    return Binned(at_s=bins.middle_s, middle=middle, low=low, high=high)


def floor_statement(source: JobSource, at_s: Float, floor: Float) -> str:
    """What the floor did, over which frequencies: first, last, lowest and highest hour-like mean.

    Of single sweeps, not of the binned curve; empty where there is no floor at all.
    """
    known = np.isfinite(floor)
    if not known.any():
        return ""
    at_s, floor = at_s[known], floor[known]
    unit, zone = source.unit, source.zone
    setup = source.setup
    where = "the whole range"
    if setup is not None:
        axis_hz = setup.frequency_hz
        where = range_text(float(axis_hz.min()), float(axis_hz.max()))
    if floor.size == 1:
        return f"floor over {where}: {level(float(floor[0]))} {unit}, by one sweep"
    smooth, when_s, part_s = _smoothed(at_s, floor)
    lowest, highest = int(np.argmin(smooth)), int(np.argmax(smooth))
    text = (
        f"floor over {where}: {level(smooth[0])} {unit} at first, {level(smooth[-1])} {unit} at "
        f"last"
    )
    if smooth.size > 1:
        text += (
            f"; lowest {level(smooth[lowest])} at {clock(float(when_s[lowest]), zone)}, highest "
            f"{level(smooth[highest])} at {clock(float(when_s[highest]), zone)}"
        )
    if part_s > 0.0:
        # Without it what single sweeps show in the curve would belie the highest and the lowest.
        unit_s = 60.0 if part_s >= 120.0 else 1.0
        lasting = duration(unit_s * max(1, round(part_s / unit_s)))
        text += (
            f", as medians of {lasting}; single sweeps {level(float(floor.min()))} to "
            f"{level(float(floor.max()))}"
        )
    return text


SMOOTH_PARTS = 48


def _smoothed(at_s: Float, floor: Float) -> tuple[Float, Float, float]:
    """Medians of up to 48 parts of the time, so that one noisy sweep is no lowest nor highest;
    their times, and how long a part is: 0 where these are the sweeps themselves."""
    if floor.size <= 2:
        return floor, at_s, 0.0
    parts = min(SMOOTH_PARTS, max(1, floor.size // 5))
    edges = np.linspace(at_s[0], at_s[-1], parts + 1)
    part = np.clip(np.searchsorted(edges, at_s, side="right") - 1, 0, parts - 1)
    there = np.unique(part)
    middle = np.array([np.median(floor[part == one]) for one in there])
    when_s = np.array([float(np.mean(at_s[part == one])) for one in there])
    return middle, when_s, float(edges[1] - edges[0])


def floor_strip(source: JobSource, found: Binned, statement: str) -> Strip | None:
    """The strip under the sheet; None where there is no floor at all."""
    if not np.isfinite(found.middle).any():
        return None
    return Strip(
        title="floor",
        unit=source.unit,
        at_s=found.at_s,
        value=found.middle,
        low=found.low,
        high=found.high,
        statement=statement,
    )


def floor_chart(source: JobSource, found: Binned, floor_u: float) -> TrendChart | None:
    """The floor by itself, with what moved it; ``floor_u`` is its standard uncertainty in dB from
    the noise, NaN where nobody knows."""
    if not np.isfinite(found.middle).any():
        return None
    name = "floor, with 10 and 90 % of the sweeps"
    marks = [
        Mark(x=one.at_s, y=_number(one.figures, "floor_d"), text=_step_text(one.figures))
        for one in source.findings
        if one.what in ("floor_rose", "floor_fell")
    ]
    line = Line(
        name=name,
        x=found.at_s,
        y=found.middle,
        low=found.low,
        high=found.high,
        sweeps=source.range_of(),
    )
    u_text = f", each sweep ± {2.0 * floor_u:.2f} dB by its noise" if math.isfinite(floor_u) else ""
    first = found.middle[np.isfinite(found.middle)]
    return TrendChart(
        title=f"Noise floor{u_text}",
        unit=source.unit,
        lines=(line,),
        marks=tuple(one for one in marks if math.isfinite(one.y)),
        gaps=source.gaps,
        sweeps=source.range_of(),
        alt=(
            f"Noise floor between {level(float(first.min()))} and {level(float(first.max()))} "
            f"{source.unit}."
        ),
    )


def _number(figures: object, start: str) -> float:
    assert isinstance(figures, dict)
    names = [name for name in figures if name.startswith(start) and "before" not in name]
    value = figures.get(names[0]) if names else None
    return math.nan if value is None else float(value)


def _step_text(figures: object) -> str:
    step = _number(figures, "step_")
    return f"{'+' if step > 0 else ''}{level(step)} dB" if math.isfinite(step) else "moved"
