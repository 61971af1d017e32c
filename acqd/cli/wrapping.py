"""Sentences that fit the terminal; whole lines where a file or another program reads them."""

from __future__ import annotations

import shutil
import textwrap
from typing import TextIO

__all__ = ["fitted", "paragraphs", "width_of"]

LEAST, MOST = 40, 100
"""Columns: narrower nothing can be read, wider the eye loses the line."""


def width_of(stream: TextIO) -> int | None:
    """Columns to use of the terminal that ``stream`` goes to; None where it is no terminal."""
    if not stream.isatty():
        return None
    return max(LEAST, min(shutil.get_terminal_size().columns, MOST))


def fitted(text: str, width: int | None, *, first: str = "", rest: str = "") -> str:
    """``text`` behind ``first``, what follows on further lines behind ``rest``.

    No word is broken. Without a ``width`` it stays one line.
    """
    if width is None:
        return f"{first}{text}"
    return textwrap.fill(
        text,
        width - 1,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def paragraphs(text: str, width: int | None) -> str:
    """``text`` with its lines filled to ``width``; lines that are indented or empty stay as they
    are. Without a ``width`` nothing changes."""
    if width is None:
        return text
    shown: list[str] = []
    filled: list[str] = []
    for line in [*text.split("\n"), ""]:
        if line and not line.startswith(" "):
            filled.append(line)
            continue
        if filled:
            shown.append(fitted(" ".join(filled), width, rest="" if len(filled) > 1 else "  "))
            filled = []
        shown.append(line)
    return "\n".join(shown[:-1])
