"""Small plots in text: a sparkline, a bar, a spectrum with its axes, for the terminal.

All of them also come in plain ASCII, for where nobody can show blocks; :func:`can_show` tells of a
stream. Values that are NaN are gaps: spaces.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import floor, isfinite, log10
from typing import IO, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["bar", "can_show", "reduced", "sparkline", "spectrum_lines"]

BLOCKS = "▁▂▃▄▅▆▇█"
ASCII_BLOCKS = "_.-:=+*#"
EIGHTHS = " ▏▎▍▌▋▊▉█"

Float = NDArray[np.float64]


def can_show(stream: IO[Any]) -> bool:
    """Whether the encoding of a stream takes block characters."""
    encoding = getattr(stream, "encoding", None) or "ascii"
    try:
        (BLOCKS + EIGHTHS + "│└─┤−").encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def reduced(values: ArrayLike, width: int) -> Float:
    """At most ``width`` values: the highest of each stretch, so that no peak is lost.

    Stretches differ by one value in length at most; NaN where one has nothing else. Fewer values
    than ``width`` stay as they are.
    """
    found = np.asarray(values, dtype=np.float64).ravel()
    found = np.where(np.isfinite(found), found, np.nan)
    if width < 1:
        return np.empty(0)
    if found.size <= width:
        return found
    starts = (np.arange(width) * found.size) // width
    return np.asarray(np.fmax.reduceat(found, starts))


def sparkline(
    values: ArrayLike,
    width: int,
    low: float | None = None,
    high: float | None = None,
    *,
    ascii_only: bool = False,
) -> str:
    """A row of blocks, as high as the values: ``▁▂▃▄▅▆▇█``.

    Args:
        width: columns at most; of more values each column is the highest of its stretch.
        low, high: values of the lowest and the highest block; those of ``values`` where None.

    Values that are all alike are drawn half high; without any it is empty, or all spaces.
    """
    blocks = ASCII_BLOCKS if ascii_only else BLOCKS
    found = reduced(values, width)
    good = found[np.isfinite(found)]
    if good.size == 0:
        return " " * found.size
    low = float(good.min()) if low is None else low
    high = float(good.max()) if high is None else high
    if not high > low:
        return "".join(blocks[3] if isfinite(one) else " " for one in found.tolist())
    steps = np.clip((found - low) / (high - low) * len(blocks), 0, len(blocks) - 1)
    return "".join(blocks[int(step)] if isfinite(step) else " " for step in steps.tolist())


def bar(share: float | None, width: int, *, ascii_only: bool = False) -> str:
    """A bar ``width`` columns long, full to an eighth of a column: ``███▌      ``.

    Beyond 0 and 1 it is empty and full; what is more than nothing shows at least the thinnest
    stroke, what is less than all is not full. NaN and None are dots.
    """
    if share is None or share != share:
        return ("." if ascii_only else "·") * width
    share = min(max(share, 0.0), 1.0)
    if ascii_only:
        full = round(share * width)
        full = min(max(full, int(share > 0)), width - int(share < 1))
        return "#" * full + "-" * (width - full)
    eighths = floor(share * width * 8 + 0.5)
    eighths = min(max(eighths, int(share > 0)), width * 8 - int(share < 1))
    whole, rest = divmod(eighths, 8)
    text = "█" * whole + (EIGHTHS[rest] if rest else "")
    return text.ljust(width)


def spectrum_lines(
    frequency_hz: ArrayLike,
    level: ArrayLike,
    width: int,
    height: int,
    *,
    unit: str = "dBm",
    threshold: float | None = None,
    upside_down: bool = False,
    ascii_only: bool = False,
) -> list[str]:
    """A spectrum as ``height`` rows of blocks with its levels at the left and, in a row more, its
    frequencies below; ``width`` columns in all.

    Each column is the highest level of its points (the lowest where ``upside_down``, for losses,
    which are then drawn downwards from the top of the scale). The threshold is marked at the right
    edge. Without levels, or without room, there are no lines.
    """
    hz, levels = np.asarray(frequency_hz, float).ravel(), np.asarray(level, float).ravel()
    good = levels[np.isfinite(levels)]
    margin = _margin(good, unit)
    columns = width - margin - 4
    threshold = None if upside_down else threshold
    if good.size == 0 or columns < 8 or height < 2:
        return []
    signed = -levels if upside_down else levels
    found = reduced(signed, columns)
    low, high = _scale(found, threshold, whole=upside_down)
    rows = _rows(found, low, high, height, ascii_only)
    edge, corner, rule = ("|", "+", "-") if ascii_only else ("┤", "└", "─")
    sign = -1.0 if upside_down else 1.0
    marks = {0: sign * high, height - 1: sign * low}
    if height >= 5:
        marks[height // 2] = sign * (high - (high - low) * (height // 2 + 0.5) / height)
    at_threshold = None
    if threshold is not None:
        at_threshold = min(int((high - threshold) / (high - low) * height), height - 1)
    lines = []
    for at, row in enumerate(rows):
        text = _number(marks[at], ascii_only) if at in marks else ""
        if at == 0:
            text = f"{text} {unit}"
        tail = "" if at != at_threshold else (" <" if ascii_only else " ◂")
        lines.append(f"{text:>{margin}} {edge}{row}{tail}".rstrip())
    used = found.size
    lines.append(f"{'':>{margin}} {corner}{rule * used}")
    lines.append(f"{'':>{margin}}  {_frequencies(hz, used)}".rstrip())
    return lines


def _margin(good: Float, unit: str) -> int:
    if good.size == 0:
        return 8
    ends = (float(good.min()) - 10, float(good.max()) + 10)
    return max(len(f"{one:.0f}") for one in ends) + 1 + len(unit)


def _scale(found: Float, threshold: float | None, *, whole: bool) -> tuple[float, float]:
    """From the lowest (of noise, from below most of it) to the highest, on whole fives."""
    good = found[np.isfinite(found)]
    low, high = float(good.min() if whole else np.percentile(good, 5)), float(good.max())
    if threshold is not None:
        low, high = min(low, threshold), max(high, threshold)
    low, high = 5 * floor(low / 5), -5 * floor(-high / 5)
    return float(low), float(max(high, low + 10))


def _rows(found: Float, low: float, high: float, height: int, ascii_only: bool) -> list[str]:
    """Rows of blocks from the top; a level at or below the scale shows its lowest stroke."""
    eighths = np.clip(np.rint((found - low) / (high - low) * height * 8), 1, height * 8)
    rows = []
    for at in range(height - 1, -1, -1):
        part = eighths - at * 8
        row = []
        for one in part.tolist():
            if not isfinite(one) or one <= 0:
                row.append(" ")
            elif ascii_only:
                row.append("#" if one >= 4 else ".")
            else:
                row.append(BLOCKS[min(int(one), 8) - 1])
        rows.append("".join(row))
    return rows


def _number(value: float, ascii_only: bool) -> str:
    text = f"{value:.0f}"
    text = "0" if text == "-0" else text
    return text if ascii_only else text.replace("-", "−")


def _frequencies(hz: Float, columns: int) -> str:
    """Lowest at the left, highest at the right, the middle where it has room."""
    highest = float(np.abs(hz).max())
    factor, unit = next(
        (pair for pair in ((1e9, "GHz"), (1e6, "MHz"), (1e3, "kHz")) if highest >= pair[0]),
        (1.0, "Hz"),
    )
    span = float(hz.max() - hz.min()) / factor
    places = 3 if span <= 0 else max(0, min(6, 2 - floor(log10(span))))
    ends: Sequence[float] = (float(hz[0]), float((hz[0] + hz[-1]) / 2), float(hz[-1]))
    first, middle, last = (f"{one / factor:.{places}f}" for one in ends)
    last = f"{last} {unit}"
    if len(first) + len(last) + 1 > columns:
        return f"{first} to {last}"
    text = first.ljust(columns - len(last)) + last
    at = (columns - len(middle)) // 2
    if at > len(first) + 1 and at + len(middle) < columns - len(last) - 1:
        text = text[:at] + middle + text[at + len(middle) :]
    return text
