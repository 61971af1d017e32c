"""Guesses from answers to questions of who is there: which are errors, which tell it. Pure."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from acqd_lines.learn_guess import ERROR_WORDS, Exchange, Guess, answer_of, guess_errors

__all__ = ["QUESTIONS", "Answers", "error_pattern", "expect_of", "guess_identity", "sorted_answers"]

QUESTIONS = ("*IDN?", "id", "name", "version", "ver", "info", "help", "?")
"""Harmless questions in the order of asking; the first is that of IEEE 488.2."""

LONGEST = 120
_VERSION = re.compile(r"[vV]?\d+(\.\d+)+\w*")
_FIRST = re.compile(r"\s*(?:[^\s\w]+|[A-Za-z]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Answers:
    """What came of questions: each with the lines of its answer, without echo and prompt."""

    told: tuple[tuple[str, tuple[str, ...]], ...]
    errors: tuple[tuple[str, str], ...]


def sorted_answers(exchanges: Sequence[Exchange], *, echo: bool, prompt: bytes) -> Answers:
    """Answers and errors apart.

    Errors are lines that begin alike for two questions or more, and that are all the same, name the
    question, or hold a word that errors use.
    """
    lines: list[tuple[str, tuple[str, ...]]] = []
    for one in exchanges:
        text = answer_of(one, echo=echo, prompt=prompt).decode("latin-1")
        said = tuple(line.strip() for line in re.split(r"[\r\n]+", text) if line.strip())
        if said:
            lines.append((one.sent.decode("latin-1").strip(), said))
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for question, (first, *_) in lines:
        match = _FIRST.match(first)
        groups[match[0] if match else ""].append((question, first))
    errors = [pair for group in groups.values() if _are_errors(group) for pair in group]
    wrong = {question for question, _ in errors}
    told = [(question, said) for question, said in lines if question not in wrong]
    return Answers(told=tuple(told), errors=tuple(errors))


def _are_errors(group: Sequence[tuple[str, str]]) -> bool:
    same = len({line for _, line in group}) == 1
    named = all(question in line for question, line in group)
    worded = all(ERROR_WORDS.search(line) for _, line in group)
    if len({question for question, _ in group}) < 2:
        return worded
    return same or named or worded


def guess_identity(answers: Answers) -> list[Guess[str]]:
    """The question whose answer tells best who is there, best first."""
    guesses = []
    for place, (question, lines) in enumerate(answers.told):
        first = lines[0]
        if len(lines) > 1 or len(first) > LONGEST:
            continue
        weight, reason = 0.4, f"it answers {first!r}"
        if question.casefold() == "*idn?" and first.count(",") == 3:
            weight, reason = 1.0, f"{reason}, in the form of IEEE 488.2"
        elif re.search(r"\d", first):
            weight, reason = 0.8, f"{reason}, with a number in it"
        guesses.append(Guess(value=question, reason=reason, weight=weight - 0.01 * place))
    return sorted(guesses, key=lambda guess: -guess.weight)


def error_pattern(answers: Answers) -> str | None:
    """A pattern for errors, from those that came."""
    guesses = guess_errors([line for _, line in answers.errors])
    return guesses[0].value if guesses else None


def expect_of(question: str, line: str) -> str:
    """A pattern for an answer that tells who is there: its words stand, its numbers may change.

    The first thing like 2.4 is taken for the firmware, the first other word with a digit for the
    serial number. An answer in four fields to ``*IDN?`` has them as IEEE 488.2 says.
    """
    if question.casefold() == "*idn?" and line.count(",") == 3:
        maker, model, _, _ = line.split(",")
        start = f"^{re.escape(maker)},{re.escape(model)},"
        return start + "(?P<serial_number>[^,]*),(?P<firmware>[^,]*)$"
    pattern, found = "^", set[str]()
    for part in re.findall(r"[^\s;,=:]+|[\s;,=:]+", line):
        if not re.search(r"\d", part):
            pattern += re.escape(part).replace("\\ ", " ")
            continue
        name = "firmware" if _VERSION.fullmatch(part) else "serial_number"
        if name in found:
            pattern += r"[^\s;,=:]+"
        else:
            found.add(name)
            pattern += rf"(?P<{name}>[^\s;,=:]+)"
    return pattern + "$"
