"""The pages for authors say what the kit and the skeleton do."""

from __future__ import annotations

import re
from pathlib import Path

import click
import pytest

from acqd.testing.bench import FIRST_QUESTIONS
from acqd.testing.conformance import DriverConformance
from acqd.testing.plugin import OPTIONS
from acqd.testing.skeleton import write_skeleton

DOCS = Path(__file__).parents[2] / "docs"
CONTRACT = (DOCS / "drivers.md").read_text("utf-8")
GUIDE = (DOCS / "new-driver.md").read_text("utf-8")


def test_the_table_has_the_suites_options_and_no_others() -> None:
    """With the defaults that --help tells."""
    part = CONTRACT.split("### On any sweeper")[1]
    rows = re.findall(r"(?m)^\| (`--.*?) \| (.*?) \|", part)
    named = [option for cell, _ in rows for option in re.findall(r"--[a-z-]+", cell)]
    assert sorted(named) == sorted(name for name, _, _ in OPTIONS)
    defaults = {name: re.search(r"\[(\d+)\]", text) for name, _, text in OPTIONS}
    told = {cell.strip("`").split()[0]: default for cell, default in rows}
    for name, found in defaults.items():
        if found is not None:
            assert told[name].split()[0] == found[1], name


BY_CODE = GUIDE.split("## By code")[1]


@pytest.mark.parametrize("place", re.findall(r"(?m)^\| `(\w+)` \| ", BY_CODE.split("### 3.")[0]))
def test_the_places_to_change_are_in_the_driver(tmp_path: Path, place: str) -> None:
    """Each that the guide names, in the file that it names."""
    made = write_skeleton("gannet-line", tmp_path) / "src" / "acqd_gannet_line" / "driver.py"
    assert re.search(rf"\b{place}\b", made.read_text("utf-8"))


def test_the_shown_message_is_the_kits() -> None:
    """Word for word, but for the question."""
    assert f"what to do: {FIRST_QUESTIONS}" in GUIDE
    assert "open(), identify() and capabilities() work, again and again." in GUIDE


def test_the_number_of_tests_is_right(tmp_path: Path) -> None:
    """Those of the kit that need no source, and those of the template."""
    made = write_skeleton("gannet-line", tmp_path) / "tests" / "test_driver.py"
    text = made.read_text("utf-8")
    checks = [name for name in dir(DriverConformance) if name.startswith("test_")]
    of_source = [name for name in checks if "source" in name]
    wrong_answers = len(re.findall(r"(?m)^        \(\{b", text))
    own = len(re.findall(r"(?m)^def test_", text)) - 1 + wrong_answers
    assert f"{len(checks) - len(of_source) + own} tests, in some" in GUIDE
    assert f"keeps the contract: {len(checks) - len(of_source)} checks passed." in GUIDE


def test_the_commands_of_the_guide_are_there() -> None:
    """acqd driver new takes what the guide gives it."""
    from acqd.cli.driver import command

    assert isinstance(command, click.Group)
    assert [one.name for one in command.commands["new"].params] == ["name", "folder"]
    assert "acqd driver new gannet-line" in GUIDE
