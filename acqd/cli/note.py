"""``acqd note``: a remark beside the sweeps, for whoever reads the archive and every report."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.command("note")
@click.argument("words", nargs=-1, required=True, metavar="[WHEN] TEXT")
@click.option("--job", help="The job that it is about; without it, all of them.")
@click.option("--until", metavar="WHEN", help="End of what it is about, where it lasts.")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--archive", type=click.Path(), help="An archive, in place of the config's.")
def command(
    words: tuple[str, ...],
    job: str | None,
    until: str | None,
    config: str | None,
    archive: str | None,
) -> None:
    """Put a remark on the sheet: acqd note 21:05 "lamp off".

    WHEN is a time of the station's clock (the last such time), last night 21:05, now (as it is
    without it), or ISO 8601. The station may be running or not. A remark changes no figure.
    """
    from pathlib import Path

    from acqd.cli.place import job_in, place_of
    from acqd.clock import SystemClock
    from acqd.errors import WrongUsage
    from acqd.look.nights import when_of
    from acqd.look.times import clock, date
    from acqd.station.noting import put_note, user_name

    if len(words) > 2:
        raise WrongUsage('the remark is to be one word for the shell: acqd note 21:05 "lamp off"')
    place = place_of(config, archive)
    zone = place.zone
    if job is not None:
        job_in(job, place.jobs)
    system = SystemClock()
    now_s = system.wall_s()
    _refuse_a_time_alone(words, zone, now_s)
    try:
        from_s = when_of(words[0], zone, now_s=now_s) if len(words) == 2 else now_s
        to_s = None if until is None else when_of(until, zone, now_s=now_s)
    except ValueError as exc:
        raise WrongUsage(str(exc)) from exc
    if to_s is not None and to_s < from_s:
        raise WrongUsage(f"--until {until} is before {words[0]}; a remark ends after it begins")
    put_note(
        Path(place.folder),
        station=place.station,
        clock=system,
        text=words[-1],
        job=job,
        from_s=from_s,
        to_s=to_s,
        who=user_name(),
    )
    when = f"{date(from_s, zone)}, {clock(from_s, zone, seconds=True)}"
    if to_s is not None:
        when += f" to {clock(to_s, zone, seconds=True)}"
    click.echo(f"noted for {when} ({zone}), {'all jobs' if job is None else job}")


def _refuse_a_time_alone(words: tuple[str, ...], zone: str, now_s: float) -> None:
    """A time without words behind it was not meant to be the remark."""
    from contextlib import suppress

    from acqd.errors import WrongUsage
    from acqd.look.nights import when_of

    if len(words) == 1:
        with suppress(ValueError):
            when_of(words[0], zone, now_s=now_s)
            raise WrongUsage(
                f"{words[0]} is a time without a remark; write some words behind it: "
                f'acqd note {words[0]} "lamp off"'
            )
