"""A system bus of a test's own, and on it a login manager that hands out inhibitors.

The bus is a real dbus-daemon in a process of its own. The login manager is a process too: it owns
the name, answers ``Inhibit`` with the writing end of a FIFO, as the real one does, and writes a
line of JSON for whatever happens.
"""

from __future__ import annotations

import json
import os
import queue
import selectors
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

__all__ = ["Bus", "LoginManager"]

NAME = "org.freedesktop.login1"

CONFIG = """\
<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig>
  <type>system</type>
  <listen>unix:path={path}</listen>
  <auth>EXTERNAL</auth>
  <policy context="default">
    <allow send_destination="*" eavesdrop="true"/>
    <allow eavesdrop="true"/>
    <allow own="*"/>
  </policy>
</busconfig>
"""


class Bus:
    """A dbus-daemon that listens in a folder, and may be ended and started again."""

    def __init__(self, folder: Path) -> None:
        self.socket = folder / "system_bus_socket"
        self.address = f"unix:path={self.socket}"
        self._config = folder / "bus.conf"
        self._program = shutil.which("dbus-daemon") or "dbus-daemon"
        self._config.write_text(CONFIG.format(path=self.socket))
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Bus:
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.end()

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, f"--config-file={self._config}", "--nofork", "--print-address=1"],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
        assert self._process.stdout is not None
        assert self._process.stdout.readline().startswith(b"unix:path="), "the bus does not start"

    def end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(10)
            assert process.stdout is not None
            process.stdout.close()
        self.socket.unlink(missing_ok=True)


class LoginManager:
    """The login manager on a bus, as a process; ``refuse`` names what it lets nobody inhibit."""

    def __init__(self, bus: Bus, *, refuse: str = "", silent: bool = False) -> None:
        self._words = [sys.executable, __file__, bus.address, refuse, "silent" if silent else ""]
        self._process: subprocess.Popen[str] | None = None
        self._reader: threading.Thread | None = None
        self._said: queue.Queue[dict[str, Any]] = queue.Queue()

    def __enter__(self) -> LoginManager:
        self.start()
        return self

    def __exit__(self, *exc: object) -> None:
        self.end()

    def start(self) -> None:
        process = subprocess.Popen(self._words, stdout=subprocess.PIPE, text=True)
        self._process = process

        def read() -> None:
            assert process.stdout is not None
            for line in process.stdout:
                self._said.put(json.loads(line))

        self._reader = threading.Thread(target=read, daemon=True)
        self._reader.start()
        assert self.next("ready")

    def end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait(10)
            assert self._reader is not None and process.stdout is not None
            self._reader.join(10)
            process.stdout.close()

    def next(self, event: str, *, within_s: float = 20.0) -> dict[str, Any]:
        """The next thing that happens, which must be ``event``."""
        said = self._said.get(timeout=within_s)
        assert said["event"] == event, said
        return said

    def is_quiet(self, for_s: float = 0.3) -> bool:
        try:
            self._said.get(timeout=for_s)
        except queue.Empty:
            return True
        return False


def _say(event: str, **fields: Any) -> None:
    print(json.dumps({"event": event, **fields}), flush=True)  # noqa: T201 - to the test


def _serve(address: str, refuse: str, silent: bool) -> None:
    from jeepney import HeaderFields, MessageType, message_bus, new_error, new_method_return
    from jeepney.io.blocking import Proxy, open_dbus_connection

    for _ in range(50):
        try:
            bus = open_dbus_connection(address, enable_fds=True)
            break
        except OSError:
            time.sleep(0.1)
    assert Proxy(message_bus, bus).RequestName(NAME) == (1,)
    held: dict[int, str] = {}
    folder = Path(tempfile.mkdtemp())
    with selectors.DefaultSelector() as selector:
        selector.register(bus.sock, selectors.EVENT_READ)
        _say("ready")
        while True:
            for key, _ in selector.select():
                if key.fd in held:
                    # No writer is left.
                    selector.unregister(key.fd)
                    os.close(key.fd)
                    _say("released", what=held.pop(key.fd))
            try:
                message = bus.receive(timeout=0)
            except TimeoutError:
                continue
            except ConnectionResetError:
                # The bus is gone; what was handed out stays, until this process goes too.
                selector.unregister(bus.sock)
                continue
            fields = message.header.fields
            if (
                message.header.message_type is not MessageType.method_call
                or fields.get(HeaderFields.member) != "Inhibit"
                or silent
            ):
                continue
            what, who, why, mode = message.body
            if refuse and refuse in what.split(":"):
                _say("refused", what=what)
                denied = "org.freedesktop.DBus.Error.AccessDenied"
                bus.send(new_error(message, denied, "s", ("Permission denied",)))
                continue
            fifo = folder / f"{len(held)}-{time.monotonic_ns()}.ref"
            os.mkfifo(fifo)
            read = os.open(fifo, os.O_RDONLY | os.O_NONBLOCK)
            write = os.open(fifo, os.O_WRONLY)
            held[read] = what
            # Said first: who was answered may let go at once.
            _say("inhibited", what=what, who=who, why=why, mode=mode)
            try:
                bus.send(new_method_return(message, "h", (write,)))
            except BrokenPipeError:
                pass  # the bus was ended meanwhile
            os.close(write)
            selector.register(read, selectors.EVENT_READ)


if __name__ == "__main__":
    _serve(sys.argv[1], sys.argv[2], bool(sys.argv[3]))
