"""``acqd run``: how it starts, what it says, and how it does not start."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

pytestmark = pytest.mark.slow


def test_logs_are_one_object_a_line(start: Any, folder: Path) -> None:
    """Where nobody sits at a terminal; the first says which config, the last that it stopped."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    assert station.stop() == 0
    told = [json.loads(line) for line in station.lines]
    assert told[0]["event"] == "config" and told[0]["file"] == str(folder / "station.toml")
    assert "stopping" in {one["event"] for one in told} and told[-1]["event"] == "stopped"
    assert all({"event", "level", "timestamp"} <= set(one) for one in told)


def test_logs_can_be_asked_for_as_text(start: Any, folder: Path) -> None:
    """ACQD_LOG=text: a line that people read, without colour where there is no terminal."""
    station = start(folder / "station.toml", ACQD_LOG="text")
    station.until("sweeper_present")
    assert station.stop() == 0
    assert not any(line.startswith("{") or "\x1b" in line for line in station.lines)


def test_an_archive_that_another_station_writes_is_one_line(
    start: Any, folder: Path, acqd_child: Callable[..., Any]
) -> None:
    """Exit code 1, with who holds it; the first is not disturbed."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    done = acqd_child("run", str(folder / "station.toml"))
    assert done.returncode == 1
    lines = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    assert len(lines) == 1 and lines[0].startswith("acqd: ")
    assert f"process {station.process.pid}" in lines[0] and "(station lookout)" in lines[0]
    assert station.stop() == 0


def test_a_config_with_problems_does_not_start(
    folder: Path, acqd_child: Callable[..., Any]
) -> None:
    """Exit code 2 and a line each; nothing was made."""
    config = folder / "station.toml"
    text = config.read_text().replace('rbw = "10 kHz"', "rbw = 10")
    config.write_text(text.replace("points = 51", 'points = "many"'))
    done = acqd_child("run", str(config))
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 2
    assert not (folder / "archive").exists()


def test_a_broker_of_another_kind_is_refused(folder: Path, acqd_child: Callable[..., Any]) -> None:
    """Exit code 2, with the choices."""
    done = acqd_child("run", str(folder / "station.toml"), "--broker", "remote")
    assert done.returncode == 2 and "local" in done.stderr and "embedded" in done.stderr


def test_an_archive_that_cannot_be_made_is_one_line(
    folder: Path, acqd_child: Callable[..., Any]
) -> None:
    """A file where the folder should be."""
    (folder / "archive").write_text("not a folder")
    done = acqd_child("run", str(folder / "station.toml"))
    assert done.returncode == 1
    lines = [line for line in done.stderr.splitlines() if not line.startswith("{")]
    assert len(lines) == 1 and str(folder / "archive") in lines[0]


def test_a_stop_during_the_start_ends_it_as_well(start: Any, folder: Path) -> None:
    """Asked before anything is open: it starts, finds that it should not, and ends with 0."""
    station = start(folder / "station.toml")
    station.until('"config"')
    assert station.stop() == 0


@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT])
def test_every_polite_signal_ends_it_cleanly(start: Any, folder: Path, number: int) -> None:
    """Also the one that a closing terminal sends: exit code 0, and it says that it stopped."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    station.process.send_signal(number)
    assert station.process.wait(20) == 0
    station.stop()
    assert any('"stopped"' in line for line in station.lines)


def test_a_hang_up_that_is_to_be_ignored_is(start: Any, folder: Path) -> None:
    """Under nohup the station outlives its terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        station = start(folder / "station.toml")
    finally:
        signal.signal(signal.SIGHUP, before)
    station.until("sweeper_present")
    station.process.send_signal(signal.SIGHUP)
    seen = len(station.lines)
    time.sleep(0.3)
    assert station.process.poll() is None and not any(
        "stopping" in line for line in station.lines[seen:]
    )
    assert station.stop() == 0


def test_a_second_ctrl_c_leaves_at_once(start: Any, folder: Path) -> None:
    """Exit code 130, and the next start finds everything in order."""
    station = start(folder / "station.toml")
    station.until("signal_appeared")
    station.process.send_signal(signal.SIGINT)
    station.process.send_signal(signal.SIGINT)
    time.sleep(0.02)
    station.process.send_signal(signal.SIGINT)
    assert station.process.wait(20) in (0, 130)
    again = start(folder / "station.toml")
    again.until("carrying_on")
    assert again.stop() == 0
