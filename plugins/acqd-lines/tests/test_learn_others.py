"""Learning sweepers that write sweeps in other ways than the simulator's three, over sockets."""

from __future__ import annotations

import itertools
import socketserver
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from acqd_lines.check import Check
from acqd_lines.check_command import connected, read_profile
from acqd_lines.check_steps import Outcome
from acqd_lines.learn_known import ABOVE_DBM

from acqd.cli import main
from acqd.sweep import SweepRequest

RNG = np.random.default_rng(5)
START_HZ, STOP_HZ, POINTS = 144e6, 146e6, 101
COUNTER = itertools.count()


def levels(start_hz: float, stop_hz: float, points: int) -> tuple[np.ndarray, np.ndarray]:
    """A floor of -105 dBm with noise, and carriers of -50 and -70 dBm at 144.5 and 145.5 MHz."""
    axis = np.linspace(start_hz, stop_hz, points)
    level = -105.0 + RNG.standard_normal(points)
    level[np.argmin(np.abs(axis - 144.5e6))] = -50.0
    level[np.argmin(np.abs(axis - 145.5e6))] = -70.0
    return axis, level


def comma_pairs(axis: np.ndarray, level: np.ndarray) -> bytes:
    """Decimal commas, semicolons, MHz, a heading, a constant last line."""
    rows = [f"{f / 1e6:.6f};{v:.2f}".replace(".", ",") for f, v in zip(axis, level, strict=True)]
    return "\n".join(["MHz;dBm", *rows, "ready"]).encode() + b"\n"


def level_first(axis: np.ndarray, level: np.ndarray) -> bytes:
    """The level before the frequency, in dBµV, blanks between."""
    up = level + ABOVE_DBM["dBµV"]
    return b"".join(f"{v:.1f} {f:.0f}\n".encode() for f, v in zip(axis, up, strict=True))


def column(axis: np.ndarray, level: np.ndarray) -> bytes:
    """Counts of half a dB above -130 dBm, one a line."""
    return b"".join(b"%d\n" % code for code in np.rint((level + 130.0) / 0.5).astype(int))


def rows_of_ten(axis: np.ndarray, level: np.ndarray) -> bytes:
    """A list cut into lines of ten numbers and a rest."""
    texts = [f"{value:.1f}" for value in level]
    return b"".join(
        (" ".join(texts[at : at + 10]) + "\n").encode() for at in range(0, len(texts), 10)
    )


def definite_floats(axis: np.ndarray, level: np.ndarray) -> bytes:
    """A block of IEEE 488.2, floats, high byte first, a line feed behind."""
    data = level.astype(">f4").tobytes()
    return f"#3{len(data)}".encode() + data + b"\n"


def unknown_check(axis: np.ndarray, level: np.ndarray) -> bytes:
    """Bytes of half a dB, two bytes behind them that nobody knows: here a counter."""
    data = np.rint((level + 130.0) / 0.5).astype("u1").tobytes()
    return b"\x02\x7e" + data + (7919 * next(COUNTER) % 65536).to_bytes(2, "big")


def falling_words(axis: np.ndarray, level: np.ndarray) -> bytes:
    """Words that fall by one a hundredth of a dB, an exclusive or behind them."""
    data = np.rint(-level / 0.01).astype(">u2").tobytes()
    check = 0
    for byte in data:
        check ^= byte
    return b"\xaa\x55" + data + bytes([check])


def digits(axis: np.ndarray, level: np.ndarray) -> bytes:
    """Bytes of half a dB as hexadecimal digits in one line, the sum of the bytes behind them."""
    codes = [int(code) for code in np.rint((level + 130.0) / 0.5)]
    return "".join(f"{code:02x}" for code in [*codes, sum(codes) % 256]).encode() + b"\r\n"


Writer = Callable[[np.ndarray, np.ndarray], bytes]


@pytest.fixture
def sweeper(request: pytest.FixtureRequest) -> Iterator[str]:
    """A sweeper on a port of its own that writes sweeps as the parameter does; its address."""
    write: Writer = request.param
    state = {"range": (START_HZ, STOP_HZ, POINTS)}

    class Handler(socketserver.StreamRequestHandler):
        def handle(self) -> None:
            for line in self.rfile:
                word, *numbers = line.decode("latin-1").split() or [""]
                if word == "*IDN?":
                    self.wfile.write(b"GANNET,LEDGE,GL0099,1.02\n")
                elif word == "SET" and len(numbers) == 3:
                    low, high, points = map(float, numbers)
                    state["range"] = (low, high, int(points))
                elif word == "SWEEP":
                    self.wfile.write(write(*levels(*state["range"])))
                else:
                    self.wfile.write(b"ERROR: what is that\n")

    class Server(socketserver.ThreadingTCPServer):
        daemon_threads = True
        allow_reuse_address = True

    with Server(("127.0.0.1", 0), Handler) as server:
        thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
        thread.start()
        yield f"tcp://127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join(5.0)


@pytest.mark.slow
@pytest.mark.parametrize(
    "sweeper",
    [
        comma_pairs,
        level_first,
        column,
        rows_of_ten,
        definite_floats,
        unknown_check,
        falling_words,
        digits,
    ],
    indirect=True,
    ids=lambda writer: writer.__name__,
)
def test_a_sweep_in_other_clothes_is_learnt(
    sweeper: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Both carriers come out where they are, within a point and a dB."""
    path = tmp_path / "learnt.toml"
    words = ["profile", "learn", "--port", sweeper, "--yes", "--out", str(path)]
    words += ["--pause", "100ms", "--wait", "400ms", "--sweep-wait", "4s"]
    words += ["--range", "144MHz..146MHz", "--points", str(POINTS), "--sweep", "SWEEP"]
    words += ["--set", "frequency=SET {start:Hz:d} {stop:Hz:d} {points}"]
    words += ["--carrier", "144.5MHz@-50dBm", "--carrier", "145.5MHz@-70dBm"]
    with pytest.raises(SystemExit) as left:
        main(words)
    said = capsys.readouterr().err
    assert left.value.code == 0, said
    profile, places = read_profile(path)
    request = SweepRequest(start_hz=START_HZ, stop_hz=STOP_HZ, points=POINTS)
    check = Check(profile, places, request, lambda: connected(sweeper, {}))
    assert all(step.outcome is not Outcome.DIFFERS for step in check.run())
    assert check.decoded is not None
    read_dbm = check.decoded.level - ABOVE_DBM[profile.sweep.values.unit]
    for frequency_hz, true_dbm in ((144.5e6, -50.0), (145.5e6, -70.0)):
        place = int(np.argmin(np.abs(check.axis_hz - frequency_hz)))
        assert abs(read_dbm[place] - true_dbm) <= 1.0
    assert profile.identify.expect.text.startswith("^GANNET,LEDGE,(?P<serial_number>")
