"""What a soak asks: how long, which figures within which limits, what goes beside them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from acqd.measure.meter import Role

__all__ = ["SoakContext", "SoakLimit", "SoakSettings", "drift_unit", "unit_of_figure"]

_UNITS: Mapping[str, str] = {
    "dbm": "dBm",
    "dbuv": "dBµV",
    "dbfs": "dBFS",
    "dbc": "dBc",
    "db": "dB",
    "hz": "Hz",
    "ppm": "ppm",
    "s": "s",
    "w": "W",
    "c": "°C",
    "v": "V",
    "digit": "digit",
}
"""By what the name of a figure ends in, after its last underscore."""


def unit_of_figure(figure: str) -> str:
    """The unit that a figure's name ends in: ``floor_dbm`` is in dBm; "1" where it names none."""
    return _UNITS.get(figure.replace("-", "_").rpartition("_")[2], "1")


def drift_unit(unit: str) -> str:
    """Of a figure's change: levels change by decibels."""
    return "dB" if unit.startswith("dB") else unit


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakLimit:
    """What must hold of one figure; limits in ``unit``, ``drift`` in its change per hour.

    ``of`` says what is judged: the worst reading, or the mean of all. Excursions of single
    readings are named either way.
    """

    figure: str
    unit: str
    low: float | None = None
    high: float | None = None
    drift: float | None = None
    of: Literal["worst", "mean"] = "worst"
    guard: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakContext:
    """A context that figures are laid beside; a slope is told where it moved by ``least_span``."""

    name: str
    unit: str = ""
    least_span: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SoakSettings:
    """All that a soak asks.

    Args:
        job: its name, for what people are asked to type.
        findings_at_most: of the kind's findings, those of the words ``findings_of`` or all.
        failed_passes_at_most: passes whose own verdict was fail.
        coverage_at_least: listening sweeps over due ones; with less the soak is incomplete.
        closing_reference: taken again within ``closing_within_s`` of the end, it bounds the
            sweeper's own drift; a fresh one is asked for every ``fresh_reference_every_s``.
        may_repeat: sweeps that equal the one before are no sign of a frozen sweeper: with its own
            source on, strong levels on a coarse scale do so.
    """

    job: str
    length_s: float
    label: str = ""
    limits: tuple[SoakLimit, ...] = ()
    findings_at_most: int | None = None
    findings_of: tuple[str, ...] = ()
    failed_passes_at_most: int | None = None
    coverage_at_least: float = 0.95
    contexts: tuple[SoakContext, ...] = ()
    closing_reference: Role | None = None
    closing_within_s: float = 3600.0
    fresh_reference_every_s: float | None = None
    may_repeat: bool = False

    @property
    def name(self) -> str:
        """What the soak is called in sentences."""
        return f"the soak “{self.label}”" if self.label else "the soak"
