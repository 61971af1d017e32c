"""The conformance kit over a real TCP stream and on a recording."""

from __future__ import annotations

from typing import Any

import pytest
from acqd_iq import IqDriver

from acqd.sweep import Detector, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance

REQUEST = SweepRequest(
    start_hz=156.44e6,
    stop_hz=156.56e6,
    points=121,
    rbw_hz=2e3,
    detector=Detector.RMS,
    sweep_time_s=0.02,
)
SLOW = SweepRequest(start_hz=156.44e6, stop_hz=156.56e6, points=121, rbw_hz=2e3, sweep_time_s=1.5)


class TestStream(DriverConformance):
    """A program that sends samples, whose cable can be pulled."""

    @pytest.fixture
    def bench(self, sender: Any) -> Bench:
        return Bench(
            driver=IqDriver(),
            address=sender.address,
            options=sender.options,
            request=REQUEST,
            slow_request=SLOW,
            unplug=sender.unplug,
            replug=sender.plug,
            hold=sender.hold,
            release=sender.release,
        )


class TestRecording(DriverConformance):
    """A recording played as it was recorded, over and over, whose folder can be taken away."""

    @pytest.fixture
    def bench(self, folder: Any, make: Any) -> Bench:
        address = folder.write(samples=make["tone"](400_000))
        away = folder.path.with_name("away")
        return Bench(
            driver=IqDriver(),
            address=address,
            options={"play": "loop", "pace": "as-recorded"},
            request=REQUEST,
            slow_request=SLOW,
            unplug=lambda: folder.path.rename(away),
            replug=lambda: away.rename(folder.path),
        )
