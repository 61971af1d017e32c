"""The driver's options: what a config may say, checked once, on opening."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from decimal import Decimal
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from acqd.config.quantity import (
    DURATION,
    FREQUENCY,
    Dimension,
    QuantityError,
    parse_level,
    parse_quantity,
)
from acqd.drivers.transport import TRANSPORT_OPTIONS
from acqd.errors import RequestRefused
from acqd.units import LevelUnit
from acqd_iq.datatypes import SampleType, parse_type
from acqd_iq.windows import WINDOWS, Window

__all__ = ["DC_WAYS", "PACES", "PLAYS", "RATE", "RBW_WAYS", "Calibration", "IqOptions"]

Float = NDArray[np.float64]

PLAYS: Final = ("once", "loop")
PACES: Final = ("next", "as-recorded")
DC_WAYS: Final = ("keep", "leave-out", "interpolate")
RBW_WAYS: Final = ("noise", "gaussian")

RATE: Final = Dimension(
    what="a sample rate with its unit",
    example="2 MS/s",
    units={
        "S/s": Decimal(1),
        "kS/s": Decimal(1000),
        "MS/s": Decimal(10**6),
        "GS/s": Decimal(10**9),
    },
    minimum=Decimal(1),
    maximum=Decimal(10**11),
    other_words={"hz": "S/s", "khz": "kS/s", "mhz": "MS/s", "ghz": "GS/s"},
)

LARGEST_SHIFT_DB: Final = 150.0
CALIBRATION_MOST: Final = 1000


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What a full-scale sine at the input is in dBm, over frequency.

    Straight lines in dB between the stated frequencies; beyond them the outermost hold.
    """

    frequency_hz: tuple[float, ...] = (0.0,)
    full_scale_dbm: tuple[float, ...] = (0.0,)

    def at(self, frequency_hz: Float) -> Float:
        """In dBm, at each frequency."""
        return np.asarray(np.interp(frequency_hz, self.frequency_hz, self.full_scale_dbm))


@dataclass(frozen=True, slots=True, kw_only=True)
class IqOptions:
    """Options of the driver ``iq``. Names are those of a config; see docs/iq.md."""

    type: SampleType | None = None
    rate: float | None = None
    centre: float | None = None
    full_scale: Calibration | None = None
    full_scale_count: float | None = None
    window: Window = field(default_factory=lambda: WINDOWS["blackman-harris"])
    overlap: float | None = None
    segments: int = 16
    pad: int = 2
    usable: float = 0.8
    dc: str = "keep"
    dc_width: float | None = None
    rbw: str = "noise"
    play: str = "once"
    pace: str = "next"
    skip: float = 0.0
    check_sha512: bool = False
    stall: float = 2.0
    maker: str = ""
    model: str = ""
    serial_number: str = ""

    @classmethod
    def from_options(cls, options: Mapping[str, Any]) -> IqOptions:
        """The options of a config; the link's own stand beside them and are left out.

        Raises:
            RequestRefused: an option that is not known or does not fit.
        """
        known = [item.name for item in fields(cls)]
        given = {key: value for key, value in options.items() if key not in TRANSPORT_OPTIONS}
        for key in given:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                hint = f' (did you mean "{near[0]}"?)' if near else ""
                limit = f"{', '.join(known)}{hint}"
                raise RequestRefused(setting=f"option {key}", asked="it", limit=limit)
        return cls(**{key: _READ[key](key, value) for key, value in given.items()})

    @property
    def unit(self) -> LevelUnit:
        """dBm where full scale is known in it, else dBFS."""
        return LevelUnit.DBFS if self.full_scale is None else LevelUnit.DBM

    @property
    def overlap_share(self) -> float:
        return self.window.overlap if self.overlap is None else self.overlap


def _refused(key: str, value: object, limit: str) -> RequestRefused:
    shown = repr(value)
    shown = shown if len(shown) <= 60 else f"{shown[:60]}…"
    return RequestRefused(setting=f"option {key}", asked=shown, limit=limit)


