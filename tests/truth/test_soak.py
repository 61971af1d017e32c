"""Soaks of a carrier that drifts, or hangs on the temperature: what is said of drift and slope."""

from __future__ import annotations

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
EVERY_S = 60.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Course(Drift):
    """A frequency that follows given values, by straight lines."""

    at_each_s: tuple[float, ...]
    offset_hz: tuple[float, ...]

    def at(self, at_s: Float) -> Float:
        return np.interp(at_s, self.at_each_s, self.offset_hz)


CONFIG = """
[context.bench]
topic = "bench/temperature"
unit = "°C"

[job.soak]
kind = "carrier"
sweeper = "bench"
centre = "{centre:.0f} Hz"
span = "4 kHz"
points = 81
rbw = "300 Hz"
detector = "rms"
attenuation = "0 dB"
when = {{ every = "60 s" }}
carrier = {{ warm_up = false }}

[job.soak.soak]
length = "{length:.0f} min"
context = {{ bench = 1.0 }}

[[job.soak.soak.limit]]
figure = "offset_hz"
drift_at_most = "{most:.3f} Hz"

[[job.soak.soak.limit]]
figure = "level_dbm"
at_least = "-120 dBm"
drift_at_most = "1 dB"
"""


def scene(laboratory: Any, number: int, tally: Any) -> None:
    rng = np.random.default_rng((917, number))
    minutes = int(rng.choice([40, 60]))
    count = minutes + 1
    at_s = np.arange(count + 2) * EVERY_S
    # A temperature that goes up and down, by the clock of a room and by doors that open.
    bench_c = 20.0 + rng.uniform(0.5, 4.0) * np.sin(
        2.0 * np.pi * at_s / rng.uniform(1200.0, 4000.0) + rng.uniform(0.0, 6.28)
    )
    bench_c += np.cumsum(rng.normal(0.0, 0.1, at_s.size))
    hangs = number % 2 == 1
    slope = rng.uniform(-60.0, 60.0) if hangs else 0.0
    per_s = 0.0 if hangs else rng.uniform(-0.15, 0.15)
    # The thing's own unrest, each minute resembling the one before by so much.
    like, unrest_hz = rng.uniform(0.0, 0.7), rng.uniform(0.5, 8.0)
    own = rng.normal(0.0, unrest_hz, at_s.size)
    for i in range(1, own.size):
        own[i] = like * own[i - 1] + np.sqrt(1.0 - like**2) * own[i]
    offset_hz = slope * (bench_c - 20.0) + per_s * at_s + own
    centre_hz = rng.uniform(20e6, 200e6)
    true_per_h = per_s * 3600.0
    most = max(1.0, abs(true_per_h) * rng.uniform(0.7, 1.3))
    text = CONFIG.format(centre=centre_hz, length=minutes, most=most)
    bench = laboratory.bench(text, laboratory.model(frequency_accuracy_ppm=0.5), seed=number)
    began_s = bench.clock.at_s
    course = Course(
        key=1,
        swing=float(np.abs(offset_hz).max()) + 1.0,
        period_s=1.0,
        at_each_s=tuple(began_s + at_s),
        offset_hz=tuple(offset_hz),
    )
    tone = Tone(
        name="line", kind="carrier", frequency_hz=centre_hz, power_dbm=rng.uniform(-95.0, -60.0),
        drift=course,
    )  # fmt: skip
    bench.scene = Scene(floor=NoiseFloor(key=1, c_db=10.0, d_db=0.0), tones=(tone,))
    outputs = bench.watch("soak", sweeps=count, every_s=EVERY_S, context={"bench": bench_c})
    told = [one.summary for one in outputs if one.summary is not None][-1]
    verdicts = [one.verdict for one in outputs if one.verdict is not None]
    for figure in told["soak"]["limits"]:
        low, high = figure["drift_per_h_low"], figure["drift_per_h_high"]
        has_drift = low is not None
        if has_drift and figure["figure"] == "offset_hz" and not hangs:
            tally.interval("drift of the frequency", low, high, true_per_h)
            tally.value("drift", figure["drift_per_h"], (high - low) / 2.0, true_per_h)
        elif has_drift and figure["figure"] == "level_dbm":
            tally.interval("drift of the level, of none", low, high, 0.0)
        if figure["figure"] == "offset_hz" and hangs:
            (one,) = figure["contexts"]
            if one["slope_low"] is not None:
                tally.interval("slope over temperature", one["slope_low"], one["slope_high"], slope)
                half = (one["slope_high"] - one["slope_low"]) / 2.0
                tally.value("slope", one["slope"], half, slope)
    if not hangs:
        for row in verdicts[-1]["judgements"]:
            if row["figure"].startswith("offset_hz"):
                wrong = "pass" if abs(true_per_h) > most else "fail"
                tally.bound("verdicts on drift not wrong", row["verdict"] != wrong)
                tally.bound("verdicts on drift given", row["verdict"] in ("pass", "fail"))


def test_intervals_hold_drift_and_slope(
    laboratory: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    tally = laboratory.tally()
    for number in range(SCENES):
        scene(laboratory, number, tally)
    with capsys.disabled():
        print(tally.text())  # noqa: T201 (read with -s)
    tally.holds("drift of the frequency")
    tally.holds("drift of the level, of none")
    tally.holds("slope over temperature")
    tally.binds("verdicts on drift not wrong", least=0.97)
    # A rule that never decides would never be wrong.
    tally.binds("verdicts on drift given", least=0.4)
