"""A line on standard error that says how far a command is; on a terminal only.

It is written over until the command is done, then it is gone: what the command has to say begins
where the line began. Into a file or a pipe nothing of it is written.
"""

from __future__ import annotations

import shutil
import sys
import time
from types import TracebackType
from typing import TextIO

__all__ = ["ProgressLine"]

EVERY_S = 0.2
"""As often as eyes can follow."""
BAR_WIDTH = 20
FULL, EMPTY = "█", "░"


class ProgressLine:
    """``with ProgressLine() as line:``; the line is cleared at the end, whatever happens.

    Args:
        stream: in standard error's place.
    """

    def __init__(self, stream: TextIO | None = None) -> None:
        self._stream = sys.stderr if stream is None else stream
        self._is_shown = self._stream.isatty()
        self._marks = (FULL, EMPTY) if _takes(self._stream.encoding, FULL + EMPTY) else ("#", ".")
        self._last_s = float("-inf")
        self._width = 0

    def __enter__(self) -> ProgressLine:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.clear()

    def show(self, done: float, text: str) -> None:
        """A bar of which the share ``done`` is full, 0 to 1, and a text; at the end in any case,
        before it five times a second at most."""
        now_s = time.monotonic()
        if now_s - self._last_s < EVERY_S and done < 1.0:
            return
        self._last_s = now_s
        full = round(BAR_WIDTH * min(max(done, 0.0), 1.0))
        self.say(f"{self._marks[0] * full}{self._marks[1] * (BAR_WIDTH - full)} {text}")

    def sweeps(self, done: int, total: int, text: str) -> None:
        """:meth:`show` for who counts sweeps, as :func:`acqd.report.gather.gather` does."""
        self.show(done / total if total else 0.0, f"{done} of {total} sweeps, {text}")

    def say(self, text: str) -> None:
        """A text in the place of the one before, cut where the terminal ends."""
        if self._is_shown:
            text = text[: shutil.get_terminal_size().columns - 1]
            self._stream.write(f"\r{text:<{self._width}}")
            self._stream.flush()
            self._width = len(text)

    def clear(self) -> None:
        """Nothing is left of it."""
        if self._is_shown and self._width:
            self._stream.write(f"\r{'':<{self._width}}\r")
            self._stream.flush()
            self._width = 0


def _takes(encoding: str | None, text: str) -> bool:
    try:
        text.encode(encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True
