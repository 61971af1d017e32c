"""Axes: from values to pixels, round marks, and how they are drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.look.times import date, time_marks, zone_text
from acqd.measure.words import number_text
from acqd.report.draw.board import Board, Box, text_width
from acqd.report.shapes import GapShown

__all__ = [
    "Axis",
    "Ticks",
    "frequency_axis",
    "frequency_text",
    "level_range",
    "raised",
    "thinned",
    "time_axis",
    "time_axis_height",
    "unit_text",
    "value_ticks",
    "with_gaps",
]

Float = NDArray[np.float64]
SMALL = 10.0
"""Size of what stands at an axis."""


@dataclass(frozen=True, slots=True)
class Axis:
    """Values ``low`` to ``high`` on pixels ``first`` to ``last``, linear or by ratios."""

    low: float
    high: float
    first: float
    last: float
    is_log: bool = False

    def px(self, values: ArrayLike) -> Float:
        """Pixels; NaN stays NaN, and what is beyond the axis is beyond the pixels."""
        found = np.asarray(values, dtype=np.float64)
        low, high = self.low, self.high
        if self.is_log:
            with np.errstate(invalid="ignore", divide="ignore"):
                found, low, high = np.log10(found), log10(low), log10(high)
        return np.asarray(self.first + (found - low) / (high - low) * (self.last - self.first))

    def at(self, value: float) -> float:
        return float(self.px(value))

    def holds(self, value: float) -> bool:
        return self.low <= value <= self.high


@dataclass(frozen=True, slots=True)
class Ticks:
    """Where the marks of an axis are, by value, and what stands at each."""

    values: tuple[float, ...]
    texts: tuple[str, ...]


def value_ticks(axis: Axis, most: int) -> Ticks:
    """Round values on an axis, at most about ``most``."""
    if axis.is_log:
        return _log_ticks(axis)
    step = _step(axis.high - axis.low, most)
    first, last = ceil(axis.low / step - 1e-9), floor(axis.high / step + 1e-9)
    values = tuple(at * step for at in range(first, last + 1))
    places = max(0, -floor(log10(step) + 1e-9))
    if places and abs(step * 10**places - round(step * 10**places)) > 1e-6:
        places += 1
    return Ticks(values, tuple(number_text(one, places) for one in values))


def _step(span: float, most: int) -> float:
    raw = span / max(most, 1)
    power = 10.0 ** floor(log10(raw))
    return next(power * one for one in (1, 2, 5, 10) if power * one >= raw * 0.75)


def _log_ticks(axis: Axis) -> Ticks:
    low, high = floor(log10(axis.low)), ceil(log10(axis.high))
    parts = (1, 2, 5) if high - low <= 3 else (1,)
    values = [p * 10.0**at for at in range(low, high + 1) for p in parts]
    values = [one for one in values if axis.low * 0.999 <= one <= axis.high * 1.001]
    return Ticks(tuple(values), tuple(_power_text(one) for one in values))


def _power_text(value: float) -> str:
    """0.5 and 200 as they are, 2·10⁻¹⁰ beyond a thousandth and ten thousand."""
    if 0.9e-3 <= value < 2e4:
        return f"{value:g}"
    power = floor(log10(value) + 1e-9)
    first = round(value / 10.0**power)
    return f"10{raised(power)}" if first == 1 else f"{first}·10{raised(power)}"


def raised(power: int) -> str:
    """A whole number as it stands above another: ⁻¹⁰."""
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def frequency_unit(highest_hz: float) -> tuple[float, str]:
    """What frequencies are divided by on an axis that ends there, and the unit then."""
    for factor, unit in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")):
        if highest_hz >= factor * (2 if unit == "GHz" else 1):
            return factor, unit
    return 1.0, "Hz"


def frequency_axis(axis: Axis, most: int) -> tuple[Ticks, str]:
    """Marks of an axis in hertz, in the unit that fits, and that unit."""
    factor, unit = frequency_unit(max(abs(axis.low), abs(axis.high)))
    if axis.high - axis.low <= 1e-7 * max(abs(axis.low), abs(axis.high)):
        # Zero span: one frequency, however wide it is drawn.
        middle = (axis.low + axis.high) / 2
        return Ticks((middle,), (number_text(middle / factor, 6).rstrip("0").rstrip("."),)), unit
    scaled = Axis(axis.low / factor, axis.high / factor, axis.first, axis.last, axis.is_log)
    ticks = value_ticks(scaled, most)
    return Ticks(tuple(one * factor for one in ticks.values), ticks.texts), unit


def unit_text(name: str, unit: str) -> str:
    """``loss [dB]``, as it stands at an axis; ``SWR`` alone, since a ratio has no unit."""
    return name if unit in ("", "1") else f"{name} [{unit}]"


def frequency_text(hz: float) -> str:
    """156.8 MHz."""
    factor, unit = frequency_unit(abs(hz))
    return f"{hz / factor:.9g} {unit}".replace("-", "−")


def level_range(values: Sequence[ArrayLike], *, least: float = 4.0) -> tuple[float, float]:
    """The range of an axis that shows all of ``values`` with a little air; (0, 1) of none."""
    found = [np.asarray(one, dtype=np.float64).ravel() for one in values]
    joined = np.concatenate(found) if found else np.empty(0)
    joined = joined[np.isfinite(joined)]
    if joined.size == 0:
        return 0.0, 1.0
    low, high = float(joined.min()), float(joined.max())
    span = max(high - low, least)
    middle = (low + high) / 2
    if high - low < least:
        low, high = middle - least / 2, middle + least / 2
    return low - span * 0.06, high + span * 0.06


def thinned(x: ArrayLike, y: ArrayLike, axis: Axis) -> tuple[Float, Float]:
    """A curve of many points with two a pixel: the lowest and the highest, in their order.

    NaN breaks a curve before and after; a gap narrower than a pixel may close.
    """
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    pixels = max(int(abs(axis.last - axis.first)), 1)
    if xs.size <= 3 * pixels:
        return xs, ys
    bucket = np.clip(np.floor(np.abs(axis.px(xs) - axis.first)), -1, pixels).astype(np.int64)
    start = np.flatnonzero(np.diff(bucket, prepend=bucket[0] - 1))
    stop = np.append(start[1:], xs.size)
    keep: list[int] = []
    for a, b in zip(start.tolist(), stop.tolist(), strict=True):
        part = ys[a:b]
        good = np.flatnonzero(np.isfinite(part))
        if good.size == 0:
            keep.append(a)
            continue
        low = a + int(good[np.argmin(part[good])])
        high = a + int(good[np.argmax(part[good])])
        keep += sorted({low, high})
    at = np.array(keep, dtype=np.int64)
    return xs[at], ys[at]


def with_gaps(x: Float, y: Float, gaps: Sequence[GapShown]) -> tuple[Float, Float]:
    """NaN put in at each gap that lies between two points, so that no line bridges it."""
    xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    middles = np.array([(one.from_s + one.to_s) / 2 for one in gaps], dtype=np.float64)
    if middles.size == 0 or xs.size == 0:
        return xs, ys
    at = np.searchsorted(xs, middles)
    return np.insert(xs, at, middles), np.insert(ys, at, np.nan)


def time_axis_height(start_s: float, stop_s: float, zone: str) -> float:
    """Room that :func:`time_axis` takes below its line."""
    return 46.0 if _has_utc(start_s, stop_s, zone) else 33.0


def time_axis(board: Board, axis: Axis, top: float, zone: str, *, rules: Box | None = None) -> None:
    """Clock of the zone, dates below, and UTC where that is another clock.

    ``rules``: a rectangle in which thin lines go up from the marks.
    """
    most = max(2, int(abs(axis.last - axis.first) / 68))
    marks = [
        one for one in time_marks(axis.low, axis.high, zone, most=most) if axis.holds(one.at_s)
    ]
    marks = marks[:: max(1, ceil(len(marks) / (most * 1.5)))]
    board.line([axis.first, axis.last], [top, top], "quiet", width=0.8)
    for mark in marks:
        x = axis.at(mark.at_s)
        board.line([x, x], [top, top + 4], "quiet", width=0.8)
        if rules is not None:
            board.line([x, x], [rules.y0, rules.y1], "rule", width=0.6)
    _row(board, top + 11, axis, [(axis.at(one.at_s), one.text) for one in marks], "ink")
    _name(board, axis, top + 11, _zone_name(axis.low, zone))
    if not any(one.is_day and ":" not in one.text for one in marks) or len(marks) < 2:
        _row(board, top + 24, axis, [*_changes(axis, zone), *_dates(axis, zone)], "quiet")
    else:
        year = date(axis.low, zone).rsplit(" ", 1)[1]
        _row(board, top + 24, axis, [(axis.first, year)], "quiet")
    if _has_utc(axis.low, axis.high, zone):
        utc = time_marks(axis.low, axis.high, "UTC", most=most)
        shown = [(axis.at(one.at_s), one.text) for one in utc if axis.holds(one.at_s)]
        shown = shown[:: max(1, ceil(len(shown) / (most * 1.5)))]
        _row(board, top + 37, axis, shown, "quiet")
        _name(board, axis, top + 37, "UTC")


def _dates(axis: Axis, zone: str) -> list[tuple[float, str]]:
    """The day at the left, and each that begins within, where it begins."""
    begun = [one for one in _midnights(axis, zone) if axis.first + 1 < axis.at(one)]
    shown = [(axis.first, date(axis.low, zone))]
    for one in begun:
        day, year = date(one, zone).rsplit(" ", 1)
        said = shown[-1][1].endswith(year) or not shown[-1][1][-1].isdigit()
        shown.append((axis.at(one), day if said else f"{day} {year}"))
    return shown


def _changes(axis: Axis, zone: str) -> list[tuple[float, str]]:
    """Where the zone's clock is put forward or back, and what it is called from there on."""
    names = [_zone_name(axis.low, zone), _zone_name(axis.high, zone)]
    if names[0] == names[1]:
        return []
    low, high = axis.low, axis.high
    while high - low > 1.0:
        middle = (low + high) / 2
        low, high = (middle, high) if _zone_name(middle, zone) == names[0] else (low, middle)
    return [(axis.at(high), f"{names[1]} from here")]


