"""The part of a simulated instrument that sweeps: settings, triggering, and the trace it holds.

Sweeps are computed when somebody looks, not when they happen: a scene is a function of time, so a
trace can be made afterwards from when its sweep started. Nothing runs in the background.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.sweep import Detector, SourceRequest, SweepRequest
from acqd_sim.model import Settings
from acqd_sim.receiver import Reading, Receiver
from acqd_sim.simclock import SceneClock

__all__ = ["Panel", "Sweeping"]

Float = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """The settings as they were asked for; None is automatic."""

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float | None = None
    vbw_hz: float | None = None
    detector: Detector = Detector.POSITIVE
    attenuation_db: float | None = None
    reference_level_dbm: float = -20.0
    sweep_time_s: float | None = None
    average_count: int = 10
    average_on: bool = False
    source_on: bool = False
    source_dbm: float = -40.0

    def request(self) -> SweepRequest:
        """The same as a request."""
        return SweepRequest(
            start_hz=self.start_hz,
            stop_hz=self.stop_hz,
            points=self.points,
            rbw_hz=self.rbw_hz,
            vbw_hz=self.vbw_hz,
            detector=self.detector,
            attenuation_db=self.attenuation_db,
            reference_level_dbm=self.reference_level_dbm,
            sweep_time_s=self.sweep_time_s,
            averages=self.average_count if self.average_on else 1,
            source=SourceRequest(on=True, level_dbm=self.source_dbm) if self.source_on else None,
        )


@dataclass(frozen=True, slots=True)
class _Run:
    """A sweep, or in continuous mode an endless row of them, that was started at an instant."""

    scene_s: float
    steady_s: float
    continuous: bool


class Sweeping:
    """Settings, trigger and trace of one instrument. Used by one thread."""

    def __init__(self, receiver: Receiver, clock: SceneClock) -> None:
        self.receiver = receiver
        self.clock = clock
        self.panel = self.default_panel()
        self.continuous = False
        self._counter = 0
        self._run: _Run | None = None
        self._shown = -1
        self._trace: Float | None = None
        self.overload = False
        self.frozen = False

    def default_panel(self) -> Panel:
        """What ``*RST`` sets: the whole range, everything automatic, the source off."""
        model = self.receiver.model
        return Panel(
            start_hz=model.start_hz,
            stop_hz=model.stop_hz,
            points=min(model.points_max, max(model.points_min, 401)),
            source_dbm=model.source_min_dbm,
        )

    @property
    def settings(self) -> Settings:
        """Every coupled setting resolved."""
        return self.receiver.model.settings(self.panel.request())

    def change(self, **settings: Any) -> None:
        """Change settings; a sweep under way ends unfinished and the trace is out of date.

        Raises:
            RequestRefused: beyond a limit; nothing was changed.
        """
        panel = replace(self.panel, **settings)
        self.receiver.model.settings(panel.request())
        if panel == self.panel:
            return
        self.panel = panel
        self._trace, self._run = None, None
        if self.continuous:
            self._begin(continuous=True)

    def rewire(self, receiver: Receiver) -> None:
        """Go on with another receiver, as when a cable was moved."""
        self.receiver = receiver

    def set_continuous(self, on: bool) -> None:
        self.collect()
        self.continuous = on
        self._run = None
        if on:
            self._begin(continuous=True)

    def initiate(self) -> None:
        """Start one sweep (with all its averages).

        Raises:
            RequestRefused: it would take too long.
        """
        self.receiver.model.check_duration(self.settings)
        self._begin(continuous=False)

    def abort(self) -> None:
        """Stop; in continuous mode start over."""
        self.collect()
        self._run = None
        if self.continuous:
            self._begin(continuous=True)

    def _begin(self, *, continuous: bool) -> None:
        self._run = _Run(self.clock.now_s(), self.clock.steady_s(), continuous)
        self._shown = -1

    def due_s(self) -> float | None:
        """Steady time at which the sweep under way (in continuous mode: the first) is done."""
        if self._run is None:
            return None
        return self._run.steady_s + self.settings.total_s

    @property
    def busy(self) -> bool:
        """Whether a single sweep is under way."""
        due_s = self.due_s()
        return (
            self._run is not None
            and not self._run.continuous
            and due_s is not None
            and self.clock.steady_s() < due_s
        )

    def collect(self) -> Float | None:
        """The newest complete trace in dBm, None where there is none with these settings."""
        run = self._run
        if run is None:
            return self._trace
        settings = self.settings
        done = int((self.clock.steady_s() - run.steady_s) / settings.total_s + 1e-9)
        if done < 1:
            return self._trace
        number = done - 1 if run.continuous else 0
        if number != self._shown:
            self._take(settings, run.scene_s + number * settings.total_s)
            self._shown = number
        if not run.continuous:
            self._run = None
        return self._trace

    def _take(self, settings: Settings, start_s: float) -> None:
        if self.frozen and self._trace is not None:
            return
        reading: Reading = self.receiver.sweep(settings, start_s=start_s, counter=self._counter)
        self._counter += 1
        self._trace, self.overload = reading.level_dbm, reading.overload

    def reset(self) -> None:
        """``*RST``: default settings, idle, no trace."""
        self.continuous = False
        self._run = None
        self._trace = None
        self.overload = False
        self.panel = self.default_panel()
