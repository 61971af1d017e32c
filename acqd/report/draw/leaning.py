"""The spectrum at the sheet's right edge, on its frequency axis; on a phone below it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from acqd.report.draw.axes import Axis, frequency_axis, level_range, thinned, value_ticks
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.labels import shortened, spread
from acqd.report.shapes import Sheet

__all__ = ["deep", "draw_leaning", "draw_under", "key_items", "side_width"]

Float = NDArray[np.float64]
SMALL = 10.0
CURVE = 138.0
"""Width of the leaning spectrum; names stand to the right of it."""

KEY = (("highest", "area"), ("median", "line"), ("lowest", "thin"), ("threshold", "dash"))


def side_width(sheet: Sheet) -> float:
    """The spectrum with the names of what is marked."""
    widest = max((text_width(name, SMALL) for _, name in sheet.marked_hz), default=0.0)
    return CURVE + min(widest + 16.0 if widest else 6.0, 96.0)


def key_items(sheet: Sheet) -> list[tuple[str, str]]:
    """Names and strokes of the curves that are there."""
    there = {
        "highest": np.isfinite(sheet.highest).any(),
        "median": np.isfinite(sheet.median).any(),
        "lowest": np.isfinite(sheet.lowest).any(),
        "threshold": np.isfinite(sheet.threshold),
    }
    return [one for one in KEY if there[one[0]]]


def _levels(sheet: Sheet) -> tuple[float, float]:
    low, high = level_range([sheet.highest, sheet.median, *deep(sheet.lowest)])
    if np.isfinite(sheet.threshold):
        low, high = min(low, sheet.threshold - 1), max(high, sheet.threshold + 1)
    return low, high


def deep(lowest: Float) -> list[Float]:
    """As much of the lowest levels as an axis shows: their few deepest nulls, which are chance,
    would take half of it."""
    good = lowest[np.isfinite(lowest)]
    return [np.percentile(good, [25, 100])] if good.size else []


def draw_leaning(board: Board, sheet: Sheet, frequency: Axis, box: Box) -> None:
    """Levels grow to the right; frequency is the sheet's."""
    if not np.isfinite(sheet.highest).any():
        return
    curve = Box(box.x0, box.y0, box.x0 + CURVE, box.y1)
    level = Axis(*_levels(sheet), curve.x0, curve.x1)
    ticks = value_ticks(level, 3)
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        x = level.at(value)
        board.line([x, x], [curve.y0, curve.y1], "rule", width=0.6)
        if board.is_free(board.box_of(x, curve.y0 - 9, text, size=SMALL, align="middle"), by=5):
            board.text(x, curve.y0 - 9, text, "ink", size=SMALL, align="middle")
    board.text(curve.x0, curve.y0 - 23, f"spectrum [{sheet.unit}]", "quiet", size=SMALL)
    named = {name for _, name in sheet.marked_hz}
    for start_hz, stop_hz, name in sheet.channel_edges:
        if name in named and stop_hz >= frequency.low and start_hz <= frequency.high:
            y0, y1 = sorted((frequency.at(start_hz), frequency.at(stop_hz)))
            y0, y1 = max(y0, curve.y0), min(max(y1, y0 + 1), curve.y1)
            board.rect(Box(curve.x0, y0, curve.x1, y1), "sea", opacity=0.14)
    _curves(board, sheet, frequency, level, curve, upright=True)
    board.line([curve.x0, curve.x0], [curve.y0, curve.y1], "quiet", width=0.8)
    _names(board, sheet, frequency, Box(curve.x1, box.y0, box.x1, box.y1))


def _curves(
    board: Board, sheet: Sheet, frequency: Axis, level: Axis, box: Box, *, upright: bool
) -> None:
    def put(
        values: Float, colour: str, width: float, dash: tuple[float, ...] | None = None
    ) -> None:
        hz, found = thinned(*_stretched(sheet.frequency_hz, values, frequency), frequency)
        x, y = frequency.px(hz), level.px(found)
        if upright:
            x, y = y, x
        board.line(x, y, colour, width=width, dash=dash, clip=box)

    hz, highest = thinned(*_stretched(sheet.frequency_hz, sheet.highest, frequency), frequency)
    base = np.where(np.isfinite(highest), level.first, np.nan)
    board.area(
        frequency.px(hz), base, level.px(highest), "held", opacity=0.32, clip=box, upright=upright
    )
    put(sheet.highest, "held", 0.7)
    put(sheet.lowest, "quiet", 0.7, (1.5, 1.5))
    put(sheet.median, "ink", 1.2)
    if np.isfinite(sheet.threshold):
        at = level.at(sheet.threshold)
        ends = [frequency.first, frequency.last]
        x, y = ([at, at], ends) if upright else (ends, [at, at])
        board.line(x, y, "rust", width=1.2, dash=(5, 3))


