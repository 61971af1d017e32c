"""The lines of a long answer that need no second look, taken all at once. Pure.

A thousand lines one by one cost twenty times as much as together, and hardly one of them is
anything but a line. What could be something else (the last one, a prompt, a mark, an error) ends
the run and is left to whoever looks closely.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from itertools import islice
from typing import Final

from acqd_lines.frames import ErrorPattern, LineFraming

__all__ = ["LineRun"]

LEAST_BYTES: Final = 200
"""Less than this is not worth the trouble."""

_LINE: Final = re.compile(r"[^\r\n]+")
"""A line that is not blank, where LF, CR LF and CR end one."""


class LineRun:
    """Finds runs for one framing. Only for lines that any end may end.

    Args:
        framing: of the answer.
        prompt: what begins a line that is none.
        errors: what is looked for in each line.
    """

    def __init__(
        self, framing: LineFraming, *, prompt: bytes, errors: Sequence[ErrorPattern]
    ) -> None:
        checksum = None if framing.checksum_per == "line" else framing.checksum
        mark = b"" if checksum is None else checksum.mark
        self._framing = framing
        self._total = None if framing.count is None else framing.count + (checksum is not None)
        self._stops = tuple(one.decode("latin-1") for one in (prompt, mark) if one)
        self._end = None if framing.end is None else framing.end.strip()
        self._errors = errors
        # Where a blank line ends the answer, where lines are dropped from within, and where the
        # last line is known only by what follows it, each has to be looked at.
        self._is_of_use = (
            framing.ignore is None
            and framing.end != ""
            and not (framing.end is not None and framing.count is not None)
            and not (checksum is not None and framing.count is None)
            and not (b"\r" in prompt or b"\n" in prompt)
        )

    def taken(
        self, buffer: bytearray, at: int, unended: int, *, have: int, most: int
    ) -> tuple[list[str], int]:
        """Whole lines from ``at`` on that are surely nothing else, and where the last one ends.

        Args:
            unended: no line ends before it.
            have: lines that were taken before.
            most: of all; the last one by its number is never among those that are found.
        """
        if self._total is not None:
            most = min(most, self._total - 1)
        stop = buffer.rfind(b"\n", max(at, unended)) + 1
        if not self._is_of_use or have >= most or stop - at < LEAST_BYTES:
            return [], at
        text = buffer[at:stop].decode("latin-1")
        lines: list[str] = _LINE.findall(text)
        count = min(len(lines), most - have)
        count = self._plain(lines, count)
        if count == len(lines):
            return lines, stop
        if count == 0:
            return [], at
        last = next(islice(_LINE.finditer(text), count - 1, None))
        return lines[:count], at + last.end()

    def _plain(self, lines: Sequence[str], count: int) -> int:
        """How many of the first ``count`` lines are nothing but lines."""
        is_odd = self._tests()
        if not is_odd:
            return count
        for place in range(count):
            line = lines[place]
            for test in is_odd:
                if test(line):
                    return place
        return count

    def _tests(self) -> list[Callable[[str], object]]:
        tests: list[Callable[[str], object]] = []
        if stops := self._stops:
            tests.append(lambda line: line.startswith(stops))
        if (end := self._end) is not None:
            tests.append(lambda line: line.strip() == end)
        tests += [error.pattern.search for error in self._errors]
        return tests
