"""Imports point one way, and what a module offers is listed in order."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

import acqd

ROOT = Path(acqd.__file__).resolve().parents[1]
PLUGINS = ("iq", "lines", "scpi", "sim")
PACKAGES = (
    ROOT / "acqd",
    *(ROOT / "plugins" / f"acqd-{name}" / "src" / f"acqd_{name}" for name in PLUGINS),
)
MODULES = sorted(path for package in PACKAGES for path in package.rglob("*.py"))


def name_of(path: Path) -> str:
    return re.sub(r"^plugins/acqd-\w+/src/", "", str(path.relative_to(ROOT)))


@pytest.mark.slow
def test_the_contracts_of_the_layers_hold() -> None:
    """import-linter, with the contracts of pyproject.toml."""
    program = Path(sys.executable).with_name("lint-imports")
    done = subprocess.run(
        [str(program), "--no-cache"], capture_output=True, text=True, cwd=ROOT, timeout=60
    )
    assert done.returncode == 0, done.stdout
    assert "3 kept, 0 broken" in done.stdout


def exported(tree: ast.Module) -> list[str] | None:
    """The names of ``__all__``, as they stand in the text."""
    for node in tree.body:
        if isinstance(node, ast.Assign) and any(
            isinstance(target, ast.Name) and target.id == "__all__" for target in node.targets
        ):
            return [ast.literal_eval(one) for one in getattr(node.value, "elts", [])]
    return None


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_what_a_module_offers_is_listed(path: Path) -> None:
    """In order (capitals first), each once, each there, none of them private."""
    tree = ast.parse(path.read_text("utf-8"))
    names = exported(tree)
    if names is None:
        is_program = "__main__" in path.read_text("utf-8")
        assert path.stem == "__init__" or is_program, "no __all__"
        return

    def key(name: str) -> tuple[int, str]:
        return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)

    assert names == sorted(set(names), key=key)
    made = set()
    for node in tree.body:
        if isinstance(node, ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            made.add(node.name)
        elif isinstance(node, ast.Assign):
            made |= {
                one.id
                for target in node.targets
                for one in ast.walk(target)
                if isinstance(one, ast.Name)
            }
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            made.add(node.target.id)
        elif isinstance(node, ast.ImportFrom | ast.Import):
            made |= {(alias.asname or alias.name).split(".")[0] for alias in node.names}
    lazy = "__getattr__" in made
    assert lazy or set(names) <= made
    assert not [name for name in names if name.startswith("_") and name != "__version__"]


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_module_is_one_idea_of_bounded_length(path: Path) -> None:
    """It says what it is for, reads annotations late, and has at most 700 lines."""
    text = path.read_text("utf-8")
    tree = ast.parse(text)
    assert ast.get_docstring(tree), "no docstring"
    assert text.count("\n") <= 700
    if len(tree.body) > 1:
        assert "from __future__ import annotations" in text


def test_nothing_happens_on_import() -> None:
    """No module makes threads, files or connections because somebody imports it."""
    code = """\
import pkgutil, sys, threading, importlib
import acqd
def hook(event, args):
    if event in ("socket.connect", "subprocess.Popen", "sqlite3.connect", "socket.bind"):
        raise SystemExit(f"{event} {args!r} on import")
    if event == "open" and isinstance(args[1], str) and any(c in args[1] for c in "wax+"):
        if not str(args[0]).endswith(".pyc") and "__pycache__" not in str(args[0]):
            raise SystemExit(f"writes {args[0]} on import")
sys.addaudithook(hook)
for module in pkgutil.walk_packages(acqd.__path__, "acqd."):
    importlib.import_module(module.name)
threads = [t.name for t in threading.enumerate() if t is not threading.main_thread()]
raise SystemExit(f"threads {threads}" if threads else 0)
"""
    done = subprocess.run(
        [sys.executable, "-B", "-c", code], capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
