"""Curves over frequency: spectra of a range, losses of a filter, reflection of an aerial."""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, log10

import numpy as np

from acqd.report.draw.axes import (
    Axis,
    Ticks,
    frequency_axis,
    level_range,
    raised,
    thinned,
    unit_text,
    value_ticks,
)
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import shortened, wrapped
from acqd.report.draw.leaning import deep
from acqd.report.draw.lines import (
    Plot,
    draw_bands,
    draw_key_of,
    draw_limits,
    draw_lines,
    draw_marks,
    draw_peaks,
    name_ends,
    name_limits,
)
from acqd.report.draw.scale import uncertainty_text
from acqd.report.shapes import CurveChart, Limit, Line, SpectrumChart

__all__ = [
    "aired",
    "draw_curve",
    "draw_spectrum",
    "draw_x_axis",
    "draw_y_axis",
    "names_width",
    "x_range",
    "y_margin",
]

SMALL = 10.0


def draw_curve(chart: CurveChart, frame: Frame) -> Board:
    """Curves with computed points named at them, limits and named ranges."""
    board = Board(width=frame.pixels)
    low, high = x_range(
        [one.x for one in chart.lines],
        [(one.start, one.stop) for one in chart.limits]
        + [(one.start, one.stop) for one in chart.bands],
        [one.x for one in chart.marks],
    )
    right = names_width(chart.lines, frame)
    top = _head(board, unit_text(chart.y_name, chart.y_unit), "", frame)
    if chart.bands:
        top += 26
    # Air for the names of marks: they stand clear of the curves.
    air = 0.12 if chart.marks else 0.0
    y_low, y_high = _y_range(chart)
    y_low, y_high = y_low - air * (y_high - y_low), y_high + air * (y_high - y_low)
    height = 250.0 if frame.is_phone else 330.0
    left = y_margin(y_low, y_high, height)
    box = Box(left, top, board.width - 14 - right, top + height)
    x = Axis(low, high, box.x0, box.x1, is_log=_is_log(chart.x_unit, low, high))
    first, last = (box.y0, box.y1) if chart.upside_down else (box.y1, box.y0)
    y = Axis(y_low, y_high, first, last)
    if x.is_log and chart.x_unit == "s":
        y = _by_ratios(chart, y)
    plot = Plot(box, x, y)
    draw_y_axis(board, plot)
    if chart.bands:
        draw_bands(board, plot, chart.bands, box.y0 - 26)
    taken = draw_limits(board, plot, chart.limits)
    busy = draw_lines(board, plot, chart.lines)
    left_out = draw_marks(board, plot, chart.marks, busy, taken, chart.y_unit)
    name_limits(board, plot, chart.limits, busy)
    bottom = draw_x_axis(board, plot, chart.x_unit)
    if right:
        name_ends(board, plot, chart.lines, Box(box.x1 + 4, box.y0, board.width - 4, box.y1))
    else:
        bottom = draw_key_of(board, chart.lines, 14.0, board.width - 14, bottom + 10)
    if left_out:
        said = f"{left_out} more marked; the table has them"
        board.text(box.x0, bottom + 8, said, "quiet", size=SMALL)
        bottom += 18
    _say_none(board, plot, chart.lines)
    board.height = bottom + 6
    return board


