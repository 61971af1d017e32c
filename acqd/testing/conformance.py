"""The conformance kit: what every driver must do, as tests that a driver's own tests inherit.

A distribution subclasses :class:`DriverConformance` in its tests and gives a fixture ``bench``::

    class TestMyDriver(DriverConformance):
        @pytest.fixture
        def bench(self):
            with my_peer() as peer:
                yield Bench(
                    driver=MyDriver(), address=peer.address, request=SweepRequest(...), ...
                )

What a bench cannot do (unplug, say whether the source is on) is skipped, visibly. Needs pytest; all
drivers are driven through the real host, never around it.
"""

from __future__ import annotations

import asyncio
import contextlib
import threading
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest

from acqd.clock import SystemClock
from acqd.drivers.contract import (
    API,
    Candidate,
    Driver,
    Named,
    SerialPort,
    Service,
    Transport,
    UsbDevice,
)
from acqd.drivers.host import SweeperHost
from acqd.drivers.transport import open_transport
from acqd.drivers.worker import OpenLink
from acqd.errors import RequestRefused, SweeperError
from acqd.sweep import Capabilities, SourceRequest, SweepFlag, SweepRequest

__all__ = ["Bench", "DriverConformance"]

CANCEL_BOUND_S = 2.0
UNPLUG_BOUND_S = 15.0
ABSURD_BOUND_S = 1.0


@dataclass(kw_only=True)
class Bench:
    """A driver with something to drive.

    Args:
        driver: an instance made as the registry makes it.
        address: where the sweeper is.
        request: an ordinary sweep, well within its limits, that takes well under a second.
        options: the driver's.
        slow_request: a sweep that takes a second or more, to be cancelled and unplugged in.
        unplug: breaks the link to the sweeper, as pulling the cable does.
        replug: puts it back.
        source_is_on: whether the sweeper's source is really on, seen from outside.
        source_request: a setting of the source that is allowed.
        open_link: opens the link, where it is none of the station's own kinds.
    """

    driver: Driver
    address: str
    request: SweepRequest
    options: Mapping[str, Any] = field(default_factory=dict)
    slow_request: SweepRequest | None = None
    unplug: Callable[[], None] | None = None
    replug: Callable[[], None] | None = None
    source_is_on: Callable[[], bool] | None = None
    source_request: SourceRequest | None = None
    open_link: OpenLink = open_transport
    deadline_s: float = 10.0

    def host(self) -> SweeperHost:
        """A host for it."""
        return SweeperHost(
            name="bench",
            driver=self.driver,
            address=self.address,
            options=self.options,
            clock=SystemClock(),
            deadline_s=self.deadline_s,
            open_link=self.open_link,
        )

    @contextlib.asynccontextmanager
    async def opened(self) -> AsyncIterator[SweeperHost]:
        """An open host, closed again."""
        host = self.host()
        await host.open()
        try:
            yield host
        finally:
            await host.close()


class _NoProbe:
    """A FindContext in which nothing may be opened."""

    probe = False
    addresses: Sequence[str] = ()

    def __init__(self, addresses: Sequence[str]) -> None:
        self.addresses = addresses
        self.connected: list[str] = []

    def serial_ports(self) -> Sequence[SerialPort]:
        return (SerialPort(device="/dev/ttyACM0"), SerialPort(device="/dev/ttyUSB7"))

    @property
    def named(self) -> Sequence[Named]:
        return [Named(address=address) for address in self.addresses]

    def usb_devices(self) -> Sequence[UsbDevice]:
        return (UsbDevice(vid=0x1209, pid=0x0001, interfaces=((0xFE, 0x03, 0x01),)),)

    def services(self) -> Sequence[Service]:
        return ()

    def connect(self, address: str, options: Mapping[str, Any] | None = None) -> Transport:
        self.connected.append(address)
        raise SweeperError("nothing may be opened without probe")


