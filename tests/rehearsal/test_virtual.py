"""Time that jumps where everybody waits, and stands still while somebody works."""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Callable, Coroutine
from typing import Any

import pytest

from acqd.rehearsal.virtual import Deadlock, VirtualClock, VirtualLoop

START_S = 1_795_899_600.0


def run(make: Callable[[VirtualLoop], Coroutine[Any, Any, Any]], **options: Any) -> Any:
    """Run what ``make`` makes on a virtual loop; its result."""
    loops: list[VirtualLoop] = []

    def factory() -> VirtualLoop:
        loops.append(VirtualLoop(**options))
        return loops[-1]

    with asyncio.Runner(loop_factory=factory) as runner:
        loop = runner.get_loop()
        assert isinstance(loop, VirtualLoop)
        return runner.run(make(loop))


def test_a_night_of_sleep_takes_no_time() -> None:
    async def night(loop: VirtualLoop) -> float:
        for _ in range(36_000):
            await asyncio.sleep(1.0)
        return loop.time()

    began_s = time.monotonic()
    assert run(night) == 36_000.0
    assert time.monotonic() - began_s < 30.0


def test_timers_go_off_in_their_order_and_at_their_microsecond() -> None:
    async def several(loop: VirtualLoop) -> list[tuple[str, int]]:
        seen: list[tuple[str, int]] = []
        waits = {"late": 3600.000001, "soon": 0.1, "middle": 0.3000004}
        for name, wait_s in waits.items():
            loop.call_later(wait_s, lambda name=name: seen.append((name, loop.now_us)))
        await asyncio.sleep(4000.0)
        return seen

    assert run(several) == [("soon", 100_000), ("middle", 300_000), ("late", 3_600_000_001)]


def test_a_wait_shorter_than_a_microsecond_still_ends() -> None:
    async def short(loop: VirtualLoop) -> float:
        for _ in range(1000):
            await asyncio.sleep(1e-7)
        return loop.time()

    assert run(short) < 0.01


def test_a_due_time_of_a_plan_is_met_exactly_by_the_wall_clock() -> None:
    async def met(loop: VirtualLoop) -> list[float]:
        clock = VirtualClock(loop, start_s=START_S, boot_id="boot")
        seen = []
        for number in range(1, 500):
            due_s = (round(START_S * 1e6) + number * 133_337) / 1e6
            await asyncio.sleep(due_s - clock.wall_s())
            seen.append(clock.wall_s() - due_s)
        return seen

    assert set(run(met)) == {0.0}


def test_time_stands_still_while_a_thread_works() -> None:
    busy = threading.Event()

    async def working(loop: VirtualLoop) -> tuple[float, str]:
        done: asyncio.Future[str] = loop.create_future()

        def work() -> None:
            time.sleep(0.2)
            loop.call_soon_threadsafe(done.set_result, "done")
            busy.clear()

        busy.set()
        thread = threading.Thread(target=work)
        thread.start()
        try:
            # A timeout of a second would be over at once if time went on.
            async with asyncio.timeout(1.0):
                found = await done
        finally:
            thread.join()
        return loop.time(), found

    assert run(working, is_busy=busy.is_set) == (0.0, "done")


def test_time_stands_still_while_the_loops_own_pool_works() -> None:
    """Nobody has to say so: neither while it works, nor while the loop waits for it to end."""
    begun, left = threading.Event(), threading.Event()

    def drag() -> None:
        begun.set()
        time.sleep(0.2)
        left.set()

    async def works(loop: VirtualLoop) -> tuple[str, float, float]:
        meanwhile = loop.create_task(asyncio.sleep(3600.0))
        answer = await asyncio.to_thread(lambda: time.sleep(0.1) or "done")
        answered_s = loop.time()
        await meanwhile
        # Cancelled, as a wait that took too long is; its thread goes on for a while.
        late = loop.run_in_executor(None, drag)
        assert begun.wait(30.0)
        late.cancel()
        return answer, answered_s, loop.time()

    assert run(works) == ("done", 0.0, 3600.0)
    assert left.is_set()


def test_work_that_nobody_waits_for_only_delays() -> None:
    busy = threading.Event()

    async def working(loop: VirtualLoop) -> float:
        busy.set()
        threading.Timer(0.1, busy.clear).start()
        await asyncio.sleep(5.0)
        return loop.time()

    began_s = time.monotonic()
    assert run(working, is_busy=busy.is_set) == 5.0
    assert time.monotonic() - began_s >= 0.1


def test_where_everybody_waits_for_ever_that_is_an_error() -> None:
    async def stuck(loop: VirtualLoop) -> None:
        await loop.create_future()

    loop = VirtualLoop()
    task = loop.create_task(stuck(loop))
    try:
        with pytest.raises(Deadlock, match="stands still"):
            loop.run_until_complete(task)
        loop.call_soon(task.cancel)
        with pytest.raises(asyncio.CancelledError):
            loop.run_until_complete(task)
    finally:
        loop.close()


def test_somebody_may_watch_how_far_it_is() -> None:
    seen = []

    async def night(loop: VirtualLoop) -> None:
        for _ in range(50):
            await asyncio.sleep(10.0)
            seen.append(loop.time())

    calls: list[None] = []
    run(night, watch=lambda: calls.append(None), watch_s=0.0)
    assert len(calls) >= 50


def test_the_clock_is_steady_and_says_that_it_is_right() -> None:
    async def look(loop: VirtualLoop) -> None:
        clock = VirtualClock(loop, start_s=START_S, boot_id="boot")
        assert clock.wall_s() == START_S
        await asyncio.sleep(86_400.0)
        assert clock.wall_s() == START_S + 86_400.0
        assert clock.monotonic_s() == clock.boottime_s() == 86_400.0
        assert clock.synchronised() is True
        assert clock.boot_id == "boot"

    run(look)
