"""What a file of sweeps is held against before HDF5 opens it: its size, and a digest of its head.

HDF5 trusts what it reads: one changed byte in it can give wrong numbers, or keep the library in a
loop for ever. So the manifest lists, besides the digest of each whole file, one of all its bytes
but the levels (a few per cent of it), and every reader of this package compares that first. The
levels are guarded by the checksum in each of their chunks (RFC 1950), looked at when they are
inflated. A file that the manifest does not list is opened unseen.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections import OrderedDict
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from threading import Lock
from typing import Any

from acqd.errors import ArchiveDamaged

__all__ = ["HEADS", "MANIFEST", "Head", "check_head", "digest_outside", "head_of"]

HEADS = "heads"
"""The part of the manifest that lists them."""

MANIFEST = "manifest.json"

READ_BLOCK_BYTES = 1 << 20
HEADS_REMEMBERED = 4096
"""Files whose head is not looked at again while they have the same inode, size and time."""
LISTINGS_REMEMBERED = 64
LOOKS_MOST = 5

STRETCHES_MOST = 10_000
"""Levels in more stretches than this are not left out: the whole file is the head."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """SHA-256 of a file without the stretches ``levels``, each (offset, bytes), in order; and when
    its first and last sweep began, which is how it is known of a file that cannot be read."""

    sha256: str
    levels: tuple[tuple[int, int], ...]
    from_s: float | None = None
    to_s: float | None = None

    def to_json(self) -> dict[str, Any]:
        levels = " ".join(f"{offset}+{size}" for offset, size in self.levels)
        known: dict[str, Any] = {"sha256": self.sha256, "levels": levels}
        return known | {"from_s": self.from_s, "to_s": self.to_s}

    @classmethod
    def from_json(cls, kept: Mapping[str, Any]) -> Head:
        """Raises KeyError, TypeError or ValueError where it is none."""
        parts = [one.split("+") for one in kept["levels"].split()]
        return cls(sha256=kept["sha256"], levels=tuple((int(a), int(b)) for a, b in parts))


def head_of(path: Path) -> Head:
    """The head of a file that has just been written and compared.

    Raises:
        OSError: it cannot be read.
    """
    import h5py

    places: list[tuple[int, int]] = []
    with h5py.File(path, "r", locking=False) as file:
        for name in ("level", "level_real", "level_imag"):
            if name in file:
                file[name].id.chunk_iter(
                    lambda chunk: places.append((int(chunk.byte_offset), int(chunk.size)))
                )
        time_s = file["time"][...]
    levels = _joined(places)
    if len(levels) > STRETCHES_MOST:
        levels = ()
    return Head(
        sha256=digest_outside(path, levels),
        levels=levels,
        from_s=float(time_s.min()),
        to_s=float(time_s.max()),
    )


def _joined(places: Iterable[tuple[int, int]]) -> tuple[tuple[int, int], ...]:
    out: list[tuple[int, int]] = []
    for offset, size in sorted(places):
        if out and out[-1][0] + out[-1][1] == offset:
            out[-1] = (out[-1][0], out[-1][1] + size)
        else:
            out.append((offset, size))
    return tuple(out)


def digest_outside(path: Path, levels: Iterable[tuple[int, int]]) -> str:
    """SHA-256 of a file without some stretches, which are in order."""
    state = hashlib.sha256()
    with path.open("rb") as file:
        for offset, size in levels:
            _take(state, file, offset - file.tell())
            file.seek(offset + size)
        _take(state, file, None)
    return state.hexdigest()


def _take(state: Any, file: Any, size: int | None) -> None:
    """The next ``size`` bytes, or all that are left."""
    while size is None or size > 0:
        block = file.read(READ_BLOCK_BYTES if size is None else min(size, READ_BLOCK_BYTES))
        if not block:
            return
        state.update(block)
        if size is not None:
            size -= len(block)


class _Remembered:
    """What was looked at a moment ago, by who the file is on its disk; ``most`` of them."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._lock = Lock()
        self._known: OrderedDict[Any, Any] = OrderedDict()

    def get(self, key: Any) -> Any:
        with self._lock:
            return self._known.get(key)

    def put(self, key: Any, value: Any) -> None:
        with self._lock:
            self._known[key] = value
            while len(self._known) > self._most:
                self._known.popitem(last=False)


_heads = _Remembered(HEADS_REMEMBERED)
_listings = _Remembered(LISTINGS_REMEMBERED)


def check_head(path: Path) -> None:
    """Hold a file against what the manifest beside it lists, before anything else reads it.

    A file that a journal is sealed into once more, after a kill, is another one for a moment than
    the manifest lists: while either changes, both are looked at anew.

    Raises:
        FileNotFoundError: it is not there.
        ArchiveDamaged: it has another size than listed, or its head another digest.
    """
    for _ in range(LOOKS_MOST):
        seen = _seen(path)
        problem = _problem(path)
        if not problem:
            return
        if seen == _seen(path):
            break
    raise ArchiveDamaged(f"{path}: {problem}")


def _seen(path: Path) -> tuple[tuple[int, int, int], ...]:
    """By what a file and its manifest are known to be the ones of a moment ago."""
    found = []
    for one in (path, path.parent / MANIFEST):
        with suppress(FileNotFoundError):
            about = os.stat(one)
            found.append((about.st_ino, about.st_size, about.st_mtime_ns))
    return tuple(found)


def _problem(path: Path) -> str:
    about = os.stat(path)
    listed, head = _listed(path)
    if listed is None:
        return ""
    if about.st_size != listed.get("bytes") and not _is_whole(path, listed):
        return f"{about.st_size} bytes, the manifest lists {listed.get('bytes')}"
    if head is None or _is_known(path, about, listed, head):
        return ""
    return "changed since it was written, by the digests that the manifest lists"


def _is_known(path: Path, about: os.stat_result, listed: Mapping[str, Any], head: Head) -> bool:
    """Whether the head is the one that is listed; or, should the manifest have been changed there,
    the whole file is."""
    who = (str(path), about.st_ino, about.st_size, about.st_mtime_ns, head.sha256)
    known: bool | None = _heads.get(who)
    if known is None:
        known = digest_outside(path, head.levels) == head.sha256
        known = known or _is_whole(path, listed)
        _heads.put(who, known)
    return known


def _is_whole(path: Path, listed: Mapping[str, Any]) -> bool:
    """Whether the file is the one that is listed, should what else is listed of it be wrong."""
    return digest_outside(path, ()) == listed.get("sha256")


def _listed(path: Path) -> tuple[Mapping[str, Any] | None, Head | None]:
    """What the manifest lists of a file, and of its head; None for nothing that can be used."""
    manifest = path.parent / MANIFEST
    try:
        about = os.stat(manifest)
    except OSError:
        return None, None
    who = (str(manifest), about.st_ino, about.st_size, about.st_mtime_ns)
    found = _listings.get(who)
    if found is None:
        found = _read(manifest)
        _listings.put(who, found)
    files, heads = found
    return files.get(path.name), heads.get(path.name)


def _read(manifest: Path) -> tuple[dict[str, Any], dict[str, Head]]:
    try:
        body = json.loads(manifest.read_bytes())
        files = {str(one["name"]): one for one in body["files"]}
        heads = {str(name): Head.from_json(one) for name, one in body.get(HEADS, {}).items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}, {}
    return files, heads
