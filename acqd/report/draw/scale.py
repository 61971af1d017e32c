"""The colour scale of a sheet, with its unit, plane and uncertainty."""

from __future__ import annotations

import numpy as np

from acqd.measure.words import number_text
from acqd.report.draw.axes import Axis, value_ticks
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.labels import wrapped
from acqd.report.draw.leaning import draw_key
from acqd.report.shapes import Sheet

__all__ = ["draw_scale", "uncertainty_text"]

SMALL = 10.0


def uncertainty_text(expanded_db: float | None) -> str:
    """± 1.9 dB (k = 2)."""
    return "" if expanded_db is None else f"± {number_text(expanded_db, 1)} dB (k = 2)"


def draw_scale(board: Board, sheet: Sheet, place: Box, *, key: bool = False) -> float:
    """From ``place``'s upper edge down, the strokes' key first where it is wanted; its end."""
    top = place.y0
    if key:
        top = draw_key(board, sheet, place.x0, place.x1, top + 5) + 10
    bar = Box(place.x0, top, place.x1, top + 11)
    board.image(bar, np.arange(1, 256, dtype=np.uint8)[None, :])
    low, high = sheet.colour_low, sheet.colour_high
    axis = Axis(low, high if high > low else low + 1.0, bar.x0, bar.x1)
    ticks = value_ticks(axis, max(2, int(bar.width / 48)))
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        x = axis.at(value)
        board.line([x, x], [bar.y1, bar.y1 + 3], "quiet", width=0.8)
        half = text_width(text, SMALL) / 2
        x = min(max(x, bar.x0 + half), bar.x1 - half)
        if board.is_free(board.box_of(x, bar.y1 + 10, text, size=SMALL, align="middle"), by=3):
            board.text(x, bar.y1 + 10, text, "ink", size=SMALL, align="middle")
    said = f"{sheet.unit} at {sheet.plane}, highest in each cell"
    accuracy = uncertainty_text(sheet.level_u)
    y = bar.y1 + 24
    for line in wrapped(said, bar.width, SMALL) + ([accuracy] if accuracy else []):
        board.text(bar.x0, y, line, "quiet", size=SMALL)
        y += 13
    return y - 3
