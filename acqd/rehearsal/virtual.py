"""Time that does not wait: an event loop and a clock on which a night passes in minutes.

    something ready ──────────────► it is run, as on any loop
    nothing ready, a thread works ─► really wait for it: time stands still meanwhile
    nothing ready, nobody works ───► time jumps to the next timer

So what takes no time on this clock is whatever this machine does, however long that really takes,
and what takes time is what somebody sleeps for. Times are whole microseconds, as those of plans
are: a sweep that is due at a time starts at that time exactly.
"""

from __future__ import annotations

import asyncio
import selectors
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from typing import TYPE_CHECKING, Any, TypeVar, TypeVarTuple

from acqd.errors import AcqdError

if TYPE_CHECKING:
    from _typeshed import FileDescriptorLike

__all__ = ["Deadlock", "StandingClock", "VirtualClock", "VirtualLoop"]

T = TypeVar("T")
Ts = TypeVarTuple("Ts")

US = 1_000_000
LOOK_S = 0.002
"""A thread that works wakes the loop; where it does so for nobody, this is how soon it is seen."""


class Deadlock(AcqdError):
    """Everybody waits, and nothing will ever come."""


class _Selector(selectors.BaseSelector):
    """Waits for real events where there is real work, else lets time jump. Wraps a real one."""

    def __init__(self) -> None:
        self._real = selectors.DefaultSelector()
        self.now_us = 0
        self.is_busy: Callable[[], bool] = lambda: False
        self.jumped: Callable[[], None] = lambda: None

    def register(
        self, fileobj: FileDescriptorLike, events: int, data: Any = None
    ) -> selectors.SelectorKey:
        return self._real.register(fileobj, events, data)

    def unregister(self, fileobj: FileDescriptorLike) -> selectors.SelectorKey:
        return self._real.unregister(fileobj)

    def modify(
        self, fileobj: FileDescriptorLike, events: int, data: Any = None
    ) -> selectors.SelectorKey:
        return self._real.modify(fileobj, events, data)

    def get_map(self) -> Mapping[FileDescriptorLike, selectors.SelectorKey]:
        return self._real.get_map()

    def close(self) -> None:
        self._real.close()

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        while True:
            # In this order: what a thread has done is in the pipe before it is no longer busy.
            busy = self.is_busy()
            events = self._real.select(0)
            if events or (timeout is not None and timeout <= 0):
                return events
            if not busy:
                break
            events = self._real.select(LOOK_S)
            if events:
                return events
        if timeout is None:
            raise Deadlock("the rehearsal stands still: everybody waits, and nothing will come")
        self.now_us += max(1, round(timeout * US))
        self.jumped()
        return []


class VirtualLoop(asyncio.SelectorEventLoop):
    """An event loop whose :meth:`time` is virtual, in seconds since it was made.

    Args:
        is_busy: whether a thread is at something that the loop will hear of; asked often. The
            loop knows of itself what its own pool works at, as for ``asyncio.to_thread``.
        watch: called now and then, every ``watch_s`` real seconds, while time goes on.

    Its :meth:`run_forever` raises :class:`Deadlock` where everybody waits for ever.
    """

    def __init__(
        self,
        *,
        is_busy: Callable[[], bool] = lambda: False,
        watch: Callable[[], None] | None = None,
        watch_s: float = 0.5,
    ) -> None:
        self._virtual = _Selector()
        super().__init__(self._virtual)
        # A timer that is due within half a microsecond is due: times are rounded to whole ones.
        self._clock_resolution = 0.5 / US
        self._is_busy = is_busy
        self._in_pool: set[asyncio.Future[Any]] = set()
        self._pool_ends = False
        self._virtual.is_busy = self._works
        self._watch = watch
        self._watch_s = watch_s
        self._watched_s = time.monotonic()
        if watch is not None:
            self._virtual.jumped = self._jumped

    @property
    def now_us(self) -> int:
        """Whole microseconds since the loop was made."""
        return self._virtual.now_us

    def time(self) -> float:
        return self._virtual.now_us / US

    def run_in_executor(
        self, executor: Executor | None, func: Callable[[*Ts], T], *args: *Ts
    ) -> asyncio.Future[T]:
        """As any loop does; time stands still until it is answered."""
        future = super().run_in_executor(executor, func, *args)
        self._in_pool.add(future)
        future.add_done_callback(self._in_pool.discard)
        return future

    async def shutdown_default_executor(self, *args: Any) -> None:
        self._pool_ends = True
        try:
            await super().shutdown_default_executor(*args)
        finally:
            self._pool_ends = False

    def _works(self) -> bool:
        return bool(self._in_pool) or self._pool_ends or self._is_busy()

    def _jumped(self) -> None:
        now_s = time.monotonic()
        if self._watch is not None and now_s - self._watched_s >= self._watch_s:
            self._watched_s = now_s
            self._watch()


class VirtualClock:
    """A :class:`~acqd.clock.Clock` that goes by a :class:`VirtualLoop`; never stepped or asleep.

    Args:
        start_s: wall time at the loop's beginning, taken to the microsecond.
        boot_id: names the boot that this clock's monotonic seconds belong to.
    """

    def __init__(self, loop: VirtualLoop, *, start_s: float, boot_id: str) -> None:
        self._loop = loop
        self._start_us = round(start_s * US)
        self._boot_id = boot_id

    def wall_s(self) -> float:
        return (self._start_us + self._loop.now_us) / US

    def monotonic_s(self) -> float:
        return self._loop.now_us / US

    def boottime_s(self) -> float:
        return self._loop.now_us / US

    @property
    def boot_id(self) -> str:
        return self._boot_id

    def synchronised(self) -> bool | None:
        return True


class StandingClock:
    """A :class:`~acqd.clock.Clock` that stands still."""

    boot_id = "standing"

    def __init__(self, wall_s: float) -> None:
        self._wall_s = wall_s

    def wall_s(self) -> float:
        return self._wall_s

    def monotonic_s(self) -> float:
        return 0.0

    def boottime_s(self) -> float:
        return 0.0

    def synchronised(self) -> bool | None:
        return True
