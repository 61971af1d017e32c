"""Where labels go, so that none stands on another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from acqd.report.draw.board import Board, Box, text_width

__all__ = ["Group", "crossed", "grouped", "place_near", "shortened", "spread", "wrapped"]

Float = NDArray[np.float64]


def spread(wanted: Sequence[float], sizes: Sequence[float], low: float, high: float) -> list[float]:
    """Middles of labels along a line, as near to ``wanted`` as they can be without touching.

    The order of ``wanted`` is kept (equal ones in the order given); least squares of the moves, by
    isotonic regression. They stay in [low, high] where they fit there.
    """
    if not wanted:
        return []
    order = sorted(range(len(wanted)), key=lambda at: wanted[at])
    size = np.array([sizes[at] for at in order])
    offset = np.concatenate([[0.0], np.cumsum((size[:-1] + size[1:]) / 2)])
    free = _isotonic(np.array([wanted[at] for at in order]) - offset)
    least, most = low + size[0] / 2, high - size[-1] / 2 - offset[-1]
    placed = np.clip(free, least, max(least, most)) + offset
    out = [0.0] * len(wanted)
    for at, value in zip(order, placed, strict=True):
        out[at] = float(value)
    return out


def _isotonic(values: Float) -> Float:
    """The nearest rising sequence (pool adjacent violators)."""
    blocks: list[list[float]] = []
    for value in values:
        blocks.append([float(value), 1.0])
        while len(blocks) > 1 and blocks[-2][0] > blocks[-1][0]:
            mean, count = blocks.pop()
            before, n = blocks[-1]
            blocks[-1] = [(before * n + mean * count) / (n + count), n + count]
    return np.concatenate([np.full(int(count), mean) for mean, count in blocks])


@dataclass(frozen=True, slots=True)
class Group:
    """Numbers that share a label: "3–5"."""

    numbers: tuple[int, ...]
    x: tuple[float, ...]
    at: float
    text: str


def grouped(
    numbers: Sequence[int],
    x: Sequence[float],
    *,
    size: float,
    low: float,
    high: float,
    bold: bool = True,
    apart: float = 5.0,
) -> list[Group]:
    """Numbers at their places along a line; those that would touch become one label."""
    order = sorted(range(len(numbers)), key=lambda at: (x[at], numbers[at]))
    groups = [_group([numbers[at]], [x[at]], size, low, high, bold) for at in order]
    merged = True
    while merged:
        merged = False
        out: list[Group] = []
        for group in groups:
            if out and _touch(out[-1], group, size, bold, apart):
                last = out.pop()
                group = _group(
                    [*last.numbers, *group.numbers], [*last.x, *group.x], size, low, high, bold
                )
                merged = True
            out.append(group)
        groups = out
    return groups


def _group(
    numbers: list[int], x: list[float], size: float, low: float, high: float, bold: bool
) -> Group:
    text = _numbers_text(sorted(numbers))
    half = text_width(text, size, bold) / 2
    at = min(max((x[0] + x[-1]) / 2, low + half), max(low + half, high - half))
    return Group(tuple(numbers), tuple(x), at, text)


def _numbers_text(numbers: list[int]) -> str:
    parts: list[list[int]] = []
    for one in numbers:
        if parts and one - parts[-1][-1] <= 1:
            parts[-1].append(one)
        else:
            parts.append([one])
    said = [
        str(p[0]) if p[0] == p[-1] else f"{p[0]}{'–' if p[-1] - p[0] > 1 else ', '}{p[-1]}"
        for p in parts
    ]
    return ", ".join(said)


def _touch(one: Group, other: Group, size: float, bold: bool, apart: float) -> bool:
    halves = (text_width(one.text, size, bold) + text_width(other.text, size, bold)) / 2
    return other.at - one.at < halves + apart


def shortened(text: str, width: float, size: float, bold: bool = False) -> str:
    """The text, or as much of it as has room, with an ellipsis."""
    if text_width(text, size, bold) <= width:
        return text
    for end in range(len(text) - 1, 0, -1):
        cut = text[:end].rstrip() + "…"
        if text_width(cut, size, bold) <= width:
            return cut
    return ""


def place_near(
    board: Board,
    x: float,
    y: float,
    lines: Sequence[str],
    *,
    within: Box,
    size: float,
    busy: Float,
    avoid: Sequence[Box] = (),
    near: float = 9.0,
    far: float = 190.0,
) -> tuple[float, Box] | None:
    """Room for some lines of text near a point, clear of texts and of ``busy`` points.

    ``busy`` is (n, 2) pixels of curves. With what the place costs; None where
    there is none within ``far``.
    """
    width = max(text_width(line, size) for line in lines)
    height = len(lines) * size * 1.25
    best: tuple[float, Box] | None = None
    for radius in (near, 16.0, 26.0, 40.0, 60.0, 85.0, 115.0, 150.0, far):
        for turn in range(16):
            dx, dy = np.cos(turn * np.pi / 8), -np.sin(turn * np.pi / 8)
            left = x + dx * radius - (0 if dx > 0.3 else width if dx < -0.3 else width / 2)
            top = y + dy * radius - (0 if dy > 0.3 else height if dy < -0.3 else height / 2)
            box = Box(left, top, left + width, top + height)
            if not box.within(within) or not board.is_free(box, by=3.0):
                continue
            if any(box.hits(other, by=2.0) for other in avoid):
                continue
            cost = crossed(busy, box) * 8.0 + radius
            if radius > near:
                # A leading line that runs through names or far along a curve misleads.
                cost += _led_through(board, avoid, busy, (x, y), box)
            if best is None or cost < best[0]:
                best = (cost, box)
        if best is not None and best[0] < radius + 14.0:
            break
    return best


def _led_through(
    board: Board, avoid: Sequence[Box], busy: Float, point: tuple[float, float], box: Box
) -> float:
    x = np.linspace(point[0], min(max(point[0], box.x0), box.x1), 12)[3:-1]
    y = np.linspace(point[1], min(max(point[1], box.y0), box.y1), 12)[3:-1]
    cost = 0.0
    for at_x, at_y in zip(x.tolist(), y.tolist(), strict=True):
        dot = Box(at_x - 1, at_y - 1, at_x + 1, at_y + 1)
        hit = any(dot.hits(other) for other in (*board.texts, *avoid))
        cost += 60.0 * hit + 4.0 * (crossed(busy, dot) > 0)
    return cost


def crossed(busy: Float, box: Box) -> float:
    """How many points of curves lie in a box."""
    if busy.size == 0:
        return 0.0
    x, y = busy[:, 0], busy[:, 1]
    hit = (x > box.x0 - 2) & (x < box.x1 + 2) & (y > box.y0 - 2) & (y < box.y1 + 2)
    return float(np.count_nonzero(hit))


def wrapped(text: str, width: float, size: float) -> list[str]:
    """Lines of words that fit a width; a word that does not stands alone."""
    lines: list[str] = []
    for word in text.split(" "):
        if lines and text_width(f"{lines[-1]} {word}", size) <= width:
            lines[-1] = f"{lines[-1]} {word}"
        else:
            lines.append(word)
    return lines
