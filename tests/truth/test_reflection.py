"""Whips through a bridge: whether bounds and U hold what is true of the whip.

The bridge is the simulator's: Γ/(1 − s·Γ) + d with phasors that turn with frequency, here each by a
phase of its own.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest
from acqd_sim.devices import Antenna, Bridge, Cable, Device, Termination
from numpy.typing import NDArray

from acqd.measure.meter import Role

Float = NDArray[np.float64]
Complex = NDArray[np.complex128]

pytestmark = pytest.mark.slow

SCENES = 200
NAMED_HZ = {"low": 152.5e6, "ch16": 156.8e6, "ais": 161.975e6}


@dataclass(frozen=True, kw_only=True)
class TurnedBridge(Bridge):
    """A bridge whose leak and test port have phases of their own; ``offset_db`` of a connection."""

    leak_phase: float = 0.0
    match_phase: float = 0.0
    match_delay_s: float = 1e-9
    offset_db: float = 0.0

    def seen(self, frequency_hz: Float) -> Complex:
        gamma = self.load.reflection(frequency_hz)
        if self.cable is not None:
            both_ways = 10.0 ** (2.0 * self.cable.gain_db(frequency_hz) / 20.0)
            gamma = gamma * both_ways * self.cable.turn(frequency_hz) ** 2
        turns = 2.0 * np.pi * frequency_hz
        match = 10.0 ** (-self.source_match_db / 20.0) * np.exp(
            1j * (self.match_phase - turns * self.match_delay_s)
        )
        leak = 10.0 ** (-self.directivity_db / 20.0) * np.exp(
            1j * (self.leak_phase - turns * self.leak_delay_s)
        )
        return np.asarray(gamma / (1.0 - match * gamma) + leak)

    def gain_db(self, frequency_hz: Float) -> Float:
        return super().gain_db(frequency_hz) + self.offset_db


CONFIG = """
[job.whip]
kind = "reflection"
sweeper = "bench"
start = "150 MHz"
stop = "164 MHz"
points = {points}
rbw = "10 kHz"
detector = "rms"
attenuation = "0 dB"
when = {{ every = "1 h" }}
source = {{ level = "{level:.0f} dBm", radiates = true, licensed = ["150 MHz..164 MHz"] }}

