"""A transmitter on a bench, and the meter that looks at it, for the tests of both."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.measure.bandpower import enb_hz
from acqd.measure.emission_meter import EmissionMeter
from acqd.measure.emission_plan import emission_pass
from acqd.measure.emission_settings import EmissionSettings
from acqd.measure.limit_profile import (
    Domain,
    LimitMark,
    LimitProfile,
    LimitQuantity,
    LimitRow,
)
from acqd.measure.meter import (
    Answer,
    Output,
    Pass,
    PassStep,
    SetupChanged,
)
from acqd.measure.passmeter import PassState
from acqd.publish.emission import EmissionSummary
from acqd.publish.messages import Verdict
from acqd.sweep import Detector, Grid, LevelUnit, SweepRequest
from acqd.testing.events import sweep_event
from acqd.units import THERMAL_DENSITY_DBM_PER_HZ

Float = NDArray[np.float64]

CARRIER_HZ = 156.8e6
POWER_DBM = 36.99
LOOK_AT = SweepRequest(
    start_hz=156.6e6,
    stop_hz=157.0e6,
    points=401,
    rbw_hz=3e3,
    detector=Detector.RMS,
    attenuation_db=10.0,
)
HOUR_S = 1_790_000_000.0 - 1_790_000_000.0 % 3600.0


def profile(*rows: LimitRow, **what: Any) -> LimitProfile:
    """A limit of the lookout's own."""
    told: dict[str, Any] = {
        "name": "own",
        "title": "Gannet Ledge's own",
        "edition": "2026",
        "mark": LimitMark.OWN,
        "source": "",
        "prevails": "Local rules prevail.",
        "quantity": LimitQuantity.POWER,
        "domain": Domain.SPURIOUS,
    }
    return LimitProfile(rows=rows, **{**told, **what})


ABSOLUTE = profile(LimitRow(rule="all", at_most=-16.0))
RELATIVE = profile(LimitRow(rule="all", at_least_down_db=43.0))

SETTINGS = EmissionSettings(
    request=LOOK_AT,
    plane="the socket",
    power_w=5.0,
    expected_hz=CARRIER_HZ,
    frequency_tolerance_hz=2e3,
    necessary_hz=16e3,
    bandwidth_rbw_hz=300.0,
    harmonics=3,
    harmonic_rbw_hz=1e3,
    limits=(ABSOLUTE,),
    shi_dbm=60.0,
    toi_dbm=30.0,
)


POOR = {"shi_dbm": 35.0, "toi_dbm": 10.0}
"""Intercepts of a small sweeper."""


