"""Remarks that people put on a job's sheet: overlays of kind ``note``.

A remark is about a moment, or about a span of time; of one job, or of all of them. It changes no
figure: whoever reads the archive, and every report, has it beside the sweeps.
"""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveLocked, PortBusy, WrongUsage
from acqd.station.control import ask_station

__all__ = ["NOTE_MOST", "note_text", "put_note", "user_name"]

NOTE_MOST = 500
"""Characters of a remark."""

RUN_ID = "note"


def user_name() -> str:
    """Whoever runs this, as far as the machine knows."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "somebody"


def note_text(text: str) -> str:
    """``text`` on one line of printable characters.

    Raises:
        WrongUsage: nothing is left of it, or too much.
    """
    line = " ".join(text.split())
    line = "".join(letter if letter.isprintable() else "\ufffd" for letter in line)
    if not line:
        raise WrongUsage('the remark is empty; write some words: acqd note 21:05 "lamp off"')
    if len(line) > NOTE_MOST:
        raise WrongUsage(f"the remark has {len(line)} characters; at most {NOTE_MOST} are kept")
    return line


def put_note(
    archive: Path,
    *,
    station: str,
    clock: Clock,
    text: str,
    job: str | None,
    from_s: float,
    to_s: float | None,
    who: str,
) -> int:
    """Store a remark: by the station that writes the archive, or by this process where none does.

    Returns: its number in the archive.

    Raises:
        WrongUsage: the running station has no such job, or no such words are taken.
        PortBusy: another process writes the archive, and takes no requests.
        ArchiveError: the archive cannot be written.
    """
    body: dict[str, Any] = {"text": note_text(text)}
    try:
        writer = ArchiveWriter.open(archive, station=station, run_id=RUN_ID, clock=clock)
    except ArchiveLocked as exc:
        told = _ask(archive, {**body, "job": job, "from_s": from_s, "to_s": to_s, "who": who})
        if told is None:
            raise PortBusy(
                f"{exc}; it takes no requests of this user here, so nothing can be noted while "
                f"it runs"
            ) from exc
        return int(told["number"])
    try:
        return writer.add_overlay_now("note", body=body, who=who, job=job, from_s=from_s, to_s=to_s)
    finally:
        writer.close((), seal=False)


def _ask(archive: Path, fields: Mapping[str, Any]) -> dict[str, Any] | None:
    return ask_station(archive, {"do": "note", **fields})
