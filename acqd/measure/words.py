"""Figures as a watchkeeper writes them: with units, a real minus sign, and no false digits."""

from __future__ import annotations

import math

from acqd.measure.channels import Channel
from acqd.sweep import LevelUnit

__all__ = [
    "channel_text",
    "duration_text",
    "frequency_text",
    "level_text",
    "number_text",
    "range_text",
    "unit_suffix",
    "unit_text",
]

SUFFIXES = {
    LevelUnit.DBM: "dbm",
    LevelUnit.DBUV: "dbuv",
    LevelUnit.DBFS: "dbfs",
    LevelUnit.DIGIT: "digit",
    LevelUnit.RATIO: "ratio",
}


def unit_suffix(unit: LevelUnit) -> str:
    """The end of a name that holds a level in ``unit``: ``floor_`` + ``dbm``."""
    return SUFFIXES[unit]


def number_text(value: float, decimals: int) -> str:
    """A number with a real minus sign, never "−0.0"."""
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", "−")


def unit_text(unit: LevelUnit) -> str:
    """The unit as it stands behind a number in a sentence."""
    return "digits" if unit is LevelUnit.DIGIT else unit.value


def level_text(level: float, unit: LevelUnit) -> str:
    """−69.8 dBm; 137.0 digits."""
    return f"{number_text(level, 1)} {unit_text(unit)}"


def frequency_text(frequency_hz: float, *, resolution_hz: float = 1e3) -> str:
    """156.800 MHz; more decimals where ``resolution_hz`` is finer; kHz below 1 MHz."""
    scale, name = (1e6, "MHz") if abs(frequency_hz) >= 1e6 else (1e3, "kHz")
    finest = scale / max(resolution_hz, 1e-3)
    decimals = min(6, max(3 if scale == 1e6 else 1, math.ceil(math.log10(finest) - 1e-9)))
    return f"{number_text(frequency_hz / scale, decimals)} {name}"


def range_text(start_hz: float, stop_hz: float) -> str:
    """156.000 to 158.000 MHz."""
    start, start_unit = frequency_text(start_hz).split(" ")
    stop, stop_unit = frequency_text(stop_hz).split(" ")
    same = start_unit == stop_unit
    return (
        f"{start} to {stop} {stop_unit}" if same else f"{start} {start_unit} to {stop} {stop_unit}"
    )


def duration_text(seconds: float) -> str:
    """9 min 12 s; 0.4 s; 2 h 5 min."""
    if seconds < 10.0 and abs(seconds - round(seconds)) > 0.049:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    minutes, rest = divmod(whole, 60)
    if minutes < 60:
        return f"{minutes} min {rest} s" if rest else f"{minutes} min"
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours} h {minutes} min" if minutes else f"{hours} h"


def channel_text(channel: Channel) -> str:
    """channel 16 (156.800 MHz); names that are words stand alone: AIS 1 (161.975 MHz)."""
    name = f"channel {channel.name}" if channel.name[:1].isdigit() else channel.name
    return f"{name} ({_exact_mhz(channel.centre_hz)})"


def _exact_mhz(frequency_hz: float) -> str:
    """With as many decimals, three to six, as the frequency of a raster needs."""
    for decimals in (3, 4, 5):
        if abs(frequency_hz - round(frequency_hz / 1e6, decimals) * 1e6) < 0.5:
            break
    else:
        decimals = 6
    return f"{frequency_hz / 1e6:.{decimals}f} MHz"
