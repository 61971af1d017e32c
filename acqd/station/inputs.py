"""What may arrive at a sweeper's input, and when that is too much (G7).

Before a job starts: whatever power the config says can arrive, plus 3 dB, must come out of the
chain at least a margin below the sweeper's absolute maximum. While it runs: levels that come near
the maximum end it. The second is no protection. A sweep is slow, what lies outside its span is not
seen, and an input is gone in less than the time of one point; only loss in the chain protects.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from acqd.chain import (
    MARGIN_DB,
    POWER_RESERVE_DB,
    RATED_AT_C,
    SPEAKS_OF_HEAT_W,
    Chain,
    Dissipation,
)
from acqd.measure.words import level_text
from acqd.safety import failures, missing_pad_text
from acqd.sweep import LevelUnit, Sweep
from acqd.units import watt_from_dbm

__all__ = ["NEAR_DB", "Arriving", "InputSafety", "nearing_maximum", "source_power_w"]

LAST_BIT_DB = 1e-9
"""A chain that meets the figure exactly must not fail on the last bit of a sum."""

NEAR_DB = 10.0
"""A job whose levels come this near to the absolute maximum is stopped."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Arriving:
    """Something that can bring power to the reference plane. ``isolation_db`` stands before it;
    None for what comes down the chain itself."""

    name: str
    power_w: float
    start_hz: float
    stop_hz: float
    isolation_db: float | None = None
    duty: float = 1.0
    is_joined: bool = False
    """Whether it is joined to the chain, so that the chain's parts take its heat."""


@dataclass(frozen=True, slots=True, kw_only=True)
class InputSafety:
    """All that can arrive at one job's input, with the margin that its config asks for."""

    arriving: tuple[Arriving, ...] = ()
    chain: Chain | None = None
    margin_db: float = MARGIN_DB
    ambient_c: float = RATED_AT_C

    @property
    def is_concerned(self) -> bool:
        return bool(self.arriving)

    def refusal(self, absolute_max_dbm: float | None) -> str | None:
        """Why the job must not start, in one sentence; None where it may."""
        if not self.arriving:
            return None
        worst = max(self.arriving, key=self.planned_dbm)
        planned_dbm = self.planned_dbm(worst)
        what = (
            f"{worst.name} can bring {_dbm(planned_dbm)} to the sweeper's input "
            f"({POWER_RESERVE_DB:g} dB of reserve included)"
        )
        if absolute_max_dbm is None:
            return (
                f"{what}, and what the input stands is unknown: "
                "state `absolute_max` of the sweeper, from its data sheet"
            )
        most_dbm = absolute_max_dbm - self.margin_db
        if planned_dbm - most_dbm > LAST_BIT_DB:
            advice = missing_pad_text(
                self._chain,
                worst.power_w,
                start_hz=worst.start_hz,
                stop_hz=worst.stop_hz,
                absolute_max_dbm=absolute_max_dbm,
                margin_db=self.margin_db,
                isolation_db=worst.isolation_db,
            )
            return (
                f"{what}; at most {_dbm(most_dbm)} is allowed, {self.margin_db:g} dB below what "
                f"it stands: {advice}"
            )
        return next((f"{heat}: it may fail and pass everything" for heat in self._too_hot()), None)

    def planned_dbm(self, one: Arriving) -> float:
        """The largest level at the sweeper's input that ``one`` can bring, reserve included."""
        return self._chain.planned_input_dbm(
            one.power_w, start_hz=one.start_hz, stop_hz=one.stop_hz
        ) - (one.isolation_db or 0.0)

    def report(self, absolute_max_dbm: float | None) -> tuple[str, ...]:
        """What can arrive, what the parts turn into heat, and what one that fails would do."""
        lines = []
        for one in self.arriving:
            planned_dbm = self.planned_dbm(one)
            line = f"{one.name}: at most {_dbm(planned_dbm)} at the input, reserve included"
            if absolute_max_dbm is not None:
                line += f"; it stands {_dbm(absolute_max_dbm)}, {self.margin_db:g} dB are kept"
            else:
                line += "; what it stands is not known here: state `absolute_max` of the sweeper"
            lines.append(line)
            if not one.is_joined:
                continue
            lines.extend(str(heat) for heat in self._heat(one) if heat.heat_w > SPEAKS_OF_HEAT_W)
            lines.extend(
                str(failure)
                for failure in failures(
                    self._chain,
                    one.power_w,
                    start_hz=one.start_hz,
                    stop_hz=one.stop_hz,
                    absolute_max_dbm=absolute_max_dbm,
                    ambient_c=self.ambient_c,
                    duty=one.duty,
                )
            )
        return tuple(lines)

    @property
    def _chain(self) -> Chain:
        return Chain() if self.chain is None else self.chain

    def _heat(self, one: Arriving) -> tuple[Dissipation, ...]:
        """The most heat that each part takes, over the frequencies that ``one`` may have."""
        rows = [
            self._chain.dissipation(one.power_w, hz, ambient_c=self.ambient_c, duty=one.duty)
            for hz in self._chain.rows_hz(one.start_hz, one.stop_hz)
        ]
        return tuple(
            max(column, key=lambda heat: heat.heat_w) for column in zip(*rows, strict=True)
        )

    def _too_hot(self) -> tuple[str, ...]:
        return tuple(
            str(heat)
            for one in self.arriving
            if one.is_joined
            for heat in self._heat(one)
            if heat.within_rating is False
        )


def _dbm(level_dbm: float) -> str:
    return level_text(level_dbm, LevelUnit.DBM)


def nearing_maximum(sweep: Sweep, absolute_max_dbm: float | None) -> float | None:
    """The largest level of a sweep, in dBm at the input, where it is too near to the maximum.

    None where it is not, or where nobody can say: the maximum or the unit of the levels.
    """
    if absolute_max_dbm is None or sweep.unit is not LevelUnit.DBM:
        return None
    with np.errstate(invalid="ignore"):
        largest = float(np.fmax.reduce(sweep.level, initial=-np.inf))
    return largest if largest >= absolute_max_dbm - NEAR_DB else None


def source_power_w(level_dbm: float, gain_db: float) -> float:
    """The power that a source can bring through what is measured, with its largest gain."""
    return float(watt_from_dbm(level_dbm + max(0.0, gain_db)))
