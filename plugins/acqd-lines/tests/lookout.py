"""A small invented sweeper with its profile, that tests can have misbehave.

It speaks lines that end in LF, takes settings silently, sweeps on ``run``, says on ``busy`` whether
it is done, gives levels on ``data``, and has a source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

PROFILE = """
title = "a lookout's toy"

[talk]
timeout = "500 ms"
quiet = "30 ms"
recover = "0 s"

[[error]]
pattern = '^BAD (?P<code>\\d+) (?P<text>.*)'

[identify]
send = "who"
expect = '^LOOK (?P<model>\\S+) (?P<serial_number>\\S*)$'
maker = "Gannet"

[setting.frequency]
send = ["lo {start:kHz:d}", "hi {stop:kHz:d}"]

[setting.points]
send = "n {points}"

[setting.rbw]
send = "bw {rbw:kHz}"
default = "10 kHz"
read = { send = "bw", expect = '^(?P<value>\\S+) kHz$', unit = "kHz" }

[setting.detector]
send = "det {detector}"
default = "sample"
words = { sample = "S", positive = "P" }

[setting.averages]
send = "avg {averages}"

[sweep]
overload = '^hot$'
abort = "stop\\n"
check = { send = "ok", answer = { kind = "line" }, expect = '^fine$' }
start = { send = "run", answer = { kind = "line" }, expect = '^running$' }
poll = { send = "busy", expect = '^0$', every = "10 ms" }
fetch = { send = "data", answer = { kind = "lines", end = ".", ignore = '^hot$' } }

[sweep.values]
separator = ","
unit = "dBm"

[timing]
per_point = "100 µs"
deadline = "1 s"

[source]
on = "gen {source_level:dBm:.1f}"
off = "gen off"

[limits]
start = "1 MHz"
stop = "1 GHz"
points_min = 2
points_max = 401
averages_max = 16
source_min = "-40 dBm"
source_max = "0 dBm"
resolution = 0.01
level_accuracy = "2 dB"
absolute_max = "20 dBm"
assumed = ["level_accuracy"]
"""


@dataclass
class Lookout:
    """The sweeper; ``answers`` overrides what it says to a command."""

    answers: dict[bytes, bytes | None] = field(default_factory=dict)
    settings: dict[str, str] = field(default_factory=dict)
    source: str = "-10.0"
    busy: int = 2
    hot: bool = False
    sweeps: int = 0
    _left: int = 0

    def answer(self, line: bytes) -> bytes | None:
        """What it says to ``line``."""
        if line in self.answers:
            return self.answers[line]
        word, _, value = line.decode("latin-1").partition(" ")
        if word == "who":
            return b"LOOK 1 SN7\r\n"
        if word == "gen":
            self.source = value
            return b""
        if word in ("lo", "hi", "n", "bw", "det", "avg"):
            if not value:
                return f"{self.settings.get(word, '?')} kHz\n".encode()
            self.settings[word] = value
            return b""
        if word == "run":
            self._left = self.busy
            return b"running\n"
        if word == "busy":
            self._left -= 1
            return b"1\n" if self._left > 0 else b"0\n"
        return {"ok": b"fine\n", "data": self._data(word)}.get(word, b"BAD 9 what is that\n")

    def _data(self, word: str) -> bytes:
        if word != "data":
            return b""
        self.sweeps += 1
        drift = (self.sweeps - 1) % 50 / 100
        points = int(self.settings.get("n", 0))
        levels = [f"{-90 - 0.25 * (i % 8) - drift:.2f}" for i in range(points)]
        rows = [",".join(levels[at : at + 10]) for at in range(0, len(levels), 10)]
        if self.hot:
            rows.insert(1, "hot")
        return "\r\n".join([*rows, ".", ""]).encode()
