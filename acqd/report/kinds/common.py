"""What the parts of several kinds share: recorded settings, trends, tables of verdicts, words."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.config.recorded import recorded_config
from acqd.config.whole import StationConfig
from acqd.look.times import clock, duration
from acqd.measure.budget import decimals_for, figure_text
from acqd.measure.verdict import Verdict
from acqd.report.kinds.kept import Kept
from acqd.report.shapes import (
    GapShown,
    Limit,
    Line,
    Mark,
    SweepRange,
    Table,
    TrendChart,
    VerdictShown,
)
from acqd.report.words import count_text, joined_text

__all__ = [
    "WORST_FIRST",
    "all_verdicts",
    "at_text",
    "broken",
    "config_at",
    "context_charts",
    "count_words",
    "judgement_table",
    "limit_words",
    "number",
    "pm",
    "shown_verdict",
    "sweep_text",
    "thinned",
    "trend",
    "value_text",
]

Float = NDArray[np.float64]

GAP_STEPS = 2.5
"""Sweeps further apart than this many usual steps have a gap between them."""

TREND_POINTS = 1500
"""More than a page is wide: a line of more points is drawn as means."""

WORST_FIRST = ("fail", "incomplete", "cannot tell", "pass")


def number(value: Any) -> float | None:
    """A finite number, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float | np.number):
        return None
    return float(value) if math.isfinite(value) else None


def value_text(value: float | None, unit: str, *, decimals: int = 2) -> str:
    """−69.81 dBm; "unknown" for None and what is not finite."""
    if value is None or not math.isfinite(value):
        return "unknown"
    unit = "" if unit in ("", "1") else f" {unit}"
    return f"{figure_text(value, decimals)}{unit}"


def pm(value: float | None, expanded: float | None, unit: str) -> str:
    """−69.8 dBm ± 1.9; as many decimals as show two figures of U."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if expanded is None or not math.isfinite(expanded):
        return f"{value_text(value, unit)}, its uncertainty is not known"
    decimals = decimals_for(expanded, unit)
    return f"{value_text(value, unit, decimals=decimals)} ± {figure_text(expanded, decimals)}"


def at_text(at_s: float, zone: str) -> str:
    """02:10:07 by the station's clock."""
    return clock(at_s, zone, seconds=True)


def sweep_text(kept: Kept, at: int) -> str:
    """sweep 12 at 02:10:07."""
    return f"sweep {int(kept.seq[at])} at {at_text(float(kept.at_s[at]), kept.source.zone)}"


def config_at(kept: Kept, at: int) -> StationConfig:
    """The config of the job as it was recorded with a sweep.

    Raises:
        ArchiveDamaged: this acqd cannot read it.
    """
    return recorded_config(kept.source.job, kept.config(at))


# --- over time ------------------------------------------------------------------------------------


def broken(
    at_s: Float, *values: Float | None, gaps: Sequence[GapShown] = ()
) -> tuple[Float, tuple[Float | None, ...]]:
    """Times and figures with a NaN wherever a gap lies between two sweeps: never bridged.

    A gap is what was accounted for as one, and any time much longer than usual without a sweep.
    """
    if at_s.size < 2:
        return at_s, values
    apart_s = np.diff(at_s)
    is_hole = apart_s > GAP_STEPS * float(np.median(apart_s))
    for gap in gaps:
        after = int(np.searchsorted(at_s, gap.from_s, side="right"))
        if 0 < after < at_s.size:
            is_hole[after - 1] = True
    holes = np.flatnonzero(is_hole) + 1
    middle_s = (at_s[holes - 1] + at_s[holes]) / 2.0
    filled = tuple(None if one is None else np.insert(one, holes, np.nan) for one in values)
    return np.insert(at_s, holes, middle_s), filled


def trend(
    kept: Kept,
    *,
    title: str,
    unit: str,
    name: str,
    value: Float,
    expanded: Float | None = None,
    low: Float | None = None,
    high: Float | None = None,
    limits: tuple[Limit, ...] = (),
    marks: tuple[Mark, ...] = (),
    more: tuple[Line, ...] = (),
    alt: str = "",
) -> TrendChart | None:
    """A figure of each sweep over time, with its uncertainty or its bounds as a band.

    None where no sweep has it. Sweeps without it leave a hole in the line.
    """
    known = np.isfinite(value)
    if not known.any():
        return None
    if expanded is not None and np.isfinite(expanded).any():
        low, high = value - expanded, value + expanded
        name = f"{name}, ± U (k = 2)"
    at_s, shown, under, over, note = thinned(kept.at_s, value, low, high, kept.source.gaps)
    name += note
    sweeps = kept.range_of(np.flatnonzero(known))
    line = Line(name=name, x=at_s, y=shown, low=under, high=over, sweeps=sweeps)
    least, most = float(np.nanmin(value)), float(np.nanmax(value))
    said = f"{title}: {value_text(least, unit)} to {value_text(most, unit)}"
    return TrendChart(
        title=title,
        unit=unit,
        lines=(line, *more),
        marks=marks,
        limits=limits,
        gaps=kept.source.gaps,
        sweeps=sweeps,
        alt=alt or f"{said} over {count_text(int(known.sum()), 'sweep')}.",
    )


