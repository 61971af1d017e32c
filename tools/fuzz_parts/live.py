"""A real station and a broker that hands it anything: through mosquitto, and from one that lies.

What the station hears costs it no sweep: every due one is stored or accounted for, nothing is
logged with a traceback, it takes no memory for it, and it ends when it is told to.
"""

from __future__ import annotations

import contextlib
import json
import random
import socket
import sys
import threading
import time
from contextlib import ExitStack
from pathlib import Path
from tempfile import TemporaryDirectory

from fuzz_parts.engines import Tried
from fuzz_parts.messages import WORDS, documented

__all__ = ["NAMES", "by_broker"]

sys.path.insert(0, str(Path(__file__).parents[2] / "tests" / "helpers"))

NAMES = {
    "messages": "messages of any kind to a running station, through mosquitto",
    "packets": "packets of any kind to a running station, from a broker that lies",
}
EVERY_S = 0.1
RSS_MOST_BYTES = 60 << 20
"""What a station may take more, after its first seconds."""
CONTEXT = """\
[context.shed]
topic = "gannet/shed"
max_age = "10 s"

[context.supply]
topic = "gannet/supply"
key = "supply.voltage"

[context.key]
topic = "gannet/key"

"""
TOPICS = (
    *("gannet/shed", "gannet/supply", "gannet/key", "acqd/lookout/command"),
    *("acqd/lookout/status", "acqd/lookout/finding", "acqd/lookout/job/vhf/state"),
    *("acqd/lookout/job/vhf/finding", "acqd/other/status", "gannet/else"),
)


def by_broker(name: str, *, inputs: int, seconds: float, seed: int) -> Tried:
    """One of :data:`NAMES`, until so many messages or packets were sent or the time is over."""
    from acqd.archive.reader import open_archive
    from station_bench import Bench, accounts_of

    begun_s = time.monotonic()
    draw = random.Random(seed)
    sent, problem = 0, ""
    with TemporaryDirectory(prefix="acqd-fuzz-") as folder, ExitStack() as stack:
        bench = Bench(Path(folder), stack)
        sim = bench.sim()
        port = bench.broker().port if name == "messages" else 0
        liar = None
        if name == "packets":
            liar = stack.enter_context(contextlib.closing(Liar(draw)))
            port = liar.port
        config = bench.config(
            sim.addresses, [bench.job("vhf"), CONTEXT], broker=f"mqtt://127.0.0.1:{port}"
        )
        run = bench.run(config)
        try:
            run.until("sweeper_present")
            time.sleep(3.0)
            rss_bytes = _rss_bytes(run.process.pid)
            ends_s = begun_s + seconds
            if liar is None:
                sent = _flood(draw, port, inputs, ends_s)
            else:
                while liar.sent < inputs and time.monotonic() < ends_s:
                    time.sleep(0.1)
                sent = liar.sent
            time.sleep(2.0)
            grown_bytes = _rss_bytes(run.process.pid) - rss_bytes
            run.stop()
            if grown_bytes > RSS_MOST_BYTES:
                problem = f"it takes {grown_bytes / 1e6:.0f} MB more"
            counted = accounts_of(open_archive(bench.archive), "vhf", every_s=EVERY_S)
            numbers = range(min(counted), max(counted) + 1)
            wrong = [number for number in numbers if counted.get(number) != 1]
            if wrong:
                problem = f"{len(wrong)} of {len(numbers)} due sweeps are unaccounted for"
        except AssertionError as exc:
            problem = str(exc)[-300:].replace("\n", " ")
    return Tried(
        target=name,
        engine="a station",
        inputs=sent,
        took_s=time.monotonic() - begun_s,
        problem=problem,
    )


def _rss_bytes(pid: int) -> int:
    for line in Path(f"/proc/{pid}/status").read_text("ascii").splitlines():
        if line.startswith("VmRSS:"):
            return int(line.split()[1]) * 1024
    return 0


def _payload(draw: random.Random) -> bytes:
    """A message that is right somewhere, with changes; or bytes; now and then a long one."""
    kind = draw.random()
    if kind < 0.15:
        return draw.randbytes(draw.randrange(64))
    if kind < 0.17:
        return b"9" * draw.randrange(200_000)
    if kind < 0.5:
        return b"%d.%d" % (draw.randrange(-99, 99), draw.randrange(10))
    if kind < 0.6:
        return _command(draw)
    data = bytearray(draw.choice(documented())[1])
    for _ in range(draw.randrange(1, 6)):
        at = draw.randrange(len(data) + 1)
        data[at : at + draw.randrange(4)] = draw.choice(WORDS)
    return bytes(data)


