"""The sealer's thread: seals journals one after the other; between them it merges ended days, and
removes what retention lets go."""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from acqd.archive.freed import give_back
from acqd.archive.journal import Journal, checkpoint_into_file
from acqd.archive.merging import merge_ended_days
from acqd.archive.removing import Removing, Retained, retain
from acqd.archive.retention import Retention
from acqd.archive.sealing import Ask, Sealing, seal_journal
from acqd.archive.setaside import Mishap, forget_untold, keep_untold
from acqd.clock import Clock
from acqd.errors import ArchiveError

__all__ = ["Sealer", "SealerStatistics"]

DEFLATE_THREADS = 2
GRACE_S = 1.0
"""A block takes milliseconds; a second is for a disk that is slow to sync."""
MERGES_WAITING_MOST = 4
MISHAPS_MOST = 100
"""Of damage that nobody has asked for yet; the oldest goes when there is more."""


class _Stopped(Exception):
    """The work is to end; what it was at is left for the next start."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SealerStatistics:
    """What has been sealed since the start. ``problem`` is why a journal or a day is waiting."""

    waiting: int
    journals: int
    segments: int
    volumes: int
    last_took_s: float | None
    problem: str | None
    removed_days: int
    removed_bytes: int
    limits_missed_bytes: int
    """By how much the limits of retention are missed, though no more may go."""


@dataclass(slots=True)
class _Merge:
    now_s: float
    future: Future[int]


@dataclass(slots=True)
class _Retain:
    now_s: float
    age_counts: bool
    future: Future[Retained]


class Sealer:
    """Owns all writing of HDF5. :meth:`take` and :meth:`merge_due` give it work."""

    def __init__(
        self,
        root: Path,
        *,
        station: str,
        software: Mapping[str, str],
        clock: Clock,
        ask: Ask,
        leftovers: list[Path],
        mishaps: Sequence[Mishap],
        retention: Retention,
        floor_bytes: Callable[[], int],
        drop_ballast: Callable[[], None],
    ) -> None:
        self._pool = ThreadPoolExecutor(DEFLATE_THREADS, thread_name_prefix="acqd-deflate")
        self._work = Sealing(
            root=root,
            station=station,
            software=software,
            pool=self._pool,
            ask=ask,
            wall_s=clock.wall_s,
            check=self._check,
            mishap=self._note,
        )
        self._mishaps: deque[Mishap] = deque(mishaps, maxlen=MISHAPS_MOST)
        self._retention = retention
        self._floor_bytes = floor_bytes
        self._removing = Removing(
            root=root,
            ask=ask,
            drop_ballast=drop_ballast,
            wall_s=clock.wall_s,
            check=self._check,
        )
        self._changed = threading.Condition()
        self._waiting: deque[Journal | Path] = deque(leftovers)
        self._failed: list[Path] = []
        self._merges: deque[_Merge | _Retain] = deque()
        self._merging = False
        self._stopping = False
        self._abandon_s: float | None = None
        self._thread: threading.Thread | None = None
        self._journals = 0
        self._segments = 0
        self._volumes = 0
        self._last_took_s: float | None = None
        self._not_sealed: dict[Path, str] = {}
        self._not_merged: str | None = None
        self._not_removed: str | None = None
        self._removed_days = 0
        self._removed_bytes = 0
        self._missed_bytes = 0

    def start(self) -> None:
        """Begin with what the last run left."""
        self._thread = threading.Thread(target=self._run, name="acqd-sealer", daemon=True)
        self._thread.start()

    def take_mishaps(self) -> list[Mishap]:
        """Damage that was met since the last call; the first call also has what the start met."""
        with self._changed:
            found = list(self._mishaps)
            self._mishaps.clear()
        return found

    def _note(self, mishap: Mishap) -> None:
        with self._changed:
            self._mishaps.append(mishap)
        with suppress(OSError):
            # For a kill before it is told; where the disk is full it may go untold then.
            keep_untold(self._work.root, mishap)

    def told(self, mishaps: Sequence[Mishap]) -> None:
        """These have been told, and need not be after a kill."""
        with suppress(OSError):
            forget_untold(self._work.root, mishaps)

    def take(self, journal: Journal) -> None:
        """A journal that is no longer written. Those that failed before are tried again."""
        with self._changed:
            self._waiting.extend(self._failed)
            self._failed.clear()
            self._waiting.append(journal)
            self._changed.notify_all()

    def merge_due(self, now_s: float, *, clock_trusted: bool) -> Future[int]:
        """Merge ended days when the journals that wait are sealed."""
        future: Future[int] = Future()
        with self._changed:
            full = len(self._merges) >= MERGES_WAITING_MOST
            if not clock_trusted or full or self._stopping or self._thread is None:
                future.set_result(0)
                return future
            self._merges.append(_Merge(now_s, future))
            self._changed.notify_all()
        return future

    def retain(self, now_s: float, *, age_counts: bool) -> Future[Retained]:
        """Remove what retention lets go, after what waits already."""
        future: Future[Retained] = Future()
        with self._changed:
            full = len(self._merges) >= MERGES_WAITING_MOST
            if full or self._stopping or self._thread is None:
                future.set_result(Retained())
                return future
            self._merges.append(_Retain(now_s, age_counts, future))
            self._changed.notify_all()
        return future

    def stop(self, *, until_s: float, grace_s: float = GRACE_S) -> None:
        """Seal what waits until monotonic time ``until_s``, leave the rest, end the thread.

        What it is at then has ``grace_s`` to come to where it can be left; :meth:`is_done` tells
        whether it did.
        """
        with self._changed:
            self._stopping = True
            self._abandon_s = until_s
            self._changed.notify_all()
        if self._thread is not None:
            self._thread.join(max(0.0, until_s - time.monotonic()) + grace_s)
        if self.is_done():
            self._pool.shutdown()
            while self._waiting:
                left = self._waiting.popleft()
                if isinstance(left, Journal):
                    left.close()

    def is_done(self) -> bool:
        return self._thread is None or not self._thread.is_alive()

    def statistics(self) -> SealerStatistics:
        with self._changed:
            return SealerStatistics(
                waiting=len(self._waiting) + len(self._failed),
                journals=self._journals,
                segments=self._segments,
                volumes=self._volumes,
                last_took_s=self._last_took_s,
                problem=self._problem(),
                removed_days=self._removed_days,
                removed_bytes=self._removed_bytes,
                limits_missed_bytes=self._missed_bytes,
            )

    @property
    def left_to_do(self) -> int:
        """Journals to be sealed, merges to be made and looks of retention, the one under way
        included."""
        with self._changed:
            return len(self._waiting) + len(self._merges) + self._merging

    @property
    def problem(self) -> str | None:
        """What keeps the oldest journal from being sealed, else what keeps days from merging, else
        from being removed."""
        with self._changed:
            return self._problem()

    def _problem(self) -> str | None:
        return next(iter(self._not_sealed.values()), self._not_merged or self._not_removed)

    # -- the thread ------------------------------------------------------------------------------

    def _run(self) -> None:
        try:
            while (job := self._next()) is not None:
                self._do(job)
                if not self._stopping:
                    give_back()
        except _Stopped:
            pass
        finally:
            with self._changed:
                merges, self._merges = list(self._merges), deque()
            for left in merges:
                if not left.future.set_running_or_notify_cancel():
                    continue
                if isinstance(left, _Merge):
                    left.future.set_result(0)
                else:
                    left.future.set_result(Retained())

    def _do(self, job: Journal | Path | _Merge | _Retain) -> None:
        if isinstance(job, Journal | Path):
            self._seal(job)
            return
        try:
            if isinstance(job, _Merge):
                self._merge(job)
            else:
                self._retain(job)
        finally:
            with self._changed:
                self._merging = False

    def _next(self) -> Journal | Path | _Merge | _Retain | None:
        with self._changed:
            while True:
                if self._stopping and (self._abandoned() or not self._waiting):
                    return None
                if self._waiting:
                    return self._waiting[0]
                if self._merges:
                    self._merging = True
                    return self._merges.popleft()
                self._changed.wait()

    def _seal(self, journal: Journal | Path) -> None:
        started_s = time.monotonic()
        path = journal.path if isinstance(journal, Journal) else journal
        try:
            if isinstance(journal, Journal):
                # Moves the log into the file, by the connection that wrote it.
                journal.close()
            else:
                checkpoint_into_file(path)
            with self._changed:
                self._waiting[0] = path
            self._check()
            entries = seal_journal(self._work, path)
        except _Stopped:
            raise
        except Exception as exc:
            # Whatever it was, the journal still has everything; it is tried again at the next turn.
            with self._changed:
                self._not_sealed[path] = f"{path.name} is not sealed: {exc or type(exc).__name__}"
                self._waiting.popleft()
                self._failed.append(path)
            return
        with self._changed:
            self._waiting.popleft()
            self._journals += 1
            self._segments += len(entries)
            self._last_took_s = time.monotonic() - started_s
            self._not_sealed.pop(path, None)

    def _merge(self, merge: _Merge) -> None:
        if not merge.future.set_running_or_notify_cancel():
            return
        try:
            made = merge_ended_days(self._work, merge.now_s)
        except _Stopped:
            merge.future.set_result(0)
            raise
        except Exception as exc:
            text = f"days are not merged: {exc or type(exc).__name__}"
            with self._changed:
                self._not_merged = text
            merge.future.set_exception(exc if isinstance(exc, ArchiveError) else ArchiveError(text))
            return
        with self._changed:
            self._not_merged = None
            self._volumes += made
        merge.future.set_result(made)

    def _retain(self, look: _Retain) -> None:
        if not look.future.set_running_or_notify_cancel():
            return
        try:
            done = retain(
                self._removing,
                self._retention,
                now_s=look.now_s,
                floor_bytes=self._floor_bytes(),
                age_counts=look.age_counts,
            )
        except _Stopped:
            look.future.set_result(Retained())
            raise
        except Exception as exc:
            text = f"nothing is removed: {exc or type(exc).__name__}"
            with self._changed:
                self._not_removed = text
            look.future.set_exception(exc if isinstance(exc, ArchiveError) else ArchiveError(text))
            return
        with self._changed:
            self._not_removed = done.problem
            self._removed_days += len(done.removed)
            self._removed_bytes += sum(day.size_bytes for day in done.removed)
            self._missed_bytes = done.short_bytes
        look.future.set_result(done)

    def _check(self) -> None:
        if self._abandoned():
            raise _Stopped

    def _abandoned(self) -> bool:
        return self._abandon_s is not None and time.monotonic() >= self._abandon_s
