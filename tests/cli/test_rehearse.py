"""``acqd rehearse``: a night on a clock of its own, and what is said of it."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acqd import open_archive

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")
SCENE = """\
seed = 7

[scene.harbour]

[[scene.harbour.voice]]
name = "channel 16"
frequency = "156.8 MHz"
power = "-70 dBm"
on = "20 s"
off = "60 s"

[instrument.mast]
scene = "harbour"
serial_number = "GL0017"
sweep_factor = 1.0
"""

CONFIG = """\
[station]
name = "lookout"
title = "Gannet Ledge Lookout"
archive = "archive"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"
options = { scene = "./scene.toml" }

[job.vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
sweep_time = "200 ms"
when = { every = "2 s" }
band = { margin = "10 dB" }

[job.long]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
sweep_time = "5 s"
priority = 5
when = { every = "1 min" }
band = { margin = "10 dB" }
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("station")
    (folder / "scene.toml").write_text(SCENE)
    (folder / "station.toml").write_text(CONFIG)
    return folder


@pytest.fixture(scope="module")
def rehearsed(folder: Path, acqd_child: Callable[..., Any]) -> subprocess.CompletedProcess[str]:
    """Twenty minutes, kept in ``kept``, with the report of them."""
    words = ("--from", "2026-11-28T21:00Z", "--for", "20min", "--archive", "kept")
    done: subprocess.CompletedProcess[str] = acqd_child("rehearse", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    return done


def test_it_fits_one_screen_and_says_what_is_kept_and_lost_to_whom(
    rehearsed: subprocess.CompletedProcess[str],
) -> None:
    lines = rehearsed.stdout.splitlines()
    assert len(lines) < 30
    assert lines[0].startswith("Gannet Ledge Lookout (lookout), from /")
    assert lines[0].endswith("/station.toml")
    assert lines[1].startswith("rehearsed 28 November 2026, 21:00 to 21:20 (GMT, UTC): 20 min in ")
    (vhf,) = (line.split() for line in lines if line.startswith("vhf  "))
    assert vhf[:4] == ["vhf", "band", "mast", "600"]
    assert 540 <= int(vhf[4]) <= 580
    assert any(line.startswith("vhf lost ") and " to long " in line for line in lines)
    for word in ("disk ", "messages ", "taken for granted", "archive ", "report "):
        assert any(line.startswith(word) for line in lines), word


def test_nothing_goes_to_standard_error(rehearsed: subprocess.CompletedProcess[str]) -> None:
    assert rehearsed.stderr == ""


def test_the_archive_is_kept_and_replays_alike(
    rehearsed: subprocess.CompletedProcess[str], folder: Path, acqd: Callable[..., Any]
) -> None:
    with open_archive(folder / "kept") as archive:
        assert archive.jobs() == ["long", "vhf"]
        assert archive.coverage("long").fraction == 1.0
    answer = acqd("replay", str(folder / "kept"), "vhf", "--check")
    assert answer.code == 0
    assert "equal bit for bit" in answer.out


def test_the_report_of_it_is_a_page(
    rehearsed: subprocess.CompletedProcess[str], folder: Path
) -> None:
    page = (folder / "station-rehearsal.html").read_text()
    assert page.lower().startswith("<!doctype html>")
    assert "Gannet Ledge Lookout" in page
    assert "a rehearsal" in page


def test_json_says_the_same(folder: Path, acqd_child: Callable[..., Any]) -> None:
    before = {path.name for path in folder.iterdir()}
    words = ("--from", "2026-11-28T21:00Z", "--for", "5 min", "--no-report", "--json")
    done = acqd_child("rehearse", "station.toml", *words, cwd=folder)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["from"] == "2026-11-28T21:00:00+00:00"
    assert told["to"] == "2026-11-28T21:05:00+00:00"
    vhf, long = told["jobs"]
    assert (long["due"], long["kept"], long["coverage"]) == (5, 5, 1.0)
    assert vhf["due"] == 150
    assert vhf["missed"] == {"overrun": 150 - vhf["kept"]}
    assert told["lost"][0]["behind"] == "long"
    assert told["messages"]["by_topic"]["summary"]["messages"] == vhf["kept"] + 5
    assert (told["archive"], told["report"]) == (None, None)
    assert {path.name for path in folder.iterdir()} == before


def test_what_is_not_kept_is_gone(
    folder: Path, acqd_child: Callable[..., Any], tmp_path: Path
) -> None:
    words = ("--from", "2026-11-28T21:00Z", "--for", "1 min", "--report", str(tmp_path / "a.html"))
    env = {**os.environ, "TMPDIR": str(tmp_path)}
    done = acqd_child("rehearse", str(folder / "station.toml"), *words, cwd=tmp_path, env=env)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "a.html").exists()
    assert not list(tmp_path.glob("acqd-rehearsal-*"))


def test_a_job_that_keeps_nothing_is_exit_code_1(
    folder: Path, acqd_child: Callable[..., Any]
) -> None:
    beyond = CONFIG.replace('stop = "157 MHz"', 'stop = "5 GHz"').replace(
        "points = 101", "points = 1001"
    )
    (folder / "beyond.toml").write_text(beyond)
    words = ("--from", "2026-11-28T21:00Z", "--for", "1 min", "--no-report")
    done = acqd_child("rehearse", "beyond.toml", *words, cwd=folder)
    assert done.returncode == 1
    assert "refused" in done.stdout


def test_an_interrupt_ends_it_with_what_was_rehearsed(folder: Path, tmp_path: Path) -> None:
    words = ("rehearse", "--from", "2026-11-28T21:00Z", "--for", "10d", "--no-report", "--json")
    process = subprocess.Popen(
        [*ACQD, *words],
        cwd=folder,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    ends_s = time.monotonic() + 60.0
    # The first segment is made after a quarter of an hour of the night.
    while not list(tmp_path.glob("acqd-rehearsal-*/archive/sweeps/*/*/*.nc")):
        assert process.poll() is None
        assert time.monotonic() < ends_s
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    told = json.loads(out)
    assert told["is_cut_short"]
    assert 0 < told["jobs"][0]["kept"] < 10 * 86400 / 2


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--from", "teatime"), "--from 'teatime' is no time"),
        (("--from", "2026-02-31T21:00Z"), "is no time"),
        (("--for", "10"), "--for '10'"),
        (("--for", "soon"), "--for 'soon'"),
        (("--for", "60d"), "a rehearsal lasts from a second to 31 days, got 60 d"),
        (("--scene", "nowhere.toml"), "the scene cannot be used"),
        (("--archive", "."), "needs an empty folder"),
    ],
)
def test_wrong_words_are_one_line(
    folder: Path, acqd_child: Callable[..., Any], words: tuple[str, ...], says: str
) -> None:
    done = acqd_child("rehearse", "station.toml", "--no-report", *words, cwd=folder)
    assert done.returncode == 2
    assert done.stdout == ""
    lines = [line for line in done.stderr.splitlines() if not line.startswith(("Usage", "Try"))]
    assert len([line for line in lines if line]) == 1, done.stderr
    assert says in done.stderr
    assert not (folder / "lookout-rehearsal-none.html").exists()


def test_a_report_that_cannot_be_written_is_said_before_the_night(
    folder: Path, acqd: Callable[..., Any]
) -> None:
    answer = acqd("rehearse", "--for", "10h", "--report", "no/night.html", folder=folder)
    assert answer.code == 1
    assert answer.complaint == (
        "acqd: no/night.html: there is no folder no; make it, or name another"
    )


def test_report_and_no_report_contradict(folder: Path, acqd: Callable[..., Any]) -> None:
    answer = acqd("rehearse", "--report", "a.html", "--no-report", folder=folder)
    assert answer.code == 2
    assert "leave one of the two out" in answer.err
