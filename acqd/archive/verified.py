"""What came of verifying an archive: counts, what is wrong, and what is merely worth knowing."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from acqd.errors import ArchiveError

__all__ = ["Problem", "Verified", "counted"]

SHOWN_MOST = 1000
"""Problems and notes that are kept, each; all are counted."""

NAMED_MOST = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """One thing that is not as it should be: where, what, what was expected, what to do.

    ``where`` counts from the archive. ``can_be_set_aside`` where it is a file of sweeps that lies
    there and is not as it was written; ``to_list`` are files, counted from the archive, that are
    whole and that listing anew would put right.
    """

    where: str
    what: str
    expected: str = ""
    advice: str = ""
    job: str | None = None
    day: str | None = None
    sweeps: int | None = None
    can_be_set_aside: bool = False
    to_list: tuple[str, ...] = ()

    def __str__(self) -> str:
        expected = f"; expected {self.expected}" if self.expected else ""
        advice = f"; {self.advice}" if self.advice else ""
        return f"{self.where}: {self.what}{expected}{advice}"

    def to_json(self) -> dict[str, Any]:
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(slots=True, kw_only=True)
class Verified:
    """An archive as it was found. ``sweeps`` are those that are as they were written; each number
    of a job counts once."""

    files: int = 0
    sweeps: int = 0
    size_bytes: int = 0
    jobs: set[str] = field(default_factory=set)
    wrong: list[Problem] = field(default_factory=list)
    wrongs: int = 0
    notes: list[Problem] = field(default_factory=list)
    noted: int = 0
    holder: str | None = None
    """Who writes the archive meanwhile."""

    @property
    def is_whole(self) -> bool:
        return self.wrongs == 0

    def add_wrong(self, **about: Any) -> None:
        self.wrongs += 1
        if len(self.wrong) < SHOWN_MOST:
            self.wrong.append(Problem(**about))

    def add_note(self, **about: Any) -> None:
        self.noted += 1
        if len(self.notes) < SHOWN_MOST:
            self.notes.append(Problem(**about))

    def take(self, part: Verified) -> None:
        """Add what a part of the archive came to."""
        self.files += part.files
        self.size_bytes += part.size_bytes
        self.wrong = [*self.wrong, *part.wrong][:SHOWN_MOST]
        self.wrongs += part.wrongs
        self.notes = [*self.notes, *part.notes][:SHOWN_MOST]
        self.noted += part.noted

    def headline(self) -> str:
        """The one line that a watchkeeper would write."""
        seen = (
            f"{counted(self.files, 'file')}, {counted(self.sweeps, 'sweep')} of "
            f"{counted(len(self.jobs), 'job')}"
        )
        if self.is_whole:
            return f"{seen}: all as they were written"
        verb = "is" if self.wrongs == 1 else "are"
        return f"{seen} as they were written; {counted(self.wrongs, 'thing')} {verb} wrong"


def counted(number: int, what: str) -> str:
    """1 file; 1,234 files."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"


def named(texts: Iterable[str]) -> str:
    """A few of them by name, the others by number."""
    listed = list(texts)
    more = f" and {len(listed) - NAMED_MOST} more" if len(listed) > NAMED_MOST else ""
    return ", ".join(listed[:NAMED_MOST]) + more


def problem_of(exc: ArchiveError, path: str) -> str:
    """What an error says, without the name of the file."""
    text = str(exc)
    _, found, rest = text.partition(f"{path}: ")
    return rest if found else text
