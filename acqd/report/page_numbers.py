"""The numbers of a figure as a table, for who cannot see it or wants to copy them."""

from __future__ import annotations

from acqd.report.page_words import Moments, number_text
from acqd.report.shapes import BarChart, Chart, CurveChart, HeatChart, Mark, Table, TrendChart

__all__ = ["numbers_of"]


def numbers_of(chart: Chart, moment: Moments) -> Table | None:
    """Occupancy by channel and hour, bars, and the points that are marked at a curve.

    None for a chart whose numbers are curves and pictures: those are in the report's JSON.
    """
    match chart:
        case HeatChart():
            return _heat(chart, moment)
        case BarChart() if chart.bars:
            return _bars(chart)
        case CurveChart() if chart.marks:
            return _marks(chart.title, chart.marks, _x_unit(chart.x_unit), chart.y_unit)
        case TrendChart() if chart.marks:
            return _moments(chart, moment)
    return None


def _heat(chart: HeatChart, moment: Moments) -> Table | None:
    hours = [moment(float(at)).here for at in chart.column_edges_s[:-1]]
    if not hours or not chart.rows:
        return None
    rows = [
        (name, *(_share(chart, row, column) for column in range(len(hours))))
        for row, name in enumerate(chart.rows)
    ]
    percent = number_text(100 * chart.confidence, 0)
    return Table(
        title=f"{chart.title}, as numbers",
        heads=("Channel", *hours),
        units=("", *("%" for _ in hours)),
        places=(None, *(None for _ in hours)),
        rows=tuple(rows),
        note=f"In brackets: the true share lies in there with a confidence of {percent} %.",
        sweeps=chart.sweeps,
    )


def _share(chart: HeatChart, row: int, column: int) -> str | None:
    share, low, high = (
        100 * float(values[row, column]) for values in (chart.share, chart.low, chart.high)
    )
    if share != share:
        return None
    return f"{number_text(share, 1)} ({number_text(low, 1)} to {number_text(high, 1)})"


def _x_unit(unit: str) -> tuple[float, str]:
    return (1e6, "MHz") if unit == "Hz" else (1.0, unit)


def _bars(chart: BarChart) -> Table:
    scale, unit = _x_unit(chart.x_unit)
    return Table(
        title=f"{chart.title}, as numbers",
        heads=("Figure", "At", chart.y_name.capitalize(), "± (k = 2)", "Limit", "Verdict"),
        units=("", unit, chart.y_unit, "dB", chart.y_unit, ""),
        places=(None, 3, None if any(one.bound for one in chart.bars) else 1, 1, 1, None),
        rows=tuple(
            (
                one.name,
                one.x / scale,
                f"{one.bound} {number_text(one.value, 1)}" if one.bound else one.value,
                one.expanded,
                one.limit,
                ", ".join(filter(None, (one.verdict, one.text))),
            )
            for one in chart.bars
        ),
        sweeps=chart.sweeps,
    )


def _marks(title: str, marks: tuple[Mark, ...], x: tuple[float, str], y_unit: str) -> Table:
    scale, unit = x
    return Table(
        title=f"{title}, marked points",
        heads=("Point", "At", "Value", "± (k = 2)"),
        units=("", unit, y_unit, y_unit),
        places=(None, 3, 2, 2),
        rows=tuple((one.text, one.x / scale, one.y, one.expanded) for one in marks),
    )


def _moments(chart: TrendChart, moment: Moments) -> Table:
    return Table(
        title=f"{chart.title}, marked points",
        heads=("Point", "At", "Value", "± (k = 2)"),
        units=("", "", chart.unit, chart.unit),
        places=(None, None, 2, 2),
        rows=tuple((one.text, moment(one.x).here, one.y, one.expanded) for one in chart.marks),
    )
