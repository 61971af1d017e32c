"""The line that says how far a command is: on a terminal, not too often, and gone at the end."""

from __future__ import annotations

import io
import os
import pty
import re
import select
import subprocess
import sys
from pathlib import Path

import pytest

from acqd.cli import progress
from acqd.cli.progress import ProgressLine

SCREEN = 80

STATION = """\
[station]
name = "lookout"
archive = "archive"
time_zone = "UTC"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:shack"

[job.marine]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "157 MHz"
points = 101
rbw = "10 kHz"
when = { every = "2 s" }
band = { false_alarm = 1e-6 }
"""


class Terminal(io.StringIO):
    """Standard error that somebody looks at."""

    encoding = "utf-8"

    def isatty(self) -> bool:
        return True


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Terminal:
    """A terminal of 80 columns in the place of standard error."""
    monkeypatch.setenv("COLUMNS", str(SCREEN))
    return Terminal()


def screen(written: str) -> str:
    """What stands in the last line, after carriage returns and what was written over."""
    line: list[str] = []
    for part in written.split("\r"):
        line[: len(part)] = list(part)
    return "".join(line)


def test_it_is_not_written_more_often_than_eyes_can_see(terminal: Terminal) -> None:
    """Five times a second, and at the end."""
    line = ProgressLine(terminal)
    for done in range(1, 10_001):
        line.sweeps(done, 10_000, "reading calling")
    assert 2 <= terminal.getvalue().count("sweeps, reading") <= 12
    assert screen(terminal.getvalue()) == f"{'█' * 20} 10000 of 10000 sweeps, reading calling"


def test_a_shorter_text_leaves_nothing_of_a_longer_one(terminal: Terminal) -> None:
    line = ProgressLine(terminal)
    line.say("a text of some length")
    line.say("short")
    assert screen(terminal.getvalue()).rstrip() == "short"


def test_it_is_gone_at_the_end_whatever_happens(terminal: Terminal) -> None:
    def interrupted() -> None:
        with ProgressLine(terminal) as line:
            line.show(0.4, "reading")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert screen(terminal.getvalue()).strip() == ""
    assert terminal.getvalue().endswith("\r")
    assert "\n" not in terminal.getvalue()


def test_it_never_reaches_into_the_next_line(terminal: Terminal) -> None:
    """However long the name of a job is."""
    with ProgressLine(terminal) as line:
        line.sweeps(3, 4, f"reading {'long-' * 30}")
        assert len(screen(terminal.getvalue())) == SCREEN - 1


def test_without_blocks_it_is_plain_characters(terminal: Terminal) -> None:
    terminal.encoding = "ascii"
    ProgressLine(terminal).show(0.5, "half of it")
    assert screen(terminal.getvalue()) == "##########.......... half of it"


def test_who_pipes_it_sees_nothing() -> None:
    file = io.StringIO()
    with ProgressLine(file) as line:
        line.show(1.0, "done")
    assert file.getvalue() == ""


def test_nothing_to_count_is_no_error(terminal: Terminal) -> None:
    with ProgressLine(terminal) as line:
        line.sweeps(0, 0, "reading")
    assert "0 of 0 sweeps" in terminal.getvalue()
    assert progress.EMPTY * 20 in terminal.getvalue()


# --- on a real terminal ---------------------------------------------------------------------------


def on_a_terminal(folder: Path, *words: str) -> str:
    """What ``acqd`` writes to a terminal as standard error; it has to end well."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-c", "from acqd.cli import main; main()", *words]
    process = subprocess.Popen(command, cwd=folder, stderr=theirs, stdout=subprocess.DEVNULL)
    os.close(theirs)
    seen = b""
    while select.select([ours], [], [], 60.0)[0]:
        try:
            part = os.read(ours, 4096)
        except OSError:  # The other end is closed.
            break
        if not part:
            break
        seen += part
    os.close(ours)
    assert process.wait(60) == 0, seen
    return seen.decode()


@pytest.mark.slow
def test_a_rehearsal_and_its_plot_say_how_far_they_are(tmp_path: Path) -> None:
    """The clock of the rehearsal, then the sweeps that are read; nothing is left of either."""
    (tmp_path / "station.toml").write_text(STATION)
    words = ("--from", "2026-11-28T21:00Z", "--for", "40min", "--archive", "kept")
    told = on_a_terminal(tmp_path, "rehearse", "station.toml", *words)
    shown = re.findall(r"\r[█░]{20} (2[12]:\d\d)", told)
    assert shown == sorted(shown)
    assert re.search(r"\r[█░]{20} \d+ of 1200 sweeps, read", told)
    assert screen(told).strip() == ""

    told = on_a_terminal(tmp_path, "plot", "kept", "-o", "sheet.png")
    assert re.search(r"\r[█░]{20} \d+ of \d+ sweeps, read", told)
    assert screen(told.split("wrote")[0]).strip() == ""
    assert told.endswith("wrote sheet.png\r\n")
    assert told.count("\n") == 1
