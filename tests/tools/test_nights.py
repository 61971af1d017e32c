"""tools/nights: troubles are drawn as it says, and a few of its nights are lived through."""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[2]
EVERY_S = 60.0


@pytest.fixture
def drawing(monkeypatch: pytest.MonkeyPatch) -> Any:
    """The part that draws, as the tool imports it."""
    monkeypatch.syspath_prepend(str(ROOT / "tools"))
    return import_module("nights_parts.drawing")


def nights(*options: str) -> subprocess.CompletedProcess[str]:
    """Run the tool."""
    command = [sys.executable, str(ROOT / "tools/nights.py"), *options]
    return subprocess.run(
        command, cwd=ROOT, capture_output=True, text=True, timeout=300, check=False
    )


def test_a_month_has_every_trouble_twice_and_sixteen_nights_without(drawing: Any) -> None:
    """By any seed; within the night, at most one a night, and none while somebody learns."""
    rows = drawing.rows_of(30)
    assert [list(row) for row in rows] == [list(range(1, 16)), list(range(16, 31))]
    for seed in range(20):
        drawn = [drawing.draw(row, seed) for row in rows]
        for row, troubles in zip(rows, drawn, strict=True):
            assert Counter(one.kind for one in troubles.values()) == dict.fromkeys(drawing.Kind, 1)
            assert row[2] < min(troubles) <= max(troubles) <= row[-1]
            for night, one in troubles.items():
                begins_s = drawing.night_s(night)
                assert one.night == night
                assert begins_s + 3600.0 <= one.from_s < one.to_s <= begins_s + drawing.NIGHT_S
        steps = [one.by_s for troubles in drawn for one in troubles.values() if one.by_s]
        assert len(steps) == 2 and sum(steps) == 0.0


def test_the_same_seed_draws_the_same_nights(drawing: Any) -> None:
    (row,) = drawing.rows_of(15)
    assert drawing.draw(row, 7) == drawing.draw(row, 7) != drawing.draw(row, 8)


def test_the_last_word_of_a_night_with_a_key_never_comes(drawing: Any) -> None:
    drawn = drawing.draw(range(1, 16), 1).values()
    (keyed,) = [one for one in drawn if one.kind is drawing.Kind.KEYED]
    assert [over.is_lost for over in keyed.overs] == [False] * (len(keyed.overs) - 1) + [True]
    ends = [over.to_s for over in keyed.overs]
    assert all(a < over.from_s for a, over in zip(ends, keyed.overs[1:], strict=False))


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--nights", "31"), "from 1 to 30"),
        (("--every", "7"), "divide an hour"),
    ],
)
def test_wrong_options_are_refused(options: tuple[str, ...], said: str) -> None:
    done = nights(*options)
    assert done.returncode == 2
    assert said in done.stderr


@pytest.mark.slow
@pytest.mark.timeout(320)
def test_two_nights_one_with_a_cable_that_falls_off(tmp_path: Path) -> None:
    """It is noticed, the other night is left in peace, and every due sweep has an account."""
    done = nights("--nights", "2", "--every", f"{EVERY_S:g}", "--json", "--folder", str(tmp_path))
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)
    assert told["failures"] == told["station_for_nothing"] == []
    named, learnt = told["jobs"]
    for job in (named, learnt):
        assert job["false_alarms"] == []
        assert job["due"] == job["stored"] == 2 * 9 * 60
        assert job["unaccounted"] == 0
        assert job["calm_h"] == pytest.approx(15.0, abs=0.1)
    (cable,) = named["troubles"]
    assert cable["kind"] == "cable off at the aerial"
    assert cable["noticed_by"] in ("floor", "witnesses")
    assert 0.0 < cable["late_s"] <= 95 * EVERY_S
    assert 0.0 < cable["again_s"] <= 10 * EVERY_S
    # Nobody can learn in a day of listening that is not over.
    assert learnt["troubles"][0]["noticed_by"] is None
    masked = named["occupancy_16"]["cable off at the aerial"]
    assert abs(masked["told"] - masked["true_listened"]) < abs(masked["unmasked"] - masked["true"])
    assert list(tmp_path.iterdir()) == []
