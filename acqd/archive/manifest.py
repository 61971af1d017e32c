"""The manifest beside the files of one job and day: a digest of each file, outside the file.

Plain JSON, replaced whole. A file that is not listed was being taken over when the power went; a
listed one that is missing or has another digest is damage.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from acqd.archive.durable import write_whole
from acqd.archive.layout import SCHEMA_VERSION
from acqd.archive.ledger import FileEntry

__all__ = ["MANIFEST", "read_manifest", "update_manifest"]

MANIFEST = "manifest.json"


def read_manifest(folder: Path) -> dict[str, dict[str, Any]]:
    """File name to what is listed of it; empty where there is no manifest or it is unreadable."""
    try:
        listed = json.loads((folder / MANIFEST).read_bytes())["files"]
        return {entry["name"]: entry for entry in listed}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def update_manifest(folder: Path, entries: Iterable[FileEntry], *, gone: Iterable[str]) -> None:
    """List ``entries``, and no longer the file names in ``gone``."""
    files = read_manifest(folder)
    for name in gone:
        files.pop(name, None)
    for entry in entries:
        facts = asdict(entry)
        facts["name"] = Path(facts.pop("path")).name
        files[facts["name"]] = facts
    text = json.dumps(
        {"schema": SCHEMA_VERSION, "files": [files[name] for name in sorted(files)]},
        indent=1,
        ensure_ascii=False,
    )
    write_whole(folder / MANIFEST, text.encode() + b"\n")
