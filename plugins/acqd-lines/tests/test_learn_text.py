"""Guesses about sweeps in text."""

from __future__ import annotations

import pytest
from acqd_lines.learn_text import TextShape, guess_text


def best(text: str, points: int | None = None) -> TextShape:
    return guess_text(text, points=points)[0].value


PAIRS = "156000.000=-97.4\r\n156010.000=-91.6\r\n156020.000=-40.2\r\n156030.000=-97.4\r\n"


def test_pairs_with_an_end_line() -> None:
    """Which column is the axis, what stands between, what comes after."""
    shape = best(f"{PAIRS}END 4 C2\r\n")
    assert (shape.form, shape.separators, shape.level_column) == ("pairs", ("=",), 1)
    assert shape.levels == (-97.4, -91.6, -40.2, -97.4)
    assert shape.frequencies == (156000.0, 156010.0, 156020.0, 156030.0)
    assert (shape.skip, shape.lines, shape.tail) == (0, 4, ("END 4 C2",))


def test_lines_before_the_numbers_are_skipped() -> None:
    """A heading is none of them."""
    shape = best(f"kHz dBm\r\nsweep of 4:\r\n{PAIRS}")
    assert (shape.skip, shape.points, shape.tail) == (2, 4, ())


@pytest.mark.parametrize(
    ("text", "separators", "unit", "level_column"),
    [
        ("1.0;-90\n2.0;-80\n3.0;-95\n", (";",), "", 1),
        ("1.0\t-90 dBm\n2.0\t-80 dBm\n3.0\t-95 dBm\n", (" ",), "dBm", 1),
        ("-90, 3.0\n-80, 2.0\n-95, 1.0\n", (",",), "", 0),
        ("1.0 -90\n2.0 -80\n3.0 -95\n", (" ",), "", 1),
    ],
)
def test_pairs_in_other_clothes(
    text: str, separators: tuple[str, ...], unit: str, level_column: int
) -> None:
    """Separators, units behind the level, level first, an axis that falls."""
    shape = best(text)
    assert (shape.form, shape.separators) == ("pairs", separators)
    assert (shape.unit, shape.level_column) == (unit, level_column)
    assert shape.levels == (-90.0, -80.0, -95.0)


@pytest.mark.parametrize(
    ("text", "separators", "unit"),
    [
        ("-90.1 dBm, -80.2 dBm, -95.3 dBm\r\n", (",",), "dBm"),
        ("-90.1,-80.2,-95.3\n", (",",), ""),
        ("-90.1 -80.2 -95.3", (" ",), ""),
        ("-90.1;-80.2;-95.3\n", (";",), ""),
    ],
)
def test_lists(text: str, separators: tuple[str, ...], unit: str) -> None:
    """All in one line."""
    shape = best(text)
    assert (shape.form, shape.separators, shape.unit) == ("list", separators, unit)
    assert shape.levels == (-90.1, -80.2, -95.3)
    assert shape.frequencies is None


def test_a_list_in_rows_with_a_rest() -> None:
    """The last line has fewer; a word behind it is no part of it."""
    shape = best("-90.1 -80.2 -95.3\n-90.2 -81.2 -95.4\n-90.3\ndone\n", 7)
    assert (shape.form, shape.points, shape.lines) == ("list", 7, 3)
    assert shape.tail == ("done",)


def test_a_list_of_pairs() -> None:
    """Two signs that take turns."""
    shape = best("1:-90;2:-80;3:-95\n")
    assert (shape.form, shape.columns, set(shape.separators)) == ("pairs", 2, {":", ";"})
    assert shape.levels == (-90.0, -80.0, -95.0)


def test_a_column() -> None:
    """One number a line."""
    shape = best("-90\n-80\n-95\n-91\n")
    assert (shape.form, shape.points, shape.columns) == ("column", 4, 1)


def test_a_decimal_comma() -> None:
    """Where another sign stands between the numbers."""
    shape = best("156,0;-90,1\n156,1;-80,2\n156,2;-95,3\n")
    assert shape.decimal_comma
    assert shape.levels == (-90.1, -80.2, -95.3)
    assert shape.frequencies == (156.0, 156.1, 156.2)


def test_the_number_of_points_settles_what_is_unsure() -> None:
    """A shape with as many as asked for weighs more, and its reason says so."""
    few, many = guess_text(PAIRS, points=4)[0], guess_text(PAIRS, points=5)[0]
    assert few.weight > many.weight
    assert few.reason.endswith("as many as asked for")
    assert many.reason.endswith("not the 5 asked for")


@pytest.mark.parametrize("text", ["", "OK\r\n", "TERN;GL-0031;2.4\r\n", "ready at 12\r\n"])
def test_short_answers_are_no_sweep(text: str) -> None:
    """Fewer than three numbers."""
    assert guess_text(text) == []
