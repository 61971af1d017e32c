"""A driver that answers at once and imports little: what a process of it takes is the process."""

from __future__ import annotations

import numpy as np

from acqd.drivers.contract import Driver, OpenContext, Sweeper, Trace
from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported, SweepRequest

__all__ = ["QuickDriver"]

TRACES = 7
STEP_DB = 0.01


class QuickDriver(Driver):
    """Noise made beforehand, up to 10,001 points."""

    def open(self, context: OpenContext) -> Sweeper:
        return _Quick()


class _Quick(Sweeper):
    def __init__(self) -> None:
        self._swept = 0
        self._level: np.ndarray | None = None

    def identify(self) -> Identity:
        return Identity(maker="GANNET", model="BENCH", serial_number="B0002", firmware="1")

    def capabilities(self) -> Capabilities:
        return Capabilities(
            start_hz=0.0,
            stop_hz=3e9,
            points_max=10_001,
            detectors=(Detector.RMS,),
            resolution=STEP_DB,
        )

    def estimate_s(self, request: SweepRequest) -> float | None:
        return 0.0

    def sweep(self, request: SweepRequest) -> Trace:
        if self._level is None or self._level.shape[1] != request.points:
            noise = np.random.default_rng(7).normal(-100.0, 1.3, (TRACES, request.points))
            self._level = np.round(noise, 2)
        self._swept += 1
        return Trace(
            level=self._level[self._swept % TRACES],
            unit=LevelUnit.DBM,
            reported=Reported(rbw_hz=request.rbw_hz, detector=Detector.RMS),
            resolution=STEP_DB,
        )

    def close(self) -> None:
        self._level = None
