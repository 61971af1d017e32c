"""The examples of docs/archive.md run as they stand."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from acqd.archive.layout import day_start_s
from acqd.archive.records import Batch

PAGE = Path(__file__).parents[2] / "docs" / "archive.md"
EXAMPLES = re.findall(r"```python\n(.*?)```", PAGE.read_text("utf-8"), flags=re.DOTALL)


@pytest.mark.parametrize("text", EXAMPLES, ids=["reading", "without acqd"])
def test_example_runs(
    scribe: Any,
    text: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """On an archive with the job and the night that they name."""
    job = "marine-vhf"
    night_s = day_start_s("2026-06-01") + 22 * 3600
    sweeps = tuple(
        replace(scribe.sweep(seq), job=job, started_s=night_s + seq) for seq in range(1, 6)
    )
    finding = replace(scribe.finding(1), job=job)
    writer = scribe.begun()
    writer.commit(
        Batch(setups=(scribe.setup(job=job),), sweeps=sweeps, findings=(finding,))
    ).result(timeout=10)
    scribe.seal(writer, seq=5)
    monkeypatch.chdir(scribe.root.parent)
    exec(compile(text, str(PAGE), "exec"), {})
    shown = capsys.readouterr().out
    assert "dBm" in shown and "finding 1" in shown if "jobs()" in text else "[" in shown


def test_the_page_has_its_examples() -> None:
    """So that the test above cannot pass by finding none."""
    assert len(EXAMPLES) == 2
