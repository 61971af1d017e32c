"""Real peers for alerts: an HTTP server that can be in any mood, and configs."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import pytest

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


class Listener:
    """An HTTP server that writes down what it is posted, and answers as its ``mood`` is."""

    def __init__(self) -> None:
        self.got: list[dict[str, Any]] = []
        self.headers: list[dict[str, str]] = []
        self.mood: int | str = 204
        """A status, "hang", "slam" (hangs up without an answer), "flood" or "garbage"."""
        outer = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                mood = outer.mood
                if mood == "hang":
                    outer.released.wait(60.0)
                    return
                if mood == "slam":
                    self.close_connection = True
                    return
                if mood == "garbage":
                    self.wfile.write(b"\x00\xff no HTTP at all \r\n\r\n")
                    self.close_connection = True
                    return
                status = mood if isinstance(mood, int) else 200
                outer.headers.append(dict(self.headers.items()))
                if status < 300:
                    outer.got.append(json.loads(body))
                self.send_response(status)
                if status in (301, 302):
                    self.send_header("Location", outer.url + "/elsewhere")
                if mood == "flood":
                    self.end_headers()
                    for _ in range(64):
                        self.wfile.write(b"x" * 65536)
                    return
                self.send_header("Content-Length", "0")
                self.end_headers()

            def log_message(self, *args: object) -> None:
                pass

        self.released = threading.Event()
        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}"
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def until(self, count: int, limit_s: float = 30.0) -> list[dict[str, Any]]:
        """Wait until it has got so many."""
        ends_s = time.monotonic() + limit_s
        while len(self.got) < count:
            assert time.monotonic() < ends_s, f"only {[one['title'] for one in self.got]}"
            time.sleep(0.02)
        return self.got

    def close(self) -> None:
        self.released.set()
        self._server.shutdown()
        self._server.server_close()


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
