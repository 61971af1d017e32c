"""``acqd once``: one pass, looked at and not kept."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from acqd.drivers.host import SweeperHost
    from acqd.station.job import JobSpec

__all__ = ["command"]

OPEN_WITHIN_S = 30.0


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

    Nothing is kept. The sweepers of a running station are refused: stop it first.
    """
    import asyncio
    import json

    from acqd.station.single import one_of_job, one_of_range

    if ".." in what:
        target = one_of_range(
            what,
            config=config,
            sweeper=sweeper,
            driver=driver,
            points=points,
            rbw=rbw,
            margin=margin,
        )
    else:
        target = one_of_job(what, config=config)
    host, spec = target
    record, summary = asyncio.run(_one(host, spec))
    if as_json:
        shown = {**record, spec.kind: summary}
        click.echo(json.dumps(shown, indent=2, ensure_ascii=False))
        return
    _show(record, summary)


async def _one(host: SweeperHost, spec: JobSpec) -> tuple[dict[str, Any], Mapping[str, Any]]:
    from acqd.station.single import take_one

    return await take_one(host, spec)


def _show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    from acqd.cli.tables import number, quantity, table

    unit = record["unit"]
    suffix = record["suffix"]
    rbw = quantity(record["rbw_hz"], "Hz")
    if record["rbw_is_assumed"] and record["rbw_hz"] is not None:
        rbw += " (assumed)"
    accuracy = f"± {number(summary['level_accuracy_db'])} dB"
    if "level_accuracy_db" in summary["assumed"]:
        accuracy += " (assumed)"
    click.echo(f"{record['identity']}")
    click.echo(
        f"{quantity(record['start_hz'], 'Hz')} to {quantity(record['stop_hz'], 'Hz')}, "
        f"{record['points']} points, RBW {rbw}, took {quantity(record['took_s'], 's')}; "
        f"levels at {summary['plane']}, {accuracy}"
    )
    floor = number(summary[f"floor_{suffix}"])
    threshold = number(summary[f"threshold_{suffix}"])
    click.echo(f"floor {floor} {unit}, threshold {threshold} {unit}")
    signals = summary["signals"]
    if not signals:
        click.echo("nothing above the threshold")
        return
    rows = [
        (
            quantity(one["peak_hz"], "Hz"),
            number(one[f"peak_{suffix}"]),
            number(one.get(f"power_{suffix}")),
            quantity(one["width_hz"], "Hz"),
            one["channel"] or "",
        )
        for one in signals
    ]
    heads = ("frequency", f"peak [{unit}]", f"power [{unit}]", "width", "channel")
    click.echo(table(heads, rows, right=(0, 1, 2, 3)))
    more = summary["signals_count"] - len(signals)
    if more > 0:
        click.echo(f"and {more} more")
