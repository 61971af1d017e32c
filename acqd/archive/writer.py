"""The writing side of an archive: one process, one thread that commits, one that seals.

    commit() ─► inbox ─► writer's thread: journal, ledger ─► future resolves: it is on the disk
                              └─ rotate() ─► old journal ─► sealer's thread: segments, volumes

Nothing here knows asyncio: every call that takes time returns a :class:`concurrent.futures.Future`.
The writer's thread is the only one that commits to or checkpoints a database in use; the sealer has
it do what concerns the ledger. HDF5 is imported in the sealer's thread, when there is a first
journal to seal.
"""

from __future__ import annotations

import math
import os
import sqlite3
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acqd.archive.ballast import Ballast
from acqd.archive.committer import Committer
from acqd.archive.database import error_of
from acqd.archive.durable import clear_temporaries, free_bytes, make_folder
from acqd.archive.inbox import Call, Commit, Inbox
from acqd.archive.journal import JournalView, Mark, remove_journal
from acqd.archive.layout import event_of, journals_folder, list_journals, sweeps_folder
from acqd.archive.ledger import Ledger, OverlayKind, PendingFinding
from acqd.archive.lock import WriterLock
from acqd.archive.rebuild import keep_plan_copy, open_ledger
from acqd.archive.records import Batch, MeterState
from acqd.archive.recovery import Recovery, recover
from acqd.archive.removing import Removing, Retained, least_free, retain
from acqd.archive.retention import Retention
from acqd.archive.sealer import GRACE_S, Sealer
from acqd.archive.setaside import Mishap, read_untold
from acqd.archive.undelivered import Undelivered
from acqd.clock import Clock
from acqd.errors import ArchiveError

__all__ = ["ArchiveStatistics", "ArchiveWriter"]

KEEP_FREE_BYTES = 64 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class ArchiveStatistics:
    """How the archive is doing.

    ``journals`` counts the one being written and those that wait to be sealed; ``problem`` is what
    keeps them from being sealed, or days from being merged or removed, if anything does. Sweeps are
    kept while ``free_bytes`` stay above ``floor_bytes``; ``full_since_s`` is the wall time since
    when they were not, None while they are. ``commit_s`` is the median of the last commits, in
    seconds from the hand-over to the disk's word; None before there are enough of them.
    """

    queued_batches: int
    queued_bytes: int
    journals: int
    unsealed_bytes: int
    wal_bytes: int
    free_bytes: int
    commits: int
    committed_batches: int
    sealed_journals: int
    sealed_segments: int
    merged_volumes: int
    last_seal_took_s: float | None
    problem: str | None
    floor_bytes: int = 0
    full_since_s: float | None = None
    commit_s: float | None = None
    removed_days: int = 0
    removed_bytes: int = 0
    limits_missed_bytes: int = 0
    """By how much the limits of retention are missed, though no more may go."""


