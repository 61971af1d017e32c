"""The files that the page is made of: our own, uPlot from its wheel, colours, codes, reports."""

from __future__ import annotations

import gzip
import hashlib
import io
import json
import re
import socket
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from acqd.look.palette import DARK, LIGHT, Palette, css_variables, level_colours

__all__ = [
    "REPORT_MOST_BYTES",
    "Served",
    "colours_css",
    "colours_json",
    "own_address",
    "qr_svg",
    "report_path",
    "static_file",
    "vendor_file",
]

FOLDER = Path(__file__).parent / "static"

TYPES = {
    ".html": "text/html",
    ".js": "text/javascript",
    ".css": "text/css",
    ".svg": "image/svg+xml",
    ".json": "application/json",
}

VENDOR = {"uplot.js": "uPlot.iife.min.js", "uplot.css": "uPlot.min.css"}

REPORT_MOST_BYTES = 128 * 1024 * 1024

_STATIC = re.compile(r"[a-z0-9][a-z0-9_-]{0,60}\.(html|js|css|svg)\Z")
_REPORT = re.compile(r"[a-z0-9_-]{1,64}\.html\Z")
"""As the message ``report/1`` has it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """A file as it goes out."""

    raw: bytes
    content_type: str
    etag: str
    squeezed: bytes | None
    """The same through gzip, where that pays."""


def _served(raw: bytes, suffix: str) -> Served:
    squeezed = gzip.compress(raw, 9, mtime=0) if len(raw) > 800 else None
    return Served(
        raw=raw,
        content_type=TYPES[suffix],
        etag=hashlib.sha256(raw).hexdigest()[:24],
        squeezed=squeezed if squeezed is not None and len(squeezed) < 0.9 * len(raw) else None,
    )


_STATIC_KEPT: dict[str, tuple[int, Served]] = {}


def static_file(name: str) -> Served | None:
    """A file of the page, or None where there is none of this name. Read anew when it changed."""
    if not _STATIC.match(name):
        return None
    path = FOLDER / name
    try:
        changed = path.stat().st_mtime_ns
        kept = _STATIC_KEPT.get(name)
        if kept is None or kept[0] != changed:
            _STATIC_KEPT[name] = kept = (changed, _served(path.read_bytes(), path.suffix))
    except OSError:
        return None
    return kept[1]


@cache
def vendor_file(name: str) -> Served | None:
    """uPlot's script or style sheet, out of the wheel that ships it."""
    if name not in VENDOR:
        return None
    wanted = VENDOR[name].lower()
    for entry in (files("youplot") / "vendor").iterdir():
        if entry.name.lower() == wanted:
            return _served(entry.read_bytes(), Path(name).suffix)
    return None


@cache
def colours_css() -> Served:
    """The palettes as CSS variables: by what the system prefers, or as ``data-look`` says."""
    light, dark = css_variables(LIGHT), css_variables(DARK)
    text = (
        f":root{{color-scheme:light dark;{light}}}\n"
        f"@media (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
        f':root[data-look="light"]{{color-scheme:light;{light}}}\n'
        f':root[data-look="dark"]{{color-scheme:dark;{dark}}}\n'
    )
    return _served(text.encode(), ".css")


@cache
def colours_json() -> Served:
    """The colours of levels, (256, 3), and both palettes."""
    told = {
        "levels": level_colours().tolist(),
        "light": _named(LIGHT),
        "dark": _named(DARK),
    }
    return _served(json.dumps(told, separators=(",", ":")).encode(), ".json")


def _named(palette: Palette) -> dict[str, str]:
    pairs = (one.split(":") for one in css_variables(palette).strip(";").split(";"))
    return {name.removeprefix("--"): value for name, value in pairs}


def qr_svg(url: str) -> bytes:
    """A code that brings a phone to ``url``: dark on light, with the margin that scanners want."""
    import segno

    out = io.BytesIO()
    segno.make(url, error="m", micro=False).save(
        out, kind="svg", scale=8, dark=LIGHT.ink, light="#ffffff", xmldecl=False, title="address"
    )
    return out.getvalue()


def own_address(host: str) -> str:
    """An address of this machine that others reach, for a server that listens on ``host``.

    Of 0.0.0.0 and :: it is the one that packets to elsewhere would leave from; none is sent.
    """
    if host not in ("0.0.0.0", "::", ""):
        return host
    family, elsewhere = (
        (socket.AF_INET6, "2001:db8::1") if host == "::" else (socket.AF_INET, "192.0.2.1")
    )
    with socket.socket(family, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect((elsewhere, 9))
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def report_path(archives: Mapping[str, Path], station: str, name: str) -> Path | None:
    """The file of a report in the folder ``reports`` of the station's archive, or None.

    Only plain names, only files that lie there themselves (no links), at most 128 MiB.
    """
    root = archives.get(station)
    if root is None or not _REPORT.match(name):
        return None
    path = root / "reports" / name
    try:
        if path.is_symlink() or not path.is_file() or path.stat().st_size > REPORT_MOST_BYTES:
            return None
    except OSError:
        return None
    return path


def reports_in(root: Path, most: int = 8) -> list[dict[str, Any]]:
    """The newest reports that lie in an archive, as messages would tell of them."""
    found: list[dict[str, Any]] = []
    try:
        for path in (root / "reports").iterdir():
            if _REPORT.match(path.name) and path.is_file() and not path.is_symlink():
                facts = path.stat()
                found.append({"file": path.name, "at_s": facts.st_mtime, "bytes": facts.st_size})
    except OSError:
        return []
    found.sort(key=lambda one: float(one["at_s"]), reverse=True)
    return found[:most]
