"""What a report says of a soak, around what it says of the kind that is soaked.

The verdict stands on top with its reason; a soak that still runs has none, and each limit is told
as it stands. Figures under limit and what stood beside them share one time axis. Of several soaks
in a range the last is told in full, the others by their verdict.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Literal

from acqd.errors import ArchiveError
from acqd.look.times import date
from acqd.measure.words import duration_text
from acqd.report.kinds import KindParts
from acqd.report.kinds.common import (
    at_text,
    context_charts,
    judgement_table,
    limit_words,
    number,
    trend,
    value_text,
)
from acqd.report.kinds.kept import Kept
from acqd.report.kinds.soakagain import Again, count_again
from acqd.report.kinds.soaktables import (
    Part,
    context_table,
    earlier_section,
    length_s,
    limit_table,
    tested_section,
)
from acqd.report.shapes import (
    Fact,
    Limit,
    Mark,
    Section,
    SweepRange,
    TrendChart,
    VerdictShown,
)
from acqd.report.source import JobSource
from acqd.report.words import capital, count_text, percent, sentence

__all__ = ["parts"]


WORDS = {
    "pass": "passed",
    "fail": "failed",
    "cannot tell": "came to “cannot tell”: measured, and the uncertainty leaves it open",
    "incomplete": "is incomplete: too little was measured, and going on may give an answer",
}
"""What a verdict says of a soak."""


def parts(source: JobSource, inner: KindParts) -> KindParts:
    """The soak's parts, then those of its kind.

    What the kind's last pass came to is told below; the verdict on top is the soak's alone.
    """
    kept = Kept(source)
    told = _last_part(source)
    if told is None:
        return _without(source, inner, kept)
    part, seq = told
    verdict = _told_verdict(source, part)
    again, limits = _again(source, part, verdict)
    sweeps = kept.range_of()
    return KindParts(
        headline=_headline(part, verdict),
        asked=(*inner.asked, *_asked(part, again)),
        sections=(
            _soak_section(source, kept, part, again, sweeps, seq),
            *tested_section(part, sweeps),
            *earlier_section(source, part),
            *inner.sections,
            *_last_pass(inner),
        ),
        verdict=_shown(source, part, verdict, again, sweeps),
        limits=(*limits, *_running_limits(part, verdict), *inner.limits),
    )


# --- what was told --------------------------------------------------------------------------------


def _last_part(source: JobSource) -> tuple[Part, int] | None:
    """The soak's part of the last summary that has one, and that sweep's number."""
    for step in reversed(source.steps):
        seqs = source.sweeps(step).seq[:-9:-1].tolist()
        for seq in seqs:
            summary = source.summary(seq, step)
            if summary is not None and summary.get("soak") is not None:
                return summary["soak"], int(seq)
    return None


def _told_verdict(source: JobSource, part: Part) -> Any:
    """The finding in which this soak's verdict was told; None where it was not told yet."""
    found = [
        one
        for one in source.verdict_findings
        if one.at_s >= float(part["started_s"]) and one.figures.get("verdict")
    ]
    return found[0] if found else None


def _again(source: JobSource, part: Part, verdict: Any) -> tuple[Again | None, tuple[str, ...]]:
    """The soak counted again, where that can be done; and what has to be said of it."""
    try:
        again = count_again(source, float(part["started_s"]))
    except ArchiveError as exc:
        return None, (f"The judgements cannot be worked out again: {exc}.",)
    if verdict is None:
        return again, ()
    if again.verdict is None or again.verdict["text"] != verdict.text:
        return again, (
            "Counted again from what is kept, the soak does not come to what was told then, word "
            "for word: what was told stands, and the table of limits is as counted again.",
        )
    return again, ()


# --- the verdict ----------------------------------------------------------------------------------


def _shown(
    source: JobSource,
    part: Part,
    verdict: Any,
    again: Again | None,
    sweeps: SweepRange | None,
) -> VerdictShown:
    table = None
    if again is not None:
        title = "Each limit" if verdict is not None else "Each limit, as if it ended here"
        note = "U at k = 2, the sweeper's own drift included."
        table = judgement_table(again.standing["judgements"], title=title, sweeps=sweeps, note=note)
    if verdict is None:
        return VerdictShown(
            verdict="incomplete",
            text=_running_text(part),
            of="soak",
            at_s=min(float(part["started_s"]) + float(part["elapsed_s"]), source.stop_s),
            judgements=table,
        )
    at_s = verdict.at_s
    if again is not None and again.verdict is not None:
        at_s = float(again.verdict["at_s"])
    return VerdictShown(
        verdict=str(verdict.figures["verdict"]),
        text=verdict.text,
        of="soak",
        at_s=at_s,
        judgements=table,
    )


