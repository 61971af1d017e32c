"""Events for meters: a plain setup and plain sweeps, to be changed where a test is about it."""

from __future__ import annotations

from typing import Any

from numpy.typing import NDArray

from acqd.measure.meter import SetupChanged, SweepSeen
from acqd.sweep import NO_FLAGS, Detector, Grid, LevelUnit

__all__ = ["setup_event", "sweep_event"]


def setup_event(frequency_hz: NDArray[Any], *, at_s: float, **change: Any) -> SetupChanged:
    """A setup of levels in dBm, one sample a point through 10 kHz, every 2 s.

    ``change`` are fields of :class:`~acqd.measure.meter.SetupChanged`.
    """
    fields: dict[str, Any] = {
        "at_s": at_s,
        "setup": "setup-1",
        "grid": Grid.from_axis(frequency_hz),
        "unit": LevelUnit.DBM,
        "rbw_hz": 10e3,
        "detector": Detector.SAMPLE,
        "averages": 1,
        "interval_s": 2.0,
        "sweep_time_s": 0.5,
        "level_accuracy_db": 1.5,
    }
    return SetupChanged(**(fields | change))


def sweep_event(level: NDArray[Any], *, seq: int, at_s: float, **change: Any) -> SweepSeen:
    """A sweep of step 0 that began when it was due, took half a second and has no flags.

    ``change`` are fields of :class:`~acqd.measure.meter.SweepSeen`.
    """
    fields: dict[str, Any] = {
        "seq": seq,
        "step": 0,
        "due_s": at_s,
        "started_s": at_s,
        "took_s": 0.5,
        "level": level,
        "flags": NO_FLAGS,
    }
    return SweepSeen(**(fields | change))