def _midnights(axis: Axis, zone: str) -> list[float]:
    span = axis.high - axis.low
    if span < 1:
        return []
    most = max(1, ceil(span / 86400))
    marks = time_marks(axis.low, axis.high, zone, most=max(most, 24))
    return [one.at_s for one in marks if one.is_day and axis.holds(one.at_s)]


def _row(
    board: Board, y: float, axis: Axis, items: Sequence[tuple[float, str]], colour: str
) -> None:
    """Texts along a line, later ones left out where they would touch; ends stay within reach."""
    left, right = axis.first - 26, axis.last + 5
    for x, text in items:
        half = text_width(text, SMALL) / 2
        if colour == "quiet" and x - half < axis.first - 20:
            x = axis.first + half
        x = min(max(x, left + half), right - half)
        box = board.box_of(x, y, text, size=SMALL, align="middle")
        if board.is_free(Box(box.x0 - 5, box.y0, box.x1 + 5, box.y1), by=0.0):
            board.text(x, y, text, colour, size=SMALL, align="middle")


def _name(board: Board, axis: Axis, y: float, name: str) -> None:
    box = board.box_of(axis.first - 24, y, name, size=SMALL, align="right")
    if box.x0 >= 0 and board.is_free(Box(box.x0, box.y0, box.x1 + 4, box.y1), by=0.0):
        board.text(axis.first - 24, y, name, "quiet", size=SMALL, align="right")


def _zone_name(at_s: float, zone: str) -> str:
    """BST; UTC+3 where the zone's clock has no name."""
    return zone_text(at_s, zone).split(",")[0].replace(" ", "")


def _has_utc(start_s: float, stop_s: float, zone: str) -> bool:
    """Whether the zone's clock is another than UTC's; days alone need no second clock."""
    if stop_s - start_s > 6 * 86400:
        return False
    return any(not zone_text(at, zone).endswith("UTC") for at in (start_s, stop_s))
