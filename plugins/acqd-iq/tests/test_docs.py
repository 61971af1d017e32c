"""docs/iq.md names every option with its default, and its figures and examples are so."""

from __future__ import annotations

import re
import shlex
import tomllib
from dataclasses import fields
from pathlib import Path

import pytest
from acqd_iq.options import IqOptions
from acqd_iq.windows import WINDOWS
from acqd_sim.serve import main

ROOT = Path(__file__).parents[3]
PAGE = (ROOT / "docs" / "iq.md").read_text("utf-8")


def _section(title: str) -> str:
    return PAGE.split(f"## {title}\n")[1].split("\n## ")[0]


def _rows(text: str) -> list[list[str]]:
    lines = [line for line in text.splitlines() if line.startswith("| `")]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in lines]


def test_every_option_is_on_the_page_and_nothing_else() -> None:
    """The table and the options have the same names, in the same order."""
    named = [name for row in _rows(_section("Options")) for name in re.findall(r"`(\w+)`", row[0])]
    assert sorted(named) == sorted(item.name for item in fields(IqOptions))


def test_the_defaults_of_the_page_are_those_of_the_driver() -> None:
    """Each stated default, given as an option, changes nothing."""
    stated = 0
    for row in _rows(_section("Options")):
        name, default = row[0].strip("`| "), row[1]
        word = re.fullmatch(r'`"([\w-]+)"`', default)
        if word:
            value: object = word[1]
        elif default in ("`false`", "`true`"):
            value = default == "`true`"
        elif re.fullmatch(r"[\d.]+ s", default):
            value = default
        elif re.fullmatch(r"[\d.]+", default):
            value = float(default) if "." in default else int(default)
        else:
            continue
        stated += 1
        assert IqOptions.from_options({name: value}) == IqOptions(), name
    assert stated == 11


def test_the_table_of_windows_is_what_the_windows_are() -> None:
    """Noise bandwidth, scalloping with and without padding, overlap."""
    rows = [row for row in _rows(_section("What a sweep is")) if len(row) == 6]
    assert [row[0].strip("|` ") for row in rows] == sorted(
        WINDOWS, key=lambda name: WINDOWS[name].enbw_bins
    )
    for row in rows:
        window = WINDOWS[row[0].strip("|` ")]
        bins, plain, padded, overlap = (float(cell.replace("−", "-")) for cell in row[1:5])
        assert window.enbw_bins == pytest.approx(bins, abs=5e-5)
        assert window.scalloping_db() == pytest.approx(plain, abs=0.0051)
        assert window.scalloping_db(2) == pytest.approx(padded, abs=0.0051)
        assert window.overlap == overlap


def test_the_examples_are_accepted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The config's options are options; the recording is made as it is written."""
    example = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert example is not None
    sweepers = tomllib.loads(example[1])["sweeper"]
    options = IqOptions.from_options(sweepers["ear"]["options"])
    assert options.rate == 1e6
    commands = PAGE.split("## A receiver to try it with")[1]
    (record,) = re.findall(r"^acqd-sim (record .*?)\n```", commands, re.DOTALL | re.MULTILINE)
    words = shlex.split(record.replace("\\\n", " ").replace('"60 s"', '"20 ms"'))
    words[1] = str(ROOT / words[1])
    words[-1] = str(tmp_path / "night.sigmf-meta")
    assert main(words) == 0
    assert "20000 samples" in capsys.readouterr().out
