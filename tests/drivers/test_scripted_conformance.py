"""The scripted driver keeps the contract itself, so that tests with it prove something."""

from __future__ import annotations

import pytest

from acqd.sweep import SourceRequest, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from acqd.testing.sweepers import FakeTransport, ScriptedDriver


class TestScriptedDriver(DriverConformance):
    """The kit on the fake."""

    @pytest.fixture
    def bench(self) -> Bench:
        """Its cable is a flag."""
        driver = ScriptedDriver()

        def plug(is_unplugged: bool) -> None:
            driver.is_unplugged = is_unplugged

        return Bench(
            driver=driver,
            address="memory:",
            request=SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, rbw_hz=10e3),
            slow_request=SweepRequest(start_hz=156e6, stop_hz=157e6, points=401, sweep_time_s=1.0),
            source_request=SourceRequest(on=True, level_dbm=-20.0),
            source_is_on=lambda: driver.source_on,
            unplug=lambda: plug(True),
            replug=lambda: plug(False),
            open_link=lambda address, options: FakeTransport(),
        )
