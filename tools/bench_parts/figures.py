"""Figures and what they are held against: medians over rounds, their spread, ratios within a round.

A machine is never quiet, so a figure is taken in rounds in which everything that is compared comes
by turns. A ratio is made within each round, where both sides met the same weather; its median and
its middle half are shown, and a target is met or missed by the median.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

__all__ = ["Figure", "Report", "Samples", "Target", "quantile", "rounds"]


def quantile(values: Sequence[float], share: float) -> float:
    """The ``share`` point of ``values``, by straight lines between them; NaN for none."""
    ordered = sorted(values)
    if not ordered:
        return math.nan
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (at - low)


@dataclass(frozen=True, slots=True)
class Samples:
    """One value a round."""

    values: tuple[float, ...]

    @property
    def median(self) -> float:
        return quantile(self.values, 0.5)

    @property
    def middle_half(self) -> tuple[float, float]:
        return quantile(self.values, 0.25), quantile(self.values, 0.75)

    def over(self, other: Samples) -> Samples:
        """Ratios, round by round."""
        return Samples(tuple(a / b for a, b in zip(self.values, other.values, strict=True)))


@dataclass(frozen=True, slots=True)
class Target:
    """What is aimed at: ``value`` at most, or at least, of the ratio or of the figure itself."""

    value: float
    at_least: bool = False
    of: str = "ratio"

    def met(self, figure: Figure) -> bool | None:
        """None where there is nothing to compare, or too little was done to say."""
        samples = figure.ratio if self.of == "ratio" else figure.samples
        if samples is None or not samples.values:
            return None
        got = samples.median
        return got >= self.value if self.at_least else got <= self.value

    def __str__(self) -> str:
        sign = "≥" if self.at_least else "≤"
        return f"{sign} {self.value:g}" + ("x" if self.of == "ratio" else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """One line of the table. ``baseline`` is None where a figure stands alone."""

    name: str
    what: str
    unit: str
    samples: Samples
    baseline: str = ""
    base: Samples | None = None
    upside_down: bool = False
    """True where the ratio is baseline over figure, as for "times faster"."""
    targets: tuple[Target, ...] = ()

    @property
    def ratio(self) -> Samples | None:
        if self.base is None:
            return None
        return self.base.over(self.samples) if self.upside_down else self.samples.over(self.base)

    def to_json(self) -> dict[str, Any]:
        ratio = self.ratio
        return {
            "name": self.name,
            "what": self.what,
            "unit": self.unit,
            "median": self.samples.median,
            "middle_half": list(self.samples.middle_half),
            "rounds": len(self.samples.values),
            "baseline": self.baseline or None,
            "baseline_median": None if self.base is None else self.base.median,
            "ratio": None if ratio is None else ratio.median,
            "ratio_middle_half": None if ratio is None else list(ratio.middle_half),
            "targets": [{"target": str(one), "met": one.met(self)} for one in self.targets],
        }


@dataclass(slots=True)
class Report:
    """What has been measured, what was left out or failed and why, and remarks on figures."""

    figures: list[Figure] = field(default_factory=list)
    skipped: dict[str, str] = field(default_factory=dict)
    failed: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def rounds(
    count: int, contestants: dict[str, Callable[[], float]], *, warm: bool = True
) -> dict[str, Samples]:
    """Let every contestant measure once a round, ``count`` rounds, beginning with another each
    time. ``warm`` runs all of them once before, for nothing."""
    names = list(contestants)
    if warm:
        for name in names:
            contestants[name]()
    found: dict[str, list[float]] = {name: [] for name in names}
    for number in range(count):
        shift = number % len(names)
        for name in names[shift:] + names[:shift]:
            found[name].append(contestants[name]())
    return {name: Samples(tuple(values)) for name, values in found.items()}
