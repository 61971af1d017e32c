"""What ``acqd once`` shows of an emission check."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from acqd.cli.tables import number, quantity, table
from acqd.measure.transmission_text import with_u_hz
from acqd.measure.words import frequency_text

__all__ = ["show"]


def show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    click.echo(f"{record['identity']}, {record['sweeps']} sweeps; levels at {summary['plane']}")
    click.echo(summary["said"])
    _show_fundamental(summary)
    _show_products(summary["products"], summary["products_dropped"])
    for one in summary["searched"]:
        start, stop = quantity(one["start_hz"], "Hz"), quantity(one["stop_hz"], "Hz")
        click.echo(f"{start} to {stop}: {one['text']}")
    for one in summary["not_measured"]:
        click.echo(f"not measured: {one['what']}, {one['why']}")
    for one in summary["proof"]:
        click.echo(one)
    if summary["budget"] is not None:
        click.echo(f"{summary['budget']['figure']}: {summary['budget']['sentence']}")
    for note in summary["notes"]:
        click.echo(f"note: {note}")
    if summary["prevails"]:
        click.echo(summary["prevails"])


def _show_fundamental(summary: Mapping[str, Any]) -> None:
    found = summary["fundamental"]
    if found is None:
        return
    off = (
        "" if found["off_hz"] is None else f", {number(found['off_hz'], 0)} Hz from where expected"
    )
    pad = summary["external_pad_db"]
    click.echo(
        f"fundamental {with_u_hz(found['frequency_hz'], found['frequency_expanded_hz'])}{off}; "
        f"{number(found['level_dbm'])} dBm ± {number(found['expanded_db'])} "
        f"({_power(found['power_w'])})"
        + ("" if pad is None else f", ahead of an external pad of {number(pad, 0)} dB")
    )
    for key in ("occupied", "x_db"):
        width = summary[key]
        if width is None:
            continue
        if width["width_hz"] is None:
            click.echo(f"bandwidth ({width['what']}): none, {width['reason']}")
            continue
        bound = f"{width['bound']} " if width["bound"] else ""
        why = f", {width['reason']}" if width["reason"] else ""
        click.echo(
            f"bandwidth ({width['what']}): {bound}{quantity(round(width['width_hz']), 'Hz')}{why}"
        )
    for one in summary["adjacent"]:
        side = "lower" if one["place"] < 0 else "upper"
        if one["ratio_db"] is None:
            click.echo(f"{side} neighbour: none, {one['reason']}")
        else:
            bound = f"{one['bound']} " if one["bound"] else ""
            click.echo(f"{side} neighbour: {bound}{number(one['ratio_db'])} dB below")


def _power(power_w: float) -> str:
    """4.6 W: two figures say all that some tenths of a dB leave."""
    return quantity(float(f"{power_w:.2g}"), "W")


def _show_products(products: list[Mapping[str, Any]], dropped: int) -> None:
    if not products:
        return
    rows = []
    for one in products:
        bound = "≤ " if one["bound"] else ""
        limit = "–" if one["limit"] is None else f"{number(one['limit'])} {one['limit_unit']}"
        rows.append(
            (
                one["name"],
                frequency_text(one["frequency_hz"]),
                f"{bound}{number(one['level_dbm'])}",
                number(one["dbc"]),
                number(one["expanded_db"]),
                one["origin"],
                limit,
                number(one["margin_db"]),
                one["verdict"] or "–",
            )
        )
    heads = ("product", "frequency", "level [dBm]", "dBc", "± dB", "from", "limit", "margin", "")
    click.echo(table(heads, rows, right=(1, 2, 3, 4, 6, 7)))
    if dropped:
        click.echo(f"and {dropped} more")
