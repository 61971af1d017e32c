"""What a report says of an emission job: each product beside its limit, spectra, passes over time.

What is shown in full is the last pass with a verdict (without limits: the last that measured
anything). A pass that was cut short has no summary in the archive; those are counted.
"""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np

from acqd.config.told import emission_settings
from acqd.errors import ArchiveDamaged
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.words import frequency_text
from acqd.report.asked import asked_facts
from acqd.report.kinds import KindParts
from acqd.report.kinds.checks import HARMONIC_ORDERS, Checks, Spectrum
from acqd.report.kinds.common import (
    WORST_FIRST,
    all_verdicts,
    at_text,
    config_at,
    context_charts,
    count_words,
    number,
    pm,
    shown_verdict,
    trend,
)
from acqd.report.kinds.emissioncharts import bar_chart, spectrum_charts
from acqd.report.kinds.emissiontables import (
    carrier_section,
    product_tables,
    rests_on_section,
)
from acqd.report.kinds.kept import Kept, Summary
from acqd.report.kinds.plain import coverage_text
from acqd.report.shapes import (
    Fact,
    Limit,
    Section,
    SweepRange,
    Table,
    TrendChart,
    VerdictShown,
)
from acqd.report.source import JobSource
from acqd.report.words import count_text, sentence

__all__ = ["parts"]

Row = tuple[str | float | None, ...]

PASSES_LISTED = 60
"""Passes that are listed one by one; of more of them the last."""


def parts(source: JobSource) -> KindParts:
    """The parts of an emission job."""
    asked = asked_facts(source)
    checks = Checks.of(source)
    if not checks.first.size:
        return KindParts(
            headline=f"Nothing was checked in this time: {coverage_text(source)}.",
            asked=asked,
            limits=("There is no pass in this range: nothing can be said of the emission.",),
        )
    limits = _limits_of_it(checks)
    row = checks.shown()
    if row is None:
        passes = _passes(checks)
        return KindParts(
            headline=f"Nothing was measured in {_passes_text(checks.first.size)}: "
            f"{_why_nothing(checks)}.",
            asked=asked,
            sections=(passes,),
            limits=limits,
        )
    summary, spectra = checks.summary(row), checks.spectra(row)
    found = _settings(checks.first, row)
    settings = None if isinstance(found, str) else found
    limits += (found,) if isinstance(found, str) else ()
    sweeps = _range_of(source.job, spectra)
    sections = (
        _beside_limits(source, summary, spectra, settings, sweeps),
        _spectra(checks, row, summary, spectra, settings),
        *carrier_section(summary, sweeps),
        *_over_time(checks, settings),
        _passes(checks),
        *rests_on_section(summary, sweeps),
    )
    verdict = _verdict(checks, row, summary, sweeps)
    return KindParts(
        headline=_headline(checks, summary, verdict),
        asked=(*asked, *_asked(summary)),
        sections=sections,
        verdict=verdict,
        limits=(*limits, *_limits_of_pass(summary)),
    )


def _settings(first: Kept, row: int) -> EmissionSettings | str:
    try:
        return emission_settings(config_at(first, row), first.source.job, first.source.plane)
    except ArchiveDamaged as exc:
        return f"The limits cannot be drawn over frequency: {exc}."


def _asked(summary: Summary) -> tuple[Fact, ...]:
    found = [Fact(name="limit", text=text) for text in summary["against"]]
    if summary["rule"]:
        found.append(Fact(name="rule", text=str(summary["rule"])))
    if summary["prevails"]:
        found.append(Fact(name="what prevails", text=str(summary["prevails"])))
    return tuple(found)


def _range_of(job: str, spectra: dict[int, Spectrum]) -> SweepRange | None:
    seqs = [one.seq for one in spectra.values()]
    if not seqs:
        return None
    return SweepRange(job=job, first_seq=min(seqs), last_seq=max(seqs), count=len(seqs))


def _passes_text(count: int) -> str:
    return f"{count} pass" if count == 1 else f"{count} passes"


# --- one pass -------------------------------------------------------------------------------------


def _beside_limits(
    source: JobSource,
    summary: Summary,
    spectra: dict[int, Spectrum],
    settings: EmissionSettings | None,
    sweeps: SweepRange | None,
) -> Section:
    chart = bar_chart(summary, spectra, settings, sweeps, source.job)
    count = len(summary["products"])
    lead = f"{count_text(count, 'product')} found." if count else "No product was found."
    if summary["products_dropped"]:
        lead += f" {count_text(int(summary['products_dropped']), 'weaker one')} left out."
    reach = number(summary["up_to_hz"])
    lead += "" if reach is None else f" Measured up to {frequency_text(reach)}."
    return Section(
        key="limits",
        title="Beside the limits",
        lead=" ".join([lead, *(sentence(note) for note in summary["notes"])]),
        charts=() if chart is None else (chart,),
        tables=product_tables(summary, sweeps),
    )


