"""Noise with known statistics, a channel plan of our own, and a band meter to feed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from acqd.measure.band import BandMeter, BandSettings, BandState
from acqd.measure.channels import Channel, ChannelPlan
from acqd.measure.meter import Event, FindingDraft, HourTurned, Output
from acqd.sweep import NO_FLAGS, Detector, SweepFlag
from acqd.testing.events import setup_event, sweep_event

Float = NDArray[np.float64]

HOUR_S = 1_780_002_000.0 // 3600 * 3600
"""A full hour to start from."""


@pytest.fixture
def rng() -> np.random.Generator:
    """The same numbers every time."""
    return np.random.default_rng(20260611)


@pytest.fixture
def noise_db(rng: np.random.Generator) -> Callable[..., Float]:
    """Noise of N power averages around a mean level, in dB: gamma distributed by definition."""

    def make(*shape: int, averages: float = 1.0, mean_db: float = -110.0) -> Float:
        power = rng.gamma(averages, size=shape) / averages
        return np.asarray(mean_db + 10.0 * np.log10(power))

    return make


@dataclass
class Watch:
    """A band meter over 156 to 158 MHz, fed sweep by sweep; collects what comes out."""

    meter: BandMeter
    rng: np.random.Generator
    frequency_hz: Float
    rbw_hz: float
    interval_s: float
    averages: float
    state: BandState
    at_s: float = HOUR_S
    seq: int = 0
    events: list[Event] = field(default_factory=list)
    outputs: list[Output] = field(default_factory=list)

    def step(self, event: Event) -> Output:
        self.state, output = self.meter.step(self.state, event)
        self.events.append(event)
        self.outputs.append(output)
        return output

    def setup(self, name: str = "setup-1", **change: Any) -> Output:
        fields: dict[str, Any] = {
            "setup": name,
            "rbw_hz": self.rbw_hz,
            "detector": Detector.RMS,
            "averages": None,
            "interval_s": self.interval_s,
            "level_accuracy_db": 2.0,
            "attenuation_db": 10.0,
        }
        return self.step(setup_event(self.frequency_hz, **{"at_s": self.at_s, **fields, **change}))

    def level(
        self, carriers: Iterable[tuple[float, float]] = (), *, floor_db: float = -110.0
    ) -> Float:
        """Noise and carriers (frequency, level) through a Gaussian RBW filter."""
        power = self.rng.gamma(self.averages, size=self.frequency_hz.size) / self.averages
        power *= 10.0 ** (floor_db / 10.0)
        for at_hz, level_dbm in carriers:
            away = 2.0 * (self.frequency_hz - at_hz) / self.rbw_hz
            power = power + 10.0 ** (level_dbm / 10.0) * 2.0 ** (-(away**2))
        return np.asarray(10.0 * np.log10(power))

    def sweep(
        self,
        carriers: Iterable[tuple[float, float]] = (),
        *,
        floor_db: float = -110.0,
        flags: SweepFlag = NO_FLAGS,
        level: Float | None = None,
        step: int = 0,
        context: Mapping[str, float] | None = None,
    ) -> Output:
        if level is None:
            level = self.level(carriers, floor_db=floor_db)
        level = level.copy()
        level.setflags(write=False)
        self.seq += 1
        output = self.step(
            sweep_event(
                level,
                seq=self.seq,
                at_s=self.at_s,
                step=step,
                flags=flags,
                context=context or {},
            )
        )
        # What else a pass asks for comes before the next due time.
        self.at_s += self.interval_s if step == 0 else 0.0
        return output

    def sweeps(self, count: int, carriers: Iterable[tuple[float, float]] = (), **how: Any) -> None:
        carriers = tuple(carriers)
        for _ in range(count):
            self.sweep(carriers, **how)

    def hour_figures(self) -> dict[str, Any]:
        """Turn the hour and give its figures."""
        start_s = self.at_s // 3600 * 3600
        output = self.step(HourTurned(hour_start_s=start_s, hour_end_s=start_s + 3600))
        (record,) = output.hourly
        json.dumps(record.figures, allow_nan=False)
        return dict(record.figures)

    @property
    def findings(self) -> list[FindingDraft]:
        return [finding for output in self.outputs for finding in output.findings]


@pytest.fixture
def plan() -> ChannelPlan:
    """Eleven marine channels of 25 kHz between 156.300 and 156.900 MHz."""
    numbers = {"06": 156.3, "08": 156.4, "67": 156.375, "09": 156.45, "10": 156.5, "70": 156.525}
    numbers |= {"11": 156.55, "12": 156.6, "13": 156.65, "14": 156.7, "16": 156.8}
    return ChannelPlan(
        name="gannet",
        title="Gannet Ledge watch",
        edition="for tests",
        channels=tuple(
            Channel(name=name, centre_hz=mhz * 1e6, width_hz=25e3) for name, mhz in numbers.items()
        ),
    )


@pytest.fixture
def watch(plan: ChannelPlan, rng: np.random.Generator) -> Callable[..., Watch]:
    """Make a :class:`Watch`; keyword arguments are those of the settings."""

    def make(
        *,
        points: int = 401,
        noise_averages: float = 10.0,
        interval_s: float = 2.0,
        rbw_hz: float = 10e3,
        frequency_hz: Float | None = None,
        **settings: Any,
    ) -> Watch:
        fields = {"channels": plan, "plane": "the aerial socket"} | settings
        meter = BandMeter(BandSettings(**fields))
        return Watch(
            meter=meter,
            rng=rng,
            frequency_hz=np.linspace(156e6, 158e6, points)
            if frequency_hz is None
            else frequency_hz,
            rbw_hz=rbw_hz,
            interval_s=interval_s,
            averages=noise_averages,
            state=meter.start(),
        )

    return make
