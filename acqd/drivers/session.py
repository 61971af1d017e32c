"""One opened sweeper seen from asyncio: calls with deadlines, and how a driver that hangs is ended.

Every wait has a limit. Past it the steps are always the same: the cancel token is set, the link is
closed under the driver (so the port is free), and if the thread then does not come back within a
grace it is abandoned. A process is ended within that grace. What waits longest: a call its
deadline, the end of a session 1.2 s.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from acqd.drivers.protocol import Call, CloseCall, Failure, Reply, doing_of
from acqd.drivers.worker import Calls
from acqd.errors import DriverDied, DriverFault, TransportClosed
from acqd.hidden import masked

__all__ = ["DriverTrouble", "Session"]

GRACE_S: Final = 1.0
"""How long a thread may take to come back once its link was closed at a deadline."""

CANCEL_S: Final = 0.3
"""How long a cancelled call may take to end by itself, so that the sweeper can be left well."""

CLOSE_S: Final = 0.7
"""How long a driver's close() may take over a link that works."""

CLOSE_GRACE_S: Final = 0.5
"""The grace at the end of a session: a station that ends has two seconds for everything."""

DEADLINE_MAX_S: Final = 6 * 3600.0
"""However long a driver estimates, no call is waited for longer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DriverTrouble:
    """Worse than an error: the driver's process died, or a call of it had to be given up."""

    what: Literal["driver_died", "driver_stuck"]
    text: str
    facts: Mapping[str, str] = field(default_factory=dict)


class Session:
    """Calls to one worker, one at a time. Once it is over, it stays over.

    Args:
        name: the sweeper's name, for messages.
        worker: does the calls.
        abandoned: told when the worker's thread had to be given up.
    """

    def __init__(self, *, name: str, worker: Calls, abandoned: Callable[[Calls], None]) -> None:
        self._name = name
        self._worker = worker
        self._abandoned = abandoned
        self._current: asyncio.Future[Reply] | None = None
        self._given_up = False
        self._link_closed = False
        self.trouble: DriverTrouble | None = None
        """The first of this session."""
        self.left_well = False
        """Whether the driver itself ended it, over a link that worked: its source is off."""

    async def call(self, call: Call, deadline_s: float) -> Any:
        """The result of ``call``.

        Raises:
            SweeperError: what the driver raised.
            DriverFault: what the driver raised that is no SweeperError; or it did not come back
                within ``deadline_s`` and its link was closed.
            TransportClosed: :meth:`interrupt` was called, or the session is over.
        """
        if self._given_up:
            raise TransportClosed(f"{self._name} is not open")
        future = self._submit(call)
        self._current = future
        try:
            async with asyncio.timeout(min(deadline_s, DEADLINE_MAX_S)):
                reply = await asyncio.shield(future)
        except TimeoutError:
            doing = doing_of(call)
            problem = f"{self._name}: {doing} did not come back within {deadline_s:.3g} s"
            await self._force(future, GRACE_S, problem, doing)
            end = "its process was ended" if self._worker.was_ended else "its link was closed"
            raise DriverFault(f"{problem}; {end}") from None
        except asyncio.CancelledError:
            self._worker.cancel()
            # A driver that looks at its token, or waits for its link, is back at once.
            if not await self._settled(future, CANCEL_S):
                problem = f"{self._name}: {doing_of(call)} did not end when it was cancelled"
                await self._force(future, CLOSE_GRACE_S, problem, doing_of(call))
            raise
        finally:
            self._current = None
        if reply.failure is not None:
            raise self._seen(_with_trace(reply.failure))
        return reply.result

    def interrupt(self) -> None:
        """End the call in progress, if any, within CANCEL_S; its caller gets TransportClosed."""
        future = self._current
        if future is None or future.done():
            return
        self._worker.cancel()

        def force() -> None:
            if not future.done():
                self._close_link()
                error = TransportClosed(f"{self._name}: the host closed the link")
                future.set_result(Reply(failure=Failure.of(error, doing="close")))

        asyncio.get_running_loop().call_later(CANCEL_S, force)

    async def end(self) -> Failure | None:
        """Let the driver close, free the link, end the thread; what close() raised, if it did.

        Raises only a cancellation, and then too the link is closed.
        """
        if self._given_up:
            return None
        future = self._submit(CloseCall())
        try:
            if not self._link_closed:
                if await self._settled(future, CLOSE_S):
                    self.left_well = not self._link_closed and future.result().failure is None
                else:
                    self._close_link()
            await self._settled(future, CLOSE_GRACE_S)
        finally:
            self._close_link()
            problem = f"{self._name}: its driver did not let itself be closed"
            if not future.done():
                self._give_up(problem, "close")
            elif self._worker.was_ended:
                self._ended(problem, "close")
            self._given_up = True
        failure = future.result().failure if future.done() else None
        if failure is not None:
            self._seen(failure.error())
        return failure

    def _submit(self, call: Call) -> asyncio.Future[Reply]:
        loop = asyncio.get_running_loop()
        future: asyncio.Future[Reply] = loop.create_future()

        def settle(reply: Reply) -> None:
            if not future.done():
                future.set_result(reply)

        def hand_back(reply: Reply) -> None:
            try:
                loop.call_soon_threadsafe(settle, reply)
            except RuntimeError:
                pass  # an abandoned call came back after the loop was closed

        self._worker.submit(call, hand_back)
        return future

    async def _settled(self, future: asyncio.Future[Reply], timeout_s: float) -> bool:
        if not future.done():
            await asyncio.wait([future], timeout=timeout_s)
        return future.done()

    async def _force(
        self, future: asyncio.Future[Reply], grace_s: float, problem: str, doing: str
    ) -> None:
        """Close the link under the call; abandon the thread if it does not end within the grace."""
        self._close_link()
        try:
            await self._settled(future, grace_s)
        finally:
            if not future.done():
                self._give_up(problem, doing)
            elif self._worker.was_ended:
                self._ended(problem, doing)

    def _close_link(self) -> None:
        self._link_closed = True
        self._worker.close_link()

    def _give_up(self, problem: str, doing: str) -> None:
        if self._given_up:
            return
        self._given_up = True
        self._worker.retire()
        self._abandoned(self._worker)
        text = f"{problem}, nor when its link was closed: it was abandoned"
        self._notice(DriverTrouble(what="driver_stuck", text=text, facts={"doing": doing}))

    def _ended(self, problem: str, doing: str) -> None:
        text = f"{problem}, nor when its link was closed: its process was ended"
        self._notice(DriverTrouble(what="driver_stuck", text=text, facts={"doing": doing}))

    def _seen(self, error: Exception) -> Exception:
        if isinstance(error, DriverDied):
            facts = {"doing": error.doing, "how": error.how}
            self._notice(DriverTrouble(what="driver_died", text=str(error), facts=facts))
        return error

    def _notice(self, trouble: DriverTrouble) -> None:
        self.trouble = self.trouble or trouble


def _with_trace(failure: Failure) -> Exception:
    """The error, with the driver's traceback as a note where the driver is to blame."""
    error = failure.error()
    if isinstance(error, DriverFault) and failure.trace:
        error.add_note(masked(failure.trace))
    return error
