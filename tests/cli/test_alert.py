"""acqd alert, as somebody at a terminal uses it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from alert_listener import Listener

CONFIG = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge"
archive = "archive"
[mqtt]
broker = "none"
[sweeper.mast]
driver = "sim"
address = "sim:mast"
[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "162.1 MHz"
points = 1221
when = { every = "2 s" }
"""
ALERTS = """\
[way.shack]
post = "URL"
headers = { Authorization = { env = "LEDGE_TOKEN" } }
[way.bell]
command = ["./ring", "{title}"]
[alert.lost]
on = "sweeper lost"
sweeper = "mast"
to = "bell"
"""


@pytest.fixture
def listener() -> Iterator[Listener]:
    """An HTTP server on loopback."""
    server = Listener()
    yield server
    server.close()


def acqd(
    folder: Path, *words: str, token: str | None = "t0ken"
) -> subprocess.CompletedProcess[str]:
    environ = {key: value for key, value in os.environ.items() if key != "LEDGE_TOKEN"}
    if token is not None:
        environ["LEDGE_TOKEN"] = token
    return subprocess.run(
        [sys.executable, "-m", "acqd", *words],
        cwd=folder,
        env=environ,
        capture_output=True,
        text=True,
        timeout=60,
    )


@pytest.fixture
def shack(tmp_path: Path, listener: Listener) -> Path:
    """A folder with a config that has two ways."""
    (tmp_path / "station.toml").write_text(CONFIG + ALERTS.replace("URL", listener.url))
    ring = tmp_path / "ring"
    ring.write_text('#!/bin/sh\necho "$1" > rung\n')
    ring.chmod(0o755)
    return tmp_path


def test_a_test_goes_out_by_each_way(shack: Path, listener: Listener) -> None:
    """And says what came back, a line each."""
    done = acqd(shack, "alert", "test")
    assert done.returncode == 0, done.stderr
    lines = sorted(done.stdout.splitlines())
    assert lines[0].startswith(f"bell (command {shack / 'ring'}): sent (")
    assert lines[1].startswith("shack (HTTP POST): sent (")
    assert (shack / "rung").read_text() == "Gannet Ledge: a test\n"
    (got,) = listener.got
    assert got["state"] == "test" and "nothing has happened" in got["text"]


def test_one_that_fails_is_told_and_makes_the_exit_code(shack: Path, listener: Listener) -> None:
    """The others go out all the same."""
    listener.mood = 503
    done = acqd(shack, "alert", "test")
    assert done.returncode == 1
    assert "shack (HTTP POST): NOT sent: HTTP 503 Service Unavailable (" in done.stdout
    assert "bell" in done.stdout and (shack / "rung").exists()
    assert "t0ken" not in done.stdout + done.stderr


def test_an_alert_is_tested_by_its_ways_alone(shack: Path, listener: Listener) -> None:
    """So the secrets of other ways need not be there."""
    done = acqd(shack, "alert", "test", "lost", token=None)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("bell (command") and listener.got == []


def test_a_name_that_is_none_is_answered_with_the_nearest(shack: Path) -> None:
    """With exit code 2, as wrong words have."""
    done = acqd(shack, "alert", "test", "shak")
    assert done.returncode == 2
    assert "no way and no alert 'shak'; did you mean `shack`?" in done.stderr


def test_a_secret_that_is_not_set_is_named(shack: Path) -> None:
    """By file and line."""
    done = acqd(shack, "alert", "test", token=None)
    assert done.returncode == 2
    assert "way.shack.headers: the environment variable LEDGE_TOKEN is not set" in done.stderr


def test_the_list_shows_rules_and_ways(shack: Path) -> None:
    """Before anything was ever told."""
    done = acqd(shack, "alert", "list")
    assert done.returncode == 0, done.stderr
    assert "lost" in done.stdout and "never" in done.stdout
    told = json.loads(acqd(shack, "alert", "list", "--json").stdout)
    assert told["alerts"][0]["to"] == ["bell"]
    assert [one["kind"] for one in told["ways"]] == ["post", "command"]


def test_a_config_without_alerts_says_where_to_read(tmp_path: Path) -> None:
    """And a test of nothing fails."""
    (tmp_path / "station.toml").write_text(CONFIG)
    done = acqd(tmp_path, "alert", "list")
    assert done.returncode == 0 and "docs/alerts.md" in done.stdout
    done = acqd(tmp_path, "alert", "test")
    assert done.returncode == 1 and "no enabled [way.NAME]" in done.stderr
