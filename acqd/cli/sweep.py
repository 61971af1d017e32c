"""``acqd sweep``: a pass of a job is taken now."""

from __future__ import annotations

import click

from acqd.cli.asking import ask_of_job

__all__ = ["command"]


@click.command("sweep")
@click.argument("job")
@click.option("--config", type=click.Path(), help="The station's config.")
def command(job: str, config: str | None) -> None:
    """Have the running station take a pass of JOB now, as if it were due.

    It takes its turn with the other jobs, and goes through the same checks as any pass.
    """
    ask_of_job("sweep", job, config)