class ArchiveWriter:
    """One archive, open for writing. Made by :meth:`open`, ended by :meth:`close`."""

    def __init__(
        self,
        root: Path,
        *,
        station: str,
        run_id: str,
        clock: Clock,
        commit_within_s: float,
        keep_free_bytes: int,
        software: Mapping[str, str],
        synced: bool,
        retention: Retention,
    ) -> None:
        """Not to be called; :meth:`open` does."""
        self.root = root
        self._clock = clock
        self.commit_within_s = commit_within_s
        about = {
            "station": station,
            "run_id": run_id,
            "boot_id": clock.boot_id,
            "sqlite": sqlite3.sqlite_version,
        }
        self._retention = retention
        self._inbox = Inbox(root)
        self._thread: threading.Thread | None = None
        self._closed = False
        self._lock = WriterLock(root, station=station, since_s=clock.wall_s())
        try:
            self._ballast = Ballast(root, keep_free_bytes=keep_free_bytes)
            cleared = clear_temporaries(sweeps_folder(root))
            untold = read_untold(root)
            self._ledger, met = open_ledger(root, now_s=clock.wall_s(), synced=synced)
            mishaps = [*untold, *met]
            try:
                leftovers = _begun_journals(root)
                self.recovery: Recovery = recover(self._ledger, leftovers, tuple(cleared))
                self._undelivered = Undelivered(root, self._ledger)
                self._committer = Committer(
                    root,
                    self._ledger,
                    ballast=self._ballast,
                    clock=clock,
                    about=about,
                    marks={
                        job: Mark(known.next_seq - 1, known.next_finding - 1)
                        for job, known in self.recovery.jobs.items()
                    },
                    keep_free_bytes=keep_free_bytes,
                    synced=synced,
                )
                self._sealer = Sealer(
                    root,
                    station=station,
                    software=software,
                    clock=clock,
                    ask=self._ask,
                    leftovers=leftovers,
                    mishaps=mishaps,
                    retention=retention,
                    floor_bytes=lambda: self._committer.floor_bytes,
                    drop_ballast=lambda: self._inbox.submit(self._ballast.drop).result(),
                )
            except sqlite3.Error as exc:
                self._ledger.close()
                raise error_of(exc, self._ledger.path) from exc
            except BaseException:
                self._ledger.close()
                raise
        except BaseException:
            self._lock.release()
            raise

    @classmethod
    def open(
        cls,
        root: Path,
        *,
        station: str,
        run_id: str,
        clock: Clock,
        commit_within_s: float = 0.0,
        keep_free_bytes: int = KEEP_FREE_BYTES,
        software: Mapping[str, str] | None = None,
        synced: bool = True,
        retention: Retention | None = None,
    ) -> ArchiveWriter:
        """Open an archive, or make one, and read what the last run left.

        Args:
            commit_within_s: how long a batch may wait for others to share its transaction; what a
                power cut may cost. At 0 only what is queued already is grouped.
            keep_free_bytes: free space below which nothing is committed.
            software: names and versions that go into every file.
            synced: False only for what may be lost: commits do not wait for the disk then, and a
                power cut may cost journal and ledger.
            retention: which sweeps :meth:`retain` may remove; none where nothing is said.

        Raises:
            ArchiveLocked: another process writes it.
            ArchiveDamaged: ledger or journal cannot be read.
            ArchiveError: the folder cannot be made or locked.
        """
        try:
            make_folder(Path(root).absolute())
            make_folder(journals_folder(Path(root).absolute()))
        except OSError as exc:
            raise ArchiveError(
                f"{root}: the archive's folder cannot be made ({exc.strerror}); "
                f"name a folder that this user may write"
            ) from exc
        return cls(
            Path(root).absolute(),
            station=station,
            run_id=run_id,
            clock=clock,
            commit_within_s=commit_within_s,
            keep_free_bytes=keep_free_bytes,
            software=dict(software or {}),
            synced=synced,
            retention=retention or Retention(),
        )

    def begin(self, meters: Sequence[MeterState]) -> None:
        """Begin a journal with the meters' states; from here on batches are taken.

        Only when this has returned may what the last run left be sealed, so a kill before it
        changes nothing.

        Raises:
            ArchiveError: it could not be begun. May be tried again.
        """
        if self._committer.journal is not None or self._closed:
            raise ArchiveError(f"{self.root}: begin() comes once, after open()")
        self._ballast.load()
        self._committer.next_journal(meters)
        self._inbox.open()
        self._thread = threading.Thread(target=self._run, name="acqd-archive", daemon=True)
        self._thread.start()
        self._sealer.start()

    # -- what the station asks -------------------------------------------------------------------

    def commit(self, batch: Batch, *, waits_s: float = math.inf) -> Future[None]:
        """Keep a batch, whole or not at all; resolved when it is on the disk.

        It waits for others to share its transaction for ``commit_within_s``, and for ``waits_s``
        at most, which whoever has more to do before the next one is due keeps short.

        Sequence numbers of a job must rise and finding numbers rise by one, over all runs. The
        future raises ArchiveFull where there is no room, ArchiveError where the batch is wrong, too
        much is queued, or the writer is not open; nothing of the batch was kept then.
        """
        return self._inbox.put(batch, waits_s=waits_s)

    def rotate(self, meters: Sequence[MeterState]) -> Future[None]:
        """Begin a new journal with ``meters``; the old one is sealed in the background.

        The states must be those after every batch committed so far. If the new journal cannot be
        begun the old one goes on.
        """
        states = tuple(meters)
        return self._inbox.submit(lambda: self._rotate(states))

    def record_plan(self, plan_json: str, at_s: float) -> Future[None]:
        """Keep the plan in force from ``at_s`` on; one of the same time takes the last's place."""

        def keep() -> None:
            self._ledger.add_plan(plan_json, at_s)
            keep_plan_copy(self.root, plan_json, at_s)

        return self._inbox.submit(keep)

    def alive(self, at_s: float) -> Future[None]:
        """Note that the station was alive at ``at_s``."""
        return self._inbox.submit(lambda: self._ledger.set_alive(at_s, self._clock.boot_id))

    def pending_findings(self, limit: int) -> Future[list[PendingFinding]]:
        """Findings not yet delivered, at most ``limit``, in the order of their commit."""
        return self._inbox.submit(
            lambda: self._undelivered.pending(limit, self._committer.current())
        )

    def acknowledge(self, job: str, number: int) -> Future[None]:
        """The findings of ``job`` up to ``number`` have been delivered."""
        return self._inbox.submit(lambda: self._undelivered.deliver(job, number))

    def undelivered_excess(self, job: str, keep: int) -> Future[tuple[int, int] | None]:
        """Of the findings of ``job`` that are not delivered, all but the newest ``keep``.

        Resolves to their first and last number, or None where there are none. Whoever gives them up
        says so to others first, and then acknowledges the last.
        """
        return self._inbox.submit(
            lambda: self._undelivered.excess(job, keep, self._committer.marks)
        )

    def undelivered(self) -> Future[dict[str, int]]:
        """How many findings of each job wait to be delivered; jobs with none are left out."""
        return self._inbox.submit(lambda: self._undelivered.waiting(self._committer.marks))

    def add_overlay(
        self,
        kind: OverlayKind,
        *,
        body: Mapping[str, Any],
        who: str,
        job: str | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
    ) -> Future[int]:
        """Add a note, a chain amendment, a time correction or a pin; resolves to its number."""
        at_s = self._clock.wall_s()
        return self._inbox.submit(
            lambda: self._ledger.add_overlay(
                kind, job=job, from_s=from_s, to_s=to_s, body=body, who=who, at_s=at_s
            )
        )

    def add_overlay_now(
        self,
        kind: OverlayKind,
        *,
        body: Mapping[str, Any],
        who: str,
        job: str | None = None,
        from_s: float | None = None,
        to_s: float | None = None,
    ) -> int:
        """:meth:`add_overlay` at once, of an archive that was opened and has not begun.

        Raises:
            ArchiveError: it could not be kept; ArchiveFull where there is no room.
        """
        if self._thread is not None:
            raise ArchiveError("add_overlay_now() is for before begin()")
        try:
            return self._ledger.add_overlay(
                kind,
                job=job,
                from_s=from_s,
                to_s=to_s,
                body=body,
                who=who,
                at_s=self._clock.wall_s(),
            )
        except sqlite3.Error as exc:
            raise error_of(exc, self._ledger.path) from exc

    def merge_due(self, now_s: float, *, clock_trusted: bool = True) -> Future[int]:
        """Merge the segments of UTC days that have ended; resolves to the number of volumes made.

        Runs in the sealer's thread, after the journals that wait. Does nothing while the clock is
        not trusted. A day is left for later while a journal may still hold sweeps of it.
        """
        return self._sealer.merge_due(now_s, clock_trusted=clock_trusted)

    def retain(self, now_s: float, *, age_counts: bool = True) -> Future[Retained]:
        """Remove what retention lets go at ``now_s``; resolves to what was removed.

        Runs in the sealer's thread, after what waits there. Goes on with what a kill cut short,
        also where no limit is named. Where the clock is not known to be right, ``age_counts`` is to
        be False: nothing is then removed for its age.
        """
        return self._sealer.retain(now_s, age_counts=age_counts)

    def event_now(self) -> int:
        """The ordinal of the last event that was committed to the present journal, that before its
        first where there is none yet; asks no disk."""
        journal = self._committer.journal
        return 0 if journal is None else event_of(journal.ordinal, journal.rows)

    def retain_now(self, now_s: float, *, age_counts: bool = True) -> Retained:
        """:meth:`retain` at once, of an archive that was opened and has not begun.

        Raises:
            ArchiveError: it has begun, or ledger or journal cannot be read.
        """
        if self._thread is not None:
            raise ArchiveError("retain_now() is for before begin()")
        work = Removing(
            root=self.root,
            ask=lambda run: run(self._ledger),
            drop_ballast=self._ballast.drop,
            wall_s=self._clock.wall_s,
            check=lambda: None,
        )
        floor = self._committer.floor_bytes
        return retain(work, self._retention, now_s=now_s, floor_bytes=floor, age_counts=age_counts)

    def is_busy(self, *, unsealed_most: int = 0) -> bool:
        """Whether anything is still to be committed or answered, or more journals and days than
        ``unsealed_most`` are to be sealed and merged; asks no disk.

        For a clock that must not run on meanwhile. Once it says no, whoever waits for what was
        done has been called back.
        """
        return not self._inbox.is_idle or self._sealer.left_to_do > unsealed_most

    @property
    def commit_s(self) -> float | None:
        """The median of what the last commits took; None before there are enough."""
        return self._committer.commit_s

    @property
    def commits(self) -> int:
        """Transactions so far."""
        return self._committer.commits

    def is_near_floor(self) -> bool:
        """Whether the disk is about to be too full for sweeps, so that retention makes room."""
        return free_bytes(self.root) < least_free(self._committer.floor_bytes)

    def take_mishaps(self) -> list[Mishap]:
        """What was met since the last call, and put right as far as it can be: to be told."""
        return self._sealer.take_mishaps()

    def mishaps_told(self, mishaps: Sequence[Mishap]) -> None:
        """These have been told; others are given by :meth:`take_mishaps` at the next start too."""
        self._sealer.told(mishaps)

    @property
    def problem(self) -> str | None:
        """What keeps journals from being sealed or days from being merged; asks no disk."""
        return self._sealer.problem

    def statistics(self) -> ArchiveStatistics:
        """How the archive is doing; cheap, may be asked from any thread."""
        paths = list_journals(self.root)
        journal = self._committer.journal
        wal = 0 if journal is None else _size(journal.path.with_name(journal.path.name + "-wal"))
        sealer = self._sealer.statistics()
        return ArchiveStatistics(
            queued_batches=self._inbox.batches,
            queued_bytes=self._inbox.size_bytes,
            journals=sealer.waiting + (journal is not None),
            unsealed_bytes=wal + sum(_size(path) for path in paths),
            wal_bytes=wal,
            free_bytes=free_bytes(self.root),
            commits=self._committer.commits,
            committed_batches=self._committer.committed,
            sealed_journals=sealer.journals,
            sealed_segments=sealer.segments,
            merged_volumes=sealer.volumes,
            last_seal_took_s=sealer.last_took_s,
            problem=sealer.problem,
            floor_bytes=self._committer.floor_bytes,
            full_since_s=self._committer.full_since_s,
            commit_s=self._committer.commit_s,
            removed_days=sealer.removed_days,
            removed_bytes=sealer.removed_bytes,
            limits_missed_bytes=sealer.limits_missed_bytes,
        )

    def close(
        self,
        meters: Sequence[MeterState],
        *,
        seal: bool = True,
        within_s: float = 2.0,
        grace_s: float = GRACE_S,
    ) -> None:
        """Commit what is queued, begin a last journal with ``meters``, seal what time allows.

        What is not sealed within ``within_s`` waits for the next start; the segment that is being
        written then has ``grace_s`` to be left, see :attr:`is_sealing`. Without ``meters`` the
        journal stays as it is, for the next start to go on from. The second call does nothing.

        Raises:
            ArchiveError: the last checkpoint could not be written; all the rest is closed.
        """
        if self._closed:
            return
        until_s = time.monotonic() + within_s
        problem: BaseException | None = None
        if self._thread is not None:
            if meters:
                problem = self._last_words(meters, within_s)
            self._sealer.stop(until_s=until_s if seal else time.monotonic(), grace_s=grace_s)
        self._closed = True
        self._inbox.end()
        if self._thread is not None:
            self._thread.join(max(1.0, until_s - time.monotonic()))
        if self._thread is None or not self._thread.is_alive():
            self._close_files()
        if problem is not None:
            raise ArchiveError(f"{self.root}: closed without a last checkpoint: {problem}")

    @property
    def is_sealing(self) -> bool:
        """Whether the sealer's thread lives. After :meth:`close` it is one that was given up: its
        journal is whole, the archive stays locked while the process lives, and that should end
        without waiting for it."""
        return not self._sealer.is_done()

    # -- inside ----------------------------------------------------------------------------------

    def _ask(self, run: Callable[[Ledger], Any]) -> Any:
        """For the sealer: do something with the ledger in the writer's thread, and wait."""
        return self._inbox.submit(lambda: run(self._ledger)).result()

    # -- the writer's thread ---------------------------------------------------------------------

    def _run(self) -> None:
        held: Commit | Call | None = None
        while True:
            item = held if held is not None else self._inbox.get()
            held = None
            if item is None:
                return
            if isinstance(item, Call):
                self._committer.answer(item)
                self._inbox.done(1)
                continue
            group, held, ended = self._inbox.gather(item, self.commit_within_s)
            self._committer.commit(group)
            self._inbox.done(len(group))
            if ended:
                return

    def _rotate(self, meters: Sequence[MeterState]) -> None:
        old = self._committer.next_journal(meters)
        if old is not None:
            self._sealer.take(old)
        self._ballast.load()

    def _last_words(self, meters: Sequence[MeterState], within_s: float) -> BaseException | None:
        try:
            self.alive(self._clock.wall_s())
            self.rotate(meters).result(timeout=max(1.0, within_s))
        except BaseException as exc:
            return exc
        return None

    def _close_files(self) -> None:
        self._committer.close()
        self._ledger.close()
        # While a sealer that could not be stopped works on, the archive stays locked with it.
        if self._sealer.is_done():
            self._lock.release()


def _begun_journals(root: Path) -> list[Path]:
    """Journals of earlier runs; those whose first transaction never came are removed."""
    begun = []
    for path in list_journals(root):
        with JournalView(path) as view:
            whole = view.begun()
        if whole:
            begun.append(path)
        else:
            remove_journal(path)
    # Logs whose journal is gone: the kill came in the middle of an unlink.
    names = {path.name for path in begun}
    for stray in journals_folder(root).glob("journal-*.sqlite-*"):
        if stray.name.rsplit("-", 1)[0] not in names:
            stray.unlink(missing_ok=True)
    return begun


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size
    except FileNotFoundError:
        return 0
