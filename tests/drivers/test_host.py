"""The host: what a driver does wrong costs its own sweeps and nothing else."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from acqd.drivers.contract import OpenContext, Trace
from acqd.drivers.host import ABANDONED_MAX, SweeperHost
from acqd.errors import (
    DriverFault,
    IdentityChanged,
    RequestRefused,
    SweeperError,
    SweeperReported,
    SweepInvalid,
    TransportClosed,
    TransportTimeout,
)
from acqd.sweep import Capabilities, Identity, SourceRequest, SweepFlag, SweepRequest
from acqd.testing.clock import ManualClock
from acqd.testing.sweepers import FakeTransport, ScriptedDriver, trace_of

Make = Callable[..., SweeperHost]


class Notes:
    """A log that remembers."""

    def __init__(self) -> None:
        self.events: list[tuple[str, dict[str, Any]]] = []

    def info(self, event: str, **fields: Any) -> None:
        self.events.append((event, fields))

    warning = info

    def of(self, event: str) -> list[dict[str, Any]]:
        return [fields for name, fields in self.events if name == event]


class Stuck:
    """A step of a script that neither looks at its token nor at its link until it is let go."""

    def __init__(self) -> None:
        self.let_go = threading.Event()

    def __call__(self, request: SweepRequest, context: OpenContext) -> Trace:
        self.let_go.wait(20)
        raise TransportTimeout("came back late")


async def none_hanging(host: SweeperHost) -> None:
    """Wait for abandoned threads to end."""
    for _ in range(400):
        if not host.statistics().hanging:
            return
        await asyncio.sleep(0.005)
    raise AssertionError("a thread still hangs")


def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Graces of hundredths: the steps are the same, the test is short."""
    for name in ("GRACE_S", "CANCEL_S", "CLOSE_S", "CLOSE_GRACE_S"):
        monkeypatch.setattr(f"acqd.drivers.session.{name}", 0.03)


async def test_opening_tells_who_it_is_and_turns_the_source_off(host_of: Make) -> None:
    """Identity, limits, and the source that the run before left on is off."""
    driver = ScriptedDriver()
    driver.source_on = True
    host = host_of(driver)
    opened = await host.open()
    assert opened.identity == driver.identity == host.identity
    assert opened.capabilities == driver.capabilities == host.capabilities
    assert not driver.source_on and host.is_open
    await host.close()
    assert driver.closes == 1 and not host.is_open and host.capabilities is None


async def test_the_source_is_off_even_where_another_instrument_answers(host_of: Make) -> None:
    """A stranger is refused, but not with its source left on."""
    driver = ScriptedDriver()
    host = host_of(driver, expected=Identity(serial_number="SN9999"))
    with pytest.raises(
        IdentityChanged, match=r"expected a sweeper with serial number SN9999 .*SN0001.* answers"
    ):
        await host.open()
    assert not driver.source_on and not host.is_open and driver.closes == 1


async def test_a_sweep_is_stamped_by_the_stations_clock(
    host_of: Make, clock: ManualClock, request_401: SweepRequest
) -> None:
    """Wall and monotonic time, duration, boot and identity stand with the levels."""

    def slow(request: SweepRequest, context: OpenContext) -> Trace:
        clock.advance(0.25)
        return trace_of(np.full(request.points, -90.0), request)

    host = host_of(ScriptedDriver([slow]))
    await host.open()
    wall_s, monotonic_s = clock.wall_s(), clock.monotonic_s()
    sweep = await host.sweep(request_401)
    assert (sweep.started_s, sweep.monotonic_s) == (wall_s, monotonic_s)
    assert sweep.took_s == pytest.approx(0.25)
    assert sweep.boot_id == "boot-1" and sweep.clock_synchronised is True
    assert sweep.identity == host.identity and sweep.request is request_401
    assert sweep.level.dtype == np.float32 and sweep.flags == 0
    await host.close()


@pytest.mark.parametrize(
    ("synchronised", "flag"),
    [(True, 0), (None, 0), (False, SweepFlag.CLOCK_UNSYNCHRONISED)],
    ids=["synchronised", "nobody knows", "not synchronised"],
)
async def test_an_unsynchronised_clock_is_flagged(
    host_of: Make, clock: ManualClock, request_401: SweepRequest, synchronised: bool, flag: int
) -> None:
    """Only a clock that says it is wrong is flagged."""
    clock.is_synchronised = synchronised
    host = host_of()
    await host.open()
    sweep = await host.sweep(request_401)
    assert sweep.flags == flag and sweep.clock_synchronised is synchronised
    await host.close()


