"""The machine is held awake while a station runs, and let go in every way out."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs
from structlog.typing import EventDict

from acqd.host.awake import AwakeTimings, KeepAwake
from acqd.host.loginmanager import may_keep_awake
from login_manager import Bus, LoginManager

QUICK = AwakeTimings(again_first_s=0.05, again_most_s=0.2, helper_s=10.0)
LIMIT_S = 20.0

HELPER = """\
#!/bin/sh
# As the real one: takes its own options, holds while the command runs, ends with it.
echo "$1 $4" >> "{notes}"
while [ "${{1#--}}" != "$1" ]; do shift; done
trap 'echo ended >> "{notes}"' EXIT
"$@"
"""


def until(what: str, is_so: Callable[[], object]) -> None:
    """Wait for something that happens in another process or thread."""
    ends_s = time.monotonic() + LIMIT_S
    while not is_so():
        assert time.monotonic() < ends_s, f"no {what}"
        time.sleep(0.01)


@pytest.fixture
def logged() -> Iterator[list[EventDict]]:
    with capture_logs() as lines:
        yield lines


def keeper(**more: object) -> KeepAwake:
    import structlog

    return KeepAwake(
        why="Gannet Ledge Lookout is listening",
        log=structlog.get_logger(),
        timings=QUICK,
        **more,
    )


def words(logged: list[EventDict]) -> list[str]:
    return [line["event"] for line in logged]


# -- by the login manager --------------------------------------------------------------------------


def test_held_from_start_to_stop(bus: Bus, logged: list[EventDict]) -> None:
    """With everything that would send it to sleep, in a name that people can make something of."""
    with LoginManager(bus) as manager:
        with keeper() as awake:
            said = manager.next("inhibited")
            assert said["what"] == "sleep:idle:handle-lid-switch"
            assert (said["who"], said["mode"]) == ("acqd", "block")
            assert said["why"] == "Gannet Ledge Lookout is listening"
            assert awake.settled.wait(LIMIT_S)
            assert awake.held == said["what"]
            assert manager.is_quiet()
        manager.next("released")
        assert awake.held == ""
    assert words(logged) == ["kept_awake"]
    assert logged[0]["held_off"] == "sleep, idle suspend, the lid"


def test_what_is_refused_is_left_out(bus: Bus, bare_path: Path, logged: list[EventDict]) -> None:
    """Over ssh many systems let nobody hold off sleep; idle suspend is worth having, and it is
    said that it is no more."""
    with LoginManager(bus, refuse="sleep") as manager, keeper() as awake:
        assert manager.next("refused")["what"] == "sleep:idle:handle-lid-switch"
        assert manager.next("refused")["what"] == "sleep:idle"
        assert manager.next("inhibited")["what"] == "idle"
        assert awake.settled.wait(LIMIT_S)
    assert [(line["event"], line["log_level"]) for line in logged] == [("kept_awake", "warning")]
    assert "sleep that somebody asks for is not" in logged[0]["text"]


def test_taken_again_when_the_login_manager_starts_anew(
    bus: Bus, bare_path: Path, logged: list[EventDict]
) -> None:
    """One that ends takes its inhibitors along; the next is asked for one, and it is said."""
    with LoginManager(bus) as first, keeper() as awake:
        first.next("inhibited")
        assert awake.settled.wait(LIMIT_S)
        first.end()
        until("word that nobody holds", lambda: "not_kept_awake" in words(logged))
        assert "no login manager" in logged[-1]["problem"]
        with LoginManager(bus) as second:
            second.next("inhibited")
            until("word that it is held", lambda: words(logged)[-1] == "kept_awake")
    assert words(logged) == ["kept_awake", "not_kept_awake", "kept_awake"]


def test_a_bus_that_starts_anew_takes_nothing_away(
    bus: Bus, bare_path: Path, logged: list[EventDict]
) -> None:
    """The old inhibitor is held until there is a new one, and nobody is troubled with it."""
    with LoginManager(bus) as first, keeper() as awake:
        first.next("inhibited")
        assert awake.settled.wait(LIMIT_S)
        bus.end()
        assert first.is_quiet(0.5), "it was let go though it still held"
        assert awake.held
        bus.start()
        with LoginManager(bus) as second:
            second.next("inhibited")
            first.next("released")
    assert words(logged) == ["kept_awake"]


def test_a_bus_that_comes_up_later_is_found(
    bus: Bus, bare_path: Path, logged: list[EventDict]
) -> None:
    """A service may start before the login manager does."""
    bus.end()
    with keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
        assert awake.held == ""
        bus.start()
        with LoginManager(bus) as manager:
            manager.next("inhibited")
            until("word that it is held", lambda: words(logged)[-1] == "kept_awake")
    assert words(logged) == ["not_kept_awake", "kept_awake"]


CHILD = """\
import structlog, time
from acqd.host.awake import KeepAwake
with KeepAwake(why="to be killed", log=structlog.get_logger()) as awake:
    awake.settled.wait(20)
    print("held", flush=True)
    time.sleep(60)
