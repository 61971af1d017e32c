"""What a report says of a reflection job: match, widths and limits, and what moved since.

Bounds are worst cases: they hold for every phase of the bridge's errors, which nobody sees. Sweeps
without references that fit have no figures; they are counted, and the reason stands among the
limits.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.config.told import reflection_settings
from acqd.measure.reflection_sweep import ReflectionSettings
from acqd.measure.words import duration_text, frequency_text, number_text, range_text
from acqd.report.asked import asked_facts
from acqd.report.kinds import KindParts
from acqd.report.kinds.common import (
    all_verdicts,
    context_charts,
    count_words,
    number,
    shown_verdict,
    sweep_text,
    trend,
)
from acqd.report.kinds.kept import Kept
from acqd.report.kinds.matchcurve import (
    DEEPEST_DB,
    LARGEST_SWR,
    MatchCurve,
    limits_of,
    loss_marks,
    other_dips,
    range_band,
    reflection_of,
    swr_marks,
)
from acqd.report.kinds.measured import Measured, budget_table, settings_of
from acqd.report.kinds.plain import coverage_text
from acqd.report.shapes import CurveChart, Section, Table, TrendChart, VerdictShown
from acqd.report.source import JobSource
from acqd.report.words import capital, count_text, sentence

__all__ = ["parts"]

Float = NDArray[np.float64]
Settings = Callable[[int], ReflectionSettings | str]
Row = tuple[str | float | None, ...]

FIGURES: Mapping[str, tuple[str, str, tuple[str, ...]]] = {
    "best_match_hz": ("best", "Hz", ("frequency_hz", "frequency_low_hz", "frequency_high_hz")),
    "best_return_loss_db": (
        "best",
        "dB",
        ("return_loss_db", "return_loss_low_db", "return_loss_high_db"),
    ),
    "best_swr": ("best", "1", ("swr", "swr_low", "swr_high")),
    "worst_swr": ("worst", "1", ("swr", "swr_low", "swr_high")),
    "match_shift_hz": (
        "change",
        "Hz",
        ("match_shift_hz", "match_shift_low_hz", "match_shift_high_hz"),
    ),
    "return_loss_change_db": (
        "change",
        "dB",
        ("return_loss_change_db", "return_loss_change_low_db", "return_loss_change_high_db"),
    ),
}
"""Figures by column: the part of the summary they stand in, their unit, and value, low and high
there."""

TITLES = {
    "best_match_hz": "Best match",
    "best_return_loss_db": "Return loss of the best match",
    "best_swr": "SWR of the best match",
    "worst_swr": "Worst SWR of the range",
    "match_shift_hz": "Shift of the match since installation",
    "return_loss_change_db": "Change of its return loss since installation",
}


@dataclass(slots=True, kw_only=True)
class _Read(Measured):
    """What the summaries of the range say; ``bounds`` by figure are value, low, high (sweeps,)."""

    bounds: dict[str, tuple[Float, Float, Float]] = field(default_factory=dict)


def parts(source: JobSource) -> KindParts:
    """The parts of a reflection job."""
    kept, asked = Kept(source), asked_facts(source)
    if not kept.size:
        return KindParts(
            headline=f"Nothing was swept in this time: {coverage_text(source)}.",
            asked=asked,
            limits=("There is no sweep in this range: nothing can be said of the reflection.",),
        )
    read = _read(kept)
    limits = read.limits(kept)
    if not read.measured:
        why = next(iter(read.refused.values()), "no sweep brought figures")
        return KindParts(headline=f"No reflection was measured: {why}.", asked=asked, limits=limits)
    settings = settings_of(kept, reflection_settings)
    last = read.measured[-1]
    summary = kept.summary(last)
    assert summary is not None
    now = _curve_at(kept, last, settings)
    verdict = None if isinstance(now, str) else _verdict(kept, last, now)
    curve, more = _curves(kept, read, settings, now, summary)
    sections = (curve, _figures(kept, read, summary), *_change(kept, read, summary))
    return KindParts(
        headline=_headline(read, summary, verdict),
        asked=asked,
        sections=(*sections, *_drift(kept, read), _rests_on(kept, summary, last)),
        verdict=verdict,
        limits=(*limits, *more),
    )


# --- reading --------------------------------------------------------------------------------------


def _read(kept: Kept) -> _Read:
    read = _Read()
    with_summary = 0
    for at, summary in kept.summaries():
        with_summary += 1
        if summary["verdict"] is not None:
            read.words[at] = str(summary["verdict"])
        if summary["refused"] is not None:
            read.refused[at] = str(summary["refused"])
            continue
        read.measured.append(at)
        for name, (where, _, keys) in FIGURES.items():
            _put(read, kept.size, name, at, summary[where] or {}, keys)
    read.measured.sort()
    read.unmeasured = kept.size - with_summary
    return read


def _put(
    read: _Read, size: int, name: str, at: int, part: Mapping[str, Any], keys: tuple[str, ...]
) -> None:
    value = number(part.get(keys[0]))
    if value is None:
        return
    if name not in read.bounds:
        read.bounds[name] = (
            np.full(size, np.nan),
            np.full(size, np.nan),
            np.full(size, np.nan),
        )
    for array, key in zip(read.bounds[name], keys, strict=True):
        found = number(part.get(key))
        array[at] = math.nan if found is None else found


# --- the curve ------------------------------------------------------------------------------------


def _curve_at(kept: Kept, at: int, settings: Settings) -> MatchCurve | str:
    told = settings(at)
    return told if isinstance(told, str) else reflection_of(kept, at, told)


def _curves(
    kept: Kept,
    read: _Read,
    settings: Settings,
    now: MatchCurve | str,
    summary: Mapping[str, Any],
) -> tuple[Section, tuple[str, ...]]:
    first, last = read.measured[0], read.measured[-1]
    lead = f"Best match {_best_text(summary)}, by {sweep_text(kept, last)}."
    if isinstance(now, str):
        section = Section(key="match", title="Match over frequency", lead=lead)
        return section, (f"There is no curve: {now}.",)
    limits: list[str] = []
    is_one = first == last
    name = f"{'' if is_one else 'last, '}{sweep_text(kept, last)}, worst-case bounds"
    role, sweeps = ("now" if is_one else "last"), kept.range_of([last])
    losses = [now.return_loss(f"{name}, drawn up to {DEEPEST_DB:g} dB", role, sweeps, bounds=True)]
    swrs = [now.swr(f"{name}, drawn up to {LARGEST_SWR:g}", role, sweeps, bounds=True)]
    then = now if is_one else _curve_at(kept, first, settings)
    if isinstance(then, str):
        limits.append(f"The first sweep has no curve: {then}.")
    elif not is_one:
        name, sweeps = f"first, {sweep_text(kept, first)}", kept.range_of([first])
        losses.insert(0, then.return_loss(name, "first", sweeps, bounds=False))
        swrs.insert(0, then.swr(name, "first", sweeps, bounds=False))
    told = now.view.settings
    drawn = kept.range_of([first] if is_one else [first, last])
    charts = (
        CurveChart(
            title="Return loss",
            x_unit="Hz",
            y_unit="dB",
            y_name="return loss",
            lines=tuple(losses),
            marks=loss_marks(summary),
            limits=limits_of(now, in_db=True),
            bands=range_band(told),
            upside_down=True,
            sweeps=drawn,
            alt=f"{lead} Return loss grows downwards: the deeper, the better.",
        ),
        CurveChart(
            title="SWR",
            x_unit="Hz",
            y_unit="1",
            y_name="SWR",
            lines=tuple(swrs),
            marks=swr_marks(summary),
            limits=limits_of(now, in_db=False),
            bands=range_band(told),
            sweeps=drawn,
            alt=lead,
        ),
    )
    limits += _curve_limits(now)
    return Section(key="match", title="Match over frequency", lead=lead, charts=charts), tuple(
        limits
    )


def _curve_limits(now: MatchCurve) -> list[str]:
    trace = now.found.trace
    points, at_least = trace.magnitude.size, int(np.count_nonzero(trace.at_least))
    found = []
    if at_least:
        found.append(
            f"At {at_least} of {count_text(points, 'point')} the return loss is a lower limit: "
            "what the bridge itself reflects may be all that is seen there."
        )
    if not now.found.floor_known:
        found.append("The sweeper's own floor is not known: a `quiet` reference would tell it.")
    return found


def _verdict(kept: Kept, last: int, now: MatchCurve) -> VerdictShown | None:
    found = now.view.verdict()
    if found is None:
        return None
    return shown_verdict(
        found,
        sweeps=kept.range_of([last]),
        note=f"Of {sweep_text(kept, last)}, the last one that was measured; U is the distance to "
        "the nearer end of ± 2u towards the limit.",
    )


# --- figures --------------------------------------------------------------------------------------


def _bounded(one: Mapping[str, Any]) -> Row:
    return (
        number(one["return_loss_db"]),
        number(one["return_loss_low_db"]),
        number(one["return_loss_high_db"]),
        number(one["swr"]),
        number(one["swr_low"]),
        number(one["swr_high"]),
    )


def _figures(kept: Kept, read: _Read, summary: Mapping[str, Any]) -> Section:
    last = read.measured[-1]
    sweeps = kept.range_of([last])
    best, worst = summary["best"], summary["worst"]
    rows: list[Row] = []
    if best is not None:
        rows.append(("best match", frequency_text(best["frequency_hz"]), *_bounded(best)))
    rows += [
        ("another dip", frequency_text(one["frequency_hz"]), *_bounded(one))
        for one in other_dips(summary)
    ]
    rows += [
        (one["name"], one["reason"] or frequency_text(one["frequency_hz"]), *_bounded(one))
        for one in summary["named"]
    ]
    if worst is not None:
        where = f"worst, {range_text(worst['start_hz'], worst['stop_hz'])}"
        at_hz = number(worst["frequency_hz"])
        place = worst["reason"] or ("" if at_hz is None else frequency_text(at_hz))
        rows.append((where, place, *_bounded(worst)))
    table = Table(
        title="Reflections",
        heads=("what", "where", "return loss", "from", "to", "SWR", "from", "to"),
        units=("", "", "dB", "dB", "dB", "", "", ""),
        places=(None, None, 1, 1, 1, 2, 2, 2),
        rows=tuple(rows),
        note="From and to are worst cases. Nothing stands where there is no upper bound: the "
        "return loss is at least the lower one, the SWR may be infinite.",
        sweeps=sweeps,
    )
    widths = Table(
        title="Widths around the best match",
        heads=("SWR at most", "from", "to", "width", "for sure", "at most"),
        units=("", "MHz", "MHz", "kHz", "kHz", "kHz"),
        places=(1, 4, 4, 1, 1, 1),
        rows=tuple(_width_row(one) for one in (best or {}).get("bandwidths", ())),
        note="An end that is not there lies beyond the sweep, or the SWR is nowhere that good.",
        sweeps=sweeps,
    )
    lead = f"Of {sweep_text(kept, last)}."
    if read.words:
        words = list(read.words.values())
        lead += f" Verdicts of {count_text(len(words), 'sweep')}: {count_words(words)}."
    tables = tuple(one for one in (table, widths) if one.rows)
    return Section(key="figures", title="Figures", lead=lead, tables=tables)


def _width_row(one: Mapping[str, Any]) -> Row:
    def scaled(key: str, scale: float) -> float | None:
        value = number(one[key])
        return None if value is None else value / scale

    return (
        float(one["swr"]),
        scaled("low_hz", 1e6),
        scaled("high_hz", 1e6),
        scaled("width_hz", 1e3),
        scaled("least_width_hz", 1e3),
        scaled("most_width_hz", 1e3),
    )


# --- since then -----------------------------------------------------------------------------------


def _change(kept: Kept, read: _Read, summary: Mapping[str, Any]) -> tuple[Section, ...]:
    """What has changed since installation, where the summary says it."""
    change = summary["change"]
    if change is None:
        return ()
    since = f"sweep {change['since_seq']}"
    installed = f", “{change['installed']}”" if change["installed"] else ""
    said = str(change["refused"] or change["text"])
    rows: list[Row] = []
    if change["moved_points"] is not None:
        rows = [
            ("points that surely moved", float(change["moved_points"]), None, None),
            ("least move of the reflection", number(change["least_change"]), None, None),
            ("shift of the match, kHz", *_kilo(change, "match_shift")),
            (
                "change of its return loss, dB",
                number(change["return_loss_change_db"]),
                number(change["return_loss_change_low_db"]),
                number(change["return_loss_change_high_db"]),
            ),
        ]
    table = Table(
        title="Since installation",
        heads=("what", "value", "from", "to"),
        units=("", "", "", ""),
        places=(None, 3, 3, 3),
        rows=tuple(rows),
        note="From and to are worst cases in which nothing cancels.",
        sweeps=kept.range_of([read.measured[-1]]),
    )
    lead = f"Compared with {since}{installed}: {said.rstrip('.')}."
    tables = (table,) if rows else ()
    return (Section(key="change", title="Since installation", lead=lead, tables=tables),)


def _kilo(change: Mapping[str, Any], name: str) -> Row:
    found = [number(change[f"{name}{part}_hz"]) for part in ("", "_low", "_high")]
    return tuple(None if one is None else one / 1e3 for one in found)


def _drift(kept: Kept, read: _Read) -> tuple[Section, ...]:
    charts: list[TrendChart] = []
    if len(read.measured) > 1:
        for name, (_, unit, _) in FIGURES.items():
            chart = _trend_of(kept, read, name, unit)
            if chart is not None:
                charts.append(chart)
        charts += context_charts(kept)
    if not charts:
        return ()
    first, last = read.measured[0], read.measured[-1]
    lasted = duration_text(float(kept.at_s[last] - kept.at_s[first]))
    lead = f"From {sweep_text(kept, first)} to {sweep_text(kept, last)}, {lasted}."
    return (Section(key="drift", title="Drift", lead=lead, charts=tuple(charts)),)


def _trend_of(kept: Kept, read: _Read, name: str, unit: str) -> TrendChart | None:
    if name not in read.bounds:
        return None
    value, low, high = read.bounds[name]
    title, base, scale = TITLES[name], 0.0, 1.0
    if unit == "Hz":
        unit, scale = "kHz", 1e3
        if name == "best_match_hz":
            base = float(value[np.flatnonzero(np.isfinite(value))[0]])
            title += f", less {frequency_text(base)}"
    value, low, high = ((one - base) / scale for one in (value, low, high))
    return trend(
        kept,
        title=title,
        unit=unit,
        name=f"{TITLES[name].lower()}, worst-case bounds",
        value=value,
        low=low,
        high=high,
    )


# --- what it rests on -----------------------------------------------------------------------------


def _rests_on(kept: Kept, summary: Mapping[str, Any], last: int) -> Section:
    references = Table(
        title="References",
        heads=("role", "sweeps", "age", "repeatability"),
        units=("", "", "h", "dB"),
        places=(None, 0, 2, 3),
        rows=tuple(
            (
                str(one["role"]),
                float(one["sweeps"]),
                float(one["age_s"]) / 3600.0,
                number(one["repeatability_db"]),
            )
            for one in summary["references"]
        ),
        sweeps=kept.range_of([last]),
    )
    budget = budget_table(
        summary["budget"],
        title="Budget of the best match's magnitude",
        u="u",
        unit="1",
        decimals=5,
        sweeps=kept.range_of([last]),
    )
    lead = f"Measured as {summary['way']}."
    if summary["directivity_db"] is not None:
        lead += (
            f" Directivity {number_text(summary['directivity_db'], 1)} dB "
            f"({summary['directivity_from']})."
        )
    lead = " ".join([lead, *(sentence(note) for note in summary["notes"])])
    tables = tuple(one for one in (references, budget) if one.rows)
    return Section(key="rests-on", title="What it rests on", lead=lead, tables=tables)


def _best_text(summary: Mapping[str, Any]) -> str:
    best = summary["best"]
    if best is None:
        return "nowhere: no level can be compared with the references"
    return f"at {frequency_text(best['frequency_hz'])}, {summary['best_text']}"


def _headline(read: _Read, summary: Mapping[str, Any], verdict: VerdictShown | None) -> str:
    best = f"best match {_best_text(summary)}"
    if verdict is None:
        return sentence(best)
    others = all_verdicts(list(read.words.values()))
    if verdict.verdict == "pass":
        return f"Pass: {best}{others}."
    return f"{capital(verdict.verdict)}: {verdict.text}; {best}{others}."
