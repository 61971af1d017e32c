"""Sentences that fit a terminal."""

from __future__ import annotations

import io

from acqd.cli.wrapping import fitted, paragraphs, width_of


def test_a_file_gets_whole_lines() -> None:
    """Whoever reads them with a program finds them as they are."""
    assert width_of(io.StringIO()) is None
    assert fitted("a " * 100, None, first="- ") == "- " + "a " * 100
    assert paragraphs("one\ntwo " + "x " * 99, None) == "one\ntwo " + "x " * 99


def test_lines_end_within_the_width_and_no_word_is_broken() -> None:
    """But for a word that is longer than the line, such as a path."""
    text = "a transmission of 3.5 s or more is always caught, one of 1 s with a chance of 50 %"
    lines = fitted(text, 40, first="  ", rest="    ").split("\n")
    assert max(len(line) for line in lines) < 40
    assert " ".join(line.strip() for line in lines) == text
    assert fitted("/" + "x" * 60, 40) == "/" + "x" * 60


def test_what_is_indented_stays_a_line_of_its_own() -> None:
    """Choices, and commands that somebody copies."""
    text = "\nWhat is asked, and\nwhy it is asked:\n  1  " + "x " * 40 + "\n  2  no"
    lines = paragraphs(text, 40).split("\n")
    assert lines == ["", "What is asked, and why it is asked:", "  1  " + "x " * 40, "  2  no"]
    assert paragraphs("one line", 40) == "one line"
    assert paragraphs("", 40) == ""
