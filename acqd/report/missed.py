"""What a night could have missed: how short, how weak, and when nobody can say."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acqd.look.times import duration
from acqd.report.blocks import Block
from acqd.report.shapes import Section, Table
from acqd.report.source import JobSource
from acqd.report.words import count_text, level, percent

__all__ = ["MissedSums", "missed_section"]


class MissedSums:
    """Figures that stand in the summaries alone, from blocks as they come. NaN where unknown."""

    def __init__(self, suffix: str) -> None:
        self._suffix = suffix
        self._weakest: list[float] = []
        self._half: list[float] = []
        self._floor_u: list[float] = []
        self._surely: list[float] = []
        self.sweeps = 0
        self.unknown = 0
        """Sweeps that listened and cannot say what is surely caught."""

    def take(self, block: Block, listening: NDArray[np.bool_]) -> None:
        """Add the sweeps of a block that listened, (sweeps,)."""
        surely_s = block.figures("shortest_surely_caught_s")[listening]
        self.sweeps += surely_s.size
        self.unknown += int(np.count_nonzero(np.isnan(surely_s)))
        self._keep(self._surely, surely_s)
        self._keep(self._weakest, block.figures(f"weakest_level_seen_{self._suffix}")[listening])
        half = block.figures(f"weakest_level_half_seen_{self._suffix}")[listening]
        self._keep(self._half, half)
        self._keep(self._floor_u, block.figures("floor_u_db")[listening])

    @staticmethod
    def _keep(into: list[float], values: NDArray[np.float64]) -> None:
        into += values[np.isfinite(values)].tolist()

    @property
    def surely_s(self) -> float:
        """The shortest transmission that is surely caught at any time of those that can say."""
        return max(self._surely, default=math.nan)

    @property
    def best_s(self) -> float:
        return min(self._surely, default=math.nan)

    @property
    def usually_s(self) -> float:
        return float(np.median(self._surely)) if self._surely else math.nan

    @property
    def weakest(self) -> tuple[float, float]:
        """Median, and the worst, of the level that is seen in 95 % of the sweeps."""
        if not self._weakest:
            return math.nan, math.nan
        return float(np.median(self._weakest)), max(self._weakest)

    @property
    def half_seen(self) -> float:
        return float(np.median(self._half)) if self._half else math.nan

    @property
    def floor_u(self) -> float:
        """Median standard uncertainty of a sweep's floor, dB."""
        return float(np.median(self._floor_u)) if self._floor_u else math.nan


def missed_section(source: JobSource, sums: MissedSums | None) -> list[Section]:
    """How short and how weak a transmission may have been and gone unheard."""
    if sums is None or not sums.sweeps:
        return []
    unit = source.unit
    middle, worst = sums.weakest
    rows: list[tuple[str | float | None, ...]] = []
    if math.isfinite(sums.surely_s):
        rows.append(("shortest transmission surely caught, at worst", sums.surely_s, "s"))
        rows.append(("the same, at most times", sums.usually_s, "s"))
        rows.append(("the same, at best", sums.best_s, "s"))
    if math.isfinite(middle):
        rows.append(("weakest steady carrier seen in 95 % of the sweeps", middle, unit))
        rows.append(("the same, at worst", worst, unit))
        rows.append(("weakest seen in half of the sweeps", sums.half_seen, unit))
    table = Table(
        title="What could have been missed",
        heads=("figure", "value", "unit"),
        units=("", "", ""),
        places=(None, 1, None),
        rows=tuple(rows),
        note=_note(source, sums),
        sweeps=source.range_of(),
    )
    lead = _lead(source, sums)
    tables = (table,) if rows else ()
    return [Section(key="missed", title="What it could have missed", lead=lead, tables=tables)]


def _lead(source: JobSource, sums: MissedSums) -> str:
    told = []
    if math.isfinite(sums.surely_s):
        told.append(
            f"A transmission of {duration(sums.surely_s)} or longer, strong enough, was surely "
            f"caught all through; where nothing was missed, one of {duration(sums.best_s)} was. A "
            f"shorter one was caught by chance."
        )
    middle, _ = sums.weakest
    if math.isfinite(middle):
        told.append(
            f"A steady carrier of {level(middle)} {source.unit} at {source.plane} was seen in 95 % "
            f"of the sweeps."
        )
    coverage = source.coverage
    if coverage.due and coverage.listened < coverage.due:
        share = percent(1.0 - coverage.listened / coverage.due)
        told.append(f"In {share} of the due sweeps nobody listened: what was then, nobody knows.")
    return " ".join(told)


def _note(source: JobSource, sums: MissedSums) -> str:
    if not sums.unknown:
        return ""
    share = f"{sums.unknown:,} of {count_text(sums.sweeps, 'sweep')}".replace(",", "\u2009")
    return (
        f"{share} cannot say what is surely caught: after a start, a gap, a change, or in an hour "
        f"with too few sweeps."
    )
