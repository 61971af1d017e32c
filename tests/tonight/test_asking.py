"""Questions: what Enter means, wrong answers, and answers that end."""

from __future__ import annotations

import io

import pytest

from acqd.errors import WrongUsage
from acqd.tonight.asking import TRIES, Asker, NoAnswer


def asker(answers: str, *, takes_defaults: bool = False) -> Asker:
    return Asker(io.StringIO(answers), io.StringIO(), takes_defaults=takes_defaults)


def said(one: Asker) -> str:
    assert isinstance(one.into, io.StringIO)
    return one.into.getvalue()


def test_enter_means_the_default_which_is_shown() -> None:
    """And why it is asked."""
    one = asker("\n")
    assert one.choice("Which?", ("left", "right"), why="Two ways go on:", default=2) == 2
    assert "Two ways go on:\n  1  left\n  2  right\nWhich? [2] " in said(one)
    assert one.asked == 1


def test_a_wrong_answer_is_said_and_asked_again() -> None:
    """In one line, with what was expected."""
    one = asker("3\nleft\n1\n")
    assert one.choice("Which?", ("left", "right"), why="w") == 1
    assert "'3' is none of them: a number from 1 to 2" in said(one)
    assert one.asked == 1


def test_wrong_answers_are_not_asked_for_for_ever() -> None:
    """Then it is given up."""
    with pytest.raises(NoAnswer, match="nothing was written"):
        asker("x\n" * (TRIES + 3)).agreed("Start?", why="w")


def test_an_input_that_ends_is_one_line() -> None:
    """Ctrl-D, or a pipe that was too short."""
    with pytest.raises(NoAnswer, match="the input has ended; nothing was written"):
        asker("").agreed("Start?", why="w")
    assert issubclass(NoAnswer, WrongUsage)


def test_defaults_are_taken_unasked_and_told() -> None:
    """With ``--yes``."""
    one = asker("", takes_defaults=True)
    assert one.agreed("Start?", why="w", told="started")
    assert one.value("Gain?", why="w", default="20", read=float) == 20.0
    assert one.taken == ["started", "Gain? 20"]
    assert (one.asked, said(one)) == (0, "")
