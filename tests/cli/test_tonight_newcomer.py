"""Somebody who knows radio and not this program: an empty folder, one command, a page at the end.

On a pseudo-terminal, with nothing attached, so that the simulated sweeper stands in. It types what
the questions ask for and edits no file. What it took is printed: ``pytest -s`` shows it.
"""

from __future__ import annotations

import os
import re
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

import pexpect
import pytest

from acqd.archive.reader import open_archive
from acqd.config.load import load_config

ACQD = [sys.executable, "-c", "from acqd.cli import main; main()"]
QUESTION = r"(?m)^(\S[^\r\n]*\?(?: \(y/n\))?) (?:\[([^\]]*)\] )?"
MOST_QUESTIONS = 5
LEAST_WATCH_S = 35.0
"""Less of a night than that would show little."""

SETTLED_S = 90.0
"""For looking, timing and the report, on a machine that other tests use as well."""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """An empty folder, home and nothing configured."""
    place = tmp_path / "friday"
    place.mkdir()
    return place


def soon() -> tuple[str, float]:
    """A time of the clock one or two minutes from now, and when that is."""
    end = datetime.now() + timedelta(seconds=LEAST_WATCH_S + 60.0)
    end = end.replace(second=0, microsecond=0)
    return end.strftime("%H:%M"), end.timestamp()


def newcomer(folder: Path, *words: str) -> pexpect.spawn[str]:
    environ = {
        **os.environ,
        "HOME": str(folder.parent),
        "XDG_CONFIG_HOME": str(folder.parent / "none"),
        "NO_COLOR": "1",
        "TERM": "dumb",
        "COLUMNS": "120",
        "PYTHONIOENCODING": "utf-8",
    }
    return pexpect.spawn(
        ACQD[0],
        [*ACQD[1:], "tonight", *words],
        cwd=str(folder),
        env=environ,
        encoding="utf-8",
        timeout=SETTLED_S,
        dimensions=(40, 160),
    )


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_from_an_empty_folder_to_a_report_without_editing_a_file(folder: Path) -> None:
    """The whole evening: Enter for each question, and once something wrong is typed."""
    began_s = time.monotonic()
    until, end_s = soon()
    night = newcomer(folder, "marine VHF", "--until", until, "--local")
    asked: list[str] = []
    wrongly = 0
    try:
        while True:
            found = night.expect([QUESTION, r"Watching until (\d\d:\d\d)", pexpect.EOF])
            assert found != 2, night.before
            if found == 1:
                break
            question = str(night.match.group(1))
            if "What is on its input" in question and not wrongly:
                wrongly += 1
                night.sendline("a wire")
                night.expect("none of them: a number from 1 to 3")
                continue
            asked.append(question)
            assert len(asked) <= MOST_QUESTIONS, asked
            night.sendline("")
        assert night.match.group(1) == until
        answered_s = time.monotonic() - began_s
        shown = (folder / "station.toml").read_text("utf-8")
        night.expect(r"\d\d:\d\d  listening, the first sweep is kept")
        night.expect(r"the night is over", timeout=end_s - time.time() + SETTLED_S)
        assert time.time() >= end_s
        night.expect(r"report: (\S+\.html)")
        page = Path(str(night.match.group(1)))
        night.expect(pexpect.EOF)
        night.close()
    finally:
        night.close(force=True)
    took_s = time.monotonic() - began_s
    print(
        f"\n{len(asked)} questions, watching after {answered_s:.1f} s, report after {took_s:.1f} s "
        f"of which {took_s - answered_s:.1f} s were the night and its page: {asked}"
    )
    assert night.exitstatus == 0
    assert page.parent == folder and page.stat().st_size > 50_000
    text = page.read_text("utf-8")
    assert "marine-vhf" in text and "</html>" in text
    assert (folder / "station.toml").read_text("utf-8") == shown
    config = load_config(folder / "station.toml")
    sweeps = open_archive(config.archive).sweeps("marine-vhf")
    rhythm_s = config.jobs["marine-vhf"].when.every_s
    assert rhythm_s is not None and sweeps.sizes["sweep"] >= LEAST_WATCH_S / rhythm_s / 2.0
    last_s = float(sweeps["time"].values.max().astype("datetime64[ms]").astype("int64")) / 1e3
    assert last_s < end_s


@pytest.mark.slow
@pytest.mark.timeout(200)
def test_what_is_shown_can_be_read_by_somebody_who_knows_radio(folder: Path) -> None:
    """Before Enter starts it: what is caught, how weak, what it costs, and that it is simulated."""
    night = newcomer(folder, "2 m", "--until", "07:00", "--local")
    try:
        for _ in range(3):
            night.expect(QUESTION)
            night.sendline("")
        night.expect(r"Write it and start\?")
        shown = " ".join(re.sub(r"\x1b\[[0-9;]*m", "", str(night.before)).split())
        night.sendline("n")
        night.expect("nothing was written")
        night.expect(pexpect.EOF)
    finally:
        night.close(force=True)
    for said in (
        "or more is always caught",
        "weakest level seen about −",
        "on VHF",
        "preamplifier",
        "Until 07:00, in",
        "SIMULATED",
        "Software protects no input",
        "a cable that falls off is noticed",
    ):
        assert said in shown, shown
    assert "Traceback" not in shown
    assert not list(folder.iterdir())


@pytest.mark.slow
def test_ctrl_d_and_ctrl_c_at_a_question_leave_nothing(folder: Path) -> None:
    """One line each, also on a real terminal."""
    for key, said, code in (("\x04", "the input has ended", 2), ("\x03", "left before", 130)):
        night = newcomer(folder, "2 m", "--local")
        try:
            night.expect(QUESTION)
            night.send(key)
            night.expect(said)
            night.expect(pexpect.EOF)
            night.close()
        finally:
            night.close(force=True)
        assert night.exitstatus == code
        assert not list(folder.iterdir())
