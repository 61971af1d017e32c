"""``acqd once``: one pass, looked at and not kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from acqd.station.references import ReferenceRecord

__all__ = ["command"]


@click.command("once")
@click.argument("what", required=False)
@click.option("--config", type=click.Path(), help="The station's config.")
@click.option("--sweeper", help="A sweeper of the config by name, or an address.")
@click.option("--driver", help="The driver for an address; sim: means sim, iq: iq, all else scpi.")
@click.option(
    "--option",
    "options",
    multiple=True,
    metavar="KEY=VALUE",
    help="For an address: an option of the sweeper, the value as in TOML.",
)
@click.option("--points", type=click.IntRange(2, 1_000_000), help="Points of a plain range.")
@click.option("--rbw", help='Resolution bandwidth of a plain range, such as "10 kHz".')
@click.option("--margin", default="10 dB", show_default=True, help="Threshold over the floor.")
@click.option("--json", "as_json", is_flag=True, help="The whole summary as JSON.")
@click.option(
    "--self-test",
    "tested",
    metavar="SWEEPER",
    help="Test a sweeper of the config, or at an address, in place of a pass.",
)
@click.option("--part", "parts", multiple=True, help="Parts of the self-test; without it, all.")
@click.option("--expect", type=click.Path(), help="For an address: a file of what is expected.")
@click.option("-y", "--yes", is_flag=True, help="All is connected: do not wait for Enter.")
@click.option("--as-it-is", is_flag=True, help="What the job asks for is set by hand: ask nobody.")
def command(
    what: str | None,
    config: str | None,
    sweeper: str | None,
    driver: str | None,
    options: tuple[str, ...],
    points: int | None,
    rbw: str | None,
    margin: str,
    as_json: bool,
    tested: str | None,
    parts: tuple[str, ...],
    expect: str | None,
    yes: bool,
    as_it_is: bool,
) -> None:
    """Take one pass of a job, or of a plain range such as 144MHz..146MHz, and show what it saw.

    Nothing is kept. The sweepers of a running station are refused: stop it first. Where the job has
    a verdict the exit code is 0 for pass, 3 for fail, 4 for cannot tell, 5 for incomplete.

    With --self-test a sweeper itself is tested: its noise, its source looped back, a known carrier,
    as [sweeper.NAME.self_test] says; what to connect is asked for before each part. The result is
    kept in the archive, also while the station runs, and drawn in its reports.
    """
    from acqd.cli.options import option_values

    if tested is not None:
        from acqd.cli.selftest import run_self_test

        _refuse_with_self_test(
            {
                "WHAT": what,
                "--sweeper": sweeper,
                "--points": points,
                "--rbw": rbw,
            }
        )
        code = run_self_test(
            tested,
            config=config,
            driver=driver,
            options=option_values(options),
            expect=expect,
            parts=parts,
            yes=yes,
            as_json=as_json,
        )
        raise SystemExit(code)
    if parts or expect or yes:
        raise click.UsageError("--part, --expect and --yes are for --self-test")
    if what is None:
        raise click.UsageError("what? a job, a range such as 144MHz..146MHz, or --self-test")
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
            options=option_values(options),
        )
    else:
        if options:
            raise click.UsageError("--option is for a range at an address, or a self-test there")
        host, spec, references = one_of_job(what, config=config, as_it_is=as_it_is)

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


def _refuse_with_self_test(given: Mapping[str, object]) -> None:
    """What belongs to a pass and means nothing to a self-test."""
    for name, value in given.items():
        if value is not None:
            raise click.UsageError(f"--self-test takes no {name}; its config says what is swept")
