"""Guarantee G4 for the band meter: a restart or a replay anywhere gives the same, bit for bit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from acqd.measure.band import BandMeter
from acqd.measure.meter import Event, GapSeen, HourTurned, Output, Reference, Role
from acqd.sweep import Detector, LevelUnit, SweepFlag

KINDS = {
    "flat": {},
    "learnt": {"floor": "learnt", "learn_s": 60.0},
    "margin": {"false_alarm": None, "margin_db": 6.0, "min_duration_s": 4.0, "flapping_s": 20.0},
    "trial": {"trial": "lamps", "phase_noise": ((1e4, -95.0), (1e6, -120.0))},
}


def night(watch: Any) -> None:
    """A bit of everything: calls, bursts, holes, gaps, a frozen sweeper, a new setup, hours."""
    quiet = watch.level([(156.6e6, -100.0)], floor_db=-125.0)
    watch.setup(references={"quiet": Reference(role=Role.QUIET, at_s=watch.at_s, level=quiet)})
    watch.setup("setup-check", step=1, attenuation_db=20.0)
    watch.sweeps(45)
    for i in range(12):
        watch.sweeps(1 + i % 3, [(156.8e6, -75.0 - i)], context={"lamps": float(i % 2)})
        watch.sweep([(156.8e6, -95.0), (156.6e6, -100.0)], step=1)
        watch.sweeps(2 + i % 2, [(157.61e6, -60.0)] if i > 6 else ())
    watch.step(GapSeen(from_s=watch.at_s, to_s=watch.at_s + 6.0, count=4, reason="overrun"))
    watch.at_s += 8.0
    hole = watch.level([(156.45e6, -70.0)])
    hole[100:140] = np.nan
    watch.sweep(level=hole, flags=SweepFlag.NOT_FINITE)
    watch.sweep(level=hole, flags=SweepFlag.NOT_FINITE | SweepFlag.REPEATED)
    watch.sweep(level=np.full(401, np.nan), flags=SweepFlag.NOT_FINITE)
    start_s = watch.at_s // 3600 * 3600
    watch.step(HourTurned(hour_start_s=start_s, hour_end_s=start_s + 3600))
    watch.at_s = start_s + 3600
    watch.sweeps(25, [(156.45e6, -70.0)], floor_db=-104.0)
    watch.at_s += 400.0
    watch.sweep([(156.45e6, -70.0)])
    watch.sweep(flags=SweepFlag.CLOCK_STEPPED)
    watch.step(GapSeen(from_s=watch.at_s, to_s=watch.at_s + 900, count=451, reason="host asleep"))
    watch.at_s += 902.0
    watch.setup("setup-2", unit=LevelUnit.DBUV, detector=Detector.AVERAGE, rbw_hz=30e3)
    watch.sweeps(40, [(156.525e6, -80.0)])
    watch.step(HourTurned(hour_start_s=start_s + 3600, hour_end_s=start_s + 7200))


def replay(meter: BandMeter, events: list[Event], cuts: set[int]) -> tuple[list[Output], bytes]:
    """Run ``events``; at each cut the state goes through bytes into a meter made anew."""
    state, outputs = meter.start(), []
    for i, event in enumerate(events):
        if i in cuts:
            data = meter.dump(state)
            meter = BandMeter(meter.settings)
            state = meter.load(data)
            assert meter.dump(state) == data
        state, output = meter.step(state, event)
        outputs.append(output)
    return outputs, meter.dump(state)


def bare(output: Output) -> str:
    """An output as text in which NaN equals NaN and every bit shows."""
    return repr(output)


@pytest.mark.parametrize("kind", KINDS)
@given(data=st.data())
@settings(
    max_examples=8, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_a_restart_anywhere_changes_nothing(
    watch: Callable[..., Any], kind: str, data: st.DataObject
) -> None:
    """Cut the night at any places: same outputs, same final state."""
    w = watch(**KINDS[kind])
    night(w)
    cuts = data.draw(st.sets(st.integers(0, len(w.events) - 1), min_size=1, max_size=6))
    outputs, final = replay(BandMeter(w.meter.settings), w.events, cuts)
    assert [bare(output) for output in outputs] == [bare(output) for output in w.outputs]
    assert final == w.meter.dump(w.state)


def test_the_night_has_something_of_everything(watch: Callable[..., Any]) -> None:
    """The events above do exercise what they are meant to."""
    w = watch(**KINDS["margin"])
    night(w)
    whats = {finding.what for finding in w.findings}
    assert {"signal_appeared", "signal_ended", "floor_rose"} <= whats
    assert {"setup changed", "not watched any longer", "silence"} & {
        finding.figures.get("ended_by") for finding in w.findings
    }
    assert sum(len(output.hourly) for output in w.outputs) == 2
