"""Guesses about how a sweeper talks, from what it was sent and what came: pure, ranked, reasoned.

Nothing here is certain. Each guess says why, and how much it weighs from 0 to 1; who asks takes the
first, shows the reason, and lets the user say otherwise.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Generic, TypeVar

__all__ = [
    "ERROR_WORDS",
    "Exchange",
    "Guess",
    "answer_of",
    "guess_echo",
    "guess_errors",
    "guess_prompt",
    "is_text",
]

T = TypeVar("T")

LONGEST_PROMPT = 40
LINE_ENDS = {"crlf": b"\r\n", "lf": b"\n", "cr": b"\r"}

ERROR_WORDS = re.compile(
    r"(?i)\b(err(or)?|unknown|invalid|illegal|bad|what|huh|no such|not (found|understood)|syntax)\b"
    r"|^\s*[?!]"
)
"""What makes a line of text look like an error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Exchange:
    """What was sent, its line end included, and all that came before the next was sent."""

    sent: bytes
    received: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class Guess(Generic[T]):
    """One guess."""

    value: T
    reason: str
    weight: float


def is_text(data: bytes) -> bool:
    """Whether ``data`` can be lines of text: printable, and the usual control characters."""
    odd = sum(1 for byte in data if byte < 160 and not (32 <= byte < 127 or byte in b"\r\n\t\b\0"))
    # A sign such as µ or ° in some old code page is still text.
    signs = sum(1 for byte in data if byte >= 160)
    return bool(data) and odd <= len(data) // 50 and signs <= len(data) // 10


def guess_echo(exchanges: Sequence[Exchange]) -> Guess[bool]:
    """Whether the sweeper sends back what it was told."""
    heard = [one for one in exchanges if one.received.strip() and one.sent.strip()]
    echoed = sum(1 for one in heard if _is_echoed(one))
    return Guess(
        value=bool(heard) and 2 * echoed > len(heard),
        reason=f"{echoed} of {len(heard)} answers begin with what was sent",
        weight=abs(2 * echoed - len(heard)) / len(heard) if heard else 0.0,
    )


def _is_echoed(exchange: Exchange) -> bool:
    return exchange.received.lstrip(b"\r\n").startswith(exchange.sent.strip(b"\r\n"))


def guess_prompt(exchanges: Sequence[Exchange]) -> list[Guess[bytes]]:
    """What stands behind the last line end of every answer, where the same does."""
    tails = [
        re.split(rb"[\r\n]", one.received)[-1]
        for one in exchanges
        if one.received.strip() and is_text(one.received)
    ]
    counted = Counter(tail for tail in tails if tail and len(tail) <= LONGEST_PROMPT)
    return [
        Guess(
            value=tail,
            reason=f"{count} of {len(tails)} answers end with it, without a line end",
            weight=count / len(tails),
        )
        for tail, count in counted.most_common()
        if count >= 2 and 2 * count > len(tails)
    ]


def guess_errors(lines: Sequence[str]) -> list[Guess[str]]:
    """Patterns that tell an error from an answer, from answers to questions nobody understands.

    ``lines`` are first lines of answers to nonsense. The longest beginning that all of them share
    is it; without one, words that errors use.
    """
    known = [line for line in lines if line.strip()]
    if not known:
        return []
    start = _common_start(known)
    if len(known) > 1 and start.strip():
        return [
            Guess(
                value=f"^{re.escape(start.rstrip())}"
                + (r"\b" if start.rstrip()[-1].isalnum() else ""),
                reason=f"all {len(known)} answers to nonsense begin with {start.rstrip()!r}",
                weight=0.9,
            )
        ]
    if all(ERROR_WORDS.search(line) for line in known):
        return [
            Guess(
                value=ERROR_WORDS.pattern,
                reason="answers to nonsense hold a word that errors use",
                weight=0.4,
            )
        ]
    return []


def _common_start(lines: Sequence[str]) -> str:
    """What all ``lines`` begin with, cut at the end of its first word and short of any number."""
    first, last = min(lines), max(lines)
    length = 0
    while length < min(len(first), len(last)) and first[length] == last[length]:
        length += 1
    match = re.match(r"\s*(?:[^\s\w]+|[A-Za-z]+)(?=[\s:;,]|$|\d)", first[:length] + " ")
    return match[0] if match else ""


def answer_of(exchange: Exchange, *, echo: bool, prompt: bytes) -> bytes:
    """What came, without the echo before and the prompt behind."""
    data = exchange.received
    if echo:
        plain = data.lstrip(b"\r\n")
        said = exchange.sent.strip(b"\r\n")
        if plain.startswith(said):
            data = plain[len(said) :].removeprefix(b"\r").removeprefix(b"\n")
    if prompt and data.endswith(prompt):
        data = data[: -len(prompt)]
    return data
