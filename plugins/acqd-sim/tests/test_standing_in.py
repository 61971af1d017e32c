"""The in-process driver for a rehearsal: on a clock that is handed in, or in place of another."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from acqd_sim import SimDriver

from acqd.drivers.contract import CancelToken, Sweeper, Transport
from acqd.drivers.hops import plan_hops
from acqd.drivers.worker import Cancel
from acqd.errors import RequestRefused, TransportClosed
from acqd.sweep import Detector, SourceRequest, SweepRequest

START_S = 1_780_000_000.0
REQUEST = SweepRequest(
    start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=10e3, detector=Detector.SAMPLE
)


@dataclass
class Counted:
    """A clock that only counts what is waited."""

    at_s: float = START_S

    def now_s(self) -> float:
        return self.at_s

    def wait(self, seconds: float, cancel: CancelToken) -> bool:
        self.at_s += seconds
        return cancel.is_set()


@dataclass
class Opening:
    address: str = "sim:mast"
    options: dict[str, Any] = field(default_factory=dict)
    name: str = "mast"
    cancel: Cancel = field(default_factory=Cancel)

    def connect(self) -> Transport:
        raise AssertionError("a simulated sweeper needs no link")


def opened(address: str = "sim:mast", **options: Any) -> Sweeper:
    return SimDriver().open(Opening(address, options))


def test_a_sweep_takes_its_time_on_the_clock_that_is_handed_in() -> None:
    clock = Counted()
    sweeper = opened(clock=clock)
    sweeper.sweep(REQUEST)
    assert clock.at_s - START_S == pytest.approx(sweeper.estimate_s(REQUEST), abs=1e-6)


def test_what_is_heard_is_what_is_on_the_air_by_that_clock() -> None:
    first = opened(clock=Counted()).sweep(REQUEST)
    again = opened(clock=Counted()).sweep(REQUEST)
    later = opened(clock=Counted(START_S + 3600.0)).sweep(REQUEST)
    assert np.array_equal(first.level, again.level)
    assert not np.array_equal(first.level, later.level)


def test_a_cancelled_sweep_brings_nothing() -> None:
    opening = Opening(options={"clock": Counted()})
    sweeper = SimDriver().open(opening)
    opening.cancel.set()
    with pytest.raises(TransportClosed):
        sweeper.sweep(REQUEST)


def test_a_word_is_no_clock() -> None:
    with pytest.raises(RequestRefused, match="option clock"):
        opened(clock="09:00")


def test_another_seed_is_another_night_and_the_same_seed_the_same() -> None:
    def sweep(seed: int) -> Any:
        return opened(clock=Counted(), seed=seed).sweep(REQUEST).level

    assert np.array_equal(sweep(3), sweep(3))
    assert not np.array_equal(sweep(3), sweep(4))


@pytest.mark.parametrize("seed", [0, -1, 1.5, "7", True, 2**63])
def test_a_seed_is_a_whole_number(seed: Any) -> None:
    with pytest.raises(RequestRefused, match="option seed"):
        opened(seed=seed)


class TestAny:
    """The receiver of wide range."""

    def test_hardly_any_request_is_beyond_it(self) -> None:
        sweeper = opened("sim:any", clock=Counted(), rbw_hz=[9e3, 120e3, 123.0])
        requests = (
            SweepRequest(start_hz=9e3, stop_hz=30e6, points=20_001, rbw_hz=9e3),
            SweepRequest(start_hz=10e9, stop_hz=26e9, points=2, rbw_hz=3e6),
            SweepRequest(start_hz=433.92e6, stop_hz=433.92e6, points=1, rbw_hz=123.0),
            SweepRequest(start_hz=30e6, stop_hz=1e9, points=801, rbw_hz=120e3, averages=500),
        )
        for request in requests:
            assert len(plan_hops(request, sweeper.capabilities())) == 1
            trace = sweeper.sweep(request)
            assert np.isfinite(trace.level).all()
            assert trace.reported.rbw_hz == request.rbw_hz

    def test_with_fewer_points_it_hops_as_the_real_one_does(self) -> None:
        sweeper = opened("sim:any", clock=Counted(), points_max=401)
        request = SweepRequest(start_hz=150e6, stop_hz=160e6, points=1201, rbw_hz=10e3)
        assert len(plan_hops(request, sweeper.capabilities())) == 3

    def test_it_hears_the_first_scene_or_the_one_that_is_named(self) -> None:
        """Channel 16 is on the air of the scene `marine`, which is the first, and of no other."""
        channel = SweepRequest(
            start_hz=156.7e6, stop_hz=156.9e6, points=101, detector=Detector.POSITIVE
        )

        def loudest(**options: Any) -> float:
            clock, most = Counted(), -np.inf
            sweeper = opened("sim:any", clock=clock, **options)
            for _ in range(600):
                clock.at_s += 5.0
                most = max(most, float(sweeper.sweep(channel).level.max()))
            return most

        assert loudest() > -85.0
        assert loudest(hears="village") < -95.0

    def test_its_source_comes_straight_back(self) -> None:
        sweeper = opened("sim:any", clock=Counted())
        source = SourceRequest(on=True, level_dbm=-20.0)
        request = SweepRequest(start_hz=60e6, stop_hz=180e6, points=101, source=source)
        assert np.median(sweeper.sweep(request).level) == pytest.approx(-20.0, abs=2.0)

    @pytest.mark.parametrize(
        ("options", "says"),
        [
            ({"hears": "nowhere"}, "the scenes of gannet.toml: marine"),
            ({"points_max": 0}, "option points_max"),
            ({"rbw_hz": [0.1]}, "option rbw_hz"),
            ({"rbw_hz": "9 kHz"}, "option rbw_hz"),
        ],
    )
    def test_what_it_cannot_be_given_is_told(self, options: dict[str, Any], says: str) -> None:
        with pytest.raises(RequestRefused, match=says):
            opened("sim:any", **options)

    def test_it_is_named_where_an_instrument_is_not_there(self) -> None:
        with pytest.raises(RequestRefused, match="any"):
            opened("sim:roof")
