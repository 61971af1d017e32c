"""On which line each table and key of a TOML text stands.

``tomllib`` gives values without places. This scanner gives the places and leaves the values to
it: it is only run on texts that ``tomllib`` has accepted, so it need not judge them, merely follow
their structure: table headers, arrays of tables, dotted and quoted keys, inline tables, arrays and
strings of all four kinds. Source of the grammar: the TOML 1.0.0 specification.
"""

from __future__ import annotations

import re
import tomllib
from bisect import bisect_right
from collections.abc import Mapping

__all__ = ["Path", "line_of", "lines_of"]

Path = tuple[str | int, ...]
"""Where something stands: keys, and indices from 0 within arrays."""

_BLANK = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_SPACE = re.compile(r"[ \t]*")
_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_SCALAR = re.compile(r"[^,\]}#\n]*")
_STRINGS = (
    re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}(?!")', re.DOTALL),
    re.compile(r"'''.*?'{3,5}(?!')", re.DOTALL),
    re.compile(r'"(?:[^"\\]|\\.)*"'),
    re.compile(r"'[^']*'"),
)
"""Three quotes first: two of them could be taken for an empty string. A closing delimiter may have
one or two quotes of the text right before it."""


def lines_of(text: str) -> Mapping[Path, int]:
    """Lines, from 1, of all tables, keys and array members of ``text``, which is valid TOML.

    A table that is only implied has the line of what implies it first. The empty path is line 1.
    """
    return _Scanner(text.replace("\r\n", "\n")).scan()


def line_of(lines: Mapping[Path, int], path: Path) -> int:
    """The line of ``path``, or of the nearest table around it that stands in the text."""
    while path and path not in lines:
        path = path[:-1]
    return lines.get(path, 1)


class _Scanner:
    """A walk over the text, once, from its start to its end."""

    def __init__(self, text: str) -> None:
        self._text = text
        self._at = 0
        self._starts = [0, *(match.end() for match in re.finditer(r"\n", text))]
        self._lines: dict[Path, int] = {(): 1}
        self._members: dict[Path, int] = {}
        """How many members each array of tables has so far."""

    def scan(self) -> dict[Path, int]:
        table: Path = ()
        self._skip(_BLANK)
        while self._at < len(self._text):
            if self._text[self._at] == "[":
                table = self._header()
            else:
                self._assignment(table)
            self._skip(_BLANK)
        return self._lines

    def _skip(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self._text, self._at)
        if match is None:
            # Not reached on a text that tomllib took; a bound on the walk all the same.
            raise ValueError(f"line {self._line()}: this is not TOML")
        self._at = match.end()
        return match[0]

    def _line(self) -> int:
        return bisect_right(self._starts, self._at)

    def _note(self, path: Path, line: int) -> None:
        """The first mention counts, also for each table that ``path`` implies."""
        for length in range(1, len(path) + 1):
            self._lines.setdefault(path[:length], line)

    def _header(self) -> Path:
        """A table header; the path of the table that it opens."""
        line = self._line()
        is_array = self._text.startswith("[[", self._at)
        self._at += 2 if is_array else 1
        keys = self._dotted_key()
        self._at += 2 if is_array else 1
        path: Path = ()
        for key in keys[:-1]:
            path = self._latest((*path, key))
        path = (*path, keys[-1])
        if is_array:
            self._members[path] = self._members.get(path, 0) + 1
            path = self._latest(path)
        # An explicit header is a better place than what implied the table before.
        self._note(path, line)
        self._lines[path] = line
        return path

    def _latest(self, path: Path) -> Path:
        """``path``, or its newest member where it is an array of tables."""
        members = self._members.get(path)
        return path if members is None else (*path, members - 1)

    def _dotted_key(self) -> list[str]:
        """A key and the space and dots around its parts, up to what follows it."""
        parts = []
        while True:
            self._skip(_SPACE)
            parts.append(self._simple_key())
            self._skip(_SPACE)
            if self._text[self._at : self._at + 1] != ".":
                return parts
            self._at += 1

    def _simple_key(self) -> str:
        if self._text[self._at] not in "\"'":
            return self._skip(_BARE_KEY)
        quoted = self._skip(_STRINGS[2] if self._text[self._at] == '"' else _STRINGS[3])
        return str(tomllib.loads(f"key = {quoted}")["key"])

    def _assignment(self, table: Path) -> None:
        line = self._line()
        path = (*table, *self._dotted_key())
        self._note(path, line)
        self._at += 1  # the equals sign
        self._skip(_SPACE)
        self._value(path)

    def _value(self, path: Path) -> None:
        first = self._text[self._at]
        if first == "[":
            self._array(path)
        elif first == "{":
            self._inline_table(path)
        elif first in "\"'":
            self._string()
        else:
            self._skip(_SCALAR)

    def _string(self) -> None:
        for pattern in _STRINGS:
            match = pattern.match(self._text, self._at)
            if match is not None:
                self._at = match.end()
                return
        self._skip(_STRINGS[2])

    def _array(self, path: Path) -> None:
        index = 0
        self._at += 1
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "]":
                self._at += 1
                return
            self._note((*path, index), self._line())
            self._value((*path, index))
            self._separator()
            index += 1

    def _inline_table(self, path: Path) -> None:
        self._at += 1
        while True:
            self._skip(_BLANK)
            if self._text[self._at] == "}":
                self._at += 1
                return
            self._assignment(path)
            self._separator()

    def _separator(self) -> None:
        self._skip(_BLANK)
        if self._text[self._at] == ",":
            self._at += 1
