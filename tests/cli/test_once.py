"""``acqd once``: one pass, looked at and not kept."""

from __future__ import annotations

import contextlib
import fcntl
import io
import os
import pty
import termios
from pathlib import Path
from typing import Any

import pytest
from acqd_sim.server import SimServer

from acqd.cli.show_band import show as _show


def test_a_range_is_swept_and_shown(acqd: Any, served: SimServer) -> None:
    """Who it was, how it was swept, floor and signals in a table."""
    answer = acqd("once", "156MHz..157MHz", "--sweeper", served.address("mast"), "--points", "101")
    assert answer.code == 0
    lines = answer.out.splitlines()
    assert lines[0] == "GANNET LOOKOUT 1, serial number GL0017, firmware 1.0"
    assert lines[1].startswith("156 MHz to 157 MHz, 101 points, RBW 10 kHz, took ")
    assert lines[2].startswith("floor −") and " dBm, threshold −" in lines[2]
    assert lines[3].split()[:2] == ["frequency", "peak"]
    (beacon,) = [line for line in lines[4:] if line.strip().startswith("156.8 MHz")]
    assert float(beacon.split()[2].replace("−", "-")) == pytest.approx(-61.5, abs=1.6)


def test_json_has_the_whole_summary(acqd: Any, served: SimServer) -> None:
    """With its units in the names; wider settings are taken over."""
    words = ("--points", "201", "--rbw", "3 kHz", "--margin", "15 dB", "--json")
    told = acqd("once", "156.7MHz..156.9MHz", "--sweeper", served.address("bench"), *words).json
    assert told["points"] == 201 and told["rbw_hz"] == 3000.0 and told["unit"] == "dBm"
    band = told["band"]
    assert band["threshold_dbm"] - band["floor_dbm"] > 10
    assert band["strongest"]["peak_hz"] == pytest.approx(156.8e6, abs=2e3)


@pytest.mark.parametrize("where", [("--config",), ()])
def test_a_job_of_the_config(acqd: Any, folder: Path, where: tuple[str, ...]) -> None:
    """As the station would sweep it, at the far end of its chain; nothing is kept."""
    words = (*where, str(folder / "station.toml")) if where else ()
    told = acqd("once", "marine-vhf", "--json", *words, folder=folder).json
    assert told["points"] == 101
    assert "far end" in told["band"]["plane"]
    assert told["band"]["strongest"]["peak_dbm"] == pytest.approx(-60.0, abs=1.7)
    assert not (folder / "archive").exists()


@pytest.mark.slow
def test_a_running_station_is_not_disturbed(acqd: Any, start: Any, folder: Path) -> None:
    """A job of it and a range on its sweeper are refused, with who has it."""
    station = start(folder / "station.toml")
    station.until("sweeper_present")
    for words in (("marine-vhf",), ("156MHz..157MHz", "--sweeper", "mast")):
        answer = acqd("once", *words, folder=folder)
        assert answer.code == 1
        assert f"mast: in use by process {station.process.pid}" in answer.complaint
    assert station.stop() == 0


def test_what_nobody_reported_is_marked(acqd: Any, folder: Path) -> None:
    """An accuracy or an RBW that somebody stated is shown plain; another is called assumed."""
    out = acqd("once", "156MHz..157MHz", folder=folder).out
    assert " dB\n" in out and "(assumed)" not in out
    told = {
        "identity": "GANNET", "start_hz": 1e6, "stop_hz": 2e6, "points": 2, "rbw_hz": 1e4,
        "rbw_is_assumed": True, "took_s": 1.0, "unit": "dBm", "suffix": "dbm",
    }  # fmt: skip
    summary = {
        "plane": "the sweeper's input", "level_accuracy_db": 3.0, "assumed": ["level_accuracy_db"],
        "floor_dbm": -100.0, "threshold_dbm": -90.0, "signals": [],
    }  # fmt: skip
    with contextlib.redirect_stdout(io.StringIO()) as shown:
        _show(told, summary)
    assert "RBW 10 kHz (assumed), took" in shown.getvalue()
    assert "± 3.0 dB (assumed)\n" in shown.getvalue()


