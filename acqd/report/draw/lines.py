"""Curves with their names at their ends, limits with their guard bands, named ranges, marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.words import number_text
from acqd.report.draw.axes import Axis, thinned
from acqd.report.draw.board import Board, Box, runs, text_width
from acqd.report.draw.labels import crossed, place_near, shortened, spread, wrapped
from acqd.report.shapes import Band, Limit, Line, Mark

__all__ = [
    "Plot",
    "draw_bands",
    "draw_key_of",
    "draw_limits",
    "draw_lines",
    "draw_marks",
    "draw_peaks",
    "mark_lines",
    "name_ends",
    "name_limits",
]

Float = NDArray[np.float64]
SMALL = 10.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """How a role is drawn: no two look alike without colour."""

    colour: str
    width: float
    dash: tuple[float, ...] | None = None


STROKES: dict[str, Stroke] = {
    "now": Stroke("sea", 1.6),
    "last": Stroke("sea", 1.6),
    "first": Stroke("ink", 1.2, (6, 3)),
    "held": Stroke("held", 0.8),
    "mean": Stroke("ink", 1.2),
    "low": Stroke("quiet", 0.9, (1.5, 1.5)),
    "reference": Stroke("quiet", 1.2, (4, 2, 1, 2, 1, 2)),
    "threshold": Stroke("rust", 1.2, (5, 3)),
}
SPARE: tuple[tuple[float, ...] | None, ...] = (
    None, (7, 2), (2, 2), (7, 2, 2, 2), (12, 3), (1, 3), (3, 1, 1, 1, 1, 1),
)  # fmt: skip
"""For several lines of the same role."""


@dataclass(frozen=True, slots=True)
class Plot:
    """A rectangle with its two axes."""

    box: Box
    x: Axis
    y: Axis


def strokes_of(lines: Sequence[Line]) -> list[Stroke]:
    """The stroke of each line; those that share a role differ by their dashes."""
    seen: dict[str, int] = {}
    out = []
    for line in lines:
        stroke = STROKES[line.role]
        at = seen.get(line.role, 0)
        seen[line.role] = at + 1
        if at:
            others = [dash for dash in SPARE if dash != stroke.dash]
            colours = [one for one in ("sea", "ink", "quiet", "held") if one != stroke.colour]
            colour = ([stroke.colour, *colours])[at % (len(colours) + 1)]
            stroke = Stroke(colour, stroke.width, others[(at - 1) % len(others)])
        out.append(stroke)
    return out


def draw_lines(board: Board, plot: Plot, lines: Sequence[Line]) -> Float:
    """All lines, bands around them first; (n, 2) pixels that they run through."""
    busy: list[Float] = []
    for line, stroke in zip(lines, strokes_of(lines), strict=True):
        if line.low is not None and line.high is not None:
            x, low = thinned(line.x, line.low, plot.x)
            x_high, high = thinned(line.x, line.high, plot.x)
            if x.size != x_high.size or not np.array_equal(x, x_high):
                high = np.interp(x, x_high, high)
            board.area(
                plot.x.px(x),
                plot.y.px(low),
                plot.y.px(high),
                stroke.colour,
                opacity=0.18,
                clip=plot.box,
            )
    for line, stroke in zip(lines, strokes_of(lines), strict=True):
        xs, ys = thinned(line.x, line.y, plot.x)
        x, y = plot.x.px(xs), plot.y.px(ys)
        # Far beyond the box a renderer may lose its way.
        y = np.clip(y, plot.box.y0 - 2000, plot.box.y1 + 2000)
        width = min(stroke.width, 0.9) if _is_rough(x, y, plot.box) else stroke.width
        board.line(x, y, stroke.colour, width=width, dash=stroke.dash, clip=plot.box)
        _alone(board, plot, line, stroke.colour)
        busy.append(_sampled(x, y, plot.box))
    return np.concatenate(busy) if busy else np.empty((0, 2))


def _is_rough(x: Float, y: Float, box: Box) -> bool:
    """Noise, whose line would run into itself if it were wide."""
    with np.errstate(invalid="ignore"):
        return bool(np.nansum(np.abs(np.diff(y))) > 5.0 * box.width) and x.size > 100


def _alone(board: Board, plot: Plot, line: Line, colour: str) -> None:
    """Points without a neighbour, which no line shows, with what is around them."""
    x, y = plot.x.px(line.x), plot.y.px(line.y)
    for run in runs(np.isfinite(x) & np.isfinite(y)):
        at = run.start
        if run.stop - at != 1 or not _in(plot.box, x[at], y[at]):
            continue
        board.dot(float(x[at]), float(y[at]), 2.2, colour)
        if line.low is not None and line.high is not None:
            ends = plot.y.px([line.low[at], line.high[at]])
            board.line([x[at], x[at]], ends, colour, width=1.0, clip=plot.box)


def _in(box: Box, x: float, y: float) -> bool:
    return box.x0 <= x <= box.x1 and box.y0 <= y <= box.y1


def _sampled(x: Float, y: Float, box: Box, step: float = 4.0) -> Float:
    """Points along a curve, a few pixels apart, in the box."""
    out: list[Float] = []
    for run in runs(np.isfinite(x) & np.isfinite(y)):
        xs, ys = x[run], y[run]
        if xs.size == 1:
            out.append(np.column_stack([xs, ys]))
            continue
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(xs), np.diff(ys)))])
        count = int(min(max(along[-1] / step, 2), 20000))
        at = np.linspace(0.0, along[-1], count)
        out.append(np.column_stack([np.interp(at, along, xs), np.interp(at, along, ys)]))
    points = np.concatenate(out) if out else np.empty((0, 2))
    inside = (points[:, 1] >= box.y0) & (points[:, 1] <= box.y1)
    inside &= (points[:, 0] >= box.x0) & (points[:, 0] <= box.x1)
    return points[inside]


def name_ends(board: Board, plot: Plot, lines: Sequence[Line], room: Box) -> None:
    """Names at the right, each joined to where its curve ends, none on another."""
    named = [
        (one, stroke) for one, stroke in zip(lines, strokes_of(lines), strict=True) if one.name
    ]
    ends = [_end(plot, line) for line, _ in named]
    there = [(*pair, end) for pair, end in zip(named, ends, strict=True) if end is not None]
    texts = [_two_lines(line.name, room.x1 - room.x0 - 30) for line, _, _ in there]
    heights = [2.0 + 12.0 * len(one) for one in texts]
    places = spread([end[1] for _, _, end in there], heights, room.y0 - 5, room.y1 + 5)
    for (_, stroke, end), said, y in zip(there, texts, places, strict=True):
        x0 = room.x0
        board.line([end[0], x0, x0 + 7], [end[1], end[1], y], "rule", width=0.8)
        board.line([x0 + 8, x0 + 26], [y, y], stroke.colour, width=stroke.width, dash=stroke.dash)
        colour = stroke.colour if stroke.colour in ("ink", "sea", "rust", "quiet") else "ink"
        for at, text in enumerate(said):
            y_line = y + (at - (len(said) - 1) / 2) * 12
            board.text(x0 + 30, y_line, text, colour, size=SMALL)


def _two_lines(text: str, width: float) -> list[str]:
    lines = wrapped(text, width, SMALL)
    if len(lines) > 2:
        lines = [lines[0], shortened(" ".join(lines[1:]), width, SMALL)]
    return [shortened(one, width, SMALL) for one in lines]


def _end(plot: Plot, line: Line) -> tuple[float, float] | None:
    x, y = plot.x.px(line.x), plot.y.px(line.y)
    good = np.flatnonzero(np.isfinite(x) & np.isfinite(y) & (x >= plot.box.x0) & (x <= plot.box.x1))
    if good.size == 0:
        return None
    last = good[np.argmax(x[good])]
    return float(x[last]), float(np.clip(y[last], plot.box.y0, plot.box.y1))


def draw_key_of(board: Board, lines: Sequence[Line], left: float, right: float, y: float) -> float:
    """Strokes with names in rows, where there is no room beside the plot; its end."""
    x = left
    for line, stroke in zip(lines, strokes_of(lines), strict=True):
        if not line.name:
            continue
        text = shortened(line.name, right - left - 24, SMALL)
        width = 24 + text_width(text, SMALL)
        if x > left and x + width > right:
            x, y = left, y + 15
        board.line([x, x + 18], [y, y], stroke.colour, width=stroke.width, dash=stroke.dash)
        board.text(x + 24, y, text, "ink", size=SMALL)
        x += width + 12
    return y + 8


def draw_limits(board: Board, plot: Plot, limits: Sequence[Limit]) -> list[Box]:
    """Each limit as a line, hatched where the curve must not be, its guard band before it.

    Returns the room that they take, for labels to keep clear of.
    """
    taken: list[Box] = []
    for limit in limits:
        x0 = float(np.clip(plot.x.at(limit.start), plot.box.x0, plot.box.x1))
        x1 = float(np.clip(plot.x.at(limit.stop), plot.box.x0, plot.box.x1))
        x0, x1 = min(x0, x1), max(x0, x1)
        if x1 - x0 < 2:
            x0, x1 = max(x0 - 4, plot.box.x0), min(x1 + 4, plot.box.x1)
        y = plot.y.at(limit.level)
        if not plot.box.y0 - 1 <= y <= plot.box.y1 + 1:
            continue
        inwards = limit.level - limit.guard if limit.side == "below" else limit.level + limit.guard
        y_guard = float(np.clip(plot.y.at(inwards), plot.box.y0, plot.box.y1))
        away = -1.0 if y_guard > y or (y_guard == y and _is_up(plot.y, limit)) else 1.0
        y_far = float(np.clip(y + away * 9, plot.box.y0, plot.box.y1))
        board.hatch(Box(x0, min(y, y_far), x1, max(y, y_far)), "rust", step=5, width=0.8)
        if limit.guard > 0 and abs(y_guard - y) > 0.5:
            guard = Box(x0, min(y, y_guard), x1, max(y, y_guard))
            board.rect(guard, "rust", opacity=0.12)
            board.line([x0, x1], [y_guard, y_guard], "rust", width=0.8, dash=(3, 2))
        board.line([x0, x1], [y, y], "rust", width=1.8)
        taken.append(Box(x0, min(y, y_guard, y_far), x1, max(y, y_guard, y_far)))
    return taken


def name_limits(board: Board, plot: Plot, limits: Sequence[Limit], busy: Float) -> None:
    """Each limit's name beside it, off the curves where that can be."""
    for limit, box in _named(plot, limits):
        _name_limit(board, plot, limit, box, busy)


