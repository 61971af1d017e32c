"""Sentences that fit the terminal; whole lines where a file or another program reads them."""

from __future__ import annotations

import shutil
import textwrap
from typing import TextIO

__all__ = ["fitted", "width_of"]

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
