"""Guesses about a sweep that came as text: pairs of frequency and level, a column, a list. Pure."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

from acqd_lines.learn_guess import Guess

__all__ = ["Form", "TextShape", "guess_text"]

Form = Literal["pairs", "column", "list"]

LEAST_POINTS = 3
"""Fewer numbers than this are an answer about something, not a sweep."""
UNITS = ("dBm", "dBuV", "dBµV", "dBmV", "dBFS", "dB")
POINT = re.compile(r"(?<![\d.])[+\-−]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?(?![\d])")
COMMA = re.compile(r"(?<![\d,])[+\-−]?\d+(?:,\d+)?(?:[eE][+-]?\d{1,3})?(?![\d])")


@dataclass(frozen=True, slots=True, kw_only=True)
class TextShape:
    """How a sweep stands in the lines of an answer.

    ``skip`` lines stand before the numbers and ``tail`` behind them. ``separator`` stands between
    the columns of a pair, or between the values of a list (where a list of pairs has two kinds,
    both). ``unit`` is the word behind each level, empty where none is. ``level_column`` is 0 or 1
    of a pair. Numbers are as they stand there.
    """

    form: Form
    separators: tuple[str, ...]
    levels: tuple[float, ...]
    frequencies: tuple[float, ...] | None
    unit: str = ""
    decimal_comma: bool = False
    level_column: int = 0
    columns: int = 1
    skip: int = 0
    lines: int = 0
    tail: tuple[str, ...] = ()

    @property
    def points(self) -> int:
        return len(self.levels)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A line cut into numbers and what stands around them."""

    numbers: tuple[float, ...]
    between: tuple[str, ...]
    before: str
    after: str

    @property
    def form(self) -> tuple[object, ...]:
        """Two lines of one form were written by one program."""
        return len(self.numbers), self.between, self.before, self.after


def guess_text(text: str, *, points: int | None = None) -> list[Guess[TextShape]]:
    """What ``text`` may be as a sweep, best first.

    Args:
        text: the answer without echo and prompt.
        points: how many the user expects; shapes with as many weigh more.
    """
    lines = [line.strip() for line in re.split(r"\r\n?|\n", text) if line.strip()]
    guesses = [
        guess
        for comma in (False, True)
        for guess in (*_rows(lines, comma), *_lists(lines, comma))
        if guess.value.points >= LEAST_POINTS
    ]
    weighed = [_weighed(guess, points) for guess in guesses]
    return sorted(weighed, key=lambda guess: -guess.weight)


def _weighed(guess: Guess[TextShape], points: int | None) -> Guess[TextShape]:
    weight, reason = guess.weight, guess.reason
    if guess.value.decimal_comma:
        weight *= 0.9
    if points is not None:
        is_right = guess.value.points == points
        weight *= 1.0 if is_right else 0.3
        reason += ", as many as asked for" if is_right else f", not the {points} asked for"
    return Guess(value=guess.value, reason=reason, weight=weight)


def _cut(line: str, comma: bool) -> _Line:
    pattern = COMMA if comma else POINT
    found = list(pattern.finditer(line))
    numbers = tuple(float(one[0].replace(",", ".").replace("−", "-")) for one in found)
    between = tuple(line[left.end() : right.start()] for left, right in pairwise(found))
    before = line[: found[0].start()] if found else line
    after = line[found[-1].end() :] if found else ""
    return _Line(numbers=numbers, between=between, before=before, after=after)


# --- a point a line -----------------------------------------------------------------------------


def _rows(lines: Sequence[str], comma: bool) -> list[Guess[TextShape]]:
    """Lines that are all of one form with one or two numbers, with others before and behind."""
    cut = [_cut(line, comma) for line in lines]
    counted = Counter(one.form for one in cut if len(one.numbers) in (1, 2) and not one.before)
    if not counted:
        return []
    form, count = counted.most_common(1)[0]
    if count < LEAST_POINTS:
        return []
    first = next(place for place, one in enumerate(cut) if one.form == form)
    last = max(place for place, one in enumerate(cut) if one.form == form)
    if last - first + 1 != count:
        return []
    rows = cut[first : last + 1]
    pair = len(rows[0].numbers) == 2
    shape = _row_shape(rows, comma, first, lines[last + 1 :])
    what = "pairs of numbers" if pair else "numbers"
    return [
        Guess(
            value=shape,
            reason=f"{count} of {len(lines)} lines are {what} of one form",
            weight=0.95 if pair else 0.9,
        )
    ]


