"""What the tests of the context share."""

from __future__ import annotations

import shutil
import subprocess

JOB = "marine-vhf"
HOST = "127.0.0.1"

TEMPERATURE = """\
[context.lamp-room]
topic = "ledge/lamp-room"
key = "bench.degrees"
unit = "degC"
"""
PTT = """\
[context.key]
topic = "ledge/vhf/key"
max_age = "{max_age}"

[chain.aerial]

[[chain.aerial.part]]
kind = "cable"
loss = "1 dB"

[transmitter.base]
power = "25 W"
start = "156 MHz"
stop = "157.5 MHz"
near = "aerial"
isolation = "60 dB"
ptt = "key"
while_keyed = "{what}"
"""
STANDS = 'absolute_max = "20 dBm"'
"""What the sweeper's input stands: more than the transmitter brings."""


def say(port: int, topic: str, payload: str | bytes | None, *, retain: bool = False) -> None:
    """Publish, by the program that people use for it; None clears what is retained."""
    program = shutil.which("mosquitto_pub")
    assert program is not None
    words = [program, "-h", HOST, "-p", str(port), "-t", topic, "-q", "1", "-V", "mqttv311"]
    words += ["-r"] if retain else []
    words += ["-n"] if payload is None else ["-s"]
    data = payload.encode() if isinstance(payload, str) else payload
    subprocess.run(words, input=data, check=True, timeout=30.0)


def pour(port: int, topic: str, count: int) -> None:
    """Publish the numbers from 0 on as fast as they go."""
    program = shutil.which("mosquitto_pub")
    assert program is not None
    lines = "".join(f"{number}\n" for number in range(count))
    words = [program, "-h", HOST, "-p", str(port), "-t", topic, "-l"]
    subprocess.run(words, input=lines, text=True, check=True, timeout=30.0)
