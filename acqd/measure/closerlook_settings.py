"""What a closer look is: the kinds of look, their steps, and what a finding must bring for one."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from acqd.measure.meter import Figure
from acqd.sweep import Detector

__all__ = [
    "FOLLOWED_KINDS",
    "LEVEL_FIGURES",
    "LOOKS_MOST",
    "LOOK_STEP",
    "STEPS_A_LOOK",
    "Follows",
    "LookKind",
    "LookSettings",
    "frequency_of",
    "has_frequency",
    "has_level",
    "is_look",
    "level_of",
    "look_step",
]

LOOK_STEP = 1000
"""Steps from here on are of closer looks; no kind's own pass has so many."""

STEPS_A_LOOK = 10
"""Steps that each look of a job has to itself."""

LOOKS_MOST = 8
"""Looks that one job may ask for."""

FOLLOWED_KINDS = ("band", "emission", "carrier")
"""Kinds whose findings may be looked at: a look turns no source on, and the others show nothing
without theirs."""

_FREQUENCY_IN: Mapping[str, Mapping[str, str]] = {
    "band": dict.fromkeys(
        ("signal_appeared", "signal_ended", "signal_flapping", "signal_made_inside"), "peak_hz"
    ),
    "emission": dict.fromkeys(
        ("limit_exceeded", "limit_met", "off_frequency", "on_frequency"), "frequency_hz"
    ),
}
"""Which figure of a finding is its frequency, by kind and word. A carrier job's findings are all of
the one frequency that it watches."""

LEVEL_FIGURES = ("peak_dbm", "level_dbm")
"""Figures of a finding that are its level, the first that is there."""

_LEVEL_IN: Mapping[str, tuple[str, ...]] = {
    "band": (*_FREQUENCY_IN["band"], "signals_appeared"),
    "emission": ("limit_exceeded", "limit_met"),
    "carrier": ("carrier_back",),
}


class LookKind(StrEnum):
    """How closer a look is."""

    ZOOM = "zoom"
    """A narrow span around the finding's frequency, with an RBW to match."""
    FINER = "finer rbw"
    """The job's own range with a narrower RBW."""
    HARDER = "more attenuation"
    """The job's own sweep as it is and with more attenuation, in turn."""
    ZERO = "zero span"
    """The finding's frequency over time."""

    @property
    def needs_frequency(self) -> bool:
        """Whether it cannot be taken without a frequency."""
        return self in (LookKind.ZOOM, LookKind.ZERO)


@dataclass(frozen=True, slots=True, kw_only=True)
class LookSettings:
    """One look that a job asks for; None leaves a setting to :func:`~look_requests`.

    ``added_db`` is for :attr:`LookKind.HARDER` alone; ``sweeps`` of it are pairs.
    """

    look: LookKind
    sweeps: int = 3
    span_hz: float | None = None
    rbw_hz: float | None = None
    points: int | None = None
    sweep_time_s: float | None = None
    detector: Detector | None = None
    added_db: float = 10.0
    plane: str = "the sweeper's input"

    @property
    def count(self) -> int:
        """Sweeps of a whole look."""
        return self.sweeps * (2 if self.look is LookKind.HARDER else 1)


@dataclass(frozen=True, slots=True, kw_only=True)
class Follows:
    """What a look follows: the finding's number, its frequency and level where it has them, and
    how many findings before it were passed over since the last look."""

    number: int
    at_hz: float | None = None
    level: float | None = None
    passed_over: int = 0


def is_look(step: int) -> bool:
    """Whether a step is one of a closer look."""
    return step >= LOOK_STEP


def look_step(index: int, second: bool = False) -> int:
    """The step of the look of this number in its job."""
    return LOOK_STEP + STEPS_A_LOOK * index + (1 if second else 0)


def has_frequency(kind: str, word: str) -> bool:
    """Whether findings of this word are of one frequency."""
    return kind == "carrier" or word in _FREQUENCY_IN.get(kind, {})


def has_level(kind: str, word: str) -> bool:
    """Whether findings of this word have a level in dBm, where the sweeper's levels are."""
    return word in _LEVEL_IN.get(kind, ())


def frequency_of(
    kind: str, word: str, figures: Mapping[str, Figure], *, watched_hz: float
) -> float | None:
    """The frequency of a finding; ``watched_hz`` is that of a carrier job."""
    if kind == "carrier":
        return watched_hz
    found = figures.get(_FREQUENCY_IN.get(kind, {}).get(word, ""))
    return float(found) if isinstance(found, int | float) and found > 0 else None


def level_of(figures: Mapping[str, Figure]) -> float | None:
    """The level of a finding, in dBm; None where it has none."""
    for name in LEVEL_FIGURES:
        found = figures.get(name)
        if isinstance(found, int | float):
            return float(found)
    return None
