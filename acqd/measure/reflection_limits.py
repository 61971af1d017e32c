"""SWR limits at named frequencies and over a range, and when it is worth telling."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.match import AtFrequency, Bounded
from acqd.measure.reflection import Reflection
from acqd.measure.returnloss import magnitude_from_vswr
from acqd.measure.verdict import Verdict, judge
from acqd.measure.words import frequency_text, range_text

__all__ = [
    "PASSES_TO_TELL",
    "Judged",
    "Standing",
    "Worst",
    "followed",
    "judged",
    "settled",
    "sure",
    "worst_in",
]

Float = NDArray[np.float64]

PASSES_TO_TELL = 2
"""A change is told when two passes in a row have it, so that one gust makes no finding."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Worst:
    """The largest reflection in a range: ``value`` holds the largest of each bound, which need not
    be at the frequency of the largest reading. ``reason`` says why there is none."""

    start_hz: float
    stop_hz: float
    frequency_hz: float | None
    value: Bounded | None
    reason: str | None


def sure(trace: Reflection) -> Reflection:
    """The trace with its ± 2u interval in the place of the worst-case bounds, for verdicts."""
    low, high = trace.magnitude_interval
    return replace(trace, magnitude_low=low, magnitude_high=high)


def worst_in(frequency_hz: Float, trace: Reflection, start_hz: float, stop_hz: float) -> Worst:
    """The worst point from ``start_hz`` to ``stop_hz``, both interpolated between their neighbours.

    A range that the sweep does not cover, or with a level missing in it, has no worst point: what
    was not seen may be worse.
    """

    def none(reason: str) -> Worst:
        return Worst(
            start_hz=start_hz, stop_hz=stop_hz, frequency_hz=None, value=None, reason=reason
        )

    if not frequency_hz.size or not frequency_hz[0] <= start_hz <= stop_hz <= frequency_hz[-1]:
        return none("the sweep does not reach over all of it")
    inside = frequency_hz[(frequency_hz > start_hz) & (frequency_hz < stop_hz)]
    at_hz = np.concatenate([[start_hz], inside, [stop_hz]])
    low, middle, high = (
        np.interp(at_hz, frequency_hz, y)
        for y in (trace.magnitude_low, trace.magnitude, trace.magnitude_high)
    )
    if np.isnan(middle).any():
        return none("levels are missing in it")
    at = int(np.argmax(middle))
    value = Bounded(
        magnitude=float(middle[at]),
        magnitude_low=float(low.max()),
        magnitude_high=float(high.max()),
    )
    return Worst(
        start_hz=start_hz,
        stop_hz=stop_hz,
        frequency_hz=float(at_hz[at]),
        value=value,
        reason=None,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One limit and where the reflection stands towards it. ``row`` is that of a verdict message,
    without the sweep's number."""

    name: str
    verdict: Verdict
    row: dict[str, Any]
    sentence: str
    """For a finding: SWR 2.41 (2.20 to 2.66) at ch16 (156.800 MHz)."""


def judged(found: AtFrequency | Worst, *, max_swr: float, guard: float) -> Judged:
    """Judge the SWR at a frequency, or the worst of a range, by :func:`acqd.measure.verdict.judge`.

    The rule is applied to the magnitude of the reflection, which stays finite where the SWR does
    not. U is the distance to the end of the ± 2u interval on the side of the limit, since the two
    sides differ.
    """
    if isinstance(found, AtFrequency):
        name, key = found.name, f"SWR at {found.name}"
        where = f"at {found.name} ({frequency_text(found.frequency_hz)})"
    else:
        name, key = "range", "worst SWR in the range"
        whole = range_text(found.start_hz, found.stop_hz)
        where = f"in {whole}"
        if found.frequency_hz is not None:
            where = f"at {frequency_text(found.frequency_hz)}, the worst in {whole}"
    value = found.value
    if value is None:
        verdict, text, figure, expanded = Verdict.INCOMPLETE, f"{found.reason}", None, None
        said = f"no SWR {where}: {found.reason}"
    else:
        limit = float(magnitude_from_vswr(max_swr))
        inside = value.magnitude <= limit
        edge = value.magnitude_high if inside else value.magnitude_low
        verdict = judge(
            value.magnitude,
            limit=limit,
            expanded=abs(edge - value.magnitude),
            guard=guard,
            unit="1",
        ).verdict
        swr_edge = value.vswr_high if inside else value.vswr_low
        figure = value.vswr if math.isfinite(value.vswr) else None
        spread = abs(swr_edge - value.vswr) if figure is not None else math.inf
        expanded = spread if math.isfinite(spread) else None
        said = f"SWR {_between(value)} {where}"
        text = f"{said}, of {max_swr:g}: {verdict.value}"
    row = {
        "figure": key,
        "value": None if figure is None else round(figure, 4),
        "unit": "1",
        "bound": None,
        "limit": max_swr,
        "side": "below",
        "expanded": None if expanded is None else round(expanded, 4),
        "verdict": verdict.value,
        "text": text if value is not None else f"{said}, of {max_swr:g}: {verdict.value}",
    }
    return Judged(name=name, verdict=verdict, row=row, sentence=said)


def _between(value: Bounded) -> str:
    """2.41 (2.20 to 2.66); infinite, where it is that for sure."""
    if math.isinf(value.vswr_low):
        return "infinite"
    return f"{_swr(value.vswr)} ({_swr(value.vswr_low)} to {_swr(value.vswr_high)})"


def _swr(ratio: float) -> str:
    return "infinite" if math.isinf(ratio) else f"{ratio:.2f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """What was told last of a thing, and what seems to be the case now and for how many passes."""

    name: str
    told: str = ""
    seems: str = ""
    passes: int = 0


def settled(state: Standing, word: str) -> tuple[Standing, bool]:
    """The state after a pass that says ``word``; True where that is another one than told last, and
    :data:`PASSES_TO_TELL` passes in a row have said it."""
    passes = min(state.passes + 1 if word == state.seems else 1, PASSES_TO_TELL)
    state = replace(state, seems=word, passes=passes)
    if passes < PASSES_TO_TELL or word == state.told:
        return state, False
    return replace(state, told=word), True


def followed(
    states: Sequence[Standing], now: Sequence[Judged]
) -> tuple[tuple[Standing, ...], tuple[Judged, ...]]:
    """The states after a pass, and what is to be told: limits surely passed or kept otherwise than
    told last. What cannot be told changes nothing; that a limit is kept from the first is no news.
    """
    before = {state.name: state for state in states}
    after, tell = [], []
    for one in now:
        state = before.get(one.name, Standing(name=one.name))
        if one.verdict in (Verdict.PASS, Verdict.FAIL):
            was = state.told
            state, is_new = settled(state, one.verdict.value)
            if is_new and (was or one.verdict is Verdict.FAIL):
                tell.append(one)
        after.append(state)
    return tuple(after), tuple(tell)
