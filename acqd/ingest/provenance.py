"""Where ingested sweeps came from, kept beside them: ``ingested/*.json`` in the archive's folder.

One file a run, written once, when all of the run is in the archive: the files with their digests
and lines, the map whole, who did it, when and with what. A file whose digest stands there for a job
needs not be read again.
"""

from __future__ import annotations

import json
import secrets
import socket
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from acqd.archive.durable import make_folder, write_whole
from acqd.errors import ArchiveDamaged, ArchiveError
from acqd.station.noting import user_name

__all__ = ["ingested_files", "provenance_of", "write_provenance"]

FOLDER = "ingested"
VERSION = 1


def write_provenance(archive: Path, told: dict[str, Any], *, at_s: float) -> Path:
    """Write what is known of one run; returns the file.

    Raises:
        ArchiveError: it cannot be written.
    """
    at = datetime.fromtimestamp(at_s, UTC)
    name = f"{at:%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}.json"
    body = {
        "version": VERSION,
        "at": at.isoformat(timespec="seconds"),
        "at_s": at_s,
        "who": user_name(),
        "host": socket.gethostname(),
        **told,
    }
    folder = archive.absolute() / FOLDER
    try:
        make_folder(folder)
        write_whole(folder / name, json.dumps(body, ensure_ascii=False, indent=1).encode())
    except OSError as exc:
        raise ArchiveError(f"{folder / name}: cannot be written: {exc.strerror}") from exc
    return folder / name


def provenance_of(archive: Path) -> Iterator[dict[str, Any]]:
    """What is known of each run, the oldest first.

    Raises:
        ArchiveDamaged: a file cannot be read.
    """
    for path in sorted((archive / FOLDER).glob("*.json")):
        try:
            told = json.loads(path.read_text("utf-8"))
            if told["version"] != VERSION:
                raise ValueError(f"version {told['version']}")
        except (OSError, ValueError, KeyError, TypeError) as exc:
            raise ArchiveDamaged(
                f"{path}: cannot be read ({exc}); it says which files were ingested. Put it back, "
                f"or move it away: then they are read again, and what is there is left out"
            ) from exc
        yield {**told, "path": str(path)}


def ingested_files(archive: Path, job: str) -> frozenset[tuple[str, str]]:
    """SHA-256 and name of the files that were ingested into a job without a row refused."""
    return frozenset(
        (file["sha256"], file["name"])
        for told in provenance_of(archive)
        if told["job"] == job
        for file in told["files"]
        if not file["refused"]
    )
