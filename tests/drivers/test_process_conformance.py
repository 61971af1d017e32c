"""The kit on a driver that runs in a process of its own: it keeps the contract there as well."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from acqd.sweep import SourceRequest, SweepRequest
from acqd.testing.conformance import Bench, DriverConformance
from acqd.testing.relay import TcpRelay
from bad_drivers import GoodDriver, LedgePeer


class TestInAProcess(DriverConformance):
    """The invented sweeper over a relay, its driver elsewhere."""

    @pytest.fixture
    def bench(self) -> Iterator[Bench]:
        """A sweep that is slow enough to be cancelled and unplugged in."""
        peer = LedgePeer()
        relay = TcpRelay(peer.address)
        request = SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, rbw_hz=10e3)
        yield Bench(
            driver=GoodDriver(),
            address=relay.address,
            request=request,
            slow_request=SweepRequest(start_hz=156e6, stop_hz=157e6, points=101, sweep_time_s=5.0),
            unplug=relay.unplug,
            replug=relay.replug,
            hold=relay.hold,
            release=relay.release,
            source_request=SourceRequest(on=True, level_dbm=-20.0),
            source_is_on=lambda: peer.source_on,
            isolation="process",
        )
        relay.close()
        peer.stop()
