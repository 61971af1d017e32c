"""``acqd once``: one pass, looked at and not kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.station.references import ReferenceRecord

__all__ = ["command"]


@click.command("once")
@click.argument("what")
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--sweeper", help="A sweeper of the config by name, or an address.")
@click.option("--driver", help="The driver for an address; sim: means sim, all else scpi.")
@click.option("--points", type=click.IntRange(2, 1_000_000), help="Points of a plain range.")
@click.option("--rbw", help='Resolution bandwidth of a plain range, such as "10 kHz".')
@click.option("--margin", default="10 dB", show_default=True, help="Threshold over the floor.")
@click.option("--json", "as_json", is_flag=True, help="The whole summary as JSON.")
def command(
    what: str,
    config: str | None,
    sweeper: str | None,
    driver: str | None,
    points: int | None,
    rbw: str | None,
    margin: str,
    as_json: bool,
) -> None:
    """Take one pass of a job, or of a plain range such as 144MHz..146MHz, and show what it saw.

    Nothing is kept. The sweepers of a running station are refused: stop it first. Where the job has
    a verdict the exit code is 0 for pass, 3 for fail, 4 for cannot tell, 5 for incomplete.
    """
    import asyncio
    import json
    from importlib import import_module

    from acqd.cli.run import EXIT_CODES
    from acqd.station.single import one_of_job, one_of_range, take_one

    references: Mapping[str, ReferenceRecord] = {}
    if ".." in what:
        host, spec = one_of_range(
            what,
            config=config,
            sweeper=sweeper,
            driver=driver,
            points=points,
            rbw=rbw,
            margin=margin,
        )
    else:
        host, spec, references = one_of_job(what, config=config)

    def say(text: str) -> None:
        click.echo(text, err=True)

    one = asyncio.run(take_one(host, spec, references=references, say=say))
    if as_json:
        shown = {**one.told, spec.kind: one.summary, "verdict": one.verdict}
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
    else:
        shown_by = import_module(f"acqd.cli.show_{spec.kind}")
        shown_by.show(one.told, one.summary)
        if hasattr(shown_by, "picture"):
            shown_by.picture(one)
        if one.verdict is not None:
            word, text = one.verdict["verdict"], one.verdict["text"]
            # Why nothing was measured stands above already.
            refused = one.summary.get("refused")
            click.echo(word if refused and text.endswith(refused) else f"{word}: {text}")
    if one.verdict is not None:
        raise SystemExit(EXIT_CODES[one.verdict["verdict"]])
