"""Which levels a band meter saw how often in a clock hour, per frequency."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.band_work import BandWork
from acqd.measure.distribution import (
    LevelCounts,
    bins_of,
    classes_of,
    count_levels,
    exceeded_level,
    exceeded_share,
    rms_over_mean_db,
)
from acqd.sweep import Detector

__all__ = ["PERCENT", "Levels", "level_figures", "seen_levels"]

LEVEL_BINS = 512
STEP_DB = 0.5
STEP_DIGITS = 1.0

PENDING_READINGS = 32_768
"""So many readings are kept as they are before they are counted: counting is dear per call."""

READINGS_LIMIT = 2048
"""Most points of a sweep that are counted: beyond it every second, third, … one, another one each
time, so that all points have their turn."""

PERCENT = (1.0, 10.0, 50.0, 90.0, 99.0)

SINGLE_SAMPLES = 1.5
"""Up to this N a reading is taken for a single sample."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Counts of the hour, and readings of the last of its ``sweeps`` (int16 classes) that are still
    to be counted."""

    counts: LevelCounts | None = None
    pending: tuple[NDArray[np.int16], ...] = ()
    sweeps: int = 0


def _step(work: BandWork) -> float:
    return STEP_DB if work.logarithmic else STEP_DIGITS


def seen_levels(levels: Levels, work: BandWork, level: NDArray[np.float64]) -> Levels:
    """``levels`` with one more sweep."""
    stride = _stride(work)
    picked = level if stride == 1 else level[levels.sweeps % stride :: stride]
    pending = (*levels.pending, classes_of(picked, _step(work)))
    sweeps = levels.sweeps + 1
    if len(pending) * picked.size < PENDING_READINGS:
        return Levels(counts=levels.counts, pending=pending, sweeps=sweeps)
    counts = _counted(Levels(counts=levels.counts, pending=pending, sweeps=sweeps), work)
    return Levels(counts=counts, sweeps=sweeps)


def _stride(work: BandWork) -> int:
    return -(-work.points // READINGS_LIMIT)


def _counted(levels: Levels, work: BandWork) -> LevelCounts | None:
    if not levels.pending:
        return levels.counts
    of_point = bins_of(work.points, LEVEL_BINS)
    bins, stride = int(of_point[-1]) + 1, _stride(work)
    if stride == 1:
        return count_levels(
            np.stack(levels.pending), of_point, step=_step(work), before=levels.counts, bins=bins
        )
    first = levels.sweeps - len(levels.pending)
    places = [of_point[(first + i) % stride :: stride] for i in range(len(levels.pending))]
    return count_levels(
        np.concatenate(levels.pending),
        np.concatenate(places),
        step=_step(work),
        before=levels.counts,
        bins=bins,
    )


def level_figures(levels: Levels, work: BandWork) -> dict[str, Any] | None:
    """Percentiles per bin and the amplitude probability of the hour; None without a sweep.

    The bins are those of the hour's held levels.
    """
    counts = _counted(levels, work)
    if counts is None or not counts.counts.shape[1]:
        return None
    suffix = work.suffix
    figures: dict[str, Any] = {
        "class_width": counts.step,
        "readings": int(counts.counts.sum(dtype=np.int64)),
        "beyond_classes": counts.clipped,
    }
    for percent, level in zip(PERCENT, exceeded_level(counts, PERCENT), strict=True):
        figures[f"l{percent:.0f}_{suffix}"] = _listed(level)
    single = work.model is not None and work.model.shape <= SINGLE_SAMPLES
    if single and work.setup.detector is Detector.SAMPLE:
        figures["vd_db"] = _listed(rms_over_mean_db(counts))
    else:
        figures["vd_db"] = None
    at, share = exceeded_share(counts)
    figures[f"apd_{suffix}"] = [round(level, 3) for level in at.tolist()]
    figures["apd_share"] = [float(f"{one:.6g}") for one in share.tolist()]
    return figures


def _listed(level: NDArray[np.float64]) -> list[float | None]:
    return [None if value != value else round(value, 2) for value in level.tolist()]