@dataclass
class Bench:
    """A transmitter, a chain, a sweeper, a clock, and a hand on the key."""

    harmonics_dbc: tuple[float, ...] = (-62.0, -66.0, -72.0)
    power_dbm: float = POWER_DBM
    others: tuple[tuple[float, float], ...] = ()
    """Frequency and level at the plane of what else there is; not hanging on the key."""
    off_hz: float = 0.0
    pads_db: float = 60.0
    extra_pad_db: float = 0.0
    """One that is not in the chain."""
    shi_dbm: float = 60.0
    toi_dbm: float = 30.0
    phases: tuple[float, ...] = (0.4, 2.0, 1.0)
    noise_figure_db: float = 24.0
    level_error_db: Callable[[float], float] = lambda hz: 0.0
    accuracy_db: float = 1.0
    parts: tuple[tuple[str, float], ...] = (("30 dB pad", 0.5), ("second 30 dB pad", 0.3))
    averages: int = 4
    steps_db: tuple[float, ...] = (0.0, 10.0, 20.0, 30.0)
    range_hz: tuple[float, float] = (100e3, 960e6)
    keyed: Callable[[float], float | None] = lambda at_s: 0.0
    """dB over the power at a time; None while the key is up."""
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(1))
    now_s: float = HOUR_S
    seq: int = 0
    setups: dict[int, SetupChanged] = field(default_factory=dict)
    asked: list[PassStep] = field(default_factory=list)

    def lines(self, attenuation_db: float) -> list[tuple[float, float]]:
        """Frequency and level at the plane of all that is shown, own products included."""
        over_db = self.keyed(self.now_s)
        if over_db is None:
            return list(self.others)
        carrier_hz, power_dbm = CARRIER_HZ + self.off_hz, self.power_dbm + over_db
        loss_db = self.pads_db + self.extra_pad_db
        mixer_dbm = power_dbm - loss_db - attenuation_db
        own = {2: 2.0 * mixer_dbm - self.shi_dbm, 3: 3.0 * mixer_dbm - 2.0 * self.toi_dbm}
        found = [(carrier_hz, power_dbm - self.extra_pad_db), *self.others]
        for order, dbc in enumerate(self.harmonics_dbc, start=2):
            # A transmitter's harmonics keep their distance here when it is turned down.
            outside = 10.0 ** ((power_dbm + dbc - loss_db - attenuation_db) / 20.0)
            inside = 0.0
            if order in own:
                inside = 10.0 ** (own[order] / 20.0)
            at_mixer = abs(outside + inside * np.exp(1j * self.phases[order - 2]))
            shown_dbm = 20.0 * math.log10(at_mixer) + self.pads_db + attenuation_db
            found.append((order * carrier_hz, shown_dbm))
        return found

    def take(self, step: PassStep) -> Answer:
        """What comes of a step."""
        request = step.request
        self.asked.append(step)
        attenuation_db = request.attenuation_db or 0.0
        rbw_hz = request.rbw_hz or 10e3
        frequency = request.frequencies_hz()
        floor_dbm = (
            THERMAL_DENSITY_DBM_PER_HZ
            + self.noise_figure_db
            + 10.0 * math.log10(enb_hz(rbw_hz))
            + attenuation_db
            + self.pads_db
        )
        noise = self.rng.normal(size=(self.averages, 2, frequency.size))
        wave = (noise[:, 0] + 1j * noise[:, 1]) * 10.0 ** (floor_dbm / 20.0) / math.sqrt(2.0)
        for line_hz, level in self.lines(attenuation_db):
            gain_db = -10.0 * math.log10(2.0) * (2.0 * (frequency - line_hz) / rbw_hz) ** 2
            shown = np.where(gain_db > -300.0, level + gain_db, -300.0)
            wave = wave + 10.0 ** (shown / 20.0)
        level = 10.0 * np.log10((np.abs(wave) ** 2).mean(axis=0))
        level += self.level_error_db(float(frequency[frequency.size // 2]))
        took_s = 0.1
        setup = self._setup(step, frequency, rbw_hz, attenuation_db)
        self.seq += 1
        sweep = sweep_event(
            np.round(level, 2), seq=self.seq, at_s=self.now_s, step=step.step, took_s=took_s
        )
        self.now_s += took_s
        return Answer(setup=setup, sweep=sweep)

    def _setup(
        self, step: PassStep, frequency: Float, rbw_hz: float, attenuation_db: float
    ) -> SetupChanged:
        digest = f"{step.step}-{hash(step.request)}"
        before = self.setups.get(step.step)
        if before is not None and before.setup == digest:
            return before
        self.setups[step.step] = SetupChanged(
            at_s=self.now_s,
            setup=digest,
            grid=Grid.from_axis(frequency),
            unit=LevelUnit.DBM,
            rbw_hz=rbw_hz,
            detector=step.request.detector,
            averages=None,
            interval_s=30.0,
            sweep_time_s=0.1,
            level_accuracy_db=self.accuracy_db,
            frequency_accuracy_ppm=2.5,
            resolution=0.01,
            step=step.step,
            attenuation_db=attenuation_db if self.steps_db else None,
            gain_db=np.full(frequency.size, -self.pads_db),
            sweeper_accuracy_db=self.accuracy_db,
            chain_parts=self.parts,
            range_hz=self.range_hz,
            points_max=1001,
            attenuation_steps_db=self.steps_db,
        )
        return self.setups[step.step]


@dataclass
class Watched:
    """A meter that is fed by a pass."""

    meter: EmissionMeter
    state: PassState[Any]
    outputs: list[Output] = field(default_factory=list)
    told: dict[int, str] = field(default_factory=dict)
    said: list[str] = field(default_factory=list)

    def feed(self, answer: Answer) -> None:
        if self.told.get(answer.sweep.step) != answer.setup.setup:
            self.told[answer.sweep.step] = answer.setup.setup
            self.step(answer.setup)
        self.step(answer.sweep)

    def step(self, event: Any) -> None:
        self.state, output = self.meter.step(self.state, event)
        self.outputs.append(output)

    @property
    def summaries(self) -> list[Any]:
        return [one.summary for one in self.outputs if one.summary is not None]

    @property
    def summary(self) -> Any:
        return self.summaries[-1]

    @property
    def verdict(self) -> Any:
        found = [one.verdict for one in self.outputs if one.verdict is not None]
        return found[-1] if found else None

    @property
    def findings(self) -> list[Any]:
        return [finding for one in self.outputs for finding in one.findings]

    def product(self, name: str) -> Any:
        (found,) = [one for one in self.summary["products"] if one["name"] == name]
        return found


def watched(settings: EmissionSettings) -> Watched:
    meter = EmissionMeter(settings)
    return Watched(meter, meter.start())


def run(
    bench: Bench,
    settings: EmissionSettings = SETTINGS,
    *,
    into: Watched | None = None,
    series: Pass | None = None,
    stop_after: int | None = None,
) -> Watched:
    """Take a pass on the bench and feed a meter with it; every summary must fit its message."""
    found = into or watched(settings)
    series = series or emission_pass(settings)
    step: PassStep | None = next(series, None)
    count = 0
    while step is not None and (stop_after is None or count < stop_after):
        if step.say:
            found.said.append(step.say)
        answer = bench.take(step)
        found.feed(answer)
        count += 1
        try:
            step = series.send(lambda answer=answer: answer)
        except StopIteration:
            step = None
    for summary in found.summaries:
        EmissionSummary.model_validate_json(json.dumps(summary, allow_nan=False))
    if found.verdict is not None:
        told = {"station": "lookout", "run_id": "r", "job": "hand-held", "kind": "emission"}
        times = {"at": "2026-06-14T21:00:00Z", "since": "2026-06-14T21:00:00Z"}
        Verdict.model_validate({**told, **times, **found.verdict})
    return found


def steps(bench: Bench) -> list[int]:
    return [one.step for one in bench.asked]


SEARCHED = replace(SETTINGS, search=((400e6, 450e6),), search_rbw_hz=100e3)
