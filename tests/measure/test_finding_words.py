"""Every word that a finding is told by stands on the page of messages, and no other does.

The words are read from the sources: what goes into ``FindingDraft(what=…)``, straight or through
functions that have a parameter ``what`` which goes there. A word that cannot be read off fails the
test, so that it cannot be made up at run time.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pytest

from acqd.measure.finding_words import FINDING_WORDS

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "messages.md").read_text("utf-8")
FOLDERS = ("acqd/measure", "acqd/station")
KINDS = ("band", "carrier", "emission", "reflection", "transmission", "soak")
OF_STATION = ("any kind", "station")
DRAFT = "FindingDraft"
REPORT = "acqd/measure/report.py"
TELLERS = {"findings", "self._tell", "self.tell"}
"""What ``tell`` of the station's findings is called on, and where it is held as a function."""

Function = ast.FunctionDef | ast.AsyncFunctionDef


@dataclass(frozen=True)
class Source:
    """One file: its name, and each call in it with the function that it stands in; but for those
    of a function of its own that takes no word, whatever others call so."""

    name: str
    tree: ast.Module

    @cached_property
    def calls(self) -> tuple[tuple[ast.Call, Function | None], ...]:
        functions = [one for one in ast.walk(self.tree) if isinstance(one, Function)]
        wordless = {one.name for one in functions if "what" not in parameters(one)}
        return tuple(
            (call, inside)
            for call, inside in _calls(self.tree, None)
            if not (receiver(call) == "self" and getattr(call.func, "attr", "") in wordless)
        )


def _calls(node: ast.AST, inside: Function | None) -> Iterator[tuple[ast.Call, Function | None]]:
    for child in ast.iter_child_nodes(node):
        if isinstance(child, ast.Call):
            yield child, inside
        yield from _calls(child, child if isinstance(child, Function) else inside)


def called(call: ast.Call) -> str:
    name = str(getattr(call.func, "attr", None) or getattr(call.func, "id", ""))
    return "tell" if name == "_tell" else name


def receiver(call: ast.Call) -> str:
    """``findings`` of ``self._findings.tell(…)``."""
    of = getattr(call.func, "value", None)
    return str(getattr(of, "attr", None) or getattr(of, "id", "")).lstrip("_")


def parameters(function: Function) -> list[str]:
    """Those that a caller gives, in order."""
    names = [one.arg for one in (*function.args.args, *function.args.kwonlyargs)]
    return names[1:] if names[:1] == ["self"] else names


def word_of(call: ast.Call, sinks: dict[str, int]) -> ast.expr | None:
    """What a call gives for the word; None where it does not tell a finding."""
    name = called(call)
    if name == "tell" and not TELLERS & {receiver(call), ast.unparse(call.func)}:
        return None
    for keyword in call.keywords:
        if keyword.arg == "what":
            return keyword.value if name in sinks else None
    at = sinks.get(name)
    if at is None or len(call.args) <= at:
        return None
    return call.args[at]


def words_of(value: ast.expr, inside: Function | None) -> set[str] | None:
    """The words that an expression can come to; None where that cannot be read off."""
    if isinstance(value, ast.Constant) and isinstance(value.value, str):
        return {value.value}
    if isinstance(value, ast.IfExp):
        both = [words_of(value.body, inside), words_of(value.orelse, inside)]
        return None if None in both else set().union(*(one or set() for one in both))
    if isinstance(value, ast.Name) and inside is not None:
        given = [
            one.value
            for one in ast.walk(inside)
            if isinstance(one, ast.Assign)
            and any(isinstance(to, ast.Name) and to.id == value.id for to in one.targets)
        ]
        found = [words_of(one, inside) for one in given]
        return None if not found or None in found else set().union(*(one or set() for one in found))
    return None


def is_handed_on(value: ast.expr, inside: Function | None) -> bool:
    return (
        isinstance(value, ast.Name)
        and value.id == "what"
        and inside is not None
        and "what" in parameters(inside)
    )


def told(sources: list[Source]) -> tuple[dict[str, set[str]], list[str]]:
    """Words and the files that they are told in; and where one could not be read off."""
    sinks = {DRAFT: 0}
    while True:
        more = {
            inside.name: parameters(inside).index("what")
            for source in sources
            for call, inside in source.calls
            if (value := word_of(call, sinks)) is not None
            and inside is not None
            and is_handed_on(value, inside)
        }
        if more.items() <= sinks.items():
            break
        sinks |= more
    words: dict[str, set[str]] = {}
    unread = []
    for source in sources:
        for call, inside in source.calls:
            value = word_of(call, sinks)
            if value is None or is_handed_on(value, inside):
                continue
            found = words_of(value, inside)
            if found is None:
                unread.append(f"{source.name}:{call.lineno}")
            for word in found or ():
                words.setdefault(word, set()).add(source.name)
    return words, unread


