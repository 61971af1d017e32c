"""What files have of the ledger: copies of rows, and setups. For when it is lost or damaged."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from acqd.archive.damage import warn_of
from acqd.archive.kept import read_kept
from acqd.archive.layout import list_days, list_files, list_jobs, list_kept
from acqd.archive.ledger import rows_from_copy
from acqd.archive.records import SetupRecord
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged

__all__ = ["copied_rows_in", "setups_in"]


def copied_rows_in(root: Path, table: str) -> Iterator[list[Any]]:
    """Rows of a table of the ledger as each file has them; a damaged one is left out, with a
    warning.

    In the files of all jobs: what was noted before a job's first sweep is in those of others.
    """
    for job in list_jobs(root):
        for day in list_days(root, job):
            for path in list_kept(root, job, day):
                try:
                    yield rows_from_copy(table, read_kept(path).ledger.get(table, []))
                except ArchiveDamaged as exc:
                    warn_of(exc)
            for path, _ in list_files(root, job, day):
                try:
                    with SweepFile(path) as file:
                        rows = rows_from_copy(table, file.ledger().get(table, []))
                except ArchiveDamaged as exc:
                    warn_of(exc)
                else:
                    yield rows


def setups_in(root: Path, job: str) -> Iterator[SetupRecord]:
    """The setup of each file of a job, and of each that retention removed; damaged ones are left
    out, with a warning."""
    for day in list_days(root, job):
        for path in list_kept(root, job, day):
            try:
                yield read_kept(path).setup
            except ArchiveDamaged as exc:
                warn_of(exc)
        for path, _ in list_files(root, job, day):
            try:
                with SweepFile(path) as file:
                    setup = file.setup()
            except ArchiveDamaged as exc:
                warn_of(exc)
            else:
                yield setup
