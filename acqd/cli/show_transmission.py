"""What ``acqd once`` shows of a filter, a pad or a cable."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.tables import number, quantity, spectrum, swept, table
from acqd.measure.transmission_text import with_u_hz

if TYPE_CHECKING:
    from acqd.station.single import One

__all__ = ["picture", "show"]


def show(record: Mapping[str, Any], summary: Mapping[str, Any]) -> None:
    click.echo(swept(record))
    if summary["refused"] is not None:
        click.echo(f"not measured: {summary['refused']}")
        return
    click.echo(summary["text"])
    for text in (*_facts(summary), *_tables(summary)):
        click.echo(text)
    if summary["budget_text"] is not None:
        what = "pad" if summary["budget_of"] == "pad_db" else "least loss"
        click.echo(f"uncertainty of the {what}: {summary['budget_text']}")
    for note in summary["notes"]:
        click.echo(f"note: {note}")


def picture(one: One) -> None:
    """The loss against the through that the job has, growing downwards."""
    if one.summary["refused"] is None and one.through is not None and one.level.dtype.kind == "f":
        spectrum(one.frequency_hz, one.through - one.level, unit="dB", upside_down=True)


def _facts(summary: Mapping[str, Any]) -> Iterator[str]:
    passband, separation, delay = summary["passband"], summary["separation"], summary["delay"]
    if summary["dynamic_range_db"] is not None:
        yield (
            f"{number(summary['dynamic_range_db'])} dB from the through to the floor "
            f"({summary['floor_from']})"
        )
    if passband is not None:
        yield (
            f"{quantity(passband['start_hz'], 'Hz')} to {quantity(passband['stop_hz'], 'Hz')}: "
            f"ripple {_db(passband['ripple_db'], passband['ripple_expanded_db'])}, largest loss "
            f"{_db(passband['largest_loss_db'], passband['largest_loss_expanded_db'])}"
        )
    if separation is not None:
        told = separation["reason"] or _db(
            separation["value_db"], separation["expanded_db"], separation["at_least"]
        )
        yield f"stop below pass: {told}"
    if delay is not None:
        yield (
            f"group delay {quantity(delay['centre_s'], 's')} at "
            f"{quantity(delay['centre_hz'], 'Hz')}, {quantity(delay['least_s'], 's')} to "
            f"{quantity(delay['largest_s'], 's')} within the passband"
        )
        yield from (f"note: {note}" for note in delay["notes"])


def _tables(summary: Mapping[str, Any]) -> Iterator[str]:
    if summary["response"] != "flat" and summary["passbands"]:
        rows = [row for one in summary["passbands"] for row in _passband(one)]
        yield table(("passband", "least loss", "level", "lower", "upper", "width", "Q"), rows)
        yield from _more(summary["passbands_count"], summary["passbands"])
    if summary["notches"]:
        rows = [row for one in summary["notches"] for row in _notch(one)]
        yield table(("notch", "depth", "level", "lower", "upper", "width"), rows)
        yield from _more(summary["notches_count"], summary["notches"])
    if summary["stopbands"]:
        yield table(("stopband", "from", "to", "rejection", "weakest at"), _stopbands(summary))
    if summary["named"]:
        yield table(("name", "role", "frequency", "loss", "rejection"), _named(summary))


def _more(count: int, shown: list[Any]) -> Iterator[str]:
    if count > len(shown):
        yield f"and {count - len(shown)} more"


def _db(value: float | None, expanded: float | None, at_least: bool = False) -> str:
    if value is None:
        return "–"
    start = "at least " if at_least else ""
    return f"{start}{number(value, 2)} dB" + (
        "" if expanded is None else f" ± {number(expanded, 2)}"
    )


def _edge(pair: Mapping[str, Any], side: str) -> str:
    if pair[f"{side}_hz"] is None:
        return str(pair[f"{side}_text"]).split(" dB ", 1)[-1]
    return _hz(pair[f"{side}_hz"], pair[f"{side}_expanded_hz"])


def _hz(value: float | None, expanded: float | None) -> str:
    return "–" if value is None else with_u_hz(value, expanded)


def _pairs(
    one: Mapping[str, Any], head: tuple[str, str], tail: tuple[str, ...]
) -> Iterator[tuple[str, ...]]:
    for index, pair in enumerate(one["edges"]):
        first = index == 0
        yield (
            *(head if first else ("", "")),
            f"−{pair['below_db']:g} dB",
            _edge(pair, "lower"),
            _edge(pair, "upper"),
            _hz(pair["width_hz"], pair["width_expanded_hz"]),
            *(tail if first else tuple("" for _ in tail)),
        )


def _passband(one: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    pair = one["edges"][0]
    place_hz = one["least_loss_hz"] if pair["centre_hz"] is None else pair["centre_hz"]
    place = _hz(place_hz, pair["centre_expanded_hz"])
    loss = _db(one["least_loss_db"], one["least_loss_expanded_db"])
    q = "–" if one["q"] is None else f"{number(one['q'])} ± {number(one['q_expanded'])}"
    return _pairs(one, (place, loss), (q,))


def _notch(one: Mapping[str, Any]) -> Iterator[tuple[str, ...]]:
    pair = one["edges"][0]
    place_hz = one["deepest_hz"] if pair["centre_hz"] is None else pair["centre_hz"]
    place = _hz(place_hz, pair["centre_expanded_hz"])
    depth = _db(one["depth_db"], one["depth_expanded_db"], one["at_least"])
    return _pairs(one, (place, depth), ())


def _stopbands(summary: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [
        (
            one["name"],
            quantity(one["start_hz"], "Hz"),
            quantity(one["stop_hz"], "Hz"),
            one["reason"]
            or _db(one["rejection_db"], one["rejection_expanded_db"], one["at_least"]),
            quantity(one["at_hz"], "Hz"),
        )
        for one in summary["stopbands"]
    ]


def _named(summary: Mapping[str, Any]) -> list[tuple[str, ...]]:
    return [
        (
            one["name"],
            one["role"],
            quantity(one["frequency_hz"], "Hz"),
            _db(one["loss_db"], one["loss_expanded_db"], one["at_least"])
            if one["loss_db"] is not None
            else one["text"].split(": ", 1)[-1],
            _db(one["rejection_db"], one["rejection_expanded_db"], one["at_least"]),
        )
        for one in summary["named"]
    ]
