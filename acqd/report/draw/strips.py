"""Strips that share a time axis: a curve with its band, occupancy by hour, what was kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from acqd.measure.words import number_text
from acqd.report.draw.axes import (
    Axis,
    level_range,
    thinned,
    unit_text,
    value_ticks,
    with_gaps,
)
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import shortened
from acqd.report.shapes import GapShown, HeatChart, Strip
from acqd.report.words import FLAG_WORDS

__all__ = ["busiest", "draw_floor", "draw_heat", "draw_kept", "heat_names", "tone"]

Float = NDArray[np.float64]
SMALL = 10.0
MOST_ROWS = 12
"""Channels in the heat of a sheet; its own chart has all."""
DARKEST = 0.52
"""Opacity of the sea over paper at 100 %: ink on it keeps a contrast of 4.5, light and dark."""


def tone(share: float) -> float:
    """Opacity of a share: by its square root, since most channels are busy a few percent."""
    return DARKEST * float(np.sqrt(min(max(share, 0.0), 1.0)))


def draw_floor(
    board: Board, strip: Strip, time: Axis, top: float, gaps: Sequence[GapShown], height: float = 62
) -> float:
    """A curve with its band under its title and statement; where it ends."""
    head = unit_text(strip.title, strip.unit)
    board.text(time.first, top + 6, head, "ink", size=SMALL, bold=True)
    x = time.first + text_width(head, SMALL, True) + 10
    top += 17
    if text_width(strip.statement, SMALL) > time.last - x:
        # What does not fit beside the title has lines of its own.
        top = _wrapped(board, strip.statement, time.first, top - 2, time.last - time.first)
    elif strip.statement:
        board.text(x, top - 11, strip.statement, "quiet", size=SMALL)
    box = Box(time.first, top, time.last, top + height)
    values = [strip.value, *(one for one in (strip.low, strip.high) if one is not None)]
    inside = (strip.at_s >= time.low) & (strip.at_s <= time.high)
    level = Axis(*level_range([one[inside] for one in values]), box.y1, box.y0)
    ticks = value_ticks(level, 4)
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        y = level.at(value)
        board.line([box.x0, box.x1], [y, y], "rule", width=0.6)
        board.text(box.x0 - 8, y, text, "ink", size=SMALL, align="right")
    if strip.low is not None and strip.high is not None:
        at_s, low = with_gaps(strip.at_s, strip.low, gaps)
        _, high = with_gaps(strip.at_s, strip.high, gaps)
        at_s, low, high = _banded(at_s, low, high, time)
        board.area(time.px(at_s), level.px(low), level.px(high), "sea", opacity=0.2, clip=box)
    at_s, curve = thinned(*with_gaps(strip.at_s, strip.value, gaps), time)
    board.line(time.px(at_s), level.px(curve), "sea", width=1.3, clip=box)
    for at in _lonely(curve):
        board.dot(time.at(at_s[at]), level.at(curve[at]), 1.6, "sea")
    return box.y1


def _wrapped(board: Board, text: str, x: float, top: float, width: float) -> float:
    line = ""
    lines = []
    for word in text.split():
        if line and text_width(f"{line} {word}", SMALL) > width:
            lines.append(line)
            line = word
        else:
            line = f"{line} {word}".strip()
    for one in [*lines, line]:
        board.text(x, top + 5, shortened(one, width, SMALL), "quiet", size=SMALL)
        top += 13
    return top + 3


def _banded(at_s: Float, low: Float, high: Float, time: Axis) -> tuple[Float, Float, Float]:
    """A band of many points with the widest of each pixel."""
    pixels = max(int(abs(time.last - time.first)), 1)
    if at_s.size <= 2 * pixels:
        return at_s, low, high
    step = int(np.ceil(at_s.size / pixels))
    starts = np.arange(0, at_s.size, step)
    gone = np.logical_or.reduceat(np.isnan(low) | np.isnan(high), starts)
    least, most = np.fmin.reduceat(low, starts), np.fmax.reduceat(high, starts)
    return at_s[starts], np.where(gone, np.nan, least), np.where(gone, np.nan, most)


def _lonely(value: Float) -> list[int]:
    """Points without a neighbour, which a line would not show."""
    good = np.isfinite(value)
    left = np.concatenate([[False], good[:-1]])
    right = np.concatenate([good[1:], [False]])
    return [int(at) for at in np.flatnonzero(good & ~left & ~right)[:200]]


def busiest(heat: HeatChart, most: int) -> list[int]:
    """Rows to show, in the order given: all, or the ``most`` busiest."""
    count = len(heat.rows)
    if count <= most:
        return list(range(count))
    known = np.isfinite(heat.share)
    total = np.where(known, heat.share, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    order = np.argsort(-total, kind="stable")[:most]
    return sorted(int(at) for at in order)


def heat_names(heat: HeatChart) -> list[str]:
    """The channels that the sheet's heat shows, in the order of the plan."""
    return [heat.rows[at] for at in busiest(heat, MOST_ROWS)]