def _is_up(y: Axis, limit: Limit) -> bool:
    """Whether the forbidden side is upwards on the board."""
    return (limit.side == "below") == (y.last < y.first)


def _named(plot: Plot, limits: Sequence[Limit]) -> list[tuple[Limit, Box]]:
    """Each name once, at the widest of the limits that share it."""
    widest: dict[str, tuple[float, Limit, Box]] = {}
    for limit in limits:
        y = plot.y.at(limit.level)
        if not limit.name or not plot.box.y0 - 1 <= y <= plot.box.y1 + 1:
            continue
        x0, x1 = sorted(np.clip(plot.x.px([limit.start, limit.stop]), plot.box.x0, plot.box.x1))
        if limit.name not in widest or x1 - x0 > widest[limit.name][0]:
            widest[limit.name] = (x1 - x0, limit, Box(float(x0), y, float(x1), y))
    return [(limit, box) for _, limit, box in widest.values()]


def _name_limit(board: Board, plot: Plot, limit: Limit, box: Box, busy: Float) -> None:
    """Its name on the forbidden side, past the hatching; else on the other."""
    text = shortened(limit.name, plot.box.width - 8, SMALL)
    up = -1.0 if _is_up(plot.y, limit) else 1.0
    half = text_width(text, SMALL) / 2
    best: tuple[float, float, float] | None = None
    inwards = limit.level - limit.guard if limit.side == "below" else limit.level + limit.guard
    guard = abs(plot.y.at(inwards) - box.y0)
    for away in (17.0, 30.0, -guard - 10.0, -guard - 23.0):
        for share in (0.5, 0.2, 0.8, 0.05, 0.95):
            x = box.x0 + share * box.width
            x = min(max(x, plot.box.x0 + half + 3), plot.box.x1 - half - 3)
            y = box.y0 + up * away
            found = board.box_of(x, y, text, size=SMALL, align="middle")
            if found.within(plot.box) and board.is_free(found, by=4.0):
                cost = crossed(busy, found) * 10 + abs(away) + abs(share - 0.5) * 10
                best = min(best or (cost, x, y), (cost, x, y))
    if best is not None:
        where = board.box_of(best[1], best[2], text, size=SMALL, align="middle")
        if crossed(busy, where):
            # Readable over a curve, which still shows through.
            board.rect(
                Box(where.x0 - 2, where.y0 - 1, where.x1 + 2, where.y1 + 1), "paper", opacity=0.8
            )
        board.text(best[1], best[2], text, "rust", size=SMALL, align="middle")


