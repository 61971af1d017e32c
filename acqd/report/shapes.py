"""What a report is made of: plain values, before anybody draws or words them.

Gathering (:mod:`acqd.report.gather`) makes these from an archive, drawing turns charts into
figures, the page puts both together, and the JSON of a report is these very objects. Times are
seconds since 1970-01-01T00:00:00Z; levels are at the plane that ``plane`` names; NaN stands where
there is nothing, and becomes null in JSON. Uncertainties are expanded, k = 2, unless said.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Band",
    "Bar",
    "BarChart",
    "Chart",
    "CoverageShown",
    "CurveChart",
    "Fact",
    "FindingShown",
    "GapShown",
    "HeatChart",
    "JobReport",
    "Limit",
    "Line",
    "Mark",
    "NoteShown",
    "Report",
    "Section",
    "Sheet",
    "SpectrumChart",
    "Spell",
    "Strip",
    "SweepRange",
    "SweeperReport",
    "Table",
    "TrendChart",
    "VerdictShown",
]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class SweepRange:
    """The sweeps that something rests on; ``count`` of them, numbers from first to last."""

    job: str
    first_seq: int
    last_seq: int
    count: int
    step: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Fact:
    """One line of the footer or of what was asked: a name and what stands beside it."""

    name: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GapShown:
    """Due sweeps that were not taken. ``text`` is for people: "mast away 20 min"."""

    from_s: float
    to_s: float
    count: int
    reason: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Spell:
    """A time that was swept and has to be known about: deaf, keyed, overloaded. No gap."""

    from_s: float
    to_s: float
    what: str
    """``deaf``, or a flag in lower case (``transmitting``)."""
    text: str
    is_listening: bool = False
    """False where it counts as not listened."""
    sweeps: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class NoteShown:
    """A remark that a person put on the sheet."""

    at_s: float
    text: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingShown:
    """A finding as it was told, with its place on the sheet where it has one.

    ``number`` is the archive's own number in its job (``acqd report --finding``), ``place`` the
    figure on the sheet, from 1 in order of time; None where the sheet has no room for it.
    """

    job: str
    number: int
    what: str
    at_s: float
    text: str
    seq: int | None
    place: int | None
    frequency_hz: float | None
    figures: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageShown:
    """What was due and what was got in the report's range."""

    due: int
    stored: int
    listened: int
    """Stored sweeps in which the station could hear: without deaf and flagged ones."""
    missed: Mapping[str, int]
    """Count by reason."""
    flagged: Mapping[str, int]

    @property
    def fraction(self) -> float:
        """Stored over due; NaN where nothing was due."""
        return self.stored / self.due if self.due else float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """A curve along the sheet's time axis, with a band where it has one.

    ``statement`` says in words what the strip shows and names the range it is about.
    """

    title: str
    unit: str
    at_s: Float
    value: Float
    """(n,) NaN in gaps: never bridged."""
    low: Float | None = None
    high: Float | None = None
    statement: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sheet:
    """The night sheet: time to the right, frequency upright, strips below on the same time axis.

    Cell (column, row) of ``level`` is the highest level in it: column from ``column_edges_s[i]`` to
    ``[i + 1]``, row likewise in ``row_edges_hz``, rising.
    """

    job: str
    column_edges_s: Float
    row_edges_hz: Float
    level: NDArray[np.float32]
    """(columns, rows), NaN where nothing was swept."""
    unit: str
    plane: str
    colour_low: float
    colour_high: float
    """The levels at the ends of the colour scale; the same on all sheets of a page that share a
    unit."""
    level_u: float | None
    """Expanded uncertainty of a level, in dB."""
    frequency_hz: Float
    """(points,) of the spectrum that leans on the right edge."""
    highest: Float
    median: Float
    lowest: Float
    threshold: float
    """The median opening threshold; NaN where there is none."""
    marked_hz: tuple[tuple[float, str], ...]
    """Frequencies named at the right edge: the channels that were busy, the strongest."""
    channel_edges: tuple[tuple[float, float, str], ...]
    """The channel plan: from, to, name."""
    floor: Strip | None
    occupancy: HeatChart | None
    sweeps: SweepRange | None
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatChart:
    """Occupancy by channel and hour. NaN where nobody can tell."""

    title: str
    rows: tuple[str, ...]
    column_edges_s: Float
    """(columns + 1,)"""
    share: Float
    """(rows, columns) 0 to 1, with the interval it lies in at ``confidence``."""
    low: Float
    high: Float
    confidence: float = 0.95
    sweeps: SweepRange | None = None
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One curve. ``role`` says what it is, and so how it is drawn."""

    name: str
    x: Float
    y: Float
    role: Literal["now", "first", "last", "held", "mean", "low", "reference", "threshold"] = "now"
    low: Float | None = None
    high: Float | None = None
    """Uncertainty, or spread, around ``y``; the name of the line says which."""
    sweeps: SweepRange | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A computed point, named at the curve."""

    x: float
    y: float
    text: str
    expanded: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """A limit from ``start`` to ``stop`` along x, with the guard band that stands before it."""

    name: str
    start: float
    stop: float
    level: float
    side: Literal["below", "above"]
    """On which side of it the curve has to be."""
    guard: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A range along x that has a name: a passband, a channel."""

    name: str
    start: float
    stop: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SpectrumChart:
    """Levels over frequency for a range of time: highest, percentiles, mean, lowest."""

    title: str
    unit: str
    plane: str
    lines: tuple[Line, ...]
    bands: tuple[Band, ...] = ()
    threshold: float = float("nan")
    level_u: float | None = None
    sweeps: SweepRange | None = None
    alt: str = ""
    marks: tuple[Mark, ...] = ()
    """Signals, named above the curve, the strongest first."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CurveChart:
    """Curves over frequency (``x_unit`` Hz) with marks, limits and named ranges."""

    title: str
    x_unit: str
    y_unit: str
    y_name: str
    lines: tuple[Line, ...]
    marks: tuple[Mark, ...] = ()
    limits: tuple[Limit, ...] = ()
    bands: tuple[Band, ...] = ()
    upside_down: bool = False
    """Losses grow downwards, as a filter's curve is drawn."""
    sweeps: SweepRange | None = None
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrendChart:
    """Figures over the report's time axis: drift, temperature, margin. Gaps stay gaps."""

    title: str
    unit: str
    lines: tuple[Line, ...]
    """x is time."""
    marks: tuple[Mark, ...] = ()
    limits: tuple[Limit, ...] = ()
    gaps: tuple[GapShown, ...] = ()
    sweeps: SweepRange | None = None
    alt: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One harmonic, spurious or product: a bar with a whisker beside its limit."""

    name: str
    x: float
    value: float
    expanded: float | None
    limit: float | None
    verdict: str
    bound: Literal["at least", "at most"] | None = None
    text: str = ""
    sweeps: SweepRange | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BarChart:
    """Levels at single frequencies against a limit, over the spectra they were read from."""

    title: str
    x_unit: str
    y_unit: str
    y_name: str
    bars: tuple[Bar, ...]
    lines: tuple[Line, ...] = ()
    limits: tuple[Limit, ...] = ()
    sweeps: SweepRange | None = None
    alt: str = ""


Chart = Sheet | SpectrumChart | HeatChart | CurveChart | TrendChart | BarChart


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows under heads. A cell is a text, a number or None; ``units`` stand in the heads.

    ``places`` are decimals of a column of numbers, None where it holds texts; numbers line up on
    the decimal point.
    """

    title: str
    heads: tuple[str, ...]
    units: tuple[str, ...]
    places: tuple[int | None, ...]
    rows: tuple[tuple[str | float | None, ...], ...]
    note: str = ""
    sweeps: SweepRange | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A part of a job's report under a heading, in this order: lead, charts, tables."""

    key: str
    """Lower-case letters and hyphens; anchors and file names are made from it."""
    title: str
    lead: str = ""
    charts: tuple[Chart, ...] = ()
    tables: tuple[Table, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictShown:
    """A verdict on top, in a word and a reason."""

    verdict: str
    text: str
    of: str
    at_s: float
    judgements: Table | None = None
    against: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobReport:
    """All of one job in the report's range."""

    job: str
    kind: str
    sweeper: str
    headline: str
    """One sentence that a watchkeeper would write."""
    asked: tuple[Fact, ...]
    coverage: CoverageShown
    gaps: tuple[GapShown, ...] = ()
    spells: tuple[Spell, ...] = ()
    notes: tuple[NoteShown, ...] = ()
    findings: tuple[FindingShown, ...] = ()
    verdict: VerdictShown | None = None
    sections: tuple[Section, ...] = ()
    footer: tuple[Fact, ...] = ()
    files: tuple[tuple[str, str], ...] = ()
    """File of the archive and its SHA-256; what is not in a file yet has none."""
    limits: tuple[str, ...] = ()
    """What the report cannot say, in sentences."""
    station: str = ""
    """Whose job it is, where a page has more stations than one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SweeperReport:
    """What is told of a sweeper: its self-tests, all that are kept, whatever the report's range.

    ``start_s`` and ``stop_s`` are the ends of the time axis of its charts.
    """

    sweeper: str
    start_s: float
    stop_s: float
    sections: tuple[Section, ...] = ()
    station: str = ""
    """Whose it is, where a page has more stations than one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """What one page says."""

    station: str
    title: str
    zone: str
    start_s: float
    stop_s: float
    made_at_s: float
    version: str
    jobs: tuple[JobReport, ...]
    station_findings: tuple[FindingShown, ...] = ()
    finding: FindingShown | None = None
    """Where it is one finding's own sheet."""
    limits: tuple[str, ...] = ()
    sweepers: tuple[SweeperReport, ...] = ()
    """Those that were tested by themselves."""
