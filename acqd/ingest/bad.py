"""What is wrong with one row of a log, and where: a value, and an error that becomes one."""

from __future__ import annotations

from dataclasses import dataclass

from acqd.errors import AcqdError

__all__ = ["NAMED_MOST", "Bad", "BadRow", "Stopped", "shown"]

NAMED_MOST = 10_000
"""Bad rows that are kept with their names; of more than these only the number is known."""

SHOWN = 40
"""Characters of what was given that a message repeats."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bad:
    """One row that cannot be taken. ``line`` counts from 1; ``column`` is a name, or empty."""

    file: str
    line: int
    column: str
    what: str
    expected: str

    def __str__(self) -> str:
        column = f", column {self.column}" if self.column else ""
        text = f"{self.file}:{self.line}{column}: {self.what}; expected {self.expected}"
        # Names of files and columns are anybody's, and this is shown on terminals.
        return "".join(letter if letter.isprintable() else "\ufffd" for letter in text)


class BadRow(AcqdError):
    """A row cannot be taken: raised where it is found, without the file and line that it is in.

    ``after`` is how many lines after a sweep's first it stands.
    """

    def __init__(self, what: str, expected: str, *, column: str = "", after: int = 0) -> None:
        self.what = what
        self.expected = expected
        self.column = column
        self.after = after
        super().__init__(what, expected, column, after)

    def __str__(self) -> str:
        return f"{self.what}; expected {self.expected}"

    def later(self, after: int) -> BadRow:
        """The same, so many lines after the sweep's first."""
        return BadRow(self.what, self.expected, column=self.column, after=after)

    def at(self, file: str, line: int) -> Bad:
        """With its place; ``line`` is the sweep's first."""
        return Bad(
            file=file,
            line=line + self.after,
            column=self.column,
            what=self.what,
            expected=self.expected,
        )


class Stopped(AcqdError):
    """A bad row, where rows are not to be passed over. What came before it in time is kept."""

    def __init__(self, bad: Bad) -> None:
        self.bad = bad
        super().__init__(bad)

    def __str__(self) -> str:
        return f"{self.bad}; stopped here (--on-bad skip passes such rows over and counts them)"


def shown(text: str) -> str:
    """``text`` as a message repeats it: on one line, printable, cut short."""
    line = "".join(c if c.isprintable() else "\ufffd" for c in " ".join(text.split()))
    return f"'{line[:SHOWN]}…'" if len(line) > SHOWN else f"'{line}'"