def test_a_sweeper_of_the_config_by_name(acqd: Any, folder: Path) -> None:
    """A plain range on it; where there is but one it need not be named."""
    for words in (("--sweeper", "mast"), ()):
        answer = acqd("once", "150MHz..160MHz", *words, folder=folder)
        assert answer.code == 0 and "GL0017" in answer.out


WRONG: dict[str, tuple[tuple[str, ...], str]] = {
    "no such job": (("nobody",), "no enabled job 'nobody'; there is marine-vhf, calling"),
    "the wrong way": (("157MHz..156MHz",), "not above"),
    "no unit": (("156..157",), "unit"),
    "no frequency": (("low..high",), "frequency"),
    "an RBW without a unit": (("156MHz..157MHz", "--rbw", "10"), "without a unit"),
    "a margin of hertz": (("156MHz..157MHz", "--margin", "10 Hz"), "dB"),
    "an option of a sweeper of the config": (
        ("156MHz..157MHz", "--sweeper", "mast", "--option", "seed=1"),
        "--option is for an address",
    ),
    "half an option": (
        ("156MHz..157MHz", "--sweeper", "sim:mast", "--option", "seed"),
        "expected KEY=VALUE",
    ),
    "an option twice": (
        ("156MHz..157MHz", "--sweeper", "sim:mast", "--option", "seed=1", "--option", "seed=2"),
        "seed is there twice",
    ),
    "no such sweeper": (("156MHz..157MHz", "--sweeper", "roof"), "one of: mast"),
}


@pytest.mark.parametrize(("words", "says"), WRONG.values(), ids=WRONG)
def test_words_that_cannot_be_meant(
    acqd: Any, folder: Path, words: tuple[str, ...], says: str
) -> None:
    """Exit code 2 and one line."""
    answer = acqd("once", *words, folder=folder)
    assert answer.code == 2
    assert answer.complaint.startswith("acqd: ") and says in answer.complaint


def test_a_range_without_any_config_asks_which_sweeper(
    acqd: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """And says how to name one."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path))
    answer = acqd("once", "156MHz..157MHz", folder=tmp_path)
    assert answer.code == 2
    assert "--sweeper" in answer.complaint and "acqd find" in answer.complaint


def test_options_go_to_a_sweeper_at_an_address(acqd: Any, tmp_path: Path) -> None:
    """Numbers as numbers, words as words; what the driver does not take it refuses itself."""
    words = ("once", "156MHz..157MHz", "--sweeper", "sim:mast", "--points", "101")
    fast = ("--option", "time_scale=0.1", "--option", "seed=7")
    assert acqd(*words, *fast, folder=tmp_path).code == 0
    for option, said in (
        ("time_scale=fast", "time_scale"),
        ("scene=moor", "moor"),
        ("wet=1", "wet"),
    ):
        answer = acqd(*words, "--option", option, folder=tmp_path)
        assert answer.code == 1
        assert said in answer.complaint


def test_beyond_the_sweeper_names_the_limit(acqd: Any, served: SimServer) -> None:
    """Exit code 1: it was understood and cannot be done."""
    answer = acqd("once", "1GHz..2GHz", "--sweeper", served.address("mast"))
    assert answer.code == 1
    assert "960 MHz" in answer.complaint


def test_nobody_there_is_one_line(acqd: Any) -> None:
    """Exit code 1, with the address."""
    answer = acqd("once", "156MHz..157MHz", "--sweeper", "tcp://127.0.0.1:1")
    assert answer.code == 1
    assert "tcp://127.0.0.1:1" in answer.complaint


def test_a_port_that_somebody_else_holds_is_one_line(acqd: Any) -> None:
    """A serial port opened exclusively by another program is busy, and nothing is written to it."""
    ours, theirs = pty.openpty()
    try:
        fcntl.ioctl(theirs, termios.TIOCEXCL)
        fcntl.flock(theirs, fcntl.LOCK_EX)
        answer = acqd("once", "156MHz..157MHz", "--sweeper", f"serial:{os.ttyname(theirs)}")
        assert answer.code == 1
        assert os.ttyname(theirs) in answer.complaint
    finally:
        os.close(ours)
        os.close(theirs)
