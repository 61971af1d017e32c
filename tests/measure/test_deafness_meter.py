"""A kind's meter with an ear for a frozen sweeper."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.measure.carrier_meter import CarrierMeter, CarrierSettings
from acqd.measure.deafness import NEW_SWEEPS
from acqd.measure.deafness_meter import HearingMeter
from acqd.measure.meter import GapSeen, HourTurned, Output
from acqd.measure.soak_meter import SoakMeter
from acqd.measure.soak_settings import SoakSettings
from acqd.sweep import SweepFlag
from acqd.testing.events import setup_event, sweep_event

AT_S = 1_780_002_000.0
HOUR_S = AT_S // 3600.0 * 3600.0
AXIS_HZ = np.linspace(156.7e6, 156.9e6, 101)


class Bench:
    """A carrier on a bench, swept every 10 s."""

    def __init__(self, meter: Any) -> None:
        self.meter, self.state = meter, meter.start()
        self.rng, self.at_s, self.seq = np.random.default_rng(5), AT_S, 0
        self.outputs: list[Output] = []
        self.last = self.level()

    def level(self) -> np.ndarray[Any, Any]:
        power = self.rng.gamma(4.0, size=AXIS_HZ.size) / 4.0 * 1e-11
        power += 1e-7 * 2.0 ** (-((2.0 * (AXIS_HZ - 156.8e6) / 10e3) ** 2))
        return np.asarray(10.0 * np.log10(power))

    def step(self, event: Any) -> Output:
        self.state, output = self.meter.step(self.state, event)
        self.outputs.append(output)
        return output

    def sweeps(self, count: int, *, frozen: bool = False, step: int = 0) -> None:
        for _ in range(count):
            self.seq, self.at_s = self.seq + 1, self.at_s + 10.0
            self.last = self.last if frozen else self.level()
            flags = SweepFlag.REPEATED if frozen else SweepFlag(0)
            self.step(sweep_event(self.last, seq=self.seq, at_s=self.at_s, flags=flags, step=step))

    def setup(self, name: str = "setup-1", step: int = 0) -> None:
        at_s = self.at_s
        self.step(setup_event(AXIS_HZ, at_s=at_s, setup=name, interval_s=10.0, step=step))

    def told(self) -> list[Any]:
        findings = [finding for output in self.outputs for finding in output.findings]
        return [one for one in findings if one.what in ("deaf", "hears_again")]


@pytest.fixture
def bench() -> Bench:
    one = Bench(HearingMeter(CarrierMeter(CarrierSettings())))
    one.setup()
    one.sweeps(20)
    return one


def test_a_frozen_sweeper_is_told_of_any_kind(bench: Bench) -> None:
    """Since its last new sweep; two new ones end it."""
    last_s = bench.at_s
    bench.sweeps(10, frozen=True)
    (deaf,) = bench.told()
    assert (deaf.what, deaf.at_s) == ("deaf", last_s)
    assert deaf.figures["noticed_s"] == last_s + 30.0
    assert bench.meter.deaf(bench.state).from_s == last_s
    bench.sweeps(NEW_SWEEPS)
    assert [one.what for one in bench.told()] == ["deaf", "hears_again"]
    assert bench.meter.deaf(bench.state) is None


def test_the_kinds_own_outputs_are_as_they_would_be_alone(bench: Bench) -> None:
    alone = Bench(CarrierMeter(CarrierSettings()))
    alone.setup()
    alone.sweeps(20)
    for one in (alone, bench):
        one.sweeps(5, frozen=True)
        one.step(GapSeen(from_s=one.at_s, to_s=one.at_s, count=1, reason="overrun"))
        one.step(
            HourTurned(hour_start_s=AT_S // 3600 * 3600, hour_end_s=AT_S // 3600 * 3600 + 3600)
        )
        one.sweeps(3)
    rest = [
        replace(
            output,
            findings=tuple(f for f in output.findings if f.what not in ("deaf", "hears_again")),
        )
        for output in bench.outputs
    ]
    assert rest == alone.outputs
    assert bench.meter.figures == getattr(alone.meter, "figures", {})
    assert bench.meter.verdict(bench.state) == alone.meter.verdict(alone.state)
    assert bench.meter.settings == alone.meter.settings


def test_it_goes_through_a_checkpoint(bench: Bench) -> None:
    bench.sweeps(5, frozen=True)
    data = bench.meter.dump(bench.state)
    again = bench.meter.load(data)
    assert bench.meter.dump(again) == data
    assert bench.meter.deaf(again) == bench.meter.deaf(bench.state)
    with pytest.raises(ValueError, match="hearing"):
        bench.meter.load(CarrierMeter(CarrierSettings()).dump(bench.state.inner))


def test_another_setup_ends_it(bench: Bench) -> None:
    bench.sweeps(5, frozen=True)
    bench.setup("setup-2")
    assert [one.what for one in bench.told()] == ["deaf", "hears_again"]


def test_steps_beyond_the_first_say_nothing(bench: Bench) -> None:
    """A pass may look at one place again and again."""
    bench.setup("setup-2", step=1)
    bench.sweeps(10, frozen=True, step=1)
    assert bench.told() == []


def test_a_soak_counts_it_as_time_not_listened_and_as_no_finding_of_its_own() -> None:
    soak = SoakMeter(
        HearingMeter(CarrierMeter(CarrierSettings())),
        SoakSettings(job="beacon", length_s=3600.0, findings_at_most=0),
    )
    bench = Bench(soak)
    bench.setup()
    bench.sweeps(20)
    bench.sweeps(10, frozen=True)
    assert len(bench.told()) == 1
    assert soak.deaf(bench.state) is not None
    assert "deaf" not in bench.state.soak.findings
    assert bench.state.soak.listened == 20
