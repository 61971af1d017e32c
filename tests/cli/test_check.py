"""``acqd check``: the figures are sane, every problem of a config is told, nobody is disturbed."""

from __future__ import annotations

import re
import time
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
    assert {job["sweep_s_from"] for job in offline["jobs"]} == {"assumed"}
    assert {job["assumed_why"] for job in offline["jobs"]} == {"not asked"}


def test_what_is_assumed_is_said_once_and_with_what_hangs_on_it(acqd: Any, folder: Path) -> None:
    """The reason stands under the table; a conflict that follows from it says so."""
    out = acqd("check", "--offline", folder=folder).out
    assert out.count("not asked") == 2, "once as the sweeper's state, once for the jobs"
    assert "assumed for marine-vhf, calling: not asked; share, missed and disk hang on it" in out
    assert "1 s (assumed)" in out
    conflicts = out.split("conflicts\n")[1].split("\n\n")[0].splitlines()
    assert conflicts and all("takes as assumed)" in line for line in conflicts)


def test_one_job_that_misses_nothing_is_not_called_estimated(acqd: Any, folder: Path) -> None:
    """Nothing was worked out in proportion that could have come out otherwise."""
    config = folder / "station.toml"
    text = config.read_text().split("[job.calling]")[0]
    config.write_text(text)
    assert "in proportion" not in acqd("check", str(config)).out
    slow = text.replace("points = 101", 'points = 101\nsweep_time = "30 s"')
    config.write_text(slow.replace('"100 ms"', '"200 ms"'))
    missed = acqd("check", str(config), "--json").json
    assert missed["jobs"][0]["missed"] > 0


def test_close_due_times_are_told_apart(acqd: Any, folder: Path) -> None:
    """Tenths where seconds would show one time twice."""
    out = acqd("check", folder=folder).out
    assert re.search(r"\d\d:\d\d:\d\d\.\d, \d\d:\d\d:\d\d\.\d", out)


def test_the_messages_of_a_burst_are_those_of_one_pass(acqd: Any, folder: Path) -> None:
    """Ten sweeps a due time make no more messages than one."""
    config = folder / "station.toml"
    text = config.read_text().split("[job.calling]")[0]
    text = text.replace('broker = "none"', 'broker = "mqtt://broker.example"')
    rates = []
    for burst in (1, 10):
        config.write_text(text.replace('every = "100 ms"', f'every = "10 s", burst = {burst}'))
        rates.append(acqd("check", str(config), "--json").json["messages_a_second"])
    assert rates[0] == pytest.approx(rates[1]) == pytest.approx(5 / 10 + 1 / 30)


WRONG = {
    "an instrument that there is not": ("sim:mast", "sim:nobody", "cannot be used: address: sim:"),
    "an option of the wrong kind": ("time_scale = 0.02", "time_scale = 0", "cannot be used: "),
    "an address that is none": (
        '"sim"\naddress = "sim:mast"',
        '"scpi"\naddress = "mast"',
        "cannot",
    ),
    "an archive under a file": ('"archive"', '"scene.toml/archive"', "is no folder"),
}


@pytest.mark.parametrize(("old", "new", "says"), WRONG.values(), ids=WRONG)
def test_what_can_never_work_fails(acqd: Any, folder: Path, old: str, new: str, says: str) -> None:
    """Exit code 1, and it is said what; the rest is shown all the same."""
    config = folder / "station.toml"
    text = config.read_text()
    assert old in text
    text = text.replace(old, new)
    if '"scpi"' in new:
        text = re.sub(r"(?m)^options = .*$", "", text)
    config.write_text(text)
    answer = acqd("check", str(config))
    assert answer.code == 1
    assert says in answer.out and "marine-vhf" in answer.out
    assert acqd("check", "--json", str(config)).code == 1


def test_a_sweeper_that_is_only_away_does_not_fail(acqd: Any, folder: Path) -> None:
    """It may be plugged in later."""
    config = folder / "station.toml"
    text = config.read_text().replace(
        '"sim"\naddress = "sim:mast"', '"scpi"\naddress = "tcp://127.0.0.1:1"'
    )
    config.write_text(re.sub(r"(?m)^options = .*$", "", text))
    answer = acqd("check", str(config))
    assert answer.code == 0 and "away: tcp://127.0.0.1:1: cannot connect" in answer.out


def test_a_request_beyond_the_sweeper_is_told_before_the_night(acqd: Any, folder: Path) -> None:
    """The limit is named beside the job."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('stop = "157 MHz"', 'stop = "3 GHz"'))
    answer = acqd("check", str(config))
    assert answer.code == 1
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


def test_drivers_that_are_not_installed_are_a_line_each(acqd: Any, folder: Path) -> None:
    """With file and line, the near miss, and those that are there."""
    config = folder / "station.toml"
    text = config.read_text().replace('driver = "sim"', 'driver = "sym"')
    text += '\n[sweeper.bench]\ndriver = "scpy"\naddress = "tcp://127.0.0.1:1"\n'
    config.write_text(text)
    answer = acqd("check", str(config))
    assert answer.code == 2
    line = 1 + text.splitlines().index('driver = "sym"')
    first, second = answer.err.splitlines()
    assert first.startswith(f"{config}:{line}: sweeper.mast.driver: no driver of this name")
    assert "did you mean `sim`?" in first and first.endswith('"scpi", "sim"')
    assert "sweeper.bench.driver" in second and "did you mean `scpi`?" in second


@pytest.mark.slow
def test_a_running_station_is_left_alone(acqd: Any, start: Any, folder: Path) -> None:
    """Its sweepers are not asked; who has them is said."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    answer = acqd("check", folder=folder)
    assert answer.code == 0
    assert f"in use by process {station.process.pid}" in answer.out
    assert station.stop() == 0


@pytest.mark.slow
def test_a_running_stations_sweep_times_come_from_its_archive(
    acqd: Any, start: Any, folder: Path
) -> None:
    """Not from an assumption that would make it look overloaded."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    ends_s = time.monotonic() + 20
    while time.monotonic() < ends_s:
        jobs = acqd("check", "--json", folder=folder).json["jobs"]
        if {job["sweep_s_from"] for job in jobs} == {"archive"}:
            break
        time.sleep(0.1)
    assert {job["sweep_s_from"] for job in jobs} == {"archive"}
    assert all(0 < job["sweep_s"] < 0.1 for job in jobs)
    assert station.stop() == 0
