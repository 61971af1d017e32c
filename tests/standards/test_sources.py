"""The tables here stay honest: every test names a public source and how it was come by.

Read from the modules' text, so that tests which are skipped or left out are looked at as well; what
is run is checked row by row by the fixture of ``conftest.py``.
"""

from __future__ import annotations

import ast
import itertools
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

HERE = Path(__file__).parent
MODULES = sorted(HERE.glob("test_*.py"))

pytestmark = pytest.mark.source("the modules of this folder", "derived")


@pytest.fixture(scope="module")
def conftest(request: pytest.FixtureRequest) -> Any:
    """The module ``conftest.py`` of this folder, as pytest has loaded it."""
    found = request.config.pluginmanager.get_plugin(str(HERE / "conftest.py"))
    assert found is not None
    return found


def calls_of_source(node: ast.AST) -> list[ast.Call]:
    """Every ``pytest.mark.source(...)`` inside a piece of code."""
    calls = (found for found in ast.walk(node) if isinstance(found, ast.Call))
    return [call for call in calls if ast.unparse(call.func) == "pytest.mark.source"]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_module_says_what_it_rests_on(path: Path) -> None:
    """A docstring of its own, and at least one source."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    assert len((ast.get_docstring(tree) or "").split()) >= 8
    assert calls_of_source(tree)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_sources_are_texts_with_a_known_mark(path: Path, conftest: Any) -> None:
    """Two plain strings each; a helper that marks rows hands its arguments on by name."""
    for call in calls_of_source(ast.parse(path.read_text(encoding="utf-8"))):
        assert len(call.args) == 2, ast.unparse(call)
        assert not call.keywords, ast.unparse(call)
        text, mark = call.args
        if isinstance(text, ast.Constant) and isinstance(mark, ast.Constant):
            assert isinstance(text.value, str) and len(text.value) >= 8, ast.unparse(call)
            assert mark.value in conftest.MARKS, ast.unparse(call)
        else:
            assert [ast.unparse(one) for one in call.args] == ["text", "mark"]


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.stem)
def test_every_test_has_a_source(path: Path) -> None:
    """On itself, on its rows (which call a helper or carry ``marks``), or on the whole module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    whole = [
        node for node in tree.body
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "pytestmark"
    ]  # fmt: skip
    if any(calls_of_source(node) for node in whole):
        return
    functions = (ast.FunctionDef, ast.AsyncFunctionDef)
    for node in tree.body:
        if not (isinstance(node, functions) and node.name.startswith("test_")):
            continue
        own = itertools.chain.from_iterable(map(calls_of_source, node.decorator_list))
        rows = [
            call for decorator in node.decorator_list for call in ast.walk(decorator)
            if isinstance(call, ast.Call)
            and (
                ast.unparse(call.func) == "rows_of"
                or any(keyword.arg == "marks" for keyword in call.keywords)
            )
        ]  # fmt: skip
        assert any(own) or rows, f"{path.name}: {node.name} names no source"


def test_read_me_knows_every_module_and_mark(conftest: Any) -> None:
    """What a reader looks up first names all of them, and nothing that is not there."""
    text = (HERE / "README.md").read_text(encoding="utf-8")
    assert set(re.findall(r"`(test_\w+)`", text)) == {path.stem for path in MODULES}
    assert [row for row in conftest.MARKS.items() if "| {} | {} |".format(*row) not in text] == []


@pytest.mark.parametrize(
    ("args", "fault"),
    [
        (None, "names no source"),
        (("", "read"), "has no text"),
        (("47 CFR 97.307(d)",), "is marked ''"),
        (("47 CFR 97.307(d)", "known"), "is marked 'known'"),
        (("47 CFR 97.307(d)", "read"), None),
    ],
    ids=["none", "no text", "no mark", "no such mark", "as it should be"],
)
def test_fixture_refuses(conftest: Any, args: tuple[str, ...] | None, fault: str | None) -> None:
    """What the fixture of every test here finds wrong."""
    marks = [] if args is None else [SimpleNamespace(args=args)]
    found = conftest.faults_of(marks)
    assert (fault is None) == (not found)
    if fault is not None:
        assert fault in found[0]
