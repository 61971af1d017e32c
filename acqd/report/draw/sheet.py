"""The night sheet: time to the right, frequency upright, strips below on the same time axis."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.report.draw.axes import Axis, frequency_axis, time_axis, time_axis_height
from acqd.report.draw.board import Align, Board, Box, runs, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import grouped, shortened, wrapped
from acqd.report.draw.leaning import draw_leaning, draw_under, side_width
from acqd.report.draw.raster import evened, steps_of
from acqd.report.draw.scale import draw_scale
from acqd.report.draw.strips import draw_floor, draw_heat, draw_kept, heat_names
from acqd.report.shapes import GapShown, NoteShown, Sheet, Spell

__all__ = ["draw_sheet"]

SMALL = 10.0
MOST_COLUMNS = {"page": 900, "phone": 420}
MOST_ROWS = {"page": 500, "phone": 260}


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """Where the parts of a sheet stand."""

    picture: Box
    time: Axis
    frequency: Axis


def draw_sheet(sheet: Sheet, frame: Frame) -> Board:
    """The whole sheet. On a phone the spectrum stands below, and strips are floor and kept."""
    board = Board(width=frame.pixels)
    left = _left(sheet, frame)
    side = 0.0 if frame.is_phone else side_width(sheet)
    right = board.width - (14.0 if frame.is_phone else side + 14.0)
    top = 6.0 + (18.0 if frame.findings else 0.0) + (8.0 if frame.spells else 0.0)
    if not frame.is_phone:
        top = max(top, 34.0)
    picture = Box(left, top, right, top + (236.0 if frame.is_phone else 340.0))
    parts = Parts(
        picture=picture,
        time=Axis(*frame.span, picture.x0, picture.x1),
        frequency=_frequency(sheet, picture),
    )
    _picture(board, sheet, frame, parts)
    _frequency_marks(board, parts)
    happened = Box(picture.x0, 0.0, picture.x1, picture.y0)
    _happenings(board, frame, parts, happened)
    if not frame.is_phone:
        draw_leaning(
            board, sheet, parts.frequency, Box(right + 12, top, board.width - 4, picture.y1)
        )
    bottom = _notes(board, frame.notes, parts, picture.y1)
    below = bottom
    bottom = _strips(board, sheet, frame, parts, bottom)
    board.height = bottom
    if frame.is_phone:
        bottom = draw_under(board, sheet, bottom + 10, left, right)
        board.height = draw_scale(board, sheet, Box(left, bottom + 8, right, 0.0))
    else:
        scale = Box(right + 12, below + 8, board.width - 4, 0.0)
        board.height = max(bottom, draw_scale(board, sheet, scale, key=True))
    return board


def _left(sheet: Sheet, frame: Frame) -> float:
    """Room for what is named at the left."""
    ticks, _ = frequency_axis(_frequency(sheet, Box(0, 0, 1, 340)), 7)
    marks = max((text_width(one, SMALL) for one in ticks.texts), default=0.0) + 14.0
    if frame.is_phone or sheet.occupancy is None:
        return max(46.0, marks)
    names = heat_names(sheet.occupancy)
    widest = max((text_width(one, SMALL) for one in names), default=0.0)
    return max(58.0, marks, min(widest + 12.0, 110.0))


def _frequency(sheet: Sheet, picture: Box) -> Axis:
    low, high = float(sheet.row_edges_hz[0]), float(sheet.row_edges_hz[-1])
    if high <= low:
        low, high = low - 0.5, low + 0.5
    return Axis(low, high, picture.y1, picture.y0)


def _picture(board: Board, sheet: Sheet, frame: Frame, parts: Parts) -> None:
    """What was not swept, the levels, and what was swept without listening."""
    picture = parts.picture
    edges = np.asarray(sheet.column_edges_s, dtype=np.float64)
    column_s = float(edges[1] - edges[0]) if edges.size >= 2 else 0.0
    _gaps(board, [one for one in frame.gaps if one.to_s - one.from_s < column_s], parts)
    if edges.size >= 2 and edges[-1] > edges[0] and sheet.level.size:
        level = _cut(sheet.level, edges, parts.time)
        if level is not None:
            cells, kept = level
            cells = evened(cells, kept, MOST_COLUMNS[frame.width])
            rows = np.asarray(sheet.row_edges_hz, dtype=np.float64)
            if rows[-1] > rows[0]:
                cells = evened(cells.T, rows, MOST_ROWS[frame.width]).T
            steps = steps_of(cells, sheet.colour_low, sheet.colour_high)
            place = Box(parts.time.at(kept[0]), picture.y0, parts.time.at(kept[-1]), picture.y1)
            board.image(place, np.ascontiguousarray(steps.T[::-1]))
    # A cell that begins or ends within a gap reaches into it, and would be longer than was swept.
    _gaps(board, [one for one in frame.gaps if one.to_s - one.from_s >= column_s], parts)
    if not np.isfinite(sheet.level).any():
        middle = (picture.x0 + picture.x1) / 2
        board.text(
            middle, (picture.y0 + picture.y1) / 2, "nothing was swept", "quiet", align="middle"
        )
    for y in (picture.y0, picture.y1):
        board.line([picture.x0, picture.x1], [y, y], "rule", width=0.8)
    for x in (picture.x0, picture.x1):
        board.line([x, x], [picture.y0, picture.y1], "rule", width=0.8)


def _gaps(board: Board, gaps: Sequence[GapShown], parts: Parts) -> None:
    for gap in gaps:
        box = _across(parts, gap.from_s, gap.to_s)
        if box is not None:
            board.rect(box, "gap")


def _cut(
    level: NDArray[np.float32], edges: NDArray[np.float64], time: Axis
) -> tuple[NDArray[np.float32], NDArray[np.float64]] | None:
    """Columns that lie in the time axis, whole ones."""
    inside = (edges[1:] > time.low) & (edges[:-1] < time.high)
    at = np.flatnonzero(inside)
    if at.size == 0:
        return None
    kept = np.clip(edges[at[0] : at[-1] + 2], time.low, time.high)
    return level[at[0] : at[-1] + 1], kept


def _across(parts: Parts, from_s: float, to_s: float, *, least: float = 0.0) -> Box | None:
    """The picture's part from one time to another."""
    low, high = max(from_s, parts.time.low), min(max(to_s, from_s), parts.time.high)
    if high < low or from_s > parts.time.high or to_s < parts.time.low:
        return None
    x0, x1 = parts.time.at(low), parts.time.at(high)
    if x1 - x0 < least:
        middle = min(max((x0 + x1) / 2, parts.picture.x0 + least / 2), parts.picture.x1 - least / 2)
        x0, x1 = middle - least / 2, middle + least / 2
    return Box(x0, parts.picture.y0, x1, parts.picture.y1)


