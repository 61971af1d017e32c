"""``skua``: single letters with numbers in, short lines and scaled 16-bit blocks out.

Commands and answers in text end with CR. Frequencies are in Hz. A setting is answered by what it
has become (``b 12000`` by ``b=10000``), a refusal is ``!`` and a number. ``g`` sweeps and answers
a block:

    A5 5A            sync
    count            16 bits, low byte first
    count words      16 bits, low byte first, unsigned: 0.01 dB each above -40.00 dBuV
    CRC              16 bits, low byte first, over count and words

The CRC has the polynomial 0x1021 (x^16+x^12+x^5+1, as ITU-T V.41 has it, from memory), begins with
0xFFFF, takes the high bit first and is not inverted: 0x29B1 for the text 123456789. The host knows
the axis: even, from the first to the last frequency, both included.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import ClassVar

import numpy as np

from acqd_sim.dialects.dialect import Answer, Dialect, Refusal, Steps, numbers, whole
from acqd_sim.instrument import Instrument

__all__ = ["DBUV_PER_DBM", "FIRST_DBUV", "STEP_DB", "Skua", "crc16"]

CR = b"\r"
SYNC = b"\xa5\x5a"
STEP_DB = 0.01
FIRST_DBUV = -40.0
DBUV_PER_DBM = 90.0 + 10.0 * math.log10(50.0)
"""0 dBm in 50 ohm is 106.99 dBuV: U = sqrt(P R)."""
NO_LEVEL = 0xFFFF
LONGEST = 100


def crc16(data: bytes) -> int:
    """The block's CRC, bit by bit as it is described above."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte << 8
        for _ in range(8):
            crc = (crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1
            crc &= 0xFFFF
    return crc


class Skua(Dialect):
    """Scaled blocks."""

    name: ClassVar[str] = "skua"

    def __init__(self, instrument: Instrument) -> None:
        super().__init__(instrument)
        self._buffer = b""

    def take(self, data: bytes) -> tuple[bytes, list[bytes]]:
        *lines, rest = (self._buffer + data).split(CR)
        self._buffer = rest[-LONGEST:]
        return b"", [line for line in lines if line.strip()]

    def refused(self, refusal: Refusal) -> Answer:
        return _line(f"!{refusal.number}")

    def commands(self) -> Mapping[str, Callable[[list[str]], Steps]]:
        return {
            "v": self._number,
            "l": self._limits,
            "f": self._range,
            "n": self._points,
            "b": self._rbw,
            "a": self._attenuation,
            "t": self._time,
            "g": self._go,
        }

    def _number(self, words: list[str]) -> Steps:
        serial = self.instrument.sweeping.receiver.model.identity.serial_number
        digits = "".join(letter for letter in serial if letter.isdigit())
        given = self.instrument.faults.identity
        yield _line(f"v={digits or '0'}" if given is None else given)

    def _limits(self, words: list[str]) -> Steps:
        model = self.instrument.sweeping.receiver.model
        yield _line(
            f"l={model.start_hz:.0f} {model.stop_hz:.0f} {model.points_min} {model.points_max}"
        )

    def _range(self, words: list[str]) -> Steps:
        if words:
            low, high = numbers(words, 2, "lowest and highest Hz")
            if not 0.0 < low <= high:
                raise Refusal(12, "expected lowest and highest Hz")
            self.change(start_hz=low, stop_hz=high)
        panel = self.instrument.sweeping.panel
        yield _line(f"f={panel.start_hz:.0f} {panel.stop_hz:.0f}")

    def _points(self, words: list[str]) -> Steps:
        if words:
            (points,) = numbers(words, 1, "points")
            self.change(points=whole(points, "points"))
        yield _line(f"n={self.instrument.sweeping.panel.points}")

    def _rbw(self, words: list[str]) -> Steps:
        if words:
            (wide_hz,) = numbers(words, 1, "Hz, 0 for automatic")
            self.change(rbw_hz=wide_hz or None)
        yield _line(f"b={self.instrument.sweeping.settings.rbw_hz:.0f}")

    def _attenuation(self, words: list[str]) -> Steps:
        if words:
            (loss_db,) = numbers(words, 1, "dB")
            self.change(attenuation_db=loss_db)
        yield _line(f"a={self.instrument.sweeping.settings.attenuation_db:.0f}")

    def _time(self, words: list[str]) -> Steps:
        yield _line(f"t={math.ceil(self.instrument.sweeping.settings.total_s * 1e3)}")

    def _go(self, words: list[str]) -> Steps:
        level_dbm = yield from self.sweep()
        code = np.rint((level_dbm + DBUV_PER_DBM - FIRST_DBUV) / STEP_DB)
        code = np.where(np.isnan(code), NO_LEVEL, np.clip(code, 0, NO_LEVEL - 1))
        proven = level_dbm.size.to_bytes(2, "little") + code.astype("<u2").tobytes()
        crc = crc16(proven)
        yield Answer(
            body=SYNC + proven,
            check=crc.to_bytes(2, "little"),
            wrong_check=(crc ^ 1).to_bytes(2, "little"),
            is_trace=True,
        )


def _line(text: str) -> Answer:
    return Answer(body=text.encode("ascii", "replace"), end=CR)
