"""What waits for the writer's thread: batches to commit and things to do, in their order.

Batches are bounded in number and size, so that a disk that is stuck does not fill the memory; what
does not fit is refused at once. Batches that come close together share a transaction.
"""

from __future__ import annotations

import math
import queue
import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

from acqd.archive.hops import HOP_BYTES
from acqd.archive.records import Batch
from acqd.errors import ArchiveError

__all__ = ["Call", "Commit", "Inbox"]

QUEUE_MOST_BATCHES = 1024
QUEUE_MOST_BYTES = 64 << 20
"""Batches that wait for the disk; more are refused, so that a stuck disk does not fill the RAM."""

GROUP_MOST_BATCHES = 256
ROW_BYTES = 1024
"""What a sweep takes in the journal besides its levels and hops, about."""

T = TypeVar("T")


@dataclass(slots=True)
class Commit:
    """A batch, and who waits for it."""

    batch: Batch
    future: Future[None]
    size_bytes: int
    until_s: float
    """Monotonic time until which it may wait for others to share its transaction."""


@dataclass(slots=True)
class Call:
    """Something to do between two transactions, and who waits for what it gives."""

    run: Callable[[], Any]
    future: Future[Any]


class Inbox:
    """Filled from any thread between :meth:`open` and :meth:`end`; emptied by one."""

    def __init__(self, root: Path) -> None:
        self._root = root
        self._queue: queue.SimpleQueue[Commit | Call | None] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._is_open = False
        self.batches = 0
        self.size_bytes = 0
        self._undone = 0

    @property
    def is_idle(self) -> bool:
        """Whether all that was taken in is done, and whoever waited for it has been told."""
        return self._undone == 0

    def open(self) -> None:
        with self._lock:
            self._is_open = True

    def end(self) -> None:
        """Take nothing more; the thread ends when it has done what it was given before."""
        with self._lock:
            if self._is_open:
                self._is_open = False
                # Inside the lock, so that nothing comes after it.
                self._queue.put(None)

    def put(self, batch: Batch, *, waits_s: float = math.inf) -> Future[None]:
        """Queue a batch that may wait so long for others; the future raises ArchiveError where it
        is not taken."""
        size_bytes = sum(
            sweep.level.nbytes + ROW_BYTES + HOP_BYTES * len(sweep.hops) for sweep in batch.sweeps
        )
        item = Commit(batch, Future(), size_bytes, time.monotonic() + waits_s)
        problem = self._take_in(item)
        if problem is not None:
            item.future.set_exception(ArchiveError(problem))
        return item.future

    def _take_in(self, item: Commit) -> str | None:
        """Queue it, or say why it is not taken."""
        with self._lock:
            if not self._is_open:
                return f"{self._root}: the archive takes batches between begin() and close()"
            too_large = self.size_bytes + item.size_bytes > QUEUE_MOST_BYTES
            if self.batches >= QUEUE_MOST_BATCHES or (self.batches and too_large):
                return (
                    f"{self._root}: {self.batches} batches ({self.size_bytes >> 20} MiB) wait "
                    f"for the disk already; it is too slow or stuck"
                )
            self.batches += 1
            self.size_bytes += item.size_bytes
            self._undone += 1
            self._queue.put(item)
        return None

    def submit(self, run: Callable[[], T]) -> Future[T]:
        """Have ``run`` done after what is queued already."""
        future: Future[T] = Future()
        with self._lock:
            if self._is_open:
                self._undone += 1
                self._queue.put(Call(run, future))
                return future
        future.set_exception(
            ArchiveError(f"{self._root}: the archive is open between begin() and close()")
        )
        return future

    # -- the thread that empties it --------------------------------------------------------------

    def get(self) -> Commit | Call | None:
        """The next thing to do, waited for; None is the end."""
        return self._queue.get()

    def done(self, count: int) -> None:
        """So many of what was got are done."""
        with self._lock:
            self._undone -= count

    def gather(self, first: Commit, within_s: float) -> tuple[list[Commit], Call | None, bool]:
        """Batches for one transaction, a call that came after them, and whether the end did."""
        group, call, ended = self._gathered(first, within_s)
        self._count_out(group)
        return group, call, ended

    def _gathered(self, first: Commit, within_s: float) -> tuple[list[Commit], Call | None, bool]:
        group = [first]
        until_s = min(time.monotonic() + within_s, first.until_s)
        while len(group) < GROUP_MOST_BATCHES:
            try:
                wait_s = until_s - time.monotonic()
                item = self._queue.get(block=wait_s > 0, timeout=max(0.0, wait_s))
            except queue.Empty:
                break
            if item is None:
                return group, None, True
            if isinstance(item, Call):
                return group, item, False
            group.append(item)
            until_s = min(until_s, item.until_s)
        return group, None, False

    def _count_out(self, group: Sequence[Commit]) -> None:
        with self._lock:
            self.batches -= len(group)
            self.size_bytes -= sum(item.size_bytes for item in group)
