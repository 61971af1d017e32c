"""``acqd pause``: a job of the running station waits until it is resumed."""

from __future__ import annotations

import click

from acqd.cli.asking import ask_of_job

__all__ = ["command"]


@click.command("pause")
@click.argument("job")
@click.option("--config", type=click.Path(), help="The station's config.")
def command(job: str, config: str | None) -> None:
    """Let JOB of the running station wait from its next pass on, until `acqd resume` or a restart.

    What it misses meanwhile is accounted for as "paused by command".
    """
    ask_of_job("pause", job, config)
