"""A small SCPI peer on a TCP socket, with what a test needs to make it misbehave.

It knows the short forms that the driver sends and nothing else, on purpose: that the driver speaks
SCPI at large is tested against the simulator's server, which is somebody else's understanding.
"""

from __future__ import annotations

import socket
import struct
import threading
import time
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from acqd_scpi import ScpiDriver

from acqd.clock import SystemClock
from acqd.drivers.host import SweeperHost

LIMITS = {
    "FREQ:STAR": (9e3, 3e9),
    "FREQ:STOP": (9e3, 3e9),
    "SWE:POIN": (11, 501),
    "BAND": (1e3, 1e6),
    "SOUR:POW": (-40, 0),
    "AVER:COUN": (1, 100),
}
ON_OFF = ("BAND:AUTO", "BAND:VID:AUTO", "SWE:TIME:AUTO", "INP:ATT:AUTO", "AVER", "OUTP")
STEPS = (1e3, 3e3, 1e4, 3e4, 1e5, 3e5, 1e6)


class Peer:
    """One sweeper on a socket. ``settings`` are its values, ``asked`` all it was sent."""

    def __init__(self) -> None:
        self.idn = "ACME,MODEL 1,SN0001,1.02,b"
        self.idns: list[str] = []
        self.asked: list[str] = []
        self.silent: set[str] = set()
        self.unknown: set[str] = set()
        self.answers: dict[str, bytes] = {}
        self.delays_s: dict[str, float] = {}
        self.on_trace: Callable[[], bytes | None] | None = None
        self.stuck_error: str | None = None
        self.swapped = False
        self.connections = 0
        self.power_on()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._client: socket.socket | None = None
        self._stopping = False
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self._server.getsockname()[1]}"

    @property
    def traces(self) -> int:
        return sum(line.startswith("TRAC?") for line in self.asked)

    def power_on(self) -> None:
        """Restart: settings of the factory, power-on bit set."""
        self.settings: dict[str, float | str] = {
            "FREQ:STAR": 9e3,
            "FREQ:STOP": 3e9,
            "SWE:POIN": 201,
            "SWE:TIME": 0.01,
            "BAND": 1e6,
            "BAND:VID": 1e6,
            "DET": "POS",
            "INP:ATT": 10,
            "DISP:TRAC:Y:RLEV": 0,
            "AVER:COUN": 10,
            "FORM": "ASC",
            "FORM:BORD": "NORM",
            "UNIT:POW": "DBM",
            "SOUR:POW": -40,
            "INIT:CONT": 1,
            **dict.fromkeys(ON_OFF, 0),
        }
        self.event = 128
        self.errors: list[str] = []

    def drop(self) -> None:
        """Cut the connection."""
        client = self._client
        if client is not None:
            client.shutdown(socket.SHUT_RDWR)

    def stop(self) -> None:
        self._stopping = True
        self._server.close()
        try:
            self.drop()
        except OSError:
            pass
        self._thread.join(2)

    def send_unasked(self, data: bytes) -> None:
        assert self._client is not None
        self._client.sendall(data)

    def _serve(self) -> None:
        self._server.settimeout(0.05)
        while not self._stopping:
            try:
                client, _ = self._server.accept()
            except TimeoutError:
                continue
            except OSError:
                return
            self.connections += 1
            client.settimeout(None)
            self._client = client
            with client:
                try:
                    self._talk(client)
                except OSError:
                    pass
            self._client = None

    def _talk(self, client: socket.socket) -> None:
        buffer = b""
        while data := client.recv(65536):
            buffer += data
            while b"\n" in buffer:
                line, _, buffer = buffer.partition(b"\n")
                answer = self._message(line.decode().strip())
                if answer:
                    client.sendall(answer)

    def _message(self, message: str) -> bytes:
        if not message:
            return b""
        self.asked.append(message)
        time.sleep(self.delays_s.get(message, 0.0))
        if message in self.silent:
            return b""
        if message in self.answers:
            return self.answers[message]
        parts = [self._do(part.strip()) for part in message.split(";")]
        given = [part for part in parts if part is not None]
        return b";".join(given) + b"\n" if given else b""

    def _do(self, command: str) -> bytes | None:
        head, _, value = command.partition(" ")
        if head.rstrip("?") in self.unknown:
            return self._error('-113,"Undefined header"')
        if head.endswith("?"):
            return self._ask(head[:-1], value)
        if head == "*CLS":
            self.errors.clear()
            self.event = 0
        elif head in ("ABOR", "INIT:IMM"):
            pass
        elif head == "DET" and value not in ("POS", "NEG", "SAMP", "RMS"):
            return self._error('-224,"Illegal parameter value"')
        elif head in LIMITS and not LIMITS[head][0] <= float(value) <= LIMITS[head][1]:
            return self._error('-222,"Data out of range"')
        elif head in self.settings:
            self._set(head, value)
        else:
            return self._error('-113,"Undefined header"')
        return None

    def _set(self, head: str, value: str) -> None:
        if head in ("DET", "FORM", "FORM:BORD", "UNIT:POW"):
            self.settings[head] = value
        elif head == "BAND":
            self.settings[head] = min(STEPS, key=lambda step: abs(np.log(float(value) / step)))
        else:
            self.settings[head] = float(value)

    def _error(self, entry: str) -> None:
        self.errors.append(entry)
        self.event |= 32

    def _ask(self, head: str, value: str) -> bytes | None:
        match head:
            case "*IDN":
                return (self.idns.pop(0) if self.idns else self.idn).encode()
            case "*ESR":
                event, self.event = self.event, 0
                return str(event).encode()
            case "*OPC":
                return b"1"
            case "SYST:ERR":
                if self.stuck_error:
                    return self.stuck_error.encode()
                return self.errors.pop(0).encode() if self.errors else b'0,"No error"'
            case "TRAC":
                made = self.on_trace() if self.on_trace else None
                return self.trace() if made is None else made
        if value in ("MIN", "MAX") and head in LIMITS:
            return f"{LIMITS[head][value == 'MAX']:E}".encode()
        if head in self.settings:
            found = self.settings[head]
            return (found if isinstance(found, str) else f"{found:.12E}").encode()
        return self._error('-113,"Undefined header"')

    def levels(self) -> np.ndarray:
        """What the trace holds: a ramp that tells the points apart."""
        return np.round(-120 + 0.1 * np.arange(int(self.settings["SWE:POIN"])) % 60, 2)

    def trace(self) -> bytes:
        level = self.levels()
        if self.settings["FORM"] == "ASC":
            return ",".join(f"{value:.2f}" for value in level).encode()
        kind = {"REAL,32": "f", "REAL,64": "d"}[str(self.settings["FORM"])]
        order = "<" if self.swapped or self.settings["FORM:BORD"] == "SWAP" else ">"
        payload = struct.pack(f"{order}{level.size}{kind}", *level)
        size = str(len(payload)).encode()
        return b"#" + str(len(size)).encode() + size + payload


@pytest.fixture(autouse=True, scope="session")
def own_locks(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """A simulated USB bus is this process's own, and so are the locks of what is on it: tests that
    run beside these have devices of the same names."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_RUNTIME_DIR", str(tmp_path_factory.mktemp("runtime")))
        yield


@pytest.fixture
def peer() -> Iterator[Peer]:
    """A peer that is stopped at the end of the test."""
    made = Peer()
    yield made
    made.stop()


@pytest.fixture
def host_for() -> Callable[..., SweeperHost]:
    """Makes a host with the SCPI driver."""

    def make(address: str, *, deadline_s: float = 10.0, **options: object) -> SweeperHost:
        return SweeperHost(
            name="mast",
            driver=ScpiDriver(),
            address=address,
            options={"ask_timeout_s": 0.1, **options},
            clock=SystemClock(),
            deadline_s=deadline_s,
        )

    return make
