"""What references say to a band: the sweeper's own residual responses, and the room at rest."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from acqd.measure.floor import estimate_averages, floor_flat
from acqd.measure.statistics import threshold_over_mean_db

__all__ = ["quiet_floor", "residual_limit"]

Float = NDArray[np.float64]

RESIDUAL_FALSE_ALARM = 1e-6
RESIDUAL_LEAST_DB = 3.0


def quiet_floor(quiet: Float) -> tuple[float, float]:
    """Floor of a sweep with the input terminated, and N of its noise; NaN where it is empty.

    Args:
        quiet: (points,) in dB, readings averaged in power, the mean of one or more sweeps.
    """
    averages = estimate_averages(quiet) or 1.0
    return floor_flat(quiet, averages=averages).level, averages


def residual_limit(
    quiet: Float, frequency_hz: Float, *, rbw_hz: float | None, margin_db: float
) -> Float | None:
    """Level up to which a reading may be the sweeper's own residual response: (points,), −inf
    where there is none; None where there is none at all.

    Args:
        quiet: (points,) in dB with the input terminated, on the same grid, NaN where missing.
        rbw_hz: a response reaches one RBW to each side; None: only where it was read.
        margin_db: how far above the response a reading still counts as it.

    A response is what noise alone would not reach in one of a million points, and at least 3 dB.
    Source: practice (flag within one RBW, never subtract); the margin is the user's.
    """
    floor, averages = quiet_floor(quiet)
    if math.isnan(floor):
        return None
    over_db = max(RESIDUAL_LEAST_DB, threshold_over_mean_db(RESIDUAL_FALSE_ALARM, averages))
    responses = np.flatnonzero(np.nan_to_num(quiet, nan=-np.inf) > floor + over_db)
    if not responses.size:
        return None
    limit = np.full(quiet.shape, -np.inf)
    reach_hz = (rbw_hz or 0.0) * (1.0 + 1e-9)
    first = np.searchsorted(frequency_hz, frequency_hz[responses] - reach_hz, side="left")
    stop = np.searchsorted(frequency_hz, frequency_hz[responses] + reach_hz, side="right")
    for i, a, b in zip(responses.tolist(), first.tolist(), stop.tolist(), strict=True):
        np.maximum(limit[a:b], quiet[i] + margin_db, out=limit[a:b])
    return limit
