"""The file system of the archive: what it is, what fits on it, and how long a synced write takes.

A commit is one synced write (G1), so its time bounds how fast passes can follow each other. The
measuring writes a small file into the archive's folder, or into the one above it that is there,
and removes it.

Limits: a medium, or a virtual disk, that says "written" and has it in a cache only cannot be told
for certain from a quick one; what is faster than a disk can be is said.
"""

from __future__ import annotations

import os
import re
import tempfile
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from typing import Final

from acqd.host.checks import HostCheck, good, to_do, unknown
from acqd.host.here import Here
from acqd.host.needs import Needs
from acqd.host.within import within

__all__ = [
    "Mount",
    "SyncedWrites",
    "file_system",
    "free_space",
    "judged_writes",
    "measure_writes",
    "mount_of",
    "parse_mounts",
    "synced_writes",
]

KIND: Final = "file system of the archive"
SPACE: Final = "free space"
SPEED: Final = "synced writes"

WRITES: Final = 60
MEASURE_S: Final = 2.0
"""The writes stop here, whatever their number."""
GIVE_UP_S: Final = 10.0
QUICKER_THAN_A_DISK_S: Final = 10e-6
"""Ours: a sync that comes back sooner has hardly left the processor."""
SHARE_MOST: Final = 0.5
"""Ours: beyond half of the time in commits a slow moment of the medium makes passes late."""
NIGHT_MIN_BYTES: Final = 1_000_000_000

