"""A ledger made anew from the files, after the old one was lost.

Every file has a copy of the ledger's rows of its time, and its own setup; so has what was kept of a
volume that retention removed. What no file has yet is lost with the ledger: that of days without
sweeps after the last file, the overlays since then, and which findings were delivered. All count as
delivered then: better some unsent than years of them sent once more.
"""

from __future__ import annotations

from pathlib import Path

from acqd.archive.journal import Mark
from acqd.archive.kept import read_kept
from acqd.archive.layout import journal_of, list_days, list_files, list_jobs, list_kept
from acqd.archive.ledger import FileEntry, Ledger
from acqd.archive.manifest import read_manifest
from acqd.archive.sweepfile import SweepFile

__all__ = ["rebuild_ledger"]


def rebuild_ledger(root: Path, ledger: Ledger) -> int:
    """Fill a new ledger from all files, and from what outlived those that were removed; returns how
    many there were.

    Sequence numbers go on after the highest that any file has, finding numbers after the highest
    that any copy has.

    Raises:
        ArchiveDamaged: a file cannot be read.
    """
    count = 0
    for job in list_jobs(root):
        for day in list_days(root, job):
            for path in list_kept(root, job, day):
                _take_kept(ledger, path)
                count += 1
            for path, name in list_files(root, job, day):
                _take_file(root, ledger, path, job, name.last_seq)
                count += 1
    ledger.raise_marks({job: Mark(0, number) for job, number in ledger.last_findings().items()})
    for job, number in ledger.last_findings().items():
        ledger.set_delivered(job, number)
    return count


def _take_file(root: Path, ledger: Ledger, path: Path, job: str, last_seq: int) -> None:
    with SweepFile(path) as file:
        setup, copy = file.setup(), file.ledger()
        last_event = int(file.core("event").max())
    entries = []
    facts = read_manifest(path.parent).get(path.name)
    if facts is not None:
        facts = {key: value for key, value in facts.items() if key != "name"}
        entries.append(FileEntry(path=path.relative_to(root).as_posix(), **facts))
    ledger.restore(copy)
    ledger.lift_ordinal(journal_of(last_event))
    ledger.finish_journal([setup], {job: Mark(last_seq, 0)}, entries)


def _take_kept(ledger: Ledger, path: Path) -> None:
    """What the volume would have given, but that it is listed as a file."""
    kept = read_kept(path)
    ledger.restore(kept.ledger)
    ledger.lift_ordinal(journal_of(kept.last_event))
    ledger.finish_journal([kept.setup], {kept.job: Mark(kept.last_seq, 0)}, [])
