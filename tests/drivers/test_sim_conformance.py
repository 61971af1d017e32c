"""The simulator's driver keeps the contract."""

from __future__ import annotations

from dataclasses import replace

import pytest
from acqd_sim import SimDriver
from acqd_sim.driver import SimSweeper

from acqd.drivers.contract import OpenContext
from acqd.sweep import SourceRequest, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance


class Watched(SimDriver):
    """Remembers its sweeper, so that its source can be looked at."""

    sweeper: SimSweeper | None = None

    def open(self, context: OpenContext) -> SimSweeper:
        self.sweeper = super().open(context)
        return self.sweeper


class TestSimDriver(DriverConformance):
    """The kit on the in-process simulator."""

    test_unplugging_costs_sweeps_and_replugging_brings_them_back = None  # it has no cable

    @pytest.fixture
    def bench(self) -> Bench:
        """The built-in scene, fifty times as fast as life."""
        driver = Watched()
        request = SweepRequest(start_hz=446e6, stop_hz=446.2e6, points=401, rbw_hz=10e3)
        return Bench(
            driver=driver,
            address="sim:shack",
            options={"time_scale": 0.02},
            request=request,
            slow_request=replace(request, sweep_time_s=90.0),
            source_request=SourceRequest(on=True, level_dbm=-20.0),
            source_is_on=lambda: driver.sweeper is not None and driver.sweeper.source.on,
        )
