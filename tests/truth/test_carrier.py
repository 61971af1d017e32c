"""Carriers of any level, place and drift: whether U and the intervals of drift hold the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from acqd_sim.emissions import Drift, NoiseFloor, Tone
from acqd_sim.scene import Scene
from numpy.typing import NDArray

Float = NDArray[np.float64]

pytestmark = pytest.mark.slow

SCENES = 200
SWEEPS = 36


@dataclass(frozen=True, slots=True, kw_only=True)
class Ramp(Drift):
    """A straight drift, and a wander of minutes about it."""

    from_s: float
    hz_per_s: float
    wander_hz: float

    def at(self, at_s: Float) -> Float:
        wander = Drift.at(self, at_s) / self.swing * self.wander_hz
        return np.asarray(self.hz_per_s * (at_s - self.from_s) + wander)


CONFIG = """
[chain.lead]
title = "the far end"

[[chain.lead.part]]
kind = "pad"
name = "pad"
loss = "{loss:.2f} dB"
uncertainty = "{pad:.3f} dB"
rated = "1 W"

[job.line]
kind = "carrier"
sweeper = "bench"
chain = "lead"
centre = "{centre:.0f} Hz"
span = "{span:.0f} Hz"
points = {points}
rbw = "{rbw:.0f} Hz"
detector = "{detector}"
attenuation = "0 dB"
when = {{ every = "30 s" }}

[job.line.carrier]
warm_up = false
{more}
"""


def scene(laboratory: Any, number: int, tally: Any, assumed: Any, drifts: Any) -> None:
    rng = np.random.default_rng((913, number))
    accuracy_db, ppm = float(rng.choice([0.5, 1.0, 2.0])), float(rng.choice([0.5, 2.5, 10.0]))
    loss_db, pad_db = rng.uniform(3.0, 40.0), rng.uniform(0.1, 0.6)
    rbw_hz = float(rng.choice([100.0, 300.0, 1000.0, 3000.0]))
    points = int(rng.choice([101, 201]))
    centre_hz = rng.uniform(50e6, 500e6)
    detector = rng.choice(["rms", "positive", "sample"])
    span_hz = rbw_hz * (points - 1) * rng.uniform(0.15, 0.7)
    stated = number % 2 == 0
    vswr = (1.2, 1.15) if stated else (2.0, 1.6)
    more = f"source_vswr = {vswr[0]}\ninput_vswr = {vswr[1]}" if stated else ""
    text = CONFIG.format(
        loss=loss_db, pad=pad_db, centre=centre_hz, span=span_hz, points=points, rbw=rbw_hz,
        detector=detector, more=more,
    )  # fmt: skip
    model = laboratory.model(
        level_accuracy_db=accuracy_db,
        frequency_accuracy_ppm=ppm,
        danl_dbm_per_hz=rng.uniform(-150.0, -140.0),
        level_step_db=float(rng.choice([0.01, 0.1, 0.5])),
    )
    own_db, own_ppm = rng.uniform(-accuracy_db, accuracy_db), rng.uniform(-ppm, ppm)
    errors = laboratory.errors(
        level_db=lambda hz, _: np.full(hz.shape, own_db), frequency_ppm=own_ppm
    )
    source, load = ((one - 1.0) / (one + 1.0) for one in vswr)
    between = laboratory.pad(
        loss_db=loss_db + rng.normal(0.0, pad_db / 2.0),
        source=source,
        load=load,
        ends=0.2 / 2.2,
        phases=tuple(rng.uniform(0.0, 2.0 * np.pi, 4)),
    )
    floor_dbm = model.danl_dbm_per_hz + 10.0 * math.log10(1.064 * rbw_hz) + loss_db
    level_dbm = floor_dbm + rng.uniform(14.0, 60.0)
    # So that it lies within the sweep as this sweeper sees it.
    offset_hz = rng.uniform(-0.2, 0.2) * span_hz + own_ppm * 1e-6 * centre_hz
    bench = laboratory.bench(text, model, seed=number, errors=errors, path=(between,))
    rate_hz = rng.uniform(-0.3, 0.3) * span_hz / (SWEEPS * 30.0)
    wander_hz = rng.choice([0.0, 0.02, 0.1]) * rbw_hz
    ramp = Ramp(
        key=int(rng.integers(1 << 30)),
        swing=abs(rate_hz) * SWEEPS * 60.0 + wander_hz + 1.0,
        period_s=rng.uniform(150.0, 300.0),
        wander_hz=wander_hz,
        from_s=bench.clock.at_s,
        hz_per_s=rate_hz,
    )
    tone = Tone(
        name="line", kind="carrier", frequency_hz=centre_hz + offset_hz, power_dbm=level_dbm,
        drift=ramp,
    )  # fmt: skip
    bench.scene = Scene(floor=NoiseFloor(key=1, c_db=0.0, d_db=0.0), tones=(tone,))
    outputs = bench.watch("line", sweeps=SWEEPS, every_s=30.0)
    told = [one.summary for one in outputs if one.summary is not None]
    first, last = told[0], told[-1]
    mine = tally if stated else assumed
    mine.bound("heard", first["heard"])
    if first["heard"]:
        true_hz = centre_hz + offset_hz + float(ramp.at(np.array([ramp.from_s]))[0])
        mine.value("frequency", first["frequency_hz"], first["frequency_expanded_hz"], true_hz)
        mine.value(f"level, {detector}", first["level_dbm"], first["level_expanded_db"], level_dbm)
        mine.value("level", first["level_dbm"], first["level_expanded_db"], level_dbm)
    drift = last["drift"]
    if drift is not None and drift["hz_per_h"] is not None and drift["hz_per_h_low"] is not None:
        # Shown frequencies count in the sweeper's own clock.
        rate = rate_hz * 3600.0
        drifts.interval("drift in Hz per hour", drift["hz_per_h_low"], drift["hz_per_h_high"], rate)
        half = (drift["hz_per_h_high"] - drift["hz_per_h_low"]) / 2.0
        drifts.value("drift", drift["hz_per_h"], half, rate)
        if drift["db_per_h_low"] is not None:
            half = (drift["db_per_h_high"] - drift["db_per_h_low"]) / 2.0
            drifts.value("level drift", drift["db_per_h"], half, 0.0)


def test_u_holds_level_and_frequency_of_carriers(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    tally, assumed, drifts = laboratory.tally(), laboratory.tally(), laboratory.tally()
    for number in range(SCENES):
        scene(laboratory, number, tally, assumed, drifts)
    with capsys.disabled():
        print(tally.text(), assumed.text(), drifts.text())  # noqa: T201 (read with -s)
    for one in (tally, assumed):
        one.binds("heard")
        one.holds("frequency", most=1.0)
        one.holds("level", most=1.0)
    drifts.holds("drift in Hz per hour")
    drifts.holds("drift")
    drifts.holds("level drift")
