"""Words for the service manager, to a real datagram socket."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from acqd.host.notify import STATUS_MOST, Notifier


@pytest.fixture(params=["path", "abstract"])
def manager(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[socket.socket, str]]:
    """A manager's ear, and the name by which it says where it is."""
    folder = Path("/tmp") / f"acqd-notify-{os.getpid()}"
    name = f"@acqd-test-{os.getpid()}"
    if request.param == "path":
        folder.mkdir(mode=0o700)
        name = str(folder / "notify")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as ear:
        ear.bind(name.replace("@", "\0", 1) if name.startswith("@") else name)
        ear.settimeout(5.0)
        yield ear, name
    if request.param == "path":
        (folder / "notify").unlink()
        folder.rmdir()


def test_every_word_arrives(manager: tuple[socket.socket, str]) -> None:
    """One datagram each, in the words of the protocol."""
    ear, name = manager
    notifier = Notifier(name)
    notifier.ready("started")
    notifier.status("well")
    notifier.alive()
    notifier.extend(30.0)
    notifier.stopping("stopping")
    heard = [ear.recv(4096).decode() for _ in range(5)]
    assert heard == [
        "READY=1\nSTATUS=started",
        "STATUS=well",
        "WATCHDOG=1",
        "EXTEND_TIMEOUT_USEC=30000000",
        "STOPPING=1\nSTATUS=stopping",
    ]


def test_a_status_is_one_line(manager: tuple[socket.socket, str]) -> None:
    """What a sweeper says of itself cannot become a word to the manager."""
    ear, name = manager
    Notifier(name).status("lost:\nWATCHDOG=trigger\x00\x1b[31m " + "x" * 1000)
    heard = ear.recv(4096).decode()
    assert heard.startswith("STATUS=lost: WATCHDOG=trigger") and "\n" not in heard
    assert len(heard) <= len("STATUS=") + STATUS_MOST and heard.isprintable()


def test_a_manager_that_does_not_listen_costs_nothing(
    manager: tuple[socket.socket, str],
) -> None:
    """Its queue is full: nothing waits. It is gone: nothing is raised."""
    ear, name = manager
    notifier = Notifier(name)
    for _ in range(2000):
        notifier.alive()
    assert ear.recv(100) == b"WATCHDOG=1"
    Notifier("/nonexistent/notify").alive()


def environ(**given: str) -> dict[str, str]:
    return {"NOTIFY_SOCKET": "/run/x/notify", "PATH": "/usr/bin", **given}


@pytest.mark.parametrize(
    ("given", "watchdog_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "60000000"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "77"}, 60.0),
        ({"WATCHDOG_USEC": "60000000", "WATCHDOG_PID": "78"}, None),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "-5"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "9" * 40}, None),
    ],
)
def test_the_watchdog_is_ours_alone(given: dict[str, str], watchdog_s: float | None) -> None:
    """Another process's is not, and what is no time is none; nothing stays for children."""
    there = environ(**given)
    notifier = Notifier.taken_from(there, pid=77)
    assert notifier is not None and notifier.watchdog_s == watchdog_s
    assert there == {"PATH": "/usr/bin"}


@pytest.mark.parametrize("name", ["", "notify", "vsock:2:1", "@", "/" + "x" * 200])
def test_a_name_that_is_none_is_left_alone(name: str) -> None:
    there = environ(NOTIFY_SOCKET=name)
    assert Notifier.taken_from(there) is None and "NOTIFY_SOCKET" not in there


def test_no_child_finds_the_manager() -> None:
    """Taken from the process's own environment, what is started afterwards has none of it."""
    script = (
        "import os, subprocess, sys; from acqd.host.notify import Notifier; "
        "assert Notifier.taken_from(os.environ) is not None; "
        "print(subprocess.run(['env'], capture_output=True, text=True).stdout)"
    )
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, **environ(WATCHDOG_USEC="1000000", PATH=os.environ["PATH"])},
        capture_output=True,
        text=True,
        check=True,
    )
    assert "PATH=" in done.stdout
    assert "NOTIFY" not in done.stdout and "WATCHDOG" not in done.stdout
