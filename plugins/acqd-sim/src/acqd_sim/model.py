"""The simulated receiver's data sheet, and how its settings hang together."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np

from acqd.errors import RequestRefused
from acqd.sweep import Capabilities, Detector, Identity, SourceRequest, SweepRequest
from acqd_sim.spells import Spells
from acqd_sim.troubles import Trouble

__all__ = [
    "ENB_PER_RBW",
    "REFERENCE_LEVELS_DBM",
    "SWEEP_MAX_S",
    "VBW_MIN_HZ",
    "Model",
    "Settings",
    "rbw_steps_hz",
]

ENB_PER_RBW = 0.5 * math.sqrt(math.pi / math.log(2.0))
"""Equivalent noise bandwidth of a Gaussian filter over its 3 dB width: 1.06447."""

VBW_MIN_HZ = 10.0
SWEEP_MAX_S = 4000.0
"""The longest sweep it can be set to; a narrow filter over a wide span would take longer."""
REFERENCE_LEVELS_DBM = (-100.0, 30.0)

ALL_DETECTORS = (
    Detector.POSITIVE,
    Detector.NEGATIVE,
    Detector.SAMPLE,
    Detector.RMS,
    Detector.AVERAGE,
)


def rbw_steps_hz(least_hz: float, most_hz: float) -> tuple[float, ...]:
    """The 1-3-10 steps within limits, from 1 Hz to 30 MHz."""
    steps = [float(digit * 10**decade) for decade in range(8) for digit in (1, 3)]
    return tuple(step for step in steps if least_hz <= step <= most_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """A receiver's settings, every coupled one resolved."""

    start_hz: float
    stop_hz: float
    points: int
    rbw_hz: float
    vbw_hz: float
    detector: Detector
    attenuation_db: float
    reference_level_dbm: float
    sweep_time_s: float
    averages: int = 1
    source_on: bool = False
    source_dbm: float = -20.0
    source_hz: float | None = None

    @property
    def step_hz(self) -> float:
        return (self.stop_hz - self.start_hz) / (self.points - 1) if self.points > 1 else 0.0

    @property
    def total_s(self) -> float:
        """How long all averages take."""
        return self.sweep_time_s * self.averages