def draw_bands(board: Board, plot: Plot, bands: Sequence[Band], top: float) -> None:
    """Named ranges: a bracket above the plot and a tint within; names where they have room."""
    wanted: list[tuple[float, str]] = []
    for band in bands:
        x0, x1 = sorted(np.clip(plot.x.px([band.start, band.stop]), plot.box.x0, plot.box.x1))
        if max(band.start, band.stop) < plot.x.low or min(band.start, band.stop) > plot.x.high:
            continue
        x1 = max(x1, x0 + 1.0)
        board.rect(Box(float(x0), plot.box.y0, float(x1), plot.box.y1), "sea", opacity=0.08)
        board.line([x0, x0, x1, x1], [top + 24, top + 20, top + 20, top + 24], "sea", width=1.0)
        wanted.append((float(x0 + x1) / 2, band.name))
    _names_along(board, wanted, plot.box.x0 - 4, plot.box.x1 + 4, top)


def _names_along(
    board: Board, wanted: list[tuple[float, str]], low: float, high: float, y: float
) -> None:
    """As many names as fit side by side, evenly chosen."""
    shown = [one for one in wanted if one[1]]
    while shown and sum(text_width(name, SMALL) + 8 for _, name in shown) > high - low:
        shown = shown[::2] if len(shown) > 8 else shown[:-1]
    places = spread([x for x, _ in shown], [text_width(n, SMALL) + 8 for _, n in shown], low, high)
    for (wanted_x, name), x in zip(shown, places, strict=True):
        if abs(x - wanted_x) > 3:
            board.line([wanted_x, x], [y + 20, y + 12], "sea", width=0.7)
        board.text(x, y + 6, name, "sea", size=SMALL, align="middle")


