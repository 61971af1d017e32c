"""Colours of figures by what they are for, and the SVG that a page can take in.

A figure is drawn once. For a page its colours are CSS custom properties, so that the same SVG
serves light, dark and print; a picture file gets the colours themselves. matplotlib knows no CSS:
it draws with colours that stand for the properties, and they are put in afterwards.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields
from html import escape

from acqd.look.palette import Palette, level_colours

__all__ = ["FONT", "fixed_colours", "inline_svg", "standing_colours", "whole_svg"]

FONT = "DejaVu Sans"
"""Comes with matplotlib, and is wider than nearly all that a page may be set in: what is laid out
with its widths has room in any of them."""

FAMILY = "'DejaVu Sans',Verdana,'Liberation Sans',sans-serif"

ROLES = tuple(one.name for one in fields(Palette))
STANDING = {role: f"#fe01{at:02x}" for at, role in enumerate(ROLES)}


def _hex(step: int) -> str:
    red, green, blue = level_colours()[step]
    return f"#{red:02x}{green:02x}{blue:02x}"


def _on_levels() -> dict[str, str]:
    """What is drawn upon levels, whose colours are the same in the light and in the dark."""
    return {"bright": _hex(255), "deep": _hex(0)}


def standing_colours() -> dict[str, str]:
    """Colours that stand for the CSS properties of a page."""
    return {**STANDING, **_on_levels()}


def fixed_colours(palette: Palette) -> dict[str, str]:
    """The colours of a palette themselves."""
    return {**{role: getattr(palette, role) for role in ROLES}, **_on_levels()}


def inline_svg(
    text: str, *, prefix: str, title: str, desc: str, images: Mapping[str, str], name: str
) -> str:
    """What matplotlib wrote, as an element for a page: ids begin with ``prefix``."""
    body, box = _body(text, prefix, images)
    for role, colour in STANDING.items():
        body = body.replace(colour, f"var(--{role})")
    body = re.sub(r"font: ([^;\"]*?)(\d+(?:\.\d+)?px) '[^\";]*", _inherited, body)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="figure {escape(name)}" viewBox="{box}" '
        f'width="100%" role="img" aria-labelledby="{prefix}-title {prefix}-desc">'
        f'<title id="{prefix}-title">{escape(title)}</title>'
        f'<desc id="{prefix}-desc">{escape(desc)}</desc>{body}</svg>'
    )


def whole_svg(
    text: str, *, prefix: str, title: str, desc: str, images: Mapping[str, str], paper: str
) -> str:
    """What matplotlib wrote, as a file of its own with paper behind it."""
    body, box = _body(text, prefix, images)
    body = re.sub(r"(font: [^;\"]*?\d+(?:\.\d+)?px) '[^\";]*", rf"\1 {FAMILY}", body)
    _, _, width, height = box.split()
    return (
        '<?xml version="1.0" encoding="utf-8"?>\n'
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{width}" '
        f'height="{height}" role="img" aria-labelledby="{prefix}-title {prefix}-desc">'
        f'<title id="{prefix}-title">{escape(title)}</title>'
        f'<desc id="{prefix}-desc">{escape(desc)}</desc>'
        f'<rect width="{width}" height="{height}" style="fill: {paper}"/>{body}</svg>\n'
    )


def _inherited(found: re.Match[str]) -> str:
    """The page's own typeface, in our size and weight."""
    weight = re.search(r"\b(\d{3}|bold)\b", found[1])
    return f"font-size: {found[2]}" + (f"; font-weight: {weight[1]}" if weight else "")


def _body(text: str, prefix: str, images: Mapping[str, str]) -> tuple[str, str]:
    found = re.search(r"<svg[^>]*viewBox=\"([^\"]+)\"[^>]*>(.*)</svg>", text, re.DOTALL)
    assert found is not None, "matplotlib writes one svg element"
    box = " ".join(f"{float(part):g}" for part in found[1].split())
    body = re.sub(r"\s*<metadata>.*?</metadata>", "", found[2], flags=re.DOTALL)
    body = re.sub(r"(d|transform|x|y)=\"([^\"]*)\"", _rounded, body)
    body = re.sub(r"\bid=\"([^\"]+)\"", rf'id="{prefix}-\1"', body)
    body = re.sub(r"url\(#([^)]+)\)", rf"url(#{prefix}-\1)", body)
    body = re.sub(r"xlink:href=\"#([^\"]+)\"", rf'href="#{prefix}-\1"', body)
    for key, element in images.items():
        place = rf"<g id=\"{prefix}-{key}\">.*?</g>"
        body = re.sub(place, element.replace("\\", r"\\"), body, flags=re.DOTALL)
    # Groups around each artist say nothing to anybody.
    body = re.sub(rf"<g id=\"{prefix}-(?:patch|line2d|text)_\d+\">", "<g>", body)
    body = re.sub(r">\s+<", "><", body)
    return body.strip(), box


def _rounded(found: re.Match[str]) -> str:
    """Hundredths of a pixel are enough."""
    numbers = re.sub(r"-?\d+\.\d{3,}", lambda one: f"{float(one[0]):.2f}", found[2])
    return f'{found[1]}="{" ".join(numbers.split())}"'
