"""The tables of a soak: its figures under limit, what stood beside them, how much was tested."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from acqd.measure.words import duration_text
from acqd.report.kinds.common import at_text, number
from acqd.report.shapes import Section, SweepRange, Table
from acqd.report.source import JobSource
from acqd.report.words import percent

__all__ = ["Part", "context_table", "earlier_section", "length_s", "limit_table", "tested_section"]

Part = Mapping[str, Any]
"""What a soak adds to a summary."""
Row = tuple[str | float | None, ...]


def length_s(part: Part) -> float:
    """How long the soak is meant to be."""
    return float(part["ends_s"]) - float(part["started_s"])


def limit_table(part: Part, zone: str, sweeps: SweepRange | None) -> Table:
    """The figures under limit, as the soak's part of a summary has them."""
    rows: list[Row] = [_limit_row(one, zone) for one in part["limits"]]
    return Table(
        title="Figures under limit",
        heads=(
            "figure", "unit", "judged", "at least", "at most", "mean", "least", "greatest",
            "readings", "without", "beyond", "first beyond", "drift an hour", "95 % from", "to",
        ),
        units=("",) * 15,
        places=(None, None, None, 2, 2, 2, 2, 2, 0, 0, 0, None, 3, 3, 3),
        rows=tuple(rows),
        note="“Without” are sweeps that brought no such figure.",
        sweeps=sweeps,
    )  # fmt: skip


def _limit_row(one: Part, zone: str) -> Row:
    first = one["first_outside"]
    when = "" if first is None else f"sweep {first['seq']}, {at_text(float(first['at_s']), zone)}"
    return (
        str(one["figure"]),
        str(one["unit"]),
        str(one["of"]),
        number(one["at_least"]),
        number(one["at_most"]),
        number(one["mean"]),
        number(one["least"]),
        number(one["greatest"]),
        float(one["readings"]),
        float(one["missing"]),
        float(one["outside"]),
        when,
        number(one["drift_per_h"]),
        number(one["drift_per_h_low"]),
        number(one["drift_per_h_high"]),
    )


def context_table(part: Part, sweeps: SweepRange | None) -> Table:
    """Slope and correlation of each figure over each context."""
    rows: list[Row] = [
        (
            str(one["figure"]),
            str(beside["name"]),
            number(beside["slope"]),
            number(beside["slope_low"]),
            number(beside["slope_high"]),
            number(beside["correlation"]),
            number(beside["span"]),
            str(beside["text"]),
        )
        for one in part["limits"]
        for beside in one["contexts"]
    ]
    return Table(
        title="Figures and what stood beside them",
        heads=("figure", "over", "slope", "95 % from", "to", "correlation", "moved by", "in words"),
        units=("",) * 8,
        places=(None, None, 4, 4, 4, 2, 2, None),
        rows=tuple(rows),
        note="As of the last hour, or the end. A slope says what went together; it names no cause.",
        sweeps=sweeps,
    )


def tested_section(part: Part, sweeps: SweepRange | None) -> tuple[Section, ...]:
    """How much of the soak was tested at all: stored, and listened, of what was due."""
    elapsed_s = float(part["elapsed_s"])
    listening, coverage = number(part["listening"]), number(part["coverage"])
    counts: list[Row] = [
        ("sweeps due", float(part["sweeps_due"])),
        ("sweeps stored", float(part["sweeps_stored"])),
        ("findings of the kind", float(part["findings"])),
    ]
    counts += [(f"passes, {word}", float(count)) for word, count in part["passes"].items()]
    rows: list[Row] = [
        (name, None if share is None else 100.0 * share, "%")
        for name, share in (("stored of due", coverage), ("listened of due", listening))
    ]
    if part["references"]:
        counts.append(("references of the closing role", float(part["references"])))
        change = number(part["reference_change_db"])
        rows.append(("largest change between two of them", change, "dB"))
    lead = f"The soak ran {duration_text(elapsed_s)} of {duration_text(length_s(part))}."
    if listening is not None:
        tested = duration_text(listening * elapsed_s)
        lead += (
            f" The sweeper listened in {percent(listening)} of the due sweeps, as good as "
            f"{tested}; of the rest nothing is known."
        )
    counted = Table(
        title="What was counted",
        heads=("what", "count"),
        units=("", ""),
        places=(None, 0),
        rows=tuple(counts),
        sweeps=sweeps,
    )
    table = Table(
        title="What was tested",
        heads=("what", "value", "unit"),
        units=("", "", ""),
        places=(None, 2, None),
        rows=tuple(rows),
        note=f"Since sweep {part['first_seq']}.",
        sweeps=sweeps,
    )
    return (Section(key="tested", title="What was tested", lead=lead, tables=(counted, table)),)


def earlier_section(source: JobSource, part: Part) -> tuple[Section, ...]:
    """Soaks of the same job that ended in the range before this one began."""
    started_s = float(part["started_s"])
    found = [one for one in source.verdict_findings if one.at_s < started_s]
    if not found:
        return ()
    table = Table(
        title="Earlier soaks",
        heads=("ended", "verdict", "in words"),
        units=("", "", ""),
        places=(None, None, None),
        rows=tuple(
            (at_text(one.at_s, source.zone), str(one.figures.get("verdict")), one.text)
            for one in found
        ),
    )
    return (Section(key="earlier", title="Earlier soaks", tables=(table,)),)
