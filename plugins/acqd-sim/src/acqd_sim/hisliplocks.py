"""Who may talk to an instrument: the exclusive and the shared lock of HiSLIP.

Source: IVI-6.1 and VPP-4.3 (locks), from memory.
"""

from __future__ import annotations

import asyncio
import contextlib
from enum import IntEnum

__all__ = ["Lock", "Locks"]


class Lock(IntEnum):
    """Control codes of AsyncLockResponse."""

    FAILED = 0
    DONE = 1
    """Exclusive lock granted, or released."""
    SHARED = 2
    """Shared lock granted, or released."""
    WRONG = 3


class Locks:
    """The locks of one instrument among clients, each known by a number.

    One client may have it alone; or several share it under one word, of whom one may have it alone
    on top. Others wait.
    """

    def __init__(self) -> None:
        self._alone: int | None = None
        self._word = ""
        self._shared: set[int] = set()
        self._changed = asyncio.Event()

    @property
    def is_exclusive(self) -> bool:
        return self._alone is not None

    @property
    def holders(self) -> int:
        """Clients that hold a lock of either kind."""
        return len(self._shared | ({self._alone} if self._alone is not None else set()))

    async def take(self, client: int, word: str, timeout_s: float) -> Lock:
        """Lock for ``client``: exclusively, or shared under ``word`` where there is one."""
        if (client == self._alone and not word) or (word and client in self._shared):
            return Lock.WRONG
        try:
            async with asyncio.timeout(timeout_s):
                while not self._is_free(client, word):
                    await self._wait()
        except TimeoutError:
            return Lock.FAILED
        if not word:
            self._alone = client
            return Lock.DONE
        self._word = word
        self._shared.add(client)
        return Lock.SHARED

    def give_back(self, client: int) -> Lock:
        """Release the exclusive lock of ``client``, else its shared one."""
        if self._alone == client:
            self._alone = None
            self._changed.set()
            return Lock.DONE
        if client in self._shared:
            self._shared.discard(client)
            self._changed.set()
            return Lock.SHARED
        return Lock.WRONG

    def gone(self, client: int) -> None:
        """``client`` hung up: whatever it held is free."""
        while self.give_back(client) is not Lock.WRONG:
            pass

    async def turn(self, client: int) -> None:
        """Wait until ``client`` may talk."""
        while not self._may(client):
            await self._wait()

    def _may(self, client: int) -> bool:
        if self._alone is not None:
            return self._alone == client
        return not self._shared or client in self._shared

    def _is_free(self, client: int, word: str) -> bool:
        if self._alone not in (None, client):
            return False
        if word:
            return not self._shared or self._word == word
        return not self._shared or client in self._shared

    async def _wait(self) -> None:
        self._changed.clear()
        with contextlib.suppress(TimeoutError):
            await asyncio.wait_for(self._changed.wait(), 0.5)
