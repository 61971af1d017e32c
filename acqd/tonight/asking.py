"""Questions on a terminal: few, each with why it is asked and what Enter means.

Where nobody is there to answer, defaults are taken and told (``--yes``). Questions go to standard
error, so that standard output holds the plan alone.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TextIO, TypeVar

from acqd.errors import WrongUsage

__all__ = ["Asker", "NoAnswer"]

TRIES = 5
"""Wrong answers to one question, before it is given up."""

T = TypeVar("T")


class NoAnswer(WrongUsage):
    """The answers ended: somebody closed the terminal's input, or answered wrongly again and again.
    Nothing has been written then."""


@dataclass(slots=True)
class Asker:
    """Asks on ``into`` and reads from ``answers``; with ``takes_defaults`` it asks nothing.

    ``fit`` brings what is said into the terminal's width. ``asked`` counts the questions that
    somebody had to answer; ``taken`` are the defaults that were taken instead, in words.
    """

    answers: TextIO
    into: TextIO
    takes_defaults: bool = False
    fit: Callable[[str], str] = str
    asked: int = 0
    taken: list[str] = field(default_factory=list)

    def say(self, text: str = "") -> None:
        """One line beside the questions."""
        self.into.write(f"{self.fit(text)}\n")
        self.into.flush()

    def value(
        self,
        question: str,
        *,
        why: str,
        default: str,
        read: Callable[[str], T],
        told: str = "",
    ) -> T:
        """An answer in words, read by ``read``, which refuses with a ValueError or WrongUsage.

        Args:
            default: what Enter means; "" where Enter is an answer of its own.
            told: what is said where the default is taken unasked.

        Raises:
            NoAnswer: the answers ended, or none of :data:`TRIES` could be read.
        """
        if self.takes_defaults:
            self.taken.append(told or f"{question} {default or 'nothing'}")
            return read(default)
        self.say(f"\n{why}")
        self.asked += 1
        for _ in range(TRIES):
            text = self._line(f"{question} [{default}] " if default else f"{question} ") or default
            try:
                return read(text)
            except (ValueError, WrongUsage) as exc:
                self.say(f"  {exc}")
        raise NoAnswer(f"{question} was not answered in {TRIES} tries; nothing was written")

    def choice(
        self,
        question: str,
        options: Sequence[str],
        *,
        why: str,
        default: int = 1,
        told: str = "",
    ) -> int:
        """Which of the numbered ``options``: from 1 on.

        Raises:
            NoAnswer: as :meth:`value`.
        """
        lines = [f"  {number}  {option}" for number, option in enumerate(options, 1)]

        def read(text: str) -> int:
            if text.isdecimal() and 1 <= int(text) <= len(options):
                return int(text)
            raise ValueError(f"{text!r} is none of them: a number from 1 to {len(options)}")

        return self.value(
            question, why="\n".join([why, *lines]), default=str(default), read=read, told=told
        )

    def agreed(self, question: str, *, why: str, default: bool = True, told: str = "") -> bool:
        """Yes or no.

        Raises:
            NoAnswer: as :meth:`value`.
        """

        def read(text: str) -> bool:
            if text.lower() in ("y", "yes", "n", "no"):
                return text.lower().startswith("y")
            raise ValueError(f"{text!r} is neither y nor n")

        return self.value(
            f"{question} (y/n)", why=why, default="y" if default else "n", read=read, told=told
        )

    def _line(self, prompt: str) -> str:
        self.into.write(prompt)
        self.into.flush()
        try:
            line = self.answers.readline()
        except (OSError, UnicodeDecodeError) as exc:
            raise NoAnswer(f"the answer cannot be read: {exc}; nothing was written") from exc
        if not line:
            self.into.write("\n")
            raise NoAnswer("no more answers: the input has ended; nothing was written")
        return line.strip()
