"""Colours can be read, on paper and in the dark, and levels are told apart by everybody."""

import numpy as np
import pytest

from acqd.look.palette import DARK, LIGHT, Palette, contrast, css_variables, level_colours

# WCAG 2.2, success criteria 1.4.3 (text 4.5 to 1) and 1.4.11 (what is not text 3 to 1).
TEXT, GRAPHICS = 4.5, 3.0


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_text_and_lines_stand_out_from_the_paper(palette: Palette) -> None:
    for name in ("ink", "quiet", "sea", "rust"):
        assert contrast(getattr(palette, name), palette.paper) >= TEXT, name
    assert contrast(palette.held, palette.paper) >= GRAPHICS


def test_contrast_is_that_of_black_on_white() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    # #767676 on white is 4.54 to 1: widely published as the lightest grey that passes.
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


def test_lightness_of_levels_rises_evenly() -> None:
    """CIE L* of sRGB (IEC 61966-2-1, CIE 15), without any turn and without a jump."""
    part = level_colours() / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    y = linear @ [0.2126, 0.7152, 0.0722]
    lightness = np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)
    smooth = np.diff(lightness[::8])
    assert (smooth > 0).all()
    assert smooth.max() < 1.8 * smooth.min()


# Machado, Oliveira and Fernandes 2009, matrices of severity 1.0 (from memory).
DEFICIENT = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


@pytest.mark.parametrize("kind", DEFICIENT)
def test_levels_differ_as_much_for_the_colour_blind(kind: str) -> None:
    part = level_colours()[::16] / 255.0
    linear = np.where(part <= 0.04045, part / 12.92, ((part + 0.055) / 1.055) ** 2.4)
    seen = (linear @ np.array(DEFICIENT[kind]).T).clip(0, 1)
    steps = np.linalg.norm(np.diff(np.cbrt(seen), axis=0), axis=1)
    own = np.linalg.norm(np.diff(np.cbrt(linear), axis=0), axis=1)
    assert (steps > 0.7 * own).all()


def test_css_names_every_colour() -> None:
    text = css_variables(LIGHT)
    assert "--ink:#1d2b33;" in text and "--gap:" in text
