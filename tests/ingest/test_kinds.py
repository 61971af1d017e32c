"""Logs as other kinds than a band: a carrier is followed; what needs a reference says so."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acqd.archive.reader import Archive
from acqd.errors import ConfigError
from acqd.ingest.provenance import provenance_of
from acqd.station.replay import Replay
from acqd.station.replay_check import Check
from logbooks import START, WIDE

Run = Callable[..., Any]
Open = Callable[[], Archive]

SWEEPS, STEP_HZ, NOMINAL_HZ, DRIFT_HZ = 90, 100.0, 156.8e6, 2.0
RBW_HZ = 300.0
MAP = WIDE.partition("[job.vhf]")[0] + '[settings]\nrbw = "300 Hz"\n[gaps]\nevery = "1 min"\n'


def log(level_of: Callable[[int, float], float]) -> str:
    """A sweep a minute, 101 points around the carrier; the level by the sweep and the frequency."""
    axis = [NOMINAL_HZ + STEP_HZ * at for at in range(-50, 51)]
    lines = ["time," + ",".join(f"{one / 1e6:.4f}" for one in axis)]
    for number in range(SWEEPS):
        at = (START + timedelta(minutes=number)).replace(tzinfo=None).isoformat(sep=" ")
        lines.append(f"{at}," + ",".join(f"{level_of(number, one):.2f}" for one in axis))
    return "\n".join(lines) + "\n"


def line_of(number: int, at_hz: float) -> float:
    """A Gaussian filter's line, 3 dB down at half the RBW, over a floor that is not flat."""
    off = (at_hz - NOMINAL_HZ - DRIFT_HZ * number) / (RBW_HZ / 2.0)
    floor = -110.0 + (math.sin(at_hz * 7.0 + number) * 3.0)
    return max(-50.0 - 10.0 * math.log10(2.0) * off * off, floor)


def slope_of(number: int, at_hz: float) -> float:
    """What a tracking source gives through something: level, and a little of its own each time."""
    return -30.0 - (at_hz - NOMINAL_HZ) / 1e4 + number % 3 / 10.0


def is_equal_again(archive: Archive, job: str) -> bool:
    check = Check(same_place=True)
    for told in Replay(archive=archive, job=job).run():
        check.take(told)
    return check.is_exact and check.sweeps == SWEEPS


def test_a_carrier_is_followed(run: Run, archive: Open, tmp_path: Path) -> None:
    """Frequency and level are those that the log was made of, within what the reading states."""
    (tmp_path / "a.csv").write_text(log(line_of))
    text = MAP + '[job.beacon]\nkind = "carrier"\ncarrier = { expected = "156.8 MHz" }\n'
    assert run(tmp_path / "a.csv", text=text, job="beacon").sweeps == SWEEPS
    data = archive().sweeps("beacon")
    off = data.frequency_hz.values - (NOMINAL_HZ + DRIFT_HZ * np.arange(SWEEPS))
    assert np.all(np.abs(off) < 5.0), "a thirtieth of the half width of the line"
    assert np.all(np.abs(off) <= data.frequency_expanded_hz.values)
    assert np.all(np.abs(data.level_dbm.values + 50.0) < 0.05)
    assert [one.figures["stored"] for one in archive().hourly("beacon")] == [60, 30]
    assert is_equal_again(archive(), "beacon")


@pytest.mark.parametrize(
    ("kind", "reference"), [("transmission", "through"), ("reflection", "open")]
)
def test_what_needs_a_reference_keeps_its_levels_and_says_what_is_missing(
    run: Run, archive: Open, tmp_path: Path, kind: str, reference: str
) -> None:
    """Levels as in the log, no loss that nothing was compared with, one finding."""
    (tmp_path / "a.csv").write_text(log(slope_of))
    text = MAP + f'[job.filter]\nkind = "{kind}"\nsource = {{ level = "-30 dBm" }}\n'
    assert run(tmp_path / "a.csv", text=text, job="filter").sweeps == SWEEPS
    data = archive().sweeps("filter")
    wanted = [[round(slope_of(n, f), 2) for f in data.frequency.values] for n in (0, SWEEPS - 1)]
    assert np.array_equal(data.level.values[[0, -1]], np.float32(wanted))
    (told,) = archive().findings("filter")
    assert told.what == "reference_refused"
    assert f"there is no {reference} reference" in told.text
    assert not [
        name for name in data.data_vars if "loss" in str(name) and np.isfinite(data[name]).any()
    ]
    assert is_equal_again(archive(), "filter")


