"""Charts as files of their own: PNG, or SVG with the palette's own colours."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from acqd.errors import WrongUsage
from acqd.look.palette import DARK, LIGHT
from acqd.report.draw.board import Board, text_width
from acqd.report.draw.frame import Frame
from acqd.report.draw.labels import shortened, wrapped
from acqd.report.draw.theme import fixed_colours, whole_svg
from acqd.report.shapes import Chart

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
    from acqd.report.draw import board_of, title_of

    path = Path(path)
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise WrongUsage(f"{path}: a picture's name ends in .png or .svg")
    board = headed(board_of(chart, frame), heading)
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
    try:
        path.write_bytes(data)
    except OSError as exc:
        raise WrongUsage(f"{path}: cannot be written: {exc.strerror or exc}") from exc


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
