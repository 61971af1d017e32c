"""Errands: what somebody asks of a sweeper in between, done while no pass is under way.

The sweeper's own task does them, one between two passes, so that nothing else talks to the sweeper
meanwhile. Who asked waits for the outcome; whatever goes wrong in an errand is theirs alone.
"""

from __future__ import annotations

import asyncio
from collections import deque
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from acqd.errors import SweeperError

__all__ = ["ERRANDS_MOST", "Errands"]

ERRANDS_MOST = 4
"""Errands of one sweeper that may wait; more are refused."""

T = TypeVar("T")


@dataclass(slots=True)
class _Errand:
    work: Callable[[], Awaitable[Any]]
    outcome: asyncio.Future[Any]


class Errands:
    """The errands of one sweeper. ``wake`` is called when there is one to do."""

    def __init__(self, name: str, wake: Callable[[], None]) -> None:
        self._name = name
        self._wake = wake
        self._waiting: deque[_Errand] = deque()
        self._ended = False
        self.is_busy = False
        """One is being done."""

    @property
    def wait(self) -> bool:
        """There is something to do."""
        return bool(self._waiting)

    async def ask(self, work: Callable[[], Awaitable[T]]) -> T:
        """Have ``work`` done, and give back what it gives. Cancelled before it began it never is.

        Raises:
            SweeperError: it cannot be begun: too many wait, the sweeper is away, or it ends.
            Exception: whatever ``work`` raises.
        """
        if self._ended:
            raise SweeperError(f"{self._name}: the station is stopping")
        if len(self._waiting) >= ERRANDS_MOST:
            raise SweeperError(f"{self._name}: {ERRANDS_MOST} others wait already; ask again later")
        errand = _Errand(work, asyncio.get_running_loop().create_future())
        self._waiting.append(errand)
        self._wake()
        outcome: T = await errand.outcome
        return outcome

    async def do_next(self, why_not: str | None) -> None:
        """Do the next errand, if one waits; ``why_not`` says what keeps all of them from it now."""
        if why_not is not None:
            self._refuse_all(why_not)
        while self._waiting:
            errand = self._waiting.popleft()
            if not errand.outcome.done():
                await self._do(errand)
                return

    async def _do(self, errand: _Errand) -> None:
        self.is_busy = True
        try:
            given = await errand.work()
        except asyncio.CancelledError:
            self._fail(errand, SweeperError(f"{self._name}: the station is stopping"))
            raise
        except Exception as exc:
            self._fail(errand, exc)
        else:
            if not errand.outcome.done():
                errand.outcome.set_result(given)
        finally:
            self.is_busy = False

    def end(self) -> None:
        """Nothing is done any more; who waits is told."""
        self._ended = True
        self._refuse_all("the station is stopping")

    def _refuse_all(self, why: str) -> None:
        while self._waiting:
            self._fail(self._waiting.popleft(), SweeperError(f"{self._name}: {why}"))

    @staticmethod
    def _fail(errand: _Errand, exc: Exception) -> None:
        if not errand.outcome.done():
            errand.outcome.set_exception(exc)
