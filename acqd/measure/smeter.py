"""S units, for those who think in them: IARU Region 1 Recommendation R.1.

S9 is −73 dBm at the receiver's input below 30 MHz and −93 dBm above, 6 dB a step. The 1990 text
confirms −93 dBm for 144 MHz and up and leaves 30 to 144 MHz open; later handbooks say "above
30 MHz", which is what is done here. A real receiver's meter seldom agrees.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["AMATEUR_BANDS", "DB_PER_STEP", "SReading", "amateur_band", "s9_dbm", "s_reading"]

DB_PER_STEP = 6.0

_EVERYWHERE = {
    "2200 m": (135.7e3, 137.8e3),
    "630 m": (472e3, 479e3),
    "160 m": (1.81e6, 2.0e6),
    "80 m": (3.5e6, 3.8e6),
    "60 m": (5.3515e6, 5.3665e6),
    "40 m": (7.0e6, 7.2e6),
    "30 m": (10.1e6, 10.15e6),
    "20 m": (14.0e6, 14.35e6),
    "17 m": (18.068e6, 18.168e6),
    "15 m": (21.0e6, 21.45e6),
    "12 m": (24.89e6, 24.99e6),
    "10 m": (28.0e6, 29.7e6),
    "6 m": (50e6, 54e6),
    "2 m": (144e6, 146e6),
    "70 cm": (430e6, 440e6),
    "23 cm": (1240e6, 1300e6),
}

AMATEUR_BANDS: Mapping[int, Mapping[str, tuple[float, float]]] = {
    1: _EVERYWHERE | {"4 m": (69.9e6, 70.5e6)},
    2: _EVERYWHERE
    | {
        "160 m": (1.8e6, 2.0e6),
        "80 m": (3.5e6, 4.0e6),
        "40 m": (7.0e6, 7.3e6),
        "2 m": (144e6, 148e6),
        "1.25 m": (219e6, 225e6),
        "70 cm": (420e6, 450e6),
    },
    3: _EVERYWHERE | {"160 m": (1.8e6, 2.0e6), "80 m": (3.5e6, 3.9e6), "2 m": (144e6, 148e6)},
}
"""By ITU Region, name to (start, stop) in Hz: wide general limits from memory, to tell where S
units are spoken. Countries differ, and this says nothing of where anybody may transmit."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SReading:
    """A level as an S meter would have it."""

    level_dbm: float
    steps: float
    """Steps of 6 dB, not rounded: 9 at S9, and on at the same slope."""
    over_s9_db: float

    def __str__(self) -> str:
        """S7, to the nearest step; S9+20 dB, to the nearest dB; below S1."""
        if self.over_s9_db > 0.0:
            over = math.floor(self.over_s9_db + 0.5)
            return f"S9+{over} dB" if over else "S9"
        half_up = self.steps + 0.5 + 1e-9
        return f"S{math.floor(half_up)}" if half_up >= 1.0 else "below S1"


def amateur_band(frequency_hz: float, *, region: int = 1) -> str | None:
    """The amateur band's name, None between them; ends belong to the band.

    Raises:
        ValueError: a Region that is not 1, 2 or 3.
    """
    if region not in AMATEUR_BANDS:
        raise ValueError(f"the ITU Regions are 1, 2 and 3, got {region}")
    for name, (start_hz, stop_hz) in AMATEUR_BANDS[region].items():
        if start_hz <= frequency_hz <= stop_hz:
            return name
    return None


def s9_dbm(frequency_hz: float) -> float:
    """Level of S9: −73 dBm below 30 MHz, else −93 dBm."""
    return -73.0 if frequency_hz < 30e6 else -93.0


def s_reading(level_dbm: float, frequency_hz: float, *, region: int = 1) -> SReading | None:
    """A signal's level at the receiver's input in S units; None outside the Region's amateur bands.

    ``level_dbm`` is what reaches a 50 Ω input in the signal's bandwidth. NaN gives None: there is
    nothing to read.

    Raises:
        ValueError: a Region that is not 1, 2 or 3.
    """
    if amateur_band(frequency_hz, region=region) is None or math.isnan(level_dbm):
        return None
    over_db = level_dbm - s9_dbm(frequency_hz)
    return SReading(level_dbm=level_dbm, steps=9.0 + over_db / DB_PER_STEP, over_s9_db=over_db)
