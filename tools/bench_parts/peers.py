"""Sweepers that answer at once with bytes made beforehand, in a process of their own.

They know what the drivers here say and nothing else; a sweep of theirs is always the same. What
they were asked and what they answered can be had, so that others can hold the same conversation.
"""

from __future__ import annotations

import multiprocessing
import os
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection
from typing import Any, ClassVar

import numpy as np

__all__ = [
    "HISLIP_FIRST_ID",
    "KINDS",
    "POINTS",
    "START_HZ",
    "STOP_HZ",
    "Talk",
    "peers",
]

POINTS = 1001
START_HZ, STOP_HZ = 156.0e6, 162.1e6
HISLIP_FIRST_ID = 0xFFFF_FF00
KINDS = ("text", "pairs", "block", "scpi", "hislip")
TIMEOUT_S = 20.0

Talk = list[tuple[bytes, bytes]]
"""Messages to a sweeper as they were sent, each with all that was answered to it."""
Answer = Callable[[bytes], bytes]


@contextmanager
def peers() -> Iterator[tuple[dict[str, str], Callable[[str], Talk]]]:
    """Addresses by kind, and how to have what was said with one of them since that was asked last.

    What is said is kept from the first question for it to the next.
    """
    spawn = multiprocessing.get_context("spawn")
    pipe, other = spawn.Pipe()
    child = spawn.Process(target=_serve, args=(other,), daemon=True)
    child.start()
    other.close()

    def told() -> Any:
        if not pipe.poll(TIMEOUT_S):
            raise RuntimeError("the process of the peers does not answer")
        return pipe.recv()

    def talk(kind: str) -> Talk:
        pipe.send(kind)
        said: Talk = told()
        return said

    try:
        yield told(), talk
    finally:
        pipe.close()
        child.join(TIMEOUT_S)
        if child.is_alive():
            child.kill()
            child.join()


class _Peer:
    """One sweeper; ``log`` is what was said while somebody wants to know."""

    def __init__(self, answer: Answer, end: bytes = b"\n") -> None:
        self.answer, self.end = answer, end
        self.log: Talk | None = None

    def say(self, message: bytes) -> bytes:
        answer = self.answer(message.removesuffix(self.end))
        if self.log is not None:
            self.log.append((message, answer))
        return answer

    def talk(self, receive: Callable[[int], bytes], send: Callable[[bytes], object]) -> None:
        """Answer whole messages until the other end has gone."""
        waiting = b""
        while data := receive(65536):
            *whole, waiting = (waiting + data).split(self.end)
            for message in whole:
                if answer := self.say(message + self.end):
                    send(answer)


def _serve(pipe: Connection) -> None:
    made = {
        "text": _Peer(_text()),
        "pairs": _Peer(_pairs(), b"\r\n"),
        "block": _Peer(_block()),
        "scpi": _Peer(_Scpi()),
        "hislip": _Peer(_Scpi()),
    }
    where = {kind: _on_socket(made[kind]) for kind in ("text", "block", "scpi")}
    pipe.send(
        {
            **{kind: f"tcp://127.0.0.1:{port}" for kind, port in where.items()},
            "pairs": f"serial:{_on_terminal(made['pairs'])}",
            "hislip": f"TCPIP::127.0.0.1::hislip0,{_on_hislip(made['hislip'])}::INSTR",
        }
    )
    while True:
        try:
            peer = made[pipe.recv()]
        except EOFError:
            return
        said, peer.log = peer.log, [] if peer.log is None else None
        pipe.send(said or [])


# --- links ------------------------------------------------------------------------------------


def _on_socket(peer: _Peer) -> int:
    def talk(client: socket.socket) -> None:
        peer.talk(client.recv, client.sendall)

    return _listen(talk)


def _listen(talk: Callable[[socket.socket], None]) -> int:
    server = socket.create_server(("127.0.0.1", 0))

    def one(client: socket.socket) -> None:
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with client:
            try:
                talk(client)
            except OSError:
                pass  # the bench has hung up

    def accept() -> None:
        while True:
            client, _ = server.accept()
            threading.Thread(target=one, args=(client,), daemon=True).start()

    threading.Thread(target=accept, daemon=True).start()
    return int(server.getsockname()[1])


def _on_terminal(peer: _Peer) -> str:
    """A pseudo-terminal, which stays when the other end is closed."""
    near, far = os.openpty()
    tty.setraw(far)

    def send(data: bytes) -> None:
        while data:
            data = data[os.write(near, data) :]

    threading.Thread(
        target=peer.talk, args=(lambda most: os.read(near, most), send), daemon=True
    ).start()
    return os.ttyname(far)