def _spectra(
    checks: Checks,
    row: int,
    summary: Summary,
    spectra: dict[int, Spectrum],
    settings: EmissionSettings | None,
) -> Section:
    kept = checks.first
    zone = kept.source.zone
    lead = (
        f"The pass that began with sweep {int(kept.seq[row])} at "
        f"{at_text(float(kept.at_s[row]), zone)}, {count_text(checks.sweeps_of(row), 'sweep')}; "
        f"levels at {summary['plane']}."
    )
    charts = tuple(spectrum_charts(summary, spectra, settings))
    return Section(key="spectra", title="Spectra", lead=lead, charts=charts)


def _verdict(
    checks: Checks, row: int, summary: Summary, sweeps: SweepRange | None
) -> VerdictShown | None:
    """The verdict of the pass, as it was given; of each product and range its worst limit."""
    if summary["verdict"] is None:
        return None
    rows = [_judgement(one) for one in summary["products"] if one["verdict"] is not None]
    rows += [
        {
            "figure": f"search at {frequency_text(one['at_hz'])}",
            "value": one["most_dbm"],
            "unit": "dBm",
            "bound": "at most",
            "limit": None,
            "side": None,
            "expanded": one["expanded_db"],
            "verdict": one["verdict"],
            "text": _beside(one["text"]),
            "seq": one["seq"],
        }
        for one in summary["searched"]
        if one["verdict"] is not None
    ]
    rows.sort(key=lambda one: WORST_FIRST.index(str(one["verdict"])))
    verdict = {
        "of": "pass",
        "verdict": summary["verdict"],
        "text": summary["text"],
        "at_s": checks.end_s(row),
        "against": summary["against"],
        "judgements": rows,
    }
    note = "Of each product the limit that it is nearest to, or beyond."
    return shown_verdict(verdict, sweeps=sweeps, note=note)


def _beside(text: str) -> str:
    """What a product's text says of its limit, which stands after what it is."""
    return text.partition(": ")[2] or text


def _judgement(one: Any) -> dict[str, Any]:
    """A limit in dB below the carrier has to be reached, one of level not exceeded."""
    is_ratio = one["limit_unit"] not in ("dBm", "dBµV", "dBµV/m")
    bound = one["bound"]
    if is_ratio and bound == "at most":
        bound = "at least"
    return {
        "figure": one["name"],
        "value": one["figure"],
        "unit": one["limit_unit"],
        "bound": bound,
        "limit": one["limit"],
        "side": "above" if is_ratio else "below",
        "expanded": one["below_expanded_db"] if is_ratio else one["expanded_db"],
        "verdict": one["verdict"],
        "text": _beside(one["text"]),
        "seq": one["seq"],
    }


# --- over time ------------------------------------------------------------------------------------


def _over_time(checks: Checks, settings: EmissionSettings | None) -> tuple[Section, ...]:
    charts: list[TrendChart] = []
    named = [name for name in checks.figures if name.startswith("harmonic ")]
    for name, title, unit in (
        ("worst_margin_db", "Least margin to a limit", "dB"),
        ("fundamental_dbm", "Level of the carrier", "dBm"),
        ("fundamental_hz", "Frequency of the carrier", "Hz"),
        ("occupied_hz", "Occupied bandwidth", "kHz"),
        *((one, f"Level of {one}", "dBm") for one in sorted(named, key=_order)),
    ):
        if name in checks.figures and np.isfinite(checks.figures[name]).sum() > 1:
            chart = _trend_of(checks, name, title, unit)
            if chart is not None:
                charts.append(chart)
    charts += context_charts(checks.first) if charts else ()
    if not charts:
        return ()
    lead = f"{_passes_text(len(checks.verdict))} with a verdict"
    if checks.verdict:
        lead += f": {count_words(list(checks.verdict.values()))}"
    return (Section(key="over-time", title="Over time", lead=f"{lead}.", charts=tuple(charts)),)


def _order(name: str) -> int:
    number_of = name.removeprefix("harmonic ")
    return int(number_of) if number_of.isdigit() else HARMONIC_ORDERS.stop


