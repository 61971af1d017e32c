"""What may arrive at a sweeper's input, and when that is too much (G7).

Before a job starts: whatever power the config says can arrive, plus 3 dB, must come out of the
chain at least a margin below the sweeper's absolute maximum. While it runs: levels that come near
the maximum end it. The second is no protection. A sweep is slow, what lies outside its span is not
seen, and an input is gone in less than the time of one point; only loss in the chain protects.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from acqd.chain import MARGIN_DB, POWER_RESERVE_DB, Chain
from acqd.sweep import LevelUnit, Sweep
from acqd.units import watt_from_dbm

__all__ = ["NEAR_DB", "Arriving", "InputSafety", "nearing_maximum", "source_power_w"]

NEAR_DB = 10.0
"""A job whose levels come this near to the absolute maximum is stopped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arriving:
    """Something that can bring power to the reference plane. ``isolation_db`` stands before it."""

    name: str
    power_w: float
    start_hz: float
    stop_hz: float
    isolation_db: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSafety:
    """All that can arrive at one job's input, with the margin that its config asks for."""

    arriving: tuple[Arriving, ...] = ()
    chain: Chain | None = None
    margin_db: float = MARGIN_DB

    @property
    def is_concerned(self) -> bool:
        return bool(self.arriving)

    def refusal(self, absolute_max_dbm: float | None) -> str | None:
        """Why the job must not start, in one sentence; None where it may."""
        if not self.arriving:
            return None
        worst = max(self.arriving, key=self.planned_dbm)
        planned_dbm = self.planned_dbm(worst)
        level = f"{planned_dbm:.1f} dBm".replace("-", "−")
        what = (
            f"{worst.name} can bring {level} to the sweeper's input "
            f"({POWER_RESERVE_DB:g} dB of reserve included)"
        )
        if absolute_max_dbm is None:
            return (
                f"{what}, and what the input stands is unknown: "
                "state `absolute_max` of the sweeper, from its data sheet"
            )
        most_dbm = absolute_max_dbm - self.margin_db
        missing_db = planned_dbm - most_dbm
        if missing_db <= 1e-9:
            return None
        most = f"{most_dbm:.1f} dBm".replace("-", "−")
        return (
            f"{what}; at most {most} is allowed, {self.margin_db:g} dB below what it stands: "
            f"add a pad of {math.ceil(missing_db - 1e-9):d} dB or more, rated for the power"
        )

    def planned_dbm(self, one: Arriving) -> float:
        """The largest level at the sweeper's input that ``one`` can bring, reserve included."""
        chain = Chain() if self.chain is None else self.chain
        return (
            chain.planned_input_dbm(one.power_w, start_hz=one.start_hz, stop_hz=one.stop_hz)
            - one.isolation_db
        )


def nearing_maximum(sweep: Sweep, absolute_max_dbm: float | None) -> float | None:
    """The largest level of a sweep, in dBm at the input, where it is too near to the maximum.

    None where it is not, or where nobody can say: the maximum or the unit of the levels.
    """
    if absolute_max_dbm is None or sweep.unit is not LevelUnit.DBM:
        return None
    with np.errstate(invalid="ignore"):
        largest = float(np.fmax.reduce(sweep.level, initial=-np.inf))
    return largest if largest > absolute_max_dbm - NEAR_DB else None


def source_power_w(level_dbm: float, gain_db: float) -> float:
    """The power that a source can bring through what is measured, with its largest gain."""
    return float(watt_from_dbm(level_dbm + max(0.0, gain_db)))
