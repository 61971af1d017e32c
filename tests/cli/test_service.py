"""``acqd service``: with a systemd of the test's own, and where there is none."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from service_manager import UserManager, why_not

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")
UNIT = "acqd-lookout.service"
LIMIT_S = 60.0

pytestmark = pytest.mark.slow

needs_systemd = pytest.mark.skipif(bool(why_not()), reason=why_not() or "there is one")
without_systemd = pytest.mark.skipif(
    Path("/run/systemd/system").is_dir(), reason="systemd runs this machine"
)


@pytest.fixture(scope="module")
def manager() -> Iterator[UserManager]:
    """A user's manager with nothing in it."""
    with UserManager() as running:
        yield running


@pytest.fixture
def service(manager: UserManager) -> Iterator[Callable[..., Any]]:
    """Runs ``acqd service`` under the manager; afterwards no unit of it is left."""

    def run(*words: str, **options: Any) -> subprocess.CompletedProcess[str]:
        return manager.run(*ACQD, "service", *words, **options)

    yield run
    done = run("remove", "--name", "lookout", "--yes")
    assert done.returncode == 0, done.stderr
    for file in manager.linger.iterdir():
        file.unlink()


@pytest.fixture
def strange(folder: Path) -> Path:
    """The config in a folder whose name asks for quoting of every kind."""
    place = folder / "a b%c $d 'q\" \\e"
    place.mkdir()
    for name in ("station.toml", "scene.toml"):
        shutil.copy(folder / name, place)
    return place / "station.toml"


def until(what: str, is_so: Callable[[], object]) -> None:
    """Wait for what happens in another process."""
    ends_s = time.monotonic() + LIMIT_S
    while not is_so():
        assert time.monotonic() < ends_s, f"no {what}"
        time.sleep(0.05)


@needs_systemd
def test_installed_and_running_and_again(service: Any, manager: UserManager, strange: Path) -> None:
    """Written, enabled, started; a second time nothing is done, and that is said."""
    (manager.linger / "watch").touch()
    first = service("install", str(strange))
    assert first.returncode == 0, first.stderr + first.stdout
    file = manager.home / ".config" / "systemd" / "user" / UNIT
    said = first.stdout.splitlines()
    assert said[:2] == [f"wrote {file}", "enabled"]
    assert said[2].startswith("started; its log: `journalctl --user -u acqd-lookout.service")
    assert manager.show(UNIT, "ActiveState") == "active"
    assert manager.show(UNIT, "UnitFileState") == "enabled"
    assert manager.show(UNIT, "WorkingDirectory") == str(strange.parent)
    pid = manager.show(UNIT, "MainPID")
    words = Path("/proc", pid, "cmdline").read_bytes().decode().split("\0")
    assert words[-3:-1] == ["run", str(strange)], "the path came through systemd as it is"
    until("sweep in the archive", lambda: any((strange.parent / "archive").glob("journal*")))

    again = service("install", str(strange))
    assert again.returncode == 0
    assert again.stdout.splitlines()[0] == (
        f"{UNIT} is already as it should be: enabled, and running"
    )
    assert manager.show(UNIT, "MainPID") == pid

    status = service("status", str(strange))
    assert status.returncode == 0, status.stdout
    assert f"process {pid}" in status.stdout
    told = json.loads(service("status", str(strange), "--json").stdout)
    assert told["is_right"] is True and told["written"] is True and told["restarts"] == 0


@needs_systemd
def test_killed_it_starts_again(service: Any, manager: UserManager, folder: Path) -> None:
    """``kill -9``, as a fault would have it; the next one carries on from the journal."""
    (manager.linger / "watch").touch()
    assert service("install", str(folder)).returncode == 0
    quick = manager.home / ".config" / "systemd" / "user" / f"{UNIT}.d"
    quick.mkdir()
    (quick / "override.conf").write_text("[Service]\nRestartSec=0.2\n")
    try:
        assert manager.run("systemctl", "--user", "daemon-reload").returncode == 0
        pid = manager.show(UNIT, "MainPID")
        assert manager.run("kill", "-9", pid).returncode == 0
        until("start", lambda: manager.show(UNIT, "MainPID") not in ("0", pid))
        assert manager.show(UNIT, "NRestarts") == "1"
        assert json.loads(service("status", str(folder), "--json").stdout)["restarts"] == 1
        again = service("install", str(folder))
        assert "already as it should be" in again.stdout, "a drop-in is nobody's business"
    finally:
        shutil.rmtree(quick)