def _type(key: str, value: object) -> SampleType:
    try:
        return parse_type(value)
    except ValueError as exc:
        raise RequestRefused(
            setting=f"option {key}", asked=repr(value), limit=str(exc).partition("accepted: ")[2]
        ) from exc


def _quantity(
    dimension: Dimension, low: float = 0.0, high: float = float("inf")
) -> Callable[[str, object], float]:
    def read(key: str, value: object) -> float:
        try:
            number = parse_quantity(value, dimension)
        except QuantityError as exc:
            raise _refused(key, value, exc.accepted) from exc
        if not low <= number <= high:
            unit = dimension.first_unit
            raise _refused(key, value, f"{low:g} {unit} to {high:g} {unit}")
        return number

    return read


def _number(low: float, high: float, *, whole: bool = False) -> Callable[[str, object], Any]:
    def read(key: str, value: object) -> float:
        if (
            isinstance(value, bool)
            or not isinstance(value, int | float)
            or (whole and not isinstance(value, int))
            or not low <= value <= high
        ):
            kind = "a whole number" if whole else "a number"
            raise _refused(key, value, f"{kind} from {low:g} to {high:g}")
        return value if whole else float(value)

    return read


def _one_of(words: tuple[str, ...]) -> Callable[[str, object], str]:
    def read(key: str, value: object) -> str:
        if not isinstance(value, str) or value not in words:
            raise _refused(key, value, ", ".join(f'"{word}"' for word in words))
        return value

    return read


def _window(key: str, value: object) -> Window:
    return WINDOWS[_one_of(tuple(WINDOWS))(key, value)]


def _switch(key: str, value: object) -> bool:
    if not isinstance(value, bool):
        raise _refused(key, value, "true or false")
    return value


def _text(key: str, value: object) -> str:
    if not isinstance(value, str) or len(value) > 200 or not value.isprintable():
        raise _refused(key, value, "a printable text of at most 200 characters")
    return value


_CALIBRATION = 'a level such as "-20 dBm", or pairs such as [["156 MHz", "-20 dBm"], …]'


def _level_dbm(key: str, value: object) -> float:
    try:
        level, unit = parse_level(value)
    except QuantityError as exc:
        raise _refused(key, value, _CALIBRATION) from exc
    if unit is not LevelUnit.DBM or abs(level) > LARGEST_SHIFT_DB:
        raise _refused(key, value, f"a level in dBm, within ±{LARGEST_SHIFT_DB:g} dBm")
    return level


def _calibration(key: str, value: object) -> Calibration:
    if not isinstance(value, list | tuple):
        return Calibration(full_scale_dbm=(_level_dbm(key, value),))
    if not 1 <= len(value) <= CALIBRATION_MOST or not all(
        isinstance(pair, list | tuple) and len(pair) == 2 for pair in value
    ):
        raise _refused(key, value, _CALIBRATION)
    at_hz = tuple(_quantity(FREQUENCY)(key, pair[0]) for pair in value)
    if any(after <= before for before, after in pairwise(at_hz)):
        raise _refused(key, value, "pairs in rising order of frequency")
    return Calibration(
        frequency_hz=at_hz, full_scale_dbm=tuple(_level_dbm(key, pair[1]) for pair in value)
    )


_READ: Final[Mapping[str, Callable[[str, object], Any]]] = {
    "type": _type,
    "rate": _quantity(RATE),
    "centre": _quantity(FREQUENCY),
    "full_scale": _calibration,
    "full_scale_count": _number(1e-6, 2.0**32),
    "window": _window,
    "overlap": _number(0.0, 0.95),
    "segments": _number(1, 100_000, whole=True),
    "pad": _number(1, 16, whole=True),
    "usable": _number(0.05, 1.0),
    "dc": _one_of(DC_WAYS),
    "dc_width": _quantity(FREQUENCY),
    "rbw": _one_of(RBW_WAYS),
    "play": _one_of(PLAYS),
    "pace": _one_of(PACES),
    "skip": _quantity(DURATION),
    "check_sha512": _switch,
    "stall": _quantity(DURATION, 0.1, 60.0),
    "maker": _text,
    "model": _text,
    "serial_number": _text,
}