def _stretched(hz: Float, values: Float, frequency: Axis) -> tuple[Float, Float]:
    """One frequency alone as a level all along the axis, which would not be seen else."""
    if hz.size != 1:
        return hz, values
    return np.array([frequency.low, frequency.high]), np.repeat(values, 2)


def _names(board: Board, sheet: Sheet, frequency: Axis, room: Box) -> None:
    """Names at the right edge, apart from each other, each with a line to its frequency."""
    most = int(room.height / 13)
    marked = [one for one in sheet.marked_hz if frequency.holds(one[0])][:most]
    wanted = [frequency.at(hz) for hz, _ in marked]
    places = spread(wanted, [13.0] * len(marked), room.y0 - 4, room.y1 + 4)
    for (_, name), y, place in zip(marked, wanted, places, strict=True):
        board.line([room.x0, room.x0 + 3, room.x0 + 9], [y, y, place], "sea", width=0.8)
        text = shortened(name, room.x1 - room.x0 - 12, SMALL)
        board.text(room.x0 + 12, place, text, "sea", size=SMALL)


def draw_under(board: Board, sheet: Sheet, top: float, left: float, right: float) -> float:
    """The same spectrum with frequency to the right; where it ends."""
    if not np.isfinite(sheet.highest).any():
        return top
    board.text(left, top + 6, f"spectrum [{sheet.unit}]", "ink", size=SMALL, bold=True)
    names = 15.0 if sheet.marked_hz else 0.0
    box = Box(left, top + 20 + names, right, top + 20 + names + 110)
    hz = sheet.row_edges_hz
    low, high = float(hz[0]), float(hz[-1])
    if high <= low:
        low, high = low - 0.5, low + 0.5
    frequency = Axis(low, high, box.x0, box.x1)
    level = Axis(*_levels(sheet), box.y1, box.y0)
    ticks = value_ticks(level, 4)
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        y = level.at(value)
        board.line([box.x0, box.x1], [y, y], "rule", width=0.6)
        board.text(box.x0 - 8, y, text, "ink", size=SMALL, align="right")
    _curves(board, sheet, frequency, level, box, upright=False)
    board.line([box.x0, box.x1], [box.y1, box.y1], "quiet", width=0.8)
    _names_above(board, sheet, frequency, box)
    marks, unit = frequency_axis(frequency, 4)
    for value, text in zip(marks.values, marks.texts, strict=True):
        x = frequency.at(value)
        board.line([x, x], [box.y1, box.y1 + 4], "quiet", width=0.8)
        x = board.kept_in(x, text, SMALL)
        board.text(x, box.y1 + 11, text, "ink", size=SMALL, align="middle")
    where = board.box_of(box.x0 - 8, box.y1 + 11, unit, size=SMALL, align="right")
    if board.is_free(where, by=3):
        board.text(box.x0 - 8, box.y1 + 11, unit, "quiet", size=SMALL, align="right")
    return draw_key(board, sheet, box.x0, box.x1, box.y1 + 28)


def _names_above(board: Board, sheet: Sheet, frequency: Axis, box: Box) -> None:
    marked = [one for one in sheet.marked_hz if frequency.holds(one[0])]
    room = box.width + 12
    while sum(text_width(name, SMALL) + 8 for _, name in marked) > room:
        marked = marked[:-1]
    wanted = [frequency.at(hz) for hz, _ in marked]
    sizes = [text_width(name, SMALL) + 8 for _, name in marked]
    for (_, name), x, place in zip(
        marked, wanted, spread(wanted, sizes, box.x0 - 6, box.x1 + 6), strict=True
    ):
        board.line([x, x, place], [box.y0 + 3, box.y0, box.y0 - 7], "sea", width=0.8)
        board.text(place, box.y0 - 13, name, "sea", size=SMALL, align="middle")


def draw_key(board: Board, sheet: Sheet, left: float, right: float, y: float) -> float:
    """The strokes with their names, in lines; the end of them."""
    x = left
    for name, stroke in key_items(sheet):
        width = text_width(name, SMALL) + 34
        if x > left and x + width > right:
            x, y = left, y + 15
        _stroke(board, stroke, x, y)
        board.text(x + 24, y, name, "ink", size=SMALL)
        x += width + 8
    return y + 8


def _stroke(board: Board, stroke: str, x: float, y: float) -> None:
    if stroke == "area":
        board.rect(Box(x, y - 4, x + 18, y + 4), "held", opacity=0.32, edge="held")
    elif stroke == "line":
        board.line([x, x + 18], [y, y], "ink", width=1.2)
    elif stroke == "thin":
        board.line([x, x + 18], [y, y], "quiet", width=0.8, dash=(1.5, 1.5))
    else:
        board.line([x, x + 18], [y, y], "rust", width=1.2, dash=(5, 3))