def draw_spectrum(chart: SpectrumChart, frame: Frame) -> Board:
    """Levels over frequency: each curve named at its end, channels above, the threshold dashed."""
    board = Board(width=frame.pixels)
    low, high = x_range([one.x for one in chart.lines], [], [])
    lines = [*chart.lines]
    if np.isfinite(chart.threshold) and not any(one.role == "threshold" for one in lines):
        lines.append(
            Line(
                name="threshold",
                x=np.array([low, high]),
                y=np.full(2, chart.threshold),
                role="threshold",
            )
        )
    right = names_width(lines, frame)
    said = f"at {chart.plane}" if chart.plane else ""
    accuracy = uncertainty_text(chart.level_u)
    top = _head(
        board, unit_text("level", chart.unit), ", ".join(p for p in (said, accuracy) if p), frame
    )
    bands = [one for one in chart.bands if one.stop >= low and one.start <= high]
    if chart.marks:
        top += 44
    elif bands:
        top += 26
    box = Box(52.0, top, board.width - 14 - right, top + (220 if frame.is_phone else 300))
    shown = [deep(one.y) if one.role == "low" else [one.y] for one in lines]
    level = level_range([part for parts in shown for part in parts])
    plot = Plot(box, Axis(low, high, box.x0, box.x1), Axis(*level, box.y1, box.y0))
    draw_y_axis(board, plot)
    if bands and not chart.marks:
        draw_bands(board, plot, bands, box.y0 - 26)
    for line in chart.lines:
        if line.role == "held":
            x, y = thinned(line.x, line.y, plot.x)
            floor = np.where(np.isfinite(y), box.y1, np.nan)
            board.area(plot.x.px(x), floor, plot.y.px(y), "held", opacity=0.2, clip=box)
    draw_lines(board, plot, lines)
    if chart.marks:
        draw_peaks(board, plot, chart.marks, box.y0 - 16)
    bottom = draw_x_axis(board, plot, "Hz")
    if right:
        name_ends(board, plot, lines, Box(box.x1 + 4, box.y0, board.width - 4, box.y1))
    else:
        bottom = draw_key_of(board, lines, 14.0, board.width - 14, bottom + 10)
    _say_none(board, plot, chart.lines)
    board.height = bottom + 6
    return board


def _head(board: Board, name: str, said: str, frame: Frame) -> float:
    """What stands upright, in words above its axis; where the plot may begin."""
    board.text(14.0, 12.0, name, "ink", size=SMALL, bold=True)
    if not said:
        return 30.0
    x = 14.0 + text_width(name, SMALL, True) + 10
    if text_width(said, SMALL) <= board.width - 14 - x:
        board.text(x, 12.0, said, "quiet", size=SMALL)
        return 30.0
    y = 27.0
    for line in wrapped(said, board.width - 28, SMALL):
        board.text(14.0, y, line, "quiet", size=SMALL)
        y += 14
    return y + 4


def names_width(lines: Sequence[Line], frame: Frame) -> float:
    """Room at the right for the names of curves; none on a phone, where they stand below."""
    names = [one.name for one in lines if one.name]
    if frame.is_phone or not names:
        return 0.0
    return min(max(text_width(one, SMALL) for one in names) + 38.0, 230.0)


def x_range(
    lines: Sequence[np.ndarray], ranges: Sequence[tuple[float, float]], points: Sequence[float]
) -> tuple[float, float]:
    """What the curves span; without curves what limits, bands and marks do; never of no width."""
    found = [np.asarray(one, dtype=np.float64).ravel() for one in lines]
    joined = np.concatenate(found) if found else np.empty(0)
    joined = joined[np.isfinite(joined)]
    if joined.size == 0:
        joined = np.array([*(end for pair in ranges for end in pair), *points], dtype=np.float64)
        joined = joined[np.isfinite(joined)]
    if joined.size == 0:
        return 0.0, 1.0
    low, high = float(joined.min()), float(joined.max())
    if high - low <= 1e-12 * max(abs(low), abs(high)):
        pad = max(abs(low) * 1e-4, 0.5)
        return low - pad, high + pad
    return low, high


def _by_ratios(chart: CurveChart, y: Axis) -> Axis:
    """A deviation over averaging times: by ratios too where it spans more than one decade."""
    found = [one.y for one in chart.lines]
    found += [part for one in chart.lines for part in (one.low, one.high) if part is not None]
    values = np.concatenate([np.asarray(one, float).ravel() for one in found])
    values = values[np.isfinite(values)]
    if values.size == 0 or values.min() <= 0 or values.max() < 10 * values.min():
        return y
    return Axis(float(values.min()) / 1.3, float(values.max()) * 1.3, y.first, y.last, True)


def aired(low: float, high: float, limits: Sequence[Limit]) -> tuple[float, float]:
    """The range with room beyond each limit for its hatching and its name."""
    room = 0.13 * (high - low)
    over = [one.level + room for one in limits if one.side == "below"]
    under = [one.level - room for one in limits if one.side == "above"]
    return min([low, *under]), max([high, *over])


