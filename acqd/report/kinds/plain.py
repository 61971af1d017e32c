"""A job of which nothing is known but its sweeps: an old kind, or one whose setup is lost."""

from __future__ import annotations

import math

import numpy as np

from acqd.report.asked import asked_facts
from acqd.report.kinds import KindParts
from acqd.report.shapes import Section, Table
from acqd.report.source import JobSource
from acqd.report.words import count_text, percent

__all__ = ["coverage_text", "parts"]


def coverage_text(source: JobSource) -> str:
    """``kept 15 588 of 16 200 sweeps (96.2 %)``, or that nothing was due.

    The share is cut off and not rounded, as everywhere on a page.
    """
    coverage = source.coverage
    if not coverage.due:
        return "nothing was due and nothing kept in this time"
    if not coverage.stored:
        return f"none of {count_text(coverage.due, 'due sweep')} was kept"
    if coverage.stored == coverage.due == 1:
        return "kept the one sweep that was due"
    if coverage.stored == coverage.due:
        return f"kept all {count_text(coverage.due, 'sweep')}"
    share = percent(max(math.floor(coverage.fraction * 1000 + 1e-9), 0.5) / 1000)
    kept = f"{coverage.stored:,}".replace(",", "\u2009")
    return f"kept {kept} of {count_text(coverage.due, 'sweep')} ({share})"


def parts(source: JobSource) -> KindParts:
    """Coverage, what was asked, and the range of every figure that the archive keeps a sweep."""
    index = source.sweeps()
    rows = []
    for name, values in sorted(index.columns.items()):
        known = values[np.isfinite(values)]
        if known.size:
            ends = (float(known[0]), float(known[-1]), float(known.min()), float(known.max()))
            rows.append((name, *ends))
    table = Table(
        title="Figures of the sweeps",
        heads=("figure", "first", "last", "least", "most"),
        units=("", "", "", "", ""),
        places=(None, 3, 3, 3, 3),
        rows=tuple(rows),
        sweeps=source.range_of(),
    )
    sections = (Section(key="figures", title="Figures", tables=(table,)),) if rows else ()
    kind = f"kind {source.kind!r}" if source.kind else "a job whose kind is not known"
    return KindParts(
        headline=f"{source.job}: {coverage_text(source)}.",
        asked=asked_facts(source),
        sections=sections,
        limits=(f"This report has no chapters for {kind}.",),
    )
