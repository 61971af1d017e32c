"""Levels at single frequencies against their limits: a bar each, with its whisker and verdict."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.measure.words import number_text
from acqd.report.draw.axes import Axis, frequency_text, level_range, unit_text
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.curve import draw_x_axis, draw_y_axis, names_width, x_range
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import shortened, spread
from acqd.report.draw.lines import (
    Plot,
    draw_key_of,
    draw_limits,
    draw_lines,
    name_ends,
    name_limits,
)
from acqd.report.shapes import Bar, BarChart

__all__ = ["draw_bars"]

SMALL = 10.0
LINE = 13.0


@dataclass(frozen=True, slots=True)
class _Put:
    """A bar with its place on the board."""

    bar: Bar
    x: float
    half: float


def draw_bars(chart: BarChart, frame: Frame) -> Board:
    """With spectra behind, frequency is a true axis; without, the bars stand side by side."""
    board = Board(width=frame.pixels)
    board.text(14.0, 12.0, unit_text(chart.y_name, chart.y_unit), "ink", size=SMALL, bold=True)
    bars = [one for one in chart.bars if np.isfinite(one.value)]
    right = names_width(chart.lines, frame)
    box = Box(52.0, 30.0, board.width - 14 - right, 30.0 + (200 if frame.is_phone else 260))
    level = _levels(chart, bars)
    if chart.lines:
        low, high = x_range(
            [one.x for one in chart.lines] + [np.array([one.x for one in bars])], [], []
        )
        pad = 0.03 * (high - low)
        x = Axis(max(low - pad, 0.0), high + pad, box.x0, box.x1)
        bottom = box.y1
    else:
        x, bottom = Axis(0.0, max(float(len(bars)), 1.0), box.x0, box.x1), box.y1
    plot = Plot(box, x, Axis(*level, box.y1, box.y0))
    puts = _places(chart, bars, plot)
    draw_y_axis(board, plot)
    if chart.lines:
        draw_limits(board, plot, chart.limits)
    busy = draw_lines(board, plot, chart.lines)
    for put in puts:
        _draw_bar(board, plot, put, has_limits=bool(chart.limits and chart.lines))
    if chart.lines:
        bottom = draw_x_axis(board, plot, chart.x_unit)
    else:
        board.line([box.x0, box.x1], [box.y1, box.y1], "quiet", width=0.8)
    board_bottom = _words(board, chart, plot, puts, bottom + (6 if chart.lines else 2))
    if chart.lines:
        name_limits(board, plot, chart.limits, np.concatenate([busy, *_upright(plot, puts)]))
    if right:
        name_ends(board, plot, chart.lines, Box(box.x1 + 4, box.y0, board.width - 4, box.y1))
    elif chart.lines:
        board_bottom = draw_key_of(board, chart.lines, 14.0, board.width - 14, board_bottom + 10)
    if not puts:
        x_middle, y_middle = (box.x0 + box.x1) / 2, (box.y0 + box.y1) / 2
        board.text(x_middle, y_middle, "nothing was measured", "quiet", align="middle")
    board.height = board_bottom + 6
    return board


def _upright(plot: Plot, puts: list[_Put]) -> list[NDArray[np.float64]]:
    """Points that bars run through, for names to keep clear of."""
    found = []
    for put in puts:
        y = np.arange(min(plot.y.at(put.bar.value), plot.box.y1), plot.box.y1 + 1, 4.0)
        found.append(np.column_stack([np.full(y.size, put.x), y]))
    return found


def _levels(chart: BarChart, bars: list[Bar]) -> tuple[float, float]:
    values = [np.array([one.value for one in bars], dtype=np.float64)]
    values.append(np.array([one.value + (one.expanded or 0.0) for one in bars]))
    values.append(np.array([one.value - (one.expanded or 0.0) for one in bars]))
    values.append(np.array([one.limit for one in bars if one.limit is not None], dtype=np.float64))
    values.append(np.array([one.level for one in chart.limits], dtype=np.float64))
    values += [one.y for one in chart.lines]
    low, high = level_range(values, least=10.0)
    # The lowest bar is to be a bar too.
    return low - 0.12 * (high - low), high + 0.04 * (high - low)


def _places(chart: BarChart, bars: list[Bar], plot: Plot) -> list[_Put]:
    order = sorted(bars, key=lambda one: one.x)
    if chart.lines:
        return [_Put(one, plot.x.at(one.x), 4.0) for one in order]
    slot = plot.box.width / max(len(order), 1)
    half = min(slot * 0.22, 16.0)
    return [_Put(one, plot.box.x0 + (at + 0.5) * slot, half) for at, one in enumerate(order)]


def _draw_bar(board: Board, plot: Plot, put: _Put, *, has_limits: bool) -> None:
    bar, x, half = put.bar, put.x, put.half
    y = plot.y.at(bar.value)
    body = Box(x - half, y, x + half, plot.box.y1)
    board.rect(body, "sea", opacity=0.45, edge="sea")
    if _needs_look(bar):
        # Words say it beside; the hatching says it in black and white too.
        board.hatch(body, "rust", step=5, width=0.9)
    if bar.limit is not None and not has_limits:
        _own_limit(board, plot, put)
    if bar.bound is not None:
        _arrow(board, x, y, -1.0 if bar.bound == "at least" else 1.0)
    elif bar.expanded:
        ends = np.clip(
            plot.y.px([bar.value - bar.expanded, bar.value + bar.expanded]),
            plot.box.y0,
            plot.box.y1,
        )
        board.line([x, x], ends, "ink", width=1.3)
        for end in ends:
            board.line([x - 4, x + 4], [end, end], "ink", width=1.3)


def _needs_look(bar: Bar) -> bool:
    return bar.verdict not in ("", "pass")


def _own_limit(board: Board, plot: Plot, put: _Put) -> None:
    """A short line over the bar; the bar's guard band is its whisker below the limit."""
    bar = put.bar
    assert bar.limit is not None
    y = plot.y.at(bar.limit)
    reach = put.half + 8
    x0, x1 = max(put.x - reach, plot.box.x0), min(put.x + reach, plot.box.x1)
    board.hatch(Box(x0, max(y - 7, plot.box.y0), x1, y), "rust", step=4, width=0.7)
    if bar.expanded and bar.bound is None:
        guard = min(plot.y.at(bar.limit - bar.expanded), plot.box.y1)
        board.rect(Box(x0, y, x1, guard), "rust", opacity=0.12)
        board.line([x0, x1], [guard, guard], "rust", width=0.8, dash=(3, 2))
    board.line([x0, x1], [y, y], "rust", width=1.8)


