"""The manifest beside the files of one job and day: a digest of each file, outside the file.

Plain JSON, replaced whole. A file that is not listed was being taken over when the power went; a
listed one that is missing or has another digest is damage. What retention took away is listed too,
under ``removed``: with its digest, when, why, and the file that holds what outlives it. Where a
file listed there still lies, its removal was cut short and goes on at the next look. Damaged files
that were set aside are listed under ``set_aside``, with what was wrong and where they lie; under
``heads`` is what a reader holds a file against before it opens it (:mod:`acqd.archive.heads`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from acqd.archive.durable import write_whole
from acqd.archive.heads import HEADS, MANIFEST, head_of
from acqd.archive.layout import SCHEMA_VERSION
from acqd.archive.ledger import FileEntry

__all__ = [
    "MANIFEST",
    "Removed",
    "SetAside",
    "is_garbled",
    "listed_times",
    "read_manifest",
    "read_removed",
    "read_set_aside",
    "update_manifest",
]


TIMES = ("from_s", "to_s")
"""Of a head, when the first and the last sweep of its file began."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Removed:
    """A file that retention takes away: what was listed of it, when, why, and the name of the file
    beside it that holds its rows of the ledger."""

    entry: FileEntry
    removed_s: float
    why: str
    kept: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SetAside:
    """A damaged file that is moved away: what was listed of it (its ``name`` at least), when, what
    is wrong with it, and where it lies from now on, counted from the archive."""

    facts: Mapping[str, Any]
    at_s: float
    problem: str
    path: str


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """File name to what is listed of it; empty where there is no manifest or it is unreadable."""
    return _read(folder, "files")


def read_removed(folder: Path) -> dict[str, dict[str, Any]]:
    """File name to what is listed of a file that retention took away: the facts of a
    :class:`~acqd.archive.ledger.FileEntry` and ``removed_s``, ``why``, ``kept``."""
    return _read(folder, "removed")


def _read(folder: Path, part: str) -> dict[str, dict[str, Any]]:
    try:
        listed = json.loads((folder / MANIFEST).read_bytes()).get(part, [])
        return {entry["name"]: entry for entry in listed}
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return {}


def read_set_aside(folder: Path) -> dict[str, dict[str, Any]]:
    """File name to what is listed of a damaged file that was set aside: what was listed of it
    before, and ``set_aside_s``, ``problem``, ``path``."""
    return _read(folder, "set_aside")


def is_garbled(folder: Path) -> bool:
    """Whether there is a manifest, and what it says of its files cannot be told."""
    try:
        body = json.loads((folder / MANIFEST).read_bytes())
        parts = [body["files"], body.get("removed", []), body.get("set_aside", [])]
        return body["schema"] != SCHEMA_VERSION or not all(
            isinstance(one["name"], str) for part in parts for one in part
        )
    except FileNotFoundError:
        return False
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return True


def listed_times(folder: Path) -> dict[str, tuple[float, float]]:
    """File name to when its first and last sweep began, of those listed or set aside of which that
    is known."""
    found = {}
    for name, known in {**read_set_aside(folder), **_read_heads(folder)}.items():
        try:
            found[str(name)] = float(known["from_s"]), float(known["to_s"])
        except (KeyError, TypeError, ValueError):
            continue
    return found


def update_manifest(
    folder: Path,
    entries: Iterable[FileEntry],
    *,
    gone: Iterable[str],
    removed: Iterable[Removed] = (),
    set_aside: Iterable[SetAside] = (),
) -> None:
    """List ``entries``, and no longer the file names in ``gone``; those of ``removed`` and
    ``set_aside`` are listed as such from now on.

    The files of ``entries`` lie in ``folder`` as they were written and compared: what readers hold
    them against is made here.
    """
    files, taken, aside = read_manifest(folder), read_removed(folder), read_set_aside(folder)
    heads = _read_heads(folder)
    for name in gone:
        files.pop(name, None)
    for entry in entries:
        facts = _facts(entry)
        name = facts["name"]
        files[name] = facts
        aside.pop(name, None)
        heads.pop(name, None)
        with suppress(OSError):
            heads[name] = head_of(folder / name).to_json()
    for one in removed:
        facts = _facts(one.entry)
        files.pop(facts["name"], None)
        facts |= {"removed_s": one.removed_s, "why": one.why, "kept": one.kept}
        taken[facts["name"]] = facts
    for put in set_aside:
        facts = dict(put.facts)
        files.pop(facts["name"], None)
        head = heads.get(facts["name"], {})
        facts |= {key: head[key] for key in TIMES if key in head}
        facts |= {"set_aside_s": put.at_s, "problem": put.problem, "path": put.path}
        aside[facts["name"]] = facts
    listing: dict[str, Any] = {
        "schema": SCHEMA_VERSION,
        "files": [files[name] for name in sorted(files)],
    }
    if taken:
        listing["removed"] = [taken[name] for name in sorted(taken)]
    if aside:
        listing["set_aside"] = [aside[name] for name in sorted(aside)]
    listing[HEADS] = {name: heads[name] for name in sorted(heads) if name in files}
    text = json.dumps(listing, indent=1, ensure_ascii=False)
    write_whole(folder / MANIFEST, text.encode() + b"\n")


def _read_heads(folder: Path) -> dict[str, Any]:
    try:
        return dict(json.loads((folder / MANIFEST).read_bytes()).get(HEADS, {}))
    except (OSError, ValueError, TypeError, AttributeError):
        return {}


def _facts(entry: FileEntry) -> dict[str, Any]:
    facts = asdict(entry)
    facts["name"] = Path(facts.pop("path")).name
    return facts
