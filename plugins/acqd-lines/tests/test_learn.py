"""``acqd profile learn`` over real pseudo-terminals, of sweepers in a language it does not know."""

from __future__ import annotations

import os
import pty
import re
import select
import subprocess
import sys
import threading
import time
import tomllib
import tty
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import serial
from acqd_lines.check import Check
from acqd_lines.check_command import connected, read_profile
from acqd_lines.check_steps import Outcome
from acqd_lines.learn import NotLearnt, carrier_of, swept_of
from acqd_lines.learn_known import ABOVE_DBM, Carrier
from acqd_sim.server import SimServer

from acqd.sweep import SweepRequest

from .voices import SPEAK, Ran

QUICK = ("--wait", "400ms", "--pause", "200ms", "--sweep-wait", "5s")
RANGE = ("--range", "156.3MHz..158.8MHz", "--points", "201")
STRONG = ("--carrier", "156.8MHz@-40dBm")
WEAK = ("--carrier", "158.3MHz@-62dBm")
KNOWN = {
    "hut": ("--set", "frequency=SPAN {start:kHz:.3f} {stop:kHz:.3f} {points}", "--sweep", "READ"),
    "rail": (
        *("--try", "v", "--set", "frequency=f {start:Hz:d} {stop:Hz:d}"),
        *("--set", "points=n {points}", "--sweep", "g"),
    ),
    "loft": (
        *("--identify", "who", "--set", "frequency=range {start:MHz:.6f} {stop:MHz:.6f}"),
        *("--set", "points=points {points}", "--sweep", "go"),
    ),
}
"""What a manual would say of each: who it is, range, points, sweep."""


@pytest.fixture
def learn(acqd: Callable[..., Ran], server: SimServer) -> Callable[..., Ran]:
    """Runs ``acqd profile learn`` on an instrument."""

    def run(name: str, *arguments: str) -> Ran:
        port = server.address(name) if name in SPEAK else name
        return acqd("learn", "--port", port, *arguments)

    return run


def swept_dbm(path: Path, address: str) -> tuple[np.ndarray, np.ndarray]:
    """A sweep by a learnt profile: frequencies in Hz and levels in dBm."""
    profile, places = read_profile(path)
    request = SweepRequest(start_hz=156.3e6, stop_hz=158.8e6, points=201)
    check = Check(profile, places, request, lambda: connected(address, {}))
    assert all(step.outcome is not Outcome.DIFFERS for step in check.run())
    assert check.decoded is not None
    return check.axis_hz, check.decoded.level - ABOVE_DBM[profile.sweep.values.unit]


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "carriers"),
    [("hut", STRONG), ("loft", STRONG), ("rail", (*STRONG, *WEAK))],
    ids=["tern", "dunlin", "skua"],
)
def test_a_language_is_learnt_to_a_profile_that_sweeps_right(
    learn: Callable[..., Ran],
    server: SimServer,
    tmp_path: Path,
    name: str,
    carriers: tuple[str, ...],
) -> None:
    """Nobody says how it ends lines, echoes, prompts, frames or counts: both carriers are where
    they are on the air, within a point and a dB."""
    path = tmp_path / "learnt.toml"
    ran = learn(name, "--yes", *QUICK, *RANGE, *KNOWN[name], *carriers, "--out", str(path))
    assert ran.code == 0, ran.err
    assert "it matches" in ran.err
    axis_hz, level_dbm = swept_dbm(path, server.address(name))
    for frequency_hz, true_dbm in ((156.8e6, -40.0), (158.3e6, -62.0)):
        near = np.abs(axis_hz - frequency_hz) < 100e3
        peak = int(np.argmax(np.where(near, level_dbm, -np.inf)))
        assert abs(axis_hz[peak] - frequency_hz) <= 12.6e3
        assert abs(level_dbm[peak] - true_dbm) <= 1.0


