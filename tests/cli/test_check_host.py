"""``acqd check --host``: with a config, without, as others, and where things are missing."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

NAMES = ("rights on ports", "clock synchronised", "synced writes", "broker", "sleep")


@pytest.fixture
def nobodys_home(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A home, and a system, without any config."""
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("XDG_CONFIG_HOME", raising=False)
    if Path("/etc/acqd/station.toml").exists():
        pytest.skip("this machine has a config for all")
    return tmp_path


def test_without_a_config_it_works_too(acqd: Any, nobodys_home: Path) -> None:
    """On Friday evening there is none."""
    done = acqd("check", "--host", folder=nobodys_home)
    assert done.out.startswith("this machine, without a config\n")
    for name in NAMES:
        assert re.search(rf"^(good|to do|cannot tell) +{name} ", done.out, re.MULTILINE), name
    left = sum(line.startswith("to do ") for line in done.out.splitlines())
    assert done.code == int(left > 0)
    assert done.out.endswith(f"{left} to do\n" if left else "nothing to do\n")
    assert not list(nobodys_home.iterdir()), "a look leaves nothing behind"


def test_what_the_jobs_ask_is_weighed(acqd: Any, folder: Path) -> None:
    """Bytes a day and commits a second are those of the plain check."""
    done = acqd("check", "--host", folder=folder)
    assert done.out.startswith("this machine, with what ")
    assert "the jobs ask for 14 a second" in done.out
    assert re.search(r"the jobs write about \S+ [MG]B a day", done.out)
    assert "no sweeper of the config is at a serial or USB port" in done.out
    assert "the config's pages and windows are in Europe/London" in done.out
    assert not (folder / "archive").exists()


def test_as_json(acqd: Any, folder: Path) -> None:
    """For scripts: the checks, and how many there is something to do about."""
    done = acqd("check", "--host", "--offline", "--json", folder=folder)
    told = done.json
    assert told["config"] == str(folder / "station.toml")
    assert {one["state"] for one in told["checks"]} <= {"good", "to do", "cannot tell"}
    assert told["to_do"] == sum(one["state"] == "to do" for one in told["checks"])
    assert done.code == int(told["to_do"] > 0)
    assert set(told["checks"][0]) == {"name", "state", "found", "do"}


def test_a_named_config_must_be_right(acqd: Any, folder: Path) -> None:
    """As without --host: its problems, exit code 2."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace("[station]", "[station]\nkeep_awake = 3"))
    done = acqd("check", "--host", str(config))
    assert done.code == 2
    assert "station.keep_awake" in done.complaint
    assert acqd("check", "--host", str(folder / "none.toml")).code == 2


def test_one_that_only_lies_there_is_told_of(acqd: Any, folder: Path) -> None:
    """And the machine is looked at all the same."""
    config = folder / "station.toml"
    config.write_text("[station]\nname = 1\n")
    done = acqd("check", "--host", folder=folder)
    assert done.code == 1
    assert re.search(r"^to do +config +it cannot be used", done.out, re.MULTILINE)
    assert "synced writes" in done.out


def test_a_running_station_is_left_alone(acqd: Any, folder: Path, start: Any) -> None:
    """Its lock and its port are its own."""
    station = start(folder / "station.toml")
    station.until("station_started")
    done = acqd("check", "--host", "--json", folder=folder)
    checks = {one["name"]: one for one in done.json["checks"]}
    assert checks["synced writes"]["state"] in ("good", "to do")
    assert station.process.poll() is None


@pytest.mark.slow
@pytest.mark.skipif(os.geteuid() != 0, reason="only root becomes somebody else")
def test_as_another_user() -> None:
    """Who may not write the archive is told so, by the name of the folder."""
    import tempfile

    code = (
        # Imported as root: the program's own files may be root's alone.
        "import os, sys, acqd.host.looking, acqd.archive.durable\n"
        "from acqd.host import Needs, look\n"
        "from pathlib import Path\n"
        "os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
        "for one in look(Needs(archive=Path(sys.argv[1], 'archive'))):\n"
        "    print(one.state.value, '|', one.name, '|', one.found, '|', one.do)\n"
    )
    with tempfile.TemporaryDirectory() as place:
        Path(place).chmod(0o755)
        done = subprocess.run(
            [sys.executable, "-c", code, place], capture_output=True, text=True, timeout=60
        )
    assert done.returncode == 0, done.stderr
    lines = {line.split(" | ")[1]: line for line in done.stdout.splitlines()}
    assert lines["synced writes"].startswith("to do")
    assert f"{place} cannot be written by nobody: Permission denied" in lines["synced writes"]


# -- while a station runs --------------------------------------------------------------------------


@pytest.fixture
def bus(monkeypatch: pytest.MonkeyPatch) -> Any:
    """A system bus that the stations of a test take for the machine's."""
    import shutil
    import tempfile

    from login_manager import Bus

    if shutil.which("dbus-daemon") is None:
        pytest.skip("needs dbus-daemon (Debian package dbus-daemon), which is not here")
    with tempfile.TemporaryDirectory(prefix="acqd-bus-") as place, Bus(Path(place)) as running:
        yield running


def test_a_station_keeps_the_machine_awake(bus: Any, folder: Path, start: Any) -> None:
    """From its start until it has stopped, in the name that people gave it."""
    from login_manager import LoginManager

    with LoginManager(bus) as manager:
        station = start(folder / "station.toml", DBUS_SYSTEM_BUS_ADDRESS=bus.address)
        said = manager.next("inhibited")
        assert said["why"] == "Gannet Ledge Lookout is listening"
        station.until('"event": "kept_awake"')
        assert station.stop() == 0
        manager.next("released")


def test_a_station_that_is_killed_lets_the_machine_sleep(
    bus: Any, folder: Path, start: Any
) -> None:
    """``kill -9``: nobody has to clear up."""
    from login_manager import LoginManager

    with LoginManager(bus) as manager:
        station = start(folder / "station.toml", DBUS_SYSTEM_BUS_ADDRESS=bus.address)
        manager.next("inhibited")
        station.until('"event": "station_started"')
        station.process.kill()
        manager.next("released")


def test_a_station_that_is_not_to_asks_nobody(bus: Any, folder: Path, start: Any) -> None:
    """``keep_awake = false``."""
    from login_manager import LoginManager

    config = folder / "station.toml"
    config.write_text(config.read_text().replace("[station]", "[station]\nkeep_awake = false"))
    with LoginManager(bus) as manager:
        station = start(config, DBUS_SYSTEM_BUS_ADDRESS=bus.address)
        station.until('"event": "station_started"')
        assert manager.is_quiet()
        assert station.stop() == 0
    assert not any("awake" in line for line in station.lines)


def test_a_station_sweeps_though_the_bus_is_deaf(folder: Path, start: Any) -> None:
    """It starts, sweeps and stops as ever."""
    import socket
    import tempfile

    with (
        tempfile.TemporaryDirectory(prefix="acqd-bus-") as place,
        socket.socket(socket.AF_UNIX) as deaf,
    ):
        deaf.bind(f"{place}/bus")
        deaf.listen()
        address = f"unix:path={place}/bus"
        station = start(folder / "station.toml", DBUS_SYSTEM_BUS_ADDRESS=address)
        station.until('"job": "marine-vhf", "number": 1')
        assert station.stop() == 0
    assert not any('"kept_awake"' in line for line in station.lines)
