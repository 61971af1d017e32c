"""Where things lie in an archive, and what their names say.

    lock  ballast  ledger.sqlite
    journals/journal-0000000012-3f2a9c01.sqlite        ordinal, first part of the boot id
    sweeps/<job>/<day of UTC>/manifest.json
    sweeps/<job>/<day>/segment_0000000101-0000000460_step0_9f2c1a….nc
    sweeps/<job>/<day>/volume_0000000001-0000028800_step0_9f2c1a….nc
    sweeps/<job>/<day>/kept_0000000001-0000028800_step0_9f2c1a….json.gz    of a volume removed

A name says what a file is, so that a listing alone tells which files a question needs. What it does
not have room for stands in the file's attributes.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path
from urllib.parse import quote, unquote

from acqd.archive.private import not_ours

__all__ = [
    "DAY_S",
    "SCHEMA_VERSION",
    "TEMPORARY_SUFFIX",
    "FileKind",
    "FileName",
    "day_of",
    "day_start_s",
    "event_of",
    "folder_of_job",
    "job_of_folder",
    "journal_name",
    "journal_of",
    "journal_ordinal",
    "journals_folder",
    "kept_of",
    "ledger_path",
    "list_days",
    "list_files",
    "list_jobs",
    "list_journals",
    "list_kept",
    "sweeps_folder",
    "temporary_of",
]

SCHEMA_VERSION = 1
"""Of journal, ledger and files together; raised when a reader of the one before would misread."""

DAY_S = 86400.0
EPOCH_ORDINAL = date(1970, 1, 1).toordinal()
TEMPORARY_SUFFIX = ".tmp"

_JOURNAL = re.compile(r"journal-(\d{10})-[0-9A-Za-z]{1,8}\.sqlite")
_FILE = re.compile(r"(segment|volume)_(\d{10,})-(\d{10,})_step(\d+)_([0-9A-Za-z%._-]+)\.nc")
_KEPT = re.compile(r"kept_(.+)\.json\.gz")


class FileKind(StrEnum):
    """The two sizes of write-once files. Readers prefer a volume."""

    SEGMENT = "segment"
    VOLUME = "volume"


@dataclass(frozen=True, slots=True, kw_only=True)
class FileName:
    """What the name of a write-once file says. ``setup`` is its first 16 characters."""

    kind: FileKind
    first_seq: int
    last_seq: int
    step: int
    setup: str

    def __str__(self) -> str:
        setup = quote(self.setup, safe="")[:16]
        return f"{self.kind}_{self.first_seq:010d}-{self.last_seq:010d}_step{self.step}_{setup}.nc"

    @classmethod
    def parse(cls, name: str) -> FileName | None:
        """What ``name`` says, or None where it is no such file."""
        found = _FILE.fullmatch(name)
        if found is None:
            return None
        kind, first, last, step, setup = found.groups()
        return cls(
            kind=FileKind(kind),
            first_seq=int(first),
            last_seq=int(last),
            step=int(step),
            setup=unquote(setup),
        )


def event_of(journal: int, row: int) -> int:
    """The ordinal of an event: rises over the whole archive."""
    return (journal << 32) | row


def journal_of(event: int) -> int:
    """The journal that an event was committed to."""
    return event >> 32


def day_of(at_s: float) -> str:
    """The UTC day of a time, as ``2026-06-01``."""
    # By floor division, which is exact: a rounded 23:59:59.9999999 would be of the day after.
    return date.fromordinal(EPOCH_ORDINAL + int(at_s // DAY_S)).isoformat()


def day_start_s(day: str) -> float:
    """The time at which a day begins.

    Raises:
        ValueError: not a day.
    """
    return (date.fromisoformat(day).toordinal() - EPOCH_ORDINAL) * DAY_S


def ledger_path(root: Path) -> Path:
    return root / "ledger.sqlite"


def plan_path(root: Path) -> Path:
    """A copy of the plan in force: a lost ledger must not cost the account of the time down."""
    return root / "plan.json"


def journals_folder(root: Path) -> Path:
    return root / "journals"


def sweeps_folder(root: Path) -> Path:
    return root / "sweeps"


def folder_of_job(root: Path, job: str) -> Path:
    """Folder of a job's files; characters that a folder had better not have are escaped."""
    name = quote(job, safe="")
    return sweeps_folder(root) / ("%2E" + name[1:] if name.startswith(".") else name)


