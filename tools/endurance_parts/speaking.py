"""A real broker for a station whose time is virtual: the station's own publisher, on a loop of real
time in a thread of its own.

    station's loop (virtual) ── live, retain, findings waiting ──►  publisher's loop (real) ──► MQTT
                             ◄── what waits? it has number 7 ────

Nothing of the publisher is another than in a real run: its queues, its link, the acknowledgements.
Only that time stands still while more than a few messages are on their way. Where those are fewer
than a round of all jobs makes, a live message is hardly ever overtaken by the next of its topic; it
is counted where it is.
"""

from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import Coroutine, Sequence
from typing import Any, TypeVar

import structlog

from acqd.clock import Clock
from acqd.publish.client import Payload, Publisher, PublisherStatistics
from acqd.publish.messages import StationStatus, rfc3339
from acqd.publish.outbox import Outbox, PendingFinding
from acqd.publish.settings import BrokerSettings
from acqd.publish.topics import Topics

__all__ = ["RealMessenger"]

STUCK_S = 120.0
"""Real seconds in which the broker takes nothing, though something waits."""
CLOSE_S = 60.0
LEAVE_S = 5.0
T = TypeVar("T")


class RealMessenger:
    """What a station with a virtual clock calls in a publisher's place. Made in the station's loop.

    Args:
        unsent_most: so many messages may be on their way while time goes on.
    """

    def __init__(
        self,
        outbox: Outbox,
        *,
        station: str,
        run_id: str,
        settings: BrokerSettings,
        clock: Clock,
        unsent_most: int = 0,
    ) -> None:
        self._station_loop = asyncio.get_running_loop()
        self._unsent_most = unsent_most
        self._outbox = _FarOutbox(outbox, self._station_loop)
        self._publisher = Publisher(
            station=station,
            run_id=run_id,
            settings=settings,
            outbox=self._outbox,
            log=structlog.get_logger(),
            will=_will(station, run_id, clock),
            clock=clock,
        )
        self._waiting: list[tuple[Any, tuple[Any, ...]]] = []
        self._given = self._taken = 0
        self._closing = False
        self._moved: tuple[int, float] = (0, time.monotonic())
        self._loop = asyncio.new_event_loop()
        self.last_status = b""
        """The newest status that the station gave; empty before the first."""
        self.goodbyes = 0
        """1 once the broker has the last status."""
        self._status_topic = Topics(station, settings.topic_root).status
        self._ended: asyncio.Future[None] = self._station_loop.create_future()
        self._thread = threading.Thread(target=self._speak, name="speaking", daemon=True)

    # -- what the station calls ------------------------------------------------------------------

    def live(self, topic: str, payload: Payload) -> None:
        self._give(self._publisher.live, topic, payload)

    def retain(self, topic: str, payload: bytes) -> None:
        if topic == self._status_topic:
            self.last_status = payload
        self._give(self._publisher.retain, topic, payload)

    def findings_waiting(self) -> None:
        self._outbox.wanted += 1
        self._give(self._publisher.findings_waiting)

    def hurry(self) -> None:
        self._give(self._publisher.hurry)

    def statistics(self) -> PublisherStatistics:
        return self._publisher.statistics()

    async def run(self) -> None:
        """Until it is closed; raises what the publisher ended with, where that is no end."""
        self._thread.start()
        await asyncio.shield(self._ended)

    async def close(self, last_status: bytes, *, within_s: float) -> bool:
        """Send what waits and say goodbye. Time stands still meanwhile."""
        self._closing = True
        self._hand_over()
        try:
            said = await self._there(self._publisher.close(last_status, within_s=CLOSE_S))
            # The publisher does not count its last word.
            self.goodbyes = int(said)
            return said
        finally:
            await asyncio.wait([self._ended])
            self._closing = False

    # -- for the clock ---------------------------------------------------------------------------

    def is_busy(self) -> bool:
        """Whether more is on its way to the broker than may be; asked by the station's loop.

        Raises:
            RuntimeError: the broker has taken nothing for long.
        """
        if self._thread.ident is None or self._ended.done():
            return False
        busy = (
            self._closing
            or self._taken != self._given
            or self._publisher.unsent > self._unsent_most
            or self._outbox.is_asked
        )
        if busy:
            self._look_whether_it_moves()
        else:
            self._moved = (-1, time.monotonic())
        return busy

    def _look_whether_it_moves(self) -> None:
        sent, since_s = self._moved
        now_sent, now_s = self._publisher.statistics().sent, time.monotonic()
        if now_sent != sent:
            self._moved = (now_sent, now_s)
        elif now_s - since_s > STUCK_S:
            raise RuntimeError(f"the broker has taken nothing for {STUCK_S:g} s")

    # -- between the loops -----------------------------------------------------------------------

    def _give(self, what: Any, *args: Any) -> None:
        if self._ended.done():
            # After the goodbye there is nobody to tell.
            return
        if not self._waiting:
            # What is said in one turn of the loop goes over together: each waking costs.
            self._station_loop.call_soon(self._hand_over)
        self._waiting.append((what, args))
        self._given += 1

    def _hand_over(self) -> None:
        given, self._waiting = self._waiting, []
        if not self._ended.done():
            self._loop.call_soon_threadsafe(self._take, given)

    def _take(self, given: list[tuple[Any, tuple[Any, ...]]]) -> None:
        for what, args in given:
            what(*args)
        self._taken += len(given)

    async def _there(self, work: Coroutine[Any, Any, T]) -> T:
        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, self._loop))

    def _speak(self) -> None:
        """In the thread."""
        problem: BaseException | None = None
        try:
            self._loop.run_until_complete(self._serve())
        except BaseException as exc:
            problem = exc
        self._station_loop.call_soon_threadsafe(self._end, problem)

    async def _serve(self) -> None:
        await self._publisher.run()
        # Who closed it has still to be told how that went.
        others = asyncio.all_tasks() - {asyncio.current_task()}
        if others:
            await asyncio.wait(others, timeout=LEAVE_S)

    def _end(self, problem: BaseException | None) -> None:
        self._thread.join()
        self._loop.close()
        if problem is None:
            self._ended.set_result(None)
        else:
            self._ended.set_exception(problem)