def _frequency_marks(board: Board, parts: Parts) -> None:
    axis, picture = parts.frequency, parts.picture
    ticks, unit = frequency_axis(axis, max(2, int(picture.height / 46)))
    board_y = [axis.at(value) for value in ticks.values]
    for y, text in zip(board_y, ticks.texts, strict=True):
        board.line([picture.x0 - 4, picture.x0], [y, y], "quiet", width=0.8)
        room = picture.x0 - 8
        y = min(max(y, picture.y0 + 4), picture.y1 - 4)
        board.text(room, y, shortened(text, room, SMALL), "ink", size=SMALL, align="right")
    # The unit stands above the highest mark, where nothing else does.
    y = picture.y0 - 10 if not board_y or min(board_y) < picture.y0 + 12 else picture.y0 + 4
    board.text(picture.x0 - 8, y, unit, "quiet", size=SMALL, align="right")


def _happenings(board: Board, frame: Frame, parts: Parts, above: Box) -> None:
    picture = parts.picture
    level = picture.y0 - (9.0 if frame.spells else 1.0)
    # Words of what was not listened to come first: they have to find room.
    for spell in sorted(frame.spells, key=lambda one: one.is_listening):
        _spell(board, spell, parts)
    shown = [
        (one, parts.time.at(one.at_s))
        for one in frame.findings
        if one.place is not None and parts.time.holds(one.at_s)
    ]
    for one, x in shown:
        board.line([x, x], [picture.y0, picture.y1], "deep", width=1.6, opacity=0.35)
        board.line([x, x], [picture.y0, picture.y1], "bright", width=0.7, opacity=0.9)
        board.line([x, x], [level - 2, picture.y0], "rust", width=1.0)
        if one.frequency_hz is not None and parts.frequency.holds(one.frequency_hz):
            y = parts.frequency.at(one.frequency_hz)
            board.dot(x, y, 4.2, "none", edge="deep")
            board.dot(x, y, 3.4, "none", edge="bright")
    numbers = [int(one.place or 0) for one, _ in shown]
    size = 12.0
    for group in grouped(
        numbers, [x for _, x in shown], size=size, low=above.x0 - 6, high=above.x1 + 8
    ):
        if len(group.x) > 1 or abs(group.at - group.x[0]) > 1:
            ends = [min(*group.x, group.at), max(*group.x, group.at)]
            board.line(ends, [level - 2, level - 2], "rust", width=1.0)
        board.text(group.at, level - 10, group.text, "rust", size=size, align="middle", bold=True)
    for gap in frame.gaps:
        box = _across(parts, gap.from_s, gap.to_s)
        if box is not None:
            _worded(board, box, gap.text, "ink", None, parts)


def _spell(board: Board, spell: Spell, parts: Parts) -> None:
    """Bracketed above; what was not listened to is hatched too, and told in words where they have
    room. The strip of what was kept names the rest, whose levels are good and stay in sight."""
    box = _across(parts, spell.from_s, spell.to_s, least=1.5)
    if box is None:
        return
    top = parts.picture.y0
    if box.width >= 4 and not spell.is_listening:
        # A dark line under each, so that the hatching shows on every level.
        board.hatch(box, "deep", step=9, width=2.2, opacity=0.45)
        board.hatch(box, "rust", step=9, width=1.1)
    for x in (box.x0, box.x1):
        board.line([x, x], [box.y0, box.y1], "rust", width=0.9)
    board.line([box.x0, box.x0, box.x1, box.x1], [top, top - 5, top - 5, top], "rust", width=1.6)
    if not spell.is_listening:
        _worded(board, box, spell.text, "rust", "paper", parts)