def _trend_of(checks: Checks, name: str, title: str, unit: str) -> TrendChart | None:
    value, expanded = checks.figures[name], checks.expanded[name]
    limits: tuple[Limit, ...] = ()
    if name == "worst_margin_db":
        start_s, stop_s = float(checks.first.at_s[0]), float(checks.first.at_s[-1])
        limits = (Limit(name="the limit", start=start_s, stop=stop_s, level=0.0, side="above"),)
    elif name == "fundamental_hz":
        base = float(value[np.flatnonzero(np.isfinite(value))[0]])
        value, title = value - base, f"{title}, less {frequency_text(base, resolution_hz=10.0)}"
    elif unit == "kHz":
        value, expanded = value / 1e3, expanded / 1e3
    return trend(
        checks.first,
        title=title,
        unit=unit,
        name=title.partition(",")[0].lower(),
        value=value,
        expanded=expanded,
        limits=limits,
    )


def _passes(checks: Checks) -> Section:
    """What came of each pass; of many the last ones, and those before them counted."""
    first = checks.first
    rows = sorted(checks.where)
    listed = [row for row in rows if checks.state[row] != "not keyed"][-PASSES_LISTED:]
    table = Table(
        title="Passes that saw it keyed",
        heads=("when", "sweep", "state", "verdict", "least margin", "carrier", "U"),
        units=("", "", "", "", "dB", "dBm", "dB"),
        places=(None, 0, None, None, 1, 1, 1),
        rows=tuple(
            (
                at_text(float(first.at_s[row]), first.source.zone),
                float(first.seq[row]),
                checks.state[row],
                checks.verdict.get(row, ""),
                _figure(checks.figures, "worst_margin_db", row),
                _figure(checks.figures, "fundamental_dbm", row),
                _figure(checks.expanded, "fundamental_dbm", row),
            )
            for row in listed
        ),
        sweeps=first.range_of(listed),
    )
    counts = Counter(checks.state.values())
    told = ", ".join(f"{count} {word}" for word, count in counts.most_common())
    lead = f"{_passes_text(first.size)}: {told}." if told else f"{_passes_text(first.size)}."
    return Section(key="passes", title="Passes", lead=lead, tables=(table,) if table.rows else ())


def _figure(figures: Any, name: str, row: int) -> float | None:
    return number(float(figures[name][row])) if name in figures else None


def _limits_of_it(checks: Checks) -> tuple[str, ...]:
    found = []
    if checks.unfinished:
        found.append(
            f"{_passes_text(checks.unfinished)} cut short or not finished within the range: the "
            "sweeps are kept, and no figures came of them."
        )
    measured = [row for row, word in checks.state.items() if word in ("keyed", "no key")]
    if len(measured) == 1:
        found.append("One pass measured anything: nothing can be said of how it goes over time.")
    for word, text in (
        ("released", "The key was released before all was measured in"),
        ("cannot see", "It could not be seen whether it was keyed in"),
    ):
        count = sum(state == word for state in checks.state.values())
        if count:
            found.append(f"{text} {_passes_text(count)}.")
    return tuple(found)


def _limits_of_pass(summary: Summary) -> tuple[str, ...]:
    found = []
    if not summary["complete"]:
        found.append(f"The pass that is shown is not whole: {sentence(str(summary['said']))}")
    if summary["not_measured"]:
        count = len(summary["not_measured"])
        first = summary["not_measured"][0]
        more = f", and {count - 1} more" if count > 1 else ""
        found.append(f"Not measured: {first['what']}, {first['why']}{more}.")
    if summary["verdict"] is None:
        found.append("No limit is asked for, so there is no verdict.")
    return tuple(found)


def _why_nothing(checks: Checks) -> str:
    counts = Counter(checks.state.values())
    if not counts:
        return "no pass was finished"
    word, count = counts.most_common(1)[0]
    row = max(row for row, state in checks.state.items() if state == word)
    return f"{checks.text[row]} ({count} of them)"


def _headline(checks: Checks, summary: Summary, verdict: VerdictShown | None) -> str:
    if verdict is None:
        carrier = summary["fundamental"]
        if carrier is None:
            return sentence(str(summary["said"]))
        level = pm(number(carrier["level_dbm"]), number(carrier["expanded_db"]), "dBm")
        return f"{level} at {frequency_text(carrier['frequency_hz'])}, without limits to judge by."
    others = all_verdicts(list(checks.verdict.values()))
    return f"{verdict.verdict.capitalize()}: {verdict.text.rstrip('.')}{others}."
