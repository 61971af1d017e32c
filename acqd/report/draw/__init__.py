"""Charts of a report as figures.

:func:`svg` gives an element for a page, whose colours are the page's CSS custom properties
(:func:`acqd.look.palette.css_variables`), and :func:`save` a file of its own. matplotlib draws; it
is imported when something is drawn, and its global state is left alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from acqd.report.draw.frame import Frame, Width

if TYPE_CHECKING:
    from pathlib import Path

    from acqd.report.draw.board import Board
    from acqd.report.shapes import Chart, FindingShown, GapShown, NoteShown, Spell

__all__ = ["board_of", "save", "svg"]


def board_of(chart: Chart, frame: Frame) -> Board:
    """A chart laid out: shapes, and texts with the boxes they stand in."""
    from acqd.report import shapes

    if isinstance(chart, shapes.Sheet):
        from acqd.report.draw.sheet import draw_sheet

        return draw_sheet(chart, frame)
    if isinstance(chart, shapes.HeatChart):
        from acqd.report.draw.heat import draw_heat_chart

        return draw_heat_chart(chart, frame)
    if isinstance(chart, shapes.TrendChart):
        from acqd.report.draw.trend import draw_trend

        return draw_trend(chart, frame)
    if isinstance(chart, shapes.BarChart):
        from acqd.report.draw.bars import draw_bars

        return draw_bars(chart, frame)
    from acqd.report.draw.curve import draw_curve, draw_spectrum

    if isinstance(chart, shapes.SpectrumChart):
        return draw_spectrum(chart, frame)
    return draw_curve(chart, frame)


def svg(
    chart: Chart,
    *,
    start_s: float,
    stop_s: float,
    zone: str,
    width: Width = "page",
    gaps: Sequence[GapShown] = (),
    spells: Sequence[Spell] = (),
    findings: Sequence[FindingShown] = (),
    notes: Sequence[NoteShown] = (),
) -> str:
    """A chart as an SVG element for a page; the same for the same chart, byte for byte.

    Args:
        start_s: begin of the time axis, for charts that have one; ``stop_s`` its end.
        zone: the IANA zone whose clock the time axis shows; UTC stands below where it differs.
        width: laid out for a page (960 px) or a phone (380 px); it scales to where it is put.
        findings: told by number on a sheet; only those that have a ``place``.

    Empty charts say that there is nothing; times, levels and frequencies that are NaN are left out.
    """
    from acqd.report.draw.theme import inline_svg, standing_colours

    frame = Frame(
        start_s=start_s,
        stop_s=stop_s,
        zone=zone,
        width=width,
        gaps=gaps,
        spells=spells,
        findings=findings,
        notes=notes,
    )
    board = board_of(chart, frame)
    text = board.svg_text(standing_colours(), "acqd")
    return inline_svg(
        text,
        prefix=_prefix(text, width),
        title=title_of(chart),
        desc=chart.alt or title_of(chart),
        images=board.svg_images(),
        name=type(chart).__name__.lower(),
    )


def save(
    chart: Chart,
    path: str | Path,
    *,
    start_s: float,
    stop_s: float,
    zone: str,
    width: Width = "page",
    dark: bool = False,
    dpi: float = 192.0,
    gaps: Sequence[GapShown] = (),
    spells: Sequence[Spell] = (),
    findings: Sequence[FindingShown] = (),
    notes: Sequence[NoteShown] = (),
    heading: Sequence[str] = (),
) -> None:
    """Write a chart as PNG or SVG, by what the name ends in, with the palette's own colours.

    Args:
        dpi: of a PNG; at 96 a figure for a page is 960 pixels wide.
        heading: lines above the chart, the first of them larger.

    Raises:
        WrongUsage: the name ends in neither, or the file cannot be written.
    """
    from acqd.report.draw.files import save_chart

    frame = Frame(
        start_s=start_s,
        stop_s=stop_s,
        zone=zone,
        width=width,
        gaps=gaps,
        spells=spells,
        findings=findings,
        notes=notes,
    )
    save_chart(chart, frame, path, dark=dark, dpi=dpi, heading=heading)


def title_of(chart: Chart) -> str:
    """A short name of a chart, for people who hear the page."""
    title = getattr(chart, "title", None)
    return title if title is not None else f"Night sheet of {getattr(chart, 'job', '')}"


def _prefix(text: str, width: str) -> str:
    """What ids of a figure begin with: no two different figures of a page share it."""
    from hashlib import sha256

    return f"f{sha256(f'{width}{text}'.encode()).hexdigest()[:10]}"