def job_of_folder(folder: Path) -> str:
    return unquote(folder.name)


def journal_name(ordinal: int, boot_id: str) -> str:
    """Name of a journal: an ordinal that is never used again, and the boot it was begun in."""
    boot = "".join(c for c in boot_id if c.isascii() and c.isalnum())[:8] or "0"
    return f"journal-{ordinal:010d}-{boot}.sqlite"


def journal_ordinal(path: Path) -> int:
    """Ordinal of a journal by its name.

    Raises:
        ValueError: not the name of a journal.
    """
    found = _JOURNAL.fullmatch(path.name)
    if found is None:
        raise ValueError(f"{path.name} is not the name of a journal")
    return int(found.group(1))


def list_journals(root: Path) -> list[Path]:
    """Journals in the order in which they were begun.

    Raises:
        ArchiveError: they are another user's.
    """
    try:
        names = list(journals_folder(root).iterdir())
    except FileNotFoundError:
        return []
    except PermissionError:
        raise not_ours(journals_folder(root)) from None
    return sorted(path for path in names if _JOURNAL.fullmatch(path.name))


def list_jobs(root: Path) -> list[str]:
    """Jobs that have files, in alphabetical order.

    A folder whose name no job of ours would have made is passed by, so what is found here is
    always the folder that :func:`folder_of_job` gives, whoever made the archive.
    """
    try:
        folders = list(sweeps_folder(root).iterdir())
    except FileNotFoundError:
        return []
    names = ((folder, job_of_folder(folder)) for folder in folders if folder.is_dir())
    return sorted(name for folder, name in names if _is_folder_of(folder, name))


def list_days(root: Path, job: str) -> list[str]:
    """Days of a job that have a folder, in order."""
    try:
        folders = list(folder_of_job(root, job).iterdir())
    except FileNotFoundError:
        return []
    return sorted(folder.name for folder in folders if _is_day(folder.name))


def list_files(root: Path, job: str, day: str) -> list[tuple[Path, FileName]]:
    """Write-once files of one job and day: volumes first, then by first sequence number."""
    try:
        paths = list((folder_of_job(root, job) / day).iterdir())
    except FileNotFoundError:
        return []
    parsed = ((path, FileName.parse(path.name)) for path in paths)
    known = [(path, name) for path, name in parsed if name is not None]
    return sorted(known, key=lambda item: (item[1].kind != FileKind.VOLUME, item[1].first_seq))


def kept_of(path: Path) -> Path:
    """The file that holds what outlives the volume ``path``, beside it."""
    return path.with_name(f"kept_{path.stem.removeprefix('volume_')}.json.gz")


def list_kept(root: Path, job: str, day: str) -> list[Path]:
    """Files that hold what outlived a volume of one job and day, by the first sequence number.

    Only of volumes that are gone: while one lies there, it says all that itself.
    """
    folder = folder_of_job(root, job) / day
    try:
        names = {path.name for path in folder.iterdir()}
    except FileNotFoundError:
        return []
    found = ((name, _KEPT.fullmatch(name)) for name in sorted(names))
    return [
        folder / name
        for name, match in found
        if match is not None and f"volume_{match.group(1)}.nc" not in names
    ]


def _is_folder_of(folder: Path, job: str) -> bool:
    try:
        return bool(job) and folder_of_job(folder.parent.parent, job).name == folder.name
    except UnicodeEncodeError:  # a name that is no UTF-8
        return False


def temporary_of(path: Path) -> Path:
    """The name under which ``path`` is written before it is renamed, in the same folder."""
    return path.with_name(path.name + TEMPORARY_SUFFIX)


def _is_day(name: str) -> bool:
    try:
        date.fromisoformat(name)
    except ValueError:
        return False
    return len(name) == 10
