"""A report as JSON: all its numbers, in one order, readable back."""

from __future__ import annotations

import json
import re
from dataclasses import fields, is_dataclass, replace
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from acqd.report.jsonout import CHARTS, TIMES, as_json, plain
from acqd.report.shapes import Report

DOCS = Path(__file__).resolve().parents[2] / "docs" / "report.md"


@pytest.fixture(scope="module")
def sample(reports: ModuleType) -> Report:
    made = reports.sample_report()
    assert isinstance(made, Report)
    return made


def compare(value: Any, told: Any, where: str = "report") -> int:
    """Walks a report and its JSON side by side; how many numbers were compared."""
    if is_dataclass(value):
        names = [one.name for one in fields(value)]
        assert set(names) <= set(told), where
        return sum(compare(getattr(value, name), told[name], f"{where}.{name}") for name in names)
    if isinstance(value, np.ndarray):
        assert np.shape(told) == value.shape, where
        read = np.array(told, dtype=float)
        kept = value.astype(np.float32) if value.dtype == np.float32 else value
        np.testing.assert_array_equal(read.astype(kept.dtype), kept, err_msg=where)
        return value.size
    if isinstance(value, tuple):
        assert len(value) == len(told), where
        return sum(compare(one, other, where) for one, other in zip(value, told, strict=True))
    if hasattr(value, "items"):
        assert list(value) == list(told)
        return sum(compare(value[key], told[key], f"{where}.{key}") for key in value)
    if isinstance(value, float) and value != value:
        assert told is None, where
        return 1
    assert told == value, where
    return int(isinstance(value, float | int))


def test_every_number_of_the_report_is_in_it(sample: Report) -> None:
    """Bit for bit, cells of the picture included where they were asked for."""
    told = json.loads(as_json(sample, with_picture=True))
    assert (told["is"], told["version"]) == ("report", 1)
    assert compare(sample, told["report"]) > 190_000


def test_the_picture_is_left_out_unless_it_is_asked_for(sample: Report) -> None:
    """The cells alone: edges, spectra and strips stay."""
    sheet = json.loads(as_json(sample))["report"]["jobs"][0]["sections"][0]["charts"][0]
    assert sheet["is"] == "sheet"
    assert sheet["level"] is None
    assert len(sheet["column_edges_s"]) == 601
    assert len(sheet["median"]) == 1001
    assert sheet["floor"]["value"].count(None) > 0


def test_charts_say_what_they_are(sample: Report) -> None:
    """Each kind there is, as the page of the docs names them."""
    jobs = json.loads(as_json(sample))["report"]["jobs"]
    found = {
        chart["is"] for job in jobs for section in job["sections"] for chart in section["charts"]
    }
    assert found == set(CHARTS.values())
    documented = DOCS.read_text("utf-8")
    assert all(f"`{name}`" in documented for name in (*CHARTS.values(), *TIMES))


def test_times_have_an_iso_text_beside_them(sample: Report) -> None:
    """Of every time, in UTC."""
    report = json.loads(as_json(sample))["report"]
    assert report["start"] == "2026-10-24T20:00:00.000Z"
    assert report["jobs"][0]["findings"][3]["at"] == "2026-10-25T01:10:00.000Z"
    assert report["jobs"][0]["gaps"][0]["to"] == "2026-10-24T22:20:00.000Z"


def test_the_same_report_is_the_same_text(sample: Report, reports: ModuleType) -> None:
    """Keys in the order in which the shapes have them."""
    assert as_json(sample) == as_json(reports.sample_report())
    told = json.loads(as_json(sample))["report"]
    assert [name for name in told if name in {one.name for one in fields(sample)}] == [
        one.name for one in fields(sample)
    ]


def test_lists_of_numbers_stand_in_a_line(sample: Report) -> None:
    """So that a person can read the rest, and a comparison by lines says something."""
    lines = as_json(sample).splitlines()
    assert len(lines) < 3000
    assert any(re.match(r' *"column_edges_s": \[1792872000\.0, ', line) for line in lines)
    assert as_json(sample).endswith("\n}\n")


def test_what_no_json_can_say_is_null() -> None:
    """NaN and infinities, in numbers, arrays and figures."""
    bad = {"a": float("nan"), "b": np.array([1.0, np.inf]), "c": np.float32("nan"), "d": (-np.inf,)}
    assert plain(bad) == {"a": None, "b": [1.0, None], "c": None, "d": [None]}
    assert plain(np.int64(3)) == 3
    assert plain(np.array([True, False])) == [True, False]
    assert plain(np.zeros((0, 3))) == []


def test_a_value_that_no_report_has_is_refused() -> None:
    """Rather than written as something that reads back as another."""
    with pytest.raises(TypeError, match="holds no set"):
        plain({"a": {1, 2}})


def test_an_empty_report_is_whole(reports: ModuleType) -> None:
    """Nothing due is no number, not zero."""
    told = json.loads(as_json(reports.empty_report()))["report"]
    assert told["jobs"][0]["coverage"]["fraction"] is None
    assert json.loads(as_json(replace(reports.empty_report(), jobs=())))["report"]["jobs"] == []
