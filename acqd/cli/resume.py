"""``acqd resume``: a job that was paused goes on."""

from __future__ import annotations

import click

from acqd.cli.asking import ask_of_job

__all__ = ["command"]


@click.command("resume")
@click.argument("job")
@click.option("--config", type=click.Path(), help="The station's config.")
def command(job: str, config: str | None) -> None:
    """Let JOB go on that `acqd pause`, or a command over MQTT, had paused."""
    ask_of_job("resume", job, config)
