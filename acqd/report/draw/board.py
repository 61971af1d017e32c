"""A board to draw on, in pixels from the upper left corner, that knows where its texts stand.

What is drawn is kept as a list and handed to matplotlib at the end, when the height is known. Text
boxes are kept, so that what comes later can keep clear of them, and a test can see that it does.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from io import BytesIO
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from acqd.report.draw.raster import data_uri, rgba
from acqd.report.draw.theme import FONT

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.figure import Figure

__all__ = ["Align", "Board", "Box", "runs", "text_width"]

Align = Literal["left", "middle", "right"]

ASCENT, DESCENT = 0.76, 0.24
"""Of the size: a text's box from its base line."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle in pixels, y downwards."""

    x0: float
    y0: float
    x1: float
    y1: float
    text: str = ""

    def hits(self, other: Box, *, by: float = 0.0) -> bool:
        """Whether the two overlap, or come nearer than ``by``."""
        return (
            self.x0 < other.x1 + by
            and other.x0 < self.x1 + by
            and self.y0 < other.y1 + by
            and other.y0 < self.y1 + by
        )

    def within(self, other: Box) -> bool:
        return (
            self.x0 >= other.x0
            and self.x1 <= other.x1
            and self.y0 >= other.y0
            and self.y1 <= other.y1
        )

    @property
    def width(self) -> float:
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        return self.y1 - self.y0