def _worded(
    board: Board, box: Box, text: str, colour: str, plate: str | None, parts: Parts
) -> None:
    """A reason in its stretch of time: lying, else upright, else left to the list below."""
    x, height = (box.x0 + box.x1) / 2, box.height
    width = text_width(text, SMALL)
    lines = wrapped(text, box.width - 14, SMALL) if box.width > 60 else []
    if 1 < len(lines) <= 4 and all(text_width(one, SMALL) <= box.width - 14 for one in lines):
        _worded_lines(board, box, lines, colour, plate, parts)
        return
    lying = width + 12 <= box.width
    if not lying and box.width < SMALL + 6:
        return
    if not lying and width > height - 16:
        text = shortened(text, height - 16, SMALL)
    for share in (0.5, 0.3, 0.7, 0.15, 0.85):
        y = box.y0 + share * height
        found = board.box_of(x, y, text, size=SMALL, align="middle", upright=not lying)
        if not found.within(parts.picture) or not board.is_free(found, by=4.0):
            continue
        board.text(x, y, text, colour, size=SMALL, align="middle", upright=not lying, plate=plate)
        return


def _worded_lines(
    board: Board, box: Box, lines: list[str], colour: str, plate: str | None, parts: Parts
) -> None:
    """The same in a few lines below each other."""
    x, widest = (box.x0 + box.x1) / 2, max(text_width(one, SMALL) for one in lines)
    tall = len(lines) * 13.0
    for share in (0.5, 0.3, 0.7, 0.15, 0.85):
        top = box.y0 + share * box.height - tall / 2
        room = Box(x - widest / 2 - 3, top - 2, x + widest / 2 + 3, top + tall + 1)
        if not room.within(parts.picture) or not board.is_free(room, by=3.0):
            continue
        if plate is not None:
            board.rect(room, plate)
        for at, line in enumerate(lines):
            board.text(x, top + 6.5 + at * 13.0, line, colour, size=SMALL, align="middle")
        return


def _notes(board: Board, notes: Sequence[NoteShown], parts: Parts, top: float) -> float:
    """Flags below the picture, their texts beside them where they have room; where it ends."""
    shown = sorted((one for one in notes if parts.time.holds(one.at_s)), key=lambda one: -one.at_s)
    # Each note has a pole at least so long; a text may cross none of them.
    poles = [Box(x - 1, top, x + 1, top + 17) for x in (parts.time.at(n.at_s) for n in shown)]
    deepest = 0
    for place, note in enumerate(shown):
        x = parts.time.at(note.at_s)
        flip = x > (parts.picture.x0 + parts.picture.x1) / 2
        flip = flip and text_width(note.text, SMALL) > parts.picture.x1 - x - 10
        room = (x - parts.picture.x0 if flip else parts.picture.x1 - x) - 10
        text = shortened(note.text, room, SMALL)
        align: Align = "right" if flip else "left"
        pole = Box(x - 1, top, x + 1, top + 17)
        for row in range(4):
            y = top + 12 + row * 14
            box = board.box_of(x + (-9 if flip else 9), y, text, size=SMALL, align=align)
            pole = Box(x - 1, top, x + 1, y + 5)
            others = poles[:place] + poles[place + 1 :]
            crossed = any(box.hits(other, by=2.0) for other in others)
            if text and not crossed and board.is_free(box, by=3.0) and board.is_free(pole, by=2.0):
                board.text(x + (-9 if flip else 9), y, text, "ink", size=SMALL, align=align)
                deepest = max(deepest, row)
                break
        else:
            pole = Box(x - 1, top, x + 1, top + 17)
        poles[place] = pole
        board.line([x, x], [pole.y0, pole.y1], "ink", width=0.9)
        y = pole.y1 - 5
        board.polygon([x, x + (-6 if flip else 6), x], [y - 4, y - 1, y + 2], "ink")
    return top + (20 + deepest * 14 if shown else 0)


def _strips(board: Board, sheet: Sheet, frame: Frame, parts: Parts, top: float) -> float:
    """Floor, occupancy and what was kept, then the time axis; the end of it all."""
    if sheet.floor is not None:
        top = draw_floor(board, sheet.floor, parts.time, top + 10, frame.gaps)
    if sheet.occupancy is not None and not frame.is_phone:
        top = draw_heat(board, sheet.occupancy, parts.time, top + 12)
    swept = _swept(sheet)
    top = draw_kept(board, swept, frame, parts.time, top + 12)
    time_axis(board, parts.time, top + 5, frame.zone)
    return top + 5 + time_axis_height(*frame.span, frame.zone)


def _swept(sheet: Sheet) -> list[tuple[float, float]]:
    """Stretches of time that have levels."""
    if not sheet.level.size:
        return []
    edges = sheet.column_edges_s
    there = np.asarray(np.isfinite(sheet.level).any(axis=1))
    return [(float(edges[one.start]), float(edges[one.stop])) for one in runs(there)]
