"""tools/fuzz: every target takes a few hundred made-up inputs, and what is wrong is found."""

from __future__ import annotations

import importlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parents[2]
FOUND = Path(__file__).parent / "found_by_fuzz"


def _tool() -> Any:
    sys.path.insert(0, str(ROOT / "tools"))
    try:
        return importlib.import_module("fuzz")
    finally:
        sys.path.pop(0)


TOOL = _tool()
ENGINES = sys.modules["fuzz_parts.engines"]
FILES = sys.modules["fuzz_parts.files"]
LIVE = sys.modules["fuzz_parts.live"]


@pytest.mark.parametrize("target", TOOL.TARGETS, ids=lambda target: target.name)
def test_made_up_input_is_read_or_refused_in_one_line(target: Any, tmp_path: Path) -> None:
    """By changes to right inputs."""
    tried = ENGINES.by_changes(target, inputs=200, seconds=60.0, seed=2, folder=tmp_path)
    assert tried.problem == ""
    assert tried.inputs >= 150


def _found() -> Iterator[Any]:
    """What was found once: the file's name begins with its target's."""
    for path in sorted(FOUND.glob("*--*")):
        name = path.name.partition("--")[0].replace("-", " ")
        yield pytest.param(name, path.read_bytes(), id=path.name)


@pytest.mark.parametrize(("name", "data"), list(_found()))
def test_what_was_found_once_stays_mended(name: str, data: bytes) -> None:
    (target,) = [one for one in TOOL.TARGETS if one.name == name]
    target.run(data)


def test_each_seed_is_an_input_that_is_read() -> None:
    """Else what is changed would never get past the first check."""
    for target in TOOL.TARGETS:
        assert target.seeds(), target.name
        for data in target.seeds():
            target.run(data)


PLANTED = """
import sys
sys.path.insert(0, {tools!r})
import fuzz
from fuzz_parts.target import Target
def wrong(data):
    if data[:2] == b"GL" and len(data) > 3:
        raise KeyError("beyond what is refused")
fuzz.TARGETS = (
    Target(name="planted", what="", run=wrong, seeds=lambda: [b"gull"], words=(b"GL",)),
)
from fuzz_parts import engines
engines.TOOL = __file__
if __name__ == "__main__":
    sys.exit(fuzz.main())
"""


def test_a_planted_fault_is_found_by_either_engine(tmp_path: Path) -> None:
    """With the input that shows it, in a file of its own."""
    tool = tmp_path / "planted.py"
    tool.write_text(PLANTED.format(tools=str(ROOT / "tools")))
    folder = tmp_path / "found"
    done = subprocess.run(
        [sys.executable, str(tool), "--only", "planted", "--inputs", "4000", "--folder", folder],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 1, done.stderr
    lines = [line for line in done.stdout.splitlines() if line.startswith("planted ")]
    assert [line.split()[1] for line in lines] == ["hypothesis", "atheris"][: len(lines)]
    assert all("KeyError" in line for line in lines), done.stdout
    kept = [path for path in folder.iterdir() if path.is_file() and path.name.startswith("planted")]
    assert kept
    assert all(path.read_bytes()[:2] == b"GL" for path in kept)


def test_an_archive_with_bytes_changed_ends_no_reader(tmp_path: Path) -> None:
    tried = FILES.by_mutations(inputs=40, seconds=90.0, seed=3, folder=tmp_path)
    assert tried.problem == ""
    assert tried.inputs >= 20


@pytest.mark.slow
@pytest.mark.parametrize("name", LIVE.NAMES)
def test_a_station_hears_anything_and_sweeps_on(name: str) -> None:
    tried = LIVE.by_broker(name, inputs=1500, seconds=15.0, seed=4)
    assert tried.problem == ""
    assert tried.inputs > 300


def test_an_unknown_name_is_one_line(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match=r"there is no 'gull'; there are scpi answers, "):
        TOOL._named(["gull"])