@lru_cache(maxsize=8192)
def text_width(text: str, size: float, bold: bool = False) -> float:
    """Width of a text in pixels, in the typeface that figures are laid out with."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import TextToPath

    prop = FontProperties(family=FONT, size=size, weight="bold" if bold else "normal")
    width, _, _ = TextToPath().get_text_width_height_descent(text, prop, ismath=False)
    return float(width)


@dataclass(frozen=True, slots=True)
class _Pen:
    """What an artist needs to know when it is made at last."""

    place: Any
    colours: Mapping[str, str]
    as_svg: bool

    def __call__(self, role: str) -> str:
        return self.colours.get(role, role)


@dataclass(slots=True)
class Board:
    """What is drawn so far. ``height`` grows as it is set."""

    width: float
    height: float = 0.0
    size: float = 11.0
    """Of texts, in pixels."""
    texts: list[Box] = field(default_factory=list)
    images: list[tuple[Box, NDArray[np.uint8], bool]] = field(default_factory=list)
    _drawn: list[Callable[[_Pen], Artist]] = field(default_factory=list)
    _moved: list[tuple[int, float]] = field(default_factory=list)

    # -- shapes ----------------------------------------------------------------------------------

    def line(
        self,
        x: ArrayLike,
        y: ArrayLike,
        colour: str = "ink",
        *,
        width: float = 1.0,
        dash: Sequence[float] | None = None,
        opacity: float = 1.0,
        clip: Box | None = None,
    ) -> None:
        """A line; NaN breaks it. ``dash`` is on, off, ... in pixels."""
        xs, ys = np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))

        def make(pen: _Pen) -> Artist:
            from matplotlib.lines import Line2D

            made = Line2D(
                xs, ys, color=pen(colour), linewidth=width, alpha=None if opacity == 1 else opacity
            )
            made.set_solid_capstyle("butt")
            made.set_solid_joinstyle("round")
            if dash is not None:
                made.set_linestyle((0, tuple(part / width for part in dash)))
            return _placed(made, pen, clip)

        self._drawn.append(make)

    def polygon(
        self,
        x: ArrayLike,
        y: ArrayLike,
        colour: str,
        *,
        opacity: float = 1.0,
        edge: str | None = None,
        edge_width: float = 1.0,
        clip: Box | None = None,
    ) -> None:
        points = np.column_stack([np.asarray(x, float), np.asarray(y, float)])

        def make(pen: _Pen) -> Artist:
            from matplotlib.patches import Polygon

            made = Polygon(
                points,
                closed=True,
                facecolor=pen(colour) if colour != "none" else "none",
                edgecolor="none" if edge is None else pen(edge),
                linewidth=0 if edge is None else edge_width,
                alpha=None if opacity == 1 else opacity,
            )
            return _placed(made, pen, clip)

        self._drawn.append(make)

    def area(
        self,
        x: ArrayLike,
        low: ArrayLike,
        high: ArrayLike,
        colour: str,
        *,
        opacity: float = 1.0,
        clip: Box | None = None,
        upright: bool = False,
    ) -> None:
        """Between two curves; NaN in either parts it. ``upright``: x runs down, levels right."""
        xs, lows, highs = (np.asarray(one, float) for one in (x, low, high))
        good = np.isfinite(xs) & np.isfinite(lows) & np.isfinite(highs)
        for run in runs(good):
            along = np.concatenate([xs[run], xs[run][::-1]])
            across = np.concatenate([lows[run], highs[run][::-1]])
            if run.stop - run.start == 1:
                # One point alone would have no width.
                along = along + np.array([-0.5, 0.5])
                along = np.concatenate([along, along[::-1]])
                across = np.repeat(across, 2)
            first, second = (across, along) if upright else (along, across)
            self.polygon(first, second, colour, opacity=opacity, clip=clip)

    def rect(self, box: Box, colour: str, *, opacity: float = 1.0, edge: str | None = None) -> None:
        self.polygon(
            [box.x0, box.x1, box.x1, box.x0],
            [box.y0, box.y0, box.y1, box.y1],
            colour,
            opacity=opacity,
            edge=edge,
        )

    def dot(
        self, x: float, y: float, radius: float, colour: str, *, edge: str | None = None
    ) -> None:
        turn = np.linspace(0, 2 * np.pi, 25)[:-1]
        self.polygon(x + radius * np.cos(turn), y + radius * np.sin(turn), colour, edge=edge)

    def hatch(
        self,
        box: Box,
        colour: str,
        *,
        step: float = 6.0,
        width: float = 0.8,
        opacity: float = 1.0,
        falling: bool = False,
    ) -> None:
        """Slanting lines in a rectangle, as one broken line."""
        if box.width <= 0 or box.height <= 0:
            return
        span = box.width + box.height
        start = np.arange(step / 2, span, step)
        # Along the upper then the right edge, to the left then the lower one.
        x_a, y_a = np.minimum(start, box.width), np.maximum(start - box.width, 0)
        x_b, y_b = np.maximum(start - box.height, 0), np.minimum(start, box.height)
        if falling:
            x_a, x_b = box.width - x_a, box.width - x_b
        gap = np.full_like(start, np.nan)
        self.line(
            box.x0 + np.column_stack([x_a, x_b, gap]).ravel(),
            box.y0 + np.column_stack([y_a, y_b, gap]).ravel(),
            colour,
            width=width,
            opacity=opacity,
        )

    def image(self, box: Box, steps: NDArray[np.uint8]) -> None:
        """(height, width) steps of :mod:`acqd.report.draw.raster`, the top row first."""
        at = len(self.images)
        # Few cells stay cells; many are blended, so that none is left out.
        crisp = steps.shape[1] <= box.width * 1.5 and steps.shape[0] <= box.height * 2
        self.images.append((box, steps, crisp))

        def make(pen: _Pen) -> Artist:
            if pen.as_svg:
                from matplotlib.patches import Rectangle

                made = Rectangle((box.x0, box.y0), box.width, box.height, gid=f"image-{at}")
                return _placed(made, pen, None)
            from matplotlib.image import BboxImage
            from matplotlib.transforms import Bbox, TransformedBbox

            where = TransformedBbox(Bbox([[box.x0, box.y1], [box.x1, box.y0]]), pen.place)
            # The board's y runs downwards, and so does the picture's: no more is to be turned.
            picture = BboxImage(where, interpolation="nearest", origin="lower")
            picture.set_data(rgba(steps))
            return picture

        self._drawn.append(make)

    # -- texts -----------------------------------------------------------------------------------

    def box_of(
        self,
        x: float,
        y: float,
        text: str,
        *,
        size: float | None = None,
        align: Align = "left",
        bold: bool = False,
        upright: bool = False,
    ) -> Box:
        """Where a text would stand whose middle line runs through (x, y)."""
        size = size or self.size
        width = text_width(text, size, bold)
        before = {"left": 0.0, "middle": width / 2, "right": width}[align]
        half = size / 2
        if upright:
            return Box(x - half, y - (width - before), x + half, y + before, text)
        return Box(x - before, y - half, x - before + width, y + half, text)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        colour: str = "ink",
        *,
        size: float | None = None,
        align: Align = "left",
        bold: bool = False,
        upright: bool = False,
        plate: str | None = None,
    ) -> Box:
        """A text whose middle line runs through (x, y); ``upright`` reads upwards."""
        size = size or self.size
        box = self.box_of(x, y, text, size=size, align=align, bold=bold, upright=upright)
        if plate is not None:
            self.rect(Box(box.x0 - 3, box.y0 - 2, box.x1 + 3, box.y1 + 2), plate)
        self.texts.append(box)
        base = size * (ASCENT - DESCENT) / 2 + size * 0.1

        def make(pen: _Pen) -> Artist:
            from matplotlib.text import Text

            made = Text(
                x + (base if upright else 0),
                y + (0 if upright else base),
                text,
                color=pen(colour),
                horizontalalignment="center" if align == "middle" else align,
                verticalalignment="baseline",
                rotation=90 if upright else 0,
                rotation_mode="anchor",
                fontfamily=FONT,
                fontsize=size,
                fontweight="bold" if bold else "normal",
                parse_math=False,
            )
            return _placed(made, pen, None)

        self._drawn.append(make)
        return box

    def kept_in(self, x: float, text: str, size: float) -> float:
        """The middle of a text that stays on the board, as near to ``x`` as it can be."""
        half = text_width(text, size) / 2 + 2
        return min(max(x, half), max(half, self.width - half))

    def is_free(self, box: Box, *, by: float = 1.0) -> bool:
        """Whether no text stands there, nor nearer than ``by``."""
        return not any(box.hits(other, by=by) for other in self.texts)

    def push_down(self, by: float) -> None:
        """Move all that stands so far ``by`` pixels down; what comes next does not move with it."""
        self._moved.append((len(self._drawn), by))
        self.texts = [Box(b.x0, b.y0 + by, b.x1, b.y1 + by, b.text) for b in self.texts]
        self.height += by

    # -- the end ---------------------------------------------------------------------------------

    def svg_text(self, colours: Mapping[str, str], salt: str) -> str:
        """As matplotlib writes it; the same for the same board."""
        from matplotlib import rc_context

        out = BytesIO()
        with rc_context({"svg.fonttype": "none", "svg.hashsalt": salt, "path.simplify": True}):
            self._figure(colours, 72.0, as_svg=True).savefig(
                out, format="svg", transparent=True, metadata={"Date": None, "Creator": None}
            )
        return out.getvalue().decode("utf-8")

    def svg_images(self) -> dict[str, str]:
        """The elements that stand in the place of each picture."""
        down = sum(by for _, by in self._moved)
        return {
            f"image-{at}": (
                f'<image x="{box.x0:.2f}" y="{box.y0 + down:.2f}" width="{box.width:.2f}" '
                f'height="{box.height:.2f}" preserveAspectRatio="none" '
                + ('style="image-rendering: pixelated" ' if crisp else "")
                + f'href="{data_uri(steps)}"/>'
            )
            for at, (box, steps, crisp) in enumerate(self.images)
        }

    def png(self, colours: Mapping[str, str], dpi: float) -> bytes:
        """96 dots an inch are a pixel for a pixel."""
        out = BytesIO()
        figure = self._figure(colours, dpi * 72.0 / 96.0, as_svg=False)
        figure.savefig(
            out,
            format="png",
            facecolor=colours["paper"],
            dpi=figure.dpi,
            metadata={"Software": None},
        )
        return out.getvalue()

    def _figure(self, colours: Mapping[str, str], dpi: float, *, as_svg: bool) -> Figure:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.backends.backend_svg import FigureCanvasSVG
        from matplotlib.figure import Figure
        from matplotlib.transforms import Affine2D

        figure = Figure(figsize=(self.width / 72.0, self.height / 72.0), dpi=dpi)
        (FigureCanvasSVG if as_svg else FigureCanvasAgg)(figure)
        flip = Affine2D().scale(1, -1).translate(0, self.height).scale(1 / 72.0)
        for order, make in enumerate(self._drawn):
            down = sum(by for count, by in self._moved if order < count)
            place = Affine2D().translate(0, down) + flip + figure.dpi_scale_trans
            artist = make(_Pen(place, colours, as_svg))
            artist.set_zorder(order + 1)
            figure.add_artist(artist)
        return figure


def _placed(artist: Artist, pen: _Pen, clip: Box | None) -> Artist:
    artist.set_transform(pen.place)
    if clip is not None:
        from matplotlib.transforms import Bbox, TransformedBbox

        artist.set_clip_box(
            TransformedBbox(Bbox([[clip.x0, clip.y0], [clip.x1, clip.y1]]), pen.place)
        )
        artist.set_clip_on(True)
    return artist


def runs(good: NDArray[np.bool_]) -> list[slice]:
    """Stretches of true values."""
    padded = np.concatenate([[False], good, [False]]).astype(np.int8)
    edge = np.flatnonzero(np.diff(padded))
    return [slice(int(a), int(b)) for a, b in zip(edge[::2], edge[1::2], strict=True)]
