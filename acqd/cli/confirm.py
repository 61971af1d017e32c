"""``acqd confirm``: the instrument that answers now is meant; jobs that wait for that go on."""

from __future__ import annotations

import click

__all__ = ["command"]


@click.command("confirm")
@click.argument("sweeper")
@click.option("--config", type=click.Path(), help="The station's config.")
def command(sweeper: str, config: str | None) -> None:
    """Say that the instrument that answers as SWEEPER now is meant.

    Jobs that stopped because another one answered than they had swept with go on. The station must
    run; `acqd status` shows which jobs wait.
    """
    from acqd.config.load import find_config, load_config
    from acqd.errors import SweeperError
    from acqd.station.control import ask_station

    loaded = load_config(find_config(config))
    told = ask_station(loaded.archive, {"do": "confirm", "sweeper": sweeper})
    if told is None:
        raise SweeperError(
            f"no station runs on {loaded.archive}; while one runs it asks for this itself"
        )
    jobs = told["jobs"]
    click.echo(
        f"{told['identity']}: {', '.join(jobs)} {'goes' if len(jobs) == 1 else 'go'} on"
        if jobs
        else f"{told['identity']}: no job waited for this"
    )
