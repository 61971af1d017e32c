"""What ``acqd once`` shows of a reflection."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from acqd.cli.tables import number, quantity, swept, table

__all__ = ["show"]


def show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    click.echo(swept(record))
    if summary["refused"] is not None:
        click.echo(f"no figures: {summary['refused']}")
        return
    _bridge(summary)
    best = summary["best"]
    if best is not None:
        click.echo(
            f"best match {_mhz(best['frequency_hz'])} ({_mhz(best['frequency_low_hz'])} to "
            f"{_mhz(best['frequency_high_hz'])}), {reads(best)}"
        )
        rows = [_width_row(width, record) for width in best["bandwidths"]]
        click.echo(table(("SWR", "from", "to", "width", "surely", "at most"), rows, right=(0,)))
    _dips(summary)
    _named(summary)
    _change(summary)
    for note in summary["notes"]:
        click.echo(f"note: {note}")


def _bridge(summary: Mapping[str, Any]) -> None:
    words = [
        f"directivity {number(summary['directivity_db'])} dB ({summary['directivity_from']})",
        f"source match {number(summary['source_match_db'])} dB ({summary['source_match_from']})",
    ]
    if summary["cable_loss_db"]:
        words.append(f"cable loss of {number(summary['cable_loss_db'], 2)} dB taken out")
    click.echo(f"{summary['way']}; {', '.join(words)}")


def reads(figures: Mapping[str, Any]) -> str:
    """SWR 1.21 (1.05 to 1.42), return loss 20.5 dB (15.2 to 32.0)."""
    if figures["return_loss_low_db"] is None and figures["magnitude"] is None:
        return "no reading"
    swr = "SWR infinite"
    if figures["swr_low"] is not None:
        swr = (
            f"SWR {_swr(figures['swr'])} "
            f"({_swr(figures['swr_low'])} to {_swr(figures['swr_high'])})"
        )
    low = number(figures["return_loss_low_db"])
    if figures["return_loss_high_db"] is None:
        return (
            f"SWR at most {_swr(figures['swr_high'])}, return loss at least {low} dB "
            f"(reads {_swr(figures['swr'])} and {number(figures['return_loss_db'])} dB)"
        )
    text = (
        f"{swr}, return loss {number(figures['return_loss_db'])} dB "
        f"({low} to {number(figures['return_loss_high_db'])})"
    )
    if figures["magnitude_low"] is not None and figures["magnitude_low"] > 1.0:
        return f"{text}: more comes back than arrives"
    if figures["over_unity"]:
        return f"{text}: all of it comes back"
    return text


def _swr(ratio: float | None) -> str:
    return "infinite" if ratio is None else f"{ratio:.2f}"


def _mhz(frequency_hz: float) -> str:
    return quantity(round(frequency_hz, -3) if frequency_hz >= 1e6 else frequency_hz, "Hz")


def _width_row(width: Mapping[str, Any], record: Mapping[str, Any]) -> tuple[str, ...]:
    name = f"{width['swr']:g}"
    surely = quantity(width["least_width_hz"], "Hz") if width["least_width_hz"] else "perhaps none"
    most_hz = width["most_width_hz"]
    most = "beyond the sweep" if most_hz is None else _span(most_hz) if most_hz else "none"
    if not width["reached"]:
        return (name, "not reached", "", "", surely, most)
    low = f"below {_mhz(record['start_hz'])}" if width["low_hz"] is None else _mhz(width["low_hz"])
    high = f"above {_mhz(record['stop_hz'])}"
    if width["high_hz"] is not None:
        high = _mhz(width["high_hz"])
    whole = "beyond the sweep" if width["width_hz"] is None else _span(width["width_hz"])
    surely = surely if surely == "perhaps none" else _span(width["least_width_hz"])
    return (name, low, high, whole, surely, most)


def _span(width_hz: float) -> str:
    return quantity(float(f"{width_hz:.3g}"), "Hz")


def _dips(summary: Mapping[str, Any]) -> None:
    best = summary["best"]
    others = [
        one
        for one in summary["resonances"]
        if best is None or one["frequency_hz"] != best["frequency_hz"]
    ]
    for one in others:
        click.echo(f"another dip at {_mhz(one['frequency_hz'])}: {reads(one)}")
    more = summary["resonances_count"] - len(summary["resonances"])
    if more > 0:
        click.echo(f"and {more} more dips")


def _named(summary: Mapping[str, Any]) -> None:
    rows = []
    for one in summary["named"]:
        what = reads(one) if one["reason"] is None else one["reason"]
        rows.append((one["name"], _mhz(one["frequency_hz"]), what))
    worst = summary["worst"]
    if worst is not None:
        where = f"{_mhz(worst['start_hz'])} to {_mhz(worst['stop_hz'])}"
        if worst["reason"] is not None:
            rows.append(("worst", where, worst["reason"]))
        else:
            rows.append(("worst", _mhz(worst["frequency_hz"]), reads(worst)))
    if rows:
        click.echo(table(("at", "frequency", "reading"), rows))


def _change(summary: Mapping[str, Any]) -> None:
    change = summary["change"]
    if change is not None:
        what = change["text"] if change["refused"] is None else change["refused"]
        installed = f" ({change['installed']})" if change["installed"] else ""
        click.echo(f"since installation{installed}: {what}")
    if summary["dominant"] is not None:
        top = summary["budget"][0]
        assumed = ", assumed" if top["assumed"] else ""
        click.echo(
            f"largest part of the uncertainty at the best match: {top['name']} "
            f"({100 * top['share']:.0f} %{assumed}); to shrink it: {top['shrink']}"
        )