def draw_heat(
    board: Board,
    heat: HeatChart,
    time: Axis,
    top: float,
    *,
    most: int = MOST_ROWS,
    row_height: float = 16.0,
    with_interval: bool = False,
) -> float:
    """A row a channel, a cell an hour, in percent where there is room; where it ends."""
    rows = busiest(heat, most)
    head = f"{heat.title} [%]" if "%" not in heat.title else heat.title
    board.text(time.first, top + 6, head, "ink", size=SMALL, bold=True)
    x = time.first + text_width(head, SMALL, True) + 10
    said = "the stronger the colour, the busier"
    if np.isnan(heat.share[rows]).any():
        said += "; hatched where nobody can tell"
    heat, joined = _joined(heat, time)
    if joined > 1:
        said = f"a cell is the mean of {joined} h; {said}"
    if len(rows) < len(heat.rows):
        said = f"the {len(rows)} busiest of {len(heat.rows)} channels; {said}"
    top += 17
    if text_width(said, SMALL) > time.last - x:
        top = _wrapped(board, said, time.first, top - 2, time.last - time.first)
    else:
        board.text(x, top - 11, said, "quiet", size=SMALL)
    edges = np.clip(time.px(heat.column_edges_s), time.first, time.last)
    for place, row in enumerate(rows):
        y0 = top + place * row_height
        name = shortened(heat.rows[row], time.first - 10, SMALL)
        board.text(time.first - 8, y0 + row_height / 2, name, "ink", size=SMALL, align="right")
        for column, (x0, x1) in enumerate(pairwise(edges.tolist())):
            if x1 - x0 > 0.5:
                box = Box(x0, y0, x1, y0 + row_height)
                _cell(board, heat, row, column, box, with_interval)
    bottom = top + len(rows) * row_height
    if not rows:
        board.text(time.first, top + 6, "no channel was counted", "quiet", size=SMALL)
        return top + 14
    return bottom


def _joined(heat: HeatChart, time: Axis) -> tuple[HeatChart, int]:
    """Columns put together where one alone would be narrower than it can be seen, and how many."""
    columns = heat.share.shape[1]
    width = abs(time.at(heat.column_edges_s[-1]) - time.at(heat.column_edges_s[0])) / max(
        columns, 1
    )
    count = next(one for one in (1, 2, 3, 4, 6, 8, 12, 24, 48, 96, 10**9) if one * width >= 6.0)
    if count == 1 or columns < 2:
        return heat, 1
    starts = np.arange(0, columns, count)
    edges = heat.column_edges_s[[*starts.tolist(), columns]]
    known = np.isfinite(heat.share)
    number = np.add.reduceat(known, starts, axis=1, dtype=np.int64)
    total = np.add.reduceat(np.where(known, heat.share, 0.0), starts, axis=1)
    share = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    nothing = np.full_like(share, np.nan)
    return replace(heat, column_edges_s=edges, share=share, low=nothing, high=nothing), count


def _cell(
    board: Board, heat: HeatChart, row: int, column: int, box: Box, with_interval: bool
) -> None:
    share = float(heat.share[row, column])
    inner = Box(box.x0 + 0.5, box.y0 + 0.5, box.x1 - 0.5, box.y1 - 0.5)
    if not np.isfinite(share):
        board.rect(inner, "gap")
        board.hatch(inner, "held", step=7, width=0.6)
        return
    board.rect(inner, "sea", opacity=tone(share))
    text = percent(share)
    low, high = float(heat.low[row, column]), float(heat.high[row, column])
    if with_interval and np.isfinite(low + high):
        places = 1 if 0 < share < 0.0095 else 0
        longer = f"{text} ({100 * low:.{places}f}–{100 * high:.{places}f})"
        text = longer if text_width(longer, SMALL) + 6 <= box.width else text
    if text_width(text, SMALL) + 4 <= box.width:
        x, y = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2
        board.text(x, y, text, "ink", size=SMALL, align="middle")


def percent(share: float) -> str:
    """34; 0.4 below one; 0 for nothing at all."""
    value = 100 * share
    if value == 0 or value >= 0.95:
        return number_text(value, 0)
    return "<0.1" if value < 0.05 else f"{value:.1f}"


def draw_kept(
    board: Board, swept: Sequence[tuple[float, float]], frame: Frame, time: Axis, top: float
) -> float:
    """What was kept, and hatched what is missing; rust where it was not listened to."""
    box = Box(time.first, top, time.last, top + 12)
    board.text(time.first - 8, top + 6, "kept", "ink", size=SMALL, align="right")
    for from_s, to_s in swept:
        if to_s > time.low and from_s < time.high:
            board.rect(_part(box, time, from_s, to_s), "sea")
    for gap in frame.gaps:
        if gap.to_s >= time.low and gap.from_s <= time.high:
            part = _part(box, time, gap.from_s, gap.to_s, least=0.8)
            board.rect(part, "gap")
            board.hatch(part, "ink", step=5, width=0.8)
    for spell in frame.spells:
        if not spell.is_listening and spell.to_s >= time.low and spell.from_s <= time.high:
            part = _part(box, time, spell.from_s, spell.to_s, least=0.8)
            board.rect(Box(part.x0, part.y1 - 4, part.x1, part.y1), "rust")
    said = _kept_said(frame, time)
    if said:
        return _wrapped(board, said, time.first, top + 15, time.last - time.first) - 3
    return box.y1


def _kept_said(frame: Frame, time: Axis) -> str:
    parts = []
    if any(gap.to_s >= time.low and gap.from_s <= time.high for gap in frame.gaps):
        parts.append("hatched: due and not swept")
    for said, is_listening in (("barred: swept, not listened", False), ("bracketed", True)):
        whats = {one.what for one in frame.spells if one.is_listening == is_listening}
        words = sorted(FLAG_WORDS.get(what, what).partition(":")[0] for what in whats)
        if words:
            told = "; ".join(words)
            parts.append(f"{said}: {told}" if is_listening else f"{said} ({told})")
    return "; ".join(parts)


def _part(box: Box, time: Axis, from_s: float, to_s: float, *, least: float = 0.0) -> Box:
    x0 = min(max(time.at(from_s), box.x0), box.x1)
    x1 = min(max(time.at(to_s), box.x0), box.x1)
    if x1 - x0 < least:
        x1 = min(x0 + least, box.x1)
        x0 = x1 - least
    return Box(x0, box.y0, x1, box.y1)
