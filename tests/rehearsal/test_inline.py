"""A driver's calls that are done at once, and answered when their time has passed."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
from acqd_sim.driver import SimDriver

from acqd.drivers.host import SweeperHost
from acqd.errors import DriverFault, SweeperError, TransportClosed
from acqd.rehearsal.inline import InlineWorker
from acqd.rehearsal.virtual import VirtualClock, VirtualLoop
from acqd.sweep import Detector, SweepRequest

START_S = 1_795_899_600.0
REQUEST = SweepRequest(
    start_hz=156e6,
    stop_hz=157e6,
    points=101,
    rbw_hz=10e3,
    detector=Detector.SAMPLE,
    sweep_time_s=2.5,
)


def run(make: Callable[[VirtualClock], Coroutine[Any, Any, Any]]) -> Any:
    with asyncio.Runner(loop_factory=VirtualLoop) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, VirtualLoop)
        return runner.run(make(VirtualClock(loop, start_s=START_S, boot_id="boot")))


def host(clock: VirtualClock, pace: float = 1.0, **more: Any) -> SweeperHost:
    def make(**options: Any) -> InlineWorker:
        return InlineWorker(**options, pace=lambda request: pace)

    return SweeperHost(
        name="mast",
        driver=SimDriver(),
        address="sim:mast",
        options={},
        clock=clock,
        make_worker=make,
        **more,
    )


def test_a_sweep_takes_its_time_on_the_clock_and_none_of_ours() -> None:
    async def sweep(clock: VirtualClock) -> None:
        sweeper = host(clock)
        await sweeper.open()
        assert clock.monotonic_s() == 0.0, "to open it takes no time"
        taken = await sweeper.sweep(REQUEST)
        assert (taken.started_s, taken.took_s) == (START_S, 2.5)
        assert clock.monotonic_s() == 2.5
        again = await sweeper.sweep(REQUEST)
        assert again.started_s == START_S + 2.5
        await sweeper.close()

    run(sweep)


def test_hops_follow_one_another() -> None:
    async def sweep(clock: VirtualClock) -> None:
        sweeper = host(clock)
        await sweeper.open()
        request = SweepRequest(start_hz=150e6, stop_hz=160e6, points=2002, rbw_hz=10e3)
        taken = await sweeper.sweep(request)
        first, second = taken.hops
        assert second.started_s == pytest.approx(first.started_s + first.took_s, abs=2e-6)
        assert taken.took_s == pytest.approx(clock.monotonic_s(), abs=2e-6)
        await sweeper.close()

    run(sweep)


def test_a_sweeper_that_is_really_slower_is_given_the_time() -> None:
    async def sweep(clock: VirtualClock) -> None:
        # Without a paced estimate its deadline would be three times the simulated one, and two.
        sweeper = host(clock, pace=40.0)
        await sweeper.open()
        taken = await sweeper.sweep(REQUEST)
        assert taken.took_s == 100.0
        assert await sweeper.estimate_s(REQUEST) == 100.0
        await sweeper.close()

    run(sweep)


def test_closing_ends_a_sweep_that_is_under_way() -> None:
    async def sweep(clock: VirtualClock) -> float:
        sweeper = host(clock)
        await sweeper.open()
        sweeping = asyncio.create_task(sweeper.sweep(REQUEST))
        await asyncio.sleep(1.0)
        await sweeper.close()
        with pytest.raises(TransportClosed):
            await sweeping
        return clock.monotonic_s()

    assert run(sweep) == 1.0


def test_a_cancelled_sweep_leaves_a_closed_sweeper_that_can_be_opened_again() -> None:
    async def sweep(clock: VirtualClock) -> None:
        sweeper = host(clock)
        await sweeper.open()
        sweeping = asyncio.create_task(sweeper.sweep(REQUEST))
        await asyncio.sleep(0.5)
        sweeping.cancel()
        with pytest.raises(asyncio.CancelledError):
            await sweeping
        assert not sweeper.is_open
        await sweeper.open()
        assert (await sweeper.sweep(REQUEST)).took_s == 2.5
        await sweeper.close()

    run(sweep)


def test_what_a_driver_raises_stays_its_own_fault() -> None:
    class Broken(SimDriver):
        def open(self, context: Any) -> Any:
            raise ZeroDivisionError("oops")

    async def opened(clock: VirtualClock) -> None:
        sweeper = SweeperHost(
            name="mast",
            driver=Broken(),
            address="sim:mast",
            options={},
            clock=clock,
            make_worker=InlineWorker,
        )
        with pytest.raises(DriverFault, match="oops"):
            await sweeper.open()
        assert not sweeper.is_open

    run(opened)


def test_a_driver_that_does_not_know_the_clock_says_so() -> None:
    class Choosy(SimDriver):
        def open(self, context: Any) -> Any:
            assert "clock" in context.options
            raise SweeperError("an option clock that I do not know")

    async def opened(clock: VirtualClock) -> None:
        sweeper = SweeperHost(
            name="mast",
            driver=Choosy(),
            address="sim:mast",
            options={},
            clock=clock,
            make_worker=InlineWorker,
        )
        with pytest.raises(SweeperError, match="clock"):
            await sweeper.open()

    run(opened)
