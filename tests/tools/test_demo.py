"""tools/demo ends whole, whichever way it is told to, and its bench comes to verdicts."""

from __future__ import annotations

import json
import os
import shutil
import signal
import socket
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PORTS = (47025, 47026, 47027, 47883)
LIMIT_S = 60.0
KEYED_WITHIN_S = 180.0
"""The simulated hand-held is keyed about once a minute, and looked at every 15 s."""


def is_taken(port: int) -> bool:
    """Whether somebody listens there."""
    with socket.socket() as asking:
        asking.settimeout(1.0)
        return asking.connect_ex(("127.0.0.1", port)) == 0


@contextmanager
def running(log: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The demo, its sweepers present; it is ended if the test has not done so."""
    if not shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin"):
        pytest.skip("mosquitto is not installed")
    if not (ROOT / ".venv" / "acqd-setup").exists():
        pytest.skip("there is no .venv made by tools/setup, and a test does not make one")
    if any(map(is_taken, PORTS)):
        pytest.skip("a demo is running here")
    with log.open("w") as file:
        demo = subprocess.Popen(
            [ROOT / "tools" / "demo"],
            stdin=subprocess.DEVNULL,
            stdout=file,
            stderr=file,
            start_new_session=True,
        )
    try:
        ends_s = time.monotonic() + LIMIT_S
        while log.read_text().count("sweeper_present") < 3:
            assert demo.poll() is None and time.monotonic() < ends_s, log.read_text()
            time.sleep(0.05)
        yield demo
    finally:
        if demo.poll() is None:
            demo.terminate()
            demo.wait(20)


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_to_the_script_alone_ends_everything(number: int, tmp_path: Path) -> None:
    """The station stops first, then the simulated sweepers; no broker is left behind."""
    log = tmp_path / "log"
    with running(log) as demo:
        demo.send_signal(number)
        assert demo.wait(20) == 0, log.read_text()
    said = log.read_text()
    assert "stopped" in said.splitlines()[-1]
    assert "sweeper_lost" not in said, "the sweepers outlived the station"
    assert not any(map(is_taken, PORTS))


@pytest.mark.slow
@pytest.mark.timeout(400)  # it sets up, and waits for a key that goes down every two minutes
def test_filter_and_hand_held_give_verdicts(tmp_path: Path) -> None:
    """The simulated filter is good, and the simulated hand-held's third harmonic too strong."""
    if not shutil.which("mosquitto_sub"):
        pytest.skip("mosquitto_sub is not installed")
    log = tmp_path / "log"
    with running(log):
        wanted = {"stop-filter": "pass", "hand-held": "fail"}
        seen = {job: verdict_of(job, until=word) for job, word in wanted.items()}
    assert "reference_refused" not in log.read_text(), "the demo takes the through itself"
    assert (seen["stop-filter"]["kind"], seen["hand-held"]["kind"]) == ("transmission", "emission")
    assert seen["stop-filter"]["verdict"] == "pass", seen["stop-filter"]["text"]
    assert seen["hand-held"]["verdict"] == "fail", seen["hand-held"]["text"]


def verdict_of(job: str, *, until: str) -> dict[str, object]:
    """The newest verdict of that job once it is ``until``, or else the last one in time."""
    topic = f"acqd/gannet-ledge/job/{job}/verdict"
    ends_s = time.monotonic() + KEYED_WITHIN_S
    told: dict[str, object] = {}
    while told.get("verdict") != until and time.monotonic() < ends_s:
        answer = subprocess.run(
            ["mosquitto_sub", "-h", "127.0.0.1", "-p", "47883", "-t", topic, "-C", "1"],
            capture_output=True,
            check=True,
            timeout=KEYED_WITHIN_S,
        )
        told = json.loads(answer.stdout)
        time.sleep(0.5)
    return told
