"""``acqd notes``: all that people said later of what was recorded, and taking it back."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.archive.ledger import Overlay
    from acqd.cli.place import Place

__all__ = ["command"]

QUIET = ("self-test",)
"""Kinds that are listed only with --all: a bench that tests itself every week has many."""


@click.command("notes")
@click.argument("words", nargs=-1, metavar="[JOB] | undo NUMBER [REASON]")
@click.option("--all", "everything", is_flag=True, help="Self-tests and what was undone as well.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def command(
    words: tuple[str, ...],
    everything: bool,
    config: str | None,
    archive: str | None,
    as_json: bool,
) -> None:
    """List remarks, amendments, pins and references of JOB, or of all; or take one back.

    acqd notes undo 12 takes number 12 back. Nothing is lost: that is a number of its own, and
    taking that back brings 12 back.
    """
    from acqd.archive.reader import open_archive
    from acqd.cli.place import job_in, place_of
    from acqd.errors import WrongUsage

    place = place_of(config, archive)
    if words and words[0] == "undo" and len(words) > 1:
        _undo(words[1:], place, as_json=as_json)
        return
    if len(words) > 1 or words == ("undo",):
        raise WrongUsage("acqd notes takes a JOB, or undo and a number: acqd notes undo 12")
    job = job_in(words[0], place.jobs) if words else None
    overlays = open_archive(place.folder).overlays(job, undone=True)
    rows = list(_rows(overlays, place, everything=everything))
    if as_json:
        import json

        click.echo(json.dumps(rows, indent=2, ensure_ascii=False))
        return
    _show(rows, overlays, everything)


def _show(rows: list[dict[str, Any]], overlays: list[Overlay], everything: bool) -> None:
    from acqd.cli.tables import table

    if rows:
        heads = ("number", "what", "job", "about", "said", "by", "made")
        cells = [tuple(str(row[head]) for head in heads) for row in rows]
        click.echo(table(heads, cells, right=(0,)))
    left = len(overlays) - len(rows)
    if left and not everything:
        click.echo(f"{left} more, taken back or self-tests (--all lists them)")
    elif not rows:
        click.echo('nothing yet; acqd note 21:05 "lamp off" puts a remark on the sheet')


def _rows(overlays: list[Overlay], place: Place, *, everything: bool) -> Iterator[dict[str, Any]]:
    from acqd.archive.ledger import UNDO, undone_of
    from acqd.look.times import clock, date

    undoes = {one.id: int(one.body["undoes"]) for one in overlays if one.kind == UNDO}
    gone = undone_of(undoes)
    for one in overlays:
        if not everything and (one.id in gone or one.kind in (*QUIET, UNDO)):
            continue
        by = next((at for at, what in undoes.items() if what == one.id and at not in gone), None)
        yield {
            "number": one.id,
            "what": one.kind if by is None else f"{one.kind}, taken back ({by})",
            "job": one.job or ("all" if one.kind != "self-test" else "–"),
            "about": _about(one, place.zone),
            "said": _said(one),
            "by": one.who,
            "made": f"{date(one.at_s, place.zone)}, {clock(one.at_s, place.zone)}",
            "kind": one.kind,
            "stands": one.id not in gone,
            "undone_by": by,
            "from_s": one.from_s,
            "to_s": one.to_s,
            "at_s": one.at_s,
        }


def _about(one: Overlay, zone: str) -> str:
    from acqd.look.nights import span_text
    from acqd.look.times import clock, date

    if one.kind == "undo":
        return f"number {one.body['undoes']}"
    if one.from_s is not None and one.to_s is None and one.kind != "chain":
        return f"{date(one.from_s, zone)}, {clock(one.from_s, zone, seconds=True)}"
    if one.from_s is None and one.to_s is None and one.kind != "chain":
        return "all times"
    return span_text(one.from_s, one.to_s, zone)


def _said(one: Overlay) -> str:
    """What it says, in a few words, whatever it is."""
    from acqd.archive.amendments import amendment_of
    from acqd.errors import ArchiveDamaged

    body = one.body
    match one.kind:
        case "chain":
            try:
                made = amendment_of(one)
            except ArchiveDamaged:
                return "cannot be read by this acqd"
            return f"{made.text}: {made.reason}"
        case "time":
            return _clock_said(one)
        case "reference":
            sweeps = int(body.get("sweeps", 1))
            return f"{body.get('role')}, {'1 sweep' if sweeps == 1 else f'{sweeps} sweeps'}"
        case "self-test":
            return f"{body.get('sweeper')}, {body.get('part')}"
        case "undo":
            return f"taken back{': ' + str(body['reason']) if body.get('reason') else ''}"
        case "pin":
            return str(body.get("text") or "never thinned")
        case _:
            return str(body.get("text", ""))


def _clock_said(one: Overlay) -> str:
    from acqd.archive.timing import correction_of, shift_text
    from acqd.errors import ArchiveDamaged

    try:
        made = correction_of(one)
    except ArchiveDamaged:
        return "cannot be read by this acqd"
    way = "behind" if made.shift_s > 0 else "ahead"
    because = f": {made.reason}" if made.reason else ""
    return f"the clock of boot {made.boot[:8]} was {shift_text(made.shift_s)} {way}{because}"


def _undo(words: tuple[str, ...], place: Place, *, as_json: bool) -> None:

    from acqd.archive.ledger import UNDO
    from acqd.archive.reader import open_archive
    from acqd.cli.place import put
    from acqd.errors import WrongUsage
    from acqd.station.noting import instead_of, to_undo

    number = int(words[0]) if words[0].isdecimal() and len(words[0]) < 10 else None
    if number is None or len(words) > 2:
        raise WrongUsage(
            f"acqd notes undo {' '.join(words)}: a number belongs there, of acqd notes"
        )
    opened = open_archive(place.folder)
    one = to_undo(opened.overlays(undone=True), number)
    reason = words[1] if len(words) == 2 else ""
    kept = put(place, UNDO, {"undoes": number, "reason": reason}, job=one.job)
    stand = opened.overlays()
    told = None if kept.by_station else instead_of(stand, one)
    lines = [*kept.said, *([] if told is None else [told]), *_after(one, stand, opened, place)]
    if as_json:
        import json

        told_of = {"number": kept.number, "undoes": number, "said": lines}
        click.echo(json.dumps(told_of, indent=2, ensure_ascii=False))
        return
    click.echo(f"number {number} taken back ({one.kind}: {_said(one)})")
    for line in lines:
        click.echo(line)
    click.echo(f"acqd notes undo {kept.number} brings it back")


def _after(one: Overlay, stand: list[Overlay], opened: Any, place: Place) -> list[str]:
    """What holds now: what stands again, and amendments that change nothing any more."""
    from acqd.archive.amendments import SetPart, amendment_of
    from acqd.station.amending import part_names_of

    if one.kind == "undo":
        again = next((each for each in stand if each.id == int(one.body["undoes"])), None)
        return [] if again is None else [f"number {again.id} stands again: {_said(again)}"]
    if one.kind != "chain":
        return []
    brought = part_names_of(amendment_of(one))
    return [
        f"amendment {each.id} is about a part that this one brought; it changes nothing now"
        for each in stand
        if each.kind == "chain" and each.job == one.job and each.id > one.id
        for change in amendment_of(each).changes
        if isinstance(change, SetPart) and change.part in brought
    ]