@dataclass(frozen=True, slots=True, kw_only=True)
class Model:
    """What kind of receiver it is. Levels are at the input socket, densities per hertz."""

    identity: Identity
    start_hz: float = 100e3
    stop_hz: float = 960e6
    points_min: int = 51
    points_max: int = 1001
    rbw_min_hz: float = 1e3
    rbw_max_hz: float = 1e6
    rbw_also_hz: tuple[float, ...] = ()
    """Bandwidths beside the 1-3-10 steps."""
    detectors: tuple[Detector, ...] = ALL_DETECTORS
    attenuation_max_db: float = 30.0
    attenuation_step_db: float = 10.0
    averages_max: int = 100
    danl_dbm_per_hz: float = -148.0
    """True mean noise power per hertz at 0 dB attenuation, without the −2.51 dB of dB averaging."""
    level_accuracy_db: float = 1.5
    level_step_db: float = 0.01
    frequency_accuracy_ppm: float = 2.5
    compression_dbm: float = 0.0
    """Power at the mixer that loses 1 dB."""
    toi_dbm: float = 10.0
    shi_dbm: float = 35.0
    residuals: int = 4
    residual_dbm: float = -100.0
    sweep_factor: float = 2.5
    """k in k·span/RBW²: the least sweep time of a filter that must settle."""
    sweep_min_s: float = 0.02
    absolute_max_dbm: float = 10.0
    away: Spells = field(default_factory=Spells)
    """When it is unplugged."""
    troubles: tuple[Trouble, ...] = ()
    """What else goes wrong with it, and when."""
    source: bool = False
    source_start_hz: float = 100e3
    source_stop_hz: float = 960e6
    source_min_dbm: float = -40.0
    source_max_dbm: float = 0.0
    source_accuracy_db: float = 1.0
    source_isolation_db: float = 95.0

    def is_away(self, at_s: float) -> bool:
        """Whether it is unplugged at an instant of scene time."""
        return bool(self.away.gain(np.array([at_s]))[0])

    @property
    def rbw_steps_hz(self) -> tuple[float, ...]:
        """The resolution bandwidths there are."""
        steps = rbw_steps_hz(self.rbw_min_hz, self.rbw_max_hz)
        return tuple(sorted({*steps, *self.rbw_also_hz})) if self.rbw_also_hz else steps

    @property
    def attenuation_steps_db(self) -> tuple[float, ...]:
        count = round(self.attenuation_max_db / self.attenuation_step_db)
        return tuple(self.attenuation_step_db * i for i in range(count + 1))

    def capabilities(self) -> Capabilities:
        return Capabilities(
            start_hz=self.start_hz,
            stop_hz=self.stop_hz,
            points_min=self.points_min,
            points_max=self.points_max,
            rbw_steps_hz=self.rbw_steps_hz,
            rbw_min_hz=self.rbw_steps_hz[0],
            rbw_max_hz=self.rbw_steps_hz[-1],
            detectors=self.detectors,
            attenuation_steps_db=self.attenuation_steps_db,
            averages_max=self.averages_max,
            resolution=self.level_step_db,
            level_accuracy_db=self.level_accuracy_db,
            frequency_accuracy_ppm=self.frequency_accuracy_ppm,
            absolute_max_dbm=self.absolute_max_dbm,
            source=self.source,
            source_start_hz=self.source_start_hz if self.source else None,
            source_stop_hz=self.source_stop_hz if self.source else None,
            source_min_dbm=self.source_min_dbm if self.source else None,
            source_max_dbm=self.source_max_dbm if self.source else None,
        )

    def nearest_rbw_hz(self, wanted_hz: float) -> float:
        """The step nearest to ``wanted_hz`` on a logarithmic scale."""
        return min(self.rbw_steps_hz, key=lambda step: abs(math.log(step / wanted_hz)))

    def auto_rbw_hz(self, span_hz: float) -> float:
        """The step that goes with a span: about a hundredth of it."""
        return self.nearest_rbw_hz(span_hz / 100.0) if span_hz > 0 else self.rbw_steps_hz[-1]

    def auto_attenuation_db(self, reference_level_dbm: float) -> float:
        """The least step that keeps a full-scale signal at or below −20 dBm at the mixer."""
        wanted_db = reference_level_dbm + 20.0
        enough = [step for step in self.attenuation_steps_db if step >= wanted_db - 1e-9]
        return enough[0] if enough else self.attenuation_steps_db[-1]

    def least_sweep_s(self, span_hz: float, rbw_hz: float, vbw_hz: float, points: int) -> float:
        """Least time for one sweep: both filters must settle, and a point takes 20 µs."""
        narrow_hz = rbw_hz * min(rbw_hz, vbw_hz)
        settle_s = self.sweep_factor * span_hz / narrow_hz
        if span_hz == 0.0:
            settle_s = points * self.sweep_factor / min(rbw_hz, vbw_hz)
        return max(settle_s, self.sweep_min_s, points * 20e-6)

    def settings(self, request: SweepRequest) -> Settings:
        """The settings that ``request`` leads to.

        Raises:
            RequestRefused: it is beyond a limit; the limit is named.
        """
        self._check_range(request)
        detector = request.detector or Detector.POSITIVE
        if detector not in self.detectors:
            raise _refused("detector", detector, ", ".join(self.detectors))
        span_hz = request.span_hz
        rbw_hz = self.nearest_rbw_hz(request.rbw_hz or self.auto_rbw_hz(span_hz))
        vbw_hz = min(request.vbw_hz or rbw_hz, rbw_hz)
        reference_dbm = request.reference_level_dbm
        reference_dbm = -20.0 if reference_dbm is None else reference_dbm
        attenuation_db = request.attenuation_db
        if attenuation_db is None:
            attenuation_db = self.auto_attenuation_db(reference_dbm)
        elif not 0.0 <= attenuation_db <= self.attenuation_max_db:
            raise _refused("attenuation_db", attenuation_db, f"0 to {self.attenuation_max_db:g} dB")
        least_s = self.least_sweep_s(span_hz, rbw_hz, vbw_hz, request.points)
        sweep_time_s = max(least_s, request.sweep_time_s or 0.0)
        source = request.source
        return Settings(
            start_hz=request.start_hz,
            stop_hz=request.stop_hz,
            points=request.points,
            rbw_hz=rbw_hz,
            vbw_hz=vbw_hz,
            detector=detector,
            attenuation_db=min(
                self.attenuation_steps_db, key=lambda step: (abs(step - attenuation_db), -step)
            ),
            reference_level_dbm=reference_dbm,
            sweep_time_s=sweep_time_s,
            averages=request.averages or 1,
            source_on=bool(source and source.on),
            source_dbm=self._source_level(source.level_dbm if source and source.on else None),
            source_hz=source.frequency_hz if source else None,
        )

    def check_duration(self, settings: Settings) -> None:
        """Refuse a sweep that would take too long.

        Apart from :meth:`settings`, because settings made one after the other pass through
        combinations that nobody means to sweep with.

        Raises:
            RequestRefused: one sweep takes longer than :data:`SWEEP_MAX_S`.
        """
        if settings.sweep_time_s > SWEEP_MAX_S:
            raise _refused("sweep time", f"{settings.sweep_time_s:g} s", f"{SWEEP_MAX_S:g} s")

    def _check_range(self, request: SweepRequest) -> None:
        if request.start_hz < self.start_hz or request.stop_hz > self.stop_hz:
            limits = f"{self.start_hz:g} to {self.stop_hz:g} Hz"
            raise _refused("range", f"{request.start_hz:g} to {request.stop_hz:g} Hz", limits)
        if not self.points_min <= request.points <= self.points_max:
            raise _refused("points", request.points, f"{self.points_min} to {self.points_max}")
        if request.rbw_hz is not None and not (
            self.rbw_steps_hz[0] / 2 <= request.rbw_hz <= self.rbw_steps_hz[-1] * 2
        ):
            steps = f"{self.rbw_steps_hz[0]:g} to {self.rbw_steps_hz[-1]:g} Hz"
            raise _refused("rbw_hz", f"{request.rbw_hz:g} Hz", steps)
        if request.vbw_hz is not None and request.vbw_hz < VBW_MIN_HZ:
            raise _refused("vbw_hz", f"{request.vbw_hz:g} Hz", f"at least {VBW_MIN_HZ:g} Hz")
        low_dbm, high_dbm = REFERENCE_LEVELS_DBM
        if not low_dbm <= (request.reference_level_dbm or 0.0) <= high_dbm:
            limits = f"{low_dbm:g} to {high_dbm:g} dBm"
            raise _refused("reference_level_dbm", f"{request.reference_level_dbm:g} dBm", limits)
        if not 1 <= (request.averages or 1) <= self.averages_max:
            raise _refused("averages", request.averages, f"1 to {self.averages_max}")
        if request.source is not None:
            self.check_source(request.source)

    def check_source(self, source: SourceRequest) -> None:
        """Refuse what the source cannot do.

        Raises:
            RequestRefused: there is none, or level or frequency are beyond its limits.
        """
        if not source.on:
            return
        if not self.source:
            raise _refused("source", "on", "it has no source")
        self._source_level(source.level_dbm)
        frequency_hz = source.frequency_hz
        if frequency_hz is not None and not (
            self.source_start_hz <= frequency_hz <= self.source_stop_hz
        ):
            limits = f"{self.source_start_hz:g} to {self.source_stop_hz:g} Hz"
            raise _refused("source frequency", f"{frequency_hz:g} Hz", limits)

    def with_source(self, settings: Settings, source: SourceRequest) -> Settings:
        """``settings`` with the source as it was set apart from any sweep."""
        self.check_source(source)
        return replace(
            settings,
            source_on=source.on,
            source_dbm=self._source_level(source.level_dbm),
            source_hz=source.frequency_hz,
        )

    def _source_level(self, level_dbm: float | None) -> float:
        if level_dbm is None:
            return self.source_min_dbm
        if not self.source_min_dbm <= level_dbm <= self.source_max_dbm:
            limits = f"{self.source_min_dbm:g} to {self.source_max_dbm:g} dBm"
            raise _refused("source level", f"{level_dbm:g} dBm", limits)
        return level_dbm


def _refused(setting: str, asked: object, limit: str) -> RequestRefused:
    return RequestRefused(setting=setting, asked=str(asked), limit=limit)