def _command(draw: random.Random) -> bytes:
    """Some come twice under one id, some ask for what there is not."""
    command = {
        "do": draw.choice(("pause", "resume", "sweep", "off", "power")),
        "job": draw.choice(("vhf", "x", "../x")),
        "id": f"n{draw.randrange(500)}",
    }
    return json.dumps(command).encode()


def _flood(draw: random.Random, port: int, inputs: int, ends_s: float) -> int:
    import paho.mqtt.client as mqtt

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
    client.connect("127.0.0.1", port)
    client.loop_start()
    sent = 0
    while sent < inputs and time.monotonic() < ends_s:
        for _ in range(50):
            topic = draw.choice(TOPICS)
            info = client.publish(
                topic, _payload(draw), qos=draw.randrange(3), retain=draw.random() < 0.05
            )
            sent += 1
        with contextlib.suppress(RuntimeError):
            info.wait_for_publish(10.0)
    client.disconnect()
    client.loop_stop()
    return sent


class Liar:
    """A broker that lets everybody in and then says anything. ``sent``: packets, so far."""

    PACKETS_A_TIME = 400

    def __init__(self, draw: random.Random) -> None:
        self._draw = draw
        self.sent = 0
        self._listening = socket.create_server(("127.0.0.1", 0))
        self.port: int = self._listening.getsockname()[1]
        self._closed = False
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._closed = True
        self._listening.close()

    def _run(self) -> None:
        while not self._closed:
            try:
                link, _ = self._listening.accept()
            except OSError:
                return
            threading.Thread(target=self._lie, args=(link,), daemon=True).start()

    def _lie(self, link: socket.socket) -> None:
        with link, contextlib.suppress(OSError):
            link.settimeout(10.0)
            first = link.recv(65536)
            v5 = b"\x04MQTT\x05" in first
            link.sendall(b"\x20\x03\x00\x00\x00" if v5 else b"\x20\x02\x00\x00")
            threading.Thread(target=self._answer, args=(link, v5), daemon=True).start()
            # What breaks the protocol ends a connection, so it comes last.
            right = self._draw.randrange(self.PACKETS_A_TIME)
            for at in range(right + 20):
                if self._closed:
                    return
                link.sendall(self._message(v5) if at < right else self._packet(v5))
                self.sent += 1
                time.sleep(0.0005)

    def _answer(self, link: socket.socket, v5: bool) -> None:
        """Let subscriptions through, so that what is published is listened to."""
        props = b"\x00" if v5 else b""
        with contextlib.suppress(OSError):
            while data := link.recv(65536):
                if data[0] >> 4 == 8:
                    at = 2 if data[1] < 128 else 3
                    body = data[at : at + 2] + props + b"\x01" * 8
                    link.sendall(b"\x90" + bytes([len(body)]) + body)

    def _message(self, v5: bool, topic: bytes = b"") -> bytes:
        """A message in the form that it has to have."""
        draw = self._draw
        topic = topic or draw.choice(TOPICS).encode()
        qos = draw.randrange(3)
        number = draw.randrange(1, 65536).to_bytes(2, "big") if qos else b""
        props = b"\x00" if v5 else b""
        payload = _payload(draw)[:5000]
        body = len(topic).to_bytes(2, "big") + topic + number + props + payload
        return bytes([0x30 | qos << 1 | draw.randrange(2)]) + _length(len(body)) + body

    def _packet(self, v5: bool) -> bytes:
        """Something that no broker should send."""
        draw = self._draw
        kind = draw.random()
        if kind < 0.25:
            return self._message(
                v5, draw.choice((b"\xff\xfe", b"a\x00b", b"#", b"+/x", b"x" * 5000))
            )
        if kind < 0.5:
            first = draw.choice((0x40, 0x50, 0x62, 0x70, 0x90, 0xB0, 0xD0, 0xE0, 0xF0))
            return bytes([first]) + _length(4) + draw.randbytes(4)
        if kind < 0.8:
            changed = bytearray(self._message(v5))
            for _ in range(draw.randrange(1, 4)):
                changed[draw.randrange(min(len(changed), 40))] = draw.randrange(256)
            return bytes(changed)
        if kind < 0.9:
            return b"\x30" + _length(200_000_000) + draw.randbytes(100)
        return draw.randbytes(draw.randrange(1, 64))


def _length(value: int) -> bytes:
    """A remaining length; MQTT 5.0, section 1.5.5."""
    out = bytearray()
    while True:
        value, low = divmod(value, 128)
        out.append(low | (128 if value else 0))
        if not value:
            return bytes(out)
