"""What a report says of a transmission job: curve, figures, verdicts, and how they moved.

A loss needs a through. Sweeps without one that fits have no figures: they are counted, and the
reason stands among the limits. Curves are of the first and the last sweep that have losses, and the
mean where there are more.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.config.whole import StationConfig
from acqd.measure.report import judgement_row
from acqd.measure.transmission_settings import TransmissionSettings
from acqd.measure.transmission_verdict import judged, verdict_text
from acqd.measure.trust import spoilt_by
from acqd.measure.verdict import rule_text
from acqd.measure.words import duration_text, frequency_text, number_text
from acqd.report.asked import asked_facts
from acqd.report.kinds import KindParts
from acqd.report.kinds.common import (
    all_verdicts,
    context_charts,
    count_words,
    number,
    pm,
    shown_verdict,
    sweep_text,
    trend,
)
from acqd.report.kinds.kept import Kept
from acqd.report.kinds.loss import (
    Curve,
    bands_of,
    figures_of,
    limits_of,
    loss_of,
    marks_of,
)
from acqd.report.kinds.losstables import (
    LossRead,
    edge_table,
    figure_table,
    names_of,
    place_table,
    title_of,
)
from acqd.report.kinds.measured import budget_table, settings_of
from acqd.report.kinds.plain import coverage_text
from acqd.report.shapes import (
    CurveChart,
    Line,
    Section,
    TrendChart,
    VerdictShown,
)
from acqd.report.source import JobSource
from acqd.report.words import capital, count_text, sentence
from acqd.sweep import SweepFlag

__all__ = ["parts", "verdict_of_pass"]

Float = NDArray[np.float64]

MEAN_MOST = 64
"""Sweeps that a mean curve is made of; of more of them these many, evenly spread."""


def parts(source: JobSource) -> KindParts:
    """The parts of a transmission job; with what it cannot say among the limits."""
    kept, asked = Kept(source), asked_facts(source)
    if not kept.size:
        return KindParts(
            headline=f"Nothing was swept in this time: {coverage_text(source)}.",
            asked=asked,
            limits=("There is no sweep in this range: neither curve nor figure can be given.",),
        )
    settings = settings_of(kept, _settings)
    read = _read(kept, settings)
    limits = read.limits(kept)
    if not read.measured:
        why = next(iter(read.refused.values()), "no sweep brought figures")
        return KindParts(headline=f"No loss was measured: {why}.", asked=asked, limits=limits)
    first, last = read.measured[0], read.measured[-1]
    summary = kept.summary(last)
    assert summary is not None
    told = settings(last)
    curve_section, more = _curves(kept, read, settings, summary)
    verdict = None if isinstance(told, str) else _verdict(kept, last, summary, told)
    sections = [
        curve_section,
        _figures(kept, read, summary, last),
        *_drift(kept, read, first, last),
        *_reference(kept, summary, last),
    ]
    return KindParts(
        headline=_headline(read, summary, verdict),
        asked=asked,
        sections=tuple(sections),
        verdict=verdict,
        limits=(*limits, *more),
    )


def _settings(config: StationConfig, job: str) -> TransmissionSettings:
    return config.jobs[job].transmission.settings(job)


# --- reading --------------------------------------------------------------------------------------


def _read(kept: Kept, settings: Any) -> LossRead:
    read = LossRead()
    with_summary = 0
    for at, summary in kept.summaries():
        with_summary += 1
        if summary["refused"] is not None:
            read.refused[at] = str(summary["refused"])
            continue
        read.measured.append(at)
        for name, (value, u) in figures_of(summary).items():
            if name not in read.value:
                read.value[name] = np.full(kept.size, np.nan)
                read.expanded[name] = np.full(kept.size, np.nan)
            read.value[name][at], read.expanded[name][at] = value, u
        told = settings(at)
        if not isinstance(told, str) and told.has_limits:
            read.words[at] = str(_verdict_of(kept, at, summary, told)["verdict"])
    read.measured.sort()
    read.unmeasured = kept.size - with_summary
    return read


def verdict_of_pass(
    config: StationConfig, job: str, summary: Mapping[str, Any], flags: SweepFlag
) -> str | None:
    """The verdict that a pass was given, in a word; None where nothing is asked of it."""
    settings = _settings(config, job)
    if not settings.has_limits:
        return None
    if summary["refused"] is not None:
        return "incomplete"
    whole, _ = verdict_text(judged(summary, settings, spoilt=spoilt_by(flags)))
    return whole.value


def _verdict_of(
    kept: Kept, at: int, summary: Mapping[str, Any], settings: TransmissionSettings
) -> dict[str, Any]:
    """The verdict of a pass as it was given, from its summary."""
    found = judged(summary, settings, spoilt=spoilt_by(SweepFlag(int(kept.flags[at]))))
    whole, text = verdict_text(found)
    seq = int(kept.seq[at])
    return {
        "of": "pass",
        "verdict": whole.value,
        "text": text,
        "at_s": float(kept.at_s[at] + kept.index.took_s[at]),
        "against": [f"limits of the config; {rule_text(settings.guard)}"],
        "judgements": [judgement_row(one.figure, one.judgement, seq=seq) for one in found],
    }


def _verdict(
    kept: Kept, at: int, summary: Mapping[str, Any], settings: TransmissionSettings
) -> VerdictShown | None:
    if not settings.has_limits:
        return None
    return shown_verdict(
        _verdict_of(kept, at, summary, settings),
        sweeps=kept.range_of([at]),
        note=f"Of {sweep_text(kept, at)}, the last one that was measured.",
    )


# --- the curve ------------------------------------------------------------------------------------


def _curves(
    kept: Kept, read: LossRead, settings: Any, summary: Mapping[str, Any]
) -> tuple[Section, tuple[str, ...]]:
    """The section of the curve, and what it cannot show."""
    first, last = read.measured[0], read.measured[-1]
    rows = _spread(read.measured)
    kept.fetch([*rows, first, last])
    now = _curve_at(kept, last, settings)
    lead = f"{capital(str(summary['text']))}, by {sweep_text(kept, last)}."
    if isinstance(now, str):
        section = Section(key="loss", title="Loss over frequency", lead=lead)
        return section, (f"There is no curve: {now}.",)
    limits: list[str] = []
    lines: list[Line] = []
    if len(rows) > 2:
        mean, of = _mean(kept, rows, now, settings)
        if mean is not None:
            name = f"mean of {of} sweeps"
            lines.append(
                Line(name=name, x=now.frequency_hz, y=mean, role="mean", sweeps=kept.range_of(rows))
            )
    if first != last:
        then = _curve_at(kept, first, settings)
        if isinstance(then, str):
            limits.append(f"The first sweep has no curve: {then}.")
        else:
            lines.append(
                then.line(f"first, {sweep_text(kept, first)}", "first", kept.range_of([first]))
            )
    is_one = first == last
    name = f"{'' if is_one else 'last, '}{sweep_text(kept, last)}, ± U (k = 2)"
    role = "now" if is_one else "last"
    lines.append(now.line(name, role, kept.range_of([last]), with_u=True))
    told = settings(last)
    if now.losses.floor is None:
        limits.append(
            "The sweeper's own floor is not known, so U of the curve holds no noise, and what "
            "looks like a deep stop band may be floor."
        )
    if now.at_least.any():
        limits.append(
            f"At {count_text(int(now.at_least.sum()), 'point')} the loss is a lower limit: the "
            "device is below the sweeper's floor there."
        )
    chart = CurveChart(
        title="Insertion loss against the through",
        x_unit="Hz",
        y_unit="dB",
        y_name="loss",
        lines=tuple(lines),
        marks=marks_of(summary),
        limits=limits_of(told, summary),
        bands=bands_of(told),
        upside_down=True,
        sweeps=kept.range_of(sorted({*rows, first, last})),
        alt=f"{lead} Losses grow downwards.",
    )
    return Section(key="loss", title="Loss over frequency", lead=lead, charts=(chart,)), tuple(
        limits
    )


def _curve_at(kept: Kept, at: int, settings: Any) -> Curve | str:
    told = settings(at)
    return told if isinstance(told, str) else loss_of(kept, at, told)


def _spread(rows: list[int]) -> list[int]:
    if len(rows) <= MEAN_MOST:
        return rows
    places = np.linspace(0, len(rows) - 1, MEAN_MOST).round().astype(int)
    return [rows[at] for at in np.unique(places).tolist()]


def _mean(kept: Kept, rows: list[int], now: Curve, settings: Any) -> tuple[Float | None, int]:
    """Mean in dB of the losses of sweeps on the axis of the last one, NaN where any has none; and
    of how many."""
    total, count = np.zeros(now.frequency_hz.size), 0
    for at in rows:
        one = _curve_at(kept, at, settings)
        if isinstance(one, str) or not np.array_equal(one.frequency_hz, now.frequency_hz):
            continue
        total, count = total + one.loss_db, count + 1
    return (total / count, count) if count > 2 else (None, count)


# --- figures --------------------------------------------------------------------------------------


def _figures(kept: Kept, read: LossRead, summary: Mapping[str, Any], last: int) -> Section:
    tables = [figure_table(kept, read, last, in_hz=False)]
    tables.append(figure_table(kept, read, last, in_hz=True))
    tables += [edge_table(kept, summary, last), place_table(kept, summary, last)]
    passes = ""
    if read.words:
        words = list(read.words.values())
        passes = f" Verdicts of {count_text(len(words), 'sweep')}: {count_words(words)}."
    lead = (
        f"Figures of {sweep_text(kept, last)}, with their least and greatest value in "
        f"{count_text(len(read.measured), 'measured sweep')}.{passes}"
    )
    kept_tables = tuple(one for one in tables if one is not None and one.rows)
    return Section(key="figures", title="Figures", lead=lead, tables=kept_tables)


# --- over time ------------------------------------------------------------------------------------


def _drift(kept: Kept, read: LossRead, first: int, last: int) -> list[Section]:
    if len(read.measured) < 2:
        return []
    charts: list[TrendChart] = []
    for name in names_of(read):
        found = _trend_of(kept, read, name, first)
        if found is not None:
            charts.append(found)
    charts += context_charts(kept)
    lead = _drift_lead(kept, read, first, last)
    return [Section(key="drift", title="Drift", lead=lead, charts=tuple(charts))]


def _trend_of(kept: Kept, read: LossRead, name: str, first: int) -> TrendChart | None:
    value, expanded, title = read.value[name], read.expanded[name], title_of(name)
    if name.endswith("_hz"):
        known = np.flatnonzero(np.isfinite(value))
        if not known.size:
            return None
        base_hz = float(value[known[0]])
        return trend(
            kept,
            title=f"{title}, less {frequency_text(base_hz, resolution_hz=10.0)}",
            unit="kHz",
            name=title.lower(),
            value=(value - base_hz) / 1e3,
            expanded=expanded / 1e3,
        )
    if name == "delay_s":
        return trend(
            kept, title=title, unit="ns", name="group delay", value=value * 1e9,
            expanded=expanded * 1e9,
        )  # fmt: skip
    return trend(kept, title=title, unit="dB", name=title.lower(), value=value, expanded=expanded)


def _drift_lead(kept: Kept, read: LossRead, first: int, last: int) -> str:
    """How far the main figure moved, beside how sure its value is."""
    name = next((one for one in ("pad_db", "least_loss_db") if one in read.value), None)
    lasted = duration_text(float(kept.at_s[last] - kept.at_s[first]))
    lead = f"From {sweep_text(kept, first)} to {sweep_text(kept, last)}, {lasted}."
    if name is None:
        return lead
    moved = float(read.value[name][last] - read.value[name][first])
    u = float(read.expanded[name][last])
    if not math.isfinite(moved):
        return lead
    said = f"{title_of(name)} moved by {number_text(moved, 3)} dB"
    if not math.isfinite(u):
        return f"{lead} {said}."
    return (
        f"{lead} {said}; each value is known to ± {number_text(u, 2)} dB (k = 2), most of which "
        "both sweeps share."
    )


# --- what it rests on -----------------------------------------------------------------------------


def _reference(kept: Kept, summary: Mapping[str, Any], last: int) -> list[Section]:
    """The budget of the main figure and the through behind it."""
    table = budget_table(
        summary["budget"],
        title=f"Budget of {title_of(str(summary['budget_of'])).lower()}",
        u="contribution_db",
        unit="dB",
        decimals=4,
        sweeps=kept.range_of([last]),
        note=str(summary["budget_text"] or ""),
    )
    through = summary["reference"]
    lead = "The sweeper's own ratio is taken as it is, without a through."
    if through is not None:
        age = duration_text(float(through["age_s"] or 0.0))
        lead = f"Against a through of {count_text(int(through['sweeps']), 'sweep')}, {age} before."
    lead = " ".join([lead, *(sentence(note) for note in summary["notes"])])
    tables = (table,) if table.rows else ()
    return [Section(key="rests-on", title="What it rests on", lead=lead, tables=tables)]


def _headline(read: LossRead, summary: Mapping[str, Any], verdict: VerdictShown | None) -> str:
    pad = summary["pad"]
    text = str(summary["text"])
    if pad is not None:
        value = pm(number(pad["value_db"]), number(pad["value_expanded_db"]), "dB")
        text = f"a pad of {value}, {number_text(pad['nominal_db'], 1)} dB by its label"
    if verdict is None:
        return sentence(text)
    others = all_verdicts(list(read.words.values()))
    why = "" if verdict.verdict == "pass" else f"{verdict.text}; "
    return f"{capital(verdict.verdict)}: {why}{text}{others}."
