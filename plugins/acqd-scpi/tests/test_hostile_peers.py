"""Peers that mean no good, or are out of order: bounded in time and memory, told in a line."""

from __future__ import annotations

import importlib
import socket
import struct
import threading
import time
import tracemalloc
from collections.abc import Callable, Iterator
from contextlib import ExitStack, suppress

import numpy as np
import pytest
from acqd_scpi.parser import number, numbers
from acqd_scpi.visa import open_visa

from acqd.errors import ProtocolViolation, TransportError

HEADER = struct.Struct("!2sBBIQ")
DATA_END = 7
LOAD_S = 2.0
"""What a busy machine may add to any wait."""

Serve = Callable[[bytes, bytes], int]


@pytest.fixture
def serve() -> Iterator[Serve]:
    """Serves any number of connections: says something after the first bytes, then floods."""
    over = threading.Event()
    with ExitStack() as stack:
        stack.callback(over.set)

        def start(first: bytes, flood: bytes = b"") -> int:
            listener = stack.enter_context(socket.create_server(("127.0.0.1", 0)))
            listener.settimeout(0.05)
            thread = threading.Thread(target=accept, args=(listener, first, flood))
            thread.start()
            stack.callback(thread.join, 10.0)
            stack.callback(over.set)
            return int(listener.getsockname()[1])

        def accept(listener: socket.socket, first: bytes, flood: bytes) -> None:
            while not over.is_set():
                with suppress(TimeoutError):
                    peer, _ = listener.accept()
                    with peer, suppress(OSError):
                        peer.settimeout(5.0)
                        peer.recv(4096)
                        peer.sendall(first)
                        while flood and not over.is_set():
                            peer.sendall(flood)
                        peer.recv(1)

        yield start


@pytest.mark.parametrize("size", [1 << 20, 1 << 32, 40 << 30, 1 << 62, (1 << 64) - 1])
def test_a_length_beyond_all_bounds_makes_no_room_for_it(serve: Serve, size: int) -> None:
    """A header may state any number of 64 bits; the bytes need not come, or come fast."""
    port = serve(HEADER.pack(b"HS", DATA_END, 0, 0, size), b"x" * 65536)
    importlib.import_module("acqd_scpi.visa_hislip")  # not what is measured
    tracemalloc.start()
    try:
        began_s = time.monotonic()
        said = open_visa_fails(port, "HiSLIP was not understood")
        assert time.monotonic() - began_s < 1.0 + LOAD_S
        assert tracemalloc.get_traced_memory()[1] < 32 << 20
    finally:
        tracemalloc.stop()
    assert f"a message of {size} bytes" in said


def open_visa_fails(port: int, why: str) -> str:
    with pytest.raises(TransportError) as broke:
        open_visa(f"TCPIP::127.0.0.1::hislip0,{port}", {"connect_timeout_s": 1.0})
    assert why in str(broke.value)
    return str(broke.value)


def test_replies_to_calls_that_nobody_made_end_at_the_deadline(serve: Serve) -> None:
    """A flood of them, faster than it is read, never lets a wait run out."""
    stray = struct.pack(">I", 0x8000_0004) + b"\0\0\0\0"
    port = serve(b"", stray * 5000)
    began_s = time.monotonic()
    with pytest.raises(TransportError):
        open_visa(f"TCPIP::127.0.0.1,{port}::inst0::INSTR", {"connect_timeout_s": 0.5})
    assert time.monotonic() - began_s < 1.0 + LOAD_S


def test_importing_pyvisa_does_not_cost_the_time_to_connect(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It takes seconds on a small machine; then a sweeper that is there would be out of time."""
    from acqd_scpi import visa

    left_s: list[float] = []

    def opener(address: str, name: object, deadline_s: float) -> None:
        left_s.append(deadline_s - time.monotonic())
        raise TransportError("seen")

    def slowly(kind: object) -> Callable[..., None]:
        time.sleep(0.3)
        return opener

    monkeypatch.setattr(visa, "_opener", slowly)
    with pytest.raises(TransportError, match="seen"):
        open_visa("TCPIP::127.0.0.1::hislip0", {"connect_timeout_s": 0.25})
    assert left_s[0] > 0.1


@pytest.mark.parametrize("text", ["1" * 100_000 + "x", "1" * 100_000 + "." + "1" * 100_000 + "e"])
def test_digits_without_end_are_no_number_at_once(text: str) -> None:
    """Not after the square of their number, with the interpreter held all the while."""
    began_s = time.monotonic()
    with pytest.raises(ProtocolViolation, match="a number"):
        number(text)
    with pytest.raises(ProtocolViolation, match="a number"):
        numbers(f"1,{text}")
    assert time.monotonic() - began_s < 1.0 + LOAD_S


def test_numbers_are_still_numbers() -> None:
    """Every form of NR1, NR2 and NR3."""
    assert numbers("1,1.,.5,+2.25E-1,-3e2").tolist() == [1.0, 1.0, 0.5, 0.225, -300.0]
    assert number("-.5") == -0.5
    assert np.isinf(number("NINF"))
