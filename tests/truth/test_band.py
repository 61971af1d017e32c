"""Bands with known noise and known traffic: floor, power of signals, occupancy."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from acqd_sim.emissions import NoiseFloor, Tone
from acqd_sim.keying import Bursts
from acqd_sim.scene import Scene

pytestmark = pytest.mark.slow

SCENES = 200
HOURS = 25
CHANNELS = range(1, 17, 2)
"""Every other channel is in use: what a strong neighbour hides is not what is asked here."""

CONFIG = """
[job.village]
kind = "band"
sweeper = "bench"
start = "{start:.0f} Hz"
stop = "{stop:.0f} Hz"
points = {points}
rbw = "{rbw:.0f} Hz"
detector = "{detector}"
attenuation = "0 dB"
{more}
"""


def thermal_dbm(f_a_db: float, own_dbm_per_hz: float, enb_hz: float) -> float:
    """Mean noise power of a density F_a above kT0 and the receiver's own, in a bandwidth."""
    density = 10.0 ** ((f_a_db - 173.975) / 10.0) + 10.0 ** (own_dbm_per_hz / 10.0)
    return 10.0 * math.log10(density * enb_hz)


def one_sweep(laboratory: Any, number: int, tally: Any) -> None:
    """A floor with a modulated signal on it, seen once."""
    rng = np.random.default_rng((915, number))
    rbw_hz = float(rng.choice([1e3, 3e3, 10e3]))
    points = int(rng.choice([201, 401, 1001]))
    step_hz = rbw_hz * rng.uniform(0.2, 0.5)
    start_hz = rng.uniform(30e6, 400e6)
    stop_hz = start_hz + step_hz * (points - 1)
    detector = rng.choice(["rms", "sample", "average"])
    # Of a sample detector one reading is all there is; of the others the time in a point decides.
    more = f'sweep_time = "{rng.choice([2.0, 10.0, 30.0]):.0f} s"\nwhen = {{ every = "60 s" }}\n'
    text = CONFIG.format(
        start=start_hz, stop=stop_hz, points=points, rbw=rbw_hz, detector=detector, more=more
    )
    accuracy_db, own_dbm = float(rng.choice([0.5, 1.0, 2.0])), rng.uniform(-152.0, -140.0)
    model = laboratory.model(
        level_accuracy_db=accuracy_db,
        danl_dbm_per_hz=own_dbm,
        level_step_db=float(rng.choice([0.01, 0.1, 0.5])),
    )
    own_db = rng.uniform(-accuracy_db, accuracy_db)
    errors = laboratory.errors(level_db=lambda hz, _: np.full(hz.shape, own_db))
    f_a_db = rng.uniform(10.0, 45.0)
    enb_hz = 1.0644670194312262 * rbw_hz
    floor_dbm = thermal_dbm(f_a_db, own_dbm, enb_hz)
    middle_hz = start_hz + rng.uniform(0.3, 0.7) * (stop_hz - start_hz)
    tone = Tone(
        name="line",
        kind="carrier",
        frequency_hz=middle_hz,
        power_dbm=floor_dbm + rng.uniform(20.0, 50.0),
    )
    scene = Scene(floor=NoiseFloor(key=1, c_db=f_a_db, d_db=0.0), tones=(tone,))
    bench = laboratory.bench(text, model, seed=number, errors=errors, scene=scene)
    told = bench.once("village").summary
    # A level's own accuracy stands beside it: it is not in the floor's uncertainty.
    u_db = math.hypot(told["floor_u_db"], told["level_accuracy_db"] / math.sqrt(3.0))
    tally.value("floor with accuracy", told["floor_dbm"], 2.0 * u_db, floor_dbm)
    tally.value("floor alone", told["floor_dbm"] - own_db, 2.0 * told["floor_u_db"], floor_dbm)
    strongest = told["strongest"]
    if strongest is not None and strongest["power_dbm"] is not None:
        # Stated for a signal is the sweeper's accuracy, as limits.
        tally.value(
            "power of a signal",
            strongest["power_dbm"], told["level_accuracy_db"] + 0.5, tone.power_dbm,
        )  # fmt: skip


def test_the_floor_lies_within_its_uncertainty(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = laboratory.tally()
    for number in range(SCENES):
        one_sweep(laboratory, number, tally)
    with capsys.disabled():
        print(tally.text())  # noqa: T201 (read with -s)
    tally.holds("floor with accuracy", most=1.0)
    # Points that share an RBW count as one in its uncertainty; the simulator's are independent.
    tally.holds("floor alone", least=0.95, most=1.0, padded=5.0)
    tally.holds("power of a signal", least=0.95, most=1.0)


def one_hour(laboratory: Any, number: int, tally: Any) -> None:
    """Eight channels of random traffic, watched for an hour."""
    rng = np.random.default_rng((916, number))
    every_s = float(rng.choice([15.0, 30.0]))
    more = f'when = {{ every = "{every_s:.0f} s" }}\nband = {{ channels = "pmr446" }}\n'
    text = CONFIG.format(
        start=446e6, stop=446.2e6, points=201, rbw=3000.0, detector="rms", more=more
    )
    truths, tones = {}, []
    for channel in CHANNELS:
        on_s = float(np.exp(rng.uniform(np.log(2.0), np.log(40.0))))
        duty = float(np.exp(rng.uniform(np.log(0.02), np.log(0.7))))
        truths[str(channel)] = duty
        tones.append(
            Tone(
                name=f"channel {channel}",
                kind="voice",
                frequency_hz=446.00625e6 + (channel - 1) * 12.5e3,
                power_dbm=rng.uniform(-75.0, -65.0),
                keying=Bursts(
                    key=int(rng.integers(1 << 60)),
                    mean_on_s=on_s,
                    mean_off_s=on_s * (1.0 - duty) / duty,
                ),
            )
        )
    scene = Scene(floor=NoiseFloor(key=1, c_db=20.0, d_db=0.0), tones=tuple(tones))
    bench = laboratory.bench(text, laboratory.model(), seed=number, scene=scene)
    began_s = bench.clock.at_s
    outputs = bench.watch("village", sweeps=round(3600.0 / every_s) + 1, every_s=every_s)
    (hour,) = (one for output in outputs for one in output.hourly)
    for row in hour.figures["channels"]:
        name = str(row["channel"])
        if name not in truths:
            continue
        truth = truths[name]
        tally.interval("independent", row["fco_low"], row["fco_high"], truth)
        seen = scene.tones[CHANNELS.index(int(name))].keying.intervals(began_s, began_s + 3600.0)
        share = sum(one.stop_s - one.start_s for one in seen) / 3600.0
        tally.interval(
            "share of the very hour, independent", row["fco_low"], row["fco_high"], share
        )
        if row["fco_dependent_low"] is not None:
            low, high = row["fco_dependent_low"], row["fco_dependent_high"]
            tally.interval("dependent", low, high, truth)
            tally.interval("share of the very hour, dependent", low, high, share)


def test_intervals_hold_the_occupancy(laboratory: Any, capsys: pytest.CaptureFixture[str]) -> None:
    tally = laboratory.tally()
    for number in range(HOURS):
        one_hour(laboratory, number, tally)
    with capsys.disabled():
        print(tally.text())  # noqa: T201 (read with -s)
    tally.holds("dependent")
    # Taken as independent of each other, visits claim more than they know.
    tally.holds("independent", least=0.75, most=0.95)
