"""What people say later of what was recorded: remarks, amendments, pins, and taking them back.

Each is an overlay: a row of the ledger with who and when. It changes nothing that was recorded.
Taking one back is a row as well, which can be taken back itself, so that nothing is ever lost.
"""

from __future__ import annotations

import getpass
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from acqd.archive.ledger import PIN, UNDO, Overlay, undone_of
from acqd.archive.writer import ArchiveWriter
from acqd.clock import Clock
from acqd.errors import ArchiveLocked, PortBusy, WrongUsage
from acqd.station.control import ask_station
from acqd.station.references import references_in

__all__ = [
    "NOTE_MOST",
    "Kept",
    "instead_of",
    "note_text",
    "put_note",
    "put_overlay",
    "to_undo",
    "user_name",
]

NOTE_MOST = 500
"""Characters of a remark."""

RUN_ID = "note"


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """An overlay that was kept: its number, and what the running station says to it."""

    number: int
    said: tuple[str, ...] = ()
    by_station: bool = False


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
    """Store a remark; returns its number in the archive. Raises as :func:`put_overlay`."""
    body = {"text": note_text(text)}
    kept = put_overlay(
        archive,
        "note",
        station=station,
        clock=clock,
        body=body,
        job=job,
        from_s=from_s,
        to_s=to_s,
        who=who,
    )
    return kept.number


def put_overlay(
    archive: Path,
    kind: str,
    *,
    station: str,
    clock: Clock,
    body: Mapping[str, Any],
    job: str | None,
    from_s: float | None,
    to_s: float | None,
    who: str,
) -> Kept:
    """Store an overlay: by the station that writes the archive, or by this process where none does.

    Raises:
        WrongUsage: the running station does not take it.
        PortBusy: another process writes the archive, and takes no requests.
        ArchiveError: the archive cannot be written.
    """
    try:
        writer = ArchiveWriter.open(archive, station=station, run_id=RUN_ID, clock=clock)
    except ArchiveLocked as exc:
        told = ask_station(archive, _request(kind, body, job, from_s, to_s, who))
        if told is None:
            raise PortBusy(
                f"{exc}; it takes no requests of this user here, so nothing can be noted while "
                f"it runs"
            ) from exc
        said = tuple(str(text) for text in told.get("said", ()))
        return Kept(number=int(told["number"]), said=said, by_station=True)
    try:
        number = writer.add_overlay_now(kind, body=body, who=who, job=job, from_s=from_s, to_s=to_s)
        return Kept(number=number)
    finally:
        writer.close((), seal=False)


def _request(
    kind: str,
    body: Mapping[str, Any],
    job: str | None,
    from_s: float | None,
    to_s: float | None,
    who: str,
) -> dict[str, Any]:
    about = {"job": job, "from_s": from_s, "to_s": to_s, "who": who}
    if kind == "note":
        return {"do": "note", "text": body["text"], **about}
    return {"do": "overlay", "kind": kind, "body": dict(body), **about}


# -- taking back -----------------------------------------------------------------------------------


def to_undo(overlays: list[Overlay], number: int) -> Overlay:
    """The overlay of a number, where it can be taken back. ``overlays`` are all of an archive.

    Raises:
        WrongUsage: there is none, or it was taken back already.
    """
    found = next((one for one in overlays if one.id == number), None)
    if found is None:
        most = max((one.id for one in overlays), default=0)
        there = f"there are 1 to {most}" if most else "there is none at all"
        raise WrongUsage(f"nothing of number {number} is noted; {there} (acqd notes --all)")
    undoes = {one.id: int(one.body["undoes"]) for one in overlays if one.kind == UNDO}
    gone = undone_of(undoes)
    if number in gone:
        by = next(one for one in undoes if undoes[one] == number and one not in gone)
        again = next(one for one in overlays if one.id == by)
        raise WrongUsage(
            f"number {number} was taken back already, by {again.who}; "
            f"acqd notes undo {by} brings it back"
        )
    return found


def instead_of(overlays: list[Overlay], undone: Overlay) -> str | None:
    """What holds now that an overlay was taken back, in a sentence; ``overlays`` are those that
    stand. None where there is nothing to say."""
    if undone.kind == "reference" and undone.job is not None:
        role = str(undone.body.get("role"))
        record = references_in(overlays).get(undone.job, {}).get(role)
        if record is None:
            return f"{undone.job} has no {role} now: figures that need one are not given"
        return f"the {role} of {undone.job} is now the one taken {_utc(record.at_s)}"
    if undone.kind == PIN:
        return "what retention is allowed to thin may include it again"
    return None


def _utc(at_s: float) -> str:
    from datetime import UTC, datetime

    return datetime.fromtimestamp(at_s, UTC).isoformat(timespec="minutes")[:-6] + "Z"
