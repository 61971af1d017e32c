"""How one sweeper's SCPI differs from the next one's: the driver's options in the config.

SCPI leaves makers room: where the attenuator is, what detectors are called, which byte order a
block has. Each difference has an option here, a default that most sweepers take, and where a
sweeper can be asked, "auto".
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Final

from acqd.drivers.transport import TRANSPORT_OPTIONS
from acqd.errors import RequestRefused
from acqd.sweep import Detector, LevelUnit

__all__ = ["Dialect"]

TERMINATORS: Final = {"lf": b"\n", "crlf": b"\r\n", "cr": b"\r"}

DETECTORS: Final = {
    Detector.POSITIVE: "POS",
    Detector.NEGATIVE: "NEG",
    Detector.SAMPLE: "SAMP",
    Detector.RMS: "RMS",
    Detector.AVERAGE: "AVER",
}
"""The first three are SCPI-1999's; for the others makers differ."""

SETTINGS: Final = (
    "rbw_hz",
    "vbw_hz",
    "detector",
    "attenuation_db",
    "reference_level_dbm",
    "averages",
    "sweep_time_s",
)

UNITS: Final = {"dBm": LevelUnit.DBM, "dBuV": LevelUnit.DBUV}


@dataclass(frozen=True, slots=True, kw_only=True)
class Dialect:
    """The options, checked. Names are those of the config."""

    terminator: bytes = b"\n"
    timeout_s: float = 2.0
    """For ordinary answers."""
    ask_timeout_s: float = 0.5
    """For queries that the sweeper may not know."""
    sweep_timeout_s: float = 25.0
    """For a sweep whose time the sweeper does not say."""
    boot_s: float = 0.0
    """How long to go on asking a sweeper that restarts when its port is opened."""
    settle_s: float = 0.0
    """Waiting time after settings were changed or the source was turned on."""
    format: str = "auto"
    byte_order: str = "auto"
    unit: LevelUnit = LevelUnit.DBM
    trace: str = "TRACE1"
    attenuation: str = "auto"
    source: str = "auto"
    status: bool = True
    """Whether it answers ``*ESR?``."""
    errors: bool = True
    """Whether it answers ``SYST:ERR?``."""
    detectors: Mapping[Detector, str] = field(default_factory=lambda: dict(DETECTORS))
    settings: tuple[str, ...] | None = None
    """Settings that it has, by name; None to ask. Without an error queue it cannot be asked."""
    start_hz: float | None = None
    stop_hz: float | None = None
    points_min: int | None = None
    points_max: int | None = None
    points_allowed: tuple[int, ...] = ()
    rbw_steps_hz: tuple[float, ...] = ()
    attenuation_steps_db: tuple[float, ...] = ()

    @classmethod
    def from_options(cls, options: Mapping[str, Any]) -> Dialect:
        """The dialect that ``options`` describe.

        Raises:
            RequestRefused: an unknown option, with the nearest known one; or a value that does not
                fit, with what is accepted.
        """
        known = {item.name for item in fields(cls)}
        given = {name: value for name, value in options.items() if name not in TRANSPORT_OPTIONS}
        for name in given:
            if name not in known:
                near = difflib.get_close_matches(name, sorted(known), n=1)
                hint = f"did you mean {near[0]}?" if near else ", ".join(sorted(known))
                raise RequestRefused(
                    setting="option", asked=repr(name), limit=f"known ones; {hint}"
                )
        return cls(**{name: _READERS[name](name, value) for name, value in given.items()})


def _refuse(name: str, value: Any, accepted: str) -> RequestRefused:
    return RequestRefused(setting=f"option {name}", asked=repr(value), limit=accepted)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _seconds(low: float, high: float) -> Callable[[str, Any], float]:
    def read(name: str, value: Any) -> float:
        if not _is_number(value) or not low <= value <= high:
            raise _refuse(name, value, f"a number of seconds from {low:g} to {high:g}")
        return float(value)

    return read


def _one_of(*accepted: str) -> Callable[[str, Any], str]:
    def read(name: str, value: Any) -> str:
        if value not in accepted or not isinstance(value, str):
            raise _refuse(name, value, "one of " + ", ".join(accepted))
        return value

    return read


def _yes_or_no(name: str, value: Any) -> bool:
    if not isinstance(value, bool):
        raise _refuse(name, value, "true or false")
    return value


def _terminator(name: str, value: Any) -> bytes:
    return TERMINATORS[_one_of(*TERMINATORS)(name, value)]


def _unit(name: str, value: Any) -> LevelUnit:
    return UNITS[_one_of(*UNITS)(name, value)]


def _word(name: str, value: Any) -> str:
    """One SCPI word: what goes into a message must not be able to end it."""
    usable = isinstance(value, str) and 0 < len(value) <= 40 and value.isascii()
    if not usable or not all(char.isalnum() or char in ":_" for char in value):
        raise _refuse(name, value, "a SCPI word of letters, digits and colons")
    return str(value)


def _detectors(name: str, value: Any) -> Mapping[Detector, str]:
    accepted = "a table of " + ", ".join(Detector) + ' and their names, e.g. { rms = "RMS" }'
    if not isinstance(value, Mapping) or not value or not set(value) <= set(Detector):
        raise _refuse(name, value, accepted)
    return {Detector(key): _word(f"{name}.{key}", word) for key, word in value.items()}


def _list(name: str, value: Any) -> tuple[float, ...]:
    if not isinstance(value, list | tuple) or not value or len(value) > 100:
        raise _refuse(name, value, "a list of numbers")
    if not all(_is_number(item) and item >= 0 for item in value):
        raise _refuse(name, value, "a list of numbers, none below 0")
    return tuple(sorted(float(item) for item in value))


def _hertz(name: str, value: Any) -> float:
    if not _is_number(value) or not 0 <= value <= 1e12:
        raise _refuse(name, value, "a frequency in Hz from 0 to 1e12")
    return float(value)


def _count(name: str, value: Any) -> int:
    if not _is_number(value) or value != int(value) or not 1 <= value <= 10_000_000:
        raise _refuse(name, value, "a whole number above 0")
    return int(value)


def _settings(name: str, value: Any) -> tuple[str, ...]:
    if not isinstance(value, list | tuple) or not set(value) <= set(SETTINGS):
        raise _refuse(name, value, "a list of " + ", ".join(SETTINGS))
    return tuple(value)


def _counts(name: str, value: Any) -> tuple[int, ...]:
    items = _list(name, value)
    if not all(item >= 1 and item == int(item) for item in items):
        raise _refuse(name, value, "a list of whole numbers above 0")
    return tuple(int(item) for item in items)


_READERS: Final[Mapping[str, Callable[[str, Any], Any]]] = {
    "terminator": _terminator,
    "timeout_s": _seconds(0.05, 60.0),
    "ask_timeout_s": _seconds(0.05, 10.0),
    "sweep_timeout_s": _seconds(0.1, 3600.0),
    "boot_s": _seconds(0.0, 60.0),
    "settle_s": _seconds(0.0, 60.0),
    "format": _one_of("auto", "ascii", "real32", "real64"),
    "byte_order": _one_of("auto", "normal", "swapped"),
    "unit": _unit,
    "trace": _word,
    "attenuation": _word,
    "source": _one_of("auto", "yes", "no"),
    "status": _yes_or_no,
    "errors": _yes_or_no,
    "detectors": _detectors,
    "settings": _settings,
    "start_hz": _hertz,
    "stop_hz": _hertz,
    "points_min": _count,
    "points_max": _count,
    "points_allowed": _counts,
    "rbw_steps_hz": _list,
    "attenuation_steps_db": _list,
}