def thinned(
    at_s: Float,
    value: Float,
    low: Float | None,
    high: Float | None,
    gaps: Sequence[GapShown] = (),
) -> tuple[Float, Float, Float | None, Float | None, str]:
    """At most :data:`TREND_POINTS` points, with NaN in gaps, and what the name of the line says of
    it: means of short stretches of time, the band around all of their readings."""
    if at_s.size <= TREND_POINTS:
        at_s, (y, under, over) = broken(at_s, value, low, high, gaps=gaps)
        assert y is not None
        return at_s, y, under, over, ""
    # Three sweeps each at least, so that one that is late leaves no hole.
    cells = min(TREND_POINTS, at_s.size // 3)
    edges = np.linspace(at_s.min(), at_s.max(), cells + 1)
    cell = np.clip(np.searchsorted(edges, at_s, side="right") - 1, 0, cells - 1)
    known = np.isfinite(value)
    count = np.bincount(cell[known], minlength=cells)
    total = np.bincount(cell[known], value[known], minlength=cells)
    mean = np.divide(total, count, out=np.full(cells, np.nan), where=count > 0)
    under = _extreme(np.fmin, cell, value if low is None else np.fmin(low, value), cells)
    over = _extreme(np.fmax, cell, value if high is None else np.fmax(high, value), cells)
    lasts = duration(float(edges[1] - edges[0]))
    note = f", means of {lasts}, the band around all of their readings"
    return (edges[1:] + edges[:-1]) / 2.0, mean, under, over, note


def _extreme(of: np.ufunc, cell: NDArray[np.intp], value: Float, cells: int) -> Float:
    found = np.full(cells, np.nan)
    of.at(found, cell, value)
    return found


def context_charts(kept: Kept) -> tuple[TrendChart, ...]:
    """What stood beside the sweeps, on the same time axis: temperatures, supplies."""
    told: Mapping[str, Any] = kept.source.details.get("context") or {}
    found = []
    for name in kept.contexts():
        about: Mapping[str, Any] = told.get(name) or {}
        title = str(about.get("title") or name.replace("-", " ").replace("_", " "))
        chart = trend(
            kept,
            title=title[:1].upper() + title[1:],
            unit=str(about.get("unit") or "1"),
            name=name,
            value=kept.context(name),
        )
        if chart is not None:
            found.append(chart)
    return tuple(found)


# --- verdicts -------------------------------------------------------------------------------------


def limit_words(side: str | None, limit: float | None, unit: str, *, decimals: int = 2) -> str:
    """at most −36.0 dBm; at least 40.0 dB; empty without a limit."""
    if limit is None:
        return ""
    word = "at least" if side == "above" else "at most"
    return f"{word} {value_text(limit, unit, decimals=decimals)}"


def judgement_table(
    rows: Iterable[Mapping[str, Any]], *, title: str, sweeps: SweepRange | None, note: str = ""
) -> Table:
    """The judgements of a verdict: figure, value, U, limit, verdict, and the sweep it is of."""
    told = []
    for row in rows:
        unit = str(row.get("unit") or "")
        expanded = number(row.get("expanded"))
        decimals = 2 if expanded is None else max(2, decimals_for(expanded, unit))
        limit, limit_decimals = number(row.get("limit")), 2
        if unit in ("", "1") and not expanded:
            # Counts and shares are what they are.
            expanded = None
            if _are_whole(row.get("value"), limit):
                decimals = limit_decimals = 0
        value = value_text(number(row.get("value")), unit, decimals=decimals)
        bound = f"{row['bound']} " if row.get("bound") else ""
        told.append(
            (
                str(row["figure"]),
                f"{bound}{value}",
                "" if expanded is None else f"± {figure_text(expanded, decimals)}",
                limit_words(row.get("side"), limit, unit, decimals=limit_decimals),
                str(row["verdict"]),
                str(row.get("text") or ""),
                "" if row.get("seq") is None else str(row["seq"]),
            )
        )
    return Table(
        title=title,
        heads=("figure", "value", "U (k = 2)", "limit", "verdict", "why", "sweep"),
        units=("",) * 7,
        places=(None,) * 7,
        rows=tuple(told),
        note=note,
        sweeps=sweeps,
    )


def _are_whole(*values: Any) -> bool:
    """Whether they are counts: there, and without a fraction."""
    known = [number(one) for one in values]
    return all(one is not None and one.is_integer() for one in known)


def shown_verdict(
    verdict: Mapping[str, Any], *, sweeps: SweepRange | None, note: str = ""
) -> VerdictShown:
    """A verdict as meters give it, as the report shows it.

    Where all is judged against one limit, its name stands above the table and in no row again.
    """
    rows = verdict["judgements"]
    if rows and len(verdict["against"]) == 1:
        named = f"limit {verdict['against'][0]}"
        rows = [
            {**row, "text": str(row.get("text") or "").replace(named, "the limit")} for row in rows
        ]
    table = judgement_table(rows, title="Each limit", sweeps=sweeps, note=note) if rows else None
    return VerdictShown(
        verdict=str(verdict["verdict"]),
        text=str(verdict["text"]),
        of=str(verdict["of"]),
        at_s=float(verdict["at_s"]),
        judgements=table,
        against=tuple(verdict["against"]),
    )


def count_words(words: Sequence[str]) -> str:
    """2 fail and 1 pass: how often each word stands among some, the worst first."""
    counts = Counter(words)
    order = [*WORST_FIRST, *sorted(set(counts) - {str(one) for one in Verdict})]
    parts = [f"{counts[word]} {word}" for word in order if counts[word]]
    return joined_text(parts)


def all_verdicts(words: Sequence[str]) -> str:
    """ "; 6 verdicts: 1 fail and 5 pass", to go on with; empty with fewer than two."""
    if len(words) < 2:
        return ""
    if len(set(words)) == 1:
        return f"; {len(words)} verdicts: all {words[0]}"
    return f"; {len(words)} verdicts: {count_words(words)}"