def _name(part: Part) -> str:
    return f"the soak “{part['label']}”" if part["label"] else "the soak"


def _headline(part: Part, verdict: Any) -> str:
    name = capital(_name(part))
    if verdict is None:
        return _running_text(part)
    word = str(verdict.figures["verdict"])
    worst = _worst(part)
    more = "" if worst is None else f"; {worst}"
    length = duration_text(length_s(part))
    return f"{name} of {length} {WORDS.get(word, word)}{more}."


def _running_text(part: Part) -> str:
    """How far it is, and how its limits stand."""
    name = capital(_name(part))
    if part["state"] == "closing":
        return f"{name} is over and waits for its closing reference."
    elapsed, length = duration_text(float(part["elapsed_s"])), duration_text(length_s(part))
    beyond = [one for one in part["limits"] if one["outside"]]
    stands = "no reading left its limits so far"
    if not part["limits"]:
        stands = "no figure is under a limit"
    elif beyond:
        stands = _worst(part) or "limits were left"
    return f"{name} still runs: {elapsed} of {length}; {stands}."


def _worst(part: Part) -> str | None:
    """The worst excursion of all figures, by how often and how far it left its limit."""
    found = [one for one in part["limits"] if one["worst_outside"] is not None]
    if not found:
        return None
    one = max(found, key=lambda each: float(each["worst_outside"]["beyond"] or 0.0))
    worst = one["worst_outside"]
    times = "once" if one["outside"] == 1 else f"{one['outside']} times"
    return (
        f"{one['figure']} left its limit {times}, furthest in sweep {worst['seq']} with "
        f"{value_text(number(worst['value']), one['unit'])}"
    )


# --- the section ----------------------------------------------------------------------------------


def _soak_section(
    source: JobSource,
    kept: Kept,
    part: Part,
    again: Again | None,
    sweeps: SweepRange | None,
    seq: int,
) -> Section:
    charts = [] if again is None else _figure_charts(kept, part, again)
    charts += context_charts(kept)
    tables = [limit_table(part, source.zone, sweeps)]
    contexts = context_table(part, sweeps)
    tables += [contexts] if contexts.rows else []
    lead = _excursion_text(part, source.zone)
    start_s = float(part["started_s"])
    lead += (
        f" It began at {at_text(start_s, source.zone)} on {date(start_s, source.zone)}; figures "
        f"are as of sweep {seq}, drifts as of the last hour or the end."
    )
    return Section(
        key="soak",
        title="Soak",
        lead=lead,
        charts=tuple(charts),
        tables=tuple(one for one in tables if one.rows),
    )


def _excursion_text(part: Part, zone: str) -> str:
    """The worst excursion: when, how much, which sweep, which limit."""
    found = [one for one in part["limits"] if one["worst_outside"] is not None]
    if not found:
        return "No reading left its limits." if part["limits"] else "No figure is under a limit."
    said = []
    for one in found:
        first, worst, unit = one["first_outside"], one["worst_outside"], str(one["unit"])
        times = "once" if one["outside"] == 1 else f"{one['outside']} times"
        beyond = value_text(number(worst["beyond"]), "dB" if unit.startswith("dB") else unit)
        text = (
            f"{one['figure']} left its limit {times}: furthest by {beyond} in sweep {worst['seq']} "
            f"at {at_text(float(worst['at_s']), zone)} "
            f"({value_text(number(worst['value']), unit)})"
        )
        if first["seq"] != worst["seq"]:
            text += f", first in sweep {first['seq']} at {at_text(float(first['at_s']), zone)}"
        said.append(f"{text}.")
    return " ".join(said)


def _figure_charts(kept: Kept, part: Part, again: Again) -> list[TrendChart]:
    charts = []
    for at, limit in enumerate(again.settings.limits):
        value, u = again.on(kept.pass_id, at)
        one = part["limits"][at] if at < len(part["limits"]) else {}
        chart = trend(
            kept,
            title=f"{limit.figure}, {_asked_words(limit)}",
            unit=limit.unit,
            name=limit.figure,
            value=value,
            expanded=u,
            limits=_chart_limits(part, limit, _guard(again, limit)),
            marks=_marks(one, limit.unit),
        )
        if chart is not None:
            charts.append(chart)
    return charts


