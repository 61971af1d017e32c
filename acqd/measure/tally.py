"""How much of an hour was swept: what every kind counts the same way."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from acqd.measure.band_sums import HOUR_S, add_missed
from acqd.measure.meter import GapSeen, HourTurned, SweepSeen
from acqd.sweep import SweepFlag

__all__ = ["Tally", "hour_figures", "missed", "shares", "swept"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tally:
    """Due sweeps of the running clock hour: those of step 0, as the plan counts them.

    ``passes`` are those that came to an end, ``cut_short`` those that did not. ``away`` are pairs
    of an hour's number since 1970 and its missed due sweeps.
    """

    stored: int = 0
    overload: int = 0
    passes: int = 0
    cut_short: int = 0
    away: tuple[tuple[int, int], ...] = ()


def swept(tally: Tally, sweep: SweepSeen) -> Tally:
    """With one more sweep; only those of step 0 are due."""
    overload = tally.overload + bool(sweep.flags & SweepFlag.OVERLOAD)
    return replace(tally, stored=tally.stored + (sweep.step == 0), overload=overload)


def missed(tally: Tally, gap: GapSeen) -> Tally:
    """With the due sweeps of a gap, in the hours they fell in."""
    return replace(tally, away=add_missed(tally.away, gap))


def shares(tally: Tally, at_s: float) -> dict[str, Any]:
    """What every summary says of its hour: ``stored``, ``due`` and ``coverage``."""
    hour = math.floor(at_s / HOUR_S)
    due = tally.stored + sum(count for number, count in tally.away if number == hour)
    coverage = round(tally.stored / due, 6) if due else None
    return {"stored": tally.stored, "due": due, "coverage": coverage}


def hour_figures(tally: Tally, event: HourTurned) -> tuple[Tally, dict[str, Any]]:
    """The figures of an hour that has ended, and the tally of the next."""
    hour = math.floor(event.hour_start_s / HOUR_S)
    figures = {
        **shares(tally, event.hour_start_s),
        "overload": tally.overload,
        "passes": tally.passes,
        "cut_short": tally.cut_short,
    }
    figures["due"] = tally.stored + sum(count for number, count in tally.away if number <= hour)
    figures["coverage"] = tally.stored / figures["due"] if figures["due"] else None
    return Tally(away=tuple(pair for pair in tally.away if pair[0] > hour)), figures