"""


def test_gone_when_the_process_is_killed(bus: Bus) -> None:
    """Nobody has to clear up behind it."""
    with LoginManager(bus) as manager:
        child = subprocess.Popen([sys.executable, "-c", CHILD], stdout=subprocess.PIPE)
        try:
            manager.next("inhibited")
        finally:
            child.kill()
            child.communicate()
        manager.next("released")


def test_no_child_of_ours_keeps_it(bus: Bus) -> None:
    """A program that the station started may outlive it; the machine sleeps all the same."""
    with LoginManager(bus) as manager:
        with keeper() as awake:
            manager.next("inhibited")
            assert awake.settled.wait(LIMIT_S)
            child = subprocess.Popen(["sleep", "60"], close_fds=False)
        try:
            manager.next("released")
        finally:
            child.kill()
            child.wait(LIMIT_S)


def test_a_bus_that_never_answers_is_in_nobodys_way(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Starting and stopping wait for nobody."""
    with socket.socket(socket.AF_UNIX) as deaf:
        path = os.path.relpath(tmp_path / "deaf")
        deaf.bind(path)
        deaf.listen()
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={path}")
        awake = keeper()
        at_s = time.monotonic()
        awake.start()
        started_s = time.monotonic() - at_s
        awake.stop()
        assert started_s < 0.5
        assert time.monotonic() - at_s < 3.0, "it waited for the bus"
        assert awake.held == ""


def test_a_login_manager_that_never_answers_holds_nothing(
    bus: Bus, bare_path: Path, monkeypatch: pytest.MonkeyPatch, logged: list[EventDict]
) -> None:
    """It is given up after its time, and that is said."""
    monkeypatch.setattr("acqd.host.loginmanager.CALL_WITHIN_S", 0.2)
    with LoginManager(bus, silent=True), keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
    assert words(logged) == ["not_kept_awake"]
    assert "does not answer" in logged[0]["problem"]


# -- by a helper program ---------------------------------------------------------------------------


@pytest.fixture
def helper(bare_path: Path, tmp_path: Path) -> Path:
    """A helper program on the PATH; returns where it notes what it is asked."""
    notes = tmp_path / "notes"
    notes.touch()
    program = bare_path / "systemd-inhibit"
    program.write_text(HELPER.format(notes=notes))
    program.chmod(0o755)
    return notes


def test_without_a_bus_a_helper_program_holds(
    no_bus: None, helper: Path, logged: list[EventDict]
) -> None:
    """It holds while a child of its own runs, which runs while we do."""
    with keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
        assert awake.held == "sleep:idle:handle-lid-switch"
        assert helper.read_text() == "--what=sleep:idle:handle-lid-switch --mode=block\n"
    until("the end of the helper", lambda: helper.read_text().endswith("\nended\n"))
    assert [(line["event"], line["by"]) for line in logged] == [("kept_awake", "systemd-inhibit")]


def test_the_helper_ends_when_we_are_killed(no_bus: None, helper: Path) -> None:
    """What its child waits for is a pipe of ours."""
    with subprocess.Popen([sys.executable, "-c", CHILD], stdout=subprocess.PIPE) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == b"held\n" or child.stdout.readline() == b"held\n"
        child.kill()
    until("the end of the helper", lambda: helper.read_text().endswith("\nended\n"))


def test_a_helper_that_ends_is_started_again(
    no_bus: None, helper: Path, logged: list[EventDict]
) -> None:
    """Whoever ended it, the night goes on."""
    with keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
        os.kill(awake._held._process.pid, signal.SIGKILL)
        until("the next helper", lambda: helper.read_text().count("--what") == 2)


def test_a_helper_that_fails_says_why(
    no_bus: None, helper: Path, bare_path: Path, logged: list[EventDict]
) -> None:
    """Once, with the reason of the bus and its own."""
    program = bare_path / "systemd-inhibit"
    program.write_text("#!/bin/sh\necho 'Failed to inhibit: Access denied' >&2\nexit 1\n")
    with keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
        time.sleep(0.3)  # several tries more
    assert words(logged) == ["not_kept_awake"]
    assert "there is no system bus" in logged[0]["problem"]
    assert "systemd-inhibit: Failed to inhibit: Access denied" in logged[0]["problem"]


def test_without_anybody_it_is_said_once(
    no_bus: None, bare_path: Path, logged: list[EventDict]
) -> None:
    """A station runs on a machine that has neither."""
    with keeper() as awake:
        assert awake.settled.wait(LIMIT_S)
        time.sleep(0.3)  # several tries more
    assert words(logged) == ["not_kept_awake"]
    assert "no helper program" in logged[0]["problem"]
    assert "acqd check --host" in logged[0]["text"]


@pytest.mark.skipif(
    shutil.which("systemd-inhibit") is None, reason="needs the systemd-inhibit of systemd"
)
def test_the_real_helper_holds_at_the_real_bus(bus: Bus, monkeypatch: pytest.MonkeyPatch) -> None:
    """With jeepney kept from the bus: the options are those that the program takes."""
    environ = {**os.environ}
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "unix:path=/nowhere")
    with LoginManager(bus) as manager:
        with keeper(environ=environ) as awake:
            said = manager.next("inhibited")
            assert (said["what"], said["who"]) == ("sleep:idle:handle-lid-switch", "acqd")
            assert said["why"] == "Gannet Ledge Lookout is listening"
            assert awake.settled.wait(LIMIT_S)
        manager.next("released")


# -- asking beforehand -----------------------------------------------------------------------------


def test_asking_whether_one_may_holds_nothing(bus: Bus) -> None:
    """Tried, and let go at once."""
    with LoginManager(bus) as manager:
        assert may_keep_awake() is True
        manager.next("inhibited")
        manager.next("released")
    with LoginManager(bus, refuse="sleep") as manager:
        assert may_keep_awake() is False


def test_without_a_bus_nobody_knows(no_bus: None) -> None:
    """Neither yes nor no."""
    assert may_keep_awake() is None