async def test_a_frozen_sweeper_is_flagged_also_across_other_requests(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Equal bit for bit to the last sweep of the same request, whatever was swept between."""

    def frozen(request: SweepRequest, context: OpenContext) -> Trace:
        return trace_of(np.linspace(-100, -90, request.points).round(2), request)

    other = replace(request_401, points=201)
    host = host_of(ScriptedDriver([frozen, None, frozen, None]))
    await host.open()
    sweeps = [await host.sweep(each) for each in (request_401, other, request_401, request_401)]
    assert [bool(sweep.flags & SweepFlag.REPEATED) for sweep in sweeps] == [
        False,
        False,
        True,
        False,
    ]
    await host.close()


SURVIVED = {
    "refused by the driver": RequestRefused(setting="x", asked="1", limit="0"),
    "reported by the sweeper": SweeperReported(((-222, "Data out of range"),)),
    "invalid": SweepInvalid("short"),
}
BROKEN = {
    "timeout": (TransportTimeout("late"), TransportTimeout),
    "plain OSError": (OSError(5, "Input/output error"), DriverFault),
    "value error": (ValueError("bad"), DriverFault),
    "system exit": (SystemExit(1), DriverFault),
    "memory": (MemoryError(), DriverFault),
}


@pytest.mark.parametrize("raised", SURVIVED.values(), ids=SURVIVED)
async def test_an_error_within_the_conversation_keeps_it_open(
    host_of: Make, request_401: SweepRequest, raised: Exception
) -> None:
    """The next sweep needs no new opening."""
    driver = ScriptedDriver([raised])
    host = host_of(driver)
    await host.open()
    with pytest.raises(type(raised)):
        await host.sweep(request_401)
    assert host.is_open
    await host.sweep(request_401)
    assert driver.opens == 1
    await host.close()


@pytest.mark.parametrize(("raised", "seen"), BROKEN.values(), ids=BROKEN)
async def test_any_other_error_closes_the_session_and_only_that(
    host_of: Make, request_401: SweepRequest, raised: Any, seen: type[Exception]
) -> None:
    """The driver is closed, the link is free, and opening anew works."""
    links: list[FakeTransport] = []

    class Linked(ScriptedDriver):
        def open(self, context: OpenContext) -> Any:
            context.connect()
            return super().open(context)

    def open_link(address: str, options: Any) -> FakeTransport:
        links.append(FakeTransport())
        return links[-1]

    log = Notes()
    driver = Linked([raised])
    host = host_of(driver, open_link=open_link, log=log)
    await host.open()
    with pytest.raises(seen):
        await host.sweep(request_401)
    assert not host.is_open and links[0].is_closed and driver.closes == 1
    with pytest.raises(TransportClosed, match="mast is not open"):
        await host.sweep(request_401)
    await host.open()
    await host.sweep(request_401)
    await host.close()
    statistics = host.statistics()
    assert (statistics.opens, statistics.sweeps, statistics.failures) == (2, 1, 1)
    if seen is DriverFault:
        assert "Traceback" in log.of("driver_fault")[0]["trace"]


async def test_a_sweeper_that_fails_again_and_again_is_opened_anew(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Three in a row of what could have passed by itself, and the session is closed too."""
    host = host_of(ScriptedDriver([SweepInvalid("short")] * 3))
    await host.open()
    for left_open in (True, True, False):
        with pytest.raises(SweepInvalid):
            await host.sweep(request_401)
        assert host.is_open is left_open


async def test_nonsense_is_not_a_sweep(host_of: Make, request_401: SweepRequest) -> None:
    """A trace one point short, and something that is no trace."""
    host = host_of(
        ScriptedDriver(
            [
                lambda request, context: trace_of(np.zeros(400), request),
                lambda request, context: {"level": 1},
            ]
        )
    )
    await host.open()
    with pytest.raises(SweepInvalid, match="asked for 401 points, got 400"):
        await host.sweep(request_401)
    with pytest.raises(DriverFault, match="returned dict"):
        await host.sweep(request_401)
    assert not host.is_open


async def test_a_request_beyond_the_limits_never_reaches_the_driver(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Refused by name, nothing sent, still open."""
    driver = ScriptedDriver()
    host = host_of(driver)
    await host.open()
    with pytest.raises(RequestRefused, match="frequency"):
        await host.sweep(replace(request_401, stop_hz=4e9))
    assert driver.swept == [] and host.is_open
    with pytest.raises(RequestRefused, match="source level"):
        await host.set_source(SourceRequest(on=True, level_dbm=10))
    assert not driver.source_on
    await host.set_source(SourceRequest(on=True, level_dbm=-10))
    assert driver.source_on
    await host.close()
    assert not driver.source_on


async def test_a_driver_that_hangs_on_its_link_is_ended_by_closing_it(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Past the deadline the link is closed, the thread comes back, and the port is free."""
    links: list[FakeTransport] = []

    class Waiting(ScriptedDriver):
        def open(self, context: OpenContext) -> Any:
            self.link = context.connect()
            return super().open(context)

        def next_trace(self, request: SweepRequest, context: OpenContext) -> Trace:
            self.link.read(timeout_s=60)
            raise AssertionError("nothing should come")

    def open_link(address: str, options: Any) -> FakeTransport:
        links.append(FakeTransport())
        return links[-1]

    host = host_of(Waiting(estimate_s=None), open_link=open_link, deadline_s=0.05)
    await host.open()
    begun_s = time.monotonic()
    with pytest.raises(DriverFault, match=r"sweep did not come back within 0\.05 s"):
        await host.sweep(request_401)
    assert time.monotonic() - begun_s < 1
    assert links[0].is_closed and not host.is_open
    assert host.statistics().abandoned == 0
    await host.open()
    assert len(links) == 2
    await host.close()


async def test_a_driver_that_does_not_come_back_is_abandoned_and_bounded(
    host_of: Make, request_401: SweepRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Three hung threads and the sweeper is out, until they end; the station goes on."""
    impatient(monkeypatch)
    log = Notes()
    steps = [Stuck() for _ in range(ABANDONED_MAX)]
    driver = ScriptedDriver(steps, estimate_s=None)
    host = host_of(driver, deadline_s=0.03, log=log)
    for count in range(1, ABANDONED_MAX + 1):
        await host.open()
        with pytest.raises(DriverFault, match="did not come back"):
            await host.sweep(request_401)
        assert host.statistics().hanging == count
    with pytest.raises(DriverFault, match="out until the station is restarted"):
        await host.open()
    assert [fields["hanging"] for fields in log.of("driver_abandoned")] == [1, 2, 3]
    for step in steps:
        step.let_go.set()
    await none_hanging(host)
    await host.open()
    await host.sweep(request_401)
    await host.close()
    assert host.statistics().abandoned == ABANDONED_MAX


async def test_the_deadline_is_three_times_the_drivers_own_estimate_and_two_seconds(
    host_of: Make, request_401: SweepRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An estimate that is nonsense counts as none."""
    asked: list[float] = []
    for estimate, deadline_s in ((0.5, 3.5), (None, 7.0), (float("nan"), 7.0), (-1.0, 7.0)):
        host = host_of(ScriptedDriver(estimate_s=estimate), deadline_s=7.0)
        await host.open()
        session = host._session
        assert session is not None
        call = session.call

        async def spied(message: Any, limit_s: float, call: Any = call) -> Any:
            if type(message).__name__ == "SweepCall":
                asked.append(limit_s)
            return await call(message, limit_s)

        monkeypatch.setattr(session, "call", spied)
        await host.sweep(request_401)
        assert asked.pop() == deadline_s
        await host.close()


async def test_an_estimate_is_asked_for_once_and_again_after_none(
    host_of: Make, request_401: SweepRequest
) -> None:
    """A sweeper that learns by trying is asked again after the first sweep."""

    class Learning(ScriptedDriver):
        asked = 0

    driver = Learning(estimate_s=None)
    host = host_of(driver)
    await host.open()
    assert await host.estimate_s(request_401) is None
    await host.sweep(request_401)
    driver.estimate_s = 0.2
    assert await host.estimate_s(request_401) == 0.2
    driver.estimate_s = 0.7
    assert await host.estimate_s(request_401) == 0.2
    await host.close()


@pytest.mark.parametrize("nonsense", [10**400, float("nan"), -1, "soon", True])
async def test_an_estimate_that_is_none_costs_nothing(
    host_of: Make, request_401: SweepRequest, nonsense: Any
) -> None:
    """Also where float64 cannot hold it."""
    host = host_of(ScriptedDriver(estimate_s=nonsense))
    await host.open()
    assert await host.estimate_s(request_401) is None
    assert (await host.sweep(request_401)).level.size == 401
    await host.close()


async def test_a_driver_without_an_estimate_is_not_asked_before_every_sweep(
    host_of: Make, request_401: SweepRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is asked again after 1, 2, 4, 8 … sweeps, and believed as soon as it knows."""
    driver = ScriptedDriver(estimate_s=None)
    host = host_of(driver, deadline_s=7.0)
    await host.open()
    session = host._session
    assert session is not None
    call, asked, deadlines = session.call, [], []

    async def spied(message: Any, limit_s: float) -> Any:
        if type(message).__name__ == "EstimateCall":
            asked.append(len(deadlines))
        else:
            deadlines.append(limit_s)
        return await call(message, limit_s)

    monkeypatch.setattr(session, "call", spied)
    for _ in range(20):
        await host.sweep(request_401)
    assert asked == [0, 1, 2, 4, 8, 16]
    driver.estimate_s = 0.5
    for _ in range(20):
        await host.sweep(request_401)
    assert asked == [0, 1, 2, 4, 8, 16, 32]
    assert deadlines == [7.0] * 32 + [3.5] * 8
    await host.close()


async def test_cancelling_the_caller_ends_the_sweep_and_leaves_the_sweeper_well(
    host_of: Make, request_401: SweepRequest
) -> None:
    """The token is seen, the driver's close runs, the source is off, the loop was not held."""
    driver = ScriptedDriver()
    host = host_of(driver)
    await host.open()
    await host.set_source(SourceRequest(on=True, level_dbm=-10))
    task = asyncio.create_task(host.sweep(replace(request_401, sweep_time_s=30.0)))
    await asyncio.sleep(0.03)
    begun_s = time.monotonic()
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    assert time.monotonic() - begun_s < 0.5
    assert driver.closes == 1 and not driver.source_on and not host.is_open
    await host.open()
    await host.close()


async def test_cancelling_a_driver_that_does_not_listen_is_bounded(
    host_of: Make, request_401: SweepRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is abandoned, and the caller is let go."""
    impatient(monkeypatch)
    step = Stuck()
    host = host_of(ScriptedDriver([step]))
    await host.open()
    task = asyncio.create_task(host.sweep(request_401))
    await asyncio.sleep(0.02)
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asyncio.wait_for(task, 1)
    assert host.statistics().hanging == 1
    step.let_go.set()


async def test_closing_during_a_sweep_ends_it_with_transport_closed(
    host_of: Make, request_401: SweepRequest
) -> None:
    """close() from another task does not wait for the sweep's end."""
    driver = ScriptedDriver()
    host = host_of(driver)
    await host.open()
    task = asyncio.create_task(host.sweep(replace(request_401, sweep_time_s=30.0)))
    await asyncio.sleep(0.02)
    begun_s = time.monotonic()
    await host.close()
    assert time.monotonic() - begun_s < 0.6
    with pytest.raises(TransportClosed):
        await task
    assert driver.closes == 1


@pytest.mark.slow
async def test_closing_a_station_whose_driver_hangs_takes_less_than_two_seconds(
    host_of: Make, request_401: SweepRequest
) -> None:
    """With the real graces."""
    step = Stuck()
    host = host_of(ScriptedDriver([step], estimate_s=None))
    await host.open()
    task = asyncio.create_task(host.sweep(request_401))
    await asyncio.sleep(0.02)
    begun_s = time.monotonic()
    await host.close()
    assert time.monotonic() - begun_s < 1.5
    with pytest.raises(TransportClosed):
        await task
    step.let_go.set()


async def test_a_driver_whose_close_hangs_or_raises_does_not_hold_the_host(
    host_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """close() always comes back, and says what went wrong in the log."""
    impatient(monkeypatch)
    let_go = threading.Event()
    log = Notes()

    class Hanging(ScriptedDriver):
        def open(self, context: OpenContext) -> Any:
            sweeper = super().open(context)
            sweeper.close = lambda: let_go.wait(20)
            return sweeper

    class Raising(ScriptedDriver):
        def open(self, context: OpenContext) -> Any:
            sweeper = super().open(context)
            sweeper.close = lambda: 1 / 0
            return sweeper

    for driver in (Hanging(), Raising()):
        host = host_of(driver, log=log)
        await host.open()
        await host.close()
        assert not host.is_open
    let_go.set()
    assert "ZeroDivisionError" in log.of("sweeper_close_failed")[0]["error"]


async def test_a_link_opened_after_the_host_gave_up_is_closed_at_once(
    host_of: Make, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A port that takes long to open does not stay taken."""
    impatient(monkeypatch)
    gate = threading.Event()
    links: list[FakeTransport] = []

    def open_link(address: str, options: Any) -> FakeTransport:
        gate.wait(20)
        links.append(FakeTransport())
        return links[-1]

    class Linked(ScriptedDriver):
        def open(self, context: OpenContext) -> Any:
            context.connect()
            return super().open(context)

    driver = Linked()
    host = host_of(driver, open_link=open_link, deadline_s=0.03)
    with pytest.raises(DriverFault, match="open did not come back"):
        await host.open()
    assert host.statistics().hanging == 1
    gate.set()
    await none_hanging(host)
    assert links[0].is_closed and driver.opens == 0


async def test_a_changed_identity_is_reported(host_of: Make) -> None:
    """A firmware update or a swapped instrument is told, with what was there before."""
    driver = ScriptedDriver()
    before = driver.identity
    host = host_of(driver)
    assert (await host.open()).identity_changed_from is None
    assert (await host.open()).identity_changed_from is None
    driver.identity = replace(before, firmware="2.0", serial_number="000000")
    opened = await host.open()
    assert opened.identity_changed_from == before
    assert opened.identity.is_doubtful
    await host.close()


async def test_a_change_while_the_station_was_down_is_reported_too(host_of: Make) -> None:
    """What the station knows from before is compared on the first opening."""
    known = Identity(maker="ACME", model="SCRIPT", serial_number="SN0000", firmware="1.0")
    host = host_of(ScriptedDriver(), known=known)
    assert (await host.open()).identity_changed_from == known
    await host.close()


BAD_OPENS = {
    "raises": (lambda context: 1 / 0, "ZeroDivisionError in open"),
    "returns nothing": (lambda context: None, "open\\(\\) returned NoneType"),
    "connects twice": (
        lambda context: (context.connect(), context.connect()),
        "connect\\(\\) twice",
    ),
}


@pytest.mark.parametrize(("opening", "says"), BAD_OPENS.values(), ids=BAD_OPENS)
async def test_a_driver_that_cannot_open_leaves_nothing_open(
    host_of: Make, opening: Callable[[Any], Any], says: str
) -> None:
    """The fault is named and everything is free again."""
    driver = ScriptedDriver()
    driver.open = opening
    host = host_of(driver)
    with pytest.raises(DriverFault, match=says):
        await host.open()
    assert not host.is_open and host.statistics().failures == 1


async def test_calls_of_several_tasks_are_done_one_after_the_other(
    host_of: Make, request_401: SweepRequest
) -> None:
    """A sweeper does one thing at a time, whoever asks."""
    busy = threading.Lock()

    def alone(request: SweepRequest, context: OpenContext) -> Trace:
        assert busy.acquire(blocking=False)
        time.sleep(0.002)
        busy.release()
        return trace_of(np.full(request.points, -90.0), request)

    host = host_of(ScriptedDriver([alone] * 8))
    await host.open()
    async with asyncio.TaskGroup() as tasks:
        for _ in range(8):
            tasks.create_task(host.sweep(request_401))
    assert host.statistics().sweeps == 8
    await host.close()


async def test_the_event_loop_runs_on_while_a_sweep_is_taken(
    host_of: Make, request_401: SweepRequest
) -> None:
    """A blocking driver blocks its own thread only."""

    def blocking(request: SweepRequest, context: OpenContext) -> Trace:
        time.sleep(0.05)
        return trace_of(np.full(request.points, -90.0), request)

    host = host_of(ScriptedDriver([blocking]))
    await host.open()
    ticks = 0
    task = asyncio.create_task(host.sweep(request_401))
    while not task.done():
        await asyncio.sleep(0.002)
        ticks += 1
    await task
    assert ticks >= 8
    await host.close()


async def test_what_is_remembered_of_requests_is_bounded(
    host_of: Make, request_401: SweepRequest
) -> None:
    """Ever new requests, as an emission check makes, do not fill the memory."""
    host = host_of()
    await host.open()
    for step in range(100):
        await host.sweep(replace(request_401, start_hz=156e6 + step))
    assert len(host._estimates) <= 64 and len(host._last_levels) <= 64
    await host.close()


async def test_a_dead_driver_does_not_touch_its_neighbour(
    host_of: Make, request_401: SweepRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one hangs, the other sweeps on at its own pace (guarantee G6)."""
    impatient(monkeypatch)
    step = Stuck()
    dead = host_of(ScriptedDriver([step], estimate_s=None), name="bench", deadline_s=0.2)
    well = host_of()
    await dead.open()
    await well.open()
    task = asyncio.create_task(dead.sweep(request_401))
    for _ in range(20):
        async with asyncio.timeout(1):
            await well.sweep(request_401)
    with pytest.raises(SweeperError):
        await task
    step.let_go.set()
    await well.close()


async def test_limits_that_make_no_sense_stop_the_opening(host_of: Make) -> None:
    """Better said at the start than at every sweep."""
    driver = ScriptedDriver(capabilities=Capabilities(start_hz=1e9, stop_hz=1e6))
    with pytest.raises(DriverFault, match="no frequency range"):
        await host_of(driver).open()
