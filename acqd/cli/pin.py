"""``acqd pin``: a night that is never to be thinned."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.cli.place import Place

__all__ = ["command"]


@click.command("pin")
@click.argument("night", required=False)
@click.option("--from", "start", metavar="WHEN", help="Begin, in place of a NIGHT.")
@click.option("--to", "stop", metavar="WHEN", help="End, not included.")
@click.option("--job", help="The job; without it, all of them.")
@click.option("--because", help="Why, for whoever reads it later.")
@click.option("--remove", is_flag=True, help="Take the pins in that time back.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
def command(
    night: str | None,
    start: str | None,
    stop: str | None,
    job: str | None,
    because: str | None,
    remove: bool,
    config: str | None,
    archive: str | None,
) -> None:
    """Keep NIGHT for good: acqd pin "last night", or the date on which it begins.

    A night is from noon to noon of the station's clock. What is pinned is never thinned.
    """
    from acqd.archive.ledger import PIN
    from acqd.cli.place import job_in, place_of, put
    from acqd.look.nights import span_text
    from acqd.station.noting import note_text

    place = place_of(config, archive)
    if job is not None:
        job_in(job, place.jobs)
    from_s, to_s = _span(night, start, stop, place)
    when = f"{span_text(from_s, to_s, place.zone)} ({place.zone}), {job or 'all jobs'}"
    if remove:
        _remove(place, job, from_s, to_s, when)
        return
    body = {} if because is None else {"text": note_text(because)}
    number = put(place, PIN, body, job=job, from_s=from_s, to_s=to_s).number
    click.echo(f"pinned as number {number}: {when}; it is never thinned")
    empty = _empty(place, job, from_s, to_s)
    if empty:
        click.echo(empty)
    click.echo(f"acqd notes undo {number} takes it back")


def _span(
    night: str | None, start: str | None, stop: str | None, place: Place
) -> tuple[float, float]:
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.look.nights import night_of, when_of

    now_s = SystemClock().wall_s()
    if night is not None and (start is not None or stop is not None):
        raise WrongUsage("give a NIGHT, or --from and --to; not both")
    if night is None and (start is None or stop is None):
        raise WrongUsage('say which night: acqd pin "last night", or --from and --to')
    try:
        if night is not None:
            return night_of(night, place.zone, now_s=now_s)
        from_s = when_of(str(start), place.zone, now_s=now_s)
        to_s = when_of(str(stop), place.zone, now_s=now_s)
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc
    if to_s <= from_s:
        raise WrongUsage(f"--to {stop} is not after --from {start}")
    return from_s, to_s


def _empty(place: Place, job: str | None, from_s: float, to_s: float) -> str | None:
    """Said where nothing is kept of that time yet: a slip in the date pins nothing."""
    from acqd.archive.reader import open_archive
    from acqd.report.range import extent_s

    opened = open_archive(place.folder)
    spans = [extent_s(opened, one) for one in ([job] if job else opened.jobs())]
    if any(one is not None and one[0] < to_s and one[1] > from_s for one in spans):
        return None
    return "nothing of that time is in the archive yet; was another night meant?"


def _remove(place: Place, job: str | None, from_s: float, to_s: float, when: str) -> None:
    from acqd.archive.ledger import PIN, UNDO
    from acqd.archive.reader import open_archive
    from acqd.cli.place import put
    from acqd.errors import WrongUsage
    from acqd.look.nights import span_text

    there = [
        one
        for one in open_archive(place.folder).overlays()
        if one.kind == PIN
        and one.job == job
        and (one.from_s is None or one.from_s < to_s)
        and (one.to_s is None or one.to_s > from_s)
    ]
    if not there:
        raise WrongUsage(f"nothing is pinned there: {when}; acqd notes --all lists what is")
    beyond = [
        one
        for one in there
        if one.from_s is None or one.to_s is None or one.from_s < from_s or one.to_s > to_s
    ]
    if beyond:
        each = "; ".join(
            f"{one.id} ({span_text(one.from_s, one.to_s, place.zone)})" for one in beyond
        )
        raise WrongUsage(
            f"a pin reaches beyond that time: {each}; take it back as a whole with acqd notes undo "
            f"{beyond[0].id}, and pin what is left"
        )
    for one in there:
        put(place, UNDO, {"undoes": one.id, "reason": ""}, job=one.job)
        click.echo(
            f"pin {one.id} taken back: {span_text(one.from_s, one.to_s, place.zone)} "
            f"({place.zone}), {one.job or 'all jobs'}; retention may thin it again"
        )