class _FarOutbox:
    """The station's outbox, for who asks from another loop."""

    def __init__(self, near: Outbox, loop: asyncio.AbstractEventLoop) -> None:
        self._near = near
        self._loop = loop
        self.wanted = 1
        """How often it was said that something waits; once for what waits from the beginning."""
        self._empty_at = 0

    @property
    def is_asked(self) -> bool:
        """Whether it has not been seen empty since something was said to wait."""
        return self._empty_at < self.wanted

    async def pending(self, limit: int) -> Sequence[PendingFinding]:
        wanted = self.wanted
        rows = await self._here(self._near.pending(limit))
        if not rows:
            self._empty_at = wanted
        return rows

    async def acknowledged(self, job: str, number: int) -> None:
        await self._here(self._near.acknowledged(job, number))

    async def excess(self, job: str, keep: int) -> tuple[int, int] | None:
        return await self._here(self._near.excess(job, keep))

    async def _here(self, work: Coroutine[Any, Any, T]) -> T:
        return await asyncio.wrap_future(asyncio.run_coroutine_threadsafe(work, self._loop))


def _will(station: str, run_id: str, clock: Clock) -> bytes:
    at_s = clock.wall_s()
    at = rfc3339(at_s)
    return StationStatus.model_validate(
        {
            "station": station,
            "run_id": run_id,
            "state": "offline",
            "reason": "the connection was lost",
            "at": at,
            "at_s": at_s,
            "since": at,
            "since_s": at_s,
            "version": "endurance",
        }
    ).to_json()
