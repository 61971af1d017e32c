"""tools/demo ends whole, whichever way it is told to."""

from __future__ import annotations

import os
import shutil
import signal
import socket
import subprocess
import time
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PORTS = (47025, 47026, 47883)
LIMIT_S = 60.0


def is_taken(port: int) -> bool:
    """Whether somebody listens there."""
    with socket.socket() as asking:
        asking.settimeout(1.0)
        return asking.connect_ex(("127.0.0.1", port)) == 0


@pytest.mark.slow
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGHUP, signal.SIGINT])
def test_a_signal_to_the_script_alone_ends_everything(number: int, tmp_path: Path) -> None:
    """The station stops first, then the simulated sweepers; no broker is left behind."""
    if not shutil.which("mosquitto", path=os.environ["PATH"] + ":/usr/sbin"):
        pytest.skip("mosquitto is not installed")
    if not (ROOT / ".venv" / "acqd-setup").exists():
        pytest.skip("there is no .venv made by tools/setup, and a test does not make one")
    if any(map(is_taken, PORTS)):
        pytest.skip("a demo is running here")
    log = tmp_path / "log"
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
        demo.send_signal(number)
        assert demo.wait(20) == 0, log.read_text()
    finally:
        if demo.poll() is None:
            demo.terminate()
            demo.wait(20)
    said = log.read_text()
    assert "stopped" in said.splitlines()[-1]
    assert "sweeper_lost" not in said, "the sweepers outlived the station"
    assert not any(map(is_taken, PORTS))
