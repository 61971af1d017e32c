"""What signals mean to a station that runs: the first asks for a clean stop, a later one leaves."""

from __future__ import annotations

import asyncio
import os
import time
from collections.abc import Callable, Iterable
from signal import Signals

__all__ = ["AskedToStop"]

ONE_S = 0.3
"""Signals this close together are one: who ends a process by a time limit or as a service may send
it to the process and to its group."""


class AskedToStop:
    """Calls ``stop`` at the first signal, and ends the process with code 130 at a later one.

    What was committed is safe either way: the journal is as safe then as it will be in a second.
    """

    def __init__(
        self, stop: Callable[[], None], *, now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._stop = stop
        self._now_s = now_s
        self._first_s: float | None = None

    @property
    def was_asked(self) -> bool:
        return self._first_s is not None

    def by(self, numbers: Iterable[Signals]) -> AskedToStop:
        """Listen to these signals, in the running loop."""
        for number in numbers:
            asyncio.get_running_loop().add_signal_handler(number, self)
        return self

    def __call__(self) -> None:
        now_s = self._now_s()
        if self._first_s is None:
            self._first_s = now_s
            self._stop()
        elif now_s - self._first_s > ONE_S:
            os._exit(130)
