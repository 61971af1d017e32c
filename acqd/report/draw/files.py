"""Charts as files of their own: PNG, or SVG with the palette's own colours."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

from acqd.errors import WrongUsage
from acqd.look.palette import DARK, LIGHT
from acqd.look.times import clock
from acqd.report.draw.board import Board, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import shortened, wrapped
from acqd.report.draw.theme import fixed_colours, whole_svg
from acqd.report.shapes import Chart, Sheet

__all__ = ["SUFFIXES", "save_chart"]

SUFFIXES = (".png", ".svg")


def save_chart(
    chart: Chart,
    frame: Frame,
    path: str | Path,
    *,
    dark: bool,
    dpi: float,
    heading: Sequence[str],
) -> None:
    """What :func:`acqd.report.draw.save` says, for a chart in its frame.

    Raises:
        WrongUsage: the name ends in neither, or the file cannot be written.
    """
    from acqd.report.draw import board_of, title_of

    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise WrongUsage(f"{path}: a picture's name ends in .png or .svg")
    board = board_of(chart, frame)
    if isinstance(chart, Sheet):
        told(board, frame)
    board = headed(board, heading)
    palette = DARK if dark else LIGHT
    colours = fixed_colours(palette)
    if suffix == ".png":
        data = board.png(colours, dpi)
    else:
        data = whole_svg(
            board.svg_text(colours, "acqd"),
            prefix="acqd",
            title=title_of(chart),
            desc=chart.alt or title_of(chart),
            images=board.svg_images(),
            paper=palette.paper,
        ).encode("utf-8")
    beside = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        beside.write_bytes(data)
        beside.replace(path)
    except OSError as exc:
        beside.unlink(missing_ok=True)
        raise WrongUsage(f"{path}: cannot be written: {exc.strerror or exc}") from exc


def told(board: Board, frame: Frame) -> None:
    """The findings that have a number on the sheet, in sentences below it."""
    shown = sorted(
        (one for one in frame.findings if one.place is not None), key=lambda one: one.place or 0
    )
    if not shown:
        return
    seconds = frame.stop_s - frame.start_s < 3600
    y = board.height + 16.0
    board.text(14.0, y, "What happened", "ink", size=13.0, bold=True)
    y += 20.0
    for one in shown:
        board.text(14.0, y, str(one.place), "rust", bold=True)
        board.text(36.0, y, clock(one.at_s, frame.zone, seconds=seconds), "quiet")
        x = 100.0 if seconds else 80.0
        text = f"{one.text} (finding {one.number})"
        for line in wrapped(text, board.width - x - 14.0, board.size):
            board.text(x, y, shortened(line, board.width - x - 14.0, board.size), "ink")
            y += 15.0
        y += 2.0
    board.height = y


def headed(board: Board, heading: Sequence[str]) -> Board:
    """The board with lines above it, the first of them larger and bold."""
    if not heading:
        return board
    room = board.width - 28
    first, *rest = heading
    size = 15.0
    while text_width(first, size, True) > room and size > 10:
        size -= 1
    lines = [line for text in rest for line in wrapped(text, room, 11.0)]
    board.push_down(34.0 + 15.0 * len(lines))
    board.text(14.0, 18.0, shortened(first, room, size, True), "ink", size=size, bold=True)
    for at, line in enumerate(lines):
        board.text(14.0, 38.0 + at * 15.0, line, "quiet", size=11.0)
    return board
