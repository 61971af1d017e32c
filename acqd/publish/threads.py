"""Calls that may hang for minutes, each in a daemon thread of its own.

The system's resolver, a disk that does not answer, a certificate on a share that has gone: none of
them can be cancelled. In the loop's own pool they would hold up whatever else waits for a place,
and the end of the process, which joins that pool.
"""

from __future__ import annotations

import asyncio
import contextvars
import threading
from collections.abc import Callable
from typing import Any, TypeVar

__all__ = ["OwnThreads"]

T = TypeVar("T")


class OwnThreads:
    """Daemon threads, at most ``most`` at a time. To be used in one loop."""

    def __init__(self, name: str, *, most: int = 4) -> None:
        self._name = name
        self._most = most
        self._threads: list[threading.Thread] = []

    async def run(self, function: Callable[[], T]) -> T:
        """What ``function`` returns or raises. A cancelled wait leaves its thread to itself.

        Raises:
            OSError: as many threads as may be hang already.
        """
        return await self.start(function)

    @property
    def are_busy(self) -> bool:
        """Whether a call is under way. Once it is not, the loop has been told of all that ended."""
        return any(thread.is_alive() for thread in self._threads)

    def start(self, function: Callable[[], T]) -> asyncio.Future[T]:
        """As :meth:`run`, for whoever waits in a way of its own."""
        self._threads = [thread for thread in self._threads if thread.is_alive()]
        if len(self._threads) >= self._most:
            raise OSError(f"{self._name}: {self._most} calls to the system hang already")
        loop = asyncio.get_running_loop()
        future: asyncio.Future[T] = loop.create_future()
        future.add_done_callback(_looked_at)
        context = contextvars.copy_context()

        def work() -> None:
            result: Any = None
            error: BaseException | None = None
            try:
                result = context.run(function)
            except BaseException as exc:
                error = exc
            try:
                loop.call_soon_threadsafe(_settle, future, result, error)
            except RuntimeError:
                pass  # the loop has gone, and nobody waits any more

        thread = threading.Thread(target=work, name=self._name, daemon=True)
        self._threads.append(thread)
        thread.start()
        return future


def _settle(future: asyncio.Future[Any], result: Any, error: BaseException | None) -> None:
    if future.done():
        return
    if error is None:
        future.set_result(result)
    else:
        future.set_exception(error)


def _looked_at(future: asyncio.Future[Any]) -> None:
    """An error that nobody waited for is no complaint of asyncio's."""
    if not future.cancelled():
        future.exception()
