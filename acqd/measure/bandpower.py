"""Power in a band of frequencies, and noise densities: what the shape of the RBW filter is for.

A sweep's points overlap: each holds the power that its RBW filter lets through. Their sum is
brought to a power by the filter's equivalent noise bandwidth (ENB), the width of the rectangle that
passes the same white noise (IEC 60050 702-08-60).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from acqd.measure.statistics import DB_AVERAGE_OF_NOISE_DB, DB_PER_NEPER
from acqd.sweep import Grid
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ, ratio_from_db

__all__ = [
    "BandPower",
    "FilterShape",
    "band_power",
    "enb_hz",
    "enb_ratio",
    "noise_density_dbm_per_hz",
    "noise_figure_db",
    "scallop_db",
    "step_too_wide",
    "synchronous_enb_ratio",
    "without_floor_db",
]

LARGEST_STEP_PER_RBW = 0.5
"""A lone carrier's sum is within 6e−6 dB up to here and off by 0.25 dB at a step of one RBW."""


class FilterShape(StrEnum):
    """What an RBW filter looks like. Gaussian unless somebody knows better."""

    GAUSSIAN = "gaussian"
    SYNCHRONOUS_4 = "synchronous-4"
    SYNCHRONOUS_5 = "synchronous-5"
    SINGLE_POLE = "single-pole"


def synchronous_enb_ratio(poles: int) -> float:
    """ENB / 3 dB width of n equal poles: √π·Γ(n − ½)/Γ(n) / (2·√(2^(1/n) − 1))."""
    width = 2.0 * math.sqrt(2.0 ** (1.0 / poles) - 1.0)
    return math.sqrt(math.pi) * math.gamma(poles - 0.5) / math.gamma(poles) / width


def enb_ratio(shape: FilterShape = FilterShape.GAUSSIAN) -> float:
    """ENB / 3 dB width: 1.06447 for a Gaussian filter, ½·√(π/ln 2)."""
    if shape is FilterShape.GAUSSIAN:
        return 0.5 * math.sqrt(math.pi / math.log(2.0))
    poles = {"synchronous-4": 4, "synchronous-5": 5, "single-pole": 1}[shape.value]
    return synchronous_enb_ratio(poles)


def enb_hz(
    rbw_hz: float,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> float:
    """Equivalent noise bandwidth of a filter that is called ``rbw_hz`` wide.

    ``enb_per_rbw`` is ENB / RBW as the sweeper or its owner states it, whatever the sweeper calls
    its RBW. None: the RBW is taken for the 3 dB width of a filter of that shape.
    """
    return rbw_hz * (enb_ratio(shape) if enb_per_rbw is None else enb_per_rbw)


def scallop_db(step_hz: float, rbw_hz: float) -> float:
    """Most that a carrier halfway between two points reads low, Gaussian filter (≤ 0)."""
    return -10.0 * math.log10(2.0) * (step_hz / rbw_hz) ** 2


def noise_density_dbm_per_hz(
    level_dbm: float,
    *,
    rbw_hz: float,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
    db_averaged: bool = False,
) -> float:
    """Density of noise that reads ``level_dbm``; ``db_averaged`` adds 2.5068 dB."""
    correction_db = DB_AVERAGE_OF_NOISE_DB if db_averaged else 0.0
    return level_dbm - 10.0 * math.log10(enb_hz(rbw_hz, shape, enb_per_rbw)) + correction_db


def noise_figure_db(density_dbm_per_hz: float) -> float:
    """Noise figure of a terminated sweeper without attenuation, from its own noise density."""
    return density_dbm_per_hz - THERMAL_DENSITY_DBM_PER_HZ


def without_floor_db(over_floor_db: float) -> float | None:
    """What to add to a noise-like reading this far above the floor to take the floor out (≤ 0).

    None below 3 dB, where the answer would be mostly the floor's own uncertainty (practice).
    """
    if not over_floor_db >= 3.0:
        return None
    return DB_PER_NEPER * math.log1p(-(10.0 ** (-over_floor_db / 10.0)))


@dataclass(frozen=True, slots=True, kw_only=True)
class BandPower:
    """A power, or why there is none. ``covered`` is the share of the band that the grid covers."""

    level: float | None
    reason: str | None
    covered: float


def step_too_wide(largest_cell_hz: float, rbw_hz: float | None) -> str | None:
    """Why powers cannot be summed on such a grid; None where they can."""
    if rbw_hz is None:
        return "the RBW is not known"
    if largest_cell_hz > rbw_hz * LARGEST_STEP_PER_RBW * (1 + 1e-9):
        return f"the points are {largest_cell_hz:.6g} Hz apart, more than half the RBW"
    return None


def band_power(
    level_db: NDArray[np.floating],
    grid: Grid,
    *,
    start_hz: float,
    stop_hz: float,
    rbw_hz: float | None,
    shape: FilterShape = FilterShape.GAUSSIAN,
    enb_per_rbw: float | None = None,
) -> BandPower:
    """Power between two frequencies: 10 log10[Σ wᵢ·Δfᵢ·10^(Lᵢ/10) / ENB].

    Args:
        level_db: (points,) in rising order of ``grid``, in dB over any power; rms data. Data
            averaged in dB read noise-like signals up to 2.51 dB low; peak data read high.
        rbw_hz: 3 dB width; None refuses.
        enb_per_rbw: ENB / RBW where it is stated; None: that of ``shape``. See :func:`enb_hz`.

    Returns:
        The level in the unit of ``level_db``, where the step allows a sum (at most half the RBW),
        some of the band is covered and no level in it is NaN; else None and the reason.
        wᵢ is the share of the cell of point i that lies inside the band.
    """
    cell_hz = grid.cell_hz
    top_hz = grid.frequency_hz + cell_hz / 2.0
    inside_hz = np.minimum(top_hz, stop_hz) - np.maximum(top_hz - cell_hz, start_hz)
    inside_hz = np.clip(inside_hz, 0.0, None)
    width_hz = stop_hz - start_hz
    covered = min(1.0, float(inside_hz.sum()) / width_hz) if width_hz > 0 else 0.0
    part = inside_hz > 0
    reason: str | None = "the sweep does not reach there"
    if part.any():
        reason = step_too_wide(float(cell_hz[part].max()), rbw_hz)
        if reason is None and not np.isfinite(level_db[part]).all():
            reason = "levels are missing in it"
    if reason is not None or rbw_hz is None:
        return BandPower(level=None, reason=reason, covered=covered)
    power = float((ratio_from_db(level_db[part]) * inside_hz[part]).sum())
    if not 0.0 < power < math.inf:
        # Levels of −3000 dB and the like: a scale that is none, or a sweeper that says nothing.
        return BandPower(level=None, reason="the levels are no powers", covered=covered)
    level = DB_PER_NEPER * math.log(power / enb_hz(rbw_hz, shape, enb_per_rbw))
    return BandPower(level=level, reason=None, covered=covered)