NETWORK: Final = frozenset(
    {"nfs", "nfs4", "cifs", "smb3", "smbfs", "9p", "virtiofs", "afs", "ceph", "glusterfs", "ncpfs"}
    | {"fuse.sshfs", "fuse.glusterfs", "fuse.rclone", "fuse.s3fs", "fuse.davfs", "davfs"}
)
MEMORY: Final = frozenset({"tmpfs", "ramfs", "devtmpfs"})
PLAIN: Final = frozenset({"vfat", "msdos", "exfat", "ntfs", "ntfs3", "hfs", "hfsplus", "udf"})
"""Made to carry files about; a power cut may cost the whole of it, not the last file alone."""
JOURNALLING: Final = frozenset(
    {"ext4", "ext3", "xfs", "btrfs", "f2fs", "zfs", "jfs", "reiserfs", "bcachefs", "nilfs2", "apfs"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mount:
    """What is mounted at a folder."""

    folder: str
    kind: str
    source: str
    options: frozenset[str]


def _plain(text: str) -> str:
    return re.sub(r"\\([0-7]{3})", lambda match: chr(int(match[1], 8)), text)


def parse_mounts(text: str) -> list[Mount]:
    """The lines of ``/proc/self/mountinfo`` (proc(5)); those of another form are left out."""
    found = []
    for line in text.splitlines():
        first, dash, last = line.partition(" - ")
        left, right = first.split(), last.split()
        if not dash or len(left) < 6 or len(right) < 3:
            continue
        options = {*left[5].split(","), *right[2].split(",")}
        found.append(
            Mount(
                folder=_plain(left[4]),
                kind=right[0],
                source=_plain(right[1]),
                options=frozenset(options),
            )
        )
    return found


def mount_of(path: Path, mounts: Sequence[Mount]) -> Mount | None:
    """The mount that ``path``, absolute and without links, lies on; None where none is listed."""
    fitting = [one for one in mounts if path.is_relative_to(one.folder)]
    # The last of several on one folder lies on top.
    return max(reversed(fitting), key=lambda one: len(Path(one.folder).parts), default=None)


def _folder(here: Here, needs: Needs) -> Path:
    """The archive's folder, or the nearest above that is there; without a config this folder.

    Raises:
        OSError: it cannot be seen, also within time (a file system over a dead network).
    """

    def nearest() -> Path:
        folder = needs.archive or Path.cwd()
        while not here.at(folder).is_dir() and folder != folder.parent:
            folder = folder.parent
        return folder

    return within(GIVE_UP_S, nearest)


def file_system(here: Here, needs: Needs) -> HostCheck:
    """Whether the file system keeps what it said it wrote."""
    folder = _folder(here, needs)
    real = here.at(folder).resolve() if here.is_real else folder
    mount = mount_of(real, parse_mounts(here.text("/proc/self/mountinfo") or ""))
    if mount is None:
        return unknown(KIND, f"this system does not say what {folder} lies on")
    where = f"{folder} lies on {mount.kind} ({mount.source}, at {mount.folder})"
    elsewhere = "name a folder on a local disk as `archive` in [station]"
    if "ro" in mount.options:
        return to_do(KIND, f"{where}, which is read-only", f"mount it for writing, or {elsewhere}")
    if mount.kind in NETWORK:
        return to_do(
            KIND,
            f"{where}, a file system over a network: the journal cannot be shared over one, and "
            f"writes wait for the network",
            f"{elsewhere}; copy volumes away when they are done",
        )
    if mount.kind in MEMORY:
        return to_do(
            KIND, f"{where}, in memory: a reboot or a power cut loses all of it", elsewhere
        )
    if mount.kind.startswith("fuse"):
        return to_do(
            KIND,
            f"{where}, served by a program: whether a synced write is on the disk hangs on that",
            elsewhere,
        )
    if mount.kind == "overlay":
        return to_do(
            KIND,
            f"{where}, a layer of a container, which goes when the container is made anew",
            "give the container a volume of its own for the archive",
        )
    if mount.kind in PLAIN:
        return to_do(
            KIND,
            f"{where}, which keeps no journal: a power cut may damage the whole of it",
            f"{elsewhere}, of a kind such as ext4; copy reports and volumes to this one",
        )
    if mount.options & {"nobarrier", "barrier=0"}:
        return to_do(
            KIND,
            f"{where}, mounted without barriers: a synced write may not be on the disk",
            "take `nobarrier` out of its line in /etc/fstab and mount it again",
        )
    if mount.kind in JOURNALLING:
        return good(KIND, where)
    return unknown(KIND, f"{where}, which is not known here", "see what it says of synced writes")


def free_space(here: Here, needs: Needs) -> HostCheck:
    """What is free, against what the jobs write a night."""
    from acqd.archive.durable import free_bytes

    folder = _folder(here, needs)
    try:
        free = within(GIVE_UP_S, lambda: free_bytes(here.at(folder)))
    except OSError as exc:
        return unknown(SPACE, f"{folder}: {exc.strerror or exc}")
    spare = free - needs.keep_free_bytes
    found = f"{_bytes(free)} free at {folder}"
    make_room = "make room, or name a folder on another disk as `archive` in [station]"
    if spare <= 0:
        kept = _bytes(needs.keep_free_bytes)
        return to_do(SPACE, f"{found}, less than the {kept} that acqd leaves alone", make_room)
    if needs.bytes_a_day:
        days = spare / needs.bytes_a_day
        written = f"the jobs write about {_bytes(needs.bytes_a_day)} a day"
        if days < 1.0:
            return to_do(
                SPACE, f"{found}; {written}: enough for about {24 * days:.0f} h", make_room
            )
        lasts = f"enough for about {days:.0f} days" if days < 36_500 else "enough for ever"
        return good(SPACE, f"{found}; {written}: {lasts}")
    if spare < NIGHT_MIN_BYTES:
        return to_do(SPACE, f"{found}: a quick job can fill that in a night", make_room)
    return good(SPACE, found)


def _bytes(count: float) -> str:
    for factor, prefix in ((1e12, "T"), (1e9, "G"), (1e6, "M"), (1e3, "k")):
        if count >= factor:
            return f"{count / factor:.3g} {prefix}B"
    return f"{count:.0f} B"


@dataclass(frozen=True, slots=True, kw_only=True)
class SyncedWrites:
    """How long synced writes of a commit's size took on a medium."""

    count: int
    bytes_each: int
    median_s: float
    worst_s: float


def measure_writes(
    folder: Path,
    *,
    bytes_each: int,
    count: int = WRITES,
    within_s: float = MEASURE_S,
    monotonic_s: Callable[[], float] = time.perf_counter,
) -> SyncedWrites:
    """Append and sync ``count`` times ``bytes_each`` in a file of its own in ``folder``.

    Stops early, after one write at the least, when ``within_s`` has passed.

    Raises:
        OSError: it cannot be written; nothing is left there.
    """
    handle, name = tempfile.mkstemp(prefix=".acqd-synced-write-", dir=folder)
    took_s: list[float] = []
    block = os.urandom(bytes_each)
    sync = getattr(os, "fdatasync", os.fsync)
    try:
        began_s = monotonic_s()
        while len(took_s) < count and (not took_s or monotonic_s() - began_s < within_s):
            at_s = monotonic_s()
            written = os.write(handle, block)
            sync(handle)
            took_s.append(monotonic_s() - at_s)
            if written < bytes_each:
                raise OSError(28, os.strerror(28))
    finally:
        os.close(handle)
        with suppress(OSError):
            os.unlink(name)
    return SyncedWrites(
        count=len(took_s), bytes_each=bytes_each, median_s=median(took_s), worst_s=max(took_s)
    )


def synced_writes(here: Here, needs: Needs) -> HostCheck:
    """How long a synced write takes here, against the pace of the jobs."""
    folder = _folder(here, needs)
    if not here.is_real:
        return unknown(SPEED, "not measured: this is not the machine at hand")
    try:
        writes = within(GIVE_UP_S, lambda: measure_writes(folder, bytes_each=needs.commit_bytes))
    except TimeoutError:
        return to_do(
            SPEED,
            f"writes at {folder} did not come back within {GIVE_UP_S:g} s",
            "see `dmesg` for faults of the disk; take another",
        )
    except OSError as exc:
        mend = "make room" if exc.errno == 28 else "give this user the folder"
        return to_do(
            SPEED,
            f"{folder} cannot be written by {here.user}: {exc.strerror or exc}",
            f"{mend}, or name another `archive` in [station]",
        )
    return judged_writes(writes, folder, needs)


def judged_writes(writes: SyncedWrites, folder: Path, needs: Needs) -> HostCheck:
    """What was measured, against the pace of the jobs."""
    found = (
        f"{writes.count} synced writes of {writes.bytes_each} B at {folder} took "
        f"{_seconds(writes.median_s)} (median), {_seconds(writes.worst_s)} (worst)"
    )
    pace = needs.commits_a_second
    if pace and writes.median_s * pace > SHARE_MOST:
        share = 100.0 * writes.median_s * pace
        return to_do(
            SPEED,
            f"{found}; the jobs ask for {pace:.3g} a second, {share:.0f} % of the time",
            'sweep less often, let several passes share a commit (`commit_within = "1 s"` in '
            "[station]), or take a quicker disk: solid state on USB rather than a memory card",
        )
    if writes.worst_s > 1.0:
        return to_do(
            SPEED,
            f"{found}: it stalls now and then, and passes come late",
            "take another medium; memory cards that are nearly worn out do this",
        )
    if writes.median_s < QUICKER_THAN_A_DISK_S:
        return unknown(
            SPEED,
            f"{found}: quicker than a disk; a cache may say so for it",
            "nothing, where a power cut need not be feared (battery, virtual machine)",
        )
    beside = f"; the jobs ask for {pace:.3g} a second" if pace else ""
    return good(SPEED, found + beside)


def _seconds(value_s: float) -> str:
    for factor, unit in ((1.0, "s"), (1e-3, "ms")):
        if value_s >= factor:
            return f"{value_s / factor:.3g} {unit}"
    return f"{value_s * 1e6:.3g} µs"
