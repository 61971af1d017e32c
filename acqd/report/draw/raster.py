"""Levels as a small picture: an indexed PNG of the colours of :func:`acqd.look.level_colours`.

Index 0 is transparent and stands for nothing swept; 1 to 255 are the steps of the colour map, so
its lowest step is drawn as the next one, which nobody can tell from it.
"""

from __future__ import annotations

import struct
import zlib
from base64 import b64encode

import numpy as np
from numpy.typing import NDArray

from acqd.look.palette import level_colours

__all__ = ["data_uri", "evened", "pooled", "rgba", "steps_of"]

MOST_BYTES = 240_000
"""Of the PNG; a third more as text. Where noise needs more, neighbouring steps are joined."""

Float = NDArray[np.float64]


def steps_of(level: NDArray[np.float32] | Float, low: float, high: float) -> NDArray[np.uint8]:
    """0 where a level is NaN, else 1 to 255 from ``low`` to ``high``, beyond them the ends."""
    span = high - low if high > low else 1.0
    with np.errstate(invalid="ignore"):
        steps = np.clip(np.rint((np.asarray(level, dtype=np.float64) - low) / span * 255), 1, 255)
    return np.where(np.isnan(steps), 0, steps).astype(np.uint8)


def rgba(steps: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(..., 4) of steps: red, green, blue, and 0 or 255."""
    colours = np.zeros((256, 4), dtype=np.uint8)
    colours[:, :3] = level_colours()
    colours[1:, 3] = 255
    return colours[steps]


def evened(level: NDArray[np.float32], edges: Float, most: int) -> NDArray[np.float32]:
    """The first axis of ``level`` on cells of one width, at most ``most``: the highest in each.

    A cell of several goes to the one that holds its middle, and to all that lie within it.
    """
    count = level.shape[0]
    width = np.diff(edges)
    if count <= most and np.allclose(width, width.mean(), rtol=1e-3):
        return level
    cells = min(max(count, 1), most) if np.allclose(width, width.mean(), rtol=1e-3) else most
    at = np.linspace(edges[0], edges[-1], cells + 1)
    first = np.clip(np.searchsorted(edges, at[:-1], side="right") - 1, 0, count - 1)
    last = np.clip(np.searchsorted(edges, at[1:], side="left") - 1, first, count - 1)
    return pooled(level, first, last)


def pooled(
    level: NDArray[np.float32], first: NDArray[np.intp], last: NDArray[np.intp]
) -> NDArray[np.float32]:
    """The highest from ``first[i]`` to ``last[i]`` (included) along the first axis; NaN of none."""
    low = np.where(np.isnan(level), -np.inf, level)
    out = np.stack([low[a : b + 1].max(axis=0) for a, b in zip(first, last, strict=True)])
    return np.where(np.isneginf(out), np.nan, out).astype(np.float32)


def data_uri(steps: NDArray[np.uint8]) -> str:
    """``data:image/png;base64,...`` of (height, width) steps, the top row first."""
    for joined in (1, 2, 4, 8, 16):
        png = _png(_joined(steps, joined))
        if len(png) <= MOST_BYTES:
            break
    return "data:image/png;base64," + b64encode(png).decode("ascii")


def _joined(steps: NDArray[np.uint8], joined: int) -> NDArray[np.uint8]:
    if joined == 1:
        return steps
    middle = (steps.astype(np.int32) // joined) * joined + joined // 2
    return np.where(steps == 0, 0, np.clip(middle, 1, 255)).astype(np.uint8)


def _png(steps: NDArray[np.uint8]) -> bytes:
    """PNG (ISO/IEC 15948), colour type 3, 8 bits, one filter type 0 a row."""
    height, width = steps.shape
    rows = np.zeros((height, width + 1), dtype=np.uint8)
    rows[:, 1:] = steps
    return b"".join(
        (
            b"\x89PNG\r\n\x1a\n",
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)),
            _chunk(b"PLTE", level_colours().tobytes()),
            _chunk(b"tRNS", b"\x00"),
            _chunk(b"IDAT", zlib.compress(rows.tobytes(), 9)),
            _chunk(b"IEND", b""),
        )
    )


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