@pytest.mark.slow
def test_what_was_learnt_of_each_is_what_it_is(learn: Callable[..., Ran], tmp_path: Path) -> None:
    """Line end, echo, prompt, pause, errors, framing, checksum, type; with one carrier, the scale
    of counts is a guess and says so."""
    told = {}
    for name in SPEAK:
        path = tmp_path / f"{name}.toml"
        ran = learn(name, "--yes", *QUICK, *RANGE, *KNOWN[name], *STRONG, "--out", str(path))
        assert ran.code == 0, ran.err
        told[name] = tomllib.loads(path.read_text(encoding="utf-8"))
    assert {name: one["talk"]["end"] for name, one in told.items()} == {
        "hut": "crlf",
        "rail": "cr",
        "loft": "cr",
    }
    assert told["loft"]["talk"]["prompt"] == "dunlin> "
    assert told["loft"]["talk"]["echo"] is True
    assert "echo" not in told["hut"]["talk"]
    assert told["hut"]["sweep"]["fetch"]["answer"]["checksum"]["kind"] == "sum8"
    assert told["hut"]["sweep"]["values"]["frequency_unit"] == "kHz"
    block = told["rail"]["sweep"]["fetch"]["answer"]
    assert (block["sync"], block["checksum"]["kind"]) == ("A5 5A", "crc16")
    values = told["rail"]["sweep"]["values"]
    assert (values["type"], values["order"], values["scale"]) == ("u16", "little", 0.01)
    assert "two carriers" in (tmp_path / "rail.toml").read_text(encoding="utf-8")


def test_without_a_carrier_guesses_are_marked(learn: Callable[..., Ran], tmp_path: Path) -> None:
    """Counts stay counts of its own."""
    path = tmp_path / "learnt.toml"
    ran = learn("rail", "--yes", "--end", "cr", *QUICK, *RANGE, *KNOWN["rail"], "--out", str(path))
    assert ran.code == 0, ran.err
    assert 'unit = "digit"  # GUESS: no carrier was connected' in path.read_text(encoding="utf-8")


def test_limits_that_are_told_go_in(learn: Callable[..., Ran]) -> None:
    """Else they are what was swept, and assumed; without --out the profile is standard output."""
    ran = learn(
        *("hut", "--yes", "--end", "crlf", *QUICK, *RANGE, *KNOWN["hut"], *STRONG, "--no-check"),
        *("--limits", "100kHz..960MHz", "--points-limits", "51..1001"),
    )
    assert ran.code == 0, ran.err
    limits = tomllib.loads(ran.out)["limits"]
    assert limits == {
        "start": "0.1 MHz",
        "stop": "960 MHz",
        "points_min": 51,
        "points_max": 1001,
    }


def test_without_consent_nothing_is_opened(learn: Callable[..., Ran], server: SimServer) -> None:
    """Where nobody can be asked it is refused, after saying what would be sent."""
    path = server.address("hut").removeprefix("serial:")
    with serial.Serial(path, exclusive=True, timeout=0.1) as held:
        ran = learn("hut", "--sweep", "READ")
        assert held.read(1) == b""
    assert ran.code == 2
    assert "--yes gives it" in ran.err
    assert "Disconnect transmitters" in ran.err
    assert "*IDN?  id  name  version  ver  info  help  ?" in ran.err


@pytest.mark.parametrize(
    ("fault", "arguments", "says"),
    [
        ("stop-answering", ("--end", "crlf"), "it answers to nothing: another speed"),
        ("", ("--end", "crlf", "--identify", "who"), "'who' is not answered with one line"),
        ("", ("--end", "crlf", "--sweep", "LOOK"), "none of 'LOOK' is answered with a sweep"),
        (
            "",
            ("--end", "crlf", "--set", "frequency=SPAN {start:kHz}"),
            "it refuses 'SPAN 156300': NO 12",
        ),
        ("", ("--end", "crlf", "--set", "frequency=SPAN {begin}"), "unknown placeholder"),
        (
            "",
            ("--end", "crlf", *KNOWN["hut"], "--carrier", "157.5MHz@-40dBm"),
            "no peak is at the carrier of 157.500000 MHz; there are point",
        ),
        (
            "",
            ("--end", "crlf", *KNOWN["hut"], "--range", "201MHz..202MHz", *STRONG),
            "nothing stands out of the noise",
        ),
    ],
)
def test_what_does_not_work_out_says_what_may_help(
    learn: Callable[..., Ran], server: SimServer, fault: str, arguments: tuple[str, ...], says: str
) -> None:
    """One line at the end, exit code 1, no file."""
    if fault:
        server.tell(f"hut {fault}")
    ran = learn("hut", "--yes", *QUICK, *RANGE, *arguments)
    assert ran.code == 1
    assert says in ran.err.splitlines()[-1]
    assert ran.out == ""


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("--range", "1..2"), "--range: "),
        (("--range", "1MHz..2MHz", "--points", "x"), "--points: expected a number"),
        (("--carrier", "156.8MHz"), "for example 156.8MHz@-40dBm"),
        (("--set", "colour=x"), "--set: expected NAME=LINE with one of frequency"),
        (("--peak", "x"), "--peak: expected a whole number"),
        (("--points-limits", "9..3"), "--points-limits: expected LEAST..MOST"),
        (("--wait", "1"), "--wait: "),
        (("--try", "a\nb"), "--try: expected one line"),
        (("--out", __file__), "is there already"),
    ],
)
def test_wrong_usage_is_one_line(
    learn: Callable[..., Ran], arguments: tuple[str, ...], says: str
) -> None:
    """Before anything is opened; exit code 2."""
    ran = learn("hut", "--yes", *arguments)
    assert ran.code == 2
    assert says in ran.err


