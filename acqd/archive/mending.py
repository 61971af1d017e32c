"""What ``acqd verify`` does when it is told to: list files anew, set damaged ones aside, make a new
ledger. Only with the archive's lock, so never beside a station."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

from acqd.archive.layout import ledger_path
from acqd.archive.ledger import Ledger
from acqd.archive.lock import WriterLock
from acqd.archive.manifest import MANIFEST, is_garbled, update_manifest
from acqd.archive.rebuild import database_problem, open_ledger, remake_ledger
from acqd.archive.sealing import listing_of
from acqd.archive.setaside import file_mishap, keep_untold, set_aside_file, set_aside_plain
from acqd.archive.verified import Problem
from acqd.errors import ArchiveDamaged, ArchiveError

__all__ = ["new_ledger", "put_aside", "relist"]


def new_ledger(root: Path, *, now_s: float) -> str:
    """Make the ledger anew from the files; returns what is to be said of it.

    Raises:
        ArchiveLocked: a station runs on the archive.
        ArchiveError: it cannot be made; the one there is stays.
    """
    lock = WriterLock(root, station="acqd verify", since_s=now_s)
    try:
        problem = database_problem(ledger_path(root)) if ledger_path(root).exists() else None
        why = "the ledger, as somebody asked"
        if problem is not None:
            why = f"the ledger was damaged ({problem})"
        elif not ledger_path(root).exists():
            why = "the ledger was lost"
        return remake_ledger(root, why, now_s=now_s).text
    finally:
        lock.release()


@contextmanager
def _locked(root: Path, now_s: float) -> Iterator[Ledger]:
    """The ledger, for writing. Raises ArchiveDamaged where it is damaged itself."""
    lock = WriterLock(root, station="acqd verify", since_s=now_s)
    try:
        problem = database_problem(ledger_path(root)) if ledger_path(root).exists() else "missing"
        if problem is not None:
            raise ArchiveDamaged(
                f"{ledger_path(root)}: {problem}; have it made anew first, with --rebuild-ledger"
            )
        ledger, _ = open_ledger(root, now_s=now_s)
        try:
            yield ledger
        finally:
            ledger.close()
    finally:
        lock.release()


def put_aside(root: Path, problems: Iterable[Problem], *, now_s: float) -> list[str]:
    """Set the damaged files aside that verifying named; returns a line each.

    Raises:
        ArchiveLocked: a station runs on the archive.
        ArchiveError: one cannot be moved; those before it are.
    """
    damaged = {one.where: one for one in problems if one.can_be_set_aside}
    told = []
    with _locked(root, now_s) as ledger:
        for where, problem in damaged.items():
            path = root / where
            if not path.exists():
                continue
            try:
                aside = set_aside_file(
                    root, path, problem.what, at_s=now_s, ask=lambda run: run(ledger)
                )
                keep_untold(root, file_mishap(where, aside, problem.what, lost=problem.sweeps))
            except OSError as exc:
                raise ArchiveError(f"{path}: cannot be set aside: {exc.strerror}") from exc
            told.append(f"{where}: set aside as {aside}")
    return told


def relist(root: Path, problems: Iterable[Problem], *, now_s: float) -> list[str]:
    """List files anew that verifying found whole, in manifest and ledger; returns a line each.

    Raises:
        ArchiveLocked: a station runs on the archive.
        ArchiveError: a list cannot be written.
    """
    wanted = sorted({name for one in problems for name in one.to_list})
    told = []
    with _locked(root, now_s) as ledger:
        for folder in sorted({(root / name).parent for name in wanted}):
            if is_garbled(folder):
                name = f"{folder.parent.name}_{folder.name}_{MANIFEST}"
                place = (folder / MANIFEST).relative_to(root).as_posix()
                aside = set_aside_plain(root, folder / MANIFEST, name)
                told.append(f"{place}: garbled, set aside as {aside}")
            paths = [root / name for name in wanted if (root / name).parent == folder]
            entries = [listing_of(root, path) for path in paths if path.exists()]
            update_manifest(folder, entries, gone=())
            ledger.replace_files((), entries)
            told += [f"{entry.path}: listed" for entry in entries]
    return told