def _arrow(board: Board, x: float, y: float, away: float) -> None:
    """Where it can only be said that the value is beyond."""
    tip = y + away * 16
    board.line([x, x], [y, tip], "ink", width=1.4)
    board.polygon([x - 4, x + 4, x], [tip, tip, tip + away * 6], "ink")


def _words(board: Board, chart: BarChart, plot: Plot, puts: list[_Put], top: float) -> float:
    """Name, figure and verdict below each bar; a list where they have no room side by side."""
    if not puts:
        return top
    told = [_told(chart, put.bar) for put in puts]
    widths = [max(text_width(text, SMALL) for text, _ in lines) + 12 for lines in told]
    low, high = 6.0, board.width - 6.0
    if sum(widths) <= high - low:
        places = spread([put.x for put in puts], widths, low, high)
        _lead(board, puts, places, top)
        for lines, x in zip(told, places, strict=True):
            for at, (text, colour) in enumerate(lines):
                y = top + 14 + at * LINE
                board.text(x, y, text, colour, size=SMALL, align="middle")
        return top + 14 + max(len(one) for one in told) * LINE
    return _words_listed(board, plot, puts, told, top)


def _words_listed(
    board: Board, plot: Plot, puts: list[_Put], told: list[list[tuple[str, str]]], top: float
) -> float:
    """Bars numbered at their tops, as far as numbers have room, and told in rows below in order
    of frequency; where they end."""
    numbers = [str(at + 1) for at in range(len(puts))]
    for put, number in zip(puts, numbers, strict=True):
        top_y = _top_of(plot, put.bar) - 8
        for y in (top_y, top_y - 12, top_y - 24, top_y - 36):
            box = board.box_of(put.x, y, number, size=SMALL, align="middle", bold=True)
            if y > plot.box.y0 - 8 and board.is_free(box):
                board.text(put.x, y, number, "ink", size=SMALL, align="middle", bold=True)
                break
    y = top + 14
    for number, lines in zip(numbers, told, strict=True):
        verdict, colour = lines[-1]
        board.text(14.0, y, number, "ink", size=SMALL, bold=True)
        room = board.width - 14 - 32 - text_width(verdict, SMALL) - 8
        text = shortened(", ".join(text for text, _ in lines[:-1]), room, SMALL)
        board.text(32.0, y, text, "ink", size=SMALL)
        board.text(board.width - 14, y, verdict, colour, size=SMALL, align="right")
        y += 15
    return y - 4


def _top_of(plot: Plot, bar: Bar) -> float:
    """The highest pixel of a bar with its whisker or arrow."""
    if bar.bound == "at least":
        return plot.y.at(bar.value) - 22
    return plot.y.at(bar.value + (bar.expanded or 0.0 if bar.bound is None else 0.0))


def _lead(board: Board, puts: list[_Put], places: list[float], top: float) -> None:
    """Lines from bars to their words, where these had to move."""
    for put, x in zip(puts, places, strict=True):
        if abs(put.x - x) > 2:
            board.line([put.x, x], [top - 2, top + 7], "rule", width=0.8)


def _told(chart: BarChart, bar: Bar) -> list[tuple[str, str]]:
    """Lines of a bar with their colours; the verdict last."""
    place = frequency_text(bar.x) if chart.x_unit == "Hz" else f"{bar.x:g} {chart.x_unit}"
    unit = "" if chart.y_unit in ("", "1") else f" {chart.y_unit}"
    value = f"{number_text(bar.value, 1)}{unit}"
    if bar.bound is not None:
        value = f"{bar.bound} {value}"
    elif bar.expanded is not None:
        value = f"{number_text(bar.value, 1)} ± {number_text(bar.expanded, 1)}{unit}"
    lines = [(bar.name, "ink")] if bar.name else []
    if place not in bar.name:
        lines.append((place, "quiet"))
    lines.append((value, "ink"))
    word = bar.verdict or "no limit"
    lines.append((word, "rust" if _needs_look(bar) else "sea" if bar.verdict else "quiet"))
    return lines
