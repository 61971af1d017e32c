"""The page about old logs says what the maps do."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, get_args

import pytest

from acqd.config.tables import Table
from acqd.ingest.tables import TABLES, ContextColumn, LevelTable
from acqd.ingest.values import UNITS
from doc_tables import rows

PAGE = (Path(__file__).parents[2] / "docs" / "ingest.md").read_text("utf-8")
SECTIONS: dict[str, type[Table]] = {
    **{f"[{name}]": model for name, model in TABLES.items()},
    "[context.NAME]": ContextColumn,
}


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_is_described(section: str) -> None:
    """The page has a row for each key of the model, and none that the model does not have."""
    assert sorted(key for key, _ in rows(PAGE, section)) == sorted(
        SECTIONS[section].fields_by_key()
    )


@pytest.mark.parametrize("section", SECTIONS)
def test_every_default_is_as_described(section: str) -> None:
    """What is required, what is nothing, and what is something."""
    fields = SECTIONS[section].fields_by_key()
    for key, default in rows(PAGE, section):
        field = fields[key]
        assert field.is_required() == (default == "required"), key
        if default == "none":
            assert not field.get_default(), key
        elif default != "required":
            written = tomllib.loads(f"x = {default}")["x"]
            found = field.get_default()
            assert (list(found) if isinstance(found, tuple) else found) == written, key


def test_every_unit_is_described() -> None:
    """The table of units has all of them."""
    table = PAGE.split("| in the files | in the archive |")[1].split("\n\n")[0]
    described = set(re.findall(r"[a-zA-Zµ]+", table.replace("(", " ")))
    assert set(get_args(LevelTable.model_fields["unit"].annotation)) == set(UNITS)
    assert set(UNITS) <= described


def test_the_example_does_what_the_page_says(run: Callable[..., Any], tmp_path: Path) -> None:
    """The log and the map of the page, and the sentence under them."""
    (log,) = re.findall(r"(?ms)^```text\n(.*?)^```", PAGE)
    (told,) = re.findall(r"(?ms)^```toml\n(.*?)^```", PAGE)
    (tmp_path / "log.csv").write_text(log)
    done = run(tmp_path / "log.csv", text=told)
    said = f"{done.sweeps} sweeps of {done.files} file kept, {done.missed} due sweeps not in the"
    assert f"    {said} files (job {done.job})" in PAGE
