"""The in-process driver, by the rules of the driver contract."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from importlib.metadata import entry_points
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from acqd_sim import SimDriver
from acqd_sim.driver import SimSweeper

from acqd.drivers.contract import (
    GROUP,
    Certainty,
    Driver,
    OpenContext,
    SerialPort,
    Sweeper,
    Transport,
)
from acqd.errors import RequestRefused, SweeperError, TransportClosed, TransportError
from acqd.sweep import Detector, LevelUnit, SourceRequest, SweepFlag, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance


class Token:
    """A cancel token on an event."""

    def __init__(self) -> None:
        self._event = threading.Event()

    def set(self) -> None:
        self._event.set()

    def is_set(self) -> bool:
        return self._event.is_set()

    def wait(self, seconds: float) -> bool:
        return self._event.wait(seconds)


@dataclass
class Opening:
    """What a driver is opened with."""

    address: str = "sim:shack"
    options: Mapping[str, Any] = field(default_factory=dict)
    name: str = "shack"
    cancel: Token = field(default_factory=Token)

    def connect(self) -> Transport:
        raise AssertionError("a simulated sweeper needs no link")


@dataclass
class Finding:
    """What a driver looks with."""

    addresses: Sequence[str] = ()
    probe: bool = False

    def serial_ports(self) -> Sequence[SerialPort]:
        return ()

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        raise AssertionError("a simulated sweeper needs no link")


@pytest.fixture
def shack() -> Callable[..., Sweeper]:
    """Opens a simulated sweeper a thousand times faster than real."""

    def open_it(address: str = "sim:shack", **options: Any) -> Sweeper:
        opening = Opening(address=address, options={"time_scale": 0.001, **options})
        return SimDriver().open(opening)

    return open_it


PMR = SweepRequest(start_hz=446.0e6, stop_hz=446.2e6, points=401, rbw_hz=3e3)


def test_the_entry_point_is_the_driver() -> None:
    """The distribution offers it under its name."""
    (entry,) = [one for one in entry_points(group=GROUP) if one.name == "sim"]
    assert entry.load() is SimDriver
    assert issubclass(SimDriver, Driver)


def test_a_sweep_is_what_was_asked_for(shack: Callable[..., Sweeper]) -> None:
    """Points, unit, resolution, and the settings it was taken with."""
    trace = shack().sweep(PMR)
    assert trace.level.shape == (401,)
    assert trace.unit is LevelUnit.DBM
    assert trace.resolution == 0.01
    assert np.isfinite(trace.level).all()
    assert trace.reported.rbw_hz == 3e3
    assert trace.reported.detector is Detector.POSITIVE
    assert trace.reported.sweep_time_s is not None


def test_two_sweeps_differ(shack: Callable[..., Sweeper]) -> None:
    """Noise is never the same twice, also after opening anew."""
    sweeper = shack()
    first, second, third = sweeper.sweep(PMR), sweeper.sweep(PMR), shack().sweep(PMR)
    assert not np.array_equal(first.level, second.level)
    assert not np.array_equal(first.level, third.level)


def test_capabilities_are_complete_enough_for_a_transmitter(shack: Callable[..., Sweeper]) -> None:
    """Accuracy, absolute maximum, source limits: nothing is left to assume."""
    can = shack().capabilities()
    assert can.absolute_max_dbm == 10.0
    assert can.level_accuracy_db == 1.0
    assert can.frequency_accuracy_ppm == 2.5
    assert can.source
    assert (can.source_min_dbm, can.source_max_dbm) == (-40.0, 0.0)
    assert can.rbw_steps_hz[0] == 300.0
    assert can.attenuation_steps_db == (0.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0)
    assert can.assumed == ()


def test_sweeps_take_their_time_and_the_estimate_says_which() -> None:
    """At real speed: at least the estimate, and not much more."""
    sweeper = SimDriver().open(Opening())
    estimate_s = sweeper.estimate_s(PMR)
    before_s = time.monotonic()
    sweeper.sweep(PMR)
    took_s = time.monotonic() - before_s
    assert estimate_s is not None
    assert estimate_s <= took_s < estimate_s + 2.0


def test_a_cancelled_sweep_ends_at_once() -> None:
    """Waiting is on the cancel token."""
    opening = Opening()
    sweeper = SimDriver().open(opening)
    slow = SweepRequest(start_hz=400e6, stop_hz=500e6, points=401, rbw_hz=300.0)
    opening.cancel.set()
    with pytest.raises(TransportClosed):
        sweeper.sweep(slow)


def test_a_sweep_of_hours_is_refused(shack: Callable[..., Sweeper]) -> None:
    """300 Hz over 900 MHz would settle for seven hours."""
    endless = SweepRequest(start_hz=1e6, stop_hz=900e6, points=401, rbw_hz=300.0)
    with pytest.raises(RequestRefused, match=r"sweep time.*4000 s"):
        shack().sweep(endless)


def test_the_source_is_off_until_it_is_turned_on(shack: Callable[..., Sweeper]) -> None:
    """By set_source or by the request; off again on closing."""
    sweeper = shack()
    band = SweepRequest(start_hz=140e6, stop_hz=150e6, points=101, rbw_hz=10e3, attenuation_db=20.0)
    sweeper.set_source(SourceRequest(on=False))
    assert sweeper.sweep(band).level.max() < -60.0
    sweeper.set_source(SourceRequest(on=True, level_dbm=-10.0))
    through = sweeper.sweep(band)
    assert through.level[50] == pytest.approx(-10.9, abs=2.0)
    assert through.reported.source_level_dbm == -10.0
    sweeper.close()
    assert sweeper.sweep(band).level.max() < -60.0
    with pytest.raises(RequestRefused, match="-40 to 0 dBm"):
        sweeper.set_source(SourceRequest(on=True, level_dbm=20.0))


def test_other_devices_can_be_connected_by_option(shack: Callable[..., Sweeper]) -> None:
    """Straight through instead of the filter."""
    wide = SweepRequest(
        start_hz=100e6,
        stop_hz=200e6,
        points=101,
        rbw_hz=100e3,
        attenuation_db=20.0,
        source=SourceRequest(on=True, level_dbm=-10.0),
    )
    filtered, through = shack().sweep(wide), shack(source_path=[]).sweep(wide)
    assert filtered.level[0] < -60.0
    assert through.level[0] == pytest.approx(-10.0, abs=2.0)


def test_an_overdriven_input_is_flagged(shack: Callable[..., Sweeper], tmp_path: Path) -> None:
    """The trace says OVERLOAD while the hand-held is keyed with too little in between."""
    scene = tmp_path / "scene.toml"
    scene.write_text(
        "seed = 1\n"
        "[[scene.air.carrier]]\n"
        'name = "strong"\nfrequency = "100 MHz"\npower = "5 dBm"\n'
        "[instrument.near]\n"
        'scene = "air"\n'
    )
    request = SweepRequest(start_hz=90e6, stop_hz=110e6, points=101, attenuation_db=0.0)
    trace = shack("sim:near", scene=str(scene)).sweep(request)
    assert trace.flags & SweepFlag.OVERLOAD


@pytest.mark.parametrize(
    ("address", "options", "problem"),
    [
        ("sim:boat", {}, "sim:boat is not accepted.*: mast, .*bench, shack"),
        ("sim:shack", {"scene": "/nowhere/x.toml"}, "/nowhere/x.toml.*cannot be read"),
        ("sim:shack", {"path": ["no-such"]}, "path: 'no-such' is not accepted.*the devices of"),
        ("sim:shack", {"speed": 5}, "option 'speed'.*the options scene, path"),
        ("sim:shack", {"time_scale": 0}, "time_scale"),
    ],
    ids=["instrument", "scene", "device", "option", "scale"],
)
def test_what_cannot_be_opened_is_said(
    address: str, options: Mapping[str, Any], problem: str
) -> None:
    """One clear error, of the sweeper."""
    with pytest.raises(SweeperError, match=problem):
        SimDriver().open(Opening(address=address, options=options))


def test_found_are_the_named_ones_and_the_built_in_one() -> None:
    """Named ones are listed; the built-in one is only likely what somebody wants."""
    found = list(SimDriver().find(Finding(addresses=("sim:mast", "tcp://x:1"))))
    assert [(one.address, one.certainty) for one in found] == [
        ("sim:mast", Certainty.LISTED),
        ("sim:shack", Certainty.LIKELY),
    ]
    assert {one.what for one in found} == {"simulated sweeper"}
    assert [one.is_spare for one in found] == [False, True]


class Watched(SimDriver):
    """Keeps what it opens, so that a test can look at the source."""

    def __init__(self) -> None:
        self.opened: list[SimSweeper] = []

    def open(self, context: OpenContext) -> SimSweeper:
        self.opened.append(super().open(context))
        return self.opened[-1]


@pytest.mark.slow
class TestConformance(DriverConformance):
    """All that the driver contract asks for, through the real host."""

    @pytest.fixture
    def bench(self) -> Bench:
        driver = Watched()
        return Bench(
            driver=driver,
            address="sim:shack",
            request=PMR,
            slow_request=SweepRequest(start_hz=440e6, stop_hz=450e6, points=401, rbw_hz=3e3),
            source_is_on=lambda: any(one.source.on for one in driver.opened),
            source_request=SourceRequest(on=True, level_dbm=-20.0),
        )


def test_a_sweeper_that_is_away_has_lost_its_link(tmp_path: Path) -> None:
    """While it is away it cannot be opened; what was open breaks off; afterwards it is back."""
    now = datetime.now(UTC)
    start, stop = (now + timedelta(seconds=s) for s in (1.5, 3.0))
    scene = tmp_path / "away.toml"
    scene.write_text(
        "seed = 1\n[instrument.one]\n"
        f"away = [{{ from = '{start.isoformat()}', until = '{stop.isoformat()}' }}]\n"
    )
    opening = Opening(address="sim:one", options={"scene": str(scene)})
    request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=100e3)
    sweeper = SimDriver().open(opening)
    assert sweeper.sweep(request).level.size == 101
    time.sleep((start - datetime.now(UTC)).total_seconds() + 0.05)
    with pytest.raises(TransportClosed, match="unplugged"):
        sweeper.sweep(request)
    with pytest.raises(TransportError, match="unplugged, by its scene"):
        SimDriver().open(opening)
    time.sleep(max(0.0, (stop - datetime.now(UTC)).total_seconds() + 0.05))
    assert SimDriver().open(opening).sweep(request).level.size == 101
