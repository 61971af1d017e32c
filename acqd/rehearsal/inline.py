"""A driver's calls done at once, and answered when the time that they took has passed.

A thread that sleeps would have to be told when a night's time has moved on. A call that does not
sleep at all, but says how long it would have, needs no thread: it is done in the loop, and its
answer comes that much later by the loop's clock. The driver is given a clock to wait on that only
counts (the option ``clock``), so it has to know of it: of those at hand ``sim`` does.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace

from acqd.clock import Clock
from acqd.drivers.contract import CancelToken, Driver
from acqd.drivers.protocol import Call, CloseCall, EstimateCall, Failure, OpenCall, Reply, SweepCall
from acqd.drivers.transport import open_transport
from acqd.drivers.worker import DriverSide, OpenLink
from acqd.errors import TransportClosed
from acqd.sweep import SweepRequest

__all__ = ["CallClock", "InlineWorker", "Pace"]

Pace = Callable[[SweepRequest], float]
"""How many seconds of this clock one second of a simulated sweep stands for."""


def _as_simulated(request: SweepRequest) -> float:
    return 1.0


class CallClock:
    """The clock of one call: the station's, and what the call has waited by now."""

    def __init__(self, clock: Clock) -> None:
        self._clock = clock
        self.waited_s = 0.0
        self.pace = 1.0

    def wall_s(self) -> float:
        return self._clock.wall_s() + self.waited_s

    def monotonic_s(self) -> float:
        return self._clock.monotonic_s() + self.waited_s

    def boottime_s(self) -> float:
        return self._clock.boottime_s() + self.waited_s

    @property
    def boot_id(self) -> str:
        return self._clock.boot_id

    def synchronised(self) -> bool | None:
        return self._clock.synchronised()

    # -- what the driver sees --------------------------------------------------------------------

    def now_s(self) -> float:
        """Wall time."""
        return self.wall_s()

    def wait(self, seconds: float, cancel: CancelToken) -> bool:
        """Let time pass, without waiting; True where the call is to end."""
        if not cancel.is_set():
            self.waited_s += max(0.0, seconds * self.pace)
        return cancel.is_set()


class InlineWorker(DriverSide):
    """Does calls in the loop itself. Belongs to one loop; has no thread to be given up.

    Args:
        name: the sweeper's name.
        driver: a driver that waits on the clock it is handed.
        clock: the loop's clock.
        pace: how much slower than simulated the sweep of a request is.
    """

    def __init__(
        self,
        *,
        name: str,
        driver: Driver,
        clock: Clock,
        open_link: OpenLink = open_transport,
        pace: Pace = _as_simulated,
    ) -> None:
        self._own = CallClock(clock)
        super().__init__(driver=driver, clock=self._own, open_link=open_link)
        self._name = name
        self._pace = pace
        self._loop = asyncio.get_running_loop()
        self._coming: asyncio.TimerHandle | None = None
        self._told: Callable[[Reply], None] | None = None

    @property
    def is_alive(self) -> bool:
        return False

    def submit(self, call: Call, reply_to: Callable[[Reply], None]) -> None:
        """Do ``call`` now; ``reply_to`` is called when the time that it took has passed."""
        if isinstance(call, OpenCall):
            call = replace(call, options={**call.options, "clock": self._own})
        if isinstance(call, CloseCall):
            self._end_call()
        self._own.waited_s = 0.0
        self._own.pace = self._pace(call.request) if isinstance(call, SweepCall) else 1.0
        reply = self.reply_to(call)
        if isinstance(call, EstimateCall) and isinstance(reply.result, float):
            # Or a sweep that really takes longer would be given up for one that hangs.
            reply = Reply(result=reply.result * self._pace(call.request))
        waited_s, self._own.waited_s = self._own.waited_s, 0.0
        self._told = reply_to
        self._coming = self._loop.call_later(waited_s, self._tell, reply)

    def cancel(self) -> None:
        super().cancel()
        self._end_call()

    def close_link(self) -> None:
        super().close_link()
        self._end_call()

    def retire(self) -> None:
        """Nobody waits any more."""
        self.reply_to(CloseCall())

    def _end_call(self) -> None:
        """Whoever waits for an answer gets none: the call was ended before its time was over."""
        if self._coming is not None:
            self._coming.cancel()
            error = TransportClosed(f"{self._name}: the call was ended")
            self._tell(Reply(failure=Failure.of(error, doing="wait")))

    def _tell(self, reply: Reply) -> None:
        told, self._told, self._coming = self._told, None, None
        if told is not None:
            told(reply)
