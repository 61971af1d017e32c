"""What ``acqd once`` shows of a carrier."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from acqd.cli.tables import number, quantity, swept

__all__ = ["show"]


def show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    if not summary:
        click.echo(f"{record['identity']}: the pass brought nothing")
        return
    unit = record["unit"]
    suffix = next(key.removeprefix("strongest_") for key in summary if key.startswith("strongest_"))
    click.echo(f"{swept(record)}; levels at {summary['plane']}")
    floor = number(summary[f"floor_{suffix}"])
    if not summary["heard"]:
        click.echo(f"floor {floor} {unit}; not heard: {summary['not_heard_because']}")
        return
    offset = number(summary["offset_hz"], 1)
    click.echo(
        f"frequency {quantity(summary['frequency_hz'], 'Hz')}, {offset} Hz from "
        f"{quantity(summary['expected_hz'], 'Hz')} ({number(summary['offset_ppm'], 2)} ppm)"
    )
    click.echo(f"  {_sure(summary['frequency_uncertainty'], summary['note'])}")
    click.echo(
        f"level {number(summary[f'level_{suffix}'], 2)} {unit}, "
        f"{number(summary['over_floor_db'])} dB above the floor of {floor} {unit}"
    )
    click.echo(f"  {_sure(summary['level_uncertainty'], summary['note'])}")
    if summary["interpolated"]:
        click.echo(
            f"  bias of the interpolation: at most {quantity(summary['frequency_bias_hz'], 'Hz')}, "
            f"{number(summary['level_bias_low_db'], 2)} to "
            f"{number(summary['level_bias_high_db'], 2)} dB"
        )


def _sure(sentence: str | None, note: str | None) -> str:
    if sentence is None:
        return f"nobody can say how sure: {note}"
    return sentence if note is None else f"{sentence} ({note})"