def mark_lines(mark: Mark, unit: str) -> list[str]:
    """What stands at a mark: its text, and ± U on a line of its own where the text has none."""
    lines = [part for part in mark.text.split("\n") if part]
    if mark.expanded is not None and "±" not in mark.text:
        said = "" if unit in ("", "1") else f" {unit}"
        lines.append(f"± {number_text(mark.expanded, 2 if mark.expanded < 1 else 1)}{said}")
    return lines or [number_text(mark.y, 2)]


def draw_marks(
    board: Board, plot: Plot, marks: Sequence[Mark], busy: Float, avoid: Sequence[Box], unit: str
) -> int:
    """Computed points with their names beside them; how many names found no room."""
    shown = [one for one in marks if plot.x.holds(one.x) and np.isfinite(one.y)]
    points = [
        (plot.x.at(one.x), float(np.clip(plot.y.at(one.y), plot.box.y0, plot.box.y1)))
        for one in shown
    ]
    taken = [*avoid, *(Box(x - 4, y - 4, x + 4, y + 4) for x, y in points)]
    for mark, (x, y) in zip(shown, points, strict=True):
        if mark.expanded is not None and mark.expanded > 0:
            ends = np.clip(
                plot.y.px([mark.y - mark.expanded, mark.y + mark.expanded]),
                plot.box.y0,
                plot.box.y1,
            )
            board.line([x, x], ends, "ink", width=1.0)
            for end in ends:
                board.line([x - 3, x + 3], [end, end], "ink", width=1.0)
        board.dot(x, y, 3.2, "paper", edge="ink")
        board.dot(x, y, 1.6, "ink")
    texts = [mark_lines(mark, unit) for mark in shown]
    boxes = _best_places(board, plot, points, texts, busy, taken)
    for (x, y), lines, box in zip(points, texts, boxes, strict=True):
        if box is not None:
            _named_mark(board, x, y, lines, box)
    return sum(box is None for box in boxes)