def _on_hislip(peer: _Peer) -> int:
    from acqd_sim.hislip import Frame, Frames, Kind, version_and

    def talk(client: socket.socket) -> None:
        frames, message = Frames(), b""
        while data := client.recv(65536):
            for frame in frames.feed(data):
                reply = None
                match frame.kind:
                    case Kind.DATA:
                        message += frame.payload
                    case Kind.DATA_END:
                        if answer := peer.say(message + frame.payload):
                            reply = Frame(Kind.DATA_END, 0, frame.parameter, answer)
                        message = b""
                    case Kind.INITIALIZE:
                        reply = Frame(Kind.INITIALIZE_RESPONSE, 0, version_and(1))
                    case Kind.ASYNC_INITIALIZE:
                        reply = Frame(Kind.ASYNC_INITIALIZE_RESPONSE)
                    case Kind.ASYNC_MAX_MSG_SIZE:
                        reply = Frame(Kind.ASYNC_MAX_MSG_SIZE_RESPONSE, payload=frame.payload)
                    case Kind.ASYNC_DEVICE_CLEAR:
                        reply = Frame(Kind.ASYNC_DEVICE_CLEAR_ACKNOWLEDGE)
                    case Kind.DEVICE_CLEAR_COMPLETE:
                        reply = Frame(Kind.DEVICE_CLEAR_ACKNOWLEDGE)
                if reply is not None:
                    client.sendall(reply.encode())

    return _listen(talk)


# --- languages --------------------------------------------------------------------------------


def _levels() -> np.ndarray:
    """Noise around −100 dBm on steps of 0.01 dB."""
    return np.round(np.random.default_rng(3).normal(-100.0, 1.3, POINTS), 2)


def _by_word(answers: dict[bytes, bytes]) -> Answer:
    """Answers by the first word of a message; ``ok`` to all others."""
    return lambda message: answers.get(message.partition(b" ")[0], b"ok\n")


def _text() -> Answer:
    """A level a line; the driver's side is the profile in bench_parts.links."""
    lines = "".join(f"{level:.2f}\n" for level in _levels())
    return _by_word({b"who": b"BENCH 0001\n", b"levels": lines.encode()})


def _block() -> Answer:
    """Words of 16 bits in hundredths of a dB, in a block that states its length."""
    payload = np.rint(_levels() * 100).astype(">i2").tobytes()
    size = str(len(payload)).encode()
    block = b"#" + str(len(size)).encode() + size + payload + b"\n"
    return _by_word({b"who": b"BENCH 0001\n", b"levels": block})


def _pairs() -> Answer:
    """The language of the profile "tern": a frequency and a level a line, and a checksum."""
    axis_khz = np.linspace(START_HZ, STOP_HZ, POINTS) / 1e3
    lines = "".join(
        f"{khz:.3f}={level:.2f}\r\n" for khz, level in zip(axis_khz, _levels(), strict=True)
    ).encode()
    end = f"END {POINTS} {sum(lines) & 0xFF:02X}\r\n".encode()
    span = f"SPAN {START_HZ / 1e3:.3f} {STOP_HZ / 1e3:.3f} {POINTS}\r\n".encode()
    answers = {
        b"NAME": b"TERN;GL-0001;1.0\r\n",
        b"SPAN?": span,
        b"RBW?": b"RBW 10\r\n",
        b"ATT?": b"ATT 0\r\n",
        b"READ": lines + end,
    }
    return lambda message: answers.get(message, b"OK\r\n")


class _Scpi:
    """Takes whatever it is told and answers it back; traces are REAL,32."""

    LIMITS: ClassVar = {
        "FREQ:STAR": ("9e3", "3e9"),
        "FREQ:STOP": ("9e3", "3e9"),
        "SWE:POIN": ("11", "10001"),
        "BAND": ("1e3", "1e6"),
        "AVER:COUN": ("1", "100"),
    }
    UNKNOWN = ("OUTP", "SOUR:POW")

    def __init__(self) -> None:
        payload = _levels().astype(">f4").tobytes()
        size = str(len(payload))
        self._trace = f"#{len(size)}{size}".encode() + payload
        self._values: dict[str, str] = {"SWE:TIME": "0.01", "DET": "RMS", "BAND:VID": "1e6"}
        self._wrong = False
        self._made: dict[bytes, bytes] = {}

    def __call__(self, message: bytes) -> bytes:
        made = self._made.get(message)
        if made is None:
            parts = [part.strip() for part in message.decode().split(";")]
            given = [answer for part in parts if (answer := self._part(part)) is not None]
            made = b";".join(given) + b"\n" if given else b""
            # An answer holds until something is set: that is what makes it a prepared one.
            if self._wrong or not all("?" in part or part == "INIT:IMM" for part in parts):
                self._made.clear()
            elif b"Undefined" not in made:
                self._made[message] = made
        return made

    def _part(self, part: str) -> bytes | None:
        head, _, value = part.partition(" ")
        if not head.endswith("?"):
            self._wrong = self._wrong or head in self.UNKNOWN
            if value:
                self._values[head] = value
            return None
        head = head[:-1]
        if head in self.UNKNOWN:
            self._wrong = True
            return None
        if head == "SYST:ERR":
            wrong, self._wrong = self._wrong, False
            return b'-113,"Undefined header"' if wrong else b'0,"No error"'
        if head == "TRAC":
            return self._trace
        if head == "*IDN":
            return b"GANNET,BENCH,0001,1.0"
        if head == "*OPC":
            return b"1"
        if value in ("MIN", "MAX") and head in self.LIMITS:
            return self.LIMITS[head][value == "MAX"].encode()
        return self._values.get(head, "0").encode()
