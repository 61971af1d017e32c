"""Transmitters through pads: whether U holds levels in dBm and dBc, and the width of what is sent.

Tones go through reflecting ports and pads into a receiver with an intercept of each order, which
makes harmonics of its own that add to the real ones in any phase.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from acqd_sim.emissions import NoiseFloor, Tone
from acqd_sim.scene import Scene
from numpy.typing import NDArray

Float = NDArray[np.float64]

pytestmark = pytest.mark.slow

SCENES = 200
ORDERS = (2, 3, 4)
NORMAL_99 = 2.5758293035489004
"""Quantile of a normal distribution that 99 % lie within, both sides."""

CONFIG = """
[chain.load]
title = "the hand-held's socket"

[[chain.load.part]]
kind = "pad"
name = "power pad"
loss = "{loss:.3f} dB"
uncertainty = "{pad:.3f} dB"
rated = "20 W"

[job.handheld]
kind = "emission"
sweeper = "bench"
chain = "load"
centre = "{centre:.0f} Hz"
span = "400 kHz"
points = 401
rbw = "3 kHz"
detector = "rms"
attenuation = "10 dB"
when = {{ every = "30 s" }}
transmitter = {{ power = "10 W" }}

[job.handheld.emission]
expected = "{centre:.0f} Hz"
frequency_tolerance = "2 kHz"
designator = "16K0F3E"
bandwidth_rbw = "300 Hz"
harmonics = 3
harmonic_rbw = "1 kHz"
{more}
"""


def scene(laboratory: Any, number: int) -> tuple[Any, dict[str, float]]:
    rng = np.random.default_rng((914, number))
    accuracy_db, ppm = float(rng.choice([0.5, 1.0, 2.0])), float(rng.choice([0.5, 2.5]))
    loss_db, pad_db = rng.uniform(44.0, 62.0), rng.uniform(0.1, 0.8)
    centre_hz = float(rng.choice([145e6, 156.8e6, 173.5e6]))
    shi_dbm, toi_dbm = rng.uniform(25.0, 60.0), rng.uniform(5.0, 25.0)
    stated = number % 2 == 0
    vswr = (1.5, 1.3) if stated else (2.0, 1.6)
    more = ""
    if stated:
        more = f"source_vswr = {vswr[0]}\ninput_vswr = {vswr[1]}\n"
        more += f'second_order_intercept = "{shi_dbm:.1f} dBm"\n'
        more += f'third_order_intercept = "{toi_dbm:.1f} dBm"\n'
    text = CONFIG.format(loss=loss_db, pad=pad_db, centre=centre_hz, more=more)
    model = laboratory.model(
        level_accuracy_db=accuracy_db,
        frequency_accuracy_ppm=ppm,
        danl_dbm_per_hz=rng.uniform(-152.0, -140.0),
        shi_dbm=shi_dbm,
        toi_dbm=toi_dbm,
        compression_dbm=20.0,
        attenuation_step_db=5.0,
    )
    own_ppm = rng.uniform(-ppm, ppm)
    knots = rng.uniform(-1.0, 1.0, size=60)
    switched = {step: rng.uniform(-1.0, 1.0) for step in range(0, 31, 5)}

    def level_db(hz: Float, attenuation_db: float) -> Float:
        # Near one frequency one error, at another an unrelated one.
        here = np.interp(hz, np.arange(60) * 20e6, knots)
        return np.asarray(accuracy_db * (0.9 * here + 0.1 * switched[round(attenuation_db)]))

    source, load = ((one - 1.0) / (one + 1.0) for one in vswr)
    between = laboratory.pad(
        loss_db=loss_db + rng.normal(0.0, pad_db / 2.0),
        source=source * rng.uniform(0.5, 1.0),
        load=load * rng.uniform(0.5, 1.0),
        ends=0.2 / 2.2 * rng.uniform(0.5, 1.0),
        phases=tuple(rng.uniform(0.0, 2.0 * np.pi, 4)),
    )
    power_dbm = rng.uniform(30.0, 39.0)
    spread_hz = 0.0 if number % 4 < 2 else rng.uniform(1.5e3, 3.2e3)
    own_hz = centre_hz + rng.uniform(-1.0, 1.0) * 1.2e3
    dbc = {1: 0.0} | {order: -rng.uniform(40.0, 85.0) for order in ORDERS}
    tones = tuple(
        Tone(
            name=f"order {order}",
            kind="transmitter",
            frequency_hz=order * own_hz,
            power_dbm=power_dbm + dbc[order],
            spread_hz=order * spread_hz,
            peak_hz=order * spread_hz * 6.0,
            # Faster than any filter here follows: its spectrum is that of the spread.
            rate_hz=50e3 if spread_hz else 0.0,
            bandwidth_hz=2.0 * NORMAL_99 * spread_hz,
            order=order,
        )
        for order in (1, *ORDERS)
    )
    bench = laboratory.bench(
        text,
        model,
        seed=number,
        errors=laboratory.errors(level_db=level_db, frequency_ppm=own_ppm),
        path=(between,),
        scene=Scene(floor=NoiseFloor(key=1, c_db=0.0, d_db=0.0), tones=tones),
    )
    bench.jobs = {name: replace(job, guided_pass=None) for name, job in bench.jobs.items()}
    truth = {f"{order}": power_dbm + dbc[order] for order in (1, *ORDERS)}
    return bench.once("handheld"), truth | {"hz": own_hz, "spread_hz": spread_hz}


def judge(one: Any, truth: dict[str, float], tally: Any, word: str) -> None:
    told = one.summary
    found = told["fundamental"]
    assert found is not None, told["said"]
    tally.value(f"carrier, {word}", found["level_dbm"], found["expanded_db"], truth["1"])
    tally.value(
        f"frequency, {word}", found["frequency_hz"], found["frequency_expanded_hz"], truth["hz"]
    )
    for product in told["products"]:
        order = product["order"]
        level_dbm = truth[f"{order}"]
        if product["bound"] is None:
            tally.value(
                f"harmonic in dBm, {word}", product["level_dbm"], product["expanded_db"], level_dbm
            )
            tally.value(
                f"harmonic in dBc, {word}",
                product["dbc"], product["below_expanded_db"], level_dbm - truth["1"],
            )  # fmt: skip
        else:
            most_dbm = product["level_dbm"] + product["expanded_db"]
            tally.bound(f"harmonic at most, {word}", level_dbm <= most_dbm)
    width_hz = 2.0 * NORMAL_99 * truth["spread_hz"]
    occupied = told["occupied"]
    if occupied["bound"] is None:
        tally.value("occupied width", occupied["width_hz"], occupied["expanded_hz"], width_hz)
    else:
        tally.bound("occupied width at most", width_hz <= occupied["width_hz"])
    x_hz = 2.0 * math.sqrt(2.0 * 2.6 * math.log(10.0)) * truth["spread_hz"]
    x_db = told["x_db"]
    if x_db["width_hz"] is not None and x_db["bound"] is None:
        tally.value("26 dB width", x_db["width_hz"], x_db["expanded_hz"], x_hz)


def test_u_holds_levels_and_widths_of_transmitters(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    stated, assumed = laboratory.tally(), laboratory.tally()
    for number in range(SCENES):
        one, truth = scene(laboratory, number)
        word = "modulated" if truth["spread_hz"] else "plain"
        judge(one, truth, assumed if number % 2 else stated, word)
    with capsys.disabled():
        print(stated.text(), assumed.text())  # noqa: T201 (read with -s)
    for one in (stated, assumed):
        for name in ("carrier", "harmonic in dBm", "harmonic in dBc"):
            one.holds(f"{name}, plain", most=1.0, padded=3.5)
            # Looks that share an RBW count as one; the simulator's are independent.
            one.holds(f"{name}, modulated", most=1.0, padded=None)
        for name in ("frequency, plain", "frequency, modulated", "26 dB width", "occupied width"):
            one.holds(name, most=1.0, padded=6.0)
        one.binds("harmonic at most, plain", least=0.97)
        # What the overload check calls mixed or unclear, for it takes the emission's own
        # unsteadiness for a change with attenuation, may be more than that check allows.
        one.binds("harmonic at most, modulated", least=0.88)
        one.binds("occupied width at most")