def draw_peaks(board: Board, plot: Plot, marks: Sequence[Mark], bottom: float) -> int:
    """Signals named in a row above the plot, each led to its peak; how many had no room.

    They stand in order of frequency, so that no two leading lines cross; where not all have room
    it is the last of ``marks`` that are left out.
    """
    shown = [one for one in marks if plot.x.holds(one.x) and np.isfinite(one.y)]
    count = len(shown)
    low, high = max(plot.box.x0 - 30, 4.0), min(plot.box.x1 + 30, board.width - 4)

    def widths() -> list[float]:
        return [max(text_width(t, SMALL) for t in one.text.split("\n")) + 10 for one in shown]

    while shown and sum(widths()) > high - low:
        shown.pop()
    places = spread([plot.x.at(one.x) for one in shown], widths(), low, high)
    for mark, place in zip(shown, places, strict=True):
        x, y = plot.x.at(mark.x), plot.y.at(mark.y)
        lines = mark.text.split("\n")
        board.line([place, x, x], [bottom, bottom + 14, y - 5], "held", width=0.7)
        board.dot(x, y, 3.0, "paper", edge="ink")
        for at, text in enumerate(lines):
            y_line = bottom - 7 - (len(lines) - 1 - at) * 12.5
            colour = "ink" if at == 0 else "quiet"
            board.text(place, y_line, text, colour, size=SMALL, align="middle")
    return count - len(shown)


def _best_places(
    board: Board,
    plot: Plot,
    points: Sequence[tuple[float, float]],
    texts: Sequence[list[str]],
    busy: Float,
    taken: Sequence[Box],
) -> list[Box | None]:
    """Names placed one after the other, in the order of a few that costs least."""
    count = len(points)
    rising = sorted(range(count), key=lambda at: points[at][0])
    orders = [
        list(range(count)),
        rising,
        rising[::-1],
        *(rising[at:] + rising[:at] for at in range(1, min(count, 8))),
    ]
    best: tuple[float, list[Box | None]] | None = None
    for order in orders if count <= 16 else orders[:2]:
        boxes: list[Box | None] = [None] * count
        cost = 0.0
        put: list[Box] = []
        led: list[Box] = []
        for at in order:
            x, y = points[at]
            found = place_near(
                board,
                x,
                y,
                texts[at],
                within=plot.box,
                size=SMALL,
                busy=busy,
                avoid=[*taken, *put, *led],
            )
            if found is None:
                cost += 1000.0
                continue
            cost += found[0]
            boxes[at] = found[1]
            put.append(found[1])
            led += _lead_of(x, y, found[1])
        if best is None or cost < best[0]:
            best = (cost, boxes)
    return [] if best is None else best[1]


def _lead_of(x: float, y: float, box: Box) -> list[Box]:
    """Small boxes along the line that leads from a label to its point."""
    to_x, to_y = min(max(x, box.x0 - 2), box.x1 + 2), min(max(y, box.y0 - 1), box.y1 + 1)
    length = float(np.hypot(to_x - x, to_y - y))
    if length <= 12:
        return []
    steps = np.linspace(0.0, 1.0, max(int(length / 4), 2))[1:-1].tolist()
    return [
        Box(
            x + s * (to_x - x) - 1,
            y + s * (to_y - y) - 1,
            x + s * (to_x - x) + 1,
            y + s * (to_y - y) + 1,
        )
        for s in steps
    ]


def _named_mark(board: Board, x: float, y: float, lines: Sequence[str], box: Box) -> None:
    """The lines in their box, led to where they belong if that is not near."""
    nearest_x = min(max(x, box.x0 - 2), box.x1 + 2)
    nearest_y = min(max(y, box.y0 - 1), box.y1 + 1)
    if np.hypot(nearest_x - x, nearest_y - y) > 12:
        board.line([x, nearest_x], [y, nearest_y], "quiet", width=0.7)
    for at, text in enumerate(lines):
        y_line = box.y0 + (at + 0.5) * SMALL * 1.25
        if nearest_x > box.x1:
            board.text(box.x1, y_line, text, "ink", size=SMALL, align="right")
        else:
            board.text(box.x0, y_line, text, "ink", size=SMALL)
