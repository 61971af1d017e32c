"""``acqd check``: the figures are sane, every problem of a config is told, nobody is disturbed."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest


def test_the_station_is_shown(acqd: Any, folder: Path) -> None:
    """Without a path station.toml here is taken, and it is said."""
    answer = acqd("check", folder=folder)
    assert answer.code == 0
    assert answer.out.startswith(f"Gannet Ledge Lookout (lookout), from {folder / 'station.toml'}")
    assert "GANNET LOOKOUT 1, serial number GL0017" in answer.out
    for word in ("marine-vhf", "calling", "every 100 ms", "next due (Europe/London)", "messages"):
        assert word in answer.out
    assert not (folder / "archive").exists(), "a check leaves nothing behind"


def test_the_figures_are_sane(acqd: Any, folder: Path) -> None:
    """Due times, shares, bytes and messages against plain arithmetic."""
    seen = acqd("check", "--json", folder=folder).json
    jobs = {job["name"]: job for job in seen["jobs"]}
    day_s = seen["to_s"] - seen["from_s"]
    assert day_s == 86_400.0
    assert jobs["marine-vhf"]["due"] == 864_000
    assert jobs["calling"]["due"] == 345_600
    for job in jobs.values():
        assert job["sweep_s_from"] == "asked"
        assert 0 < job["sweep_s"] < 0.05
        assert job["missed"] < 0.05 * job["due"]
        stored = job["due"] - job["missed"]
        # At 0.01 dB a noise reading has log2(1/0.01) + 4.39 = 11 bits; headroom for the columns.
        bits = 8 * job["bytes_a_day"] / (stored * job["points"])
        assert 11.0 < bits < 40.0
        dues = job["next_due_s"]
        assert dues == sorted(dues) and dues[0] >= seen["from_s"]
    assert seen["bytes_a_day"] == pytest.approx(sum(j["bytes_a_day"] for j in jobs.values()))
    assert seen["messages_a_second"] == 0.0, "there is no broker"
    assert seen["sweepers"][0]["answered"] is True


def test_offline_asks_nobody(acqd: Any, folder: Path) -> None:
    """What a sweep takes is then the config's word, or assumed."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('"sim:mast"', '"sim:nobody"'))
    offline = acqd("check", "--offline", "--json", str(config)).json
    assert offline["sweepers"][0]["state"] == "not asked"
    assert {job["sweep_s_from"] for job in offline["jobs"]} == {"assumed, not asked"}
    asked = acqd("check", "--json", str(config)).json
    assert asked["sweepers"][0]["state"].startswith("away: ")
    assert "nobody" in asked["sweepers"][0]["state"]


def test_a_request_beyond_the_sweeper_is_told_before_the_night(acqd: Any, folder: Path) -> None:
    """The limit is named beside the job."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('stop = "157 MHz"', 'stop = "3 GHz"'))
    answer = acqd("check", str(config))
    assert answer.code == 0
    assert "marine-vhf: cannot be done: " in answer.out and "960 MHz" in answer.out


def test_too_much_for_one_sweeper_is_a_conflict(acqd: Any, folder: Path) -> None:
    """A sweep that takes longer than its rhythm is said in a sentence."""
    config = folder / "station.toml"
    slow = 'points = 101\nsweep_time = "30 s"'
    config.write_text(config.read_text().replace("points = 101", slow))
    answer = acqd("check", str(config))
    conflicts = answer.out.split("conflicts\n")[1].splitlines()
    assert conflicts[0].startswith("mast: ")


def test_all_problems_of_a_config_are_told_at_once(acqd: Any, folder: Path) -> None:
    """Exit code 2; a line each with file, line, key and what is accepted."""
    config = folder / "station.toml"
    text = config.read_text()
    text = text.replace('rbw = "10 kHz"', "rbw = 10").replace('kind = "cable"', 'kind = "cabel"')
    config.write_text(text.replace('detector = "sample"', 'detektor = "sample"'))
    answer = acqd("check", str(config))
    assert answer.code == 2 and not answer.out
    lines = answer.err.splitlines()
    assert len(lines) == 3
    assert all(line.startswith(f"{config}:") and "accepted: " in line for line in lines)
    assert "job.marine-vhf.rbw" in answer.err and "did you mean" in answer.err


def test_a_config_that_is_not_there_is_one_line(acqd: Any, folder: Path) -> None:
    """The name that was given, and the near miss beside it."""
    answer = acqd("check", str(folder / "staton.toml"))
    assert answer.code == 2
    assert "staton.toml" in answer.complaint and "station.toml" in answer.complaint


def test_no_config_anywhere_is_one_line(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With the places that were looked at."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "config"))
    monkeypatch.delenv("CONFIGURATION_DIRECTORY", raising=False)
    answer = acqd("check", folder=tmp_path)
    assert answer.code == 2
    assert "station.toml" in answer.complaint


def test_a_driver_that_is_not_installed_is_one_line(acqd: Any, folder: Path) -> None:
    """By its name, with those that are there."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('driver = "sim"', 'driver = "sym"'))
    answer = acqd("check", str(config))
    assert answer.code in (1, 2)
    assert "sym" in answer.complaint and "sim" in answer.complaint.replace("sym", "")


@pytest.mark.slow
def test_a_running_station_is_left_alone(acqd: Any, start: Any, folder: Path) -> None:
    """Its sweepers are not asked; who has them is said."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    answer = acqd("check", folder=folder)
    assert answer.code == 0
    assert f"in use by process {station.process.pid}" in answer.out
    assert station.stop() == 0
