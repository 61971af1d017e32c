"""What ``acqd once`` shows of a band."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.tables import number, quantity, spectrum, swept, table

if TYPE_CHECKING:
    from acqd.station.single import One

__all__ = ["picture", "show"]


def show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    unit = record["unit"]
    suffix = next(key.removeprefix("threshold_") for key in summary if key.startswith("threshold_"))
    accuracy = f"± {number(summary['level_accuracy_db'])} dB"
    if "level_accuracy_db" in summary["assumed"]:
        accuracy += " (assumed)"
    click.echo(f"{swept(record)}; levels at {summary['plane']}, {accuracy}")
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


def picture(one: One) -> None:
    """The sweep itself, with its threshold at the right edge."""
    names = (key for key in one.summary if key.startswith("threshold_"))
    threshold = next((one.summary[name] for name in names), None)
    spectrum(one.frequency_hz, one.level, unit=one.told["unit"], threshold=threshold)
