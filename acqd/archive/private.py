"""Who may read and write what of an archive on a machine with other users.

Journals, ledger, the plan's copy, the alerts' memory, lock and ballast are their user's alone:
files 0600, the folder of journals 0700, whatever the umask. Files of sweeps, manifests and reports
are made by the umask, so whoever wants to share them can; whoever does not closes the archive's
folder (0700) or sets the umask. What an earlier acqd left open is closed when it is next opened for
writing.
"""

from __future__ import annotations

import errno
import os
import stat
from contextlib import suppress
from pathlib import Path

from acqd.errors import ArchiveError

__all__ = ["at_risk", "close_folder", "not_ours", "open_private", "prepare_database"]

FILE_MODE = 0o600
FOLDER_MODE = 0o700
_OTHERS = stat.S_IRWXG | stat.S_IRWXO
_OTHERS_WRITE = stat.S_IWGRP | stat.S_IWOTH


def open_private(path: Path) -> int:
    """A handle of a file for reading and writing, made where it is missing, this user's alone.

    Raises:
        ArchiveError: it cannot be had, or is a link: whoever may write in the folder could have us
            spoil another file by one.
    """
    flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NONBLOCK
    try:
        handle = os.open(path, flags, FILE_MODE)
    except OSError as exc:
        if exc.errno == errno.ELOOP:
            raise ArchiveError(
                f"{path}: is a link, which is not followed here; put the file itself in its place"
            ) from exc
        raise ArchiveError(
            f"{path}: cannot be opened for writing: {exc.strerror}; run this as the user who made "
            "the archive, or name another archive in the config"
        ) from exc
    found = os.fstat(handle)
    if not stat.S_ISREG(found.st_mode):
        os.close(handle)
        raise ArchiveError(f"{path}: is no plain file; move it away")
    if found.st_mode & _OTHERS:
        with suppress(OSError):
            # Not ours, though we may write it: at_risk() tells.
            os.fchmod(handle, FILE_MODE)
    return handle


def prepare_database(path: Path) -> None:
    """Make the empty file of a database for this user alone, or close one that stands open.

    SQLite gives its log and its index the mode of the database.

    Raises:
        ArchiveError: it cannot be had.
    """
    os.close(open_private(path))
    for suffix in ("-wal", "-shm"):
        with suppress(OSError):
            _close(path.with_name(path.name + suffix), FILE_MODE)


def not_ours(path: Path) -> ArchiveError:
    """What to say to who may not read ``path``, which is its user's alone."""
    return ArchiveError(
        f"{path}: this user may not read it; journals and ledger are for the station's user alone, "
        f"so run this as that one: sudo -u {_owner_of(path)} …"
    )


def _owner_of(path: Path) -> str:
    try:
        return path.owner()
    except (OSError, KeyError):
        return "USER"


def close_folder(folder: Path) -> None:
    """Let nobody else into a folder of ours; one of somebody else's stays as it is."""
    with suppress(OSError):
        _close(folder, FOLDER_MODE)


def _close(path: Path, mode: int) -> None:
    if path.lstat().st_mode & _OTHERS and not path.is_symlink():
        path.chmod(mode)


def at_risk(root: Path) -> tuple[str, ...]:
    """What other users of this machine may do with an archive and should not, a sentence each.

    To be asked by its writer: the folder of journals is closed first, where that can be.
    """
    found = []
    close_folder(root / "journals")
    try:
        state = root.stat()
        journals = (root / "journals").stat()
    except OSError:
        return ()
    if state.st_uid not in (os.getuid(), 0):
        found.append(
            f"{root} belongs to another user (number {state.st_uid}), who can remove all in it: "
            "give it to the station's user (chown)"
        )
    elif state.st_mode & _OTHERS_WRITE and not state.st_mode & stat.S_ISVTX:
        found.append(
            f"others may write in {root}, and so take away or replace what is kept: "
            f"chmod go-w {root}"
        )
    if journals.st_mode & _OTHERS:
        found.append(
            f"others may read {root / 'journals'}, which could not be changed: as its owner, "
            f"chmod 700 {root / 'journals'}"
        )
    return tuple(found)
