"""A driver that answers at once, so that everything else is what takes the time."""

from __future__ import annotations

import threading

import numpy as np

from acqd.drivers.contract import Driver, OpenContext, Sweeper, Trace
from acqd.errors import TransportClosed
from acqd.sweep import Capabilities, Detector, Identity, LevelUnit, Reported, SweepRequest
from bench_parts.material import STEP_DB, noise_dbm

__all__ = ["InstantDriver"]

TRACES = 97
"""Different traces, given out over and over; one that equals the last is flagged as frozen."""


class InstantDriver(Driver):
    """Noise made beforehand. Waits with the first sweep until ``go`` is set."""

    def __init__(self) -> None:
        self.go = threading.Event()
        self.swept = 0

    def open(self, context: OpenContext) -> Sweeper:
        return _Instant(self, context)


class _Instant(Sweeper):
    def __init__(self, driver: InstantDriver, context: OpenContext) -> None:
        self._driver = driver
        self._context = context
        self._level: np.ndarray | None = None

    def identify(self) -> Identity:
        return Identity(maker="GANNET", model="BENCH", serial_number="B0001", firmware="1")

    def capabilities(self) -> Capabilities:
        return Capabilities(
            start_hz=0.0,
            stop_hz=3e9,
            points_max=1001,
            detectors=(Detector.RMS,),
            resolution=STEP_DB,
            level_accuracy_db=1.5,
            frequency_accuracy_ppm=2.0,
        )

    def estimate_s(self, request: SweepRequest) -> float | None:
        return 0.0

    def sweep(self, request: SweepRequest) -> Trace:
        while not self._driver.go.wait(0.1):
            if self._context.cancel.is_set():
                raise TransportClosed("the sweep was cancelled")
        if self._level is None or self._level.shape[1] != request.points:
            self._level = noise_dbm(TRACES, request.points)
        self._driver.swept += 1
        return Trace(
            level=self._level[self._driver.swept % TRACES],
            unit=LevelUnit.DBM,
            reported=Reported(rbw_hz=request.rbw_hz, detector=Detector.RMS, sweep_time_s=0.02),
            resolution=STEP_DB,
        )

    def close(self) -> None:
        self._level = None
