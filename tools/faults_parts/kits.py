"""What a leg's bench has beside the usual: a small disk of its own, a clock of its own.

Mounts are made in a mount namespace of the tool's own, so that they are no part of the machine's
and go with the tool however that ends.
"""

from __future__ import annotations

import ctypes
import os
import subprocess
from contextlib import ExitStack
from pathlib import Path

from faults_parts.bench import FaultBench, NotHere
from faults_parts.showing import ShownClock

__all__ = ["DISK_MB", "FLOOR_MB", "SmallDisk", "make_bench", "mounts_of_its_own"]

DISK_MB, FLOOR_MB = 64, 8
CLONE_NEWNS = 0x0002_0000
HURRY = (
    "import acqd.station.retaining as r, acqd.station.sweepers as s; "
    "s.NO_ROOM_RETRY_S = r.LOOK_S = r.SHORT_AGAIN_S = 0.2"
)
"""The disk is looked at five times a second, not every few seconds."""

_own: list[str | None] = []


def mounts_of_its_own() -> str | None:
    """From here on mounts are the tool's own; why not, where they cannot be. To be called before
    there are threads: those there are keep the machine's."""
    if not _own:
        _own.append(_parted())
    return _own[0]


def _parted() -> str | None:
    if os.geteuid() != 0:
        return "no mounts: not root"
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(CLONE_NEWNS) != 0:
        return f"no mounts of its own: {os.strerror(ctypes.get_errno())}"
    return _ran("mount", "--make-rprivate", "/")


def _ran(*words: str) -> str | None:
    """Do it; what it said, where it could not."""
    try:
        done = subprocess.run(words, capture_output=True, text=True, check=False, timeout=30.0)
    except OSError as exc:
        return f"{words[0]}: {exc.strerror}"
    return None if done.returncode == 0 else f"{words[0]}: {done.stderr.strip()}"


class SmallDisk:
    """A file system of 64 MB: in a file where that can be mounted, else in memory.

    ``can_fail``: it can be made read-only under whoever writes to it, as a disk with errors is.
    """

    def __init__(self, image: Path, at: Path) -> None:
        self._image, self.at = image, at
        at.mkdir(parents=True, exist_ok=True)
        image.touch()
        os.truncate(image, DISK_MB << 20)
        problem = _ran("mkfs.ext4", "-q", "-m", "0", str(image)) or self._mount()
        self.can_fail = problem is None
        self.why_not = problem
        if problem is not None:
            words = ("mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(at))
            if (second := _ran(*words)) is not None:
                raise NotHere(f"no mounts: {second}")

    def _mount(self) -> str | None:
        return _ran("mount", "-o", "loop,errors=remount-ro", str(self._image), str(self.at))

    def fail(self) -> None:
        """It turns read-only, whoever has files open for writing."""
        if (problem := _ran("mount", "-o", "remount,abort", str(self.at))) is not None:
            raise NotHere(f"no disk that fails: {problem}")

    def repair(self) -> None:
        """Checked and mounted anew; nobody may use it."""
        self.leave()
        _ran("e2fsck", "-p", str(self._image))
        if (problem := self._mount()) is not None:
            raise AssertionError(f"the disk cannot be mounted again: {problem}")

    def leave(self) -> None:
        _ran("umount", "-l", str(self.at))


def make_bench(kit: str, folder: Path, stack: ExitStack, *, broker: str, seed: int) -> FaultBench:
    """A bench with what a kit has.

    Raises:
        NotHere: this machine has not what it takes.
    """
    if kit == "disk":
        return _on_a_small_disk(folder, stack, broker=broker, seed=seed)
    if kit == "clock":
        return _with_a_clock(folder, stack, broker=broker, seed=seed)
    return FaultBench(folder, stack, broker=broker, seed=seed)


def _on_a_small_disk(folder: Path, stack: ExitStack, *, broker: str, seed: int) -> FaultBench:
    if (problem := mounts_of_its_own()) is not None:
        raise NotHere(problem)
    folder.mkdir(parents=True, exist_ok=True)
    disk = SmallDisk(folder / "disk.img", folder / "archive")
    # Unmounted last: the station is ended before.
    stack.callback(disk.leave)
    bench = FaultBench(folder, stack, broker=broker, seed=seed)
    bench.disk = disk
    bench.first += HURRY
    bench.keep_free = f"{FLOOR_MB} MiB"
    bench.write_config()
    return bench


def _with_a_clock(folder: Path, stack: ExitStack, *, broker: str, seed: int) -> FaultBench:
    folder.mkdir(parents=True, exist_ok=True)
    clock = ShownClock(folder)
    bench = FaultBench(folder, stack, broker=broker, seed=seed)
    bench.clock = clock
    bench.first = f"{bench.plain_first}\n{clock.first}"
    return bench
