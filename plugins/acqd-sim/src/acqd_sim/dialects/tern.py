"""``tern``: lines of text, a sweep as one pair of frequency and level a line, and an end line.

Commands and answers end with CR LF; case is nothing. Frequencies are in kHz. ``READ`` sweeps and
answers a line ``<kHz>=<dBm>`` a point, and then ``END <points> <sum>``: the sum of all bytes of the
point lines, their ends too, modulo 256, as two hexadecimal digits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import ClassVar

import numpy as np

from acqd_sim.dialects.dialect import Answer, Dialect, Refusal, Steps, numbers, whole
from acqd_sim.instrument import Instrument

__all__ = ["Tern"]

CRLF = b"\r\n"
LONGEST = 200


class Tern(Dialect):
    """Pairs in text."""

    name: ClassVar[str] = "tern"

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._buffer = b""

    def take(self, data: bytes) -> tuple[bytes, list[bytes]]:
        *lines, rest = (self._buffer + data).split(CRLF)
        self._buffer = rest[-LONGEST:]
        return b"", [line for line in lines if line.strip()]

    def key(self, word: str) -> str:
        return word.upper()

    def refused(self, refusal: Refusal) -> Answer:
        return _line(f"NO {refusal.number} {refusal.text}")

    def commands(self) -> Mapping[str, Callable[[list[str]], Steps]]:
        return {
            "NAME": self._name,
            "LIMS": self._limits,
            "SPAN": self._span,
            "SPAN?": self._span_now,
            "RBW": self._rbw,
            "RBW?": self._rbw_now,
            "ATT": self._attenuation,
            "ATT?": self._attenuation_now,
            "READ": self._read,
        }

    def _name(self, words: list[str]) -> Steps:
        who = self.instrument.sweeping.receiver.model.identity
        given = self.instrument.faults.identity
        yield _line(f"TERN;{who.serial_number};{who.firmware}" if given is None else given)

    def _limits(self, words: list[str]) -> Steps:
        model = self.instrument.sweeping.receiver.model
        yield _line(
            f"LIMS {model.start_hz / 1e3:.3f} {model.stop_hz / 1e3:.3f} "
            f"{model.points_min} {model.points_max}"
        )

    def _span(self, words: list[str]) -> Steps:
        low, high, points = numbers(words, 3, "lowest kHz, highest kHz, points")
        if not 0.0 < low <= high:
            raise Refusal(12, "expected lowest kHz, highest kHz, points")
        self.change(start_hz=low * 1e3, stop_hz=high * 1e3, points=whole(points, "points"))
        yield _line("OK")

    def _span_now(self, words: list[str]) -> Steps:
        panel = self.instrument.sweeping.panel
        yield _line(f"SPAN {panel.start_hz / 1e3:.3f} {panel.stop_hz / 1e3:.3f} {panel.points}")

    def _rbw(self, words: list[str]) -> Steps:
        if words == ["0"]:
            self.change(rbw_hz=None)
        else:
            (wide,) = numbers(words, 1, "kHz, 0 for automatic")
            self.change(rbw_hz=wide * 1e3)
        yield _line("OK")

    def _rbw_now(self, words: list[str]) -> Steps:
        yield _line(f"RBW {self.instrument.sweeping.settings.rbw_hz / 1e3:g}")

    def _attenuation(self, words: list[str]) -> Steps:
        (loss,) = numbers(words, 1, "dB")
        self.change(attenuation_db=loss)
        yield _line("OK")

    def _attenuation_now(self, words: list[str]) -> Steps:
        yield _line(f"ATT {self.instrument.sweeping.settings.attenuation_db:g}")

    def _read(self, words: list[str]) -> Steps:
        level_dbm = yield from self.sweep()
        panel = self.instrument.sweeping.panel
        axis_khz = np.linspace(panel.start_hz, panel.stop_hz, level_dbm.size) / 1e3
        body = b"".join(
            f"{at:.3f}={level:.1f}\r\n".encode()
            for at, level in zip(axis_khz, level_dbm, strict=True)
        )
        total = sum(body) % 256
        yield Answer(
            body=body,
            check=f"END {level_dbm.size} {total:02X}".encode(),
            wrong_check=f"END {level_dbm.size} {(total + 1) % 256:02X}".encode(),
            end=CRLF,
            is_trace=True,
        )


def _line(text: str) -> Answer:
    return Answer(body=text.encode("ascii", "replace"), end=CRLF)