def kind_of(file: str) -> str:
    return file.rpartition("/")[2].partition("_")[0].removesuffix(".py")


def shared(sources: list[Source]) -> dict[str, set[str]]:
    """The words that kinds have in common, told by functions of their own, and who calls those."""
    (report,) = (one for one in sources if one.name == REPORT)
    found: dict[str, set[str]] = {}
    for word, function in (
        (word, inside.name)
        for call, inside in report.calls
        if inside is not None and called(call) in (DRAFT, "finding_on")
        for value in call.args[1:2] + [one.value for one in call.keywords if one.arg == "what"]
        for word in words_of(value, inside) or ()
    ):
        found[word] = {
            kind_of(one.name)
            for one in sources
            for call, _ in one.calls
            if called(call) == function
        }
    return found


@pytest.fixture(scope="module")
def sources() -> list[Source]:
    files = sorted(file for folder in FOLDERS for file in (ROOT / folder).rglob("*.py"))
    return [
        Source(str(file.relative_to(ROOT)), ast.parse(file.read_text("utf-8"))) for file in files
    ]


@pytest.fixture(scope="module")
def table() -> dict[str, tuple[str, ...]]:
    """The page's words and the kinds that tell them."""
    rows = re.findall(r"(?m)^\| `([a-z_]+)` \| ([^|`]+) \| [^|]+ \|$", section("Words of findings"))
    assert len(rows) == len(dict(rows))
    return {word: tuple(kinds.split(", ")) for word, kinds in rows}


def section(title: str) -> str:
    found = re.search(rf"(?ms)^##+ {title}\n(.*?)(?=^## |\Z)", PAGE)
    assert found is not None, title
    return found[1]


def test_configs_know_the_same_words(table: dict[str, tuple[str, ...]]) -> None:
    """A soak that counts findings of a word that there is not would pass for ever."""
    of_kinds = {
        kind: sorted(word for word, kinds in table.items() if kind in kinds)
        for kind in FINDING_WORDS
    }
    assert {kind: sorted(words) for kind, words in FINDING_WORDS.items()} == of_kinds


def test_the_page_has_every_word_and_no_other(
    sources: list[Source], table: dict[str, tuple[str, ...]]
) -> None:
    words, unread = told(sources)
    assert unread == []
    assert sorted(table) == sorted(words)


def test_a_kind_tells_the_words_of_its_rows(
    sources: list[Source], table: dict[str, tuple[str, ...]]
) -> None:
    """A word told in one kind's module is a word of that kind; the station's are told by none."""
    words, _ = told(sources)
    for word, kinds in shared(sources).items():
        assert kinds == set(table[word]), word
    for word, files in words.items():
        kinds = set(table[word])
        assert kinds <= {*KINDS, *OF_STATION}, word
        for file in files:
            folder, _, name = file.rpartition("/")
            if folder == "acqd/station":
                assert kinds <= set(OF_STATION), word
            elif (kind := kind_of(name)) in KINDS:
                assert kind in kinds, word


@pytest.mark.parametrize("kind", KINDS)
def test_a_kinds_own_page_has_its_words(kind: str, table: dict[str, tuple[str, ...]]) -> None:
    """And no word that another kind alone tells."""
    page = (ROOT / "docs" / f"{kind}.md").read_text("utf-8")
    own = {word for word, kinds in table.items() if kind in kinds}
    rows = re.findall(r"(?m)^\| (`[a-z_]+`(?:, `[a-z_]+`)*) \| ", page)
    shown = {word for row in rows for word in re.findall(r"[a-z_]+", row)}
    assert own <= shown
    assert not shown & (table.keys() - own)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        pytest.param('FindingDraft(what="loud")', {"loud"}, id="straight"),
        pytest.param('FindingDraft(what="a" if x else "b")', {"a", "b"}, id="either"),
        pytest.param('w = "a" if x else "b"\n    FindingDraft(what=w)', {"a", "b"}, id="by-name"),
        pytest.param('hand_on(sweep, "deep", "text")', {"deep"}, id="handed-on"),
        pytest.param('Missing(what="width")', set(), id="something-else"),
        pytest.param("FindingDraft(what=draft.what)", None, id="unread"),
    ],
)
def test_words_are_found_however_they_are_told(text: str, words: set[str] | None) -> None:
    """The reading of sources itself, since a word that it overlooks would be missed."""
    helper = "def hand_on(sweep, what, text):\n    return FindingDraft(what=what)\n"
    found, unread = told([Source("x.py", ast.parse(f"{helper}def f(x):\n    {text}\n"))])
    assert (set(found), unread) == ((words, []) if words is not None else (set(), ["x.py:4"]))
