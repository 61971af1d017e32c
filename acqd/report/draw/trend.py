"""Figures over time: drift, temperature, margins. Gaps stay gaps."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from acqd.report.draw.axes import (
    Axis,
    level_range,
    time_axis,
    time_axis_height,
    unit_text,
    with_gaps,
)
from acqd.report.draw.board import Board, Box
from acqd.report.draw.curve import aired, draw_y_axis, names_width, y_margin
from acqd.report.draw.frame import Frame
from acqd.report.draw.lines import (
    Plot,
    draw_key_of,
    draw_limits,
    draw_lines,
    draw_marks,
    name_ends,
    name_limits,
)
from acqd.report.shapes import GapShown, Limit, Line, TrendChart

__all__ = ["draw_trend"]

SMALL = 10.0


def draw_trend(chart: TrendChart, frame: Frame) -> Board:
    """Lines on the frame's time axis, bands around them, marks where an excursion was."""
    board = Board(width=frame.pixels)
    gaps = [*chart.gaps, *(one for one in frame.gaps if one not in chart.gaps)]
    lines = [_parted(one, gaps) for one in chart.lines]
    right = names_width(lines, frame)
    board.text(14.0, 12.0, unit_text(chart.title, chart.unit), "ink", size=SMALL, bold=True)
    height = 130.0 if frame.is_phone else 150.0
    if chart.marks:
        height += 40.0
    span = frame.span
    level = level_range(_values(chart, lines, span), least=_least(chart, lines))
    level = aired(*level, chart.limits)
    # Room for what is said at marks.
    air = 0.18 * (level[1] - level[0]) if chart.marks else 0.0
    level = level[0] - air, level[1] + air
    left = max(58.0, y_margin(*level, height))
    box = Box(left, 30.0, board.width - max(right + 14, 30.0), 30.0 + height)
    time = Axis(*span, box.x0, box.x1)
    plot = Plot(box, time, Axis(*level, box.y1, box.y0))
    for gap in gaps:
        if gap.to_s >= time.low and gap.from_s <= time.high:
            x0, x1 = np.clip(time.px([gap.from_s, gap.to_s]), box.x0, box.x1)
            part = Box(float(x0), box.y0, max(float(x1), float(x0) + 0.8), box.y1)
            board.rect(part, "gap")
            board.hatch(part, "rule", step=7, width=0.8)
    draw_y_axis(board, plot)
    # A limit that begins and ends with no time holds all along.
    limits = [_whole(one, time) for one in chart.limits]
    taken = draw_limits(board, plot, limits)
    busy = draw_lines(board, plot, lines)
    left_out = draw_marks(board, plot, chart.marks, busy, taken, chart.unit)
    name_limits(board, plot, limits, busy)
    time_axis(board, time, box.y1 + 2, frame.zone)
    bottom = box.y1 + 2 + time_axis_height(*frame.span, frame.zone)
    if right:
        name_ends(board, plot, lines, Box(box.x1 + 4, box.y0, board.width - 4, box.y1))
    else:
        bottom = draw_key_of(board, lines, 14.0, board.width - 14, bottom + 10)
    if left_out:
        said = f"{left_out} more marked; the table has them"
        board.text(box.x0, bottom + 8, said, "quiet", size=SMALL)
        bottom += 18
    if not any(np.isfinite(one.y).any() for one in lines):
        x, y = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2
        board.text(x, y, "nothing was measured", "quiet", align="middle")
    board.height = bottom + 6
    return board


def _parted(line: Line, gaps: Sequence[GapShown]) -> Line:
    """The line with NaN in each gap, so that nothing bridges it."""
    x, y = with_gaps(line.x, line.y, gaps)
    low = None if line.low is None else with_gaps(line.x, line.low, gaps)[1]
    high = None if line.high is None else with_gaps(line.x, line.high, gaps)[1]
    return replace(line, x=x, y=y, low=low, high=high)


def _whole(limit: Limit, time: Axis) -> Limit:
    if np.isfinite(limit.start) and np.isfinite(limit.stop) and limit.stop > limit.start:
        return limit
    return replace(limit, start=time.low, stop=time.high)


def _values(chart: TrendChart, lines: list[Line], span: tuple[float, float]) -> list[np.ndarray]:
    out = [np.array([one.level for one in chart.limits], dtype=np.float64)]
    out.append(np.array([one.y for one in chart.marks], dtype=np.float64))
    for line in lines:
        inside = (line.x >= span[0]) & (line.x <= span[1])
        out += [one[inside] for one in (line.y, line.low, line.high) if one is not None]
    return out


def _least(chart: TrendChart, lines: list[Line]) -> float:
    """The least that the axis spans: a flat line is to look flat, in any unit."""
    if chart.unit in ("dB", "dBm", "°C"):
        return 0.5
    found = [np.abs(one.y[np.isfinite(one.y)]) for one in lines]
    most = max((float(one.max()) for one in found if one.size), default=1.0)
    return max(most * (1e-9 if chart.unit == "Hz" else 1e-4), 1e-15)
