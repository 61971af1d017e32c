"""What the meter kept by the hour besides occupancy, and the context that sweeps were taken in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from acqd.look.times import clock
from acqd.report.floor import binned
from acqd.report.picture import TimeBins
from acqd.report.shapes import Line, Section, Table, TrendChart
from acqd.report.source import JobSource
from acqd.report.words import level

__all__ = ["context_section", "hour_tables"]


def context_section(source: JobSource, bins: TimeBins) -> list[Section]:
    """A trend of each context that sweeps have: temperature, supply, keyed; none without any."""
    index = source.sweeps()
    told = source.details.get("context") or {}
    charts = []
    for name, values in source.context().items():
        if not np.isfinite(values).any():
            continue
        found = binned(bins, index.started_s, index.took_s, values)
        about: Mapping[str, Any] = told.get(name) or {}
        low, high = float(np.nanmin(values)), float(np.nanmax(values))
        unit = str(about.get("unit") or "")
        charts.append(
            TrendChart(
                title=str(about.get("title") or name),
                unit=unit,
                lines=(
                    Line(name=name, x=found.at_s, y=found.middle, low=found.low, high=found.high),
                ),
                gaps=source.gaps,
                sweeps=source.range_of(),
                alt=f"{name} between {level(low)} and {level(high)} {unit}.".replace(" .", "."),
            )
        )
    if not charts:
        return []
    return [Section(key="context", title="Context", charts=tuple(charts))]


def hour_tables(source: JobSource) -> list[Section]:
    """On and off, the comparison with the ambient reference, external noise and bursts of zero
    span, as the meter told them for each hour that has a part in the range."""
    tables = [
        table
        for key, title in (
            ("trial", "On and off"),
            ("ambient", "Against the ambient reference"),
            ("external_noise", "External noise"),
            ("zero_span", "Bursts"),
        )
        if (table := _table(source, key, title)) is not None
    ]
    if not tables:
        return []
    lead = "As told for whole clock hours (UTC), also those that the range cuts."
    return [Section(key="hours", title="By the hour", lead=lead, tables=tuple(tables))]


def _table(source: JobSource, key: str, title: str) -> Table | None:
    """One row an hour and range; columns are the figures that are numbers or words."""
    rows: list[tuple[str, Mapping[str, Any]]] = [
        (clock(hour.hour_start_s, source.zone), one)
        for hour in source.hours
        for one in _entries(hour.figures.get(key))
    ]
    if not rows:
        return None
    names = list(
        dict.fromkeys(name for _, one in rows for name, value in one.items() if _plain(value))
    )
    places = tuple(None if _holds_text(rows, name) else 2 for name in names)
    return Table(
        title=title,
        heads=("hour from", *(_head(name) for name in names)),
        units=("", *(_unit(name) for name in names)),
        places=(None, *places),
        rows=tuple(
            (
                when,
                *(_cell(one.get(name), place) for name, place in zip(names, places, strict=True)),
            )
            for when, one in rows
        ),
        sweeps=source.range_of(),
    )


def _entries(found: Any) -> Sequence[Mapping[str, Any]]:
    if isinstance(found, Mapping):
        ranges = found.get("ranges")
        if isinstance(ranges, list):
            return [one for one in ranges if isinstance(one, Mapping)]
        return [found]
    return [one for one in found if isinstance(one, Mapping)] if isinstance(found, list) else []


def _plain(value: Any) -> bool:
    return isinstance(value, int | float | str)


def _holds_text(rows: Sequence[tuple[str, Mapping[str, Any]]], name: str) -> bool:
    return any(isinstance(one.get(name), str | bool) for _, one in rows)


def _cell(value: Any, places: int | None) -> str | float | None:
    if value is None or not _plain(value):
        return None
    if places is None:
        return str(value)
    return float(value)


UNITS = {"dbm": "dBm", "db": "dB", "hz": "Hz", "s": "s", "dbuv": "dBµV", "dbfs": "dBFS"}


def _unit(name: str) -> str:
    return UNITS.get(name.rpartition("_")[2], "")


def _head(name: str) -> str:
    stem, _, end = name.rpartition("_")
    return (stem if stem and end in UNITS else name).replace("_", " ")
