"""An HTTP server on loopback that alerts are posted to, in any mood."""

from __future__ import annotations

import json
import threading
import time
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

__all__ = ["Listener"]


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
