"""docs/scpi.md names every option with its default, and its examples are accepted."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields
from pathlib import Path

from acqd_scpi.dialect import Dialect

PAGE = (Path(__file__).parents[3] / "docs" / "scpi.md").read_text("utf-8")


def test_every_option_is_on_the_page_and_nothing_else() -> None:
    """The table and the dialect have the same names."""
    table = PAGE[PAGE.index("## Options") : PAGE.index("## Limits")]
    rows = [line.split("|")[1] for line in table.splitlines() if line.startswith("| `")]
    named = {name for row in rows for name in re.findall(r"`(\w+)`", row)}
    assert named == {item.name for item in fields(Dialect)}


def test_the_defaults_of_the_page_are_the_dialects() -> None:
    """Numbers and texts in the second column."""
    rows = re.findall(r"^\| `(\w+)` \| (?:`\"(\w+)\"`|([\d.]+)) \|", PAGE, re.MULTILINE)
    assert len(rows) >= 12
    for name, text, figure in rows:
        value = float(figure) if figure else text
        assert Dialect.from_options({name: value}) == Dialect(), name


def test_the_example_is_accepted() -> None:
    """Its options are options."""
    example = re.search(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    assert example is not None
    config = tomllib.loads(example[1])
    assert Dialect.from_options(config["sweeper"]["bench"]["options"]).terminator == b"\r\n"
