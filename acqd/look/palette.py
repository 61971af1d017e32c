"""The colours of report, dashboard and plots, for paper and for the dark.

Levels become colours by one map of 256 steps whose lightness rises evenly from the sea at night to
pale sand, along a line between blue and yellow, which the common forms of colour blindness leave
apart. It is made here, in Oklab (Björn Ottosson, 2020: a published colour space), so that a page
and a figure have the very same colours.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

__all__ = ["DARK", "LIGHT", "Palette", "contrast", "css_variables", "level_colours"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Palette:
    """Colours as ``#rrggbb``, by what they are for."""

    paper: str
    ink: str
    quiet: str
    """Ink of what is read second."""
    rule: str
    """Lines that only part things."""
    sea: str
    """What is, and what was kept."""
    rust: str
    """What needs a look."""
    held: str
    """Held values."""
    gap: str
    """Where nothing was swept."""


LIGHT = Palette(
    paper="#faf8f3",
    ink="#1d2b33",
    quiet="#5d6a72",
    rule="#d9d4c7",
    sea="#0b6e75",
    rust="#a84a14",
    held="#7a8b94",
    gap="#ebe6da",
)
DARK = Palette(
    paper="#10191e",
    ink="#e6e2d8",
    quiet="#9aa7ad",
    rule="#33424a",
    sea="#4fb3b0",
    rust="#e08a4f",
    held="#7f929c",
    gap="#1c282e",
)

STEPS = 256
LIGHTNESS = (0.24, 0.93)
"""Oklab L of the lowest and of the highest level."""
ENDS = ((-0.012, -0.085), (0.0, 0.095))
"""Oklab (a, b) of the lowest level, a blue, and of the highest, a sand."""


def level_colours() -> NDArray[np.uint8]:
    """(256, 3) red, green, blue of the levels from the lowest to the highest."""
    along = np.linspace(0.0, 1.0, STEPS)
    lightness = LIGHTNESS[0] + (LIGHTNESS[1] - LIGHTNESS[0]) * along
    a, b = (low + (high - low) * along for low, high in zip(*ENDS, strict=True))
    return np.asarray(np.rint(255.0 * _srgb_of_oklab(lightness, a, b)), dtype=np.uint8)


def css_variables(palette: Palette) -> str:
    """The colours as CSS custom properties: ``--ink:#1d2b33;`` and so on."""
    return "".join(f"--{one.name}:{getattr(palette, one.name)};" for one in fields(palette))


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two ``#rrggbb`` (WCAG 2.2, relative luminance), 1 to 21."""
    high, low = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def _luminance(colour: str) -> float:
    parts = [int(colour[at : at + 2], 16) / 255.0 for at in (1, 3, 5)]
    red, green, blue = (_linear(part) for part in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(part: float) -> float:
    """sRGB to linear light (IEC 61966-2-1)."""
    return part / 12.92 if part <= 0.04045 else float(((part + 0.055) / 1.055) ** 2.4)


def _srgb_of_oklab(
    lightness: NDArray[np.float64], a: NDArray[np.float64], b: NDArray[np.float64]
) -> NDArray[np.float64]:
    long = (lightness + 0.3963377774 * a + 0.2158037573 * b) ** 3
    medium = (lightness - 0.1055613458 * a - 0.0638541728 * b) ** 3
    short = (lightness - 0.0894841775 * a - 1.2914855480 * b) ** 3
    linear = np.stack(
        [
            4.0767416621 * long - 3.3077115913 * medium + 0.2309699292 * short,
            -1.2684380046 * long + 2.6097574011 * medium - 0.3413193965 * short,
            -0.0041960863 * long - 0.7034186147 * medium + 1.7076147010 * short,
        ],
        axis=-1,
    ).clip(0.0, 1.0)
    return np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
