"""What is known of an answer before it comes, and what is left of it when it has: plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from acqd_lines.checksums import Checksum
from acqd_lines.patterns import Pattern

__all__ = [
    "BlockFraming",
    "ErrorPattern",
    "Frame",
    "Framing",
    "LengthField",
    "LineEnd",
    "LineFraming",
    "NoFraming",
    "shown_text",
]

LineEnd = Literal["any", "lf", "crlf", "cr"]

TEXT_MOST: Final = 200


def shown_text(text: str) -> str:
    """What a sweeper says of itself, so that a terminal, a log and a message can repeat it: one
    line of at most 200 printable characters."""
    cut = text.strip()[: TEXT_MOST + 1]
    plain = "".join(letter if letter.isprintable() else "\ufffd" for letter in cut)
    return plain if len(plain) <= TEXT_MOST else f"{plain[: TEXT_MOST - 1]}…"


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorPattern:
    """How the sweeper says that something is wrong: searched for in each line of text.

    Groups ``code`` (a number) and ``text`` are told where the pattern has them.
    """

    pattern: Pattern

    def found_in(self, line: str) -> tuple[int, str] | None:
        """Code and text of the error that ``line`` tells; None where it tells none."""
        match = self.pattern.search(line)
        if match is None:
            return None
        groups = match.groupdict()
        code, text = groups.get("code"), groups.get("text")
        try:
            number = int(code) if code else 0
        except ValueError:
            number = 0
        return number, shown_text(text if text is not None else line)


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFraming:
    """Text. Of ``count``, ``end`` and ``until_prompt`` one says where it ends.

    ``skip`` lines at the start are kept apart, as are those that ``ignore`` matches anywhere.
    ``checksum`` stands at the end of each line, or in a line of its own after the last one.
    """

    count: int | None = None
    end: str | None = None
    until_prompt: bool = False
    skip: int = 0
    ignore: Pattern | None = None
    checksum: Checksum | None = None
    checksum_per: Literal["line", "answer"] = "line"


@dataclass(frozen=True, slots=True, kw_only=True)
class LengthField:
    """A number in the header that says how long the payload is.

    It begins ``at`` bytes after the sync bytes and counts ``each`` bytes; ``plus`` bytes are added.
    """

    at: int
    width: int
    order: Literal["big", "little"] = "big"
    each: int = 1
    plus: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class BlockFraming:
    """A binary block. ``length`` is a number of bytes, a field of the header, or "definite".

    ``skip`` lines of text may come before it. ``expected_bytes`` is what a length that the answer
    itself states must be; None takes any. ``tail_bytes`` may be anything, before ``tail``.
    """

    length: int | LengthField | Literal["definite"]
    sync: bytes = b""
    header_bytes: int = 0
    checksum: Checksum | None = None
    tail: bytes = b""
    tail_bytes: int = 0
    skip: int = 0
    expected_bytes: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class NoFraming:
    """No answer at all; where the sweeper has a prompt, that and nothing before it."""


Framing = LineFraming | BlockFraming | NoFraming


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One whole answer, and only that.

    ``lines`` for text, without ends and checksums; ``payload`` and ``header`` for a block.
    ``passed_over`` are lines that were skipped or ignored. ``error`` is what an error pattern found
    instead of the answer.
    """

    lines: tuple[str, ...] = ()
    payload: bytes = b""
    header: bytes = b""
    passed_over: tuple[str, ...] = ()
    error: tuple[int, str] | None = None