def _is_log(unit: str, low: float, high: float) -> bool:
    """By ratios where decades are spanned: frequencies over two and a half of them, times over
    one and a half."""
    return low > 0 and high / low > (300 if unit == "Hz" else 30)


def _y_range(chart: CurveChart) -> tuple[float, float]:
    values: list[object] = [one.y for one in chart.lines]
    values += [one for line in chart.lines for one in (line.low, line.high) if one is not None]
    limits = [one.level for one in chart.limits]
    values += [np.array([one.y for one in chart.marks]), np.array(limits)]
    least = 1.0 if chart.y_unit in ("dB", "") else 1e-12
    if chart.y_unit not in ("dB", "dBm", ""):
        shown = np.concatenate([np.asarray(one, float).ravel() for one in values])
        shown = shown[np.isfinite(shown)]
        least = max(float(np.abs(shown).max()) * 1e-6, 1e-15) if shown.size else 1.0
    low, high = level_range([np.asarray(one, dtype=np.float64) for one in values], least=least)
    return aired(low, high, chart.limits)


def y_margin(low: float, high: float, height: float) -> float:
    """Room at the left for the figures of an upright axis."""
    axis, _ = _scaled(Axis(low, high, height, 0.0))
    ticks = value_ticks(axis, max(3, int(height / 42)))
    return max(52.0, max((text_width(one, SMALL) for one in ticks.texts), default=0.0) + 16.0)


def _scaled(axis: Axis) -> tuple[Axis, int]:
    """The axis in units of a power of ten, 0 where its figures are short without."""
    largest = max(abs(axis.low), abs(axis.high))
    if axis.is_log or largest >= 1e-3 or largest == 0:
        return axis, 0
    power = 3 * floor(log10(largest) / 3)
    scale = 10.0**power
    return Axis(axis.low / scale, axis.high / scale, axis.first, axis.last), power


def draw_y_axis(board: Board, plot: Plot) -> None:
    """The levels, figures or ratios of a curve, at the left; a power of ten is taken out of all."""
    axis, power = _scaled(plot.y)
    ticks = value_ticks(axis, max(3, int(plot.box.height / 42)))
    if power:
        board.text(plot.box.x0 + 4, plot.box.y0 - 5, f"×10{raised(power)}", "quiet", size=SMALL)
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        y = axis.at(value)
        board.line([plot.box.x0, plot.box.x1], [y, y], "rule", width=0.6)
        text = shortened(text, plot.box.x0 - 8, SMALL)
        board.text(plot.box.x0 - 6, y, text, "ink", size=SMALL, align="right")


def draw_x_axis(board: Board, plot: Plot, x_unit: str) -> float:
    """Marks below the plot with their unit; where it ends."""
    box, most = plot.box, max(2, int(plot.box.width / 78))
    if x_unit == "Hz":
        ticks, unit = frequency_axis(plot.x, most)
    else:
        ticks, unit = value_ticks(plot.x, most), "" if x_unit == "1" else x_unit
    board.line([box.x0, box.x1], [box.y1, box.y1], "quiet", width=0.8)
    _x_texts(board, plot, ticks)
    if unit:
        board.text((box.x0 + box.x1) / 2, box.y1 + 26, unit, "quiet", size=SMALL, align="middle")
    return box.y1 + 32


def _x_texts(board: Board, plot: Plot, ticks: Ticks) -> None:
    for value, text in zip(ticks.values, ticks.texts, strict=True):
        x = plot.x.at(value)
        board.line([x, x], [plot.box.y1, plot.box.y1 + 4], "quiet", width=0.8)
        x = board.kept_in(x, text, SMALL)
        where = board.box_of(x, plot.box.y1 + 12, text, size=SMALL, align="middle")
        if board.is_free(where, by=4.0):
            board.text(x, plot.box.y1 + 12, text, "ink", size=SMALL, align="middle")


def _say_none(board: Board, plot: Plot, lines: Sequence[Line]) -> None:
    if not any(np.isfinite(one.y).any() for one in lines):
        x, y = (plot.box.x0 + plot.box.x1) / 2, (plot.box.y0 + plot.box.y1) / 2
        board.text(x, y, "nothing was measured", "quiet", align="middle")