THROUGH = '[reference]\nthrough = "bench/through.csv"\n'
FILTER = '[job.filter]\nkind = "transmission"\nsource = { level = "-30 dBm" }\n'
LOSS_DB = 6.0


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A log of something that loses 6 dB, and one of the through before it, of three sweeps."""
    text = log(slope_of)
    (tmp_path / "bench").mkdir()
    through = log(lambda number, at_hz: slope_of(0, at_hz) + LOSS_DB).splitlines(keepends=True)
    earlier = [line.replace("2025-03-14", "2025-03-13") for line in through[:4]]
    assert earlier != through[:4]
    (tmp_path / "bench" / "through.csv").write_text("".join(earlier))
    (tmp_path / "a.csv").write_text(text)
    return tmp_path


def test_a_through_that_the_map_names_gives_the_loss(run: Run, archive: Open, bench: Path) -> None:
    """Loss against it, to the step of the levels; kept once, told of; the replay is equal."""
    assert run(bench / "a.csv", text=MAP + THROUGH + FILTER, job="filter").sweeps == SWEEPS
    wanted = LOSS_DB - np.arange(SWEEPS) % 3 / 10.0
    assert np.allclose(archive().sweeps("filter").least_loss_db, wanted, atol=0.011)
    (old,) = archive().findings("filter")
    assert old.what == "reference_old" and "the through is 24 h old" in old.text
    (kept,) = [one for one in archive().overlays() if one.kind == "reference"]
    assert kept.job == "filter" and kept.body["role"] == "through" and kept.body["sweeps"] == 3
    (told,) = provenance_of(bench / "archive")
    assert [(one["role"], one["name"], one["sweeps"]) for one in told["references"]] == [
        ("through", "through.csv", 3)
    ]
    assert is_equal_again(archive(), "filter")


def test_a_reference_is_kept_once(run: Run, archive: Open, bench: Path) -> None:
    """Where later logs come with the same map."""
    lines = (bench / "a.csv").read_text().splitlines(keepends=True)
    (bench / "a.csv").write_text("".join(lines[:40]))
    (bench / "b.csv").write_text("".join([lines[0], *lines[40:]]))
    for name, count in (("a.csv", 39), ("b.csv", SWEEPS - 39)):
        assert run(bench / name, text=MAP + THROUGH + FILTER, job="filter").sweeps == count
    assert len([one for one in archive().overlays() if one.kind == "reference"]) == 1
    assert is_equal_again(archive(), "filter")


def test_a_reference_that_does_not_fit_is_refused_as_a_live_one(
    run: Run, archive: Open, bench: Path
) -> None:
    """Other frequencies: levels are kept, and the finding says what differs."""
    path = bench / "bench" / "through.csv"
    rows = [line.rpartition(",")[0] + "\n" for line in path.read_text().splitlines()]
    path.write_text("".join(rows))
    assert run(bench / "a.csv", text=MAP + THROUGH + FILTER, job="filter").sweeps == SWEEPS
    (told,) = archive().findings("filter")
    assert told.what == "reference_refused" and "100 points" in told.text


WRONG = {
    "not there": (None, "there is no file"),
    "no sweep in it": ("time,156.7,156.8\n", "needs at least one sweep"),
}


@pytest.mark.parametrize(("text", "says"), WRONG.values(), ids=WRONG)
def test_what_makes_no_reference_is_said_with_the_map_s_line(
    run: Run, bench: Path, text: str | None, says: str
) -> None:
    """Before anything is kept."""
    path = bench / "bench" / "through.csv"
    path.unlink() if text is None else path.write_text(text)
    whole = MAP + THROUGH + FILTER
    with pytest.raises(ConfigError) as caught:
        run(bench / "a.csv", text=whole, job="filter")
    line = whole.splitlines().index('through = "bench/through.csv"') + 1
    assert f"map.toml:{line}: reference.through: " in str(caught.value)
    assert says in str(caught.value)
    assert not (bench / "archive").exists()
