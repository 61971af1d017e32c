"""PUFFIN, the sweeper of docs/new-driver.md: its language is in no profile.

Lines end in LF, answers in CR LF. ``hello`` says who it is; ``mid`` and ``wide`` set centre and
width in kHz, ``pts`` the points, each answered with ``ok``; ``look`` sweeps and answers with counts
of half a dB above −130 dBm as hexadecimal digits, two a point, and the sum of all counts modulo 256
behind them. ``src`` is its source. What it does not know it answers with ``?``.
"""

from __future__ import annotations

import time

import numpy as np

CARRIERS = ((156.8e3, -40.0), (158.3e3, -62.0))
"""Frequency in kHz and level in dBm of what is connected."""
FLOOR_DBM = -107.0


class Puffin:
    """Answers lines; ``source_dbm`` is None while the source is off."""

    def __init__(self) -> None:
        self.mid_khz, self.wide_khz, self.points = 100e3, 10e3, 101
        self.source_dbm: float | None = None
        self.sweeps = 0
        self._chance = np.random.default_rng(77)

    def answer(self, line: bytes) -> bytes:
        """What it says to ``line``."""
        word, *values = line.decode("latin-1").split() or [""]
        try:
            said = self._said(word, *values)
        except ValueError:
            said = "? value"
        return said.encode("latin-1") + b"\r\n"

    def _said(self, word: str, value: str | None = None) -> str:
        match word, value:
            case "hello", None:
                return "PUFFIN 77 rev 1.4"
            case "look", None:
                return self._sweep()
            case "src", "off":
                self.source_dbm = None
                return "ok"
            case (("mid" | "wide" | "pts" | "src"), str(text)):
                return self._set(word, float(text))
        return "?"

    def _set(self, word: str, number: float) -> str:
        low, high = {
            "mid": (1e3, 500e3), "wide": (0.0, 499e3), "pts": (11, 501), "src": (-40.0, 0.0),
        }[word]  # fmt: skip
        if not low <= number <= high:
            return "? range"
        match word:
            case "mid":
                self.mid_khz = number
            case "wide":
                self.wide_khz = number
            case "pts":
                self.points = int(number)
            case "src":
                self.source_dbm = number
        return "ok"

    def _sweep(self) -> str:
        self.sweeps += 1
        time.sleep(0.002 + 20e-6 * self.points)
        half_khz = self.wide_khz / 2
        axis_khz = np.linspace(self.mid_khz - half_khz, self.mid_khz + half_khz, self.points)
        rbw_khz = max(10.0, self.wide_khz / (self.points - 1))
        power_mw = 10 ** (FLOOR_DBM / 10) * self._chance.exponential(size=self.points)
        for at_khz, level_dbm in CARRIERS:
            off = (axis_khz - at_khz) / (rbw_khz / 2)
            # A Gaussian filter is 3 dB down at half its width.
            power_mw += 10 ** ((level_dbm - 3.01 * np.minimum(off**2, 100.0)) / 10)
        counts = np.clip(np.rint((10 * np.log10(power_mw) + 130.0) / 0.5), 0, 255).astype(int)
        return "".join(f"{count:02X}" for count in (*counts, counts.sum() % 256))
