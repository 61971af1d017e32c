"""Sweeps that the host takes in hops: joined, timed, and whole where a hop is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from acqd.drivers.contract import OpenContext, Trace
from acqd.drivers.host import SweeperHost
from acqd.errors import (
    SweepInvalid,
    TransportClosed,
)
from acqd.sweep import SweepFlag, SweepRequest
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import ScriptedDriver, trace_of

Make = Callable[..., SweeperHost]


async def test_a_wide_request_is_swept_in_hops_and_joined(
    host_of: Make, request_401: SweepRequest
) -> None:
    """2500 points at most 1001 at a time: three sweeps, one result, each with its time."""

    def ramp(request: SweepRequest, context: OpenContext) -> Trace:
        return trace_of((request.frequencies_hz() - 156e6) / 1e4 - 100, request)

    driver = ScriptedDriver([ramp] * 3)
    host = host_of(driver)
    await host.open()
    ask = replace(request_401, points=2500)
    assert await host.estimate_s(ask) == 0.0
    sweep = await host.sweep(ask)
    assert np.array_equal(sweep.frequency_hz, ask.frequencies_hz())
    assert sweep.level == pytest.approx((ask.frequencies_hz() - 156e6) / 1e4 - 100, abs=1e-4)
    assert [hop.points for hop in sweep.hops] == [834, 834, 832]
    assert all(hop.ok for hop in sweep.hops) and sweep.flags == 0
    assert [request.points for request in driver.swept] == [834, 834, 834]
    await host.close()


async def test_a_hop_that_fails_leaves_nan_and_a_flag(
    host_of: Make, request_401: SweepRequest
) -> None:
    """The others are kept; where the link broke, all that come after are missing too."""
    ask = replace(request_401, points=3000)
    host = host_of(ScriptedDriver([None, SweepInvalid("short"), None]))
    await host.open()
    sweep = await host.sweep(ask)
    assert [hop.ok for hop in sweep.hops] == [True, False, True]
    assert np.isnan(sweep.level[1000:2000]).all() and np.isfinite(sweep.level[2000:]).all()
    assert sweep.flags == SweepFlag.HOP_FAILED | SweepFlag.NOT_FINITE
    assert host.is_open and host.statistics().failures == 1
    await host.close()

    host = host_of(ScriptedDriver([None, TransportClosed("unplugged"), None]))
    await host.open()
    sweep = await host.sweep(ask)
    assert [hop.ok for hop in sweep.hops] == [True, False, False]
    assert not host.is_open and host.statistics().failures == 1


async def test_a_joined_sweep_reports_and_takes_the_time_of_all_its_hops(
    host_of: Make, clock: ManualClock, request_401: SweepRequest
) -> None:
    """Each hop reports its own sweep time; one that fails takes its time too, first or last."""

    def slow(request: SweepRequest, context: OpenContext) -> Trace:
        clock.advance(0.5)
        trace = trace_of(np.full(request.points, -90.0), request)
        return replace(trace, reported=replace(trace.reported, sweep_time_s=0.25))

    def broken(request: SweepRequest, context: OpenContext) -> Trace:
        clock.advance(0.75)
        raise SweepInvalid("short")

    for script, took_s in (
        ([slow, slow, slow], 1.5),
        ([broken, slow, slow], 1.75),
        ([slow, slow, broken], 1.75),
    ):
        host = host_of(ScriptedDriver(list(script)))
        await host.open()
        wall_s, monotonic_s = clock.wall_s(), clock.monotonic_s()
        sweep = await host.sweep(replace(request_401, points=3000))
        assert sweep.reported.sweep_time_s == pytest.approx(0.75)
        assert (sweep.started_s, sweep.monotonic_s) == (wall_s, monotonic_s)
        assert sweep.took_s == pytest.approx(took_s)
        assert sweep.hops[0].started_s == sweep.started_s
        await host.close()


async def test_hops_that_all_fail_raise_the_first_error(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Nothing came, so there is no sweep."""
    host = host_of(ScriptedDriver([SweepInvalid("first"), SweepInvalid("second")]))
    await host.open()
    with pytest.raises(SweepInvalid, match="first"):
        await host.sweep(replace(request_401, points=2000))
    await host.close()
