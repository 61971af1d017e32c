"""Occupancy by channel and hour as a chart of its own, with the intervals of its figures."""

from __future__ import annotations

from acqd.report.draw.axes import Axis, time_axis, time_axis_height
from acqd.report.draw.board import Board, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import wrapped
from acqd.report.draw.strips import busiest, draw_heat
from acqd.report.shapes import HeatChart

__all__ = ["draw_heat_chart"]

SMALL = 10.0
MOST_ROWS = 120


def draw_heat_chart(heat: HeatChart, frame: Frame) -> Board:
    """All rows, up to 120 of them: beyond that the busiest, and it says so."""
    board = Board(width=frame.pixels)
    names = [heat.rows[at] for at in busiest(heat, MOST_ROWS)]
    widest = max((text_width(one, SMALL) for one in names), default=0.0)
    left = min(max(58.0, widest + 12.0), board.width * 0.3)
    time = Axis(*frame.span, left, board.width - 30)
    bottom = draw_heat(board, heat, time, 4.0, most=MOST_ROWS, row_height=18.0, with_interval=True)
    time_axis(board, time, bottom + 5, frame.zone)
    bottom += 5 + time_axis_height(*frame.span, frame.zone)
    if any("(" in one.text and one.x0 > time.first for one in board.texts):
        said = f"in brackets: the interval of a figure, {100 * heat.confidence:g} % confidence"
        for line in wrapped(said, time.last - time.first, SMALL):
            board.text(time.first, bottom + 6, line, "quiet", size=SMALL)
            bottom += 13
    board.height = bottom + 4
    return board