[job.whip.reflection]
named = {{ low = "152.5 MHz", ch16 = "156.8 MHz", ais = "161.975 MHz" }}
range = "156 MHz..158 MHz"
max_swr = 1.8
max_swr_at = {{ low = 3.0, ch16 = 1.5, ais = 2.5 }}
scale = "{scale:.3f} dB"
repeatability = "{spread:.3f} dB"
{more}
"""


def scene(laboratory: Any, number: int) -> tuple[Any, Antenna]:
    rng = np.random.default_rng((912, number))
    directivity_db, match_db = rng.uniform(22.0, 42.0), rng.uniform(16.0, 32.0)
    full_db, spread_db = rng.uniform(0.1, 1.0), rng.uniform(0.01, 0.15)
    more = []
    states, has_load, has_cable = number % 4 != 3, number % 2 == 0, number % 3 == 0
    if states:
        more += [f'directivity = "{directivity_db:.2f} dB"', f'source_match = "{match_db:.2f} dB"']
    if has_load:
        more.append('load_return_loss = "40 dB"')
    cable = None
    if has_cable:
        loss_db = rng.uniform(0.3, 2.5)
        more += [
            f'cable_loss = "{loss_db:.3f} dB"',
            'cable_loss_at = "157 MHz"',
            'cable_loss_uncertainty = "0.1 dB"',
        ]
        true_db = loss_db + rng.uniform(-0.1, 0.1)
        cable = Cable(loss_db=true_db, at_hz=157e6, length_m=rng.uniform(1.0, 20.0))
    text = CONFIG.format(
        points=281,
        level=rng.choice([-40.0, -25.0, -10.0]),
        scale=full_db,
        spread=spread_db,
        more="\n".join(more),
    )
    period_db, phase = rng.uniform(2.0 * np.pi * 10.0, 130.0), rng.uniform(0.0, 2.0 * np.pi)
    errors = laboratory.errors(
        scale_db=lambda dbm: full_db / 2.0 * np.sin(2.0 * np.pi * dbm / period_db + phase)
    )
    bench = laboratory.bench(
        text,
        laboratory.model(
            source=True,
            danl_dbm_per_hz=rng.uniform(-152.0, -135.0),
            source_isolation_db=140.0,
            frequency_accuracy_ppm=0.01,
        ),
        seed=number,
        errors=errors,
    )
    # Where nothing is stated a bridge is as good as the assumptions say, or better.
    leak_db = directivity_db if states else max(directivity_db, 20.0)
    # Half of them are as bad as they may be.
    full = 1.0 if number % 8 < 4 else rng.uniform(0.5, 1.0)
    bridge = {
        "directivity_db": leak_db - 20.0 * np.log10(full),
        "source_match_db": match_db - 20.0 * np.log10(full),
        "leak_phase": rng.uniform(0.0, 2.0 * np.pi),
        "match_phase": rng.uniform(0.0, 2.0 * np.pi),
        "leak_delay_s": rng.uniform(0.0, 8e-9),
        "match_delay_s": rng.uniform(0.0, 8e-9),
    }

    def joined(load: Device, more_db: float = 0.0, **rest: Any) -> tuple[Device, ...]:
        offset_db = spread_db * rng.normal() + more_db
        return (TurnedBridge(load=load, offset_db=offset_db, **bridge, **rest),)

    bench.source_path = joined(Termination(state="open"))
    bench.refer("whip", Role.OPEN)
    if number % 5:
        bench.source_path = joined(Termination(state="short"))
        bench.refer("whip", Role.SHORT)
    if has_load:
        own_db = 40.0 - 20.0 * np.log10(rng.uniform(0.3, 1.0))
        bench.source_path = joined(Termination(state="load", return_loss_db=own_db))
        bench.refer("whip", Role.LOAD)
    bench.source_path = None
    bench.refer("whip", Role.QUIET)
    age_h = rng.uniform(0.0, 24.0)
    bench.clock.wait(age_h * 3600.0)
    drift_db = np.clip(rng.uniform(-0.05, 0.05) * age_h, -1.0, 1.0)
    drift_db += rng.uniform(-0.05, 0.05) * rng.uniform(-5.0, 5.0)
    whip = Antenna(
        resonance_hz=rng.uniform(152e6, 162e6),
        q=rng.uniform(6.0, 35.0),
        resistance_ohm=rng.uniform(25.0, 95.0),
    )
    bench.source_path = joined(whip, drift_db, cable=cable)
    return bench.once("whip"), whip


def told_interval(text: str) -> tuple[float, float]:
    """(low, high) of k = 2, as the sentence of a judgement has them, and their rounding."""
    found = re.search(r"\(([\d.]+) to ([\d.]+|infinite)\)", text)
    assert found is not None, text
    low, high = found.groups()
    step = 10.0 ** -len(low.partition(".")[2])
    most = math.inf if high == "infinite" else float(high)
    return float(low) - step / 2.0, most + step / 2.0


def swr(magnitude: float) -> float:
    return (1.0 + magnitude) / (1.0 - magnitude)


def judge(one: Any, whip: Antenna, tally: Any) -> None:
    """What bounds and intervals say against the whip alone."""
    told = one.summary
    assert told["refused"] is None, told["refused"]

    def true_rho(hz: float) -> float:
        return float(abs(whip.reflection(np.array([hz]))[0]))

    rows = {row["figure"]: row for row in one.verdict["judgements"]}
    hz = np.linspace(156e6, 158e6, 2001)
    truths = {"worst SWR in the range": float(np.abs(whip.reflection(hz)).max())}
    for named in told["named"]:
        truth = true_rho(named["frequency_hz"])
        truths[f"SWR at {named['name']}"] = truth
        tally.bound("bounds", named["magnitude_low"] <= truth <= named["magnitude_high"])
        rl_db = -20.0 * math.log10(truth)
        high_db = named["return_loss_high_db"]
        tally.bound(
            "bounds of return loss",
            named["return_loss_low_db"] <= rl_db and (high_db is None or rl_db <= high_db),
        )
    for figure, truth in truths.items():
        row = rows[figure]
        low, high = told_interval(row["text"])
        name = "worst in a range" if figure.startswith("worst") else "SWR at a frequency"
        tally.interval(name, low, high, swr(truth))
        is_wrong = row["verdict"] == ("fail" if swr(truth) < row["limit"] else "pass")
        tally.bound("verdicts not wrong", not is_wrong)
    best = told["best"]
    tally.bound(
        "frequency of best match",
        best["frequency_low_hz"] <= whip.resonance_hz <= best["frequency_high_hz"],
    )
    if told["best_magnitude_u"] is not None and best["magnitude_low"] > 0.0:
        tally.value(
            "magnitude at the best match",
            best["magnitude"], 2.0 * told["best_magnitude_u"], true_rho(best["frequency_hz"]),
        )  # fmt: skip


def test_bounds_and_u_hold_the_truth_of_whips(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    stated, assumed = laboratory.tally(), laboratory.tally()
    for number in range(SCENES):
        one, whip = scene(laboratory, number)
        judge(one, whip, assumed if number % 4 == 3 else stated)
    with capsys.disabled():
        print(stated.text(), assumed.text())  # noqa: T201 (read with -s)
    for one in (stated, assumed):
        for name in ("bounds", "bounds of return loss", "frequency of best match"):
            one.binds(name)
        one.binds("verdicts not wrong", least=0.977)
    # Few parts, U-shaped or rectangular and hard at their ends: 2u nearly reaches all there is.
    for name in ("SWR at a frequency", "worst in a range", "magnitude at the best match"):
        stated.holds(name, least=0.95, most=1.0)
        assumed.holds(name, least=0.95, most=1.0, padded=None)
