"""Guesses about a conversation: line ends, echo, prompt, errors."""

from __future__ import annotations

import re

import pytest
from acqd_lines.learn_guess import (
    Exchange,
    answer_of,
    guess_echo,
    guess_errors,
    guess_prompt,
    is_text,
)


def said(sent: str, received: str) -> Exchange:
    return Exchange(sent=sent.encode(), received=received.encode())


def test_an_echo_is_seen_where_most_answers_have_it() -> None:
    """Also behind a line end; and not where one answer happens to begin so."""
    echoed = [said("id\r", "\r\nid\r\nLARK 1\r\n"), said("help\r", "help\r\nwords\r\n")]
    assert guess_echo(echoed).value is True
    silent = [said("v\r", "v=7\r"), said("id\r", "!11\r"), said("n\r", "!11\r")]
    assert guess_echo(silent).value is False
    assert guess_echo([]).value is False
    assert guess_echo([said("id\r", "")]).weight == 0.0


def test_a_prompt_is_what_ends_every_answer() -> None:
    """Without a line end behind it."""
    asked = [said("id\r", "LARK\r\nlark> "), said("x\r", "? x\r\nlark> ")]
    assert [guess.value for guess in guess_prompt(asked)] == [b"lark> "]


def test_no_prompt_where_answers_end_with_lines_or_differ() -> None:
    """Nor where there was one answer only, or half an answer."""
    assert guess_prompt([said("a\n", "1\n"), said("b\n", "2\n")]) == []
    assert guess_prompt([said("a\n", "1\n> "), said("b\n", "2\nhalf a li")]) == []
    assert guess_prompt([said("a\n", "1\n> ")]) == []


@pytest.mark.parametrize(
    ("lines", "hits", "spares"),
    [
        (["NO 11 unknown: X", "NO 12 huh"], "NO 9", "NOTHING WRONG"),
        (["!11", "!11", "!12"], "!2", "f=1"),
        (["? unknown: id", "? unknown: x"], "? again", "what? no"),
        (["unknown command 'id'", "invalid syntax"], "syntax error", "range is 1 to 2"),
    ],
)
def test_errors_are_told_by_what_they_share(lines: list[str], hits: str, spares: str) -> None:
    """A common first word or sign, else words that errors use."""
    (guess,) = guess_errors(lines)
    assert re.search(guess.value, hits)
    assert all(re.search(guess.value, line) for line in lines)
    assert not re.search(guess.value, spares)


def test_answers_that_share_nothing_are_no_errors() -> None:
    """Nor is nothing."""
    assert guess_errors(["LARK 1", "range 1 to 2"]) == []
    assert guess_errors(["", "  "]) == []


def test_echo_and_prompt_are_taken_away() -> None:
    """And nothing else."""
    exchange = said("go\r", "go\r\n-1, -2\r\nlark> ")
    assert answer_of(exchange, echo=True, prompt=b"lark> ") == b"-1, -2\r\n"
    assert answer_of(exchange, echo=False, prompt=b"") == exchange.received


def test_text_is_told_from_binary() -> None:
    """Control characters that text has do not count, nor does a sign of an old code page."""
    assert is_text(b"-97.4 dBm\r\n\t\x00")
    assert is_text(b"level in dB\xb5V, " * 10 + b"-97.4")
    assert not is_text(b"\xa5\x5a\x65\x00\x10\xa9\x0f\x94")
    assert not is_text(b"")