class DriverConformance:
    """Subclass it in a driver's tests with a fixture ``bench`` that gives a :class:`Bench`."""

    def test_states_the_contract_it_was_written_for(self, bench: Bench) -> None:
        """The driver is a Driver of this contract's version and can be made again."""
        assert isinstance(bench.driver, Driver)
        assert bench.driver.api == API

    def test_introduces_itself_the_same_each_time(self, bench: Bench) -> None:
        """Identity and limits are usable and do not change from one opening to the next."""

        async def run() -> None:
            host = bench.host()
            first = await host.open()
            second = await host.open()
            await host.close()
            assert second.identity_changed_from is None
            assert first.identity == second.identity
            assert first.capabilities == second.capabilities
            assert str(first.identity) != "unnamed sweeper"
            assert _fits(bench.request, first.capabilities)

        asyncio.run(run())

    def test_a_sweep_is_the_one_asked_for(self, bench: Bench) -> None:
        """Points, range and unit are as asked, nearly all levels are numbers, times are stamped."""

        async def run() -> None:
            async with bench.opened() as host:
                before_s = time.time()
                sweep = await host.sweep(bench.request)
                capabilities = host.capabilities
                assert capabilities is not None
                assert sweep.request == bench.request
                assert sweep.unit is capabilities.unit
                assert np.isfinite(sweep.level).mean() > 0.5
                assert before_s - 0.001 <= sweep.started_s <= time.time() + 0.001
                assert sweep.took_s >= 0.0
                assert not sweep.flags & SweepFlag.HOP_FAILED

        asyncio.run(run())

    def test_goes_back_and_forth_between_requests(self, bench: Bench) -> None:
        """Another job's sweep between two of ours does not change ours."""
        other = replace(
            bench.request,
            stop_hz=bench.request.start_hz + bench.request.span_hz / 2,
        )

        async def run() -> None:
            async with bench.opened() as host:
                sweeps = [await host.sweep(each) for each in (bench.request, other, bench.request)]
                axes = [sweep.frequency_hz for sweep in sweeps]
                assert np.array_equal(axes[0], axes[2])
                assert axes[1].max() < axes[0].max()
                assert replace(sweeps[0].reported, assumed=()) == replace(
                    sweeps[2].reported, assumed=()
                )

        asyncio.run(run())

    def test_an_estimate_is_a_time_or_none(self, bench: Bench) -> None:
        """estimate_s is None or a number of seconds, and the sweep keeps the host's limit."""

        async def run() -> None:
            async with bench.opened() as host:
                estimate_s = await host.estimate_s(bench.request)
                sweep = await host.sweep(bench.request)
                if estimate_s is not None:
                    assert 0.0 <= estimate_s < 3600.0
                    assert sweep.took_s <= 3 * estimate_s + 2.0

        asyncio.run(run())

    def test_absurd_requests_are_refused_and_do_no_harm(self, bench: Bench) -> None:
        """Beyond the limits: RequestRefused by the host; then an ordinary sweep works."""

        async def run() -> None:
            async with bench.opened() as host:
                capabilities = host.capabilities
                assert capabilities is not None
                beyond_hz = capabilities.stop_hz * 2 + 1e6
                with pytest.raises(RequestRefused):
                    await host.sweep(replace(bench.request, stop_hz=beyond_hz))
                if not capabilities.source:
                    with pytest.raises(RequestRefused):
                        await host.set_source(SourceRequest(on=True))
                assert host.is_open
                await host.sweep(bench.request)

        asyncio.run(run())

    def test_what_it_raises_is_of_our_error_tree(self, bench: Bench) -> None:
        """Values that the limits do not rule out but no sweeper has: a sweep, or a SweeperError."""
        absurd = [
            replace(bench.request, vbw_hz=1e-6),
            replace(bench.request, attenuation_db=1e6),
            replace(bench.request, reference_level_dbm=-1e6),
            replace(bench.request, stop_hz=bench.request.start_hz),
        ]

        async def run() -> None:
            host = bench.host()
            try:
                for request in absurd:
                    if not host.is_open:
                        await host.open()
                    # A video filter of a microhertz may honestly take weeks.
                    with contextlib.suppress(SweeperError, TimeoutError):
                        async with asyncio.timeout(ABSURD_BOUND_S):
                            await host.sweep(request)
                    last_error = host.statistics().last_error or ""
                    assert "the driver raised" not in last_error
                if not host.is_open:
                    await host.open()
                await host.sweep(bench.request)
            finally:
                await host.close()

        asyncio.run(run())

    def test_source_is_off_after_opening_and_after_closing(self, bench: Bench) -> None:
        """Whatever was left on goes off with open(), and what was turned on with close()."""
        seen = bench.source_is_on
        if seen is None or bench.source_request is None:
            pytest.skip("this bench has no source to look at")
        wanted = bench.source_request

        async def run() -> None:
            async with bench.opened() as host:
                assert not seen()
                await host.set_source(wanted)
                assert seen()
                await host.open()
                assert not seen()
                await host.set_source(wanted)
            assert not seen()

        asyncio.run(run())

    def test_a_cancelled_sweep_ends_soon_and_leaves_it_usable(self, bench: Bench) -> None:
        """Cancelling comes back within 2 s, leaves no thread hanging, and it can be opened anew."""
        slow = bench.slow_request
        if slow is None:
            pytest.skip("this bench has no slow sweep")

        async def run() -> None:
            host = bench.host()
            await host.open()
            task = asyncio.create_task(host.sweep(slow))
            await asyncio.sleep(0.1)
            begun_s = time.monotonic()
            task.cancel()
            with pytest.raises(asyncio.CancelledError):
                await task
            assert time.monotonic() - begun_s < CANCEL_BOUND_S
            assert host.statistics().hanging == 0
            await host.open()
            await host.sweep(bench.request)
            await host.close()

        asyncio.run(run())

    def test_unplugging_costs_sweeps_and_replugging_brings_them_back(self, bench: Bench) -> None:
        """A link that breaks raises a SweeperError in bounded time; then it opens anew."""
        unplug, replug = bench.unplug, bench.replug
        if unplug is None or replug is None:
            pytest.skip("this bench cannot be unplugged")

        async def run() -> None:
            host = bench.host()
            await host.open()
            task = asyncio.create_task(host.sweep(bench.slow_request or bench.request))
            await asyncio.sleep(0.1 if bench.slow_request else 0.0)
            unplug()
            with contextlib.suppress(SweeperError):
                async with asyncio.timeout(UNPLUG_BOUND_S):
                    await task
                    await host.sweep(bench.request)
                raise AssertionError("it swept without a link")
            assert not host.is_open
            assert host.statistics().hanging == 0
            replug()
            await host.open()
            await host.sweep(bench.request)
            await host.close()

        asyncio.run(run())

    def test_closing_ends_its_thread_and_can_be_done_twice(self, bench: Bench) -> None:
        """After close() no thread of the sweeper is left, and the port can be opened again."""

        async def run() -> None:
            host = bench.host()
            await host.open()
            await host.close()
            await host.close()
            await asyncio.sleep(0.05)
            left = [one.name for one in threading.enumerate() if one.name == "acqd-sweeper-bench"]
            assert left == []
            await host.open()
            await host.close()

        asyncio.run(run())

    def test_finding_without_probe_opens_nothing(self, bench: Bench) -> None:
        """find() gives Candidates and touches no port unless probing is allowed."""
        context = _NoProbe([bench.address])
        found = list(bench.driver.find(context))
        assert context.connected == []
        assert all(isinstance(one, Candidate) for one in found)


def _fits(request: SweepRequest, capabilities: Capabilities) -> bool:
    return capabilities.start_hz <= request.start_hz <= request.stop_hz <= capabilities.stop_hz
