"""What closer looks at a finding showed: what was told of each, and the sweeps of those that have a
range of frequencies."""

from __future__ import annotations

import numpy as np

from acqd.archive.records import FindingRecord
from acqd.look.times import clock
from acqd.report.shapes import Chart, Line, Section, SpectrumChart, SweepRange, Table
from acqd.report.source import JobSource
from acqd.report.words import count_text

__all__ = ["LOOKED", "closer_section", "looks_at", "seqs_of_looks"]

LOOKED = "looked_closer"

LINES_MOST = 6
"""Sweeps of one look that are drawn."""


def looks_at(source: JobSource, number: int) -> list[FindingRecord]:
    """What was told of the looks at a finding, whenever that was."""
    found = source.archive.findings(source.job)
    return [one for one in found if one.what == LOOKED and one.figures.get("finding") == number]


def seqs_of_looks(source: JobSource, number: int) -> list[int]:
    """Sweeps to draw of a finding: of the first look that has a range, else of the first."""
    looks = looks_at(source, number)
    wide = [one for one in looks if _whole(one, "start_hz") != _whole(one, "stop_hz")]
    for one in (*wide, *looks):
        return _seqs(source, one)
    return []


def closer_section(source: JobSource, record: FindingRecord) -> Section | None:
    """The looks at a finding; None where there was none."""
    looks = looks_at(source, record.number)
    if not looks:
        return None
    rows = tuple(
        (
            clock(one.at_s, source.zone, seconds=True),
            str(one.figures.get("look", "")),
            str(_whole(one, "sweeps")),
            one.text.partition(": ")[2] or one.text,
        )
        for one in looks
    )
    table = Table(
        title="Closer looks",
        heads=("time", "look", "sweeps", "what it showed"),
        units=("", "", "", ""),
        places=(None, None, None, None),
        rows=rows,
    )
    charts = [chart for one in looks if (chart := _chart(source, one)) is not None]
    lead = (
        f"This finding asked for {count_text(len(looks), 'closer look')}. Their sweeps are in no "
        "figure of the job, and what they cost it is in its coverage."
    )
    return Section(
        key="closer", title="Looked closer", lead=lead, tables=(table,), charts=tuple(charts)
    )


def _chart(source: JobSource, look: FindingRecord) -> Chart | None:
    lines = []
    seqs = _seqs(source, look)
    unit, plane, setup = source.unit, source.plane, None
    for seq in seqs[:LINES_MOST]:
        block = next(
            (one for step in source.look_steps if (one := source.sweep(seq, step)) is not None),
            None,
        )
        if block is None or block.frequency_hz.size < 2 or np.iscomplexobj(block.level):
            continue
        if block.frequency_hz[0] == block.frequency_hz[-1]:
            continue
        setup = block.setup
        unit = setup.unit
        at = clock(float(block.started_s[0]), source.zone, seconds=True)
        lines.append(
            Line(
                name=f"sweep {seq}, {at}",
                x=block.frequency_hz,
                y=np.asarray(block.level[0], dtype=np.float64),
            )
        )
    if not lines or setup is None:
        return None
    name = str(look.figures.get("look", ""))
    return SpectrumChart(
        title=f"Looked closer: {name}",
        unit=unit,
        plane=plane,
        lines=tuple(lines),
        level_u=source.level_u(setup),
        sweeps=SweepRange(
            job=source.job, first_seq=seqs[0], last_seq=seqs[-1], count=len(seqs), step=setup.step
        ),
        alt=look.text,
    )


def _seqs(source: JobSource, look: FindingRecord) -> list[int]:
    """Numbers of the sweeps of a look that are there."""
    first, last = _whole(look, "first_seq"), _whole(look, "last_seq")
    return sorted(
        int(seq)
        for step in source.look_steps
        for seq in source.sweeps(step).seq.tolist()
        if first <= seq <= last
    )


def _whole(look: FindingRecord, name: str) -> int:
    value = look.figures.get(name)
    return int(value) if isinstance(value, int | float) else 0
