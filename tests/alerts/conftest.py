"""Real peers for alerts: an HTTP server that can be in any mood, and configs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from alert_listener import Listener

CONFIG = """\
[station]
name = "gannet-ledge"
title = "Gannet Ledge"
archive = "archive"
time_zone = "Europe/London"

[mqtt]
broker = "none"

[sweeper.mast]
driver = "sim"
address = "sim:mast"

[sweeper.bench]
driver = "sim"
address = "sim:bench"

[job.marine-vhf]
kind = "band"
sweeper = "mast"
start = "156 MHz"
stop = "162.1 MHz"
points = 1221
when = { every = "2 s" }
band = { channels = "marine-vhf" }

[job.beacon]
kind = "carrier"
sweeper = "bench"
centre = "144.4 MHz"
span = "20 kHz"
points = 201
rbw = "300 Hz"
when = { every = "10 s" }
"""


@pytest.fixture
def listener() -> Iterator[Listener]:
    """An HTTP server on loopback."""
    server = Listener()
    yield server
    server.close()


@pytest.fixture
def config_text() -> str:
    """A station with a band job and a carrier job, and no alerts yet."""
    return CONFIG


@pytest.fixture
def ring(tmp_path: Path) -> Path:
    """A command that writes down what it is given."""
    path = tmp_path / "ring"
    path.write_text(
        '#!/bin/sh\ncat >> got.jsonl\nprintf "%s\\n" "$@" > words\nenv | grep ^ACQD_ > env\n'
    )
    path.chmod(0o755)
    return path