def test_the_user_can_say_which_peak_it_is(learn: Callable[..., Ran], tmp_path: Path) -> None:
    """Where the axis is not to be trusted."""
    path = tmp_path / "learnt.toml"
    ran = learn(
        *("hut", "--yes", "--end", "crlf", *QUICK, *RANGE, *KNOWN["hut"], "--no-check"),
        *("--carrier", "157.5MHz@-40dBm", "--peak", "40", "--out", str(path)),
    )
    assert ran.code == 0, ran.err


def test_a_device_that_talks_by_itself_is_left_alone(tmp_path: Path) -> None:
    """Nothing is written to it, and it is said."""
    command = [sys.executable, "-m", "acqd", "profile", "learn", "--yes", "--pause", "200ms"]
    master, slave = pty.openpty()
    tty.setraw(slave)
    stop, heard = threading.Event(), bytearray()

    def chatter() -> None:
        while not stop.wait(0.02):
            os.write(master, b"$POS,1,2*00\r\n")
            if select.select([master], [], [], 0)[0]:
                heard.extend(os.read(master, 1000))

    thread = threading.Thread(target=chatter, daemon=True)
    thread.start()
    try:
        done = subprocess.run(
            [*command, "--port", os.ttyname(slave)],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    finally:
        stop.set()
        thread.join(5.0)
        os.close(slave)
        os.close(master)
    assert done.returncode == 1
    assert "it talks by itself and does not stop" in done.stderr
    assert bytes(heard) == b""


@pytest.mark.slow
def test_at_a_terminal_it_asks(server: SimServer, tmp_path: Path) -> None:
    """Consent, who it is, range, lines, carrier, sweep, which guess: all typed by a person."""
    path = tmp_path / "learnt.toml"
    typed = {
        "Go on?": "y",
        "which line asks who it is": "",
        "what to sweep": "156.3MHz..158.8MHz",
        "with how many points": "201",
        "the line that sets the range": "SPAN {start:kHz:.3f} {stop:kHz:.3f} {points}",
        "a further line for that": "",
        "a carrier that is connected": "156.8MHz@-40dBm",
        "the line that is answered with a sweep": "READ",
        "which of them is it": "1",
    }
    master, slave = pty.openpty()
    command = [sys.executable, "-m", "acqd", "profile", "learn", "--end", "crlf", *QUICK]
    command += ["--port", server.address("hut"), "--out", str(path)]
    with subprocess.Popen(command, stdin=slave, stdout=slave, stderr=slave) as process:
        os.close(slave)
        said, left, deadline_s = "", dict(typed), time.monotonic() + 60.0
        while process.poll() is None and time.monotonic() < deadline_s:
            if not select.select([master], [], [], 0.2)[0]:
                continue
            try:
                said += os.read(master, 65536).decode()
            except OSError:
                break
            for question in list(left):
                if re.search(re.escape(question) + r"[^\n]*: $", said):
                    os.write(master, f"{left.pop(question)}\n".encode())
        code = process.wait(20.0)
    os.close(master)
    assert (code, left) == (0, {}), said
    assert tomllib.loads(path.read_text(encoding="utf-8"))["identify"]["send"] == "name"


def test_ranges_and_carriers_are_read() -> None:
    """As they are typed."""
    swept = swept_of("156..158 MHz", "101")
    assert (swept.start_hz, swept.stop_hz, swept.points) == (156e6, 158e6, 101)
    assert carrier_of("156.8 MHz @ -40 dBm") == Carrier(frequency_hz=156.8e6, level_dbm=-40.0)
    with pytest.raises(NotLearnt, match="no @ in it"):
        carrier_of("156.8 MHz")