def _row_shape(rows: Sequence[_Line], comma: bool, skip: int, tail: Sequence[str]) -> TextShape:
    columns = list(zip(*(row.numbers for row in rows), strict=True))
    pair = len(columns) == 2
    axis = _axis_column(columns) if pair else None
    level = 0 if axis is None or axis == 1 else 1
    if pair and axis is None:
        level = 1
    beside = [*rows[0].between, rows[0].after]
    units = tuple(_unit_in(text) for text in beside)
    separator = beside[0].strip() if pair else ""
    if pair and units[0]:
        separator = separator.replace(units[0], "").strip()
    return TextShape(
        form="pairs" if pair else "column",
        separators=(separator or " ",) if pair else (),
        levels=tuple(columns[level]),
        frequencies=tuple(columns[1 - level]) if pair else None,
        unit=units[level],
        decimal_comma=comma,
        level_column=level,
        columns=len(columns),
        skip=skip,
        lines=len(rows),
        tail=tuple(tail),
    )


def _axis_column(columns: Sequence[Sequence[float]]) -> int | None:
    """Which column only rises, or only falls, as an axis does; None where neither does."""
    for place, column in enumerate(columns):
        steps = [b - a for a, b in pairwise(column)]
        if all(step > 0 for step in steps) or all(step < 0 for step in steps):
            return place
    return None


def _unit_in(text: str) -> str:
    return next((unit for unit in UNITS if unit in text), "")


# --- many points a line -------------------------------------------------------------------------


def _lists(lines: Sequence[str], comma: bool) -> list[Guess[TextShape]]:
    """A line, or several of one kind, with many numbers and always the same between them."""
    cut = [_cut(line, comma) for line in lines]
    longest = max((len(one.numbers) for one in cut), default=0)
    if longest < LEAST_POINTS:
        return []
    rows = [one for one in cut if 2 * len(one.numbers) > longest]
    first = cut.index(rows[0])
    rows += _short_last(cut[first + len(rows) :], rows)
    between = Counter(text for row in rows for text in row.between)
    separator, count = between.most_common(1)[0]
    total = sum(between.values())
    if rows[0].before or cut[first : first + len(rows)] != rows:
        return []
    if count < total:
        return _list_of_pairs(rows, between, comma, first, lines)
    values = tuple(number for row in rows for number in row.numbers)
    unit = _unit_in(separator)
    plain = separator.replace(unit, "").strip() if unit else separator.strip()
    shape = TextShape(
        form="list",
        separators=(plain or " ",),
        levels=values,
        frequencies=None,
        unit=unit,
        decimal_comma=comma,
        skip=first,
        lines=len(rows),
        tail=tuple(lines[first + len(rows) :]),
    )
    said = f"{len(values)} numbers, all with {separator!r} between them"
    return [Guess(value=shape, reason=said, weight=0.9)]


def _short_last(after: Sequence[_Line], rows: Sequence[_Line]) -> list[_Line]:
    """The line behind rows of many numbers that has what was left over, where there is one."""
    if not after or len(rows) < 2:
        return []
    last, known = after[0], set(rows[0].between)
    fits = bool(last.numbers) and not last.before and set(last.between) <= known
    return [last] if fits and last.after == rows[-1].after else []


def _list_of_pairs(
    rows: Sequence[_Line], between: Counter[str], comma: bool, first: int, lines: Sequence[str]
) -> list[Guess[TextShape]]:
    """Two kinds of separator that take turns: frequency and level, again and again."""
    if len(between) != 2 or "." in between or len(rows[0].between) < 2:
        return []
    inner, outer = rows[0].between[0], rows[0].between[1]
    for row in rows:
        turns = [outer if place % 2 else inner for place in range(len(row.between))]
        if list(row.between) != turns or len(row.numbers) % 2:
            return []
    numbers = [number for row in rows for number in row.numbers]
    columns = (numbers[0::2], numbers[1::2])
    axis = _axis_column(columns)
    level = 0 if axis == 1 else 1
    separators = tuple(dict.fromkeys(text.strip() or " " for text in (inner, outer)))
    shape = TextShape(
        form="pairs",
        separators=separators,
        levels=tuple(columns[level]),
        frequencies=tuple(columns[1 - level]),
        decimal_comma=comma,
        level_column=level,
        columns=2,
        skip=first,
        lines=len(rows),
        tail=tuple(lines[first + len(rows) :]),
    )
    said = f"{len(columns[0])} pairs in one line, {inner!r} within and {outer!r} between them"
    return [Guess(value=shape, reason=said, weight=0.85)]
