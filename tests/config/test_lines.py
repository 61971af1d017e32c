"""The scanner finds the line of everything that tomllib finds a value for."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from acqd.config.lines import Path, line_of, lines_of

HARD_TEXTS = {
    "empty": "",
    "comments alone": "# nothing\n\n   # here",
    "bare": "a = 1\nb = true\nc-d_1 = 1979-05-27T07:32:00Z\n1234 = 0x1F\ne = 1.5e3 # tail\n",
    "dates with spaces": "a = 1979-05-27 07:32:00\nb = 07:32:00\n",
    "dotted": "a.b.c = 1\na . d = 2\na.'x.y'.z = 3\n",
    "quoted keys": '"a b" = 1\n\'c"d\' = 2\n"e\\"f" = 3\n"\\u00e4" = 4\n"" = 5\n',
    "tables": '[a]\nx = 1\n[a.b]\ny = 2\n[ c . "d.e" ]\nz = 3\n',
    "super table later": "[a.b.c]\nx = 1\n[a]\ny = 2\n",
    "arrays of tables": "[[p]]\nx = 1\n[[p]]\n[p.q]\ny = 2\n[[p.r]]\nz = 3\n[[p.r]]\nz = 4\n"
    "[[p]]\n",
    "inline": "a = { b = 1, c.d = 'x', e = { f = [] } }\nempty = {}\n",
    "inline in array": "a = [{ x = 1 },\n { x = 2, y = 3 }]\n",
    "arrays": "a = [ 1, 2 ,\n  3, # three\n  # four follows\n  4,\n]\nb = [[1, [2]], []]\n",
    "strings": 'a = "x = [1, { # \\" ] }"\nb = \'[a]\'\nc = ["]", "\\\\", "#"]\nd = ""\ne = \'\'\n',
    "multi-line": "a = \"\"\"\n[x]\ny = 1\n\"\"\"\nb = '''\n[[z]]\n'''\nc = 1\n",
    "multi-line quotes": (
        'a = """one "" two"""\nb = """ends with one\n""""\nc = """and two\n"""""\n'
        "d = '''it''s\n'''\ne = ''''quoted''\n''''\nf = \"\"\"\"\"\"\ng = 1\n"
    ),
    "multi-line escapes": 'a = """x \\""" y\n\\\\"""\nb = """\\\n   trimmed \\\n   """\nc = 1\n',
    "multi-line in array": 'a = ["""\n\n""", 2,\n3]\nb = 1\n',
    "no newline at the end": "[a]\nb = [1,\n2]",
    "windows lines": '[a]\r\nb = 1\r\n\r\nc = """\r\nx\r\n"""\r\nd = 2\r\n',
    "tabs": "\t[a]\t# x\n\tb\t=\t1\t\n",
    "odd scalars": "a = +inf\nb = -nan\nc = 1_000\nd = 0o17\ne = -0.0\n",
}


def paths_in(value: Any, path: Path = ()) -> Iterator[Path]:
    """Every path that a value parsed by tomllib has."""
    yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from paths_in(inner, (*path, key))
    elif isinstance(value, list):
        for index, inner in enumerate(value):
            yield from paths_in(inner, (*path, index))


@pytest.mark.parametrize("text", HARD_TEXTS.values(), ids=HARD_TEXTS.keys())
def test_same_paths_as_tomllib(text: str) -> None:
    """Hard cases: the scanner knows exactly the paths that tomllib, an independent reader, has."""
    assert set(lines_of(text)) == set(paths_in(tomllib.loads(text)))


@pytest.mark.parametrize(
    ("case", "path", "line"),
    [
        ("super table later", ("a",), 3),
        ("super table later", ("a", "b", "c"), 1),
        ("super table later", ("a", "y"), 4),
        ("tables", ("c", "d.e", "z"), 6),
        ("arrays of tables", ("p",), 1),
        ("arrays of tables", ("p", 1), 3),
        ("arrays of tables", ("p", 1, "q", "y"), 5),
        ("arrays of tables", ("p", 1, "r", 1, "z"), 9),
        ("arrays of tables", ("p", 2), 10),
        ("arrays", ("a", 2), 2),
        ("arrays", ("a", 3), 4),
        ("arrays", ("b",), 6),
        ("multi-line", ("b",), 5),
        ("multi-line", ("c",), 8),
        ("multi-line quotes", ("c",), 4),
        ("multi-line quotes", ("g",), 11),
        ("multi-line escapes", ("c",), 6),
        ("multi-line in array", ("a", 1), 3),
        ("multi-line in array", ("a", 2), 4),
        ("windows lines", ("a", "d"), 7),
        ("no newline at the end", ("a", "b", 1), 3),
    ],
)
def test_line(case: str, path: Path, line: int) -> None:
    """Each thing has the line on which it begins, an explicit header before an implied one."""
    assert lines_of(HARD_TEXTS[case])[path] == line


def test_what_is_missing_has_the_line_of_its_table() -> None:
    """A path that is not in the text is placed at the nearest table around it."""
    lines = lines_of("\n[a]\n\n[a.b]\nx = 1\n")
    assert line_of(lines, ("a", "b", "y", 3, "z")) == 4
    assert line_of(lines, ("a", "q")) == 2
    assert line_of(lines, ("nowhere",)) == 1


VALUES = st.sampled_from(
    [
        "1",
        "true",
        '"text # [not] = {a} table"',
        "'''\nline\n[x]\n'''",
        '"""\n\\"""\n"""',
        "[1,\n 2, # two\n [\n'''x\n''']]",
        "{ k = 1, 'l m' = [ {} ] }",
        "1979-05-27 07:32:00.5-07:00",
    ]
)
KEYS = st.sampled_from(["{}", "t.{}", "'{} q'", '"{}\\t".x'])


@settings(derandomize=True, deadline=None)
@given(st.lists(st.tuples(KEYS, VALUES, st.integers(0, 3), st.booleans()), max_size=12))
def test_lines_of_texts_put_together_by_chance(pieces: list[tuple[str, str, int, bool]]) -> None:
    """Texts of known layout: every assignment is found on the line on which it was put."""
    text, placed = "", []
    for number, (key, value, blank, as_table) in enumerate(pieces):
        text += "\n" * blank
        if as_table:
            text += f"[[many]] # {number}\n"
        placed.append(text.count("\n") + 1)
        text += f"{key.format(f'k{number}')} = {value} # end\n"
    lines = lines_of(text)
    assert set(lines) == set(paths_in(tomllib.loads(text)))
    for number, line in enumerate(placed):
        at = [lines[path] for path in lines if path and _names(path[-1], number)]
        assert line in at


def _names(key: str | int, number: int) -> bool:
    return isinstance(key, str) and key.split()[0:1] == [f"k{number}"]
