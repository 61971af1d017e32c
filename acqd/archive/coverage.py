"""Coverage: what was stored over what was due, with the reasons for the rest (guarantee G5)."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from math import ceil
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.records import GapRecord
from acqd.sweep import SweepFlag

__all__ = ["Coverage", "coverage_of", "due_within"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """Of a job in a range of time: ``stored`` of its due sweeps (those of step 0), ``missed`` by
    reason, all ``sweeps`` that there are, and ``flagged`` of these by flag, in lower case.

    ``removed`` were stored, and retention has removed them since: they are due ones that were
    swept. To the hour: of hours that the range cuts they count in proportion. ``damaged`` were
    stored too, in files that cannot be read now."""

    job: str
    stored: int
    sweeps: int
    missed: Mapping[str, int] = field(default_factory=dict)
    flagged: Mapping[str, int] = field(default_factory=dict)
    removed: int = 0
    damaged: int = 0

    @property
    def due(self) -> int:
        return self.stored + self.removed + self.damaged + sum(self.missed.values())

    @property
    def fraction(self) -> float:
        """What was stored over what was due, also where retention has removed it since; NaN where
        nothing was due."""
        return (self.stored + self.removed) / self.due if self.due else float("nan")


def coverage_of(
    *,
    job: str,
    stored: int,
    sweeps: int,
    flags: NDArray[Any],
    gaps: Iterable[GapRecord],
    start_s: float,
    stop_s: float,
    removed: int = 0,
    damaged: int = 0,
) -> Coverage:
    """Put the counts together; gaps that reach over the range's ends count with their share."""
    missed: dict[str, int] = {}
    for gap in gaps:
        count = due_within(gap, start_s, stop_s)
        if count:
            missed[gap.reason] = missed.get(gap.reason, 0) + count
    flagged = {
        str(flag.name).lower(): int(np.count_nonzero(flags & int(flag))) for flag in SweepFlag
    }
    return Coverage(
        job=job,
        stored=stored,
        sweeps=sweeps,
        missed=missed,
        removed=removed,
        damaged=damaged,
        flagged={name: count for name, count in flagged.items() if count},
    )


def due_within(gap: GapRecord, start_s: float, stop_s: float) -> int:
    """How many of a gap's due times lie in [start_s, stop_s), taken as evenly spread.

    The first was due at ``from_s``, the last at ``to_s``.
    """
    if gap.count <= 1 or gap.to_s <= gap.from_s:
        return gap.count if start_s <= gap.from_s < stop_s else 0
    every_s = (gap.to_s - gap.from_s) / (gap.count - 1)
    low = 0 if start_s <= gap.from_s else ceil((start_s - gap.from_s) / every_s)
    high = gap.count if stop_s > gap.to_s else ceil((stop_s - gap.from_s) / every_s)
    return max(0, min(high, gap.count) - low)
