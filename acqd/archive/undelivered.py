"""Findings that the broker has not acknowledged, wherever they lie; for the writer's thread."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from acqd.archive.journal import Journal, JournalView, Mark
from acqd.archive.layout import list_journals
from acqd.archive.ledger import Ledger, PendingFinding, pending_in

__all__ = ["Undelivered"]


class Undelivered:
    """Up to which number each job's findings need no sending; the rest waits."""

    def __init__(self, root: Path, ledger: Ledger) -> None:
        self._root = root
        self._ledger = ledger
        self._delivered = ledger.delivered()

    def pending(self, limit: int, current: Journal) -> list[PendingFinding]:
        """At most ``limit``, in the order of their commit. ``current`` is the journal in use."""
        found = {(one.job, one.number): one for one in self._ledger.pending(limit)}
        for path in list_journals(self._root):
            if len(found) >= limit:
                break
            for one in self._in_journal(path, limit, current):
                found.setdefault((one.job, one.number), one)
        return sorted(found.values(), key=lambda one: one.event)[:limit]

    def _in_journal(self, path: Path, limit: int, current: Journal) -> list[PendingFinding]:
        if path == current.path:
            return pending_in(current.connection, self._delivered, limit)
        try:
            with JournalView(path) as view:
                return pending_in(view.connection, self._delivered, limit)
        except FileNotFoundError:
            # Sealed this moment: what it held was in the ledger before the file went.
            return self._ledger.pending(limit)

    def deliver(self, job: str, number: int) -> None:
        """Everything of ``job`` up to ``number`` needs no sending. Never goes back."""
        if number > self._delivered.get(job, 0):
            self._ledger.set_delivered(job, number)
            self._delivered[job] = number

    def excess(self, job: str, keep: int, marks: Mapping[str, Mark]) -> tuple[int, int] | None:
        """All but the newest ``keep``: the first and last number, or None where there are none."""
        first = self._delivered.get(job, 0) + 1
        last = marks.get(job, Mark()).finding - keep
        return None if last < first else (first, last)

    def waiting(self, marks: Mapping[str, Mark]) -> dict[str, int]:
        """How many wait, by job; jobs with none are left out."""
        counts = {job: mark.finding - self._delivered.get(job, 0) for job, mark in marks.items()}
        return {job: count for job, count in counts.items() if count > 0}