def _guard(again: Again, limit: Any) -> float:
    """The guard band of a figure's limit: that of its judgement."""
    rows = [row for row in again.standing["judgements"] if row["figure"] == limit.figure]
    expanded = [number(row["expanded"]) for row in rows if not row["unit"].endswith("/h")]
    known = [one for one in expanded if one is not None]
    return float(limit.guard) * max(known) if known else 0.0


def _chart_limits(part: Part, limit: Any, guard: float) -> tuple[Limit, ...]:
    bounds: tuple[tuple[float | None, Literal["below", "above"]], ...]
    bounds = ((limit.high, "below"), (limit.low, "above"))
    return tuple(
        Limit(
            name=limit_words(side, level, limit.unit),
            start=float(part["started_s"]),
            stop=float(part["ends_s"]),
            level=level,
            side=side,
            guard=guard,
        )
        for level, side in bounds
        if level is not None
    )


def _marks(one: Part, unit: str) -> tuple[Mark, ...]:
    """First and furthest excursion, where there was one."""
    found = []
    first, worst = one.get("first_outside"), one.get("worst_outside")
    for name, each in (("first beyond", first), ("furthest", worst)):
        if each is None or number(each["value"]) is None:
            continue
        if name == "first beyond" and worst is not None and each["seq"] == worst["seq"]:
            continue
        text = f"{name}: {value_text(number(each['value']), unit)}"
        found.append(Mark(x=float(each["at_s"]), y=float(each["value"]), text=text))
    return tuple(found)


def _asked_words(limit: Any) -> str:
    words = [
        limit_words("below", limit.high, limit.unit),
        limit_words("above", limit.low, limit.unit),
    ]
    if limit.drift is not None:
        unit = "dB/h" if limit.unit.startswith("dB") else f"{limit.unit}/h"
        words.append(f"drift {limit_words('below', limit.drift, unit)}")
    return ", ".join(one for one in words if one)


# --- the rest ------------------------------------------------------------------------


def _last_pass(inner: KindParts) -> tuple[Section, ...]:
    """What the kind's own last pass came to."""
    verdict = inner.verdict
    if verdict is None:
        return ()
    tables = () if verdict.judgements is None else (verdict.judgements,)
    lead = f"{capital(verdict.verdict)}: {verdict.text.rstrip('.')}."
    return (Section(key="last-pass", title="The last pass by itself", lead=lead, tables=tables),)


def _asked(part: Part, again: Again | None) -> tuple[Fact, ...]:
    found = [Fact(name="soak", text=f"{duration_text(length_s(part))}, {_limit_words_of(part)}")]
    if again is not None:
        share = percent(again.settings.coverage_at_least, 0)
        found.append(Fact(name="coverage asked for", text=f"{share} of the due sweeps listened"))
    return tuple(found)


def _limit_words_of(part: Part) -> str:
    if not part["limits"]:
        return "no figure under a limit"
    return f"{count_text(len(part['limits']), 'figure')} under limit"


def _running_limits(part: Part, verdict: Any) -> tuple[str, ...]:
    found = []
    if verdict is None:
        left = duration_text(float(part["left_s"]))
        found.append(
            f"The soak has no verdict yet: {left} were left at the end of this range, and each "
            "limit is told as if it ended here."
            if part["state"] == "running"
            else "The soak has no verdict yet: it waits for its closing reference."
        )
    absent = [str(one["figure"]) for one in part["limits"] if not one["readings"]]
    if absent:
        found.append(f"No sweep brought {' or '.join(absent)}: it cannot be judged.")
    return tuple(found)


def _without(source: JobSource, inner: KindParts, kept: Kept) -> KindParts:
    """A range in which no summary of the soak lies."""
    told = source.verdict_findings
    if kept.size:
        why = "no sweep of this range belongs to the soak: it ended before, or has not begun"
    else:
        why = "nothing was swept in this range"
    limits: Sequence[str] = (f"Nothing can be said of the soak: {why}.",)
    if not told:
        return KindParts(
            headline=inner.headline,
            asked=inner.asked,
            sections=(*inner.sections, *_last_pass(inner)),
            limits=(*limits, *inner.limits),
        )
    last = told[-1]
    return KindParts(
        headline=sentence(last.text),
        asked=inner.asked,
        sections=(*inner.sections, *_last_pass(inner)),
        verdict=VerdictShown(
            verdict=str(last.figures.get("verdict")), text=last.text, of="soak", at_s=last.at_s
        ),
        limits=(*limits, *inner.limits),
    )
