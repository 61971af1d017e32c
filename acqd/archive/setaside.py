"""Damaged files are set aside: moved to ``<archive>/set-aside``, listed, told of; never deleted.

A file of sweeps is listed as set aside in its manifest first, then taken off the ledger's list,
then moved; a kill in between leaves it where it lies, listed so, and whoever meets it next goes on.
What it is called there begins with its job and day. What is not told yet waits in that folder, so
that a station tells what was met just before a kill, or by ``acqd verify``.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from acqd.archive.durable import make_folder, sha256_of, sync_folder, write_whole
from acqd.archive.ledger import Ledger
from acqd.archive.manifest import SetAside, read_manifest, update_manifest
from acqd.archive.sweepfile import SweepFile
from acqd.errors import ArchiveDamaged

__all__ = [
    "FILE_DAMAGED",
    "LEDGER_REBUILT",
    "SET_ASIDE",
    "Mishap",
    "file_mishap",
    "forget_untold",
    "keep_untold",
    "read_untold",
    "rows_broken",
    "set_aside_database",
    "set_aside_file",
    "set_aside_plain",
]

SET_ASIDE = "set-aside"

UNTOLD = "untold.jsonl"
"""Mishaps that no station has told yet, a line of JSON each."""

UNTOLD_MOST = 100

FILE_DAMAGED, LEDGER_REBUILT = "file_damaged", "ledger_rebuilt"

Ask = Callable[[Callable[[Ledger], Any]], Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """Something that the archive met and put right as far as it can be: a finding to be told.

    ``what`` is :data:`FILE_DAMAGED` or :data:`LEDGER_REBUILT`.
    """

    what: str
    text: str
    figures: Mapping[str, str | int | float | bool | None] = field(default_factory=dict)


def file_mishap(path: str, where: str, problem: str, *, lost: int | None) -> Mishap:
    """The finding of a file that was set aside; ``lost`` sweeps are in no other, if that is known.

    Both paths count from the archive.
    """
    lost_text = "" if lost is None else f"; {lost} sweeps of it are in no other file"
    return Mishap(
        what=FILE_DAMAGED,
        text=f"{path} is damaged and was set aside as {where}: {problem}{lost_text}; restore it "
        f"from a copy if there is one",
        figures={"file": path, "set_aside": where, "lost_sweeps": lost},
    )


def keep_untold(root: Path, mishap: Mishap) -> None:
    """Keep a mishap until a station has told it."""
    lines = [*_untold_lines(root), _line_of(mishap)][-UNTOLD_MOST:]
    make_folder(root / SET_ASIDE)
    write_whole(root / SET_ASIDE / UNTOLD, "".join(f"{line}\n" for line in lines).encode())


def read_untold(root: Path) -> list[Mishap]:
    """What is to be told; a line that cannot be read is none."""
    found = []
    for line in _untold_lines(root):
        try:
            kept = json.loads(line)
            found.append(
                Mishap(what=str(kept["what"]), text=str(kept["text"]), figures=kept["figures"])
            )
        except (ValueError, KeyError, TypeError):
            continue
    return found


def forget_untold(root: Path, told: Iterable[Mishap]) -> None:
    """These have been told."""
    gone = {_line_of(one) for one in told}
    before = _untold_lines(root)
    left = [line for line in before if line not in gone]
    if left != before:
        write_whole(root / SET_ASIDE / UNTOLD, "".join(f"{line}\n" for line in left).encode())


def _untold_lines(root: Path) -> list[str]:
    try:
        text = (root / SET_ASIDE / UNTOLD).read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        return []
    return text.splitlines()


def _line_of(mishap: Mishap) -> str:
    return json.dumps({"what": mishap.what, "text": mishap.text, "figures": dict(mishap.figures)})


def rows_broken(path: Path) -> NDArray[np.bool_] | None:
    """Which sweeps of a file are not as they were written; None where the whole file is.

    Whole is what has the digest that the manifest lists; else each block of levels is held against
    its own digest in the file.

    Raises:
        ArchiveDamaged: nothing of the file can be trusted.
    """
    listed = read_manifest(path.parent).get(path.name)
    with SweepFile(path) as file:
        if listed is not None and sha256_of(path) == listed.get("sha256"):
            return None
        broken = np.zeros(file.count, dtype=bool)
        digests = file.digests()
        for number, start in enumerate(range(0, file.count, file.chunk_rows)):
            stop = min(file.count, start + file.chunk_rows)
            try:
                whole = file.block_digest(start, stop) == digests[number]
            except (ArchiveDamaged, IndexError):
                whole = False
            broken[start:stop] = not whole
    return broken if broken.any() else None


def set_aside_file(root: Path, path: Path, problem: str, *, at_s: float, ask: Ask) -> str:
    """Set a segment or volume aside; returns where it lies, counted from the archive.

    Raises:
        OSError: it cannot be moved; it is listed as set aside and stays where it was.
    """
    folder = path.parent
    facts = read_manifest(folder).get(path.name, {"name": path.name})
    target = _free(root, f"{folder.parent.name}_{folder.name}_{path.name}")
    where = target.relative_to(root).as_posix()
    aside = SetAside(facts=facts, at_s=at_s, problem=problem, path=where)
    update_manifest(folder, (), gone=(), set_aside=[aside])
    gone = path.relative_to(root).as_posix()
    ask(lambda ledger: ledger.replace_files([gone], ()))
    _move(path, target)
    return where


def set_aside_database(root: Path, path: Path) -> str:
    """Set a ledger or journal aside, with its log; returns where it lies. Nobody may have it
    open."""
    target = _free(root, path.name)
    for suffix in ("-wal", "-shm", "-journal"):
        beside = path.with_name(path.name + suffix)
        if beside.exists():
            _move(beside, target.with_name(target.name + suffix))
    _move(path, target)
    return target.relative_to(root).as_posix()


def set_aside_plain(root: Path, path: Path, name: str) -> str:
    """Set any other file aside under a name; returns where it lies."""
    target = _free(root, name)
    _move(path, target)
    return target.relative_to(root).as_posix()


def _free(root: Path, name: str) -> Path:
    """A name in the folder that nothing has."""
    folder = root / SET_ASIDE
    make_folder(folder)
    return next(one for one in _names(folder, name) if not one.exists())


def _names(folder: Path, name: str) -> Iterable[Path]:
    yield folder / name
    stem, dot, ending = name.rpartition(".")
    number = 2
    while True:
        yield folder / f"{stem}-{number}{dot}{ending}"
        number += 1


def _move(path: Path, target: Path) -> None:
    os.replace(path, target)
    sync_folder(target.parent)
    sync_folder(path.parent)
