"""A bridge and what hangs on it, for the tests of the reflection meter."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.meter import (
    Event,
    FindingDraft,
    Output,
    Reference,
    Role,
)
from acqd.measure.reflection_meter import ReflectionMeter
from acqd.measure.reflection_sweep import ReflectionSettings
from acqd.measure.reflection_view import COLUMNS
from acqd.publish.messages import Verdict as VerdictMessage
from acqd.publish.reflection import ReflectionSummary
from acqd.sweep import NO_FLAGS, Detector, LevelUnit, SweepFlag
from acqd.testing.events import setup_event, sweep_event

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

HOUR_S = 1_780_002_000.0 // 3600 * 3600
DAY_S = 86400.0


def whip(
    frequency_hz: Float, *, resonance_hz: float = 157e6, q: float = 14.0, ohm: float = 42.0
) -> Complex:
    """A whip as a series resonator in 50 ohm."""
    ratio = frequency_hz / resonance_hz
    impedance = ohm * (1.0 + 1j * q * (ratio - 1.0 / ratio))
    return np.asarray((impedance - 50.0) / (impedance + 50.0))


def wave(rng: np.random.Generator, points: int, magnitude: float) -> Complex:
    """A phasor that turns with frequency, starting anywhere."""
    turn = np.linspace(0.0, rng.uniform(1.0, 12.0), points) * rng.choice([-1.0, 1.0])
    return np.asarray(magnitude * np.exp(1j * (rng.uniform(0.0, 2.0 * np.pi) + turn)))


@dataclass
class Bridge:
    """A bridge with a leak and a port of its own, and a meter that is fed what it shows."""

    settings: ReflectionSettings
    rng: np.random.Generator
    frequency_hz: Float = field(default_factory=lambda: np.linspace(150e6, 164e6, 281))
    directivity_db: float = 36.0
    source_match_db: float = 28.0
    unit: LevelUnit = LevelUnit.DBM
    at_s: float = HOUR_S
    seq: int = 0
    floor_dbm: float | None = None
    references: dict[str, Reference] = field(default_factory=dict)
    outputs: list[Output] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    identity: str = "GANNET SHACK 3"
    source_dbm: float | None = -20.0

    def __post_init__(self) -> None:
        self.meter = ReflectionMeter(self.settings)
        self.state = self.meter.start()
        points = self.frequency_hz.size
        self.e00 = wave(self.rng, points, 10 ** (-self.directivity_db / 20))
        self.e11 = wave(self.rng, points, 10 ** (-self.source_match_db / 20))
        self.tracking = wave(self.rng, points, 0.25)
        self.gain_db = 0.0

    def shown(self, load: Complex | float) -> Any:
        """What the sweeper reads: dBm, or a ratio where it is a vector one."""
        gamma = np.broadcast_to(np.asarray(load, np.complex128), self.frequency_hz.shape)
        seen = self.tracking * (self.e00 + gamma / (1.0 - self.e11 * gamma))
        seen = seen * 10 ** (self.gain_db / 20)
        if self.unit is LevelUnit.RATIO:
            return seen
        if self.floor_dbm is not None:
            noise = 10 ** ((self.floor_dbm + 20.0) / 20)
            parts = self.rng.normal(size=(2, seen.size)) * noise / math.sqrt(2.0)
            seen = seen + parts[0] + 1j * parts[1]
        return np.asarray(-20.0 + 20.0 * np.log10(np.abs(seen)))

    def refer(self, role: Role, load: Complex | float, **more: Any) -> None:
        self.references[role.value] = Reference(
            role=role, at_s=self.at_s, level=self.shown(load), **more
        )

    def open_and_short(self) -> None:
        self.refer(Role.OPEN, 1.0)
        self.refer(Role.SHORT, -1.0)

    def step(self, event: Event) -> Output:
        self.state, output = self.meter.step(self.state, event)
        self.events.append(event)
        self.outputs.append(output)
        if output.summary is not None:
            json.dumps(output.summary, allow_nan=False)
            ReflectionSummary.model_validate(output.summary)
            assert set(output.columns) == set(COLUMNS)
            assert all(math.isfinite(value) for value in output.values.values())
        if output.verdict is not None:
            fields = {"station": "s", "job": "j", "run_id": "r", "kind": "reflection"}
            times = {"at": "2026-06-01T00:00:00Z", "since": "2026-06-01T00:00:00Z"}
            VerdictMessage.model_validate({**fields, **times, **output.verdict})
        return output

    def setup(self, **change: Any) -> Output:
        given: dict[str, Any] = {
            "at_s": self.at_s,
            "setup": f"setup-{len(self.events)}",
            "unit": self.unit,
            "detector": Detector.RMS,
            "averages": None,
            "interval_s": 60.0,
            "level_accuracy_db": 1.0,
            "source_level_dbm": self.source_dbm,
            "identity": self.identity,
            "references": dict(self.references),
        }
        return self.step(setup_event(self.frequency_hz, **(given | change)))

    def sweep(
        self,
        load: Complex | float | None = None,
        *,
        flags: SweepFlag = NO_FLAGS,
        context: Mapping[str, float] | None = None,
        holes: tuple[int, ...] = (),
        after_s: float = 60.0,
    ) -> Output:
        self.at_s += after_s
        self.seq += 1
        level = self.shown(whip(self.frequency_hz) if load is None else load)
        level[list(holes)] = np.nan
        return self.step(
            sweep_event(level, seq=self.seq, at_s=self.at_s, flags=flags, context=context or {})
        )

    def told(self, what: str) -> list[FindingDraft]:
        return [one for out in self.outputs for one in out.findings if one.what == what]


KNOWN: dict[str, Any] = {"job": "whip", "directivity_db": 36.0, "source_match_db": 28.0}
NAMED = {"ch16": 156.8e6, "ais1": 161.975e6}


def swr_of(gamma: complex) -> float:
    return (1 + abs(gamma)) / (1 - abs(gamma))


def bridges_of(rng: np.random.Generator) -> Callable[..., Bridge]:
    """Makes a bridge whose job states what it is; with an open and a short unless told not to."""

    def make(*, refer: bool = True, bridge: Mapping[str, Any] | None = None, **more: Any) -> Bridge:
        one = Bridge(
            ReflectionSettings(**{**KNOWN, "named_hz": NAMED, **more}), rng, **bridge or {}
        )
        if refer:
            one.open_and_short()
            one.setup()
        return one

    return make