@needs_systemd
def test_frozen_it_is_ended_and_started_anew(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """By the watchdog; a drop-in makes the waits short."""
    (manager.linger / "watch").touch()
    assert service("install", str(folder), "--no-start").returncode == 0
    drop_in = manager.home / ".config" / "systemd" / "user" / f"{UNIT}.d" / "quick.conf"
    drop_in.parent.mkdir()
    drop_in.write_text("[Service]\nWatchdogSec=8\nTimeoutAbortSec=1\nRestartSec=1\n")
    try:
        for words in (("daemon-reload",), ("start", UNIT)):
            done = manager.run("systemctl", "--user", *words)
            assert done.returncode == 0, done.stderr
        # It had said that it is ready, or the start would not have been over.
        assert manager.show(UNIT, "ActiveState") == "active"
        assert manager.show(UNIT, "StatusText").startswith(("started", "well", "limping"))
        first = int(manager.show(UNIT, "MainPID"))
        assert manager.run("kill", "-STOP", str(first)).returncode == 0
        ends_s = time.monotonic() + LIMIT_S
        while manager.show(UNIT, "NRestarts") == "0":
            assert time.monotonic() < ends_s, manager.show(UNIT, "SubState")
            time.sleep(0.2)
        assert not Path(f"/proc/{first}").exists()
    finally:
        drop_in.unlink()
        drop_in.parent.rmdir()


@needs_systemd
def test_stopped_by_systemd_it_ends_cleanly(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """In time, with exit code 0, and it stays stopped."""
    (manager.linger / "watch").touch()
    assert service("install", str(folder)).returncode == 0
    at_s = time.monotonic()
    assert manager.run("systemctl", "--user", "stop", UNIT).returncode == 0
    assert time.monotonic() - at_s < 25.0
    assert manager.show(UNIT, "Result") == "success"
    assert manager.show(UNIT, "ExecMainStatus") == "0"
    status = service("status", str(folder))
    assert status.returncode == 1
    assert "running   inactive" in status.stdout


@needs_systemd
def test_a_unit_that_differs_is_shown_first(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """Nobody's change is lost unseen: without a word for it nothing is replaced."""
    (manager.linger / "watch").touch()
    assert service("install", str(folder), "--no-start").returncode == 0
    file = manager.home / ".config" / "systemd" / "user" / UNIT
    mine = file.read_text().replace("RestartSec=10", "RestartSec=60")
    file.write_text(mine)
    refused = service("install", str(folder), stdin=subprocess.DEVNULL)
    assert refused.returncode == 2
    assert "-RestartSec=60" in refused.stdout and "+RestartSec=10" in refused.stdout
    assert refused.stderr == "acqd: replace it? nobody is here to say so; --yes does\n"
    assert file.read_text() == mine
    assert "differs from what" in service("status", str(folder)).stdout
    replaced = service("install", str(folder), "--no-start", "--yes")
    assert replaced.returncode == 0
    assert "RestartSec=10" in file.read_text().splitlines()


@needs_systemd
def test_without_lingering_it_is_said_what_is_left(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """A user's services start when they log in, unless root, or the login manager, allows it."""
    done = service("install", str(folder), "--no-start")
    assert done.returncode == 1
    assert "`sudo loginctl enable-linger watch`" in done.stdout
    status = service("status", str(folder))
    assert "starts    when its user logs in" in status.stdout


@needs_systemd
def test_lingering_is_asked_for(
    service: Any, manager: UserManager, folder: Path, tmp_path: Path
) -> None:
    """By the login manager's own program; here a stand-in, since no login manager runs."""
    program = tmp_path / "loginctl"
    program.write_text(f'#!/bin/sh\necho "$*" > {tmp_path}/asked\n')
    program.chmod(0o755)
    path = f"{tmp_path}:{os.environ['PATH']}"
    done = service("install", str(folder), "--no-start", env={"PATH": path})
    assert done.returncode == 0, done.stdout
    assert (tmp_path / "asked").read_text() == "--no-ask-password enable-linger watch\n"
    assert "watch's services start with the machine" in done.stdout


@needs_systemd
def test_beside_a_station_that_runs_none_is_started(
    service: Any, manager: UserManager, folder: Path, start: Any
) -> None:
    """Who writes the archive is said, and what to do."""
    (manager.linger / "watch").touch()
    station = start(folder / "station.toml")
    station.until("station_started")
    done = service("install", str(folder))
    assert done.returncode == 1
    last = done.stdout.splitlines()[-1]
    assert last.startswith("not started: ") and str(station.process.pid) in last
    assert f"`systemctl --user start {UNIT}`" in last
    assert manager.show(UNIT, "ActiveState") == "inactive"


@needs_systemd
def test_one_that_does_not_keep_running_is_told_of(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """Here its broker's port is taken, which no check of the config can know."""
    import socket

    (manager.linger / "watch").touch()
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        config = folder / "station.toml"
        broker = f'broker = "local"\naddress = "127.0.0.1:{taken.getsockname()[1]}"'
        config.write_text(config.read_text().replace('broker = "none"', broker))
        done = service("install", str(folder))
    assert done.returncode == 1
    assert "it does not keep running (exit code 1)" in done.stdout.splitlines()[-1]
    assert "journalctl --user -u acqd-lookout.service -n 20" in done.stdout


@needs_systemd
def test_removed_nothing_of_it_is_left(service: Any, manager: UserManager, folder: Path) -> None:
    """The archive stays; asked twice, there is nothing to do."""
    (manager.linger / "watch").touch()
    assert service("install", str(folder)).returncode == 0
    unasked = service("remove", str(folder), stdin=subprocess.DEVNULL)
    assert unasked.returncode == 2
    assert manager.show(UNIT, "ActiveState") == "active"
    done = service("remove", str(folder), "--yes")
    assert done.returncode == 0, done.stderr
    assert "archive and config are where they were" in done.stdout
    assert (folder / "archive").is_dir()
    assert manager.show(UNIT, "LoadState") == "not-found"
    assert "nothing to remove" in service("remove", str(folder), "--yes").stdout
    assert "is not there" in service("status", str(folder)).stdout


@needs_systemd
def test_a_unit_of_somebody_elses_is_not_removed(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """Though it has our name."""
    file = manager.home / ".config" / "systemd" / "user" / UNIT
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text("[Service]\nExecStart=/bin/true\n")
    try:
        done = service("remove", str(folder), "--yes")
        assert done.returncode == 1
        assert "was not written by acqd" in done.stderr
        assert file.exists()
    finally:
        file.unlink()


@needs_systemd
def test_secrets_of_the_environment_are_asked_for(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """A service has no shell's variables; where they go is said, and there they are read."""
    (manager.linger / "watch").touch()
    config = folder / "station.toml"
    far = 'broker = "mqtt://127.0.0.1:1"\nuser_env = "LOOKOUT_USER"\npassword_env = "LOOKOUT_PASS"'
    config.write_text(config.read_text().replace('broker = "none"', far))
    file = manager.home / ".config" / "acqd" / "lookout.env"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text('LOOKOUT_USER="watch"\nLOOKOUT_PASS="ledge"\n')
    try:
        done = service("install", str(folder))
        assert done.returncode == 0, done.stdout + done.stderr
        assert f"LOOKOUT_USER, LOOKOUT_PASS: put NAME=VALUE lines into {file}" in done.stdout
        assert manager.show(UNIT, "ActiveState") == "active"
    finally:
        file.unlink()


# -- without a systemd -----------------------------------------------------------------------------


@without_systemd
def test_without_systemd_it_is_said_what_to_do_instead(acqd: Any, folder: Path) -> None:
    """A line for cron, and what any other init system has to do; nothing is written."""
    before = sorted(folder.rglob("*"))
    done = acqd("service", "install", folder=folder)
    assert done.code == 1
    assert done.out.startswith("systemd does not run this machine")
    assert "nothing was written" in done.out
    cron = next(line for line in done.out.splitlines() if line.startswith("@reboot "))
    assert f"run {folder / 'station.toml'} >>" in cron
    assert sorted(folder.rglob("*")) == before
    assert "does not run this machine" in acqd("service", "status", folder=folder).complaint


@without_systemd
def test_the_unit_is_printed_anyway(acqd: Any, folder: Path) -> None:
    """For who makes an image for another machine."""
    done = acqd("service", "show", folder=folder)
    assert done.code == 0
    assert "[Service]" in done.out and "Restart=always" in done.out
    assert f"run {folder / 'station.toml'}" in done.out


# -- what is refused -------------------------------------------------------------------------------


def test_a_config_with_problems_is_refused(acqd: Any, folder: Path) -> None:
    """With the lines that `acqd check` would say."""
    config = folder / "station.toml"
    config.write_text(config.read_text().replace('"10 kHz"', '"10 kHzz"'))
    done = acqd("service", "install", folder=folder)
    assert done.code == 2
    assert "job.marine-vhf.rbw" in done.complaint


def test_a_config_that_could_not_work_is_refused(acqd: Any, folder: Path) -> None:
    """Its archive is to be where a file is."""
    (folder / "archive").write_text("in the way")
    done = acqd("service", "install", folder=folder)
    assert done.code == 1
    assert "a station of it could not work" in done.complaint
    assert "is no folder" in done.complaint


def test_a_config_that_is_not_there_is_refused(acqd: Any, tmp_path: Path) -> None:
    """By its path."""
    done = acqd("service", "install", str(tmp_path / "none.toml"))
    assert done.code == 2
    assert "none.toml" in done.complaint


def test_a_name_that_is_none_is_refused(acqd: Any) -> None:
    """It would become a part of a path."""
    for words in (("remove", "--yes"), ("status",)):
        done = acqd("service", *words, "--name", "../x")
        assert done.code == 2
        assert "--name ../x: a station's name has" in done.complaint


@needs_systemd
def test_a_manager_that_cannot_be_reached_is_one_line(
    service: Any, manager: UserManager, folder: Path
) -> None:
    """As after `su`, which leaves no way to a user's manager; nothing is written."""
    done = service("install", str(folder), env={"XDG_RUNTIME_DIR": str(folder)})
    assert done.returncode == 1
    assert done.stderr.startswith(f"acqd: systemctl --user show {UNIT}: Failed to connect to bus")
    assert "log in as this user" in done.stderr
    assert not (manager.home / ".config" / "systemd" / "user" / UNIT).exists()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes services that run as others")
def test_a_user_that_there_is_not_is_refused(acqd: Any, folder: Path) -> None:
    """By their name."""
    done = acqd("service", "show", "--as", "nobody-of-that-name", folder=folder)
    assert done.code == 2
    assert "this machine has no such user" in done.complaint


@pytest.mark.skipif(os.geteuid() != 0, reason="only root makes services that run as others")
def test_as_whom_it_runs(acqd: Any, folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Who is asked for, else who called sudo, else whose the config is."""
    monkeypatch.delenv("SUDO_USER", raising=False)
    as_root = acqd("service", "show", folder=folder).out
    assert "User=" not in as_root
    assert "User=nobody" in acqd("service", "show", "--as", "nobody", folder=folder).out
    monkeypatch.setenv("SUDO_USER", "daemon")
    assert "User=daemon" in acqd("service", "show", folder=folder).out
    monkeypatch.delenv("SUDO_USER")
    os.chown(folder / "station.toml", 65534, 65534)
    assert "User=nobody" in acqd("service", "show", folder=folder).out
